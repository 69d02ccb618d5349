"""Several hundred more lines in the manner of other desks, so that a change of words or rules that spoils them is seen.

They were written and labelled by somebody who knew the rules, and the rules were mended from them: they keep what works,
and measure nothing (tests/intake/test_labelled_lines.py does). Half a hundred of them are ambiguous on purpose.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.intake.classify import classify_lines
from pipeline.intake.vocabulary import load_vocabulary

LINES = Path(__file__).with_name("more_lines.csv")


def test_they_are_read_as_well_as_they_were() -> None:
    wanted = pl.read_csv(LINES, infer_schema_length=0).with_row_index("line_key").cast({"line_key": pl.Int64, "quantity": pl.Float64})
    told = classify_lines(wanted.drop("component", "side", "action"), load_vocabulary())
    both = wanted.join(told, on="line_key", suffix="_told")
    named = pl.col("component").is_not_null() & (pl.col("component") != "unknown")
    said = pl.col("component_told").is_not_null() & (pl.col("component_told") != "unknown")
    right = pl.col("component") == pl.col("component_told")
    wrong = both.filter(said & ~right.fill_null(False))["description"].to_list()
    lost = both.filter(named & ~right.fill_null(False))["description"].to_list()
    assert len(wrong) <= 0.02 * both.filter(said).height, wrong
    assert len(lost) <= 0.035 * both.filter(named).height, lost
    sided = both.filter(pl.col("side").is_in(["left", "right", "both"]) & pl.col("side_told").is_in(["left", "right", "both"]))
    assert (sided["side"] == sided["side_told"]).mean() > 0.99
    assert both.filter(right)["action"].eq(both.filter(right)["action_told"]).mean() > 0.95
