-- Grain: one month, component, lighting and ending: how many lives ended so, and what the renewals cost.
-- Key: month, component, lighting, ending.
-- Inputs: lives.endings, lives.vehicles.
-- Units: counts; costs in currency.
create or replace table results.monthly as
select date_trunc('month', e.renewed_on)::date as month, e.component, v.lighting, e.ending,
       count(*)::bigint as n, sum(e.part_cost) as part_cost, sum(e.labour_cost) as labour_cost,
       sum(e.labour_hours) as labour_hours
from lives.endings e
join lives.vehicles v on v.vehicle = e.vehicle
group by all
order by all;
