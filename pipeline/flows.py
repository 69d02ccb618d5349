"""The steps as Prefect flows and tasks, for schedules, history and clusters. Nothing else imports Prefect.

`lowbeam_load` reads the exports where something is new, `lowbeam_publish` makes and publishes the month: these two are scheduled.
`lowbeam_spread` works on a Dask cluster (spread.py). All are thin: the work, the lock and the journal are those of a plain run (steps.py).
Deployments name them by module: pipeline.flows.lowbeam_publish.

What Prefect keeps (run names, states, logs, artifacts) may lie on a server of its own, so no message of an error goes there: it may quote
a cell. Prefect is told the kind of error, the file and the row; the words are told by `lowbeam check FOLDER`.
"""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

# Settings that Prefect reads when it is imported: nothing is sent anywhere, no log line is lost for want of a flow.
for _key, _value in {
    "DO_NOT_TRACK": "1",
    "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
    "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
    "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
    "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "90",
}.items():
    os.environ.setdefault(_key, _value)

from prefect import flow, task  # noqa: E402
from prefect.artifacts import create_link_artifact, create_markdown_artifact, create_table_artifact  # noqa: E402
from prefect.cache_policies import NO_CACHE  # noqa: E402

from pipeline import journal, spread, steps  # noqa: E402
from pipeline.settings import Cluster, Settings, load_settings  # noqa: E402
from pipeline.store import open_workspace, trouble_in_words  # noqa: E402


def as_task(step: steps.Step) -> Callable[[steps.Run], None]:
    """A step as a Prefect task. A bad file is bad the second time too: nothing is retried, nothing is cached."""

    def call(run: steps.Run) -> None:
        with journal.untold(), trouble_in_words(run.workspace):
            step.call(run)

    return task(call, name=step.name, description=step.call.__doc__, cache_policy=NO_CACHE, persist_result=False)


@flow(name="lowbeam-load", persist_result=False, validate_parameters=False)
def lowbeam_load(folder: str, if_new: bool = True, wait_seconds: float = 600.0) -> bool:
    """Read the exports into the store and build the lives, where something in incoming/ is new. Returns whether anything was."""
    with journal.untold():
        loaded = steps.load(Path(folder), if_new=if_new, wait_seconds=wait_seconds, wrap=as_task)
    if loaded is None:
        return False
    create_table_artifact(
        key="lowbeam-accounts", description=f"Rows of every file, as of {loaded.as_of}",
        table=[dict(zip(("file", "table", "rows in", "rows used", "rows set aside"), f, strict=True)) for f in loaded.files])
    create_table_artifact(key="lowbeam-set-aside", description="Rows set aside, by reason",
                          table=[{"reason": reason, "rows": rows} for reason, rows in loaded.reasons] or [{"reason": "none", "rows": 0}])
    _tell_stages(folder)
    return True


@flow(name="lowbeam-publish", persist_result=False, validate_parameters=False)
def lowbeam_publish(folder: str, as_of: str | None = None, wait_seconds: float = 600.0) -> str:
    """Make every table and page and publish the month, whole or not at all. Returns the published folder."""
    with journal.untold():
        result = steps.run(Path(folder), as_of=dt.date.fromisoformat(as_of) if as_of else None, wait_seconds=wait_seconds, wrap=as_task)
    _tell_month(folder, result)
    return str(result.folder)


def lowbeam_spread(folder: str, as_of: str | None = None, wait_seconds: float = 600.0, progress: steps.Progress | None = None) -> str:
    """The spread run on a Dask cluster: that of settings.toml, or processes of this machine. Returns the published folder.

    Needs the packages of the extra `cluster` (schedules.spread_out says so in words).
    """
    workspace = open_workspace(Path(folder))
    runner = cluster_of(load_settings(workspace.settings_file).cluster)
    return _spread.with_options(task_runner=runner)(folder, as_of, wait_seconds, progress)


def cluster_of(cluster: Cluster) -> Any:
    """The Dask task runner that the settings ask for: an existing scheduler, or processes of this machine for the length of the run."""
    from prefect_dask import DaskTaskRunner

    if cluster.scheduler:
        return DaskTaskRunner(address=cluster.scheduler)
    return DaskTaskRunner(cluster_kwargs={"n_workers": cluster.workers, "threads_per_worker": 1, "processes": True, "dashboard_address": None})


@flow(name="lowbeam-spread", persist_result=False, validate_parameters=False)
def _spread(folder: str, as_of: str | None, wait_seconds: float, progress: steps.Progress | None) -> str:
    with journal.untold():
        result = spread.run_spread(Path(folder), as_of=dt.date.fromisoformat(as_of) if as_of else None, wait_seconds=wait_seconds,
                                   progress=progress, spreader=_submit_all)
    _tell_month(folder, result)
    return str(result.folder)


def _submit_all(stage: Callable[..., Any], arguments: Sequence[tuple]) -> list[Any]:
    """The spreader of a cluster: one Prefect task a part, answers in the order of the parts. What travels is names and small sums."""
    each = task(_quiet, name=stage.__name__, cache_policy=NO_CACHE, persist_result=False)
    return [future.result() for future in [each.submit(stage, a) for a in arguments]]


def _quiet(stage: Callable[..., Any], arguments: tuple) -> Any:
    with journal.untold():
        return stage(*arguments)


def _tell_month(folder: str, result: steps.RunResult) -> None:
    """The artifacts of a published month: findings, accounts, timings, and where the pages are."""
    create_table_artifact(key="lowbeam-findings", description=f"What the month says, as of {result.as_of}",
                          table=[{"number": n, "finding": text} for n, text in enumerate(result.findings, 1)] or
                          [{"number": 0, "finding": "nothing stands out"}])
    create_link_artifact(key="lowbeam-pages", link=(result.folder.resolve() / "index.html").as_uri(),
                         link_text=f"Pages as of {result.as_of}", description="On the machine that ran it")
    create_markdown_artifact(key="lowbeam-rows", description="Rows read, used and set aside",
                             markdown=f"{result.rows_in:,} rows read = {result.rows_used:,} used + {result.rows_set_aside:,} set aside")
    _tell_stages(folder)


def _tell_stages(folder: str) -> None:
    last = journal.last_runs(open_workspace(Path(folder)), 1)
    if last and last[0]["stages"]:
        create_table_artifact(key="lowbeam-stages", description="Seconds by stage",
                              table=[{"stage": name, "seconds": seconds} for name, seconds in last[0]["stages"]])


def deployments(folder: Path, settings: Settings) -> list[Any]:
    """The two flows as deployments for one workspace, on the schedules of its settings."""
    from prefect.flows import EntrypointType
    from prefect.schedules import Cron

    root, zone = str(folder.resolve()), settings.schedule.time_zone
    wait = settings.schedule.wait_minutes * 60.0
    made = []
    for one, cron, what in ((lowbeam_load, settings.schedule.load_cron, "Load, where files are new"),
                            (lowbeam_publish, settings.schedule.publish_cron, "Publish the month")):
        made.append(one.to_deployment(
            name=settings.workspace.name, description=f"{what}: {root}", tags=["lowbeam"],
            parameters={"folder": root, "wait_seconds": wait}, schedule=Cron(cron, timezone=zone) if cron else None,
            concurrency_limit=1, entrypoint_type=EntrypointType.MODULE_PATH))
    return made


def serve(folder: Path, settings: Settings) -> None:
    """Keep the workspace's schedules until stopped: one run at a time, each in a process of its own. Needs a server (PREFECT_API_URL)."""
    from prefect import serve as keep

    # A stop leaves the schedules as they are, so that the next start goes on with them.
    keep(*deployments(folder, settings), limit=1, pause_on_shutdown=False, print_starting_message=False)


def last_due(cron: str, time_zone: str, now: dt.datetime) -> dt.datetime:
    """The last time before `now` that a cron expression names in a time zone, as UTC."""
    from zoneinfo import ZoneInfo

    from prefect._vendor.croniter import croniter

    return croniter(cron, now.astimezone(ZoneInfo(time_zone))).get_prev(dt.datetime).astimezone(dt.UTC)
