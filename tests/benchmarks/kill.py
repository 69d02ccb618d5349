"""kill -9 at random moments of `lowbeam run` and `lowbeam load`, and what is there afterwards.

    python -m tests.benchmarks.kill --kills 100

One small workspace, two states of its exports that take turns. Each time the command is killed at a moment drawn evenly over its length;
then the last published month must be whole by its own manifest and be that of the one state or the other, and the next run, with nothing
mended by hand, must publish exactly the bytes that an undisturbed run publishes. Prints one JSON object; exit 1 if any of it failed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from pipeline import journal
from pipeline.publish.publish import faults_of
from pipeline.store import Workspace
from tests import small

ROOT = Path(__file__).parents[2]


def lowbeam(*words: str) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, "-m", "pipeline.cli", *words], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def print_of(month: Path) -> str:
    """One checksum over the names and bytes of a month."""
    whole = hashlib.sha256()
    for path in sorted(p for p in month.rglob("*") if p.is_file()):
        whole.update(path.relative_to(month).as_posix().encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    return whole.hexdigest()


def put(folder: Path, state: int) -> None:
    """The exports of one of the two states; both end on the same day, so that they publish under the same name."""
    rows = small.rows_of(8)
    if state:
        rows = [(day, line.replace("bulb", "ballast") if k % 5 == 0 else line) for k, (day, line) in enumerate(rows)]
    small.write_lines(folder / "incoming" / "repair_lines_01.csv", rows)


def finished(folder: Path) -> float:
    began = time.monotonic()
    child = lowbeam("run", str(folder))
    _, told = child.communicate()
    if child.returncode:
        raise SystemExit(f"an undisturbed run failed:\n{told.decode()}")
    return time.monotonic() - began


def campaign(folder: Path, kills: int, seed: int) -> dict:
    draw = random.Random(seed)
    small.make(folder)
    latest = folder / "published" / "latest"
    right, seconds = {}, []
    for state in (1, 0):
        put(folder, state)
        seconds.append(finished(folder))
        right[state] = print_of(latest.resolve())
    assert right[0] != right[1]
    length = {"run": seconds[-1], "load": seconds[-1] * 0.35}
    told: Counter[str] = Counter()
    where: Counter[str] = Counter()
    wrong: list[str] = []
    state = 0
    while told["killed"] < kills:
        before, state = state, 1 - state
        put(folder, state)
        command = draw.choice(["run", "run", "run", "load"])
        child = lowbeam(command, str(folder))
        time.sleep(draw.uniform(0.05, length[command]))
        child.send_signal(signal.SIGKILL)
        child.communicate()
        if child.returncode != -signal.SIGKILL:
            told["ended before the kill"] += 1
        else:
            told["killed"] += 1
            told[f"killed in {command}"] += 1
            last = journal.last_runs(Workspace(folder), 1)[0]
            where[last["stages"][-1][0] if last["stages"] else "before the first stage had ended"] += 1
        faults = faults_of(latest.resolve())
        if faults or print_of(latest.resolve()) not in (right[before], right[state]):
            wrong.append(f"kill {told['killed']} of {command}: {faults[:2] or 'another month'}")
        else:
            told["month whole"] += 1
        length["run"] = 0.5 * length["run"] + 0.5 * finished(folder)  # machines differ from hour to hour
        if print_of(latest.resolve()) == right[state]:
            told["next run right"] += 1
        else:
            wrong.append(f"the run after kill {told['killed']} of {command} published other bytes")
        left = sorted(p.name for p in (*folder.iterdir(), *(folder / "published").iterdir()) if ".making" in p.name or "building" in p.name)
        if left:
            wrong.append(f"left behind after kill {told['killed']}: {left}")
    return {"kills": kills, "seed": seed, **dict(sorted(told.items())), "last stage ended when killed": dict(sorted(where.items())),
            "seconds of a run": round(seconds[-1], 1), "wrong": wrong}


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--kills", type=int, default=100)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        told = campaign(Path(scratch) / "shop", given.kills, given.seed)
        shutil.rmtree(Path(scratch) / "shop", ignore_errors=True)
    print(json.dumps(told, indent=1))
    raise SystemExit(1 if told["wrong"] else 0)


if __name__ == "__main__":
    main()
