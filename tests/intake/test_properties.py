"""Whatever comes in: no crash, nothing lost, and the same result however the same rows are written."""

from __future__ import annotations

import csv
import datetime as dt
import io
import string
import tempfile
from pathlib import Path

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.intake.contracts import BLANKS
from pipeline.intake.discover import discover
from pipeline.intake.identity import redact
from pipeline.intake.mapping import parse_date, parse_number
from pipeline.intake.problems import DataProblem
from pipeline.intake.readers import Limits, batches, open_table
from tests.intake.desk import load_files

QUICK = settings(max_examples=50, deadline=None, derandomize=True)
FEW = settings(max_examples=6, deadline=None, derandomize=True)

COLUMNS = ("job", "pos", "veh", "day", "km", "work", "cost")
SOURCE = """
[sources.lines]
table = "repair_lines"
files = ["*.csv"]
{options}
[sources.lines.columns]
order_id = "job"
line_number = "pos"
vehicle_id = "veh"
opened_on = "day"
odometer = "km"
description = "work"
part_cost = "cost"
"""

text = (
    st.text(
        st.characters(codec="cp1252", exclude_characters="\r\n\x00\ufeff", exclude_categories=("Cc",)),
        min_size=1,
        max_size=25,
    )
    .map(lambda t: " ".join(t.split()))
    .filter(lambda t: t.casefold() not in BLANKS)
)
row = st.tuples(
    st.text(string.ascii_letters + string.digits, min_size=1, max_size=5),
    st.integers(1, 5),
    st.text(string.ascii_uppercase + string.digits, min_size=2, max_size=6),
    st.dates(dt.date(2015, 1, 1), dt.date(2024, 12, 31)),
    st.integers(0, 400_000),
    text,
    st.integers(0, 99_999),
)
tables = st.lists(row, min_size=1, max_size=12, unique_by=lambda r: (r[0], r[1]))


def write(rows, delimiter: str = ",", date: str = "%Y-%m-%d", decimal: str = ".", factor: float = 1.0) -> str:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n", quoting=csv.QUOTE_MINIMAL)
    writer.writerow(COLUMNS)
    for job, pos, veh, day, km, work, cents in rows:
        writer.writerow((job, pos, veh, day.strftime(date), km, work, f"{cents // 100}{decimal}{cents % 100:02d}"))
    return out.getvalue()


def outcome(files: dict[str, bytes | str], options: str = "") -> list[tuple]:
    """What a load gives, but for where each row stood."""
    with tempfile.TemporaryDirectory() as folder:
        made = load_files(Path(folder), files, SOURCE.format(options=options))
        rows_in, used, aside = made.accounts()
        assert rows_in == used + aside
        lines = made.table("repair_lines").drop("line_key", "file", "row")
        return sorted(lines.rows(), key=repr)


@FEW
@given(
    tables,
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from(["\n", "\r\n"]),
)
def test_delimiter_encoding_mark_and_line_ends_change_nothing(rows, delimiter, encoding, ends):
    plain = outcome({"a.csv": write(rows)}, 'date_order = "ymd"\ndecimal = "."\ndelimiter = ","\nencoding = "utf-8"')
    told = f'delimiter = "{delimiter if delimiter != chr(9) else "tab"}"\ndecimal = "."\nencoding = "{encoding}"'
    assert outcome({"a.csv": write(rows, delimiter).replace("\n", ends).encode(encoding)}, told) == plain


@FEW
@given(
    tables,
    st.sampled_from(
        [("%d.%m.%Y", "dmy"), ("%m/%d/%Y", "mdy"), ("%d/%m/%y", "dmy"), ("%Y%m%d", "ymd"), ("%d %b %Y", "dmy")]
    ),
    st.sampled_from([".", ","]),
)
def test_date_formats_and_decimal_marks_change_nothing(rows, form, decimal):
    plain = outcome({"a.csv": write(rows)}, 'decimal = "."\ndelimiter = ","')
    assert (
        outcome(
            {"a.csv": write(rows, ";", form[0], decimal)},
            f'date_order = "{form[1]}"\ndecimal = "{decimal}"\ndelimiter = ";"',
        )
        == plain
    )


@FEW
@given(tables, st.randoms(use_true_random=False), st.integers(0, 12))
def test_shuffling_rows_and_splitting_files_change_nothing(rows, random, cut):
    fixed = 'decimal = "."\ndelimiter = ","\nencoding = "utf-8"'
    plain = outcome({"a.csv": write(rows)}, fixed)
    mixed = list(rows)
    random.shuffle(mixed)
    assert outcome({"a.csv": write(mixed)}, fixed) == plain
    parts = {"a.csv": write(rows[:cut]), "b.csv": write(rows[cut:])}
    assert outcome(parts, fixed) == plain
    assert outcome({**parts, "c.csv": write(rows)}, fixed) == plain


@FEW
@given(tables)
def test_a_unit_in_the_settings_is_a_unit_in_the_cell(rows):
    fixed = 'decimal = "."\ndelimiter = ","\n'
    told = outcome({"a.csv": write(rows)}, fixed + 'odometer_unit = "mi"')
    typed = [(*r[:4], f"{r[4]} mi", *r[5:]) for r in rows]
    assert outcome({"a.csv": write(typed)}, fixed) == told
    assert outcome({"a.csv": write(typed)}, fixed + 'odometer_unit = "km"') == told


messy = st.one_of(
    st.binary(max_size=300),
    st.text(st.sampled_from("ab1\",;\t\n\r \x00\\'é=-<>"), max_size=300).map(lambda t: t.encode()),
)


@QUICK
@given(messy)
def test_no_bytes_crash_the_reader_and_none_are_lost(data):
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "a.csv").write_bytes(data)
        for unit in discover(Path(folder)).units:
            try:
                opened = open_table(unit)
            except DataProblem:
                return
            for batch in batches(opened, Limits(max_field_chars=50)):
                assert batch.rows_in == batch.frame.height + len(batch.rejects)
                numbers = batch.frame["row"].to_list()
                assert numbers == sorted(set(numbers)) and not set(numbers) & {r.row for r in batch.rejects}


@settings(FEW, max_examples=15)
@given(
    tables,
    st.lists(
        st.tuples(st.integers(0, 500), st.sampled_from(['"', ",", "\n", "\x00", "x", "\\", "=", "é"])), max_size=4
    ),
)
def test_damage_to_an_export_ends_in_rows_set_aside_or_in_words(rows, damage):
    content = write(rows)
    head = len(content.split("\n")[0]) + 1
    for at, what in damage:
        at = head + at % max(len(content) - head, 1)
        content = content[:at] + what + content[at:]
    try:
        outcome({"a.csv": content}, 'decimal = "."\ndelimiter = ","')
    except DataProblem as problem:
        assert problem.remedy and "fault of the program" not in problem.remedy


@QUICK
@given(st.text(max_size=60))
def test_no_text_crashes_the_cell_readers(cell):
    for order in ("dmy", "mdy", "ymd", None):
        parse_date(cell, order)
    for decimal in (".", ",", None):
        parse_number(cell, decimal)
    redact(cell)


@QUICK
@given(st.dates(dt.date(1950, 1, 1), dt.date(2068, 12, 31)))
def test_a_date_is_read_back_in_every_form(day):
    for form, order in (
        ("%Y-%m-%d", None),
        ("%d.%m.%Y", "dmy"),
        ("%m/%d/%Y", "mdy"),
        ("%Y%m%d", None),
        ("%Y-%m-%d 23:59:59", None),
    ):
        assert parse_date(day.strftime(form), order) == day
    assert parse_date(str((day - dt.date(1899, 12, 30)).days)) == day


@QUICK
@given(st.integers(-(10**9), 10**9))
def test_a_number_is_read_back_in_every_form(cents):
    value = cents / 100
    plain, grouped = f"{value:.2f}", f"{value:,.2f}"
    assert parse_number(plain, ".") == parse_number(grouped, ".") == value
    assert parse_number(plain.replace(".", ","), ",") == value
    assert parse_number(grouped.translate(str.maketrans(",.", ".,")), ",") == value
    assert parse_number(grouped.replace(",", " "), ".") == value


@FEW
@given(tables)
def test_parquet_gives_what_csv_gives(rows):
    fixed = 'decimal = "."\ndelimiter = ","'
    plain = outcome({"a.csv": write(rows)}, fixed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.parquet"
        pl.DataFrame([(*r[:6], r[6] / 100) for r in rows], schema=COLUMNS, orient="row").write_parquet(path)
        data = path.read_bytes()
    with tempfile.TemporaryDirectory() as folder:
        made = load_files(
            Path(folder), {"a.parquet": data}, SOURCE.format(options=fixed).replace("*.csv", "*.parquet")
        )
        assert sorted(made.table("repair_lines").drop("line_key", "file", "row").rows(), key=repr) == plain
