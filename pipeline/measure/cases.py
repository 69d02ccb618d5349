"""What is measured: subjects, yardsticks, sizes and targets. RUNS maps a name to (prepare, run, look): prepare makes the input outside
the clock, run is timed, look reduces the answer to numbers that other runs of the same case must agree with (to 1e-8), or is None."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline.measure import data
from pipeline.measure.harness import Case


class Skip(Exception):
    """A run that cannot be made here, and why."""


_TIMES = {"entry": "entry", "exit": "exit"}


# ---------------------------------------------------------------- curves


def _lives(size: int):
    return data.lives(size)


def _arrays(size: int):
    import numpy as np

    frame = data.lives(size)
    return tuple(np.ascontiguousarray(frame[c].to_numpy()) for c in ("stratum", "entry", "exit", "failed"))


def _our_curves(frame):
    from pipeline.survival.nonparametric import kaplan_meier

    return kaplan_meier(frame, ["stratum"], **_TIMES, event="failed")


def _our_curves_by_vehicle(frame):
    from pipeline.survival.nonparametric import kaplan_meier

    return kaplan_meier(frame, ["stratum"], **_TIMES, event="failed", cluster="vehicle")


def _two_sorts(arrays):
    import numpy as np

    stratum, entry, exit, _ = arrays
    for t in (entry, exit):
        np.sort(stratum.astype(np.int64) << 24 | t.astype(np.int64))


def _lifelines_curves(arrays):
    import numpy as np
    from lifelines import KaplanMeierFitter

    stratum, entry, exit, failed = arrays
    order = np.argsort(stratum, kind="stable")
    bounds = np.searchsorted(stratum[order], np.arange(data.STRATA + 1))
    last = []
    for a, b in zip(bounds[:-1], bounds[1:], strict=True):
        rows = order[a:b]
        fitted = KaplanMeierFitter().fit(exit[rows], failed[rows], entry=entry[rows])
        last.append(fitted.survival_function_.iloc[-1, 0])
    return last


def _last_survival(frame) -> list[float]:
    return frame.group_by("stratum", maintain_order=True).agg(frame_last()).sort("stratum")["survival"].to_list()


def frame_last():
    import polars as pl

    return pl.col("survival").last()


def _r(code: str) -> tuple[Callable, Callable, Callable]:
    """A run of R on the lives as CSV: warm (the median of calls two to four), timed by R itself, outside reading."""
    program = shutil.which("Rscript")

    def prepare(size: int):
        if program is None:
            raise Skip("Rscript is not installed")
        if subprocess.run([program, "-e", "library(survival)"], capture_output=True, check=False).returncode:
            raise Skip("R has no survival package")
        folder = Path(tempfile.mkdtemp())
        data.lives(size).write_csv(folder / "lives.csv")
        (folder / "run.R").write_text(
            "library(survival)\nd <- read.csv('lives.csv', stringsAsFactors = TRUE)\n"
            f"once <- function() {{ {code} }}\n"
            "s <- sapply(1:4, function(i) system.time(once())[['elapsed']])\n"
            "cat(median(s[2:4]), '\\n')\n")
        return folder

    def run(folder: Path) -> dict[str, Any]:
        done = subprocess.run([program, "run.R"], cwd=folder, capture_output=True, text=True, check=True)
        return {"_seconds": float(done.stdout.split()[-1])}

    return prepare, run, None


def _our_incidence(frame):
    from pipeline.survival.nonparametric import aalen_johansen

    return aalen_johansen(frame, ["stratum"], **_TIMES, ending="ending", causes=["failed", "collision", "planned"])


def _windows(size: int):
    """Units watched once each, events at their ends: what a mean cumulative function needs."""
    import polars as pl

    frame = data.lives(size).with_columns(pl.int_range(pl.len()).alias("vehicle"))
    return frame.select("vehicle", "entry", "exit"), frame.filter(pl.col("failed") == 1).select("vehicle", pl.col("exit").alias("t"))


def _our_mean_cumulative(given):
    from pipeline.survival.recurrent import mean_cumulative

    return mean_cumulative(*given)


def _our_log_rank(frame):
    from pipeline.survival.tests_of_groups import log_rank

    return log_rank(frame, "stratum", **_TIMES, event="failed")


# ---------------------------------------------------------------- fits


def _thousand_strata(size: int):
    """size lives in each of 1,000 strata."""
    import numpy as np

    r = np.random.default_rng(3)
    n = size * 1000
    stratum = np.repeat(np.arange(1000), size)
    entry = np.where(r.random(n) < 0.5, 1500 * r.random(n), 0.0)
    life = 2500 * r.weibull(1.6, n)
    life = np.where(life <= entry, entry + 1 + 2000 * r.random(n), life)
    until = entry + 1 + 3000 * r.random(n)
    return entry, np.minimum(life, until), (life <= until).astype(float), stratum


def _our_weibulls(given):
    from pipeline.survival.weibull import weibull_batch

    return weibull_batch(*given, 1000)


def _lifelines_weibulls(given):
    from lifelines import WeibullFitter

    entry, exit, event, stratum = given
    for s in range(10):
        rows = stratum == s
        WeibullFitter().fit(exit[rows], event[rows], entry=entry[rows])


# ---------------------------------------------------------------- files and lives


def _exports(size: int) -> Path:
    return data.exports(Path(tempfile.mkdtemp()), size)


def _our_load(incoming: Path):
    from pipeline.intake.load import load
    from pipeline.settings import Settings
    from pipeline.store import connect

    con = connect(":memory:")
    report = load(con, incoming, Settings(), b"k" * 32)
    return [float(sum(f.rows_in for f in report.files))]


def _plain_load(incoming: Path):
    import duckdb

    con = duckdb.connect()
    rows = 0
    for path in sorted(incoming.glob("*.csv")):
        con.execute(f"create table {path.stem} as from read_csv('{path}')")
        rows += con.execute(f"select count(*) from {path.stem}").fetchall()[0][0]
    return [float(rows)]


def _read_bytes(incoming: Path):
    for path in sorted(incoming.glob("*.csv")):
        with open(path, "rb") as file:
            while file.read(1 << 22):
                pass


def _loaded(size: int):
    """The exports of `size` visits, read, their words read, their odometers mended."""
    from pipeline import steps
    from pipeline.settings import Settings
    from pipeline.store import Workspace, connect

    incoming = _exports(size)
    con = connect(":memory:")
    run = steps.Run(Workspace(incoming.parent), Settings(), con)
    steps.read_files(run)
    steps.read_words(run)
    steps.mend_odometers(run)
    return run


def _our_lives(run):
    from pipeline import steps

    steps.make_lives(run)
    return run


def _our_words(size: int):
    from pipeline import steps
    from pipeline.settings import Settings
    from pipeline.store import Workspace, connect

    incoming = _exports(size)
    run = steps.Run(Workspace(incoming.parent), Settings(), connect(":memory:"))
    steps.read_files(run)
    return run


def _read_words(run):
    from pipeline import steps

    steps.read_words(run)


def _mend(run):
    from pipeline import steps

    steps.mend_odometers(run)


# ---------------------------------------------------------------- whole runs


def _world(size: int) -> Path:
    from pipeline import workspaces

    folder = Path(tempfile.mkdtemp()) / "world"
    workspaces.world(folder, vehicles=size, seed=5)
    return folder


def _whole_run(folder: Path):
    from pipeline import steps

    steps.run(folder)


def _command(*words: str) -> tuple[Callable, Callable, None]:
    def prepare(size: int) -> list[str]:
        if "{demo}" not in words:
            return [sys.executable, "-m", "pipeline.cli", *words]
        from pipeline import steps, workspaces

        folder = Path(tempfile.mkdtemp()) / "demo"
        workspaces.demo(folder)
        steps.run(folder)
        return [sys.executable, "-m", "pipeline.cli", *(w.replace("{demo}", str(folder)) for w in words)]

    return prepare, lambda line: subprocess.run(line, check=True, capture_output=True), None


RUNS: dict[str, tuple[Callable, Callable, Callable | None]] = {
    "curves": (_lives, _our_curves, _last_survival),
    "curves, errors by vehicle": (_lives, _our_curves_by_vehicle, None),
    "two sorts of the times": (_arrays, _two_sorts, None),
    "lifelines, curve by curve": (_arrays, _lifelines_curves, lambda last: [float(s) for s in last]),
    "R survfit, warm": _r("survfit(Surv(entry, exit, failed) ~ stratum, d)"),
    "incidences": (_lives, _our_incidence, None),
    "R survfit of three endings, warm": _r("survfit(Surv(entry, exit, factor(ending, c('in_service', 'failed', 'collision', 'planned')), "
                                           "type = 'mcounting') ~ stratum, d, id = seq_len(nrow(d)))"),
    "mean cumulative function": (_windows, _our_mean_cumulative, None),
    "R survfit by unit, warm": _r("survfit(Surv(entry, exit, failed) ~ 1, d, id = seq_len(nrow(d)), robust = TRUE)"),
    "log-rank": (_lives, _our_log_rank, None),
    "R survdiff without late entry, warm": _r("survdiff(Surv(exit, failed) ~ stratum, d)"),
    "1,000 Weibull fits": (_thousand_strata, _our_weibulls, None),
    "lifelines, ten Weibull fits": (_thousand_strata, _lifelines_weibulls, None),
    "load": (_exports, _our_load, lambda a: a),
    "plain read_csv": (_exports, _plain_load, lambda a: a),
    "the bytes read": (_exports, _read_bytes, None),
    "words": (_our_words, _read_words, None),
    "odometers": (_our_words, _mend, None),
    "lives": (_loaded, _our_lives, None),
    "whole run": (_world, _whole_run, None),
    "lowbeam --help": _command("--help"),
    "lowbeam suspect": _command("suspect", "{demo}", "--symptom", "low-beam-dark", "--side", "right", "--km", "148000", "--age", "9y"),
}

CASES = [
    Case("load", "load", ("plain read_csv", "the bytes read"), (100_000, 1_000_000), ("ratio", 1.7),
         "rows checked, hashed, redacted, settled and accounted for, against the same files into plain tables", rounds=3),
    Case("words", "words", ("plain read_csv",), (100_000, 1_000_000), None, "descriptions and complaints read", rounds=3),
    Case("odometers", "odometers", ("plain read_csv",), (100_000, 1_000_000), None, "readings gathered and mended", rounds=3),
    Case("lives", "lives", ("plain read_csv",), (100_000, 1_000_000), ("ratio", 6.0), "lives of all places, km on both ends", rounds=3),
    Case("curves", "curves", ("R survfit, warm", "lifelines, curve by curve", "two sorts of the times"), (100_000, 1_000_000),
         ("speedup", 60.0), "Kaplan-Meier with late entry, 100 strata"),
    Case("curves, errors by vehicle", "curves, errors by vehicle", ("curves",), (100_000, 1_000_000), None, "what robust errors cost"),
    Case("incidences", "incidences", ("R survfit of three endings, warm",), (100_000,), ("speedup", 45.0), "Aalen-Johansen, three endings"),
    Case("mean cumulative function", "mean cumulative function", ("R survfit by unit, warm",), (100_000,), ("speedup", 9.0),
         "with robust variance"),
    Case("log-rank", "log-rank", ("R survdiff without late entry, warm",), (100_000, 1_000_000), ("speedup", 10.0),
         "100 groups; ours with late entry, R's without (it takes none)"),
    Case("1,000 Weibull fits", "1,000 Weibull fits", ("lifelines, ten Weibull fits",), (1_000,), ("speedup", 400.0),
         "late entry and censoring, 1,000 lives each", scaled={"lifelines, ten Weibull fits": 100.0}),
    Case("whole run", "whole run", (), (450, 1_500, 5_000), None, "an invented world from exports to pages", rounds=1),
    Case("lowbeam --help", "lowbeam --help", (), (1,), None, "start-up; wanted within 0.5 s", rounds=5),
    Case("lowbeam suspect", "lowbeam suspect", (), (1,), None, "an answer from a published month; wanted within 1 s", rounds=3),
]
