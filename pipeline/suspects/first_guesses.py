"""First guesses looked back on: how often the first part replaced was not the cause, by complaint, code and month, and which side a
fault code had named when the other side was dark."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.survival.early import share_interval
from pipeline.suspects.symptoms import code_key

# How a code may write a side as a token of its own, apart from what stands before it.
_SIDE_WORDS = {"L": "left", "LH": "left", "LEFT": "left", "R": "right", "RH": "right", "RIGHT": "right"}
_MIN_CASES = 8


def guesses_by(episodes: pl.DataFrame, by: Sequence[str], confidence: float = 0.95) -> pl.DataFrame:
    """First guesses counted by any columns of `lives.episodes` (a null is a group of its own).

    Columns: by, cases (complaints with a confirmed cause), wrong (first part replaced was another), share, low, high (mid-p), labour_hours,
    labour_cost, part_cost (of the repairs that cured nothing), commonest_first, commonest_cause, commonest (the pair most often wrong, and
    how often; null where none was). Interval: `early.share_interval`, complaints taken as independent.
    """
    bs = list(by)
    wrong = pl.col("first_replaced") != pl.col("cause")
    out = episodes.group_by(bs).agg(
        cases=pl.len().cast(pl.Int64),
        wrong=wrong.sum().cast(pl.Int64),
        labour_hours=pl.col("wrong_labour_hours").sum(),
        labour_cost=pl.col("wrong_labour_cost").sum(),
        part_cost=pl.col("wrong_part_cost").sum(),
    )
    pairs = (
        episodes.filter(wrong)
        .group_by([*bs, "first_replaced", "cause"])
        .agg(commonest=pl.len().cast(pl.Int64))
        .sort([*bs, "commonest", "first_replaced", "cause"], descending=[*[False] * len(bs), True, False, False], nulls_last=True)
    )
    top = pairs.unique(bs, keep="first", maintain_order=True) if bs else pairs.head(1)
    top = top.rename({"first_replaced": "commonest_first", "cause": "commonest_cause"})
    # Without groups there is one row and at most one pair: none where no guess was wrong.
    out = out.join(top, on=bs, how="left", nulls_equal=True) if bs else pl.concat([out, top], how="horizontal_extend")
    low, high = share_interval(out["wrong"].to_numpy(), out["cases"].to_numpy(), confidence)
    return (
        out.with_columns(share=pl.col("wrong") / pl.col("cases"), low=pl.Series(low), high=pl.Series(high))
        .select(
            *bs,
            "cases",
            "wrong",
            "share",
            "low",
            "high",
            "labour_hours",
            "labour_cost",
            "part_cost",
            "commonest_first",
            "commonest_cause",
            "commonest",
        )
        .sort(bs, nulls_last=True)
    )


def code_sides(episodes: pl.DataFrame, confidence: float = 0.95) -> pl.DataFrame:
    """Of each fault code that names a side: how often the cause lay on the other one.

    A code names a side where it ends in a token for one (L, RH, LEFT …, apart from its stem) and its stem occurs with the other side's
    token too, so that a stray letter is not read as a side; or where nothing is written and at least eight confirmed causes lie on one
    side so often that the interval of their share is above one half: `named_by` is 'written' or 'learned'. Left and right are those of
    the driver's seat, as everywhere. Columns: fault_code, named_side, named_by, cases (with a side confirmed), other_side, share, low, high
    (mid-p), labour_hours, labour_cost, part_cost (wrong first guesses in those cases). Codes that name no side are not there.
    """
    told = episodes.with_columns(_code=code_key()).filter(pl.col("_code").is_not_null() & pl.col("side").is_in(["left", "right"]))
    counts = told.group_by("_code").agg(cases=pl.len().cast(pl.Int64), left=(pl.col("side") == "left").sum().cast(pl.Int64)).sort("_code")
    written = {c: _written_side(c) for c in counts["_code"]}
    stems: dict[str, set[str]] = {}
    for stem, side in filter(None, written.values()):
        stems.setdefault(stem, set()).add(side)
    rows = []
    for code, cases, left in counts.iter_rows():
        found = written[code]
        if found and len(stems[found[0]]) == 2:
            rows.append((code, found[1], "written"))
        elif cases >= _MIN_CASES:
            low, high = share_interval(float(left), float(cases), confidence)
            if low > 0.5 or high < 0.5:
                rows.append((code, "left" if low > 0.5 else "right", "learned"))
    named = pl.DataFrame(rows, schema={"_code": pl.String, "named_side": pl.String, "named_by": pl.String}, orient="row")
    other = pl.col("side") != pl.col("named_side")
    out = (
        told.join(named, on="_code")
        .group_by("_code", "named_side", "named_by")
        .agg(
            cases=pl.len().cast(pl.Int64),
            other_side=other.sum().cast(pl.Int64),
            labour_hours=pl.col("wrong_labour_hours").filter(other).sum(),
            labour_cost=pl.col("wrong_labour_cost").filter(other).sum(),
            part_cost=pl.col("wrong_part_cost").filter(other).sum(),
        )
    )
    low, high = (
        share_interval(out["other_side"].to_numpy(), out["cases"].to_numpy(), confidence) if out.height else (np.array([]), np.array([]))
    )
    return (
        out.with_columns(
            share=pl.col("other_side") / pl.col("cases"), low=pl.Series(low, dtype=pl.Float64), high=pl.Series(high, dtype=pl.Float64)
        )
        .rename({"_code": "fault_code"})
        .select(
            "fault_code",
            "named_side",
            "named_by",
            "cases",
            "other_side",
            "share",
            "low",
            "high",
            "labour_hours",
            "labour_cost",
            "part_cost",
        )
        .sort(["cases", "fault_code"], descending=[True, False])
    )


def _written_side(code: str) -> tuple[str, str] | None:
    """(stem, side) of a code that ends in a token for a side; None where it does not."""
    at = max(code.rfind(mark) for mark in "-_./: ")
    side = _SIDE_WORDS.get(code[at + 1 :]) if at > 0 else None
    return (code[:at], side) if side else None


__all__ = ["code_sides", "guesses_by"]
