-- Grain: one life: one part in one place, from the vehicle's first use or its fitting to its end or the end of watching.
-- Key: life_id; also vehicle, component, side, generation.
-- Inputs: lives.places, lives.boundaries, lives.vehicles, lives.km_points.
-- Units: *_days, *_km on the part's own clocks (0 = new); dates; costs in currency; labour in hours.
create or replace table lives.lives as
with starts as (
    select vehicle, component, side, null::date as changed_on, unknown_start_reason is null as is_start_known,
           unknown_start_reason as start_reason
    from lives.places
    union all
    select vehicle, component, side, changed_on, is_start_known,
           case when not is_start_known then 'start not known: a renewal before it had no side' end
    from lives.boundaries
),
sequence as (
    select *,
        row_number() over w - 1 as generation,
        lead(changed_on) over w as next_on
    from starts
    window w as (partition by vehicle, component, side order by changed_on nulls first)
),
dated as (
    select
        s.vehicle, s.component, s.side, s.generation, s.is_start_known, s.start_reason, s.changed_on, s.next_on,
        v.unit_number, v.customer_group, v.vehicle_class, v.lighting, v.first_use_on, v.watched_from, v.watched_to, v.leaving,
        coalesce(s.changed_on, v.first_use_on) as start_on,
        least(coalesce(s.next_on, v.watched_to), v.watched_to) as end_on
    from sequence s
    join lives.vehicles v on v.vehicle = s.vehicle
),
joined as (
    select
        d.*,
        f.supplier, f.grade, f.part_number, f.lot, f.light_source_category, f.warranty_months, f.warranty_km,
        f.file as fitted_file, f.row as fitted_row, f.order_id as fitted_order, f.part_cost as fitted_part_cost,
        f.labour_cost as fitted_labour_cost, f.labour_hours as fitted_labour_hours,
        case when d.next_on is null or d.next_on > d.watched_to then d.leaving else e.ending end as ending,
        case when d.next_on is null or d.next_on > d.watched_to then 'end of watching' else e.rule end as rule,
        case when d.next_on is null or d.next_on > d.watched_to then 0.0 else coalesce(e.p_failed, 0.0) end as p_failed,
        case when d.next_on <= d.watched_to then e.ending_otherwise end as ending_otherwise,
        case when d.next_on <= d.watched_to then e.symptom end as symptom,
        case when d.next_on <= d.watched_to then e.fault_code end as fault_code,
        case when d.next_on <= d.watched_to then e.file end as ended_file,
        case when d.next_on <= d.watched_to then e.row end as ended_row,
        case when d.next_on <= d.watched_to then e.order_id end as ended_order,
        case when d.next_on <= d.watched_to then e.part_cost end as ended_part_cost,
        case when d.next_on <= d.watched_to then e.labour_cost end as ended_labour_cost,
        case when d.next_on <= d.watched_to then e.labour_hours end as ended_labour_hours,
        p.is_original_assumed,
        case when d.changed_on is null then case when d.first_use_on is not null then 0.0 end else ks.km end as start_km,
        kw.km as watched_km,
        ke.km as end_km,
        coalesce(ks.km_estimated, false) or coalesce(kw.km_estimated and d.watched_from > d.start_on, false)
            or coalesce(ke.km_estimated, false) as km_estimated,
        ke.km_per_day
    from dated d
    left join lives.boundaries f
      on f.vehicle = d.vehicle and f.component = d.component and f.side = d.side and f.changed_on = d.changed_on
    left join lives.boundaries e
      on e.vehicle = d.vehicle and e.component = d.component and e.side = d.side and e.changed_on = d.next_on
    left join lives.places p on p.vehicle = d.vehicle and p.component = d.component and p.side = d.side
    left join lives.km_points ks on ks.vehicle = d.vehicle and ks.on_date = d.changed_on
    left join lives.km_points kw on kw.vehicle = d.vehicle and kw.on_date = d.watched_from
    left join lives.km_points ke on ke.vehicle = d.vehicle and ke.on_date = d.end_on
),
clocked as (
    select *,
        greatest(watched_from - start_on, 0)::double as entry_days,
        (end_on - start_on)::double as exit_days,
        case when watched_from > coalesce(start_on, watched_from - 1) then greatest(watched_km - start_km, 0) else 0 end::double as entry_km_raw,
        (end_km - start_km)::double as exit_km_raw
    from joined
)
select
    row_number() over (order by coalesce(fitted_file, ended_file, ''), coalesce(fitted_row, ended_row, 0), vehicle, component, side,
                       generation) as life_id,
    vehicle, unit_number, customer_group, component, side, generation::integer as generation,
    case when generation = 0 then 'original' else 'replacement' end as origin,
    lighting, vehicle_class, light_source_category,
    case when generation = 0 then 'original' else coalesce(supplier, 'unknown') end as supplier,
    grade, part_number, lot,
    start_on, watched_from, end_on, first_use_on,
    ending, rule, p_failed, ending_otherwise,
    entry_days, exit_days,
    case when exit_km_raw > entry_km_raw then entry_km_raw end as entry_km,
    case when exit_km_raw > entry_km_raw then exit_km_raw end as exit_km,
    km_estimated, end_km as odometer_at_end_km, km_per_day,
    generation = 0 and is_original_assumed as is_original_assumed,
    case
        when not is_start_known then start_reason
        when start_on is null then 'first use not known'
        when end_on < watched_from then 'ended before watching began'
        when end_on < start_on then 'dated before the vehicle''s first use'
        when entry_days = exit_days and ending = 'failed' and watched_from >= end_on then 'failed on the day that watching began'
        when entry_days >= exit_days then 'no time under watch'
    end as left_out_reason,
    left_out_reason is null as in_curve,
    symptom, fault_code,
    fitted_file, fitted_row, fitted_order, ended_file, ended_row, ended_order,
    fitted_part_cost, fitted_labour_cost, fitted_labour_hours, ended_part_cost, ended_labour_cost, ended_labour_hours,
    warranty_months, warranty_km
from clocked
order by life_id;
