-- Grain: one open warranty claim, with the columns that a supplier asks for and no others.
-- Key: supplier, failed_order, component, side.
-- Inputs: results.warranty_recovery.
-- Units: km, months; amount in `currency` for the one part; dates.
create or replace table results.claims_to_send as
select
    supplier, part_number, lot, component, side, vehicle_label as vehicle,
    fitted_on, round(fitted_km) as fitted_km, fitted_order, failed_on, round(failed_km) as failed_km, failed_order,
    (failed_on - fitted_on)::integer as days_used, round(km_used) as km_used, warranty_months, warranty_km,
    symptom as complaint, round(amount, 2) as amount, amount_basis, getvariable('currency')::varchar as currency, claim_by, missing
from results.warranty_recovery
where status = 'open'
order by supplier, claim_by, failed_on, failed_order, component, side;
