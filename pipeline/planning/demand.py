"""How many parts will fail: by month, by part and by depot, with renewals; the stock to hold, the budget, and the lamps
that go dark on the road; each without the plan of early renewal and with it.

The counts come from simulation (see simulate.py). Where nothing is renewed twice the count is Poisson-binomial and
`poisson_binomial` is exact.
"""

from __future__ import annotations

import calendar
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from pipeline.planning.curves import CurveBook, LifeCurve, quantiles
from pipeline.planning.replacement import ALL, _costs_of
from pipeline.planning.simulate import Others, Seasonal, Simulated, simulate, simulate_plans


def poisson_binomial(p) -> np.ndarray:
    """Probabilities of 0, 1, ..., n events among n independent ones of probabilities p: exact, by convolution.

    Raises ValueError for a probability outside 0..1. Source: Hong 2013, Comput. Stat. Data Anal. 59:41-51.
    """
    p = np.asarray(p, float).ravel()
    if np.any(~((p >= 0) & (p <= 1))):
        raise ValueError("probabilities must lie between 0 and 1")
    out = np.zeros(len(p) + 1)
    out[0] = 1.0
    for i, q in enumerate(p):
        out[1 : i + 2] = out[1 : i + 2] * (1 - q) + out[: i + 1] * q
        out[0] *= 1 - q
    return out


def quantile_of(probabilities, share: float) -> int:
    """The least count reached or undercut with probability `share` or more."""
    return int(np.searchsorted(np.cumsum(probabilities), share - 1e-12))


def failing_within(curve: LifeCurve, ages, span: float) -> np.ndarray:
    """Chance that a part of each age fails within `span` more of the clock: [F(t + D) - F(t)] / S(t)."""
    ages = np.asarray(ages, float)
    return -np.expm1(-(curve.fit.cumulative_hazard(ages + span) - curve.fit.cumulative_hazard(ages)))


def month_edges(as_of: date, months: int) -> list[date]:
    """as_of and the days 1, 2, ... months later, the day of the month kept where that month has it."""
    out = []
    for m in range(months + 1):
        year, month = as_of.year + (as_of.month - 1 + m) // 12, (as_of.month - 1 + m) % 12 + 1
        out.append(date(year, month, min(as_of.day, calendar.monthrange(year, month)[1])))
    return out


@dataclass(frozen=True)
class Months:
    """The months ahead: `days` their edges, as_of first; `edges` the same in days after as_of."""

    days: list[date]
    edges: list[float]

    @staticmethod
    def after(as_of: date, months: int) -> Months:
        days = month_edges(as_of, months)
        return Months(days, [float((d - as_of).days) for d in days])


def demand(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    as_of: date,
    *,
    months: int = 12,
    policy: pl.DataFrame | None = None,
    confidence: float = 0.95,
    **options,
) -> pl.DataFrame:
    """Parts that will be needed because they fail (kind "failed") and, with a policy, because they are due (kind
    "planned").

    Out: component, lighting, columns of `by`, kind, month (1, 2, ...; null in the rows that count from `as_of` to the
    end of that month), from_on, to_on (the month runs after from_on and up to to_on), horizon_days (from `as_of` to
    to_on), low, median, high (of the count), mean, places (parts in service today). Parts fitted for other reasons
    (collisions, wrong suspects) come on top. Without a policy every part is taken to run to failure: a fleet that has
    been renewing early sees fewer failures than that. Further options: see `simulate_plans`.
    """
    ahead = Months.after(as_of, months)
    run = simulate(lives_in_service, fits, as_of, ahead.edges, policy=policy, **options)
    return _demand_table(run, ahead, confidence, ("failed",) if policy is None else ("failed", "planned"))


def _demand_table(run: Simulated, ahead: Months, confidence: float, kinds: tuple[str, ...]) -> pl.DataFrame:
    tail = (1 - confidence) / 2
    days, edges, rows = ahead.days, ahead.edges, []
    for g, key in enumerate(run.keys):
        for kind in kinds:
            by_month = (run.failed if kind == "failed" else run.planned)[g]
            for counts, is_month in ((by_month, True), (np.cumsum(by_month, axis=1), False)):
                low, median, high = np.quantile(counts, [tail, 0.5, 1 - tail], axis=0, method="inverted_cdf")
                mean = counts.mean(axis=0)
                rows += [
                    (
                        *key,
                        kind,
                        m + 1 if is_month else None,
                        days[m] if is_month else days[0],
                        days[m + 1],
                        int(edges[m + 1]),
                        *map(float, (low[m], median[m], high[m], mean[m])),
                        int(run.places[g]),
                    )
                    for m in range(len(days) - 1)
                ]
    schema = {
        **{n: pl.String for n in run.names},
        "kind": pl.String,
        "month": pl.Int64,
        "from_on": pl.Date,
        "to_on": pl.Date,
        "horizon_days": pl.Int64,
        **dict.fromkeys(_SPREAD, pl.Float64),
        "places": pl.Int64,
    }
    return pl.DataFrame(rows, schema=schema, orient="row").sort(
        *run.names, "kind", "month", "horizon_days", nulls_last=True, maintain_order=True
    )


_SPREAD = ("low", "median", "high", "mean")


def stock_to_hold(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    as_of: date,
    *,
    lead_days: float,
    service_level: float = 0.95,
    policy: pl.DataFrame | None = None,
    **options,
) -> pl.DataFrame:
    """Parts to have on the shelf for failures so that with probability service_level none is missing over the time a
    delivery takes. Parts for planned work are known beforehand and ordered for it: they are not in here.

    Out: component, lighting, columns of `by`, lead_days, service_level, expected, stock, chance_short (of running out
    all the same). Each place (depot) alone: shared between depots less is enough. Raises ValueError unless 0 <
    service_level < 1. Further options: see `simulate_plans`.
    """
    _check_level(service_level)
    run = simulate(lives_in_service, fits, as_of, [0.0, float(lead_days)], policy=policy, **options)
    return _stock_table(run, run.failed.sum(axis=2), lead_days, service_level)


def _check_level(service_level: float) -> None:
    if not 0 < service_level < 1:
        raise ValueError("service_level must lie between 0 and 1")


def _stock_table(run: Simulated, counts: np.ndarray, lead_days: float, service_level: float) -> pl.DataFrame:
    rows = []
    for g, key in enumerate(run.keys):
        n = counts[g]
        stock = int(np.quantile(n, service_level, method="inverted_cdf"))
        rows.append((*key, float(lead_days), service_level, float(n.mean()), stock, float(np.mean(n > stock))))
    return pl.DataFrame(
        rows,
        schema={
            **{n: pl.String for n in run.names},
            "lead_days": pl.Float64,
            "service_level": pl.Float64,
            "expected": pl.Float64,
            "stock": pl.Int64,
            "chance_short": pl.Float64,
        },
        orient="row",
    )


def budget(
    lives_in_service: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    costs: pl.DataFrame,
    as_of: date,
    *,
    months: int = 12,
    policy: pl.DataFrame | None = None,
    confidence: float = 0.95,
    **options,
) -> pl.DataFrame:
    """Money for failures and planned replacements over the months ahead, by component and in all ("all").

    Costs as for `replacement_policy`, each customer group at its own, else at that of "all". Out: component,
    horizon_days, low, median, high, mean (money), failures (expected), planned (expected). The interval of the whole
    comes from whole simulations; it is narrower than the sum of the parts' limits. Components without costs are left
    out of the money. Further options: see `simulate_plans`.
    """
    end = Months.after(as_of, months).edges[-1]
    by = ("customer_group",) if "customer_group" in lives_in_service.columns else ()
    run = simulate(lives_in_service, fits, as_of, [0.0, end], policy=policy, by=by, **options)
    return _budget_table(_money(run, costs), end, confidence)


_Money = dict[str, tuple[np.ndarray, np.ndarray]]


def _money(run: Simulated, costs: pl.DataFrame) -> _Money:
    """By component and in all: money (simulations,), and the mean numbers failed and planned."""
    at = run.names.index("customer_group") if "customer_group" in run.names else None
    told = {c: {g: (p, u) for g, p, u, _ in _costs_of(costs, c)} for c in sorted({k[0] for k in run.keys})}
    money: _Money = {}
    for g, key in enumerate(run.keys):
        cost = told[key[0]].get(ALL if at is None else key[at], told[key[0]].get(ALL))
        if cost is None:
            continue
        failed, planned = run.failed[g].sum(axis=1), run.planned[g].sum(axis=1)
        for name in (key[0], ALL):
            before = money.get(name, (0.0, 0.0))
            numbers = np.array([failed.mean(), planned.mean()])
            money[name] = (before[0] + planned * cost[0] + failed * cost[1], before[1] + numbers)
    return money


def _budget_table(money: _Money, end: float, confidence: float) -> pl.DataFrame:
    tail = (1 - confidence) / 2
    rows = []
    for name in sorted(money, key=lambda n: (n == ALL, n)):
        amounts, numbers = money[name]
        spread = (*quantiles(amounts, [tail, 0.5, 1 - tail]), amounts.mean())
        rows.append((name, int(end), *map(float, (*spread, *numbers))))
    return pl.DataFrame(
        rows,
        schema={
            "component": pl.String,
            "horizon_days": pl.Int64,
            **dict.fromkeys((*_SPREAD, "failures", "planned"), pl.Float64),
        },
        orient="row",
    )


@dataclass(frozen=True)
class Forecast:
    """The tables of the year ahead; each has the figures without the plan, and beside them those with it (plan_*)."""

    demand: pl.DataFrame
    demand_by_depot: pl.DataFrame
    stock: pl.DataFrame
    stock_by_depot: pl.DataFrame
    budget: pl.DataFrame
    dark_lamps: pl.DataFrame


def forecast(
    places: pl.DataFrame,
    fits: pl.DataFrame | CurveBook,
    costs: pl.DataFrame,
    policy: pl.DataFrame,
    as_of: date,
    *,
    months: int = 12,
    lead_days: float,
    service_level: float = 0.95,
    depot: str,
    dark: Mapping[str, tuple[float, float]] | None = None,
    seed: int,
    simulations: int = 400,
    clocks: dict[str, str] | None = None,
    vehicles: pl.DataFrame | None = None,
    services: pl.DataFrame | None = None,
    seasons: Mapping[tuple[str, str], Seasonal] | None = None,
    others: Others | None = None,
    confidence: float = 0.95,
) -> Forecast:
    """Demand, stock, budget and dark lamps of the months ahead, from one set of simulations without the plan and one
    with it, on the same chances.

    places: parts in service with customer_group, stratum and the column `depot`. dark: component -> (failures seen to
    make a lamp dark, failures seen to do otherwise), as counted. demand, stock, budget: columns as in `demand`,
    `stock_to_hold`, `budget`, no part renewed early but as often as so far (`others`); and
    plan_low, plan_median, plan_high, plan_mean (demand,
    budget), plan_expected, plan_stock, plan_chance_short (stock), plan_failures, plan_planned (budget) with the plan
    followed, and saving_mean, saving_low, saving_high (budget: what the plan saves within the time ahead, simulation
    by simulation). dark_lamps: component and "all", horizon_days, share_dark (of failures, with low and high), mean,
    low, high, plan_mean, plan_low, plan_high, prevented_mean, prevented_low, prevented_high.
    """
    _check_level(service_level)
    ahead = Months.after(as_of, months)
    edges = sorted({*ahead.edges, float(lead_days)})
    by = ("customer_group", depot)
    runs = simulate_plans(
        places, fits, as_of, edges, (None, policy), seed=seed, simulations=simulations, by=tuple(dict.fromkeys(by)),
        clocks=clocks, vehicles=vehicles, services=services, seasons=seasons, others=others,
    )  # fmt: skip
    monthly = [_spans(run, ahead.edges) for run in runs]
    lead = [_spans(run, [0.0, float(lead_days)]) for run in runs]
    made = []
    for names in (("component", "lighting"), ("component", "lighting", depot)):
        without, under = (
            _demand_table(_summed(run, names), ahead, confidence, ("failed", "planned")) for run in monthly
        )
        made.append(_without_empty(_beside(without, under, _SPREAD)))
        stocks = []
        for run in lead:
            some = _summed(run, names)
            stocks.append(_stock_table(some, some.failed.sum(axis=2), lead_days, service_level))
        made.append(_beside(*stocks, ("expected", "stock", "chance_short")))
    end = ahead.edges[-1]
    money = [_money(run, costs) for run in monthly]
    tables = [_budget_table(m, end, confidence) for m in money]
    saved = _differences({n: money[0][n][0] - money[1][n][0] for n in money[0]}, confidence, "saving")
    money_table = _beside(*tables, (*_SPREAD, "failures", "planned")).join(saved, on="component", how="left")
    lamps = _dark_lamps([_summed(run, ("component",)) for run in monthly], dark or {}, end, seed, confidence)
    return Forecast(made[0], made[2], made[1], made[3], money_table, lamps)


def _spans(run: Simulated, edges: list[float]) -> Simulated:
    """The same counts between fewer edges, those beyond the last left out."""
    at = np.searchsorted(run.edges_days, edges)
    cut = [np.add.reduceat(x, at[:-1], axis=2)[:, :, :-1] for x in (run.failed, run.planned)]
    last = [x[:, :, at[-2] : at[-1]].sum(axis=2, keepdims=True) for x in (run.failed, run.planned)]
    whole = [np.concatenate(pair, axis=2) for pair in zip(cut, last, strict=True)]
    return Simulated(run.names, run.keys, whole[0], whole[1], np.asarray(edges, float), run.places)


def _summed(run: Simulated, names: tuple[str, ...]) -> Simulated:
    """The counts by fewer names."""
    at = [run.names.index(n) for n in names]
    short = [tuple(key[i] for i in at) for key in run.keys]
    keys = sorted(set(short), key=lambda k: tuple((x is None, x or "") for x in k))
    where = {k: i for i, k in enumerate(keys)}
    failed, planned = (np.zeros((len(keys), *run.failed.shape[1:]), np.int64) for _ in range(2))
    places = np.zeros(len(keys), np.int64)
    for g, key in enumerate(short):
        failed[where[key]] += run.failed[g]
        planned[where[key]] += run.planned[g]
        places[where[key]] += run.places[g]
    return Simulated(names, keys, failed, planned, run.edges_days, places)


def _beside(without: pl.DataFrame, under: pl.DataFrame, columns: tuple[str, ...]) -> pl.DataFrame:
    """The figures with the plan as columns plan_* beside those without it; both tables have the same rows."""
    return without.hstack([under[c].alias(f"plan_{c}") for c in columns])


def _without_empty(table: pl.DataFrame) -> pl.DataFrame:
    """Rows of planned work only for kinds that have any."""
    keys = [c for c in table.columns[: table.columns.index("kind")]]
    any_planned = (pl.col("plan_high").max().over([*keys, "kind"])) > 0
    return table.filter((pl.col("kind") == "failed") | any_planned)


def _differences(by_name: dict[str, np.ndarray], confidence: float, name: str) -> pl.DataFrame:
    tail = (1 - confidence) / 2
    rows = [
        (n, float(x.mean()), *map(float, quantiles(x, [tail, 1 - tail]))) for n, x in sorted(by_name.items())
    ]
    types = {"component": pl.String, **{f"{name}_{e}": pl.Float64 for e in ("mean", "low", "high")}}
    return pl.DataFrame(rows, schema=types, orient="row")


def _dark_lamps(
    runs: list[Simulated], dark: Mapping[str, tuple[float, float]], end: float, seed: int, confidence: float
) -> pl.DataFrame:
    """Failures thinned to those that make a lamp dark: the share from counted cases, with its uncertainty (a beta
    distribution, Jeffreys' prior; Brown, Cai and DasGupta 2001, Stat. Sci. 16:101-133)."""
    rng = np.random.default_rng([seed, 6])
    tail = (1 - confidence) / 2
    counts: dict[str, list[np.ndarray]] = {}
    share: dict[str, tuple[float, float, float]] = {}
    for g, (component,) in enumerate(runs[0].keys):
        if component not in dark or not sum(dark[component]):
            continue
        simulations = runs[0].failed.shape[1]
        yes, no = dark[component]
        p = rng.beta(yes + 0.5, no + 0.5, simulations)
        share[component] = ((yes + 0.5) / (yes + no + 1), *map(float, quantiles(p, [tail, 1 - tail])))
        # One chance for each failure, the same without and with the plan.
        most = max(int(run.failed[g].sum(axis=1).max(initial=0)) for run in runs)
        is_dark = np.cumsum(rng.random((simulations, most)) < p[:, None], axis=1) if most else None
        for run in runs:
            n = run.failed[g].sum(axis=1)
            made = np.zeros(simulations) if is_dark is None else np.where(n > 0, is_dark[np.arange(simulations), n - 1], 0)
            counts.setdefault(component, []).append(made.astype(float))
    if not counts:
        return pl.DataFrame(schema=_DARK)
    counts[ALL] = [np.sum([c[i] for c in counts.values()], axis=0) for i in range(2)]
    rows = []
    for name, (without, under) in counts.items():
        spread = [(x.mean(), *quantiles(x, [tail, 1 - tail])) for x in (without, under, without - under)]
        rows.append((name, int(end), *share.get(name, (None,) * 3), *(float(v) for three in spread for v in three)))
    return pl.DataFrame(rows, schema=_DARK, orient="row")


_DARK = {
    "component": pl.String,
    "horizon_days": pl.Int64,
    **dict.fromkeys(("share_dark", "share_dark_low", "share_dark_high"), pl.Float64),
    **{f"{a}{b}": pl.Float64 for a in ("", "plan_", "prevented_") for b in ("mean", "low", "high")},
}
