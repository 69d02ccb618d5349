"""The workspace and its DuckDB file: paths, one writer at a time, SQL models in order, swapped in whole.

A build goes into a file beside the store and replaces it in one rename, so that a reader never sees half a build and a
killed run leaves the last one whole. The lock is the kernel's and is freed with the process that holds it.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import errno
import json
import os
import re
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pipeline

if TYPE_CHECKING:
    import duckdb
    import polars as pl

# What a store's tables look like. A run always builds the store anew from incoming/, so an older one needs no conversion; a newer one
# is refused by refuse_newer_store. Raise it when a table that other programs may read changes its meaning.
STORE_VERSION = 2
_PACKAGE = Path(__file__).resolve().parent


class StoreError(Exception):
    """The workspace cannot be used now; the message says why and what to do."""


class CheckFailed(Exception):
    """A check of the tables found rows that must not exist; the message shows the first of them."""


def data_dir(name: str) -> Path:
    """A folder that ships with the program ("sql", "reports"): inside an installed wheel, or in the checkout."""
    for base in (_PACKAGE / "_data", _PACKAGE.parent):
        if (base / name).is_dir():
            return base / name
    raise StoreError(f"The program's own folder '{name}' is missing; install it again.")


@dataclass(frozen=True)
class Workspace:
    """The folder that the user owns. Everything but incoming/, the settings and the key can be rebuilt."""

    root: Path

    @property
    def incoming(self) -> Path:
        return self.root / "incoming"

    @property
    def settings_file(self) -> Path:
        return self.root / "settings.toml"

    @property
    def corrections_file(self) -> Path:
        return self.root / "corrections.csv"

    @property
    def store_file(self) -> Path:
        return self.root / "store.duckdb"

    @property
    def published(self) -> Path:
        return self.root / "published"

    @property
    def state(self) -> Path:
        return self.root / ".lowbeam"

    def key(self) -> bytes:
        """The workspace's secret for hashed identifiers; made on first use, readable by its owner only."""
        path = self.state / "key"
        if not path.exists():
            self.make_private(self.state)
            scratch = path.with_name(f"key.{os.getpid()}")
            descriptor = os.open(scratch, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(descriptor, "w") as file:
                file.write(os.urandom(32).hex())
            with contextlib.suppress(FileExistsError):  # the first writer's key stays, whoever comes second
                os.link(scratch, path)
            scratch.unlink()
        text = path.read_text().strip()
        try:
            key = bytes.fromhex(text)
        except ValueError:
            key = b""
        if len(key) < 16:
            raise StoreError(f"{path.name} in .lowbeam is damaged: it must hold at least 32 hexadecimal digits. "
                             "Put the old one back, or delete it (vehicles then get new short ids).")
        return key

    @staticmethod
    def make_private(folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        os.chmod(folder, 0o700)


def open_workspace(root: Path) -> Workspace:
    """The workspace at `root`. Raises StoreError where there is none."""
    if not root.is_dir():
        raise StoreError(f"There is no folder {root}. Make one with: lowbeam new {root}")
    workspace = Workspace(root)
    if not workspace.incoming.is_dir():
        raise StoreError(f"{root} has no folder incoming/. Put the exports there, or make a workspace with: "
                         f"lowbeam new {root}")
    return workspace


@dataclass(frozen=True)
class Holder:
    """Who is at work in a workspace: the process, since when (UTC), and the command that it runs."""

    pid: int
    since: str
    doing: str

    def __str__(self) -> str:
        return f"process {self.pid}, lowbeam {self.doing}, since {self.since}"


def holder_of(workspace: Workspace) -> Holder | None:
    """The process that works in the workspace at this moment; None where nobody does."""
    import fcntl

    try:
        handle = open(workspace.state / "lock")  # noqa: SIM115 - closed below, with the lock
    except OSError:
        return None
    with handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            return _told_holder(handle)
        return None


def _told_holder(handle: Any) -> Holder:
    handle.seek(0)
    try:
        told = json.loads(handle.read())
        return Holder(int(told["pid"]), str(told["since"]), str(told["doing"]))
    except (ValueError, KeyError, TypeError):
        return Holder(0, "a moment ago", "run")


@contextlib.contextmanager
def locked(workspace: Workspace, wait_seconds: float = 0.0, doing: str = "run") -> Iterator[None]:
    """One writer at a time in a workspace; raises StoreError naming the process that holds it, and since when.

    Waits up to `wait_seconds`. The lock belongs to the process and ends with it, however it ends. The time in the lock file is told to
    people only.
    """
    import fcntl
    import time

    try:
        workspace.make_private(workspace.state)
        descriptor = os.open(workspace.state / "lock", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as error:
        raise StoreError(f"{workspace.root} cannot be written: {error.strerror}. Choose a folder that you may write to, "
                         "or free some space.") from None
    with os.fdopen(descriptor, "r+") as handle:
        # `lowbeam status` takes the lock for an instant to see whether it is free: look again before giving up.
        until = time.monotonic() + max(wait_seconds, 0.3)
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except OSError:
                if time.monotonic() >= until:
                    raise StoreError(f"Another run is at work in {workspace.root} ({_told_holder(handle)}). Wait until it has finished "
                                     "(--wait SECONDS does), then start again; the last published month is untouched.") from None
                time.sleep(0.1)
        with contextlib.suppress(OSError):  # a full disk: the lock itself holds all the same
            handle.seek(0)
            handle.truncate()
            json.dump({"pid": os.getpid(), "since": f"{dt.datetime.now(dt.UTC):%Y-%m-%d %H:%M:%S} UTC", "doing": doing}, handle)
            handle.flush()
        yield


@contextlib.contextmanager
def private_files() -> Iterator[None]:
    """Whatever is written meanwhile, by us or by a library, is for its owner only: files 0600, folders 0700."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)


_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
_FORBIDDEN = (errno.EROFS, errno.EACCES, errno.EPERM)
_FULL_WORDS = re.compile(r"no space left|disk quota|file too large|failed to write (?:to|data)|disk is full|database or disk is full", re.I)
_FORBIDDEN_WORDS = re.compile(r"read-only file system|permission denied|readonly database", re.I)
_UNTOUCHED = "Nothing was published by this run; the last published month is untouched."


@contextlib.contextmanager
def trouble_in_words(workspace: Workspace) -> Iterator[None]:
    """A full disk or a folder that may not be written becomes a StoreError in words, whichever library met it first."""
    try:
        yield
    except (StoreError, CheckFailed):
        raise
    except Exception as error:
        words = _trouble(workspace, error)
        if words is None:
            raise
        raise StoreError(words) from error


def _trouble(workspace: Workspace, error: BaseException) -> str | None:
    met: BaseException | None = error
    while met is not None:
        code = met.errno if isinstance(met, OSError) else None
        # Libraries that write files themselves tell the reason only in their text.
        ours = isinstance(met, OSError) or type(met).__module__.split(".")[0] in ("duckdb", "_duckdb", "polars", "pyarrow", "sqlite3")
        if code in _FULL or (ours and code is None and _FULL_WORDS.search(str(met))):
            return (f"There is no room left to write below {workspace.root}. Free some space (a run needs about three times the size of "
                    f"store.duckdb and of the last month), then run again. {_UNTOUCHED}")
        if code in _FORBIDDEN or (ours and code is None and _FORBIDDEN_WORDS.search(str(met))):
            place = getattr(met, "filename", None) or workspace.root
            return (f"{place} may not be read or written by this user. Give it back to the user who runs lowbeam (or run as its owner), "
                    f"then run again. {_UNTOUCHED}")
        met = met.__cause__ or met.__context__
    return None


def store_version(workspace: Workspace) -> int | None:
    """The version of the store that is there; None where there is none or none that can be read.

    Raises StoreError where another program holds it open for writing, or where a newer program wrote it.
    """
    import duckdb

    if not workspace.store_file.exists():
        return None
    try:
        con = connect(workspace.store_file, read_only=True)
    except StoreError as error:
        if "open in another program" in str(error) or "newer" in str(error):
            raise
        return None  # damaged: a run builds it anew
    try:
        return int(con.execute("select max(version) from store_version").fetchone()[0])
    except (duckdb.Error, TypeError):
        return None
    finally:
        con.close()


def refuse_newer_store(workspace: Workspace) -> int | None:
    """The version of the store, or StoreError where a newer program wrote it: this one would undo that program's work.

    An older store is no trouble: a run builds it anew from incoming/.
    """
    found = store_version(workspace)
    if found is not None and found > STORE_VERSION:
        raise StoreError(f"store.duckdb was written by a newer lowbeam (its version is {found}, this program knows {STORE_VERSION}). "
                         "Install the newer program. To go back to this one, move store.duckdb away: it is built anew from incoming/.")
    return found


def connect(path: Path | str, read_only: bool = False) -> duckdb.DuckDBPyConnection:
    """A connection with the settings that every result depends on: UTC, no downloads, no names from Python."""
    import duckdb

    config = {"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
    try:
        con = duckdb.connect(str(path), read_only=read_only, config=config)
    except duckdb.Error as error:
        text = str(error)
        if "lock" in text.lower():
            holder = re.search(r"PID (\d+)", text)
            who = f" (process {holder.group(1)})" if holder else ""
            raise StoreError(f"{Path(path).name} is open in another program{who}. Close it there, then run again.") from None
        if "newer version" in text or "storage version" in text.lower() or "version number" in text:
            raise StoreError(f"{Path(path).name} was written by a newer DuckDB than this program has. Install the newer lowbeam; "
                             f"to go back to this one, move {Path(path).name} away: it is built anew from incoming/.") from None
        raise StoreError(f"{Path(path).name} cannot be opened: {text.splitlines()[0]}") from None
    con.execute("SET TimeZone='UTC'")
    con.execute("SET python_enable_replacements=false")
    con.execute("SET enable_progress_bar=false")
    return con


@contextlib.contextmanager
def building(workspace: Workspace) -> Iterator[duckdb.DuckDBPyConnection]:
    """A fresh database beside the store; on success it replaces the store in one rename, else it is removed."""
    target = workspace.store_file
    scratch = target.with_name("store.building.duckdb")
    _remove(scratch)
    con = connect(scratch)
    os.chmod(scratch, 0o600)
    try:
        con.execute(f"create table store_version as select {STORE_VERSION} as version, '{pipeline.__version__}' as program")
        yield con
        con.close()
    except BaseException:
        with contextlib.suppress(Exception):  # closing writes what is left, which a full disk refuses: the first trouble is the one to tell
            con.close()
        _remove(scratch)
        raise
    for path in (scratch, target):
        path.with_name(path.name + ".wal").unlink(missing_ok=True)
    os.replace(scratch, target)


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)
    path.with_name(path.name + ".wal").unlink(missing_ok=True)
    shutil.rmtree(path.with_name(path.name + ".tmp"), ignore_errors=True)


def model_files(folder: str) -> list[Path]:
    """The SQL models of one folder of sql/, in the order of their names."""
    return sorted((data_dir("sql") / folder).glob("*.sql"))


def run_models(con: duckdb.DuckDBPyConnection, folder: str, parameters: dict[str, Any] | None = None,
               models: Sequence[str] | None = None) -> None:
    """Run each model of sql/<folder>, or those of its models that are named: one `create or replace table` a file.

    `parameters` become DuckDB variables; a model that names an unset one is an error here, since DuckDB would read NULL.
    """
    known = set(parameters or {})
    for name, value in (parameters or {}).items():
        con.execute(f"set variable {name} = ?", [value])
    for path in model_files(folder):
        if models is not None and path.stem not in models:
            continue
        text = path.read_text(encoding="utf-8")
        missing = set(re.findall(r"getvariable\('(\w+)'\)", text)) - known
        if missing:
            raise StoreError(f"sql/{folder}/{path.name} needs parameters that were not given: {', '.join(sorted(missing))}")
        con.execute(text)


def run_checks(con: duckdb.DuckDBPyConnection) -> list[tuple[str, int]]:
    """Run sql/checks/*.sql; each returns the rows that must not exist. Raises CheckFailed with the first ten.

    Returns (check, 0) for each check that passed.
    """
    passed = []
    for path in model_files("checks"):
        rows = con.sql(path.read_text(encoding="utf-8"))
        found = rows.limit(11).fetchall()
        if found:
            shown = "\n".join("  " + ", ".join(f"{c}={v}" for c, v in zip(rows.columns, row)) for row in found[:10])
            raise CheckFailed(f"Check {path.stem} found rows that must not exist"
                              f"{' (the first ten)' if len(found) > 10 else ''}:\n{shown}\n"
                              "Nothing was published. This is a fault of the program: please report it with these rows.")
        passed.append((path.stem, 0))
    return passed


def read_table(con: duckdb.DuckDBPyConnection, query: str) -> pl.DataFrame:
    """A query's rows as a polars frame; huge integers become 64-bit ones."""
    import polars as pl

    frame = con.sql(query).pl()
    wide = [name for name, kind in frame.schema.items() if isinstance(kind, pl.Decimal) and kind.scale == 0]
    wide += [name for name, kind in frame.schema.items() if kind == pl.Int128]
    return frame.with_columns(pl.col(name).cast(pl.Int64) for name in wide) if wide else frame


def write_table(con: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    """Make `schema.table` anew from a polars frame."""
    schema = name.split(".")[0]
    con.execute(f"create schema if not exists {schema}")
    con.register("incoming_frame", frame)
    con.execute(f"create or replace table {name} as select * from incoming_frame")
    con.unregister("incoming_frame")
