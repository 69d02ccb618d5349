-- Every renewal of a single part on a known side begins exactly one life.
select e.vehicle, e.component, e.side, e.renewed_on, count(l.life_id) as lives, 'does not begin exactly one life' as reason
from lives.endings e
left join lives.lives l
  on l.vehicle = e.vehicle and l.component = e.component and l.side = e.side and l.start_on = e.renewed_on and l.generation > 0
where e.side <> 'unknown' and not e.has_many_places
group by all
having count(l.life_id) <> 1;
