"""The fleet plan's own chart shapes: data and words in, a chart out, as in charts.py."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.publish import charts, theme
from pipeline.publish.charts import Chart

if TYPE_CHECKING:
    import polars as pl


def intervals(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    x_title: str,
    series: Sequence[tuple[str, str, str]],
    read: str = "",
    wide: bool = False,
    floor: float | None = None,
) -> Chart:
    """Estimates with their intervals about a line at nought, each with its words at the right.

    rows: label, sub (the place inside a label's row; "" where there is one only), series, value, low, high, text.
    A null value draws its text only, at nought. series: (word, palette name, shape). floor: where the axis is cut
    at the left; what goes beyond is drawn up to the edge. Sizes are in the axis' unit."""
    import altair as alt

    data = charts._Rows()
    drawn = [{**r, "at": 0.0 if r["value"] is None else max(r["high"], r["value"])} for r in rows]
    bottom = min([0.0] + [r["low"] for r in drawn if r["low"] is not None])
    if floor is not None and bottom < floor:
        bottom = floor
    elif bottom < 0:
        bottom *= 1.06  # so that no interval ends on the frame
    top = max([r["at"] for r in drawn if r["value"] is not None] or [1.0]) or 1.0
    # Words stand right of each interval: room for them at the end of the axis, whatever the width of the screen.
    room = max((6.6 * len(r["text"]) + 14) if r["at"] > 0.55 * top else 6.6 * len(r["text"]) * 0.5 for r in drawn)
    span = alt.Scale(
        domainMin=bottom,
        domainMax=alt.ExprRef(f"{bottom} + {top - bottom} * width / max(50, width - {room:.0f})"),
        nice=False,
        clamp=True,
        zero=False,
    )
    # A label that would be cut at the right end is left out; its line stays.
    fits = "scale('x', datum.value) + 3.6 * length(datum.label) > width + 3 ? '' : datum.label"
    axis = alt.Axis(tickCount=4, format=",~f", labelFlush=False, labelExpr=fits)
    x = {"title": x_title, "scale": span, "axis": axis}
    words = [s[0] for s in series]
    y = charts._y_names(drawn)
    subs = list(dict.fromkeys(r["sub"] for r in drawn))
    place: dict[str, Any] = {"y": y}
    if len(subs) > 1:
        place["y"] = y = charts._y_names(drawn)
        y.scale = alt.Scale(paddingInner=0.06, paddingOuter=0.02)
        place["yOffset"] = alt.YOffset("sub:N", sort=subs, scale=alt.Scale(domain=subs, paddingOuter=0.3))
    shown = [s for s in series if any(r["series"] == s[0] and r["value"] is not None for r in drawn)]
    legend = alt.Legend(title=None, symbolSize=90, labelLimit=320, columns=1, offset=14) if len(shown) > 1 else None
    colour = alt.Color(
        "series:N",
        legend=legend,
        scale=alt.Scale(domain=[s[0] for s in shown] or words, range=[theme.colour(s[1]) for s in shown or series]),
    )
    shape = alt.Shape(
        "series:N",
        legend=legend,
        scale=alt.Scale(domain=[s[0] for s in shown] or words, range=[s[2] for s in shown or series]),
    )
    base = alt.Chart()
    estimate = base.transform_filter("datum.value != null")
    nought = alt.Chart(data.add([{"zero": 0.0}], ("zero",))).mark_rule(color=theme.colour("rule"), strokeWidth=1.2)
    layers = [
        nought.encode(x=alt.X("zero:Q", **x)),
        estimate.mark_rule(strokeWidth=2.4, strokeCap="round").encode(
            x=alt.X("low:Q", **x), x2="high:Q", color=colour, **place
        ),
        estimate.mark_point(size=80, filled=True, opacity=1, stroke=theme.colour("ink"), strokeWidth=1).encode(
            x=alt.X("value:Q", **x), color=colour, shape=shape, **place
        ),
        base.mark_text(align="left", dx=7, fontSize=11.5).encode(x=alt.X("at:Q", **x), text="text:N", **place),
    ]
    chart = alt.layer(*layers, data=data.add(drawn, ("label", "sub", "series", "value", "low", "high", "text")))
    labels = list(dict.fromkeys(r["label"] for r in drawn))
    lines = max(label.count("\n") + 1 for label in labels)
    height = max(19 * len(subs) + 14 if len(subs) > 1 else 30, 16 * lines + 8) * len(labels) + 6
    return Chart(name, title, alt_text, charts._spec(chart, data, height), numbers, read, wide)


def months(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    y_title: str,
    read: str = "",
    wide: bool = False,
) -> Chart:
    """A count for each month to come with its interval. rows: month (a short label, in order), value, low, high."""
    import altair as alt

    data = charts._Rows()
    order = list(dict.fromkeys(r["month"] for r in rows))
    label = "width < 400 ? slice(datum.value, 0, 1) : width < 720 ? split(datum.value, ' ')[0] : datum.value"
    x = alt.X(
        "month:N",
        sort=order,
        title=None,
        axis=alt.Axis(labelAngle=0, ticks=False, labelOverlap=False, labelExpr=label),
    )
    top = max(r["high"] for r in rows) * 1.08 or 1.0
    y = {
        "title": y_title,
        "scale": alt.Scale(domain=[0, top], nice=False),
        "axis": charts._flat_title(tickCount=5, tickMinStep=1, format=",d"),
    }
    base = alt.Chart()
    chart = alt.layer(
        base.mark_bar(color=theme.colour("blue"), opacity=0.22, width={"band": 0.5}).encode(
            x=x, y=alt.Y("low:Q", **y), y2="high:Q"
        ),
        base.mark_tick(color=theme.colour("blue"), thickness=3, width={"band": 0.62}).encode(
            x=x, y=alt.Y("value:Q", **y)
        ),
        base.mark_text(dy=-9, fontSize=11).encode(x=x, y=alt.Y("value:Q", **y), text="text:N"),
        data=data.add(rows, ("month", "value", "low", "high", "text")),
    )
    return Chart(name, title, alt_text, charts._spec(chart, data, 230), numbers, read, wide)
