import numpy as np
import polars as pl
import pytest
from scipy.stats import beta, binom

from pipeline.survival.early import (
    conditional_p,
    early_against_later,
    early_failures,
    empirical_bayes_gamma_poisson,
    false_discoveries,
    funnel_limits,
    hazard_bands,
    over_dispersion,
    poisson_interval,
    replacement_against_original,
    share_interval,
)

WINDOW, CHANCE, SHAPE = 90, 0.06, 0.7


def replacements(
    worlds=1, suppliers=8, size=(30, 400), chance=CHANCE, spread=0.0, frailty=0.0, seed=3, worse=None, per=2
):
    """Suppliers' parts fitted over 500 days, some worlds at once (each a component), and each supplier's true
    chance.

    spread: standard deviation of the log rates; frailty: variance of a rate that a vehicle's parts share;
    worse: rate ratio of supplier 0."""
    rng = np.random.default_rng(seed)
    n = rng.integers(*size, worlds * suppliers)
    group = np.repeat(np.arange(worlds * suppliers), n)
    world, m = group // suppliers, len(group)
    effect = np.exp(rng.normal(0, spread, worlds * suppliers)) if spread else np.ones(worlds * suppliers)
    if worse:
        effect[::suppliers] *= worse
    vehicle = world * 1_000_000 + rng.integers(0, max(m // worlds // per, 1), m)
    names, place = np.unique(vehicle, return_inverse=True)
    shared = rng.gamma(1 / frailty, frailty, len(names))[place] if frailty else 1.0
    base = -np.log(1 - chance) / WINDOW**SHAPE
    life = (rng.exponential(size=m) / (base * effect[group] * shared)) ** (1 / SHAPE)
    end = rng.uniform(1, 500, m)
    frame = pl.DataFrame(
        {
            "component": world,
            "supplier": group % suppliers,
            "vehicle": vehicle,
            "entry_days": np.zeros(m),
            "exit_days": np.ceil(np.minimum(life, end)),
            "ending": np.where(life <= end, "failed", "in_service"),
        }
    )
    h = -np.log(1 - chance) * effect
    true = 1 - (1 + frailty * h) ** (-1 / frailty) if frailty else 1 - np.exp(-h)
    truth = pl.DataFrame(
        {
            "component": np.arange(worlds * suppliers) // suppliers,
            "supplier": np.arange(worlds * suppliers) % suppliers,
            "true": true,
        }
    )
    return frame, truth


KEYS = ["component", "supplier"]


def table(*, pooled=False, **options):
    frame, truth = replacements(**options)
    found = early_failures(frame, KEYS, [WINDOW], parents=["component"]).join(truth, on=KEYS)
    low, high = ("pooled_low", "pooled_high") if pooled else ("low", "high")
    covered = (
        found.filter(pl.col(low).is_not_null())
        .select((pl.col("true") >= pl.col(low)) & (pl.col("true") <= pl.col(high)))
        .to_series()
        .mean()
    )
    return found, covered


@pytest.mark.parametrize("options", [{}, {"frailty": 1.0}, {"spread": 0.4}])
def test_limits_cover(options):
    _, covered = table(worlds=200, suppliers=4, **options)
    assert 0.93 <= covered <= 0.97


def test_limits_hold_where_failures_are_few():
    _, covered = table(worlds=200, suppliers=4, size=(10, 60), chance=0.04)
    assert covered >= 0.95


def test_pooled_limits_cover_when_suppliers_differ_and_are_narrower():
    found, covered = table(worlds=200, suppliers=4, spread=0.4, pooled=True)
    assert 0.92 <= covered <= 0.97
    width = found.select(
        raw=(pl.col("high") - pl.col("low")).mean(),
        pooled=(pl.col("pooled_high") - pl.col("pooled_low")).mean(),
    )
    assert width["pooled"][0] < 0.8 * width["raw"][0]


@pytest.mark.parametrize("frailty", [0.0, 1.0])
def test_equal_suppliers_are_seldom_told_apart(frailty):
    found, _ = table(worlds=200, suppliers=4, frailty=frailty, seed=8)
    assert found["verdict"].is_in(["worse", "better"]).mean() <= 0.005  # over all 800 as one family
    families = found.group_by("component").agg(pl.col("p_value"))["p_value"]
    any_false = np.mean([(false_discoveries(p.to_numpy()) <= 0.05).any() for p in families])
    assert any_false <= 0.06


def test_without_the_design_effect_dependent_parts_would_be_told_apart_too_often():
    # every vehicle has parts of one supplier only, with a rate of its own
    frame, _ = replacements(worlds=60, suppliers=4, size=(200, 300), frailty=2.0, seed=4, chance=0.15)
    frame = frame.with_columns(
        vehicle=pl.struct("component", "supplier", pl.col("vehicle") % 60).rank("dense")
    )
    rng = np.random.default_rng(1)
    rate = pl.Series(rng.gamma(0.5, 2.0, int(frame["vehicle"].max()) + 1))
    life = (rng.exponential(size=frame.height) / (0.007 * rate.gather(frame["vehicle"]).to_numpy())) ** (
        1 / SHAPE
    )
    frame = frame.with_columns(
        exit_days=pl.Series(np.ceil(np.minimum(life, 200.0))),
        ending=pl.Series(np.where(life <= 200, "failed", "in_service")),
    )
    options = {"windows": [WINDOW], "parents": ["component"]}
    told, blind = (early_failures(frame, KEYS, **options, cluster=c)["p_value"] for c in ("vehicle", None))
    assert (told < 0.05).mean() <= 0.08
    assert (blind < 0.05).mean() > 0.10


def test_a_bad_supplier_is_found_and_named():
    found, _ = table(worse=4.0, seed=5)
    verdicts = dict(found.select("supplier", "verdict").iter_rows())
    assert verdicts[0] == "worse"
    row = found.row(0, named=True)
    assert row["pooled_probability"] < row["probability"]
    assert row["failed"] > row["expected"]


def test_without_censoring_limits_are_the_binomial_ones():
    n, x = 40, 3
    frame = pl.DataFrame(
        {
            "component": "lamp",
            "vehicle": range(n),
            "entry_days": 0,
            "exit_days": [5, 9, 30] + [200] * (n - x),
            "ending": ["failed"] * x + ["in_service"] * (n - x),
        }
    )
    row = early_failures(frame, ["component"], [90], cluster=None).row(0, named=True)
    low, high = share_interval(x, n)
    assert (row["fitted"], row["failed"], row["followed"], row["probability"]) == (
        n,
        x,
        n - x,
        pytest.approx(x / n),
    )
    assert (row["low"], row["high"]) == pytest.approx((float(low), float(high)), abs=1e-9)
    assert row["exposure"] == 5 + 9 + 30 + 90 * (n - x)
    assert row["verdict"] is None


def test_no_failure_still_has_an_upper_limit_and_no_witness_has_none():
    frame = pl.DataFrame(
        {
            "component": "lamp",
            "supplier": ["a"] * 30 + ["b"] * 9,
            "vehicle": range(39),
            "entry_days": 0,
            "exit_days": [100] * 30 + [20] * 9,
            "ending": "in_service",
        }
    )
    a, b = early_failures(frame, KEYS, [90]).rows(named=True)
    assert (a["probability"], a["low"]) == (0.0, 0.0)
    assert a["high"] == pytest.approx(1 - 0.05 ** (1 / 30), abs=1e-9)  # mid-p at 0 of 30
    assert (b["fitted"], b["probability"], b["high"]) == (9, None, None)
    assert b["pooled_high"] == pytest.approx(a["high"])
    assert a["verdict"] == b["verdict"] == "too few"


def test_where_all_that_were_followed_failed_the_estimate_lies_within_its_limits():
    # 7 of 9 fail within the window, the other two were watched for a while only: nobody is left at its end
    frame = pl.DataFrame(
        {
            "component": "lamp",
            "vehicle": range(9),
            "entry_days": 0,
            "exit_days": [40, 60, 80, 100, 120, 140, 160, 50, 70],
            "ending": ["failed"] * 7 + ["in_service"] * 2,
        }
    )
    row = early_failures(frame, ["component"], [180], cluster=None).row(0, named=True)
    assert (row["probability"], row["high"], row["followed"]) == (1.0, 1.0, 0)
    assert 0.4 < row["low"] < 0.8


def test_doubt_about_how_a_part_ended_widens_limits_and_moves_the_likely_count():
    frame, _ = replacements(seed=9)
    sure = frame.with_columns(p_failed=(pl.col("ending") == "failed").cast(pl.Float64))
    doubt = sure.with_columns(p_failed=pl.when(pl.col("ending") == "failed").then(0.6).otherwise(0.0))
    a, b, c = (early_failures(f, KEYS, [90]) for f in (frame, sure, doubt))
    assert a.equals(b)
    assert c["failed"].to_list() == b["failed"].to_list() and c["probability"].to_list() == b["probability"].to_list()
    assert c["failed_likely"].to_list() == pytest.approx([0.6 * n for n in b["failed"]])
    # sum of p (1 - p) over the failures is 0.24 a failure
    assert c["design_effect"].to_list() == pytest.approx([d + 0.24 for d in b["design_effect"]])
    wider = (c["high"] - c["low"]) > (b["high"] - b["low"])
    assert wider.all()


def test_only_replacements_watched_from_their_fitting_count():
    frame, _ = replacements()
    more = pl.concat(
        [
            frame.with_columns(origin=pl.lit("replacement"), in_curve=True),
            frame.head(50).with_columns(origin=pl.lit("original"), in_curve=True),
            frame.head(50).with_columns(origin=pl.lit("replacement"), in_curve=False),
            frame.head(50).with_columns(origin=pl.lit("replacement"), in_curve=True, entry_days=pl.lit(10.0)),
        ]
    )
    assert early_failures(more, KEYS).equals(early_failures(frame, KEYS))


def test_windows_of_km_and_order_of_rows():
    frame, _ = replacements()
    km = frame.rename({"entry_days": "entry_km", "exit_days": "exit_km"})
    a = early_failures(km, KEYS, [90], "km")
    b = early_failures(frame.sample(fraction=1.0, shuffle=True, seed=1), KEYS, [90])
    assert a.columns[2] == "window_km"
    for column in ("fitted", "failed", "probability", "low", "high", "pooled_probability", "p_value"):
        assert np.allclose(a[column], b[column], atol=1e-9)
    with pytest.raises(ValueError, match="Windows must be above 0"):
        early_failures(frame, KEYS, [0])
    with pytest.raises(ValueError, match="expected 'days' or 'km'"):
        early_failures(frame, KEYS, [90], "hours")
    assert early_failures(frame.head(0), KEYS).is_empty()


def test_shares_equal_the_mid_p_definition():
    low, high = share_interval(5, 120)
    for p, tail in ((float(low), "upper"), (float(high), "lower")):
        more = binom.sf(5, 120, p) + 0.5 * binom.pmf(5, 120, p)
        assert (more if tail == "upper" else 1 - more) == pytest.approx(0.025, abs=1e-9)
    assert share_interval(0, 10)[0] == 0.0 and share_interval(10, 10)[1] == 1.0
    with pytest.raises(ValueError, match="between 0 and fitted"):
        share_interval(3, 2)


def test_conditional_p_is_two_sided_mid_p():
    p = float(conditional_p(np.array([8.0]), np.array([4.0]), np.array([20.0]))[0])
    assert p == pytest.approx(2 * (binom.sf(8, 20, 0.2) + 0.5 * binom.pmf(8, 20, 0.2)), abs=1e-12)
    assert conditional_p(np.array([0.0]), np.array([0.0]), np.array([0.0]))[0] == 1.0


def test_false_discoveries_by_hand():
    q = false_discoveries(np.array([0.01, 0.04, np.nan, 0.03, 0.20]))
    assert np.allclose(q, [0.04, 0.16 / 3, np.nan, 0.16 / 3, 0.20], equal_nan=True)


def test_poisson_limits_cover_and_beta_matches():
    rng = np.random.default_rng(1)
    x = rng.poisson(7.5, 20_000)
    low, high = poisson_interval(x, mid_p=True)
    assert 0.94 <= ((low <= 7.5) & (high >= 7.5)).mean() <= 0.965
    assert poisson_interval(0, mid_p=True)[1] == pytest.approx(-np.log(0.05), abs=1e-9)
    assert beta.ppf(0.025, 3, 38) < float(share_interval(3, 40)[0])  # mid-p is narrower than the exact limits


def test_equal_rates_pool_wholly_and_small_groups_move_more():
    even = empirical_bayes_gamma_poisson([10, 10, 10], [100, 100, 100])
    assert even.shape == float("inf") and even.rates["pooled"].to_list() == pytest.approx([0.1] * 3)
    spread = empirical_bayes_gamma_poisson([1, 100, 2, 30], [2, 200, 20, 20]).rates
    assert (((spread["pooled"] - spread["raw"]) * (spread["pooled"] - spread["raw"].mean())) <= 1e-12).all()
    moved = (spread["pooled"] / spread["raw"]).log().abs()
    assert moved[0] > moved[1]
    with pytest.raises(ValueError, match="two groups"):
        empirical_bayes_gamma_poisson([1], [1])


def test_funnel_keeps_its_share_inside_and_over_dispersion_is_seen():
    rng = np.random.default_rng(2)
    n = rng.integers(50, 500, 3000)
    limits = funnel_limits(n, 0.04)
    x = rng.binomial(n, 0.04)
    outside = ((x < limits["low_count"].to_numpy()) | (x > limits["high_count"].to_numpy())).mean()
    assert outside <= 0.002 + 3 * np.sqrt(0.002 / 3000)
    assert 0.6 < over_dispersion(x, n, 0.04) < 1.0
    assert over_dispersion(rng.binomial(n, rng.beta(2, 48, 3000)), n, 0.04) > 2


def two_origins(worlds=1, ratio=3.0, seed=6, n=300):
    rng = np.random.default_rng(seed)
    m = worlds * n
    new = np.arange(m) % 2 == 0
    vehicle = np.arange(m) // 4
    frailty = rng.gamma(1, 1, m // 4 + 1)[vehicle]
    rate = 0.001 * np.where(new, ratio, 1.0) * frailty
    life, end = rng.exponential(size=m) / rate, rng.uniform(30, 600, m)
    entry = np.where(~new & (rng.random(m) < 0.3), rng.uniform(0, 25, m), 0.0)
    return pl.DataFrame(
        {
            "component": np.arange(m) // n,
            "origin": np.where(new, "replacement", "original"),
            "vehicle": vehicle,
            "entry_days": entry,
            "exit_days": np.minimum(life, end),
            "ending": np.where(life <= end, "failed", "in_service"),
        }
    ).filter(pl.col("exit_days") > pl.col("entry_days"))


def test_replacement_against_original_recovers_the_ratio_in_the_first_band():
    # within a short band the shared rates have hardly thinned out, so the marginal ratio is the true one
    found = replacement_against_original(two_origins(worlds=300), bands=(0, 30, 90, 365)).filter(
        pl.col("low_days") == 0
    )
    usable = found.filter(pl.col("original_failed") + pl.col("replacement_failed") > 0)
    inside = (usable["low"] <= 3.0) & (usable["high"].fill_null(float("inf")) >= 3.0)
    assert 0.93 <= inside.mean() <= 0.985  # few failures a band: exact limits are a little wide
    one = replacement_against_original(two_origins(n=8000)).row(0, named=True)
    assert one["verdict"] == "worse" and one["low"] < 3.0 < one["high"]


def test_bands_cut_time_where_they_should():
    lives = pl.DataFrame(
        {
            "component": "lamp",
            "origin": "replacement",
            "vehicle": [1, 2],
            "entry_days": [0.0, 10.0],
            "exit_days": [100.0, 30.0],
            "ending": ["in_service", "failed"],
        }
    )
    found = hazard_bands(lives, bands=(0, 30, 90))
    assert found.select("low_days", "high_days", "failed", "time").rows() == [
        (0.0, 30.0, 1, 50.0),
        (30.0, 90.0, 0, 60.0),
        (90.0, None, 0, 10.0),
    ]
    assert found["low"].to_list()[1] == 0.0 and found["high"].to_list()[1] == pytest.approx(
        1000 * -np.log(0.05) / 60
    )
    with pytest.raises(ValueError, match="Bands must rise"):
        hazard_bands(lives, bands=(0, 30, 30))


def test_early_is_a_hazard_that_falls():
    rng = np.random.default_rng(4)

    def lives(shape):
        life, end = 900 * rng.weibull(shape, 3000), rng.uniform(100, 500, 3000)
        return pl.DataFrame(
            {
                "component": "lamp",
                "origin": "replacement",
                "vehicle": np.arange(3000),
                "entry_days": 0.0,
                "exit_days": np.minimum(life, end),
                "ending": np.where(life <= end, "failed", "in_service"),
            }
        )

    assert early_against_later(lives(0.6))["verdict"].to_list() == ["early"]
    assert early_against_later(lives(2.0))["verdict"].to_list() == ["rising"]
    assert early_against_later(lives(0.6).head(20))["verdict"].to_list() in (["too few"], ["not told apart"])
