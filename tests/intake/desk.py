"""Small helpers of the intake tests: a folder of files, loaded in one call."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.intake.load import LoadReport, load
from pipeline.settings import Settings, parse_settings
from pipeline.store import connect, read_table

KEY = b"a key of the tests, not secret.."


class Loaded:
    """A build in memory and its report."""

    def __init__(self, folder: Path, settings: Settings, **more: object) -> None:
        self.con = connect(":memory:")
        self.report: LoadReport = load(self.con, folder, settings, KEY, **more)

    def table(self, name: str, order: str = "file, row") -> pl.DataFrame:
        return read_table(self.con, f"select * from clean.{name} order by {order}")

    @property
    def aside(self) -> pl.DataFrame:
        return self.table("set_aside")

    def accounts(self) -> tuple[int, int, int]:
        """(rows in, used, set aside), each file checked against tables that were counted apart."""
        for f in self.report.files:
            assert f.rows_in == f.rows_used + f.rows_set_aside, f
        return tuple(
            sum(getattr(f, k) for f in self.report.files) for k in ("rows_in", "rows_used", "rows_set_aside")
        )


def settle(folder: Path, files: dict[str, str | bytes]) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder


def load_files(folder: Path, files: dict[str, str | bytes], settings: str = "", **more: object) -> Loaded:
    return Loaded(settle(folder, files), parse_settings(settings), **more)
