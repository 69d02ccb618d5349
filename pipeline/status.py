"""How a workspace is doing, in lines for a person or as plain data for a monitor: last runs, timings, what is new, whether the month is
whole."""

from __future__ import annotations

import statistics
from pathlib import Path
from typing import Any

from pipeline import journal, steps
from pipeline.settings import load_settings
from pipeline.store import STORE_VERSION, StoreError, holder_of, open_workspace, store_version

_MANY = 10


def status(folder: Path, runs: int = 5) -> dict[str, Any]:
    """The state of a workspace as plain data; changes nothing in it. `troubles` lists, in words, what somebody should look at.

    Raises StoreError where there is no workspace, SettingsError where its settings cannot be read.
    """
    from pipeline.publish.publish import faults_of, months_of

    workspace = open_workspace(folder)
    settings = load_settings(workspace.settings_file)
    troubles: list[str] = []
    holder = holder_of(workspace)
    months = months_of(workspace.published)
    latest = workspace.published / "latest"
    faults = []
    if latest.exists():
        faults = faults_of(latest.resolve())
        if faults:
            troubles.append(f"The published month {latest.resolve().name} is not whole ({faults[0]}). Publish it again: "
                            f"lowbeam run {folder}")
    try:
        version = store_version(workspace)
    except StoreError as error:
        version = None
        troubles.append(str(error))
    if version is not None and version > STORE_VERSION:
        troubles.append(f"store.duckdb was written by a newer lowbeam (version {version}, this one knows {STORE_VERSION}). Install that.")
    try:
        news = steps.news(workspace)
    except StoreError as error:
        news = []
        troubles.append(str(error))
    history = journal.last_runs(workspace, max(runs, _MANY))
    ended = [r for r in history if r["outcome"] not in ("running", "stopped")]
    if ended and ended[0]["outcome"] in ("refused", "fault", "killed"):
        troubles.append(f"The last {ended[0]['command']} ({ended[0]['started_at']}) ended as: {journal.OUTCOMES[ended[0]['outcome']]}"
                        + (f", {ended[0]['reason']}" if ended[0]["reason"] else "")
                        + f". lowbeam check {folder} tells what is wrong with the exports.")
    return {
        "workspace": str(folder), "at_work": str(holder) if holder else None, "months": months,
        "latest": latest.resolve().name if latest.exists() else None, "faults": faults,
        "store_version": version, "program_store_version": STORE_VERSION, "news": [{"file": f, "is": kind} for f, kind in news],
        "runs": history[:runs], "stages": _stages(history),
        "schedule": {"load": settings.schedule.load_cron, "publish": settings.schedule.publish_cron,
                     "time_zone": settings.schedule.time_zone},
        "troubles": troubles,
    }


def _stages(history: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Seconds of each stage of the last run that published, and the median of the last ones that did."""
    done = [r for r in history if r["outcome"] == "published" and r["stages"]]
    if not done:
        return []
    seconds: dict[str, list[float]] = {}
    for run in done:
        for name, value in run["stages"]:
            seconds.setdefault(name, []).append(value)
    return [{"stage": name, "seconds": value, "median_seconds": round(statistics.median(seconds[name]), 3), "runs": len(seconds[name])}
            for name, value in done[0]["stages"]]


def in_lines(told: dict[str, Any]) -> list[str]:
    """The state in lines."""
    out = [f"Workspace  {told['workspace']}", f"At work    {told['at_work'] or 'nobody'}"]
    if told["latest"]:
        whole = f"NOT whole: {'; '.join(told['faults'][:3])}" if told["faults"] else "whole: every file has the checksum of its manifest"
        out.append(f"Published  {told['latest']} is the latest of {len(told['months'])}; {whole}")
    else:
        out.append("Published  nothing yet")
    version = told["store_version"]
    mine = told["program_store_version"]
    mark = "" if version in (None, mine) else f" (this program writes {mine}: the next run builds it anew)"
    out.append(f"Store      {'none that can be read' if version is None else f'version {version}'}{mark}")
    plan = told["schedule"]
    out.append(f"Schedule   load {plan['load'] or 'never'} | publish {plan['publish'] or 'never'} | {plan['time_zone']} "
               "(kept by: lowbeam schedule)")
    news = told["news"]
    out.append(f"Incoming   {len(news) or 'nothing'} new, changed or gone since the last run that ended well")
    out += [f"             {n['is']:<8} {n['file']}" for n in news[:_MANY]]
    if len(news) > _MANY:
        out.append(f"             and {len(news) - _MANY} more")
    out += ["", "Last runs"]
    if not told["runs"]:
        out.append("  none yet")
    else:
        out.append(f"  {'started (UTC)':<20} {'command':<8} {'outcome':<22} {'as of':<10} {'rows':>11} {'set aside':>10} {'seconds':>8} "
                   f"{'peak MB':>8}")
    for r in told["runs"]:
        outcome = journal.OUTCOMES.get(r["outcome"], r["outcome"])
        counts = f"{_number(r['rows_in'], 11)} {_number(r['rows_set_aside'], 10)} {_number(r['seconds'], 8, 1)} {_number(r['peak_mb'], 8)}"
        out.append(f"  {r['started_at']:<20} {r['command']:<8} {outcome:<22} {r['as_of'] or '':<10} {counts}"
                   + (f"  {r['reason']}" if r["reason"] else ""))
    if told["stages"]:
        out += ["", "Seconds by stage: the last published run, and the median of the last published runs"]
        out += [f"  {s['stage']:<22} {s['seconds']:>8.1f} {s['median_seconds']:>8.1f}  ({s['runs']})" for s in told["stages"]]
    if told["troubles"]:
        out += ["", "To look at", *(f"  {t}" for t in told["troubles"])]
    return out


def _number(value: float | None, width: int, digits: int = 0) -> str:
    return f"{value:>{width},.{digits}f}" if value is not None else " " * width
