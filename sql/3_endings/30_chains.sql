-- Grain: one renewal after a failure complaint, placed in its chain: visits for one fault of one side, each the return of the one
--   before. The last visit of a chain cured it.
-- Key: vehicle, component, side, renewed_on.
-- Inputs: lives.renewals, lives.fault_visits, lives.return_rates.
-- Units: days; share_wrong is a probability.
create or replace table lives.chains as
with linked as (
    select v.*, coalesce(r.share_wrong, 0.0) as share_wrong,
        days_since <= getvariable('return_window_days') and has_complaint
            and (km_since is null or km_since <= getvariable('return_window_km'))
            and case when is_other_part then r.share_wrong >= 0.5 else v.is_comeback end as is_return
    from lives.fault_visits v
    left join lives.return_rates r
      on r.is_comeback = v.is_comeback and r.is_same_symptom = v.is_same_symptom and r.band = ((v.days_since - 1) // 3)::integer
),
islands as (
    select *,
        sum(case when is_return then 0 else 1 end) over (partition by vehicle, fault_side order by renewed_on) as chain_number
    from linked
),
numbered as (
    select *,
        row_number() over chain as visit_number,
        count(*) over (partition by vehicle, fault_side, chain_number) as visits,
        lead(is_comeback) over chain as next_is_comeback,
        lead(days_since) over chain as next_days,
        lead(share_wrong) over chain as next_share_wrong,
        min(renewed_on) over (partition by vehicle, fault_side, chain_number) as chain_from,
        max(renewed_on) over (partition by vehicle, fault_side, chain_number) as chain_to,
        last_value(components) over (partition by vehicle, fault_side, chain_number order by renewed_on
                                     rows between unbounded preceding and unbounded following) as cured_by
    from islands
    window chain as (partition by vehicle, fault_side, chain_number order by renewed_on)
)
select r.vehicle, r.component, r.side, r.renewed_on, r.line_key, r.first_rule, n.fault_side, n.chain_number, n.visit_number,
       n.visits, n.next_is_comeback, n.next_days, n.chain_from, n.chain_to, n.cured_by,
       n.visit_number < n.visits and not list_contains(n.cured_by, r.component) as is_suspect,
       coalesce(n.next_share_wrong, 0.0) as share_wrong
from lives.renewals r
join numbered n
  on n.vehicle = r.vehicle and n.renewed_on = r.renewed_on and list_contains(n.line_keys, r.line_key)
 and (n.fault_side in (r.side, 'both', 'unknown') or r.side = 'none')
where r.first_ending in ('failed', 'wrong_suspect') and not r.has_many_places;
