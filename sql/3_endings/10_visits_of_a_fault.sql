-- Grain: one day on which parts were renewed on one side of one vehicle because of a failure.
-- Key: vehicle, fault_side, renewed_on.
-- Inputs: lives.renewals, lives.km_points.
-- Units: days and km since the visit before, on the same side.
create or replace table lives.fault_visits as
with failures as (
    select r.vehicle, r.renewed_on, r.component, r.symptom, r.is_comeback, r.line_key, k.km,
           case when r.side in ('left', 'right') then r.side
                when r.complaint_side in ('left', 'right', 'both') then r.complaint_side
                else 'unknown' end as fault_side
    from lives.renewals r
    left join lives.km_points k on k.vehicle = r.vehicle and k.on_date = r.renewed_on
    where r.first_ending in ('failed', 'wrong_suspect') and not r.has_many_places
),
days as (
    select vehicle, fault_side, renewed_on, any_value(km) as km, bool_or(is_comeback) as is_comeback,
           arg_min(symptom, line_key) filter (where symptom is not null) as symptom,
           list(distinct component order by component) as components
    from failures
    group by all
)
select *,
    renewed_on - lag(renewed_on) over side_line as days_since,
    km - lag(km) over side_line as km_since,
    not list_has_any(components, lag(components) over side_line) as is_other_part,
    symptom is not null or is_comeback as has_complaint,
    coalesce(symptom = lag(symptom) over side_line, false) as is_same_symptom
from days
window side_line as (partition by vehicle, fault_side order by renewed_on);
