"""Answers at the bench, from the published month, without fitting anything again: suspects, order of checks, and a part's life."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from pipeline.settings import load_settings
from pipeline.store import StoreError, open_workspace

KM_PER_MILE = 1.609344
CAUTIONS = {
    "discharge": "Discharge lamps ignite at 18 to 30 kV: switch off, key out, let the system discharge, never run one open or probe it live.",
    "always": "Lamps are hot and may burst; same light source category only; aim the headlamp after the work. Local rules and licensed "
              "practice come first.",
}


class QuestionError(Exception):
    """The question cannot be answered as it was put; the message says what to write instead."""


def latest(folder: Path) -> Path:
    """The newest published month of a workspace. Raises StoreError where there is none."""
    found = open_workspace(folder).published / "latest"
    if not found.exists():
        raise StoreError(f"{folder} has no published month yet. Make one with: lowbeam run {folder}")
    return found.resolve()


def days_of(text: str) -> float:
    """A span such as 9y, 30m, 6w, 200d (or a bare number of days) in days. Raises QuestionError."""
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(y|m|w|d|)\s*", text.lower())
    if not found:
        raise QuestionError(f"{text!r} is not a span of time; write 9y, 30m, 6w or 200d.")
    return float(found.group(1)) * {"y": 365.25, "m": 30.4375, "w": 7.0, "d": 1.0, "": 1.0}[found.group(2)]


def pairs_of(values: list[str]) -> dict[str, float]:
    """["ballast=70d"] as {"ballast": 70.0}. Raises QuestionError."""
    out = {}
    for value in values:
        name, sign, span = value.partition("=")
        if not sign:
            raise QuestionError(f"--replaced {value}: write the part and how long ago, for example {name}=70d.")
        out[name.strip()] = days_of(span)
    return out


def answer(folder: Path, as_json: bool, *, symptom: str | None, side: str | None, km: float | None, age: str | None,
           lighting: str | None, vehicle_class: str | None, light_source: str | None, replaced: list[str], original: list[str],
           cleared: list[str], moved: list[str], stayed: list[str], fault_code: str | None) -> list[str]:
    """The ranking and the order of checks for one vehicle, in lines (or as one JSON text). Raises QuestionError, StoreError."""
    import polars as pl

    from pipeline.suspects import bench

    month = latest(folder)
    settings = load_settings(open_workspace(folder).settings_file)
    if not (month / "bench.json").exists():
        raise StoreError(f"The month {month.name} holds no suspects: its data had no failure of a headlamp part to learn from.")
    data = json.loads((month / "bench.json").read_text(encoding="utf-8"))
    words = symptom.replace("-", "_") if symptom else None
    if words and words not in data["symptoms"]:
        raise QuestionError(f"The symptom {symptom!r} is not in the data. It has: "
                            f"{', '.join(s.replace('_', '-') for s in data['symptoms'])}.")
    for name in (*[r.partition('=')[0].strip() for r in replaced], *original, *cleared, *moved, *stayed):
        if name not in data["components"]:
            raise QuestionError(f"The part {name!r} is not in the data. It has: {', '.join(data['components'])}.")
    if lighting and lighting not in data["lightings"]:
        raise QuestionError(f"The lighting {lighting!r} is not in the data. It has: {', '.join(data['lightings'])}.")
    if side and side not in ("left", "right", "both"):
        raise QuestionError(f"The side {side!r} is none of left, right, both.")
    distance = km * (KM_PER_MILE if settings.units.distance == "mi" else 1.0) if km is not None else None
    query = bench.Query(symptom=words, side=side, km=distance, age_days=days_of(age) if age else None, lighting=lighting,
                        vehicle_class=vehicle_class, light_source_category=light_source, replaced=pairs_of(replaced),
                        original=tuple(original), cleared=tuple(cleared), moved=tuple(moved), stayed=tuple(stayed),
                        fault_code=fault_code)
    try:
        ranking = bench.rank(data, query)
    except ValueError as error:
        raise QuestionError(f"{error}.") from None
    order = bench.check_order(ranking, pl.DataFrame(data["access"]), tuple(cleared))
    cautions = ([CAUTIONS["discharge"]] if lighting in (None, "discharge") else []) + [CAUTIONS["always"]]
    if as_json:
        return [json.dumps(ranking.as_dict() | {
            "check_order": order, "as_of": data["as_of"], "cautions": cautions, "access_is_example": data["access_is_example"],
            "notes_in_words": [bench.NOTES[n] for n in ranking.notes]}, indent=1, sort_keys=True, allow_nan=False)]
    return _in_words(ranking, order, data, cautions, bench.NOTES)


def _in_words(ranking: Any, order: dict[str, Any], data: dict[str, Any], cautions: list[str], notes: dict[str, str]) -> list[str]:
    lines = [f"Which part to suspect first, as of {data['as_of']} "
             f"({ranking.effective_cases:.0f} confirmed cases like it stand behind this; {ranking.vehicles:,} vehicles seen):", ""]
    for s in ranking.suspects:
        where = {"told": "its age was given", "original": "the first one", "average": "its age is not known"}.get(s.age_from, "")
        lines.append(f"  {s.component.replace('_', ' '):<20} {s.probability:>6.1%}   {s.low:>6.1%} to {s.high:<6.1%} {where}")
    lines += ["", "Check in this order:"]
    for number, step in enumerate(order["steps"], 1):
        opens = f", opening {step['opens'].replace('_', ' ')}" if step["opens"] else ""
        assumed = " (minutes assumed)" if step["is_assumed"] else ""
        worth = step["probability"] / step["minutes"] if step["minutes"] else 0
        lines.append(f"  {number}. {step['component'].replace('_', ' '):<20} {step['minutes']:>4.0f} min{opens}{assumed}; "
                     f"{worth:.1%} of the chance a minute")
    lines.append(f"  Expected to the cause: {order['expected_minutes']:.0f} min; likeliest first would take "
                 f"{order['expected_minutes_naive']:.0f}, cheapest first {order['expected_minutes_cheapest']:.0f}.")
    if data["access_is_example"]:
        lines.append("  The minutes are examples that ship with the program: give yours in an `access` table.")
    if ranking.notes:
        lines += ["", "Bear in mind:", *[f"  {notes[n]}" for n in ranking.notes]]
    return [*lines, "", *[f"Caution: {c}" for c in cautions]]


def life(folder: Path, component: str, clock: str, by: str | None, lighting: str, to: Path | None) -> list[str]:
    """The life of a part in words and as a curve. Raises QuestionError, StoreError."""
    import polars as pl

    month = latest(folder)
    curves = pl.read_parquet(month / "tables/survival_curves.parquet").filter(
        (pl.col("event") == "failed") & (pl.col("component") == component) & (pl.col("clock") == clock))
    if curves.is_empty():
        known = pl.read_parquet(month / "tables/survival_curves.parquet", columns=["component", "clock"])
        raise QuestionError(f"No curve of {component} on {clock}: with too few failures there is none. There are curves of "
                            f"{', '.join(known['component'].unique().sort())} on {', '.join(known['clock'].unique().sort())}.")
    if lighting not in curves["lighting"].unique().to_list():
        if lighting != "all":
            raise QuestionError(f"No curve of {component} with {lighting} lighting; there is {', '.join(curves['lighting'].unique().sort())}.")
        lighting = curves["lighting"].unique().sort()[0]
    curves = curves.filter(pl.col("lighting") == lighting)
    keys = ["generation", "supplier", "stratum"]
    if by == "supplier":
        curves = curves.filter((pl.col("supplier") != "all") & (pl.col("stratum") == "all"))
    elif by:
        curves = curves.filter(pl.col("stratum").str.starts_with(f"{by}="))
    else:
        curves = curves.filter((pl.col("supplier") == "all") & (pl.col("stratum") == "all"))
    if curves.is_empty():
        raise QuestionError(f"No curve of {component} by {by}: no group has enough failures, or the data has no such column.")
    summary = pl.read_parquet(month / "tables/life_summary.parquet").filter(pl.col("clock") == clock)
    lines = [f"{component.replace('_', ' ')}, {lighting} lighting, on {clock}:", ""]
    shown = {}
    for group, curve in curves.group_by(keys, maintain_order=True):
        name = group[0] if not by else group[1] if by == "supplier" else f"{group[0]}, {group[2].partition('=')[2]}"
        shown[name] = curve
        match = summary.filter((pl.col("component") == component) & (pl.col("lighting") == lighting)
                               & pl.all_horizontal(pl.col(k) == v for k, v in zip(keys, group, strict=True)))
        lines.append(_summary_line(name, curve, match, clock))
    lines.append("")
    if to:
        _picture(shown, component, clock, to)
        return [*lines, f"The curve is in {to}."]
    for name, curve in shown.items():
        lines += [name, *_drawn(curve, clock), ""]
    return lines


def _summary_line(name: str, curve: Any, match: Any, clock: str) -> str:
    failures = int(curve["events"].sum())
    text = f"  {name}: {failures} failures on the curve"
    if match.height:
        row = match.row(0, named=True)
        if row.get("median") is not None:
            beyond = " (beyond the last failure: extrapolated)" if row.get("median_extrapolated") else ""
            text += f"; half fail by {row['median']:,.0f} {clock} ({row['median_low']:,.0f} to {row['median_high']:,.0f}){beyond}"
        else:
            text += "; half have not failed within the ages watched"
        if row.get("b10") is not None:
            text += f"; one in ten by {row['b10']:,.0f}"
        text += f"; {str(row.get('wear') or 'undetermined').replace('_', ' ')}"
        if row.get("borrowed"):
            text += f" (fit borrowed from {row['borrowed_from']})"
    start = float(curve["start_t"][0]) if "start_t" in curve.columns else 0.0
    return text + (f"; given survival to {start:,.0f} {clock}" if start > 0 else "")


def _drawn(curve: Any, clock: str, width: int = 64, height: int = 12) -> list[str]:
    """A step curve with its interval in characters: # the estimate, . the interval."""
    t, s = curve["t"].to_list(), curve["survival"].to_list()
    low, high = curve["low"].to_list(), curve["high"].to_list()
    reach = t[-1] or 1.0
    rows = [[" "] * width for _ in range(height + 1)]
    for column in range(width):
        age = reach * column / (width - 1)
        if age < t[0]:
            continue
        at = max(i for i, x in enumerate(t) if x <= age + 1e-9)
        for value, mark in ((low[at], "."), (high[at], "."), (s[at], "#")):
            if value is not None:
                rows[round((1 - value) * height)][column] = mark
    labels = [f"{1 - i / height:>5.0%} |" if i % 3 == 0 else "      |" for i in range(height + 1)]
    return ["  " + label + "".join(row) for label, row in zip(labels, rows, strict=True)] + [
        "        " + "-" * width, "        0" + f"{reach:,.0f} {clock}".rjust(width - 1)]


def _picture(shown: dict[str, Any], component: str, clock: str, to: Path) -> None:
    import altair as alt
    import polars as pl

    if to.suffix not in (".svg", ".png"):
        raise QuestionError(f"{to.name}: write the picture as .svg or .png.")
    frame = pl.concat([c.select("t", "survival", "low", "high").with_columns(pl.lit(n).alias("group")) for n, c in shown.items()])
    if frame.height > 4000:
        frame = frame.gather_every(frame.height // 4000 + 1)
    base = alt.Chart(frame.to_pandas()).encode(x=alt.X("t:Q", title=clock), color=alt.Color("group:N", title=None))
    chart = (base.mark_area(opacity=0.18, interpolate="step-after").encode(
        y=alt.Y("low:Q", title="share still working", scale=alt.Scale(domain=[0, 1])), y2="high:Q")
        + base.mark_line(interpolate="step-after").encode(y="survival:Q")).properties(
            width=640, height=360, title=f"{component.replace('_', ' ')}: share still working, with its interval")
    chart.save(str(to))
