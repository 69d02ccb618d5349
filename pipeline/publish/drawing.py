"""Pictures as files: every chart as SVG and PNG beside its numbers as CSV, drawn by helper processes while pages are still being made.

The drawing library keeps one engine a process, so two processes draw at twice its speed. A helper is this module run on its own: it
reads one specification a line and answers with a line of lengths and the bytes. It touches no network, and no font of the machine: the
library's own is enough for Latin, Greek and Cyrillic, halves the time (it maps a font file anew for every letter) and gives the same
bytes on every machine. A chart with other letters is drawn in this process, with the machine's fonts.
"""

from __future__ import annotations

import json
import os
import queue
import re
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.publish import theme

if TYPE_CHECKING:
    from pipeline.publish.charts import Chart

PNG_SCALE = 1.5
# Letters that the library's own font lacks: beyond Latin, Greek, Cyrillic, and common punctuation, currency, arrows and mathematics.
_OTHER_LETTERS = re.compile("[^\\u0000-\\u052f\\u1e00-\\u1fff\\u2000-\\u206f\\u20a0-\\u20bf\\u2100-\\u22ff\\u25a0-\\u25ff]")
_NO_FONTS = """<?xml version="1.0"?><!DOCTYPE fontconfig SYSTEM "fonts.dtd"><fontconfig><dir>{}</dir></fontconfig>"""


class DrawingError(RuntimeError):
    """A picture could not be drawn: a fault of ours, never of the data."""


def draw(spec: dict[str, Any]) -> tuple[str, bytes]:
    """A specification as SVG and PNG. Nothing is fetched while drawing."""
    import vl_convert

    svg = _numbered_anew(vl_convert.vegalite_to_svg(json.dumps(spec), allowed_base_urls=[]))
    return svg, vl_convert.svg_to_png(svg, scale=PNG_SCALE)


def _numbered_anew(svg: str) -> str:
    """The drawing library counts its clip paths up for as long as a process lives: number them from 0 in each picture."""
    met: dict[str, str] = {}
    return re.sub(r"\b(clip|gradient_|pattern_)\d+\b", lambda m: met.setdefault(m.group(0), f"{m.group(1)}{len(met)}"), svg)


class Drawing:
    """Draws charts into a folder as they come; leaving the `with` block waits for the last of them.

    Each chart name is drawn once. Raises DrawingError on leaving, or at the next `add`, where a picture failed.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.names: set[str] = set()
        self._workers = min(2, os.cpu_count() or 1)
        self._waiting: queue.SimpleQueue[Chart | None] = queue.SimpleQueue()
        self._errors: list[BaseException] = []
        self._threads: list[threading.Thread] = []
        self._fonts = tempfile.TemporaryDirectory(prefix="lowbeam-no-fonts-")
        config = Path(self._fonts.name) / "fonts.conf"
        config.write_text(_NO_FONTS.format(self._fonts.name), encoding="utf-8")
        self._environment = {**os.environ, "FONTCONFIG_FILE": str(config)}

    def __enter__(self) -> Drawing:
        return self

    def add(self, charts: Iterable[Chart]) -> None:
        """Take charts to be drawn, and return at once."""
        self._complain()
        for chart in charts:
            if chart.name in self.names:
                continue
            self.names.add(chart.name)
            self._waiting.put(chart)
            if len(self._threads) < self._workers:
                self._threads.append(threading.Thread(target=self._serve, name=f"drawing-{len(self._threads)}", daemon=True))
                self._threads[-1].start()

    def __exit__(self, kind: Any, error: Any, trace: Any) -> None:
        if kind is not None:  # something else failed: what is still waiting is not wanted any more
            self._errors.append(error)
        for _ in self._threads:
            self._waiting.put(None)
        for thread in self._threads:
            thread.join()
        self._fonts.cleanup()
        if kind is None:
            self._complain()

    def _complain(self) -> None:
        if self._errors:
            raise DrawingError(f"A picture could not be drawn: {self._errors[0]}") from self._errors[0]

    def _serve(self) -> None:
        helper = None
        try:
            helper = _start(self._environment)
            while (chart := self._waiting.get()) is not None:
                if not self._errors:
                    self._write(chart, *_ask(helper, chart))
        except BaseException as error:  # shown by the thread that waits
            self._errors.append(error)
        finally:
            if helper is not None:
                _end(helper)

    def _write(self, chart: Chart, svg: str, png: bytes) -> None:
        from pipeline.publish import files

        files.write_text(self.folder / f"{chart.name}.svg", svg)
        files.write_bytes(self.folder / f"{chart.name}.png", png)
        files.write_bytes(self.folder / f"{chart.name}.csv", files.csv_bytes(chart.numbers))


def _start(environment: dict[str, str]) -> subprocess.Popen[bytes]:
    package = str(Path(__file__).resolve().parents[2])  # so that a helper finds this module however it was found here
    path = os.pathsep.join(p for p in (package, environment.get("PYTHONPATH", "")) if p)
    return subprocess.Popen([sys.executable, "-m", "pipeline.publish.drawing"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                            env={**environment, "PYTHONPATH": path})


def _ask(helper: subprocess.Popen[bytes], chart: Chart) -> tuple[str, bytes]:
    spec = json.dumps(chart.static(), ensure_ascii=False)
    if _OTHER_LETTERS.search(spec):
        return draw(chart.static(font=theme.FONT_ANY))
    helper.stdin.write(spec.encode("utf-8") + b"\n")
    helper.stdin.flush()
    line = helper.stdout.readline()
    if not line:
        raise DrawingError(f"{chart.name}: the helper that draws ended with code {helper.wait()}")
    said = json.loads(line)
    if "error" in said:
        raise DrawingError(f"{chart.name}: {said['error']}")
    svg, png = (helper.stdout.read(said[k]) for k in ("svg", "png"))
    return svg.decode("utf-8"), png


def _end(helper: subprocess.Popen[bytes]) -> None:
    helper.stdin.close()
    try:
        helper.wait(timeout=30)
    except subprocess.TimeoutExpired:
        helper.kill()
        helper.wait()
    helper.stdout.close()


def main() -> None:
    """The helper: one specification a line in; a line of lengths, then SVG and PNG out. Ends with its input."""
    out = sys.stdout.buffer
    for line in sys.stdin.buffer:
        try:
            svg, png = draw(json.loads(line))
        except Exception as error:
            out.write(json.dumps({"error": f"{type(error).__name__}: {error}"}).encode("utf-8") + b"\n")
        else:
            data = svg.encode("utf-8")
            out.write(json.dumps({"svg": len(data), "png": len(png)}).encode("utf-8") + b"\n" + data + png)
        out.flush()


if __name__ == "__main__":
    main()
