-- Grain: one part that sat in the complained-of side (or is shared by both) on the day an episode began.
-- Key: episode_id, component, side.
-- Inputs: lives.episodes, lives.lives.
-- Units: part_age_days, part_age_km on the part's own clocks; null where its start is not known.
create or replace table lives.episode_parts as
select
    e.episode_id, l.component, l.side,
    case when l.start_on is not null and l.left_out_reason is distinct from 'not expected with this lighting'
         then (e.opened_on - l.start_on)::double end as part_age_days,
    case when e.km is not null and l.exit_km is not null then greatest(e.km - (l.odometer_at_end_km - l.exit_km), 0) end as part_age_km,
    l.origin, l.supplier, l.generation
from lives.episodes e
join lives.lives l
  on l.vehicle = e.vehicle and (l.side = e.side or l.side = 'none' or e.side in ('both', 'unknown'))
 and (l.start_on is null or l.start_on < e.opened_on)
 and l.end_on >= e.opened_on
qualify row_number() over (partition by e.episode_id, l.component, l.side order by l.generation) = 1;
