-- Grain: one place: a vehicle, a component, a side; whether or not anything was ever renewed there.
-- Key: vehicle, component, side.
-- Inputs: lives.vehicles, lives.fitted_to (lighting, component), lives.components, lives.boundaries, lives.not_original,
--   lives.light_sources (vehicle, light_source_category).
-- Units: none.
create or replace table lives.places as
with expected as (
    select v.vehicle, c.component, unnest(case when c.is_sided then ['left', 'right'] else ['none'] end) as side
    from lives.vehicles v
    join lives.fitted_to f on f.lighting = v.lighting
    join lives.components c on c.component = f.component and not c.has_many_places
    left join lives.light_sources s on s.vehicle = v.vehicle
    -- These discharge light sources carry their igniter (UN R99 category sheets): no separate one is there to fail.
    where not (f.component = 'igniter' and coalesce(regexp_matches(s.light_source_category, '^D[1358]'), false))
),
places as (
    select vehicle, component, side, true as is_expected from expected
    union all
    select distinct b.vehicle, b.component, b.side, false
    from lives.boundaries b
    anti join expected e on e.vehicle = b.vehicle and e.component = b.component and e.side = b.side
)
select
    p.vehicle, p.component, p.side, p.is_expected,
    case
        when not p.is_expected then 'not expected with this lighting'
        when n.vehicle is not null then 'seen at the first visit not to be the first one'
        when v.not_original is not null then null
        when v.first_use_on is null then null
        when v.watched_from <= v.first_use_on + getvariable('original_within_days')::integer then null
        when list_contains(getvariable('assume_original'), p.component) then null
        else 'nobody looked whether it was the first one'
    end as unknown_start_reason,
    v.not_original is null and n.vehicle is null
        and (v.first_use_on is null or v.watched_from > v.first_use_on + getvariable('original_within_days')::integer)
        as is_original_assumed
from places p
join lives.vehicles v on v.vehicle = p.vehicle
left join lives.not_original n
  on n.vehicle = p.vehicle and n.component = p.component and (n.side = p.side or p.side = 'none');
