"""What must not matter from files to curves: units, row order, how files are cut, files given twice, vehicles' names; and what a vehicle
that never fails may do."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from pipeline import steps, workspaces
from pipeline.settings import load_settings
from pipeline.store import connect, open_workspace, read_table
from pipeline.survival.nonparametric import curve_set

SETTINGS = """
[observation]
coverage = "complete"
[intake]
max_set_aside_share = 1.0
"""
KEYS = ["component", "lighting", "origin"]
MILE = 1.609344


def fleet(vehicles: int = 90, seed: int = 4) -> tuple[list[dict], list[dict]]:
    """Vehicles with a steady pace whose left and right lamps and ballasts are renewed when they fail; odometers with decimals."""
    rng = np.random.default_rng(seed)
    masters, lines = [], []
    for i in range(vehicles):
        start = dt.date(2016, 1, 1) + dt.timedelta(days=int(rng.integers(0, 700)))
        pace = float(rng.uniform(30, 90))
        masters.append({"vehicle_id": f"F{i:03d}", "first_use_date": start.isoformat(), "lighting": "discharge",
                        "in_service_from": start.isoformat(), "in_service_to": "2023-12-31"})
        for part, scale in (("lamp", 900), ("ballast", 3000)):
            for side in ("left", "right"):
                day = 0.0
                while True:
                    day += scale * rng.weibull(1.6)
                    on = start + dt.timedelta(days=int(day))
                    if on >= dt.date(2023, 12, 1):
                        break
                    lines.append({"vehicle_id": f"F{i:03d}", "order_id": f"R{i:03d}-{part}-{side}-{int(day)}", "opened_on": on.isoformat(),
                                  "odometer": round(int(day) * pace, 3), "odometer_unit": "km", "complaint": f"{side} headlamp dead",
                                  "description": f"{part} replaced {side}", "component": part, "side": side, "action": "replaced"})
    return masters, lines


def curves(folder, files: dict[str, list[dict]]) -> pl.DataFrame:
    """The curves of failures on days and km of a workspace that holds these files."""
    workspaces.new(folder)
    (folder / "settings.toml").write_text(SETTINGS)
    for old in (folder / "incoming").rglob("*.csv"):
        old.unlink()
    for name, rows in files.items():
        pl.DataFrame(rows, infer_schema_length=None).write_csv(folder / "incoming" / name)
    workspace = open_workspace(folder)
    run = steps.Run(workspace, load_settings(workspace.settings_file), connect(":memory:"), wanted_as_of=dt.date(2023, 12, 31))
    for step in steps.STEPS[:4]:
        step.call(run)
    lives = read_table(run.con, "select * from lives.lives where in_curve order by life_id")
    made = []
    for clock in ("days", "km"):
        some = lives.filter(pl.col(f"exit_{clock}") > pl.col(f"entry_{clock}"))
        made.append(curve_set(some, KEYS, entry=f"entry_{clock}", exit=f"exit_{clock}", p_failed="p_failed",
                              otherwise="ending_otherwise").with_columns(clock=pl.lit(clock)))
    return pl.concat(made)


@pytest.fixture(scope="module")
def fleet_rows():
    return fleet()


@pytest.fixture(scope="module")
def plain(fleet_rows, tmp_path_factory):
    masters, lines = fleet_rows
    return curves(tmp_path_factory.mktemp("plain") / "w", {"vehicles.csv": masters, "repair_lines.csv": lines})


def same(a: pl.DataFrame, b: pl.DataFrame) -> None:
    names = [*KEYS, "clock", "t", "at_risk", "events", "survival", "low", "high"]
    assert a.height == b.height > 200
    for name in names:
        x, y = a[name], b[name]
        if x.dtype.is_float():
            assert np.allclose(x.to_numpy(), y.to_numpy(), rtol=1e-9, atol=1e-9, equal_nan=True), name
        else:
            assert x.equals(y), name


def test_there_is_something_to_compare(plain):
    assert set(plain["component"]) == {"lamp", "ballast"} and set(plain["clock"]) == {"days", "km"}


def in_miles(masters, lines):
    return {"vehicles.csv": masters, "repair_lines.csv": [x | {"odometer": repr(x["odometer"] / MILE), "odometer_unit": "mi"} for x in lines]}


def shuffled(masters, lines):
    rng = np.random.default_rng(1)
    return {"vehicles.csv": [masters[i] for i in rng.permutation(len(masters))],
            "repair_lines.csv": [lines[i] for i in rng.permutation(len(lines))]}


def cut(masters, lines):
    return {"vehicles.csv": masters, "repair_lines_1.csv": lines[:70], "repair_lines_2.csv": lines[70:71], "repair_lines_3.csv": lines[71:]}


def twice(masters, lines):
    return {"vehicles.csv": masters, "repair_lines.csv": lines, "repair_lines_copy.csv": lines}


def renamed(masters, lines):
    return {"vehicles.csv": [x | {"vehicle_id": "Q" + x["vehicle_id"][::-1]} for x in masters],
            "repair_lines.csv": [x | {"vehicle_id": "Q" + x["vehicle_id"][::-1]} for x in lines]}


@pytest.mark.parametrize("change", [in_miles, shuffled, cut, twice, renamed], ids=lambda f: f.__name__)
def test_what_does_not_matter(change, fleet_rows, plain, tmp_path):
    same(plain, curves(tmp_path / "w", change(*fleet_rows)))


def test_a_vehicle_that_never_fails_lowers_no_curve(fleet_rows, plain, tmp_path):
    masters, lines = fleet_rows
    more = masters + [masters[0] | {"vehicle_id": "G1", "first_use_date": "2016-01-01", "in_service_from": "2016-01-01"}]
    seen = {"vehicle_id": "G1", "order_id": "S1", "opened_on": "2023-12-30", "odometer": 300_000.0, "odometer_unit": "km",
            "complaint": "service", "description": "oil changed"}
    found = curves(tmp_path / "w", {"vehicles.csv": more, "repair_lines.csv": [*lines, seen]})
    both = plain.filter(pl.col("clock") == "days").join(found, on=[*KEYS, "clock", "t"], suffix="_more")
    assert both.height > 100
    assert (both["survival_more"] >= both["survival"] - 1e-12).all()
    assert (both["survival_more"] > both["survival"]).any()
