"""A workspace so small that a whole run takes seconds: one table of repair lines and one of vehicles, drawn from a seed."""

from __future__ import annotations

import datetime as dt
import random
from pathlib import Path

from pipeline import workspaces

HEADER = "vehicle_id,order_id,opened_on,odometer,complaint,description,supplier,part_number"
LAST_DAY = dt.date(2025, 6, 20)


def rows_of(vehicles: int, seed: int = 1) -> list[tuple[dt.date, str]]:
    """(day, line) of every repair line, by vehicle and day."""
    draw = random.Random(seed)
    rows = []
    for v in range(vehicles):
        day, km = dt.date(2024, 1, 1) + dt.timedelta(days=draw.randrange(60)), 20_000 + draw.randrange(100_000)
        for n in range(draw.randrange(2, 6)):
            day, km = day + dt.timedelta(days=draw.randrange(60, 200)), km + draw.randrange(2_000, 9_000)
            if day > LAST_DAY:
                break
            part, side = draw.choice(["bulb", "bulb", "ballast", "wiring"]), draw.choice(["left", "right"])
            bought = draw.choice(["Amber Supply", "Birch Parts"])
            rows.append((day, f"V{v:03},{v}-{n},{day},{km},low beam {side} dark,replaced {side} headlamp {part},{bought},P-{part}"))
            if draw.random() < 0.2:
                again = day + dt.timedelta(days=5)
                rows.append((again, f"V{v:03},{v}-{n}b,{again},{km + 90},{side} low beam dark again,replaced {side} headlamp ballast,"
                                    f"{bought},P-ballast"))
    return rows


def write_lines(path: Path, rows: list[tuple[dt.date, str]]) -> None:
    path.write_text("\n".join([HEADER, *(line for _, line in rows)]) + "\n")


def make(folder: Path, vehicles: int = 8, seed: int = 1, until: dt.date = LAST_DAY) -> Path:
    """A workspace ready to run, with repair lines up to a day."""
    workspaces.new(folder)
    write_lines(folder / "incoming" / "repair_lines_01.csv", [r for r in rows_of(vehicles, seed) if r[0] <= until])
    told = ["vehicle_id,first_use_date,lighting", *(f"V{v:03},2016-0{1 + v % 9}-11,discharge" for v in range(vehicles))]
    (folder / "incoming" / "vehicles.csv").write_text("\n".join(told) + "\n")
    return folder
