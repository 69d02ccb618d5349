"""What happens is seen: the history, the log, and what `lowbeam status` says of them."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import journal, status, steps
from pipeline.intake.problems import DataProblem
from pipeline.store import Workspace, locked

ROOT = Path(__file__).parents[1]


def log_of(folder: Path) -> list[dict]:
    return [json.loads(line) for path in sorted((folder / ".lowbeam" / "log").glob("*.jsonl")) for line in path.read_text().splitlines()]


def test_a_run_leaves_its_accounts_and_timings(ran):
    folder, result = ran
    run = journal.last_runs(Workspace(folder), 50)[-1]
    assert (run["command"], run["outcome"], run["as_of"]) == ("run", "published", str(result.as_of))
    assert (run["rows_in"], run["rows_used"], run["rows_set_aside"]) == (result.rows_in, result.rows_used, result.rows_set_aside)
    assert [name for name, _ in run["stages"]] == [s.name for s in steps.STEPS]
    assert 0 < sum(seconds for _, seconds in run["stages"]) <= run["seconds"] and run["peak_mb"] > 50
    events = [e for e in log_of(folder) if e.get("run") == run["id"]]
    assert [e["event"] for e in events] == ["run_started", "store_found", *["stage_ended"] * len(steps.STEPS), "run_ended"]
    assert all({"at", "level", "event"} <= set(e) for e in events)


def test_the_history_survives_a_rebuild_of_the_store(workspace):
    before = len(journal.last_runs(Workspace(workspace), 50))
    (workspace / "store.duckdb").unlink()
    steps.load(workspace)
    runs = journal.last_runs(Workspace(workspace), 50)
    assert len(runs) == before + 1 and runs[0]["outcome"] == "loaded"


def test_status_of_a_good_workspace(workspace):
    told = status.status(workspace)
    assert told["troubles"] == [] and told["news"] == [] and told["faults"] == [] and told["at_work"] is None
    text = "\n".join(status.in_lines(told))
    assert "whole: every file has the checksum" in text and "publish" in text and "read_files" in text
    done = subprocess.run([sys.executable, "-m", "pipeline.cli", "status", str(workspace), "--json"], cwd=ROOT,
                          capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and json.loads(done.stdout)["months"] == told["months"]


def test_status_changes_nothing(workspace):
    before = {p: p.stat().st_mtime_ns for p in sorted(workspace.rglob("*"))}
    status.status(workspace)
    assert {p: p.stat().st_mtime_ns for p in sorted(workspace.rglob("*"))} == before


def test_it_says_what_is_new_what_is_broken_and_what_failed(workspace):
    (workspace / "incoming" / "repair_lines_02.csv").write_bytes(bytes(range(256)) * 40)
    with pytest.raises(DataProblem):
        steps.load(workspace)
    month = (workspace / "published" / "latest").resolve()
    (month / "index.html").write_text("altered")
    (month / "stray.txt").write_text("not ours")
    os.remove(month / "priors.json")
    told = status.status(workspace)
    assert told["news"] == [{"file": "incoming/repair_lines_02.csv", "is": "new"}]
    assert told["faults"] == ["priors.json is missing", "stray.txt is not named in the manifest", "index.html was altered"]
    assert any("not whole" in t for t in told["troubles"])
    assert any("refused, DataProblem in repair_lines_02.csv" in t for t in told["troubles"])
    done = subprocess.run([sys.executable, "-m", "pipeline.cli", "status", str(workspace)], cwd=ROOT, capture_output=True,
                          text=True, timeout=60)
    assert done.returncode == 1 and "NOT whole" in done.stdout and "To look at" in done.stdout


def test_it_says_who_is_at_work(workspace):
    with locked(Workspace(workspace), doing="publish"):
        assert f"process {os.getpid()}, lowbeam publish" in status.status(workspace)["at_work"]


def test_an_empty_workspace_has_a_status_too(tmp_path):
    from pipeline import workspaces

    workspaces.new(tmp_path / "shop")
    told = status.status(tmp_path / "shop")
    assert told["latest"] is None and told["runs"] == []
    assert "nothing yet" in "\n".join(status.in_lines(told))


def test_a_fault_of_the_program_is_logged_by_place_and_without_its_words(workspace, monkeypatch):
    monkeypatch.setattr(steps, "LOAD_STEPS", (steps.Step("read_files", "", lambda run: int("Jane Example 555-0100")),))
    with pytest.raises(ValueError, match="Jane Example"):
        steps.load(workspace, if_new=False)
    run = journal.last_runs(Workspace(workspace), 1)[0]
    assert (run["outcome"], run["reason"]) == ("fault", "ValueError")
    failed = [e for e in log_of(workspace) if e["event"] == "run_failed"]
    assert "test_status.py" in failed[-1]["places"][-1]
    kept = b"".join(p.read_bytes() for p in (workspace / ".lowbeam").rglob("*") if p.is_file())
    assert b"Jane" not in kept and b"555-0100" not in kept


def test_a_history_that_cannot_be_written_stops_no_run(workspace, capsys, monkeypatch):
    def broken(*_):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(journal, "_opened", broken)
    assert steps.load(workspace, if_new=False) is not None
    assert "the run goes on" in capsys.readouterr().err


def test_exit_codes(workspace, tmp_path):
    def code(*words: str) -> int:
        return subprocess.run([sys.executable, "-m", "pipeline.cli", *words], cwd=ROOT, capture_output=True,
                              text=True, timeout=60).returncode

    assert code("load", str(workspace)) == 0
    assert code("load", str(tmp_path / "nothing")) == 1
    assert code("load") == 2
    assert code("nonsense") == 2
    fault = ("import sys; sys.argv = ['lowbeam', 'load', sys.argv[1]]\nfrom pipeline import cli, steps\n"
             "def broken(*a, **k): raise KeyError('x')\nsteps.load = broken\ncli.main()")
    done = subprocess.run([sys.executable, "-c", fault, str(workspace)], cwd=ROOT, capture_output=True,
                          text=True, timeout=60)
    assert done.returncode == 70 and "Traceback" in done.stderr and "fault of the program" in done.stderr
