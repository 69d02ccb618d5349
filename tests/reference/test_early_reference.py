"""Small groups and control charts against published numbers."""

import numpy as np
import polars as pl
import pytest

from pipeline.survival.early import empirical_bayes_gamma_poisson, funnel_limits, poisson_interval
from pipeline.survival.monitor import cusum, cusum_scores, ewma, g_chart


def test_pumps():
    # Gaver & O'Muircheartaigh 1987, Technometrics 29:1-15: failures and thousands of hours of ten pumps.
    # Fitted prior .82 / 1.26 there and in later books (from memory); digits computed in two languages.
    found = empirical_bayes_gamma_poisson(
        [5, 1, 5, 14, 3, 19, 1, 1, 4, 22],
        [94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48],
    )
    assert (found.shape, found.rate) == (pytest.approx(0.822269, abs=1e-6), pytest.approx(1.258954, abs=1e-6))
    assert found.log_likelihood == pytest.approx(-32.26306704, abs=1e-8)
    pooled, raw = found.rates["pooled"], found.rates["raw"]
    assert (pooled[0], pooled[6], pooled[9]) == (
        pytest.approx(0.0609158, abs=1e-7),
        pytest.approx(0.78990233, abs=1e-6),
        pytest.approx(1.94414833, abs=1e-6),
    )
    assert raw[6] == pytest.approx(0.954198, abs=1e-6)


def test_exact_poisson_limits():
    # Garwood 1936, Biometrika 28:437-442, table; digits computed
    low, high = poisson_interval(np.array([0, 1, 5, 10, 20]))
    assert low.tolist() == pytest.approx([0, 0.02531781, 1.62348639, 4.79538870, 12.21651959], abs=1e-8)
    assert high.tolist() == pytest.approx(
        [3.68887945, 5.57164339, 11.66833208, 18.39035604, 30.88837790], abs=1e-8
    )


def test_funnel_limits():
    # Exact binomial 99.8 % limits about 4 %, the method of Spiegelhalter 2005, Statistics in Medicine 24;
    # computed
    found = funnel_limits([50, 100, 200, 500], 0.04)
    assert found.select("low_count", "high_count").rows() == [(0, 7), (0, 11), (1, 18), (8, 35)]


def test_g_chart():
    # Benneyan 2001: limit = mean + 3 sqrt(mean (mean + 1)); invented data with mean 23, values computed
    chart = g_chart([12, 30, 7, 45, 21, 3, 60, 18, 25, 9])
    assert chart.mean == 23
    assert chart.sigma_limit == pytest.approx(93.48404075, abs=1e-8)
    assert (chart.low_limit, chart.high_limit) == (None, 155)
    assert chart.points["signal"].null_count() == 10


def test_ewma_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.4 (public domain)
    x = [
        52,
        47,
        53,
        49.3,
        50.1,
        47,
        51,
        50.1,
        51.2,
        50.5,
        49.6,
        47.6,
        49.9,
        51.3,
        47.8,
        51.2,
        52.6,
        52.4,
        53.6,
        52.1,
    ]
    chart = ewma(x, target=50, sigma=2.0539, weight=0.3)
    assert chart["high"][0] == pytest.approx(52.5884, abs=5e-5)
    assert chart["low"][0] == pytest.approx(47.4116, abs=5e-5)
    assert chart["ewma"][-1] == pytest.approx(51.9882, abs=5e-5)
    assert chart["signal"].null_count() == 20


def test_cusum_of_the_nist_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.3 (public domain; data from memory, the sums below confirm them)
    x = [
        324.925,
        324.675,
        324.725,
        324.350,
        325.350,
        325.225,
        324.125,
        324.525,
        325.225,
        324.600,
        324.625,
        325.150,
        328.325,
        327.250,
        327.825,
        328.500,
        326.675,
        327.775,
        326.875,
        328.350,
    ]
    chart = cusum(x, target=325, slack=0.3175, limit=4.1959)
    assert chart["upper"][12] == pytest.approx(3.0075, abs=1e-9)
    assert chart["upper"][13] == pytest.approx(4.9400, abs=1e-9)
    assert chart["upper"][-1] == pytest.approx(19.0350, abs=1e-9)
    assert chart.filter(pl.col("signal").is_not_null())["number"][0] == 14


def test_risk_adjusted_weights():
    # Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441-452, eq. 3 with one risk: ln 2 and ln(.90 /
    # .95)
    scores = cusum_scores([1, 0], 0.05, odds_ratio=(0.10 / 0.90) / (0.05 / 0.95))
    assert scores.tolist() == pytest.approx([0.69314718, -0.05406722], abs=1e-8)
