"""Counts of parts, added up, give the curves and fits of the lives themselves."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline.measure.data import lives as invented_lives
from pipeline.survival.nonparametric import kaplan_meier
from pipeline.survival.risk import merge_counts, risk_table
from pipeline.survival.sums import curves_of_counts, fits_of_counts
from pipeline.survival.weibull import weibull_batch

TIMES = {"entry": "entry", "exit": "exit", "event": "failed"}


@pytest.fixture(scope="module")
def lives():
    some = invented_lives(20_000, seed=4).with_columns(pl.col("stratum") % 7)
    # Half failures too: a cause that is only probable.
    half = np.where(np.arange(some.height) % 11 == 0, 0.5, 1.0)
    return some.with_columns(failed=pl.col("failed") * pl.Series(half))


@pytest.fixture(scope="module")
def merged(lives):
    parts = [risk_table(lives.filter(pl.col("vehicle") % 3 == k), ["stratum"], **TIMES) for k in range(3)]
    return merge_counts(parts)


def test_merged_counts_give_the_product_limit_of_the_lives(lives, merged):
    whole = kaplan_meier(lives, ["stratum"], **TIMES).filter(pl.col("events") > 0).rename({"std_error_greenwood": "greenwood"})
    mine = curves_of_counts(merged)
    both = whole.join(mine, on=["stratum", "t"], suffix="_sums")
    assert both.height == whole.height == mine.height > 4_000
    for name, theirs in (("at_risk", "at_risk_sums"), ("events", "events_sums"), ("survival", "survival_sums"), ("greenwood", "std_error_sums")):
        assert (both[name] - both[theirs]).abs().max() < 1e-9 * both[name].abs().max(), name


def test_merged_counts_give_the_weibull_fits_of_the_lives(lives, merged):
    direct = weibull_batch(*(lives[c].to_numpy() for c in ("entry", "exit", "failed", "stratum")), 7)
    mine = fits_of_counts(merged)
    assert direct.ok.all() and mine["reason"].to_list() == [""] * 7
    np.testing.assert_allclose(mine["shape"].to_numpy(), direct.shape, rtol=1e-9)
    np.testing.assert_allclose(mine["scale"].to_numpy(), direct.scale, rtol=1e-9)
    np.testing.assert_allclose(mine["log_likelihood"].to_numpy(), direct.log_likelihood, rtol=1e-10)


def test_too_few_failures_are_refused_with_the_reason(lives):
    few = lives.filter(pl.col("stratum") == 0).head(40).with_columns(failed=pl.when(pl.int_range(pl.len()) < 3).then(1.0).otherwise(0.0))
    told = fits_of_counts(risk_table(few, ["stratum"], **TIMES))
    assert told["shape"].to_list() == [None] and "3" in told["reason"][0]
