"""Cells and names that hold one thing only: a side, a part, a place, a catalogue's name."""

from __future__ import annotations

import polars as pl

from pipeline.intake.clauses import Clause
from pipeline.intake.phrases import OTHER, Text
from pipeline.intake.reading import Reading, read_text, resolve_component, side_symbols
from pipeline.intake.vocabulary import Vocabulary, plain


def resolve_side(symbols: str, drive_side: str | None, front_right: bool = False) -> str:
    """One side of left, right, both, unknown from the symbols of a text and the side of the driver's seat.

    The passenger's side is the near (kerb) side in the country that a vehicle is built for. Symbols that contradict
    each other give unknown.
    """
    if not symbols:
        return "unknown"
    out = set()
    for s in symbols.split("+"):
        if s in ("left", "right", "both"):
            out.add(s)
        elif s == "other":
            out.add("unknown")  # needs the complaint's side
        elif s == "fr":
            out.add("right" if front_right else "unknown")
        elif s in ("driver", "off") and drive_side in ("left", "right"):
            out.add(drive_side)
        elif s in ("passenger", "near") and drive_side in ("left", "right"):
            out.add("right" if drive_side == "left" else "left")
        else:
            out.add("unknown")
    if "both" in out and len(out) == 2:
        out.discard("both")
    return out.pop() if len(out) == 1 else "unknown"


def read_side(text: str | None, vocabulary: Vocabulary) -> str:
    """Side symbols of a cell that holds nothing but a side; single letters count (L, R, B)."""
    if text is None or not text.strip():
        return ""
    value = " ".join(plain(text).split())
    direct = {
        "l": "left",
        "r": "right",
        "b": "both",
        "driver": "driver",
        "drivers": "driver",
        "passenger": "passenger",
        "passengers": "passenger",
        "pass": "passenger",
        "pax": "passenger",
        "n": "near",
        "o": "off",
        "none": "none",
        "unknown": "unknown",
        "n/a": "none",
        "-": "none",
        "lr": "both",
        "l/r": "both",
        "rl": "both",
        "2": "both",
    }
    if value in direct:
        return direct[value]
    t = Text(text, vocabulary, ("de", "fr", "it", "es"))
    everything = [Clause(0, len(t.tokens), [], [])]
    return "+".join(sorted(side_symbols(t, [], everything)))


def read_component(text: str | None, vocabulary: Vocabulary) -> str | None:
    """Component (or choices, see resolve_component) of a cell that names nothing but a headlamp part.

    None where it cannot be read; "-" where it names another part than ours.
    """
    if text is None or not text.strip():
        return None
    key = "_".join(plain(text).replace("-", " ").replace("_", " ").split())
    if key in vocabulary.components or key == "unknown":
        return key
    told, weak, _ = _read_part(text, vocabulary)
    return told if told not in (None, "unknown") or weak is None else weak


def _read_part(text: str | None, vocabulary: Vocabulary) -> tuple[str | None, str | None, Reading]:
    """Component that a part's name tells by itself ("-" for another part than ours), the one that it may be, and all that was read."""
    if text is None or not text.strip():
        return None, None, read_text(None, vocabulary)
    r = read_text(text, vocabulary)
    if "," in text or " - " in text:
        # Catalogues write "DRIVER, LED HEADLAMP": the noun first, what qualifies it after.
        turned = read_text(" ".join(reversed(text.replace(" - ", ",").split(","))), vocabulary)
        if turned.component not in (None, "unknown") or r.component in (None, "unknown"):
            r = turned
    elif r.component in (None, "unknown") and "not_headlamp" not in r.flags and r.about not in ("elsewhere", "other"):
        # "MODULE BODY CONTROL", "SOCKET HEADLAMP BULB": the same without a comma
        words = text.split()
        for turned in (words[1:] + words[:1], words[::-1]) if 2 <= len(words) <= 5 else ():
            again = read_text(" ".join(turned), vocabulary)
            if again.component not in (None, "unknown") or (
                r.component is None and (r.weak_component or "unknown").startswith("unknown") and again.weak_component
            ):
                r = again
                break
    if "piece" in r.flags:
        return OTHER, None, r
    if r.component == "unknown" and r.weak_component is not None:
        return r.weak_component, None, r  # a bare "headlamp" in a catalogue is the unit
    if r.component not in (None, "unknown"):
        return r.component, None, r
    if r.weak_component is not None:
        return None, r.weak_component, r
    if r.about in ("elsewhere", "other") or "not_headlamp" in r.flags:
        return OTHER, None, r
    return r.component, None, r


def read_place(text: str, vocabulary: Vocabulary, drive_side: str | None = None) -> tuple[str, str] | None:
    """One place such as "L:lamp", "R: headlight unit", "C:module" as (side, component); None where it cannot be read.

    Side `none` is the centre (C) and every component that has no side.
    """
    first, mark, rest = text.partition(":")
    if not mark:
        return None
    centre = plain(first).strip() in ("c", "centre", "center", "m", "mid", "middle", "none", "-")
    side = "none" if centre else resolve_side(read_side(first, vocabulary), drive_side)
    code = read_component(rest, vocabulary)
    if code is None or code == OTHER:
        return None
    component = resolve_component(code, None)
    if component == "unknown" and centre:
        component = "control_module"
    if component in vocabulary.unsided:
        side = "none"
    if component in (None, "unknown") or side == "unknown":
        return None
    return side, component


def read_not_original(
    text: str | None, vocabulary: Vocabulary, drive_side: str | None = None
) -> tuple[list[tuple[str, str]] | None, list[str]]:
    """Places of parts that were seen not to be the first ones, and the pieces that could not be read.

    "L:lamp;R:ballast;C:module" gives ([("left", "lamp"), ("right", "ballast"), ("none", "control_module")], []);
    "none" gives ([], []) (looked at, all original); blank gives (None, []) (not looked at).
    """
    if text is None or not text.strip():
        return None, []
    if plain(text).strip() in ("none", "-", "no", "nil", "all original", "original"):
        return [], []
    places, unread = [], []
    for piece in text.replace("|", ";").replace(",", ";").split(";"):
        if not piece.strip():
            continue
        place = read_place(piece, vocabulary, drive_side)
        if place is None:
            unread.append(piece.strip())
        else:
            for side in ("left", "right") if place[0] == "both" else (place[0],):
                places.append((side, place[1]))
    return places, unread


def classify_part_names(parts: pl.DataFrame, vocabulary: Vocabulary) -> pl.DataFrame:
    """Component and light source category of catalogue parts.

    parts: part_number, part_name, and optionally component, light_source_category, renews (explicit ones win).
    Returns one row a row: part_number, component (null: not told, or none of ours), choices (the same
    with what depends on the vehicle's lighting, see resolve_component), is_other (the name is of another
    part or lamp), weak_component (a "fuse" or "bulb": a headlamp's only where the line says so),
    light_source_category, renews (","-joined), component_rule ("column", "name" or null), sides
    (symbols for resolve_side, "" where the name has none), is_piece (a cap, bracket, lens of the headlamp), beam, pair (the
    name says that two are in it).
    """
    n = parts.height

    def column(name: str) -> list:
        return parts[name].cast(pl.String).to_list() if name in parts.columns else [None] * n

    rows = []
    cache: dict[tuple, tuple] = {}
    for number, name, given, category, renews in zip(
        column("part_number"),
        column("part_name"),
        column("component"),
        column("light_source_category"),
        column("renews"),
        strict=False,
    ):
        key = (name, given, category, renews)
        if key not in cache:
            r = read_text(name, vocabulary)
            own, rule, weak = None, None, None
            if given is not None and given.strip():
                own, rule = read_component(given, vocabulary), "column"
            if own is None:
                own, weak, r = _read_part(name, vocabulary)
                rule = "name" if own is not None or weak is not None else None
            other = own == OTHER
            if other:
                own = None
            mix = dict.fromkeys([x.strip() for x in (renews or "").replace(";", ",").split(",") if x.strip()])
            came = [resolve_component(read_component(x, vocabulary), None) or x for x in mix] or list(r.renews)
            sides = r.sides if r.sides in ("left", "right", "near", "off", "driver", "passenger") else ""
            cat = category.strip().upper() if category and category.strip() else r.category
            # A cap or a bracket of the headlamp is no part that is followed, and yet a headlamp matter.
            piece = other and rule == "name" and "piece" in r.flags and "not_headlamp" not in r.flags
            beam = r.beam or r.beam_hint
            cache[key] = (own, other and not piece, weak, cat, ",".join(came) or None, rule, sides, piece, beam, r.pair or r.two or r.sides == "both")
        own = cache[key][0]
        told = resolve_component(own, None)
        rows.append((number, None if told == "unknown" else told, own, *cache[key][1:]))
    return pl.DataFrame(
        rows,
        orient="row",
        schema={
            "part_number": pl.String,
            "component": pl.String,
            "choices": pl.String,
            "is_other": pl.Boolean,
            "weak_component": pl.String,
            "light_source_category": pl.String,
            "renews": pl.String,
            "component_rule": pl.String,
            "sides": pl.String,
            "is_piece": pl.Boolean,
            "beam": pl.String,
            "pair": pl.Boolean,
        },
    )
