"""A run spread over parts of the vehicles: intake and lives part by part, on as many machines as there are, then one month published.

The input is Hive-partitioned: incoming/part=<name>/ holds the exports of the vehicles of one part (any split by vehicle; `lowbeam
split` makes one by a hash of vehicle_id); files outside the part= folders (parts, access, costs) go to every part. A vehicle's rows
must all lie in one part: every life, odometer mend and return of a complaint stays inside one vehicle.

A part goes through four stages. Between them the driver puts together what only the whole data tells: the spelling of suppliers,
the components that occur and the last day (after reading), the usual pace of a vehicle class (after the places), how likely a return
is no chance (after the faults). What passes between machines are file names and small sums, never tables of repairs. The parts leave
Hive-partitioned Parquet below parts/ (parts/lives.lives/part=<name>/rows.parquet, and so on); the driver joins it and walks the
remaining steps, so that a spread run publishes the same month as a run on one machine does.
"""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import steps
from pipeline.settings import load_settings
from pipeline.store import StoreError, Workspace, connect, read_table, run_checks, run_models, write_table

if TYPE_CHECKING:
    import duckdb
    import polars as pl

# Calls a stage once for each list of arguments and gives the answers in their order: `in_turn` here, Dask tasks in flows.py.
Spreader = Callable[[Callable[..., Any], Sequence[tuple]], list[Any]]

_PART = re.compile(r"part=([A-Za-z0-9_.-]+)/")
# Tables whose rows belong to vehicles: their files must lie inside part= folders. The others are the same for every part.
_BY_VEHICLE = ("vehicles", "odometer", "orders", "repair_lines", "flat")
# Intermediate tables that no later step reads.
_NOT_JOINED = {"clean.supplier_spellings", "clean.odometer_read", "clean.odometer_told", "lives.fault_visits",
               "lives.points", "lives.return_rates"}


def in_turn(stage: Callable[..., Any], arguments: Sequence[tuple]) -> list[Any]:
    """The spreader of one process: one part after the other."""
    return [stage(*a) for a in arguments]


def parts_of(workspace: Workspace) -> list[str]:
    """The names of the parts, in the order of their files. Raises StoreError where incoming/ is not split into part= folders."""
    from pipeline.intake.discover import natural

    found = {m.group(1) for p in workspace.incoming.iterdir() if p.is_dir() and (m := _PART.fullmatch(p.name + "/"))}
    if not found:
        raise StoreError("incoming/ holds no part= folders, so the run cannot be spread. Split the exports by vehicle into "
                         "incoming/part=00/, incoming/part=01/ and so on (lowbeam split does it), or use: lowbeam run")
    return sorted(found, key=lambda name: natural(f"part={name}/"))


def part_of(file: str) -> str | None:
    """The part that a file belongs to, by its name below incoming/; None where it is every part's."""
    told = _PART.match(file)
    return told.group(1) if told else None


def _database(root: str, part: str) -> Path:
    return Workspace(Path(root)).state / "parts" / f"{part}.duckdb"


def _open(root: str, part: str) -> duckdb.DuckDBPyConnection:
    path = _database(root, part)
    con = connect(path)
    os.chmod(path, 0o600)
    return con


# ---------------------------------------------------------------- the four stages of a part; each may run on another machine


def read_part(root: str, part: str, known_by: dt.date | None, today: dt.date) -> dict[str, Any]:
    """Files to clean tables, words read, odometers mended. Returns small sums: files, suppliers' spellings, components, last day."""
    from pipeline.intake.load import load
    from pipeline.intake.readings import mend_into
    from pipeline.intake.words import classify_into
    from pipeline.lives.build import last_day

    workspace, settings = Workspace(Path(root)), load_settings(Path(root) / "settings.toml")
    path = _database(root, part)
    for old in (path, path.with_name(path.name + ".wal")):
        old.unlink(missing_ok=True)
    con = _open(root, part)
    try:
        ledger = steps.read_ledger(workspace)
        report = load(con, workspace.incoming, settings, workspace.key(), corrections=workspace.corrections_file, known_by=known_by,
                      first_seen={k: dt.date.fromisoformat(v) for k, v in ledger["first_seen"].items()}, today=today,
                      known_headers=ledger["headers"], strict=False, only=lambda file: part_of(file) in (None, part), unify=False)
        misplaced = [f for f in report.files if f.table_name in _BY_VEHICLE and part_of(f.file) is None]
        if misplaced:
            raise StoreError(f"{misplaced[0].file} gives the table {misplaced[0].table_name}, which is about vehicles, but lies outside the "
                             "part= folders: every part would count it. Split it by vehicle (lowbeam split), or use: lowbeam run")
        classify_into(con, settings, workspace.root)
        mend_into(con, settings)
        told = con.execute("select table_name, supplier, n from clean.supplier_spellings order by all").fetchall()
        seen = con.execute("select distinct component from clean.classified_lines where component <> 'unknown' order by 1").fetchall()
        return {"report": report, "last_day": last_day(con), "suppliers": told, "components": [r[0] for r in seen]}
    finally:
        con.close()


def place_part(root: str, part: str, as_of: dt.date, suppliers: dict[str, str], components: list[str]) -> list[tuple[str | None, float]]:
    """Suppliers under one spelling, vehicles and their places. Returns (vehicle_class, km a day) of the vehicles with enough readings."""
    from pipeline.intake.settle import rename_suppliers
    from pipeline.intake.words import vocabulary_of
    from pipeline.lives import build

    settings = load_settings(Path(root) / "settings.toml")
    con = _open(root, part)
    try:
        rename_suppliers(con, ["clean.repair_lines", "clean.parts"], suppliers)
        parameters = build.rule_parameters(settings, as_of)
        run_models(con, "1_clean", parameters)
        build.make_places(con, settings, parameters, components, vocabulary_of(settings, Path(root)))
        return build.own_paces(con).rows()
    finally:
        con.close()


def fault_part(root: str, part: str, as_of: dt.date, usual: list[tuple[str | None, float | None]]) -> str:
    """km on the days that need it, and the visits of each fault. Returns the Parquet file of those visits, for the return rates."""
    import polars as pl

    from pipeline.lives import build

    settings = load_settings(Path(root) / "settings.toml")
    con = _open(root, part)
    try:
        build.put_km_on_points(con, pl.DataFrame(usual, schema={"vehicle_class": pl.String, "pace": pl.Float64}, orient="row"))
        run_models(con, "3_endings", build.rule_parameters(settings, as_of), models=["10_visits_of_a_fault"])
        out = _database(root, part).with_suffix(".faults.parquet")
        con.execute(f"copy (select * exclude (components, line_keys) from lives.fault_visits order by vehicle, fault_side, renewed_on) "
                    f"to {_quoted(out)} (format parquet)")
        return str(out)
    finally:
        con.close()


def end_part(root: str, part: str, as_of: dt.date, return_rates: list[dict]) -> list[str]:
    """How lives ended, and the lives. Writes every table as Hive-partitioned Parquet below parts/, and the counts that curves and fits
    are made of (parts/counts); returns the tables' names."""
    from pipeline.lives import build

    settings = load_settings(Path(root) / "settings.toml")
    con = _open(root, part)
    try:
        write_table(con, "lives.return_rates", _rates(return_rates))
        parameters = build.rule_parameters(settings, as_of)
        run_models(con, "3_endings", parameters, models=["30_chains", "40_endings"])
        build.end_lives(con, settings, parameters)
        names = [f"{s}.{t}" for s, t in con.execute(
            "select table_schema, table_name from information_schema.tables where table_schema in ('clean', 'lives') order by 1, 2").fetchall()]
        for name in names:
            folder = Path(root) / "parts" / name / f"part={part}"
            folder.mkdir(parents=True, exist_ok=True)
            con.execute(f"copy (from {name}) to {_quoted(folder / 'rows.parquet')} (format parquet, compression zstd)")
            os.chmod(folder / "rows.parquet", 0o600)
        _write_counts(con, Path(root) / "parts" / "counts" / f"part={part}")
        return names
    finally:
        con.close()


def _write_counts(con: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Entered, failed and left by stratum and time, on days and on whole km: what curves_from_sums adds up."""
    import polars as pl

    from pipeline.lives.strata import KEYS, stratify
    from pipeline.survival.risk import risk_table

    lives = read_table(con, "select * from lives.lives where in_curve order by life_id")
    doubtful = pl.col("ending").is_in(["failed", "wrong_suspect"])
    lives = stratify(lives.with_columns(failed=pl.when(doubtful).then(pl.col("p_failed").fill_null(1.0)).otherwise(0.0)), [])
    found = []
    for clock in ("days", "km"):
        some = lives.with_columns(entry=pl.col(f"entry_{clock}").round(), exit=pl.col(f"exit_{clock}").round())
        some = some.filter(pl.col("exit").is_not_null() & (pl.col("exit") > pl.col("entry")))
        found.append(risk_table(some, KEYS, entry="entry", exit="exit", event="failed").counts.cast(
            {c: pl.Float64 for c in ("at_risk", "entered", "events", "censored")}).with_columns(clock=pl.lit(clock)))
    folder.mkdir(parents=True, exist_ok=True)
    pl.concat(found).write_parquet(folder / "rows.parquet", compression="zstd")
    os.chmod(folder / "rows.parquet", 0o600)


def _quoted(path: Path) -> str:
    return "'" + str(path).replace("'", "''") + "'"


# ---------------------------------------------------------------- the whole


def run_spread(folder: Path, as_of: dt.date | None = None, known_by: dt.date | None = None, progress: steps.Progress | None = None,
               wait_seconds: float = 0.0, spreader: Spreader = in_turn) -> steps.RunResult:
    """Run a workspace whose incoming/ is split into part= folders; publishes what a plain run of the same files publishes.

    One label may differ: a refused reading that is another vehicle's is called so only where that vehicle lies in the same part.
    Raises StoreError, SettingsError, DataProblem or CheckFailed, each in words; the last published month stays.
    """
    rest = steps.STEPS[[s.name for s in steps.STEPS].index("make_lives") + 1:]
    total = 5 + len(rest)
    say = progress or (lambda *_: None)
    with steps.at_work(folder, "spread", as_of, known_by, wait_seconds) as state:
        state.inputs = steps.inputs_of(state.workspace)
        with state.book.stage("lives_of_parts"):
            lives_of_parts(state, lambda number, title: say(number, total, title), spreader)
        steps.walk(state, rest, progress, first=6, total=total)
        shutil.rmtree(state.workspace.state / "parts", ignore_errors=True)
    return state.result


def curves_from_sums(folder: Path, confidence: float = 0.95, min_failures: int = 5) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Kaplan-Meier curves and Weibull fits of all parts from their counts below `folder`/counts, never holding a life: for fleets whose
    lives no one machine wants to hold. Writes curves.parquet and fits.parquet beside the parts; returns both tables.

    Days are exact; km are counted in whole km. Errors are Greenwood's (lives taken as independent): narrower than those by vehicle.
    """
    import polars as pl

    from pipeline.lives.strata import KEYS
    from pipeline.survival.risk import RiskTable, merge_counts
    from pipeline.survival.sums import curves_of_counts, fits_of_counts

    files = sorted((folder / "counts").glob("part=*/rows.parquet"))
    if not files:
        raise StoreError(f"{folder / 'counts'} holds no counts of parts. Make them with: lowbeam spread")
    curves, fits = [], []
    for clock in ("days", "km"):
        merged = None
        for file in files:  # folded as they come: two tables at a time are enough
            counts = pl.read_parquet(file).filter(pl.col("clock") == clock).drop("clock")
            table = RiskTable(counts, counts.select(KEYS).unique(maintain_order=True).with_columns(
                lives=pl.lit(0, dtype=pl.Int64), zero_length=pl.lit(0, dtype=pl.Int64)), tuple(KEYS), ())
            merged = table if merged is None else merge_counts([merged, table])
        curves.append(curves_of_counts(merged, confidence=confidence).with_columns(clock=pl.lit(clock)))
        fits.append(fits_of_counts(merged, min_failures=min_failures).with_columns(clock=pl.lit(clock)))
    out = pl.concat(curves), pl.concat(fits)
    for name, table in zip(("curves", "fits"), out, strict=True):
        table.write_parquet(folder / f"{name}.parquet", compression="zstd")
        os.chmod(folder / f"{name}.parquet", 0o600)
    return out


def lives_of_parts(state: steps.Run, say: Callable[[int, str], None], spreader: Spreader = in_turn) -> None:
    """From files to checked lives, part by part; leaves in `state.con` the tables that the first steps of a plain run leave."""
    from pipeline.intake.load import too_much_aside
    from pipeline.intake.problems import DataProblem
    from pipeline.intake.settle import supplier_names
    from pipeline.lives import build

    workspace, settings, con = state.workspace, state.settings, state.con
    names = parts_of(workspace)
    root = str(workspace.root.resolve())
    workspace.key()  # made here, once, before many want it
    workspace.make_private(workspace.state / "parts")
    shutil.rmtree(workspace.root / "parts", ignore_errors=True)
    workspace.make_private(workspace.root / "parts")

    say(1, f"Reading {len(names)} parts")
    read = spreader(read_part, [(root, p, state.known_by, dt.date.today()) for p in names])
    last = max((r["last_day"] for r in read if r["last_day"]), default=None)
    if last is None:
        raise DataProblem("No order, repair line or reading with a usable date was found in incoming/.",
                          remedy="Look at what was set aside with: lowbeam check FOLDER")
    state.as_of = state.wanted_as_of or last
    counts: Counter[str] = Counter()
    for number, r in enumerate(read):
        for table, supplier, n in r["suppliers"]:
            if table != "stage_parts" or number == 0:  # the catalogue came to every part
                counts[supplier] += n
    components = sorted({c for r in read for c in r["components"]})

    say(2, "Placing the parts of every vehicle")
    paces = spreader(place_part, [(root, p, state.as_of, supplier_names(counts, settings), components) for p in names])
    usual = build.median_paces(_paces([row for rows in paces for row in rows]))

    say(3, "Following faults")
    faults = spreader(fault_part, [(root, p, state.as_of, usual.rows()) for p in names])
    con.execute("create schema if not exists lives")
    con.execute("create or replace table lives.fault_visits as from read_parquet(?, union_by_name = true)", [faults])
    run_models(con, "3_endings", build.rule_parameters(settings, state.as_of), models=["20_return_rates"])
    rates = read_table(con, "select * from lives.return_rates")
    con.execute("drop table lives.fault_visits")

    say(4, "Building the life of every part")
    made = spreader(end_part, [(root, p, state.as_of, rates.to_dicts()) for p in names])

    say(5, "Joining the parts")
    curves_from_sums(workspace.root / "parts", settings.curves.confidence, settings.curves.min_failures)
    state.report = _joined_report([r["report"] for r in read], names)
    join(con, workspace.root / "parts", names, sorted({t for tables in made for t in tables}))
    problems = too_much_aside(con, state.report.files, settings.intake.max_set_aside_share)
    if problems:
        raise problems[0]
    run_checks(con)


def _rates(rows: list[dict]) -> pl.DataFrame:
    import polars as pl

    return pl.DataFrame(rows, schema={"is_comeback": pl.Boolean, "is_same_symptom": pl.Boolean, "band": pl.Int32, "seen": pl.Float64,
                                      "expected": pl.Float64, "share_wrong": pl.Float64})


def _paces(rows: list[tuple]) -> pl.DataFrame:
    import polars as pl

    return pl.DataFrame(rows, schema={"vehicle_class": pl.String, "pace": pl.Float64}, orient="row")


def _joined_report(reports: list[Any], names: list[str]) -> Any:
    """One LoadReport: each part's own files once, and the files of every part from the first."""
    import dataclasses

    from pipeline.intake.discover import natural

    files = [f for part, r in zip(names, reports, strict=True) for f in r.files if part_of(f.file) == part]
    files += [f for f in reports[0].files if part_of(f.file) is None]
    # A correction is no longer needed only where no part could use it.
    stale = Counter(n.place for r in reports for n in {n.place: n for n in r.notes if n.kind == "stale_correction"}.values())
    notes = {(n.kind, n.place): n for r in reports for n in r.notes
             if n.kind != "stale_correction" or stale[n.place] == len(reports)}
    mapped: dict[str, tuple[str, ...]] = {}
    for r in reports:
        for table, columns in r.mapped.items():
            mapped[table] = tuple(sorted({*mapped.get(table, ()), *columns}))
    return dataclasses.replace(reports[0], files=tuple(sorted(files, key=lambda f: (natural(f.file), f.table_name, f.source))),
                               notes=tuple(notes.values()), mapped=mapped,
                               corrections_applied=sum(r.corrections_applied for r in reports))


def join(con: duckdb.DuckDBPyConnection, folder: Path, names: Sequence[str], tables: Sequence[str]) -> None:
    """Put the parts' Parquet tables below `folder` together as tables of `con`, numbered as a run on one machine numbers them.

    Raises StoreError where a vehicle turns up in two parts.
    """
    for name in tables:
        if name in _NOT_JOINED:
            continue
        con.execute(f"create schema if not exists {name.split('.')[0]}")
        files = [str(p) for n in names if (p := folder / name / f"part={n}" / "rows.parquet").exists()]
        read = "read_parquet(?, union_by_name = true, hive_partitioning = false)"
        columns = {r[0] for r in con.execute(f"select column_name from (describe from {read})", [files]).fetchall()}
        if "file" in columns:  # rows of files that every part has read count once
            keep = "part_index = 1 or file like 'part=%'"
        elif "vehicle" in columns or columns & {"episode_id", "line_key"} or name == "clean.unread_texts":
            keep = "true"
        else:  # catalogues and rules: the same in every part
            keep = "part_index = 1"
        con.execute(f"""
            create or replace table {name} as
            select * exclude (part_file)
            from (select *, list_position($files, part_file) as part_index
                  from read_parquet($files, union_by_name = true, hive_partitioning = false, filename = 'part_file'))
            where {keep} order by part_index""", {"files": files})
    twice = con.execute("select vehicle from lives.vehicles group by vehicle having count(*) > 1 order by 1").fetchall()
    if twice:
        raise StoreError(f"{len(twice)} vehicles have rows in more than one part= folder (the first by its short id: {twice[0][0][:8]}). "
                         "All rows of a vehicle must lie in one part: split the exports again by vehicle.")
    _number(con)


def _number(con: duckdb.DuckDBPyConnection) -> None:
    """Line keys, life and episode numbers over all parts, in the order in which a run on one machine gives them."""
    con.execute("""
        create or replace temp table line_offset as
        select part_index, coalesce(sum(n) over (order by part_index rows between unbounded preceding and 1 preceding), 0)::bigint as before
        from (select part_index, max(line_key) as n from clean.repair_lines group by all)""")
    keyed = con.execute("""
        select table_schema || '.' || table_name from information_schema.columns
        where table_schema in ('clean', 'lives') and column_name = 'line_key' order by 1""").fetchall()
    for (table,) in keyed:
        con.execute(f"update {table} t set line_key = t.line_key + o.before from line_offset o where o.part_index = t.part_index")
    con.execute("""
        create or replace temp table episode_numbers as
        select part_index, episode_id, row_number() over (order by part_index, episode_id) as number from lives.episodes""")
    for table in ("lives.episodes", "lives.episode_parts"):
        con.execute(f"""
            create or replace table {table} as
            select t.* replace (n.number as episode_id)
            from {table} t join episode_numbers n on n.part_index = t.part_index and n.episode_id = t.episode_id
            order by n.number""")
    con.execute("""
        create or replace table lives.lives as
        select * replace (row_number() over (order by coalesce(fitted_file, ended_file, ''), coalesce(fitted_row, ended_row, 0), vehicle,
                                             component, side, generation) as life_id)
        from lives.lives order by life_id""")
    con.execute("""
        create or replace table clean.unread_texts as
        select text, sum(lines)::bigint as lines, missing from clean.unread_texts
        group by all order by lines desc, text, missing""")
    for (table,) in con.execute("""
            select table_schema || '.' || table_name from information_schema.columns
            where table_schema in ('clean', 'lives') and column_name = 'part_index' order by 1""").fetchall():
        con.execute(f"alter table {table} drop column part_index")
