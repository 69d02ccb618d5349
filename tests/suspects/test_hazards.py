"""Hazards by age of part: counting with late entry, recovery of known hazards, pooling, the ends."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.suspects.hazards import BANDS, band_edges, band_of, count_bands, fit_hazards


@pytest.mark.parametrize("clock", ["days", "km"])
def test_bands_cover_all_ages(clock):
    edges = band_edges(clock)
    assert edges[0] == 0 and (np.diff(edges) > 0).all()
    inside = (edges[:-1] + edges[1:]) / 2
    assert (band_of(inside, clock) == np.arange(BANDS)).all()
    assert band_of(np.array([1e9]), clock)[0] == BANDS - 1


def test_an_unknown_clock_is_refused():
    with pytest.raises(ValueError, match="clock 'hours'"):
        band_edges("hours")


def test_exposure_adds_up_and_starts_at_entry():
    entry, exit = np.array([0.0, 400.0, 10.0]), np.array([1000.0, 900.0, 50.0])
    deaths, exposure = count_bands(entry, exit, np.array([1.0, 0.0, 0.5]), np.array([0, 0, 1]), 2, "days")
    assert exposure.sum(axis=1) == pytest.approx([1500.0, 40.0])
    assert deaths.sum(axis=1) == pytest.approx([1.0, 0.5])
    before = band_edges("days")[1:] <= 10
    assert exposure[1, before].sum() == 0


def test_counts_of_parts_add_up_to_the_counts_of_the_whole():
    rng = np.random.default_rng(3)
    entry = rng.uniform(0, 900, 400)
    exit, event, curve = entry + rng.exponential(500, 400), rng.random(400) < 0.4, rng.integers(0, 2, 400)
    whole = count_bands(entry, exit, event.astype(float), curve, 2, "days")
    halves = [
        count_bands(entry[s], exit[s], event[s].astype(float), curve[s], 2, "days")
        for s in (slice(0, 150), slice(150, None))
    ]
    for k in range(2):
        assert whole[k] == pytest.approx(halves[0][k] + halves[1][k], abs=1e-9)


def simulated(
    shape: float, scale: float, n: int, seed: int, watched: float
) -> tuple[np.ndarray, np.ndarray, float]:
    rng = np.random.default_rng(seed)
    life = scale * rng.weibull(shape, n)
    entry = rng.uniform(0, watched, n) * (rng.random(n) < 0.5)
    keep = life > entry
    entry, life = entry[keep], life[keep]
    stop = np.minimum(life, entry + watched)
    deaths, exposure = count_bands(
        entry, stop, (life <= stop).astype(float), np.zeros(len(entry), dtype=int), 1, "days"
    )
    return deaths, exposure, float(stop.max())


def test_a_wear_out_hazard_is_found_with_honest_intervals():
    inside = []
    for seed in range(12):
        deaths, exposure, reach = simulated(2.5, 3000.0, 1500, seed, 2500.0)
        fit = fit_hazards(
            "lamp",
            "days",
            [("halogen", "original")],
            deaths,
            exposure,
            np.array([reach]),
            50,
            np.random.default_rng(0),
        )
        for age in (300.0, 800.0, 1500.0, 2500.0, 3500.0):
            b = band_of(np.array([age]), "days")[0]
            edges = band_edges("days")[b : b + 2]
            truth = ((edges[1] / 3000) ** 2.5 - (edges[0] / 3000) ** 2.5) / (edges[1] - edges[0])
            inside.append(abs(np.log(fit.hazard[0, b] / truth)) <= 1.96 * fit.log_sd[0, b])
    assert np.mean(inside) >= 0.85


def test_draws_keep_the_mean():
    deaths, exposure, reach = simulated(1.5, 3000.0, 800, 1, 2000.0)
    fit = fit_hazards(
        "lamp",
        "days",
        [("halogen", "original")],
        deaths,
        exposure,
        np.array([reach]),
        4000,
        np.random.default_rng(0),
    )
    b = band_of(np.array([1000.0]), "days")[0]
    assert fit.draws[:, 0, b].mean() == pytest.approx(fit.hazard[0, b], rel=0.02)
    assert np.log(fit.draws[:, 0, b]).std() == pytest.approx(fit.log_sd[0, b], rel=0.05)


def test_one_constant_hazard_is_the_exact_rate():
    """With much data and a flat truth the middle of the curve is events / exposure, the Poisson estimate; within the noise of
    some hundred draws of a posterior that is 2 to 3 % wide."""
    exposure = np.full((1, BANDS), 5e4)
    deaths = exposure * 2e-3
    fit = fit_hazards(
        "igniter",
        "days",
        [("discharge", "original")],
        deaths,
        exposure,
        np.array([15_000.0]),
        10,
        np.random.default_rng(0),
    )
    assert fit.hazard[0, 10:50] == pytest.approx(2e-3, rel=1e-2)


def test_a_thin_curve_leans_on_its_relative():
    deaths, exposure, reach = simulated(2.0, 3000.0, 2000, 5, 2500.0)
    curves = [("discharge", "original"), ("discharge", "replacement")]
    both = fit_hazards(
        "ballast",
        "days",
        curves,
        np.vstack([deaths, np.zeros_like(deaths)]),
        np.vstack([exposure, exposure * 1e-3]),
        np.array([reach, 300.0]),
        50,
        np.random.default_rng(0),
    )
    b = band_of(np.array([1500.0]), "days")[0]
    assert both.log_sd[1, b] > both.log_sd[0, b]
    assert abs(np.log(both.hazard[1, b] / both.hazard[0, b])) < 0.7


def test_never_failed_is_low_and_unsure():
    exposure = np.full((1, BANDS), 1e3)
    fit = fit_hazards(
        "wiring",
        "days",
        [("led", "original")],
        np.zeros((1, BANDS)),
        exposure,
        np.array([5000.0]),
        50,
        np.random.default_rng(0),
    )
    assert np.isfinite(fit.hazard).all() and (fit.hazard > 0).all()
    assert fit.hazard[0, 20] * exposure.sum() < 3
    assert fit.log_sd[0, 20] > 0.5


def test_never_failed_has_an_upper_limit_near_the_rule_of_three():
    """No failure in an exposure E: the exact 95 % upper limit of a rate is 3.0 / E (Hanley and Lippman-Hand 1983, J. Am. Med.
    Assoc. 249:1743-1745). The curve's is of that order over the whole of it, neither 0 nor anything."""
    exposure = np.full((1, BANDS), 1e4)
    events, reach = np.zeros((1, BANDS)), np.array([18_000.0])
    fit = fit_hazards("wiring", "days", [("led", "original")], events, exposure, reach, 2000, np.random.default_rng(0))
    whole = (fit.draws[:, 0] * exposure[0]).sum(axis=1)  # expected failures over the exposure
    assert 1.0 < np.quantile(whole, 0.95) < 6.0


def test_draws_are_of_the_posterior_itself():
    """Two bands with few failures, against the posterior summed on a grid: where nothing failed, Laplace's approximation
    alone would be far too sure of its lower end."""
    from pipeline.suspects import hazards

    design = np.array([[1.0, 0.0], [0.0, 1.0]] + [[0.0, 0.0]] * (BANDS - 2))
    events = np.zeros((1, BANDS))
    exposure = np.zeros((1, BANDS))
    events[0, 0], exposure[0, :2] = 2.0, (2.0, 3.0)
    covariance = np.array([[2.0, 1.0], [1.0, 3.0]])
    fitted = hazards._laplace(events, exposure, 0.0, design, covariance)
    draws = hazards._slice_sample(events, exposure, 0.0, design, fitted, 4000, np.random.default_rng(1))[-1][:, 0, :2]
    x = np.linspace(-12, 6, 721)
    a, b = np.meshgrid(x, x, indexing="ij")
    inverse = np.linalg.inv(covariance)
    log = 2 * a - 2 * np.exp(a) - 3 * np.exp(b)
    log -= 0.5 * (inverse[0, 0] * a * a + 2 * inverse[0, 1] * a * b + inverse[1, 1] * b * b)
    p = np.exp(log - log.max())
    p /= p.sum()
    for k, grid in enumerate((a, b)):
        mean = (p * grid).sum()
        sd = np.sqrt((p * grid**2).sum() - mean**2)
        assert draws[:, k].mean() == pytest.approx(mean, abs=5 * sd / np.sqrt(4000))
        assert draws[:, k].std() == pytest.approx(sd, rel=0.06)
        order = np.cumsum(p.sum(axis=1 - k))
        low = x[np.searchsorted(order, 0.05)]
        assert np.quantile(draws[:, k], 0.05) == pytest.approx(low, abs=0.2 * sd)


def test_the_hazard_is_held_where_no_part_has_been():
    deaths, exposure, reach = simulated(3.0, 2000.0, 1500, 2, 1500.0)
    fit = fit_hazards(
        "lamp",
        "days",
        [("halogen", "original")],
        deaths,
        exposure,
        np.array([reach]),
        20,
        np.random.default_rng(0),
    )
    last = band_of(np.array([1.25 * reach]), "days")[0]
    assert (fit.hazard[0, last:] == fit.hazard[0, last]).all()
    assert (fit.draws[:, 0, last:] == fit.draws[:, 0, last : last + 1]).all()


def test_no_exposure_is_refused():
    zero = np.zeros((1, BANDS))
    with pytest.raises(ValueError, match="no time under watch"):
        fit_hazards(
            "lamp", "days", [("led", "original")], zero, zero, np.zeros(1), 5, np.random.default_rng(0)
        )
