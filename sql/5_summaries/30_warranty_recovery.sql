-- Grain: one part that failed inside its supplier's warranty, with the proof, the amount, the deadline and what a claim still lacks.
-- Key: life_id.
-- Inputs: lives.lives, lives.boundaries, lives.line_costs, clean.parts.
-- Units: months_used in months of 30.4375 days, km_used in km, amount in currency for the one part (as paid, else the catalogue's price;
--   labour is apart). Inside means before the anniversary in months and below the km, whichever comes first.
create or replace table results.warranty_recovery as
with catalogue as (
    select part_number, min(unit_cost) as unit_cost from clean.parts group by part_number
),
told as (
    select l.*, f.part_cost as paid, e.labour_cost as labour_again, c.unit_cost, b.is_warranty_claim as is_claimed,
           case when l.warranty_km is not null and l.exit_km is null then false else true end as is_km_checked
    from lives.lives l
    left join lives.line_costs f on f.file = l.fitted_file and f.row = l.fitted_row
    left join lives.line_costs e on e.file = l.ended_file and e.row = l.ended_row
    left join catalogue c on c.part_number = l.part_number
    left join lives.boundaries b
      on b.vehicle = l.vehicle and b.component = l.component and b.side = l.side and b.changed_on = l.end_on
    where l.generation > 0 and l.ending = 'failed' and l.left_out_reason is null
      and (l.warranty_months is not null or l.warranty_km is not null)
      and (l.warranty_months is null or l.end_on < l.start_on + to_months(l.warranty_months::integer))
      and (l.warranty_km is null or l.exit_km is null or l.exit_km < l.warranty_km)
)
select
    life_id, component, supplier, part_number, lot, vehicle, coalesce(unit_number, vehicle) as vehicle_label, side,
    start_on as fitted_on, odometer_at_end_km - exit_km as fitted_km, fitted_order,
    end_on as failed_on, odometer_at_end_km as failed_km, ended_order as failed_order,
    exit_days / 30.4375 as months_used, exit_km as km_used, km_estimated,
    warranty_months, warranty_km,
    coalesce(nullif(paid, 0), unit_cost) as amount,
    case when nullif(paid, 0) is not null then 'paid' when unit_cost is not null then 'catalogue price' end as amount_basis,
    labour_again as labour_amount, symptom, p_failed,
    end_on + getvariable('claim_within_days')::integer as claim_by,
    case when coalesce(is_claimed, false) then 'claimed already'
         when end_on + getvariable('claim_within_days')::integer < getvariable('as_of')::date then 'deadline passed'
         else 'open' end as status,
    concat_ws('; ',
        case when coalesce(supplier, 'unknown') = 'unknown' then 'supplier' end,
        case when part_number is null then 'part number' end,
        case when fitted_order is null then 'order of the fitting' end,
        case when ended_order is null then 'order of the failure' end,
        case when coalesce(nullif(paid, 0), unit_cost) is null then 'amount' end,
        case when not is_km_checked then 'km at fitting or failure: the km limit is not checked' end,
        case when is_km_checked and warranty_km is not null and km_estimated then 'a reading: km are estimated' end,
        case when lot is null then 'lot' end,
        case when p_failed < 0.9 then 'word that this part had failed: several were renewed that day' end) as missing,
    fitted_file || ' row ' || fitted_row || '; ' || ended_file || ' row ' || ended_row as proof
from told
order by failed_on desc, life_id;
