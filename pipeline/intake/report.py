"""What a load says about itself: the accounts of every file, and notes. Plain data."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from pipeline.intake.problems import DataProblem


@dataclass(frozen=True)
class Note:
    """Something to know that set no row aside: kind (stable), the file or source, what, and what to do."""

    kind: str
    place: str
    text: str
    remedy: str = ""


@dataclass(frozen=True)
class FileReport:
    """The accounts of one file in one table: rows_in = rows_used + rows_set_aside."""

    file: str
    table_name: str
    source: str
    rows_in: int
    rows_used: int
    rows_set_aside: int
    cells_blanked: int
    sha256: str
    first_seen_on: dt.date | None
    shape: str
    columns: tuple[str, ...]


@dataclass(frozen=True)
class LoadReport:
    """What was read and how. headers: {source: column names of its newest file}, to compare with next time.

    problems: what would stop a run (only filled when load was asked not to stop).
    """

    files: tuple[FileReport, ...]
    notes: tuple[Note, ...]
    headers: dict[str, tuple[str, ...]]
    corrections_applied: int
    mapped: dict[str, tuple[str, ...]]  # table -> our columns that some file gives
    known_by: dt.date | None = None
    problems: tuple[DataProblem, ...] = ()
