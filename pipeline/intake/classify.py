"""Repair lines become component, side, beam, action, symptom and reason, each with the rule and words that decided.

Each text is read once, however many lines carry it; lines are then put together column by column.

**Which source wins** (from left to right)

| what | 1st | 2nd | 3rd | 4th |
|---|---|---|---|---|
| component | `component` column | catalogue entry of the part number | description | "bulb", "fuse" and complaint |
| side | `none` if it has none | `side` column | description | part's name; else two or plural: `both` |
| beam | description | its light source category | complaint | |
| action | quantity < 0: `credited` | `action` column | `outcome`: declined, quoted | description; see 11 |
| symptom | complaint | description | | |
| complaint_side | complaint | | | |
| removal_reason | `planned` column | `outcome` column | description | |

**How a text is read**

1. Small letters, no accents; "l.h.", "L/H", "R & R" become one word each; words run together are split; a
   long word that matches nothing is read as the one known word within one slip (two from ten letters on).
2. Phrases of the vocabulary are found from the left, the longest first, apart for things, sides, beams,
   actions, reasons, symptoms. A word of another language than the text's counts only where the text is in
   no known language; a short English word not in a text that is only foreign.
3. The text falls into clauses at punctuation, at "then", "but", "due to", at "and" before a verb, and
   before a further verb. A clause that begins with "after", "since", "before" tells the occasion, not the
   work. In a clause: of two parts joined by "and", both count; "with" names what comes along (`renews`);
   "without" and "old" drop what follows; after "in", "on", "of" stands only where it sits; of a bare
   compound ("ballast connector") the last word is the thing, and a connector, switch or accessory is the
   thing wherever it stands.
4. A lamp word belongs to the nearest word that tells which lamp, the one before it first: "tail lamp bulb"
   is none of ours (flag `not_headlamp`).
5. "Headlamp" alone is the unit where words of damage, water or removal stand beside it, where it was
   refitted, repaired, cleaned or aimed, and where a line without a verb is just a part's name; otherwise
   `unknown`: lamp or unit. "Scheinwerfer", "optique", "faro" mean the unit. "Lamp" alone is `unknown`, or
   the unit where damage is told. A word that is not known right behind it may be the thing itself:
   `unknown`. A piece of the unit (cap, bracket, lens, seal) is the unit, and renewing it a repair (flag
   `piece`).
6. Inside a clause the action of the greatest weight wins: credited 5; quoted, not fitted, advised 4; "to
   replace", swap test 3; refitted 2; the others 1 (replaced before repaired, refitted, cleaned, adjusted,
   diagnosed, inspected); "new" and "aim" 0. A verb without a part takes the part of its neighbour, unless a
   word that is not known stands beside it. Credited, quoted and not fitted without a part speak of the
   whole line; advised never does.
7. The line is about the clause that names a headlamp part and has the strongest action: replaced, repaired,
   refitted, credited, quoted, not fitted, cleaned, adjusted, diagnosed, advised, inspected. Of several
   parts there, the largest (unit, ballast, igniter, LED parts, lamp); the others renewed in the line go to
   `renews` (flag `kit`).
8. Sides: the clause's own, else the nearest other clause's, those before it first. Near, off, driver and
   passenger are turned by the vehicle's drive_side, and are `unknown` without it. "FR" is the front right
   only where the data also write "FL"; "F/R" never is. Of a swap test the side is `both`.
9. "As pair", "both sides": both sides, or, on a line that names one side, removal_reason `paired`. One
   piece of a numbered part that is called a pair is `paired`, on an unknown side.
10. removal_reason, where several are told: collision, upgrade, planned, paired, failed.
11. No verb at all: `replaced` where a part number, cost or quantity shows that a part was sold; not where
    the words only report a defect.
12. A bare "bulb", "fuse", "relay", "plug" is a headlamp's only where the line or the complaint says so. A
    bare bulb that nothing places is `unknown`; any other such part is no headlamp matter.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.intake.cells import (
    classify_part_names,
    read_component,
    read_not_original,
    read_place,
    read_side,
    resolve_side,
)
from pipeline.intake.names import part_number_key
from pipeline.intake.phrases import OTHER
from pipeline.intake.reading import Reading, read_text, resolve_component
from pipeline.intake.vocabulary import Vocabulary, plain

__all__ = [
    "ACTIONS", "CLASSIFIED_COLUMNS", "LINE_COLUMNS", "SIDES", "classify_lines", "classify_part_names", "read_component",
    "read_not_original", "read_place", "read_side", "read_text", "resolve_component", "resolve_side", "unread_texts", "writes_front_left",
]  # fmt: skip

LINE_COLUMNS: dict[str, pl.DataType] = {
    "line_key": pl.Int64(),
    "description": pl.String(),
    "complaint": pl.String(),
    "component": pl.String(),
    "side": pl.String(),
    "action": pl.String(),
    "part_number": pl.String(),
    "quantity": pl.Float64(),
    "part_cost": pl.Float64(),
    "labour_hours": pl.Float64(),
    "drive_side": pl.String(),
    "lighting": pl.String(),
    "planned": pl.Boolean(),
    "outcome": pl.String(),
}
CLASSIFIED_COLUMNS: dict[str, pl.DataType] = {
    "line_key": pl.Int64(),
    "component": pl.String(),
    "side": pl.String(),
    "beam": pl.String(),
    "action": pl.String(),
    "symptom": pl.String(),
    "complaint_side": pl.String(),
    "removal_reason": pl.String(),
    "complaint_reason": pl.String(),
    "flags": pl.String(),
    "pair": pl.Boolean(),
    "comeback": pl.Boolean(),
    "renews": pl.String(),
    "light_source_category": pl.String(),
    "rule": pl.String(),
    "words": pl.String(),
}
ACTIONS = (
    "replaced",
    "refitted",
    "repaired",
    "inspected",
    "adjusted",
    "cleaned",
    "diagnosed",
    "quoted",
    "credited",
    "not_fitted",
    "none",
)
SIDES = ("left", "right", "both", "none", "unknown")
ENDINGS_TOLD = {
    "failed": "failed",
    "planned": "planned",
    "paired": "paired",
    "collision": "collision",
    "upgrade": "upgrade",
}
_SIDED_PAIRS = ("lamp", "igniter", "ballast", "headlamp_assembly", "led_module", "led_driver")
_READING_FIELDS = {
    "component": pl.String,
    "weak": pl.String,
    "about": pl.String,
    "sides": pl.String,
    "pair": pl.Boolean,
    "two": pl.Boolean,
    "plural": pl.Boolean,
    "beam": pl.String,
    "hint": pl.String,
    "category": pl.String,
    "action": pl.String,
    "own": pl.Boolean,
    "reason": pl.String,
    "symptom": pl.String,
    "complaint_symptom": pl.String,
    "comeback": pl.Boolean,
    "flags": pl.String,
    "renews": pl.String,
    "words": pl.String,
    "how": pl.String,
    "fault": pl.Boolean,
    "unread": pl.Boolean,
    "objectless": pl.Boolean,
    "bare_symptom": pl.String,
}


def _readings(
    texts: pl.Series, prefix: str, key: str, vocabulary: Vocabulary, languages: Sequence[str]
) -> pl.DataFrame:
    unique = texts.drop_nulls().unique().sort().to_list()
    memory: dict[str, Reading] = {}
    rows = []
    for text in unique:
        folded = " ".join(text.split()).casefold()
        r = memory.get(folded)
        if r is None:
            r = memory[folded] = read_text(folded, vocabulary, languages)
        rows.append(
            (
                text,
                r.component,
                r.weak_component,
                r.about,
                r.sides,
                r.pair,
                r.two,
                r.plural,
                r.beam,
                r.beam_hint,
                r.category,
                r.action,
                r.has_own_thing,
                r.reason,
                r.symptom,
                r.complaint_symptom,
                r.comeback,
                ",".join(r.flags),
                ",".join(r.renews),
                r.words,
                r.how,
                r.told_fault,
                r.unread,
                r.objectless,
                r.bare_symptom,
            )
        )
    return pl.DataFrame(
        rows, orient="row", schema={key: pl.String} | {f"{prefix}{k}": v for k, v in _READING_FIELDS.items()}
    )


def _fill(frame: pl.DataFrame) -> pl.DataFrame:
    """The input with every expected column, in its type."""
    columns = []
    for name, dtype in LINE_COLUMNS.items():
        if name in frame.columns:
            columns.append(pl.col(name).cast(dtype, strict=False))
        else:
            columns.append(pl.lit(None, dtype=dtype).alias(name))
    out = frame.select(columns)
    texts = [n for n, d in LINE_COLUMNS.items() if d == pl.String()]
    return out.with_columns(
        pl.when(pl.col(n).str.strip_chars() == "").then(None).otherwise(pl.col(n)).alias(n) for n in texts
    )


def _mapped(frame: pl.DataFrame, keys: Sequence[str], name: str, dtype: type, function) -> pl.DataFrame:
    """A column made by calling a function once per combination of other columns."""
    unique = frame.select(keys).unique(maintain_order=True)
    values = pl.Series(name, [function(*row) for row in unique.iter_rows()], dtype=dtype)
    return frame.join(
        unique.with_columns(values), on=list(keys), how="left", nulls_equal=True, maintain_order="left"
    )


def writes_front_left(lines: pl.DataFrame) -> bool:
    """Whether any text writes FL for front left: then FR is the front right, and not just the front."""
    for name in ("description", "complaint", "side"):
        if name in lines.columns:
            unique = lines[name].cast(pl.String).drop_nulls().unique()
            if unique.str.contains(r"(?i)(^|[^\w/.])F\.?L([^\w/]|$)").any():
                return True
    return False


def classify_lines(
    lines: pl.DataFrame,
    vocabulary: Vocabulary,
    parts: pl.DataFrame | None = None,
    *,
    default_drive_side: str | None = None,
    default_lighting: str | None = None,
    catalogue_wins: bool = True,
    languages: Sequence[str] = (),
) -> pl.DataFrame:
    """Repair lines read.

    lines: line_key and any of LINE_COLUMNS (quantity in pieces, part_cost in currency, labour_hours in hours,
    drive_side left or right: side of the driver's seat, lighting halogen, discharge or led). Missing columns count as
    blank. parts: as for classify_part_names; part numbers are compared by names.part_number_key.
    default_drive_side, default_lighting: for lines whose own is blank. catalogue_wins: the catalogue before the words.
    languages: two-letter codes whose short words are always read.

    Returns one row a row, in the same order, with CLASSIFIED_COLUMNS. component is null where the line is no headlamp
    matter (flag `not_headlamp` where the words say so) and `unknown` where it is one and the part is not told. Nothing
    depends on the order of the rows.
    """
    front_right = writes_front_left(lines)
    f = _fill(lines).with_row_index("_order")
    f = f.with_columns(
        pl.when(pl.col("drive_side").str.to_lowercase().is_in(["left", "right"]))
        .then(pl.col("drive_side").str.to_lowercase())
        .otherwise(pl.lit(default_drive_side))
        .alias("drive_side"),
        pl.coalesce(pl.col("lighting").str.to_lowercase(), pl.lit(default_lighting, dtype=pl.String)).alias(
            "lighting"
        ),
    )
    f = f.join(
        _readings(f["description"], "d_", "description", vocabulary, languages),
        on="description",
        how="left",
        maintain_order="left",
    )
    f = f.join(
        _readings(f["complaint"], "c_", "complaint", vocabulary, languages),
        on="complaint",
        how="left",
        maintain_order="left",
    )
    f = f.join(
        _readings(f["outcome"], "o_", "outcome", vocabulary, languages).select("outcome", "o_action", "o_reason"),
        on="outcome",
        how="left",
        maintain_order="left",
    )

    # catalogue
    if parts is not None and parts.height and "part_number" in parts.columns:
        catalogue = (
            classify_part_names(parts, vocabulary)
            .with_columns(
                pl.col("part_number")
                .map_elements(part_number_key, return_dtype=pl.String, skip_nulls=True)
                .alias("_pn")
            )
            .filter(pl.col("_pn").is_not_null())
            .sort("_pn", "choices", nulls_last=True)
            .unique("_pn", keep="first", maintain_order=True)
        )
        catalogue = catalogue.select(
            "_pn",
            k_component="choices",
            k_other="is_other",
            k_weak="weak_component",
            k_category="light_source_category",
            k_renews="renews",
            k_rule="component_rule",
            k_sides="sides",
            k_piece="is_piece",
            k_beam="beam",
            k_pair="pair",
        )
    else:
        catalogue = pl.DataFrame(
            schema={
                "_pn": pl.String,
                "k_component": pl.String,
                "k_other": pl.Boolean,
                "k_weak": pl.String,
                "k_category": pl.String,
                "k_renews": pl.String,
                "k_rule": pl.String,
                "k_sides": pl.String,
                "k_piece": pl.Boolean,
                "k_beam": pl.String,
                "k_pair": pl.Boolean,
            }
        )
    f = _mapped(f, ["part_number"], "_pn", pl.String, part_number_key)
    f = f.join(catalogue, on="_pn", how="left", maintain_order="left").with_columns(
        pl.col("k_other").fill_null(False)
    )

    # explicit columns
    f = _mapped(f, ["component"], "x_component", pl.String, lambda t: read_component(t, vocabulary))
    f = _mapped(f, ["side"], "x_sides", pl.String, lambda t: read_side(t, vocabulary))
    f = _mapped(f, ["action"], "x_action", pl.String, lambda t: _read_action(t, vocabulary))

    # component
    # "Bulb warning" on the dash may mean any lamp of the vehicle.
    complaint_head = (pl.col("c_about") == "headlamp") | (
        (pl.col("c_about") == "light") & (pl.col("c_complaint_symptom") != "warning_shown").fill_null(False)
    )
    complaint_else = pl.col("c_about") == "elsewhere"
    # "Headlamp bulb gone", and all that the line says is "replaced"
    complaint_names = complaint_head & (pl.col("c_component") != "unknown") & pl.col("d_about").is_in(["nothing", "light"])
    words_component = (
        pl.when(pl.col("d_component").is_not_null())
        .then(
            pl.when(
                (pl.col("d_component") == "unknown")
                & pl.col("d_weak").is_not_null()
                & (
                    pl.col("part_number").is_not_null()
                    | (pl.col("part_cost") > 0)
                    | ((pl.col("quantity") > 0) & (pl.col("d_how") != "headlamp without a verb"))
                )
            )
            .then(pl.col("d_weak"))
            .otherwise(pl.col("d_component"))
        )
        .when(pl.col("d_weak").is_null() & pl.col("d_objectless") & complaint_names)
        .then(pl.col("c_component"))
        .when(pl.col("d_weak").is_null() & (pl.col("d_action") == "adjusted") & (pl.col("d_about") == "nothing") & complaint_head)
        .then(pl.lit("headlamp_assembly"))
        .when(pl.col("d_weak").is_null())
        .then(
            pl.when(
                complaint_head
                & pl.col("d_about").is_in(["nothing", "light"])
                & ((pl.col("d_action") == "diagnosed") | pl.col("d_symptom").is_not_null())
            ).then(pl.lit("unknown"))
        )
        .when(complaint_head)
        .then(pl.col("d_weak"))
        .when(complaint_else.fill_null(False))
        .then(None)
        .when(pl.col("d_weak").is_in(["lamp", "led_module"]))
        .then(pl.lit("unknown"))
        .otherwise(None)
    )
    words_rule = (
        pl.when(pl.col("d_component").is_not_null())
        .then(pl.concat_str(pl.lit("description: "), pl.col("d_how")))
        .when(pl.col("d_weak").is_null() & pl.col("d_objectless") & complaint_names)
        .then(pl.lit("complaint, the line names no part"))
        .when(pl.col("d_weak").is_null())
        .then(pl.when(words_component.is_not_null()).then(pl.lit("complaint")))
        .when(complaint_head)
        .then(pl.lit("description, headlamp by the complaint"))
        .when(complaint_else.fill_null(False))
        .then(pl.lit("description, another lamp by the complaint"))
        .otherwise(pl.lit("description, which lamp is not told"))
    )
    f = f.with_columns(words_component.alias("w_component"), words_rule.alias("w_rule"))
    # A part named just "fuse" or "bulb" is a headlamp's where the line or the complaint is about one.
    about_head = (pl.col("d_about") == "headlamp").fill_null(False) | (
        complaint_head.fill_null(False) & ~pl.col("d_about").is_in(["elsewhere", "other"]).fill_null(False)
    )
    about_nothing = ~pl.col("d_about").is_in(["elsewhere", "other"]).fill_null(False) & ~(
        complaint_else.fill_null(False)
    )
    f = f.with_columns(
        pl.when(pl.col("k_component").is_not_null() | pl.col("k_weak").is_null())
        .then(pl.col("k_component"))
        .when(about_head)
        .then(pl.col("k_weak"))
        .when((pl.col("k_weak") == "lamp") & about_nothing)
        .then(pl.lit("unknown"))
        .alias("k_component")
    )
    f = f.with_columns(
        pl.when((pl.col("k_component") == "unknown") & pl.col("w_component").is_null())
        .then(pl.lit("unknown"))
        .otherwise(pl.col("w_component"))
        .alias("w_component"),
        pl.when((pl.col("k_component") == "unknown") & pl.col("w_component").is_null())
        .then(pl.lit("part number's name, which lamp is not told"))
        .otherwise(pl.col("w_rule"))
        .alias("w_rule"),
    )
    # A consumable booked on a line about a headlamp that was only looked at or set does not make it another matter.
    only_handled = pl.col("w_component").is_not_null() & pl.col("d_action").is_in(
        ["inspected", "adjusted", "diagnosed", "cleaned", "refitted", "repaired"]
    )
    # A piece of the unit (cap, bracket): the unit was repaired, unless the words name another part.
    is_piece = (
        pl.col("k_piece").fill_null(False)
        & pl.col("x_component").is_null()
        & (pl.col("w_component").is_null() | pl.col("w_component").is_in(["unknown", "headlamp_assembly"]))
    )
    f = f.with_columns(pl.when(is_piece).then(pl.lit("headlamp_assembly")).otherwise(pl.col("k_component")).alias("k_component"))
    f = f.with_columns(is_piece.alias("is_piece"))
    is_piece = pl.col("is_piece")
    has_catalogue = (pl.col("k_component").is_not_null() & (pl.col("k_component") != "unknown")) | (
        pl.col("k_other") & ~only_handled.fill_null(False)
    )
    catalogue_first = has_catalogue if catalogue_wins else (has_catalogue & pl.col("w_component").is_null())
    f = f.with_columns(
        pl.when(pl.col("x_component").is_not_null())
        .then(pl.when(pl.col("x_component") == OTHER).then(None).otherwise(pl.col("x_component")))
        .when(catalogue_first)
        .then(pl.col("k_component"))
        .otherwise(pl.col("w_component"))
        .alias("code"),
        pl.when(pl.col("x_component").is_not_null())
        .then(pl.lit("component column"))
        .when(catalogue_first)
        .then(
            pl.when(pl.col("k_rule") == "column")
            .then(pl.lit("part number"))
            .otherwise(pl.lit("part number's name"))
        )
        .otherwise(pl.col("w_rule"))
        .alias("component_rule"),
    )
    # A headlamp's control unit is one side's ballast where the vehicle has discharge lamps and the line names a side.
    no_side = pl.col("d_sides").fill_null("").is_in(["", "both"]) & ~pl.col("d_flags").fill_null("").str.contains("swap_test")
    f = f.with_columns(
        pl.when(no_side)
        .then(pl.col("code").str.replace(r"\|?ballast@discharge\|?", "").replace("", "unknown"))
        .otherwise(pl.col("code"))
        .alias("code")
    )
    # An LED headlamp has no bulb: "headlamp replaced" is the unit.
    led_unit = (
        (pl.col("code") == "unknown")
        & (pl.col("lighting") == "led")
        & (pl.col("w_rule") == "description: headlamp alone: lamp or unit")
        & (pl.col("component_rule") == pl.col("w_rule"))
    ).fill_null(False)
    f = f.with_columns(
        pl.when(led_unit).then(pl.lit("headlamp_assembly")).otherwise(pl.col("code")).alias("code"),
        pl.when(led_unit)
        .then(pl.lit("description: headlamp alone, on a vehicle with LED"))
        .otherwise(pl.col("component_rule"))
        .alias("component_rule"),
    )
    f = _mapped(f, ["code", "lighting"], "out_component", pl.String, resolve_component)
    f = _mapped(f, ["w_component", "lighting"], "said_component", pl.String, resolve_component)

    # action
    booked = pl.col("part_number").is_not_null() | (pl.col("part_cost") > 0) | (pl.col("quantity") > 0)
    by_part = pl.col("component_rule").is_in(["component column", "part number", "part number's name"])
    # The words speak of another job than the part that was booked ("annual service" with a headlamp bulb on it).
    beside = (
        by_part
        & booked
        & ~pl.col("d_own").fill_null(False)
        & pl.col("d_action").is_in(["inspected", "adjusted", "diagnosed", "cleaned"])
        & (pl.col("d_about") != "headlamp")
        & (pl.col("out_component").is_not_null())
    )
    # A report of a defect ("n/s headlamp not working") with the usual quantity 1 is no part sold.
    # Nor is a bare "headlamp n/s", which may be a note.
    only_noted = pl.col("d_fault").fill_null(False) | (pl.col("d_how") == "headlamp without a verb").fill_null(False)
    sold = pl.col("out_component").is_not_null() & pl.when(only_noted).then(
        pl.col("part_number").is_not_null() | (pl.col("part_cost") > 0)
    ).otherwise(booked).fill_null(False)
    # A cap or bracket of the headlamp repairs it.
    piece = (pl.col("d_flags").fill_null("").str.contains("piece") & ~by_part) | is_piece
    # "White bulbs upgrade", "dip bulbs both at service": what is told is why they were renewed.
    meant = (
        pl.col("out_component").is_in(_SIDED_PAIRS) & pl.col("d_reason").is_in(["upgrade", "planned", "paired"]) & ~only_noted
    ).fill_null(False)
    sold_as = pl.when(piece).then(pl.lit("repaired")).otherwise(pl.lit("replaced"))
    told_action = (
        pl.when(pl.col("quantity") < 0)
        .then(pl.lit("credited"))
        .when(pl.col("x_action").is_not_null())
        .then(pl.col("x_action"))
        .when(pl.col("o_action").is_in(["quoted", "not_fitted", "credited"]))
        .then(pl.col("o_action"))
        .when(beside)
        .then(pl.lit("replaced"))
        .when(pl.col("d_action").is_not_null())
        .then(pl.col("d_action"))
        .when(sold | meant)
        .then(sold_as)
        .otherwise(pl.lit("none"))
    )
    told_action = pl.when(is_piece & (told_action == "replaced")).then(pl.lit("repaired")).otherwise(told_action)
    action_rule = (
        pl.when(pl.col("quantity") < 0)
        .then(pl.lit("negative quantity"))
        .when(pl.col("x_action").is_not_null())
        .then(pl.lit("action column"))
        .when(pl.col("o_action").is_in(["quoted", "not_fitted", "credited"]))
        .then(pl.lit("outcome column"))
        .when(beside)
        .then(pl.lit("part booked beside another job"))
        .when(pl.col("d_action").is_not_null())
        .then(pl.lit("description"))
        .when(sold)
        .then(pl.lit("part booked, no verb"))
        .when(meant)
        .then(pl.lit("a reason to renew it, no verb"))
        .otherwise(pl.lit("nothing told"))
    )
    f = f.with_columns(told_action.alias("out_action"), action_rule.alias("action_rule"))

    # sides
    f = _mapped(
        f, ["c_sides", "drive_side"], "c_side", pl.String, lambda s, d: resolve_side(s or "", d, front_right)
    )
    f = _mapped(
        f, ["d_sides", "drive_side"], "d_side", pl.String, lambda s, d: resolve_side(s or "", d, front_right)
    )
    # "Did the other side to match": the other than the complaint's
    other_side = pl.col("c_side").replace_strict({"left": "right", "right": "left"}, default="unknown")
    f = f.with_columns(pl.when(pl.col("d_sides") == "other").then(other_side).otherwise(pl.col("d_side")).alias("d_side"))
    f = _mapped(
        f,
        ["x_sides", "drive_side"],
        "x_side",
        pl.String,
        lambda s, d: "none" if s == "none" else resolve_side(s or "", d, front_right),
    )
    f = _mapped(
        f, ["k_sides", "drive_side"], "k_side", pl.String, lambda s, d: resolve_side(s or "", d, front_right)
    )
    pairable = pl.col("out_component").is_in(_SIDED_PAIRS)
    unsided = pl.col("out_component").is_in(sorted(vocabulary.unsided))
    # Of a holder or plug two pieces are two only where a numbered part was sold: else the 2 may be hours.
    two = ((pl.col("quantity").abs() == 2) | pl.col("d_two").fill_null(False)) & (
        pairable | ((pl.col("out_component") == "wiring") & pl.col("part_number").is_not_null())
    )
    paired_words = pl.col("d_pair").fill_null(False)
    names_no_side = pl.col("d_sides").fill_null("") == ""
    # One piece of a numbered part that is called a pair: one side of it, and which one is not told.
    one_of_pair = (
        paired_words
        & names_no_side
        & (pl.col("quantity").abs() == 1).fill_null(False)
        & (pl.col("part_number").is_not_null())
        & ~pl.col("d_two").fill_null(False)
    )
    # "Headlamp bulbs replaced": both, unless one piece of a numbered part was booked or the complaint names one side.
    many = (
        pl.col("d_plural").fill_null(False)
        & ~pl.col("c_side").is_in(["left", "right"]).fill_null(False)
        & ~((pl.col("quantity").abs() == 1) & pl.col("part_number").is_not_null()).fill_null(False)
    )
    # "BULBS H7 PAIR" is the name of a pack of two.
    sold_paired = pl.col("k_pair").fill_null(False) & pairable & ~pl.col("c_side").is_in(["left", "right"]).fill_null(False)
    side = (
        pl.when(pl.col("out_component").is_null())
        .then(None)
        .when(unsided)
        .then(pl.lit("none"))
        .when(pl.col("x_side") != "unknown")
        .then(pl.col("x_side"))
        .when(pl.col("d_side") != "unknown")
        .then(pl.col("d_side"))
        .when(names_no_side & pl.col("k_side").is_in(["left", "right"]))
        .then(pl.col("k_side"))
        .when(names_no_side & ~one_of_pair & (paired_words | two))
        .then(pl.lit("both"))
        .when(names_no_side & many)
        .then(pl.lit("both"))
        .when(names_no_side & sold_paired)
        .then(pl.lit("both"))
        .otherwise(pl.lit("unknown"))
    )
    side_rule = (
        pl.when(pl.col("out_component").is_null())
        .then(None)
        .when(unsided)
        .then(pl.lit("has none"))
        .when(pl.col("x_side") != "unknown")
        .then(pl.lit("side column"))
        .when(pl.col("d_side") != "unknown")
        .then(pl.lit("description"))
        .when(names_no_side & pl.col("k_side").is_in(["left", "right"]))
        .then(pl.lit("part number's name"))
        .when(one_of_pair)
        .then(pl.lit("one of a pair"))
        .when(names_no_side & paired_words)
        .then(pl.lit("called a pair"))
        .when(names_no_side & two)
        .then(pl.lit("two of it"))
        .when(names_no_side & many)
        .then(pl.lit("named in the plural"))
        .when(names_no_side & sold_paired)
        .then(pl.lit("sold as a pair"))
        .when(names_no_side)
        .then(pl.lit("not told"))
        .when(pl.col("d_sides").str.contains("near|off|driver|passenger"))
        .then(pl.lit("needs the drive side"))
        .when(pl.col("d_sides").str.contains("fr"))
        .then(pl.lit("FR without any FL"))
        .otherwise(pl.lit("contradicting words"))
    )
    f = f.with_columns(side.alias("out_side"), side_rule.alias("side_rule"))

    # reason
    one_side = pl.col("out_side").is_in(["left", "right"])
    outcome_reason = pl.coalesce(
        pl.col("outcome")
        .str.strip_chars()
        .str.to_lowercase()
        .replace_strict(ENDINGS_TOLD, default=None, return_dtype=pl.String),
        pl.col("o_reason"),
    )
    reason = (
        pl.when(pl.col("planned").fill_null(False))
        .then(pl.lit("planned"))
        .when(outcome_reason.is_not_null())
        .then(outcome_reason)
        .when(
            (one_of_pair | (paired_words & one_side & pl.col("x_side").is_in(["left", "right"])))
            & (pl.col("d_reason").is_null() | (pl.col("d_reason") == "failed"))
        )
        .then(pl.lit("paired"))
        .when(pl.col("d_reason").is_null() & pl.col("d_comeback").fill_null(False) & (pl.col("out_action") == "replaced"))
        .then(pl.lit("failed"))
        .otherwise(pl.col("d_reason"))
    )
    reason_rule = (
        pl.when(pl.col("planned").fill_null(False))
        .then(pl.lit("planned column"))
        .when(outcome_reason.is_not_null())
        .then(pl.lit("outcome column"))
        .when(pl.col("d_reason").is_not_null() | (paired_words & one_side) | one_of_pair)
        .then(pl.lit("description"))
        .when(reason.is_not_null())
        .then(pl.lit("the same fault is back"))
        .otherwise(None)
    )

    complaint_lit = (pl.col("c_about").is_in(["headlamp", "light"])).fill_null(False)
    # "accident damage front right" speaks of no lamp, and yet tells why a lamp of that side went.
    # "Flickers on the left" names no lamp either: the line does.
    complaint_bare = (
        pl.col("c_bare_symptom").is_not_null() & (pl.col("d_about") == "headlamp") & pl.col("out_component").is_not_null()
    ).fill_null(False)
    complaint_tells = complaint_lit | complaint_bare | (pl.col("c_reason") == "collision").fill_null(False)
    symptom = pl.coalesce(
        pl.when(pl.col("c_complaint_symptom").is_not_null()).then(pl.col("c_complaint_symptom")),
        pl.when(complaint_bare).then(pl.col("c_bare_symptom")),
        pl.when(pl.col("d_about") != "elsewhere").then(pl.col("d_symptom")),
    )
    comeback = (pl.col("c_comeback").fill_null(False) & (pl.col("c_about") != "elsewhere").fill_null(True)) | (
        pl.col("d_comeback").fill_null(False) & (pl.col("d_about") != "elsewhere").fill_null(True)
    )
    differs = (
        pl.col("said_component").is_not_null()
        & (pl.col("said_component") != "unknown")
        & by_part
        & (pl.col("said_component") != pl.col("out_component").fill_null("-"))
    )
    not_ours = pl.col("out_component").is_null() & (
        pl.col("k_other")
        | (pl.col("d_about").is_in(["elsewhere"])).fill_null(False)
        | (pl.col("d_weak").is_not_null() & complaint_else).fill_null(False)
    )
    flags = pl.concat_str(
        pl.col("d_flags").replace("", None),
        pl.when(not_ours & ~pl.col("d_flags").fill_null("").str.contains("not_headlamp")).then(
            pl.lit("not_headlamp")
        ),
        pl.when(is_piece & ~pl.col("d_flags").fill_null("").str.contains("piece")).then(pl.lit("piece")),
        pl.when(differs).then(pl.lit("words_differ")),
        pl.when((pl.col("quantity") < 0) & ~pl.col("d_flags").fill_null("").str.contains("credit")).then(
            pl.lit("credit")
        ),
        separator=",",
        ignore_nulls=True,
    )
    renews = pl.concat_str(
        pl.when(pl.col("k_renews").is_not_null() & by_part).then(pl.col("k_renews")),
        pl.col("d_renews").replace("", None),
        separator=",",
        ignore_nulls=True,
    ).replace("", None)
    pair = ((pl.col("out_side") == "both") | (two & ~one_side)).fill_null(False)
    rule = pl.concat_str(
        pl.when(pl.col("component_rule").is_not_null()).then(
            pl.concat_str(pl.lit("part: "), pl.col("component_rule"))
        ),
        pl.when(pl.col("side_rule").is_not_null()).then(pl.concat_str(pl.lit("side: "), pl.col("side_rule"))),
        pl.concat_str(pl.lit("action: "), pl.col("action_rule")),
        pl.when(pl.col("_reason_rule").is_not_null()).then(
            pl.concat_str(pl.lit("reason: "), pl.col("_reason_rule"))
        ),
        separator="; ",
        ignore_nulls=True,
    )
    words = pl.concat_str(
        pl.col("d_words").replace("", None),
        pl.when(pl.col("c_words").fill_null("") != "").then(
            pl.concat_str(pl.lit("complaint: "), pl.col("c_words"))
        ),
        separator="; ",
        ignore_nulls=True,
    )
    f = f.with_columns(reason.alias("_reason"), reason_rule.alias("_reason_rule"))
    out = f.select(
        "line_key",
        component=pl.col("out_component"),
        side=pl.col("out_side"),
        beam=pl.coalesce("d_beam", "k_beam", "d_hint", pl.when(complaint_lit).then(pl.col("c_beam")), pl.lit("unknown")),
        action=pl.col("out_action"),
        symptom=symptom,
        complaint_side=pl.when(complaint_tells & pl.col("c_side").is_in(["left", "right", "both"]))
        .then(pl.col("c_side"))
        .otherwise(None),
        removal_reason=pl.col("_reason"),
        complaint_reason=pl.when(complaint_tells).then(pl.col("c_reason")).otherwise(None),
        flags=flags.fill_null(""),
        pair=pair,
        comeback=comeback,
        renews=renews,
        light_source_category=pl.coalesce("k_category", "d_category"),
        rule=rule,
        words=words.fill_null(""),
    )
    return out.cast(CLASSIFIED_COLUMNS)


def _read_action(text: str | None, vocabulary: Vocabulary) -> str | None:
    if text is None or not text.strip():
        return None
    key = "_".join(plain(text).replace("-", " ").replace("_", " ").split())
    if key in ACTIONS:
        return key
    return read_text(text, vocabulary).action


def unread_texts(
    lines: pl.DataFrame, classified: pl.DataFrame, vocabulary: Vocabulary, limit: int | None = 50
) -> pl.DataFrame:
    """The commonest texts that speak of light and could not be read to the end, so that a user can add words.

    lines and classified: as given to and by classify_lines. Returns text, lines (how many), missing (what could not be
    told: component, action, or side), commonest first, at most `limit` rows (all where it is None).
    """
    joined = lines.select("line_key", pl.col("description").cast(pl.String)).join(
        classified.select("line_key", "component", "action", "side", "flags"), on="line_key"
    )
    joined = joined.filter(pl.col("description").is_not_null() & (pl.col("description").str.strip_chars() != ""))
    texts = _readings(joined["description"], "d_", "description", vocabulary, ())
    joined = joined.join(texts.select("description", "d_unread", "d_about"), on="description", how="left")
    lit = pl.col("d_about").is_in(["headlamp", "light"])
    missing = (
        pl.when((pl.col("component") == "unknown") & (pl.col("action").is_in(["replaced", "none"])))
        .then(pl.lit("component"))
        .when(pl.col("component").is_null() & lit & ~pl.col("flags").str.contains("not_headlamp"))
        .then(pl.lit("component"))
        .when(pl.col("component").is_not_null() & (pl.col("action") == "none"))
        .then(pl.lit("action"))
        .when((pl.col("action") == "replaced") & (pl.col("side") == "unknown"))
        .then(pl.lit("side"))
    )
    joined = joined.with_columns(
        missing.alias("missing"),
        pl.col("description").str.strip_chars().str.to_lowercase().str.replace_all(r"\s+", " ").alias("text"),
    )
    return (
        joined.filter(pl.col("missing").is_not_null())
        .group_by("text", "missing")
        .agg(lines=pl.len())
        .sort(["lines", "text", "missing"], descending=[True, False, False])
        .head(joined.height if limit is None else limit)
        .select("text", pl.col("lines").cast(pl.Int64), "missing")
    )
