-- Grain: one part that failed inside its supplier's warranty, with the proof and the amount.
-- Key: life_id.
-- Inputs: lives.lives.
-- Units: months_used in months of 30.4375 days, km_used in km, amount in currency (the part's own cost; labour is apart).
create or replace table results.warranty_recovery as
select
    life_id, component, supplier, part_number, lot, vehicle, coalesce(unit_number, vehicle) as vehicle_label, side,
    start_on as fitted_on, odometer_at_end_km - exit_km as fitted_km, fitted_order,
    end_on as failed_on, odometer_at_end_km as failed_km, ended_order as failed_order,
    exit_days / 30.4375 as months_used, exit_km as km_used, km_estimated,
    warranty_months, warranty_km,
    fitted_part_cost as amount, ended_labour_cost as labour_amount,
    end_on + getvariable('claim_within_days')::integer as claim_by,
    fitted_file || ' row ' || fitted_row || '; ' || ended_file || ' row ' || ended_row as proof
from lives.lives
where generation > 0 and ending = 'failed' and left_out_reason is null
  and (warranty_months is not null or warranty_km is not null)
  and (warranty_months is null or end_on < start_on + to_months(warranty_months::integer))
  and (warranty_km is null or exit_km is null or exit_km < warranty_km)
order by failed_on desc, life_id;
