"""A run spread over parts gives what one machine gives."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

from pipeline import spread, steps, workspaces
from pipeline.intake.problems import DataProblem
from pipeline.intake.split import part_number, split_exports
from pipeline.lives.strata import stratify
from pipeline.settings import load_settings
from pipeline.store import StoreError, Workspace, connect, read_table
from pipeline.survival.nonparametric import kaplan_meier
from pipeline.survival.weibull import weibull_batch

PARTS = 2


@pytest.fixture(scope="module")
def split(tmp_path_factory):
    """A small invented world, split into two parts, and what the split said."""
    whole = tmp_path_factory.mktemp("spread") / "whole"
    workspaces.world(whole, vehicles=40, seed=11)
    for path in sorted((whole / "incoming" / "desk").iterdir())[12:]:  # a year of the desk's monthly files is enough
        path.unlink()
    out = whole.with_name("split")
    out.mkdir()
    shutil.copy(whole / "settings.toml", out)
    shutil.copytree(whole / ".lowbeam", out / ".lowbeam")
    told = split_exports(whole / "incoming", out / "incoming", load_settings(whole / "settings.toml"), PARTS)
    return whole, out, told


@pytest.fixture(scope="module")
def tables(split):
    """The connection of a run on one machine and that of a spread run, both up to the lives, of the same split folder."""
    _, folder, _ = split
    workspace = Workspace(folder)
    settings = load_settings(workspace.settings_file)
    one = steps.Run(workspace, settings, connect(":memory:"))
    for step in steps.STEPS[:4]:
        step.call(one)
    many = steps.Run(workspace, settings, connect(":memory:"))
    spread.lives_of_parts(many, lambda *_: None)
    return one, many


def test_every_row_lands_in_one_part_or_is_told(split):
    whole, out, told = split
    workspace = Workspace(whole)
    run = steps.Run(workspace, load_settings(workspace.settings_file), connect(":memory:"))
    steps.read_files(run)
    rows_in = {f.file: f.rows_in for f in run.report.files}
    assert told.written and rows_in.keys() == told.written.keys()
    for file, n in told.written.items():
        assert n + sum(1 for f, _, _ in told.set_aside if f == file) == rows_in[file]
    assert {p.name for p in (out / "incoming").glob("part=*")} == {f"part={i}" for i in range(PARTS)}


def test_a_vehicle_has_one_part_however_it_is_written():
    assert part_number("AB  12 cd", 16) == part_number("ab 12 CD", 16)
    shares = [sum(part_number(f"V{i}", 4) == k for i in range(4000)) for k in range(4)]
    assert all(850 < s < 1150 for s in shares)  # 1,000 each; 150 is 5.5 standard deviations


# Every table that later steps read. lives.return_rates is made from the parts' faults by the same SQL model.
TABLES = ("clean.repair_lines", "clean.classified_lines", "clean.orders", "clean.vehicles", "clean.parts", "clean.access", "clean.costs",
          "clean.set_aside", "clean.files", "clean.unread_texts", "clean.odometer", "lives.vehicles", "lives.renewals", "lives.endings",
          "lives.boundaries", "lives.places", "lives.km_points", "lives.return_rates", "lives.lives", "lives.episodes", "lives.episode_parts")


@pytest.mark.parametrize("name", TABLES)
def test_tables_equal_those_of_one_machine(tables, name):
    one, many = tables
    columns = [r[0] for r in one.con.execute(f"select column_name from (describe {name})").fetchall()]
    if name == "clean.odometer":  # whose reading a refused one is can only be told where both vehicles lie in one part
        columns.remove("rule")
    listed = ", ".join(f'"{c}"' for c in columns)
    mine = one.con.execute(f"select {listed} from {name} order by all").fetchall()
    theirs = many.con.execute(f"select {listed} from {name} order by all").fetchall()
    assert len(mine) > 0
    assert mine == theirs


def test_curves_and_fits_from_the_parts_sums_are_those_of_the_lives(tables, split):
    one, _ = tables
    _, folder, _ = split
    keys = ["component", "lighting", "generation", "supplier", "stratum"]
    lives = read_table(one.con, "select * from lives.lives where in_curve and exit_days > entry_days order by life_id").with_columns(
        failed=pl.when(pl.col("ending").is_in(["failed", "wrong_suspect"])).then(pl.col("p_failed").fill_null(1.0)).otherwise(0.0))
    lives = stratify(lives, [])
    mine = pl.read_parquet(folder / "parts" / "curves.parquet").filter(pl.col("clock") == "days")
    whole = kaplan_meier(lives, keys, entry="entry_days", exit="exit_days", event="failed").filter(pl.col("events") > 0)
    both = whole.join(mine, on=[*keys, "t"], suffix="_sums")
    assert both.height > 50
    assert (both["at_risk"] - both["at_risk_sums"]).abs().max() < 1e-9
    # A curve of the lives begins after failures among too few at risk; where it begins with the first failure both are the same.
    begin = whole.group_by(keys).agg(pl.col("t").min().alias("first")).join(mine.group_by(keys).agg(pl.col("t").min().alias("other")), on=keys)
    alike = both.join(begin.filter(pl.col("first") == pl.col("other")), on=keys, how="semi")
    assert alike.height > 50
    assert (alike["survival"] - alike["survival_sums"]).abs().max() < 1e-12

    fits = pl.read_parquet(folder / "parts" / "fits.parquet").filter((pl.col("clock") == "days") & pl.col("shape").is_not_null())
    strata = lives.select(keys).unique().sort(keys).with_row_index("code")
    coded = lives.join(strata, on=keys, how="left", maintain_order="left")
    direct = weibull_batch(*(coded[c].to_numpy() for c in ("entry_days", "exit_days", "failed", "code")), strata.height)
    compared = strata.with_columns(k=pl.Series(direct.shape), s=pl.Series(direct.scale)).join(fits, on=keys)
    assert compared.height == fits.height > 3
    assert (compared["k"] / compared["shape"] - 1).abs().max() < 1e-8
    assert (compared["s"] / compared["scale"] - 1).abs().max() < 1e-8


def test_the_as_of_day_and_the_accounts_are_those_of_the_whole(tables):
    one, many = tables
    assert many.as_of == one.as_of
    assert [(f.file, f.rows_in, f.rows_used, f.rows_set_aside) for f in many.report.files] == \
        [(f.file, f.rows_in, f.rows_used, f.rows_set_aside) for f in one.report.files]


# In a process of its own, as the command does it: Prefect reads its settings once, when it is imported.
ON_A_CLUSTER = """
import hashlib, os, sys
from pathlib import Path
from pipeline import schedules, spread, steps
from pipeline.settings import Cluster, load_settings
from pipeline.store import connect

if __name__ == "__main__":
    workspace = schedules.prepare(Path(sys.argv[1]))
    os.environ["PREFECT_LOGGING_LEVEL"] = "ERROR"
    with schedules.server(workspace):
        from prefect import flow
        from pipeline import flows

        @flow(name="lives of parts", task_runner=flows.cluster_of(Cluster(workers=2)), persist_result=False)
        def lives():
            state = steps.Run(workspace, load_settings(workspace.settings_file), connect(":memory:"))
            spread.lives_of_parts(state, lambda *_: None, flows._submit_all)
            workers = set(flows._submit_all(os.getpid, [(), ()]))
            rows = state.con.execute("select * from lives.lives order by life_id").fetchall()
            return len(rows), hashlib.sha256(repr(rows).encode()).hexdigest(), os.getpid() in workers

        print("made", *lives())
"""


@pytest.mark.in_service
def test_a_dask_cluster_of_two_gives_the_same(split, tables, tmp_path):
    pytest.importorskip("prefect_dask", reason="the extra `cluster` is not installed")
    _, folder, _ = split
    one, _ = tables
    other = tmp_path / "cluster"
    shutil.copytree(folder, other, ignore=shutil.ignore_patterns("parts", "prefect"))
    script = tmp_path / "on_a_cluster.py"
    script.write_text(ON_A_CLUSTER)
    env = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT_")} | {"PYTHONPATH": str(Path(spread.__file__).parents[1])}
    done = subprocess.run([sys.executable, str(script), str(other)], capture_output=True, text=True, env=env, timeout=300, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    rows = one.con.execute("select * from lives.lives order by life_id").fetchall()
    told = next(line for line in done.stdout.splitlines() if line.startswith("made")).split()
    assert told == ["made", str(len(rows)), hashlib.sha256(repr(rows).encode()).hexdigest(), "False"]  # other processes did it


def test_the_parts_leave_hive_partitioned_parquet(tables, split):
    _, folder, _ = split
    one, many = tables
    rows = many.con.execute("select count(*), count(distinct part) from read_parquet(?, hive_partitioning = true)",
                            [str(folder / "parts" / "lives.lives" / "*" / "rows.parquet")]).fetchall()
    assert rows[0] == (one.con.execute("select count(*) from lives.lives").fetchall()[0][0], PARTS)


def _lines(folder, part, vehicle, order):
    place = folder / "incoming" / f"part={part}"
    place.mkdir(parents=True)
    (place / "repair_lines.csv").write_text(
        "vehicle_id,order_id,opened_on,description\n"
        f"{vehicle},{order},2024-03-05,n/s headlamp bulb replaced\n{vehicle}x{part},{order}x,2024-04-05,brake pads\n")


def test_a_vehicle_in_two_parts_is_refused(tmp_path):
    _lines(tmp_path, "0", "AB12", "1")
    _lines(tmp_path, "1", "ab12", "2")
    with pytest.raises(StoreError, match="1 vehicles have rows in more than one part"):
        spread.lives_of_parts(steps.Run(Workspace(tmp_path), load_settings(tmp_path / "settings.toml"), connect(":memory:")),
                              lambda *_: None)


def test_an_unsplit_folder_is_refused_in_words(split):
    whole, _, _ = split
    with pytest.raises(StoreError, match="part= folders"):
        spread.parts_of(Workspace(whole))


def test_a_table_about_vehicles_outside_the_parts_is_refused(tmp_path):
    _lines(tmp_path, "0", "AB12", "1")
    (tmp_path / "incoming" / "odometer.csv").write_text("vehicle_id,reading_date,reading\nAB12,2024-01-01,1000\n")
    with pytest.raises(StoreError, match="odometer.csv .* outside the part= folders"):
        spread.lives_of_parts(steps.Run(Workspace(tmp_path), load_settings(tmp_path / "settings.toml"), connect(":memory:")),
                              lambda *_: None)


def test_parts_are_two_or_more(split, tmp_path):
    whole, _, _ = split
    with pytest.raises(DataProblem, match="1 parts were asked for"):
        split_exports(whole / "incoming", tmp_path, load_settings(whole / "settings.toml"), 1)
