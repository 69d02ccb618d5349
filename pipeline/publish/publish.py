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
from collections.abc import Callable
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pipeline
from pipeline.settings import Settings, settings_as_dict
from pipeline.store import StoreError, Workspace, read_table

if TYPE_CHECKING:
    import duckdb
    import polars as pl

MANIFEST_VERSION = 2
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
    "odometer_mends": """
        select file, row, vehicle, reading_on, raw, unit, km as mended_km, rule from clean.odometer_mends order by file, row""",
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
                  known_by: dt.date | None, result: Any, into: Path | None = None,
                  before_placing: Callable[[], None] | None = None,
                  points_latest: bool = True) -> Any:
    """Write published/<as_of>/ and move it into place. Returns `result(...)` with the folder, accounts and findings.

    into: another folder than published/. before_placing: called when all is written and nothing is in place yet; what it raises leaves
    the last month as it was. points_latest: False for a month that was asked for: `latest` then moves
    only forward.
    """
    from pipeline.publish import earlier, findings, pages

    tables = gather(con)
    accounts = tables["files"].select("rows_in", "rows_used", "rows_set_aside").sum().row(0)
    before, previous = earlier.earlier(workspace.published, as_of)
    context = pages.context_of(settings, as_of, tables, version=pipeline.__version__, previous=previous, previous_as_of=before)
    told = findings.top_findings(tables, context)

    published = into or workspace.published
    workspace.make_private(published)
    recover(published)
    # The process in its name: whatever a killed run's helpers still write goes nowhere that this run reads.
    scratch = published / f".making-{as_of:%Y-%m-%d}-{os.getpid()}"
    scratch.mkdir(mode=0o700)
    try:
        _make(scratch, tables, context, workspace, settings, as_of, known_by)
        if before_placing:
            before_placing()
    except BaseException:
        shutil.rmtree(scratch, ignore_errors=True)
        raise
    target = published / f"{as_of:%Y-%m-%d}"
    put_in_place(scratch, target)
    if points_latest or target.name >= (published / "latest").resolve().name or not (published / "latest").exists():
        _point_latest(published, target.name)
    return result(folder=target, as_of=as_of, rows_in=accounts[0], rows_used=accounts[1], rows_set_aside=accounts[2],
                  findings=tuple(told))


def _make(scratch: Path, tables: dict[str, pl.DataFrame], context: Any, workspace: Workspace, settings: Settings, as_of: dt.date,
          known_by: dt.date | None) -> None:
    """Write all that is published into `scratch`, the manifest last, and bring it to the disk."""
    from pipeline.publish import bench_page, drawing, files, fleet_files, pages, paper, priors_file

    if "bench" in tables:
        bench = tables.pop("bench")["json"][0]
        files.write_text(scratch / "bench.json", bench + "\n")
        files.write_text(scratch / "bench.html", bench_page.render_bench(bench, context))
    else:
        files.write_text(scratch / "bench.html", pages.bench_without_suspects(context))
    with drawing.Drawing(scratch / "charts") as pictures:  # helpers draw while the rest is written
        made, views = pages.everything(tables, context, pictures.add)
        for name, html in made.items():
            files.write_text(scratch / name, html)
        files.write_tables(scratch / "tables", tables)
        fleet_files.write(scratch, tables, context)
        priors_file.write(scratch, tables, context)
    for view in views if context.has_pdf else ():
        files.write_bytes(scratch / view.file.replace(".html", ".pdf"), paper.pdf(view, context, context.words(), scratch / "charts"))
    _write_manifest(scratch, tables, workspace, settings, as_of, known_by, context.previous_as_of)
    for path in sorted(scratch.rglob("*")):
        os.chmod(path, 0o700 if path.is_dir() else 0o600)
    _to_disk(scratch)


def _to_disk(folder: Path) -> None:
    """Have the kernel write out what it holds for this file system, so that a loss of power after the move finds the month whole."""
    try:
        call = ctypes.CDLL(None).syncfs
    except (AttributeError, OSError):
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        call(descriptor)
    finally:
        os.close(descriptor)


def beside_inputs(workspace: Workspace, settings: Settings) -> dict[str, str]:
    """{name: SHA-256} of the files that a month goes by beside its exports: corrections and the workspace's own vocabulary."""
    found = [workspace.corrections_file, *(workspace.root / name for name in settings.intake.vocabulary)]
    return {p.relative_to(workspace.root).as_posix() if p.is_relative_to(workspace.root) else p.name:
            hashlib.sha256(p.read_bytes()).hexdigest() for p in found if p.is_file()}


def _write_manifest(folder: Path, tables: dict[str, pl.DataFrame], workspace: Workspace, settings: Settings, as_of: dt.date,
                    known_by: dt.date | None,
                    compared_with: dt.date | None) -> None:
    import polars as pl

    from pipeline.publish import files

    published = {}
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        published[path.relative_to(folder).as_posix()] = {
            "sha256": hashlib.sha256(path.read_bytes()).hexdigest(), "bytes": path.stat().st_size}
    manifest = {
        "manifest_version": MANIFEST_VERSION,
        "as_of": as_of.isoformat(),
        "compared_with": compared_with.isoformat() if compared_with else None,
        "known_by": known_by.isoformat() if known_by else None,
        "knowledge": f"only files first seen by {known_by}" if known_by else "all that is known now",
        "program": {"name": "lowbeam", "version": pipeline.__version__},
        "packages": {name: metadata.version(name) for name in _PACKAGES} | _typesetter(),
        "inputs": tables["files"].select("file", "sha256", "rows_in", "rows_used", "rows_set_aside").to_dicts(),
        "inputs_refused": tables["set_aside"].filter(pl.col("kind") == "file")["file"].unique().sort().to_list(),
        "beside": beside_inputs(workspace, settings),
        "settings": settings_as_dict(settings),
        "tables": {name: {"rows": frame.height, "columns": frame.columns} for name, frame in sorted(tables.items())},
        "files": published,
    }
    text = json.dumps(manifest, indent=1, sort_keys=True, default=str, allow_nan=False, ensure_ascii=False)
    files.write_text(folder / "manifest.json", text + "\n")


def _typesetter() -> dict[str, str]:
    try:
        return {"typst": metadata.version("typst")}
    except metadata.PackageNotFoundError:
        return {}


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
    with contextlib.suppress(FileNotFoundError):
        (published / ".latest-new").unlink()


def read_manifest(month: Path) -> dict[str, Any]:
    """The manifest of a published month. Raises StoreError, in words, where there is none, or a newer program wrote it."""
    path = month / "manifest.json"
    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
        version = int(manifest["manifest_version"])
    except FileNotFoundError:
        raise StoreError(f"There is no published month {month.name} (no {month.name}/manifest.json). Published are: "
                         f"{', '.join(months_of(month.parent)) or 'none'}.") from None
    except (ValueError, KeyError, TypeError):
        raise StoreError(f"{month.name}/manifest.json is damaged. Publish it again: lowbeam run FOLDER --as-of {month.name}") from None
    if version > MANIFEST_VERSION:
        raise StoreError(f"{month.name} was published by a newer lowbeam (its manifest is version {version}, this program knows "
                         f"{MANIFEST_VERSION}). Install the newer program.")
    if version < MANIFEST_VERSION:
        raise StoreError(f"{month.name} was published by an older lowbeam ({manifest.get('program', {}).get('version', 'unknown')}), whose "
                         f"manifest does not name everything. Use that program, or publish anew: lowbeam run FOLDER --as-of {month.name}")
    return manifest


def months_of(published: Path) -> list[str]:
    """The names of the published months, oldest first."""
    return sorted(p.name for p in published.glob("[0-9]*-[0-9]*-[0-9]*") if p.is_dir())


def compare(manifest: dict[str, Any], month: Path) -> tuple[int, list[str], list[str]]:
    """(files with the bytes that a manifest names, names of the others, versions that were others then, in words)."""
    made = json.loads((month / "manifest.json").read_text(encoding="utf-8"))
    names = sorted({*manifest["files"], *made["files"]})
    differing = [n for n in names if manifest["files"].get(n) != made["files"].get(n)]
    before, now = manifest["packages"] | {"lowbeam": manifest["program"]["version"]}, made["packages"] | {"lowbeam": pipeline.__version__}
    versions = [f"{n} was {before.get(n, 'not used')}, is {now.get(n, 'not used')}" for n in sorted({*before, *now})
                if before.get(n) != now.get(n)]
    return len(names) - len(differing), differing, versions


def faults_of(month: Path) -> list[str]:
    """What is wrong with a published month, by its own manifest: one line a file missing, altered or not named there; empty where whole.

    Raises nothing: a manifest that is missing or damaged is itself a fault.
    """
    try:
        manifest = json.loads((month / "manifest.json").read_text(encoding="utf-8"))
        told = {str(name): str(entry["sha256"]) for name, entry in manifest["files"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return ["manifest.json is missing or damaged"]
    there = {p.relative_to(month).as_posix() for p in month.rglob("*") if p.is_file()} - {"manifest.json"}
    faults = [f"{name} is missing" for name in sorted(set(told) - there)]
    faults += [f"{name} is not named in the manifest" for name in sorted(there - set(told))]
    for name in sorted(there & set(told)):
        if hashlib.sha256((month / name).read_bytes()).hexdigest() != told[name]:
            faults.append(f"{name} was altered")
    return faults


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
