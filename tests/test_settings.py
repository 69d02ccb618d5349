"""Settings: every default round-trips through the template, and every mistake is answered in words."""

from __future__ import annotations

import re

import pytest

from pipeline.settings import Constant, Settings, SettingsError, load_settings, parse_settings, template


def test_the_template_is_all_defaults():
    assert parse_settings(template()) == Settings()


def test_the_template_with_its_lines_uncommented_is_still_all_defaults():
    text = template().split("# How your exports")[0]
    assert text.count("# name = ") == 1
    assert parse_settings(re.sub(r"(?m)^# (\w+ = )", r"\1", text)) == Settings()


def test_an_absent_file_gives_defaults(tmp_path):
    assert load_settings(tmp_path / "settings.toml") == Settings()


def test_sources():
    made = parse_settings("""
        [sources.jobs]
        table = "orders"
        files = "jobs*.csv"
        date_order = "dmy"
        [sources.jobs.columns]
        order_id = "job no"
        complaint = ["concern", "notes"]
        lighting = { value = "led" }
        [sources.jobs.values.lighting]
        "XEN" = "discharge"
    """).sources["jobs"]
    assert made.files == ("jobs*.csv",)
    assert made.columns == {"order_id": "job no", "complaint": ("concern", "notes"), "lighting": Constant("led")}
    assert made.values == {"lighting": {"XEN": "discharge"}}


def test_groups_may_be_one_word():
    made = parse_settings('[observation.groups]\nparcels = "complete"\n')
    assert made.coverage_of("parcels").coverage == "complete"
    assert made.coverage_of("anyone").coverage == "walk_in"


@pytest.mark.parametrize(("text", "message"), [
    ("[unit]\n", "settings.toml: unknown key 'unit'. Did you mean 'units'?"),
    ('[units]\ndistnce = "km"\n', "settings.toml: [units] unknown key 'distnce'. Did you mean 'distance'?"),
    ("[units]\ndistance = 3\n", "settings.toml: units.distance is 3; expected a text in quotes."),
    ('[units]\ndistance = "feet"\n', "settings.toml: units.distance is 'feet'; expected km or mi."),
    ("[curves]\nmin_failures = 1\n", "settings.toml: curves.min_failures is 1; expected 2 or more."),
    ("[curves]\nmin_failures = true\n", "settings.toml: curves.min_failures is True; expected a whole number."),
    ("[grid]\nkm_edges = [5, 3]\n", "settings.toml: grid.km_edges is (5.0, 3.0); expected rising numbers, two or more."),
    ('[sources.a]\ntable = "vehicle"\nfiles = ["x"]\n',
     "settings.toml: [sources.a] table is 'vehicle'. Did you mean 'vehicles'?"),
    ('[sources.a]\ntable = "orders"\n', "settings.toml: [sources.a] needs 'table' and 'files'."),
    ('[sources.a]\ntable = "orders"\nfiles = ["x"]\n[sources.a.columns]\norder_id = 3\n',
     'settings.toml: sources.a.columns.order_id is 3; expected a column name, a list of names, or { value = "..." }.'),
    ('[observation]\ncoverage = "some"\n', "settings.toml: observation.coverage is 'some'; expected complete or walk_in."),
])
def test_mistakes_are_answered_in_words(text, message):
    with pytest.raises(SettingsError) as error:
        parse_settings(text)
    assert str(error.value) == message


def test_broken_toml_says_where():
    with pytest.raises(SettingsError, match=r"settings.toml is not valid TOML: .*line 1"):
        parse_settings("[units\n")


def test_defaults_are_of_the_kind_that_reading_them_back_gives():
    """A manifest holds the settings in full: made again from it they must be written alike (0.0, not 0)."""
    import dataclasses

    import pipeline.settings as module

    wrong = []
    for holder in vars(module).values():
        for f in dataclasses.fields(holder) if dataclasses.is_dataclass(holder) else ():
            values = f.default if isinstance(f.default, tuple) else (f.default,)
            if "float" in str(f.type) and any(type(v) is int for v in values):
                wrong.append(f"{holder.__name__}.{f.name}")
    assert wrong == []
