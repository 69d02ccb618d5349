"""Mutated exports through reading, half of them through words and odometers, one in ten through lives, and some through a whole run: no
crash, no hang, no lost row.

    python -m tests.benchmarks.fuzz --exports 20000 --whole-run-every 200 --write tests/benchmarks/fuzz.md

An export is a few rows of one desk of the invented scenario (three layouts in turn) and the catalogues; one to four mutations fall on
its files: bytes, cells, columns, encodings, packing, names, settings. Allowed outcomes: the tables are made and every row is accounted
for, or a refusal in words (DataProblem, SettingsError, StoreError). Everything else is a find. A find is printed with its number:
--only NUMBER makes it again.
"""

from __future__ import annotations

import argparse
import collections
import faulthandler
import gzip
import io
import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
import zipfile
from pathlib import Path

from pipeline import steps
from pipeline.intake.problems import AccountsError, DataProblem
from pipeline.settings import SettingsError, load_settings
from pipeline.store import StoreError, Workspace, connect, run_checks

SAMPLE = Path(__file__).resolve().parents[2] / "synthetic_data" / "sample"
HOSTILE = ["=cmd|' /C calc'!A0", "</script><script>alert(1)</script>", "\x00", "'; drop table clean.orders; --", "NaN", "1e400", "-0", "٣", "9" * 400,
           "2024-02-30", "0000-00-00", "31.12.9999", "\ufeff", "\u202e", '"', '""', "a\nb", "\r", "NULL", "1.234.567,89", "12:61", "", " ",
           "x" * 70_000, "\ud83d\ude97".encode("utf-16", "surrogatepass").decode("utf-16"), "../../etc", "km", "mi", "-1", "0", "left right both"]
SECONDS = 60


def base() -> dict[str, bytes]:
    """The unharmed export: the first rows of some files of each desk."""
    files = {}
    incoming = SAMPLE / "incoming"
    for path in sorted(incoming.rglob("*")):
        if path.is_file() and path.suffix == ".csv":
            rows = path.read_bytes().splitlines(keepends=True)
            files[path.relative_to(incoming).as_posix()] = b"".join(rows[:14])
    for few in ("desk/", "quillwren/orders", "quillwren/order_lines"):
        for name in [n for n in files if n.startswith(few)][2:]:  # two months or years are enough
            del files[name]
    books = sorted(incoming.rglob("*.xlsx"), key=lambda p: p.stat().st_size)[:1]
    return files | {b.relative_to(incoming).as_posix(): b.read_bytes() for b in books}


def export_of(number: int, files: dict[str, bytes]) -> dict[str, bytes]:
    """The files of the desk whose turn it is, two catalogues, and the settings."""
    desk = ("desk/", "quillwren/", "marlsedge/")[number % 3]
    return {n: b for n, b in files.items() if n.startswith(desk) or n in ("settings.toml", "shared/parts_catalogue.csv", "shared/check_times.csv")}


def mutate(files: dict[str, bytes], r: random.Random) -> dict[str, bytes]:
    files = dict(files)
    for _ in range(r.randint(1, 4)):
        name = r.choice(sorted(n for n in files if n != "settings.toml") or ["settings.toml"])
        change = r.choice(CHANGES)
        try:
            change(files, name, r)
        except (UnicodeError, ValueError, IndexError, KeyError):
            continue  # this change does not fit this file
    return files


def _flip(files, name, r):
    b = bytearray(files[name])
    for _ in range(r.randint(1, 8)):
        b[r.randrange(len(b))] = r.randrange(256)
    files[name] = bytes(b)


def _cut(files, name, r):
    b = files[name]
    i = r.randrange(len(b))
    files[name] = b[:i] + b[i + r.randint(1, 200):]


def _truncate(files, name, r):
    files[name] = files[name][:r.randrange(len(files[name]))]


def _repeat(files, name, r):
    b = files[name]
    i = r.randrange(len(b))
    files[name] = b[:i] + b[i:i + r.randint(1, 300)] * r.randint(1, 5) + b[i:]


def _insert(files, name, r):
    b = files[name]
    i = r.randrange(len(b) + 1)
    files[name] = b[:i] + r.choice([b"\x00", b'"', b";", b",", b"\n", b"\r\n", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1a", b"\t", b"'" * 3, b"\xc3"]) + b[i:]


def _lines(files, name):
    text = files[name].decode("utf-8-sig") if not name.startswith("desk/") else files[name].decode("cp1252")
    return text.splitlines()


def _put(files, name, lines, ends="\n"):
    files[name] = ends.join(lines).encode("cp1252" if name.startswith("desk/") else "utf-8", "replace")


def _cell(files, name, r):
    lines = _lines(files, name)
    sep = ";" if lines[0].count(";") > lines[0].count(",") else ","
    for _ in range(r.randint(1, 4)):
        i = r.randrange(len(lines))
        cells = lines[i].split(sep)
        value = r.choice(HOSTILE)
        cells[r.randrange(len(cells))] = f'"{value}"' if r.random() < 0.5 else value
        lines[i] = sep.join(cells)
    _put(files, name, lines)


def _shuffle(files, name, r):
    lines = _lines(files, name)
    r.shuffle(lines)
    _put(files, name, lines)


def _column(files, name, r):
    lines = _lines(files, name)
    sep = ";" if lines[0].count(";") > lines[0].count(",") else ","
    rows = [line.split(sep) for line in lines]
    i, j = r.randrange(len(rows[0])), r.randrange(len(rows[0]))
    what = r.choice(["drop", "swap", "rename", "twice", "blank"])
    for n, row in enumerate(rows):
        if max(i, j) >= len(row):
            continue
        if what == "drop":
            del row[i]
        elif what == "swap":
            row[i], row[j] = row[j], row[i]
        elif what == "rename" and n == 0:
            row[i] = r.choice(["", "date", row[j], "x" * 300, "vehicle_id; drop table x"])
        elif what == "twice":
            row.insert(i, row[j])
        elif what == "blank" and n:
            row[i] = ""
    _put(files, name, [sep.join(row) for row in rows])


def _delimiter(files, name, r):
    lines = _lines(files, name)
    sep = ";" if lines[0].count(";") > lines[0].count(",") else ","
    new = r.choice([",", ";", "\t", "|", "~"])
    _put(files, name, [line.replace(sep, new) if r.random() < 0.9 else line for line in lines], r.choice(["\n", "\r\n", "\r", "\n\n"]))


def _encode(files, name, r):
    text = "\n".join(_lines(files, name))
    files[name] = text.encode(r.choice(["utf-16", "utf-16-le", "utf-8-sig", "cp1252", "latin-1", "utf-32", "cp437"]), "replace")


def _pack(files, name, r):
    b = files.pop(name)
    if r.random() < 0.5:
        packed = gzip.compress(b, mtime=0)
        files[name + ".gz"] = packed[:r.randrange(1, len(packed))] if r.random() < 0.3 else packed
    else:
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w") as z:
            z.writestr(r.choice([name, "../../" + name, "/abs/" + name, "a\\b.csv", name.rsplit("/", 1)[-1]]), b)
        files[name.rsplit(".", 1)[0] + ".zip"] = out.getvalue()


def _rename(files, name, r):
    files[r.choice(["desk/Auftraege_x.csv", "a.parquet", "b.xlsx", "c.txt", "~$d.xlsx", ".hidden.csv", "e.csv.part", name + " (copy).csv",
                    "desk/Auftraege_\u00e4\U0001f4a1.csv"])] = files.pop(name) if r.random() < 0.5 else files[name]


def _join(files, name, r):
    files[name] += files[r.choice(sorted(files))]


def _empty(files, name, r):
    files[name] = r.choice([b"", b"\n", b"\xef\xbb\xbf", b"\x00" * 500, files[name].splitlines()[0]])


def _dates(files, name, r):
    text = "\n".join(_lines(files, name))
    for a in "0123456789":
        if r.random() < 0.1:
            text = text.replace(a, r.choice("0123456789"))
    _put(files, name, text.split("\n"))


def _settings(files, name, r):
    text = files["settings.toml"].decode()
    lines = text.splitlines()
    i = r.randrange(len(lines))
    what = r.random()
    if what < 0.4:
        del lines[i]
    elif what < 0.7:
        lines[i] = lines[i].replace('"', r.choice(["'", "", '"x']), 1)
    else:
        lines.insert(i, r.choice(["[units]", "x = 1", 'date_order = "mdy"', "delimiter = ','", "[sources.desk]", "\x00"]))
    files["settings.toml"] = "\n".join(lines).encode()


CHANGES = [_flip, _flip, _cut, _truncate, _repeat, _insert, _cell, _cell, _cell, _shuffle, _column, _column, _delimiter, _encode, _pack, _rename,
           _join, _empty, _dates, _settings]


class Hang(Exception):
    """An export that took longer than SECONDS."""


def _alarm(*_):
    raise Hang(f"took longer than {SECONDS} s")


def try_one(number: int, whole_run: bool, files: dict[str, bytes], folder: Path) -> str:
    """The outcome of export `number`: 'made', 'refused: <first words>', or a find that begins with '!'."""
    r = random.Random(number)
    shutil.rmtree(folder, ignore_errors=True)
    (folder / ".lowbeam").mkdir(parents=True)
    (folder / ".lowbeam" / "key").write_text("ab" * 32)
    (folder / "incoming").mkdir()
    for name, content in mutate(export_of(number, files), r).items():
        path = folder / name if name == "settings.toml" else folder / "incoming" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    signal.alarm(SECONDS)
    try:
        if whole_run:
            made = steps.run(folder)
            return "published" if made.rows_in == made.rows_used + made.rows_set_aside else "! rows lost"
        workspace = Workspace(folder)
        con = connect(":memory:")
        run = steps.Run(workspace, load_settings(workspace.settings_file), con, is_strict=False)
        steps.read_files(run)
        for f in run.report.files:
            if f.rows_in != f.rows_used + f.rows_set_aside:
                return f"! rows lost in {f.file}"
        if number % 2:
            return "files read"
        steps.read_words(run)
        steps.mend_odometers(run)
        if number % 5:
            return "words and odometers read"
        steps.make_lives(run)
        run_checks(con)
        return "lives made"
    except AccountsError as error:
        return f"! accounts: {error}"
    except (DataProblem, SettingsError, StoreError) as error:
        text = str(error).strip()
        return "refused" if text else "! a refusal without words"
    except BaseException as error:  # noqa: BLE001 - whatever it is, it is a find
        if isinstance(error, KeyboardInterrupt):
            raise
        return "! " + "".join(traceback.format_exception_only(error)).strip().splitlines()[0] + " @ " + traceback.format_tb(error.__traceback__)[-1].strip().replace("\n", " ")
    finally:
        signal.alarm(0)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--exports", type=int, default=20_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--whole-run-every", type=int, default=200)
    parser.add_argument("--only", type=int)
    parser.add_argument("--write", type=Path)
    args = parser.parse_args(argv)
    faulthandler.enable()
    signal.signal(signal.SIGALRM, _alarm)
    files = base() | {"settings.toml": (SAMPLE / "settings.toml").read_bytes()}
    outcomes: collections.Counter[str] = collections.Counter()
    finds: dict[str, list[int]] = collections.defaultdict(list)
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        numbers = [args.only] if args.only is not None else range(args.first, args.first + args.exports)
        for number in numbers:
            whole = args.whole_run_every > 0 and number % args.whole_run_every == 0
            outcome = try_one(number, whole, files, Path(folder) / "w")
            outcomes[outcome if not outcome.startswith("!") else "find"] += 1
            if outcome.startswith("!"):
                finds[outcome[:300]].append(number)
                if len(finds[outcome[:300]]) <= 2:
                    print(f"{number}: {outcome}", file=sys.stderr, flush=True)
            if number % 1000 == 999:
                print(f"{number + 1}: {dict(outcomes)} {time.monotonic() - started:.0f} s", file=sys.stderr, flush=True)
    lines = ["# Mutated exports", "", f"{sum(outcomes.values()):,} exports, numbers {args.first} and on, each with one to four mutations.", "",
             "| outcome | exports |", "|---|---|", *(f"| {k} | {v:,} |" for k, v in sorted(outcomes.items()))]
    lines += ["", "Finds:", *(f"- {k}: {len(v)} times, first {v[0]}" for k, v in finds.items())] if finds else ["", "No find."]
    print("\n".join(lines))
    if args.write:
        args.write.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 1 if finds else 0


if __name__ == "__main__":
    raise SystemExit(main())
