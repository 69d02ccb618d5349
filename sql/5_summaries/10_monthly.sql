-- Grain: one month, component, lighting and ending: how many lives ended so, and what the renewals cost.
-- Key: month, component, lighting, ending.
-- Inputs: lives.endings, lives.vehicles, lives.line_costs.
-- Units: counts; costs in currency.
create or replace table results.monthly as
select date_trunc('month', e.renewed_on)::date as month, e.component, v.lighting, e.ending,
       count(*)::bigint as n, sum(c.part_cost) as part_cost, sum(c.labour_cost) as labour_cost,
       sum(c.labour_hours) as labour_hours
from lives.endings e
join lives.vehicles v on v.vehicle = e.vehicle
left join lives.line_costs c on c.line_key = e.line_key
group by all
order by all;
