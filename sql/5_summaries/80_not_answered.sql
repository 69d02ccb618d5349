-- Grain: one question that cannot be answered for want of a column, with the weight of what is lost.
-- Key: question.
-- Inputs: clean.vehicles, clean.orders, clean.repair_lines, clean.odometer, clean.parts, clean.access, clean.costs, clean.service_plan.
-- Units: weight: 9 most, our own judgement; a column counts as there when any row fills it.
create or replace table results.not_answered as
with filled as (
    select
        (select count(*) from clean.odometer) + (select count(odometer) from clean.orders) as readings,
        (select count(first_use_on) from clean.vehicles) as first_uses,
        (select count(complaint) from clean.repair_lines) + (select count(complaint) from clean.orders) as complaints,
        (select count(part_number) from clean.repair_lines) as part_numbers,
        (select count(supplier) from clean.repair_lines) + (select count(supplier) from clean.parts) as suppliers,
        (select count(lighting) from clean.vehicles) as lightings,
        (select count(line_number) from clean.repair_lines) as line_numbers,
        (select count(lot) from clean.repair_lines) as lots,
        (select count(warranty_months) + count(warranty_km) from clean.parts) as warranties,
        (select count(part_cost) from clean.repair_lines) + (select count(unit_cost) from clean.parts) as part_costs,
        (select count(labour_hours) + count(labour_cost) from clean.repair_lines) as labours,
        (select count(in_service_to) from clean.vehicles) as leavings,
        (select count(check_minutes) from clean.access) as check_minutes,
        (select count(unplanned_cost) from clean.costs) as unplanned_costs,
        (select count(next_service_on) + count(interval_days) + count(interval_km) from clean.service_plan) as services,
        (select count(customer_group) from clean.vehicles) as customer_groups
)

select question, weight
from filled, lateral (
    values
        ('age_of_first_parts', 9, first_uses), ('by_distance', 9, readings), ('first_suspects', 8, complaints),
        ('by_part_number', 7, part_numbers), ('by_supplier', 6, suppliers), ('by_lighting', 6, lightings),
        ('corrected_lines', 5, line_numbers), ('bad_lots', 4, lots), ('claims', 4, warranties), ('cost_of_parts', 4, part_costs),
        ('cost_of_labour', 3, labours), ('leavers', 3, leavings), ('order_of_checks', 3, check_minutes),
        ('planned_work', 3, unplanned_costs), ('due_list', 2, services), ('fleets', 2, customer_groups)
) as asked (question, weight, cells)
where cells = 0
order by weight desc, question;
