"""What stands behind the survival curves on the shop report: which clock ages a part, what goes with longer and shorter lives,
repairs a vehicle by age, and how far the figures hang on rules and on what is not yet in."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import figures
from pipeline.publish.figures import Tables
from pipeline.publish.telling import MOST_ROWS, head, kind_of, more_rows, upper
from pipeline.publish.views import Cell, Context, Said, Table, cell, table
from pipeline.publish.words import Words

# Ages at which repairs a vehicle are told, in years; the last one that was watched is taken where the later are not.
_AGES = (5, 10)
_RULES = ("as_set", "last_visit", "grace_90_days", "grace_365_days", "to_the_end", "walk_ins_left_out")


def items(tables: Tables, context: Context, w: Words) -> list[Any]:
    """The further sentences and folded tables of the section on lifetimes; those without data are left out or say so."""
    found = [_clocks(tables, w), *_movers(tables, context, w), _repairs(tables, w), *walk_in(tables, w), *_late(tables, w),
             *_inspections(tables, w)]
    return [i for i in found if i is not None]


def _clocks(tables: Tables, w: Words) -> Table | None:
    told = figures.frame(tables, "clocks", ("component", "lighting", "origin", "better", "per_failure"))
    if told.is_empty():
        return None
    told = told.filter(pl.col("better") != "too few").sort("component", "lighting", "origin", maintain_order=True)
    if told.is_empty():
        return None
    body = [[cell(upper(kind_of(w, r["component"], r["lighting"])), strong=True), w.name("generation", r["origin"]),
             w.number(r["failures"]), cell(w.name("better_clock", r["better"])),
             w.number(abs(r["per_failure"]), 2) if r["per_failure"] is not None else ""] for r in told.iter_rows(named=True)]
    return table("table-clocks", w("lives.clocks_table"), head(w, "component", "generation", "failures#", "clock", "by_much#"),
                 body[:MOST_ROWS], note=w("lives.clocks_note"), csv="tables/clocks.csv", folded=True)


def _movers(tables: Tables, context: Context, w: Words) -> list[Any]:
    ratios = figures.frame(tables, "hazard_ratios", ("component", "covariate", "level", "hazard_ratio", "verdict"))
    tested = figures.frame(tables, "group_tests", ("component", "generation", "covariate", "verdict"))
    if ratios.is_empty() and tested.is_empty():
        return []
    out: list[Any] = []
    called = ratios.filter(pl.col("verdict").is_in(["fails_more", "fails_less"])) if not ratios.is_empty() else ratios
    rate = w.percent(context.false_discovery_rate)
    if called.is_empty():
        out.append(Said(w("lives.movers_none", rate=rate)))
    else:
        body = [[cell(upper(w.name("component", r["component"])), strong=True),
                 cell(f"{w.name('covariate', r['covariate'])}: {w.name('level', r['level'])}",
                      w("lives.against", level=w.name("level", r["reference"]))),
                 w.number(r["failures"]), cell(w("lives.times", ratio=w.significant(r["hazard_ratio"])),
                                               w("format.range", low=w.significant(r["low"]), high=w.significant(r["high"]))),
                 cell(w("lives.not_proportional") if r.get("proportional") == "no" else w("lives.proportional"))]
                for r in called.sort("component", "covariate", "level").iter_rows(named=True)]
        out.append(table("table-movers", w("lives.movers_table"), head(w, "component", "what", "failures#", "failure_rate#", "by_age"),
                         body[:MOST_ROWS], note=w("lives.movers_note", rate=rate), csv="tables/hazard_ratios.csv", folded=True))
    differ = tested.filter(pl.col("verdict") == "differ") if not tested.is_empty() else tested
    if not differ.is_empty():
        body = [[cell(upper(w.name("component", r["component"])), strong=True), w.name("generation", r["generation"]),
                 w.name("covariate", r["covariate"]), cell(w.name("level", r["stands_out"]) if r["stands_out"] else ""),
                 cell(w("lives.seen_expected", seen=w.number(r["observed"]), expected=w.number(r["expected"])) if r["expected"] else "")]
                for r in differ.sort("component", "generation", "p", maintain_order=True).iter_rows(named=True)]
        names = head(w, "component", "generation", "grouped_by", "stands_out", "failures")
        out.append(table("table-differ", w("lives.differ_table"), names, body[:MOST_ROWS],
                         note=w("lives.differ_note", n=w.number(tested.height), rate=rate), csv="tables/group_tests.csv", folded=True))
    return out


def _repairs(tables: Tables, w: Words) -> Table | None:
    found = figures.frame(tables, "mean_cumulative", ("component", "measure", "t", "mean_cumulative", "low", "high"))
    if found.is_empty():
        return None
    found = figures.with_columns(found, lighting="all")
    # By lighting where the table tells it: a part's vehicles are those that carry it.
    apart = found.filter(pl.col("lighting") != "all")["component"].unique()
    found = found.filter((pl.col("lighting") != "all") | ~pl.col("component").is_in(apart.implode()))
    trends = figures.frame(tables, "trend_tests", ("component", "lighting", "verdict", "shape"))

    def at(key: tuple[str, str], measure: str, years: float) -> dict[str, Any] | None:
        rows = found.filter((pl.col("component") == key[0]) & (pl.col("lighting") == key[1]) & (pl.col("measure") == measure)).sort("t")
        if rows.is_empty() or rows["t"][-1] < 365.25 * years:
            return None
        seen = rows.filter(pl.col("t") <= 365.25 * years)
        return seen.row(-1, named=True) if seen.height else None

    def told(r: dict[str, Any] | None, is_money: bool) -> Cell:
        if r is None:
            return cell(w("lives.not_watched"))
        if is_money:
            return cell(w.money(r["mean_cumulative"]), w("format.range", low=w.money(r["low"]), high=w.money(r["high"])))
        digits = 0 if r["mean_cumulative"] >= 0.1 else 1
        many, low, high = (w.number(100 * r[c], digits) for c in ("mean_cumulative", "low", "high"))
        return cell(many, w("format.range", low=low, high=high))

    def trend(key: tuple[str, str]) -> str:
        said = {r["verdict"] for r in trends.iter_rows(named=True) if r["component"] == key[0] and key[1] in ("all", r["lighting"])}
        said -= {"too few"}
        if not said:
            return w("lives.trend_few")
        return w(f"lives.trend_{said.pop()}") if said in ({"worse"}, {"better"}) else w("lives.trend_none")

    keys = found.select("component", "lighting").unique().sort("component", "lighting").rows()
    body = [[cell(upper(kind_of(w, *k)), strong=True), *[told(at(k, "count", y), False) for y in _AGES],
             told(at(k, "cost", _AGES[-1]), True), cell(trend(k))] for k in keys]
    names = head(w, "component", "by_5_years#", "by_10_years#", "cost_by_10_years#", "with_age")
    return table("table-repairs", w("lives.repairs_table"), names, body[:MOST_ROWS], note=w("lives.repairs_note"),
                 csv="tables/mean_cumulative.csv", folded=True)


def walk_in(tables: Tables, w: Words) -> list[Any]:
    """How far the share failed hangs on the rule for how long walk-in customers are watched: a sentence and its table."""
    found = figures.frame(tables, "walk_in_sensitivity", ("component", "measure", "rule", "value", "moves"))
    if found.is_empty():
        return [Said(w("lives.walk_in_none"))] if "walk_in_sensitivity" in tables else []
    keys = ["component", "lighting", "generation"]
    reached = found.filter((pl.col("measure") == "failed_by_5_years") & (pl.col("rule") == "as_set") & pl.col("value").is_not_null())
    far = reached.select(keys)
    shown = pl.concat([found.filter(pl.col("measure") == "failed_by_5_years").join(far, on=keys, how="semi", maintain_order="left"),
                       found.filter(pl.col("measure") == "failed_by_2_years").join(far, on=keys, how="anti", maintain_order="left")])
    shown = shown.filter(pl.col("value").is_not_null())
    body = []
    for key, rows in shown.group_by(*keys, "measure", maintain_order=True):
        by = {r["rule"]: r for r in rows.iter_rows(named=True)}
        if "as_set" not in by:
            continue
        cells = []
        for rule in _RULES:
            r = by.get(rule)
            around = w.percent_range(r["low"], r["high"]) if r and rule == "as_set" else w("lives.moves") if r and r["moves"] else ""
            cells.append(cell(w.percent(r["value"]), around) if r else cell(w("lives.not_watched")))
        body.append([cell(upper(kind_of(w, key[0], key[1])), w.name("generation", key[2]), w(f"lives.{key[3]}"), strong=True), *cells])
    if not body:
        return [Said(w("lives.walk_in_few"))]
    moved = shown.filter(pl.col("moves") & pl.col("rule").ne("as_set")).select(*keys).unique().height
    total = w.number(len(body))
    said = w.rich("lives.walk_in_moved", n=w.number(moved), total=total) if moved else w("lives.walk_in_same", total=total)
    file = "tables/walk_in_sensitivity.csv"
    return [Said(said), table("table-walk-in", w("lives.walk_in_table"), head(w, "component", *[f"rule_{r}#" for r in _RULES]),
                              body[:MOST_ROWS], note=more_rows(w, min(len(body), MOST_ROWS), len(body), file), csv=file, folded=True)]


def _late(tables: Tables, w: Words) -> list[Any]:
    lags = figures.frame(tables, "reporting_delay", ("source", "exports_late", "share_in_hand"))
    months = figures.frame(tables, "months_not_complete", ("month", "orders", "expected_orders", "share_in_hand"))
    if lags.is_empty():
        return []
    if lags["share_in_hand"].is_not_null().any():
        if months.is_empty():
            return [Said(w("lives.late_settled"))]
        by = months.group_by("month").agg(pl.col("orders").sum(), pl.col("expected_orders").sum()).sort("month", descending=True).head(3)
        told = [w("lives.late_month", month=w.month(r["month"]), n=w.number(r["orders"]), expected=w.number(r["expected_orders"]))
                for r in by.iter_rows(named=True)]
        return [Said(w("lives.late_said", months=w.list(told)), "caution")]
    single = lags.filter(pl.col("exports_late").is_null()).height
    return [Said(w("lives.late_unknown" if single == lags.height else "lives.late_none"), "thin")]


def _inspections(tables: Tables, w: Words) -> list[Any]:
    found = figures.frame(tables, "inspection_findings", ("component", "found_at_inspection"))
    if found.is_empty():
        return []
    found = found.filter(pl.col("found_at_inspection").fill_null(0) > 0)
    if found.is_empty():
        return [Said(w("lives.inspections_none"))]
    n, total = int(found["found_at_inspection"].sum()), float(found["failures"].sum())
    body = [[cell(upper(kind_of(w, r["component"], r["lighting"])), w.name("generation", r["generation"]), strong=True),
             w.number(r["failures"]), w.number(r["found_at_inspection"]),
             cell(w.years(r["b10_days"]) if r["b10_days"] else w("lives.not_fitted")),
             cell(w.years(r["b10_days_taken_as_exact"]) if r["b10_days_taken_as_exact"] else "")] for r in found.iter_rows(named=True)]
    return [Said(w("lives.inspections_said", n=w.number(n), total=w.number(total))),
            table("table-inspections", w("lives.inspections_table"),
                  head(w, "component", "failures#", "found_there#", "b10_between#", "b10_that_day#"), body[:MOST_ROWS],
                  csv="tables/inspection_findings.csv", folded=True)]
