"""Files of any build become the same cells, with the row numbers that a person sees."""

from __future__ import annotations

import gzip
import io
import zipfile
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter

from pipeline.intake import readers
from pipeline.intake.discover import Refused, discover
from pipeline.intake.problems import DataProblem
from pipeline.intake.readers import NO_HINTS, USUAL_LIMITS, Hints, Limits, open_table, read_all


def read(folder: Path, name: str, content: bytes | str, hints: Hints = NO_HINTS, limits: Limits = USUAL_LIMITS):
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(content.encode() if isinstance(content, str) else content)
    (unit,) = [u for u in discover(folder).units if u.name.startswith(name)]
    opened = open_table(unit, hints, limits)
    return opened.shape, *read_all(opened, limits)


TEXT = 'job;day;note;cost\n1;2024-01-02;ä lamp;1,5\n2;2024-01-03;"two; parts";2,5\n3;2024-01-04;"say ""no""";3\n'
ROWS = [
    ("1", "2024-01-02", "ä lamp", "1,5"),
    ("2", "2024-01-03", "two; parts", "2,5"),
    ("3", "2024-01-04", 'say "no"', "3"),
]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends_change_nothing(tmp_path, encoding, ends):
    shape, frame, rejects, rows_in = read(tmp_path, "a.csv", TEXT.replace("\n", ends).encode(encoding))
    assert frame.select("job", "day", "note", "cost").rows() == ROWS
    assert frame["row"].to_list() == [2, 3, 4]
    assert (rejects, rows_in) == ([], 3)
    assert shape.delimiter == ";"


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters_are_found_out(tmp_path, delimiter):
    text = "\n".join(
        delimiter.join(f'"{c}"' if delimiter in c or "," in c else c for c in r)
        for r in [
            ("job", "day", "note", "cost"),
            ("1", "2024-01-02", "a", "1.5"),
            ("2", "2024-01-03", "b, c; d", "2"),
        ]
    )
    shape, frame, _, rows_in = read(tmp_path, "a.txt", text)
    assert shape.delimiter == delimiter
    assert rows_in == 2
    assert frame["note"].to_list()[-1] == "b, c; d"


def test_title_rows_blank_rows_and_a_sep_line_are_stepped_over(tmp_path):
    shape, frame, _, rows_in = read(
        tmp_path, "a.csv", "sep=;\nJobs of March\n\n" + TEXT + "\n;;;\n4;2024-01-05;x;9\n"
    )
    assert shape.header_row == 4
    assert frame["row"].to_list() == [5, 6, 7, 10]
    assert rows_in == 4


def test_broken_rows_are_rejected_one_by_one_with_their_line(tmp_path):
    text = 'id,note,n\n1,"two\nlines",1\n2,short\n3,a,b,c\n4,"open,1\n5,fine,1\n6,a\x00b,1\nid,note,n\n'
    text += '7,5" pipe,1\n8,tail,1,\n'
    _, frame, rejects, rows_in = read(tmp_path, "a.csv", text)
    assert [(r.row, r.reason) for r in rejects] == [
        (4, "too_few_cells"),
        (5, "too_many_cells"),
        (6, "unclosed_quote"),
        (8, "nul_byte"),
        (9, "repeated_header"),
    ]
    assert frame.select("row", "id", "note").rows() == [
        (2, "1", "two\nlines"),
        (7, "5", "fine"),
        (10, "7", '5" pipe'),
        (11, "8", "tail"),
    ]
    assert rows_in == 9


def test_a_rejected_row_shows_its_build_and_not_its_words(tmp_path):
    _, _, rejects, _ = read(tmp_path, "a.csv", "id,name,n\n1,Smith,2\n2,J. Miller,+44 20,x\n")
    assert rejects[0].raw == "9,x. xxxxxx,+99 99,x"


def test_an_enormous_field_sets_its_row_aside(tmp_path):
    text = "id,note\n1,a\n2," + "x" * 30_000 + "\n3,b\n"
    _, frame, rejects, rows_in = read(tmp_path, "a.csv", text)
    assert [(r.row, r.reason) for r in rejects] == [(3, "field_too_long")]
    assert frame["id"].to_list() == ["1", "3"] and rows_in == 3
    assert len(rejects[0].raw) < 300


def test_small_blocks_give_what_a_whole_read_gives(tmp_path, monkeypatch):
    rows = "".join(
        f'{i},"n{i}\n{i}",{"x" * (i % 7)}\n' if i % 5 == 0 else f"{i},p{i},{i}\n" if i % 11 else f"{i},broken\n"
        for i in range(1, 120)
    )
    text = "id,note,more\r\n" + rows.replace("\n", "\r\n")
    _, whole, rejects, rows_in = read(tmp_path / "a", "a.csv", text)
    real = readers.blocks
    for size in (1, 7, 64, 500):
        monkeypatch.setattr(readers, "blocks", lambda unit, limit, s=size: real(unit, limit, s))
        (tmp_path / str(size)).mkdir()
        _, frame, again, n = read(tmp_path / str(size), "a.csv", text)
        assert frame.fill_null("").equals(whole.fill_null("")) and again == rejects and n == rows_in
    monkeypatch.setattr(readers, "_fast", lambda *a: (None, 0))
    _, frame, again, n = read(tmp_path / "a", "a.csv", text)
    assert frame.fill_null("").equals(whole.fill_null("")) and again == rejects and n == rows_in


def test_gz_zip_and_parquet_hold_the_same(tmp_path):
    _, plain, _, _ = read(tmp_path / "p", "a.csv", TEXT)
    _, packed, _, _ = read(tmp_path / "g", "a.csv.gz", gzip.compress(TEXT.encode()))
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as z:
        z.writestr("../../etc/a.csv", TEXT)
    _, zipped, _, _ = read(tmp_path / "z", "b.zip", buffer.getvalue())
    plain.drop("file", "row").write_parquet(tmp_path / "c.parquet")
    _, columns, _, _ = read(tmp_path / "q", "c.parquet", (tmp_path / "c.parquet").read_bytes())
    for other in (packed, zipped, columns):
        assert other.drop("file").equals(plain.drop("file"))
    assert zipped["file"][0] == "b.zip!../../etc/a.csv"
    assert not (tmp_path.parent / "etc").exists()


def test_sheets_with_titles_dates_as_numbers_and_gaps(tmp_path):
    path = tmp_path / "book.xlsx"
    book = xlsxwriter.Workbook(str(path))
    day = book.add_format({"num_format": "dd/mm/yyyy"})
    sheet = book.add_worksheet("Jobs")
    sheet.write(1, 1, "Jobs of March")
    sheet.write_row(3, 1, ["job", "day", "odometer"])
    sheet.write(4, 1, 17), sheet.write(4, 2, 45356, day), sheet.write(4, 3, 120345)
    sheet.write(6, 1, "0018"), sheet.write(6, 2, 45357.5), sheet.write(6, 3, 1.5)
    book.add_worksheet("Empty")
    book.close()
    units = discover(tmp_path).units
    assert [u.name for u in units] == ["book.xlsx#Jobs", "book.xlsx#Empty"]
    opened = open_table(units[0])
    frame, rejects, rows_in = read_all(opened)
    assert opened.shape.header_row == 4
    assert frame["row"].to_list() == [5, 7] and rows_in == 2 and rejects == []
    assert frame["job"].to_list() == ["17", "0018"]
    assert frame["day"].to_list()[0].startswith("2024-03-05")
    assert open_table(units[1]).shape.columns == ()


def test_parquet_types_become_plain_text(tmp_path):
    import datetime as dt

    pl.DataFrame(
        {"id": [1, 2], "day": [dt.date(2024, 3, 5), None], "km": [120345.0, 1.5], "tags": [["a"], []]}
    ).write_parquet(tmp_path / "a.parquet")
    opened = open_table(discover(tmp_path).units[0])
    frame, _, rows_in = read_all(opened)
    assert frame.select("id", "day", "km", "row").rows() == [("1", "2024-03-05", "120345", 2), ("2", None, "1.5", 3)]
    assert rows_in == 2


def test_hidden_unfinished_and_foreign_files_are_noted_and_left(tmp_path):
    for name in (".a.csv", "~$b.xlsx", "c.csv.part", "d.pdf", "e.csv"):
        (tmp_path / name).write_text("" if name == "e.csv" else "x,y\n1,2\n")
    found = discover(tmp_path)
    assert found.units == ()
    assert {n.kind for n in found.notes} == {"hidden", "unfinished", "unknown_kind", "empty"}
    assert len(found.notes) == 5


def test_a_zip_bomb_is_refused_by_ratio_and_by_size(tmp_path):
    with zipfile.ZipFile(tmp_path / "bomb.zip", "w", zipfile.ZIP_DEFLATED) as z:
        z.writestr("lines.csv", b"a,b\n" + b"1,2\n" * 8_000_000)
    (unit,) = discover(tmp_path).units
    with pytest.raises(Refused) as error:
        open_table(unit)
    assert error.value.reason == "archive_too_large" and "200 times" in error.value.detail
    with pytest.raises(Refused, match="archive_too_large"):
        open_table(unit, Hints(), Limits(max_unpacked_mb=10))


def test_damaged_and_nested_archives(tmp_path):
    (tmp_path / "a.csv.gz").write_bytes(gzip.compress(b"a,b\n1,2\n" * 1000)[:-20])
    (unit,) = discover(tmp_path).units
    with pytest.raises(DataProblem, match="still being copied"):
        open_table(unit)
    (tmp_path / "a.csv.gz").unlink()
    with zipfile.ZipFile(tmp_path / "n.zip", "w") as z:
        z.writestr("inner.zip", b"PK")
    assert [r.reason for r in discover(tmp_path).refused] == ["archive_nested"]
    (tmp_path / "n.zip").write_bytes(b"PK\x03\x04 broken")
    with pytest.raises(DataProblem, match="n.zip"):
        discover(tmp_path)


def test_what_is_no_text_is_said_so(tmp_path):
    with pytest.raises(DataProblem, match="no text"):
        read(tmp_path, "a.csv", bytes(range(256)) * 40)


def test_repeated_blank_and_strange_column_names_stay_apart(tmp_path):
    shape, frame, _, _ = read(tmp_path, "a.csv", 'a,a,,row,"x""; drop table y"\n1,2,3,4,5\n')
    assert shape.columns == ("a", "a (2)", "column 3", "row ", 'x"; drop table y')
    assert frame["row"].to_list() == [2]
