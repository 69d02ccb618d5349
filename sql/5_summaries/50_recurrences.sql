-- Grain: one failure of a component in a vehicle, at the vehicle's age; repeated failures are repeated rows.
-- Key: vehicle, component, event_row, and side where one line renewed both.
-- Inputs: lives.endings, lives.vehicles, lives.line_costs.
-- Units: age_days since first use (since watching began where that is not known); cost in currency; p_failed is a probability.
create or replace table results.recurrences as
select e.vehicle, e.component, v.lighting,
       (e.renewed_on - coalesce(v.first_use_on, v.watched_from))::double as age_days,
       coalesce(c.part_cost, 0) + coalesce(c.labour_cost, 0) as cost, e.p_failed, e.line_key as event_row
from lives.endings e
join lives.vehicles v on v.vehicle = e.vehicle
left join lives.line_costs c on c.line_key = e.line_key
where e.ending = 'failed' and e.renewed_on >= v.watched_from
order by e.vehicle, e.component, e.renewed_on, e.line_key;
