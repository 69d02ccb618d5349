"""Killed, out of room, shut out, half copied: the last published month stays whole, the next run goes right, and the message is plain."""

from __future__ import annotations

import datetime as dt
import errno
import gzip
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipeline import journal, steps
from pipeline.intake.problems import DataProblem
from pipeline.publish.publish import faults_of
from pipeline.store import StoreError, Workspace, connect, holder_of, locked
from tests import small

ROOT = Path(__file__).parents[1]

# Runs in a process of its own: reads, builds lives and publishes for real, but takes the text of every page from the month that is there
# instead of fitting and drawing for half a minute. It kills itself, as by kill -9, at the n-th change of the disk that Python sees.
_CHILD = """
import os, signal, sys
from pathlib import Path
folder, last = Path(sys.argv[1]), int(sys.argv[2])
from pipeline import steps
from pipeline.publish import publish
from tests.test_crash import make_from_before
publish._make = make_from_before
count = 0
changes = {"os.rename", "os.mkdir", "os.remove", "os.rmdir", "os.chmod", "os.link", "os.symlink"}
def watch(event, args):
    global count
    if event in changes or event == "open" and isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR):
        if any(isinstance(a, (str, bytes)) and str(folder) in os.fsdecode(a) for a in args):
            count += 1
            if count == last:
                os.kill(os.getpid(), signal.SIGKILL)
sys.addaudithook(watch)
with steps.at_work(folder, "run") as state:
    steps.walk(state, (*steps.STEPS[:4], steps.Step("summarise", "", lambda run: None), steps.STEPS[-1]))
print(count)
"""

pytestmark = pytest.mark.in_service  # minutes of work: pytest -m in_service


def make_from_before(scratch: Path, tables, context, workspace: Workspace, *_) -> None:
    """publish._make, but with the files of the latest month, written one by one as it writes them."""
    from pipeline.publish import files

    month = workspace.published / "latest"
    for path in sorted(p for p in month.rglob("*") if p.is_file()):
        files.write_bytes(scratch / path.relative_to(month), path.read_bytes())
    for path in sorted(scratch.rglob("*")):
        os.chmod(path, 0o700 if path.is_dir() else 0o600)


def child(folder: Path, last: int) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-c", _CHILD, str(folder), str(last)], cwd=ROOT, capture_output=True, text=True, timeout=120)


def published_bytes(folder: Path) -> dict[str, bytes]:
    month = folder / "published" / "latest"
    return {p.relative_to(month).as_posix(): p.read_bytes() for p in sorted(month.rglob("*")) if p.is_file()}


def is_whole(folder: Path) -> bool:
    return faults_of((folder / "published" / "latest").resolve()) == []


def test_killed_at_any_change_of_the_disk_the_month_stays_whole_and_the_next_run_needs_no_hand(workspace):
    kept = published_bytes(workspace)
    done = child(workspace, 0)
    assert done.returncode == 0, done.stderr
    total = int(done.stdout)
    assert total > 100
    assert published_bytes(workspace) == kept
    # At the start, while reading, while writing pages, and around the last moves, where it matters most.
    moments = (total // 3, total - 9, total - 4, total - 2, total - 1, total)
    for last in moments:
        done = child(workspace, last)
        assert done.returncode == -signal.SIGKILL, (last, done.stderr)
        assert is_whole(workspace), last
        assert published_bytes(workspace) == kept, last
    done = child(workspace, 0)
    assert done.returncode == 0, done.stderr
    assert published_bytes(workspace) == kept
    assert not [p.name for p in (workspace / "published").iterdir() if p.name.startswith(".")]
    assert not [p.name for p in workspace.iterdir() if "building" in p.name]
    runs = journal.last_runs(Workspace(workspace), 20)
    assert [r["outcome"] for r in runs] == ["published", *["killed"] * len(moments), "published", "published"]


class TestOutOfRoom:
    """A file system of a megabyte or so, for real where this user may mount one; else a limit on the size of files."""

    def test_a_file_system_without_room_is_one_message(self, workspace, tmp_path):
        tiny = tmp_path / "tiny"
        tiny.mkdir()
        done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=40m", "none", str(tiny)], capture_output=True, text=True)
        if done.returncode:
            pytest.skip("this user may not mount a file system")
        try:
            shop = Path(shutil.copytree(workspace, tiny / "shop", symlinks=True))
            kept = published_bytes(shop)
            room = shutil.disk_usage(tiny).free
            (tiny / "filler").write_bytes(b"x" * max(room - 300_000, 0))
            done = subprocess.run([sys.executable, "-m", "pipeline.cli", "load", str(shop), "--always"], cwd=ROOT, capture_output=True,
                                  text=True, timeout=120)
            assert done.returncode == 1, done.stderr
            assert "no room left" in done.stderr and "untouched" in done.stderr and "Traceback" not in done.stderr
            assert published_bytes(shop) == kept
            (tiny / "filler").unlink()
            done = subprocess.run([sys.executable, "-m", "pipeline.cli", "load", str(shop), "--always"], cwd=ROOT, capture_output=True,
                                  text=True, timeout=120)
            assert done.returncode == 0, done.stderr
        finally:
            subprocess.run(["umount", str(tiny)], check=True)

    @pytest.mark.parametrize("name", ["bench.html", "manifest.json", "lives.parquet"])
    def test_no_room_at_a_write_of_publishing_is_one_message(self, workspace, name, monkeypatch):
        kept = published_bytes(workspace)
        state = published_again(workspace, monkeypatch, fail_at=name)
        assert isinstance(state, StoreError) and "no room left" in str(state)
        assert published_bytes(workspace) == kept
        assert not [p.name for p in (workspace / "published").iterdir() if p.name.startswith(".making")]


def published_again(folder: Path, monkeypatch, fail_at: str | None = None, made_by=None) -> Exception | None:
    """Publish once more the month that is there, with the disk full at one file; the error, or None."""
    from pipeline.publish import files, publish

    real = files.write_bytes

    def write_bytes(path: Path, data: bytes) -> None:
        if path.name == fail_at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
        real(path, data)

    monkeypatch.setattr(files, "write_bytes", write_bytes)
    monkeypatch.setattr(publish, "_make", made_by or make_from_before)
    try:
        with steps.at_work(folder, "run") as state:
            steps.walk(state, (*steps.STEPS[:4], steps.STEPS[-1]))
    except Exception as error:
        return error
    return None


class TestShutOut:
    def test_a_folder_that_may_not_be_written_is_one_message(self, workspace, monkeypatch):
        kept = published_bytes(workspace)
        if os.geteuid() == 0:  # to whom permissions say nothing: have the kernel answer as it would for a read-only mount
            mounted = subprocess.run(["mount", "--bind", "-o", "ro", str(workspace), str(workspace)], capture_output=True)
            if mounted.returncode or os.access(workspace, os.W_OK):
                subprocess.run(["mount", "-o", "remount,ro,bind", str(workspace)], capture_output=True)
            if os.access(workspace, os.W_OK):
                pytest.skip("root may write everywhere, and may not mount here")
            undo = ["umount", str(workspace)]
        else:
            os.chmod(workspace / ".lowbeam", 0o500)
            undo = ["chmod", "700", str(workspace / ".lowbeam")]
        try:
            done = subprocess.run([sys.executable, "-m", "pipeline.cli", "run", str(workspace)], cwd=ROOT, capture_output=True, text=True,
                                  timeout=120)
        finally:
            subprocess.run(undo, check=True)
        assert done.returncode == 1, done.stderr
        assert len(done.stderr.strip().splitlines()) <= 2 and "Traceback" not in done.stderr
        assert "may not be" in done.stderr or "cannot be written" in done.stderr
        assert published_bytes(workspace) == kept

    def test_a_store_that_another_program_writes_to_is_one_message_that_names_it(self, workspace):
        kept = published_bytes(workspace)
        code = f"import duckdb, sys\ncon = duckdb.connect({str(workspace / 'store.duckdb')!r})\nprint('open', flush=True)\nsys.stdin.read()"
        other = subprocess.Popen([sys.executable, "-c", code],
                                 stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        try:
            assert other.stdout.readline().strip() == "open"
            with pytest.raises(StoreError, match=rf"store.duckdb is open in another program \(process {other.pid}\)"):
                steps.load(workspace, if_new=False)
        finally:
            other.communicate()
        assert published_bytes(workspace) == kept
        assert steps.load(workspace, if_new=False) is not None

    def test_a_reader_of_the_store_is_left_its_own_and_disturbs_nobody(self, workspace):
        reader = connect(workspace / "store.duckdb", read_only=True)
        before = reader.execute("select count(*) from lives.lives").fetchone()
        child_ = subprocess.run([sys.executable, "-m", "pipeline.cli", "load", str(workspace), "--always"], cwd=ROOT, capture_output=True,
                                text=True, timeout=120)
        assert child_.returncode == 0, child_.stderr
        assert reader.execute("select count(*) from lives.lives").fetchone() == before
        reader.close()

    def test_of_two_runs_the_second_says_who_holds_it_and_since_when(self, workspace):
        with locked(Workspace(workspace), doing="publish"):
            with pytest.raises(StoreError) as error:
                steps.load(workspace, if_new=False)
            assert holder_of(Workspace(workspace)).pid == os.getpid()
        told = str(error.value)
        assert f"process {os.getpid()}, lowbeam publish, since {dt.datetime.now(dt.UTC):%Y-%m-%d}" in told and "--wait" in told
        assert holder_of(Workspace(workspace)) is None

    def test_or_it_waits_for_the_first(self, workspace):
        holder = subprocess.Popen([sys.executable, "-c", "import sys, time\nfrom pathlib import Path\n"
                                   "from pipeline.store import Workspace, locked\n"
                                   f"with locked(Workspace(Path({str(workspace)!r}))):\n"
                                   "    print('held', flush=True)\n    time.sleep(1.0)"], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        assert holder.stdout.readline().strip() == "held"
        began = time.monotonic()
        with locked(Workspace(workspace), wait_seconds=30):
            assert time.monotonic() - began > 0.4
        holder.communicate()

    def test_a_lock_of_a_killed_run_is_free(self, workspace):
        holder = subprocess.Popen([sys.executable, "-c", "import sys, time\nfrom pathlib import Path\n"
                                   "from pipeline.store import Workspace, locked\n"
                                   f"with locked(Workspace(Path({str(workspace)!r}))):\n"
                                   "    print('held', flush=True)\n    time.sleep(60)"], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        assert holder.stdout.readline().strip() == "held"
        assert holder_of(Workspace(workspace)).pid == holder.pid
        holder.kill()
        holder.communicate()
        with locked(Workspace(workspace)):
            pass


class TestHalfCopied:
    def lines(self, folder: Path) -> Path:
        return folder / "incoming" / "repair_lines_01.csv"

    def test_a_file_that_grows_while_it_is_read_stops_the_run(self, workspace, monkeypatch):
        from pipeline.intake import load as loading

        real = loading.load

        def load_while_copied(*a, **k):
            report = real(*a, **k)
            with open(self.lines(workspace), "a") as file:
                file.write("V001,9-9,2025-06-20,190000,low beam left dark,replaced left headlamp bulb,Amber Supply,P-bulb\n")
            return report

        kept = published_bytes(workspace)
        monkeypatch.setattr(loading, "load", load_while_copied)
        with pytest.raises(DataProblem) as error:
            steps.load(workspace, if_new=False)
        assert "repair_lines_01.csv" in str(error.value) and "still being copied" in str(error.value)
        assert published_bytes(workspace) == kept
        monkeypatch.undo()
        assert steps.load(workspace) is not None  # and nothing is lost: the next one takes the whole file

    def test_a_file_that_grows_while_the_month_is_made_stops_it_before_it_is_in_place(self, workspace, monkeypatch):
        def make_while_copied(*a):
            make_from_before(*a)
            os.utime(self.lines(workspace), ns=(1, 1))

        kept = published_bytes(workspace)
        error = published_again(workspace, monkeypatch, made_by=make_while_copied)
        assert isinstance(error, DataProblem) and "still being copied" in str(error)
        assert published_bytes(workspace) == kept

    def test_a_cut_gzip_is_one_message(self, workspace):
        whole = gzip.compress(self.lines(workspace).read_bytes())
        (workspace / "incoming" / "repair_lines_02.csv.gz").write_bytes(whole[: len(whole) // 2])
        with pytest.raises(DataProblem) as error:
            steps.load(workspace)
        assert "repair_lines_02.csv.gz" in str(error.value) and "What to do" in str(error.value)
        assert is_whole(workspace)

    def test_a_cut_last_line_is_set_aside_and_comes_back_with_the_whole_file(self, workspace):
        whole = self.lines(workspace).read_text()
        rows = whole.count("\n") - 1
        self.lines(workspace).write_text(whole[: whole.rindex(",low beam")])
        loaded = steps.load(workspace)
        told = {f[0]: f[2:] for f in loaded.files}["repair_lines_01.csv"]
        assert told[0] == told[1] + told[2] and told[2] >= 1
        self.lines(workspace).write_text(whole)
        again = {f[0]: f[2:] for f in steps.load(workspace).files}["repair_lines_01.csv"]
        assert again == (rows, rows, 0)

    def test_a_file_under_its_name_for_copying_is_left_until_it_has_its_own(self, workspace):
        (workspace / "incoming" / "repair_lines_02.csv.part").write_text(self.lines(workspace).read_text()[:300])
        assert [f[0] for f in steps.load(workspace).files] == ["repair_lines_01.csv", "vehicles.csv"]


def test_the_ledger_of_a_failed_run_still_calls_its_files_new(workspace):
    assert steps.news(Workspace(workspace)) == []
    small.write_lines(workspace / "incoming" / "repair_lines_02.csv", small.rows_of(2, seed=9))
    assert steps.news(Workspace(workspace)) == [("incoming/repair_lines_02.csv", "new")]
    (workspace / "incoming" / "repair_lines_03.csv").write_bytes(bytes(range(256)) * 40)
    with pytest.raises(DataProblem):
        steps.load(workspace)
    assert ("incoming/repair_lines_02.csv", "new") in steps.news(Workspace(workspace))
    ledger = json.loads((workspace / ".lowbeam" / "ledger.json").read_text())
    assert ledger["ledger_version"] == steps.LEDGER_VERSION


def test_small_makes_what_these_tests_need():
    days = [day for day, _ in small.rows_of(8)]
    assert 15 < len(days) < 60 and max(days) <= small.LAST_DAY
