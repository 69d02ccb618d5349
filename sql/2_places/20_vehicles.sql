-- Grain: one vehicle that any file speaks of, with the window in which its repairs are seen.
-- Key: vehicle.
-- Inputs: clean.vehicles, lives.visits, clean.lines, lives.coverage (customer_group, coverage, grace_days).
-- Units: dates; km_per_year as the file gives it.
create or replace table lives.vehicles as
with seen as (
    select vehicle, min(visited_on) as first_visit_on, max(visited_on) as last_visit_on
    from lives.visits
    group by vehicle
),
told as (
    select vehicle,
           case
               when bool_or(component in ('led_module', 'led_driver')) then 'led'
               when bool_or(component in ('ballast', 'igniter')) then 'discharge'
               when bool_or(component = 'lamp') then 'halogen'
           end as lighting_told
    from clean.lines
    where action = 'replaced'
    group by vehicle
),
joined as (
    select
        coalesce(v.vehicle, s.vehicle) as vehicle,
        v.unit_number, v.customer_group, v.vehicle_class, v.drive_side, v.not_original, v.km_per_year,
        v.first_use_on, v.in_service_from, v.in_service_to,
        coalesce(v.lighting, t.lighting_told, 'unknown') as lighting,
        v.lighting is null and t.lighting_told is not null as is_lighting_told_by_repairs,
        s.first_visit_on, s.last_visit_on,
        coalesce(g.coverage, getvariable('default_coverage')) as coverage,
        coalesce(g.grace_days, getvariable('default_grace_days')) as grace_days
    from clean.vehicles v
    full join seen s on s.vehicle = v.vehicle
    left join told t on t.vehicle = coalesce(v.vehicle, s.vehicle)
    left join lives.coverage g on g.customer_group = v.customer_group
),
windowed as (
    select *,
        case coverage
            when 'complete' then greatest(coalesce(in_service_from, first_visit_on), coalesce(first_use_on, date '0001-01-01'))
            else first_visit_on
        end as watched_from,
        case coverage
            when 'complete' then least(greatest(coalesce(in_service_to, getvariable('as_of')), last_visit_on),
                                       getvariable('as_of'))
            else least(last_visit_on + grace_days::integer, getvariable('as_of'))
        end as watched_to,
        case
            when coverage = 'complete' and in_service_to < getvariable('as_of') then 'vehicle_left'
            when coverage <> 'complete' and last_visit_on + grace_days::integer < getvariable('as_of') then 'vehicle_left'
            else 'in_service'
        end as leaving
    from joined
)
select *
from windowed
where watched_from is not null and watched_to is not null and watched_from <= watched_to;
