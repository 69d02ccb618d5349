"""The bench page: the published cause model as one self-contained page that answers on a phone, offline.

The page holds the text of bench.json and a script that ranks and orders as pipeline.suspects.bench does. Text
from data is escaped by the template, or set as text by the script; nothing from data becomes markup."""

from __future__ import annotations

import json
from typing import Any

from markupsafe import Markup

from pipeline.publish import pages, theme
from pipeline.publish.views import Context
from pipeline.publish.words import KM_PER_MILE, Words
from pipeline.store import data_dir
from pipeline.suspects import bench
from pipeline.suspects.checks import MOST_CHECKS
from pipeline.suspects.parts import BOTH_DARK, OTHER, is_possible

FILE = "bench.html"
_ACCESS_NOTES = {"examples": "bench.example_minutes", "labour": "bench.labour_minutes"}
# Two sorts of discharge light source by their category's first letters (UN R99): the igniter in the lamp, or apart.
CATEGORIES = ("D1", "D2")
_FORMATS = ("decimal", "group", "percent", "percent_range", "percent_below", "percent_above")


def render_bench(data_json: str, context: Context) -> str:
    """bench.html as text, from the text of bench.json: bench_data's dict with `access` (rows of the access
    table), `as_of` and `access_is_example`.

    Raises ValueError (json.JSONDecodeError) for a text that is not JSON, KeyError for one without those keys."""
    data = json.loads(data_json)
    words = context.words()
    files = [(f, words(f"nav.{pages._key(f)}")) for f in dict.fromkeys((*pages.FILES, FILE))]
    folder = data_dir("reports")
    return (
        pages._environment()
        .get_template("bench.html")
        .render(
            context=context,
            w=words,
            file=FILE,
            files=files,
            as_of=data["as_of"],
            access_note=_ACCESS_NOTES.get(data.get("access_source", "examples" if data["access_is_example"] else "given"), ""),
            form=_form(data, words),
            cautions=[words.rich(f"cautions.{c}") for c in pages.CAUTIONS],
            style=Markup(theme.css_variables() + _text(folder / "style.css") + _text(folder / "bench.css")),
            script=Markup(_text(folder / "bench.js")),
            embedded=pages.safe_json(_embedded(data, words)),
        )
    )


def _text(path: Any) -> str:
    return path.read_text(encoding="utf-8")


def _form(data: dict[str, Any], words: Words) -> dict[str, Any]:
    """What the form offers; values are numbers into the data's lists, so that no name becomes part of an
    attribute's meaning."""
    parts = [
        {"at": j, "name": words.name("component", c), "sided": data["sided"][j], "on_km": data["clock"][j] == "km"}
        for j, c in enumerate(data["components"])
    ]
    has_igniter = "discharge" in data["lightings"] and "igniter" in data["components"]
    return {
        "symptoms": [(i, words.name("symptom", s)) for i, s in enumerate(data["symptoms"]) if s != BOTH_DARK],
        "sides": [(s, words.name("side", s)) for s in ("left", "right", "both")],
        "lightings": [(i, words.name("lighting", li)) for i, li in enumerate(data["lightings"])],
        "classes": [(i, c.replace("_", " ")) for i, c in enumerate(data["classes"]) if i],
        "categories": [(c, words(f"bench.category_{c}")) for c in CATEGORIES] if has_igniter else [],
        "states": [(s, words(f"bench.renewed_{s}")) for s in ("unknown", "original", "renewed")],
        "units": [(u, words(f"bench.unit_{u}")) for u in "dwmy"],
        "codes": data["codes"],
        "parts": [p for p in parts if any(is_possible(data["components"][p["at"]], li) for li in data["lightings"])],
    }


def _embedded(data: dict[str, Any], words: Words) -> dict[str, Any]:
    blank = bench.Query()
    texts = {k: words.text(f"bench.{k}") for k in words.texts["bench"]}  # the script fills their places
    return {
        "data": data,
        "words": texts | {"interval": texts["interval"].replace("{level}", words.percent(data["confidence"]))},
        "format": {k: words.text(f"format.{k}") for k in _FORMATS},
        "notes": {k: words(f"bench_note.{k}") if words.has(f"bench_note.{k}") else v for k, v in bench.NOTES.items()},
        "basis": {k: words(f"bench.basis_{k}") for k in ("own", "pooled", "borrowed")},
        "component_names": [words.name("component", c) for c in data["components"]],
        "other_name": words.name("component", OTHER),
        "unit": words.unit_word,
        "km_per_unit": KM_PER_MILE if words.unit == "mi" else 1.0,
        "both_dark": BOTH_DARK,
        "other": OTHER,
        "most_checks": MOST_CHECKS,
        "check_sensitivity": blank.check_sensitivity,
        "swap_error": blank.swap_error,
    }
