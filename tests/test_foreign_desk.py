"""A foreign desk's export (four CSV files that nobody here made) goes through by a settings file alone.

The data lies outside the repository: LOWBEAM_FOREIGN_EXPORT names its folder. The test is skipped where that is not set.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline import steps

HERE = Path(__file__).parent
DATA = Path(os.environ.get("LOWBEAM_FOREIGN_EXPORT", "unset"))

pytestmark = [pytest.mark.slow, pytest.mark.skipif(not DATA.is_dir(), reason="LOWBEAM_FOREIGN_EXPORT names no folder with the export")]


@pytest.fixture(scope="module")
def month(tmp_path_factory):
    folder = tmp_path_factory.mktemp("foreign") / "desk"
    (folder / "incoming").mkdir(parents=True)
    for file in sorted(DATA.glob("*.csv")):
        shutil.copy(file, folder / "incoming")
    shutil.copy(HERE / "foreign_desk" / "settings.toml", folder)
    return steps.run(folder)


def test_every_row_is_accounted_for(month):
    lines = {file.name: sum(1 for _ in file.open(encoding="utf-8")) - 1 for file in DATA.glob("*.csv")}
    files = pl.read_parquet(month.folder / "tables/files.parquet")
    assert dict(files.select("file", "rows_in").iter_rows()) == lines
    assert month.rows_in == month.rows_used + month.rows_set_aside == sum(lines.values())


def test_its_words_are_read(month):
    words = pl.read_parquet(month.folder / "tables/classified_lines.parquet")
    replaced = words.filter((pl.col("action") == "replaced") & pl.col("component").is_not_null())
    # Four of five suppliers of the catalogue sell headlamp parts, in six kinds, and every kind is replaced.
    assert set(replaced["component"]) == {"lamp", "igniter", "ballast", "headlamp_assembly", "wiring", "control_module"}
    sided = replaced.filter(pl.col("component") != "control_module")
    assert sided["side"].is_in(["left", "right", "both"]).mean() > 0.97


def test_one_supplier_has_one_name(month):
    lives = pl.read_parquet(month.folder / "tables/lives.parquet")
    assert set(lives["supplier"]) == {"original", "unknown", "Supplier A", "Supplier B", "Supplier C", "Supplier D"}


def test_wrong_first_suspects_come_back_within_days(month):
    lives = pl.read_parquet(month.folder / "tables/lives.parquet")
    wrong = lives.filter(pl.col("ending") == "wrong_suspect")
    assert wrong.height > 100
    rates = pl.read_parquet(month.folder / "tables/return_rates.parquet")
    # Where the desk itself writes that the fault is back, chance explains next to nothing.
    assert rates.filter(pl.col("is_comeback"))["share_wrong"].min() > 0.9


def test_the_priors_are_calibrated_on_later_months(month):
    scores = pl.read_parquet(month.folder / "tables/backtest.parquet")
    log_score = dict(scores.select("method", "log_score").iter_rows())
    assert log_score["model"] < min(log_score["overall"], log_score["by_km"])
