-- Grain: one repair line that concerns a headlamp part, with its words read and its part looked up.
-- Key: line_key.
-- Inputs: clean.repair_lines, clean.classified_lines, clean.parts.
-- Units: costs in the workspace's currency, labour in hours.
create or replace table clean.lines as
with catalogue as (
    select part_number, min(supplier) as supplier, min(grade) as grade,
           min(light_source_category) as light_source_category, min(renews) as renews,
           min(warranty_months) as warranty_months, min(warranty_km) as warranty_km, min(unit_cost) as unit_cost
    from clean.parts
    group by part_number
)
select
    r.line_key, r.file, r.row, r.vehicle, r.order_id,
    r.opened_on,
    r.component as component_given,
    c.component, c.side, c.beam, c.action, c.symptom, c.complaint_side, c.removal_reason, c.complaint_reason, c.flags,
    coalesce(c.pair, false) as is_pair,
    coalesce(c.comeback, false) as is_comeback,
    coalesce(r.planned, false) as is_planned,
    nullif(concat_ws(',', p.renews, c.renews), '') as renews,
    c.rule as words_rule, c.words,
    r.complaint, r.fault_code, r.outcome,
    r.part_number,
    coalesce(r.supplier, p.supplier) as supplier,
    p.grade, coalesce(p.light_source_category, c.light_source_category) as light_source_category, r.lot,
    coalesce(r.quantity, 1) as quantity,
    coalesce(r.part_cost, p.unit_cost * abs(coalesce(r.quantity, 1))) as part_cost,
    r.labour_hours,
    coalesce(r.labour_cost, r.labour_hours * nullif(getvariable('labour_rate'), 0)) as labour_cost,
    p.warranty_months, p.warranty_km,
    coalesce(r.warranty_claim, false) as is_warranty_claim
from clean.repair_lines r
join clean.classified_lines c using (line_key)
left join catalogue p on p.part_number = r.part_number
where c.component is not null;
