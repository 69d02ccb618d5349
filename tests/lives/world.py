"""Small clean tables, written as rows, for the tests of lives: only the columns that matter need be given."""

from __future__ import annotations

import datetime as dt

import polars as pl

from pipeline.lives.build import build_lives
from pipeline.settings import Settings, parse_settings
from pipeline.store import connect, read_table, write_table

VEHICLES = {
    "vehicle": pl.String, "unit_number": pl.String, "customer_group": pl.String, "first_use_on": pl.Date, "lighting": pl.String,
    "vehicle_class": pl.String, "drive_side": pl.String, "in_service_from": pl.Date, "in_service_to": pl.Date,
    "km_per_year": pl.Float64, "odometer_unit": pl.String, "not_original": pl.String, "duty": pl.String, "file": pl.String,
    "row": pl.Int64,
}
LINES = {
    "line_key": pl.Int64, "file": pl.String, "row": pl.Int64, "vehicle": pl.String, "order_id": pl.String,
    "line_number": pl.String, "opened_on": pl.Date, "closed_on": pl.Date, "odometer": pl.Float64, "odometer_unit": pl.String,
    "complaint": pl.String, "fault_code": pl.String, "description": pl.String, "component": pl.String, "side": pl.String,
    "action": pl.String, "part_number": pl.String, "supplier": pl.String, "lot": pl.String, "quantity": pl.Float64,
    "part_cost": pl.Float64, "labour_hours": pl.Float64, "labour_cost": pl.Float64, "outcome": pl.String,
    "planned": pl.Boolean, "warranty_claim": pl.Boolean,
}
WORDS = {
    "line_key": pl.Int64, "component": pl.String, "side": pl.String, "beam": pl.String, "action": pl.String,
    "symptom": pl.String, "complaint_side": pl.String, "removal_reason": pl.String, "flags": pl.String, "pair": pl.Boolean,
    "comeback": pl.Boolean, "renews": pl.String, "light_source_category": pl.String, "rule": pl.String, "words": pl.String, "complaint_reason": pl.String,
}
PARTS = {
    "part_number": pl.String, "part_name": pl.String, "component": pl.String, "supplier": pl.String, "grade": pl.String,
    "light_source_category": pl.String, "renews": pl.String, "warranty_months": pl.Int64, "warranty_km": pl.Float64,
    "unit_cost": pl.Float64, "file": pl.String, "row": pl.Int64,
}
ORDERS = {
    "order_id": pl.String, "vehicle": pl.String, "opened_on": pl.Date, "closed_on": pl.Date, "odometer": pl.Float64,
    "odometer_unit": pl.String, "complaint": pl.String, "fault_code": pl.String, "file": pl.String, "row": pl.Int64,
}
ODOMETER = {
    "vehicle": pl.String, "reading_on": pl.Date, "km": pl.Float64, "raw": pl.Float64, "unit": pl.String, "rule": pl.String,
    "file": pl.String, "row": pl.Int64,
}

# Tables that only some exports have, and texts that could not be read.
OTHERS = {
    "access": {"component": pl.String, "check_minutes": pl.Float64}, "costs": {"customer_group": pl.String, "unplanned_cost": pl.Float64},
    "service_plan": {"next_service_on": pl.Date, "interval_days": pl.Float64, "interval_km": pl.Float64},
    "unread_texts": {"text": pl.String, "lines": pl.Int64, "missing": pl.String},
}

FIRST_USE = dt.date(2015, 1, 1)
AS_OF = dt.date(2024, 12, 31)
COMPLETE = '[observation]\ncoverage = "complete"\n'


def frame(rows: list[dict], schema: dict) -> pl.DataFrame:
    return pl.DataFrame([{name: row.get(name) for name in schema} for row in rows], schema=schema)


def vehicle(name: str = "v1", **more) -> dict:
    return {"vehicle": name, "first_use_on": FIRST_USE, "lighting": "discharge", "in_service_from": FIRST_USE} | more


def line(key: int, on: dt.date, component: str | None = "lamp", side: str = "left", **more) -> dict:
    """A replacement line with its words already read."""
    return {
        "line_key": key, "file": "lines.csv", "row": key + 1, "vehicle": "v1", "order_id": f"o{on:%Y%m%d}", "opened_on": on,
        "component": component, "side": side, "action": "replaced", "quantity": 1.0, "complaint_side": side,
        "symptom": "low_beam_dark", "rule": "test", "pair": False, "comeback": False,
    } | more


def build(vehicles: list[dict], lines: list[dict], *, parts: list[dict] = (), settings: str | Settings = COMPLETE,
          as_of: dt.date = AS_OF, km_per_day: float = 50.0, visits: list[tuple[str, dt.date]] = (),
          others: dict[str, list[dict]] | None = None):
    """Build lives from rows; every vehicle drives km_per_day from its first use. Returns the open connection."""
    con = connect(":memory:")
    con.execute("create schema clean; create schema results")
    if isinstance(settings, str):
        settings = parse_settings(settings)
    words = [row for row in lines]
    plain = [row | {"component": None, "side": None, "action": None} for row in lines]
    write_table(con, "clean.vehicles", frame(vehicles, VEHICLES))
    write_table(con, "clean.repair_lines", frame(plain, LINES))
    write_table(con, "clean.classified_lines", frame(words, WORDS))
    write_table(con, "clean.parts", frame(list(parts), PARTS))
    write_table(con, "clean.orders", frame(
        [{"order_id": f"x{i}", "vehicle": v, "opened_on": d} for i, (v, d) in enumerate(visits)], ORDERS))
    readings = []
    for v in vehicles:
        start = v.get("first_use_on") or v.get("in_service_from") or FIRST_USE
        last = v.get("in_service_to") or as_of
        readings += [{"vehicle": v["vehicle"], "reading_on": start + dt.timedelta(days=d), "km": d * km_per_day}
                     for d in range(0, max((last - start).days, 1), 100)]
    write_table(con, "clean.odometer", frame(readings if not visits else [], ODOMETER))
    for name, schema in OTHERS.items():
        write_table(con, f"clean.{name}", frame((others or {}).get(name, []), schema))
    build_lives(con, settings, as_of)
    return con


def lives(con, where: str = "true"):
    return read_table(con, f"select * from lives.lives where {where} order by component, side, generation")
