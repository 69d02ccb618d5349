import numpy as np
import polars as pl
import pytest

from pipeline.survival.nonparametric import (
    aalen_johansen,
    at_times,
    curve_accounts,
    curve_set,
    kaplan_meier,
    nelson_aalen,
    quantiles,
    restricted_mean,
)

TIMES = {"entry": "entry", "exit": "exit"}


def fleet(vehicles=150, worlds=1, seed=1, late=0.4, lives=2):
    """Some lives a vehicle that share a frailty; Weibull 1.5 with late entry and censoring; without late
    entry the survival is `truth`."""
    rng = np.random.default_rng(seed)
    n = vehicles * lives * worlds
    vehicle = np.repeat(np.arange(vehicles * worlds), lives)
    frailty = rng.gamma(1.5, 1 / 1.5, vehicles * worlds)[vehicle]
    life = 100 * (rng.exponential(size=n) / frailty) ** (1 / 1.5)
    entry = np.repeat(np.where(rng.random(n // lives) < late, rng.uniform(0, 50, n // lives), 0), lives)
    end = entry + rng.uniform(5, 150, n)
    frame = pl.DataFrame(
        {
            "world": vehicle // vehicles,
            "vehicle": vehicle,
            "entry": entry,
            "exit": np.minimum(life, end),
            "ending": np.where(life <= end, "failed", "in_service"),
        }
    )
    return frame.filter(pl.col("exit") > pl.col("entry"))


def truth(t):
    return (1 + (t / 100) ** 1.5 / 1.5) ** -1.5


def test_robust_limits_cover_where_sides_share_a_vehicle_and_greenwoods_do_not():
    lives = fleet(120, worlds=400, late=0.0, lives=4)
    at = 80.0
    covered = {}
    for cluster in ("vehicle", None):
        curves = curve_set(lives, ["world"], **TIMES, cluster=cluster)
        there = at_times(curves, ["world"], [at])
        assert there.height == 400
        covered[cluster] = ((there["low"] <= truth(at)) & (there["high"] >= truth(at))).mean()
    assert 0.93 <= covered["vehicle"] <= 0.97
    assert covered[None] < covered["vehicle"] - 0.05


def test_late_entry_taken_into_account_is_unbiased_and_ignored_is_not():
    rng = np.random.default_rng(5)
    n = 60_000
    life, entry = 100 * rng.weibull(3, n), rng.uniform(0, 120, n)
    lives = pl.DataFrame({"entry": entry, "exit": life, "failed": True}).filter(
        pl.col("exit") > pl.col("entry")
    )
    right = at_times(kaplan_meier(lives, **TIMES, event="failed", min_at_risk=30), [], [100.0]).row(
        0, named=True
    )
    wrong = at_times(kaplan_meier(lives.with_columns(entry=0.0), **TIMES, event="failed"), [], [100.0]).row(
        0, named=True
    )
    given = np.exp(-1) / np.exp(-((right["start_t"] / 100) ** 3))
    assert abs(right["survival"] - given) < 3 * right["std_error"]
    assert abs(wrong["survival"] - np.exp(-1)) > 10 * wrong["std_error"]


def test_zero_failures_so_far_is_not_certainty():
    lives = pl.DataFrame({"entry": 0.0, "exit": [10.0] * 5 + [20.0] * 20, "failed": [False] * 25})
    curve = kaplan_meier(lives, **TIMES, event="failed")
    assert curve["survival"].to_list() == [1.0, 1.0]
    assert curve["low"].to_list() == pytest.approx([0.025 ** (1 / 20)] * 2)
    assert curve["high"].to_list() == [1.0, 1.0]


def test_two_sides_of_a_vehicle_are_one_witness_where_nothing_failed():
    lives = pl.DataFrame(
        {"entry": 0.0, "exit": [20.0] * 20, "failed": [False] * 20, "vehicle": np.repeat(range(10), 2)}
    )
    curve = kaplan_meier(lives, **TIMES, event="failed", cluster="vehicle")
    assert curve["low"][-1] == pytest.approx(0.025 ** (1 / 10))


def test_zero_failure_limit_covers():
    rng = np.random.default_rng(9)
    n, worlds, chance = 30, 4000, 0.1
    failed = rng.random((worlds, n)) < chance
    low = np.where(failed.any(axis=1), 0.0, 0.025 ** (1 / n))
    assert (low <= 1 - chance).mean() >= 0.95


def test_before_the_first_failure_the_limit_of_a_later_age_counts_too():
    """Survival never rises: with ten watched from new and many from later on, the limit after the first failure is the closer."""
    entry = [0.0] * 10 + [5.0] * 190
    lives = pl.DataFrame({"entry": entry, "exit": [100.0] * 199 + [60.0], "failed": [False] * 199 + [True]})
    curve = kaplan_meier(lives, **TIMES, event="failed")
    assert curve["t"].to_list() == [0.0, 60.0, 100.0] and curve["survival"][0] == 1.0
    assert curve["low"][0] == curve["low"][1] > 0.95 > 0.025 ** (1 / 10)
    alone = kaplan_meier(lives.with_columns(failed=False), **TIMES, event="failed")
    assert alone["low"][0] == pytest.approx(0.025 ** (1 / 10))  # nothing failed at all: nothing closer is known


def test_limits_before_the_first_failure_cover():
    """2,000 fleets, 12 watched from new and 60 from an age of 10, constant hazard: the lower limit at an age of 8."""
    rng = np.random.default_rng(31)
    worlds, hazard, n = 2000, 0.004, 72
    start = np.tile(np.r_[np.zeros(12), np.full(60, 10.0)], worlds)
    end = start + rng.exponential(1 / hazard, len(start))
    lives = pl.DataFrame({"world": np.repeat(range(worlds), n), "entry": start, "exit": np.minimum(end, 80.0), "failed": end < 80.0})
    at = at_times(kaplan_meier(lives, ["world"], **TIMES, event="failed"), ["world"], [8.0])
    true = float(np.exp(-hazard * 8.0))
    none_yet = at.filter(pl.col("survival") == 1.0)
    assert none_yet.height > 1000 and (none_yet["low"] > 0.025 ** (1 / 12) + 0.01).mean() > 0.9
    assert (none_yet["low"] > true).sum() <= 0.025 * worlds


def test_thin_early_risk_set_does_not_pull_the_curve_down():
    lives = pl.DataFrame(
        {
            "entry": [0.0] * 2 + [50.0] * 40,
            "exit": [10.0, 60.0] + [60.0 + i for i in range(40)],
            "ending": ["failed"] * 42,
            "vehicle": range(42),
        }
    )
    naive = kaplan_meier(lives.with_columns(d=True), **TIMES, event="d")
    assert naive.filter(pl.col("t") == 10)["survival"][0] == 0.5
    curve = curve_set(lives, [], **TIMES, min_at_risk=10)
    assert curve["start_t"].unique().to_list() == [50.0]
    assert curve["t"].min() == 50.0
    assert curve.row(0, named=True)["survival"] == 1.0
    accounts = curve_accounts(lives, [], **TIMES).row(0, named=True)
    assert accounts["failures_before_start"] == 1 and accounts["own_curve"]


def test_thin_end_is_flagged_and_not_dropped():
    lives = pl.DataFrame(
        {"entry": 0.0, "exit": [float(i) for i in range(1, 21)], "ending": "failed", "vehicle": range(20)}
    )
    curve = curve_set(lives, [], **TIMES, floor_at_risk=5)
    assert curve.filter(pl.col("thin"))["t"].to_list() == [17.0, 18.0, 19.0, 20.0]
    last = curve.row(-1, named=True)
    assert last["survival"] == 0.0 and last["low"] == 0.0 and 0 < last["high"] < 1


def test_strata_with_few_failures_or_few_lives_have_no_curve_and_say_why():
    rich = pl.DataFrame(
        {"s": "rich", "entry": 0.0, "exit": [float(i) for i in range(1, 21)], "ending": "failed"}
    )
    few = rich.with_columns(
        s=pl.lit("few failures"),
        ending=pl.when(pl.col("exit") < 5).then(pl.lit("failed")).otherwise(pl.lit("in_service")),
    )
    thin = rich.head(8).with_columns(s=pl.lit("thin"))
    lives = pl.concat([rich, few, thin]).with_row_index("vehicle")
    assert curve_set(lives, ["s"], **TIMES)["s"].unique().to_list() == ["rich"]
    accounts = curve_accounts(lives, ["s"], **TIMES)
    assert dict(accounts.select("s", "reason").iter_rows()) == {
        "rich": None,
        "few failures": "too few failures",
        "thin": "too few at risk",
    }


def test_rows_units_and_vehicle_names_do_not_matter():
    lives = fleet(60)
    curve = curve_set(lives, ["world"], **TIMES)
    shuffled = curve_set(
        lives.sample(fraction=1.0, shuffle=True, seed=3).with_columns(
            vehicle=pl.lit("v") + (pl.col("vehicle") * 7919 % 1009).cast(pl.String)
        ),
        ["world"],
        **TIMES,
    )
    miles = curve_set(lives.with_columns(pl.col("entry", "exit") / 1.609344), ["world"], **TIMES)
    for other, scale in ((shuffled, 1.0), (miles, 1.609344)):
        assert np.allclose(other["t"] * scale, curve["t"])
        for column in ("at_risk", "survival", "low", "high", "std_error"):
            assert np.allclose(other[column], curve[column], atol=1e-12)


def test_a_vehicle_that_never_fails_lowers_no_curve():
    lives = fleet(60)
    more = pl.concat(
        [
            lives,
            pl.DataFrame(
                {"world": [0], "vehicle": [9_999], "entry": [0.0], "exit": [1e4], "ending": ["in_service"]}
            ),
        ]
    )
    t = curve_set(lives, [], **TIMES)["t"].to_list()[:-1]
    before = at_times(curve_set(lives, [], **TIMES), [], t)["survival"]
    after = at_times(curve_set(more, [], **TIMES), [], t)["survival"]
    assert (after >= before - 1e-12).all() and (after > before).any()


def test_many_strata_at_once_equal_one_at_a_time():
    lives = fleet(40, worlds=6)
    every = curve_set(lives, ["world"], **TIMES)
    for w in range(6):
        alone = curve_set(lives.filter(pl.col("world") == w), ["world"], **TIMES)
        mine = every.filter(pl.col("world") == w)
        for column in ("t", "at_risk", "survival", "low", "high", "std_error"):
            assert np.allclose(mine[column], alone[column], atol=1e-12)


def test_a_probable_failure_counts_as_its_probability():
    lives = pl.DataFrame({"entry": 0.0, "exit": [1.0, 2.0, 3.0, 4.0], "p": [0.5, 1.0, 0.0, 0.0]})
    survival = kaplan_meier(lives, **TIMES, event="p")["survival"].to_list()
    assert survival[:3] == pytest.approx([1.0, 0.875, 0.875 * 2 / 3])


def with_causes(seed=2, n=300):
    rng = np.random.default_rng(seed)
    lives = fleet(n // 2, seed=seed)
    return lives.with_columns(
        pl.col("exit").ceil(),
        pl.col("entry").floor(),
        ending=pl.when(pl.col("ending") == "failed")
        .then(pl.Series(rng.choice(["failed", "planned", "collision"], lives.height)))
        .otherwise(pl.col("ending")),
    )


def test_incidences_and_survival_add_to_one():
    lives = with_causes()
    causes = ["failed", "planned", "collision"]
    found = aalen_johansen(lives, **TIMES, ending="ending", causes=causes, cluster="vehicle")
    times = sorted(set(found["t"]))[1:]
    total = at_times(found, ["cause"], times).group_by("t").agg(pl.col("incidence").sum()).sort("t")
    free = kaplan_meier(lives.with_columns(d=pl.col("ending").is_in(causes)), **TIMES, event="d")
    assert np.allclose(total["incidence"] + at_times(free, [], times)["survival"], 1.0, atol=1e-12)


def test_incidence_error_by_vehicle_equals_the_derivative_found_numerically():
    lives = with_causes(n=80)
    causes = ["failed", "planned", "collision"]
    found = aalen_johansen(lives, **TIMES, ending="ending", causes=causes, cluster="vehicle").filter(
        (pl.col("cause") == "planned") & (pl.col("events") > 0)
    )
    step, total = 1e-5, 0.0
    for v in lives["vehicle"].unique():
        pair = [
            aalen_johansen(
                lives.with_columns(w=pl.when(pl.col("vehicle") == v).then(1 + h).otherwise(1.0)),
                **TIMES,
                ending="ending",
                causes=causes,
                weight="w",
            )
            .filter((pl.col("cause") == "planned") & (pl.col("events") > 0))["incidence"]
            .to_numpy()
            for h in (step, -step)
        ]
        total = total + ((pair[0] - pair[1]) / (2 * step)) ** 2
    assert np.allclose(found["std_error"], np.sqrt(total), atol=1e-8)


def test_one_minus_kaplan_meier_overstates_a_competing_cause():
    lives = with_causes()
    curve = curve_set(lives, [], **TIMES, event="planned")
    assert curve["estimator"].unique().to_list() == ["aalen_johansen"]
    assert np.allclose(curve["survival"] + curve["incidence"], 1.0)
    alone = kaplan_meier(
        lives.with_columns(d=pl.col("ending") == "planned"), **TIMES, event="d", min_at_risk=10
    )
    at = [150.0]
    assert at_times(curve, [], at)["incidence"][0] < 1 - at_times(alone, [], at)["survival"][0]


def test_rows_out_of_curve_are_left_out():
    lives = fleet(60).with_columns(in_curve=pl.col("vehicle") % 2 == 0)
    assert curve_set(lives, [], **TIMES).equals(curve_set(lives.filter("in_curve"), [], **TIMES))


def test_cumulative_hazard_follows_the_survival():
    lives = fleet(400).with_columns(d=pl.col("ending") == "failed")
    h = nelson_aalen(lives, **TIMES, event="d", cluster="vehicle", min_at_risk=10)
    s = kaplan_meier(lives, **TIMES, event="d", cluster="vehicle", min_at_risk=10)
    assert (np.exp(-h["cumulative_hazard"]) >= s["survival"] - 1e-12).all()
    middle = s["at_risk"] > 50
    assert np.allclose(
        np.exp(-h["cumulative_hazard"].filter(middle)), s["survival"].filter(middle), atol=0.02
    )
    assert ((h["low"] <= h["cumulative_hazard"]) & (h["high"] >= h["cumulative_hazard"])).all()


def test_quantiles_not_reached_are_null_and_say_so():
    lives = pl.DataFrame(
        {"entry": 0.0, "exit": [float(i) for i in range(1, 41)], "d": [True] * 12 + [False] * 28}
    )
    found = quantiles(kaplan_meier(lives, **TIMES, event="d"), [], [0.1, 0.5])
    reached, not_reached = found.rows(named=True)
    assert (reached["t"], reached["reached"]) == (4.0, True)
    assert reached["low"] <= 4.0 <= reached["high"]
    assert (not_reached["t"], not_reached["high"], not_reached["reached"]) == (None, None, False)
    with pytest.raises(ValueError, match="between 0 and 1"):
        quantiles(kaplan_meier(lives, **TIMES, event="d"), [], [10])


def test_nothing_is_claimed_before_the_start_or_after_the_end():
    lives = pl.DataFrame({"entry": 20.0, "exit": [30.0 + i for i in range(12)], "d": True})
    curve = kaplan_meier(lives, **TIMES, event="d", min_at_risk=10)
    assert at_times(curve, [], [10.0, 20.0, 35.5, 60.0])["survival"].to_list() == pytest.approx(
        [None, 1.0, 0.5, None]
    )


def test_restricted_mean_is_the_area_and_its_error_covers():
    lives = fleet(100, worlds=300, late=0.0).with_columns(d=pl.col("ending") == "failed")
    found = restricted_mean(lives, ["world"], upto=80.0, **TIMES, event="d", cluster="vehicle")
    grid = np.linspace(0, 80, 20_001)
    true = np.trapezoid(truth(grid), grid)
    assert 0.93 <= ((found["low"] <= true) & (found["high"] >= true)).mean() <= 0.97
    assert abs(found["mean"].mean() - true) < 0.1 * found["std_error"].mean()
    assert restricted_mean(lives, upto=1e6, **TIMES, event="d")["mean"].to_list() == [None]


def test_no_lives_make_no_rows():
    none = pl.DataFrame(
        schema={
            "entry": pl.Float64,
            "exit": pl.Float64,
            "ending": pl.String,
            "vehicle": pl.Int64,
            "s": pl.String,
        }
    )
    assert curve_set(none, ["s"], **TIMES).is_empty()
    assert curve_accounts(none, ["s"], **TIMES).is_empty()
