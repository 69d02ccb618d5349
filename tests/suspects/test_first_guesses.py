"""First guesses by column, and the side that a code had named."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.suspects.first_guesses import code_sides, guesses_by


def episodes(rows):
    names = ("fault_code", "symptom", "side", "first_replaced", "cause")
    return pl.DataFrame(
        [dict(zip(names, r, strict=True)) | {"wrong_labour_hours": 1.0, "wrong_labour_cost": 60.0, "wrong_part_cost": 30.0} for r in rows],
        schema_overrides={"fault_code": pl.String, "side": pl.String},
    )


def test_shares_costs_and_the_commonest_pair():
    found = guesses_by(
        episodes(
            [
                ("A", "dark", "left", "lamp", "ballast"),
                ("A", "dark", "left", "lamp", "ballast"),
                ("A", "dim", "left", "lamp", "igniter"),
                ("A", "dark", "left", "lamp", "lamp"),
                (None, "dark", "left", "lamp", "lamp"),
            ]
        ),
        ["fault_code"],
    )
    assert found["fault_code"].to_list() == ["A", None]
    a, none = found.rows(named=True)
    assert (a["cases"], a["wrong"], a["share"], a["commonest_first"], a["commonest_cause"], a["commonest"]) == (
        4,
        3,
        0.75,
        "lamp",
        "ballast",
        2,
    )
    assert (none["wrong"], none["low"], none["commonest"]) == (0, 0.0, None) and none["high"] > 0.5
    whole = guesses_by(episodes([("A", "dark", "left", "lamp", "ballast")]), []).row(0, named=True)
    assert (whole["cases"], whole["wrong"], whole["labour_cost"]) == (1, 1, 60.0)


@pytest.mark.parametrize("by", [[], ["symptom"]])
def test_a_workshop_without_a_wrong_guess(by):
    made = guesses_by(episodes([("A", "dark", "left", "lamp", "lamp")] * 3), by)
    assert made.height == 1
    row = made.row(0, named=True)
    assert (row["cases"], row["wrong"], row["commonest_first"], row["commonest"]) == (3, 0, None, None)


def test_the_code_named_one_side_and_the_other_was_dark():
    rows = (
        [("X1-L", "dark", "left", "lamp", "lamp")] * 5
        + [("X1-L", "dark", "right", "lamp", "lamp")]
        + [("x1-r", "dark", "right", "lamp", "lamp")] * 3
    )
    found = code_sides(episodes(rows))
    assert found.select("fault_code", "named_side", "named_by", "cases", "other_side").rows() == [
        ("X1-L", "left", "written", 6, 1),
        ("X1-R", "right", "written", 3, 0),
    ]
    assert found["share"][0] == pytest.approx(1 / 6) and found["labour_cost"][0] == 60.0


def test_a_stray_letter_is_no_side_but_a_record_may_be():
    # "Q7-R" has no sister "Q7-L": the letter says nothing; and both sides occur
    assert code_sides(episodes([("Q7-R", "dark", s, "lamp", "lamp") for s in ("left", "right")] * 6)).is_empty()
    # B120 names no side in writing, but eleven of twelve causes lay on the left
    rows = [("B120", "dark", "left", "lamp", "lamp")] * 11 + [("B120", "dark", "right", "lamp", "lamp")]
    assert code_sides(episodes(rows)).select("named_side", "named_by", "other_side").rows() == [("left", "learned", 1)]
    assert code_sides(episodes(rows[:6])).is_empty()  # six of six: too few to learn from
    assert code_sides(episodes([(None, "dark", "left", "lamp", "lamp")])).is_empty()
