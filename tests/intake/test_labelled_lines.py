"""How well lines of desks that the rules were not written from are read.

tests/intake/labelled_lines.csv was written and labelled by hand by somebody who had not seen the rules (its conventions
stand in labelled_lines.md). Read for the first time, before any line had been looked at: component precision 0.880,
recall 0.782; side precision 0.949, recall 0.768 (all 749 lines). One half of it was then looked at to mend the rules; when
the other half was read for the first time it gave 0.960 and 0.885, side 0.966 and 0.930. Since then the whole of it has
been looked at: it is what the rules are developed on, and no measure of lines that nobody has seen.

precision: of the lines where a value was told, the share told as labelled; recall: of the lines labelled with a value,
the share told as labelled (`second_lines.csv` is the same by somebody else again, at fifteen more desks: one half has been
looked at to mend the rules, the other one never). `unknown`, and no part at all, are no told value. Fields other than component count only on
lines whose label names a part.
"""

from __future__ import annotations

import functools
from pathlib import Path

import polars as pl
import pytest

from pipeline.intake.classify import classify_lines
from pipeline.intake.vocabulary import load_vocabulary

LABELLED = Path(__file__).with_name("labelled_lines.csv")
SECOND = Path(__file__).with_name("second_lines.csv")
FIELDS = ("component", "side", "beam", "action", "removal_reason", "symptom")
UNTOLD = {
    "component": ("unknown",),
    "side": ("unknown", "none"),
    "beam": ("unknown",),
    "action": (),
    "removal_reason": (),
    "symptom": (),
}


@functools.cache
def read_all(path: Path = LABELLED) -> pl.DataFrame:
    labelled = (
        pl.read_csv(path, infer_schema_length=0)
        .with_row_index("line_key")
        .with_columns(pl.col("line_key").cast(pl.Int64))
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


def scores(path: Path = LABELLED, half: str | None = None) -> dict[str, tuple[float, float, int, int]]:
    """field -> precision, recall, lines told, lines labelled."""
    lines = read_all(path)
    if half:
        lines = lines.filter(pl.col("half") == half)
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
# component 0.992 0.974, side 0.996 0.983, beam 0.983 0.992, action 0.977 0.977, removal_reason 0.990 0.995,
# symptom 0.985 0.929. Aimed at, on lines that nobody has seen: component 0.97 at 0.92, side 0.99 precision.
FLOORS: dict[str, tuple[float, float]] = {
    "component": (0.985, 0.965),
    "side": (0.99, 0.975),
    "beam": (0.965, 0.965),
    "action": (0.965, 0.965),
    "removal_reason": (0.97, 0.98),
    "symptom": (0.975, 0.91),
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


# The second set read for the first time: component 0.946 0.891, side 0.978 0.937. Measured now: the half developed on, component
# 0.983 0.989, side 0.992 0.988; the half that nobody has looked at, component 0.965 0.929, side 0.982 0.953: this is what to expect of a
# desk that the rules have never seen. Aimed at: component 0.97 at 0.92, side 0.99.
SECOND_FLOORS = {
    ("developed_on", "component"): (0.975, 0.98), ("developed_on", "side"): (0.985, 0.98),
    ("never_looked_at", "component"): (0.955, 0.92), ("never_looked_at", "side"): (0.972, 0.943),
}


@pytest.mark.parametrize(("half", "field"), SECOND_FLOORS)
def test_precision_and_recall_at_other_desks(half: str, field: str) -> None:
    precision, recall, told, labelled = scores(SECOND, half)[field]
    floor_precision, floor_recall = SECOND_FLOORS[half, field]
    assert precision >= floor_precision, f"{field}, {half}: precision {precision:.3f} of {told} told"
    assert recall >= floor_recall, f"{field}, {half}: recall {recall:.3f} of {labelled} labelled"


@pytest.mark.parametrize("field", FLOORS)
def test_precision_and_recall(field: str) -> None:
    precision, recall, told, labelled = scores()[field]
    floor_precision, floor_recall = FLOORS[field]
    assert precision >= floor_precision, f"{field}: precision {precision:.3f} of {told} told"
    assert recall >= floor_recall, f"{field}: recall {recall:.3f} of {labelled} labelled"


def test_there_are_enough_lines_of_enough_desks() -> None:
    assert read_all().height >= 600 and read_all()["desk"].n_unique() == 12


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
