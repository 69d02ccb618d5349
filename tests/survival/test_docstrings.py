"""Whoever opens an estimator finds its source and the test that pins it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def estimators():
    """(file, name, docstring) of every public function of the room whose docstring names a source."""
    for file in sorted((ROOT / "pipeline" / "survival").glob("*.py")):
        for node in ast.parse(file.read_text()).body:
            said = ast.get_docstring(node) if isinstance(node, ast.FunctionDef) else None
            if said and not node.name.startswith("_") and "Source" in said:
                yield file.name, node.name, said


def test_every_estimator_names_the_test_that_pins_it():
    found = list(estimators())
    assert len(found) > 50
    unpinned = [f"{file}: {name}" for file, name, said in found if not re.search(r"inned by\s+tests/", said)]
    assert unpinned == []


def test_the_tests_named_are_there():
    named = {p for _, _, said in estimators() for p in re.findall(r"tests/[a-z_/]+\.py", said)}
    assert len(named) > 8
    assert [p for p in sorted(named) if not (ROOT / p).exists()] == []
