"""The same jobs, as a dozen desks would send them: every kind of source gives the same rows, and says how it was read."""

from __future__ import annotations

import datetime as dt
import gzip
import io
import zipfile
from collections.abc import Callable

import polars as pl
import pytest
import xlsxwriter

from tests.intake.desk import Loaded, load_files

SETTINGS = """
[sources.jobs]
table = "repair_lines"
files = ["jobs*"]
{options}
[sources.jobs.columns]
order_id = "Job"
line_number = "Pos"
vehicle_id = "Vehicle"
opened_on = "Day"
odometer = "Km"
description = "Work"
part_cost = "Cost"
"""
HEADER = ("Job", "Pos", "Vehicle", "Day", "Km", "Work", "Cost")
JOBS = [
    (f"J{i}", "1", f"unit {i % 5}", dt.date(2024, 1 + i % 3, 13 + i), 98_000 + 1_250 * i, f"Glühlampe links „{i}“; ersetzt", 1_234.5 + i)
    for i in range(12)
]


def number(value: float, decimal: str, thousands: str, places: int) -> str:
    plain = f"{value:,.{places}f}"
    return plain.translate(str.maketrans({",": thousands, ".": decimal}))


def text(
    delimiter: str = ",", day: str = "%Y-%m-%d", decimal: str = ".", thousands: str = "", title: str = "", jobs: list | None = None
) -> str:
    import csv

    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
    writer.writerow(HEADER)
    for job, pos, vehicle, on, km, work, cost in JOBS if jobs is None else jobs:
        writer.writerow(
            (job, pos, vehicle, on.strftime(day), number(km, decimal, thousands, 0), work, number(cost, decimal, thousands, 2))
        )
    return title + out.getvalue()


def packed(content: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("export/jobs of spring.csv", content)
    return out.getvalue()


def book() -> bytes:
    """Two sheets, one a quarter of a year each, titles above the header, days as serial numbers without a format."""
    out = io.BytesIO()
    made = xlsxwriter.Workbook(out)
    for name, jobs in (("January", JOBS[:5]), ("Later", JOBS[5:])):
        sheet = made.add_worksheet(name)
        sheet.write(0, 0, f"Workshop list {name}")
        sheet.write(1, 0, "printed on 2 May")
        sheet.write_row(3, 0, HEADER)
        for i, (job, pos, vehicle, on, km, work, cost) in enumerate(jobs, 4):
            sheet.write_row(i, 0, (job, int(pos), vehicle, (on - dt.date(1899, 12, 30)).days, km, work, cost))
    made.close()
    return out.getvalue()


def columns() -> bytes:
    out = io.BytesIO()
    pl.DataFrame(JOBS, schema=list(HEADER), orient="row").write_parquet(out)
    return out.getvalue()


def monthly() -> dict[str, str]:
    months = sorted({j[3].month for j in JOBS})
    return {f"jobs_2024-{m:02d}.csv": text(jobs=[j for j in JOBS if j[3].month == m]) for m in months}


# kind -> (files, options in the settings, what must be said of how it was read)
KINDS: dict[str, tuple[Callable[[], dict[str, str | bytes]], str, tuple[str, ...]]] = {
    "comma": (lambda: {"jobs.csv": text()}, "", ("comma", "utf-8", "header on line 1")),
    "semicolon": (lambda: {"jobs.csv": text(";")}, "", ("semicolon",)),
    "tab": (lambda: {"jobs.tsv": text("\t")}, "", ("tab",)),
    "pipe": (lambda: {"jobs.txt": text("|")}, "", ("pipe",)),
    "byte order mark": (lambda: {"jobs.csv": text().encode("utf-8-sig")}, "", ("with a byte order mark",)),
    "UTF-16": (lambda: {"jobs.csv": text(";").encode("utf-16")}, "", ("utf-16",)),
    "cp1252": (lambda: {"jobs.csv": text(";").encode("cp1252")}, "", ("cp1252",)),
    "decimal comma, thousands point": (
        lambda: {"jobs.csv": text(";", "%d.%m.%Y", ",", ".")},
        "",
        ("date order found out: opened_on dmy", "'.' in odometer taken for a thousands mark", "decimal mark found out: ','"),
    ),
    "thousands comma": (
        lambda: {"jobs.csv": text(";", "%m/%d/%Y", ".", ",")},
        "",
        ("opened_on mdy", "',' in odometer taken for a thousands mark"),
    ),
    "thousands space": (lambda: {"jobs.csv": text(";", "%d/%m/%Y", ",", " ")}, "", ("opened_on dmy", "decimal mark found out: ','")),
    "title rows": (lambda: {"jobs.csv": text(title="Jobs of the spring\r\n\r\n")}, "", ("header on line 3",)),
    "gzip": (lambda: {"jobs.csv.gz": gzip.compress(text().encode(), mtime=0)}, "", ("comma",)),
    "zip": (lambda: {"jobs.zip": packed(text())}, "", ("comma",)),
    "workbook": (lambda: {"jobs.xlsx": book()}, "", ("sheet, header on line 4",)),
    "workbook in a zip": (lambda: {"jobs.zip": _zip_of("spring.xlsx", book())}, "", ("sheet, header on line 4",)),
    "Parquet": (lambda: {"jobs.parquet": columns()}, "", ("Parquet",)),
    "monthly files": (monthly, "", ("comma",)),
}


def _zip_of(name: str, content: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as z:
        z.writestr(name, content)
    return out.getvalue()


def rows_of(made: Loaded) -> list[tuple]:
    return sorted(made.table("repair_lines").drop("line_key", "file", "row").rows())


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> list[tuple]:
    made = load_files(tmp_path_factory.mktemp("plain"), {"jobs.csv": text()}, SETTINGS.format(options=""))
    lines = made.table("repair_lines").sort("order_id")
    wanted = sorted(JOBS)
    assert lines["opened_on"].to_list() == [j[3] for j in wanted] and lines["odometer"].to_list() == [float(j[4]) for j in wanted]
    assert lines["description"].to_list() == [j[5] for j in wanted] and lines["part_cost"].to_list() == [j[6] for j in wanted]
    return rows_of(made)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_source_gives_the_same_rows_and_says_how_it_was_read(tmp_path, plain, kind):
    files, options, said = KINDS[kind]
    made = load_files(tmp_path, files(), SETTINGS.format(options=options))
    assert rows_of(made) == plain
    assert made.accounts() == (12, 12, 0)
    shapes = {f.shape for f in made.report.files}
    assert all(any(s in shape for shape in shapes) for s in said), shapes


def test_a_file_a_month_changes_only_what_is_new(tmp_path):
    files = monthly()
    first = load_files(tmp_path, dict(list(files.items())[:2]), SETTINGS.format(options=""))
    then = load_files(tmp_path, dict(list(files.items())[2:]), SETTINGS.format(options=""))
    before, after = first.table("repair_lines", "line_key"), then.table("repair_lines", "line_key")
    assert after.height == 12 and after.head(before.height).equals(before)


def test_columns_to_fall_back_on_constants_and_defaults_of_a_source(tmp_path):
    """Two desks, one table: each with its own unit, date order, fall-back columns and constants."""
    settings = """
[sources.north]
table = "repair_lines"
files = ["north.csv"]
date_order = "mdy"
odometer_unit = "mi"
[sources.north.columns]
order_id = "ro"
vehicle_id = ["vin", "plate"]
opened_on = ["out", "in"]
odometer = "miles"
description = ["correction", "cause", "concern"]
supplier = { value = "house brand" }
quantity = { value = "1" }

[sources.south]
table = "flat"
files = ["south.csv"]
date_order = "dmy"
decimal = ","
[sources.south.columns]
order_id = "auftrag"
vehicle_id = "fin"
opened_on = "datum"
odometer = "km"
description = "text"
lighting = { value = "discharge" }
drive_side = { value = "left" }
customer_group = { value = "south" }
[sources.south.values.side]
"""
    made = load_files(
        tmp_path,
        {
            "north.csv": "ro,vin,plate,in,out,miles,concern,cause,correction\n"
            "1,V1,P1,01/02/2024,,62137,left dark,bulb blown,left headlamp bulb replaced\n"
            "2,,P2,01/03/2024,01/04/2024,10,right dark,right headlamp bulb blown,\n",
            "south.csv": "auftrag;fin;datum;km;text\nA1;F1;01.02.2024;100.000,0;Brenner links ersetzt\n",
        },
        settings.replace("[sources.south.values.side]\n", ""),
    )
    lines = made.table("repair_lines").sort("order_id")
    assert lines.select("order_id", "opened_on", "odometer", "odometer_unit", "description", "supplier", "quantity").rows() == [
        ("1", dt.date(2024, 1, 2), 62137.0, "mi", "left headlamp bulb replaced", "house brand", 1.0),
        ("2", dt.date(2024, 1, 4), 10.0, "mi", "right headlamp bulb blown", "house brand", 1.0),
        ("A1", dt.date(2024, 2, 1), 100_000.0, None, "Brenner links ersetzt", None, None),
    ]
    assert lines["vehicle"].n_unique() == 3
    (one,) = made.table("vehicles").rows(named=True)
    assert (one["lighting"], one["drive_side"], one["customer_group"]) == ("discharge", "left", "south")
    assert made.accounts() == (3, 3, 0)
