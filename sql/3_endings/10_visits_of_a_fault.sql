-- Grain: one day on which parts were renewed on one side of one vehicle because of a failure.
-- Key: vehicle, fault_side, renewed_on.
-- Inputs: lives.renewals, lives.km_points.
-- Units: days and km since the visit before, on the same side.
create or replace table lives.fault_visits as
with told as (
    select r.vehicle, r.renewed_on, r.component, r.side, r.symptom, r.is_comeback, r.line_key, r.complaint, k.km,
           case
               when r.complaint_side = 'both' then 'both'
               when r.side in ('left', 'right') and r.is_both_renewed and coalesce(r.complaint_side, 'unknown') not in ('left', 'right')
                   then 'both'
               when r.side in ('left', 'right') then r.side
               when r.complaint_side in ('left', 'right') then r.complaint_side
           end as told_side
    from lives.renewals r
    left join lives.km_points k on k.vehicle = r.vehicle and k.on_date = r.renewed_on
    where r.first_ending in ('failed', 'wrong_suspect') and not r.has_many_places
),
-- A part without a side, renewed for a complaint that names none, belongs to the fault that was worked on before it.
carried as (
    select *,
        last_value(told_side ignore nulls) over before_it as side_before,
        last_value(case when told_side is not null then renewed_on end ignore nulls) over before_it as side_before_on
    from told
    window before_it as (partition by vehicle order by renewed_on, line_key, side rows between unbounded preceding and 1 preceding)
),
failures as (
    select *, coalesce(told_side,
                       case when renewed_on - side_before_on <= getvariable('return_window_days') then side_before end,
                       'unknown') as fault_side
    from carried
),
days as (
    select vehicle, fault_side, renewed_on, any_value(km) as km, bool_or(is_comeback) as is_comeback,
           arg_min(symptom, line_key) filter (where symptom is not null) as symptom,
           bool_or(complaint is null) as is_complaint_blank,
           list(distinct component order by component) as components, list(distinct line_key) as line_keys
    from failures
    group by all
)
select *,
    renewed_on - lag(renewed_on) over side_line as days_since,
    km - lag(km) over side_line as km_since,
    not list_has_any(components, lag(components) over side_line) as is_other_part,
    symptom is not null or is_comeback or is_complaint_blank as has_complaint,
    coalesce(symptom = lag(symptom) over side_line, false) as is_same_symptom
from days
window side_line as (partition by vehicle, fault_side order by renewed_on);
