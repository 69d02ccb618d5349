"""An incoming/ folder split by vehicle: every export again as Hive-partitioned Parquet, for runs that are spread over machines.

incoming/part=00/jobs.csv.parquet holds the rows of jobs.csv whose vehicle falls into part 00, all columns as text, just as they were.
A vehicle's part is a hash of its identifier (the same for "AB 12" and "ab 12"); lines that name no vehicle go with their order, and what
names neither goes to the first part, where the run sets it aside with its reason. Catalogues stay outside the parts. Records that
cannot be split into cells have no vehicle to go by: they are given back, one by one, with file, row and reason.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.intake import mapping
from pipeline.intake.assign import assign_units
from pipeline.intake.discover import discover
from pipeline.intake.identity import plain_id
from pipeline.intake.problems import DataProblem
from pipeline.intake.readers import Hints, Limits, norm, open_table, read_all
from pipeline.settings import Settings

if TYPE_CHECKING:
    import polars as pl

    from pipeline.intake.discover import Found
    from pipeline.settings import Source

BY_VEHICLE = ("vehicles", "odometer", "orders", "repair_lines", "flat")


def part_number(vehicle: str, parts: int) -> int:
    """The part of a vehicle: 64 bits of BLAKE2b (RFC 7693) of its plain identifier, modulo the number of parts."""
    digest = hashlib.blake2b(plain_id(vehicle).encode("utf-8", "surrogatepass"), digest_size=8).digest()
    return int.from_bytes(digest, "big") % parts


@dataclass(frozen=True)
class Split:
    """What a split did: rows written by file, and (file, row, reason) of the records that could not be; together all rows in."""

    written: dict[str, int]
    set_aside: tuple[tuple[str, int, str], ...]


def split_exports(incoming: Path, out: Path, settings: Settings, parts: int) -> Split:
    """Write the exports below `incoming` that a source maps as part= folders below `out`.

    Raises DataProblem for a damaged file, where rows do not add up, and where `parts` is not between 2 and 10,000.
    """
    import polars as pl

    if not 2 <= parts <= 10_000:
        raise DataProblem(f"{parts} parts were asked for", remedy="Ask for 2 to 10,000 parts.")
    limits = Limits(settings.intake.max_field_chars, settings.intake.max_unpacked_mb)
    found = discover(incoming, limits.max_unpacked_mb)
    assigned, _ = assign_units(settings, found.units, [])
    width = len(str(parts - 1))
    orders: dict[str, int] = {}
    written: dict[str, int] = {}
    aside: list[tuple[str, int, str]] = []
    units = [(source, unit) for source, mine in assigned for unit in mine]
    # Orders first: their lines go where they go.
    for source, unit in sorted(units, key=lambda u: u[0].table not in ("orders", "flat")):
        frame, plan, rejected = _read(source, unit, limits)
        aside += rejected
        name = unit.name
        if source.table not in BY_VEHICLE:
            _write(frame, out / f"{name}.parquet")
        else:
            vehicle, order = _cells(frame, plan, "vehicle_id"), _cells(frame, plan, "order_id")
            number = [part_number(v, parts) if v else orders.get(norm(o), 0) if o else 0 for v, o in zip(vehicle, order, strict=True)]
            if source.table in ("orders", "flat"):
                orders |= {norm(o): n for o, n, v in zip(order, number, vehicle, strict=True) if o and v}
            keyed = frame.with_columns(pl.Series("part_number_", number, dtype=pl.Int64))
            for (n,), rows in sorted(keyed.group_by("part_number_", maintain_order=True), key=lambda g: g[0]):
                _write(rows.drop("part_number_"), out / f"part={n:0{width}d}" / f"{name}.parquet")
        written[unit.name] = frame.height
    return Split(written, tuple(aside))


def _read(source: Source, unit: Found, limits: Limits) -> tuple[pl.DataFrame, mapping.Plan, list[tuple[str, int, str]]]:
    opened = open_table(unit, Hints(delimiter=source.delimiter, encoding=source.encoding, quote=source.quote,
                                    header_row=source.header_row), limits)
    frame, rejects, rows_in = read_all(opened, limits)
    if rows_in != frame.height + len(rejects):
        raise DataProblem(f"{rows_in:,} rows were read, but {frame.height:,} could be written and {len(rejects):,} not", file=unit.name,
                          remedy="This is a fault of the program: please report it with the file's first lines.")
    rejected = [(unit.name, r.row, r.reason) for r in rejects]
    return frame.drop("row", "file"), mapping.make_plan(source, opened.shape.columns), rejected


def _cells(frame: pl.DataFrame, plan: mapping.Plan, ours: str) -> list[str | None]:
    """The first cell that is not blank among the columns mapped to one of ours."""
    import polars as pl

    mapped = next((m for m in plan.columns if m.ours.name == ours), None)
    if mapped is None or not mapped.theirs:
        return [mapped.constant if mapped else None] * frame.height
    by_norm = {norm(c): c for c in frame.columns}
    cells = [pl.col(by_norm[norm(t)]).str.strip_chars() for t in mapped.theirs if norm(t) in by_norm]
    return frame.select(pl.coalesce(*[pl.when(c != "").then(c) for c in cells])).to_series().to_list()


def _write(frame: pl.DataFrame, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    os.chmod(path.parent, 0o700)
    frame.write_parquet(path, compression="zstd")
    os.chmod(path, 0o600)
