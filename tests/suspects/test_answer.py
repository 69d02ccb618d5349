"""The command at the bench: every option, in words and as JSON, from a published month, at once."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import bench as command
from pipeline.suspects.answer import NOTES, Query, rank
from pipeline.suspects.checks import checks_from_rows
from pipeline.suspects.order import EXAMPLE_ACCESS

NOTHING = {"symptom": None, "side": None, "km": None, "age": None, "lighting": None, "vehicle_class": None, "light_source": None,
           "replaced": [], "original": [], "cleared": [], "moved": [], "stayed": [], "fault_code": None}
BASE = {"symptom": "low-beam-dark", "side": "right", "km": 100_000.0, "age": "7y", "lighting": "discharge"}


@pytest.fixture(scope="module")
def workspace(shop, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    (folder / "incoming").mkdir()
    (folder / "settings.toml").write_text("", encoding="utf-8")
    month = folder / "published" / "2025-06-30"
    month.mkdir(parents=True)
    (folder / "published" / "latest").symlink_to("2025-06-30")
    data = shop.data | {"access": EXAMPLE_ACCESS.to_dicts(), "access_is_example": True, "access_source": "examples",
                        "beats_baselines": True, "backtest": "better"}
    (month / "bench.json").write_text(json.dumps(data, allow_nan=False), encoding="utf-8")
    return folder


def said(workspace, **more):
    return "\n".join(command.answer(workspace, False, **(NOTHING | BASE | more)))


def told(workspace, **more):
    return json.loads(command.answer(workspace, True, **(NOTHING | BASE | more))[0])


def by_name(answer):
    return {s["component"]: s for s in answer["suspects"]}


def test_in_words(workspace):
    text = said(workspace, replaced=["headlamp_assembly=70d"])
    assert "95% interval" in text and "Check in this order:" in text and "Expected to the cause" in text
    assert "renewed 70 days ago" in text and "confirmed case" in text and "examples that ship with the program" in text
    assert "opens headlamp out, which" in text and "is open by then" in text and "a minute" in text
    assert text.count("Caution:") == 2 and "18 to 30 kV" in text
    assert "18 to 30 kV" not in said(workspace, lighting="halogen")


def test_for_machines(workspace, shop):
    got = told(workspace, replaced=["ballast=10d", "lamp=2y,30000km"], vehicle_class="van", light_source="D2S", fault_code="b1a22")
    assert sum(s["probability"] for s in got["suspects"]) == pytest.approx(1)
    assert got["asked"]["replaced"] == {"ballast": 10.0, "lamp": 730.5} and got["asked"]["replaced_km"] == {"lamp": 30_000.0}
    assert by_name(got)["lamp"]["age"] == 30_000.0 and by_name(got)["lamp"]["clock"] == "km"
    assert {"check_order", "effective_cases", "basis", "cautions", "as_of", "notes_in_words", "units", "confidence", "beats_baselines",
            "access_source"} <= got.keys()
    assert got["check_order"]["expected_minutes"] <= got["check_order"]["expected_minutes_naive"] + 1e-9
    assert other_always(got)


def other_always(answer):
    return by_name(answer)["other"]["before_evidence"] >= 0.004  # the floor, less what a cell's own cases leave of it


@pytest.mark.parametrize(("left_out", "note"), [("km", "km_unknown"), ("age", "age_unknown"), ("lighting", "lighting_unknown")])
def test_what_is_not_known_widens_the_answer_and_is_said(workspace, left_out, note):
    full, less = told(workspace), told(workspace, **{left_out: None})
    widths = [max(s["high"] - s["low"] for s in a["suspects"]) for a in (full, less)]
    assert widths[1] > widths[0] and note in less["notes"] and note not in full["notes"]
    assert NOTES[note] in said(workspace, **{left_out: None})


def test_unknown_history_widens_the_answer_and_is_said(workspace, shop):
    known = told(workspace, original=list(shop.data["components"]))
    plain = told(workspace)
    assert "history_unknown" in plain["notes"] and "history_unknown" not in known["notes"]
    assert by_name(plain)["lamp"]["high"] - by_name(plain)["lamp"]["low"] > by_name(known)["lamp"]["high"] - by_name(known)["lamp"]["low"]


def test_after_a_check_the_rest_is_ranked_again(workspace):
    before, after = told(workspace), told(workspace, cleared=["lamp"])
    assert "lamp" not in [s["component"] for s in after["check_order"]["steps"]]
    assert by_name(after)["lamp"]["probability"] < 0.1 * by_name(before)["lamp"]["probability"] + 0.02
    rest = [s["component"] for s in before["suspects"] if s["component"] != "lamp"]
    assert [s["component"] for s in after["suspects"] if s["component"] != "lamp"] == rest  # others keep their order
    everything = told(workspace, cleared=[s["component"] for s in before["suspects"] if s["component"] != "other"])
    assert everything["check_order"]["steps"] == [] and "evidence_conflict" in everything["notes"]
    assert "No check is left" in said(workspace, cleared=[s["component"] for s in before["suspects"] if s["component"] != "other"])


def test_a_swap_is_evidence(workspace):
    before = by_name(told(workspace))
    moved = by_name(told(workspace, moved=["ballast"]))
    stayed = by_name(told(workspace, stayed=["lamp"]))
    assert moved["ballast"]["probability"] > 0.8 > before["ballast"]["probability"]
    assert stayed["lamp"]["probability"] < before["lamp"]["probability"] / 5
    assert stayed["ballast"]["probability"] > before["ballast"]["probability"]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"symptom": "smells"}, "'smells' is not in the data. It has: low-beam-dark"),
        ({"replaced": ["gearbox=3d"]}, "The part 'gearbox' is not in the data"),
        ({"replaced": ["lamp"]}, "for example lamp=70d"),
        ({"replaced": ["lamp=often"]}, "'often' is not a span of time"),
        ({"lighting": "led"}, "The lighting 'led' is not in the data"),
        ({"side": "top"}, "none of left, right, both"),
        ({"age": "old"}, "is not a span of time"),
        ({"km": -5.0}, "it must be 0 or more"),
        ({"moved": ["lamp"], "stayed": ["lamp"]}, "cannot both move with the part and stay"),
    ],
)
def test_a_question_that_cannot_be_answered_says_what_to_write(workspace, more, words):
    with pytest.raises(command.QuestionError, match=words.replace("[", r"\[")):
        said(workspace, **more)


def test_evidence_that_leaves_nothing_is_refused_in_words(shop):
    query = Query(symptom="low_beam_dark", lighting="discharge", moved=("ballast",), cleared=("ballast",), swap_error=0.0,
                  check_sensitivity=1.0)
    with pytest.raises(ValueError, match="leaves no suspect at all"):
        rank(shop.data, query)


def test_a_part_that_hardly_ever_fails_has_a_sensible_upper_limit(shop):
    """Where a suspect has next to no case its upper limit comes from the cases that it is not, as 3 / n would: never "anything"."""
    for s in rank(shop.data, Query(symptom="low_beam_dark", km=100_000, age_days=2600, lighting="halogen")).suspects:
        assert s.low <= s.probability <= s.high
        if s.probability < 0.02:
            assert s.high < 0.12


def test_nothing_heavy_is_loaded_for_an_answer(workspace):
    """The answer is there in well under a second because no library for tables, numbers or storage is started."""
    code = ("import sys, json; from pathlib import Path; from pipeline import bench; "
            f"bench.answer(Path({str(workspace)!r}), True, **json.loads({json.dumps(json.dumps(NOTHING | BASE))})); "
            "print(sorted({'numpy', 'polars', 'scipy', 'duckdb', 'altair'} & set(sys.modules)))")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=Path(__file__).resolve().parents[2])
    assert done.stdout.strip() == "[]"


def test_rows_of_an_access_table(workspace):
    checks, assumed = checks_from_rows([{"component": "lamp", "check_minutes": 4.0}, {"component": "ballast", "check_minutes": 8.0,
                                        "opens": "front", "opens_minutes": 20.0}], ["lamp", "ballast", "wiring"])
    assert assumed == {"wiring"} and checks[2].minutes == 6.0 and checks[1].opens_minutes == 20.0 and checks[0].opens is None
