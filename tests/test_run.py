"""A run from exports to pages: on the committed sample what is promised and its accounts, on a small workspace the bytes, and what goes
wrong."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from pipeline import steps, workspaces
from pipeline.intake.problems import DataProblem
from pipeline.publish.publish import put_in_place, recover
from pipeline.settings import load_settings
from pipeline.store import StoreError, Workspace, connect, locked

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("run") / "demo"
    workspaces.demo(folder)
    return folder, steps.run(folder)


def published_bytes(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_it_publishes_every_file_that_is_promised(demo):
    folder = demo[1].folder
    for name in ("index.html", "shop_report.html", "data_quality.html", "priors.json", "priors.schema.json",
                 "priors.parquet", "manifest.json"):
        assert (folder / name).stat().st_size > 500, name
    for name in ("survival_curves", "fits", "life_summary", "early_failures", "priors", "check_order", "lives",
                 "classified_lines", "odometer_mends", "set_aside", "warranty_recovery", "wrong_suspects", "mean_cumulative"):
        assert (folder / "tables" / f"{name}.parquet").exists(), name
        assert (folder / "tables" / f"{name}.csv").exists(), name
    assert (folder.parent / "latest").resolve() == folder.resolve()


def test_every_table_that_a_page_asks_for_is_made(demo):
    """A page that asks for a table by a wrong name would say that there is nothing to tell."""
    made = {p.stem for p in (demo[1].folder / "tables").glob("*.parquet")}
    asked = set()
    for file in (ROOT / "pipeline" / "publish").glob("*.py"):
        asked |= set(re.findall(r'figures\.frame\(tables, "([a-z_]+)"', file.read_text()))
        asked |= set(re.findall(r'tables\.get\("([a-z_]+)"', file.read_text()))
    assert len(asked) > 30 and asked - made - {"bench"} == set()


def test_every_row_is_used_or_set_aside_with_a_reason(demo):
    result = demo[1]
    assert result.rows_in == result.rows_used + result.rows_set_aside
    assert result.rows_set_aside > 20
    files = pl.read_parquet(result.folder / "tables/files.parquet")
    assert (files["rows_in"] == files["rows_used"] + files["rows_set_aside"]).all()
    aside = pl.read_parquet(result.folder / "tables/set_aside.parquet")
    assert aside["reason"].null_count() == 0
    assert aside["file"].null_count() == 0


def test_the_same_inputs_give_the_same_bytes_even_after_a_killed_run(ran, tmp_path):
    """A second workspace from the same inputs and key, whose first run was killed half-way."""
    again = tmp_path / "again"
    shutil.copytree(ran[0] / "incoming", again / "incoming")
    shutil.copy(ran[0] / "settings.toml", again)
    (again / ".lowbeam").mkdir()
    shutil.copy(ran[0] / ".lowbeam" / "key", again / ".lowbeam")
    child = subprocess.Popen([sys.executable, "-m", "pipeline.cli", "run", str(again)], cwd=ROOT,
                             stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
    assert any("Fitting" in line for line in child.stderr)  # reads up to there
    child.kill()
    child.communicate()
    assert not (again / "published" / "latest").exists()
    one, two = published_bytes(ran[1].folder), published_bytes(steps.run(again).folder)
    assert sorted(one) == sorted(two)
    assert [name for name in one if one[name] != two[name]] == []
    assert not [p.name for p in (again / "published").iterdir() if p.name.startswith(".")]


def test_the_manifest_names_inputs_settings_and_checksums(demo):
    import hashlib

    folder = demo[1].folder
    manifest = json.loads((folder / "manifest.json").read_text())
    on_disk = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()} - {"manifest.json"}
    assert set(manifest["files"]) == on_disk
    some = sorted(on_disk)[::17]
    for name in some:
        assert manifest["files"][name]["sha256"] == hashlib.sha256((folder / name).read_bytes()).hexdigest()
    assert manifest["as_of"] == str(demo[1].as_of)
    files = pl.read_parquet(folder / "tables/files.parquet")
    assert {i["file"] for i in manifest["inputs"]} == set(files["file"])
    assert manifest["settings"]["curves"]["confidence"] == 0.95


def test_files_are_for_their_owner_only(demo):
    modes = {oct(p.stat().st_mode & 0o077) for p in demo[1].folder.rglob("*")}
    assert modes == {"0o0"}


def test_an_earlier_as_of_sees_nothing_later(demo):
    import datetime as dt

    workspace = Workspace(demo[0])
    con = connect(":memory:")
    early = steps.Run(workspace, load_settings(workspace.settings_file), con,
                      wanted_as_of=demo[1].as_of - dt.timedelta(days=400))
    for step in steps.STEPS[:4]:
        step.call(early)
    last = con.execute("select max(end_on), max(start_on) from lives.lives").fetchall()[0]
    assert max(last) <= early.as_of < demo[1].as_of


def test_no_identifier_of_a_vehicle_is_published(demo):
    lives = pl.read_parquet(demo[1].folder / "tables/lives.parquet")
    assert lives["vehicle"].str.contains(r"^v[0-9a-f]{10,}$").all()


def before_and_after(folder: Path):
    target = folder / "published" / "latest"
    return published_bytes(target.resolve())


def test_an_unreadable_file_is_one_message_and_the_month_stays(workspace):
    kept = before_and_after(workspace)
    victim = sorted((workspace / "incoming").rglob("*.csv"))[0]
    victim.write_bytes(bytes(range(256)) * 40)
    with pytest.raises(DataProblem) as error:
        steps.run(workspace)
    assert victim.name in str(error.value)
    assert before_and_after(workspace) == kept


def test_a_missing_column_is_one_message_and_the_month_stays(workspace):
    kept = before_and_after(workspace)
    settings = (workspace / "settings.toml").read_text()
    (workspace / "settings.toml").write_text(settings + '\n[sources.lines]\ntable = "repair_lines"\nfiles = ["repair_lines*.csv"]\n'
                                             '[sources.lines.columns]\nvehicle_id = "vehicle_id"\norder_id = "order_id"\n'
                                             'description = "description"\nopened_on = "no such column"\n')
    with pytest.raises(DataProblem) as error:
        steps.run(workspace)
    assert "no such column" in str(error.value) and "opened_on" in str(error.value)
    assert before_and_after(workspace) == kept


def test_an_empty_folder_is_one_message(tmp_path):
    workspaces.new(tmp_path / "empty")
    with pytest.raises(DataProblem) as error:
        steps.run(tmp_path / "empty")
    assert "incoming" in str(error.value)


def test_a_folder_that_is_no_workspace_is_one_message(tmp_path):
    with pytest.raises(StoreError, match="lowbeam new"):
        steps.run(tmp_path / "nothing")
    with pytest.raises(StoreError, match="incoming"):
        steps.run(tmp_path)


def test_a_second_run_at_the_same_time_says_who_is_at_work(workspace):
    kept = before_and_after(workspace)
    with locked(Workspace(workspace)):
        done = subprocess.run([sys.executable, "-m", "pipeline.cli", "run", str(workspace)], cwd=ROOT, capture_output=True,
                              text=True, timeout=120)
    assert done.returncode == 1
    assert "Another run is at work" in done.stderr and "process" in done.stderr
    assert "Traceback" not in done.stderr
    assert before_and_after(workspace) == kept


def test_a_month_moved_aside_by_a_killed_run_comes_back(tmp_path):
    (tmp_path / ".old-2025-06-30").mkdir()
    (tmp_path / ".old-2025-06-30" / "a").write_text("month")
    (tmp_path / ".making-2025-06-30").mkdir()
    recover(tmp_path)
    assert (tmp_path / "2025-06-30" / "a").read_text() == "month"
    assert [p.name for p in tmp_path.iterdir()] == ["2025-06-30"]


def test_a_month_is_exchanged_whole(tmp_path):
    for name in ("made", "2025-06-30"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "a").write_text(name)
    put_in_place(tmp_path / "made", tmp_path / "2025-06-30")
    assert (tmp_path / "2025-06-30" / "a").read_text() == "made"
    assert [p.name for p in tmp_path.iterdir()] == ["2025-06-30"]


def test_the_command_was_wrong(tmp_path):
    done = subprocess.run([sys.executable, "-m", "pipeline.cli", "run", str(tmp_path), "--as-of", "yesterday"], cwd=ROOT,
                          capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert "YYYY-MM-DD" in done.stderr
