-- Grain: one renewal, with how the life before it ended: the rules that need later visits applied.
-- Key: vehicle, component, side, renewed_on (and line_key for components with many places).
-- Inputs: lives.renewals, lives.chains.
-- Units: p_failed is a probability; ending_otherwise is how the life ended if that part had not failed (null where it is sure).
create or replace table lives.endings as
with same_visit as (
    -- Parts renewed together on one side, nothing said of which had failed.
    select vehicle, fault_side, renewed_on, count(*) filter (where first_rule = 'replaced, nothing else said') as unsaid,
           count(*) filter (where first_rule like 'words: failed%' or first_rule = 'outcome given') as said
    from lives.chains
    group by all
)
select
    r.*,
    case
        when r.first_ending <> 'failed' or t.vehicle is null then r.first_ending
        when t.is_suspect then 'wrong_suspect'
        else 'failed'
    end as ending,
    case
        when r.first_ending <> 'failed' or t.vehicle is null then r.first_rule
        when t.is_suspect
            then 'the complaint came back after ' || t.next_days || ' days'
                 || case when t.next_is_comeback then ' (its words say so)' else '' end
                 || ', ' || array_to_string(t.cured_by, '+') || ' cured it'
        else r.first_rule
    end as rule,
    case
        when r.first_ending <> 'failed' then 0.0
        when t.is_suspect then 1.0 - t.share_wrong
        when s.unsaid > 1 and s.said = 0 then 1.0 / s.unsaid
        when r.first_rule like 'words: failed%' then 1.0
        when r.is_both_renewed and t.fault_side = 'both' and r.complaint_side is distinct from 'both' then 0.5
        when s.said > 0 and s.unsaid > 0 and r.first_rule = 'replaced, nothing else said' then 0.5
        else 1.0
    end as p_failed,
    case
        when r.first_ending <> 'failed' then null
        when t.is_suspect then 'wrong_suspect'
        when r.first_rule like 'words: failed%' then null
        when r.is_both_renewed and t.fault_side = 'both' and r.complaint_side is distinct from 'both' then 'paired'
        when s.unsaid > 1 and s.said = 0 then 'wrong_suspect'
        when s.said > 0 and s.unsaid > 0 and r.first_rule = 'replaced, nothing else said' then 'wrong_suspect'
    end as ending_otherwise,
    t.fault_side, t.chain_number, t.visit_number, t.visits, t.chain_from, t.chain_to, t.cured_by,
    coalesce(t.is_suspect, false) as is_suspect
from lives.renewals r
left join lives.chains t
  on t.vehicle = r.vehicle and t.component = r.component and t.side = r.side and t.renewed_on = r.renewed_on
left join same_visit s
  on s.vehicle = t.vehicle and s.fault_side = t.fault_side and s.renewed_on = t.renewed_on;
