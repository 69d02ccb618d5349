"""How well lines of desks that the rules were not written from are read.

tests/intake/labelled_lines.csv was written and labelled by hand by somebody who had not seen the rules (its conventions
stand in labelled_lines.md). Half of it, chosen by a hash of the text, was looked at afterwards to mend the rules; the
other half was kept as a hold-out, and is what the rules were never fitted to. The first reading ever, before any line
had been looked at: component precision 0.880, recall 0.782; side precision 0.949, recall 0.768 (all 749 lines).

precision: of the lines where a value was told, the share told as labelled; recall: of the lines labelled with a value,
the share told as labelled. `unknown`, and no part at all, are no told value. Fields other than component count only on
lines whose label names a part.
"""

from __future__ import annotations

import functools
import hashlib
from pathlib import Path

import polars as pl
import pytest

from pipeline.intake.classify import classify_lines
from pipeline.intake.vocabulary import load_vocabulary

LABELLED = Path(__file__).with_name("labelled_lines.csv")
FIELDS = ("component", "side", "beam", "action", "removal_reason", "symptom")
UNTOLD = {
    "component": ("unknown",),
    "side": ("unknown", "none"),
    "beam": ("unknown",),
    "action": (),
    "removal_reason": (),
    "symptom": (),
}


def half_of(desk: str, description: str | None, complaint: str | None) -> str:
    """Which half a line belongs to: `seen` (looked at to mend the rules) or `held_out`."""
    digest = hashlib.sha256(f"{desk}|{description}|{complaint}".encode()).digest()
    return "seen" if digest[0] % 2 == 0 else "held_out"


@functools.cache
def read_all() -> pl.DataFrame:
    labelled = (
        pl.read_csv(LABELLED, infer_schema_length=0)
        .with_row_index("line_key")
        .with_columns(pl.col("line_key").cast(pl.Int64))
    )
    labelled = labelled.with_columns(
        pl.Series("half", [half_of(*r) for r in labelled.select("desk", "description", "complaint").iter_rows()])
    )
    out = []
    for _, desk in labelled.group_by("desk", maintain_order=True):  # one desk is one export
        names = desk["part_name"].drop_nulls().unique().sort().to_list()
        parts = pl.DataFrame(
            {"part_number": [f"P{i}" for i in range(len(names))], "part_name": names},
            schema={"part_number": pl.String, "part_name": pl.String},
        )
        lines = desk.join(parts, on="part_name", how="left", maintain_order="left").select(
            "line_key", "description", "complaint", "part_number", "quantity", "drive_side", "lighting"
        )
        out.append(classify_lines(lines, load_vocabulary(), parts))
    joined = labelled.join(pl.concat(out), on="line_key", suffix="_told")
    # The labels fold in what later stages take from the complaint: its side, and a fault that it tells.
    return joined.with_columns(
        side_told=pl.when((pl.col("side_told") == "unknown") & pl.col("complaint_side").is_not_null())
        .then(pl.col("complaint_side"))
        .otherwise(pl.col("side_told")),
        removal_reason_told=pl.when(pl.col("action_told") == "replaced").then(
            pl.coalesce(
                "removal_reason_told",
                pl.when(pl.col("complaint_reason") == "collision").then(pl.lit("collision")),
                pl.when(pl.col("symptom_told").is_not_null() | (pl.col("complaint_reason") == "failed")).then(
                    pl.lit("failed")
                ),
            )
        ),
    )


def scores(half: str | None) -> dict[str, tuple[float, float, int, int]]:
    """field -> precision, recall, lines told, lines labelled."""
    lines = read_all() if half is None else read_all().filter(pl.col("half") == half)
    out = {}
    for field in FIELDS:
        x = lines if field == "component" else lines.filter(pl.col("component").is_not_null())
        label, told = pl.col(field), pl.col(f"{field}_told")

        def has(c: pl.Expr, field: str = field) -> pl.Expr:
            return c.is_not_null() & ~c.is_in(list(UNTOLD[field]))

        said, wanted = x.filter(has(told)), x.filter(has(label))
        out[field] = (
            said.filter(label == told).height / said.height,
            wanted.filter(label == told).height / wanted.height,
            said.height,
            wanted.height,
        )
    return out


# Floors stand a little under what is measured, so that a change for the worse is seen. Measured, precision and recall:
#            component     side          beam          action        removal_reason symptom
# held out   0.960 0.885   0.966 0.930   0.985 0.957   0.895 0.895   0.915 0.905    0.967 0.854
# seen       0.988 0.958   1.000 0.986   0.962 1.000   0.954 0.954   0.970 0.889    1.000 0.944
# all        0.974 0.921   0.982 0.957   0.975 0.975   0.923 0.923   0.943 0.897    0.984 0.900
# Aimed at: component 0.97 at 0.92, side 0.99 precision. Reached on all lines for the component; the hold-out falls
# short of it by 0.010 and 0.035, and the side by 0.024.
FLOORS: dict[str, dict[str, tuple[float, float]]] = {
    "held_out": {
        "component": (0.955, 0.88),
        "side": (0.96, 0.925),
        "beam": (0.98, 0.95),
        "action": (0.885, 0.885),
        "removal_reason": (0.905, 0.895),
        "symptom": (0.96, 0.845),
    },
    "seen": {
        "component": (0.98, 0.95),
        "side": (0.99, 0.98),
        "beam": (0.955, 0.99),
        "action": (0.945, 0.945),
        "removal_reason": (0.96, 0.88),
        "symptom": (0.99, 0.935),
    },
    "all": {"component": (0.97, 0.92), "side": (0.98, 0.95)},
}
FLAG_FLOORS = {
    "pair": 0.9,
    "kit": 0.75,
    "comeback": 0.8,
    "aim": 0.8,
    "quote": 0.8,
    "credit": 0.9,
    "swap_test": 0.85,
}


@pytest.mark.parametrize(("half", "field"), [(h, f) for h in FLOORS for f in FLOORS[h]])
def test_precision_and_recall(half: str, field: str) -> None:
    precision, recall, told, labelled = scores(None if half == "all" else half)[field]
    floor_precision, floor_recall = FLOORS[half][field]
    assert precision >= floor_precision, f"{half} {field}: precision {precision:.3f} of {told} told"
    assert recall >= floor_recall, f"{half} {field}: recall {recall:.3f} of {labelled} labelled"


def test_both_halves_are_of_a_size() -> None:
    halves = read_all()["half"].value_counts().sort("half")["count"].to_list()
    assert sum(halves) >= 600 and min(halves) >= 300


def test_flags_are_told() -> None:
    lines = (
        read_all()
        .filter(pl.col("component").is_not_null())
        .with_columns(
            told=pl.concat_list(
                pl.col("flags_told").str.split(","),
                pl.when(pl.col("pair")).then(pl.lit("pair")),
                pl.when(pl.col("comeback")).then(pl.lit("comeback")),
            ),
            wanted=pl.col("flags").fill_null("").str.split(","),
        )
    )
    for flag, floor in FLAG_FLOORS.items():
        wanted = lines.filter(pl.col("wanted").list.contains(flag))
        assert wanted.filter(pl.col("told").list.contains(flag)).height / wanted.height >= floor, flag
