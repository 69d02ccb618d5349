-- Grain: one comeback: a lamp that had been repaired and was back, of one of three kinds that are never mixed.
--   same_part_again: the part fitted failed again within a year; wrong_part_first: the first part had not failed;
--   another_part_soon: another part of the same side failed soon after, the first one having failed too, and was itself not one
--   that had been fitted within the year (that is a same_part_again): no repair line stands in two kinds with its cost.
-- Key: kind, again_file, again_row, side, component.
-- Inputs: lives.lives, lives.endings, lives.vehicles, lives.km_points, lives.line_costs.
-- Units: days and km between the two repairs; costs in currency, labour in hours, of the second repair (of the first for
--   wrong_part_first: it cured nothing), for the one place.
create or replace table results.comebacks as
with same_part as (
    select 'same_part_again' as kind, l.component, l.component as first_component, l.vehicle, l.side, l.supplier, l.grade, l.part_number,
           l.lot, l.fitted_order as first_order, l.start_on as first_on, l.ended_order as again_order, l.end_on as again_on,
           l.exit_days as days, l.exit_km as km, c.part_cost, c.labour_cost, c.labour_hours, l.symptom, l.fault_code,
           l.p_failed as probability, l.ended_file as again_file, l.ended_row as again_row
    from lives.lives l
    left join lives.line_costs c on c.file = l.ended_file and c.row = l.ended_row
    where l.generation > 0 and l.ending = 'failed' and l.exit_days <= 365 and l.left_out_reason is null
),
wrong_part as (
    select 'wrong_part_first' as kind, array_to_string(e.cured_by, '+') as component, e.component as first_component, e.vehicle, e.fault_side as side,
           e.supplier, e.grade, e.part_number, e.lot, e.order_id as first_order, e.renewed_on as first_on,
           n.order_id as again_order, e.chain_to as again_on, (e.chain_to - e.renewed_on)::double as days,
           k2.km - k1.km as km, c.part_cost, c.labour_cost, c.labour_hours, e.symptom, e.fault_code, 1 - e.p_failed as probability,
           n.file as again_file, n.row as again_row
    from lives.endings e
    left join lives.endings n
      on n.vehicle = e.vehicle and n.fault_side = e.fault_side and n.renewed_on = e.chain_to and n.chain_number = e.chain_number
     and list_contains(e.cured_by, n.component)
    left join lives.km_points k1 on k1.vehicle = e.vehicle and k1.on_date = e.renewed_on
    left join lives.km_points k2 on k2.vehicle = e.vehicle and k2.on_date = e.chain_to
    left join lives.line_costs c on c.line_key = e.line_key
    where e.ending = 'wrong_suspect' and e.chain_number is not null
    qualify row_number() over (partition by e.line_key, e.side order by n.line_key) = 1
),
failed as (
    select * from lives.endings where ending = 'failed' and fault_side in ('left', 'right') and not has_many_places
),
another as (
    select 'another_part_soon' as kind, b.component, a.component as first_component, a.vehicle, a.fault_side as side,
           b.supplier, b.grade, b.part_number, b.lot, a.order_id as first_order, a.renewed_on as first_on,
           b.order_id as again_order, b.renewed_on as again_on, (b.renewed_on - a.renewed_on)::double as days,
           k2.km - k1.km as km, c.part_cost, c.labour_cost, c.labour_hours, b.symptom, b.fault_code, b.p_failed as probability,
           b.file as again_file, b.row as again_row
    from failed a
    join failed b
      on b.vehicle = a.vehicle and b.fault_side = a.fault_side and b.component <> a.component
     and b.renewed_on > a.renewed_on and b.renewed_on <= a.renewed_on + getvariable('another_part_days')::integer
    anti join same_part s
      on s.vehicle = b.vehicle and s.component = b.component and s.again_file = b.file and s.again_row = b.row
    left join lives.km_points k1 on k1.vehicle = a.vehicle and k1.on_date = a.renewed_on
    left join lives.km_points k2 on k2.vehicle = b.vehicle and k2.on_date = b.renewed_on
    left join lives.line_costs c on c.line_key = b.line_key
    qualify row_number() over (partition by b.line_key, b.side order by a.renewed_on desc, a.line_key) = 1
)
select c.*, coalesce(v.unit_number, v.vehicle) as vehicle_label, v.lighting, v.customer_group
from (select * from same_part union all by name select * from wrong_part union all by name select * from another) c
join lives.vehicles v on v.vehicle = c.vehicle
order by all;
