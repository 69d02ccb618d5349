"""Dates, numbers, units and words are read as written, and never guessed in silence."""

from __future__ import annotations

import datetime as dt

import polars as pl
import pytest

from pipeline.intake import mapping
from pipeline.intake.identity import Hasher
from pipeline.intake.mapping import DateEvidence, NumberEvidence, Styles, Words, parse_date, parse_number, unit_of
from pipeline.intake.problems import DataProblem
from pipeline.settings import Constant, Source

DAY = dt.date(2024, 3, 5)


@pytest.mark.parametrize(
    "text",
    [
        "2024-03-05",
        "2024/3/5",
        "2024.03.05",
        "20240305",
        "202403051015",
        "2024-03-05 10:15:00",
        "2024-03-05T10:15:00.123Z",
        "2024-03-05T23:59:59+02:00",
        "45356",
        "45356.75",
        "5 Mar 2024",
        "05-MAR-24",
        "March 5, 2024",
        "Tue, 5 March 2024",
        "5. März 2024",
        "5 mars 2024",
        "5 marzo 2024",
        "5 de marzo de 2024",
    ],
)
def test_dates_that_need_no_order(text):
    assert parse_date(text) == parse_date(text, "dmy") == parse_date(text, "mdy") == DAY


@pytest.mark.parametrize(
    ("text", "order"),
    [
        ("5/3/2024", "dmy"),
        ("05.03.24", "dmy"),
        ("05-03-2024 10:15", "dmy"),
        ("3/5/2024", "mdy"),
        ("03/05/24 1:15 pm", "mdy"),
        ("24-03-05", "ymd"),
        ("05032024", "dmy"),
        ("5. 3. 2024", "dmy"),
    ],
)
def test_dates_that_need_an_order(text, order):
    assert parse_date(text, order) == DAY
    assert parse_date(text) is None


@pytest.mark.parametrize(
    "text",
    ["2024-02-30", "31/04/2024", "0000-00-00", "soon", "12", "1234567", "2024-13-01", "", "1.2.3.4", "99999999"],
)
def test_what_is_no_date(text):
    assert parse_date(text, "dmy") is None


@pytest.mark.parametrize(
    ("text", "decimal", "value"),
    [
        ("12", None, 12),
        ("12.5", None, 12.5),
        ("12,5", None, 12.5),
        ("1.234,50", None, 1234.5),
        ("1,234.50", None, 1234.5),
        ("1,234,567", None, 1_234_567),
        ("1.234", ".", 1.234),
        ("1.234", ",", 1234),
        ("1,234", ".", 1234),
        ("€ 12,50", ",", 12.5),
        ("12.50 EUR", ".", 12.5),
        ("(12.50)", ".", -12.5),
        ("12.50-", ".", -12.5),
        ("-3", None, -3),
        ("120 345 km", None, 120_345),
        ("120'345", None, 120_345),
        ("75,000 mi", ".", 75_000),
        ("0.500", None, 0.5),
        ("12 500,5", ",", 12_500.5),
        ("1.2E+05", None, 120_000),
        (".5", ".", 0.5),
        ("1\u202f234,5", ",", 1234.5),
    ],
)
def test_numbers(text, decimal, value):
    assert parse_number(text, decimal) == value


@pytest.mark.parametrize(
    ("text", "decimal"),
    [
        ("1.234", None),
        ("1,234", None),
        ("nan", None),
        ("inf", None),
        ("0x10", None),
        ("1_000", None),
        ("12 3", None),
        ("12,5", "."),
        ("0,500", "."),
        ("1,23,4", "."),
        ("--5", None),
        ("(5", None),
        ("5 apples", None),
        ("", None),
        ("1.2.3", "."),
        ("٣", "."),
        ("1" * 40, "."),
    ],
)
def test_what_is_no_number_or_may_be_two(text, decimal):
    if text == "٣":  # a digit of another script is a digit
        assert parse_number(text, decimal) == 3
    else:
        assert parse_number(text, decimal) is None


def test_units_behind_readings():
    assert [unit_of(t) for t in ("120345 km", "75,000 miles", "75000mi", "120345", "5 min")] == [
        "km",
        "mi",
        "mi",
        None,
        None,
    ]


def order_of(*texts: str) -> str | None:
    e = DateEvidence()
    e.add(texts)
    return e.decided()


def test_one_value_that_allows_no_other_reading_decides_the_order():
    assert order_of("01/02/2024", "03/04/2024", "25/04/2024") == "dmy"
    assert order_of("01/02/2024", "04/25/2024") == "mdy"
    assert order_of("01/02/2024", "03/04/2024") is None
    assert order_of("2024-01-02") is None
    assert order_of("25/04/2024", "04/25/2024") is None


def test_a_slip_among_many_does_not_outvote_them():
    days = [f"{d:02d}/{m:02d}/2024" for d in range(13, 29) for m in range(1, 9)]
    assert order_of(*days, "04/25/2024") == "dmy"


def decide(columns: dict[str, list[str]], **source: object) -> Styles:
    evidence: dict = {}
    for name, texts in columns.items():
        evidence[name] = DateEvidence() if name.endswith("_on") else NumberEvidence()
        evidence[name].add(texts)
    return mapping.decide(Source(name="s", table="orders", files=("*",), **source), evidence)[0]


def test_the_order_of_one_column_serves_another_of_the_same_source():
    styles = decide({"opened_on": ["25/04/2024"], "closed_on": ["05/06/2024"]})
    assert styles.dates == {"opened_on": "dmy", "closed_on": "dmy"}
    with pytest.raises(DataProblem, match="more than one order"):
        decide({"opened_on": ["25/04/2024", "04/25/2024"]})
    with pytest.raises(DataProblem, match='date_order = "dmy"'):
        decide({"opened_on": ["05/06/2024"]})
    assert decide({"opened_on": ["05/06/2024"]}, date_order="mdy").dates == {"opened_on": "mdy"}
    assert decide({"opened_on": ["05/05/2024"]}).dates["opened_on"] in ("dmy", "mdy")  # both read the same day


def test_decimal_marks_are_pooled_but_readings_keep_their_thousands():
    styles = decide({"odometer": ["120.345", "99.120"], "part_cost": ["12,50"], "quantity": ["1,000"]})
    assert styles.decimals == {"odometer": ",", "part_cost": ",", "quantity": ","}
    styles = decide({"odometer": ["120.345", "99.120"], "part_cost": ["12.50"]})
    assert styles.decimals == {"odometer": ",", "part_cost": "."}
    with pytest.raises(DataProblem, match="'1,000' in quantity has a decimal or a thousands mark"):
        decide({"quantity": ["1,000"]})
    assert decide({"quantity": ["1,000"]}, decimal=",").decimals == {"quantity": ","}
    assert decide({"quantity": ["1,000"]}, thousands=",").decimals == {"quantity": "."}


PLAIN = Styles()


def typed(
    columns: dict,
    frame: dict[str, list],
    styles: Styles = PLAIN,
    values: dict | None = None,
    table: str = "repair_lines",
):
    source = Source(name="s", table=table, files=("*",), columns=columns, values=values or {})
    plan = mapping.make_plan(source, list(frame))
    rows = len(next(iter(frame.values())))
    data = pl.DataFrame({**frame, "row": list(range(2, rows + 2))}, schema_overrides={"row": pl.Int64})
    text = mapping.our_text(plan, data)
    return mapping.typed(plan, text, styles, Hasher(b"k" * 16), Words(), frozenset())


def test_the_first_that_is_not_blank_wins_and_constants_fill_all():
    made = typed(
        {"complaint": ("a", "b"), "description": Constant("lamp")}, {"a": [" ", "NULL", "x"], "b": ["y", None, "z"]}
    )
    assert made.frame["complaint"].to_list() == ["y", None, "x"]
    assert made.frame["description"].to_list() == ["lamp"] * 3


def test_values_are_mapped_then_read_and_the_rest_is_noted():
    made = typed(
        {"side": "s"}, {"s": ["Li", "RE", "LH", "both", "port"]}, values={"side": {"li": "left", "RE": "right"}}
    )
    assert made.frame["side"].to_list() == ["left", "right", "left", "both", None]
    assert [(i.row, i.value, i.reason, i.kind) for i in made.issues] == [(6, "port", "unknown_value", "cell")]


def test_units_of_readings_row_then_cell_then_source():
    made = typed(
        {"odometer": "km", "odometer_unit": "u"},
        {"km": ["10 mi", "20", "30 km", None], "u": [None, "Miles", None, "km"]},
        Styles(odometer_unit="km"),
    )
    assert made.frame["odometer"].to_list() == [10, 20, 30, None]
    assert made.frame["odometer_unit"].to_list() == ["mi", "mi", "km", None]


def test_header_names_match_without_case_accents_and_punctuation():
    plan = mapping.make_plan(
        Source(name="s", table="orders", files=("*",), columns={"order_id": "Auftrags-Nr", "complaint": "Prénom"}),
        ["AUFTRAGS NR.", "prenom"],
    )
    assert [(m.ours.name, m.theirs) for m in plan.columns] == [
        ("order_id", ("AUFTRAGS NR.",)),
        ("complaint", ("prenom",)),
    ]


def test_an_unknown_column_of_ours_suggests_the_nearest():
    with pytest.raises(DataProblem) as error:
        mapping.make_plan(Source(name="s", table="orders", files=("*",), columns={"complant": "x"}), ["x"])
    assert str(error.value) == (
        "settings.toml: [sources.s.columns] names a column 'complant' that the table orders does not have\n"
        "  What to do: Did you mean 'complaint'?"
    )


def test_flags():
    made = typed({"planned": "p"}, {"p": ["Yes", "no", "1", "0", "X", "ja", "perhaps", ""]})
    assert made.frame["planned"].to_list() == [True, False, True, False, True, True, None, None]
    assert [i.value for i in made.issues] == ["perhaps"]
