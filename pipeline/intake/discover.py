"""The files in incoming/, opened as far as needed to list their tables: packed members
and sheets become units of their own.

Names inside archives are only ever text: nothing is unpacked to disk and no such name is used as a path.
"""

from __future__ import annotations

import contextlib
import errno
import gzip
import hashlib
import io
import os
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.intake.problems import DataProblem

CSV_ENDINGS = (".csv", ".tsv", ".tab", ".txt", ".psv")
BOOK_ENDINGS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")
_UNFINISHED = (".part", ".partial", ".crdownload", ".download", ".filepart", ".tmp", ".temp", ".swp", ".lock")
_BLOCK = 1 << 25
# A text table packs 5 to 60 times smaller; deflate cannot do better than about 1,030. A bomb is far above honest files.
_MAX_RATIO = 200
_RATIO_FROM = 20_000_000
# What the standard library raises at damaged archives; ValueError where a header points before the file's start.
_BROKEN = (EOFError, zlib.error, gzip.BadGzipFile, zipfile.BadZipFile, NotImplementedError, RuntimeError, ValueError, struct.error)


@contextlib.contextmanager
def _impossible_places() -> Iterator[None]:
    """A damaged archive may name a place before its own start; the system then says no more than "invalid argument"."""
    try:
        yield
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        raise zipfile.BadZipFile("it points outside itself") from None


class Refused(Exception):
    """A file or member that is not opened: a reason id of contracts.REASONS, and its detail."""

    def __init__(self, file: str, reason: str, detail: str = "") -> None:
        self.file, self.reason, self.detail = file, reason, detail
        super().__init__(f"{file}: {reason}")


@dataclass(frozen=True)
class Found:
    """One table as it came: `name` is below incoming/, with !member or #sheet. kind: csv, parquet or book."""

    name: str
    path: Path
    kind: str
    packing: str | None = None  # gz or zip
    member: int | None = None  # position in the zip archive: names may repeat
    sheet: str | None = None

    @property
    def plain_names(self) -> tuple[str, ...]:
        """The names by which a settings pattern may mean this unit, most exact first."""
        file, _, sheet = self.name.partition("#") if self.sheet else (self.name, "", "")
        outer, _, inner = file.partition("!")
        names = {self.name, file, outer, outer.rsplit("/", 1)[-1]}
        if inner:
            names |= {inner, inner.rsplit("/", 1)[-1]}
        names |= {n[:-3] for n in tuple(names) if n.lower().endswith(".gz")}
        # A split export keeps its name within another: "part=03/desk/jobs.csv.parquet" is still meant by "desk/jobs*.csv".
        names |= {n.partition("/")[2] for n in tuple(names) if n.startswith("part=") and "/" in n}
        whole = {n[:-8] for n in tuple(names) if n.lower().endswith(".parquet") and "." in n[:-8].rsplit("/", 1)[-1]}
        for n in whole:
            outer, _, inner = n.partition("#")[0].partition("!")
            names |= {n, outer, outer.rsplit("/", 1)[-1], *({inner, inner.rsplit("/", 1)[-1]} if inner else ())}
        names |= {n[:-3] for n in tuple(names) if n.lower().endswith(".gz")}
        if sheet:
            names |= {f"{n}#{sheet}" for n in tuple(names)}
        return tuple(sorted(names))


@dataclass(frozen=True)
class Finding:
    """A file that is not read, and why, in words."""

    file: str
    kind: str
    text: str


@dataclass(frozen=True)
class Discovery:
    units: tuple[Found, ...]
    notes: tuple[Finding, ...]
    refused: tuple[Refused, ...]


def natural(name: str) -> tuple:
    """Sort key in which part 2 comes before part 10,
    and a file before its copies ("jobs.csv" before "jobs (copy).csv")."""

    def key(text: str) -> tuple:
        return tuple(
            (0, int(t), "") if t.isdecimal() else (1, 0, t) for t in re.split(r"(\d+)", text.casefold()) if t
        )

    stem, dot, ending = name.rpartition(".")
    return (key(stem if dot else name), key(ending), name)


def kind_of(name: str) -> str | None:
    low = name.lower()
    if low.endswith(CSV_ENDINGS):
        return "csv"
    if low.endswith(BOOK_ENDINGS):
        return "book"
    return "parquet" if low.endswith((".parquet", ".pq")) else None


def discover(incoming: Path, max_unpacked_mb: int = 4_000) -> Discovery:
    """Every readable table below `incoming`, in natural order of names, with notes on what was passed over.

    Raises DataProblem for an archive or workbook that is damaged.
    """
    units: list[Found] = []
    notes: list[Finding] = []
    refused: list[Refused] = []
    for path in sorted(
        (p for p in incoming.rglob("*") if p.is_file()), key=lambda p: natural(p.relative_to(incoming).as_posix())
    ):
        name = _printable(path.relative_to(incoming).as_posix())
        parts = path.relative_to(incoming).parts
        low = name.lower()
        if any(p.startswith((".", "~$")) for p in parts):
            notes.append(Finding(name, "hidden", "is hidden and was not read"))
        elif low.endswith(_UNFINISHED):
            notes.append(
                Finding(
                    name, "unfinished", "is still being copied and was not read; run again when it has its final name"
                )
            )
        elif path.stat().st_size == 0:
            notes.append(Finding(name, "empty", "is empty (0 bytes)"))
        elif low.endswith(".zip"):
            _members(path, name, units, notes, refused, max_unpacked_mb)
        elif low.endswith(".gz"):
            kind = kind_of(low[:-3])
            if kind is None:
                notes.append(Finding(name, "unknown_kind", "holds no table that can be read (CSV, Parquet or XLSX)"))
            elif kind == "book":
                _sheets(Found(name, path, "book", "gz"), units, notes, refused, max_unpacked_mb)
            else:
                units.append(Found(name, path, kind, "gz"))
        elif (kind := kind_of(low)) is None:
            notes.append(
                Finding(
                    name, "unknown_kind", "is no table that can be read (CSV, Parquet, XLSX; packed as .gz or .zip)"
                )
            )
        elif kind == "book":
            _sheets(Found(name, path, "book"), units, notes, refused, max_unpacked_mb)
        else:
            units.append(Found(name, path, kind))
    return Discovery(tuple(units), tuple(notes), tuple(refused))


def _printable(name: str) -> str:
    """A name as one line of text: control characters and broken encodings become '?', and it is kept short."""
    text = name.encode("utf-8", "replace").decode("utf-8")
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= 300 else text[:297] + "..."


def _members(
    path: Path, name: str, units: list[Found], notes: list[Finding], refused: list[Refused], limit: int
) -> None:
    try:
        with _impossible_places(), zipfile.ZipFile(path) as archive:
            infos = archive.infolist()
    except _BROKEN as error:
        raise _damaged(name, error) from None
    listed = []
    for position, info in enumerate(infos):
        inner = _printable(info.filename.replace("\\", "/"))
        shown = f"{name}!{inner}"
        base = inner.rsplit("/", 1)[-1]
        if info.is_dir() or base.startswith((".", "~$")) or inner.startswith("__MACOSX"):
            continue
        if base.lower().endswith((".zip", ".gz", ".7z", ".rar", ".tar", ".bz2", ".xz")):
            refused.append(Refused(shown, "archive_nested"))
        elif info.flag_bits & 1:
            refused.append(Refused(shown, "archive_locked"))
        elif (kind := kind_of(base)) is None:
            notes.append(Finding(shown, "unknown_kind", "is no table that can be read (CSV, Parquet, XLSX)"))
        else:
            listed.append((natural(inner), position, shown, kind))
    seen: dict[str, int] = {}
    for _, position, shown, kind in sorted(listed):
        seen[shown] = seen.get(shown, 0) + 1
        unique = shown if seen[shown] == 1 else f"{shown} ({seen[shown]})"
        unit = Found(unique, path, kind, "zip", position)
        if kind == "book":
            _sheets(unit, units, notes, refused, limit)
        else:
            units.append(unit)


def _sheets(unit: Found, units: list[Found], notes: list[Finding], refused: list[Refused], limit: int) -> None:
    import fastexcel

    try:
        names = fastexcel.read_excel(book_bytes(unit, limit)).sheet_names
    except Refused as error:
        refused.append(error)
        return
    except fastexcel.FastExcelError as error:
        if "password" in str(error).lower() or "encrypt" in str(error).lower():
            refused.append(Refused(unit.name, "archive_locked"))
            return
        raise DataProblem(
            "is no workbook that can be read: it is damaged, or is something else under this name",
            file=unit.name,
            remedy="Export it again, or save it as CSV.",
        ) from None
    for sheet in names:
        units.append(Found(f"{unit.name}#{_printable(sheet)}", unit.path, "book", unit.packing, unit.member, sheet))


def _damaged(name: str, error: Exception) -> DataProblem:
    return DataProblem(
        f"cannot be unpacked: it is damaged or still being copied ({str(error)[:100] or type(error).__name__})",
        file=name,
        remedy="Copy or export it again, or take it out of incoming/.",
    )


def blocks(unit: Found, max_unpacked_mb: int, size: int = _BLOCK) -> Iterator[bytes]:
    """The unit's unpacked bytes, block by block, never more than allowed.

    Raises Refused for a bomb or a locked member, DataProblem for damage.
    """
    limit = max_unpacked_mb * 1_000_000
    total = 0
    try:
        with open(unit.path, "rb") as raw:
            if unit.packing == "zip":
                with _impossible_places(), zipfile.ZipFile(raw) as archive:
                    info = archive.infolist()[unit.member or 0]
                    packed = max(info.compress_size, 1)
                    with archive.open(info) as stream:
                        for block in _chunks(stream, size):
                            total += len(block)
                            _guard(unit.name, total, packed, limit)
                            yield block
            elif unit.packing == "gz":
                packed = max(os.fstat(raw.fileno()).st_size, 1)
                with gzip.GzipFile(fileobj=raw) as stream:
                    for block in _chunks(stream, size):
                        total += len(block)
                        _guard(unit.name, total, packed, limit)
                        yield block
            else:
                yield from _chunks(raw, size)
    except _BROKEN as error:
        raise _damaged(unit.name, error) from None


def _chunks(stream: io.BufferedIOBase, size: int) -> Iterator[bytes]:
    while block := stream.read(size):
        yield block


def _guard(name: str, total: int, packed: int, limit: int) -> None:
    if total > limit:
        raise Refused(name, "archive_too_large", f"more than {limit // 1_000_000:,} MB")
    if total > _RATIO_FROM and total / packed > _MAX_RATIO:
        raise Refused(name, "archive_too_large", f"more than {_MAX_RATIO} times its packed size")


def whole(unit: Found, max_unpacked_mb: int) -> bytes:
    """All bytes of a unit, within the limit."""
    return b"".join(blocks(unit, max_unpacked_mb))


def book_bytes(unit: Found, max_unpacked_mb: int) -> bytes:
    """A workbook's bytes, once its own parts are known to unpack to an honest size."""
    data = whole(unit, max_unpacked_mb)
    if len(data) > max_unpacked_mb * 1_000_000:
        raise Refused(unit.name, "archive_too_large", f"more than {max_unpacked_mb:,} MB")
    if data[:2] != b"PK":
        return data
    total, limit = 0, max_unpacked_mb * 1_000_000
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for info in archive.infolist():
                part = 0
                with archive.open(info) as stream:
                    for block in _chunks(stream, 1 << 22):
                        total += len(block)
                        part += len(block)
                        _guard(unit.name, total, 1 << 60, limit)
                        _guard(unit.name, part, max(info.compress_size, 1), limit)
    except _BROKEN as error:
        if "password" in str(error) or "encrypted" in str(error):
            raise Refused(unit.name, "archive_locked") from None
        raise _damaged(unit.name, error) from None
    return data


def fingerprint(unit: Found, max_unpacked_mb: int) -> str:
    """SHA-256 of the unpacked content (of a sheet: of its workbook and its name),
    so that a packed copy counts as the same."""
    digest = hashlib.sha256()
    for block in blocks(unit, max_unpacked_mb):
        digest.update(block)
    if unit.sheet is not None:
        digest.update(b"#" + unit.sheet.encode("utf-8", "replace"))
    return digest.hexdigest()


def is_changing(unit: Found, before: os.stat_result) -> bool:
    """Whether the file was written to since `before`: it is still being copied."""
    try:
        now = unit.path.stat()
    except FileNotFoundError:
        return True
    return (now.st_size, now.st_mtime_ns) != (before.st_size, before.st_mtime_ns)
