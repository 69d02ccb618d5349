"""Whole runs of a few odd workspaces: one vehicle and nothing wrong, no headlamp at all, lighting that nobody told (see odd.py)."""

from __future__ import annotations

import pytest

from tests.benchmarks import odd


@pytest.mark.parametrize("number", [6008, 6005, 6009])
def test_an_odd_workspace_is_published(number, tmp_path):
    assert odd.try_one(number, tmp_path / "odd") == "published"
