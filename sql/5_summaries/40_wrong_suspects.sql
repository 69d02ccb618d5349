-- Grain: one pair of part replaced first and part that cured it, by symptom.
-- Key: first_replaced, cause, symptom.
-- Inputs: lives.episodes.
-- Units: counts; costs in currency, labour in hours, of the repairs that cured nothing.
create or replace table results.wrong_suspects_counts as
select first_replaced, cause, symptom, count(*)::bigint as n,
       sum(wrong_labour_hours) as labour_hours, sum(wrong_labour_cost) as labour_cost, sum(wrong_part_cost) as part_cost
from lives.episodes
group by all
order by all;
