"""The numbers of the fleet plan, from the tables of planning. No words, no drawing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import polars as pl

from pipeline.planning.due import PAIR
from pipeline.planning.repeats import MORE
from pipeline.planning.replacement import REPLACE, RUN, UNSUPPORTED
from pipeline.publish.figures import Tables, frame, with_columns

__all__ = ["PAIR", "REPLACE", "RUN", "UNSUPPORTED"]
VERDICTS = (REPLACE, UNSUPPORTED, RUN)
THIN_FAILURES = 20  # a verdict on fewer failures than this is said to be thin; common practice, no source
ALL = "all"


@dataclass(frozen=True)
class Count:
    """A count or an amount to come, with its interval."""

    mean: float
    low: float
    high: float


def clocks_used(tables: Tables) -> dict[tuple[str, str], str]:
    """The clock each (component, lighting) is planned on: the due list's commonest, else days."""
    due = frame(tables, "due_list", ("component", "lighting", "clock"))
    if due.is_empty():
        return {}
    counted = due.group_by("component", "lighting", "clock").len().sort(["len", "clock"], descending=[False, True])
    return {(r["component"], r["lighting"]): r["clock"] for r in counted.iter_rows(named=True)}


def _on_main_clock(tables: Tables, found: pl.DataFrame) -> pl.DataFrame:
    """Rows on the clock that the part is planned on; where that is not told, on the one with the best verdict."""
    if found.is_empty():
        return found
    used, best = clocks_used(tables), {}
    rank = {v: k for k, v in enumerate(VERDICTS)}
    for r in found.sort("component", "lighting", "clock").iter_rows(named=True):
        key = (r["component"], r["lighting"])
        mine = (rank.get(r["verdict"], 9), r["clock"])
        if key not in best or mine < best[key]:
            best[key] = mine
    clock = {key: used.get(key, value[1]) for key, value in best.items()}
    there = set(found.select("component", "lighting", "clock").iter_rows())
    clock = {k: c if (*k, c) in there else best[k][1] for k, c in clock.items()}
    keep = [clock[r[0], r[1]] == r[2] for r in found.select("component", "lighting", "clock").iter_rows()]
    return found.filter(pl.Series(keep, dtype=pl.Boolean))


def policies(tables: Tables) -> pl.DataFrame:
    """Verdicts on the clock each part is planned on, what pays first."""
    found = frame(tables, "replacement_policy", ("component", "lighting", "clock", "verdict"))
    if found.is_empty():
        return found
    if "places" in found.columns and (found["places"] > 0).any():
        found = found.filter(pl.col("places") > 0)  # rules that some part in service goes by
    found = with_columns(
        found,
        customer_group=ALL,
        stratum=ALL,
        p_adjusted=None,
        saving_per_vehicle_year=None,
        saving_per_vehicle_year_low=None,
        saving_per_vehicle_year_high=None,
        planned_cost=None,
        unplanned_cost=None,
        costs_basis="assumed",
        age=None,
        snapped_age=None,
        original_age=None,
        saving_share=None,
        saving_low=None,
        saving_high=None,
        saving_per_1000_units=None,
        block_interval=None,
        block_cost_rate=None,
        run_to_failure_rate=None,
        failures=None,
        curve_basis=None,
        reason=None,
    )
    found = _on_main_clock(tables, found)
    order = pl.col("verdict").replace_strict({v: k for k, v in enumerate(VERDICTS)}, default=9, return_dtype=pl.Int64)
    return (
        found.with_columns(_order=order, _save=pl.col("saving_share").cast(pl.Float64).fill_null(-9.0))
        .sort(
            ["_order", "_save", "component", "lighting", "stratum", "customer_group"],
            descending=[False, True, False, False, False, False],
        )
        .drop("_order", "_save")
    )


def kinds_by_verdict(rules: pl.DataFrame) -> dict[str, list[tuple[str, str]]]:
    """(component, lighting) by verdict: pays where it pays for any group, a waste where it is one for all."""
    out: dict[str, list[tuple[str, str]]] = {v: [] for v in VERDICTS}
    if rules.is_empty():
        return out
    for (component, lighting), rows in rules.group_by("component", "lighting", maintain_order=True):
        has = set(rows["verdict"])
        out[next((v for v in VERDICTS if v in has), RUN)].append((component, lighting))
    return out


def ratios(tables: Tables) -> pl.DataFrame:
    """Savings by cost ratio on the clock each part is planned on, soonest to pay first; kinds that never reach a
    saving left out."""
    found = frame(tables, "cost_ratio_sensitivity", ("component", "lighting", "clock", "cost_ratio", "verdict"))
    if found.is_empty() or any(c not in found.columns for c in ("saving_share", "saving_low", "saving_high")):
        return pl.DataFrame()
    found = _on_main_clock(tables, found)
    pays = pl.col("cost_ratio").filter(pl.col("verdict") == REPLACE).min()
    best = found.group_by("component", "lighting").agg(
        pl.col("saving_share").cast(pl.Float64).max().alias("_best"),
        pays.cast(pl.Float64).fill_null(1e9).alias("_from"),
    )
    return (
        found.join(best, on=["component", "lighting"], how="left")
        .filter(pl.col("_best").is_not_null())
        .sort(["_from", "_best", "component", "lighting", "cost_ratio"], descending=[False, True, False, False, False])
        .drop("_best", "_from")
    )


def due(tables: Tables) -> pl.DataFrame:
    """The due list by rank, with a `work` of "renew", "pair" or "leave"."""
    found = frame(tables, "due_list", ("component", "lighting", "action"))
    if found.is_empty():
        return found
    found = with_columns(
        found,
        rank=0,
        vehicle=None,
        unit_number=None,
        customer_group=None,
        depot=None,
        side=None,
        origin=None,
        life_days=None,
        life_km=None,
        life_from="observed",
        clock="days",
        first_service_on=None,
        second_service_on=None,
        services_basis="given",
        chance_first=None,
        chance_first_low=None,
        chance_first_high=None,
        chance_second=None,
        is_beyond_data=False,
        due_on=None,
        cost=None,
        reason=None,
    )
    return found.sort("rank", "vehicle", "component", "side", maintain_order=True).with_columns(
        work=pl.when(pl.col("due_on").is_not_null())
        .then(pl.lit("renew"))
        .when(pl.col("action") == PAIR)
        .then(pl.lit("pair"))
        .otherwise(pl.lit("leave"))
    )


def together(means: list[float], lows: list[float], highs: list[float]) -> Count:
    """A sum with its interval, the parts taken as independent: the limits' distances from the means are added as
    squares (propagation of uncertainty, JCGM 100:2008, 5.1.2, with each side's own distance)."""
    mean = sum(means)
    below = math.sqrt(sum((m - lo) ** 2 for m, lo in zip(means, lows, strict=True)))
    above = math.sqrt(sum((hi - m) ** 2 for m, hi in zip(means, highs, strict=True)))
    return Count(mean, max(0.0, mean - below), mean + above)


def _demand(tables: Tables) -> pl.DataFrame:
    found = frame(
        tables, "demand", ("component", "lighting", "month", "from_on", "horizon_days", "low", "mean", "high")
    )
    if found.is_empty():
        return found
    return with_columns(found, kind="failed", places=None, plan_mean=None, plan_low=None, plan_high=None)


def by_month(tables: Tables) -> list[dict[str, Any]]:
    """Failures expected in each month to come: from_on and a Count of all parts."""
    found = _demand(tables)
    if found.is_empty():
        return []
    found = found.filter(pl.col("month").is_not_null() & (pl.col("kind") == "failed")).sort(
        "month", "component", "lighting", "mean"
    )
    return [
        {
            "month": m,
            "from_on": rows["from_on"][0],
            "count": together(*(rows[c].to_list() for c in ("mean", "low", "high"))),
        }
        for (m,), rows in found.group_by("month", maintain_order=True)
    ]


def over_horizon(tables: Tables) -> pl.DataFrame:
    """What fails and what is planned from the date of the plan to its end, by part: component, lighting, places,
    mean, low, high, and with the plan followed under (failures) and planned (null where no plan stands behind)."""
    found = _demand(tables)
    if found.is_empty():
        return pl.DataFrame()
    found = found.filter(pl.col("month").is_null())
    found = found.filter(pl.col("horizon_days") == pl.col("horizon_days").max())
    rows = []
    for (component, lighting), part in found.group_by("component", "lighting", maintain_order=True):
        failed, planned = (part.filter(pl.col("kind") == k).sort("mean") for k in ("failed", "planned"))
        count = together(*(failed[c].to_list() for c in ("mean", "low", "high")))
        rows.append(
            {
                "component": component,
                "lighting": lighting,
                "places": failed["places"].sum() if failed["places"].count() else None,
                "mean": float(count.mean),
                "low": float(count.low),
                "high": float(count.high),
                **_with_plan(failed),
                "planned": float(_planned_mean(planned)) if planned.height else None,
            }
        )
    if not rows:
        return pl.DataFrame()
    made = pl.DataFrame(rows, infer_schema_length=None)
    return made.sort(["mean", "component", "lighting"], descending=[True, False, False])


def _with_plan(failed: pl.DataFrame) -> dict[str, float | None]:
    """Failures with the plan followed: under, under_low, under_high; null where no plan stands behind."""
    if not failed["plan_mean"].count():
        return dict.fromkeys(("under", "under_low", "under_high"))
    count = together(*(failed[f"plan_{c}"].cast(pl.Float64).to_list() for c in ("mean", "low", "high")))
    return {"under": float(count.mean), "under_low": float(count.low), "under_high": float(count.high)}


def _planned_mean(planned: pl.DataFrame) -> float:
    return planned.select(pl.coalesce(pl.col("plan_mean").cast(pl.Float64), "mean").sum()).item()


def horizon_months(tables: Tables) -> int:
    """How many months ahead the plan looks; 12 where nothing tells."""
    found = frame(tables, "demand", ("month",))
    top = found["month"].max() if not found.is_empty() else None
    if top:
        return int(top)
    money = frame(tables, "budget", ("horizon_days",))
    return max(1, round(money["horizon_days"].max() / 30.4375)) if not money.is_empty() else 12


_PLAN_MONEY = tuple(f"plan_{c}" for c in ("mean", "low", "high", "failures", "planned"))
_PLAN_MONEY += ("saving_mean", "saving_low", "saving_high")


def has_planned_work(tables: Tables) -> bool:
    """Whether the plan renews anything within the time ahead."""
    whole, _ = budget(tables)
    return whole is not None and (whole["plan_planned"] or 0.0) > 0


def dark_lamps(tables: Tables) -> tuple[dict[str, Any] | None, pl.DataFrame]:
    """Lamps that go dark on the road: the row of all parts, and the rows by part, most first."""
    found = frame(tables, "dark_lamps", ("component", "mean", "low", "high", "plan_mean", "plan_low", "plan_high"))
    if found.is_empty():
        return None, found
    found = with_columns(found, share_dark=None, share_dark_low=None, share_dark_high=None)
    whole = found.filter(pl.col("component") == ALL)
    parts = found.filter(pl.col("component") != ALL).sort(["mean", "component"], descending=[True, False])
    return (whole.row(0, named=True) if whole.height else None), parts


def seasons(tables: Tables) -> pl.DataFrame:
    """The tests for a season by kind of part, shown ones first."""
    found = frame(tables, "season_tests", ("component", "lighting", "verdict", "p", "ratio"))
    if found.is_empty():
        return found
    found = with_columns(found, p_adjusted=None, peak_month=None, low_month=None, ratio_low=None, ratio_high=None)
    return found.sort(["p", "component", "lighting"], nulls_last=True)


def replayed(tables: Tables) -> tuple[dict[str, Any] | None, pl.DataFrame]:
    """Last year's plan: the row of all that it recommended, and the rows by part."""
    found = frame(tables, "plan_replay", ("component", "basis", "due", "verdict", "then_on"))
    if found.is_empty():
        return None, found
    names = ("too_late", "prevented", "unneeded", "failures", "cost_of_plan", "cost_without", "saving", "watched_days")
    found = with_columns(found, **dict.fromkeys((*names, "saving_low", "saving_high")))
    whole = found.filter((pl.col("component") == ALL) & (pl.col("basis") == "recommended"))
    parts = found.filter(pl.col("component") != ALL).sort(["basis", "component"], descending=[True, False])
    return (whole.row(0, named=True) if whole.height else None), parts


def open_defects(tables: Tables) -> pl.DataFrame:
    found = frame(tables, "open_defects", ("vehicle", "reported_on", "symptom"))
    if found.is_empty():
        return found
    return with_columns(found, unit_number=None, customer_group=None, side=None, days_open=None)


def to_order(tables: Tables) -> pl.DataFrame:
    """Parts for planned work, by depot and kind: depot, component, lighting, pieces, first_on, soonest first."""
    listed = due(tables)
    if listed.is_empty():
        return listed
    planned = listed.filter(pl.col("due_on").is_not_null())
    kept = planned.with_columns(pl.coalesce("depot", "customer_group").fill_null(ALL).alias("depot"))
    return (
        kept.group_by("depot", "component", "lighting")
        .agg(pl.len().cast(pl.Int64).alias("pieces"), pl.col("due_on").min().alias("first_on"))
        .sort("first_on", "depot", "component", "lighting")
    )


def stock_by_depot(tables: Tables) -> pl.DataFrame:
    found = frame(tables, "stock_by_depot", ("component", "lighting", "depot", "stock", "expected"))
    return found if found.is_empty() else found.sort("depot", "component", "lighting")


def demand_by_depot(tables: Tables) -> pl.DataFrame:
    """Failures over the whole time ahead by depot and kind: depot, component, lighting, mean, low, high, places."""
    found = frame(tables, "demand_by_depot", ("component", "lighting", "depot", "kind", "month", "horizon_days", "mean"))
    if found.is_empty():
        return found
    found = found.filter(pl.col("month").is_null() & (pl.col("kind") == "failed"))
    found = found.filter(pl.col("horizon_days") == pl.col("horizon_days").max())
    return found.sort(["depot", "mean", "component", "lighting"], descending=[False, True, False, False])


def budget(tables: Tables) -> tuple[dict[str, Any] | None, pl.DataFrame]:
    """The row of all parts together, and the rows by part, dearest first."""
    found = frame(tables, "budget", ("component", "low", "high", "mean"))
    if found.is_empty():
        return None, found
    found = with_columns(found, failures=None, planned=None, **dict.fromkeys(_PLAN_MONEY))
    whole = found.filter(pl.col("component") == ALL)
    parts = found.filter(pl.col("component") != ALL).sort(["mean", "component"], descending=[True, False])
    return (whole.row(0, named=True) if whole.height else None), parts


def stock(tables: Tables) -> pl.DataFrame:
    found = frame(tables, "stock", ("component", "lighting", "stock", "expected", "chance_short"))
    return (
        found
        if found.is_empty()
        else found.sort(["stock", "expected", "component", "lighting"], descending=[True, True, False, False])
    )


def pairs(tables: Tables) -> pl.DataFrame:
    found = frame(tables, "pair_policy", ("component", "lighting", "clock", "break_even_life"))
    if found.is_empty():
        return found
    found = with_columns(
        found,
        customer_group=ALL,
        generation=None,
        planned_cost=None,
        unplanned_cost=None,
        shared_labour_cost=None,
        failures=None,
        reason=None,
        verdict=RUN,
    )
    used = clocks_used(tables)
    there = set(found.select("component", "lighting", "clock").iter_rows())
    keep = [
        (*key, used[key]) not in there or used[key] == clock if (key := (c, li)) in used else True
        for c, li, clock in found.select("component", "lighting", "clock").iter_rows()
    ]
    return found.filter(pl.Series(keep, dtype=pl.Boolean)).sort(
        "component", "lighting", "clock", "generation", "customer_group"
    )


def repeats(tables: Tables) -> pl.DataFrame:
    found = frame(tables, "repeat_places", ("vehicle", "component", "side", "failures", "last_on"))
    if found.is_empty():
        return found
    found = with_columns(
        found, unit_number=None, customer_group=None, lives_days=None, reason=None, first_on=None, expected=None, verdict=None
    )
    order = ["_maybe", "failures", "last_on", "vehicle", "component", "side"]
    found = found.with_columns(_maybe=pl.col("verdict").ne_missing(MORE))
    return found.sort(order, descending=[False, True, True, False, False, False]).drop("_maybe")


def several(tables: Tables) -> pl.DataFrame:
    found = frame(tables, "several_at_once", ("vehicle", "first_on", "last_on", "places"))
    if found.is_empty():
        return found
    found = with_columns(found, unit_number=None, customer_group=None, failures=None, reason=None)
    return found.sort(["last_on", "vehicle"], descending=[True, False])
