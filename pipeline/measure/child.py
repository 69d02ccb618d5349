"""One timed run in a process of its own: python -m pipeline.measure.child NAME SIZE; prints one line of JSON."""

from __future__ import annotations

import json
import resource
import sys
import time


WARM_UP_BELOW = 2.0  # seconds: a run longer than this is timed at once


def _cpu() -> float:
    """CPU seconds of this process and of the children that it has waited for."""
    mine, theirs = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return mine.ru_utime + mine.ru_stime + theirs.ru_utime + theirs.ru_stime


def main(name: str, size: int) -> None:
    from pipeline.measure.cases import RUNS, Skip

    prepare, run, look = RUNS[name]
    try:
        given = prepare(size)
    except Skip as why:
        print(json.dumps({"wall": 0.0, "cpu": 0.0, "peak_mib": 0.0, "skipped": str(why)}))
        return
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    times, answer = [], None
    # The first call of a quick case pays for imports and is left out; quick cases then repeat until half a second has gone by, since a
    # single run of milliseconds tells little.
    while len(times) < 2 or (sum(t[0] for t in times[1:]) < 0.5 and len(times) < 50):
        cpu, wall = _cpu(), time.perf_counter()
        answer = run(given)
        times.append((time.perf_counter() - wall, _cpu() - cpu))
        if times[0][0] > WARM_UP_BELOW:
            break
    kept = sorted(times[1:] or times)
    wall, cpu = kept[(len(kept) - 1) // 2]
    if isinstance(answer, dict) and "_seconds" in answer:  # a run that times itself, such as R's warm calls
        wall = cpu = answer["_seconds"]
    peak = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(json.dumps({"wall": wall, "cpu": max(cpu, 1e-9), "peak_mib": peak, "answer": look(answer) if look else None}))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
