"""One small workspace, run once, that several files of tests copy."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests import small


@pytest.fixture(scope="session")
def ran(tmp_path_factory):
    """(folder, result) of a small workspace after its first run. Never change it: take `workspace`."""
    from pipeline import steps

    folder = small.make(tmp_path_factory.mktemp("ran") / "shop", vehicles=40)
    return folder, steps.run(folder)


@pytest.fixture
def workspace(ran, tmp_path) -> Path:
    """A copy of that workspace with its published month."""
    return Path(shutil.copytree(ran[0], tmp_path / "shop", symlinks=True))
