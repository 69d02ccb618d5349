"""The way through as one list of steps, each a call into a room below; a plain run walks it.

flows.py wraps the same list for schedules and history. A step reads tables of the build and leaves tables in it; the last one
publishes, whole or not at all.
"""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.settings import Settings, load_settings
from pipeline.store import StoreError, Workspace, building, locked, open_workspace, run_checks, run_models

if TYPE_CHECKING:
    import duckdb

Progress = Callable[[int, int, str], None]


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
    """When each file's content was first there, and each source's columns last time: what `--known-by` and drift notes go by.

    The only dates of the clock that the program keeps; no published figure depends on them unless `--known-by` asks.
    """
    path = workspace.state / "ledger.json"
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        return {"first_seen": dict(told["first_seen"]), "headers": {k: tuple(v) for k, v in told["headers"].items()}}
    except FileNotFoundError:
        return {"first_seen": {}, "headers": {}}
    except (ValueError, KeyError, TypeError, AttributeError):
        raise StoreError(f"{path.name} in .lowbeam is damaged. Delete it: files then count as first seen today.") from None


def write_ledger(workspace: Workspace, report: Any) -> None:
    """Remember the files of a finished run; what was known stays known."""
    ledger = read_ledger(workspace)
    for file in report.files:
        if file.first_seen_on:
            ledger["first_seen"].setdefault(file.sha256, file.first_seen_on.isoformat())
    ledger["headers"] |= report.headers
    path = workspace.state / "ledger.json"
    scratch = path.with_suffix(".new")
    scratch.write_text(json.dumps(ledger, indent=1, sort_keys=True), encoding="utf-8")
    os.chmod(scratch, 0o600)
    os.replace(scratch, path)


def read_files(run: Run) -> None:
    """incoming/ becomes typed clean tables, and rows set aside with their reasons."""
    from pipeline.intake.load import load

    ledger = read_ledger(run.workspace)
    run.report = load(run.con, run.workspace.incoming, run.settings, run.workspace.key(),
                      corrections=run.workspace.corrections_file, known_by=run.known_by, strict=run.is_strict,
                      first_seen={k: dt.date.fromisoformat(v) for k, v in ledger["first_seen"].items()},
                      today=dt.date.today(), known_headers=ledger["headers"])


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
    from pipeline import results

    results.early(run.con, run.settings)


def rank_suspects(run: Run) -> None:
    """Which part to suspect first: priors, check order, backtest."""
    from pipeline import results

    results.suspicion(run.con, run.settings, run.as_of)


def make_plans(run: Run) -> None:
    """Curves become plans: preventive age, due list, demand, stock."""
    from pipeline import results

    results.plans(run.con, run.settings, run.as_of)


def summarise(run: Run) -> None:
    """Months, comebacks, warranty money, wrong first guesses, mean cumulative repairs."""
    from pipeline import results

    run.con.execute("create schema if not exists results")
    run_models(run.con, "5_summaries", {
        "another_part_days": run.settings.rules.another_part_days,
        "claim_within_days": run.settings.rules.claim_within_days,
    })
    results.summaries(run.con, run.settings)


def publish(run: Run) -> None:
    """Tables become pages and files, published whole or not at all."""
    from pipeline.publish.publish import publish_month

    run.result = publish_month(run.con, run.workspace, run.settings, run.as_of, run.known_by, RunResult)


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


def run(folder: Path, as_of: dt.date | None = None, known_by: dt.date | None = None, progress: Progress | None = None,
        wait_seconds: float = 0.0, wrap: Callable[[Step], Callable[[Run], None]] | None = None) -> RunResult:
    """Walk all steps in a workspace. `wrap` lets flows.py turn each step into a task.

    Raises StoreError, SettingsError, DataProblem or CheckFailed, each in words; the last published month stays.
    """
    workspace = open_workspace(folder)
    settings = load_settings(workspace.settings_file)
    with locked(workspace, wait_seconds), building(workspace) as con:
        state = Run(workspace, settings, con, wanted_as_of=as_of, known_by=known_by)
        for number, step in enumerate(STEPS, 1):
            if progress:
                progress(number, len(STEPS), step.title)
            (wrap(step) if wrap else step.call)(state)
        write_ledger(workspace, state.report)
    return state.result


def check(folder: Path, progress: Progress | None = None) -> tuple[list[str], bool]:
    """Read everything, publish nothing: the verdict in lines, and whether a run would go through."""
    from pipeline.intake.verdict import verdict
    from pipeline.store import connect

    workspace = open_workspace(folder)
    settings = load_settings(workspace.settings_file)
    con = connect(":memory:")
    state = Run(workspace, settings, con, is_strict=False)
    for number, step in enumerate(STEPS[:3], 1):
        if progress:
            progress(number, 3, step.title)
        step.call(state)
    lines = verdict(con, state.report, settings)
    return lines, True


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
