"""The workbook and the calendar: what the due list says, harmless, the same bytes again, and a calendar as RFC 5545 asks."""

from __future__ import annotations

import datetime as dt
import re

import fastexcel
import polars as pl
import pytest

from pipeline.publish import fleet_figures as ff
from pipeline.publish import fleet_files
from tests.publish.conftest import NASTY
from tests.publish.fleet_tables import make_fleet_tables


@pytest.fixture(scope="module")
def due():
    return ff.due(make_fleet_tables(NASTY))


def unfolded(data: bytes) -> list[str]:
    """Content lines as RFC 5545, section 3.1 says: written here anew, not with the program's own means."""
    text = data.decode("utf-8")
    assert text.endswith("\r\n") and "\n" not in text.replace("\r\n", "")
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    return text.replace("\r\n ", "").split("\r\n")[:-1]


def plain(value: str) -> str:
    return re.sub(r"\\([\\;,nN])", lambda m: "\n" if m.group(1) in "nN" else m.group(1), value)


def events(data: bytes) -> list[dict[str, str]]:
    made, open_event = [], None
    for line in unfolded(data):
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            open_event = {}
        elif line == "END:VEVENT":
            made.append(open_event)
            open_event = None
        elif open_event is not None:
            assert name not in open_event
            open_event[name] = value
    return made


def test_the_calendar_holds_every_vehicle_with_planned_work(due, context):
    data = fleet_files.calendar(due, context, context.words())
    lines = unfolded(data)
    assert lines[:3] == ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//lowbeam//fleet plan//EN"] and lines[-1] == "END:VCALENDAR"
    planned = due.filter(pl.col("due_on").is_not_null())
    made = events(data)
    assert len(made) == planned["vehicle"].n_unique()
    assert len({e["UID"] for e in made}) == len(made)
    first = planned.sort("due_on", "vehicle").row(0, named=True)
    assert made[0]["DTSTART;VALUE=DATE"] == f"{first['due_on']:%Y%m%d}"
    assert made[0]["DTEND;VALUE=DATE"] == f"{first['due_on'] + dt.timedelta(days=1):%Y%m%d}"  # the end is not part of it
    # the stamp is the day of the plan, not of the clock
    assert {e["DTSTAMP"] for e in made} == {f"{context.as_of:%Y%m%d}T000000Z"}
    nasty = [e for e in made if NASTY in plain(e["SUMMARY"])]
    assert len(nasty) == 1 and "law requires come first" in plain(nasty[0]["DESCRIPTION"])


def test_next_months_calendar_moves_an_event_and_does_not_double_it(due, context):
    import dataclasses

    later = dataclasses.replace(context, as_of=context.as_of + dt.timedelta(days=30))
    moved = due.with_columns(pl.col("due_on") + dt.timedelta(days=9))
    one, two = (events(fleet_files.calendar(d, c, c.words())) for d, c in ((due, context), (moved, later)))
    assert {e["UID"] for e in one} == {e["UID"] for e in two}
    # RFC 5545, section 3.8.7.4: a greater number replaces a lesser one
    assert all(int(b["SEQUENCE"]) > int(a["SEQUENCE"]) for a, b in zip(one, two, strict=True))


def test_folding_cuts_no_character():
    # RFC 5545, section 3.1: 75 octets at most without the break; a sequence of UTF-8 stays whole
    for letter in ("a", "ü", "漢", "😀"):
        for n in (1, 37, 73, 74, 75, 76, 300):
            line = "X:" + letter * n
            parts = list(fleet_files.fold(line))
            assert all(len(p.encode()) <= 75 for p in parts)
            assert parts[0] + "".join(p[1:] for p in parts[1:]) == line and all(p[0] == " " for p in parts[1:])


def test_text_is_escaped():
    # RFC 5545, section 3.3.11
    text = "a;b,c\\d\ne\r\nf\rg\x00\x07"
    assert fleet_files.escape(text) == "a\\;b\\,c\\\\d\\ne\\nf\\ng"
    assert plain(fleet_files.escape(text)) == "a;b,c\\d\ne\nf\ng"
    assert fleet_files.escape("BEGIN:VEVENT\nEND:VEVENT").count("\n") == 0  # nobody's text begins an event of its own


def test_the_workbook_says_what_the_due_list_says(due, context, tmp_path):
    path = tmp_path / "due.xlsx"
    path.write_bytes(fleet_files.workbook(due, context, context.words()))
    book = fastexcel.read_excel(path)
    assert len(book.sheet_names) == 3
    work, every = (book.load_sheet(i).to_polars() for i in (0, 1))
    assert work.height == due.filter(pl.col("work") != "leave").height and every.height == due.height
    assert work["Vehicle"].to_list()[0] == fleet_files.vehicle_label(due["unit_number"][0] or due["vehicle"][0])
    dates = work["Next service"].cast(pl.Date).to_list()
    assert dates[0] == due["due_on"][0]
    assert work["Fails by then"].to_list()[:5] == pytest.approx(due["chance_first"].to_list()[:5])
    assert {"Done on", "By", "Odometer"} <= set(work.columns)


def test_the_same_plan_gives_the_same_bytes(due, context):
    w = context.words()
    one, two = (fleet_files.workbook(due, context, w) for _ in range(2))
    assert one == two and b"1980" not in one[:4]
    assert fleet_files.calendar(due, context, w) == fleet_files.calendar(due, context, w)
    import io
    import zipfile

    inside = zipfile.ZipFile(io.BytesIO(one))
    assert {i.date_time for i in inside.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    created = re.search(r"<dcterms:created[^>]*>([^<]*)<", inside.read("docProps/core.xml").decode()).group(1)
    assert created == f"{context.as_of.isoformat()}T00:00:00Z"


def test_no_cell_is_a_formula(context):
    import io
    import zipfile

    tables = make_fleet_tables("")
    evil = tables["due_list"].with_columns(
        unit_number=pl.lit("=1+1"), depot=pl.lit("@SUM(A1)"), reason=pl.lit("+cmd|' /C calc'!A0\x00\x1f")
    )
    data = fleet_files.workbook(ff.due({"due_list": evil}), context, context.words())
    inside = zipfile.ZipFile(io.BytesIO(data))
    sheets = [inside.read(n).decode() for n in inside.namelist() if n.startswith("xl/worksheets/sheet")]
    assert sheets and not any("<f>" in s or "<f " in s for s in sheets)
    strings = inside.read("xl/sharedStrings.xml").decode()
    for text in ("=1+1", "@SUM(A1)", "+cmd"):
        assert f">'{text}" in strings and f">{text}" not in strings


def test_without_work_no_calendar_is_written(context, tmp_path):
    tables = make_fleet_tables("")
    idle = {"due_list": tables["due_list"].with_columns(due_on=pl.lit(None, pl.Date), action=pl.lit("leave"))}
    fleet_files.write(tmp_path, idle, context)
    assert (tmp_path / fleet_files.WORKBOOK).exists() and not (tmp_path / fleet_files.CALENDAR).exists()
    fleet_files.write(tmp_path, tables, context)
    assert (tmp_path / fleet_files.CALENDAR).exists()
    fleet_files.write(tmp_path / "none", {}, context)
    assert not (tmp_path / "none").exists()
