"""PDF of a page, where the typesetter `typst` is installed (the extra `pdf`): the same answers, pictures and tables on sheets.

A page's view goes to the template reports/page.typ as data, never as markup, so that text from data stays text. What can only be
used on a screen (links, folded lists of orders) stays in the HTML. No clock: the same view, pictures and fonts give the same bytes.
"""

from __future__ import annotations

import importlib.util
import json
import re
from pathlib import Path
from typing import Any

from markupsafe import Markup

from pipeline.publish import theme
from pipeline.publish.views import Context, Page, Pictures, Said, Section, Table
from pipeline.publish.words import Words
from pipeline.store import data_dir

# Families of one width, as static pictures are drawn with the first: one of them is on every usual system.
_PICTURE_FONTS = "Liberation Sans, Arial, Helvetica, DejaVu Sans, sans-serif"
_STRONG = re.compile(r"<strong>(.*?)</strong>", re.DOTALL)


def can_print() -> bool:
    """Whether the typesetter is installed."""
    return importlib.util.find_spec("typst") is not None


def pdf(page: Page, context: Context, words: Words, charts: Path) -> bytes:
    """One page as a tagged PDF. charts: the folder with its pictures as SVG. Raises FileNotFoundError where one is missing."""
    import typst

    sources = {"main.typ": (data_dir("reports") / "page.typ").read_bytes(),
               "page.json": json.dumps(_page(page, context, words), ensure_ascii=False, allow_nan=False).encode("utf-8")}
    for chart in page.charts():
        svg = (charts / f"{chart.name}.svg").read_text(encoding="utf-8")
        svg = re.sub(r'font-family="[^"]*"', f'font-family="{_PICTURE_FONTS}"', svg).replace(theme.LIGHT["card"], theme.PRINT["card"])
        sources[f"{chart.name}.svg"] = svg.encode("utf-8")
    return typst.compile(sources, timestamp=0)


def _page(page: Page, context: Context, words: Words) -> dict[str, Any]:
    window = context.window
    return {
        "paper": {"a4": "a4", "letter": "us-letter"}[context.paper],
        "lang": context.locale.split("-")[0],
        "shop": context.shop_name,
        "title": page.title,
        "lede": page.lede,
        "as_of": _runs(words.rich("page.as_of", date=words.date(context.as_of))),
        "window": words("page.window", first=words.date(window[0]), last=words.date(window[1])) if window else "",
        "answers_head": words("page.answers"),
        "answers": [{"text": _runs(f.text), "sure_head": words("page.answers_sure"), "sure": f.sure} for f in page.findings],
        "no_answers": page.no_findings,
        "changed_head": words("page.changed"),
        "changes": [_runs(c) for c in page.changes],
        "sections": [_section(s) for s in page.sections],
        "cautions_head": words("page.cautions"),
        "cautions": [_runs(c) for c in page.cautions],
        "foot": [words("page.words_sure", level=words.percent(context.confidence)), words("page.made_by", version=context.version)],
    }


def _section(section: Section) -> dict[str, Any]:
    return {"title": section.title, "lead": _runs(section.lead), "items": [made for i in section.items if (made := _item(i))]}


def _item(item: Any) -> dict[str, Any] | None:
    if isinstance(item, Pictures):
        return {"kind": "pictures", "charts": [{"file": f"{c.name}.svg", "alt": c.alt, "wide": c.wide} for c in item.charts]}
    if isinstance(item, Table):
        return None if item.folded else _table(item)
    if isinstance(item, Said) and "<a " not in str(item.text):
        return {"kind": "said", "text": _runs(item.text), "how": item.kind}
    return None


def _table(item: Table) -> dict[str, Any]:
    """The table without its columns of links, which lead nowhere on a sheet."""
    kept = [k for k, (_, kind) in enumerate(item.columns) if kind != "link"]
    return {
        "kind": "table",
        "caption": item.caption,
        "heads": [item.columns[k][0] for k in kept],
        "numeric": [item.columns[k][1] == "number" for k in kept],
        "widths": [_room(*item.columns[k], [row[k].lines for row in item.rows]) for k in kept],
        "rows": [[{"lines": list(row[k].lines), "strong": row[k].strong} for k in kept] for row in item.rows],
        "note": item.note,
    }


def _room(head: str, kind: str, cells: list[tuple[str, ...]]) -> int:
    """A column's share of the sheet, in letters: no figure and no word of its heading is broken, prose wraps."""
    first = max((len(lines[0]) for lines in cells if lines), default=0)
    rest = max((len(line) for lines in cells for line in lines[1:]), default=0)
    if kind != "number":
        first, rest = min(first, 30), min(rest, 22)
    return max(5, first, rest, max(map(len, head.split()), default=0)) + 2


def _runs(text: Markup | str) -> list[dict[str, Any]]:
    """A sentence as pieces, each strong or not. Plain strings are taken as they are, safe HTML is read."""
    if not isinstance(text, Markup):
        return [{"text": str(text), "strong": False}] if text else []
    pieces = []
    for k, piece in enumerate(_STRONG.split(str(text))):
        if piece:
            pieces.append({"text": Markup(piece).unescape() if "<" not in piece else str(Markup(piece).striptags()), "strong": k % 2 == 1})
    return pieces
