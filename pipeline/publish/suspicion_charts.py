"""Chart shapes of the section on suspicion: data and words in, a chart out, as in charts.py."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.publish import charts, theme
from pipeline.publish.charts import Chart

if TYPE_CHECKING:
    import polars as pl


def stacked(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    y_title: str,
    columns: Sequence[str],
    order: Sequence[tuple[str, str]],
    read: str = "",
    narrow_read: str = "",
    wide: bool = True,
) -> Chart:
    """Shares that make up a hundred, one column a band, each piece named where there is room for the name.

    rows: column, word, short, share (0 .. 1), text (the share in words). order: (word, palette colour), from the
    foot of the columns up."""
    import altair as alt

    data = charts._Rows()
    rank = {word: i for i, (word, _) in enumerate(order)}
    used = []
    for column in columns:
        foot = 0.0
        for r in sorted((r for r in rows if r["column"] == column), key=lambda r: rank[r["word"]]):
            top = foot + 100 * r["share"]
            used.append({**r, "foot": foot, "top": top, "middle": (foot + top) / 2, "share": 100 * r["share"],
                         "colour": theme.colour(dict(order)[r["word"]])})
            foot = top
    x = alt.X("column:N", sort=list(columns), title=x_title, scale=alt.Scale(domain=list(columns), paddingInner=0.08, paddingOuter=0.04),
              axis=alt.Axis(labelAngle=0, ticks=False, domain=False, labelOverlap=False, labelFontSize=alt.ExprRef("width < 460 ? 9 : 12")))
    y = alt.Y("foot:Q", title=y_title, scale=alt.Scale(domain=[0, 100], nice=False), axis=charts._flat_title(tickCount=5, grid=False))
    base = alt.Chart()
    piece = base.mark_bar(stroke=theme.colour("card"), strokeWidth=2, fillOpacity=0.42).encode(
        x=x, y=y, y2="top:Q", fill=alt.Fill("colour:N", scale=None, legend=None))
    room = f"width / {len(columns)}"
    big = base.transform_filter("datum.share >= 9")
    word = big.mark_text(fontSize=11, fontWeight="bold", dy=-6, limit=alt.ExprRef(f"{room} - 6")).encode(
        x=x, y=alt.Y("middle:Q", title=y_title), text=alt.value(alt.expr(f"{room} < 78 ? datum.short : datum.word")))
    share = big.mark_text(fontSize=11, dy=8).encode(x=x, y=alt.Y("middle:Q", title=y_title), text=alt.Text("text:N"))
    chart = alt.layer(piece, word, share, data=data.add(used, ("column", "word", "short", "text", "share", "foot", "top", "middle")))
    return Chart(name, title, alt_text, charts._spec(chart, data, 300), numbers, read, wide, narrow_read)


def slopes(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    y_title: str,
    columns: Sequence[str],
    series: Sequence[tuple[str, str, str]],
    read: str = "",
    wide: bool = True,
) -> Chart:
    """Lines from one moment to the next, with the interval at each and the name at the end.

    rows: series, column, value, low, high (shares), first (it leads all suspects there). series: (word, palette colour,
    dash: "" or lengths such as "5,3")."""
    import altair as alt

    data = charts._Rows()
    words = [s[0] for s in series]
    # The moments stand evenly; lines are a little apart, so that their intervals do not cover each other.
    place = {c: i for i, c in enumerate(columns)}
    apart = {s: (i - (len(words) - 1) / 2) * 0.07 for i, s in enumerate(words)}
    used = [{**r, **{k: 100 * r[k] for k in ("value", "low", "high")}, "at": place[r["column"]] + apart[r["series"]]} for r in rows]
    ends = sorted((r for r in used if r["column"] == columns[-1]), key=lambda r: r["value"])
    top = max(r["high"] for r in used) * 1.04
    # Names at the right end, pushed apart where they would stand on each other.
    least, names = -1e9, []
    for r in ends:
        least = max(r["value"], least + top * 0.06)
        names.append({"series": r["series"], "at": len(columns) - 1 + 0.25, "height": least})
    last, room = len(columns) - 1 + 0.25, 7.6 * max(map(len, words)) + 10
    x = alt.X(
        "at:Q",
        title=x_title,
        scale=alt.Scale(domainMin=-0.3, domainMax=alt.ExprRef(f"-0.3 + {last + 0.3} * width / max(80, width - {room:.0f})"), nice=False),
        axis=alt.Axis(values=list(range(len(columns))), labelExpr=f"{json.dumps(list(columns))}[datum.value]", labelAngle=0, ticks=False,
                      labelOverlap=False, grid=False),
    )
    domain = [0, max(top, max((n["height"] for n in names), default=0) * 1.04)]
    y = alt.Y("value:Q", title=y_title, scale=alt.Scale(domain=domain, nice=False), axis=charts._flat_title(tickCount=5))
    shades = alt.Scale(domain=words, range=[theme.colour(s[1]) for s in series])
    dashes = alt.Scale(domain=words, range=[[int(v) for v in s[2].split(",")] if s[2] else [1, 0] for s in series])
    colour = alt.Color("series:N", scale=shades, legend=None)
    base = alt.Chart()
    line = base.mark_line(strokeWidth=2.4, interpolate="linear").encode(
        x=x, y=y, color=colour, strokeDash=alt.StrokeDash("series:N", scale=dashes, legend=None))
    interval = base.mark_rule(strokeWidth=2, opacity=0.55).encode(
        x=x, y=alt.Y("low:Q", title=y_title), y2="high:Q", color=colour)
    point = base.mark_point(filled=True, size=70, opacity=1, stroke=theme.colour("ink"), strokeWidth=1).encode(
        x=x, y=y, color=colour)
    leads = base.transform_filter("datum.first").mark_point(
        filled=False, size=230, opacity=1, stroke=theme.colour("ink"), strokeWidth=1.4).encode(x=x, y=y)
    called = alt.Chart(data.add(names, ("series", "at", "height"))).mark_text(align="left", fontWeight="bold", fontSize=12).encode(
        x=x, y=alt.Y("height:Q", title=y_title), text=alt.Text("series:N"))
    chart = alt.layer(line, interval, leads, point, called, data=data.add(used, ("series", "at", "value", "low", "high", "first")))
    return Chart(name, title, alt_text, charts._spec(chart, data, 300), numbers, read, wide)


def minutes(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    series: Sequence[tuple[str, str, str]],
    read: str = "",
    wide: bool = True,
) -> Chart:
    """Expected minutes of several orders on one line a row, from the shortest to the longest, with what is saved in words.

    rows: label, series, value, words (of the row's first series; else empty). series: (word, palette colour, shape)."""
    import altair as alt

    data = charts._Rows()
    words = [s[0] for s in series]
    values: dict[str, list[float]] = {}
    for r in rows:
        values.setdefault(r["label"], []).append(r["value"])
    used = [{**r, "far": max(values[r["label"]]), "near": min(values[r["label"]]), "words": r.get("words", "")} for r in rows]
    top = max(r["far"] for r in used)
    room = 6.6 * max(len(r["words"]) for r in used) + 16
    x = alt.X("value:Q", title=x_title, axis=alt.Axis(tickCount=6), scale=alt.Scale(
        domainMin=0, domainMax=alt.ExprRef(f"{top:.6g} * width / max(80, width - {room:.0f})"), nice=False))
    y = charts._y_names(used)
    legend = alt.Legend(title=None, symbolSize=100, offset=20, labelLimit=300, columns=alt.ExprRef("width < 460 ? 1 : 0"))
    shades = alt.Scale(domain=words, range=[theme.colour(s[1]) for s in series])
    shapes = alt.Scale(domain=words, range=[s[2] for s in series])
    base = alt.Chart()
    first = base.transform_filter("datum.words != ''")
    span = first.mark_rule(strokeWidth=2, color=theme.colour("soft")).encode(x=alt.X("near:Q", title=x_title), x2="far:Q", y=y)
    point = base.mark_point(filled=True, size=95, opacity=1, stroke=theme.colour("ink"), strokeWidth=1).encode(
        x=x, y=y, color=alt.Color("series:N", scale=shades, legend=legend), shape=alt.Shape("series:N", scale=shapes, legend=legend))
    told = first.mark_text(align="left", dx=12, fontSize=12).encode(x=alt.X("far:Q", title=x_title), y=y, text="words:N")
    chart = alt.layer(span, point, told, data=data.add(used, ("label", "series", "value", "near", "far", "words")))
    lines = max(r["label"].count("\n") + 1 for r in used)
    return Chart(name, title, alt_text, charts._spec(chart, data, max(34, 17 * lines + 8) * len(values) + 6), numbers, read, wide)
