"""The accounts of a load: rows in = rows used + rows set aside, file by file, and what stands out in them."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from pipeline.intake import contracts
from pipeline.intake.discover import natural
from pipeline.intake.problems import AccountsError, DataProblem
from pipeline.intake.readers import with_findings
from pipeline.intake.report import FileReport, Note

if TYPE_CHECKING:
    import duckdb


def accounts(con: duckdb.DuckDBPyConnection, jobs: Sequence[Any]) -> tuple[FileReport, ...]:
    used: dict[int, int] = {}
    for table in dict.fromkeys(j.table for j in jobs):
        used |= dict(con.execute(f"select file_no, count(*) from stage_{table} group by file_no").fetchall())
    gone = {
        n: (rows, cells)
        for n, rows, cells in con.execute(
            "select file_no, count(distinct case when kind = 'row' then row end), count(case when kind = 'cell' "
            "then 1 end) "
            "from aside group by file_no"
        ).fetchall()
    }
    reports = []
    for j in jobs:
        rows, cells = gone.get(j.number, (0, 0))
        shape = with_findings(j.opened.shape, findings=(*j.opened.shape.findings, *j.findings))
        report = FileReport(
            j.file,
            j.table,
            j.source.name,
            j.rows_in,
            used.get(j.number, 0),
            rows,
            cells,
            j.opened.sha256,
            j.seen_on,
            shape.text(),
            j.opened.shape.columns,
        )
        if report.rows_in != report.rows_used + report.rows_set_aside:
            raise AccountsError(
                f"{report.rows_in:,} rows were read, but {report.rows_used:,} were used and "
                f"{report.rows_set_aside:,} set aside",
                file=j.file,
                remedy="This is a fault of the program: please report it with the file's first lines. "
                "Nothing was published.",
            )
        reports.append(report)
    return tuple(sorted(reports, key=lambda r: (natural(r.file), r.table_name, r.source)))


def too_much_aside(con: duckdb.DuckDBPyConnection, reports: Sequence[FileReport], limit: float) -> list[DataProblem]:
    """The files of which more than the share `limit` cannot be used, from clean.set_aside.

    The parts of a split export (part=00/jobs.csv.parquet, part=01/...) count as one file.
    """
    marks = ", ".join("?" * len(contracts.NOT_A_FAULT))
    whole = "regexp_replace(file, '^part=[^/]+/', '')"
    rows = con.execute(
        f"select whole, max(n) from (select whole, table_name, sum(n) as n from ("
        f"select {whole} as whole, file, table_name, count(distinct row) as n from clean.set_aside "
        f"where kind = 'row' and reason not in ({marks}) group by all) group by all) group by all",
        list(contracts.NOT_A_FAULT),
    ).fetchall()
    faults = {file: int(n) for file, n in rows if file is not None}
    read: dict[str, int] = defaultdict(int)
    for r in reports:
        read[whole_name(r.file)] += r.rows_in
    problems = []
    for file, rows_in in read.items():
        n = faults.get(file, 0)
        if rows_in and n > limit * rows_in:
            shown = con.execute(
                f"""
                select count(*) as n, min(row), any_value(what order by row), any_value(value order by row),
                any_value(remedy order by row)
                from clean.set_aside where {whole} = ? and kind = 'row' and reason not in ({marks})
                group by reason, column_name order by n desc, reason limit 3""",
                [file, *contracts.NOT_A_FAULT],
            ).fetchall()
            listing = "".join(
                f"\n  {count:,} rows, the first is row {row}: {what}" + (f" ({value!r})" if value else "")
                for count, row, what, value, _ in shown
            )
            problems.append(
                DataProblem(
                    f"{n:,} of {rows_in:,} rows cannot be used, more than {limit:.0%} of the file:{listing}",
                    file=file,
                    remedy=f"{shown[0][4]} To go on all the same, raise intake.max_set_aside_share in settings.toml.",
                )
            )
    return problems


def whole_name(file: str) -> str:
    """A file's name below incoming/ without the part of a split that it lies in."""
    return re.sub(r"^part=[^/]+/", "", file)


def note_far_dates(con: duckdb.DuckDBPyConnection, notes: list[Note]) -> None:
    """A last date far behind the last but few is likely a slip, and would move the as-of day."""
    rows = con.execute("""
        with days as (select opened_on as d, file, row from clean.repair_lines union all select opened_on, file,
        row from clean.orders
                      union all select reading_on, file, row from clean.odometer)
        select max(d), quantile_disc(d, 0.999), arg_max(file, d), arg_max(row, d), count(*) from days""").fetchone()
    if rows and rows[4] >= 100 and rows[0] and (rows[0] - rows[1]).days > 366:
        notes.append(
            Note(
                "far_date",
                f"{rows[2]}, row {rows[3]}",
                f"is dated {rows[0]}, long after nearly all others (up to {rows[1]})",
                f"If it is a slip, correct it (corrections.csv does it without touching the export), or use "
                f"--as-of {rows[1]}.",
            )
        )


def write_files(con: duckdb.DuckDBPyConnection, reports: Sequence[FileReport]) -> None:
    con.execute(
        "create or replace table clean.files (file VARCHAR, table_name VARCHAR, source VARCHAR, rows_in BIGINT, "
        "rows_used BIGINT, "
        "rows_set_aside BIGINT, cells_blanked BIGINT, sha256 VARCHAR, first_seen_on DATE, shape VARCHAR)"
    )
    con.executemany(
        "insert into clean.files values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                r.file,
                r.table_name,
                r.source,
                r.rows_in,
                r.rows_used,
                r.rows_set_aside,
                r.cells_blanked,
                r.sha256,
                r.first_seen_on,
                r.shape,
            )
            for r in reports
        ],
    )
