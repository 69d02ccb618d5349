"""The few figures that sentences, pictures and tables share: counted here once, so that a page never disagrees
with itself.

Everything takes published tables and gives small frames or dataclasses. An absent or empty table gives an empty
answer."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

Tables = Mapping[str, pl.DataFrame]
KINDS = ("same_part_again", "wrong_part_first", "another_part_soon")
WINDOWS = (90, 180, 30, 365)  # days, in the order in which early failures are looked at


def frame(tables: Tables, name: str, needed: Sequence[str] = ()) -> pl.DataFrame:
    """A table by name; empty where it is absent or lacks a needed column."""
    found = tables.get(name)
    if found is None or found.is_empty() or any(c not in found.columns for c in needed):
        return pl.DataFrame()
    return found


def with_columns(found: pl.DataFrame, **defaults: Any) -> pl.DataFrame:
    """The frame with each absent column filled by its default."""
    return found.with_columns(**{c: pl.lit(v) for c, v in defaults.items() if c not in found.columns})


def month_of(day: dt.date) -> dt.date:
    return day.replace(day=1)


def months_back(day: dt.date, n: int) -> dt.date:
    """The first day of the month n months before the month of `day`."""
    index = day.year * 12 + day.month - 1 - n
    return dt.date(index // 12, index % 12 + 1, 1)


def last_months(as_of: dt.date, n: int = 12) -> list[dt.date]:
    """The first days of the n months up to and with that of as_of."""
    return [months_back(as_of, k) for k in range(n - 1, -1, -1)]


def is_month_end(day: dt.date) -> bool:
    return (day + dt.timedelta(days=1)).day == 1


def monthly(tables: Tables) -> pl.DataFrame:
    found = frame(tables, "monthly", ("month", "component", "ending", "n"))
    if found.is_empty():
        return found
    return with_columns(found, part_cost=None, labour_cost=None, lighting="all").with_columns(
        pl.col("month").cast(pl.Date),
        cost=pl.sum_horizontal(pl.col("part_cost", "labour_cost").cast(pl.Float64).fill_null(0)),
    )


def failures(tables: Tables, as_of: dt.date) -> pl.DataFrame:
    """component, this_month, year (last twelve months), part_cost, labour_cost, cost (year): most failures
    first."""
    found = monthly(tables)
    if found.is_empty():
        return found
    months = last_months(as_of)
    failed = found.filter((pl.col("ending") == "failed") & pl.col("month").is_between(months[0], months[-1]))
    if failed.is_empty():
        return pl.DataFrame()
    return (
        failed.group_by("component")
        .agg(
            this_month=pl.col("n").filter(pl.col("month") == months[-1]).sum(),
            year=pl.col("n").sum(),
            part_cost=pl.col("part_cost").sum(),
            labour_cost=pl.col("labour_cost").sum(),
            cost=pl.col("cost").sum(),
        )
        .sort(["year", "component"], descending=[True, False])
    )


def failures_by_month(tables: Tables, as_of: dt.date, n: int = 12) -> pl.DataFrame:
    """month, n: every one of the last n months, nought where nothing failed."""
    found = monthly(tables)
    months = pl.DataFrame({"month": last_months(as_of, n)})
    if found.is_empty():
        return months.with_columns(n=pl.lit(0)).clear()
    failed = found.filter(pl.col("ending") == "failed").group_by("month").agg(pl.col("n").sum())
    return months.join(failed, on="month", how="left").with_columns(pl.col("n").fill_null(0)).sort("month")


def comebacks(tables: Tables, as_of: dt.date, months: int = 12) -> pl.DataFrame:
    """The comebacks of the last months, newest first, with cost and the month of return."""
    found = frame(tables, "comebacks", ("kind", "component", "again_on"))
    if found.is_empty():
        return found
    found = with_columns(
        found,
        part_cost=None,
        labour_cost=None,
        first_component=None,
        vehicle_label=None,
        side=None,
        first_order=None,
        first_on=None,
        again_order=None,
        days=None,
        km=None,
        supplier=None,
        part_number=None,
    )
    found = found.with_columns(
        pl.col("again_on").cast(pl.Date),
        cost=pl.sum_horizontal(pl.col("part_cost", "labour_cost").cast(pl.Float64).fill_null(0)),
    )
    since = months_back(as_of, months - 1)
    return found.filter(pl.col("again_on").is_between(since, as_of)).sort(
        ["again_on", "kind", "component"], descending=[True, False, False], maintain_order=True
    )


def early(tables: Tables) -> pl.DataFrame:
    """early_failures with `all` written for every pooled key."""
    found = frame(tables, "early_failures", ("component", "supplier", "window_days", "fitted", "failed", "probability"))
    if found.is_empty():
        return found
    found = with_columns(
        found,
        lighting="all",
        part_number="all",
        lot="all",
        grade="all",
        low=None,
        high=None,
        pooled_probability=None,
        pooled_low=None,
        pooled_high=None,
        verdict="not told apart",
    )
    keys = ["supplier", "lighting", "part_number", "lot", "grade"]
    # A verdict is a comparison: a row pooled over all, or a supplier with nobody beside it, has none.
    found = found.filter(pl.col("window_days").is_not_null()).with_columns(pl.col("verdict").fill_null("alone"))
    return found.with_columns(pl.col(c).cast(pl.String).replace("", None).fill_null("all") for c in keys)


def suppliers(found: pl.DataFrame, window: int) -> pl.DataFrame:
    """The rows of whole suppliers and of all together, at one window; lighting apart where it is."""
    if found.is_empty():
        return found
    rows = found.filter(
        (pl.col("window_days") == window)
        & (pl.col("part_number") == "all")
        & (pl.col("lot") == "all")
        & (pl.col("grade") == "all")
        & (pl.col("fitted") > 0)
    )
    apart = rows.filter(pl.col("lighting") != "all")["component"].unique()
    return rows.filter((pl.col("lighting") != "all") | ~pl.col("component").is_in(apart.implode()))


def verdict_rows(found: pl.DataFrame, verdict: str) -> pl.DataFrame:
    """Rows with a verdict, best-looked-at window first (a long one tells wear as much as early failure), whole
    suppliers before part numbers before lots, each set of parts once."""
    if found.is_empty():
        return found
    rank = {w: i for i, w in enumerate(WINDOWS)}
    rows = found.filter((pl.col("verdict") == verdict) & (pl.col("supplier") != "all") & (pl.col("grade") == "all"))
    keys = ["component", "supplier", "part_number", "lot"]
    return (
        rows.with_columns(
            level=(pl.col("part_number") != "all").cast(pl.Int8) + (pl.col("lot") != "all").cast(pl.Int8),
            window_rank=pl.col("window_days").replace_strict(rank, default=len(rank), return_dtype=pl.Int64),
            pooled_light=(pl.col("lighting") == "all").cast(pl.Int8),
        )
        .sort(
            ["window_rank", "level", "pooled_light", "failed", *keys],
            descending=[False, False, False, True, *[False] * 4],
        )
        .unique(keys, keep="first", maintain_order=True)
    )


@dataclass(frozen=True)
class Wrong:
    """First guesses: how many complaints with a confirmed cause, how many whose first part was another, and
    what that cost."""

    cases: int
    wrong: int
    low: float
    high: float
    labour_hours: float
    cost: float
    first: str | None
    cause: str | None
    pair: int

    @property
    def share(self) -> float:
        return self.wrong / self.cases if self.cases else 0.0


def wrong_first(tables: Tables, confidence: float = 0.95) -> Wrong | None:
    """None where no complaint has a confirmed cause. The interval is Wilson's (JASA 22, 1927)."""
    found = frame(tables, "wrong_suspects", ("first_replaced", "cause", "n"))
    if found.is_empty():
        return None
    found = with_columns(found, labour_hours=None, labour_cost=None, part_cost=None)
    if "symptom" in found.columns and (found["symptom"].cast(pl.String) == "all").any():
        found = found.filter(pl.col("symptom") != "all")
    cases = int(found["n"].sum())
    wrong = found.filter(pl.col("first_replaced") != pl.col("cause"))
    number = int(wrong["n"].sum())
    low, high = wilson(number, cases, confidence)
    pairs = (
        wrong.group_by("first_replaced", "cause")
        .agg(pl.col("n").sum())
        .sort(["n", "first_replaced", "cause"], descending=[True, False, False])
    )
    top = pairs.row(0) if pairs.height else (None, None, 0)
    cost = wrong.select(
        pl.sum_horizontal(pl.col("labour_cost", "part_cost").cast(pl.Float64).fill_null(0)).sum()
    ).item()
    return Wrong(
        cases,
        number,
        low,
        high,
        float(wrong["labour_hours"].cast(pl.Float64).sum() or 0),
        float(cost or 0),
        top[0],
        top[1],
        int(top[2]),
    )


def wilson(k: float, n: float, confidence: float = 0.95) -> tuple[float, float]:
    """Score interval of a share (Wilson, JASA 22, 1927, pages 209-212). (0, 1) where n is 0."""
    from statistics import NormalDist

    if n <= 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + confidence / 2)
    p, d = k / n, 1 + z * z / n
    middle, half = (p + z * z / (2 * n)) / d, z * ((p * (1 - p) + z * z / (4 * n)) / n) ** 0.5 / d
    return max(0.0, middle - half), min(1.0, middle + half)


@dataclass(frozen=True)
class Claims:
    """Warranty money: rows still open on the as-of date (soonest deadline first), those whose deadline has passed
    in the last twelve months, and those of the last twelve months that the orders say were claimed already."""

    open: pl.DataFrame
    missed: pl.DataFrame
    claimed: pl.DataFrame

    @property
    def amount(self) -> float:
        return float(self.open["amount"].cast(pl.Float64).sum() or 0) if self.open.height else 0.0

    @property
    def missed_amount(self) -> float:
        return float(self.missed["amount"].cast(pl.Float64).sum() or 0) if self.missed.height else 0.0


def claims(tables: Tables, as_of: dt.date) -> Claims:
    found = frame(tables, "warranty_recovery", ("component", "failed_on", "amount"))
    if found.is_empty():
        return Claims(found, found, found)
    found = with_columns(
        found,
        claim_by=None,
        supplier=None,
        part_number=None,
        lot=None,
        vehicle_label=None,
        side=None,
        fitted_on=None,
        fitted_km=None,
        fitted_order=None,
        failed_km=None,
        failed_order=None,
        months_used=None,
        km_used=None,
        proof=None,
        status="open",
        missing="",
        labour_amount=None,
    ).with_columns(pl.col("claim_by").cast(pl.Date))
    order = ["claim_by", "component", "failed_on"]
    is_open = pl.col("claim_by").is_null() | (pl.col("claim_by") >= as_of)
    claimed = pl.col("status") == "claimed already"
    year = found.filter(pl.col("failed_on").cast(pl.Date) >= months_back(as_of, 11)).sort(
        order, descending=[True, False, True], maintain_order=True
    )
    return Claims(
        found.filter(is_open & ~claimed).sort(order, nulls_last=True, maintain_order=True),
        year.filter(~is_open & ~claimed),
        year.filter(claimed),
    )


@dataclass(frozen=True)
class Guess:
    """A cell of the suspicion map: first and second suspect."""

    km: tuple[float, float | None]
    age_days: tuple[float, float | None]
    first: str
    p: float
    low: float | None
    high: float | None
    second: str | None
    second_p: float
    effective_cases: float
    basis: str

    @property
    def kind(self) -> str:
        """clear: the second suspect lies below the first one's interval; close: it does not; borrowed: hardly
        any cases here."""
        if self.basis == "borrowed":
            return "borrowed"
        return "close" if self.low is not None and self.second_p >= self.low else "clear"


@dataclass(frozen=True)
class Map:
    """The suspicion map of one symptom and lighting: its cells by km band and age band."""

    symptom: str
    lighting: str
    vehicle_class: str
    cases: float
    km: tuple[tuple[float, float | None], ...]
    ages: tuple[tuple[float, float | None], ...]
    cells: tuple[Guess, ...]


_PRIOR_COLUMNS = (
    "symptom",
    "lighting",
    "km_low",
    "km_high",
    "age_low_days",
    "age_high_days",
    "recently_replaced",
    "component",
    "probability",
)
_CELL = ["symptom", "lighting", "vehicle_class", "km_low", "km_high", "age_low_days", "age_high_days"]


def priors(tables: Tables) -> pl.DataFrame:
    found = frame(tables, "priors", _PRIOR_COLUMNS)
    if found.is_empty():
        return found
    found = with_columns(found, vehicle_class="all", low=None, high=None, effective_cases=0.0, basis="pooled")
    finite = [
        pl.when(pl.col(c).cast(pl.Float64).is_finite()).then(pl.col(c).cast(pl.Float64)).alias(c)
        for c in ("km_high", "age_high_days")
    ]
    return found.with_columns(
        *finite,
        pl.col("vehicle_class").fill_null("all"),
        pl.col("lighting").fill_null("all"),
        pl.col("recently_replaced").fill_null("none"),
    )


def suspicion_maps(tables: Tables) -> list[Map]:
    """One map a symptom and lighting, with nothing renewed lately, most cases first. The pooled vehicle class
    is taken where there is one, else the class with the most cases."""
    found = priors(tables)
    if found.is_empty():
        return []
    found = found.filter(pl.col("recently_replaced") == "none")
    maps = []
    for (symptom, lighting), part in found.group_by("symptom", "lighting", maintain_order=True):
        by_class = (
            part.unique(_CELL, maintain_order=True)
            .group_by("vehicle_class")
            .agg(pl.col("effective_cases").sum())
            .sort(["effective_cases", "vehicle_class"], descending=[True, False])
        )
        chosen = "all" if "all" in by_class["vehicle_class"] else by_class["vehicle_class"][0]
        part = part.filter(pl.col("vehicle_class") == chosen).sort(
            [*_CELL[3:], "probability", "component"], descending=[False] * 4 + [True, False], nulls_last=True
        )
        cells = []
        for key, rows in part.group_by(_CELL[3:], maintain_order=True):
            first = rows.row(0, named=True)
            second = rows.row(1, named=True) if rows.height > 1 else {"component": None, "probability": 0.0}
            cells.append(
                Guess(
                    (key[0], key[1]),
                    (key[2], key[3]),
                    first["component"],
                    first["probability"],
                    first["low"],
                    first["high"],
                    second["component"],
                    second["probability"],
                    first["effective_cases"] or 0.0,
                    first["basis"],
                )
            )
        if cells:
            maps.append(
                Map(
                    symptom,
                    lighting,
                    chosen,
                    sum(c.effective_cases for c in cells),
                    tuple(sorted({c.km for c in cells}, key=lambda b: b[0])),
                    tuple(sorted({c.age_days for c in cells}, key=lambda b: b[0])),
                    tuple(cells),
                )
            )
    return sorted(maps, key=lambda m: (-m.cases, m.symptom, m.lighting))


def first_by_km(m: Map) -> list[tuple[tuple[float, float | None], str]]:
    """For each km band the suspect that is first in most cases of it."""
    out = []
    for band in m.km:
        weight: dict[str, float] = {}
        for c in m.cells:
            if c.km == band and c.kind != "borrowed":
                weight[c.first] = weight.get(c.first, 0.0) + c.effective_cases
        if weight:
            out.append((band, max(sorted(weight), key=lambda k: weight[k])))
    return out


def recently_renewed(tables: Tables, m: Map) -> tuple[Guess, pl.DataFrame] | None:
    """In the map's best known cell: each component's probability with nothing renewed lately, and after it was
    itself renewed. Columns: component, p, low, high, after_p, after_low, after_high, first_after. None where
    the priors do not tell."""
    found = priors(tables)
    known = [c for c in m.cells if c.kind != "borrowed"]
    if found.is_empty() or not known:
        return None
    best = max(known, key=lambda c: c.effective_cases)
    here = found.filter(
        (pl.col("symptom") == m.symptom)
        & (pl.col("lighting") == m.lighting)
        & (pl.col("vehicle_class") == m.vehicle_class)
        & (pl.col("km_low") == best.km[0])
        & (pl.col("age_low_days") == best.age_days[0])
    )
    after = here.filter(pl.col("recently_replaced") == pl.col("component"))
    if after.is_empty():
        return None
    firsts = {
        r["recently_replaced"]: r["component"]
        for r in here.sort(["probability", "component"], descending=[False, True]).iter_rows(named=True)
    }
    both = (
        here.filter(pl.col("recently_replaced") == "none")
        .select("component", p="probability", low="low", high="high")
        .join(
            after.select("component", after_p="probability", after_low="low", after_high="high"),
            on="component",
            how="inner",
        )
    )
    both = both.with_columns(
        first_after=pl.col("component").replace_strict(firsts, default=None, return_dtype=pl.String)
    )
    return best, both.sort(["after_p", "component"], descending=[True, False])


def accounts(tables: Tables) -> tuple[int, int, int] | None:
    """Rows in, used, set aside, over all files. None where there is no account."""
    found = frame(tables, "files", ("rows_in", "rows_used", "rows_set_aside"))
    if found.is_empty():
        return None
    total = found.select(pl.col("rows_in", "rows_used", "rows_set_aside").cast(pl.Int64).sum()).row(0)
    return total[0], total[1], total[2]


def counted(found: pl.DataFrame, column: str) -> pl.DataFrame:
    """How often each value stands in a column: column, n; most first."""
    return (
        found.group_by(pl.col(column).cast(pl.String))
        .agg(n=pl.len().cast(pl.Int64))
        .sort(["n", column], descending=[True, False], nulls_last=True)
    )


def best_window(found: pl.DataFrame) -> int:
    """The window, in days, at which suppliers are shown: the first of WINDOWS that has rows of suppliers."""
    for window in WINDOWS:
        if suppliers(found, window).filter(pl.col("supplier") != "all").height:
            return window
    return WINDOWS[0]


@dataclass(frozen=True)
class Scores:
    """Mean log scores on months not seen before, lower is better: the model's and the best plain baseline's."""

    model: float
    baseline: float
    n: int

    @property
    def better(self) -> bool:
        return self.model < self.baseline


def backtest_rows(tables: Tables) -> pl.DataFrame:
    """One row a method over all months: method, n, log_score, low, high, brier; best first. Empty where there
    was no test."""
    found = frame(tables, "backtest", ("method", "log_score"))
    if found.is_empty():
        return found
    found = with_columns(found, n=1, brier=None, low=None, high=None).filter(pl.col("log_score").is_not_null())
    weight = pl.col("n").cast(pl.Float64)
    one = pl.len() == 1
    return (
        found.group_by("method")
        .agg(
            n=pl.col("n").sum(),
            log_score=(pl.col("log_score") * weight).sum() / weight.sum(),
            low=pl.when(one).then(pl.col("low").first()),
            high=pl.when(one).then(pl.col("high").first()),
            brier=(pl.col("brier").cast(pl.Float64) * weight).sum() / weight.sum(),
        )
        .with_columns(brier=pl.when(pl.lit("brier" in tables["backtest"].columns)).then("brier"))
        .sort(["log_score", "method"])
    )


def backtest_scores(tables: Tables) -> Scores | None:
    """None where the model or every baseline is lacking."""
    rows = backtest_rows(tables)
    if rows.is_empty():
        return None
    model, rest = rows.filter(pl.col("method") == "model"), rows.filter(pl.col("method") != "model")
    if model.is_empty() or rest.is_empty():
        return None
    return Scores(model["log_score"][0], rest["log_score"].min(), int(model["n"][0]))


@dataclass(frozen=True)
class Pair:
    """Curves of one component and lighting, original and replacement, on one clock."""

    component: str
    lighting: str
    clock: str
    failures: int
    curves: Mapping[str, pl.DataFrame]


def curve_pairs(tables: Tables, clock: str) -> list[Pair]:
    """Pooled curves of `failed` by component and lighting, most failures first; lighting apart where it is."""
    found = frame(tables, "survival_curves", ("component", "generation", "t", "survival", "clock"))
    if found.is_empty():
        return []
    found = with_columns(
        found,
        lighting="all",
        supplier="all",
        stratum="all",
        event="failed",
        low=None,
        high=None,
        events=0,
        at_risk=None,
        start_t=0.0,
    )
    found = found.filter(
        (pl.col("event") == "failed")
        & (pl.col("clock") == clock)
        & (pl.col("supplier") == "all")
        & (pl.col("stratum") == "all")
    )
    if "thin" in found.columns:  # too few still watched: in the table, not in the picture
        found = found.filter(~pl.col("thin"))
    apart = found.filter(pl.col("lighting") != "all")["component"].unique()
    found = found.filter((pl.col("lighting") != "all") | ~pl.col("component").is_in(apart.implode()))
    pairs = []
    for (component, lighting), part in found.group_by("component", "lighting", maintain_order=True):
        curves = {g: part.filter(pl.col("generation") == g).sort("t") for g in ("original", "replacement")}
        pairs.append(
            Pair(
                component, lighting, clock, int(part["events"].sum()), {g: c for g, c in curves.items() if c.height > 1}
            )
        )
    return sorted((p for p in pairs if p.curves), key=lambda p: (-p.failures, p.component, p.lighting))


def at(curve: pl.DataFrame, t: float) -> dict[str, Any] | None:
    """The curve's row that holds at t; None before its start or beyond its end."""
    if t < curve["t"][0] or t > curve["t"][-1]:
        return None
    return curve.filter(pl.col("t") <= t).row(-1, named=True)


def quantile(curve: pl.DataFrame, p: float) -> float | None:
    """First t by which a share p has failed; None where the curve does not come so low."""
    reached = curve.filter(pl.col("survival") <= 1 - p + 1e-12)
    return reached["t"][0] if reached.height else None


def at_risk(tables: Tables, pair: Pair, generation: str, ticks: Sequence[float]) -> list[int]:
    """Lives at risk at each tick (entry < t <= exit; at 0, those watched from new). Counted from the lives
    where they are at hand, else read from the curve's next row. Ticks outside the curve are left out by the
    caller."""
    lives = frame(tables, "lives", ("component", "origin", f"entry_{pair.clock}", f"exit_{pair.clock}"))
    if lives.is_empty():
        curve = pair.curves[generation]
        later = [curve.filter(pl.col("t") >= t)["at_risk"] for t in ticks]
        return [int(s[0]) if s.len() and s[0] is not None else 0 for s in later]
    here = lives.filter((pl.col("component") == pair.component) & (pl.col("origin") == generation))
    if "in_curve" in here.columns:
        here = here.filter(pl.col("in_curve"))
    if pair.lighting != "all" and "lighting" in here.columns:
        here = here.filter(pl.col("lighting") == pair.lighting)
    entry, end = pl.col(f"entry_{pair.clock}"), pl.col(f"exit_{pair.clock}")
    here = here.filter(end.is_not_null() & (end > entry))
    return [here.filter((entry <= 0) if t <= 0 else (entry < t) & (end >= t)).height for t in ticks]


_UNSIDED = ("control_module", "switch_or_fuse", "unknown")
LEFT_OUT = ("side", "supplier", "part_number")


def desk_of(file: str | None) -> str:
    """Who exported a file, as its path tells: its first folder, else its name up to the first figure."""
    path = (file or "").split("#")[0]
    if "/" in path:
        return path.split("/")[0]
    stem = path.rsplit(".", 1)[0]
    return stem[: next((k for k, c in enumerate(stem) if c.isdigit()), len(stem))].rstrip("_- ") or stem


def left_out(tables: Tables) -> pl.DataFrame:
    """What each desk left out where a headlamp part was fitted: desk, fitted, and for each of LEFT_OUT how many of how many (`_of`).

    The side is judged on the lines (of parts that have one), the rest on the lives that began there. Most parts fitted first.
    """
    lines = frame(tables, "classified_lines", ("file", "component", "side", "action"))
    lives = frame(tables, "lives", ("fitted_file", "origin", "supplier", "part_number"))
    if lines.is_empty() or lives.is_empty():
        return pl.DataFrame()
    known = pl.col("component").is_not_null() & ~pl.col("component").is_in(_UNSIDED)
    named = [pl.col(c).map_elements(desk_of, return_dtype=pl.String).alias("desk") for c in ("file", "fitted_file")]
    sides = (
        lines.filter((pl.col("action") == "replaced") & known)
        .with_columns(named[0])
        .group_by("desk")
        .agg(side_of=pl.len().cast(pl.Int64), side=(pl.col("side").fill_null("unknown") == "unknown").sum().cast(pl.Int64))
    )
    parts = (
        lives.filter((pl.col("origin") == "replacement") & pl.col("fitted_file").is_not_null())
        .with_columns(named[1])
        .group_by("desk")
        .agg(
            fitted=pl.len().cast(pl.Int64),
            supplier=(pl.col("supplier").fill_null("unknown") == "unknown").sum().cast(pl.Int64),
            part_number=pl.col("part_number").is_null().sum().cast(pl.Int64),
        )
    )
    return (
        parts.join(sides, on="desk", how="left")
        .with_columns(pl.col("side", "side_of").fill_null(0), *(pl.col("fitted").alias(f"{c}_of") for c in LEFT_OUT[1:]))
        .sort(["fitted", "desk"], descending=[True, False])
    )


def worst_left_out(found: pl.DataFrame) -> tuple[str, str, int, int] | None:
    """Desk, what it left out, how often, of how many: the one that most parts lack. None where nothing was left out."""
    cells = [(r[what], r["desk"], what, r[f"{what}_of"]) for r in found.iter_rows(named=True) for what in LEFT_OUT if r[what]]
    if not cells:
        return None
    n, desk, what, of = min(cells, key=lambda c: (-c[0], c[1], LEFT_OUT.index(c[2])))
    return desk, what, n, of


def aimed(tables: Tables) -> tuple[int, int] | None:
    """Orders that renewed a headlamp, and how many of them have a line of setting it (its aim, its level). None without a renewal."""
    lines = frame(tables, "classified_lines", ("order_id", "component", "action"))
    if lines.is_empty():
        return None
    whole = lines.filter((pl.col("component") == "headlamp_assembly") & (pl.col("action") == "replaced"))["order_id"].drop_nulls().unique()
    if not whole.len():
        return None
    done = lines.filter((pl.col("action") == "adjusted") & pl.col("order_id").is_in(whole.implode()))["order_id"].n_unique()
    return whole.len(), done
