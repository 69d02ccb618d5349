"""Comebacks and warranty money from the smallest histories that show each rule (lines in, rows of results out)."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import pytest

from pipeline.publish.words import load_words
from pipeline.store import read_table, run_models
from tests.lives.world import AS_OF, build, line, vehicle

D = dt.date
PART = {"part_number": "P1", "component": "lamp", "supplier": "Elvane", "warranty_months": 12, "warranty_km": 20_000.0, "unit_cost": 50.0}


def results(lines, parts=(), vehicles=None, **more):
    con = build(vehicles or [vehicle()], lines, parts=list(parts), **more)
    run_models(con, "5_summaries", {"as_of": AS_OF, "currency": "EUR", "another_part_days": 90, "claim_within_days": 30})
    return con


def kinds(con):
    return read_table(con, "select kind, first_component, component, first_order, again_order from results.comebacks order by all").rows()


def test_the_same_part_failed_again_within_a_year():
    con = results(
        [
            line(1, D(2024, 1, 1), part_cost=40.0, labour_cost=60.0),
            line(2, D(2024, 6, 1), part_cost=41.0, labour_cost=61.0, labour_hours=1.0),
        ]
    )
    assert kinds(con) == [("same_part_again", "lamp", "lamp", "o20240101", "o20240601")]
    row = read_table(con, "select * from results.comebacks").row(0, named=True)
    assert (row["part_cost"], row["labour_cost"], row["labour_hours"], row["days"]) == (41.0, 61.0, 1.0, 152.0)
    assert kinds(results([line(1, D(2022, 1, 1)), line(2, D(2023, 6, 1))])) == []


def test_another_part_of_the_same_side_soon_after():
    con = results([line(1, D(2024, 1, 1)), line(2, D(2024, 2, 15), "ballast")])
    assert kinds(con) == [("another_part_soon", "lamp", "ballast", "o20240101", "o20240215")]
    assert kinds(results([line(1, D(2024, 1, 1)), line(2, D(2024, 2, 15), "ballast", "right")])) == []
    assert kinds(results([line(1, D(2024, 1, 1)), line(2, D(2024, 4, 15), "ballast")])) == []


def test_no_repair_line_stands_in_two_kinds():
    # The ballast was fitted in November and failed in February, six weeks after the lamp: it came back itself.
    con = results([line(1, D(2023, 11, 1), "ballast"), line(2, D(2024, 1, 1)), line(3, D(2024, 2, 15), "ballast")])
    assert ("same_part_again", "ballast", "ballast", "o20231101", "o20240215") in kinds(con)
    assert "another_part_soon" not in {k[0] for k in kinds(con) if k[4] == "o20240215"}


def test_a_line_for_both_sides_is_paid_once():
    both = line(2, D(2024, 6, 1), side="both", quantity=2.0, part_cost=80.0, labour_cost=30.0, pair=True, complaint_side="both")
    con = results([line(1, D(2024, 1, 1), side="left", part_cost=40.0), both])
    assert read_table(con, "select sum(part_cost) as p, sum(labour_cost) as l from results.monthly where month = '2024-06-01'").row(0) == (
        80.0,
        30.0,
    )
    assert read_table(con, "select part_cost from results.comebacks")["part_cost"].to_list() == [40.0]


def test_what_could_have_come_back():
    con = results([line(1, D(2024, 2, 1)), line(2, D(2024, 3, 1), side="right"), line(3, D(2024, 10, 1), "wiring")])
    bases = {
        (r[0], r[1]): r[2:]
        for r in read_table(
            con, "select kind, component, repairs, part_days, vehicle_days, from_day, to_day from results.comeback_bases"
        ).rows()
    }
    fitted = bases[("same_part_again", "lamp")]
    assert fitted[0] == 2 and fitted[1] == (AS_OF - D(2024, 2, 1)).days + (AS_OF - D(2024, 3, 1)).days
    assert fitted[2] == 366 and fitted[3:] == (D(2024, 1, 1), AS_OF)
    assert bases[("another_part_soon", "lamp")][0] == 2 and bases[("another_part_soon", "wiring")][0] == 1


def claims(*cases):
    """Each case: fitted on, failed on, what its part differs in, what its fitting line differs in; one vehicle a case."""
    lines, parts, vehicles = [], [], []
    for i, (first, second, part, more) in enumerate(cases):
        name = {"vehicle": f"v{i}"}
        vehicles.append(vehicle(f"v{i}"))
        parts.append(PART | {"part_number": f"P{i}"} | part)
        lines += [
            line(2 * i, first, **name, **({"part_number": f"P{i}", "part_cost": 40.0, "lot": "L1"} | more)),
            line(2 * i + 1, second, **name),
        ]
    con = results(lines, parts, vehicles)
    found = {r["vehicle"]: r for r in read_table(con, "select * from results.warranty_recovery").iter_rows(named=True)}
    return [found.get(f"v{i}") for i in range(len(cases))]


def test_inside_the_warranty_by_months_and_km_whichever_comes_first():
    found = claims(
        (D(2024, 1, 1), D(2024, 3, 1), {}, {}),
        (D(2024, 1, 1), D(2024, 6, 1), {"warranty_km": 5_000.0}, {}),  # the km ran out: 50 a day
        (D(2024, 1, 1), D(2024, 3, 1), {"warranty_km": 5_000.0}, {}),
        (D(2023, 1, 1), D(2024, 1, 1), {}, {}),  # the anniversary itself is outside
        (D(2023, 1, 1), D(2023, 12, 31), {}, {}),
        (D(2022, 1, 1), D(2022, 12, 1), {"warranty_km": None}, {}),
        (D(2022, 1, 1), D(2022, 12, 1), {"warranty_months": None}, {}),
        (D(2022, 1, 1), D(2022, 12, 1), {"warranty_months": None, "warranty_km": None}, {}),
    )
    assert [bool(f) for f in found] == [True, False, True, False, True, True, True, False]


def test_the_proof_the_amount_the_deadline_and_what_is_lacking():
    row, late, nameless = claims(
        (D(2024, 12, 1), D(2024, 12, 20), {}, {}),
        (D(2024, 1, 1), D(2024, 3, 1), {"warranty_km": None}, {"part_cost": 0.0, "lot": None}),
        (D(2024, 12, 1), D(2024, 12, 20), {"supplier": None, "warranty_km": None}, {"order_id": None}),
    )
    assert (row["fitted_on"], row["fitted_order"], row["failed_on"], row["failed_order"]) == (
        D(2024, 12, 1),
        "o20241201",
        D(2024, 12, 20),
        "o20241220",
    )
    assert row["failed_km"] - row["fitted_km"] == pytest.approx(19 * 50.0) and row["km_used"] == pytest.approx(19 * 50.0)
    assert (row["amount"], row["amount_basis"], row["claim_by"], row["status"]) == (40.0, "paid", D(2025, 1, 19), "open")
    assert row["proof"] == "lines.csv row 1; lines.csv row 2"
    assert row["missing"] == "a reading: km are estimated"  # the last reading lies before
    assert (late["amount"], late["amount_basis"], late["status"], late["missing"]) == (50.0, "catalogue price", "deadline passed", "lot")
    assert nameless["missing"] == "supplier; order of the fitting"


def test_what_was_claimed_is_not_open():
    lines = [line(1, D(2024, 12, 1), part_number="P1", part_cost=40.0, lot="L1"), line(2, D(2024, 12, 20), warranty_claim=True)]
    con = results(lines, [PART])
    assert read_table(con, "select status from results.warranty_recovery")["status"].to_list() == ["claimed already"]
    assert read_table(con, "select * from results.claims_to_send").is_empty()


def test_a_part_that_had_not_failed_is_no_claim():
    lines = [line(1, D(2024, 12, 1), part_number="P1", part_cost=40.0), line(2, D(2024, 12, 20), outcome="wrong_part")]
    assert read_table(results(lines, [PART]), "select * from results.warranty_recovery").is_empty()


def test_the_list_to_send_holds_one_part_a_row():
    both = line(1, D(2024, 12, 1), side="both", quantity=2.0, part_cost=80.0, pair=True, part_number="P1", lot="=L1")
    con = results([both, line(2, D(2024, 12, 20))], [PART])
    sent = read_table(con, "select supplier, part_number, lot, side, amount, currency, claim_by from results.claims_to_send")
    assert sent.rows() == [("Elvane", "P1", "=L1", "left", 40.0, "EUR", D(2025, 1, 19))]
    from pipeline.publish.files import csv_bytes

    assert b",'=L1," in csv_bytes(sent)  # no spreadsheet runs it


def test_rare_wordings_that_were_not_read_are_counted_and_not_told():
    texts = [("fitted new bulb", 5, "side"), ("renewed unit", 3, "component"), ("call Brown about bulb", 1, "side"), ("mx bulb", 2, "side")]
    con = results([line(1, D(2024, 1, 1))],
                  others={"unread_texts": [{"text": t, "lines": n, "missing": m} for t, n, m in texts]})
    assert read_table(con, "select text, why, n, wordings from results.unread_texts").rows() == [
        ("fitted new bulb", "side", 5, 1), ("renewed unit", "component", 3, 1), (None, "side", 3, 2)]


def test_a_question_is_not_answered_until_some_row_fills_its_column():
    def asked(*lines, **more):
        return set(read_table(results(list(lines), **more), "select question from results.not_answered")["question"])

    bare = asked(line(1, D(2024, 1, 1)))
    assert {"bad_lots", "claims", "order_of_checks", "first_suspects", "leavers"} <= bare
    assert not bare & {"age_of_first_parts", "by_lighting", "by_distance"}
    full = asked(line(1, D(2024, 1, 1), lot="L1", complaint="dark"), parts=[PART], others={"access": [{"component": "lamp", "check_minutes": 4.0}]})
    assert bare - full == {"bad_lots", "claims", "order_of_checks", "first_suspects", "by_supplier", "cost_of_parts"}


def test_every_question_has_words_for_the_page():
    model = (Path(__file__).parents[2] / "sql" / "5_summaries" / "80_not_answered.sql").read_text()
    questions = re.findall(r"\('([a-z_]+)', \d", model)
    assert len(questions) > 12
    words = load_words()
    assert [q for q in questions if not (words.has(f"not_answered.{q}") and words.has(f"not_answered.{q}_needs"))] == []
