"""The data-quality page: every row accounted for, reasons and remedies, mended readings, unread words, and the
model's test."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.publish import charts, figures, section_lifetimes_more, section_records
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.findings import level
from pipeline.publish.telling import MOST_ROWS, head, more_rows, short, slug, upper, wrap
from pipeline.publish.views import Context, Pictures, Said, Section, Table, cell, table
from pipeline.publish.words import Words


def sections(tables: Tables, context: Context, words: Words) -> list[Section]:
    """All sections, in reading order. One without data says so in words, where its absence tells something."""
    made = [
        _accounts(tables, words),
        _reasons(tables, words),
        section_records.records(tables, words),
        _odometer(tables, words),
        _unread(tables, words),
        _walk(tables, words),
        _backtest(tables, context, words),
        _not_answered(tables, words),
    ]
    return [s for s in made if s]


def _accounts(tables: Tables, w: Words) -> Section:
    title, lead = w("quality.accounts"), w("quality.accounts_lead")
    total = figures.accounts(tables)
    if total is None:
        return Section("accounts", title, (Said(w("quality.accounts_none"), "thin"),), lead)
    files = figures.with_columns(tables["files"], table_name=None, shape=None).sort(
        ["file", "table_name"], nulls_last=True
    )
    items: list[Any] = []
    wrong = files.filter(pl.col("rows_in") != pl.col("rows_used") + pl.col("rows_set_aside"))
    if wrong.height:
        items.append(Said(w("quality.accounts_wrong", files=w.list(wrong["file"].to_list())), "caution"))
    losing = files.filter(pl.col("rows_set_aside") > 0).sort(["rows_set_aside", "file"], descending=[True, False])
    if losing.height:
        items.append(Pictures((_by_file(losing.head(12), total, w),)))
    items.append(_by_table(files, total, w))
    body = [
        [
            cell(r["file"], strong=True),
            w.name("table", r["table_name"]),
            w.number(r["rows_in"]),
            w.number(r["rows_used"]),
            cell(
                w.number(r["rows_set_aside"]),
                w.percent(r["rows_set_aside"] / r["rows_in"]) if r["rows_set_aside"] else "",
            ),
            cell(r["shape"] or ""),
        ]
        for r in files.head(2 * MOST_ROWS).iter_rows(named=True)
    ]
    items.append(
        table(
            "table-files",
            w("quality.accounts_table"),
            head(w, "file", "table", "rows_in#", "rows_used#", "rows_aside#", "shape"),
            body,
            note=more_rows(w, min(files.height, 2 * MOST_ROWS), files.height, "tables/files.csv"),
            csv="tables/files.csv",
            folded=True,
        )
    )
    return Section("accounts", title, tuple(items), lead)


def _by_table(files: pl.DataFrame, total: tuple[int, int, int], w: Words) -> Table:
    """What the files hold, one row a kind of table, and all together."""

    def row(name: str, n: int, counts: Sequence[int]) -> list[Any]:
        share = w.percent(counts[2] / counts[0]) if counts[2] and counts[0] else ""
        return [cell(name, strong=True), w.number(n), *map(w.number, counts[:2]), cell(w.number(counts[2]), share)]

    kinds = (
        files.group_by("table_name")
        .agg(pl.col("file").n_unique(), *(pl.col(c).sum() for c in ("rows_in", "rows_used", "rows_set_aside")))
        .sort(["rows_in", "table_name"], descending=[True, False], nulls_last=True)
    )
    body = [row(upper(w.name("table", r[0])), r[1], r[2:]) for r in kinds.iter_rows()]
    if kinds.height > 1:
        body.append(row(w("quality.all_files"), files["file"].n_unique(), total))
    return table(
        "table-tables", w("quality.accounts_tables"), head(w, "table", "files#", "rows_in#", "rows_used#", "rows_aside#"), body
    )


def _by_file(losing: pl.DataFrame, total: tuple[int, int, int], w: Words) -> Chart:
    rows = [
        {
            "label": short(r["file"], 34),
            "value": r["rows_set_aside"],
            "colour": "orange",
            "text": f"{w.number(r['rows_set_aside'])} · {w.percent(r['rows_set_aside'] / r['rows_in'])}",
        }
        for r in losing.iter_rows(named=True)
    ]
    return charts.bars(
        "set_aside_by_file",
        rows,
        losing.select("file", "rows_in", "rows_used", "rows_set_aside"),
        title=upper(
            w(
                "quality.accounts_title",
                share=w.percent(total[1] / total[0]),
                file=losing["file"][0],
                n=w.number(losing["rows_set_aside"][0]),
            )
        ),
        alt_text=w("quality.accounts_alt", items=w.list([f"{r['label']} {w.number(r['value'])}" for r in rows])),
        x_title=w("quality.accounts_x"),
        read=w("quality.accounts_read"),
        wide=True,
    )


def _reasons(tables: Tables, w: Words) -> Section:
    title = w("quality.reasons")
    found = figures.frame(tables, "set_aside_summary", ("reason", "n"))
    if found.is_empty():
        return Section("reasons", title, (Said(w("quality.reasons_none")),))
    found = figures.with_columns(found, example_file=None, example_row=None, remedy=None).sort(
        ["n", "reason"], descending=[True, False]
    )
    names = [upper(w.name("reason", r)) for r in found["reason"]]
    rows, listed = _aside_rows(tables, found["reason"].to_list(), w)
    total = found["n"].sum()
    shown = min(found.height, 12)
    chart = charts.bars(
        "set_aside_by_reason",
        [
            {"label": "\n".join(wrap(n, 26)), "value": k, "text": w.number(k), "colour": "orange"}
            for n, k in zip(names[:shown], found["n"][:shown], strict=True)
        ],
        found.select("reason", "n"),
        title=w("quality.reasons_title", reason=names[0], share=w.percent(found["n"][0] / total)),
        alt_text=w(
            "quality.reasons_alt",
            items=w.list([f"{n} {w.number(k)}" for n, k in zip(names[:shown], found["n"][:shown], strict=True)]),
        ),
        x_title=w("quality.reasons_x"),
        wide=True,
    )
    body = [
        [
            cell(n, strong=True),
            w.number(r["n"]),
            cell(
                r["example_file"],
                w("quality.row", n=w.number(r["example_row"])) if r["example_row"] is not None else "",
            ),
            cell(r["remedy"] or ""),
            cell(w("quality.rows_link"), href=f"#aside-{slug(r['reason'])}") if r["reason"] in listed else "",
        ]
        for n, r in zip(names, found.iter_rows(named=True), strict=True)
    ]
    items = (
        Pictures((chart,)),
        table(
            "table-reasons",
            w("quality.reasons_table"),
            head(w, "reason", "n#", "example", "remedy", "see@"),
            body,
            csv="tables/set_aside.csv",
        ),
        *rows,
    )
    return Section("reasons", title, items, w("quality.reasons_lead", file="tables/set_aside.csv"))


ROWS_OF_A_REASON = 12  # set-aside rows listed on the page for each reason; all of them stand in the file


def _aside_rows(tables: Tables, reasons: Sequence[str], w: Words) -> tuple[list[Table], set[str]]:
    """The rows set aside, reason by reason, each reason's first row with an anchor; and the reasons that are listed."""
    found = figures.frame(tables, "set_aside", ("file", "row", "reason"))
    if found.is_empty():
        return [], set()
    found = figures.with_columns(found, column_name=None, value=None, expected=None)
    rank = {r: k for k, r in enumerate(reasons)}
    order = pl.col("reason").replace_strict(rank, default=len(rank), return_dtype=pl.Int64)
    rows = found.with_columns(rank=order).sort(["rank", "reason", "file", "row", "column_name"], nulls_last=True)
    some = rows.filter(pl.int_range(pl.len()).over("reason") < ROWS_OF_A_REASON).head(5 * MOST_ROWS)
    ids, listed, body = [], set(), []
    for r in some.iter_rows(named=True):
        ids.append("" if r["reason"] in listed else f"aside-{slug(r['reason'])}")
        listed.add(r["reason"])
        value = short(str(r["value"]), 60) if r["value"] is not None else w("format.nothing")
        body.append(
            [
                cell(upper(w.name("reason", r["reason"]))),
                cell(r["file"], w("quality.row", n=w.number(r["row"])) if r["row"] is not None else ""),
                cell(value, r["column_name"] or ""),
                cell(r["expected"] or ""),
            ]
        )
    made = table(
        "table-set-aside",
        w("quality.rows_table"),
        head(w, "reason", "file", "value", "expected"),
        body,
        ids=ids,
        note=more_rows(w, len(body), found.height, "tables/set_aside.csv"),
        csv="tables/set_aside.csv",
        folded=True,
    )
    return [made], listed


def _odometer(tables: Tables, w: Words) -> Section:
    title = w("quality.odometer")
    found = figures.frame(tables, "odometer_mends", ("rule",))
    if found.is_empty():
        return Section("odometer", title, (Said(w("quality.odometer_none")),))
    rules = figures.counted(found, "rule")
    names = [upper(w.name("mend", r)) for r in rules["rule"]]
    chart = charts.bars(
        "odometer_mends",
        [
            {"label": "\n".join(wrap(n, 30)), "value": k, "text": w.number(k), "colour": "purple"}
            for n, k in zip(names, rules["n"], strict=True)
        ][:12],
        rules,
        title=w("quality.odometer_title", n=w.count("reading", found.height), rule=w.name("mend", rules["rule"][0])),
        alt_text=w(
            "quality.odometer_alt", items=w.list([f"{n} {w.number(k)}" for n, k in zip(names, rules["n"], strict=True)])
        ),
        x_title=w("quality.odometer_x"),
        wide=True,
    )
    items: list[Any] = [Pictures((chart,))]
    mended = next((c for c in ("mended_km", "mended", "km") if c in found.columns), None)
    if mended and "raw" in found.columns:
        found = figures.with_columns(found, file=None, row=None, unit=None, reading_on=None)
        # The first of each rule, then on: an example of everything before many of one kind.
        some = (
            found.with_columns(nth=pl.int_range(pl.len()).over("rule"))
            .sort("nth", maintain_order=True)
            .head(MOST_ROWS // 2)
        )
        body = [
            [
                cell(r["file"] or "", w("quality.row", n=w.number(r["row"])) if r["row"] is not None else ""),
                cell(w.short_date(r["reading_on"])),
                cell(r["raw"], r["unit"] or ""),
                cell(w.reading(r[mended]) if r[mended] is not None else w("quality.not_used")),
                cell(upper(w.name("mend", r["rule"]))),
            ]
            for r in some.iter_rows(named=True)
        ]
        items.append(
            table(
                "table-odometer",
                w("quality.odometer_table"),
                head(w, "file", "date", "raw#", "mended#", "rule"),
                body,
                note=more_rows(w, len(body), found.height, "tables/odometer_mends.csv"),
                csv="tables/odometer_mends.csv",
                folded=True,
            )
        )
    return Section("odometer", title, tuple(items), w("quality.odometer_lead", file="tables/odometer_mends.csv"))


def _unread(tables: Tables, w: Words) -> Section:
    """Wordings that do not tell which part or side was worked on, the commonest first."""
    title = w("quality.unread")
    found = figures.frame(tables, "unread_texts", ("text", "why", "n", "wordings"))
    if found.is_empty():
        return Section("unread", title, (Said(w("quality.unread_none")),))
    found = found.sort(pl.col("text").is_null(), pl.col("n"), "text", "why", descending=[False, True, False, False])
    shown = pl.concat([found.filter(pl.col("text").is_not_null()).head(MOST_ROWS // 2), found.filter(pl.col("text").is_null())])
    body = [
        [
            cell(r["text"] or w("quality.unread_rare", n=w.number(r["wordings"])), strong=r["text"] is not None),
            w(f"quality.unread_{r['why']}"),
            w.number(r["n"]),
        ]
        for r in shown.iter_rows(named=True)
    ]
    told = table("table-unread", w("quality.unread_table"), head(w, "text", "not_told", "n#"), body,
                 note=more_rows(w, len(body), found.height, "tables/unread_texts.csv"), csv="tables/unread_texts.csv")
    return Section("unread", title, (told,), w("quality.unread_lead"))


def _walk(tables: Tables, w: Words) -> Section | None:
    title, lead = w("quality.walk"), w("quality.walk_lead")
    if figures.frame(tables, "walk_in_sensitivity").is_empty():
        return None
    return Section("walk", title, tuple(section_lifetimes_more.walk_in(tables, w)), lead)


def any_table(id: str, caption: str, found: pl.DataFrame, w: Words, file: str) -> Table:
    """A table whose columns nobody foresaw: headings from the text file where it has them, values by their
    type."""

    def heading(c: str) -> str:
        return w(f"head.{c}") if w.has(f"head.{c}") else upper(c.replace("_", " "))

    def text(c: str, v: Any) -> str:
        if v is None:
            return w("format.nothing")
        if isinstance(v, bool):
            return w("format.yes") if v else w("format.no")
        if isinstance(v, float):
            share = c in ("share", "probability", "low", "high") and 0 <= v <= 1
            return w.percent(v) if share else w.reading(v) if c.endswith("_km") else w.significant(v, 3)
        if isinstance(v, int):
            return w.number(v)
        if hasattr(v, "year"):
            return w.short_date(v)
        return w.name(c, v) if c in w.texts and isinstance(w.texts[c], dict) else str(v)

    numeric = {c for c, t in found.schema.items() if t.is_numeric()}
    body = [[text(c, r[c]) for c in found.columns] for r in found.head(MOST_ROWS).iter_rows(named=True)]
    return table(
        id,
        caption,
        [(heading(c), "number" if c in numeric else "text") for c in found.columns],
        body,
        note=more_rows(w, len(body), found.height, file),
        csv=file,
    )


def _backtest(tables: Tables, context: Context, w: Words) -> Section:
    title, lead = w("quality.backtest"), w("quality.backtest_lead")
    rows = figures.backtest_rows(tables)
    if rows.is_empty():
        found = figures.frame(tables, "backtest")
        if found.is_empty():
            return Section("backtest", title, (Said(w("quality.backtest_none"), "thin"),), lead)
        return Section(
            "backtest",
            title,
            (any_table("table-backtest", w("quality.backtest_table"), found, w, "tables/backtest.csv"),),
            lead,
        )
    items: list[Any] = []
    pictures = []
    if rows["low"].null_count() == 0:
        data = [
            {
                "label": upper(w.name("method", r["method"])),
                "series": "score",
                "value": r["log_score"],
                "low": r["low"],
                "high": r["high"],
            }
            for r in rows.iter_rows(named=True)
        ]
        pictures.append(
            charts.dot_interval(
                "backtest",
                data,
                rows,
                title=_backtest_title(tables, w),
                alt_text=w(
                    "quality.backtest_alt", items=w.list([f"{d['label']} {w.number(d['value'], 2)}" for d in data])
                ),
                x_title=w("quality.backtest_x"),
                series=(("score", "blue", "circle"),),
                percent=False,
            )
        )
    chart = _reliability(tables, context, w)
    if chart:
        pictures.append(chart)
    if pictures:
        items.append(Pictures(tuple(pictures)))
    body = [
        [
            cell(upper(w.name("method", r["method"])), strong=r["method"] == "model"),
            w.number(r["n"]),
            w.number(r["log_score"], 3),
            w.number(r["brier"], 3),
        ]
        for r in rows.iter_rows(named=True)
    ]
    items.append(
        table(
            "table-backtest",
            w("quality.backtest_table"),
            head(w, "method", "cases#", "log_score#", "brier#"),
            body,
            csv="tables/backtest.csv",
        )
    )
    return Section("backtest", title, tuple(items), lead)


def _backtest_title(tables: Tables, w: Words) -> str:
    scores = figures.backtest_scores(tables)
    if scores is None:
        return w("quality.backtest_title")
    key = "quality.backtest_title_good" if scores.better else "quality.backtest_title_bad"
    return w(key, score=w.number(scores.model, 2), baseline=w.number(scores.baseline, 2))


def _reliability(tables: Tables, context: Context, w: Words) -> Chart | None:
    found = figures.frame(tables, "backtest_reliability", ("said", "came_true", "n"))
    if found.is_empty():
        return None
    found = figures.with_columns(found, low=None, high=None).filter(pl.col("n") > 0).sort("said")
    # The title is the worst of the groups that are worth judging.
    judged = found.filter(pl.col("n") >= min(20, int(found["n"].max())))
    far = judged.sort([(pl.col("said") - pl.col("came_true")).abs(), "said"], descending=[True, False]).row(
        0, named=True
    )
    items = [
        w("quality.reliability_alt_item", said=w.percent(r["said"]), came=w.percent(r["came_true"]))
        for r in found.iter_rows(named=True)
    ]
    return charts.reliability(
        "reliability",
        found.select("said", "came_true", "low", "high", "n").to_dicts(),
        found,
        title=w("quality.reliability_title", said=w.percent(far["said"]), came=w.percent(far["came_true"])),
        alt_text=w("quality.reliability_alt", items="; ".join(items)),
        x_title=w("quality.reliability_x"),
        y_title=w("quality.reliability_y"),
        diagonal_words=w("quality.reliability_line"),
        read=w("quality.reliability_read", level=level(w, context)),
    )


def _not_answered(tables: Tables, w: Words) -> Section:
    """Questions that no row of these exports can answer, with the column that would, the gravest loss first."""
    title = w("quality.not_answered")
    found = figures.frame(tables, "not_answered", ("question", "weight"))
    if found.is_empty():
        return Section("not-answered", title, (Said(w("quality.not_answered_none")),))
    asked = found.sort("weight", "question", descending=[True, False])["question"]
    body = [[cell(upper(w(f"not_answered.{q}")), strong=True), w(f"not_answered.{q}_needs")] for q in asked]
    told = table("table-not-answered", w("quality.not_answered_table"), head(w, "not_answered", "needs"), body,
                 csv="tables/not_answered.csv")
    return Section("not-answered", title, (told,), w("quality.not_answered_lead"))
