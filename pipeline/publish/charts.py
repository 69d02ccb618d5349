"""The chart functions: data and words in, a chart out. No chart knows what it is about, and no template knows
how to draw.

Every function returns a `Chart`: its finding as title, its alternative text, the specification without sizes or
fonts (colours by name, see theme.py), and the numbers drawn, which are published beside it. Intervals are drawn
wherever an estimate is. Data are checked against the encoding before they are drawn, as a misnamed field would
give an empty picture without a message."""

from __future__ import annotations

import contextlib
import copy
import json
import math
import textwrap
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.publish import theme

if TYPE_CHECKING:
    import altair as alt
    import polars as pl

STATIC_WIDTH, NARROW_STATIC_WIDTH = 760, 430  # of picture files: over a sheet, and beside another on it
TITLE_LETTERS = 44  # of an axis' title in one line, at 360 px
CHECK_AGAINST_SCHEMA = False  # half the time of making pages: the tests check every chart function, a run need not
LABEL_LINE = 14  # px from one line of an axis label to the next
MAX_POINTS = 300  # a line with more is thinned to so many: no eye can tell


@dataclass(frozen=True)
class Chart:
    """One picture. `name` is its file stem and element id; `numbers` is what is drawn, for the table and the
    CSV behind it."""

    name: str
    title: str
    alt: str
    spec: dict[str, Any]
    numbers: pl.DataFrame
    read: str = ""  # how to read it, one or two sentences
    wide: bool = False  # takes the whole width of the page
    narrow_read: str = ""  # said on narrow screens only, where names are shortened

    def static(self, width: int | None = None, font: str = theme.FONT_STATIC) -> dict[str, Any]:
        """The specification as a picture file needs it: width, title, ground, colours and a font that is
        there."""
        width = width or (STATIC_WIDTH if self.wide else NARROW_STATIC_WIDTH)
        spec = copy.deepcopy(self.spec)
        spec["width"] = width
        letters = int(width / 9.8)
        spec["title"] = {"text": textwrap.wrap(self.title, letters)}
        if self.read:
            spec["title"]["subtitle"] = textwrap.wrap(self.read, int(letters * 1.3))
        spec["config"] = theme.config(font, title_frame="bounds")
        spec["padding"] = 18
        spec["background"] = theme.LIGHT["card"]
        return theme.with_values(spec)


@contextlib.contextmanager
def unchecked() -> Iterator[None]:
    """Charts made inside are not held against the drawing library's schema as they are put together."""
    from altair.utils import schemapi

    with schemapi.debug_mode(CHECK_AGAINST_SCHEMA):
        yield


class _Rows:
    """The data of one chart, kept out of the drawing library's validation (which would look at every number)
    and put in after it."""

    def __init__(self) -> None:
        self.sets: dict[str, list[dict[str, Any]]] = {}

    def add(self, rows: Sequence[dict[str, Any]], fields: Sequence[str]) -> alt.NamedData:
        """Rows under a name. Raises ValueError where a row lacks a field that will be drawn: it would be blank
        without a word."""
        import altair as alt

        for row in rows:
            lacking = [f for f in fields if f not in row]
            if lacking:
                raise ValueError(f"chart data lack the fields {lacking}")
        name = f"rows_{len(self.sets)}"
        self.sets[name] = [
            {k: (None if isinstance(v, float) and not math.isfinite(v) else v) for k, v in row.items()} for row in rows
        ]
        return alt.NamedData(name=name)


def _spec(chart: Any, rows: _Rows, height: int) -> dict[str, Any]:
    """The specification with its data, without the library's version and schema address."""
    spec = chart.properties(width="container", height=height).to_dict(validate=CHECK_AGAINST_SCHEMA)
    for key in ("config", "$schema"):
        spec.pop(key, None)
    _break_titles(spec)
    spec["autosize"] = {"type": "fit-x", "contains": "padding"}
    spec["datasets"] = rows.sets
    return json.loads(json.dumps(spec, allow_nan=False))


def _break_titles(part: Any) -> None:
    """Titles of axes that no phone has room for in one line stand in two."""
    if isinstance(part, dict):
        for channel in ("x", "y"):
            encoded = part.get("encoding", {}).get(channel, {})
            if isinstance(encoded.get("title"), str) and len(encoded["title"]) > TITLE_LETTERS:
                encoded["title"] = textwrap.wrap(encoded["title"], TITLE_LETTERS)
        for inner in part.get("layer", []):
            _break_titles(inner)


def _y_names(rows: Sequence[dict[str, Any]], field: str = "label", offset: bool = False) -> alt.Y:
    import altair as alt

    order = list(dict.fromkeys(r[field] for r in rows))
    # The drawing library puts the first line of a label at the middle of its row: lift those of several lines by half of the rest.
    lines = Counter(str(name).count("\n") for name in order)
    lift = -LABEL_LINE / 2 * min(lines, key=lambda n: (-lines[n], n)) if lines else 0
    return alt.Y(
        f"{field}:N",
        sort=order,
        title=None,
        axis=alt.Axis(labelExpr="split(datum.label, '\\n')", labelLimit=260, labelOffset=lift, ticks=False, grid=False, domain=False),
    )


def bars(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    read: str = "",
    wide: bool = False,
) -> Chart:
    """Horizontal bars with their figures written out. rows: label, value, text, colour (a palette name)."""
    import altair as alt

    data = _Rows()
    used = [{**r, "colour": theme.colour(r["colour"])} if "colour" in r else r for r in rows]
    top = max((r["value"] for r in rows), default=1) or 1
    y = _y_names(rows)
    # Room for the longest text at the right end, whatever the width of the screen.
    room = 7.4 * max((len(r["text"]) for r in rows), default=0) + 14
    x = alt.X(
        "value:Q",
        title=x_title,
        axis=alt.Axis(tickCount=4, tickMinStep=1, format=",d"),
        scale=alt.Scale(domainMin=0, domainMax=alt.ExprRef(f"{top} * width / max(50, width - {room:.0f})"), nice=False),
    )
    base = alt.Chart()
    bar = base.mark_bar(height={"band": 0.62}, cornerRadiusEnd=2).encode(
        x=x, y=y, color=alt.Color("colour:N", scale=None, legend=None)
    )
    text = base.mark_text(align="left", dx=6).encode(x=x, y=y, text=alt.Text("text:N"))
    chart = alt.layer(bar, text, data=data.add(used, ("label", "value", "text", "colour")))
    lines = max(r["label"].count("\n") + 1 for r in rows)
    return Chart(name, title, alt_text, _spec(chart, data, (16 + 16 * lines) * len(rows) + 8), numbers, read, wide)


def month_tiles(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    colour: str = "blue",
    read: str = "",
    wide: bool = False,
) -> Chart:
    """Months across, things down, the count written in each tile and its ground the deeper the more.
    rows: label, month (a short label, in order), n, mark (true: the month of the report)."""
    import altair as alt

    data = _Rows()
    months = list(dict.fromkeys(r["month"] for r in rows))
    top = max((r["n"] for r in rows), default=1) or 1
    x = alt.X(
        "month:N",
        sort=months,
        title=None,
        axis=alt.Axis(
            orient="top",
            labelAngle=0,
            ticks=False,
            domain=False,
            labelOverlap=False,
            labelExpr="width < 400 ? slice(datum.value, 0, 1) : width < 720 ? split(datum.value, ' ')[0] : datum.value",
        ),
    )
    y = _y_names(rows)
    base = alt.Chart()
    tile = base.mark_rect(cornerRadius=2, stroke=theme.colour("card"), strokeWidth=2, fill=theme.colour(colour)).encode(
        x=x, y=y, fillOpacity=alt.FillOpacity("n:Q", legend=None, scale=alt.Scale(domain=[0, top], range=[0.03, 0.5]))
    )
    frame = (
        base.transform_filter("datum.mark")
        .mark_rect(fill=None, stroke=theme.colour("ink"), strokeWidth=1.2)
        .encode(x=x, y=y)
    )
    some = base.transform_filter("datum.n > 0")  # an empty tile is quicker to see than a nought
    text = some.mark_text(fontSize=12).encode(x=x, y=y, text=alt.Text("n:Q", format=",d"))
    chart = alt.layer(tile, frame, text, data=data.add(rows, ("label", "month", "n", "mark")))
    labels = list(dict.fromkeys(r["label"] for r in rows))
    lines = max(label.count("\n") + 1 for label in labels)
    return Chart(name, title, alt_text, _spec(chart, data, max(30, 17 * lines + 6) * len(labels)), numbers, read, wide)


def dot_interval(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    series: Sequence[tuple[str, str, str]],
    reference: tuple[float, str] | None = None,
    read: str = "",
    wide: bool = False,
    percent: bool = True,
) -> Chart:
    """Estimates with their intervals, two or more series side by side in each row.

    rows: label, series, value, low, high (value null: not estimated; low, high null: no interval). series:
    (word, palette name, shape). reference: a value to compare with, drawn as a line, and its words."""
    import altair as alt

    data = _Rows()
    scale_x = 100.0 if percent else 1.0
    rows = [{**r, **{k: None if r[k] is None else r[k] * scale_x for k in ("value", "low", "high")}} for r in rows]
    fields = ("label", "series", "value", "low", "high")
    words = [s[0] for s in series]
    ends = [v for r in rows for v in (r["high"], r["value"]) if v is not None] + (
        [reference[0] * scale_x] if reference else []
    )
    top = max(ends, default=1.0)
    # Shares are judged from nought; a score has no nought that means anything, so its axis begins a little
    # below the least.
    least = min((v for r in rows for v in (r["low"], r["value"]) if v is not None), default=0.0)
    bottom = 0.0 if percent else least - 0.15 * (top - least)
    if least >= 0:
        bottom = max(0.0, bottom)
    base = alt.Chart()
    y = _y_names(rows)
    offset = alt.YOffset("series:N", sort=words, scale=alt.Scale(domain=words, paddingOuter=0.35))
    domain = [bottom, min(100.0, top * 1.04) if percent else top * 1.04]
    span = alt.Scale(domain=domain, nice=False, clamp=True, zero=False)
    x = alt.X("value:Q", title=x_title, scale=span, axis=alt.Axis(tickCount=6))
    long = sum(map(len, words)) > 34
    legend = (
        alt.Legend(title=None, symbolSize=100, offset=20, labelLimit=300, columns=1 if long else 0)
        if len(words) > 1
        else None
    )
    shades = alt.Scale(domain=words, range=[theme.colour(s[1]) for s in series])
    shape = alt.Scale(domain=words, range=[s[2] for s in series])
    colour = alt.Color("series:N", scale=shades, legend=legend)
    interval = base.mark_rule(strokeWidth=2.4, strokeCap="round").encode(
        x=alt.X("low:Q", title=x_title, scale=span, axis=alt.Axis(tickCount=6)),
        x2=alt.X2("high:Q"),
        y=y,
        yOffset=offset,
        color=colour,
    )
    point = base.mark_point(size=84, filled=True, opacity=1, stroke=theme.colour("ink"), strokeWidth=1).encode(
        x=x, y=y, yOffset=offset, color=colour, shape=alt.Shape("series:N", scale=shape, legend=legend)
    )
    layers = [interval, point]
    if reference:
        at = [{"at": reference[0] * scale_x, "words": reference[1]}]
        line = alt.Chart(data.add(at, ("at", "words")))
        layers.insert(0, line.mark_rule(strokeDash=[5, 4], color=theme.colour("soft")).encode(x=alt.X("at:Q")))
        right = reference[0] * scale_x > 0.6 * domain[1]
        layers.append(
            line.mark_text(
                align="right" if right else "left",
                dx=-5 if right else 5,
                baseline="bottom",
                dy=-4,
                color=theme.colour("soft"),
                fontSize=11,
            ).encode(x=alt.X("at:Q"), y=alt.value(0), text=alt.Text("words:N"))
        )
    chart = alt.layer(*layers, data=data.add(rows, fields))
    labels = list(dict.fromkeys(r["label"] for r in rows))
    lines = max(label.count("\n") + 1 for label in labels)
    return Chart(
        name, title, alt_text, _spec(chart, data, max(46, 17 * lines + 12) * len(labels) + 6), numbers, read, wide
    )


def funnel(
    name: str,
    rows: Sequence[dict[str, Any]],
    limits: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    y_title: str,
    overall: tuple[float, str],
    read: str = "",
    wide: bool = False,
) -> Chart:
    """A rate against the number that it rests on, inside the limits that chance alone gives.

    rows: n, value (share), label (null: not named), out (outside the inner limits). limits: n, low95, high95,
    low998, high998 (shares, by n). overall: the share of all, and its words."""
    import altair as alt

    data = _Rows()
    points = [{**r, "value": 100 * r["value"]} for r in rows]
    bands = [{k: (v if k == "n" else 100 * v) for k, v in r.items()} for r in limits]
    # High enough for every mark, and for the outer limit of a middling number: the neck of the funnel must be
    # seen.
    middling = sorted(r["high998"] for r in bands)[int(0.6 * len(bands))]
    top = max([r["value"] for r in points] + [middling]) * 1.12
    last = max(r["n"] for r in bands)
    x = alt.X(
        "n:Q",
        title=x_title,
        scale=alt.Scale(type="log", domain=[min(r["n"] for r in bands), last * 1.12], nice=False),
        axis=alt.Axis(
            values=[m * 10**e for e in range(6) for m in (1, 2, 5) if m * 10**e <= last * 1.12], grid=False, format=",d"
        ),
    )
    y = alt.Y(
        "value:Q",
        title=y_title,
        scale=alt.Scale(domain=[0, top], nice=False, clamp=True),
        axis=_flat_title(tickCount=5),
    )
    band = alt.Chart(data.add(bands, ("n", "low95", "high95", "low998", "high998")))
    outer = band.mark_area(color=theme.colour("hair"), opacity=0.45, interpolate="linear", clip=True).encode(
        x=x, y=alt.Y("low998:Q", title=y_title), y2=alt.Y2("high998:Q")
    )
    inner = band.mark_area(color=theme.colour("hair"), opacity=0.9, interpolate="linear", clip=True).encode(
        x=x, y=alt.Y("low95:Q"), y2=alt.Y2("high95:Q")
    )
    mean = alt.Chart(data.add([{"value": 100 * overall[0], "words": overall[1]}], ("value",)))
    line = mean.mark_rule(strokeDash=[5, 4], color=theme.colour("soft")).encode(y=alt.Y("value:Q"))
    said = mean.mark_text(align="left", baseline="bottom", dy=-4, dx=4, color=theme.colour("soft"), fontSize=11).encode(
        y=alt.Y("value:Q"), x=alt.value(0), text=alt.Text("words:N")
    )
    dots = alt.Chart(data.add(points, ("n", "value", "label", "out")))
    inside = (
        dots.transform_filter("!datum.out")
        .mark_point(
            filled=True,
            shape="circle",
            size=70,
            opacity=1,
            fill=theme.colour("blue"),
            stroke=theme.colour("ink"),
            strokeWidth=0.8,
        )
        .encode(x=x, y=y)
    )
    outside = (
        dots.transform_filter("datum.out")
        .mark_point(
            filled=True,
            shape="diamond",
            size=150,
            opacity=1,
            fill=theme.colour("red"),
            stroke=theme.colour("ink"),
            strokeWidth=1,
        )
        .encode(x=x, y=y)
    )
    named = (
        dots.transform_filter("datum.label != null")
        .mark_text(align="right", dx=-9, dy=-8, fontSize=12)
        .encode(x=x, y=y, text=alt.Text("label:N"))
    )
    chart = alt.layer(outer, inner, line, said, inside, outside, named)
    return Chart(name, title, alt_text, _spec(chart, data, 300), numbers, read, wide)


def _flat_title(**more: Any) -> alt.Axis:
    """A y axis whose title lies flat above it: nobody has to turn the head."""
    import altair as alt

    return alt.Axis(
        titleAngle=0, titleAlign="left", titleAnchor="end", titleBaseline="bottom", titleX=-36, titleY=-8, **more
    )


def survival(
    name: str,
    curves: Sequence[dict[str, Any]],
    at_risk: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    y_title: str,
    ticks: Sequence[float],
    at_risk_words: str,
    series: Sequence[tuple[str, str]],
    read: str = "",
    wide: bool = False,
) -> Chart:
    """Step curves with bands, named at their ends, and the numbers at risk standing under the axis.

    curves: series, t, survival, low, high (shares; t in the axis' unit). at_risk: series, t, n. series: (word,
    palette name)."""
    import altair as alt

    data = _Rows()
    words = [s[0] for s in series]
    shown = [w for w in words if any(c["series"] == w for c in curves)]
    rows = []
    for word in shown:
        rows += _thin(
            [
                {**c, **{k: None if c[k] is None else 100 * c[k] for k in ("survival", "low", "high")}}
                for c in curves
                if c["series"] == word
            ]
        )
    longest = max(r["t"] for r in rows)
    ends = {w: [r for r in rows if r["series"] == w][-1] for w in shown}
    # Names at the ends of the lines, pushed apart where two lines end at one height.
    places = sorted(((e["survival"], w) for w, e in ends.items()), reverse=True)
    heights, ceiling = {}, 104.0
    for value, word in places:
        heights[word] = min(value, ceiling - 7.5) if heights else value
        ceiling = heights[word]
    lowest = min(heights.values())
    if lowest < 3:
        heights = {w: h + 3 - lowest for w, h in heights.items()}
    names = [{"series": w, "t": ends[w]["t"], "at": heights[w]} for w in shown]
    # Each name begins where its line ends: the axis leaves room for the longest, whatever the width of the
    # screen.
    room = 8 * max(map(len, shown)) + 10
    x = alt.X(
        "t:Q",
        title=x_title,
        axis=alt.Axis(values=list(ticks), format=",~f", grid=False),
        scale=alt.Scale(domainMin=0, domainMax=alt.ExprRef(f"{longest} * width / max(50, width - {room})"), nice=False),
    )
    y = alt.Y(
        "survival:Q",
        title=y_title,
        scale=alt.Scale(domain=[0, 100]),
        axis=_flat_title(values=[0, 25, 50, 75, 100], labelExpr="datum.label + ' %'"),
    )
    shades = alt.Scale(domain=words, range=[theme.colour(s[1]) for s in series])
    colour = alt.Color("series:N", scale=shades, legend=None)
    base = alt.Chart(data.add(rows, ("series", "t", "survival", "low", "high")))
    band = base.mark_area(opacity=0.2, interpolate="step-after").encode(
        x=x, y=alt.Y("low:Q", title=y_title), y2=alt.Y2("high:Q"), color=colour
    )
    line = base.mark_line().encode(x=x, y=y, color=colour)
    ended = alt.Chart(data.add(names, ("series", "t", "at")))
    at_end = {"x": x, "y": alt.Y("at:Q"), "text": alt.Text("series:N")}
    # A halo of paper under each name, as it may stand on the other line.
    halo = ended.mark_text(
        align="left", dx=6, fontWeight="bold", stroke=theme.colour("paper"), strokeWidth=4, opacity=0.9
    )
    layers = [
        band,
        line,
        halo.encode(**at_end),
        ended.mark_text(align="left", dx=6, fontWeight="bold").encode(**at_end),
    ]
    for place, word in enumerate(shown):
        below = 48 + 34 * place
        risk = [
            {"t": r["t"], "n": r["n"], "head": at_risk_words.format(series=word)}
            for r in at_risk
            if r["series"] == word
        ]
        if not risk:
            continue
        risks = alt.Chart(data.add(risk, ("t", "n")))
        layers.append(
            alt.Chart(data.add(risk[:1], ("head",)))
            .mark_text(align="left", baseline="top", fontSize=11, color=theme.colour("soft"))
            .encode(x=alt.value(0), y=alt.value(alt.expr(f"height + {below}")), text=alt.Text("head:N"))
        )
        layers.append(
            risks.mark_text(baseline="top", fontSize=12).encode(
                x=x, y=alt.value(alt.expr(f"height + {below + 14}")), text=alt.Text("n:Q", format=",d")
            )
        )
    chart = alt.layer(*layers)
    return Chart(name, title, alt_text, _spec(chart, data, 250), numbers, read, wide)


def _thin(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """At most MAX_POINTS of a curve, its first and last kept."""
    if len(rows) <= MAX_POINTS:
        return rows
    step = (len(rows) - 1) / (MAX_POINTS - 1)
    return [rows[round(i * step)] for i in range(MAX_POINTS)]


def matrix(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    y_title: str,
    row_order: Sequence[str],
    column_order: Sequence[str],
    column_short: Sequence[str] = (),
    read: str = "",
    narrow_read: str = "",
    wide: bool = False,
) -> Chart:
    """A table of counts as tiles; the diagonal (right at once) framed, the rest shaded by count.
    rows: row, column, n, text, same (row and column are one). column_short: names for narrow screens."""
    import altair as alt

    data = _Rows()
    top = max((r["n"] for r in rows if not r["same"]), default=1) or 1
    x = alt.X(
        "column:N",
        sort=list(column_order),
        title=x_title,
        scale=alt.Scale(domain=list(column_order)),
        axis=alt.Axis(
            orient="top",
            labelAngle=0,
            ticks=False,
            domain=False,
            labelOverlap=False,
            titleAnchor="start",
            labelExpr=f"width < 560 ? {json.dumps(dict(zip(column_order, column_short or column_order, strict=True)))}[datum.label]"
            " : width < 800 ? split(datum.label, ' ') : datum.label",
            labelPadding=alt.ExprRef(f"width >= 560 && width < 800 ? {5 + 13 * max(c.count(' ') for c in column_order)} : 5"),
        ),
    )
    y = alt.Y(
        "row:N",
        sort=list(row_order),
        title=y_title,
        scale=alt.Scale(domain=list(row_order)),
        axis=alt.Axis(
            ticks=False,
            domain=False,
            titleAngle=0,
            titleAlign="left",
            titleX=-90,
            titleY=-10,
            titleAnchor="end",
            titleBaseline="bottom",
        ),
    )
    base = alt.Chart()
    wrong = (
        base.transform_filter("!datum.same")
        .mark_rect(cornerRadius=2, stroke=theme.colour("card"), strokeWidth=2, fill=theme.colour("red"))
        .encode(
            x=x,
            y=y,
            fillOpacity=alt.FillOpacity("n:Q", legend=None, scale=alt.Scale(domain=[0, top], range=[0.02, 0.5])),
        )
    )
    right = (
        base.transform_filter("datum.same")
        .mark_rect(cornerRadius=2, fill=None, stroke=theme.colour("rule"), strokeWidth=1.2)
        .encode(x=x, y=y)
    )
    text = base.mark_text(fontSize=12).encode(x=x, y=y, text=alt.Text("text:N"))
    chart = alt.layer(wrong, right, text, data=data.add(rows, ("row", "column", "n", "text", "same")))
    return Chart(name, title, alt_text, _spec(chart, data, 36 * len(row_order)), numbers, read, wide, narrow_read)


def suspicion_map(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    y_title: str,
    columns: Sequence[str],
    bands: Sequence[str],
    read: str = "",
    narrow_read: str = "",
    wide: bool = True,
) -> Chart:
    """Distance across, age up; in each cell the part to suspect first, by name, colour and its probability.

    rows: column, band, component (null: nothing known), word, short, text, kind ("clear", "close", "borrowed",
    "blank")."""
    import altair as alt

    data = _Rows()
    cells = [{**r, "colour": theme.component_colour(r["component"]) if r["component"] else None} for r in rows]
    x = alt.X(
        "column:N",
        sort=list(columns),
        title=x_title,
        scale=alt.Scale(domain=list(columns), padding=0),
        axis=alt.Axis(
            labelAngle=0,
            ticks=False,
            domain=False,
            labelOverlap=False,
            labelFontSize=alt.ExprRef("width < 460 ? 9 : 12"),
        ),
    )
    y = alt.Y(
        "band:N",
        sort=list(reversed(bands)),
        title=y_title,
        scale=alt.Scale(domain=list(reversed(bands)), padding=0),
        axis=_flat_title(ticks=False, domain=False, grid=False),
    )
    base = alt.Chart()
    colour = alt.Fill("colour:N", scale=None, legend=None)
    known = (
        base.transform_filter("datum.kind != 'blank' && datum.kind != 'borrowed'")
        .mark_rect(stroke=theme.colour("card"), strokeWidth=3, cornerRadius=3, fillOpacity=0.42)
        .encode(x=x, y=y, fill=colour)
    )
    borrowed = (
        base.transform_filter("datum.kind == 'borrowed'")
        .mark_rect(stroke=theme.colour("card"), strokeWidth=3, cornerRadius=3, fillOpacity=0.13)
        .encode(x=x, y=y, fill=colour)
    )
    dash = (
        base.transform_filter("datum.kind == 'borrowed'")
        .mark_rect(
            strokeDash=[3, 3],
            strokeWidth=1,
            fill=None,
            stroke=theme.colour("rule"),
            width={"band": 0.9},
            height={"band": 0.84},
        )
        .encode(x=x, y=y)
    )
    blank = (
        base.transform_filter("datum.kind == 'blank'")
        .mark_text(color=theme.colour("soft"), fontSize=12)
        .encode(x=x, y=y, text=alt.Text("text:N"))
    )
    filled = base.transform_filter("datum.kind != 'blank'")
    room = f"width / {len(columns)}"
    narrow = f"{room} < 62"
    word = filled.mark_text(
        dy=-8,
        fontSize=alt.ExprRef(f"{narrow} ? 15 : {room} < 100 ? 11 : 12"),
        fontWeight="bold",
        limit=alt.ExprRef(f"{room} - 4"),
    ).encode(x=x, y=y, text=alt.value(alt.expr(f"{narrow} ? datum.short : datum.word")))
    share = filled.mark_text(dy=9, fontSize=alt.ExprRef("width < 460 ? 10 : 12")).encode(x=x, y=y, text=alt.Text("text:N"))
    chart = alt.layer(
        known,
        borrowed,
        dash,
        blank,
        word,
        share,
        data=data.add(cells, ("column", "band", "component", "word", "short", "text", "kind")),
    )
    return Chart(name, title, alt_text, _spec(chart, data, 46 * len(bands)), numbers, read, wide, narrow_read)


def reliability(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    y_title: str,
    diagonal_words: str,
    read: str = "",
    wide: bool = False,
) -> Chart:
    """What was said against what came true, with intervals. rows: said, came_true, low, high, n (shares and a
    count)."""
    import altair as alt

    data = _Rows()
    marks = [
        {**r, **{k: None if r[k] is None else 100 * r[k] for k in ("said", "came_true", "low", "high")}} for r in rows
    ]
    scale = alt.Scale(domain=[0, 100])
    x = alt.X("said:Q", title=x_title, scale=scale, axis=alt.Axis(tickCount=5, grid=True))
    y = alt.Y("came_true:Q", title=y_title, scale=scale, axis=_flat_title(tickCount=5))
    ends = [{"said": 0, "came_true": 0, "words": ""}, {"said": 100, "came_true": 100, "words": diagonal_words}]
    ideal = alt.Chart(data.add(ends, ("said", "came_true")))
    base = alt.Chart(data.add(marks, ("said", "came_true", "low", "high", "n")))
    chart = alt.layer(
        ideal.mark_line(strokeDash=[5, 4], strokeWidth=1.2, interpolate="linear", color=theme.colour("soft")).encode(
            x=x, y=y
        ),
        ideal.mark_text(
            align="right", baseline="bottom", dx=-14, dy=-2, fontSize=11, color=theme.colour("soft")
        ).encode(x=x, y=y, text=alt.Text("words:N")),
        base.mark_rule(strokeWidth=2.2, color=theme.colour("blue")).encode(
            x=x, y=alt.Y("low:Q", title=y_title), y2=alt.Y2("high:Q")
        ),
        base.mark_point(filled=True, opacity=1, size=80, fill=theme.colour("blue"), stroke=theme.colour("ink")).encode(
            x=x, y=y
        ),
    )
    return Chart(name, title, alt_text, _spec(chart, data, 300), numbers, read, wide)


def ticks_up_to(longest: float, wanted: float = 7.5) -> list[float]:
    """Round tick places from 0 to at most `longest`, about `wanted` of them."""
    if longest <= 0:
        return [0.0]
    raw = longest / wanted
    size = 10 ** math.floor(math.log10(raw))
    step = next(m * size for m in (1, 2, 2.5, 5, 10) if m * size >= raw * 0.999)
    return [round(i * step, 10) for i in range(int(longest / step + 1e-9) + 1)]
