"""A month is published whole or not at all: made beside, checked, then put in place in one move.

`published/<as-of>/` holds pages, tables, charts, priors and the manifest; `published/latest` points at the newest as-of date made
last. Nothing in it comes from a clock: the same inputs, settings and versions give the same bytes.
"""

from __future__ import annotations

import contextlib
import ctypes
import datetime as dt
import errno
import hashlib
import json
import os
import shutil
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pipeline
from pipeline.settings import Settings, settings_as_dict
from pipeline.store import Workspace, read_table

if TYPE_CHECKING:
    import duckdb
    import polars as pl

MANIFEST_VERSION = 1
_PACKAGES = ("altair", "duckdb", "fastexcel", "lifelines", "numpy", "polars", "pyarrow", "scipy", "vl-convert-python")

# Tables of the build that are published under their own name, and the query that reads each.
_FROM_BUILD = {
    "lives": "select * from lives.lives order by life_id",
    "episodes": "select * from lives.episodes order by episode_id",
    "classified_lines": """
        select r.file, r.row, r.order_id, r.line_number, c.component, c.side, c.beam, c.action, c.symptom, c.complaint_side,
               c.removal_reason, c.flags, e.ending as ending_it_caused, e.rule as ending_rule, c.rule, c.words
        from clean.classified_lines c
        join clean.repair_lines r using (line_key)
        left join (select line_key, string_agg(distinct ending, ',' order by ending) as ending,
                          string_agg(distinct rule, '; ' order by rule) as rule
                   from lives.endings group by line_key) e using (line_key)
        order by r.line_key""",
    "odometer_mends": "select file, row, vehicle, reading_on, raw, unit, km as mended_km, rule from clean.odometer_mends order by file, row",
    "set_aside": "select * from clean.set_aside order by file, row, reason, column_name",
    "set_aside_summary": """
        select reason, count(*)::bigint as n, arg_min(file, (file, row)) as example_file, arg_min(row, (file, row)) as example_row,
               any_value(remedy order by file, row) as remedy
        from clean.set_aside group by reason order by n desc, reason""",
    "files": "select file, table_name, rows_in, rows_used, rows_set_aside, sha256, shape from clean.files order by file, table_name",
    "return_rates": "select * from lives.return_rates order by is_comeback, is_same_symptom, band",
}


def gather(con: duckdb.DuckDBPyConnection) -> dict[str, pl.DataFrame]:
    """Every table that is published, by name.

    Sums run in parallel and may differ in their last bits from run to run; twelve significant digits are what is published, so that the
    same inputs give the same bytes.
    """
    import polars.selectors as cs

    tables = {name: read_table(con, query) for name, query in _FROM_BUILD.items()}
    made = con.execute("select table_name from information_schema.tables where table_schema = 'results' order by 1").fetchall()
    for (name,) in made:
        tables[name] = read_table(con, f"select * from results.{name}")
    return {name: frame.with_columns(cs.float().round_sig_figs(12)) for name, frame in tables.items()}


def publish_month(con: duckdb.DuckDBPyConnection, workspace: Workspace, settings: Settings, as_of: dt.date,
                  known_by: dt.date | None, result: Any) -> Any:
    """Write published/<as_of>/ and move it into place. Returns `result(...)` with the folder, accounts and findings."""
    from pipeline.publish import bench_page, files, findings, pages, priors_file

    tables = gather(con)
    accounts = tables["files"].select("rows_in", "rows_used", "rows_set_aside").sum().row(0)
    context = pages.context_of(settings, as_of, tables, version=pipeline.__version__)
    told = findings.top_findings(tables, context)

    workspace.make_private(workspace.published)
    recover(workspace.published)
    scratch = workspace.published / f".making-{as_of:%Y-%m-%d}"
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(mode=0o700)
    if "bench" in tables:
        bench = tables.pop("bench")["json"][0]
        files.write_text(scratch / "bench.json", bench + "\n")
        files.write_text(scratch / "bench.html", bench_page.render_bench(bench, context))
    else:
        files.write_text(scratch / "bench.html", pages.bench_without_suspects(context))
    files.write_tables(scratch / "tables", tables)
    made, charts = pages.everything(tables, context)
    files.write_charts(scratch / "charts", charts)
    for name, html in made.items():
        files.write_text(scratch / name, html)
    priors_file.write(scratch, tables, context)
    _write_manifest(scratch, tables, settings, as_of, known_by)
    for path in sorted(scratch.rglob("*")):
        os.chmod(path, 0o700 if path.is_dir() else 0o600)
    target = workspace.published / f"{as_of:%Y-%m-%d}"
    put_in_place(scratch, target)
    _point_latest(workspace.published, target.name)
    return result(folder=target, as_of=as_of, rows_in=accounts[0], rows_used=accounts[1], rows_set_aside=accounts[2],
                  findings=tuple(told))


def _write_manifest(folder: Path, tables: dict[str, pl.DataFrame], settings: Settings, as_of: dt.date,
                    known_by: dt.date | None) -> None:
    published = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        published[path.relative_to(folder).as_posix()] = {
            "sha256": hashlib.sha256(path.read_bytes()).hexdigest(), "bytes": path.stat().st_size}
    manifest = {
        "manifest_version": MANIFEST_VERSION,
        "as_of": as_of.isoformat(),
        "known_by": known_by.isoformat() if known_by else None,
        "knowledge": f"only files first seen by {known_by}" if known_by else "all that is known now",
        "program": {"name": "lowbeam", "version": pipeline.__version__},
        "packages": {name: metadata.version(name) for name in _PACKAGES},
        "inputs": tables["files"].select("file", "sha256", "rows_in", "rows_used", "rows_set_aside").to_dicts(),
        "settings": settings_as_dict(settings),
        "tables": {name: {"rows": frame.height, "columns": frame.columns} for name, frame in sorted(tables.items())},
        "files": published,
    }
    text = json.dumps(manifest, indent=1, sort_keys=True, default=str, allow_nan=False, ensure_ascii=False)
    (folder / "manifest.json").write_text(text + "\n", encoding="utf-8")


def put_in_place(made: Path, target: Path) -> None:
    """Move a finished folder to its name. Where a folder is there already the two are exchanged in one step of the kernel, so that
    at every moment a whole month stands under the name; where the system cannot, recover() mends a kill between two renames."""
    if not target.exists():
        os.rename(made, target)
        return
    if _exchange(made, target):
        shutil.rmtree(made)
        return
    old = target.with_name(f".old-{target.name}")
    shutil.rmtree(old, ignore_errors=True)
    os.rename(target, old)
    os.rename(made, target)
    shutil.rmtree(old)


def recover(published: Path) -> None:
    """Undo what a killed run left: half-made months go, a month moved aside comes back."""
    for old in published.glob(".old-*"):
        target = published / old.name.removeprefix(".old-")
        if target.exists():
            shutil.rmtree(old)
        else:
            os.rename(old, target)
    for scratch in published.glob(".making-*"):
        shutil.rmtree(scratch)


def _exchange(a: Path, b: Path) -> bool:
    """renameat2(RENAME_EXCHANGE) of Linux; False where the kernel, the C library or the file system has none."""
    try:
        call = ctypes.CDLL(None, use_errno=True).renameat2
    except (AttributeError, OSError):
        return False
    at_cwd, exchange = -100, 2
    if call(at_cwd, os.fsencode(a), at_cwd, os.fsencode(b), exchange) == 0:
        return True
    if ctypes.get_errno() in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), str(b))


def _point_latest(published: Path, name: str) -> None:
    link = published / ".latest-new"
    with contextlib.suppress(FileNotFoundError):
        link.unlink()
    try:
        os.symlink(name, link, target_is_directory=True)
        os.replace(link, published / "latest")
    except OSError:  # a file system without links: a one-line file says where to look
        (published / "latest.txt").write_text(name + "\n")
