-- Grain: one replaced part of one repair line in one place (a line that renews both sides gives two rows).
-- Key: line_key, side.
-- Inputs: clean.lines, lives.components (component, is_sided, has_many_places), lives.vehicles.
-- Units: costs in currency and labour in hours, of this place: a line for both sides costs each of them half.
create or replace table lives.placed as
with credited as (
    -- A credit takes back the newest matching replacement of the last 90 days.
    select distinct arg_max(l.line_key, (l.opened_on, l.line_key)) as line_key
    from clean.lines k
    join clean.lines l
      on l.vehicle = k.vehicle and l.component = k.component and l.line_key <> k.line_key
     and l.action = 'replaced' and l.quantity > 0
     and l.opened_on between k.opened_on - 90 and k.opened_on
     and (l.order_id = k.order_id or l.part_number = k.part_number)
    where k.action = 'credited' or (k.action = 'replaced' and k.quantity < 0)
    group by k.line_key
),
replaced as (
    select l.*, c.is_sided, c.has_many_places
    from clean.lines l
    join lives.components c on c.component = l.component
    join lives.vehicles v on v.vehicle = l.vehicle
    where l.action = 'replaced' and l.quantity > 0 and l.opened_on <= getvariable('as_of')
      and l.line_key not in (select line_key from credited)
),
sided as (
    select *,
        case
            when not is_sided then 'none'
            when side in ('left', 'right') then side
            when side = 'both' then 'both'
            when quantity >= 2 and is_pair then 'both'
            when complaint_side in ('left', 'right') and removal_reason is distinct from 'paired' then complaint_side
            when complaint_side = 'left' and removal_reason = 'paired' then 'right'
            when complaint_side = 'right' and removal_reason = 'paired' then 'left'
            when complaint_side = 'both' and quantity >= 2 then 'both'
            else 'unknown'
        end as place_side,
        case
            when not is_sided or side in ('left', 'right', 'both') then 'line'
            when complaint_side in ('left', 'right') then 'complaint'
            else 'none'
        end as side_from
    from replaced
)
select s.* exclude (side, place_side, places, quantity, part_cost, labour_cost, labour_hours),
       unnest(case when place_side = 'both' then ['left', 'right'] else [place_side] end) as side,
       quantity / places as quantity, part_cost / places as part_cost, labour_cost / places as labour_cost,
       labour_hours / places as labour_hours
from (select *, case when place_side = 'both' then 2 else 1 end as places from sided) s;
