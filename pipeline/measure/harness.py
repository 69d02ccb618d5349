"""Benchmarks that can be repeated: every run in a fresh process, rounds interleaved, ratios paired within a round, medians shown.

A case names a subject (ours) and yardsticks (what it is compared with). Setting up and reading inputs lie outside the clock, and so
does checking that the answers agree. Wall and CPU seconds are both kept: where neighbours are busy, CPU is the steadier. A target is
missed only when both ratios miss it. Memory is the child's highest resident size less that of a child that only imports.
"""

from __future__ import annotations

import json
import os
import platform
import statistics
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from importlib import metadata
from typing import Any

_PACKAGES = ("duckdb", "polars", "numpy", "scipy", "lifelines", "pyarrow", "prefect", "distributed")


@dataclass(frozen=True)
class Case:
    """One comparison. subject and yardsticks name functions of cases.RUNS; sizes are what those are called with.

    target: (what, bound): the subject's time over the first yardstick's must be at most ("ratio", bound), or the yardstick's over the
    subject's at least ("speedup", bound); None where there is nothing to hold it to.
    """

    name: str
    subject: str
    yardsticks: tuple[str, ...]
    sizes: tuple[int, ...]
    target: tuple[str, float] | None = None
    says: str = ""
    rounds: int = 5
    # A yardstick that is run on fewer rows and scaled up says so: {name: share}.
    scaled: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Timing:
    """One child's run: seconds of wall and CPU, highest resident MiB, and what it computed, to compare."""

    wall: float
    cpu: float
    peak_mib: float
    answer: Any = None
    skipped: str = ""


def run_child(name: str, size: int) -> Timing:
    """One run of cases.RUNS[name] in a fresh process."""
    done = subprocess.run([sys.executable, "-m", "pipeline.measure.child", name, str(size)], capture_output=True, text=True, check=False,
                          env=os.environ | {"PYTHONHASHSEED": "0"})
    if done.returncode:
        tail = done.stderr.strip().splitlines()[-1:] or ["no message"]
        return Timing(float("nan"), float("nan"), float("nan"), skipped=f"failed: {tail[0]}")
    return Timing(**json.loads(done.stdout.strip().splitlines()[-1]))


def measure(case: Case, size: int, rounds: int | None = None) -> dict[str, Any]:
    """Interleaved rounds of a case at one size: a row with medians, ratios (median, lowest, highest) and the verdict."""
    names = (case.subject, *case.yardsticks)
    runs: dict[str, list[Timing]] = {n: [] for n in names}
    skipped: dict[str, str] = {}
    for _ in range(rounds or case.rounds):
        for name in names:
            if name in skipped:
                continue
            timing = run_child(name, size)
            if timing.skipped:
                skipped[name] = timing.skipped
            else:
                runs[name].append(timing)
    mine = runs[case.subject]
    row: dict[str, Any] = {"case": case.name, "size": size, "rounds": len(mine), "says": case.says, "skipped": skipped,
                           "target": None if case.target is None else f"{case.target[0]} {case.target[1]:g}"}
    if not mine:
        return row | {"seconds": None, "verdict": "not run"}
    row |= {"seconds": statistics.median(t.wall for t in mine), "cpu_seconds": statistics.median(t.cpu for t in mine),
            "peak_mib": statistics.median(t.peak_mib for t in mine), "against": {}}
    for name in case.yardsticks:
        theirs = runs[name]
        if not theirs:
            continue
        up = case.scaled.get(name, 1.0)
        wall = sorted(a.wall / (b.wall * up) for a, b in zip(mine, theirs, strict=True))
        cpu = sorted(a.cpu / (b.cpu * up) for a, b in zip(mine, theirs, strict=True))
        row["against"][name] = {
            "seconds": statistics.median(t.wall for t in theirs) * up, "ratio": statistics.median(wall), "lowest": wall[0],
            "highest": wall[-1], "cpu_ratio": statistics.median(cpu), "scaled": up != 1.0,
            "agrees": agree(mine[0].answer, theirs[0].answer) if up == 1.0 else None}
    row["verdict"] = verdict(case, row)
    return row


def agree(ours: Any, theirs: Any) -> bool | None:
    """Whether two runs computed the same: None where one of them tells nothing; numbers to a relative 1e-8."""
    if ours is None or theirs is None:
        return None
    return len(ours) == len(theirs) and all(abs(a - b) <= 1e-8 * max(1.0, abs(a), abs(b)) for a, b in zip(ours, theirs, strict=True))


def verdict(case: Case, row: dict[str, Any]) -> str:
    """`met`, `missed`, or why neither can be said."""
    first = row["against"].get(case.yardsticks[0]) if case.yardsticks else None
    if case.target is None:
        return "no target"
    if first is None:
        return "no yardstick here"
    if any(v["agrees"] is False for v in row["against"].values()):
        return "answers differ"
    what, bound = case.target
    ratios = (first["ratio"], first["cpu_ratio"])
    met = any(r <= bound for r in ratios) if what == "ratio" else any(r > 0 and 1 / r >= bound for r in ratios)
    return "met" if met else "missed"


def growth(rows: list[dict[str, Any]]) -> float | None:
    """Slope of log seconds over log size, least squares: 1 where twice the rows take twice the time."""
    import math

    points = [(math.log(r["size"]), math.log(r["seconds"])) for r in rows if r.get("seconds")]
    if len(points) < 2:
        return None
    mx, my = (statistics.mean(c) for c in zip(*points, strict=True))
    return sum((x - mx) * (y - my) for x, y in points) / sum((x - mx) ** 2 for x, _ in points)


def machine() -> dict[str, Any]:
    """What the figures were measured on; no name of the machine."""
    found = {}
    for package in _PACKAGES:
        try:
            found[package] = metadata.version(package)
        except metadata.PackageNotFoundError:
            continue
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {"cores": os.cpu_count(), "memory_gib": round(memory, 1), "python": platform.python_version(), "packages": found,
            "r_survival": _r_version()}


def _r_version() -> str | None:
    try:
        done = subprocess.run(["Rscript", "-e", 'cat(R.version$major, ".", R.version$minor, " survival ", '
                               'as.character(packageVersion("survival")), sep="")'], capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return None
    return done.stdout.strip()


def lines_of(rows: list[dict[str, Any]]) -> Iterator[str]:
    """The table as Markdown: one line a case, size and yardstick."""
    yield "| case | size | seconds | MiB | against | its seconds | ratio [lowest-highest] | CPU ratio | target | verdict |"
    yield "|---|---|---|---|---|---|---|---|---|---|"
    for r in rows:
        if r["seconds"] is None:
            yield f"| {r['case']} | {r['size']:,} | - | - | - | - | - | - | {r['target'] or ''} | not run: {'; '.join(r['skipped'].values())} |"
            continue
        head = f"| {r['case']} | {r['size']:,} | {r['seconds']:.3g} | {r['peak_mib']:.0f} "
        if not r["against"]:
            yield head + f"| | | | | {r['target'] or ''} | {r['verdict']} |"
        for i, (name, a) in enumerate(r["against"].items()):
            told = f"{a['ratio']:.3g} [{a['lowest']:.3g}-{a['highest']:.3g}]"
            yield (f"{head if i == 0 else '| | | | '}| {name}{' (scaled up)' if a['scaled'] else ''} | {a['seconds']:.3g} | {told} | "
                   f"{a['cpu_ratio']:.3g} | {(r['target'] or '') if i == 0 else ''} | {r['verdict'] if i == 0 else ''} |")


def run_all(cases: list[Case], rounds: int | None, largest: int | None, say: Callable[[str], None]) -> dict[str, Any]:
    """Measure every case at its sizes (those up to `largest`); growth exponents by case where there are two sizes or more."""
    rows = []
    for case in cases:
        for size in case.sizes:
            if largest is None or size <= largest:
                say(f"{case.name}, {size:,}")
                rows.append(measure(case, size, rounds))
    exponents = {c.name: g for c in cases if (g := growth([r for r in rows if r["case"] == c.name])) is not None}
    return {"machine": machine(), "rows": rows, "growth": exponents, "cases": [asdict(c) for c in cases]}


def report(told: dict[str, Any]) -> Iterator[str]:
    """What run_all measured, as Markdown: the machine, the table, growth exponents, and what each case is."""
    m = told["machine"]
    packages = ", ".join(f"{k} {v}" for k, v in m["packages"].items())
    yield "# How fast it is"
    yield ""
    yield f"{m['cores']} cores, {m['memory_gib']} GiB; Python {m['python']}, {packages}; R {m['r_survival'] or 'not installed'}."
    yield ("Medians over rounds; each run in a fresh process; ratios are ours over the yardstick's within a round (below 1: ours is faster). "
           "A target is missed only when wall and CPU ratio both miss it.")
    yield ""
    yield from lines_of(told["rows"])
    if told["growth"]:
        yield ""
        yield "Growth (slope of log seconds over log size): " + ", ".join(f"{k} {v:.2f}" for k, v in told["growth"].items()) + "."
    yield ""
    for c in told["cases"]:
        if c["says"]:
            yield f"- {c['name']}: {c['says']}."
    skipped = {f"{n}: {why}" for r in told["rows"] for n, why in r["skipped"].items()}
    for line in sorted(skipped):
        yield f"- not run: {line}."
