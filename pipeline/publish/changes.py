"""What changed since last month: this month against the one before, and this report against an earlier one
where it is at hand."""

from __future__ import annotations

import polars as pl
from markupsafe import Markup

from pipeline.publish import figures
from pipeline.publish.figures import Tables
from pipeline.publish.findings import components, what_of
from pipeline.publish.views import Context
from pipeline.publish.words import Words


def shop(tables: Tables, context: Context, words: Words) -> list[Markup]:
    """Changes for the shop report, most useful first."""
    out = _failures(tables, context, words) + _comebacks(tables, context, words) + _claims(tables, context, words)
    if not out:
        return []
    if context.previous:
        out = [words.rich("change.compare_report", date=words.date(context.previous_as_of)), *out]
        out += _late(tables, context, words) + _verdicts(tables, context, words) + _maps(tables, context, words)
    else:
        out.append(words.rich("change.compare_inside"))
    return out


def quality(tables: Tables, context: Context, words: Words) -> list[Markup]:
    """Changes for the data-quality page."""
    now, before = figures.accounts(tables), figures.accounts(context.previous)
    if now is None:
        return []
    if before is None:
        return [words.rich("change.no_report")]
    return [
        words.rich("change.compare_report", date=words.date(context.previous_as_of)),
        words.rich("change.rows", now=words.count("row", now[2]), before=words.number(before[2])),
        words.rich("change.rows_in", n=words.number(now[0] - before[0])),
    ]


def _failures(tables: Tables, context: Context, words: Words) -> list[Markup]:
    months = figures.failures_by_month(tables, context.as_of)
    if months.is_empty() or not months["n"].sum():
        return []
    n = months["n"].to_list()
    places = {
        "now": words.count("part", n[-1]),
        "month": words.month(context.as_of),
        "before": words.number(n[-2]),
        "last_month": words.month(figures.months_back(context.as_of, 1)),
    }
    earlier = n[:-2]
    out = [words.rich("change.failed", low=words.number(min(earlier)), high=words.number(max(earlier)), **places)]
    if not figures.is_month_end(context.as_of):
        return out + [words.rich("change.part_month", month=words.month(context.as_of), date=words.date(context.as_of))]
    where = "above" if n[-1] > max(n[:-1]) else "below" if n[-1] < min(n[:-1]) else "inside"
    return [out[0] + " " + words.rich(f"change.{where}")]


def _comebacks(tables: Tables, context: Context, words: Words) -> list[Markup]:
    rows = figures.comebacks(tables, context.as_of)
    if rows.is_empty():
        return []
    this, last = figures.month_of(context.as_of), figures.months_back(context.as_of, 1)
    now = rows.filter(pl.col("again_on") >= this)
    before = rows.filter((pl.col("again_on") >= last) & (pl.col("again_on") < this))
    kinds = [
        f"{words('kind_short.' + k)} {words.number(now.filter(pl.col('kind') == k).height)}" for k in figures.KINDS
    ]
    return [
        words.rich(
            "change.comebacks",
            now=words.count("comeback", now.height),
            month=words.month(this),
            before=words.number(before.height),
            last_month=words.month(last),
            kinds=words.list(kinds),
        )
    ]


def _claims(tables: Tables, context: Context, words: Words) -> list[Markup]:
    rows = figures.claims(tables, context.as_of).open
    if rows.is_empty():
        return []
    end = figures.months_back(context.as_of, -2)  # the first day of the month after next
    soon = rows.filter(pl.col("claim_by") < end)
    if soon.is_empty():
        return []
    return [
        words.rich(
            "change.claims_soon",
            n=words.count("claim", soon.height),
            amount=words.money(soon["amount"].sum()),
            month=words.month(figures.months_back(context.as_of, -1)),
        )
    ]


def _late(tables: Tables, context: Context, words: Words) -> list[Markup]:
    """Failures of months that the earlier report had whole, counted now and then."""
    if context.previous_as_of is None:
        return []
    until = context.previous_as_of
    whole = figures.month_of(until) if not figures.is_month_end(until) else figures.months_back(until, -1)

    def number(t: Tables) -> int | None:
        rows = figures.monthly(t)
        return (
            None
            if rows.is_empty()
            else int(rows.filter((pl.col("ending") == "failed") & (pl.col("month") < whole))["n"].sum())
        )

    now, before = number(tables), number(context.previous)
    if now is None or before is None or now == before:
        return []
    return [
        words.rich(
            "change.late" if now > before else "change.fewer",
            n=words.number(abs(now - before)),
            month=words.month(figures.months_back(whole, 1)),
        )
    ]


def _told(tables: Tables) -> dict[tuple[str, ...], dict]:
    rows = figures.early(tables)
    out = {}
    for verdict in ("worse", "better"):
        for row in figures.verdict_rows(rows, verdict).iter_rows(named=True):
            out[(row["component"], row["supplier"], row["part_number"], row["lot"])] = row
    return out


def _verdicts(tables: Tables, context: Context, words: Words) -> list[Markup]:
    if figures.early(context.previous).is_empty():
        return []
    now, before = _told(tables), _told(context.previous)

    def named(row: dict) -> str:
        parts = [f"{row['supplier']} {components(words, row['component'])}", what_of(words, row)]
        return ", ".join(p for p in parts if p)

    out = [
        words.rich("change.verdict_new", what=named(row), verdict=words.name("verdict", row["verdict"]))
        for key, row in now.items()
        if key not in before or before[key]["verdict"] != row["verdict"]
    ]
    out += [words.rich("change.verdict_gone", what=named(row)) for key, row in before.items() if key not in now]
    return out or [words.rich("change.no_verdicts")]


def _maps(tables: Tables, context: Context, words: Words) -> list[Markup]:
    def firsts(t: Tables) -> dict[tuple, str]:
        return {
            (m.symptom, m.lighting, c.km, c.age_days): c.first
            for m in figures.suspicion_maps(t)
            for c in m.cells
            if c.kind != "borrowed"
        }

    now, before = firsts(tables), firsts(context.previous)
    both = now.keys() & before.keys()
    if not both:
        return []
    moved = sum(now[k] != before[k] for k in both)
    return [words.rich("change.map", n=words.count("cell", moved)) if moved else words.rich("change.map_none")]
