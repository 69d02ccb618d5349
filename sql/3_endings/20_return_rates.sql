-- Grain: one kind of return that another part cured: words say that the fault is back or not, same symptom or not, and how many
--   days after; with how many of it were seen and how many would be expected by chance, from the days after the window.
-- Key: is_comeback, is_same_symptom, band.
-- Inputs: lives.fault_visits.
-- Units: counts; band in steps of three days. share_wrong is the probability that the first part of such a return had not failed:
--   1 - expected / seen, a local false-discovery estimate (Efron 2004, J. Am. Stat. Assoc. 99:96-104) in its simplest form.
create or replace table lives.return_rates as
with returns as (
    select *, ((days_since - 1) // 3)::integer as band
    from lives.fault_visits
    where is_other_part and has_complaint and fault_side <> 'unknown' and days_since >= 1
      and (km_since is null or km_since <= getvariable('return_window_km') or days_since > getvariable('return_window_days'))
),
seen as (
    select is_comeback, is_same_symptom, band, count(*)::double as seen
    from returns
    where days_since <= getvariable('return_window_days')
    group by all
),
chance as (
    -- By chance another part of the same side fails at a steady rate: seen over four windows' lengths beyond twice the window.
    select is_comeback, is_same_symptom, count(*) / (4.0 * getvariable('return_window_days')) as per_day
    from returns
    where days_since > 2 * getvariable('return_window_days') and days_since <= 6 * getvariable('return_window_days')
    group by all
)
select s.is_comeback, s.is_same_symptom, s.band, s.seen, e.expected,
       -- Another symptom is weak evidence of the same fault: there the count is taken at its lower one-sigma limit, and the
       -- chance rate half a case higher.
       greatest(0.0, 1.0 - case when s.is_same_symptom or s.is_comeback then e.expected / s.seen
                                else (e.expected + 0.5) / greatest(s.seen - sqrt(s.seen), 1e-9) end) as share_wrong
from seen s
left join chance c on c.is_comeback = s.is_comeback and c.is_same_symptom = s.is_same_symptom
cross join lateral (
    select coalesce(c.per_day, 0) * least(3, getvariable('return_window_days') - 3 * s.band) as expected
) e
order by all;
