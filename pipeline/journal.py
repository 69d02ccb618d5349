"""What happened, for whoever looks after the machine: a history of runs, and a log of events as JSON lines.

Both live in .lowbeam/ and survive every rebuild of the store. History: history.sqlite, tables `runs` and `stages`, one row a run and one a
stage, written as it happens, so that a killed run is seen to have begun. Log: log/<year>-<month>.jsonl, one JSON object a line.
Neither holds anything from the exports but counts and names of files: a message that may quote a cell is never written here.
Times are UTC and are told to people only; nothing published depends on them.

Keeping the journal never fails a run: where it cannot be written (a full disk), the run goes on and says so once on stderr.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import sqlite3
import sys
import time
import traceback
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pipeline
from pipeline.store import StoreError, Workspace, holder_of

HISTORY_VERSION = 1
_SCHEMA = """
create table if not exists runs (
    id integer primary key, command text not null, started_at text not null, ended_at text, outcome text not null, reason text,
    as_of text, known_by text, rows_in integer, rows_used integer, rows_set_aside integer, files integer,
    seconds real, peak_mb real, program text not null, pid integer not null);
create table if not exists stages (
    run_id integer not null references runs (id), number integer not null, name text not null, seconds real not null,
    primary key (run_id, number));
"""
OUTCOMES = {
    "running": "at work", "published": "published", "loaded": "loaded", "nothing_new": "nothing new", "refused": "refused",
    "fault": "fault of the program", "stopped": "stopped by hand", "killed": "killed",
}


def history_file(workspace: Workspace) -> Path:
    return workspace.state / "history.sqlite"


def now() -> str:
    return f"{dt.datetime.now(dt.UTC):%Y-%m-%dT%H:%M:%SZ}"


@dataclass
class Book:
    """The journal of one run while it is at work. `outcome` and the counts are set by the run before it ends."""

    workspace: Workspace
    run_id: int = 0
    outcome: str = "published"
    facts: dict[str, Any] = field(default_factory=dict)
    _stage: int = 0
    _is_silent: bool = False

    @contextlib.contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Time one stage. A stage that fails is in the log, not among the timings."""
        self._stage += 1
        number, began = self._stage, time.perf_counter()
        yield
        seconds = round(time.perf_counter() - began, 3)
        with self.trying():
            self._write("insert or replace into stages values (?, ?, ?, ?)", (self.run_id, number, name, seconds))
            self.log("stage_ended", stage=name, seconds=seconds)

    def log(self, event: str, level: str = "info", **facts: Any) -> None:
        """Add a line to the log."""
        with self.trying():
            log(self.workspace, event, level, run=self.run_id, **facts)

    @contextlib.contextmanager
    def trying(self) -> Iterator[None]:
        try:
            yield
        except (OSError, sqlite3.Error) as error:
            if not self._is_silent:
                self._is_silent = True
                sys.stderr.write(f"The history of runs cannot be written ({error}); the run goes on.\n")

    def _write(self, statement: str, values: tuple) -> int:
        with _opened(self.workspace) as con:
            return int(con.execute(statement, values).lastrowid or 0)


@contextlib.contextmanager
def _opened(workspace: Workspace) -> Iterator[sqlite3.Connection]:
    """The history, opened and closed for one transaction, so that `lowbeam status` is never shut out for long."""
    workspace.make_private(workspace.state)
    path = history_file(workspace)
    if not path.exists():
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600))
    con = sqlite3.connect(path, timeout=10.0)
    try:
        version = con.execute("pragma user_version").fetchone()[0]
        if version > HISTORY_VERSION:
            raise StoreError(f"{path.name} in .lowbeam was written by a newer lowbeam (its version is {version}, this program knows "
                             f"{HISTORY_VERSION}). Install the newer program, or move that file away: it holds the history of runs only.")
        if version < HISTORY_VERSION:
            con.executescript(_SCHEMA)
            con.execute(f"pragma user_version = {HISTORY_VERSION}")
        with con:
            yield con
    finally:
        con.close()


class Untold(Exception):
    """A failed run without its words, for records that others may read: `outcome`, and the reason as the journal gives it."""

    def __init__(self, outcome: str, reason: str) -> None:
        self.outcome, self.reason = outcome, reason
        super().__init__(f"{outcome}: {reason}. The words are told by: lowbeam check FOLDER")


@contextlib.contextmanager
def untold() -> Iterator[None]:
    """Turn whatever fails into Untold, and leave neither its message nor its frames behind."""
    found: Untold | None = None
    try:
        yield
    except Untold as error:
        found = Untold(error.outcome, error.reason)
    except Exception as error:
        outcome, reason = _why(error)
        found = Untold(outcome, reason if outcome == "refused" else f"{reason} at {', '.join(_where(error)[-3:])}")
    if found is not None:
        raise found from None


@contextlib.contextmanager
def recording(workspace: Workspace, command: str, **facts: Any) -> Iterator[Book]:
    """Record one run from here on. Call it with the workspace's lock held: runs found unended then were killed."""
    book = Book(workspace, facts={k: str(v) for k, v in facts.items() if v is not None})
    with book.trying():
        for run_id, pid in end_killed(workspace):
            log(workspace, "run_was_killed", "warning", run=run_id, pid=pid)
        book.run_id = book._write(
            "insert into runs (command, started_at, outcome, as_of, known_by, program, pid) values (?, ?, 'running', ?, ?, ?, ?)",
            (command, now(), book.facts.get("as_of"), book.facts.get("known_by"), pipeline.__version__, os.getpid()))
    book.log("run_started", command=command, pid=os.getpid(), program=pipeline.__version__, **book.facts)
    began = time.perf_counter()
    reason = None
    try:
        yield book
    except (KeyboardInterrupt, SystemExit):
        book.outcome = "stopped"
        raise
    except Exception as error:
        book.outcome, reason = _why(error)
        book.log("run_failed", "error", outcome=book.outcome, reason=reason, places=_where(error) if book.outcome == "fault" else None)
        raise
    finally:
        seconds = round(time.perf_counter() - began, 3)
        peak = _peak_mb()
        book.log("run_ended", outcome=book.outcome, seconds=seconds, peak_mb=peak, **book.facts)
        with book.trying():
            book._write(
                "update runs set ended_at = ?, outcome = ?, reason = ?, as_of = coalesce(?, as_of), rows_in = ?, rows_used = ?, "
                "rows_set_aside = ?, files = ?, seconds = ?, peak_mb = ? where id = ?",
                (now(), book.outcome, reason, book.facts.get("as_of"), *(book.facts.get(k) for k in
                 ("rows_in", "rows_used", "rows_set_aside", "files")), seconds, peak, book.run_id))


def _why(error: BaseException) -> tuple[str, str]:
    """(outcome, reason) of a failed run: its kind and place. The message itself may quote a cell and is told to the terminal only."""
    if isinstance(error, Untold):
        return error.outcome, error.reason
    kind = type(error).__name__
    if kind not in ("StoreError", "SettingsError", "DataProblem", "AccountsError", "CheckFailed"):
        return "fault", kind
    place = ""
    if getattr(error, "file", None):
        place = f" in {error.file}" + (f", row {error.row}" if getattr(error, "row", None) is not None else "")
    return "refused", kind + place


def _where(error: BaseException) -> list[str]:
    """The places of a traceback, without what was said or seen there."""
    return [f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in traceback.extract_tb(error.__traceback__)][-8:]


def _peak_mb() -> float | None:
    try:
        import resource
    except ImportError:
        return None
    unit = 1e6 if sys.platform == "darwin" else 1e3
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit, 1)


def log(workspace: Workspace, event: str, level: str = "info", **facts: Any) -> None:
    """Add a line to this month's log. One write a line, so that a kill leaves whole lines."""
    folder = workspace.state / "log"
    workspace.make_private(folder)
    line = json.dumps({"at": now(), "level": level, "event": event, **{k: v for k, v in facts.items() if v is not None}}, default=str)
    descriptor = os.open(folder / f"{dt.datetime.now(dt.UTC):%Y-%m}.jsonl", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        os.write(descriptor, line.encode("utf-8") + b"\n")
    finally:
        os.close(descriptor)


def end_killed(workspace: Workspace) -> list[tuple[int, int]]:
    """Mark the runs that never ended as killed; (run, pid) of each. Only true while nobody is at work."""
    with _opened(workspace) as con:
        found = con.execute("select id, pid from runs where outcome = 'running'").fetchall()
        con.execute("update runs set outcome = 'killed' where outcome = 'running'")
    return found


def last_runs(workspace: Workspace, limit: int = 10) -> list[dict[str, Any]]:
    """The newest runs first, each with its `stages` as [(name, seconds)]. A run that is not at work any more is called killed."""
    if not history_file(workspace).exists():
        return []
    is_free = holder_of(workspace) is None
    with _opened(workspace) as con:
        con.row_factory = sqlite3.Row
        runs = [dict(r) for r in con.execute("select * from runs order by id desc limit ?", (limit,))]
        for run in runs:
            stages = con.execute("select name, seconds from stages where run_id = ? order by number", (run["id"],))
            run["stages"] = [tuple(r) for r in stages]
            if run["outcome"] == "running" and is_free:
                run["outcome"] = "killed"
    return runs
