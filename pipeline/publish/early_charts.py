"""Chart shapes of the sections on comebacks and suppliers: data and words in, a chart out, as in charts.py."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.publish import charts, theme
from pipeline.publish.charts import Chart

if TYPE_CHECKING:
    import polars as pl


def watch(
    name: str,
    rows: Sequence[dict[str, Any]],
    numbers: pl.DataFrame,
    *,
    title: str,
    alt_text: str,
    y_title: str,
    words: tuple[str, str, str],
    months: Sequence[str],
    read: str = "",
    wide: bool = False,
) -> Chart:
    """Counts by month as bars, their smoothed course as a line inside the band that chance alone explains.

    rows: month (ISO date), observed, smoothed, middle, low, high, out (the line lies outside the band). words: of the bars, of the
    line, of the band, for the legend. months: the twelve months' short names."""
    import altair as alt

    data = charts._Rows()
    used = [dict(r) for r in rows]
    top = max(max(r["observed"], r["high"], r["smoothed"]) for r in used) * 1.08 or 1.0
    bar_words, line_words, band_words = words
    scale = alt.Scale(domain=[bar_words, line_words, band_words], range=[theme.colour("sky"), theme.colour("ink"), theme.colour("hair")])
    legend = alt.Legend(title=None, orient="bottom", labelLimit=280, symbolType="square", symbolSize=110, offset=8,
                        columns=alt.ExprRef("width < 420 ? 1 : 3"))

    colour = alt.Color("word:N", scale=scale, legend=legend)

    def called(word: str) -> alt.Chart:
        return alt.Chart().transform_calculate(word=json.dumps(word))

    x = alt.X(
        "month:T",
        title=None,
        scale=alt.Scale(type="utc", padding=10),
        axis=alt.Axis(labelExpr=f"{json.dumps(list(months))}[utcmonth(datum.value)] + ' ’' + utcFormat(datum.value, '%y')",
                      tickCount=alt.ExprRef("width < 420 ? 3 : 6"), labelAngle=0, grid=False),
    )
    y = alt.Y(
        "observed:Q", title=y_title, scale=alt.Scale(domain=[0, top], nice=False), axis=charts._flat_title(tickCount=5, tickMinStep=1)
    )
    base = alt.Chart()
    band = called(band_words).mark_area(opacity=0.75, interpolate="linear").encode(
        x=x, y=alt.Y("low:Q", title=y_title), y2="high:Q", color=colour
    )
    middle = base.mark_line(strokeDash=[5, 4], strokeWidth=1.2, interpolate="linear", color=theme.colour("soft")).encode(
        x=x, y=alt.Y("middle:Q", title=y_title)
    )
    width = f"max(2, 0.6 * width / {max(len(used), 1)})"
    bars = called(bar_words).mark_bar(opacity=0.8, width=alt.ExprRef(width)).encode(x=x, y=y, color=colour)
    line = called(line_words).mark_line(strokeWidth=2.2, interpolate="linear").encode(x=x, y=alt.Y("smoothed:Q", title=y_title), color=colour)
    out = (
        base.transform_filter("datum.out")
        .mark_point(filled=True, shape="diamond", size=120, opacity=1, fill=theme.colour("red"), stroke=theme.colour("ink"), strokeWidth=1)
        .encode(x=x, y=alt.Y("smoothed:Q", title=y_title))
    )
    fields = ("month", "observed", "smoothed", "middle", "low", "high", "out")
    # A layer without a point has no extent of its own, and the browser says so.
    marked = [out] if any(r["out"] for r in used) else []
    chart = alt.layer(band, bars, middle, line, *marked, data=data.add(used, fields))
    return Chart(name, title, alt_text, charts._spec(chart, data, 220), numbers, read, wide)
