"""The steps as Prefect flows and tasks, for schedules, history and clusters. Nothing else imports Prefect.

Prefect must find its settings before it is imported: no telemetry, its own state inside the workspace.
"""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path

from pipeline import steps
from pipeline.store import Workspace


def prepare(folder: Path) -> None:
    """Point Prefect's state into the workspace and keep it quiet. Must run before Prefect is imported anywhere."""
    workspace = Workspace(folder)
    workspace.make_private(workspace.state)
    for key, value in {
        "PREFECT_HOME": str((workspace.state / "prefect").resolve()),
        "DO_NOT_TRACK": "1",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "PREFECT_LOGGING_TO_API_WHEN_MISSING_FLOW": "ignore",
        "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "90",
    }.items():
        os.environ.setdefault(key, value)


def monthly_flow():
    """The flow that loads the exports and publishes the month: one task a step of steps.STEPS."""
    from prefect import flow, task
    from prefect.cache_policies import NO_CACHE

    def as_task(step: steps.Step):
        # A bad file is bad the second time too: nothing is retried, nothing is cached.
        return task(step.call, name=step.name, description=step.call.__doc__, cache_policy=NO_CACHE, persist_result=False)

    @flow(name="lowbeam-month", persist_result=False, validate_parameters=False)
    def lowbeam_month(folder: str, as_of: dt.date | None = None) -> str:
        from prefect.artifacts import create_markdown_artifact

        result = steps.run(Path(folder), as_of=as_of, wrap=as_task, wait_seconds=600)
        create_markdown_artifact(key="lowbeam-findings", markdown="\n".join(f"- {f}" for f in result.findings),
                                 description=f"What the month says, as of {result.as_of}")
        return str(result.folder)

    return lowbeam_month


def run_month(folder: Path, as_of: dt.date | None = None) -> str:
    """Run the flow once, here; returns the published folder."""
    prepare(folder)
    return monthly_flow()(str(folder), as_of)
