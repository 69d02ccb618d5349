-- Grain: one vehicle's window of watching, as ages.
-- Key: vehicle.
-- Inputs: lives.vehicles.
-- Units: days since first use (since watching began where that is not known).
create or replace table results.watch as
select vehicle, lighting,
       (watched_from - coalesce(first_use_on, watched_from))::double as entry_days,
       (watched_to - coalesce(first_use_on, watched_from))::double as exit_days
from lives.vehicles
order by vehicle;
