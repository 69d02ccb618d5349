-- Grain: one part renewed in one place on one day, however many lines say so.
-- Key: vehicle, component, side, renewed_on (and line_key for components with many places).
-- Inputs: lives.placed.
-- Units: costs in currency, labour in hours, of the line that is kept.
create or replace table lives.renewals as
with told as (
    select p.*,
        case when has_many_places then line_key else 0 end as place_key,
        case lower(trim(outcome))
            when 'wrong_part' then 'wrong_suspect' when 'not_cured' then 'wrong_suspect'
            when 'no_fault_found' then 'wrong_suspect' when 'fault_stayed' then 'wrong_suspect'
            when 'wrong_suspect' then 'wrong_suspect'
            when 'cured' then 'failed' when 'failed' then 'failed' when 'fixed' then 'failed'
            when 'planned' then 'planned' when 'preventive' then 'planned' when 'paired' then 'paired'
            when 'collision' then 'collision' when 'upgrade' then 'planned'
        end as ending_by_outcome
    from lives.placed p
),
ranked as (
    select *,
        row_number() over (
            partition by vehicle, component, side, opened_on, place_key
            order by (removal_reason = 'failed') desc nulls last, (part_number is not null) desc,
                     (removal_reason is not null) desc, line_key
        ) as choice,
        count(*) over (partition by vehicle, component, side, opened_on, place_key) as lines_of_it
    from told
),
kept as (
    select *,
        case side when 'left' then 'right' when 'right' then 'left' end as other_side
    from ranked
    where choice = 1
),
assembly_days as (
    select distinct vehicle, side, opened_on from kept where component = 'headlamp_assembly'
),
sides_renewed as (
    select vehicle, component, opened_on, count(distinct side) as sides,
           count(distinct side) filter (where removal_reason = 'paired') as sides_called_paired
    from kept
    where side in ('left', 'right')
    group by all
)
select
    k.* exclude (choice, opened_on, place_key),
    k.opened_on as renewed_on,
    coalesce(k.side in ('left', 'right') and d.sides = 2, false) as is_both_renewed,
    case
        when ending_by_outcome is not null then ending_by_outcome
        when is_planned then 'planned'
        when removal_reason = 'collision' then 'collision'
        when removal_reason in ('planned', 'upgrade') then 'planned'
        when removal_reason = 'paired' and d.sides_called_paired = 2 and complaint_side = k.side then 'failed'
        when removal_reason = 'paired' then 'paired'
        when removal_reason = 'failed' then 'failed'
        when complaint_reason = 'collision' and coalesce(complaint_side, 'unknown') in (k.side, 'both', 'none', 'unknown')
            then 'collision'
        when k.component in ('lamp', 'igniter', 'ballast', 'led_module', 'led_driver') and a.vehicle is not null
            then 'with_assembly'
        when d.sides = 2 and complaint_side = other_side then 'paired'
        when d.sides = 2 and complaint is not null and complaint_side is null and symptom is null
             and coalesce(complaint_reason, '') <> 'failed' and not is_comeback
             and getvariable('unmarked_routine_is_planned') then 'planned'
        else 'failed'
    end as first_ending,
    case
        when ending_by_outcome is not null then 'outcome given'
        when is_planned then 'planned column'
        when removal_reason = 'paired' and d.sides_called_paired = 2 and complaint_side = k.side
            then 'both sides called a pair, the complaint names this one'
        when removal_reason in ('collision', 'planned', 'paired', 'failed', 'upgrade') then 'words: ' || removal_reason
        when complaint_reason = 'collision' and coalesce(complaint_side, 'unknown') in (k.side, 'both', 'none', 'unknown')
            then 'complaint: collision'
        when k.component in ('lamp', 'igniter', 'ballast', 'led_module', 'led_driver') and a.vehicle is not null
            then 'renewed with the assembly, no word of a failure'
        when d.sides = 2 and complaint_side = other_side then 'both sides renewed, the complaint names the other'
        when d.sides = 2 and complaint is not null and complaint_side is null and symptom is null
             and coalesce(complaint_reason, '') <> 'failed' and not is_comeback
             and getvariable('unmarked_routine_is_planned') then 'both sides renewed without a complaint'
        else 'replaced, nothing else said'
    end as first_rule
from kept k
left join assembly_days a on a.vehicle = k.vehicle and a.side = k.side and a.opened_on = k.opened_on
left join sides_renewed d on d.vehicle = k.vehicle and d.component = k.component and d.opened_on = k.opened_on;
