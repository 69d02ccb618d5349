"""Staged rows settled: doubles and corrected versions set aside, suppliers and part numbers under one spelling."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from pipeline.intake import contracts
from pipeline.settings import Settings

if TYPE_CHECKING:
    import duckdb

# What makes two rows of a table the same thing.
_KEYS = {
    "vehicles": ("vehicle",),
    "orders": ("order_id",),
    "parts": ("part_number",),
    "access": ("component",),
    "service_plan": ("vehicle", "customer_group"),
    "costs": ("customer_group", "component"),
    "odometer": (),
    "repair_lines": ("order_id", "line_number"),
    "flat": ("order_id", "line_number"),
}


def _content(table: str, con: duckdb.DuckDBPyConnection) -> list[str]:
    columns = [r[0] for r in con.execute(f"select column_name from (describe stage_{table})").fetchall()]
    columns = [c for c in columns if c not in ("file_no", "row")]
    if table == "flat":  # a vehicle's own columns say nothing about whether two lines are the same line
        columns = [c for c in columns if any(c == k.target for k in contracts.TABLES["repair_lines"])]
    return columns


def settle(con: duckdb.DuckDBPyConnection, table: str) -> None:
    """Of rows that are the same thing keep one: the first of equals,
    else what the latest file says. The others are set aside.

    Sources are settled apart,
    since two desks may use the same numbers for different orders; but a row that two sources give
    word for word is one row.
    """
    content = _content(table, con)
    all_of_it = "hash(" + ", ".join(f'"{c}"' for c in content) + ")"
    keys = _KEYS[table]
    if not keys:
        key = all_of_it
    elif table in ("repair_lines", "flat"):
        key = f"hash(order_id, line_number, case when line_number is null then {all_of_it} end)"
    else:
        key = "hash(" + ", ".join(keys) + ")"
    named = {"repair_lines": "order_id and line_number", "flat": "order_id and line_number"}.get(
        table, " and ".join(keys)
    )
    _keep_one(con, table, content, key, all_of_it, "f.source_no", named)
    sources = con.execute(
        f"select count(distinct source_no) from (select distinct file_no from stage_{table}) "
        "join files_of using (file_no)"
    ).fetchone()[0]
    if sources > 1 and table != "vehicles":  # vehicles of several sources complement each other
        _keep_one(con, table, content, all_of_it, all_of_it, "0", named)


def _keep_one(
    con: duckdb.DuckDBPyConnection,
    table: str,
    content: Sequence[str],
    key: str,
    all_of_it: str,
    group: str,
    named: str,
) -> None:
    con.execute(f"""
        create or replace temp table doubled as
        select k, g from (select {key} as k, {group} as g from stage_{table} s join files_of f using (file_no))
        group by k, g having count(*) > 1""")
    if con.execute("select count(*) from doubled").fetchone()[0]:
        raw = "concat_ws('; ', " + ", ".join(f"""'{c}=' || "{c}"::varchar""" for c in content) + ")"
        con.execute(f"""
            create or replace temp table losers as
            with same as (
                select s.rowid as rid, s.file_no, f.file, s.row, d.g, {key} as k, {all_of_it} as h, {raw} as raw
                from stage_{table} s join files_of f using (file_no) join doubled d on d.k = {key} and d.g = {group}
            ),
            won as (
                select *, last_value(h) over w as h_won, last_value(file_no) over w as file_no_won,
                       row_number() over (partition by k, g, h order by file_no, row) as nth
                from same
                window w as (partition by k, g order by file_no, row rows between unbounded preceding
                and unbounded following)
            ),
            kept as (select k, g, file as kept_file, row as kept_row from won where h = h_won and nth = 1)
            select won.*, kept_file, kept_row,
                   case when h = h_won then 'duplicate_row' when file_no < file_no_won then 'superseded'
                        else 'same_key_twice' end as reason
            from won join kept using (k, g)
            where not (h = h_won and nth = 1)""")
        for reason in ("duplicate_row", "superseded", "same_key_twice"):
            what, expected, remedy = contracts.wording(reason, named, None, "\x01")
            detail = {"superseded": "kept_file || ', row ' || kept_row", "same_key_twice": "kept_row::varchar"}.get(
                reason, "''"
            )
            con.execute(
                f"""
                insert into aside
                select file_no, file, row, ?, ?, null, reason, 'row', replace(?, chr(1), {detail}), ?, ?,
                       case when reason = 'duplicate_row' then null else raw end
                from losers where reason = ?""",
                [table, named if reason == "same_key_twice" else None, what, expected, remedy, reason],
            )
        con.execute(f"delete from stage_{table} where rowid in (select rid from losers)")
        con.execute("drop table losers")
    con.execute("drop table doubled")


def take_catalogue(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """The spelling of every part number in the parts stage, which takes it on itself."""
    from pipeline.intake.names import normalise_part_number, part_number_catalogue

    told = [r[0] for r in con.execute("select part_number from stage_parts where part_number is not null").fetchall()]
    catalogue = part_number_catalogue(told)
    _rename(con, "stage_parts", "part_number", {n: normalise_part_number(n, catalogue) for n in set(told)})
    return catalogue


_STAGES = ("stage_parts", "stage_repair_lines", "stage_flat")


def unify_suppliers(con: duckdb.DuckDBPyConnection, settings: Settings) -> None:
    """One spelling a supplier, over lines and parts together."""
    counts: Counter[str] = Counter()
    for _, name, n in _spellings(con):
        counts[name] += n
    rename_suppliers(con, _staged(con), supplier_names(counts, settings))


def keep_spellings(con: duckdb.DuckDBPyConnection) -> None:
    """clean.supplier_spellings (table_name, supplier, n): what a part of a spread run leaves for the whole to settle."""
    import polars as pl

    rows = _spellings(con)
    con.register("spellings", pl.DataFrame(rows, schema={"table_name": pl.String, "supplier": pl.String, "n": pl.Int64}, orient="row"))
    con.execute("create or replace table clean.supplier_spellings as select * from spellings")
    con.unregister("spellings")


def _staged(con: duckdb.DuckDBPyConnection) -> list[str]:
    there = con.execute("select table_name from duckdb_tables() order by table_name").fetchall()
    return [t for (t,) in there if t in _STAGES]


def _spellings(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str, int]]:
    return [(table, name, n) for table in _staged(con) for name, n in con.execute(
        f"select supplier, count(*) from {table} where supplier is not null group by all order by all").fetchall()]


def supplier_names(counts: Mapping[str, int], settings: Settings) -> dict[str, str]:
    """{spelling: the one to use} for the spellings of all the data."""
    from pipeline.intake.names import canonical_suppliers

    # The commoner spelling is preferred: repeats matter, but not beyond what tells them apart.
    most = max(counts.values(), default=1)
    share = max(1, most // 10_000)
    names = [name for name in sorted(counts) for _ in range(max(1, counts[name] // share))]
    return canonical_suppliers(names, {k: list(v) for k, v in settings.suppliers.aliases.items()})


def rename_suppliers(con: duckdb.DuckDBPyConnection, tables: Sequence[str], names: Mapping[str, str]) -> None:
    """Put the one spelling of each supplier into the `supplier` column of the tables."""
    for table in tables:
        _rename(con, table, "supplier", names)


def _rename(con: duckdb.DuckDBPyConnection, table: str, column: str, names: Mapping[str, str | None]) -> None:
    import polars as pl

    changed = {a: b for a, b in names.items() if a != b}
    if not changed:
        return
    con.register(
        "renamed",
        pl.DataFrame({"a": list(changed), "b": list(changed.values())}, schema={"a": pl.String, "b": pl.String}),
    )
    con.execute(f"update {table} set {column} = r.b from renamed r where {table}.{column} = r.a")
    con.unregister("renamed")
