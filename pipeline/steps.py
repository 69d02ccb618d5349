"""The way through as one list of steps, each a call into a room below; a plain run walks it.

flows.py wraps the same list for schedules and clusters. A step reads tables of the build and leaves tables in it; the last one
publishes, whole or not at all.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline import journal
from pipeline.settings import Settings, load_settings
from pipeline.store import (
    StoreError,
    Workspace,
    building,
    locked,
    open_workspace,
    private_files,
    refuse_newer_store,
    run_checks,
    run_models,
    trouble_in_words,
)

if TYPE_CHECKING:
    import duckdb

Progress = Callable[[int, int, str], None]
LEDGER_VERSION = 1


@dataclass
class Run:
    """What the steps of one run share: where, how, as of when, and the build's open connection."""

    workspace: Workspace
    settings: Settings
    con: duckdb.DuckDBPyConnection
    wanted_as_of: dt.date | None = None
    known_by: dt.date | None = None
    as_of: dt.date | None = None
    report: Any = None
    is_strict: bool = True
    result: RunResult | None = None
    inputs: dict[str, tuple[int, int]] | None = None  # size and time of change of each file in incoming/ before it was read
    only: Callable[[str], bool] | None = None  # which files are read, by name below incoming/; all where not given
    into: Path | None = None  # where months are put; published/ where not given
    book: journal.Book | None = None


@dataclass(frozen=True)
class RunResult:
    """What a finished run says: where the pages are, and the accounts and findings in words."""

    folder: Path
    as_of: dt.date
    rows_in: int
    rows_used: int
    rows_set_aside: int
    findings: tuple[str, ...]


@dataclass(frozen=True)
class Step:
    name: str
    title: str
    call: Callable[[Run], None]


def read_ledger(workspace: Workspace) -> dict[str, dict]:
    """When each file's content was first there, each source's columns last time, and the files of the last run by size and time of change:
    what `--known-by`, drift notes and "is there anything new" go by.

    The only dates of the clock that the program keeps beside its journal; no published figure depends on them unless `--known-by` asks.
    Raises StoreError for a damaged ledger, or one that a newer program wrote.
    """
    path = workspace.state / "ledger.json"
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        version = int(told.get("ledger_version", 0))
        ledger = {"first_seen": dict(told["first_seen"]), "headers": {k: tuple(v) for k, v in told["headers"].items()},
                  "inputs": {k: tuple(v) for k, v in told.get("inputs", {}).items()}}
    except FileNotFoundError:
        return {"first_seen": {}, "headers": {}, "inputs": {}}
    except (ValueError, KeyError, TypeError, AttributeError):
        raise StoreError(f"{path.name} in .lowbeam is damaged. Delete it: files then count as first seen today.") from None
    if version > LEDGER_VERSION:
        raise StoreError(f"{path.name} in .lowbeam was written by a newer lowbeam (its version is {version}, this program knows "
                         f"{LEDGER_VERSION}). Install the newer program.")
    return ledger


def write_ledger(workspace: Workspace, report: Any, inputs: dict[str, tuple[int, int]] | None = None) -> None:
    """Remember the files of a finished run; what was known stays known."""
    ledger = read_ledger(workspace)
    for file in report.files:
        if file.first_seen_on:
            ledger["first_seen"].setdefault(file.sha256, file.first_seen_on.isoformat())
    ledger["headers"] |= report.headers
    if inputs is not None:
        ledger["inputs"] = inputs
    path = workspace.state / "ledger.json"
    scratch = path.with_suffix(".new")
    scratch.write_text(json.dumps({"ledger_version": LEDGER_VERSION, **ledger}, indent=1, sort_keys=True), encoding="utf-8")
    os.chmod(scratch, 0o600)
    os.replace(scratch, path)


def inputs_of(workspace: Workspace) -> dict[str, tuple[int, int]]:
    """Size and time of change (ns) of every file that a run goes by: incoming/ without hidden files, settings.toml, corrections.csv."""
    found = {}
    for path in sorted(workspace.incoming.rglob("*")):
        parts = path.relative_to(workspace.incoming).parts
        if not any(p.startswith((".", "~$")) for p in parts) and path.is_file():
            found["/".join(("incoming", *parts))] = path
    found |= {p.name: p for p in (workspace.settings_file, workspace.corrections_file) if p.is_file()}
    out = {}
    for name, path in found.items():
        with contextlib.suppress(FileNotFoundError):  # taken away meanwhile
            told = path.stat()
            out[name] = (told.st_size, told.st_mtime_ns)
    return out


def news(workspace: Workspace) -> list[tuple[str, str]]:
    """What differs from the files of the last run, as (file, "new" | "changed" | "gone"); empty where nothing does."""
    before, here = read_ledger(workspace)["inputs"], inputs_of(workspace)
    told = [(name, "new" if name not in before else "changed") for name in here if before.get(name) != here[name]]
    return sorted(told + [(name, "gone") for name in before if name not in here])


def refuse_half_written(run: Run) -> None:
    """Raises DataProblem where a file of this run was written to since it was read: it is still being copied."""
    from pipeline.intake.problems import DataProblem

    if run.inputs is None:
        return
    now = inputs_of(run.workspace)
    for name, before in run.inputs.items():
        if name.startswith("incoming/") and name in now and now[name] != before:
            raise DataProblem("was written to while this run was at work: it is still being copied, or was saved again",
                              file=name.removeprefix("incoming/"),
                              remedy="Run again when the copy has finished. Nothing was published, and nothing is lost.")


def read_files(run: Run) -> None:
    """incoming/ becomes typed clean tables, and rows set aside with their reasons."""
    from pipeline.intake.load import load

    ledger = read_ledger(run.workspace)
    run.inputs = inputs_of(run.workspace)
    run.report = load(run.con, run.workspace.incoming, run.settings, run.workspace.key(),
                      corrections=run.workspace.corrections_file, known_by=run.known_by, strict=run.is_strict,
                      first_seen={k: dt.date.fromisoformat(v) for k, v in ledger["first_seen"].items()},
                      today=dt.date.today(), known_headers=ledger["headers"], only=run.only)
    if run.is_strict:
        refuse_half_written(run)


def read_words(run: Run) -> None:
    """Descriptions and complaints become component, side, action, symptom."""
    from pipeline.intake.words import classify_into

    classify_into(run.con, run.settings, run.workspace.root)


def mend_odometers(run: Run) -> None:
    """Odometer readings become km, mended where the mend is plain."""
    from pipeline.intake.readings import mend_into

    mend_into(run.con, run.settings)


def make_lives(run: Run) -> None:
    """Repairs become the lives of parts, as of a day; the tables are checked."""
    from pipeline.intake.problems import DataProblem
    from pipeline.intake.words import vocabulary_of
    from pipeline.lives.build import build_lives, last_day

    last = last_day(run.con)
    if last is None:
        raise DataProblem("No order, repair line or reading with a usable date was found in incoming/.",
                          remedy="Look at what was set aside with: lowbeam check FOLDER")
    run.as_of = run.wanted_as_of or last
    build_lives(run.con, run.settings, run.as_of, vocabulary_of(run.settings, run.workspace.root))
    run_checks(run.con)


def fit_curves(run: Run) -> None:
    """Lives become survival curves, fits and life summaries."""
    from pipeline import results

    results.curves(run.con, run.settings)


def count_early_failures(run: Run) -> None:
    """Replacements that failed again soon, by component, supplier, part number and lot."""
    from pipeline import results_early

    results_early.early(run.con, run.settings, run.as_of)


def rank_suspects(run: Run) -> None:
    """Which part to suspect first: priors, check order, backtest."""
    from pipeline import results

    results.suspicion(run.con, run.settings, run.as_of)


def make_plans(run: Run) -> None:
    """Curves become plans: preventive age, due list, demand, stock."""
    from pipeline import results_plans

    results_plans.plans(run.con, run.settings, run.as_of)


def summarise(run: Run) -> None:
    """Months, comebacks, warranty money, wrong first guesses, mean cumulative repairs."""
    from pipeline import results, results_early

    run.con.execute("create schema if not exists results")
    run_models(run.con, "5_summaries", {
        "as_of": run.as_of,
        "currency": run.settings.units.currency,
        "another_part_days": run.settings.rules.another_part_days,
        "claim_within_days": run.settings.rules.claim_within_days,
    })
    results.summaries(run.con, run.settings)
    results_early.comebacks(run.con, run.settings)


def publish(run: Run) -> None:
    """Tables become pages and files, published whole or not at all."""
    from pipeline.publish.publish import publish_month

    run.result = publish_month(run.con, run.workspace, run.settings, run.as_of, run.known_by, RunResult, into=run.into,
                               before_placing=lambda: finish(run), points_latest=run.wanted_as_of is None and run.known_by is None)


def finish(run: Run) -> None:
    """The last that can fail is done before a month is put in place: files unchanged, store and ledger written."""
    refuse_half_written(run)
    run.con.execute("checkpoint")
    if run.into is None:
        write_ledger(run.workspace, run.report, run.inputs)


STEPS = (
    Step("read_files", "Reading the exports", read_files),
    Step("read_words", "Reading what was written", read_words),
    Step("mend_odometers", "Mending odometer readings", mend_odometers),
    Step("make_lives", "Building the life of every part", make_lives),
    Step("fit_curves", "Fitting survival curves", fit_curves),
    Step("count_early_failures", "Counting early failures", count_early_failures),
    Step("rank_suspects", "Ranking suspects", rank_suspects),
    Step("make_plans", "Planning", make_plans),
    Step("summarise", "Summing up", summarise),
    Step("publish", "Publishing", publish),
)


LOAD_STEPS = STEPS[:4]


@contextlib.contextmanager
def at_work(folder: Path, command: str, as_of: dt.date | None = None, known_by: dt.date | None = None,
            wait_seconds: float = 0.0) -> Iterator[Run]:
    """Everything around the steps of one run: the lock, the journal, private files, trouble in words, and a build that replaces the store
    when the block ends well.

    Raises StoreError or SettingsError, in words, where the run cannot begin.
    """
    workspace = open_workspace(folder)
    with private_files(), trouble_in_words(workspace), locked(workspace, wait_seconds, command):
        with journal.recording(workspace, command, as_of=as_of, known_by=known_by) as book, trouble_in_words(workspace):
            settings = load_settings(workspace.settings_file)
            found = refuse_newer_store(workspace)
            read_ledger(workspace)  # damaged, or a newer program's: said before any work is done
            book.log("store_found", version=found)
            with building(workspace) as con:
                state = Run(workspace, settings, con, wanted_as_of=as_of, known_by=known_by, book=book)
                yield state
                tell(state)


def tell(state: Run) -> None:
    """Put a finished run's day and accounts into its journal."""
    if state.book is None:
        return
    files = state.report.files if state.report else ()
    state.book.facts |= {"as_of": str(state.as_of), "files": len(files), "rows_in": sum(f.rows_in for f in files),
                         "rows_used": sum(f.rows_used for f in files), "rows_set_aside": sum(f.rows_set_aside for f in files)}


def walk(state: Run, steps: tuple[Step, ...], progress: Progress | None = None,
         wrap: Callable[[Step], Callable[[Run], None]] | None = None, first: int = 1, total: int | None = None) -> None:
    """Call steps one after the other, timed in the journal. `first` and `total` number them for `progress`."""
    for number, step in enumerate(steps, first):
        if progress:
            progress(number, total or len(steps), step.title)
        with state.book.stage(step.name) if state.book else contextlib.nullcontext():
            (wrap(step) if wrap else step.call)(state)


def run(folder: Path, as_of: dt.date | None = None, known_by: dt.date | None = None, progress: Progress | None = None,
        wait_seconds: float = 0.0, wrap: Callable[[Step], Callable[[Run], None]] | None = None) -> RunResult:
    """Walk all steps in a workspace. `wrap` lets flows.py turn each step into a task.

    Raises StoreError, SettingsError, DataProblem or CheckFailed, each in words; the last published month stays.
    """
    with at_work(folder, "run", as_of, known_by, wait_seconds) as state:
        walk(state, STEPS, progress, wrap)
    return state.result


@dataclass(frozen=True)
class Loaded:
    """What a load says. files: (file, table, rows in, rows used, rows set aside); reasons: (reason, rows), most first."""

    as_of: dt.date
    news: tuple[tuple[str, str], ...]
    files: tuple[tuple[str, str, int, int, int], ...]
    reasons: tuple[tuple[str, int], ...]


def load(folder: Path, if_new: bool = True, progress: Progress | None = None, wait_seconds: float = 0.0,
         wrap: Callable[[Step], Callable[[Run], None]] | None = None) -> Loaded | None:
    """Read the exports into the store and build the lives, without publishing; None where `if_new` and nothing is new.

    For every day: a fault of an export is found on the day it comes, and `--known-by` knows that day. Raises as run() does.
    """
    workspace = open_workspace(folder)
    found = tuple(news(workspace))
    if if_new and not found and workspace.store_file.exists():
        with contextlib.suppress(OSError):  # a journal never fails a run
            journal.log(workspace, "nothing_new")
        return None
    with at_work(folder, "load", wait_seconds=wait_seconds) as state:
        walk(state, LOAD_STEPS, progress, wrap)
        finish(state)
        state.book.outcome = "loaded"
        reasons = state.con.execute("select reason, count(distinct (file, row)) as n from clean.set_aside where kind = 'row' "
                                    "group by reason order by n desc, reason").fetchall()
    files = tuple((f.file, f.table_name, f.rows_in, f.rows_used, f.rows_set_aside) for f in state.report.files)
    return Loaded(state.as_of, found, files, tuple(reasons))


@dataclass(frozen=True)
class Remade:
    """A past month made again. differing: files whose bytes are not those of the manifest; versions: what was of another version then."""

    folder: Path
    as_of: dt.date
    same: int
    differing: tuple[str, ...]
    versions: tuple[str, ...]


def remake(folder: Path, month: str, to: Path | None = None, progress: Progress | None = None, wait_seconds: float = 0.0) -> Remade:
    """Make a published month again from what its manifest names: the same files, settings, day and state of knowledge.

    month: the name below published/, such as 2025-05-31. to: the folder in which the month is put, remade/ of the workspace where not
    given. The store and published/ stay as they are. Raises StoreError, in words, where a file of then is not there any more.
    """
    from pipeline.publish.publish import beside_inputs, compare, read_manifest
    from pipeline.settings import settings_from_dict
    from pipeline.store import connect

    workspace = open_workspace(folder)
    manifest = read_manifest(workspace.published / month)
    settings = settings_from_dict(manifest["settings"], f"{month}/manifest.json")
    wanted = {i["file"]: i["sha256"] for i in manifest["inputs"]}
    now = beside_inputs(workspace, settings)
    if now != manifest["beside"]:
        names = sorted(n for n in {*now, *manifest["beside"]} if now.get(n) != manifest["beside"].get(n))
        raise StoreError(f"{', '.join(names)}: not as it was when {month} was published. Put the file of then back (or take it away, where "
                         "there was none), then try again.")
    names = frozenset((*wanted, *manifest["inputs_refused"]))
    into = to or workspace.root / "remade"
    scratch = workspace.state / "remaking.duckdb"
    with private_files(), trouble_in_words(workspace), locked(workspace, wait_seconds, "remake"):
        with journal.recording(workspace, "remake", as_of=month) as book:
            scratch.unlink(missing_ok=True)
            con = connect(scratch)
            try:
                state = Run(workspace, settings, con, wanted_as_of=dt.date.fromisoformat(manifest["as_of"]), only=names.__contains__,
                            into=into, book=book)
                walk(state, STEPS[:1], progress, total=len(STEPS))
                _same_files(wanted, state.report, month)
                state.known_by = dt.date.fromisoformat(manifest["known_by"]) if manifest["known_by"] else None
                walk(state, STEPS[1:], progress, first=2, total=len(STEPS))
                tell(state)
                book.outcome = "published"
            finally:
                con.close()
                scratch.unlink(missing_ok=True)
                scratch.with_name(scratch.name + ".wal").unlink(missing_ok=True)
    same, differing, versions = compare(manifest, into / month)
    return Remade(into / month, state.as_of, same, tuple(differing), tuple(versions))


def _same_files(wanted: dict[str, str], report: Any, month: str) -> None:
    """Raises StoreError where a file that a manifest names is gone from incoming/ or holds something else now."""
    there = {f.file: f.sha256 for f in report.files}
    gone = sorted(set(wanted) - set(there))
    other = sorted(f for f in wanted if f in there and there[f] != wanted[f])
    if gone or other:
        told = [f"{what}: {', '.join(names[:5])}" for what, names in (("not there any more", gone), ("changed since", other)) if names]
        raise StoreError(f"{month} cannot be made again: {len(gone) + len(other)} of its {len(wanted)} files are not in incoming/ as they "
                         f"were then ({'; '.join(told)}). Put those files back, then try again.")


def check(folder: Path, progress: Progress | None = None) -> tuple[list[str], bool]:
    """Read everything, publish nothing: the verdict in lines, and whether a run would go through."""
    from pipeline.intake.problems import DataProblem
    from pipeline.intake.verdict import stopping, verdict
    from pipeline.store import connect

    workspace = open_workspace(folder)
    settings = load_settings(workspace.settings_file)
    con = connect(":memory:")
    state = Run(workspace, settings, con, is_strict=False)
    for number, step in enumerate(STEPS[:3], 1):
        if progress:
            progress(number, 3, step.title)
        step.call(state)
    try:
        refuse_half_written(state)
        half_written = ()
    except DataProblem as problem:
        half_written = (problem,)
    stops = stopping(con, state.report, half_written)
    return verdict(con, state.report, settings, stops), not stops


def propose(folder: Path, write: bool) -> list[str]:
    """A mapping proposal for the exports in incoming/, in lines; added to settings.toml where `write`."""
    from pipeline.intake.propose import propose_mapping

    workspace = open_workspace(folder)
    return propose_mapping(workspace, load_settings(workspace.settings_file), write)


def try_next(folder: Path, result: RunResult) -> list[str]:
    """What to type after the demo."""
    return [f"lowbeam check {folder}",
            f"lowbeam suspect {folder} --symptom low-beam-dark --side right --km 148000 --age 9y --lighting discharge",
            "lowbeam new my-workshop"]
