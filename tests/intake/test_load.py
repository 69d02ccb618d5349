"""From a folder of exports to clean tables: accounts, doubles, corrections, and each reason with its exact words."""

from __future__ import annotations

import datetime as dt
import shutil
import zipfile
from pathlib import Path

import polars as pl
import pytest

from pipeline.intake import contracts
from pipeline.intake.problems import DataProblem
from pipeline.settings import Settings, parse_settings
from tests.intake.desk import Loaded, load_files, settle

BAD = Path(__file__).parents[1] / "bad_files"
OWN = """
[sources.lines]
table = "repair_lines"
files = ["lines*.csv"]
[sources.lines.columns]
order_id = "order_id"
line_number = "line_number"
vehicle_id = "vehicle_id"
opened_on = "opened_on"
closed_on = "closed_on"
odometer = "odometer"
description = "description"
side = "side"
quantity = "quantity"
"""
HEADER = "order_id,line_number,vehicle_id,opened_on,closed_on,odometer,description,side,quantity\n"


def line(i: int, text: str = "left lamp replaced") -> str:
    return f"A{i},1,unit {i},2024-03-{i:02d},,{10_000 + i},{text},left,1\n"


# reason -> (row, kind, column, value, what, expected, remedy): the exact words
REASONS = {
    "too_few_cells": (
        5,
        "row",
        None,
        "4",
        "the row has 4 cells, the header has 9",
        "9 cells",
        "Put quotes around cells that hold line breaks, and export the row again.",
    ),
    "too_many_cells": (
        5,
        "row",
        None,
        "11",
        "the row has 11 cells, the header has 9",
        "9 cells",
        "Put quotes around cells that hold the delimiter, and export the row again.",
    ),
    "unclosed_quote": (
        5,
        "row",
        None,
        None,
        "a quote is opened and not closed",
        "a closing quote in front of the next delimiter",
        "Close the quote, or double it where it belongs to the text.",
    ),
    "nul_byte": (
        5,
        "row",
        None,
        None,
        "the row holds a NUL byte",
        "text",
        "Export the row again; a NUL byte is a sign of a damaged file.",
    ),
    "field_too_long": (
        5,
        "row",
        None,
        None,
        "a cell has more than 10,000 characters",
        "at most 10,000 characters",
        "Shorten the cell, or raise intake.max_field_chars in settings.toml.",
    ),
    "bad_encoding": (
        5,
        "row",
        None,
        None,
        "the row holds bytes that are no UTF-8 text",
        "UTF-8",
        "Save the file in one encoding (UTF-8 is best), or set 'encoding' for the source.",
    ),
    "repeated_header": (
        6,
        "row",
        None,
        None,
        "the header stands here a second time",
        "a row of data",
        "Nothing to do, unless data rows are missing from the export.",
    ),
    "missing_value": (
        5,
        "row",
        "vehicle_id",
        None,
        "vehicle_id is blank",
        "a value in vehicle_id",
        "Fill it in at the source, or map a second column to fall back on.",
    ),
    "bad_date": (
        5,
        "row",
        "opened_on",
        "2024-02-30",
        "opened_on is not a calendar date",
        "a date such as 2024-03-31",
        "Correct the date, or set date_order for the source.",
    ),
    "date_out_of_range": (
        5,
        "row",
        "opened_on",
        "1900-01-01",
        "opened_on is outside 1950 to 2100",
        "a date from 1950 to 2100",
        "Correct the date; leave it blank where there is none.",
    ),
    "bad_number": (
        5,
        "cell",
        "odometer",
        "abt. 10004",
        "odometer is not a number",
        "a number",
        "Correct the number, or set decimal and thousands for the source.",
    ),
    "out_of_range": (
        5,
        "cell",
        "odometer",
        "-5",
        "odometer is below 0",
        "0 or more",
        "Correct the number at the source.",
    ),
    "unknown_value": (
        5,
        "cell",
        "side",
        "port",
        "side is a word that is not known",
        "one of: left, right, both, none, unknown",
        "Say what it means in settings.toml, under values.side of the source.",
    ),
    "closed_before_opened": (
        5,
        "cell",
        "closed_on",
        "2024-03-01",
        "closed_on is before opened_on",
        "a day on or after opened_on",
        "Correct one of the two dates.",
    ),
    "duplicate_row": (
        11,
        "row",
        None,
        None,
        "the same row was read before",
        "a row once",
        "Nothing to do. If it really happened twice, give the rows different line numbers.",
    ),
    "same_key_twice": (
        3,
        "row",
        "order_id and line_number",
        None,
        "row 11 of the same file has the same order_id and line_number and other contents",
        "one row for each order_id and line_number",
        "Give each its own number, or take the column out of the mapping.",
    ),
}


def load_bad(tmp_path: Path, *names: str, settings: str = OWN, **more: object) -> Loaded:
    tmp_path.mkdir(exist_ok=True)
    for name in names:
        shutil.copy(BAD / f"{name}.csv", tmp_path / f"lines_{name}.csv")
    return Loaded(tmp_path, parse_settings(settings), **more)


@pytest.mark.parametrize("reason", REASONS)
def test_each_reason_says_place_value_expectation_and_remedy(tmp_path, reason):
    made = load_bad(tmp_path, reason)
    row, kind, column, value, what, expected, remedy = REASONS[reason]
    (found,) = made.aside.rows(named=True)
    assert (found["file"], found["row"], found["reason"], found["kind"]) == (f"lines_{reason}.csv", row, reason, kind)
    assert (found["column_name"], found["value"]) == (column, value)
    assert (found["what"], found["expected"], found["remedy"]) == (what, expected, remedy)
    rows_in, used, aside = made.accounts()
    assert aside == (kind == "row") and rows_in in (9, 10)
    assert used == made.table("repair_lines").height
    if kind == "cell":
        blanked = made.table("repair_lines").filter(pl.col("row") == row)
        assert blanked[column].to_list() == [None]


# reasons that take two files, or an archive: (files in tests/bad_files as the desk names them, set-aside place,
# kind, rows, what, expected, remedy)
TOGETHER = {
    "superseded": (
        {"superseded_1.csv": "lines_1.csv", "superseded_2.csv": "lines_2.csv"},
        ("lines_1.csv", 3),
        "row",
        1,
        "a later file holds a corrected version: lines_2.csv, row 2",
        "the newest version",
        "Nothing to do; the corrected row is used.",
    ),
    "duplicate_file": (
        {"duplicate_file_1.csv": "lines_1.csv", "duplicate_file_2.csv": "lines_2.csv"},
        ("lines_2.csv", 2),
        "row",
        9,
        "the whole file was read before as lines_1.csv",
        "a file once",
        "Nothing to do; delete one of the two files if you like.",
    ),
    "order_not_found": (
        {"order_not_found.csv": "repair_lines.csv", "order_not_found_orders.csv": "orders.csv"},
        ("repair_lines.csv", 10),
        "row",
        1,
        "no order with this number gives the vehicle_id and opened_on",
        "an order in the orders table",
        "Export the orders of the same time too, or map vehicle_id and opened_on in this file.",
    ),
    "archive_too_large": (
        {"archive_too_large.zip": "lines.zip", "duplicate_file_1.csv": "lines_1.csv"},
        ("lines.zip!lines.csv", None),
        "file",
        1,
        "unpacks to more than it may (more than 200 times its packed size)",
        "an archive of honest size",
        "Unpack it yourself and look at it, or raise intake.max_unpacked_mb in settings.toml.",
    ),
    "archive_locked": (
        {"archive_locked.zip": "lines.zip", "duplicate_file_1.csv": "lines_1.csv"},
        ("lines.zip!lines.csv", None),
        "file",
        1,
        "is protected by a password",
        "an archive without a password",
        "Unpack it and put the files into incoming/.",
    ),
    "archive_nested": (
        {"archive_nested.zip": "lines.zip", "duplicate_file_1.csv": "lines_1.csv"},
        ("lines.zip!lines.zip", None),
        "file",
        1,
        "is an archive inside an archive",
        "files in one archive",
        "Unpack it and put the files into incoming/.",
    ),
}


@pytest.mark.parametrize("reason", TOGETHER)
def test_reasons_that_take_two_files_or_an_archive(tmp_path, reason):
    files, place, kind, n, what, expected, remedy = TOGETHER[reason]
    for own, theirs in files.items():
        shutil.copy(BAD / own, tmp_path / theirs)
    made = Loaded(tmp_path, Settings() if reason == "order_not_found" else parse_settings(OWN))
    found = made.aside.filter(pl.col("reason") == reason)
    assert found.height == made.aside.height == n
    first = found.row(0, named=True)
    assert ((first["file"], first["row"]), first["kind"]) == (place, kind)
    assert (first["what"], first["expected"], first["remedy"]) == (what, expected, remedy)
    rows_in, used, aside = made.accounts()
    assert aside == (n if kind == "row" else 0) and used == rows_in - aside


def test_every_reason_has_its_bad_file_its_exact_words_and_a_place_in_the_code():
    assert set(REASONS) | set(TOGETHER) == set(contracts.REASONS) and not set(REASONS) & set(TOGETHER)
    there = {p.name for p in BAD.iterdir()}
    assert {f"{r}.csv" for r in REASONS} <= there
    assert {own for files, *_ in TOGETHER.values() for own in files} <= there
    room = Path(contracts.__file__).parent
    code = "".join(p.read_text() for p in room.glob("*.py") if p.name != "contracts.py")
    assert [r for r in contracts.REASONS if f'"{r}"' not in code] == []


def test_a_corrected_export_replaces_its_rows_and_the_old_version_is_kept(tmp_path):
    made = load_bad(tmp_path, "superseded_1", "superseded_2")
    (old,) = made.aside.rows(named=True)
    assert (old["file"], old["row"], old["reason"]) == ("lines_superseded_1.csv", 3, "superseded")
    assert old["what"] == "a later file holds a corrected version: lines_superseded_2.csv, row 2"
    assert "description=left lamp replaced" in old["raw"] and "unit 2" not in old["raw"]
    (new,) = made.table("repair_lines").filter(pl.col("order_id") == "A2").rows(named=True)
    assert (new["file"], new["description"]) == ("lines_superseded_2.csv", "right lamp replaced")
    assert made.accounts() == (15, 14, 1)


def test_later_is_what_was_seen_later_whatever_its_name(tmp_path):
    first = load_bad(tmp_path, "superseded_1", "superseded_2", today=dt.date(2024, 5, 1))
    sha = {f.file: f.sha256 for f in first.report.files}
    seen = {sha["lines_superseded_2.csv"]: dt.date(2024, 4, 1), sha["lines_superseded_1.csv"]: dt.date(2024, 4, 20)}
    again = Loaded(tmp_path, parse_settings(OWN), first_seen=seen)
    (old,) = again.aside.rows(named=True)
    assert (old["file"], old["reason"]) == ("lines_superseded_2.csv", "superseded")
    assert {f.first_seen_on for f in first.report.files} == {dt.date(2024, 5, 1)}
    assert again.table("repair_lines", "line_key")["row"].to_list()[:2] == [2, 3]


def test_a_past_run_sees_only_what_was_there(tmp_path):
    first = load_bad(tmp_path, "superseded_1", "superseded_2")
    sha = {f.file: f.sha256 for f in first.report.files}
    seen = {sha["lines_superseded_1.csv"]: dt.date(2024, 4, 1), sha["lines_superseded_2.csv"]: dt.date(2024, 5, 1)}
    past = Loaded(tmp_path, parse_settings(OWN), first_seen=seen, known_by=dt.date(2024, 4, 30))
    assert [f.file for f in past.report.files] == ["lines_superseded_1.csv"]
    assert [n.place for n in past.report.notes if n.kind == "not_yet_known"] == ["lines_superseded_2.csv"]
    assert past.report.known_by == dt.date(2024, 4, 30)
    with pytest.raises(DataProblem, match="by 2024-01-01"):
        Loaded(tmp_path, parse_settings(OWN), first_seen=seen, known_by=dt.date(2024, 1, 1))


def test_the_same_file_again_changes_nothing(tmp_path):
    one = load_files(tmp_path / "a", {"lines.csv": HEADER + line(1) + line(2)}, OWN)
    import gzip

    content = (HEADER + line(1) + line(2)).encode()
    two = load_files(
        tmp_path / "b",
        {"lines.csv": content, "lines_copy.csv": content, "lines_z.csv.gz": gzip.compress(content, mtime=0)},
        OWN.replace('["lines*.csv"]', '["lines*.csv", "lines*.gz"]'),
    )
    assert two.table("repair_lines").equals(one.table("repair_lines"))
    assert two.accounts() == (6, 2, 4)
    assert set(two.aside["reason"]) == {"duplicate_file"}
    assert two.aside["what"][0] == "the whole file was read before as lines.csv"
    assert two.aside.select("file", "row").rows() == [
        ("lines_copy.csv", 2),
        ("lines_copy.csv", 3),
        ("lines_z.csv.gz", 2),
        ("lines_z.csv.gz", 3),
    ]


def test_a_cumulative_export_counts_each_row_once(tmp_path):
    made = load_files(
        tmp_path,
        {"lines_1.csv": HEADER + line(1) + line(2), "lines_2.csv": HEADER + line(1) + line(2) + line(3)},
        OWN,
    )
    assert made.accounts() == (5, 3, 2)
    assert set(made.aside["reason"]) == {"duplicate_row"}
    assert made.table("repair_lines", "line_key").select("line_key", "file", "row").rows() == [
        (1, "lines_1.csv", 2),
        (2, "lines_1.csv", 3),
        (3, "lines_2.csv", 4),
    ]


def test_lines_take_what_they_lack_from_their_order(tmp_path):
    made = Loaded(
        settle(
            tmp_path,
            {
                n: (BAD / f"{s}.csv").read_bytes()
                for n, s in (("repair_lines.csv", "order_not_found"), ("orders.csv", "order_not_found_orders"))
            },
        ),
        Settings(),
    )
    (lost,) = made.aside.rows(named=True)
    assert (lost["file"], lost["row"], lost["reason"], lost["value"]) == (
        "repair_lines.csv",
        10,
        "order_not_found",
        "B1",
    )
    assert lost["what"] == "no order with this number gives the vehicle_id and opened_on"
    assert lost["expected"] == "an order in the orders table"
    assert lost["remedy"] == "Export the orders of the same time too, or map vehicle_id and opened_on in this file."
    lines = made.table("repair_lines").join(made.table("orders"), on="order_id")
    assert (lines["vehicle"] == lines["vehicle_right"]).all() and (
        lines["opened_on"] == lines["opened_on_right"]
    ).all()
    assert made.accounts() == (17, 16, 1)


def test_one_flat_export_is_enough(tmp_path):
    text = (
        "job,line,plate,first_reg,kind,day,km,concern,work\n"
        "1,1,AB-1,2015-01-01,hid,2024-01-02,1000,no light left,left lamp replaced\n"
        "1,2,AB-1,2015-01-01,hid,2024-01-02,1000,,aimed\n"
        "2,1,AB-2,2016-01-01,led,2024-01-03,2000,,service\n"
    )
    settings = """
[sources.all]
table = "flat"
files = ["export.csv"]
[sources.all.columns]
order_id = "job"
line_number = "line"
vehicle_id = "plate"
first_use_date = "first_reg"
lighting = "kind"
opened_on = "day"
odometer = "km"
complaint = "concern"
description = "work"
depot = { value = "north" }
"""
    made = load_files(tmp_path, {"export.csv": text}, settings)
    assert made.accounts() == (3, 3, 0)
    assert made.table("repair_lines").height == 3
    assert made.table("orders").select("order_id", "opened_on", "odometer", "complaint").rows() == [
        ("1", dt.date(2024, 1, 2), 1000.0, "no light left"),
        ("2", dt.date(2024, 1, 3), 2000.0, None),
    ]
    assert sorted(made.table("vehicles").select("first_use_on", "lighting", "depot").rows()) == [
        (dt.date(2015, 1, 1), "discharge", "north"),
        (dt.date(2016, 1, 1), "led", "north"),
    ]
    assert set(made.table("repair_lines")["vehicle"]) == set(made.table("vehicles")["vehicle"])


def test_an_export_without_order_numbers_says_so_and_then_works(tmp_path):
    text = "unit,day,work\n1,2024-01-02,left lamp\n1,2024-01-02,right lamp\n2,2024-01-02,igniter\n"
    settings = '[sources.l]\ntable="repair_lines"\nfiles=["l.csv"]\n[sources.l.columns]\n'
    settings += 'vehicle_id="unit"\nopened_on="day"\ndescription="work"\n'
    with pytest.raises(DataProblem) as error:
        load_files(tmp_path, {"l.csv": text}, settings)
    assert str(error.value) == (
        "l.csv: no column gives order_id, which the table repair_lines needs. Columns there: 'unit', 'day', 'work'\n"
        '  What to do: Write order_id = "their name" in [sources.l.columns] of settings.toml, or rename the column. '
        'An export without order numbers: write order_id = { value = "" }, and each vehicle\'s day counts as one order.'
    )
    made = load_files(tmp_path, {"l.csv": text}, settings + 'order_id = { value = "" }\n')
    assert made.table("repair_lines")["order_id"].n_unique() == 2
    assert made.accounts() == (3, 3, 0)


def test_a_missing_column_names_what_is_there(tmp_path):
    with pytest.raises(DataProblem) as error:
        load_bad(tmp_path, "missing_column")
    assert str(error.value) == (
        "lines_missing_column.csv: no column gives vehicle_id, which the table repair_lines needs. Columns there: "
        "'order_id', "
        "'line_number', 'fleet thing', 'opened_on', 'closed_on', 'odometer', 'description', 'side', 'quantity'\n"
        '  What to do: Write vehicle_id = "their name" in [sources.lines.columns] of settings.toml, or rename the '
        'column. '
        'Or add the orders (table = "orders"), which give it by order_id.'
    )
    with pytest.raises(DataProblem, match=r"the column 'vehicle', mapped to vehicle_id, is not there"):
        load_bad(tmp_path, "bad_date", settings=OWN.replace('vehicle_id = "vehicle_id"', 'vehicle_id = "vehicle"'))


def test_an_optional_column_that_is_gone_is_noted_with_the_nearest_name(tmp_path):
    made = load_files(tmp_path, {"lines.csv": HEADER.replace("odometer", "odometr") + line(1)}, OWN)
    (note,) = [n for n in made.report.notes if n.kind == "column_gone"]
    assert (
        note.text
        == "has no column 'odometer', which is mapped to odometer; odometer stays blank (did the export rename it "
           "to 'odometr'?)"
    )


def test_columns_that_came_went_or_were_renamed_are_reported(tmp_path):
    files = {
        "lines_1.csv": HEADER + line(1),
        "lines_2.csv": HEADER.replace("quantity", "quantities").replace("side", "bay no") + line(2),
    }
    made = load_files(tmp_path, files, OWN, known_headers={"lines": ["order_id", "old thing"]})
    first, second = [n for n in made.report.notes if n.kind == "columns_changed"]
    assert "gone: 'old thing'" in first.text and "last time" in first.text
    assert second.text == (
        "columns differ from lines_1.csv: 'quantity' seems renamed to 'quantities'; gone: 'side'; new: 'bay no'"
    )
    assert made.report.headers["lines"][-1] == "quantities"


def test_dates_that_nothing_decides_are_asked_for(tmp_path):
    with pytest.raises(DataProblem) as error:
        load_bad(tmp_path, "ambiguous_dates")
    assert str(error.value) == (
        "no date of opened_on in source 'lines' tells whether the day or the month comes first (for example "
        "01/04/2024)\n"
        '  What to do: Write date_order = "dmy" or date_order = "mdy" (or "ymd") in [sources.lines] of settings.toml.'
    )
    made = load_bad(tmp_path, "ambiguous_dates", settings=OWN.replace("files =", 'date_order = "dmy"\nfiles ='))
    assert made.table("repair_lines")["opened_on"].to_list()[4] == dt.date(2024, 4, 5)


def test_a_decimal_mark_that_nothing_decides_is_asked_for(tmp_path):
    own = (
        OWN.split("line_number")[0]
        + 'vehicle_id="vehicle_id"\nopened_on="opened_on"\ndescription="description"\npart_cost="part_cost"\n'
    )
    with pytest.raises(DataProblem) as error:
        load_bad(tmp_path, "ambiguous_decimal", settings=own)
    assert str(error.value) == (
        "no number in source 'lines' tells whether '1,250' in part_cost has a decimal or a thousands mark\n"
        '  What to do: Write decimal = "." or decimal = "," in [sources.lines] of settings.toml.'
    )
    made = load_bad(tmp_path, "ambiguous_decimal", settings=own.replace("files =", 'decimal = "."\nfiles ='))
    assert made.table("repair_lines")["part_cost"].to_list()[0] == 1250.0


def test_too_much_set_aside_stops_the_run_with_the_commonest_reasons(tmp_path):
    files = {"lines.csv": HEADER + line(1) + line(2).replace("2024-03-02", "soon") + line(3)}
    with pytest.raises(DataProblem) as error:
        load_files(tmp_path, files, OWN)
    assert str(error.value) == (
        "lines.csv: 1 of 3 rows cannot be used, more than 20% of the file:\n"
        "  1 rows, the first is row 3: opened_on is not a calendar date ('soon')\n"
        "  What to do: Correct the date, or set date_order for the source. To go on all the same, raise "
        "intake.max_set_aside_share in settings.toml."
    )
    made = load_files(tmp_path, files, OWN, strict=False)
    assert [p.file for p in made.report.problems] == ["lines.csv"]
    assert load_files(tmp_path, files, OWN + "[intake]\nmax_set_aside_share = 0.5\n").accounts() == (3, 2, 1)


def test_an_empty_folder_and_a_folder_of_strange_files(tmp_path):
    with pytest.raises(DataProblem, match="incoming/"):
        load_files(tmp_path / "a", {})
    with pytest.raises(DataProblem, match="letter.pdf: is no table that can be read"):
        load_files(tmp_path / "b", {"letter.pdf": "x"})
    with pytest.raises(DataProblem, match="No repair lines were found in incoming/"):
        load_files(tmp_path / "c", {"vehicles.csv": "vehicle_id\n1\n"})


def test_corrections_put_right_what_they_expect_and_complain_when_stale(tmp_path):
    (tmp_path / "w").mkdir()
    (tmp_path / "corrections.csv").write_text(
        "file,row,column,expected,new,why,by\nlines.csv,3,odometer,10002,12002,slip,me\nlines.csv,2,side,right,left,slip,me\n"
        "gone.csv,2,side,right,left,slip,me\n"
    )
    made = load_files(
        tmp_path / "w", {"lines.csv": HEADER + line(1) + line(2)}, OWN, corrections=tmp_path / "corrections.csv"
    )
    assert made.table("repair_lines")["odometer"].to_list() == [10_001.0, 12_002.0]
    assert made.report.corrections_applied == 1
    assert [n.text for n in made.report.notes if n.kind == "stale_correction"] == [
        "was not applied to lines.csv, row 2, side: the cell no longer holds what it expects",
        "was not applied to gone.csv, row 2, side: there is no such file",
    ]
    (tmp_path / "corrections.csv").write_text("place,what\n1,2\n")
    with pytest.raises(DataProblem, match="file, row, column, expected, new, why, by"):
        load_files(tmp_path / "w", {}, OWN, corrections=tmp_path / "corrections.csv")


def test_sources_complement_each_other_on_vehicles(tmp_path):
    settings = (
        OWN
        + """
[sources.register]
table = "vehicles"
files = ["register.csv"]
[sources.register.columns]
vehicle_id = "id"
first_use_date = "first"
[sources.lights]
table = "vehicles"
files = ["lights.csv"]
[sources.lights.columns]
vehicle_id = "id"
lighting = "light"
[sources.lights.values.lighting]
"X-TYPE" = "discharge"
"""
    )
    made = load_files(
        tmp_path,
        {
            "lines.csv": HEADER + line(1),
            "register.csv": "id,first,name\nUNIT  1,2020-01-01,Smith\n",
            "lights.csv": "id,light\nunit 1,x-type\n",
        },
        settings,
    )
    (one,) = made.table("vehicles").rows(named=True)
    assert (one["first_use_on"], one["lighting"], one["vehicle"]) == (
        dt.date(2020, 1, 1),
        "discharge",
        made.table("repair_lines")["vehicle"][0],
    )
    assert made.accounts() == (3, 3, 0)


def test_suppliers_and_part_numbers_have_one_spelling(tmp_path):
    files = {
        "repair_lines.csv": "order_id,vehicle_id,opened_on,description,part_number,supplier\n"
        "1,a,2024-01-01,lamp,h1 100,NORTH LIGHT\n2,b,2024-01-02,lamp,H1-100,North Light\n3,c,2024-01-02,lamp,x.1,\n",
        "parts.csv": "part_number,supplier\nH1-100,north light\n",
    }
    made = load_files(tmp_path, files)
    assert made.table("repair_lines")["part_number"].to_list() == ["H1-100", "H1-100", "X1"]
    assert (
        set(made.table("repair_lines")["supplier"].drop_nulls())
        == set(made.table("parts")["supplier"])
        == {"North Light"}
    )


def test_hostile_cells_are_only_text(tmp_path):
    made = load_bad(tmp_path, "hostile")
    lines = made.table("repair_lines")
    assert (
        "=1+1 lamp" in lines["description"].to_list()
        and "<script>alert(1)</script> lamp" in lines["description"].to_list()
    )
    assert '=HYPERLINK("x")' in lines["order_id"].to_list()
    (row,) = made.aside.rows(named=True)
    assert (row["row"], row["reason"], row["value"]) == (6, "bad_date", "<script>alert(1)</script>")
    assert made.table("orders").height == 0


def test_sql_in_column_names_is_only_text(tmp_path):
    evil = 'x"; drop table clean.files; --'
    settings = OWN.replace('description = "description"', 'description = "x\\"; drop table clean.files; --"')
    header = HEADER.replace("description", '"x""; drop table clean.files; --"')
    made = load_files(tmp_path, {"lines.csv": header + line(1)}, settings)
    assert made.table("repair_lines")["description"].to_list() == ["left lamp replaced"]
    assert evil in made.report.files[0].columns
    with pytest.raises(DataProblem, match="no plain name"):
        load_files(
            tmp_path,
            {"v.csv": "a\n1\n"},
            '[sources.v]\ntable="vehicles"\nfiles=["v.csv"]\n[sources.v.columns]\nvehicle_id="a"\n"b; drop"="a"\n',
        )


def test_a_bomb_beside_good_files_appears_among_the_set_aside(tmp_path):
    with zipfile.ZipFile(tmp_path / "lines_bomb.zip", "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("../lines.csv", HEADER.encode() + b"A,1,u,2024-01-01,,1,x,left,1\n" * 1_500_000)
    made = load_files(tmp_path, {"lines.csv": HEADER + line(1)}, OWN)
    (row,) = made.aside.rows(named=True)
    assert (row["file"], row["reason"], row["kind"], row["row"]) == (
        "lines_bomb.zip!../lines.csv",
        "archive_too_large",
        "file",
        None,
    )
    assert made.accounts() == (1, 1, 0)


def test_sheets_are_chosen_by_their_columns(tmp_path):
    import xlsxwriter

    book = xlsxwriter.Workbook(str(tmp_path / "lines.xlsx"))
    for name, header in (("Notes", ["about", "who"]), ("March", HEADER.strip().split(","))):
        sheet = book.add_worksheet(name)
        sheet.write_row(0, 0, header)
        sheet.write_row(1, 0, line(1).strip().split(","))
    book.close()
    made = Loaded(tmp_path, parse_settings(OWN.replace("lines*.csv", "lines.xlsx")))
    assert [f.file for f in made.report.files] == ["lines.xlsx#March"]
    assert [n.place for n in made.report.notes if n.kind == "not_this_table"] == ["lines.xlsx#Notes"]
    with pytest.raises(DataProblem, match="Sheets there: March, Notes"):
        Loaded(
            tmp_path,
            parse_settings(OWN.replace("lines*.csv", "lines.xlsx").replace("files =", 'sheet = "April"\nfiles =')),
        )


def test_no_identifier_reaches_the_tables(tmp_path):
    files = {
        "lines.csv": HEADER
        + "".join(
            line(i, f"WAB12345678901{i:03d} lamp for Mr Smith; call 0171 234 5678{i}; unit {i} back")
            for i in range(1, 7)
        )
        + "A7,1,unit 7,soon,,1,x,left,1\n"
    }
    made = load_files(tmp_path, files, OWN)
    everything = " ".join(
        str(v)
        for t in ("repair_lines", "orders", "vehicles", "set_aside", "files")
        for r in made.table(t, "1").rows()
        for v in r
    )
    for secret in ("unit 1", "unit 7", "Smith", "0171", "WAB1234"):
        assert secret not in everything
    assert "[vehicle] back" in everything


def test_line_keys_follow_file_and_row_and_tables_are_whole(tmp_path):
    made = load_files(tmp_path, {"lines_10.csv": HEADER + line(3), "lines_9.csv": HEADER + line(1) + line(2)}, OWN)
    assert made.table("repair_lines", "line_key").select("line_key", "file", "row").rows() == [
        (1, "lines_9.csv", 2),
        (2, "lines_9.csv", 3),
        (3, "lines_10.csv", 2),
    ]
    for table, columns in contracts.TABLES.items():
        if table != "flat":
            assert {c.target for c in columns} <= set(made.table(table, "1").columns), table
    assert made.table("files", "file")["shape"][0] == "CSV, comma, utf-8, header on line 1"


def test_a_later_value_that_decides_otherwise_is_heard_in_a_big_file(tmp_path, monkeypatch):
    from pipeline.intake import load as module
    from pipeline.intake import readers

    real = readers.blocks
    monkeypatch.setattr(readers, "blocks", lambda unit, limit: real(unit, limit, 400))
    text = (
        HEADER
        + "".join(f"A{i},1,unit {i},2024-03-01,,{10_000 + i},lamp,left,1\n" for i in range(60))
        + "A90,1,unit 90,25/03/2024,,5,lamp,left,1\nA91,1,unit 91,03/04/2024,,5,lamp,left,1\n"
    )
    whole = load_files(tmp_path, {"lines.csv": text}, OWN)
    monkeypatch.setattr(module, "_READ_TWICE_UP_TO", 0)
    once = load_files(tmp_path, {"lines.csv": text}, OWN)
    assert once.table("repair_lines").equals(whole.table("repair_lines"))
    assert once.table("repair_lines")["opened_on"].max() == dt.date(2024, 4, 3)
    assert once.accounts() == whole.accounts() == (62, 62, 0)


TWO = (
    OWN
    + """
[sources.other]
table = "repair_lines"
files = ["other*.csv"]
[sources.other.columns]
order_id = "nr"
line_number = "pos"
vehicle_id = "car"
opened_on = "day"
odometer = "km"
description = "work"
side = "bay"
quantity = "n"
"""
)


def test_two_desks_may_use_the_same_numbers_but_a_row_that_both_give_is_one(tmp_path):
    other = "nr;pos;car;day;km;work;bay;n\nA1;1;unit 1;2024-03-01;10001;left lamp replaced;left;1\n"
    other += "A2;1;unit 99;2024-03-02;5;igniter replaced;right;1\n"
    made = load_files(tmp_path, {"lines.csv": HEADER + line(1) + line(2), "other.csv": other}, TWO)
    assert made.aside.select("file", "row", "reason").rows() == [("other.csv", 2, "duplicate_row")]
    assert sorted(made.table("repair_lines")["order_id"]) == ["A1", "A2", "A2"]
    assert made.accounts() == (4, 3, 1)


def test_a_file_named_by_two_sources_of_one_table_is_refused(tmp_path):
    with pytest.raises(
        DataProblem, match=r"named by two sources of the table repair_lines: \[sources.lines\] and \[sources.other\]"
    ):
        load_files(tmp_path, {"lines.csv": HEADER + line(1)}, TWO.replace('"other*.csv"', '"*.csv"'))


def test_a_line_whose_own_date_is_bad_says_so_though_orders_might_have_given_it(tmp_path):
    orders = "order_id,vehicle_id,opened_on\n" + "".join(f"B{i},unit {i},2024-03-0{i}\n" for i in range(1, 4))
    lines = (
        HEADER
        + "".join(line(i) for i in range(1, 15))
        + line(15).replace("2024-03-15", "2024-02-30")
        + line(16).replace("2024-03-16", "")
    )
    made = load_files(tmp_path, {"repair_lines.csv": lines, "orders.csv": orders})
    assert made.aside.select("row", "column_name", "reason", "kind", "what").rows() == [
        (16, "opened_on", "bad_date", "row", "opened_on is not a calendar date"),
        (17, "opened_on", "missing_value", "row", "opened_on is blank"),
    ]
    assert made.accounts() == (19, 17, 2)


def test_accounts_that_do_not_add_up_stop_the_run(tmp_path, monkeypatch):
    from pipeline.intake import load as module
    from pipeline.intake.problems import AccountsError

    real = module.batches

    def losing(*arguments):
        for batch in real(*arguments):
            batch.frame = batch.frame.head(batch.frame.height - 1)
            yield batch

    monkeypatch.setattr(module, "batches", losing)
    with pytest.raises(AccountsError, match="3 rows were read, but 2 were used and 0 set aside"):
        load_files(tmp_path, {"lines.csv": HEADER + line(1) + line(2) + line(3)}, OWN)


def test_a_last_date_far_behind_all_others_is_pointed_out(tmp_path):
    rows = (
        "".join(f"A{i},1,unit {i},2024-03-01,,5,lamp,left,1\n" for i in range(1500))
        + "B,1,unit 1,2052-03-01,,5,lamp,left,1\n"
    )
    made = load_files(tmp_path, {"lines.csv": HEADER + rows}, OWN)
    (note,) = [n for n in made.report.notes if n.kind == "far_date"]
    assert note.place == "lines.csv, row 1502" and "2052-03-01" in note.text and "--as-of 2024-03-01" in note.remedy
