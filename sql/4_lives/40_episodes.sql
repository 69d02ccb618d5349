-- Grain: one headlamp complaint episode with a confirmed cause: a chain of visits on one side of one vehicle.
-- Key: episode_id.
-- Inputs: lives.endings, lives.vehicles, lives.km_points.
-- Units: age_days, km of the vehicle at the first visit; costs in currency; labour in hours.
create or replace table lives.episodes as
with parts as (
    select e.*, v.lighting, v.vehicle_class, v.first_use_on, v.watched_from
    from lives.endings e
    join lives.vehicles v on v.vehicle = e.vehicle
    where e.ending in ('failed', 'wrong_suspect') and e.chain_number is not null
),
by_chain as (
    select
        vehicle, fault_side, chain_number, any_value(lighting) as lighting, any_value(vehicle_class) as vehicle_class,
        any_value(first_use_on) as first_use_on,
        min(renewed_on) as opened_on, max(renewed_on) as cured_on, max(visits) as visits,
        arg_min(symptom, (renewed_on, line_key)) filter (where symptom is not null) as symptom,
        arg_min(fault_code, (renewed_on, line_key)) filter (where fault_code is not null) as fault_code,
        arg_min(order_id, (renewed_on, line_key)) as first_order,
        arg_max(order_id, (renewed_on, line_key)) as last_order,
        arg_min(component, (renewed_on, line_key)) as first_replaced,
        arg_max(component, (renewed_on, p_failed, -line_key)) filter (where ending = 'failed') as cause,
        max(p_failed) filter (where ending = 'failed' and visit_number = visits) as p,
        count(distinct component) filter (where ending = 'failed' and visit_number = visits) as causes,
        sum(part_cost) filter (where ending = 'wrong_suspect') as wrong_part_cost,
        sum(labour_cost) filter (where ending = 'wrong_suspect') as wrong_labour_cost,
        sum(labour_hours) filter (where ending = 'wrong_suspect') as wrong_labour_hours,
        min(line_key) as line_key
    from parts
    group by vehicle, fault_side, chain_number
)
select
    row_number() over (order by b.line_key) as episode_id,
    b.vehicle, b.fault_side as side, coalesce(b.symptom, 'unknown') as symptom, b.fault_code, b.opened_on, b.cured_on,
    case when b.opened_on >= b.first_use_on then (b.opened_on - b.first_use_on)::double end as age_days,
    k.km, k.km_per_day, b.lighting, b.vehicle_class, b.cause, b.first_replaced, b.visits::integer as visits,
    b.first_order, b.last_order,
    coalesce(b.wrong_part_cost, 0) as wrong_part_cost, coalesce(b.wrong_labour_cost, 0) as wrong_labour_cost,
    coalesce(b.wrong_labour_hours, 0) as wrong_labour_hours,
    coalesce(b.p, 1.0) as p
from by_chain b
left join lives.km_points k on k.vehicle = b.vehicle and k.on_date = b.opened_on
where b.cause is not null
order by episode_id;
