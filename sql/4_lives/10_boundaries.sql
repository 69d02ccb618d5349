-- Grain: one change of the part in one place: a renewal, or one that came with an assembly.
-- Key: vehicle, component, side, changed_on.
-- Inputs: lives.endings, lives.vehicles, lives.components, lives.light_sources (vehicle, light_source_category).
-- Units: dates; costs in currency.
create or replace table lives.boundaries as
with assembly as (
    select e.vehicle, e.side, e.renewed_on, e.order_id, e.file, e.row, e.line_key,
           unnest(string_split(coalesce(e.renews, case when v.lighting = 'led' then getvariable('assembly_renews_led')
                                                       else getvariable('assembly_renews') end), ',')) as component
    from lives.endings e
    join lives.vehicles v on v.vehicle = e.vehicle
    where e.component = 'headlamp_assembly'
),
implied as (
    select distinct on (a.vehicle, component, a.side, a.renewed_on)
        a.vehicle, trim(a.component) as component, a.side, a.renewed_on, a.order_id, a.file, a.row, a.line_key
    from assembly a
    join lives.components c on c.component = trim(a.component) and c.is_sided
    left join lives.light_sources l on l.vehicle = a.vehicle
    anti join lives.endings e
      on e.vehicle = a.vehicle and e.component = trim(a.component) and e.side = a.side and e.renewed_on = a.renewed_on
    where trim(a.component) <> 'headlamp_assembly'
      -- Discharge light sources that carry their igniter leave none to come with the headlamp.
      and not (trim(a.component) = 'igniter' and coalesce(regexp_matches(l.light_source_category, '^D[1358]'), false))
    order by a.vehicle, component, a.side, a.renewed_on, a.line_key
),
changes as (
    select vehicle, component, side, renewed_on as changed_on, ending, rule, p_failed, ending_otherwise, symptom, fault_code, order_id, file,
           row, supplier, grade, part_number, lot, light_source_category, warranty_months, warranty_km,
           part_cost, labour_cost, labour_hours, is_warranty_claim, true as is_explicit
    from lives.endings
    where not has_many_places
    union all by name
    select vehicle, component, side, renewed_on as changed_on, 'with_assembly' as ending,
           'came with the headlamp assembly' as rule, 0.0 as p_failed, order_id, file, row, false as is_explicit
    from implied
),
-- A renewal on an unknown side ends what is known of both sides.
unknown_side as (
    select c.* exclude (side, ending, rule, p_failed, ending_otherwise), unnest(['left', 'right']) as side, 'side_unknown' as ending,
           'renewed on a side that is not told' as rule, 0.0 as p_failed, null::varchar as ending_otherwise
    from changes c
    where c.side = 'unknown'
),
all_changes as (
    select *, true as is_start_known from changes where side <> 'unknown'
    union all by name
    select *, false as is_start_known from unknown_side
)
select *
from all_changes
-- A known change of the same day says more than an unknown one.
qualify row_number() over (partition by vehicle, component, side, changed_on
                           order by is_start_known desc, is_explicit desc) = 1;
