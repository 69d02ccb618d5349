"""The clean tables, made from the stages: lines filled from their orders, flat rows split, one row a vehicle."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.intake import contracts
from pipeline.intake.problems import AccountsError
from pipeline.intake.report import Note
from pipeline.settings import Settings

if TYPE_CHECKING:
    import duckdb

TYPES = {"date": "DATE", "number": "DOUBLE", "flag": "BOOLEAN"}


def make_clean(
    con: duckdb.DuckDBPyConnection,
    staged: frozenset[str],
    own_columns: list[tuple[int, str]],
    settings: Settings,
    notes: list[Note],
) -> None:
    """Make every clean table but those of the words and of mended odometers; absent ones are made empty.

    staged: tables that have a stage. own_columns: (file number, column) of lines that name their vehicle or day.
    """
    for table in ("parts", "access", "service_plan", "costs", "odometer"):
        columns = ", ".join(f'"{c.target}"' for c in contracts.TABLES[table])
        if table in staged:
            con.execute(
                f"create or replace table clean.{table} as select {columns}, f.file, s.row from stage_{table} s "
                "join files_of f using (file_no) order by f.name_no, s.row"
            )
        else:
            kinds = ", ".join(f'"{c.target}" {TYPES.get(c.kind, "VARCHAR")}' for c in contracts.TABLES[table])
            con.execute(f"create or replace table clean.{table} ({kinds}, file VARCHAR, row BIGINT)")
    _orders(con, staged, notes)
    _lines(con, staged, own_columns)
    _vehicles(con, staged, settings)


def _orders(con: duckdb.DuckDBPyConnection, staged: frozenset[str], notes: list[Note]) -> None:
    names = [c.target for c in contracts.TABLES["orders"]]
    parts = []
    if "orders" in staged:
        parts.append(
            "select " + ", ".join(f"s.{n}" for n in names) + ", f.file, s.row, f.name_no, f.source_no, s.file_no "
            "from stage_orders s join files_of f using (file_no)"
        )
    if "flat" in staged:

        def first(n: str) -> str:
            return f"arg_min(s.{n}, (s.file_no, s.row)) filter (s.{n} is not null) as {n}"

        cells = ", ".join(
            "min(s.opened_on) as opened_on" if n == "opened_on" else first(n)
            for n in names
            if n not in ("order_id", "vehicle", "odometer_unit")
        )
        unit = "arg_min(s.odometer_unit, (s.file_no, s.row)) filter (s.odometer is not null) as odometer_unit"
        flat = f"""
            select s.order_id, s.vehicle, {cells}, {unit}, arg_min(f.file, (s.file_no, s.row)) as file,
                   arg_min(s.row, (s.file_no, s.row)) as row, min(f.name_no) as name_no, min(f.source_no) as source_no,
                   min(s.file_no) as file_no
            from stage_flat s join files_of f using (file_no)
            group by s.order_id, s.vehicle, f.source_no"""
        parts.append(f"select {', '.join(names)}, file, row, name_no, source_no, file_no from ({flat})")
    if not parts:
        kinds = ", ".join(f"{c.target} {TYPES.get(c.kind, 'VARCHAR')}" for c in contracts.TABLES["orders"])
        con.execute(f"create or replace table clean.orders ({kinds}, file VARCHAR, row BIGINT)")
        return
    con.execute(f"create or replace temp table all_orders as {' union all '.join(parts)}")
    con.execute(
        f"create or replace table clean.orders as select {', '.join(names)}, file, row from all_orders "
        "order by name_no, row, order_id"
    )
    reused = con.execute(
        "select count(*) from (select order_id from all_orders group by order_id having count(distinct vehicle) > 1)"
    ).fetchone()[0]
    if reused:
        notes.append(
            Note(
                "order_number_reused",
                "orders",
                f"{reused:,} order numbers stand for more than one vehicle",
                "Lines that name their vehicle are matched by it; others take the first order of that number.",
            )
        )


def _lines(con: duckdb.DuckDBPyConnection, staged: frozenset[str], own_columns: list[tuple[int, str]]) -> None:
    own = [c.target for c in contracts.TABLES["repair_lines"]]
    order = (
        "vehicle",
        "order_id",
        "line_number",
        "opened_on",
        "closed_on",
        "odometer",
        "odometer_unit",
        "complaint",
        "fault_code",
    )
    rest = [n for n in own if n not in order]
    feeding = [t for t in ("repair_lines", "flat") if t in staged]
    if "repair_lines" in staged and ("orders" in staged or "flat" in staged):
        # One order a number and vehicle, and one a number for lines that do not name their vehicle.
        con.execute("""
            create or replace temp table fill as
            select * from all_orders
            qualify row_number() over (partition by order_id, vehicle order by source_no, file_no, row) = 1""")
        con.execute(
            "create or replace temp table fill_any as select * from fill "
            "qualify row_number() over (partition by order_id order by source_no, file_no, row) = 1"
        )
        con.execute("""
            create or replace temp table filled as
            select s.rowid as rid,
                   coalesce(s.vehicle, a.vehicle) as vehicle,
                   coalesce(s.opened_on, o.opened_on, a.opened_on) as opened_on
            from stage_repair_lines s
            left join fill o on o.order_id = s.order_id and o.vehicle = s.vehicle
            left join fill_any a on a.order_id = s.order_id and (s.vehicle is null or a.vehicle = s.vehicle)
            where s.vehicle is null or s.opened_on is null""")
        what, expected, remedy = contracts.wording("order_not_found", None, None, "\x01")
        con.execute(
            """
            insert into aside
            select s.file_no, f.file, s.row, 'repair_lines', 'order_id', s.order_id, 'order_not_found', 'row',
                   replace(?, chr(1), lack), ?, replace(?, chr(1), lack),
                   concat_ws('; ', 'order_id=' || s.order_id, 'line_number=' || s.line_number,
                   'description=' || left(s.description, 80))
            from (select *, concat_ws(' and ', case when vehicle is null then 'vehicle_id' end,
                                      case when opened_on is null then 'opened_on' end) as lack from filled) x
            join stage_repair_lines s on s.rowid = x.rid join files_of f using (file_no)
            where x.vehicle is null or x.opened_on is null""",
            [what, expected, remedy],
        )
        con.execute(
            "delete from stage_repair_lines where rowid in (select rid from filled where vehicle is null or "
            "opened_on is null)"
        )
        _say_why(con, own_columns)
        take = ", ".join(
            [
                "coalesce(s.vehicle, a.vehicle) as vehicle",
                "s.order_id",
                "s.line_number",
                "coalesce(s.opened_on, o.opened_on, a.opened_on) as opened_on",
                "coalesce(s.closed_on, o.closed_on, a.closed_on) as closed_on",
                "coalesce(s.odometer, o.odometer, a.odometer) as odometer",
                "case when s.odometer is not null then s.odometer_unit when o.odometer is not null then "
                "o.odometer_unit "
                "else a.odometer_unit end as odometer_unit",
                "coalesce(s.complaint, o.complaint, a.complaint) as complaint",
                "coalesce(s.fault_code, o.fault_code, a.fault_code) as fault_code",
            ]
        )
        joins = (
            "left join fill o on o.order_id = s.order_id and o.vehicle = s.vehicle "
            "left join fill_any a on a.order_id = s.order_id and s.vehicle is null"
        )
    else:
        take, joins = ", ".join(f"s.{n}" for n in order), ""
    names = ", ".join((*order, *rest))
    cells = ", ".join(f's."{n}"' for n in rest)
    if len(feeding) == 1:
        # The stage stands in the order of file names and rows already.
        con.execute(f"""
            create or replace table clean.repair_lines as
            select s.line_key, f.file, s.row, {take if joins else ", ".join(f"s.{n}" for n in order)}, {cells}
            from (select row_number() over () as line_key, *
            from stage_{feeding[0]}) s join files_of f using (file_no) {joins}""")
    else:
        parts = []
        for table in feeding:
            some_take, some_joins = (
                (take, joins) if table == "repair_lines" else (", ".join(f"s.{n}" for n in order), "")
            )
            parts.append(
                f"select f.name_no, f.source_no, f.file, s.row, {some_take}, {cells} from stage_{table} s "
                f"join files_of f using (file_no) {some_joins}"
            )
        con.execute(
            f"create or replace table clean.repair_lines as "
            f"select row_number() over (order by name_no, row, source_no) as line_key, file, row, {names} "
            f"from ({' union all '.join(parts)}) order by line_key"
        )
    lines = con.execute("select count(*) from clean.repair_lines").fetchone()[0]
    staged_rows = sum(con.execute(f"select count(*) from stage_{t}").fetchone()[0] for t in feeding)
    if lines != staged_rows:
        raise AccountsError(
            f"{staged_rows:,} usable repair lines became {lines:,} rows of clean.repair_lines",
            remedy="This is a fault of the program: please report it. Nothing was published.",
        )
    for t in ("fill", "fill_any", "filled", "all_orders"):
        con.execute(f"drop table if exists temp.{t}")


def _say_why(con: duckdb.DuckDBPyConnection, own_columns: list[tuple[int, str]]) -> None:
    """A line whose own column should have said it lacks a value, not an order: unreadable there, or blank."""
    con.execute("create or replace temp table own_columns (file_no INTEGER, column_name VARCHAR)")
    if own_columns:
        con.executemany("insert into own_columns values (?, ?)", own_columns)
    con.execute("""
        create or replace temp table lost as
        select a.file_no, a.row, o.column_name from aside a join own_columns o using (file_no)
        where a.reason = 'order_not_found' and a.what like '%' || o.column_name || '%'""")
    con.execute(
        "update aside set kind = 'row' where kind = 'cell' and (file_no, row, column_name) in "
        "(select (file_no, row, column_name) from lost)"
    )
    what, expected, remedy = contracts.wording("missing_value", "\x01")
    con.execute(
        """
        insert into aside
        select file_no, a.file, row, a.table_name, l.column_name, null, 'missing_value', 'row', replace(?, chr(1),
        l.column_name),
               replace(?, chr(1), l.column_name), ?, a.raw
        from lost l join aside a using (file_no, row)
        where a.reason = 'order_not_found'
          and not exists (select 1 from aside b where b.file_no = l.file_no and b.row = l.row
          and b.column_name = l.column_name)""",
        [what, expected, remedy],
    )
    con.execute(
        "delete from aside where reason = 'order_not_found' and (file_no, row) in (select (file_no, row) from lost)"
    )
    con.execute("drop table lost")
    con.execute("drop table own_columns")


def _vehicles(con: duckdb.DuckDBPyConnection, staged: frozenset[str], settings: Settings) -> None:
    """One row a vehicle: sources complement each other (the first that says something wins),
    then what flat rows said last."""
    base = [c.target for c in contracts.TABLES["vehicles"]]
    kinds = {c.target: TYPES.get(c.kind, "VARCHAR") for c in contracts.TABLES["vehicles"]}
    extra: list[str] = []
    parts = []
    for table in ("vehicles", "flat"):
        if table not in staged:
            continue
        known = [r[0] for r in con.execute(f"select column_name from (describe stage_{table})").fetchall()]
        lines = {c.target for c in contracts.TABLES["repair_lines"]}
        extra += [
            c
            for c in known
            if c not in base
            and c not in extra
            and c not in ("file_no", "row")
            and not (table == "flat" and c in lines)
        ]
    for table in ("vehicles", "flat"):
        if table not in staged:
            continue
        known = {r[0] for r in con.execute(f"select column_name from (describe stage_{table})").fetchall()}
        order = (
            "(0, f.source_no, f.name_no, s.row)"
            if table == "vehicles"
            else "(1, -epoch(s.opened_on)::bigint, f.name_no, s.row)"
        )
        # A flat row's odometer_unit is its reading's, not the vehicle's.
        cells = ", ".join(
            f's."{n}" as "{n}"'
            if n in known and not (table == "flat" and n == "odometer_unit")
            else f'null::{kinds.get(n, "VARCHAR")} as "{n}"'
            for n in (*base, *extra)
        )
        parts.append(
            f"select {cells}, f.file, s.row, {order} as o from stage_{table} s join files_of f using (file_no)"
        )
    wanted = [c for c in settings.strata.vehicle_columns if c not in base and c not in extra]
    if not parts:
        columns = ", ".join(f'"{n}" {k}' for n, k in kinds.items()) + "".join(f', "{c}" VARCHAR' for c in wanted)
        con.execute(f"create or replace table clean.vehicles ({columns}, file VARCHAR, row BIGINT)")
        return
    cells = ", ".join(f'arg_min("{n}", o) filter ("{n}" is not null) as "{n}"' for n in (*base[1:], *extra))
    cells += "".join(f', null::varchar as "{c}"' for c in wanted)
    con.execute(
        f"create or replace table clean.vehicles as select vehicle, {cells}, arg_min(file, o) as file, "
        f"arg_min(row, o) as row "
        f"from ({' union all by name '.join(parts)}) group by vehicle order by vehicle"
    )
