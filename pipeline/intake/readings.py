"""Odometer readings of every table, gathered, mended and written to clean.odometer and clean.odometer_mends."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.settings import Settings
from pipeline.store import read_table, write_table

if TYPE_CHECKING:
    import duckdb

# An order's reading is often repeated on its lines: one reading a vehicle, day and value is enough.
_GATHER = """
    with told as (
        select vehicle, reading_on, reading, unit, file, row, 1 as preference from clean.odometer_read
        union all
        select vehicle, opened_on, odometer, odometer_unit, file, row, 2 from clean.orders where odometer is not null
        union all
        select vehicle, opened_on, odometer, odometer_unit, file, row, 3 from clean.repair_lines where odometer is not null
    )
    select t.vehicle, t.reading_on, t.reading, t.unit, v.odometer_unit as vehicle_unit, v.first_use_on, t.file, t.row
    from told t
    left join clean.vehicles v on v.vehicle = t.vehicle
    where t.reading_on is not null
    qualify row_number() over (partition by t.vehicle, t.reading_on, t.reading, t.unit order by t.preference, t.file, t.row) = 1
    order by t.vehicle, t.reading_on, t.file, t.row
"""


def mend_into(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """Make clean.odometer (every distinct reading, with km or null and the rule) and clean.odometer_mends (those changed or refused)."""
    from pipeline.intake.odometer import mend_readings

    con.execute("""
        create or replace table clean.odometer_read as
        select vehicle, reading_on, reading, unit, file, row from clean.odometer""")
    mended = mend_readings(read_table(con, _GATHER), default_unit=settings.units.default_odometer_unit)
    write_table(con, "clean.odometer_told", mended)
    con.execute("""
        create or replace table clean.odometer as
        select vehicle, reading_on, km, reading as raw, coalesce(unit, vehicle_unit) as unit, rule, file, row
        from clean.odometer_told order by vehicle, reading_on, file, row;
        create or replace table clean.odometer_mends as
        select * from clean.odometer where rule not in ('ok', 'missing') order by file, row""")
