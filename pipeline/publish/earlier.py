"""The month published before this one: what "since last month" compares with."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

# What the changes on the pages are told from (changes.py, fleet.py).
TABLES = ("monthly", "early_failures", "priors", "files", "due_list", "comebacks", "warranty_recovery")


def earlier(published: Path, as_of: dt.date) -> tuple[dt.date | None, dict[str, pl.DataFrame]]:
    """The as-of date and tables of the newest month in `published` before `as_of`; (None, {}) where there is none.

    A table that is not there, or that cannot be read any more, is left out: the pages then say less about it.
    """
    import polars as pl

    days = sorted(dt.date.fromisoformat(p.name) for p in published.glob("*") if re.fullmatch(r"\d{4}-\d\d-\d\d", p.name) and p.is_dir())
    before = [day for day in days if day < as_of]
    if not before:
        return None, {}
    tables = {}
    for name in TABLES:
        try:
            tables[name] = pl.read_parquet(published / f"{before[-1]:%Y-%m-%d}" / "tables" / f"{name}.parquet")
        except (OSError, pl.exceptions.PolarsError):
            continue
    return before[-1], tables
