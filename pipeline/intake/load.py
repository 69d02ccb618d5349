"""incoming/ becomes the clean tables: every row of every file ends in one of them or in clean.set_aside,
and is counted.

The order of things: find the files, open them, find out how they write dates and numbers, read them into stages, settle
doubles and corrections, fill lines from their orders, make the clean tables, check the accounts.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.intake import contracts, mapping
from pipeline.intake.accounts import accounts, note_far_dates, too_much_aside, write_files
from pipeline.intake.assign import assign_units
from pipeline.intake.discover import Discovery, Found, Refused, discover, is_changing, natural
from pipeline.intake.identity import Hasher
from pipeline.intake.problems import DataProblem
from pipeline.intake.readers import (
    Batch,
    Hints,
    Limits,
    Opened,
    Reject,
    batches,
    norm,
    open_table,
    read_all,
)
from pipeline.intake.report import LoadReport, Note
from pipeline.intake.settle import keep_spellings, settle, take_catalogue, unify_suppliers
from pipeline.intake.tables import TYPES, make_clean
from pipeline.settings import Settings, Source

if TYPE_CHECKING:
    import duckdb
    import polars as pl

@dataclass(frozen=True)
class _Correction:
    file: str
    row: int
    column: str
    expected: str
    new: str
    line: int


@dataclass
class _Job:
    """One unit of one source on its way in."""

    number: int
    source: Source
    opened: Opened
    plan: mapping.Plan
    seen_on: dt.date | None
    duplicate_of: str | None = None
    rows_in: int = 0
    findings: tuple[str, ...] = ()
    styles: mapping.Styles = field(default_factory=mapping.Styles)
    evidence: _Evidence | None = None  # gathered while reading, where the styles are only provisional

    @property
    def file(self) -> str:
        return self.opened.unit.name

    @property
    def table(self) -> str:
        return self.source.table


class _Aside:
    """Rows, cells and files set aside, on their way into a table of the build."""

    _SCHEMA = (
        "file_no INTEGER, file VARCHAR, row BIGINT, table_name VARCHAR, column_name VARCHAR, value VARCHAR, reason "
        "VARCHAR, "
        "kind VARCHAR, what VARCHAR, expected VARCHAR, remedy VARCHAR, raw VARCHAR"
    )

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self.con = con
        con.execute(f"create or replace temp table aside ({self._SCHEMA})")
        self.rows: list[tuple] = []

    def add(
        self,
        file_no: int,
        file: str,
        row: int | None,
        table: str | None,
        column: str | None,
        value: str | None,
        reason: str,
        detail: str | None,
        raw: str | None,
        kind: str,
    ) -> None:
        what, expected, remedy = contracts.wording(reason, column, value, detail)
        self.rows.append((file_no, file, row, table, column, value, reason, kind, what, expected, remedy, raw))
        if len(self.rows) >= 200_000:
            self.flush()

    def clear(self) -> None:
        """Forget the rows and cells, keep the files that were refused."""
        self.flush()
        self.con.execute("delete from aside where kind <> 'file'")

    def flush(self) -> None:
        import polars as pl

        if not self.rows:
            return
        names = [part.split()[0] for part in self._SCHEMA.split(", ")]
        kinds = [pl.Int32 if n == "file_no" else pl.Int64 if n == "row" else pl.String for n in names]
        frame = pl.DataFrame(self.rows, schema=dict(zip(names, kinds, strict=True)), orient="row")
        self.con.register("aside_rows", frame)
        self.con.execute("insert into aside select * from aside_rows")
        self.con.unregister("aside_rows")
        self.rows = []


def load(
    con: duckdb.DuckDBPyConnection,
    incoming: Path,
    settings: Settings,
    key: bytes,
    *,
    corrections: Path | None = None,
    known_by: dt.date | None = None,
    first_seen: Mapping[str, dt.date] | None = None,
    today: dt.date | None = None,
    known_headers: Mapping[str, Sequence[str]] | None = None,
    strict: bool = True,
    progress: Callable[[str], None] | None = None,
    only: Callable[[str], bool] | None = None,
    unify: bool = True,
) -> LoadReport:
    """Read every export below `incoming` into clean.* tables of `con`.

    key: the workspace's secret, for the hashes of vehicles. corrections: a CSV of known mistakes, need not exist.
    first_seen: {sha256 of a file's content: day on which it was first there}; today: the day for files not in it.
    known_by: leave out files first seen later. known_headers: {source: columns last time}, for what has changed since.
    strict: stop at a file of which too much is set aside; else the problem is listed in the report.
    only: which files, by their name below incoming/, are read here (a part of a spread run); all where not given.
    unify: one spelling a supplier; a part of a spread run leaves that to the whole (see supplier_counts).
    Raises DataProblem (AccountsError where rows in and out do not agree, a fault of the program).
    """
    limits = Limits(settings.intake.max_field_chars, settings.intake.max_unpacked_mb)
    say = progress or (lambda _: None)
    con.execute("create schema if not exists clean")
    aside = _Aside(con)
    notes: list[Note] = []
    found = discover(incoming, limits.max_unpacked_mb)
    if only is not None:
        found = Discovery(
            tuple(u for u in found.units if only(u.name)),
            tuple(n for n in found.notes if only(n.file)),
            tuple(r for r in found.refused if only(r.file)),
        )
    notes += [Note(n.kind, n.file, n.text) for n in found.notes]
    for r in found.refused:
        aside.add(-1, r.file, None, None, None, None, r.reason, r.detail, None, "file")
    if not found.units:
        why = "".join(f"\n  {n.place}: {n.text}" for n in notes[:10])
        why += "".join(f"\n  {r.file}: {contracts.wording(r.reason, detail=r.detail)[0]}" for r in found.refused[:10])
        raise DataProblem(
            f"There is no export in incoming/ that can be read.{why}",
            remedy="Copy your exports (CSV, XLSX, Parquet; packed as .zip or .gz if you like) into incoming/.",
        )
    assigned, is_auto = assign_units(settings, found.units, notes)
    has_orders = any(s.table in ("orders", "flat") for s, units in assigned if units)
    jobs = _open_all(assigned, limits, aside, notes, is_auto, has_orders, known_by, first_seen or {}, today)
    if not any(j.table in ("repair_lines", "flat") for j in jobs):
        raise _no_lines(found.units, settings, jobs, notes, known_by, aside)
    headers = _drift(jobs, known_headers, notes)
    fixes = _read_corrections(corrections, limits, notes)
    hasher = Hasher(key)
    words = mapping.Words(_components(settings, incoming.parent))
    applied: Counter[tuple[str, int, str]] = Counter()
    _stages(con, jobs)
    by_source = {n: [j for j in jobs if j.source.name == n] for n in dict.fromkeys(j.source.name for j in jobs)}
    provisional = {name for name, mine in by_source.items() if not _decide_styles(mine, limits)}

    def read_everything() -> None:
        # Stages are filled in the order of file names and rows, so that line keys need no sort; the catalogue comes
        # first, since part numbers take its spelling.
        catalogue: dict[str, str] = {}
        reading = sorted(jobs, key=lambda j: (j.table != "parts", natural(j.file), j.number))
        for i, job in enumerate(reading):
            say(f"reading {job.file}")
            _read(con, job, limits, aside, hasher, words, fixes, applied, has_orders, catalogue)
            if job.table == "parts" and (i + 1 == len(reading) or reading[i + 1].table != "parts"):
                catalogue = take_catalogue(con)

    for name in provisional:
        shared = _Evidence(_blank_evidence(by_source[name]))
        for job in by_source[name]:
            job.evidence = shared
    read_everything()
    if _redecided([by_source[name] for name in sorted(provisional)]):
        # A later value says more than the first ones did: once more, with what is known now.
        aside.clear()
        _stages(con, jobs)
        for job in jobs:
            job.evidence, job.rows_in = None, 0
        read_everything()
    _stale(fixes, applied, jobs, notes, known_by)
    aside.flush()
    con.execute(
        "create or replace temp table files_of (file_no INTEGER, file VARCHAR, name_no INTEGER, source_no INTEGER)"
    )
    by_name = {f: i for i, f in enumerate(sorted({j.file for j in jobs}, key=natural))}
    sources = {s: i for i, s in enumerate(dict.fromkeys(j.source.name for j in jobs))}
    con.executemany(
        "insert into files_of values (?, ?, ?, ?)",
        [(j.number, j.file, by_name[j.file], sources[j.source.name]) for j in jobs],
    )
    say("settling doubles and corrections")
    for table in dict.fromkeys(j.table for j in jobs):
        settle(con, table)
    if unify:
        unify_suppliers(con, settings)
    else:
        keep_spellings(con)
    say("making the clean tables")
    own_columns = [
        (j.number, m.ours.name) for j in jobs for m in j.plan.columns if m.ours.name in ("vehicle_id", "opened_on")
    ]
    make_clean(con, frozenset(j.table for j in jobs), own_columns, settings, notes)
    reports = accounts(con, jobs)
    con.execute("""
        create or replace table clean.set_aside as
        select file, row, table_name, column_name, value, reason, expected, remedy, raw, kind, what
        from aside order by file, row, table_name, column_name, reason""")
    problems = too_much_aside(con, reports, settings.intake.max_set_aside_share)
    if problems and strict:
        raise problems[0]
    note_far_dates(con, notes)
    write_files(con, reports)
    for name in ("aside", "files_of", *(f"stage_{t}" for t in contracts.TABLES)):
        con.execute(f"drop table if exists temp.{name}")
    mapped: dict[str, set[str]] = defaultdict(set)
    for j in jobs:
        for m in j.plan.columns:
            for table in ("repair_lines", "vehicles", "orders") if j.table == "flat" else (j.table,):
                if contracts.column(table, m.ours.name) and (m.constant is None or m.constant.strip()):
                    mapped[table].add(m.ours.name)
    return LoadReport(
        reports,
        tuple(notes),
        headers,
        len(applied),
        {t: tuple(sorted(c)) for t, c in sorted(mapped.items())},
        known_by,
        tuple(problems),
    )


def _no_lines(
    units: Sequence[Found],
    settings: Settings,
    jobs: list[_Job],
    notes: list[Note],
    known_by: dt.date | None,
    aside: _Aside,
) -> DataProblem:
    if known_by is not None and any(n.kind == "not_yet_known" for n in notes):
        return DataProblem(
            f"No repair lines are known to have been in incoming/ by {known_by}.",
            remedy="Choose a later --known-by day, or leave it out.",
        )
    there = "".join(f"\n  {u.name}" for u in units[:12])
    refused = "".join(f"\n  {r[1]}: {r[8]}" for r in aside.rows if r[7] == "file")
    how = (
        'Map the file that holds them: lowbeam map proposes a [sources] section with table = "repair_lines" (or '
        '"flat").'
        if not settings.sources
        else "Correct 'files' of the source whose table is repair_lines or flat, or add the export."
    )
    return DataProblem(
        f"No repair lines were found in incoming/; they are the one table that is needed. Files there:{there}{refused}",
        remedy=how,
    )


# ---------------------------------------------------------------- opening


def needed_of(table: str, plan: mapping.Plan, has_orders: bool) -> tuple[frozenset[str], tuple[str, ...]]:
    """(columns that must be there and filled, columns of which one must be) for a table,
    given what orders can fill in."""
    needed = {c.name for c in contracts.TABLES[table] if c.needed}
    any_of: tuple[str, ...] = ()
    if table in ("repair_lines", "flat"):
        needed -= {"description"}
        any_of = contracts.WHAT_WAS_DONE
        if has_orders and table == "repair_lines":
            needed -= {"vehicle_id", "opened_on"}
        if _is_without_order(plan):
            needed -= {"order_id"}
            needed |= {"vehicle_id", "opened_on"}
    if table == "service_plan":
        any_of = ("vehicle_id", "customer_group")
    return frozenset(needed), any_of


def _is_without_order(plan: mapping.Plan) -> bool:
    return any(m.ours.name == "order_id" and m.constant is not None and not m.constant.strip() for m in plan.columns)


def _lacking(source: Source, plan: mapping.Plan, has_orders: bool) -> list[str]:
    needed, any_of = needed_of(source.table, plan, has_orders)
    lacking = [c.name for c in contracts.TABLES[source.table] if c.name in needed and not plan.has(c.name)]
    if any_of and not any(plan.has(n) for n in any_of):
        lacking.append(any_of[0])
    return lacking


def _open_all(
    assigned: list[tuple[Source, list[Found]]],
    limits: Limits,
    aside: _Aside,
    notes: list[Note],
    is_auto: bool,
    has_orders: bool,
    known_by: dt.date | None,
    first_seen: Mapping[str, dt.date],
    today: dt.date | None,
) -> list[_Job]:
    jobs: list[_Job] = []
    number = 0
    first: dict[tuple[str, str], str] = {}
    fed: dict[tuple[str, str], str] = {}
    for source, units in assigned:
        wanted = frozenset(
            norm(t)
            for theirs in source.columns.values()
            if isinstance(theirs, str | tuple)
            for t in ((theirs,) if isinstance(theirs, str) else theirs)
        )
        hints = Hints(wanted, source.delimiter, source.encoding, source.quote, source.header_row)
        mine: list[_Job] = []
        passed: list[tuple[Found, DataProblem]] = []
        for unit in units:
            other = fed.setdefault((source.table, unit.name), source.name)
            if other != source.name:
                raise DataProblem(
                    f"is named by two sources of the table {source.table}: [sources.{other}] and "
                    f"[sources.{source.name}]",
                    file=unit.name,
                    remedy="Narrow 'files' of one of them, or set 'sheet'.",
                )
            before = unit.path.stat()
            try:
                opened = open_table(unit, hints, limits)
            except Refused as r:
                aside.add(-1, r.file, None, source.table, None, None, r.reason, r.detail, None, "file")
                continue
            if is_changing(unit, before):
                notes.append(
                    Note(
                        "unfinished",
                        unit.name,
                        "changed while it was read and was left out: it is still being copied",
                        "Run again when the copy has finished.",
                    )
                )
                continue
            if not opened.shape.columns:
                notes.append(Note("empty", unit.name, "holds no rows"))
                continue
            seen_on = first_seen.get(opened.sha256, today)
            if known_by is not None and (seen_on is None or seen_on > known_by):
                when = f"first seen on {seen_on}" if seen_on else "not known when it was first seen"
                notes.append(
                    Note(
                        "not_yet_known",
                        unit.name,
                        f"was left out: {when}, and only files seen by {known_by} were asked for",
                    )
                )
                continue
            plan = mapping.make_plan(source, opened.shape.columns)
            lacking = _lacking(source, plan, has_orders)
            if lacking:
                problem = _missing_column(source, unit, opened, lacking[0], has_orders)
                if unit.sheet is not None or unit.packing == "zip":
                    passed.append((unit, problem))
                    continue
                raise problem
            if not is_auto:
                for ours, theirs in plan.missing:
                    notes.append(
                        Note(
                            "column_gone",
                            unit.name,
                            f"has no column {_quoted(theirs)}, which is mapped to {ours}; "
                            f"{ours} stays blank{_nearest(theirs, opened.shape.columns)}",
                            f"Correct the name in [sources.{source.name}.columns], or take the line out.",
                        )
                    )
            mine.append(_Job(-1, source, opened, plan, seen_on))
        if passed and not mine:
            raise passed[0][1]
        for unit, problem in passed:
            notes.append(
                Note("not_this_table", unit.name, f"was passed over for [sources.{source.name}]: {problem.what}")
            )
        # Later means seen later, then later by name: a corrected export replaces what an earlier one said.
        mine.sort(key=lambda j: (j.seen_on or dt.date.min, natural(j.file)))
        for job in mine:
            job.number, number = number, number + 1
            job.duplicate_of = first.get((source.table, job.opened.sha256))
            first.setdefault((source.table, job.opened.sha256), job.file)
        jobs += mine
    return jobs


def _quoted(names: Sequence[str]) -> str:
    return " or ".join(f"'{n}'" for n in names)


def _nearest(theirs: Sequence[str], columns: Sequence[str]) -> str:
    near = difflib.get_close_matches(norm(theirs[0]), [norm(c) for c in columns], n=1, cutoff=0.6)
    hit = next((c for c in columns if near and norm(c) == near[0]), None)
    return f" (did the export rename it to '{hit}'?)" if hit else ""


def _missing_column(source: Source, unit: Found, opened: Opened, ours: str, has_orders: bool) -> DataProblem:
    there = ", ".join(f"'{c}'" for c in opened.shape.columns[:40])
    theirs = source.columns.get(ours)
    filled = source.table == "repair_lines" and ours in ("vehicle_id", "opened_on")
    also = ' Or add the orders (table = "orders"), which give it by order_id.' if filled else ""
    if ours == "order_id":
        also = (
            ' An export without order numbers: write order_id = { value = "" }, '
            "and each vehicle's day counts as one order."
        )
    if isinstance(theirs, str | tuple) and ours != theirs:
        named = (theirs,) if isinstance(theirs, str) else theirs
        what = (
            f"the column {_quoted(named)}, mapped to {ours}, is not there{_nearest(named, opened.shape.columns)}; "
            f"the table {source.table} needs it. Columns there: {there}"
        )
        how = f"Write the right name of {ours} in [sources.{source.name}.columns] of settings.toml.{also}"
    else:
        what = f"no column gives {ours}, which the table {source.table} needs. Columns there: {there}"
        how = (
            f'Write {ours} = "their name" in [sources.{source.name}.columns] of settings.toml, '
            f"or rename the column.{also}"
        )
    return DataProblem(what, file=unit.name, remedy=how)


def _drift(
    jobs: list[_Job], known: Mapping[str, Sequence[str]] | None, notes: list[Note]
) -> dict[str, tuple[str, ...]]:
    """Note columns that came, went or were renamed, from file to file
    and since last time; the newest header of each source."""
    newest: dict[str, tuple[str, ...]] = {}
    for source in dict.fromkeys(j.source.name for j in jobs):
        before: tuple[str, str, Sequence[str]] | None = None
        if known and source in known:
            before = ("last time", "", known[source])
        for job in (j for j in jobs if j.source.name == source):
            columns = job.opened.shape.columns
            if before is not None:
                _compare(before[0], before[2], job.file, columns, notes)
            before = (job.file, "", columns)
            newest[source] = columns
    return newest


def _compare(old_name: str, old: Sequence[str], file: str, new: Sequence[str], notes: list[Note]) -> None:
    had, has = {norm(c): c for c in old}, {norm(c): c for c in new}
    gone, fresh = [c for n, c in had.items() if n not in has], [c for n, c in has.items() if n not in had]
    renamed = []
    for c in list(gone):
        near = difflib.get_close_matches(norm(c), [norm(f) for f in fresh], n=1, cutoff=0.75)
        if near:
            to = next(f for f in fresh if norm(f) == near[0])
            renamed.append((c, to))
            gone.remove(c)
            fresh.remove(to)
    parts = [f"'{a}' seems renamed to '{b}'" for a, b in renamed]
    parts += [f"gone: {_listed(gone)}"] if gone else []
    parts += [f"new: {_listed(fresh)}"] if fresh else []
    if parts:
        notes.append(
            Note(
                "columns_changed",
                file,
                f"columns differ from {old_name}: " + "; ".join(parts),
                'Map a renamed column under both names: ours = ["new name", "old name"].' if renamed or gone else "",
            )
        )


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"'{n}'" for n in names[:12]) + (f" and {len(names) - 12} more" if len(names) > 12 else "")


# ---------------------------------------------------------------- corrections


def _read_corrections(path: Path | None, limits: Limits, notes: list[Note]) -> dict[str, list[_Correction]]:
    if path is None or not path.exists():
        return {}
    needed = ("file", "row", "column", "expected", "new")
    unit = Found(path.name, path, "csv")
    opened = open_table(unit, Hints(frozenset((*needed, "why", "by"))), limits)
    names = {norm(c): c for c in opened.shape.columns}
    lacking = [n for n in needed if n not in names]
    if lacking:
        raise DataProblem(
            f"has no column '{lacking[0]}'",
            file=path.name,
            remedy="Its columns are: file, row, column, expected, new, why, by.",
        )
    frame, rejects, _ = read_all(opened, limits)
    if rejects:
        what, _, remedy = contracts.wording(rejects[0].reason, None, rejects[0].value, rejects[0].detail)
        raise DataProblem(what, file=path.name, row=rejects[0].row, remedy=remedy)
    out: dict[str, list[_Correction]] = defaultdict(list)
    for cells in frame.iter_rows(named=True):
        get = {n: (cells[names[n]] or "").strip() for n in needed}
        if not get["row"].isdigit():
            raise DataProblem(
                f"row {get['row']!r} is no row number",
                file=path.name,
                row=cells["row"],
                remedy="Give the row as an editor or spreadsheet shows it (the header is row 1).",
            )
        out[get["file"]].append(
            _Correction(get["file"], int(get["row"]), get["column"], get["expected"], get["new"], cells["row"])
        )
    return out


def _correct(job: _Job, text: pl.DataFrame, fixes: dict[str, list[_Correction]], applied: Counter) -> pl.DataFrame:
    """Known mistakes put right, where the cell still holds what the correction expects."""
    import polars as pl

    mine = fixes.get(job.file, [])
    rows = set(text["row"].to_list()) if mine else set()
    for fix in mine:
        name = _corrected_column(job.plan, fix.column)
        if name is None or fix.row not in rows:
            continue
        here = text.filter(pl.col("row") == fix.row)[name].to_list()[0]
        if (here or "") != fix.expected:
            applied[("stale", fix.line, job.file)] = 0
            continue
        text = text.with_columns(
            pl.when(pl.col("row") == fix.row)
            .then(pl.lit(fix.new or None, dtype=pl.String))
            .otherwise(pl.col(name))
            .alias(name)
        )
        applied[("applied", fix.line, job.file)] = 1
    return text


def _corrected_column(plan: mapping.Plan, name: str) -> str | None:
    for m in plan.columns:
        if m.ours.name == name or norm(name) in {norm(t) for t in m.theirs}:
            return m.ours.name
    return None


def _stale(
    fixes: dict[str, list[_Correction]],
    applied: Counter,
    jobs: list[_Job],
    notes: list[Note],
    known_by: dt.date | None,
) -> None:
    done = {line for what, line, _ in applied if what == "applied"}
    for what, line, _ in list(applied):
        if what == "stale":
            del applied[(what, line, _)]
    for file, mine in fixes.items():
        for fix in mine:
            if fix.line in done:
                continue
            if known_by is not None and not any(j.file == file for j in jobs):
                continue
            why = (
                "the cell no longer holds what it expects"
                if any(j.file == file for j in jobs)
                else "there is no such file"
            )
            notes.append(
                Note(
                    "stale_correction",
                    f"corrections.csv, row {fix.line}",
                    f"was not applied to {file}, row {fix.row}, {fix.column}: {why}",
                    "Take the row out if the source has been put right; else correct its place or 'expected'.",
                )
            )


# ---------------------------------------------------------------- reading


def _components(settings: Settings, root: Path) -> frozenset[str]:
    """Every component that a column may name: the shipped ones and those of the user's vocabulary and settings."""
    import csv

    names = set(contracts.COMPONENTS) | set(settings.rules.many_places)
    for file in settings.intake.vocabulary:
        try:
            with open(root / file, encoding="utf-8-sig", newline="") as handle:
                for cells in csv.DictReader(handle):
                    if (cells.get("field") or "") in (
                        "component",
                        "component_alone",
                        "component_in_context",
                        "unsided",
                    ):
                        names.add((cells.get("value") or "").split("@")[0].strip())
        except (OSError, UnicodeDecodeError, csv.Error):
            continue  # the vocabulary's own room says what is wrong with it
    return frozenset(n for n in names if n)


def _stages(con: duckdb.DuckDBPyConnection, jobs: list[_Job]) -> None:
    for table in dict.fromkeys(j.table for j in jobs):
        kinds = {c.target: TYPES.get(c.kind, "VARCHAR") for c in contracts.TABLES[table]}
        for j in jobs:
            if j.table == table:
                kinds |= {m.ours.target: "VARCHAR" for m in j.plan.columns if m.ours.target not in kinds}
        columns = ", ".join(f'"{n}" {k}' for n, k in kinds.items())
        con.execute(f"create or replace temp table stage_{table} ({columns}, file_no INTEGER, row BIGINT)")


@dataclass
class _Evidence:
    """What a source's values say about its dates and numbers, and which texts have been counted."""

    of: dict[str, mapping.DateEvidence | mapping.NumberEvidence]
    seen: dict[str, set] = field(default_factory=dict)


# Above so many bytes a source is not read twice: its first values decide, and all of them must confirm it.
_READ_TWICE_UP_TO = 60_000_000


def _blank_evidence(jobs: list[_Job]) -> dict[str, mapping.DateEvidence | mapping.NumberEvidence]:
    kinds = {m.ours.name: m.ours.kind for j in jobs for m in j.plan.columns}
    return {
        n: mapping.DateEvidence() if k == "date" else mapping.NumberEvidence()
        for n, k in kinds.items()
        if k in ("date", "number")
    }


def _undecided(job: _Job) -> mapping.Plan:
    """The part of a plan whose style the settings leave open."""
    source = job.source
    is_open = {"date": not source.date_order, "number": not source.decimal and source.thousands not in (".", ",")}
    return replace(job.plan, columns=tuple(m for m in job.plan.columns if m.theirs and is_open.get(m.ours.kind)))


def _decide_styles(jobs: list[_Job], limits: Limits) -> bool:
    """Give a source's jobs their styles,
    as set or as its values decide. False where only its first values were looked at."""
    size = sum(j.opened.unit.path.stat().st_size * (12 if j.opened.unit.packing else 1) for j in jobs)
    is_whole = size <= _READ_TWICE_UP_TO or not any(_undecided(j).columns for j in jobs)
    evidence = _Evidence(_blank_evidence(jobs))
    for job in jobs if is_whole else [jobs[0], jobs[-1]] if len(jobs) > 1 else jobs:
        plan = _undecided(job)
        if not plan.columns or job.duplicate_of:
            continue
        for batch in batches(job.opened, limits, plan.theirs):
            mapping.gather(evidence.of, plan, batch.frame, evidence.seen)
            if not is_whole:
                break
    try:
        styles, findings = mapping.decide(jobs[0].source, evidence.of)
    except DataProblem:
        if is_whole:
            raise
        is_whole = True
        evidence = _Evidence(_blank_evidence(jobs))
        for job in jobs:
            for batch in batches(job.opened, limits, _undecided(job).theirs):
                mapping.gather(evidence.of, _undecided(job), batch.frame, evidence.seen)
        styles, findings = mapping.decide(jobs[0].source, evidence.of)
    for job in jobs:
        job.styles, job.findings = styles, tuple(findings)
    return is_whole


def _redecided(sources: list[list[_Job]]) -> bool:
    """Whether all of a source's values decide otherwise than its first ones did; its jobs then have the new styles."""
    changed = False
    for jobs in sources:
        styles, findings = mapping.decide(jobs[0].source, jobs[0].evidence.of)
        changed |= styles != jobs[0].styles
        for job in jobs:
            job.styles, job.findings = styles, tuple(findings)
    return changed


def _read(
    con: duckdb.DuckDBPyConnection,
    job: _Job,
    limits: Limits,
    aside: _Aside,
    hasher: Hasher,
    words: mapping.Words,
    fixes: dict[str, list[_Correction]],
    applied: Counter,
    has_orders: bool,
    catalogue: dict[str, str],
) -> None:
    import polars as pl

    from pipeline.intake.names import normalise_part_number

    if job.duplicate_of:
        for batch in batches(job.opened, limits, job.plan.theirs[:1]):
            job.rows_in += batch.rows_in
            for row in sorted([*batch.frame["row"].to_list(), *(r.row for r in batch.rejects)]):
                aside.add(
                    job.number, job.file, row, job.table, None, None, "duplicate_file", job.duplicate_of, None, "row"
                )
        return
    needed, any_of = needed_of(job.table, job.plan, has_orders)
    for batch in _ahead(batches(job.opened, limits, job.plan.theirs)):
        job.rows_in += batch.rows_in
        for r in batch.rejects:
            _set_aside(aside, job, r)
        if not batch.frame.height:
            continue
        if job.evidence is not None:
            mapping.gather(job.evidence.of, _undecided(job), batch.frame, job.evidence.seen)
        text = _correct(job, mapping.our_text(job.plan, batch.frame), fixes, applied)
        made = mapping.typed(job.plan, text, job.styles, hasher, words, needed, any_of)
        if made.issues:
            raws = mapping.raw_rows(job.plan, text, [i.row for i in made.issues], hasher)
            for i in made.issues:
                kind_of = contracts.column(job.table, i.column)
                shown = (
                    None
                    if i.value is None
                    else mask_id(i.value)
                    if kind_of and kind_of.kind == "vehicle"
                    else mapping.safe(i.value)
                )
                aside.add(
                    job.number,
                    job.file,
                    i.row,
                    job.table,
                    i.column,
                    shown,
                    i.reason,
                    i.detail,
                    raws.get(i.row),
                    i.kind,
                )
        dropped = sorted({i.row for i in made.issues if i.kind == "row"})
        frame = made.frame.filter(~pl.col("row").is_in(dropped)) if dropped else made.frame
        if _is_without_order(job.plan):
            frame = frame.with_columns(
                pl.concat_str([pl.col("vehicle"), pl.col("opened_on").cast(pl.String)], separator=" ").alias(
                    "order_id"
                )
            )
        if "part_number" in frame.columns and job.table != "parts":
            frame = frame.with_columns(
                mapping.through(frame["part_number"], lambda t: normalise_part_number(t, catalogue))
            )
        con.register("batch", frame)
        names = ", ".join(f'"{c}"' for c in frame.columns)
        con.execute(f"insert into stage_{job.table} ({names}, file_no) select {names}, {job.number} from batch")
        con.unregister("batch")


def _ahead(source: Iterator[Batch]) -> Iterator[Batch]:
    """The same batches in the same order; the next one is split into cells while the caller works on this one."""
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, source, None)
        while (batch := coming.result()) is not None:
            coming = pool.submit(next, source, None)
            yield batch


def mask_id(text: str) -> str:
    """An identifier that could not be used, without giving it away."""
    return "".join("9" if c.isdigit() else "x" if c.isalpha() else c for c in text)[:40]


def _set_aside(aside: _Aside, job: _Job, r: Reject) -> None:
    aside.add(job.number, job.file, r.row, job.table, None, r.value, r.reason, r.detail, r.raw, "row")
