"""priors.json and its schema: which part to suspect first, for diagnosis tools that nobody here has met.

One object a cell (symptom, lighting, vehicle class, distance band, age band, what was renewed lately), its
suspects likeliest first, probabilities that sum to one. Every suspect carries its interval, `basis` and
`effective_cases`. Versioned: a reader checks `schema_version`'s first number, and takes unknown properties as
news. priors.parquet holds the same rows, flat."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.publish import figures, files
from pipeline.publish.figures import Tables
from pipeline.publish.views import Context

SCHEMA_VERSION = "1.2"
SCHEMA_ID = "urn:lowbeam:priors:1"
COMPONENTS = (
    "lamp",
    "igniter",
    "ballast",
    "headlamp_assembly",
    "wiring",
    "control_module",
    "switch_or_fuse",
    "led_module",
    "led_driver",
)
SYMPTOMS = ("low_beam_dark", "high_beam_dark", "flicker", "dim", "water_inside", "warning_shown", "other")
DIGITS = 6
_CELL = [
    "symptom",
    "lighting",
    "vehicle_class",
    "km_low",
    "km_high",
    "age_low_days",
    "age_high_days",
    "recently_replaced",
]


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of priors.json."""

    def number(low: float, high: float | None, words: str, null: bool = False) -> dict[str, Any]:
        made: dict[str, Any] = {"type": ["number", "null"] if null else "number", "minimum": low, "description": words}
        return made | ({"maximum": high} if high is not None else {})

    text = {"type": "string", "minLength": 1}
    suspect = {
        "type": "object",
        "required": ["component", "probability", "low", "high", "effective_cases", "basis"],
        "properties": {
            "component": text
            | {"description": f"One of {', '.join(COMPONENTS)}, other, or one that the workshop added."},
            "probability": number(
                0, 1, "That this component is the cause of the complaint; a cell's sum to 1 within rounding."
            ),
            "low": number(0, 1, "Lower limit of its credible interval.", null=True),
            "high": number(0, 1, "Upper limit of its credible interval.", null=True),
            "effective_cases": number(
                0, None, "Confirmed cases that the cell's figures are worth beyond the model's own."
            ),
            "basis": {
                "enum": ["own", "pooled", "borrowed"],
                "description": "own: this cell's confirmed cases decide; pooled: shared with related cells; "
                "borrowed: hardly any here.",
            },
        },
    }
    cell = {
        "type": "object",
        "required": [*_CELL, "suspects"],
        "properties": {
            "symptom": text | {"description": f"One of {', '.join(SYMPTOMS)}."},
            "lighting": {"enum": ["halogen", "discharge", "led", "unknown", "all"], "description": "unknown: of vehicles that do not tell."},
            "vehicle_class": text | {"description": "The workshop's own class of vehicles; `all` is pooled."},
            "km_low": number(0, None, "Odometer, km, from here on ..."),
            "km_high": number(0, None, "... to below here; null: no upper end.", null=True),
            "age_low_days": number(0, None, "Age of the vehicle since first use, days, from here on ..."),
            "age_high_days": number(0, None, "... to below here; null: no upper end.", null=True),
            "recently_replaced": text
            | {"description": "`none`, or the component renewed lately on the same side (within `units.recent_days`)."},
            "suspects": {"type": "array", "minItems": 1, "items": suspect, "description": "Likeliest first."},
        },
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        "title": "Which headlamp part to suspect first",
        "description": "Probabilities of the cause of a headlamp complaint, from one workshop's or fleet's repair "
        "records. A cell that is not listed is not known: no vehicle has been there. Readers take unknown "
        "properties as news.",
        "type": "object",
        "required": [
            "schema",
            "schema_version",
            "as_of",
            "program",
            "units",
            "sides",
            "data",
            "backtest",
            "licence",
            "cautions",
            "use",
            "cells",
        ],
        "properties": {
            "schema": {"const": SCHEMA_ID},
            "schema_version": {"type": "string", "pattern": r"^1\.\d+$"},
            "as_of": {"type": "string", "format": "date", "pattern": r"^\d{4}-\d{2}-\d{2}$"},
            "program": {
                "type": "object",
                "required": ["name", "version"],
                "properties": {"name": text, "version": {"type": "string"}},
            },
            "units": {
                "type": "object",
                "required": ["distance", "age", "probability", "recent_days"],
                "properties": {
                    "distance": {"const": "km"},
                    "age": {"const": "days"},
                    "probability": {"const": "share of 1"},
                    "recent_days": number(1, None, "How many days count as lately."),
                },
            },
            "sides": {
                "type": "object",
                "required": ["convention", "drive_side"],
                "properties": {
                    "convention": {"const": "left and right as seen from the driver's seat, facing forward"},
                    "drive_side": {
                        "enum": ["left", "right", "unknown"],
                        "description": "Side of the driver's seat where a vehicle does not say.",
                    },
                },
            },
            "data": {
                "type": "object",
                "required": ["first_day", "last_day", "vehicles", "lives", "failures", "confirmed_cases", "cells"],
                "properties": {
                    "first_day": {"type": ["string", "null"], "pattern": r"^\d{4}-\d{2}-\d{2}$"},
                    "last_day": {"type": ["string", "null"], "pattern": r"^\d{4}-\d{2}-\d{2}$"},
                    **{
                        k: {"type": "integer", "minimum": 0}
                        for k in ("vehicles", "lives", "failures", "confirmed_cases", "cells")
                    },
                },
            },
            "confidence": {
                "type": "number",
                "exclusiveMinimum": 0,
                "exclusiveMaximum": 1,
                "description": "What the intervals are said to hold.",
            },
            "backtest": {
                "type": "object",
                "required": ["beats_baselines", "cases", "verdict"],
                "description": "How the model did on cases that came after what it had seen, against plain counts of parts replaced.",
                "properties": {
                    "beats_baselines": {
                        "type": ["boolean", "null"],
                        "description": "false: no better than counting: show the probabilities as a hint; null: not tested.",
                    },
                    "cases": {"type": "integer", "minimum": 0},
                    "log_score": number(0, None, "Mean of -log of the probability given to the cause; lower is better.", null=True),
                    "baseline_log_score": number(0, None, "That of the better baseline.", null=True),
                    "verdict": {"type": "string"},
                },
            },
            "licence": text,
            "cautions": {"type": "array", "minItems": 1, "items": text},
            "use": {"type": "array", "items": text},
            "cells": {"type": "array", "items": cell},
        },
    }


def build(tables: Tables, context: Context) -> dict[str, Any]:
    """priors.json as plain data. An absent or empty priors table gives no cells. Raises ValueError where a
    cell's probabilities do not sum to one."""
    words = context.words()
    rows = flat(tables)
    cells = []
    if rows.height:
        for key, part in rows.group_by(_CELL, maintain_order=True):
            total = part["probability"].sum()
            if abs(total - 1) > 1e-6:
                raise ValueError(f"the probabilities of the priors' cell {key} sum to {total}, not to 1")
            suspects = [
                {
                    "component": r["component"],
                    "probability": _round(r["probability"]),
                    "low": _round(r["low"]),
                    "high": _round(r["high"]),
                    "effective_cases": _round(r["effective_cases"], 3),
                    "basis": r["basis"],
                }
                for r in part.iter_rows(named=True)
            ]
            cells.append({k: _whole(v) for k, v in zip(_CELL, key, strict=True)} | {"suspects": suspects})
    lives, episodes = figures.frame(tables, "lives"), figures.frame(tables, "episodes")
    window = context.window or (None, None)
    return {
        "schema": SCHEMA_ID,
        "schema_version": SCHEMA_VERSION,
        "as_of": context.as_of.isoformat(),
        "program": {"name": "lowbeam", "version": context.version},
        "units": {"distance": "km", "age": "days", "probability": "share of 1", "recent_days": context.recent_days},
        "sides": {
            "convention": "left and right as seen from the driver's seat, facing forward",
            "drive_side": context.drive_side,
        },
        "data": {
            "first_day": window[0].isoformat() if window[0] else None,
            "last_day": window[1].isoformat() if window[1] else None,
            "vehicles": lives["vehicle"].n_unique() if "vehicle" in lives.columns else 0,
            "lives": lives.height,
            "failures": lives.filter(pl.col("ending") == "failed").height if "ending" in lives.columns else 0,
            "confirmed_cases": episodes.height,
            "cells": len(cells),
        },
        "confidence": context.confidence,
        "backtest": tested(tables),
        "licence": words("priors.licence"),
        "cautions": [words(f"cautions.{c}") for c in ("voltage", "heat", "mercury", "battery", "same", "law")],
        "use": [
            words(f"priors.use_{k}")
            for k in ("absent", "basis", "impossible", "cause", "version", *(() if beats_baselines(tables) else ("hint",)))
        ],
        "cells": cells,
    }


def beats_baselines(tables: Tables) -> bool | None:
    """Whether the month's backtest found the model better than both plain baselines; None where it was not tested."""
    found = figures.frame(tables, "backtest")
    if "is_better" in found.columns and found["is_better"].drop_nulls().len():
        return bool(found["is_better"].drop_nulls().all())
    scores = figures.backtest_scores(tables)
    return scores.better if scores else None


def tested(tables: Tables) -> dict[str, Any]:
    """The backtest as priors.json carries it."""
    found, scores = figures.frame(tables, "backtest"), figures.backtest_scores(tables)
    verdict = found["verdict"].drop_nulls().to_list() if "verdict" in found.columns else []
    return {
        "beats_baselines": beats_baselines(tables),
        "cases": scores.n if scores else 0,
        "log_score": _round(scores.model) if scores else None,
        "baseline_log_score": _round(scores.baseline) if scores else None,
        "verdict": verdict[0] if verdict else "Not tested.",
    }


def flat(tables: Tables) -> pl.DataFrame:
    """The priors as rows, in a fixed order: the cell's keys, then likeliest first."""
    rows = figures.priors(tables)
    if rows.is_empty():
        return rows
    known = [*_CELL, "component", "probability", "low", "high", "effective_cases", "basis"]
    rows = rows.select(*known, *[c for c in rows.columns if c not in known])
    rows = rows.with_columns(pl.lit(beats_baselines(tables), pl.Boolean).alias("beats_baselines"))
    return rows.sort(
        [*_CELL, "probability", "component"], descending=[False] * len(_CELL) + [True, False], nulls_last=True
    )


def write(folder: Path, tables: Tables, context: Context) -> None:
    """Write priors.json, priors.schema.json and priors.parquet into a folder, checked against the schema first.
    Raises ValueError, in words, where they do not fit it."""
    import io

    made = build(tables, context)
    # All cells come from one typed table: some hundred, evenly spaced, stand for them (a test checks every one).
    check({**made, "cells": made["cells"][:: max(1, len(made["cells"]) // 100)]})
    files.write_text(folder / "priors.json", as_text(made))
    files.write_text(folder / "priors.schema.json", json.dumps(schema(), indent=1, ensure_ascii=False) + "\n")
    rows = flat(tables)
    if rows.is_empty():
        rows = pl.DataFrame(
            schema={
                **dict.fromkeys(("symptom", "lighting", "vehicle_class"), pl.String),
                **dict.fromkeys(("km_low", "km_high", "age_low_days", "age_high_days"), pl.Float64),
                "recently_replaced": pl.String,
                "component": pl.String,
                **dict.fromkeys(("probability", "low", "high", "effective_cases"), pl.Float64),
                "basis": pl.String,
                "beats_baselines": pl.Boolean,
            }
        )
    buffer = io.BytesIO()
    rows.write_parquet(buffer, compression="zstd")
    files.write_bytes(folder / "priors.parquet", buffer.getvalue())


def check(made: Mapping[str, Any]) -> None:
    """Raise ValueError, naming the place, where priors.json does not fit its schema."""
    import jsonschema

    validator = jsonschema.Draft202012Validator(schema())
    for error in validator.iter_errors(made):
        raise ValueError(f"priors.json at {error.json_path}: {error.message[:300]}")


def as_text(made: Mapping[str, Any]) -> str:
    """The file's text: the head readable, one cell a line, so that two months can be compared line by line."""
    head = {k: v for k, v in made.items() if k != "cells"}
    text = json.dumps(head, indent=1, ensure_ascii=False, allow_nan=False)
    cells = ",\n".join(json.dumps(c, ensure_ascii=False, allow_nan=False, separators=(",", ":")) for c in made["cells"])
    return f'{text[:-2]},\n "cells": [\n{cells}\n]}}\n' if made["cells"] else f'{text[:-2]},\n "cells": []}}\n'


def _round(x: float | None, digits: int = DIGITS) -> float | None:
    return None if x is None or not math.isfinite(x) else round(x, digits)


def _whole(x: Any) -> Any:
    return int(x) if isinstance(x, float) and math.isfinite(x) and x == int(x) else x
