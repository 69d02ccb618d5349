"""The house keeps its floors: a room imports only rooms below it, and the statistics know no disk, clock or database."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "pipeline"
# From the ground up. Modules on one floor may use each other where listed together.
FLOORS = [
    {"settings"}, {"store"}, {"intake"}, {"lives"}, {"survival"}, {"suspects"}, {"planning"}, {"results", "results_curves", "results_early", "results_plans"}, {"publish"},
    {"steps", "workspaces", "bench", "spread", "journal", "status"}, {"flows", "schedules", "measure"}, {"cli"},
]
LEVEL = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}
PURE = {"survival", "suspects", "planning"}
# What a pure room must not touch: disks, clocks, databases, networks, terminals.
IMPURE = {"duckdb", "os", "pathlib", "io", "time", "datetime.now", "requests", "urllib", "socket", "subprocess", "shutil",
          "tempfile", "prefect", "typer", "rich", "random", "logging"}


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[0]


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: relative import; write it whole"
            if node.module == "pipeline":
                found |= {f"pipeline.{alias.name}" for alias in node.names}
            else:
                found.add(node.module or "")
    return found


FILES = sorted(p for p in PACKAGE.rglob("*.py") if p.name != "__init__.py" and "_data" not in p.parts)


def test_every_room_has_a_floor():
    assert {room_of(p) for p in FILES} <= set(LEVEL)
    assert len(FILES) > 20


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_import_upwards(path):
    level = LEVEL[room_of(path)]
    for name in imports(path):
        if name.startswith("pipeline."):
            target = name.split(".")[1]
            assert target in LEVEL, f"{path.name} imports {name}, which has no floor"
            assert LEVEL[target] <= level, f"{path.name} ({room_of(path)}) imports {name}: upwards"


@pytest.mark.parametrize("path", [p for p in FILES if room_of(p) in PURE], ids=lambda p: str(p.relative_to(PACKAGE)))
def test_the_statistics_are_pure(path):
    roots = {name.split(".")[0] for name in imports(path)}
    assert not roots & IMPURE, f"{path.name} imports {roots & IMPURE}"
    calls = {node.func.id for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
             if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)}
    assert not calls & {"open", "print", "input", "exec", "eval"}, f"{path.name} calls {calls}"


def test_only_flows_imports_prefect():
    assert {room_of(p) for p in FILES if any(n.split(".")[0] == "prefect" for n in imports(p))} <= {"flows"}


def test_a_floor_that_imports_upwards_would_be_found(tmp_path):
    path = tmp_path / "x.py"
    path.write_text("from pipeline.publish import charts\nfrom pipeline import steps\n")
    assert imports(path) == {"pipeline.publish", "pipeline.steps"}
