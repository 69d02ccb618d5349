"""`lowbeam check` says in about a page what was read, what was not and why, what to mend first,
and what is out of reach."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

from pipeline.intake.verdict import gather, lines, stopping, verdict
from pipeline.settings import parse_settings
from tests.intake.desk import load_files
from tests.intake.test_load import BAD, HEADER, OWN, line


def section(out: list[str], title: str) -> list[str]:
    start = out.index(title) + 1
    return out[start : next((i for i in range(start, len(out)) if not out[i]), len(out))]


def made(tmp_path: Path, *names: str):
    tmp_path.mkdir(exist_ok=True)
    for name in names:
        shutil.copy(BAD / f"{name}.csv", tmp_path / f"lines_{name}.csv")
    return load_files(tmp_path, {}, OWN)


def test_a_clean_export(tmp_path):
    loaded = load_files(tmp_path, {"lines.csv": HEADER + line(1) + line(2)}, OWN)
    out = verdict(loaded.con, loaded.report, parse_settings(OWN))
    assert section(out, "WHAT WAS READ") == [
        "  1 file, 2 rows: 2 used, 0 set aside. 2 vehicles.",
        "  repair lines: 2 from 1 file, 2024-03-01 to 2024-03-02",
        "  lines.csv read as CSV, comma, utf-8, header on line 1",
    ]
    assert section(out, "WHAT COULD NOT BE USED") == ["  Nothing: every row and every cell was used."]
    wanted = section(out, "WHAT CANNOT BE ANSWERED")
    assert any("vehicles.first_use_date" in w for w in wanted) and any("parts.supplier" in w for w in wanted)
    assert not any("repair_lines.odometer" in w for w in wanted)


def test_what_was_set_aside_is_counted_with_its_first_place(tmp_path):
    loaded = made(tmp_path, "bad_date", "bad_number", "too_few_cells", "duplicate_row")
    out = verdict(loaded.con, loaded.report, parse_settings(OWN))
    said = section(out, "WHAT COULD NOT BE USED")
    assert (
        "  1 row of repair lines: opened_on is not a calendar date ('2024-02-30'); lines_bad_date.csv, row 5" in said
    )
    assert "  1 cell of repair lines: odometer is not a number ('abt. 10004'); lines_bad_number.csv, row 5" in said
    assert said[-1] == "  (Where a cell could not be read, the rest of its row was used.)"
    first = section(out, "WHAT TO MEND FIRST")
    assert 1 <= len(first) <= 5
    assert not any("read before" in f for f in first)


def test_the_worst_comes_first_and_five_are_enough(tmp_path):
    loaded = made(tmp_path, "bad_date", "too_few_cells")
    data = gather(loaded.con, loaded.report, parse_settings(OWN))
    one = next(g for g in data.groups if g.reason == "bad_date")
    many = tuple(
        dataclasses.replace(one, n=n, column=f"c{n}", what=f"c{n} is odd")
        for n in (3, 900, 40, 5, 7, 11, 2)
    )
    first = section(lines(dataclasses.replace(data, groups=many)), "WHAT TO MEND FIRST")
    assert len(first) == 5 and first[0].startswith("  1. 900 rows where c900 is odd") and "40 rows" in first[1]
    again = lines(dataclasses.replace(data, groups=many))
    assert again == lines(dataclasses.replace(data, groups=many)) and len(again) < 60


def test_lines_without_part_or_side_are_to_mend(tmp_path):
    loaded = load_files(tmp_path, {"lines.csv": HEADER + line(1)}, OWN)
    data = gather(loaded.con, loaded.report, parse_settings(OWN))
    out = lines(dataclasses.replace(data, words=(1000, 50, 300), mends=(4, 2)))
    assert "  1,000 lines concern the headlamps; 50 of them do not tell the part, 300 not the side" in out
    assert "  odometer readings: 4 mended, 2 not usable" in out
    assert section(out, "WHAT TO MEND FIRST")[0].startswith("  1. 300 headlamp lines of 1,000 do not say which side")


def test_what_would_stop_a_run_is_said_at_the_end(tmp_path):
    loaded = load_files(
        tmp_path, {"lines.csv": HEADER + line(1) + line(2).replace("2024-03-02", "soon")}, OWN, strict=False
    )
    out = verdict(loaded.con, loaded.report, parse_settings(OWN))
    assert (
        section(out, "A RUN WOULD STOP HERE")[0]
        == "  lines.csv: 1 of 2 rows cannot be used, more than 20% of the file:"
    )


def test_sides_that_need_the_drive_side_have_a_remedy_of_their_own(tmp_path):
    loaded = load_files(tmp_path, {"lines.csv": HEADER + line(1)}, OWN)
    data = gather(loaded.con, loaded.report, parse_settings(OWN))
    first = section(
        lines(dataclasses.replace(data, words=(1000, 0, 300), needs_drive_side=200, unread=None)), "WHAT TO MEND FIRST"
    )
    assert first[0] == (
        "  1. 200 headlamp lines of 1,000 tell the side as near, off, driver's or passenger's: set units.drive_side in "
        "settings.toml, or map the side of the driver's seat to drive_side."
    )
    assert first[1].startswith("  2. 100 headlamp lines of 1,000 do not say which side")
    said = lines(dataclasses.replace(data, words=(10, 5, 0), unread=("headlamp changed", 3)))
    assert any("(the commonest is 'headlamp changed', 3 times)" in s for s in said)


def workspace(tmp_path: Path, text: str) -> Path:
    folder = tmp_path / "desk"
    (folder / "incoming").mkdir(parents=True)
    (folder / "settings.toml").write_text(OWN)
    (folder / "incoming" / "lines.csv").write_text(text)
    return folder


def test_check_ends_in_1_where_a_run_would_stop_and_in_0_where_it_would_not(tmp_path):
    """The exit code that a schedule looks at: documented in pipeline/cli.py."""
    from typer.testing import CliRunner

    from pipeline.cli import app

    good = workspace(tmp_path / "good", HEADER + "".join(line(i, "LH headlamp bulb replaced") for i in range(1, 6)))
    bad = workspace(tmp_path / "bad", HEADER + line(1) + line(2).replace("2024-03-02", "soon"))
    runner = CliRunner()
    fine, stopped = runner.invoke(app, ["check", str(good)]), runner.invoke(app, ["check", str(bad)])
    assert (fine.exit_code, stopped.exit_code) == (0, 1)
    assert "A RUN WOULD STOP HERE" not in fine.output
    assert "lines.csv: 1 of 2 rows cannot be used, more than 20% of the file:" in stopped.output
    assert not (bad / "published").exists() or not any((bad / "published").iterdir())


def test_no_date_at_all_would_stop_a_run(tmp_path):
    loaded = load_files(tmp_path, {"lines.csv": HEADER + line(1)}, OWN)
    assert stopping(loaded.con, loaded.report) == []
    loaded.con.execute("update clean.repair_lines set opened_on = null")
    (said,) = stopping(loaded.con, loaded.report)
    assert said.startswith("No order, repair line or reading with a usable date was found in incoming/.\n  What to do:")


def test_columns_that_came_or_went_are_named(tmp_path):
    files = {"lines_1.csv": HEADER + line(1), "lines_2.csv": HEADER.replace("quantity", "pieces") + line(2)}
    loaded = load_files(tmp_path, files, OWN)
    said = section(verdict(loaded.con, loaded.report, parse_settings(OWN)), "WHAT CHANGED IN THE EXPORTS")
    assert any(s.startswith("  lines_2.csv columns differ from lines_1.csv") and "'pieces'" in s for s in said)
    assert any("lines_2.csv has no column 'quantity'" in s for s in said)
