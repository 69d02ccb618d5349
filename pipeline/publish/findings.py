"""The answers at the head of each page: sentences with numbers, and how sure each is. From tables, without a
word of its own."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.publish import figures
from pipeline.publish.figures import Tables
from pipeline.publish.views import Context, Finding
from pipeline.publish.words import Words

SHOP = "shop_report.html"
QUALITY = "data_quality.html"
# A first guess judged on fewer cases than this is said to be thin.
THIN_CASES = 20
MOST_ANSWERS = 5


def top_findings(tables: Tables, context: Context, n: int = 3) -> list[str]:
    """The n findings that matter most, as plain sentences: for the end of a run and for index.html."""
    return [f.plain for f in top(tables, context, n)]


def top(tables: Tables, context: Context, n: int = 3) -> list[Finding]:
    """What someone can act on comes first: a supplier told apart, the first suspect, money to claim; then the
    counts."""
    words = context.words()
    found = {f.id: f for f in _shop(tables, context, words)}
    order = ["supplier_worse", "map", "claims", "wrong", "comebacks", "failed", "supplier", "rows"]
    found |= {f.id: f for f in quality(tables, context, words) if f.id == "rows"}
    return [found[k] for k in order if k in found][:n]


def shop(tables: Tables, context: Context, words: Words) -> list[Finding]:
    """Three to five answers for the shop's owner, where there is anything to say."""
    made = _shop(tables, context, words)
    if (
        len(made) > MOST_ANSWERS
    ):  # wrong first guesses are counted among the comebacks too, so they can wait for their section
        made = [f for f in made if f.id != "wrong"]
    return made[:MOST_ANSWERS]


def _shop(tables: Tables, context: Context, words: Words) -> list[Finding]:
    made = [
        _failed(tables, context, words),
        _supplier(tables, context, words),
        _comebacks(tables, context, words),
        _wrong(tables, context, words),
        _claims(tables, context, words),
        _map(tables, words),
    ]
    return [f for f in made if f]


def quality(tables: Tables, context: Context, words: Words) -> list[Finding]:
    """Up to five answers for whoever makes the exports."""
    made = [
        _rows(tables, words),
        _reason(tables, words),
        _left_out(tables, words),
        _odometer(tables, words),
        _unread(tables, words),
        _backtest(tables, words),
    ]
    made = [f for f in made if f]
    if len(made) > MOST_ANSWERS:  # unread words have a section of their own, which stays
        made = [f for f in made if f.id != "unread"]
    return made[:MOST_ANSWERS]


def _finding(words: Words, id: str, key: str, sure: str, href: str, **values: Any) -> Finding:
    return Finding(id, words.rich(key, **values), words(key, **values), sure, href)


def components(words: Words, component: str) -> str:
    """The plural of a component's name; of one that users added, its name."""
    return (
        words.name("components", component)
        if component in words.texts["components"]
        else words.name("component", component)
    )


def level(words: Words, context: Context) -> str:
    return words.percent(context.confidence)


def _failed(tables: Tables, context: Context, words: Words) -> Finding | None:
    rows = figures.failures(tables, context.as_of)
    if rows.is_empty():
        return None
    first, cost = rows.row(0, named=True), rows["cost"].sum()
    return _finding(
        words,
        "failed",
        "finding.failed" if cost else "finding.failed_free",
        words("sure.counted"),
        f"{SHOP}#failed",
        month=words.month(context.as_of),
        n=words.number(rows["year"].sum()),
        cost=words.money(cost),
        component=words.name("component", first["component"]),
        k=words.number(first["year"]),
    )


def all_share(found: pl.DataFrame, row: dict[str, Any]) -> float | None:
    """The share of all suppliers together for the same component, lighting and window."""
    rows = found.filter(
        (pl.col("component") == row["component"])
        & (pl.col("window_days") == row["window_days"])
        & (pl.col("supplier") == "all")
        & (pl.col("part_number") == "all")
        & (pl.col("lot") == "all")
        & (pl.col("grade") == "all")
    )
    same = rows.filter(pl.col("lighting") == row["lighting"])
    rows = same if same.height else rows
    return rows["probability"][0] if rows.height else None


def what_of(words: Words, row: dict[str, Any]) -> str:
    """Part number and lot of a row, in words."""
    texts = []
    if row["part_number"] != "all":
        texts.append(words("early.part_number", part_number=row["part_number"]))
    if row["lot"] != "all":
        texts.append(words("early.lot", lot=row["lot"]))
    return ", ".join(texts)


def _supplier(tables: Tables, context: Context, words: Words) -> Finding | None:
    found = figures.early(tables)
    if found.is_empty():
        return None
    worse = figures.verdict_rows(found, "worse")
    href = f"{SHOP}#supplier"
    if worse.is_empty():
        window = figures.best_window(found)
        compared = figures.suppliers(found, window).filter(pl.col("supplier") != "all")
        if compared.is_empty():
            return None
        return _finding(
            words,
            "supplier",
            "finding.supplier_none",
            words("sure.none_apart", rate=words.percent(context.false_discovery_rate)),
            href,
            days=words.number(window),
            groups=words.count("supplier_part", compared.height),
        )
    row = worse.row(0, named=True)
    what = what_of(words, row)
    sure = words(
        "sure.fdr",
        raw=words.percent(row["probability"]),
        range=words.percent_range(row["low"], row["high"]),
        pooled=words.percent(row["pooled_probability"]),
        pooled_range=words.percent_range(row["pooled_low"], row["pooled_high"]),
        rate=words.percent(context.false_discovery_rate),
    )
    return _finding(
        words,
        "supplier_worse",
        "finding.part_worse" if what else "finding.supplier_worse",
        sure,
        href,
        supplier=row["supplier"],
        components=components(words, row["component"]),
        what=what,
        failed=words.number(row["failed"]),
        fitted=words.number(row["fitted"]),
        days=words.number(row["window_days"]),
        share=words.percent(row["probability"]),
        others=words.percent(all_share(found, row)),
    )


def _comebacks(tables: Tables, context: Context, words: Words) -> Finding | None:
    rows = figures.comebacks(tables, context.as_of)
    if rows.is_empty():
        return None
    by_kind = {k: rows.filter(pl.col("kind") == k).height for k in figures.KINDS}
    return _finding(
        words,
        "comebacks",
        "finding.comebacks",
        words("sure.lower_bound"),
        f"{SHOP}#back",
        n=words.count("repair", rows.height),
        same=words.number(by_kind["same_part_again"]),
        wrong=words.number(by_kind["wrong_part_first"]),
        another=words.number(by_kind["another_part_soon"]),
        cost=words.money(rows["cost"].sum()),
    )


def _wrong(tables: Tables, context: Context, words: Words) -> Finding | None:
    w = figures.wrong_first(tables, context.confidence)
    if w is None or not w.wrong:
        return None
    cases = words.count("case", w.cases)
    sure = words("sure.interval", level=level(words, context), range=words.percent_range(w.low, w.high), n=cases)
    if w.cases < THIN_CASES:
        sure = f"{words('sure.thin', n=cases)} {sure}"
    return _finding(
        words,
        "wrong",
        "finding.wrong",
        sure,
        f"{SHOP}#guess",
        wrong=words.number(w.wrong),
        cases=words.number(w.cases),
        share=words.percent(w.share),
        first=words.name("component", w.first),
        cause=words.name("component", w.cause),
        pair=words.number(w.pair),
        hours=words("format.hours", n=words.number(w.labour_hours)),
        cost=words.money(w.cost),
    )


def _claims(tables: Tables, context: Context, words: Words) -> Finding | None:
    c = figures.claims(tables, context.as_of)
    if not c.open.height:
        return None
    deadline = c.open["claim_by"].drop_nulls().min()
    sure = words("sure.money_counted")
    if c.missed.height:
        sure += " " + words(
            "finding.claims_missed", amount=words.money(c.missed_amount), n=words.count("part", c.missed.height)
        )
    key = "finding.claims" if deadline else "finding.claims_open_ended"
    return _finding(
        words,
        "claims",
        key,
        sure,
        f"{SHOP}#money",
        amount=words.money(c.amount),
        n=words.count("claim", c.open.height),
        deadline=words.date(deadline),
    )


def map_sentence(m: figures.Map, words: Words) -> tuple[str, dict[str, str]]:
    """Which sentence a map makes ("shift", "same", "mixed", "borrowed") and the values of its places."""
    known = [c for c in m.cells if c.kind != "borrowed"]
    said = {"symptom": words.name("symptom", m.symptom), "lighting": words.name("lighting", m.lighting)}
    if not known:
        firsts = [c.first for c in m.cells]
        return "borrowed", said | {"first": words.name("component", max(sorted(set(firsts)), key=firsts.count))}
    by_km = figures.first_by_km(m)
    runs = [by_km[0]]
    for band, component in by_km[1:]:
        if component != runs[-1][1]:
            runs.append((band, component))
    if len({c.first for c in known}) == 1:
        p = [c.p for c in known]
        return "same", said | {
            "first": words.name("component", known[0].first),
            "low": words.percent(min(p)),
            "high": words.percent(max(p)),
        }
    if len(runs) == 2:
        return "shift", said | {
            "first": words.name("component", runs[0][1]),
            "then": words.name("component", runs[1][1]),
            "km": words.distance(runs[1][0][0]),
        }
    firsts = [c.first for c in known]
    top_one = max(sorted(set(firsts)), key=firsts.count)
    return "mixed", said | {
        "first": words.name("component", top_one),
        "n": words.number(firsts.count(top_one)),
        "cells": words.number(len(known)),
    }


def told_map(tables: Tables) -> figures.Map | None:
    """The map that helps most: where the first suspect alone would be wrong in most cases. That a lamp is behind
    nearly every dark halogen headlamp is known without a map."""
    maps = [m for m in figures.suspicion_maps(tables) if any(c.kind != "borrowed" for c in m.cells)]
    return max(maps, key=lambda m: sum(c.effective_cases * (1 - c.p) for c in m.cells), default=None)


def _map(tables: Tables, words: Words) -> Finding | None:
    m = told_map(tables)
    if m is None:
        return None
    kind, values = map_sentence(m, words)
    known = [c for c in m.cells if c.kind != "borrowed"]
    sure = words(
        "sure.map",
        cases=words.count("case", round(m.cases)),
        clear=words.number(sum(c.kind == "clear" for c in known)),
        cells=words.count("known_cell", len(known)),
    )
    return _finding(words, "map", f"finding.map_{kind}", sure, f"{SHOP}#suspect", **values)


def _rows(tables: Tables, words: Words) -> Finding | None:
    total = figures.accounts(tables)
    if total is None or not total[0]:
        return None
    rows_in, used, aside = total
    n = words.count("file", figures.frame(tables, "files")["file"].n_unique())
    return _finding(
        words,
        "rows",
        "finding.rows" if aside else "finding.rows_all",
        words("sure.counted"),
        f"{QUALITY}#accounts",
        used=words.number(used),
        rows_in=words.number(rows_in),
        files=n,
        share=words.percent(used / rows_in),
        aside=words.count("was", aside),
    )


def _reason(tables: Tables, words: Words) -> Finding | None:
    found = figures.frame(tables, "set_aside_summary", ("reason", "n"))
    if found.is_empty():
        return None
    row = found.sort(["n", "reason"], descending=[True, False]).row(0, named=True)
    return _finding(
        words,
        "reason",
        "finding.reason",
        words("sure.counted"),
        f"{QUALITY}#reasons",
        reason=words.name("reason", row["reason"]),
        n=words.count("row", row["n"]),
        remedy=row.get("remedy") or words("format.nothing"),
    )


def _left_out(tables: Tables, words: Words) -> Finding | None:
    found = figures.worst_left_out(figures.left_out(tables))
    if found is None:
        return None
    desk, what, n, of = found
    return _finding(
        words,
        "left_out",
        "finding.left_out",
        words("sure.counted"),
        f"{QUALITY}#records",
        desk=desk,
        what=words(f"quality.left_{what}"),
        n=words.number(n),
        of=words.count("part", of),
        share=words.percent(n / of),
    )


def _odometer(tables: Tables, words: Words) -> Finding | None:
    found = figures.frame(tables, "odometer_mends", ("rule",))
    if found.is_empty():
        return None
    top_rule = figures.counted(found, "rule").row(0, named=True)
    return _finding(
        words,
        "odometer",
        "finding.odometer",
        words("sure.odometer"),
        f"{QUALITY}#odometer",
        n=words.count("reading", found.height),
        rule=words.name("mend", top_rule["rule"]),
        k=words.number(top_rule["n"]),
    )


def _unread(tables: Tables, words: Words) -> Finding | None:
    found = figures.frame(tables, "unread_texts", ("text", "n"))
    if found.is_empty():
        return None
    row = found.sort(pl.col("text").is_null(), pl.col("n"), "text", descending=[False, True, False]).row(0, named=True)
    return _finding(
        words,
        "unread",
        "finding.unread" if row["text"] else "finding.unread_rare",
        words("sure.counted"),
        f"{QUALITY}#unread",
        n=words.count("line", int(found["n"].sum())),
        text=row["text"] or "",
        k=words.number(row["n"]),
    )


def _backtest(tables: Tables, words: Words) -> Finding | None:
    scores = figures.backtest_scores(tables)
    if scores is None:
        return None
    key = "finding.backtest_good" if scores.better else "finding.backtest_bad"
    sure = words("sure.backtest", n=words.count("case", scores.n)) if scores.n else words("sure.counted")
    return _finding(
        words,
        "backtest",
        key,
        sure,
        f"{QUALITY}#backtest",
        score=words.number(scores.model, 2),
        baseline=words.number(scores.baseline, 2),
    )
