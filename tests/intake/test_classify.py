from __future__ import annotations

import polars as pl
import pytest

from pipeline.intake.classify import (
    ACTIONS,
    CLASSIFIED_COLUMNS,
    SIDES,
    classify_lines,
    classify_part_names,
    read_component,
    read_not_original,
    read_place,
    resolve_component,
    resolve_side,
    unread_texts,
)
from pipeline.intake.vocabulary import load_vocabulary

V = load_vocabulary()


def read(
    description: str | None = None,
    complaint: str | None = None,
    parts: pl.DataFrame | None = None,
    others: list[dict] | None = None,
    **columns: object,
) -> dict:
    rows = [{"line_key": 1, "description": description, "complaint": complaint, **columns}, *(others or [])]
    return classify_lines(pl.DataFrame(rows, infer_schema_length=None), V, parts).row(0, named=True)


@pytest.mark.parametrize(
    ("text", "component", "side", "action"),
    [
        ("Replaced LH headlamp bulb", "lamp", "left", "replaced"),
        ("R&R R.H. HID ballast - faulty", "ballast", "right", "replaced"),
        ("ignitor l/h renewed", "igniter", "left", "replaced"),
        ("renewed headlight unit front right", "headlamp_assembly", "right", "replaced"),
        ("lamp control module swapped", "control_module", "none", "replaced"),
        ("headlight relay replaced", "switch_or_fuse", "none", "replaced"),
        ("bulb D2S lt fitted new", "lamp", "left", "replaced"),
        ("LED driver RH replaced", "led_driver", "right", "replaced"),
        ("LED module LH - replaced", "led_module", "left", "replaced"),
        # a compound's last word, and what only tells the place
        ("ballast connector RH repaired", None, None, "repaired"),
        ("headlamp ballast connector RH repaired", "wiring", "right", "repaired"),
        ("xenon bulb ballast LH replaced", "ballast", "left", "replaced"),
        ("plug on n/s xenon bulb burnt - replaced", "wiring", "unknown", "replaced"),
        ("R&I headlamp LH to replace bulb", "lamp", "left", "replaced"),
        ("RF headlamp assy cracked, replaced assy", "headlamp_assembly", "right", "replaced"),
        # looked at, set, cleaned: no renewal
        ("headlamp harness inspected, ok", "wiring", "unknown", "inspected"),
        ("headlamp aim adjusted LH", "headlamp_assembly", "left", "adjusted"),
        ("headlamps polished both", "headlamp_assembly", "both", "cleaned"),
        ("removed and refitted LH headlamp for bumper repair", "headlamp_assembly", "left", "refitted"),
        ("headlamp dust cap LH replaced", "headlamp_assembly", "left", "repaired"),
        ("swapped xenon bulbs side to side to test", "lamp", "both", "diagnosed"),
        # other lamps and other work
        ("headlamp washer nozzle LH replaced", None, None, "replaced"),
        ("tail lamp bulb RH replaced", None, None, "replaced"),
        ("indicator bulb FL replaced", None, None, "replaced"),
        ("fog lamp bulb right replaced", None, None, "replaced"),
        ("number plate bulb replaced", None, None, "replaced"),
        ("wiper blades replaced", None, None, "replaced"),
        ("starter motor replaced", None, None, "replaced"),
        ("left rear tail bulb and right headlamp bulb replaced", "lamp", "right", "replaced"),
        # unknown stays unknown
        ("headlamp LH replaced", "unknown", "left", "replaced"),
        ("replaced bulb LH", "unknown", "left", "replaced"),
        ("headlamp LH replaced - crash damage", "headlamp_assembly", "left", "replaced"),
        # offered, refused, taken back
        ("quote for LH headlamp unit", "headlamp_assembly", "left", "quoted"),
        ("replace LH dip bulb - customer declined", "lamp", "left", "not_fitted"),
        ("recommend RH xenon bulb replacement", "lamp", "right", "not_fitted"),
        ("credit headlamp bulb LH", "lamp", "left", "credited"),
        # other tongues; short words only beside longer ones of their language
        ("Xenonbrenner VL erneuert", "lamp", "left", "replaced"),
        ("Steuergerät Xenon rechts ersetzt", "ballast", "right", "replaced"),
        ("Scheinwerfer VR aus- und eingebaut", "headlamp_assembly", "right", "refitted"),
        ("ampoule H7 G remplacée", "lamp", "left", "replaced"),
        ("optique AVD changé", "headlamp_assembly", "right", "replaced"),
        ("sostituita lampadina anabbagliante dx", "lamp", "right", "replaced"),
        ("bombilla H7 der sustituida", "lamp", "right", "replaced"),
        ("xenon bulb dx replaced", "lamp", "unknown", "replaced"),
        # slips and capitals
        ("BALLLAST  REPALCED   L/H", "ballast", "left", "replaced"),
        ("REPLASED LEFT HEADLIHT BULB", "lamp", "left", "replaced"),
    ],
)
def test_descriptions(text: str, component: str | None, side: str | None, action: str) -> None:
    got = read(text)
    assert (got["component"], got["side"], got["action"]) == (component, side, action), got["rule"] + got["words"]


@pytest.mark.parametrize(
    ("text", "drive", "side"),
    [
        ("o/s xenon bulb replaced", "right", "right"),
        ("o/s xenon bulb replaced", "left", "left"),
        ("nearside xenon bulb replaced", "right", "left"),
        ("n/s/f xenon bulb replaced", "left", "right"),
        ("driver's side xenon bulb replaced", "left", "left"),
        ("passenger side xenon bulb replaced", "left", "right"),
        ("Xenonbrenner Fahrerseite ersetzt", "right", "right"),
        ("n/s xenon bulb replaced", None, "unknown"),
        ("L&R xenon bulbs replaced", None, "both"),
        ("xenon bulb LH, RH ok", None, "left"),
        ("both LH xenon bulbs", None, "left"),
        ("left hand drive, xenon bulb RH replaced", None, "right"),
        ("xenon bulb o/s renewed to match n/s", "right", "right"),
        ("driver reports RH xenon bulb out, replaced", "left", "right"),
    ],
)
def test_sides(text: str, drive: str | None, side: str) -> None:
    assert read(text, drive_side=drive)["side"] == side


def test_fr_is_the_front_right_only_where_fl_is_written_too() -> None:
    assert read("FR xenon bulb replaced")["side"] == "unknown"
    other = {"line_key": 2, "description": "FL xenon bulb replaced", "complaint": None}
    assert read("FR xenon bulb replaced", others=[other])["side"] == "right"
    assert read("F/R xenon bulb replaced", others=[other])["side"] == "unknown"


def test_pairs() -> None:
    assert read("xenon bulb LH replaced as pair")["removal_reason"] == "paired"
    one = read("xenon bulb LH replaced (both sides)")
    assert (one["side"], one["removal_reason"], one["pair"]) == ("left", "paired", False)
    both = read("xenon bulbs replaced as a pair")
    assert (both["side"], both["removal_reason"], both["pair"]) == ("both", None, True)
    assert read("xenon bulb replaced", quantity=2.0)["side"] == "both"
    assert read("headlamp relay replaced", quantity=2.0)["side"] == "none"
    # one piece of a numbered part that is called a pair is one side, and which is not told
    single = read("xenon bulb replaced as pair", quantity=1.0, part_number="X1")
    assert (single["side"], single["removal_reason"]) == ("unknown", "paired")


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("xenon bulb LH replaced - no output", "failed"),
        ("xenon bulb LH replaced (faulty)", "failed"),
        ("xenon bulb LH replaced as precaution", "planned"),
        ("xenon bulb LH replaced at service, km due", "planned"),
        ("headlamp unit LH replaced after collision", "collision"),
        ("xenon bulb LH replaced, LED upgrade", "upgrade"),
        ("xenon bulb LH replaced", None),
        ("xenon bulb LH replaced, old one not faulty", None),
        ("sustitución preventiva bombilla xenon izq", "planned"),
    ],
)
def test_reasons(text: str, reason: str | None) -> None:
    assert read(text)["removal_reason"] == reason


@pytest.mark.parametrize(
    ("complaint", "symptom", "side", "comeback"),
    [
        ("no low beam left", "low_beam_dark", "left", False),
        ("lamp out r/h", "low_beam_dark", "right", False),
        ("no main beam", "high_beam_dark", None, False),
        ("headlamp flickers LH", "flicker", "left", False),
        ("light turned pink and dim right", "dim", "right", False),
        ("water in headlamp left", "water_inside", "left", False),
        ("headlamp warning lamp on left", "warning_shown", "left", False),
        ("bulb failure message", "warning_shown", None, False),
        ("same fault again: lamp out left", "low_beam_dark", "left", True),
        ("right headlamp still dim", "dim", "right", True),
        ("brake light out left", None, None, False),
        ("engine light on", None, None, False),
        ("annual service", None, None, False),
        ("right brake light out, left headlamp out", "low_beam_dark", "left", False),
        ("Abblendlicht links ohne Funktion", "low_beam_dark", "left", False),
        ("phare gauche ne fonctionne plus", "low_beam_dark", "left", False),
    ],
)
def test_complaints(complaint: str, symptom: str | None, side: str | None, comeback: bool) -> None:
    got = read("looked at", complaint)
    assert (got["symptom"], got["complaint_side"], got["comeback"]) == (symptom, side, comeback)


def test_the_complaint_tells_what_a_bulb_or_fuse_belongs_to_but_never_fills_the_side() -> None:
    got = read("replaced bulb", "left headlamp out")
    assert (got["component"], got["side"], got["complaint_side"]) == ("lamp", "unknown", "left")
    assert read("replaced fuse", "left headlamp out")["component"] == "switch_or_fuse"
    assert read("replaced fuse", "horn dead")["component"] is None
    assert read("replaced bulb", "brake light out")["component"] is None


def test_overlapping_words_need_the_lighting() -> None:
    assert read("driver module replaced LH", "left headlamp out", lighting="led")["component"] == "led_driver"
    assert read("control unit replaced LH", "left headlamp out", lighting="discharge")["component"] == "ballast"
    assert read("control unit replaced LH", "left headlamp out")["component"] == "unknown"
    assert read("starter replaced LH", "left headlamp out", lighting="discharge")["component"] == "igniter"


def test_what_comes_with_a_part() -> None:
    got = read("renewed LH headlamp unit c/w bulb and ballast")
    assert (got["component"], got["renews"]) == ("headlamp_assembly", "lamp,ballast")
    assert read("renewed LH headlamp unit less bulb")["renews"] is None
    assert read("renewed LH headlamp unit, transferred old bulb and ballast")["renews"] is None
    pair = read("replaced bulb and ballast RH headlamp")
    assert (pair["component"], pair["renews"]) == ("ballast", "lamp") and "kit" in pair["flags"]


PARTS = pl.DataFrame(
    {
        "part_number": ["H1-1194", "H3-2856", "M9-1", "F-1"],
        "part_name": ["bulb D2S", "control gear", "tail bulb P21W", "fuse 10A"],
        "component": [None, None, None, None],
    },
    schema_overrides={"component": pl.String},
)


def test_columns_win_over_catalogue_and_catalogue_over_words() -> None:
    got = read("replaced ballast LH", parts=PARTS, part_number="h1 1194")
    assert got["component"] == "lamp" and "words_differ" in got["flags"] and got["light_source_category"] == "D2S"
    assert (
        read("replaced ballast LH", parts=PARTS, part_number="h1 1194", component="igniter")["component"]
        == "igniter"
    )
    assert read("replaced ballast LH", side="R")["side"] == "right"
    assert read("replaced ballast LH", action="quoted")["action"] == "quoted"
    assert read("replaced headlamp bulb LH", parts=PARTS, part_number="M9-1")["component"] is None
    # a consumable booked on a line about something that was only looked at
    assert read("headlamp aim adjusted", parts=PARTS, part_number="M9-1")["action"] == "adjusted"
    assert read("headlamp aim adjusted", parts=PARTS, part_number="M9-1")["component"] == "headlamp_assembly"
    # a fuse is a headlamp's only where the line says so
    assert read("horn dead, fuse", parts=PARTS, part_number="F-1")["component"] is None
    assert read("fuse replaced", "no low beam", parts=PARTS, part_number="F-1")["component"] == "switch_or_fuse"
    assert (
        classify_lines(
            pl.DataFrame({"line_key": [1], "description": ["replaced ballast LH"], "part_number": ["H1-1194"]}),
            V,
            PARTS,
            catalogue_wins=False,
        )["component"][0]
        == "ballast"
    )


def test_a_part_line_without_a_verb_and_the_columns_that_overrule() -> None:
    assert read("headlamp bulb H7 LH", quantity=1.0)["action"] == "replaced"
    assert read("headlamp LH not working", quantity=1.0)["action"] == "none"
    assert read("headlamp bulb LH replaced", quantity=-1.0)["action"] == "credited"
    assert read("headlamp bulb LH replaced", outcome="customer declined")["action"] == "not_fitted"
    assert read("headlamp bulb LH replaced (faulty)", planned=True)["removal_reason"] == "planned"


def test_part_names() -> None:
    names = {
        "xenon bulb": "lamp",
        "HID ignition unit": "igniter",
        "control gear": "ballast",
        "DRIVER, LED HEADLAMP": "led_driver",
        "LAMP ASSY - HEAD, RH": "headlamp_assembly",
        "HEADLIGHT LH": "headlamp_assembly",
        "headlamp connector and cable": "wiring",
        "LCM": "control_module",
        "tail bulb P21W": None,
        "wiper blade": None,
        "fuse 10A": None,
        "CAP, HEADLAMP DUST": None,
    }
    got = classify_part_names(
        pl.DataFrame({"part_number": [str(i) for i in range(len(names))], "part_name": list(names)}), V
    )
    assert dict(zip(names, got["component"], strict=False)) == names


def test_places() -> None:
    assert read_place("L:lamp", V) == ("left", "lamp")
    assert read_place("C:module", V) == ("none", "control_module")
    assert read_place("driver: headlight unit", V, "right") == ("right", "headlamp_assembly")
    assert read_not_original("L:lamp;R:ballast;C:module", V) == (
        [("left", "lamp"), ("right", "ballast"), ("none", "control_module")],
        [],
    )
    assert read_not_original("none", V) == ([], []) and read_not_original(" ", V) == (None, [])
    assert read_not_original("L:lamp;R:flux", V) == ([("left", "lamp")], ["R:flux"])
    assert read_component("Headlamp Bulb", V) == "lamp" and read_component("wiper blade", V) == "-"


def test_small_helpers() -> None:
    assert resolve_component("unknown|ballast@discharge", "discharge") == "ballast"
    assert resolve_component("igniter@discharge", None) == "unknown" and resolve_component(None, None) is None
    assert resolve_side("left+off", "right") == "unknown" and resolve_side("off+right", "right") == "right"


def test_every_row_keeps_what_decided_and_order_changes_nothing() -> None:
    texts = [
        "replaced LH headlamp bulb",
        "FL xenon bulb",
        "FR xenon bulb",
        "quote headlamp",
        None,
        "\x00<script>",
        "=1+1",
        "  ",
        "brake pads",
        "a" * 5000,
        "(((((",
        "no no no",
        "R&R&R L/L/L",
    ]
    f = pl.DataFrame({"line_key": range(len(texts)), "description": texts})
    a = classify_lines(f, V)
    b = classify_lines(f.reverse(), V).reverse()
    assert a.equals(b)
    assert a.schema == pl.Schema(CLASSIFIED_COLUMNS) and a["line_key"].to_list() == list(range(len(texts)))
    assert set(a["action"]) <= set(ACTIONS) and set(a["side"].drop_nulls()) <= set(SIDES)
    assert a.filter(pl.col("component").is_not_null())["rule"].str.contains("part: ").all()
    assert a["rule"].null_count() == 0 and a["words"].null_count() == 0
    assert classify_lines(f.head(0), V).height == 0


def test_unread_texts_are_counted() -> None:
    f = pl.DataFrame(
        {
            "line_key": range(5),
            "description": [
                "headlamp gubbins replaced",
                "Headlamp  gubbins replaced",
                "xenon bulb LH",
                "brake pads",
                "xenon bulb replaced",
            ],
            "quantity": [1.0] * 5,
        }
    )
    got = unread_texts(f, classify_lines(f, V), V)
    assert got.rows() == [("headlamp gubbins replaced", 2, "component"), ("xenon bulb replaced", 1, "side")]
