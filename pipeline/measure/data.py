"""Seeded invented rows for benchmarks: lives with late entry, and plain exports of a given number of visits."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

STRATA = 100


def lives(n: int, seed: int = 1) -> pl.DataFrame:
    """n lives in 100 strata, whole days, half of them entered late, about four in ten failed: stratum, entry, exit, failed, ending,
    vehicle (three lives each)."""
    import numpy as np
    import polars as pl

    r = np.random.default_rng(seed)
    stratum = r.integers(0, STRATA, n)
    life = 1 + np.floor(2500 * r.weibull(1.4, n) * (1 + stratum / STRATA))
    entry = np.where(r.random(n) < 0.5, np.floor(r.random(n) * 1500), 0.0)
    late = life <= entry
    life = np.where(late, entry + 1 + np.floor(2000 * r.random(n)), life)
    until = entry + 1 + np.floor(3000 * r.random(n))
    failed = life <= until
    ending = np.where(failed, np.array(["failed", "collision", "planned"])[r.choice(3, n, p=[0.8, 0.1, 0.1])], "in_service")
    return pl.DataFrame({"vehicle": np.arange(n) // 3, "stratum": stratum, "entry": entry, "exit": np.minimum(life, until),
                         "failed": (ending == "failed").astype(np.float64), "ending": ending})


def exports(folder: Path, visits: int, seed: int = 1) -> Path:
    """orders.csv of `visits` rows and repair_lines.csv of a fifth of that, below folder/incoming, in our own columns."""
    import numpy as np
    import polars as pl

    r = np.random.default_rng(seed)
    incoming = folder / "incoming"
    incoming.mkdir(parents=True)
    vehicle = r.integers(0, max(visits // 10, 1), visits)
    day = np.datetime64("2015-01-01") + r.integers(0, 3650, visits).astype("timedelta64[D]")
    names = np.char.add("VH", np.char.zfill(vehicle.astype(str), 7))
    numbers = np.char.add("O", np.char.zfill(np.arange(visits).astype(str), 8))
    said = np.array(["n/s headlight out", "service", "o/s dip beam dim", "brakes", "flickering left headlamp"])
    pl.DataFrame({"vehicle_id": names, "order_id": numbers, "opened_on": day.astype(str), "odometer": r.integers(0, 200_000, visits),
                  "odometer_unit": "km", "complaint": said[r.integers(0, 5, visits)],
                  "fault_code": np.where(r.random(visits) < 0.2, "F210", "")}).write_csv(incoming / "orders.csv")
    lit = np.sort(r.choice(visits, visits // 5, replace=False))
    done = np.array(["o/s/f headlamp bulb replaced", "renew n/s ballast", "headlamp unit lh fitted", "brake pads front", "oil service"])
    pl.DataFrame({"vehicle_id": names[lit], "order_id": numbers[lit], "line_number": 1, "opened_on": day[lit].astype(str),
                  "description": done[r.integers(0, 5, len(lit))], "part_number": np.where(r.random(len(lit)) < 0.5, "A-1", "B-2"),
                  "supplier": np.where(r.random(len(lit)) < 0.5, "Alder", "Birch"), "quantity": 1,
                  "part_cost": 12.5}).write_csv(incoming / "repair_lines.csv")
    return incoming
