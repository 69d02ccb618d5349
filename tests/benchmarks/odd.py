"""Whole runs of odd workspaces: few columns, few rows, no vehicles, one kind of lighting, nothing ever wrong, everything at once.

    python -m tests.benchmarks.odd --first 0 --count 100

Every workspace is drawn from its number, so a find is made again by `--first NUMBER --count 1`. A run must publish with accounts that add
up, or refuse in words; anything else is a find, and so is a warning of the number libraries.
"""

from __future__ import annotations

import argparse
import collections
import datetime as dt
import random
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

from pipeline import steps, workspaces
from pipeline.intake.problems import DataProblem
from pipeline.settings import SettingsError

_OPTIONAL = ("odometer", "complaint", "supplier", "part_number", "lot", "part_cost", "labour_hours", "labour_cost", "outcome", "planned",
             "fault_code", "quantity", "closed_on", "side", "component", "line_number", "warranty_claim")
_VEHICLE = ("first_use_date", "lighting", "vehicle_class", "drive_side", "customer_group", "unit_number", "in_service_from", "in_service_to",
            "km_per_year")
_PARTS = ("bulb", "xenon bulb", "ballast", "igniter", "headlamp assembly", "led driver", "led module", "wiring", "headlamp fuse",
          "headlamp control module")
_VERBS = {"replaced": "replaced {side} {part}", "returns": "replaced {side} {part}", "planned": "replaced {side} {part} as planned",
          "both": "replaced both {part}s", "diagnosed": "diagnosed {side} {part}", "one_day": "replaced {side} {part}",
          "quotes": "quote for {side} {part}", "no_headlamp": "engine oil and filter", "collision": "replaced {side} {part} after collision"}
_SETTINGS = {
    "observation": ['coverage = "complete"', "grace_days = 200", "assume_original = []"],
    "units": ['distance = "mi"', 'currency = "JPY"', 'drive_side = "left"'],
    "strata": ['vehicle_columns = ["customer_group"]', 'vehicle_columns = ["km_per_year"]'],
    "curves": ["min_failures = 20", "min_failures = 3", "confidence = 0.8"],
}


def build(number: int, folder: Path) -> str:
    """Write the workspace of a number. Returns what it is, in words."""
    r = random.Random(number)
    shutil.rmtree(folder, ignore_errors=True)
    workspaces.new(folder)
    incoming = folder / "incoming"
    vehicles, mode, often = r.choice([1, 1, 2, 3, 8, 30, 80]), r.choice(list(_VERBS)), r.choice([0.15, 0.5, 0.85])
    lightings = r.choice([["halogen"], ["discharge"], ["led"], ["halogen", "discharge", "led"], [""], ["halogen", ""]])
    columns = ["vehicle_id", "order_id", "opened_on", "description", *(c for c in _OPTIONAL if r.random() < often)]
    tables = [t for t in ("vehicles", "parts", "odometer", "access", "costs", "service_plan") if r.random() < 0.5]
    rows = []
    for v in range(vehicles):
        day, km = dt.date(2018, 1, 1) + dt.timedelta(days=r.randrange(2000)), r.randrange(200_000)
        for n in range(r.randrange(r.choice([2, 6, 14]))):
            day, km = day + dt.timedelta(days=r.choice([0, 3, 20, 90, 300])), km + r.randrange(20_000)
            side, part = r.choice(["left", "right"]), r.choice(_PARTS)
            on = dt.date(2024, 5, 5) if mode == "one_day" else day
            row = {
                "vehicle_id": f"V{v}", "order_id": f"{v}-{n}", "opened_on": on, "description": _VERBS[mode].format(side=side, part=part),
                "odometer": r.choice([km, km, km, km * 10, ""]), "complaint": r.choice([f"low beam {side} dark", "flicker left", "water inside headlamp", ""]),
                "supplier": r.choice(["Amber", "Birch", ""]), "part_number": r.choice(["P1", "P2", ""]), "lot": r.choice(["L1", ""]),
                "part_cost": r.choice([0, 12.5, 300]), "labour_hours": r.choice([0, 0.5, 2]), "labour_cost": r.choice([0, 60]),
                "outcome": r.choice(["", "failed", "planned"]), "planned": r.choice(["", "yes", "no"]), "fault_code": r.choice(["", "B1234"]),
                "quantity": r.choice([1, 2, -1]), "closed_on": on + dt.timedelta(days=1), "side": side,
                "component": r.choice(["", "lamp", "ballast", "tail_light"]), "line_number": n, "warranty_claim": r.choice(["", "yes"]),
            }
            rows.append(row)
            if mode == "returns":
                rows.append(row | {"opened_on": on + dt.timedelta(days=4), "order_id": f"{v}-{n}b", "description": f"replaced {side} ballast"})
    _write(incoming / "repair_lines.csv", columns, rows)
    if "vehicles" in tables:
        told = ["vehicle_id", *(c for c in _VEHICLE if r.random() < 0.6)]
        known = []
        for v in range(vehicles):
            first = dt.date(2012, 1, 1) + dt.timedelta(days=r.randrange(2500))
            known.append({
                "vehicle_id": f"V{v}", "first_use_date": first, "lighting": r.choice(lightings), "vehicle_class": r.choice(["van", "car", ""]),
                "drive_side": r.choice(["left", "right", ""]), "customer_group": r.choice(["A", "B", ""]), "unit_number": f"U{v}",
                "in_service_from": first + dt.timedelta(days=r.randrange(900)), "in_service_to": r.choice(["", "2026-01-01", "2019-01-01"]),
                "km_per_year": r.choice([0, 20_000])})
        _write(incoming / "vehicles.csv", told, known)
    if "odometer" in tables:
        _write(incoming / "odometer.csv", ["vehicle_id", "reading_date", "reading"],
               [{"vehicle_id": f"V{v}", "reading_date": f"202{y}-0{1 + v % 9}-01", "reading": km + v} for v in range(vehicles) for y, km in ((1, 50_000), (3, 90_000))])
    for table, text in (
        ("parts", "part_number,component,supplier,grade,warranty_months,warranty_km,unit_cost\nP1,lamp,Amber,aftermarket,12,,9.5\n"
                  "P2,ballast,Birch,original_equipment,24,40000,120\n"),
        ("access", "component,check_minutes,opens,opens_minutes\nlamp,5,cover,5\nballast,8,bumper,30\n"),
        ("costs", "customer_group,component,planned_cost,unplanned_cost\nA,lamp,50,200\nB,lamp,50,50\n"),
        ("service_plan", "customer_group,interval_km,interval_days\nA,20000,365\n")):
        if table in tables:
            (incoming / f"{table}.csv").write_text(text)
    settings = {section: r.choice(lines) for section, lines in _SETTINGS.items() if r.random() < 0.35}
    text = (folder / "settings.toml").read_text()
    for section, line in settings.items():
        key = line.split(" = ")[0]
        kept = [x for x in text.splitlines() if not x.startswith(f"{key} =")]
        head = f"[{section}]"
        at = kept.index(head) + 1 if head in kept else len(kept)
        kept[at:at] = [line] if head in kept else [head, line]
        text = "\n".join(kept) + "\n"
    (folder / "settings.toml").write_text(text)
    return f"{mode}, {vehicles} vehicles of {'/'.join(lightings) or 'no'} lighting, columns {', '.join(columns[4:])}; tables {', '.join(tables)}; {settings}"


def _write(path: Path, columns: list[str], rows: list[dict]) -> None:
    path.write_text("\n".join([",".join(columns), *(",".join(str(row[c]) for c in columns) for row in rows)]) + "\n")


def try_one(number: int, folder: Path) -> str:
    """The outcome: published, refused: why, or "! what went wrong"."""
    build(number, folder)
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            made = steps.run(folder)
        except (DataProblem, SettingsError) as error:
            return f"refused: {str(error).splitlines()[0]}"
        except Exception as error:  # noqa: BLE001 - whatever it is, it is a find
            at = traceback.extract_tb(error.__traceback__)
            ours = [f for f in at if "pipeline" in f.filename] or at
            return f"! {type(error).__name__}: {str(error)[:160]} @ {Path(ours[-1].filename).name}:{ours[-1].lineno} {ours[-1].line}"
    return "published" if made.rows_in == made.rows_used + made.rows_set_aside else "! rows lost"


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=100)
    args = parser.parse_args(argv)
    outcomes: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as folder:
        for number in range(args.first, args.first + args.count):
            started = time.monotonic()
            outcome = try_one(number, Path(folder) / "w")
            outcomes[outcome] += 1
            print(f"{number}: {outcome} ({time.monotonic() - started:.1f} s)", file=sys.stderr, flush=True)
            if outcome.startswith("!"):
                print(f"   {build(number, Path(folder) / 'w')}", file=sys.stderr, flush=True)
    for outcome, n in outcomes.most_common():
        print(f"{n:5} {outcome}")
    return int(any(o.startswith("!") for o in outcomes))


if __name__ == "__main__":
    raise SystemExit(main())
