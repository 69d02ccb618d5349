-- A life in a curve has some time under watch, and nothing ends after the last day of watching.
select l.life_id, l.vehicle, l.component, l.side, l.entry_days, l.exit_days, l.end_on, v.watched_to, 'outside the watch' as reason
from lives.lives l
join lives.vehicles v on v.vehicle = l.vehicle
where l.end_on > v.watched_to or (l.in_curve and not (l.entry_days < l.exit_days));
