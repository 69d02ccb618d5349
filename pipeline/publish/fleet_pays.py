"""Where planned renewal pays: by kind of part, by cost ratio, and of the other side."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import fleet_charts
from pipeline.publish import fleet_figures as ff
from pipeline.publish.figures import Tables
from pipeline.publish.findings import level
from pipeline.publish.fleet_words import (
    age_text,
    behind_cell,
    costs_cell,
    costs_span_cell,
    group_name,
    in_stratum,
    of_group,
    rate_text,
    ratio_text,
    reason_text,
    saving_range,
)
from pipeline.publish.telling import MOST_ROWS, head, kind_of, kinds_of, more_rows, upper, wrap
from pipeline.publish.views import Cell, Context, Pictures, Said, Section, Table, cell, table
from pipeline.publish.words import Words

RATIO_FLOOR = -0.25  # the chart of cost ratios is cut here: a greater loss teaches nothing more
RATIO_KINDS = 4  # of which the savings by cost ratio are drawn
LABEL = 18  # letters of a chart's row name before it is broken


def pays(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("fleet.pays"), w("fleet.pays_lead")
    rules = ff.policies(tables)
    if rules.is_empty():
        return Section("pays", title, (Said(w("fleet.pays_none"), "thin"), *_ratio_items(tables, context, w)), lead)
    items: list[Any] = []
    drawn = rules.filter(pl.col("saving_share").is_not_null())
    if drawn.height:
        items.append(Pictures((_saving_chart(drawn, rules, context, w),)))
    else:
        items.append(Said(w("fleet.pays_no_chart")))
    file = "tables/replacement_policy.csv"
    hopeful = rules.filter(pl.col("verdict") != ff.RUN)
    run = rules.filter(pl.col("verdict") == ff.RUN)
    if hopeful.height:
        shown = hopeful.head(MOST_ROWS)
        body = [_rule_row(r, rules, w) for r in shown.iter_rows(named=True)]
        columns = head(w, "component", "verdict", "renew_at#", "saving#", "costs", "behind#")
        items += _many_items(rules, context, w)
        note = more_rows(w, shown.height, hopeful.height, file)
        items.append(table("pays-table", w("fleet.pays_table"), columns, body, note=note, csv=file))
    if run.height:
        items.append(_run_table(run, file, w))
    items += _ratio_items(tables, context, w)
    return Section("pays", title, tuple(items), lead)


def _many_items(rules: pl.DataFrame, context: Context, w: Words) -> list[Any]:
    """What comparing many kinds of part does to a verdict, where one is given."""
    told = rules.filter(pl.col("verdict") == ff.REPLACE)
    items: list[Any] = []
    if told.height and told["p_adjusted"].count():
        kinds = rules.select("component", "lighting", "stratum").unique().height
        kept = told.filter(pl.col("p_adjusted") <= context.false_discovery_rate).height
        wrong = w.significant(kinds * (1 - context.confidence) / 2)
        told_in = {"kept": w.number(kept), "told": w.number(told.height), "rate": w.percent(context.false_discovery_rate)}
        items.append(Said(w("fleet.pays_many", n=w.number(kinds), wrong=wrong, **told_in)))
    if (rules["stratum"] != ff.ALL).any():
        items.append(Said(w("fleet.pays_strata")))
    return items


def _rule_row(r: dict[str, Any], rules: pl.DataFrame, w: Words) -> list[Cell | str]:
    pays = r["verdict"] == ff.REPLACE
    ages = [
        age_text(r["age"], r["clock"], w),
        w("fleet.snapped", age=age_text(r["snapped_age"], r["clock"], w)) if r["snapped_age"] else "",
        w("fleet.original_age", age=age_text(r["original_age"], r["clock"], w)) if r["original_age"] else "",
    ]
    saving = [w("format.nothing")]
    if r["saving_share"] is not None:
        saving = [w.percent(r["saving_share"]), saving_range(r, w)]
        each = [r[f"saving_per_vehicle_year{e}"] for e in ("", "_low", "_high")]
        if pays and None not in each:
            amount, low, high = map(w.money, each)
            saving += [w("fleet.vehicle_year", amount=amount), w("format.range", low=low, high=high)]
        elif pays and r["saving_per_1000_units"] is not None:
            saving.append(rate_text(r["saving_per_1000_units"], r["clock"], w))
    block = ""
    if r["block_cost_rate"] is not None and r["block_interval"] is not None:
        every = age_text(r["block_interval"], r["clock"], w)
        block = w("fleet.block", every=every, saving=_block_saving(r, w))
    return [
        cell(
            upper(in_stratum(kind_of(w, r["component"], r["lighting"]), r["stratum"], w)),
            group_name(r["customer_group"], w),
            strong=pays,
        ),
        cell(w.name("plan_verdict", r["verdict"]), reason_text(r["reason"], w), block, strong=pays),
        cell(*ages) if r["age"] is not None else cell(w("format.nothing")),
        cell(*saving),
        costs_cell(r, w),
        behind_cell(r, w),
    ]


def _block_saving(r: dict[str, Any], w: Words) -> str:
    """What renewing all at fixed times saves against running to failure, as a share; else its cost."""
    run = r.get("run_to_failure_rate")
    if not run:
        return rate_text(1000 * r["block_cost_rate"], r["clock"], w)
    return w.percent(1 - r["block_cost_rate"] / run)


def _run_table(run: pl.DataFrame, file: str, w: Words) -> Table:
    """Kinds of part that run to failure, one row a kind with all its groups."""
    body = []
    for (component, lighting, stratum), rows in run.group_by("component", "lighting", "stratum", maintain_order=True):
        first = rows.row(0, named=True)
        groups = [group_name(g, w) for g in rows["customer_group"].unique().sort()]
        reasons = rows["reason"].drop_nulls().unique().sort().to_list()
        body.append(
            [
                cell(upper(in_stratum(kind_of(w, component, lighting), stratum, w)), w.list(groups)),
                cell(*(reason_text(x, w) for x in reasons)),
                costs_cell(first, w) if rows.height == 1 else costs_span_cell(rows, w),
                behind_cell(first, w),
            ]
        )
    columns = head(w, "component", "why", "costs", "behind#")
    return table("run-table", w("fleet.run_table"), columns, body, csv=file, folded=True)


def _saving_chart(drawn: pl.DataFrame, rules: pl.DataFrame, context: Context, w: Words):
    rows, said = [], []
    for r in drawn.iter_rows(named=True):
        kind = of_group(r, rules, w)
        value, low, high = (100 * r[c] for c in ("saving_share", "saving_low", "saving_high"))
        rows.append(
            {
                "label": "\n".join(wrap(upper(kind), LABEL)),
                "sub": "",
                "series": w.name("plan_verdict", r["verdict"]),
                "value": value,
                "low": low,
                "high": high,
                "text": w.percent(r["saving_share"]),
            }
        )
        said.append(w("fleet.pays_alt_item", kind=kind, saving=w.percent(r["saving_share"]), range=saving_range(r, w)))
    paying = drawn.filter(pl.col("verdict") == ff.REPLACE)
    first = (paying if paying.height else drawn).row(0, named=True)
    told = {"kind": of_group(first, rules, w, plural=True), "saving": w.percent(first["saving_share"])}
    key = "one" if paying.height == 1 else "some" if paying.height else "zero"
    return fleet_charts.intervals(
        "plan_saving",
        rows,
        drawn.select(
            "component", "lighting", "customer_group", "clock", "saving_share", "saving_low", "saving_high", "verdict"
        ),
        title=w(f"fleet.pays_title_{key}", n=w.number(paying.height), **told),
        alt_text=w("fleet.pays_alt", items=w.list(said)),
        x_title=w("fleet.pays_x"),
        series=_series(w),
        read=w("fleet.pays_read", level=level(w, context)),
        wide=True,
    )


def _series(w: Words) -> list[tuple[str, str, str]]:
    looks = {ff.REPLACE: ("green", "diamond"), ff.UNSUPPORTED: ("grey", "circle"), ff.RUN: ("red", "square")}
    return [(w.name("plan_verdict", v), *looks[v]) for v in ff.VERDICTS]


def _ratio_items(tables: Tables, context: Context, w: Words) -> list[Any]:
    found = ff.ratios(tables)
    if found.is_empty():
        return [Said(w("fleet.ratio_none"), "thin")]
    kinds = list(dict.fromkeys(found.select("component", "lighting").iter_rows()))[:RATIO_KINDS]
    nothing_up_to = {
        kind_of(w, r["component"], r["lighting"]): r["cost_ratio"]
        for r in found.filter(pl.col("saving_share").is_null()).sort("cost_ratio").iter_rows(named=True)
    }
    rows, said = [], []
    for r in found.iter_rows(named=True):
        if (r["component"], r["lighting"]) not in kinds:
            continue
        kind, ratio, value = kind_of(w, r["component"], r["lighting"]), ratio_text(r["cost_ratio"], w), r["saving_share"]
        if value is not None:
            text = w("fleet.ratio_text", ratio=ratio, saving=w.percent(value))
        else:
            # One line for all the ratios at which there is no saving: the greatest of them stands for the rest.
            text = w("fleet.ratio_run", ratio=ratio) if r["cost_ratio"] == nothing_up_to[kind] else ""
        low, high = (None, None) if value is None else (r["saving_low"], r["saving_high"])
        rows.append(
            {
                "label": "\n".join(wrap(upper(kind), LABEL)),
                "sub": ratio,
                "series": w.name("plan_verdict", r["verdict"]),
                "value": None if value is None else 100 * max(value, RATIO_FLOOR),
                "low": None if low is None else 100 * low,
                "high": None if high is None else 100 * high,
                "text": text,
            }
        )
        if text:
            said.append(f"{kind} {text}")
    paying = found.filter(pl.col("verdict") == ff.REPLACE).sort("cost_ratio", "component", "lighting")
    if paying.height:
        top = paying.row(0, named=True)
        kind = kinds_of(w, top["component"], top["lighting"])
        title = w("fleet.ratio_title", ratio=ratio_text(top["cost_ratio"], w), kind=kind)
    else:
        title = w("fleet.ratio_title_none", ratio=ratio_text(found["cost_ratio"].max(), w))
    chart = fleet_charts.intervals(
        "plan_cost_ratio",
        rows,
        found.select(
            "component", "lighting", "clock", "cost_ratio", "saving_share", "saving_low", "saving_high", "verdict"
        ),
        title=title,
        alt_text=w("fleet.ratio_alt", items="; ".join(said)),
        x_title=w("fleet.pays_x"),
        series=_series(w),
        read=w("fleet.ratio_read", level=level(w, context), floor=w.percent(-RATIO_FLOOR)),
        wide=True,
        floor=100 * RATIO_FLOOR,
    )
    return [Pictures((chart,))]


def pairs(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.pairs"), w("fleet.pairs_lead")
    found = ff.pairs(tables)
    if found.is_empty():
        return Section("pairs", title, (Said(w("fleet.pairs_none"), "thin"),), lead)
    file = "tables/pair_policy.csv"
    renew, leave = (found.filter(pl.col("break_even_life").is_not_null() == x) for x in (True, False))
    key = "fleet.pairs_said" if renew.height else "fleet.pairs_said_none"
    items: list[Any] = [Said(w.rich(key, n=w.number(renew.height), total=w.number(found.height)))]
    if renew.height:
        body = [
            [
                cell(upper(kind_of(w, r["component"], r["lighting"])), group_name(r["customer_group"], w), strong=True),
                w.name("generation", r["generation"]),
                cell(w("fleet.pairs_from", life=age_text(r["break_even_life"], r["clock"], w)), strong=True),
                costs_cell(r, w),
                behind_cell(r, w),
            ]
            for r in renew.head(MOST_ROWS).iter_rows(named=True)
        ]
        columns = head(w, "component", "generation", "other_side", "costs", "behind#")
        note = more_rows(w, len(body), renew.height, file)
        items.append(table("pairs-table", w("fleet.pairs_table"), columns, body, note=note, csv=file))
    if leave.height:
        body = []
        for (component, lighting, generation), rows in leave.group_by(
            "component", "lighting", "generation", maintain_order=True
        ):
            groups = [group_name(g, w) for g in rows["customer_group"].unique().sort()]
            reasons = rows["reason"].drop_nulls().unique().sort().to_list()
            body.append(
                [
                    cell(upper(kind_of(w, component, lighting)), w.list(groups)),
                    w.name("generation", generation),
                    cell(*(reason_text(x, w) for x in reasons)),
                    behind_cell(rows.row(0, named=True), w),
                ]
            )
        columns = head(w, "component", "generation", "why", "behind#")
        items.append(table("pairs-leave", w("fleet.pairs_leave_table"), columns, body, csv=file, folded=True))
    return Section("pairs", title, tuple(items), lead)
