-- Grain: one day on which a vehicle's km must be known.
-- Key: vehicle, on_date.
-- Inputs: lives.renewals, lives.vehicles.
-- Units: dates.
create or replace table lives.points as
select distinct vehicle, on_date
from (
    select vehicle, renewed_on as on_date from lives.renewals
    union all
    select vehicle, watched_from from lives.vehicles
    union all
    select vehicle, watched_to from lives.vehicles
)
order by all;
