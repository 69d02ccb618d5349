-- Grain: one repair line, with its costs for each place that it renewed (a line for both sides is shared by two places).
-- Key: line_key; also file, row.
-- Inputs: clean.lines, lives.placed.
-- Units: costs in currency, labour in hours, for each place.
create or replace table lives.line_costs as
with spread as (
    select line_key, count(*) as places from lives.placed group by all
)
select l.line_key, l.file, l.row, coalesce(s.places, 1)::integer as places,
       l.part_cost / coalesce(s.places, 1) as part_cost,
       l.labour_cost / coalesce(s.places, 1) as labour_cost,
       l.labour_hours / coalesce(s.places, 1) as labour_hours
from clean.lines l
left join spread s using (line_key)
order by l.line_key;
