from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.intake.classify import read_text
from pipeline.intake.vocabulary import (
    FIELDS,
    VocabularyError,
    load_vocabulary,
    merge_rows,
    read_rows,
    slips_between,
    tokens_of,
)

HEAD = "language,pattern,field,value,weight,note\n"


def test_the_shipped_vocabulary_is_valid_and_covers_what_is_promised() -> None:
    v = load_vocabulary()
    assert {r.language for r in v.rows} >= {"en", "de", "fr", "es", "it"}
    assert set(v.components) == {
        "lamp",
        "igniter",
        "ballast",
        "headlamp_assembly",
        "wiring",
        "control_module",
        "switch_or_fuse",
        "led_module",
        "led_driver",
    }
    assert v.unsided == {"control_module", "switch_or_fuse"}
    keys = [(r.language, r.pattern.lower(), r.field, r.value) for r in v.rows]
    assert len(keys) == len(set(keys))
    assert {r.field for r in v.rows} <= set(FIELDS)


@pytest.mark.parametrize(
    ("text", "tokens"),
    [
        ("L.H. h/lamp - R & R", ["lh", "h", "/", "lamp", ";", "r&r"]),
        ("O/S/F dip", ["o/s/f", "dip"]),
        ("Phare AVD: d'éclairage", ["phare", "avd", ":", "eclairage"]),
        ("drivers' Glühlampe", ["drivers", "gluhlampe"]),
        ("l-h", ["l/h"]),
    ],
)
def test_tokens(text: str, tokens: list[str]) -> None:
    assert tokens_of(text) == tokens


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("en,valve seat,colour,valve_seat,1,", "v.csv: row 2: field is 'colour'"),
        ("en,valve seat,componnt,valve_seat,1,", "Did you mean 'component'"),
        ("en,port side,side,portside,1,", "a 'side' is one of left, right"),
        ("english,port side,side,left,1,", "language is 'english'"),
        ("en,,side,left,1,", "the pattern is blank"),
        ("en,va*,component,valve_seat,1,", "would match too much"),
        ("en,valve seat,component,Valve Seat,1,", "expected a name of small letters"),
        ("en,valve seat,component,valve_seat,heavy,", "weight is 'heavy'"),
        ("en,valve seat,component,valve_seat,1,note,more", "has 7 cells"),
    ],
)
def test_a_bad_row_is_named_with_its_remedy(row: str, words: str) -> None:
    with pytest.raises(VocabularyError, match="v.csv: row 2") as error:
        read_rows(HEAD + row + "\n", "v.csv")
    assert words in str(error.value)


def test_a_bad_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(VocabularyError, match="is empty"):
        read_rows("", "v.csv")
    with pytest.raises(VocabularyError, match="lacks the column value"):
        read_rows("language,pattern,field\n", "v.csv")
    bad = tmp_path / "bad.csv"
    bad.write_bytes(HEAD.encode() + b"en,\xff\xfe,side,left,1,\n")
    with pytest.raises(VocabularyError, match="bad.csv is not UTF-8"):
        load_vocabulary([bad])
    with pytest.raises(VocabularyError, match="gone.csv cannot be read"):
        load_vocabulary([tmp_path / "gone.csv"])


def test_a_users_file_adds_components_and_replaces_rows(tmp_path: Path) -> None:
    mine = tmp_path / "mine.csv"
    mine.write_text(
        HEAD + "en,valve seat*,component,valve_seat,1,our engines\n"
        "en,blinkety,component,ballast,1,our word\n"
        "en,burner*,component,igniter,1,ours\n"
        "en,hid*,ignore,,1,\n",
        encoding="utf-8",
    )
    v = load_vocabulary([mine])
    assert "valve_seat" in v.components
    assert read_text("valve seats cyl 3 renewed", v).component == "valve_seat"
    assert read_text("blinkety LH replaced", v).component == "ballast"
    assert read_text("burner LH replaced", v).component == "igniter"
    assert read_text("burner LH replaced", load_vocabulary()).component == "lamp"


def test_ignore_takes_a_pattern_out() -> None:
    base = read_rows(HEAD + "en,xenon,component,lamp,1,\nen,bulb,component,lamp,1,\n", "a.csv")
    mine = read_rows(HEAD + "en,xenon,ignore,,1,\n", "b.csv")
    assert [r.pattern for r in merge_rows([base, mine]) if r.field == "component"] == ["bulb"]


def test_slips() -> None:
    assert slips_between("ballast", "balast", 2) == 1
    assert slips_between("igniter", "igintor", 2) == 2
    assert slips_between("fitted", "fittde", 2) == 1  # neighbours swapped
    assert slips_between("ballast", "headlamp", 2) == 3
    v = load_vocabulary()
    assert v.mend("headlampbulb") == ("headlamp", "bulb")
    assert v.mend("abblendlichtstecker") == ("abblendlicht", "stecker")
    assert v.mend("headliht") == ("headlight",)
    assert v.mend("balllast") == ("ballast",)
    assert v.mend("filter") == ("filter",)  # a known word is no slip of "fitted"
