"""The benchmark harness: what it calls met or missed, and that ours and the yardsticks compute the same where both tell it."""

from __future__ import annotations

import math

import pytest

from pipeline.measure import cases, harness
from pipeline.measure.harness import Case, Timing


def _row(ratio, cpu, agrees=True):
    return {"against": {"rival": {"ratio": ratio, "cpu_ratio": cpu, "agrees": agrees}}}


def test_a_target_is_missed_only_when_wall_and_cpu_both_miss_it():
    case = Case("x", "ours", ("rival",), (1,), ("ratio", 1.7))
    assert harness.verdict(case, _row(1.6, 2.0)) == "met"
    assert harness.verdict(case, _row(2.0, 1.6)) == "met"
    assert harness.verdict(case, _row(2.0, 2.0)) == "missed"
    assert harness.verdict(case, _row(1.0, 1.0, agrees=False)) == "answers differ"
    fast = Case("x", "ours", ("rival",), (1,), ("speedup", 10.0))
    assert harness.verdict(fast, _row(0.09, 0.2)) == "met"
    assert harness.verdict(fast, _row(0.11, 0.11)) == "missed"


def test_answers_agree_to_eight_digits():
    assert harness.agree([1.0, 2.0], [1.0, 2.0 + 1e-9]) is True
    assert harness.agree([1.0, 2.0], [1.0, 2.0001]) is False
    assert harness.agree([1.0], [1.0, 2.0]) is False
    assert harness.agree(None, [1.0]) is None


def test_growth_is_the_slope_of_the_logarithms():
    rows = [{"size": n, "seconds": 3e-6 * n**1.2} for n in (1_000, 10_000, 100_000)]
    assert harness.growth(rows) == pytest.approx(1.2, abs=1e-12)
    assert harness.growth(rows[:1]) is None


def test_ratios_are_paired_within_a_round(monkeypatch):
    told = iter([Timing(1, 1, 5), Timing(2, 2, 5), Timing(4, 4, 5), Timing(8, 8, 5), Timing(3, 3, 5), Timing(30, 30, 5)])
    monkeypatch.setattr(harness, "run_child", lambda name, size: next(told))
    row = harness.measure(Case("x", "ours", ("rival",), (1,), rounds=3), 1)
    assert row["against"]["rival"] | {} == {"seconds": 8, "ratio": 0.5, "lowest": 0.1, "highest": 0.5, "cpu_ratio": 0.5, "scaled": False,
                                           "agrees": None}
    assert "0.5 [0.1-0.5]" in "\n".join(harness.lines_of([row]))


def test_ours_and_lifelines_end_the_curves_alike():
    rows = harness.measure(Case("x", "curves", ("lifelines, curve by curve",), (1,)), 3_000, rounds=1)
    assert rows["against"]["lifelines, curve by curve"]["agrees"] is True
    assert rows["seconds"] > 0 and math.isfinite(rows["peak_mib"])


def test_a_run_that_fails_is_told_and_not_counted():
    row = harness.measure(Case("x", "no such run", (), (1,)), 10, rounds=1)
    assert row["verdict"] == "not run" and "KeyError" in row["skipped"]["no such run"]


def test_every_case_names_runs_that_are_there():
    for case in cases.CASES:
        assert {case.subject, *case.yardsticks, *case.scaled} <= set(cases.RUNS), case.name
