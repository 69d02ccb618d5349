"""What `lowbeam check` says: what was read, what could not be used and why, what to mend first,
what cannot be answered."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.intake.problems import DataProblem
from pipeline.intake.report import FileReport, LoadReport, Note
from pipeline.settings import Settings

if TYPE_CHECKING:
    import duckdb

_TABLE_WORDS = {
    "vehicles": "vehicles",
    "odometer": "odometer readings",
    "orders": "repair orders",
    "repair_lines": "repair lines",
    "parts": "part numbers",
    "access": "check times",
    "service_plan": "planned services",
    "costs": "costs",
    "flat": "repair lines with their orders and vehicles",
}
_HARMLESS = ("duplicate_file", "duplicate_row", "superseded", "repeated_header")


@dataclass(frozen=True)
class Want:
    """A question that needs one of these columns: (table, column). weight: how much depends on it,
    for the order of fixes."""

    columns: tuple[tuple[str, str], ...]
    lost: str
    weight: int


WANTS = (
    Want(
        (("vehicles", "first_use_date"),),
        "how old the parts were that came with the vehicle; their curves start late or not at all",
        9,
    ),
    Want(
        (("repair_lines", "odometer"), ("orders", "odometer"), ("odometer", "reading")),
        "anything by km: curves, plans and priors by mileage",
        9,
    ),
    Want(
        (("repair_lines", "complaint"), ("orders", "complaint")),
        "which part to suspect first for a complaint, and wrong first guesses",
        8,
    ),
    Want(
        (("repair_lines", "part_number"), ("repair_lines", "supplier")),
        "which supplier's part lasts, and which fails early",
        7,
    ),
    Want((("parts", "supplier"), ("repair_lines", "supplier")), "a comparison of suppliers", 6),
    Want((("vehicles", "lighting"),), "halogen, discharge and LED apart, but for vehicles whose repairs tell", 6),
    Want(
        (("repair_lines", "line_number"),),
        "corrected exports replacing their lines: without line numbers a changed line counts as a new one",
        5,
    ),
    Want((("repair_lines", "lot"),), "a bad lot among good ones of the same part number", 4),
    Want((("parts", "warranty_months"), ("parts", "warranty_km")), "what to claim from suppliers under warranty", 4),
    Want((("repair_lines", "part_cost"), ("parts", "unit_cost")), "what failures and wrong guesses cost in parts", 4),
    Want((("repair_lines", "labour_hours"), ("repair_lines", "labour_cost")), "what they cost in labour", 3),
    Want(
        (("vehicles", "in_service_to"),),
        "when vehicles left; those that stopped coming look as if nothing failed, where coverage is complete",
        3,
    ),
    Want(
        (("vehicles", "drive_side"),),
        "sides told as driver, passenger, near or off, unless units.drive_side is set",
        3,
    ),
    Want((("access", "check_minutes"),), "the quickest order of checks in minutes", 3),
    Want((("costs", "unplanned_cost"),), "whether preventive replacement pays", 3),
    Want(
        (("service_plan", "next_service_on"), ("service_plan", "interval_days"), ("service_plan", "interval_km")),
        "which part is due at which planned service",
        2,
    ),
    Want((("vehicles", "customer_group"),), "fleets apart from walk-in customers", 2),
)


@dataclass(frozen=True)
class Group:
    """Rows or cells set aside for one reason in one column of one table; files: how many, file
    and row: the first of them."""

    table: str | None
    files: int
    file: str
    column: str | None
    reason: str
    kind: str
    n: int
    row: int | None
    value: str | None
    what: str
    expected: str
    remedy: str


@dataclass(frozen=True)
class VerdictData:
    """All that the words are made of. words: (headlamp lines, of them without a known component,
    without a known side), None
    where the texts were not read. mends: (readings changed, readings refused)."""

    files: tuple[FileReport, ...]
    notes: tuple[Note, ...]
    groups: tuple[Group, ...]
    mapped: dict[str, tuple[str, ...]]
    spans: dict[str, tuple[dt.date, dt.date]]
    vehicles: int
    problems: tuple[str, ...] = ()
    words: tuple[int, int, int] | None = None
    mends: tuple[int, int] | None = None
    drive_side_set: bool = False
    unread: tuple[str, int] | None = None  # the commonest text whose part could not be told, and how many lines hold it
    needs_drive_side: int = 0  # lines whose side is told as near, off, driver or passenger of a vehicle of unknown drive side


def verdict(
    con: duckdb.DuckDBPyConnection, report: LoadReport, settings: Settings, stops: Sequence[str] | None = None
) -> list[str]:
    """The page of words for a loaded build: gathers its counts and calls `lines`. stops: as told by `stopping`."""
    return lines(gather(con, report, settings, stops))


def stopping(con: duckdb.DuckDBPyConnection, report: LoadReport, more: Sequence[DataProblem] = ()) -> list[str]:
    """Why a run with these files would stop: nothing where it would go through.

    A file of which too much is set aside, a file still being copied (`more`), no row with a date at all. What stops the
    reading itself (a needed column that no file gives, accounts that do not add up) is raised before it comes to this.
    """
    out = [str(p) for p in (*report.problems, *more)]
    dated = con.execute(
        "select count(*) from (select opened_on as d from clean.repair_lines union all select opened_on from clean.orders "
        "union all select reading_on from clean.odometer) where d is not null"
    ).fetchone()[0]
    if not dated:
        out.append(
            str(
                DataProblem(
                    "No order, repair line or reading with a usable date was found in incoming/.",
                    remedy="Put right what is listed above under what could not be used, the dates first.",
                )
            )
        )
    return out


# What the rule of a line says where its side needs the drive side (see pipeline.intake.classify).
NEEDS_DRIVE_SIDE = "side: needs the drive side"


def gather(
    con: duckdb.DuckDBPyConnection, report: LoadReport, settings: Settings, stops: Sequence[str] | None = None
) -> VerdictData:
    groups = con.execute("""
        select table_name, count(distinct file), arg_min(file, (file, row)), column_name, reason, kind,
        count(distinct (file, row)) as n,
               arg_min(row, (file, row)), arg_min(value, (file, row)), arg_min(what, (file, row)),
               arg_min(expected, (file, row)),
               arg_min(remedy, (file, row))
        from clean.set_aside where row is not null group by table_name, column_name, reason, kind
        union all
        select table_name, 1, file, null, reason, kind, 1, null, null, what, expected, remedy
        from clean.set_aside where row is null
        order by n desc, 1, reason, column_name, 3""").fetchall()
    spans = {}
    for table, column in (("orders", "opened_on"), ("repair_lines", "opened_on"), ("odometer", "reading_on")):
        names = {r[0] for r in con.execute(f"select column_name from (describe clean.{table})").fetchall()}
        if column in names:
            low, high = con.execute(f"select min({column}), max({column}) from clean.{table}").fetchone()
            if low is not None:
                spans[table] = (low, high)
    vehicles = con.execute(
        "select count(distinct vehicle) from (select vehicle from clean.vehicles union all "
        "select vehicle from clean.repair_lines)"
    ).fetchone()[0]
    words = mends = None
    unread, needs_drive_side = None, 0
    there = {
        r[0] for r in con.execute("select table_name from duckdb_tables() where schema_name = 'clean'").fetchall()
    }
    if "classified_lines" in there:
        words = con.execute("""
            select count(*), count(*) filter (component = 'unknown'),
                   count(*) filter (side = 'unknown' and component not in ('unknown', 'control_module',
                   'switch_or_fuse'))
            from clean.classified_lines where component is not null""").fetchone()
        needs_drive_side = con.execute(
            "select count(*) from clean.classified_lines where component is not null and contains(rule, ?)", [NEEDS_DRIVE_SIDE]
        ).fetchone()[0]
    if "unread_texts" in there:
        unread = con.execute(
            "select text, lines from clean.unread_texts where missing = 'component' order by lines desc, text limit 1"
        ).fetchone()
    if "odometer_mends" in there:
        mends = con.execute(
            "select count(*) filter (km is not null), count(*) filter (km is null) from clean.odometer_mends"
        ).fetchone()
    return VerdictData(
        report.files,
        report.notes,
        tuple(Group(*g) for g in groups),
        report.mapped,
        spans,
        vehicles,
        tuple(str(p) for p in report.problems) if stops is None else tuple(stops),
        words,
        mends,
        settings.units.drive_side != "unknown",
        unread,
        needs_drive_side,
    )


def lines(data: VerdictData) -> list[str]:
    """The verdict, about a page. Pure: the same data give the same words."""
    out = _read(data)
    out += _changed(data)
    out += _aside(data)
    out += _fixes(data)
    out += _wants(data)
    if data.problems:
        out += ["", "A RUN WOULD STOP HERE"]
        out += [f"  {row}" for p in data.problems for row in p.splitlines()]
    return out


def _s(n: int, one: str, many: str | None = None) -> str:
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def _read(data: VerdictData) -> list[str]:
    rows_in, used, aside = (
        sum(getattr(f, k) for f in data.files) for k in ("rows_in", "rows_used", "rows_set_aside")
    )
    out = [
        "WHAT WAS READ",
        f"  {_s(len(data.files), 'file')}, {_s(rows_in, 'row')}: {used:,} used, {aside:,} set aside. "
        f"{_s(data.vehicles, 'vehicle')}.",
    ]
    for table, word in _TABLE_WORDS.items():
        mine = [f for f in data.files if f.table_name == table]
        if mine:
            span = data.spans.get("repair_lines" if table == "flat" else table)
            when = f", {span[0]} to {span[1]}" if span else ""
            out.append(f"  {word}: {sum(f.rows_used for f in mine):,} from {_s(len(mine), 'file')}{when}")
    for shape in dict.fromkeys(f.shape for f in data.files):
        mine = [f.file for f in data.files if f.shape == shape]
        out.append(f"  {_some(mine)} read as {shape}")
    if data.words:
        n, no_part, no_side = data.words
        out.append(
            f"  {_s(n, 'line')} concern the headlamps; {no_part:,} of them do not tell the part, {no_side:,} not "
            f"the side"
        )
    if data.mends:
        out.append(f"  odometer readings: {data.mends[0]:,} mended, {data.mends[1]:,} not usable")
    return out


def _changed(data: VerdictData) -> list[str]:
    """Columns gone, new or renamed, by name: an export that changed its build is seen before a month looks odd."""
    said = [f"  {n.place} {n.text}" for n in data.notes if n.kind in ("columns_changed", "column_gone")]
    if not said:
        return []
    more = [f"  ... and {len(said) - 6} more"] if len(said) > 6 else []
    return ["", "WHAT CHANGED IN THE EXPORTS", *said[:6], *more]


def _some(names: Sequence[str], most: int = 3) -> str:
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _aside(data: VerdictData) -> list[str]:
    out = ["", "WHAT COULD NOT BE USED"]
    if not data.groups:
        return [*out, "  Nothing: every row and every cell was used."]
    for g in data.groups[:12]:
        if g.kind == "file":
            out.append(f"  {g.file} was not read: it {g.what}")
            continue
        value = f" ({g.value!r})" if g.value is not None else ""
        out.append(f"  {_s(g.n, g.kind)} of {_TABLE_WORDS.get(g.table or '', g.table)}: {g.what}{value}; {_place(g)}")
    if len(data.groups) > 12:
        out.append(f"  ... and {len(data.groups) - 12} more kinds; all rows are in the table set_aside.")
    if any(g.kind == "cell" for g in data.groups):
        out.append("  (Where a cell could not be read, the rest of its row was used.)")
    return out


def _place(g: Group) -> str:
    first = f"{g.file}, row {g.row:,}"
    return first if g.n == 1 else f"first in {first}" + (f", in {g.files} files" if g.files > 1 else "")


def _fixes(data: VerdictData) -> list[str]:
    """The five most valuable: rows lost, then cells lost, then columns whose want costs most."""
    found: list[tuple[float, str]] = []
    for g in data.groups:
        if g.reason in _HARMLESS:
            continue
        weight = {"row": 3.0, "cell": 1.0, "file": 1_000.0}[g.kind]
        about = f"{g.file} {g.what}" if g.kind == "file" else f"{_s(g.n, g.kind)} where {g.what} ({_place(g)})"
        found.append((weight * g.n, f"{about}: {g.remedy}"))
    for n in data.notes:
        if n.remedy and n.kind in (
            "column_gone",
            "stale_correction",
            "far_date",
            "unused_file",
            "source_without_files",
            "order_number_reused",
            "columns_changed",
        ):
            found.append(
                (
                    500.0 if n.kind in ("column_gone", "far_date", "unused_file") else 50.0,
                    f"{n.place} {n.text}. {n.remedy}",
                )
            )
    if data.words:
        total, no_part, no_side = data.words
        drive = min(data.needs_drive_side, no_side)
        if drive:
            found.append(
                (
                    2.5 * drive,
                    f"{_s(drive, 'headlamp line')} of {total:,} tell the side as near, off, driver's or passenger's: set "
                    f"units.drive_side in settings.toml, or map the side of the driver's seat to drive_side.",
                )
            )
        if no_side > drive:
            found.append(
                (
                    2.0 * (no_side - drive),
                    f"{_s(no_side - drive, 'headlamp line')} of {total:,} do not say which side: have the desk write left "
                    f"or right, or map a column to side.",
                )
            )
        if not total:
            found.append(
                (
                    5_000.0,
                    "No line could be read as one about headlamps: look whether description is mapped to the right column, "
                    "and add your words to a vocabulary file.",
                )
            )
        if no_part:
            found.append(
                (
                    2.0 * no_part,
                    f"{_s(no_part, 'headlamp line')} of {total:,} do not say which part: map part_number and add the parts "
                    "table, or add your words to a vocabulary file"
                    + (f" (the commonest is {data.unread[0]!r}, {data.unread[1]:,} times)." if data.unread else "."),
                )
            )
    lines_read = sum(f.rows_used for f in data.files if f.table_name in ("repair_lines", "flat"))
    for want in _missing(data)[:3]:
        named = " or ".join(f"{c} ({t})" for t, c in want.columns)
        found.append(
            (
                want.weight * max(lines_read, 1) / 30,
                f"Export and map {named}, to learn {want.lost.split(chr(59))[0]}.",
            )
        )
    if not found:
        return ["", "WHAT TO MEND FIRST", "  Nothing that matters."]
    found.sort(key=lambda f: (-f[0], f[1]))
    return ["", "WHAT TO MEND FIRST", *[f"  {i}. {text}" for i, (_, text) in enumerate(found[:5], 1)]]


def _missing(data: VerdictData) -> list[Want]:
    out = []
    for want in WANTS:
        if data.drive_side_set and want.columns[0] == ("vehicles", "drive_side"):
            continue
        if not any(c in data.mapped.get(t, ()) for t, c in want.columns):
            out.append(want)
    return sorted(out, key=lambda w: -w.weight)


def _wants(data: VerdictData) -> list[str]:
    missing = _missing(data)
    out = ["", "WHAT CANNOT BE ANSWERED"]
    if not missing:
        return [*out, "  No column is missing."]
    return out + [f"  {w.lost} (needs {' or '.join(f'{t}.{c}' for t, c in w.columns)})" for w in missing]
