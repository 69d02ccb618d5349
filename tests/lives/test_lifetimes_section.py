"""The words of the lifetimes section that rest on small tables: which of them appear, and what they say."""

from __future__ import annotations

import datetime as dt

import polars as pl

from pipeline.publish.section_lifetimes_more import items
from pipeline.publish.views import Context, Said, Table

CONTEXT = Context("Shop", dt.date(2024, 12, 31))


def told(**tables) -> tuple[list[str], list[Table]]:
    found = items(tables, CONTEXT, CONTEXT.words())
    return [str(i.text) for i in found if isinstance(i, Said)], [i for i in found if isinstance(i, Table)]


def test_nothing_is_said_without_tables():
    assert told() == ([], [])


def test_figures_that_hang_on_the_walk_in_rule_are_counted():
    base = {"component": "lamp", "lighting": "halogen", "generation": "original", "measure": "failed_by_5_years", "low": 0.2, "high": 0.4}
    table = pl.DataFrame([base | {"rule": "as_set", "value": 0.3, "moves": False}, base | {"rule": "to_the_end", "value": 0.1, "moves": True}])
    said, tables = told(walk_in_sensitivity=table)
    assert "1 of 1" in said[0] and [c.text for c in tables[0].rows[0]][1] == "30 % · 20 to 40 %"
    assert told(walk_in_sensitivity=table.clear())[0][0].startswith("Every vehicle in the curves is on complete coverage")


def test_months_that_will_still_grow_are_marked_and_one_export_is_owned_up_to():
    lags = pl.DataFrame({"source": ["desk", "desk"], "exports_late": [0, 1], "share_in_hand": [0.8, 1.0]})
    months = pl.DataFrame({"month": [dt.date(2024, 12, 1)], "orders": [16], "expected_orders": [20.0], "share_in_hand": [0.8]})
    assert "December 2024, 16 orders so far, about 20 in the end" in told(reporting_delay=lags, months_not_complete=months)[0][0]
    single = pl.DataFrame({"source": ["desk"], "exports_late": [None], "share_in_hand": [None]},
                          schema={"source": pl.String, "exports_late": pl.Int64, "share_in_hand": pl.Float64})
    assert told(reporting_delay=single)[0][0].startswith("Late orders cannot be estimated from a single export")


def test_a_ratio_that_changes_with_age_is_called_an_average():
    row = {"component": "lamp", "covariate": "supplier", "level": "A", "reference": "B", "failures": 30.0, "hazard_ratio": 2.1, "low": 1.4,
           "high": 3.2, "verdict": "fails_more", "proportional": "no"}
    _, tables = told(hazard_ratios=pl.DataFrame([row]))
    assert [c.text for c in tables[0].rows[0]][3:] == ["2.1 times · 1.4 to 3.2", "changes with age: an average"]
    said, none = told(hazard_ratios=pl.DataFrame([row | {"verdict": "not told apart"}]))
    assert not none and said[0].startswith("No supplier, grade")
