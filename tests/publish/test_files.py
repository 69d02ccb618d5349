"""Tables and charts as files: formulas made harmless, written whole, the same bytes again."""

from __future__ import annotations

import csv
import io
import shutil
import subprocess

import polars as pl
import pytest

from pipeline.publish import drawing, files, pages, paper, theme
from tests.publish.conftest import NASTY

FORMULAS = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "  =1", "\uff1d1", "=cmd|' /C calc'!A0", "\n=1", "\x00=1"]
PLAIN = ["RO-1", "a=b", "", "it's", "5 % - more", "Müller", '"quoted"']


def read(frame: pl.DataFrame) -> list[list[str]]:
    return list(csv.reader(io.StringIO(files.csv_bytes(frame).decode("utf-8"), newline="")))


def test_formulas_are_neutralised_and_plain_text_is_not():
    rows = read(pl.DataFrame({"t": FORMULAS + PLAIN}))[1:]
    texts = [r[0] if r else "" for r in rows]
    assert texts == ["'" + f for f in FORMULAS] + PLAIN


def test_headings_are_neutralised_and_numbers_stay_numbers():
    assert read(pl.DataFrame({"=x": [-1.5, float("inf")], "n": [None, -3]})) == [["'=x", "n"], ["-1.5", ""], ["", "-3"]]


def test_lists_and_categories_become_text():
    frame = pl.DataFrame({"l": [["=a", "b"], []], "c": pl.Series(["@x", "y"], dtype=pl.Categorical)})
    assert read(frame)[1:] == [["'=a,b", "'@x"], ["", "y"]]


def test_parquet_keeps_the_text(tmp_path):
    files.write_tables(tmp_path, {"some": pl.DataFrame({"t": FORMULAS})})
    assert pl.read_parquet(tmp_path / "some.parquet")["t"].to_list() == FORMULAS
    assert (tmp_path / "some.csv").stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("name", ["../x", "a/b", "", "a.b"])
def test_a_table_name_is_a_plain_file_name(tmp_path, name):
    with pytest.raises(ValueError, match="published"):
        files.write_tables(tmp_path, {name: pl.DataFrame({"a": [1]})})


def test_a_write_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "a.txt"
    files.write_text(path, "old")

    def fail(*_):
        raise OSError("disk full")

    monkeypatch.setattr(files.os, "replace", fail)
    with pytest.raises(OSError, match="disk full"):
        files.write_text(path, "new")
    assert path.read_text() == "old" and [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_charts_are_drawn_with_their_words_and_the_same_bytes_again(tmp_path, tables, context):
    charts = [c for c in pages.all_charts(tables, context) if c.name == "life_ballast_discharge_km"]
    assert len(charts) == 1
    for folder in ("a", "b"):
        files.write_charts(tmp_path / folder, charts)
    for chart in charts:
        for ending in ("svg", "png", "csv"):
            one = (tmp_path / "a" / f"{chart.name}.{ending}").read_bytes()
            assert one == (tmp_path / "b" / f"{chart.name}.{ending}").read_bytes()
        svg = (tmp_path / "a" / f"{chart.name}.svg").read_text()
        assert chart.title.split()[0] in svg and "var(--" not in svg and "NaN" not in svg
        assert (tmp_path / "a" / f"{chart.name}.png").read_bytes()[:4] == b"\x89PNG"
    assert "At risk, original" in svg and ">replacement<" in svg  # numbers at risk, and names at the lines' ends


def chart(name: str, text: str):
    from pipeline.publish.charts import bars

    rows = [{"label": text, "value": 3, "text": "3", "colour": "blue"}]
    return bars(name, rows, pl.DataFrame({"label": [text], "n": [3]}), title="t", alt_text="a", x_title="n")


def test_letters_that_the_librarys_font_lacks_are_drawn_with_the_machines(tmp_path, monkeypatch):
    drawn = []
    real = drawing.draw
    monkeypatch.setattr(drawing, "draw", lambda spec: drawn.append(spec["config"]["font"]) or real(spec))
    files.write_charts(tmp_path, [chart("plain", "Müller · Жук 5 €"), chart("other", "前照灯")])
    assert drawn == [theme.FONT_ANY]  # only the second was drawn here
    assert "前照灯" in (tmp_path / "other.svg").read_text(encoding="utf-8")
    assert "Жук" in (tmp_path / "plain.svg").read_text(encoding="utf-8")


def test_a_picture_that_cannot_be_drawn_is_an_error_that_names_it(tmp_path, monkeypatch):
    broken = chart("broken", "x")
    monkeypatch.setitem(broken.spec, "layer", [{"mark": "no such mark"}])
    with pytest.raises(drawing.DrawingError, match="broken"):
        files.write_charts(tmp_path, [broken])


def test_pdfs_hold_the_text_and_are_the_same_bytes_again(tmp_path, tables, context):
    pytest.importorskip("typst", reason="the typesetter is not installed")
    words = context.words()
    page = next(p for p in pages.build({k: tables[k] for k in ("files", "set_aside_summary", "unread_texts")}, context, words)
                if p.file == "data_quality.html")
    files.write_charts(tmp_path, page.charts())
    one, two = (paper.pdf(page, context, words, tmp_path) for _ in range(2))
    assert one == two and one[:5] == b"%PDF-"
    if shutil.which("pdftotext"):
        text = subprocess.run(["pdftotext", "-layout", "-", "-"], input=one, capture_output=True, check=True).stdout.decode()
        joined = " ".join(text.split())
        assert page.findings[0].plain.split(";")[0] in joined
        assert NASTY in joined.replace("> <", "><")  # text from data is set as it stands
