-- Grain: one day on which any file speaks of a vehicle.
-- Key: vehicle, visited_on.
-- Inputs: clean.orders, clean.repair_lines, clean.odometer.
-- Units: dates.
create or replace table lives.visits as
select distinct vehicle, visited_on
from (
    select vehicle, opened_on as visited_on from clean.orders
    union all
    select vehicle, opened_on from clean.repair_lines
    union all
    select vehicle, reading_on from clean.odometer
)
where vehicle is not null and visited_on is not null and visited_on <= getvariable('as_of');
