"""Versions: a newer program builds an older store anew, an older one refuses in words; and a past month is made again to the byte."""

from __future__ import annotations

import datetime as dt
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from pipeline import journal, steps
from pipeline.publish.publish import MANIFEST_VERSION, faults_of, months_of
from pipeline.store import STORE_VERSION, StoreError, Workspace, connect, store_version
from tests import small

ROOT = Path(__file__).parents[1]

pytestmark = pytest.mark.in_service  # minutes of work: pytest -m in_service


def lowbeam(*words: str) -> subprocess.CompletedProcess:
    return subprocess.run([sys.executable, "-m", "pipeline.cli", *words], cwd=ROOT, capture_output=True, text=True, timeout=180)


def set_store_version(folder: Path, version: int) -> None:
    con = duckdb.connect(str(folder / "store.duckdb"))
    con.execute("update store_version set version = ?", [version])
    con.close()


class TestTheStore:
    def test_it_carries_its_version_and_its_program(self, workspace):
        import pipeline

        con = connect(workspace / "store.duckdb", read_only=True)
        assert con.execute("select version, program from store_version").fetchall() == [(STORE_VERSION, pipeline.__version__)]
        con.close()

    def test_an_older_store_is_built_anew_by_itself(self, workspace):
        con = duckdb.connect(str(workspace / "store.duckdb"))
        con.execute("drop schema clean cascade")  # a table that this program would miss
        con.execute("update store_version set version = ?", [STORE_VERSION - 1])
        con.close()
        steps.load(workspace, if_new=False)
        assert store_version(Workspace(workspace)) == STORE_VERSION
        con = connect(workspace / "store.duckdb", read_only=True)
        assert con.execute("select count(*) from clean.repair_lines").fetchone()[0] > 10
        con.close()

    def test_a_newer_store_is_refused_in_words_and_kept(self, workspace):
        set_store_version(workspace, STORE_VERSION + 1)
        kept = (workspace / "store.duckdb").read_bytes()
        done = lowbeam("run", str(workspace))
        assert done.returncode == 1
        assert "written by a newer lowbeam" in done.stderr and "Traceback" not in done.stderr
        assert (workspace / "store.duckdb").read_bytes() == kept
        assert faults_of((workspace / "published" / "latest").resolve()) == []
        assert lowbeam("status", str(workspace)).returncode == 1

    def test_a_damaged_store_is_built_anew(self, workspace):
        (workspace / "store.duckdb").write_bytes(b"this is no database" * 1000)
        assert store_version(Workspace(workspace)) is None
        steps.load(workspace, if_new=False)
        assert store_version(Workspace(workspace)) == STORE_VERSION


class TestTheLedger:
    def test_one_of_before_versions_is_read(self, workspace):
        path = workspace / ".lowbeam" / "ledger.json"
        told = json.loads(path.read_text())
        path.write_text(json.dumps({"first_seen": told["first_seen"], "headers": told["headers"]}))
        assert steps.read_ledger(Workspace(workspace))["first_seen"] == told["first_seen"]

    def test_a_newer_one_is_refused_in_words(self, workspace):
        path = workspace / ".lowbeam" / "ledger.json"
        path.write_text(json.dumps(json.loads(path.read_text()) | {"ledger_version": steps.LEDGER_VERSION + 1}))
        with pytest.raises(StoreError, match="newer lowbeam"):
            steps.load(workspace, if_new=False)

    def test_a_damaged_one_says_what_to_do(self, workspace):
        (workspace / ".lowbeam" / "ledger.json").write_text("{")
        with pytest.raises(StoreError, match="Delete it"):
            steps.load(workspace, if_new=False)


def test_a_newer_history_is_refused_in_words(workspace):
    import sqlite3

    con = sqlite3.connect(journal.history_file(Workspace(workspace)))
    con.execute(f"pragma user_version = {journal.HISTORY_VERSION + 1}")
    con.close()
    with pytest.raises(StoreError, match="newer lowbeam"):
        steps.load(workspace, if_new=False)


def bytes_of(month: Path) -> dict[str, bytes]:
    return {p.relative_to(month).as_posix(): p.read_bytes() for p in sorted(month.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def two_months(tmp_path_factory):
    """A workspace whose first month was published, after which a correction of it and the next month's file came, and were published."""
    folder = small.make(tmp_path_factory.mktemp("months") / "shop", until=dt.date(2025, 3, 31))
    first = steps.run(folder)
    # Let the files of the first month have been there for a month.
    path = folder / ".lowbeam" / "ledger.json"
    ledger = json.loads(path.read_text())
    ledger["first_seen"] = dict.fromkeys(ledger["first_seen"], "2025-04-01")
    path.write_text(json.dumps(ledger))
    rows = small.rows_of(8)
    corrected = [(day, line.replace("headlamp bulb", "headlamp ballast")) for day, line in rows if day <= dt.date(2025, 3, 31)]
    small.write_lines(folder / "incoming" / "repair_lines_02.csv", corrected[:6] + [r for r in rows if r[0] > dt.date(2025, 3, 31)])
    kept = bytes_of(first.folder)
    return folder, first, kept, steps.run(folder)


class TestAPastMonth:
    def test_the_next_month_stands_beside_it(self, two_months):
        folder, first, kept, second = two_months
        assert months_of(folder / "published") == [first.folder.name, second.folder.name]
        assert bytes_of(first.folder) == kept
        assert (folder / "published" / "latest").resolve() == second.folder.resolve()

    def test_it_is_made_again_byte_for_byte_from_its_manifest(self, two_months, tmp_path):
        folder, first, kept, second = two_months
        # Settings changed since are not those of the manifest.
        with open(folder / "settings.toml", "a") as file:
            file.write('\n[sources.nothing]\ntable = "costs"\nfiles = ["none*.csv"]\n[sources.nothing.columns]\ncomponent = "part"\n')
        made = steps.remake(folder, first.folder.name, tmp_path / "again")
        assert (made.differing, made.versions) == ((), ())
        assert bytes_of(made.folder) == kept
        assert made.same == len(kept) - 1  # all but the manifest itself, which was compared just now
        assert bytes_of(first.folder) == kept and (folder / "published" / "latest").resolve() == second.folder.resolve()

    def test_what_is_not_there_any_more_is_named(self, two_months, tmp_path):
        folder = Path(shutil.copytree(two_months[0], tmp_path / "shop", symlinks=True))
        month = two_months[1].folder.name
        lines = folder / "incoming" / "repair_lines_01.csv"
        lines.write_text(lines.read_text() + "V001,x,2025-03-01,1,,checked,,\n")
        with pytest.raises(StoreError, match="changed since: repair_lines_01.csv"):
            steps.remake(folder, month)
        (folder / "corrections.csv").write_text("file,row,column,value\n")
        with pytest.raises(StoreError, match="corrections.csv: not as it was"):
            steps.remake(folder, month)
        with pytest.raises(StoreError, match=f"Published are: {month}"):
            steps.remake(folder, "2019-01-31")
        path = folder / "published" / month / "manifest.json"
        path.write_text(json.dumps(json.loads(path.read_text()) | {"manifest_version": MANIFEST_VERSION + 1}))
        with pytest.raises(StoreError, match="newer lowbeam"):
            steps.remake(folder, month)

    def test_known_by_leaves_out_what_came_later(self, two_months, tmp_path):
        """The other way to the same figures: the day and the state of knowledge by hand, the month's own name in the manifest."""
        folder = Path(shutil.copytree(two_months[0], tmp_path / "shop", symlinks=True))
        first, kept = two_months[1], two_months[2]
        os.remove(folder / "settings.toml")
        shutil.copy(two_months[0] / "settings.toml", folder / "settings.toml")
        text = (folder / "settings.toml").read_text()
        (folder / "settings.toml").write_text(text.split("\n[sources.nothing]")[0])
        result = steps.run(folder, as_of=first.as_of, known_by=dt.date(2025, 4, 2))
        made = bytes_of(result.folder)
        assert {n for n in kept if made.get(n) != kept[n]} == {"manifest.json"}
        manifest = json.loads(made["manifest.json"])
        assert manifest["known_by"] == "2025-04-02"
        assert manifest["files"] == json.loads(kept["manifest.json"])["files"]
        assert (folder / "published" / "latest").resolve().name == two_months[3].folder.name  # an asked-for past month is not the latest
