"""Which file of incoming/ feeds which table: by the sources of the settings, else by its name."""

from __future__ import annotations

import fnmatch
import re
from collections import defaultdict
from collections.abc import Sequence

from pipeline.intake import contracts
from pipeline.intake.discover import Found
from pipeline.intake.problems import DataProblem
from pipeline.intake.readers import norm
from pipeline.intake.report import Note
from pipeline.settings import Settings, Source


def assign_units(
    settings: Settings, units: Sequence[Found], notes: list[Note]
) -> tuple[list[tuple[Source, list[Found]]], bool]:
    if not settings.sources:
        return _by_name(settings, units, notes), True
    assigned: list[tuple[Source, list[Found]]] = []
    used: set[str] = set()
    for source in settings.sources.values():
        mine = [u for u in units if matches(source, u)]
        if source.sheet:
            books = [u for u in mine if u.sheet is not None]
            named = [u for u in books if norm(u.sheet or "") == norm(source.sheet)]
            if books and not named:
                raise DataProblem(
                    f"there is no sheet '{source.sheet}' in {books[0].name.rsplit('#', 1)[0]}",
                    remedy="Sheets there: "
                    + ", ".join(sorted({u.sheet or "" for u in books}))
                    + f". Set 'sheet' in [sources.{source.name}].",
                )
            mine = [u for u in mine if u.sheet is None or u in named]
        used |= {u.name for u in mine}
        if not mine:
            notes.append(
                Note(
                    "source_without_files",
                    source.name,
                    f"no file in incoming/ matches {', '.join(source.files)} of [sources.{source.name}]",
                    "Copy the export into incoming/, or correct 'files'.",
                )
            )
        assigned.append((source, mine))
    for u in units:
        if u.name not in used:
            notes.append(
                Note(
                    "unused_file",
                    u.name,
                    "was not read: no source in settings.toml names it",
                    "Add it to 'files' of a source, or let lowbeam map propose one.",
                )
            )
    return assigned, False


def matches(source: Source, unit: Found) -> bool:
    """Whether one of a source's file patterns means this unit, by any of its names, whatever the case."""
    names = [n.casefold() for n in unit.plain_names]
    for pattern in source.files:
        p = pattern.casefold().removeprefix("./").removeprefix("incoming/")
        if any(n == p or fnmatch.fnmatchcase(n, p) for n in names):
            return True
    return False


def _table_named(unit: Found) -> str | None:
    for name in ([unit.sheet] if unit.sheet else []) + [unit.name.split("#")[0].split("!")[-1].rsplit("/", 1)[-1]]:
        stem = re.match(r"[a-z_]*", name.casefold())
        table = (stem.group() if stem else "").rstrip("_")
        if table in contracts.TABLES:
            return table
    return None


def _by_name(settings: Settings, units: Sequence[Found], notes: list[Note]) -> list[tuple[Source, list[Found]]]:
    groups: dict[str, list[Found]] = defaultdict(list)
    for u in units:
        table = _table_named(u)
        if table is None:
            notes.append(
                Note(
                    "unused_file",
                    u.name,
                    "was not read: it is not named after one of our tables, and there are no "
                    "[sources] in settings.toml",
                    "Let lowbeam map propose how its columns map to ours.",
                )
            )
        else:
            groups[table].append(u)
    out = []
    for table in contracts.TABLES:
        if table in groups:
            columns = {c.name: c.name for c in contracts.TABLES[table]}
            if table in ("vehicles", "flat"):
                columns |= {c: c for c in settings.strata.vehicle_columns}
            out.append((Source(name=table, table=table, files=(), columns=columns), groups[table]))
    return out
