"""Cost per year in service: closed forms, coverage, false verdicts."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad
from scipy.special import gamma, gammainc

from pipeline.survival.buying import band_edges, cost_rate, cost_verdicts, service, supplier_costs


def test_steady_hazard_is_the_exponential_closed_form():
    # S = exp(-l t): integral_0^H S = (1 - exp(-l H)) / l; with no extra the rate is c l / (1 - exp(-l H))
    edges = band_edges(5.0)
    s = service(np.full(len(edges) - 1, 0.3), edges)
    assert float(s.years) == pytest.approx((1 - math.exp(-1.5)) / 0.3, abs=1e-12)
    assert float(s.failed) == pytest.approx(1 - math.exp(-1.5)) and float(s.failed_first_year) == pytest.approx(1 - math.exp(-0.3))
    assert float(s.years_after_first) == pytest.approx(1 + (1 - math.exp(-1.2)) / 0.3)
    assert float(cost_rate(80, 40, 0, s)) == pytest.approx(120 * 0.3 / (1 - math.exp(-1.5)))
    # A horizon far beyond life: cost over mean life, the elementary renewal-reward theorem
    far = band_edges(200.0)
    assert float(cost_rate(80, 40, 0, service(np.full(len(far) - 1, 0.3), far))) == pytest.approx(120 * 0.3, rel=1e-9)
    assert float(service(np.zeros(len(edges) - 1), edges).years) == pytest.approx(5.0)


@pytest.mark.parametrize(("shape", "scale"), [(0.6, 6.0), (1.0, 4.0), (2.5, 3.5)])
def test_bands_of_a_weibull_hazard_come_close_to_its_closed_form(shape, scale):
    # integral_0^H exp(-(t/s)^k) dt = (s / k) Gamma(1/k) P(1/k, (H/s)^k), P the regularised lower incomplete gamma function
    edges = band_edges(5.0)
    hazards = np.diff((edges / scale) ** shape) / np.diff(edges)  # exact survival at every edge
    exact = scale / shape * gamma(1 / shape) * gammainc(1 / shape, (5 / scale) ** shape)
    assert quad(lambda t: math.exp(-((t / scale) ** shape)), 0, 5)[0] == pytest.approx(exact)
    s = service(hazards, edges)
    assert float(s.failed) == pytest.approx(1 - math.exp(-((5 / scale) ** shape)), abs=1e-12)
    assert float(s.years) == pytest.approx(exact, rel=0.02)


def test_errors():
    with pytest.raises(ValueError, match="horizon"):
        band_edges(0)
    with pytest.raises(ValueError, match="edges must rise"):
        service(np.array([0.1]), np.array([0.0, 1.0, 2.0]))


KINDS, SUPPLIERS, HORIZON = 250, 4, 4.0
WEAR, DEFECT = (2.2, 5.0), 0.03  # years; a share of the pieces fails early, within weeks


def fleet(seed, ratio=None, n=120, frailty=0.5, kinds=KINDS):
    """Many kinds of part at once, four equal suppliers each; every vehicle has two parts and a rate of its own."""
    rng = np.random.default_rng(seed)
    m = kinds * SUPPLIERS * n
    kind, supplier = np.repeat(np.arange(kinds), SUPPLIERS * n), np.tile(np.repeat(np.arange(SUPPLIERS), n), kinds)
    vehicle = np.arange(m) // 2
    z = rng.gamma(1 / frailty, frailty, m // 2)[vehicle]
    z = z * np.where(supplier == 0, ratio, 1.0) if ratio else z
    life = WEAR[1] * (rng.exponential(size=m) / z) ** (1 / WEAR[0])
    life = np.where(rng.random(m) < DEFECT, rng.exponential(0.1, m), life)
    end = rng.uniform(0.2, 6.0, m)
    frame = pl.DataFrame(
        {
            "kind": kind,
            "supplier": supplier,
            "vehicle": vehicle,
            "entry_days": 0.0,
            "exit_days": np.minimum(life, end) * 365.25,
            "ending": np.where(life <= end, "failed", "in_service"),
        }
    )
    prices = pl.DataFrame(
        {
            "kind": np.repeat(np.arange(KINDS), SUPPLIERS),
            "supplier": np.tile(np.arange(SUPPLIERS), KINDS),
            "price": np.full(KINDS * SUPPLIERS, 60.0),
        }
    )
    return frame, prices


def true_cost(frailty=0.5):
    """Gamma frailty z of mean 1, variance v: S(t) = (1 + v H0(t))^(-1/v) (Vaupel, Manton & Stallard 1979)."""

    def s(t):
        return (1 - DEFECT) * (1 + frailty * (t / WEAR[1]) ** WEAR[0]) ** (-1 / frailty) + DEFECT * math.exp(-t / 0.1)

    return (60.0 + 40.0) / quad(s, 0, HORIZON, limit=200)[0]


@pytest.fixture(scope="module")
def equal():
    lives, prices = fleet(11)
    return cost_verdicts(supplier_costs(lives, prices, ["kind"], ["supplier"], labour=40.0, horizon_years=HORIZON, draws=400))


def test_intervals_cover_early_failures_wear_and_shared_vehicles(equal):
    true = true_cost()
    covered = ((equal["low"] <= true) & (equal["high"] >= true)).mean()
    assert 0.93 <= covered <= 0.97
    assert equal["cost_per_year"].mean() == pytest.approx(true, rel=0.01)


def test_equal_suppliers_at_one_price_are_not_told_apart(equal):
    assert equal["verdict"].is_in(["cheaper", "dearer"]).mean() <= 0.005
    families = [cost_verdicts(part)["verdict"].is_in(["cheaper", "dearer"]).any() for _, part in equal.group_by("kind")]
    assert np.mean(families) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / KINDS)
    assert equal.group_by("kind").agg(pl.col("chance_cheapest").sum())["chance_cheapest"].to_numpy() == pytest.approx(1.0)


def test_a_supplier_whose_parts_fail_four_times_as_often_is_dearer_though_its_price_is_lower():
    lives, prices = fleet(12, ratio=4.0, kinds=80)
    prices = prices.with_columns(price=pl.when(pl.col("supplier") == 0).then(50.0).otherwise(60.0))
    found = cost_verdicts(supplier_costs(lives, prices, ["kind"], ["supplier"], labour=40.0, horizon_years=HORIZON, draws=200))
    bad = found.filter(pl.col("supplier") == 0)
    assert (bad["verdict"] == "dearer").mean() > 0.8  # power with 120 parts fitted each
    assert (bad["verdict"] == "cheaper").sum() == 0
    assert (bad["of_it_comebacks"] > 0).all()


def test_nothing_is_said_beyond_what_was_watched_and_units_do_not_matter():
    lives, prices = fleet(13, kinds=2)
    few, some = lives.filter(pl.col("kind") < 2), prices.filter(pl.col("kind") < 2)
    a = supplier_costs(few, some, ["kind"], ["supplier"], labour=40.0, horizon_years=20.0, draws=50)
    assert a["horizon_years"].max() < 6.0 and a["years_in_service"].max() < a["horizon_years"].max()
    km = few.with_columns(entry_km=pl.col("entry_days") * 70, exit_km=pl.col("exit_days") * 70)
    b = supplier_costs(km, some, ["kind"], ["supplier"], labour=40.0, horizon_years=20.0, draws=50, clock="km", per_year=365.25 * 70)
    assert b["cost_per_year"].to_numpy() == pytest.approx(a["cost_per_year"].to_numpy())
    double = supplier_costs(few, some.with_columns(pl.col("price") * 2), ["kind"], ["supplier"], labour=80.0, horizon_years=20.0, draws=50)
    assert double["cost_per_year"].to_numpy() == pytest.approx(2 * a["cost_per_year"].to_numpy())
    assert supplier_costs(few, some.head(1), ["kind"], ["supplier"], labour=40.0).is_empty()


def test_the_price_given_counts_not_what_each_life_cost():
    lives, prices = fleet(14, kinds=1)
    some = prices.filter(pl.col("kind") == 0)
    plain = supplier_costs(lives, some, ["kind"], ["supplier"], labour=40.0, horizon_years=HORIZON, draws=50)
    paid = lives.with_columns(price=pl.lit(0.0))
    assert supplier_costs(paid, some, ["kind"], ["supplier"], labour=40.0, horizon_years=HORIZON, draws=50).equals(plain)
