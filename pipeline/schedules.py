"""Keep a workspace's schedules: a Prefect server of its own on this machine (or the one that PREFECT_API_URL names), and the served flows.

The server listens on the loopback only, wants a password that lies in .lowbeam/ for its owner, keeps its state in .lowbeam/prefect/, and
sends nothing anywhere. It ends with the process that started it.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

from pipeline import journal
from pipeline.settings import Settings, load_settings
from pipeline.store import StoreError, Workspace, open_workspace, private_files

_UP_WITHIN_SECONDS = 120.0


def prepare(folder: Path) -> Workspace:
    """Point Prefect's state into the workspace. Must run before pipeline.flows is imported; what the environment says already stays."""
    workspace = open_workspace(folder)
    workspace.make_private(workspace.state)
    os.umask(0o077)  # what Prefect writes, its server and its database too, is for its owner only
    os.environ.setdefault("PREFECT_HOME", str((workspace.state / "prefect").resolve()))
    return workspace


def _password(workspace: Workspace) -> str:
    path = workspace.state / "server_password"
    if not path.exists():
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "w") as file:
            file.write(f"lowbeam:{secrets.token_urlsafe(24)}")
    return path.read_text().strip()


def _free_port(wanted: int) -> int:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", wanted))
        except OSError as error:
            raise StoreError(f"Port {wanted} of this machine cannot be used: {error.strerror}. Set schedule.port in settings.toml to "
                             "another one, or to 0 for any that is free.") from None
        return probe.getsockname()[1]


def _end_with_us() -> None:
    """In the child, on Linux: be ended by the kernel when the process that started us ends, however it ends."""
    import ctypes

    with contextlib.suppress(AttributeError, OSError):
        ctypes.CDLL(None).prctl(1, signal.SIGTERM)


@contextlib.contextmanager
def server(workspace: Workspace, port: int = 0) -> Iterator[str]:
    """A Prefect server for as long as the block lasts; yields its address. Raises StoreError where it does not come up."""
    password = _password(workspace)
    port = _free_port(port)
    workspace.make_private(workspace.state / "log")
    env = {**os.environ, "PREFECT_SERVER_API_AUTH_STRING": password, "PREFECT_SERVER_ANALYTICS_ENABLED": "false", "DO_NOT_TRACK": "1",
           "PREFECT_SERVER_LOGGING_LEVEL": "WARNING"}
    env.pop("PREFECT_API_URL", None)
    with open(workspace.state / "log" / "server.log", "w", encoding="utf-8") as told:
        child = subprocess.Popen([sys.executable, "-m", "prefect", "server", "start", "--host", "127.0.0.1", "--port", str(port)],
                                 env=env, stdin=subprocess.DEVNULL, stdout=told, stderr=subprocess.STDOUT, preexec_fn=_end_with_us)
    url = f"http://127.0.0.1:{port}/api"
    try:
        _wait_until_up(child, url)
        os.environ |= {"PREFECT_API_URL": url, "PREFECT_API_AUTH_STRING": password}
        yield url
    finally:
        child.terminate()
        try:
            child.wait(timeout=20)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _wait_until_up(child: subprocess.Popen, url: str) -> None:
    until = time.monotonic() + _UP_WITHIN_SECONDS
    while time.monotonic() < until:
        if child.poll() is not None:
            raise StoreError(f"The schedule's server ended at once (code {child.returncode}). What it said is in .lowbeam/log/server.log.")
        try:
            urllib.request.build_opener(urllib.request.ProxyHandler({})).open(f"{url}/health", timeout=2).close()
            return
        except urllib.error.HTTPError:
            return  # it answers, and wants the password
        except OSError:
            time.sleep(0.2)
    raise StoreError(f"The schedule's server did not come up in {_UP_WITHIN_SECONDS:.0f} s. What it said is in .lowbeam/log/server.log.")


def keep(folder: Path, say: Callable[[str], None]) -> None:
    """Serve the schedules of a workspace until stopped. A month that was due while nothing ran is made up for first.

    Raises StoreError or SettingsError, in words.
    """
    workspace = prepare(folder)
    settings = load_settings(workspace.settings_file)
    if not settings.schedule.load_cron and not settings.schedule.publish_cron:
        raise StoreError("Both schedules are blank in settings.toml ([schedule] load_cron, publish_cron): there is nothing to keep.")
    with private_files(), contextlib.ExitStack() as stack:
        url = os.environ.get("PREFECT_API_URL")
        if not url:
            say("Starting the schedule's server ...")
            url = stack.enter_context(server(workspace, settings.schedule.port))
            say(f"Server: {url.removesuffix('/api')} (this machine only; its password is in {workspace.state / 'server_password'})")
        from pipeline import flows

        for what, cron in (("load what is new", settings.schedule.load_cron), ("publish the month", settings.schedule.publish_cron)):
            say(f"{what}: {cron or 'never'}{' ' + settings.schedule.time_zone if cron else ''}")
        with contextlib.suppress(OSError):
            journal.log(workspace, "schedule_started", server=url)
        _make_up(workspace, settings, flows, say)
        say("Waiting for the next run; stop with Ctrl-C.")
        flows.serve(workspace.root, settings)


def spread_out(folder: Path, as_of: str | None, wait_seconds: float, progress: Callable[[int, int, str], None] | None = None) -> Path:
    """The spread run as a Prefect flow on a Dask cluster, under a server of its own where PREFECT_API_URL names none. Returns the pages' folder.

    Raises StoreError, SettingsError or DataProblem in words; an error in a part is told by kind, file and row only.
    """
    import importlib.util

    workspace = prepare(folder)
    if importlib.util.find_spec("prefect_dask") is None:
        raise StoreError('A spread run on a cluster needs more packages: pip install "lowbeam[cluster]". Without them: '
                         f"lowbeam spread {folder} --in-turn")
    with private_files(), contextlib.ExitStack() as stack:
        if not os.environ.get("PREFECT_API_URL"):  # else every worker would start a server for itself
            stack.enter_context(server(workspace))
        os.environ.setdefault("PREFECT_LOGGING_LEVEL", "WARNING")
        from pipeline import flows

        return Path(flows.lowbeam_spread(str(workspace.root.resolve()), as_of, wait_seconds, progress))


def is_overdue(workspace: Workspace, due: dt.datetime) -> bool:
    """Whether a month that was due at `due` (UTC) has not been published since, in a workspace that has published before."""
    published = [r["started_at"] for r in journal.last_runs(workspace, 500) if r["outcome"] == "published" and r["command"] == "run"]
    return bool(published) and max(published) < f"{due:%Y-%m-%dT%H:%M:%SZ}"


def _make_up(workspace: Workspace, settings: Settings, flows, say: Callable[[str], None]) -> None:
    cron = settings.schedule.publish_cron
    if not cron:
        return
    due = flows.last_due(cron, settings.schedule.time_zone, dt.datetime.now(dt.UTC))
    if not is_overdue(workspace, due):
        return
    say(f"The month due at {due:%Y-%m-%d %H:%M} UTC was not published: making up for it now.")
    state = flows.lowbeam_publish(str(workspace.root.resolve()), wait_seconds=settings.schedule.wait_minutes * 60.0, return_state=True)
    if not state.is_completed():
        say(f"It could not be published: {state.message} See: lowbeam check {workspace.root}")
