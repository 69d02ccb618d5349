"""The command line: reads arguments, calls the steps, prints what they found. Exit 0 done, 1 the data has a problem, 2 the
command was wrong."""

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


@app.command()
def check(folder: Folder) -> None:
    """Read the exports and say, in a page of words, what can be used, what cannot, and how to mend it. Publishes nothing."""
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


def main() -> None:
    """Run the command line. A problem of the data or the workspace ends in one message and exit 1, never a traceback."""
    from pipeline.settings import SettingsError
    from pipeline.store import StoreError

    known: tuple[type[Exception], ...] = (SettingsError, StoreError)
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
        raise


def _fail(message: str, code: int = 1) -> None:
    sys.stderr.write(f"{message}\n")
    raise SystemExit(code)


if __name__ == "__main__":
    main()
