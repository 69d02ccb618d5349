"""Numbers and sentences for people: rounding, units, currencies, languages, and text from data that stays
text."""

from __future__ import annotations

import datetime as dt

import pytest
from markupsafe import Markup

from pipeline.publish import words as module
from pipeline.publish.words import TextError, UnknownLanguage, Words, load_words

EN = load_words()


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0, "0 %"),
        (1, "100 %"),
        (0.142, "14 %"),
        (0.0423, "4.2 %"),
        (0.05, "5 %"),
        (0.0994, "9.9 %"),
        (0.0996, "10 %"),
        (0.0002, "under 0.1 %"),
        (0.997, "over 99 %"),
        (None, "–"),
        (float("nan"), "–"),
    ],
)
def test_percent(p, said):
    assert EN.percent(p) == said


def test_ranges_and_counts():
    assert EN.percent_range(0.0712, 0.2314) == "7 to 23 %"
    assert EN.percent_range(0.012, 0.043) == "1.2 to 4.3 %"
    assert EN.count("part", 1) == "1 part" and EN.count("part", 1200) == "1,200 parts"
    assert EN.list(["a", "b", "c"]) == "a, b and c" and EN.list(["a"]) == "a" and EN.list([]) == ""


def test_significant_figures_never_in_powers_of_ten():
    assert [EN.significant(x) for x in (0.01234, 1234567.0, 9.96, 0.0)] == ["0.012", "1,200,000", "10", "0"]


def test_negative_nought_is_nought():
    assert EN.number(-0.2) == "0" and EN.number(-3) == "\u22123"


def test_money_by_currency():
    assert EN.money(1240) == "€1,240" and EN.money(38.5) == "€38.50" and EN.money(None) == "–"
    assert load_words(currency="GBP").money(7) == "£7"
    assert load_words(currency="SEK").money(1234.4) == "SEK 1,234"


def test_miles():
    # 1 mile is 1.609344 km exactly (international yard and pound agreement, 1959)
    mi = load_words(unit="mi")
    assert mi.reading(160.9344) == "100\u00a0miles"
    assert mi.distance(100_000) == "62,000\u00a0miles"
    assert EN.distance(58_912) == "59,000\u00a0km" and EN.distance(1_234) == "1,200\u00a0km"


def test_dates_and_stretches():
    day = dt.date(2025, 6, 3)
    assert (EN.date(day), EN.short_date(day), EN.month(day), EN.short_month(day)) == (
        "3 June 2025",
        "2025-06-03",
        "June 2025",
        "Jun ’25",
    )
    assert (EN.years(20), EN.years(400), EN.years(3652.5)) == ("20 days", "13 months", "10 years")


def test_values_are_escaped_and_never_read_as_marks():
    w = Words({"a": {"b": "**{x}** & {y}"}, "format": {}})
    assert w.rich("a.b", x="<i>", y="**z** {x}") == Markup("<strong>&lt;i&gt;</strong> &amp; **z** {x}")
    assert w("a.b", x="<i>", y="2") == "<i> & 2"


def test_an_unfilled_place_and_a_missing_text_are_errors():
    with pytest.raises(TextError, match="finding.rows"):
        EN("finding.rows", used=1)
    with pytest.raises(TextError, match="no.such"):
        EN("no.such")


def test_another_language_is_a_file(tmp_path, monkeypatch):
    source = module.data_dir("reports") / "text.en.toml"
    (tmp_path / "text.en.toml").write_text(source.read_text(encoding="utf-8"), encoding="utf-8")
    (tmp_path / "text.xx.toml").write_text(
        '[format]\ndecimal = ","\ngroup = "."\n[component]\nlamp = "Lampe"\n', encoding="utf-8"
    )
    monkeypatch.setattr(module, "data_dir", lambda name: tmp_path)
    xx = load_words("xx")
    assert xx.number(1234.5, 1) == "1.234,5" and xx.name("component", "lamp") == "Lampe"
    assert xx.name("component", "wiring") == "wiring"  # what the file lacks is said in English
    with pytest.raises(UnknownLanguage, match="there are: en, xx"):
        load_words("yy")
    with pytest.raises(UnknownLanguage):
        load_words("../../etc")


def test_every_plural_has_both_forms():
    assert all(set(v) == {"one", "other"} for v in EN.texts["count"].values())


def test_names_fall_back_to_the_id():
    assert EN.name("component", "valve_seat") == "valve seat" and EN.name("component", None) == "not known"


def test_every_text_that_the_code_names_is_in_the_file():
    import re
    from pathlib import Path

    code = "\n".join(p.read_text(encoding="utf-8") for p in Path(module.__file__).parent.glob("*.py"))
    code += "\n".join(p.read_text(encoding="utf-8") for p in (module.data_dir("reports") / "templates").glob("*.html"))
    keys = set(re.findall(r"""\b(?:w|words|self)(?:\.rich|\.text)?\(\s*["']([a-z_]+\.[a-z_0-9.]+)["']""", code))
    assert len(keys) > 150
    assert [k for k in sorted(keys) if not EN.has(k)] == []
    counts = set(re.findall(r"""\.count\(\s*["']([a-z_]+)["']""", code))
    assert len(counts) > 5 and counts <= set(EN.texts["count"])
