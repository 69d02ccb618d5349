"""Any export becomes text cells with exact row numbers: right first,
and fast where a cheap check has proven a block regular.

A row number is what an editor shows for CSV (the line on which the record begins)
and a spreadsheet for a sheet; Parquet
records count from 2,
as under a header. Wholly blank rows are no rows. Every other record is either in a batch's frame or
among its rejects, never both and never neither.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from pipeline.intake.discover import Found, blocks, book_bytes, whole
from pipeline.intake.problems import DataProblem

if TYPE_CHECKING:
    import numpy as np
    import polars as pl

DELIMITERS = (",", ";", "\t", "|")
_NAMED = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "pipe": "|", "space": " "}
_DELIMITER_WORDS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe", " ": "space", "": "one column"}
_HEAD = 1 << 18
_LOOK_FOR_HEADER = 60
# How far an open quote may run before it counts as never closed.
_QUOTE_LINES, _QUOTE_CHARS = 200, 200_000
_LONGEST_LINE = 1 << 26
_REPLACEMENT = "\ufffd"


@dataclass(frozen=True)
class Limits:
    max_field_chars: int = 10_000
    max_unpacked_mb: int = 4_000


@dataclass(frozen=True)
class Hints:
    """What the settings say about a file, and the column names to look for in its header."""

    wanted: frozenset[str] = frozenset()
    delimiter: str | None = None
    encoding: str | None = None
    quote: str | None = None
    header_row: int | None = None


NO_HINTS = Hints()
USUAL_LIMITS = Limits()


@dataclass(frozen=True)
class SourceShape:
    """How a file was read, as found or as set, to show."""

    kind: str
    header_row: int
    columns: tuple[str, ...]
    delimiter: str = ""
    encoding: str = ""
    quote: str = '"'
    header_end: int = 0
    is_imperfect: bool = False  # some bytes are no text in the encoding
    decimal: str | None = None
    thousands: str | None = None
    date_order: str | None = None
    findings: tuple[str, ...] = ()

    def text(self) -> str:
        parts = [self.kind]
        if self.kind == "csv":
            parts = ["CSV", f"{_DELIMITER_WORDS.get(self.delimiter, repr(self.delimiter))}", self.encoding]
        elif self.kind == "book":
            parts = ["sheet"]
        elif self.kind == "parquet":
            parts = ["Parquet"]
        if self.kind != "parquet":
            parts.append(f"header on line {self.header_row}")
        if self.date_order:
            parts.append(f"dates {self.date_order}")
        if self.decimal:
            parts.append(f"decimal mark '{self.decimal}'")
        if self.thousands:
            parts.append(f"thousands mark '{self.thousands}'")
        return ", ".join([*parts, *self.findings])


@dataclass(frozen=True)
class Reject:
    """A record that cannot be split into cells. `raw` keeps its build, not its words: letters become x, digits 9."""

    row: int
    reason: str
    value: str | None
    detail: str | None
    raw: str


@dataclass
class Batch:
    """Text columns and `row` (Int64), and the records that could not be split. rows_in counts records by their ends."""

    frame: pl.DataFrame
    rejects: list[Reject]
    rows_in: int
    blank_rows: int = 0


@dataclass(frozen=True)
class Opened:
    """A unit whose header has been found. `data` holds a workbook's rows once read."""

    unit: Found
    shape: SourceShape
    sha256: str
    sheet: pl.DataFrame | None = field(default=None, repr=False, compare=False)


def norm(name: str) -> str:
    """A column name without what does not matter: case, accents, spaces, underscores, punctuation."""
    text = unicodedata.normalize("NFKD", name.replace("ß", "ss")).casefold()
    return re.sub(r"[\W_]+", " ", "".join(c for c in text if not unicodedata.combining(c))).strip()


def mask(text: str, limit: int = 200) -> str:
    """The build of a broken row without its contents: it may hold names where another column should be."""
    short = text if len(text) <= limit else text[:limit] + "..."
    return "".join("9" if c.isdigit() else "x" if c.isalpha() else c if c.isprintable() else "?" for c in short)


def clean_header(cells: Sequence[str | None]) -> tuple[str, ...]:
    """Names of columns: trimmed, blank ones numbered, repeated ones counted."""
    names: list[str] = []
    seen: Counter[str] = Counter()
    for i, cell in enumerate(cells, 1):
        name = " ".join((cell or "").replace("\ufeff", "").replace("\x00", "").split())[:200] or f"column {i}"
        seen[name] += 1
        while seen[name] > 1 and f"{name} ({seen[name]})" in seen:
            seen[name] += 1
        unique = name if seen[name] == 1 else f"{name} ({seen[name]})"
        seen[unique] += unique != name
        # "row" and "file" are our own; columns of theirs by these names keep apart.
        names.append(f"{unique} " if unique in ("row", "file") else unique)
    return tuple(names)


def find_header(rows: Sequence[Sequence[str | None]], wanted: frozenset[str]) -> int | None:
    """Index of the header among the first rows: the one with most wanted names,
    else the first that looks like names."""
    rows = rows[:_LOOK_FOR_HEADER]
    if wanted:
        scores = [len({norm(c) for c in r if c} & wanted) for r in rows]
        best = max(scores, default=0)
        if best >= min(2, len(wanted)):
            return scores.index(best)
    filled = [sum(bool(c and c.strip()) for c in r) for r in rows]
    usual = Counter(f for f in filled if f > 1).most_common(1)
    width = usual[0][0] if usual else 1
    for i, r in enumerate(rows):
        names = [c.strip() for c in r if c and c.strip()]
        if (
            len(names) >= max(2, 0.6 * width)
            and len(set(names)) == len(names)
            and not any(re.fullmatch(r"[-+]?[\d.,:/ -]+", n) for n in names)
        ):
            return i
    return next((i for i, f in enumerate(filled) if f >= 2), next((i for i, f in enumerate(filled) if f), None))


# ---------------------------------------------------------------- opening


def open_table(unit: Found, hints: Hints = NO_HINTS, limits: Limits = USUAL_LIMITS) -> Opened:
    """Find out how a unit is built: encoding, delimiter, quote, header. One pass over a CSV's bytes.

    Raises DataProblem where it is no table at all, discover.Refused for bombs and locked members.
    """
    if unit.kind == "csv":
        return _open_csv(unit, hints, limits)
    return _open_book(unit, hints, limits) if unit.kind == "book" else _open_parquet(unit, limits)


def _open_parquet(unit: Found, limits: Limits) -> Opened:
    import pyarrow.parquet as pq

    try:
        names = pq.ParquetFile(_parquet_source(unit, limits)).schema_arrow.names
    except Exception as error:  # pyarrow has no common class for damage
        raise DataProblem(
            f"is no Parquet file that can be read ({str(error).splitlines()[0][:100]})",
            file=unit.name,
            remedy="Export it again, or take it out of incoming/.",
        ) from None
    digest = hashlib.sha256()
    for block in blocks(unit, limits.max_unpacked_mb):
        digest.update(block)
    return Opened(unit, SourceShape("parquet", 1, clean_header(names)), digest.hexdigest())


def _parquet_source(unit: Found, limits: Limits):
    return io.BytesIO(whole(unit, limits.max_unpacked_mb)) if unit.packing else str(unit.path)


def _open_book(unit: Found, hints: Hints, limits: Limits) -> Opened:
    import fastexcel

    data = book_bytes(unit, limits.max_unpacked_mb)
    digest = hashlib.sha256(data + b"#" + (unit.sheet or "").encode("utf-8", "replace")).hexdigest()
    try:
        sheet = (
            fastexcel.read_excel(data)
            .load_sheet(unit.sheet, header_row=None, skip_rows=0, dtypes="string")
            .to_polars()
        )
    except fastexcel.FastExcelError as error:
        raise DataProblem(
            f"the sheet cannot be read ({str(error).splitlines()[0][:100]})",
            file=unit.name,
            remedy="Save the workbook again, or export the sheet as CSV.",
        ) from None
    head = [list(r) for r in sheet.head(_LOOK_FOR_HEADER).rows()]
    at = hints.header_row - 1 if hints.header_row else find_header(head, hints.wanted)
    if at is None or at >= max(sheet.height, 1):
        return Opened(unit, SourceShape("book", 1, ()), digest, sheet.clear())
    cells = list(sheet.row(at))
    while (
        cells
        and not (cells[-1] or "").strip()
        and sheet[:, len(cells) - 1].slice(at + 1).null_count() == sheet.height - at - 1
    ):
        cells.pop()
    columns = clean_header(cells)
    sheet = sheet[:, : len(columns)]
    sheet.columns = list(columns)
    return Opened(unit, SourceShape("book", at + 1, columns), digest, sheet)


def _open_csv(unit: Found, hints: Hints, limits: Limits) -> Opened:
    digest = hashlib.sha256()
    head = b""
    is_utf8, good, bad, carry = True, 0, 0, b""
    nul_pairs = [0, 0]
    for block in blocks(unit, limits.max_unpacked_mb):
        digest.update(block)
        if len(head) < _HEAD:
            head += block[: _HEAD - len(head)]
            nul_pairs = [head[0::2].count(0), head[1::2].count(0)]
        if block.isascii() and not carry:
            continue
        piece = carry + block
        cut = len(piece)
        while cut and cut > len(piece) - 4 and piece[cut - 1] >= 0x80:  # a character may go on in the next block
            cut -= 1
        carry = piece[cut:] if len(piece) - cut < 4 else b""
        if not carry:
            cut = len(piece)
        g, b = _utf8_counts(piece[:cut])
        good, bad = good + g, bad + b
    if carry:
        g, b = _utf8_counts(carry)
        good, bad = good + g, bad + b
    is_utf8 = bad == 0
    encoding, findings = _encoding(unit, hints, head, is_utf8, good, bad, nul_pairs)
    bom = next((b for b in (codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE) if head.startswith(b)), b"")
    text = head[len(bom) :].decode(encoding, "replace")
    controls = sum(c < " " and c not in "\t\r\n\f\x0b\x1a\x1c\x1d\x1e\x1f" for c in text)
    if not text.strip("\x00 \r\n\t"):
        return Opened(unit, SourceShape("csv", 1, (), "", encoding), digest.hexdigest())
    if controls > max(8, 0.05 * len(text)):
        raise DataProblem(
            "is no text: it looks like a program's own file, or is damaged",
            file=unit.name,
            remedy="Export it as CSV, XLSX or Parquet, or take it out of incoming/.",
        )
    imperfect = not is_utf8 if encoding == "utf-8" else encoding not in ("latin-1", "iso-8859-1")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if len(head) == _HEAD:
        lines = lines[:-1] or lines
    quote = '"' if hints.quote is None else hints.quote[:1]
    delimiter = _NAMED.get((hints.delimiter or "").lower(), hints.delimiter)
    if delimiter is None and lines and re.fullmatch(r"sep=.", lines[0].strip("\ufeff")):
        delimiter = lines[0].strip("\ufeff")[-1]
    if delimiter is not None and (len(delimiter) != 1 or delimiter in "\n\r" or not delimiter.isascii()):
        raise DataProblem(
            f"the delimiter {hints.delimiter!r} in the settings is no single plain character",
            file=unit.name,
            remedy='Write delimiter = ";" or "," or "tab" or "|".',
        )
    found = _delimiter(lines, [delimiter] if delimiter else DELIMITERS, quote, hints)
    delimiter, records, at = found
    if at is None:
        return Opened(unit, SourceShape("csv", 1, (), delimiter, encoding, quote), digest.hexdigest())
    first, last, cells = records[at]
    shape = SourceShape(
        "csv",
        first,
        clean_header(cells),
        delimiter,
        encoding,
        quote,
        header_end=last,
        is_imperfect=imperfect,
        findings=findings,
    )
    return Opened(unit, shape, digest.hexdigest())


def _utf8_counts(data: bytes) -> tuple[int, int]:
    """(characters beyond ASCII that are good UTF-8, places that are not)."""
    if data.isascii():
        return 0, 0
    try:
        text = data.decode("utf-8")
        return 1 + text.count("é"), 0
    except UnicodeDecodeError:
        text = data.decode("utf-8", "replace")
        bad = text.count(_REPLACEMENT)
        return sum(c > "\x7f" for c in text) - bad, max(bad, 1)


def _encoding(
    unit: Found, hints: Hints, head: bytes, is_utf8: bool, good: int, bad: int, nul_pairs: list[int]
) -> tuple[str, tuple[str, ...]]:
    if hints.encoding:
        try:
            name = codecs.lookup(hints.encoding).name
            "a".encode(name).decode(name)
        except (LookupError, AttributeError, TypeError, UnicodeError):
            raise DataProblem(
                f"the encoding {hints.encoding!r} in the settings is not known",
                file=unit.name,
                remedy="Write utf-8, utf-16, cp1252 or another usual name.",
            ) from None
        if name == "utf-8-sig":
            return "utf-8", ()
        if name == "utf-16":
            return ("utf-16-be" if head.startswith(codecs.BOM_UTF16_BE) else "utf-16-le"), ()
        return ("latin-1" if name in ("iso8859-1", "latin-1") else name), ()
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8", ("with a byte order mark",)
    if head.startswith(codecs.BOM_UTF16_LE):
        return "utf-16-le", ()
    if head.startswith(codecs.BOM_UTF16_BE):
        return "utf-16-be", ()
    half = max(len(head) // 2, 1)
    if nul_pairs[1] > 0.6 * half and nul_pairs[0] < 0.1 * half:
        return "utf-16-le", ("found out",)
    if nul_pairs[0] > 0.6 * half and nul_pairs[1] < 0.1 * half:
        return "utf-16-be", ("found out",)
    if is_utf8:
        return "utf-8", ()
    if good > bad:
        return "utf-8", ("some rows are no UTF-8",)
    return "cp1252", ("taken for cp1252, since it is no UTF-8",)


def _delimiter(lines: list[str], candidates: Sequence[str], quote: str, hints: Hints):
    """(delimiter, records [(first line, last line, cells)], index of the header) of the best candidate."""
    best = None
    for rank, delimiter in enumerate(candidates):
        records = []
        for first, last, cells, _ in split_lines(lines[:400], 1, delimiter, quote, None, True):
            if hints.header_row and first < hints.header_row:
                continue
            if cells is not None and any(c.strip() for c in cells):
                records.append((first, last, cells))
        if hints.header_row:
            at = 0 if records and records[0][0] == hints.header_row else None
        else:
            at = find_header([r[2] for r in records], hints.wanted)
        if at is None:
            score = (0, 0.0, 0)
        else:
            names = records[at][2]
            after = records[at + 1 :]
            same = sum(len(r[2]) == len(names) for r in after) / len(after) if after else 0.5
            score = (
                len({norm(c) for c in names} & hints.wanted) if len(names) > 1 else 0,
                same if len(names) > 1 else 0.0,
                len(names),
            )
        if best is None or score > best[0]:
            best = (score, delimiter, records, at, rank)
    score, delimiter, records, at, _ = best
    if at is not None and len(records[at][2]) == 1 and len(candidates) > 1:
        delimiter = ""
        records = [(i, i, [t]) for i, t in enumerate(lines[:400], 1) if t.strip()]
        at = 0 if records else None
        if hints.header_row:
            at = next((k for k, r in enumerate(records) if r[0] == hints.header_row), None)
    return delimiter, records, at


# ---------------------------------------------------------------- splitting with care


def split_lines(
    lines: Sequence[str], base: int, delimiter: str, quote: str, width: int | None, is_final: bool
) -> Iterator[tuple[int, int, list[str] | None, str]]:
    """Records of text lines: (first line, last line, cells or None where broken, the text).

    A quote counts where a cell begins with it. One that is never closed, or is followed by more text, breaks its own
    line only. Stops early, without the rest, where an open quote runs into the end and more lines may come.
    """
    i, n = 0, len(lines)
    while i < n:
        line = lines[i]
        if not quote or quote not in line:
            yield base + i, base + i, line.split(delimiter) if delimiter else [line], line
            i += 1
            continue
        cells, is_open = _parse(line, delimiter, quote)
        if cells is not None or not is_open:
            yield base + i, base + i, cells, line
            i += 1
            continue
        text, j, done = line, i + 1, False
        while j < n and j - i <= _QUOTE_LINES and len(text) <= _QUOTE_CHARS:
            text += "\n" + lines[j]
            if quote in lines[j]:
                cells, is_open = _parse(text, delimiter, quote)
                if cells is not None or not is_open:
                    done = cells is not None and (width is None or len(cells) == width)
                    break
            j += 1
        else:
            if j >= n and not is_final and j - i <= _QUOTE_LINES and len(text) <= _QUOTE_CHARS:
                return
        if done:
            yield base + i, base + j, cells, text
            i = j + 1
        else:
            yield base + i, base + i, None, line
            i += 1


def _parse(text: str, delimiter: str, quote: str) -> tuple[list[str] | None, bool]:
    """(cells, False), or (None, whether the quote is still open)."""
    try:
        return next(
            csv.reader(io.StringIO(text, newline=""), delimiter=delimiter or "\x1f", quotechar=quote, strict=True)
        ), False
    except csv.Error as error:
        if "unexpected end" in str(error):
            return None, True
        if "field larger" in str(error):
            return [text], False
        if "\\" + quote in text:
            try:
                return next(
                    csv.reader(
                        io.StringIO(text, newline=""),
                        delimiter=delimiter or "\x1f",
                        quotechar=quote,
                        escapechar="\\",
                        doublequote=False,
                        strict=True,
                    )
                ), False
            except csv.Error:
                return None, False
        return None, False
    except StopIteration:
        return [""], False


def _lines_to_records(text: str, base: int, shape: SourceShape, limits: Limits, is_final: bool):
    """Careful path: (good [(row, cells)], rejects, records, blank rows, number of lines used)."""
    lines = text.split("\n")
    if lines and not lines[-1]:
        lines.pop()
    width = len(shape.columns)
    good: list[tuple[int, list[str]]] = []
    rejects: list[Reject] = []
    blank, used, records = 0, 0, 0
    for first, last, cells, raw in split_lines(lines, base, shape.delimiter, shape.quote, width, is_final):
        used = last - base + 1
        kept = judge(first, cells, raw, shape, limits)
        if kept is None:
            blank += 1
            continue
        records += 1
        if isinstance(kept, Reject):
            rejects.append(kept)
        else:
            good.append((first, kept))
    return good, rejects, records, blank, used


def judge(
    row: int, cells: list[str] | None, raw: str, shape: SourceShape, limits: Limits
) -> list[str] | Reject | None:
    """A record's cells, or why it is set aside; None for a wholly blank one."""
    width = len(shape.columns)
    if "\x00" in raw:
        return Reject(row, "nul_byte", None, None, mask(raw))
    if shape.is_imperfect and _REPLACEMENT in raw:
        return Reject(row, "bad_encoding", None, _encoding_word(shape.encoding), mask(raw))
    if cells is None:
        return Reject(row, "unclosed_quote", None, None, mask(raw))
    if len(raw) > limits.max_field_chars and (len(cells) == 1 or max(map(len, cells)) > limits.max_field_chars):
        return Reject(row, "field_too_long", None, f"{limits.max_field_chars:,}", mask(raw))
    if not any(c.strip() for c in cells):
        return None
    if len(cells) < width:
        return Reject(row, "too_few_cells", str(len(cells)), str(width), mask(raw))
    if len(cells) > width:
        if any(c.strip() for c in cells[width:]):
            return Reject(row, "too_many_cells", str(len(cells)), str(width), mask(raw))
        cells = cells[:width]
    if [c.strip() for c in cells] == list(shape.columns):
        return Reject(row, "repeated_header", None, None, mask(raw))
    return cells


def _encoding_word(encoding: str) -> str:
    return encoding.upper() if encoding.startswith("utf") else encoding


# ---------------------------------------------------------------- batches


def batches(opened: Opened, limits: Limits = USUAL_LIMITS, columns: Sequence[str] | None = None) -> Iterator[Batch]:
    """The unit's records in order. `columns`: those to load, as named in the shape; others never leave the reader."""
    shape = opened.shape
    names = list(shape.columns if columns is None else [c for c in shape.columns if c in set(columns)])
    if not shape.columns:
        return
    if opened.unit.kind == "csv":
        yield from _csv_batches(opened, limits, names)
    elif opened.unit.kind == "book":
        yield _frame_batch(opened.sheet.slice(shape.header_row), shape.header_row + 1, shape, names, limits)
    else:
        yield from _parquet_batches(opened, limits, names)


def _frame_batch(frame: pl.DataFrame, first_row: int, shape: SourceShape, names: list[str], limits: Limits) -> Batch:
    """A batch from cells that came already split."""
    import polars as pl

    frame = frame.with_columns(pl.int_range(first_row, first_row + pl.len(), dtype=pl.Int64).alias("row"))
    text = pl.col(list(shape.columns))
    filled = pl.any_horizontal(text.str.strip_chars().str.len_bytes() > 0).fill_null(False)
    kept = frame.filter(filled)
    blank = frame.height - kept.height
    rejects = []
    flags = {
        "nul_byte": pl.any_horizontal(text.str.contains("\x00", literal=True).fill_null(False)),
        "field_too_long": pl.any_horizontal((text.str.len_chars() > limits.max_field_chars).fill_null(False)),
        "repeated_header": pl.all_horizontal(pl.col(c).str.strip_chars() == c for c in shape.columns).fill_null(
            False
        ),
    }
    rows_in = kept.height
    for reason, flag in flags.items():
        bad = kept.filter(flag)
        if bad.height:
            detail = f"{limits.max_field_chars:,}" if reason == "field_too_long" else None
            for cells in bad.iter_rows(named=True):
                row = cells.pop("row")
                rejects.append(Reject(row, reason, None, detail, mask(" | ".join(c or "" for c in cells.values()))))
            kept = kept.filter(~flag)
    return Batch(kept.select(*names, "row"), rejects, rows_in, blank)


def _parquet_batches(opened: Opened, limits: Limits, names: list[str]) -> Iterator[Batch]:
    import polars as pl
    import pyarrow.parquet as pq

    file = pq.ParquetFile(_parquet_source(opened.unit, limits))
    row = 2
    try:
        for piece in file.iter_batches(batch_size=1_000_000):
            frame = pl.from_arrow(piece)
            frame.columns = list(opened.shape.columns)
            frame = frame.select(_as_text(frame[c]) for c in frame.columns)
            yield _frame_batch(frame, row, opened.shape, names, limits)
            row += frame.height
    except OSError as error:
        raise DataProblem(
            f"is damaged ({str(error).splitlines()[0][:100]})",
            file=opened.unit.name,
            remedy="Export it again, or take it out of incoming/.",
        ) from None


def _as_text(column: pl.Series) -> pl.Series:
    """Any column as text: dates as ISO, whole floating numbers without '.0'."""
    import polars as pl

    kind = column.dtype
    if kind == pl.String:
        return column
    if kind == pl.Binary:
        return pl.Series(
            column.name, [None if b is None else b.decode("utf-8", "replace") for b in column], dtype=pl.String
        )
    if kind.is_float():
        texts = column.cast(pl.String)
        return texts.str.replace(r"\.0$", "").alias(column.name)
    if kind.is_nested():
        return pl.Series(column.name, [None if v is None else str(v) for v in column.to_list()], dtype=pl.String)
    return column.cast(pl.String)


def _utf8_blocks(opened: Opened, limits: Limits) -> Iterator[bytes]:
    """The file as UTF-8 with bare line feeds, whatever it was."""
    shape = opened.shape
    raw = blocks(opened.unit, limits.max_unpacked_mb)
    encoding = shape.encoding
    pending, is_first = "", True
    decoder = None
    if encoding != "utf-8" or shape.is_imperfect:
        decoder = codecs.getincrementaldecoder(encoding)("replace")
    tail = b""
    bare_returns = None
    for block in raw:
        if is_first:
            for bom in (codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE):
                if (
                    block.startswith(bom)
                    and (bom != codecs.BOM_UTF8 or encoding == "utf-8")
                    and (bom == codecs.BOM_UTF8 or encoding.startswith("utf-16"))
                ):
                    block = block[len(bom) :]
                    break
            is_first = False
        if decoder is not None:
            block = decoder.decode(block).encode("utf-8", "replace")
        block = tail + block
        tail = b""
        if b"\r" in block:
            if block.endswith(b"\r"):
                block, tail = block[:-1], b"\r"
            if bare_returns is None:
                bare_returns = b"\n" not in block and block.count(b"\r") > 0
            block = block.replace(b"\r\n", b"\n")
            if bare_returns:
                block = block.replace(b"\r", b"\n")
        yield block
    if decoder is not None:
        pending = decoder.decode(b"", True)
    yield tail.replace(b"\r", b"\n" if bare_returns or bare_returns is None else b"") + pending.encode(
        "utf-8", "replace"
    )


def _csv_batches(opened: Opened, limits: Limits, names: list[str]) -> Iterator[Batch]:
    shape = opened.shape
    line = 1  # number of the first line in `rest`
    to_skip = shape.header_end
    rest = b""
    long_at: int | None = None  # line of a record too long to keep
    stream = _utf8_blocks(opened, limits)
    block = next(stream, None)
    while block is not None:
        following = next(stream, None)
        is_final = following is None
        rest = rest + block if rest else block
        block = following
        while to_skip and (at := rest.find(b"\n")) >= 0:
            rest = rest[at + 1 :]
            to_skip -= 1
            line += 1
        if to_skip:
            if is_final:
                return
            continue
        if long_at is not None:
            at = rest.find(b"\n")
            if at < 0 and not is_final:
                rest = b""
                continue
            rest = rest[at + 1 :] if at >= 0 else b""
            yield _only_reject(names, Reject(long_at, "field_too_long", None, f"{limits.max_field_chars:,}", "..."))
            line, long_at = line + 1, None
        if is_final and rest and not rest.endswith(b"\n"):
            rest += b"\n"
        if not rest:
            continue
        batch, used = _fast(rest, line, shape, limits, names)
        if batch is None:
            batch, used = _careful(rest, line, shape, limits, names, is_final)
        if used == 0 and not is_final and len(rest) > _LONGEST_LINE and b"\n" not in rest:
            long_at, rest = line, b""
            continue
        line += rest.count(b"\n", 0, used)
        rest = rest[used:]
        yield batch
        if is_final and rest:  # the careful path leaves nothing; the fast one leaves a record whose quote is open
            batch, used = _careful(rest, line, shape, limits, names, True)
            yield batch
            rest = b""


def _only_reject(names: list[str], reject: Reject) -> Batch:
    import polars as pl

    return Batch(pl.DataFrame(schema={**dict.fromkeys(names, pl.String), "row": pl.Int64}), [reject], 1)


def _careful(
    data: bytes, line: int, shape: SourceShape, limits: Limits, names: list[str], is_final: bool
) -> tuple[Batch, int]:
    cut = len(data) if is_final else data.rfind(b"\n") + 1
    text = data[:cut].decode("utf-8", "replace")
    good, rejects, records, blank, lines_used = _lines_to_records(text, line, shape, limits, is_final)
    used = cut
    if lines_used < text.count("\n"):
        at = -1
        for _ in range(lines_used):
            at = data.index(b"\n", at + 1)
        used = at + 1
    return Batch(_cells_frame(good, shape, names), rejects, records, blank), used


def _cells_frame(good: list[tuple[int, list[str]]], shape: SourceShape, names: list[str]) -> pl.DataFrame:
    import polars as pl

    index = [shape.columns.index(n) for n in names]
    data = {n: [c[i] for _, c in good] for n, i in zip(names, index, strict=True)}
    return pl.DataFrame(
        {**data, "row": [r for r, _ in good]}, schema={**dict.fromkeys(names, pl.String), "row": pl.Int64}
    )


def _fast(data: bytes, line: int, shape: SourceShape, limits: Limits, names: list[str]) -> tuple[Batch | None, int]:
    """Whole records of a block whose quoting is proven sound, or (None, 0).

    Sound: every quote opens right behind a delimiter, a line end or another quote, and closes right in front of one.
    Then line ends and delimiters outside quotes are exactly the record and cell borders.
    """
    import numpy as np
    import polars as pl

    if not shape.delimiter:
        return None, 0
    array = np.frombuffer(data, dtype=np.uint8)
    delimiter, quote = ord(shape.delimiter), ord(shape.quote) if shape.quote and shape.quote.isascii() else 10
    marks = np.zeros(256, dtype=bool)
    marks[[10, delimiter, quote]] = True
    at = np.flatnonzero(marks[array])
    kind = array[at]
    is_line = kind == 10
    has_quotes = quote != 10 and bool((kind == quote).any())
    if has_quotes:
        is_quote = kind == quote
        inside = ((np.cumsum(is_quote, dtype=np.int32) - is_quote) & 1).astype(bool)
        is_end, is_border = is_line & ~inside, (kind == delimiter) & ~inside
    else:
        is_end, is_border = is_line, kind == delimiter
    last = np.flatnonzero(is_end)
    if not len(last):
        return (_only_empty(names), 0) if not is_line.any() else (None, 0)
    ends = at[last]
    cut = int(ends[-1]) + 1
    if has_quotes:
        if cut < len(data) - _QUOTE_CHARS:
            return None, 0  # an open quote has run for long: perhaps it is never closed
        quotes = at[: last[-1]][is_quote[: last[-1]]]
        opens, closes = quotes[0::2], quotes[1::2]
        before = np.where(opens > 0, array[np.maximum(opens - 1, 0)], 10)
        after = array[closes + 1]  # a line end follows at the latest
        sound = marks.copy()  # a delimiter, a line end or another quote
        if not (sound[before].all() and sound[after].all()):
            return None, 0
    starts = np.concatenate(([0], ends[:-1] + 1))
    counts = np.diff(np.cumsum(is_border, dtype=np.int32)[last], prepend=0)
    line_of_end = np.cumsum(is_line, dtype=np.int32)[last]
    row_of = line + np.concatenate(([0], line_of_end[:-1])).astype(np.int64)
    lengths = ends - starts
    odd = counts != len(shape.columns) - 1
    if lengths.max() > limits.max_field_chars:
        odd |= lengths > limits.max_field_chars
    for needle in (b"\x00", _REPLACEMENT.encode() if shape.is_imperfect else b""):
        if needle and needle in data:
            hits = np.array([m.start() for m in re.finditer(re.escape(needle), data[:cut])], dtype=np.int64)
            odd[np.searchsorted(ends, hits)] = True
    first_header = shape.columns[0].encode()
    good_extra: list[tuple[int, list[str]]] = []
    rejects: list[Reject] = []
    blank = records = 0
    if odd.any():
        for k in np.flatnonzero(odd):
            if lengths[k] == 0:
                blank += 1
                continue
            raw = data[starts[k] : ends[k]].decode("utf-8", "replace")
            cells = (
                _parse(raw, shape.delimiter, shape.quote)[0]
                if shape.quote and shape.quote in raw
                else raw.split(shape.delimiter)
            )
            kept = judge(int(row_of[k]), cells, raw, shape, limits)
            if kept is None:
                blank += 1
                continue
            records += 1
            if isinstance(kept, Reject):
                rejects.append(kept)
            else:
                good_extra.append((int(row_of[k]), kept))
        text = _without(data, starts, ends, odd)
        rows = row_of[~odd]
    else:
        text, rows = data[:cut], row_of
    if len(rows):
        frame = pl.read_csv(
            text,
            has_header=False,
            separator=shape.delimiter,
            quote_char=shape.quote if has_quotes else None,
            schema=dict.fromkeys(_safe(shape.columns), pl.String),
            columns=_safe_of(shape.columns, names),
            eol_char="\n",
        )
        if frame.height != len(rows):
            return None, 0
        frame.columns = names
        frame = frame.with_columns(pl.Series("row", rows, dtype=pl.Int64))
        records += frame.height
        # Wholly blank and repeated header rows are rare; a cheap look decides whether to search for them.
        suspects = frame.filter(pl.all_horizontal(_is_blank(pl.col(n)) for n in names)) if names else frame
        again = (
            frame.filter(pl.col(names[0]).str.strip_chars() == names[0])
            if names and first_header in text
            else frame.clear()
        )
        doubtful = set(suspects["row"].to_list()) | set(again["row"].to_list())
        if doubtful:
            drop = []
            at = {int(r): k for k, r in enumerate(row_of)}
            for r in sorted(doubtful):
                k = at[r]
                raw = data[starts[k] : ends[k]].decode("utf-8", "replace")
                kept = judge(r, _parse(raw, shape.delimiter, shape.quote or "\x00")[0], raw, shape, limits)
                if kept is None:
                    blank, records = blank + 1, records - 1
                    drop.append(r)
                elif isinstance(kept, Reject):
                    rejects.append(kept)
                    drop.append(r)
            if drop:
                frame = frame.filter(~pl.col("row").is_in(drop))
    else:
        frame = _cells_frame([], shape, names)
    if good_extra:
        frame = pl.concat([frame, _cells_frame(good_extra, shape, names)]).sort("row")
    rejects.sort(key=lambda r: r.row)
    return Batch(frame, rejects, records, blank), cut


def _is_blank(column: pl.Expr) -> pl.Expr:
    return column.is_null() | (column.str.strip_chars() == "")


def _only_empty(names: list[str]) -> Batch:
    import polars as pl

    return Batch(pl.DataFrame(schema={**dict.fromkeys(names, pl.String), "row": pl.Int64}), [], 0)


def _safe(columns: Sequence[str]) -> list[str]:
    return [f"column_{i}" for i in range(1, len(columns) + 1)]


def _safe_of(columns: Sequence[str], names: Sequence[str]) -> list[str]:
    place = {c: i for i, c in enumerate(columns, 1)}
    return [f"column_{place[n]}" for n in names]


def _without(data: bytes, starts: np.ndarray, ends: np.ndarray, odd: np.ndarray) -> bytes:
    """The bytes of the records that are not odd."""
    pieces, begin = [], 0
    for k in odd.nonzero()[0]:
        pieces.append(data[begin : starts[k]])
        begin = int(ends[k]) + 1
    pieces.append(data[begin : int(ends[-1]) + 1])
    return b"".join(pieces)


def read_all(
    opened: Opened, limits: Limits = USUAL_LIMITS, columns: Sequence[str] | None = None
) -> tuple[pl.DataFrame, list[Reject], int]:
    """All records at once: (text frame with `file` and `row`, rejects, rows in). For files of a usual size
    and for tests."""
    import polars as pl

    parts = list(batches(opened, limits, columns))
    names = [c for c in opened.shape.columns if columns is None or c in set(columns)]
    empty = pl.DataFrame(schema={**dict.fromkeys(names, pl.String), "row": pl.Int64})
    frame = pl.concat([empty, *[p.frame for p in parts]])
    frame = frame.with_columns(pl.lit(opened.unit.name).alias("file"))
    return frame, [r for p in parts for r in p.rejects], sum(p.rows_in for p in parts)


def with_findings(shape: SourceShape, **more: object) -> SourceShape:
    """A shape with what the mapping found out (date_order, decimal, thousands)."""
    return replace(shape, **more)
