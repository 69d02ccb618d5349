"""Files for spreadsheets and programs: tables as Parquet and CSV, charts as SVG and PNG with their numbers,
written whole.

A CSV cell that a spreadsheet would run as a formula gets an apostrophe in front, as these texts come from
strangers' exports; Parquet keeps the text as it is. The same tables give the same bytes. """

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

    from pipeline.publish.charts import Chart

# What spreadsheets take for the beginning of a formula, also behind blanks and in their wide forms.
# Source: OWASP, "CSV Injection": = + - @, tab, carriage return, line feed, and their full-width forms.
FORMULA = r"^(?:[\t\r\n]|[\s\x00]*[=+\-@\uFF1D\uFF0B\uFF0D\uFF20])"


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole or not at all, for its owner only. Raises OSError."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.part")
    try:
        descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
        os.replace(beside, path)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise


def write_text(path: Path, text: str) -> None:
    """Write text as UTF-8 with plain line ends, whole or not at all."""
    write_bytes(path, text.encode("utf-8"))


def neutral(frame: pl.DataFrame) -> pl.DataFrame:
    """The frame as it may stand in a CSV: formulas made harmless (in headings too), lists joined by commas,
    infinities empty."""
    import polars as pl

    made = []
    for name, kind in frame.schema.items():
        column = pl.col(name)
        if isinstance(kind, pl.List | pl.Array):
            column = column.cast(pl.List(pl.String)).list.join(",", ignore_nulls=True)
            kind = pl.String()
        elif isinstance(kind, pl.Categorical | pl.Enum):
            column = column.cast(pl.String)
            kind = pl.String()
        elif isinstance(kind, pl.Struct):
            column = column.struct.json_encode()
            kind = pl.String()
        if kind == pl.String:
            column = pl.when(column.str.contains(FORMULA)).then(pl.lit("'") + column).otherwise(column)
        elif kind.is_float():
            column = pl.when(column.is_finite()).then(column)
        made.append(column.alias(name))
    out = frame.select(made) if made else frame
    return out.rename({c: "'" + c for c in out.columns if re.match(FORMULA, c)})


def csv_bytes(frame: pl.DataFrame) -> bytes:
    """A table as CSV: UTF-8, commas, ISO dates, formulas made harmless."""
    return neutral(frame).write_csv(date_format="%Y-%m-%d", datetime_format="%Y-%m-%dT%H:%M:%S").encode("utf-8")


def write_tables(folder: Path, tables: Mapping[str, pl.DataFrame]) -> None:
    """Every table as NAME.parquet and NAME.csv. Raises ValueError for a name that is no plain file name."""
    import io

    for name, frame in sorted(tables.items()):
        if not name.replace("_", "a").isalnum() or not name.isascii():
            raise ValueError(f"a table cannot be published under the name {name!r}")
        buffer = io.BytesIO()
        frame.write_parquet(buffer, compression="zstd", statistics=True)
        write_bytes(folder / f"{name}.parquet", buffer.getvalue())
        write_bytes(folder / f"{name}.csv", csv_bytes(frame))


def write_charts(folder: Path, charts: Sequence[Chart]) -> None:
    """Every chart as NAME.svg and NAME.png, its numbers as NAME.csv; see drawing.py."""
    from pipeline.publish import drawing

    with drawing.Drawing(folder) as pictures:
        pictures.add(charts)
