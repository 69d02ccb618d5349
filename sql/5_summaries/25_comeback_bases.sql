-- Grain: one kind of comeback and component, in the twelve months to the as-of date's month: what could have come back.
-- Key: kind, component.
-- Inputs: lives.lives, lives.endings, lives.episodes, lives.vehicles.
-- Units: repairs are counts (parts fitted; complaints cured; failed parts renewed); part_days are days that fitted parts were watched
--   within a year of their fitting; vehicle_days are days that vehicles were watched.
create or replace table results.comeback_bases as
with span as (
    select (date_trunc('month', getvariable('as_of')::date) - interval 11 months)::date as from_day, getvariable('as_of')::date as to_day
),
watched as (
    select sum(greatest(0, least(v.watched_to, s.to_day) - greatest(v.watched_from, s.from_day - 1)))::double as vehicle_days
    from lives.vehicles v cross join span s
),
fitted as (
    select 'same_part_again' as kind, l.component,
           count(*) filter (where l.start_on between s.from_day and s.to_day) as repairs,
           sum(greatest(0, least(l.end_on, s.to_day, l.start_on + 365) - greatest(l.start_on, s.from_day - 1)))::double as part_days
    from lives.lives l cross join span s
    where l.generation > 0 and l.left_out_reason is null
    group by l.component
),
cured as (
    select 'wrong_part_first' as kind, p.first_replaced as component, count(*) as repairs, null::double as part_days
    from lives.episodes p cross join span s
    where p.cured_on between s.from_day and s.to_day
    group by p.first_replaced
),
renewed as (
    select 'another_part_soon' as kind, e.component, count(*) as repairs, null::double as part_days
    from lives.endings e cross join span s
    where e.ending = 'failed' and e.fault_side in ('left', 'right') and not e.has_many_places and e.renewed_on between s.from_day and s.to_day
    group by e.component
)
select b.kind, b.component, b.repairs, b.part_days, w.vehicle_days, s.from_day, s.to_day
from (select * from fitted union all by name select * from cured union all by name select * from renewed) b
cross join watched w cross join span s
order by all;
