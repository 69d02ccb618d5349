"""The README keeps its word: its two lines, its commands and its files are the program's."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
COMMANDS = re.findall(r"(?m)^(?!#).*?\.venv/bin/lowbeam ([^#\n]+)", README)


def help_of(*words: str) -> str:
    done = subprocess.run([sys.executable, "-m", "pipeline.cli", *words, "--help"], cwd=ROOT, capture_output=True, text=True,
                          timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_it_opens_with_the_job_in_one_paragraph():
    title, first, *_ = README.split("\n\n")
    assert title == "# lowbeam"
    assert first.startswith("A headlamp will not light")


def test_the_two_lines_set_everything_up():
    lines = [x for x in README.splitlines() if x.startswith("python3 -m venv")]
    assert [x.rsplit("&&", 1)[1].strip() for x in lines] == [".venv/bin/lowbeam demo", ".venv/bin/pytest"]
    for line in lines:
        assert "-c constraints.txt" in line
    assert '-e ".[test]"' in lines[1]


def test_ci_runs_the_test_line():
    assert r"grep -m 1 '\.venv/bin/pytest' README.md" in (ROOT / ".ci/run").read_text()


def test_every_command_shown_is_there_and_takes_what_is_shown():
    assert len(COMMANDS) >= 6
    for command in COMMANDS:
        words = shlex.split(command)
        text = help_of(words[0])
        for option in re.findall(r"--[a-z-]+", command):
            assert option in text, f"lowbeam {words[0]} has no {option}"


def test_every_file_it_links_to_is_there():
    for target in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / target).exists(), target


def test_constraints_hold_names_and_versions_only():
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    assert len(lines) > 30
    for line in lines:
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.+!]+|#.*|", line), line


def test_the_python_version_agrees_everywhere():
    floor = re.search(r'requires-python = ">=(\d+\.\d+)"', (ROOT / "pyproject.toml").read_text()).group(1)
    assert f"Python {floor}" in README


def test_help_is_quick_because_nothing_heavy_is_imported():
    done = subprocess.run(
        [sys.executable, "-c", "import sys, pipeline.cli; sys.argv = ['lowbeam', '--help']\n"
         "try: pipeline.cli.main()\nexcept SystemExit: pass\n"
         "print(sorted({'pandas', 'prefect', 'lifelines', 'polars', 'duckdb', 'altair', 'scipy', 'numpy'} & set(sys.modules)))"],
        cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.stdout.strip().splitlines()[-1] == "[]", done.stdout + done.stderr
