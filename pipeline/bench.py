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
    "always": "Lamps are hot and may burst; discharge lamps can hold mercury; secure a lifted vehicle; treat the battery as its maker "
              "says; same light source category only; aim the headlamp after the work. Local rules and licensed practice come first.",
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


def pairs_of(values: list[str]) -> tuple[dict[str, float], dict[str, float]]:
    """["ballast=70d", "lamp=2y,30000km"] as days {"ballast": 70.0, "lamp": 730.5} and km {"lamp": 30000.0} since the part was
    renewed. Raises QuestionError."""
    days, km = {}, {}
    for value in values:
        name, sign, spans = value.partition("=")
        name = name.strip()
        if not sign or not spans.strip():
            raise QuestionError(f"--replaced {value}: write the part and how long ago, for example {name}=70d, or {name}=70d,3000km.")
        for span in spans.split(","):
            driven = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(km|mi)\s*", span.lower())
            if driven:
                km[name] = float(driven.group(1)) * (KM_PER_MILE if driven.group(2) == "mi" else 1.0)
            else:
                days[name] = days_of(span)
    return days, km


def answer(folder: Path, as_json: bool, *, symptom: str | None, side: str | None, km: float | None, age: str | None,
           lighting: str | None, vehicle_class: str | None, light_source: str | None, replaced: list[str], original: list[str],
           cleared: list[str], moved: list[str], stayed: list[str], fault_code: str | None) -> list[str]:
    """The ranking and the order of checks for one vehicle, in lines (or as one JSON text). Raises QuestionError, StoreError."""
    from pipeline.suspects import answer as bench

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
    days, driven = pairs_of(replaced)
    query = bench.Query(symptom=words, side=side, km=distance, age_days=days_of(age) if age else None, lighting=lighting,
                        vehicle_class=vehicle_class, light_source_category=light_source, replaced=days, replaced_km=driven,
                        original=tuple(original), cleared=tuple(cleared), moved=tuple(moved), stayed=tuple(stayed),
                        fault_code=fault_code)
    try:
        ranking = bench.rank(data, query)
    except ValueError as error:
        raise QuestionError(f"{error}.") from None
    order = bench.check_order(ranking, data["access"], tuple(cleared))
    cautions = ([CAUTIONS["discharge"]] if lighting in (None, "discharge") else []) + [CAUTIONS["always"]]
    if as_json:
        return [json.dumps(ranking.as_dict() | {
            "asked": {k: v for k, v in vars(query).items() if v not in (None, (), {})}, "confidence": data["confidence"],
            "units": {"km": "km", "age": "days", "probability": "share of 1", "minutes": "min"},
            "check_order": order, "as_of": data["as_of"], "cautions": cautions, "access_source": data["access_source"],
            "access_is_example": data["access_is_example"], "beats_baselines": data["beats_baselines"], "backtest": data["backtest"],
            "notes_in_words": [bench.NOTES[n] for n in ranking.notes]}, indent=1, sort_keys=True, allow_nan=False)]
    return _in_words(ranking, order, data, cautions, bench.NOTES)


BASIS = {
    "own": "mostly on those cases themselves",
    "pooled": "on those cases and on how parts age in all vehicles here",
    "borrowed": "on how parts age in all vehicles here, with hardly a case like it: a hint, not a figure",
}
MINUTES_FROM = {
    "examples": "The minutes are examples that ship with the program: give yours in an `access` table.",
    "labour": "The minutes are worked out from the labour hours of replacements, the access steps are examples: give yours in an "
              "`access` table.",
}


def _in_words(ranking: Any, order: dict[str, Any], data: dict[str, Any], cautions: list[str], notes: dict[str, str]) -> list[str]:
    cases = f"{ranking.effective_cases:,.3g} confirmed case{'' if ranking.effective_cases == 1 else 's'}"
    lines = [f"Which part to suspect first, as of {data['as_of']}; probability, {data['confidence']:.0%} interval, age of the part:", ""]
    for s in ranking.suspects:
        between = f"{_chance(s.low):>6} to {_chance(s.high):<6}"
        lines.append(f"  {s.component.replace('_', ' '):<20} {_chance(s.probability):>6}   {between} {_age(s)}".rstrip())
    seen = f"{ranking.vehicles:,} vehicles seen there"
    rests = (f"No complaint that is in the data: ranked by how often each part fails; {seen}." if "symptom_unknown" in ranking.notes
             else f"{cases} like it, {seen}; it rests {BASIS[ranking.basis]}.")
    lines += ["", rests, "", "Check in this order:"]
    opened_for = {s["opens"]: sum(t["needs"] == s["opens"] for t in order["steps"]) for s in order["steps"] if s["opens"]}
    for number, step in enumerate(order["steps"], 1):
        if step["opens"]:
            shared = opened_for[step["opens"]] - 1
            where = f"opens {step['opens'].replace('_', ' ')}" + (f", which {shared} later check{'s use' if shared > 1 else ' uses'} too" if shared else "")
        else:
            where = f"{step['needs'].replace('_', ' ')} is open by then" if step["needs"] else "nothing to open"
        worth = f"{_chance(step['probability'])} for it, {_chance(step['probability'] / step['minutes'])} a minute" if step["minutes"] else ""
        lines.append(f"  {number}. {step['component'].replace('_', ' '):<20} {step['minutes']:>4.0f} min"
                     f"{' (assumed)' if step['is_assumed'] else ''}: {worth}; {where}")
    if order["steps"]:
        lines.append(f"  Expected to the cause: {order['expected_minutes']:.0f} min; likeliest first would take "
                     f"{order['expected_minutes_naive']:.0f}, cheapest first {order['expected_minutes_cheapest']:.0f}.")
    else:
        lines.append("  No check is left. Look for something else, or doubt one of the checks.")
    if data["access_source"] in MINUTES_FROM:
        lines.append(f"  {MINUTES_FROM[data['access_source']]}")
    if ranking.notes:
        lines += ["", "Bear in mind:", *[f"  {notes[n]}" for n in ranking.notes]]
    return [*lines, "", *[f"Caution: {c}" for c in cautions]]


def _chance(p: float) -> str:
    return "<0.1%" if 0 < p < 0.001 else ">99.9%" if 0.999 < p < 1 else f"{p:.1%}"


def _age(s: Any) -> str:
    if s.age_from in ("told", "original") and s.age is not None:
        age = f"{s.age:,.0f} {s.clock}"
        return f"renewed {age} ago" if s.age_from == "told" else f"the first one, {age}"
    return "not known" if s.age_from == "average" else ""


_LIFE_KEYS = ["generation", "supplier", "stratum"]


def life(folder: Path, component: str, clock: str, by: str | None, lighting: str, to: Path | None) -> list[str]:
    """The life of a part in words and as a curve, from the published month; distances in the workspace's unit.

    Raises QuestionError where there is no such curve (it says what there is), StoreError where nothing is published.
    """
    import polars as pl

    tables = latest(folder) / "tables"
    every = pl.read_parquet(tables / "survival_curves.parquet").filter(pl.col("event") == "failed")
    curves = every.filter((pl.col("component") == component) & (pl.col("clock") == clock))
    if curves.is_empty():
        own = every.filter(pl.col("component") == component)
        there = (f"There are curves of {component} on {', '.join(own['clock'].unique().sort())}." if own.height else
                 f"There are curves of {', '.join(every['component'].unique().sort())}.")
        raise QuestionError(f"No curve of {component} on {clock}: with too few failures there is none. {there}")
    there = curves["lighting"].unique().sort().to_list()
    if lighting not in there and lighting != "all":
        raise QuestionError(f"No curve of {component} with {lighting} lighting; there is {', '.join(there)}.")
    told = [name for name in there if name != "all"]
    if lighting == "all" and (len(told) == 1 or "all" not in there):
        lighting = told[0]  # parts that only one lighting has
    curves = _group(curves.filter(pl.col("lighting") == lighting), by)
    own = (pl.col("component") == component) & (pl.col("lighting") == lighting) & (pl.col("clock") == clock)
    accounts = _group(_table(tables / "curve_accounts.parquet", own), by)
    if curves.is_empty():
        groups = f" Its groups: {', '.join(_names(accounts, by))}." if accounts.height else ""
        raise QuestionError(f"No curve of {component} by {by}: no group has enough failures, or the data has no such column.{groups}")
    summary = _table(tables / "life_summary.parquet", own)
    miles = clock == "km" and load_settings(open_workspace(folder).settings_file).units.distance == "mi"
    unit, scale = ("mi", 1 / KM_PER_MILE) if miles else (clock, 1.0)
    lines = [f"{component.replace('_', ' ')}, {lighting} lighting, on {'miles' if miles else clock}:", ""]
    shown = {}
    for group, curve in curves.group_by(_LIFE_KEYS, maintain_order=True):
        name = _names(curve.head(1), by)[0]
        shown[name] = curve.with_columns(pl.col("t", "start_t") * scale)
        same = pl.all_horizontal(pl.col(k) == v for k, v in zip(_LIFE_KEYS, group, strict=True))
        lines += _summary_lines(name, shown[name], summary.filter(same), accounts.filter(same), unit, scale)
    without = accounts.filter(~pl.col("own_curve")) if accounts.height else accounts
    for row, name in zip(without.iter_rows(named=True), _names(without, by), strict=True):
        lines.append(f"  {name}: no curve of its own, {row['reason']} ({row['lives']} lives, {row['failures']:.3g} failures)")
    lines.append("")
    if to:
        _picture(shown, component, unit, to)
        return [*lines, f"The curve is in {to}."]
    for name, curve in shown.items():
        lines += [name, *_drawn(curve, unit), ""]
    return [*lines, "  # share still working   . its interval, vehicles and not parts counted as independent"]


def _table(path: Path, rows: Any) -> Any:
    """The wanted rows of a published table; none where an earlier version published no such table."""
    import polars as pl

    if not path.exists():
        return pl.DataFrame(schema={**dict.fromkeys(_LIFE_KEYS, pl.String), "own_curve": pl.Boolean})
    return pl.read_parquet(path).filter(rows)


def _group(frame: Any, by: str | None) -> Any:
    """The rows of one way of grouping: all together, by supplier, or by a stratum column."""
    import polars as pl

    if by == "supplier":
        return frame.filter((pl.col("supplier") != "all") & (pl.col("stratum") == "all"))
    if by:
        return frame.filter((pl.col("stratum") + "=").str.starts_with(f"{by}="))
    return frame.filter((pl.col("supplier") == "all") & (pl.col("stratum") == "all"))


def _names(frame: Any, by: str | None) -> list[str]:
    """What each row's group is called."""
    if by == "supplier":
        return frame["supplier"].to_list()
    return [f"{g}, {s.partition('=')[2]}" if by else g for g, s in frame.select("generation", "stratum").iter_rows()]


def _summary_lines(name: str, curve: Any, summary: Any, accounts: Any, unit: str, scale: float) -> list[str]:
    def at(row: dict[str, Any], what: str) -> str | None:
        if row.get(what) is None:
            return None
        low, high = row.get(f"{what}_low"), row.get(f"{what}_high")
        around = f" ({low * scale:,.0f} to {high * scale:,.0f})" if low is not None and high is not None else ""
        return f"{row[what] * scale:,.0f} {unit}{around}" + (", beyond what was seen to fail" if row.get(f"{what}_extrapolated") else "")

    failures = float(curve["events"].sum())
    behind = f"{failures:,.3g} failures on the curve"
    if accounts.height:
        row = accounts.row(0, named=True)
        behind = f"{row['lives']:,} lives in {row['clusters']:,} vehicles, {behind}"
        if row["failures_before_start"] > 0:
            behind += f", {row['failures_before_start']:.3g} before it begins"
    start = float(curve["start_t"][0])
    lines = [f"  {name}: {behind}" + (f"; given survival to {start:,.0f} {unit}" if start > 0 else "")]
    if not summary.height:
        return lines
    row = summary.row(0, named=True)
    words = [f"{share} by {told}" for what, share in (("b3", "3 in 100 fail"), ("b10", "1 in 10"), ("median", "half"))
             if (told := at(row, what))]
    if row.get("median") is None:
        words.append("half have not failed within the ages watched")
    lines.append(f"    {'; '.join(words)}; {str(row.get('wear') or 'undetermined').replace('_', ' ')}")
    if row.get("borrowed"):
        lines.append(f"    these figures are borrowed from {row['borrowed_from']}: {row['note']}")
    return lines


def _drawn(curve: Any, unit: str, width: int = 64, height: int = 12) -> list[str]:
    """A step curve with its interval in characters: # the estimate, . the interval."""
    from bisect import bisect_right

    t, s = curve["t"].to_list(), curve["survival"].to_list()
    low, high = curve["low"].to_list(), curve["high"].to_list()
    reach = t[-1] or 1.0
    rows = [[" "] * width for _ in range(height + 1)]
    for column in range(width):
        at = bisect_right(t, reach * column / (width - 1) + 1e-9) - 1
        if at < 0:
            continue
        for value, mark in ((low[at], "."), (high[at], "."), (s[at], "#")):
            if value is not None:
                rows[round((1 - value) * height)][column] = mark
    labels = [f"{1 - i / height:>5.0%} |" if i % 3 == 0 else "      |" for i in range(height + 1)]
    return ["  " + (label + "".join(row)).rstrip() for label, row in zip(labels, rows, strict=True)] + [
        "        " + "-" * width, "        0" + f"{reach:,.0f} {unit}".rjust(width - 1)]


def _picture(shown: dict[str, Any], component: str, unit: str, to: Path) -> None:
    import altair as alt
    import polars as pl

    if to.suffix not in (".svg", ".png"):
        raise QuestionError(f"{to.name}: write the picture as .svg or .png.")
    frame = pl.concat([c.select("t", "survival", "low", "high").with_columns(pl.lit(n).alias("group")) for n, c in shown.items()])
    if frame.height > 4000:
        frame = frame.gather_every(frame.height // 4000 + 1)
    base = alt.Chart(frame.to_pandas()).encode(x=alt.X("t:Q", title=unit), color=alt.Color("group:N", title=None))
    chart = (base.mark_area(opacity=0.18, interpolate="step-after").encode(
        y=alt.Y("low:Q", title="share still working", scale=alt.Scale(domain=[0, 1])), y2="high:Q")
        + base.mark_line(interpolate="step-after").encode(y="survival:Q")).properties(
            width=640, height=360, title=f"{component.replace('_', ' ')}: share still working, with its interval")
    chart.save(str(to))
