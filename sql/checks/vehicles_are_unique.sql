-- One row a vehicle.
select vehicle, count(*) as rows, 'more than one row' as reason
from lives.vehicles
group by vehicle
having count(*) > 1;
