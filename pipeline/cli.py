"""The command line: reads arguments, calls the steps, prints what they found.

Exit codes: 0 done; 1 the data, the settings or the workspace have a problem, told in one message (of `status`: somebody should look;
of `remake`: some bytes differ; of `check`: a run would stop); 2 the command was wrong; 70 a fault of the program, told by its traceback;
130 stopped by hand.
"""

from __future__ import annotations

import os

os.environ.setdefault("TYPER_USE_RICH", "0")  # keeps --help quick

import sys
from datetime import date, datetime
from pathlib import Path
from typing import Annotated

import typer

import pipeline

app = typer.Typer(
    add_completion=False, pretty_exceptions_enable=False, no_args_is_help=True,
    help="Repair histories of vehicle lighting become lives, survival curves, and which part to suspect first.")

Folder = Annotated[Path, typer.Argument(help="The workspace: settings.toml and incoming/ live in it.")]
AsOf = Annotated[str | None, typer.Option("--as-of", metavar="YYYY-MM-DD",
                                          help="Use nothing later than this day. Default: the last day in the data.")]


def _version(show: bool) -> None:
    if show:
        typer.echo(f"lowbeam {pipeline.__version__}")
        raise typer.Exit()


@app.callback()
def _main(version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True,
                                                help="Show the version and stop.")] = False) -> None:
    pass


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a date; write it as YYYY-MM-DD, for example 2025-06-30.") from None


class _Progress:
    """One line a step, on stderr; in place on a terminal, quiet otherwise unless asked."""

    def __init__(self) -> None:
        self.live = sys.stderr.isatty()

    def __call__(self, number: int, total: int, title: str) -> None:
        if self.live:
            sys.stderr.write(f"\r\033[K[{number}/{total}] {title} ...")
        else:
            sys.stderr.write(f"[{number}/{total}] {title}\n")
        sys.stderr.flush()

    def done(self) -> None:
        if self.live:
            sys.stderr.write("\r\033[K")
            sys.stderr.flush()


@app.command()
def new(folder: Folder) -> None:
    """Make an empty workspace: a commented settings.toml and example tables with headers only."""
    from pipeline import workspaces

    for line in workspaces.new(folder):
        typer.echo(line)


@app.command()
def demo(folder: Annotated[Path, typer.Argument(help="Where to put the demo workspace.")] = Path("demo")) -> None:
    """Make a workspace with the invented demo scenario, run it, and say where the pages are."""
    from pipeline import steps, workspaces

    workspaces.demo(folder)
    result = _run(folder, None)
    _say(result)
    typer.echo("")
    typer.echo("Try next:")
    for line in steps.try_next(folder, result):
        typer.echo(f"  {line}")


@app.command()
def run(folder: Folder, as_of: AsOf = None,
        known_by: Annotated[str | None, typer.Option("--known-by", metavar="YYYY-MM-DD",
                                                     help="Use only files first seen by this day.")] = None,
        wait: Annotated[float, typer.Option(help="Seconds to wait for another run to finish.")] = 0.0) -> None:
    """Load the exports in incoming/, make every table and page, and publish them whole."""
    _say(_run(folder, _day(as_of), _day(known_by), wait))


@app.command()
def load(folder: Folder,
         always: Annotated[bool, typer.Option("--always", help="Also where nothing is new.")] = False,
         wait: Annotated[float, typer.Option(help="Seconds to wait for another run to finish.")] = 0.0) -> None:
    """Read the exports into the store where something is new, and publish nothing: finds an export's fault on the day it comes."""
    from pipeline import steps

    progress = _Progress()
    try:
        loaded = steps.load(folder, if_new=not always, progress=progress, wait_seconds=wait)
    finally:
        progress.done()
    if loaded is None:
        typer.echo("Nothing in incoming/ is new since the last run.")
        return
    rows_in, used, aside = (sum(f[n] for f in loaded.files) for n in (2, 3, 4))
    typer.echo(f"Loaded {len(loaded.files)} files up to {loaded.as_of}: {rows_in:,} rows read, {used:,} used, {aside:,} set aside.")
    for reason, rows in loaded.reasons:
        typer.echo(f"  {rows:>9,} {reason}")


@app.command()
def split(folder: Folder, to: Annotated[Path, typer.Argument(help="The new workspace; must not be there yet.")],
          parts: Annotated[int, typer.Option(help="Into how many parts the vehicles are split.")] = 16) -> None:
    """Make a workspace whose exports are split by vehicle into Hive-partitioned Parquet, for runs that are spread over machines."""
    from pipeline import workspaces

    for line in workspaces.split(folder, to, parts):
        typer.echo(line)


@app.command()
def spread(folder: Folder, as_of: AsOf = None,
           in_turn: Annotated[bool, typer.Option("--in-turn", help="One part after the other in this process, without a cluster.")] = False,
           wait: Annotated[float, typer.Option(help="Seconds to wait for another run to finish.")] = 0.0) -> None:
    """Run a split workspace part by part on a Dask cluster ([cluster] in settings.toml), and publish what a plain run publishes."""
    day, progress = _day(as_of), _Progress()
    try:
        if in_turn:
            from pipeline.spread import run_spread

            place = run_spread(folder, as_of=day, progress=progress, wait_seconds=wait).folder
        else:
            from pipeline.schedules import spread_out

            place = spread_out(folder, as_of, wait, progress)
    finally:
        progress.done()
    typer.echo(f"Pages: {place / 'index.html'}")


@app.command()
def schedule(folder: Folder) -> None:
    """Keep the schedules of settings.toml until stopped: load what is new each day, publish each month."""
    from pipeline import schedules

    schedules.keep(folder, typer.echo)


@app.command()
def status(folder: Folder,
           runs: Annotated[int, typer.Option(min=1, help="How many of the last runs to show.")] = 5,
           json_: Annotated[bool, typer.Option("--json", help="Print JSON for monitors.")] = False) -> None:
    """Last runs, seconds by stage, what is new in incoming/, and whether the published month is whole. Exit 1: somebody should look."""
    from pipeline import status as state

    told = state.status(folder, runs)
    if json_:
        import json

        typer.echo(json.dumps(told, indent=1))
    else:
        for line in state.in_lines(told):
            typer.echo(line)
    if told["troubles"]:
        raise typer.Exit(1)


@app.command()
def remake(folder: Folder, month: Annotated[str, typer.Argument(help="A published month, such as 2025-05-31.")],
           to: Annotated[Path | None, typer.Option(help="Where to put it. Default: FOLDER/remade.")] = None,
           wait: Annotated[float, typer.Option(help="Seconds to wait for another run to finish.")] = 0.0) -> None:
    """Make a published month again from its manifest, and say whether every byte is the same. Changes nothing published."""
    from pipeline import steps

    if _day(month) is None:
        return
    progress = _Progress()
    try:
        made = steps.remake(folder, month, to, progress=progress, wait_seconds=wait)
    finally:
        progress.done()
    for line in made.versions:
        typer.echo(f"Not the version of then: {line}.")
    for name in made.differing:
        typer.echo(f"Differs: {name}")
    typer.echo(f"{made.same} of {made.same + len(made.differing)} files of {month} are the same to the byte. Made again in {made.folder}")
    if made.differing:
        raise typer.Exit(1)


def _run(folder: Path, as_of: date | None, known_by: date | None = None, wait: float = 0.0):
    from pipeline import steps

    progress = _Progress()
    try:
        return steps.run(folder, as_of=as_of, known_by=known_by, progress=progress, wait_seconds=wait)
    finally:
        progress.done()


def _say(result) -> None:
    typer.echo(f"As of {result.as_of}: {result.rows_in:,} rows read, {result.rows_used:,} used, "
               f"{result.rows_set_aside:,} set aside with their reasons.")
    typer.echo("")
    for finding in result.findings:
        typer.echo(f"* {finding}")
    typer.echo("")
    typer.echo(f"Pages: {result.folder / 'index.html'}")
    if not (result.folder / "index.pdf").exists():
        typer.echo("No PDFs: the typesetter is not there. Install it with: pip install typst. A browser prints the pages as well.")


@app.command()
def check(folder: Folder) -> None:
    """Read the exports and say, in a page of words, what can be used, what cannot, and how to mend it. Publishes nothing.

    Exit 1: a run would stop here, and the page says at its end why.
    """
    from pipeline import steps

    progress = _Progress()
    try:
        lines, good = steps.check(folder, progress=progress)
    finally:
        progress.done()
    for line in lines:
        typer.echo(line)
    if not good:
        raise typer.Exit(1)


@app.command("map")
def map_(folder: Folder,
         write: Annotated[bool, typer.Option(help="Add the proposal to settings.toml.")] = True) -> None:
    """Propose how the exports in incoming/ map to our tables, with reasons, for a person to edit."""
    from pipeline import steps

    for line in steps.propose(folder, write):
        typer.echo(line)


@app.command()
def suspect(folder: Folder,
            symptom: Annotated[str | None, typer.Option(help="low-beam-dark, high-beam-dark, flicker, dim, water-inside, warning-shown.")] = None,
            side: Annotated[str | None, typer.Option(help="left or right as seen from the driver's seat, or both.")] = None,
            km: Annotated[float | None, typer.Option(help="Odometer, in the workspace's unit.")] = None,
            age: Annotated[str | None, typer.Option(help="Age of the vehicle: 9y, 30m, 200d.")] = None,
            lighting: Annotated[str | None, typer.Option(help="halogen, discharge or led.")] = None,
            vehicle_class: Annotated[str | None, typer.Option("--class", help="Vehicle class, as the data names it.")] = None,
            light_source: Annotated[str | None, typer.Option(help="Light source category, such as D1S: some carry their igniter.")] = None,
            replaced: Annotated[list[str] | None, typer.Option(help="A part and how long ago it was renewed: ballast=70d. Repeatable.")] = None,
            original: Annotated[list[str] | None, typer.Option(help="A part known to be the first one. Repeatable.")] = None,
            cleared: Annotated[list[str] | None, typer.Option(help="A part that a check found good. Repeatable.")] = None,
            moved: Annotated[list[str] | None, typer.Option(help="A part with which the fault moved to the other side.")] = None,
            stayed: Annotated[list[str] | None, typer.Option(help="A part that was swapped and the fault stayed.")] = None,
            fault_code: Annotated[str | None, typer.Option(help="A fault code, as the data writes it.")] = None,
            json_: Annotated[bool, typer.Option("--json", help="Print JSON for machines.")] = False) -> None:
    """At the bench: the likely causes with their uncertainty, and the order of checks, from the published month."""
    from pipeline import bench

    for line in bench.answer(folder, json_, symptom=symptom, side=side, km=km, age=age, lighting=lighting,
                             vehicle_class=vehicle_class, light_source=light_source, replaced=replaced or [],
                             original=original or [], cleared=cleared or [], moved=moved or [], stayed=stayed or [],
                             fault_code=fault_code):
        typer.echo(line)


@app.command()
def life(folder: Folder, component: Annotated[str, typer.Argument(help="lamp, igniter, ballast, headlamp_assembly, wiring, ...")],
         clock: Annotated[str, typer.Option(help="days, km or hours.")] = "days",
         by: Annotated[str | None, typer.Option(help="supplier, or a stratum column such as grade.")] = None,
         lighting: Annotated[str, typer.Option(help="halogen, discharge, led, or all.")] = "all",
         to: Annotated[Path | None, typer.Option(help="Write the curve as a picture (.svg or .png) instead of drawing it here.")] = None) -> None:
    """How long a part lives: the summary, and its survival curve in the terminal or in a file."""
    from pipeline import bench

    for line in bench.life(folder, component, clock, by, lighting, to):
        typer.echo(line)


@app.command()
def world(folder: Annotated[Path, typer.Argument(help="Where to write the invented exports.")],
          vehicles: Annotated[int, typer.Option(min=20, help="Number of vehicles.")] = 3000,
          seed: Annotated[int, typer.Option(help="Seed: the same seed gives the same files.")] = 1) -> None:
    """Write the exports of an invented world whose truth is known, as a workspace ready to run."""
    from pipeline import workspaces

    for line in workspaces.world(folder, vehicles, seed):
        typer.echo(line)


@app.command("bench")
def bench_(rounds: Annotated[int | None, typer.Option(min=1, help="Rounds a case; its own number where not given.")] = None,
           largest: Annotated[int | None, typer.Option(help="Leave out sizes beyond this.")] = None,
           case: Annotated[list[str] | None, typer.Option(help="Only these cases. Repeatable.")] = None,
           to: Annotated[Path | None, typer.Option(help="Write the table (.md) and the figures behind it (.json beside it).")] = None) -> None:
    """Measure speed and memory on this machine, side by side with yardsticks: medians, ratios paired within a round."""
    from pipeline.measure import cases, harness

    chosen = [c for c in cases.CASES if not case or c.name in case]
    if not chosen:
        raise typer.BadParameter(f"no such case. Cases: {', '.join(c.name for c in cases.CASES)}")
    told = harness.run_all(chosen, rounds, largest, lambda line: typer.echo(f"measuring {line}", err=True))
    lines = list(harness.report(told))
    for line in lines:
        typer.echo(line)
    if to is not None:
        import json

        to.write_text("\n".join(lines) + "\n", encoding="utf-8")
        to.with_suffix(".json").write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


def main() -> None:
    """Run the command line. A problem of the data or the workspace ends in one message and exit 1, never a traceback."""
    from pipeline.settings import SettingsError
    from pipeline.store import StoreError

    known: tuple[type[Exception], ...] = (SettingsError, StoreError)
    os.umask(0o077)  # whatever is written is for its owner only
    try:
        app(standalone_mode=True)
    except known as error:
        _fail(str(error))
    except Exception as error:
        # Imported only now: a plain --help must not pay for the rooms below.
        from pipeline.intake.problems import DataProblem
        from pipeline.store import CheckFailed

        if isinstance(error, DataProblem | CheckFailed):
            _fail(str(error))
        if type(error).__name__ == "QuestionError":
            _fail(str(error), 2)
        if isinstance(error, OSError) and error.errno is not None:
            _fail(f"{error.strerror}: {error.filename or ''}. Nothing was published; the last published month is untouched.")
        import traceback

        traceback.print_exc()
        _fail("This is a fault of the program, not of your data. Nothing was published by this run; the last published month is untouched. "
              "Please report the lines above; take out what may name a person first.", 70)


def _fail(message: str, code: int = 1) -> None:
    sys.stderr.write(f"{message}\n")
    raise SystemExit(code)


if __name__ == "__main__":
    main()
