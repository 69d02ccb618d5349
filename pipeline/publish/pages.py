"""Pages: tables and a context in, one self-contained HTML text a page out. No disk but the templates, no clock,
no network.

Each page carries its style, one script bundle and its charts' specifications; its policy forbids every request.
A template decides nothing: what it shows is built as views (see views.py), and every text from data is escaped
by it. """

from __future__ import annotations

import datetime as dt
import json
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import polars as pl
from markupsafe import Markup

from pipeline.publish import changes, charts, figures, findings, fleet, fleet_files, paper, quality, shop, theme
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.views import Context, Finding, Page, Pictures, Said, Section, leading_somewhere
from pipeline.publish.words import Words
from pipeline.store import data_dir

if TYPE_CHECKING:
    from pipeline.settings import Settings

CAUTIONS = ("voltage", "heat", "mercury", "battery", "same", "law")
NUMBERS_ON_PAGE = 40  # rows of a chart's numbers; all of them stand in its CSV
# In the order of the links at the head of each page.
FILES = ("index.html", "shop_report.html", "fleet_plan.html", "bench.html", "data_quality.html")


def context_of(
    settings: Settings,
    as_of: dt.date,
    tables: Tables,
    *,
    version: str = "",
    previous: Mapping[str, pl.DataFrame] | None = None,
    previous_as_of: dt.date | None = None,
) -> Context:
    """The context of a run. The data window is that of the lives' watching, the orders that ended them, and the
    months."""
    return Context(
        shop_name=settings.workspace.name,
        as_of=as_of,
        currency=settings.units.currency,
        distance=settings.units.distance,
        version=version,
        locale=settings.workspace.locale,
        date_style=settings.workspace.date_style,
        paper=settings.workspace.paper,
        has_pdf=paper.can_print(),
        window=_window(tables, as_of),
        previous_as_of=previous_as_of,
        previous=previous or {},
        drive_side=settings.units.drive_side,
        recent_days=settings.rules.recent_days,
        claim_within_days=settings.rules.claim_within_days,
        confidence=settings.curves.confidence,
        false_discovery_rate=settings.curves.false_discovery_rate,
    )


def _window(tables: Tables, as_of: dt.date) -> tuple[dt.date, dt.date] | None:
    lives = tables.get("lives")
    if lives is None or lives.is_empty():
        return None
    starts = [lives[c].drop_nulls().min() for c in ("watched_from",) if c in lives.columns]
    starts = [s for s in starts if s is not None]
    ends = [lives[c].drop_nulls().max() for c in ("end_on",) if c in lives.columns]
    ends = [e for e in ends if e is not None]
    return (min(starts), min(as_of, max(ends))) if starts and ends else None


def render_all(tables: Tables, context: Context) -> dict[str, str]:
    """Every page by its file name. Any table may be absent or empty: the page then says so in words."""
    return everything(tables, context)[0]


def all_charts(tables: Tables, context: Context) -> list[Chart]:
    """The charts of all pages, each name once, in the order of the pages."""
    return charts_of(build(tables, context, context.words()))


def everything(
    tables: Tables, context: Context, drawn: Callable[[list[Chart]], None] | None = None
) -> tuple[dict[str, str], list[Page]]:
    """Every page as HTML by its file name, and as views. `drawn` is given the charts of a page as soon as it is
    built, so that they can be drawn while the next page is made."""
    words = context.words()
    if drawn:  # putting the script bundle together needs a core, not this thread
        threading.Thread(target=_bundle, name="bundle", daemon=True).start()
    made = build(tables, context, words, drawn)
    return {page.file: render(page, context, words) for page in made}, made


def charts_of(made: Sequence[Page]) -> list[Chart]:
    """The charts of some pages, each name once, in their order."""
    found: dict[str, Chart] = {}
    for page in made:
        for chart in page.charts():
            found.setdefault(chart.name, chart)
    return list(found.values())


def bench_without_suspects(context: Context) -> str:
    """The bench page of a month that has nothing to rank: it says so."""
    words = context.words()
    page = Page("bench.html", words("nav.bench"), words("front.page_bench"), (), (), (), words("page.nothing_yet"))
    return render(page, context, words)


@dataclass(frozen=True)
class _Kind:
    """A page's name in the text file, its file, and who makes its answers, its changes and its sections."""

    name: str
    file: str
    answers: Callable[[Tables, Context, Words], list[Finding]]
    changes: Callable[[Tables, Context, Words], list[Markup]]
    sections: Callable[[Tables, Context, Words], list[Section]]
    has_cautions: bool


_KINDS = (
    _Kind("shop", "shop_report.html", findings.shop, changes.shop, shop.sections, True),
    _Kind("fleet", "fleet_plan.html", fleet.findings, fleet.changes, fleet.sections, True),
    _Kind("quality", "data_quality.html", findings.quality, changes.quality, quality.sections, False),
)


def build(
    tables: Tables, context: Context, words: Words, drawn: Callable[[list[Chart]], None] | None = None
) -> list[Page]:
    """The pages as views, before any HTML; the front page first, though it is made last, from the others."""
    tables = {name: frame for name, frame in tables.items() if frame is not None}
    cautions = tuple(words.rich(f"cautions.{c}") for c in CAUTIONS)
    made = []
    for kind in _KINDS:
        with charts.unchecked():
            sections = leading_somewhere(kind.sections(tables, context, words))
        page = Page(
            kind.file,
            words(f"{kind.name}.title"),
            words(f"{kind.name}.lede"),
            tuple(kind.answers(tables, context, words)),
            tuple(kind.changes(tables, context, words)),
            sections,
            words("page.nothing_yet"),
            cautions if kind.has_cautions else (),
        )
        made.append(page)
        if drawn:
            drawn(page.charts())
    return [_front(tables, context, words, made[0], cautions), *made]


def _front(tables: Tables, context: Context, words: Words, shop_page: Page, cautions: tuple[Markup, ...]) -> Page:
    """The month on one sheet: the first answers, what changed, and the two pictures that a wall is for: how
    many failed month by month, and what to suspect first."""
    parts = []
    for id in ("failed", "suspect"):
        section = next((s for s in shop_page.sections if s.id == id), None)
        pictures = next((i for i in section.items if isinstance(i, Pictures)), None) if section else None
        if pictures:
            told = findings.told_map(tables)
            name = f"suspicion_{told.symptom}_{told.lighting}" if told else ""
            one = next((c for c in pictures.charts if c.name == name), pictures.charts[0])
            chosen = pictures if id == "failed" else Pictures((one,))
            more = Said(words.link("front.more", f"{shop_page.file}#{id}", section=section.title))
            parts.append(Section(id, section.title, (chosen, more)))
    return Page(
        "index.html",
        words("front.title"),
        words("front.lede"),
        tuple(findings.top(tables, context)),
        shop_page.changes,
        tuple(parts),
        words("page.nothing_yet"),
        cautions,
        {
            "pages": [(f, words(f"nav.{_key(f)}"), words(f"front.page_{_key(f)}")) for f in FILES[1:]],
            "files": _files(tables, words),
        },
    )


def _key(file: str) -> str:
    return file.removesuffix(".html").split("_")[0] if file != "data_quality.html" else "quality"


def _files(tables: Tables, words: Words) -> list[tuple[str, str]]:
    out = []
    if not figures.frame(tables, "priors").is_empty():
        out += [("priors.json", words("front.file_priors")), ("priors.schema.json", words("front.file_schema"))]
    if not figures.frame(tables, "claims_to_send").is_empty():
        out.append(("tables/claims_to_send.csv", words("front.file_claims")))
    elif not figures.frame(tables, "warranty_recovery").is_empty():
        out.append(("tables/warranty_recovery.csv", words("front.file_claims")))
    if not figures.frame(tables, "due_list").is_empty():
        out.append((fleet_files.WORKBOOK, words("front.file_workbook")))
    if fleet_files.is_any_planned(tables):
        out.append((fleet_files.CALENDAR, words("front.file_calendar")))
    return [
        *out,
        ("tables/", words("front.file_tables")),
        ("charts/", words("front.file_charts")),
        ("manifest.json", words("front.file_manifest")),
    ]


_bundling = threading.Lock()  # two threads that ask at once must not make it twice


def _bundle() -> str:
    """The drawing library, whole. Its text may not end its own script element."""
    with _bundling:
        return _bundled()


@cache
def _bundled() -> str:
    import vl_convert

    text = vl_convert.javascript_bundle()
    if "</script" in text.lower():
        text = text.replace("</script", "<\\/script")
    return text


@cache
def _environment() -> Any:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(data_dir("reports") / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.tests["picture_row"] = lambda item: type(item).__name__ == "Pictures"
    environment.tests["table"] = lambda item: type(item).__name__ == "Table"
    environment.tests["said"] = lambda item: type(item).__name__ == "Said"
    return environment


def safe_json(value: Any) -> Markup:
    """JSON that cannot end a script element nor open a comment in it: every < is written as \\u003c."""
    text = json.dumps(value, sort_keys=True, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return Markup(text)


def render(page: Page, context: Context, words: Words) -> str:
    """One page as HTML. Charts carry their numbers as a table; scripts come only where there is a chart."""
    drawn = page.charts()
    specs = [{"id": f"chart-{c.name}", "spec": c.spec} for c in drawn]
    style = theme.css_variables() + (data_dir("reports") / "style.css").read_text(encoding="utf-8")
    script = (data_dir("reports") / "page.js").read_text(encoding="utf-8")
    return (
        _environment()
        .get_template("page.html")
        .render(
            page=page,
            context=context,
            w=words,
            style=Markup(style),
            script=Markup(script),
            bundle=Markup(_bundle()) if drawn else "",
            specs=safe_json({"charts": specs, "config": theme.config()}),
            files=[(f, words(f"nav.{_key(f)}")) for f in FILES],
            numbers={c.name: _numbers(c, words) for c in drawn},
        )
    )


def _numbers(chart: Chart, words: Words) -> dict[str, Any]:
    """A chart's numbers as a plain table: heads, rows, and whether there are more than the page shows."""
    shown = chart.numbers.head(NUMBERS_ON_PAGE)
    body = [[_plain(v, c, words) for c, v in zip(shown.columns, row, strict=True)] for row in shown.iter_rows()]
    heads = [_heading(c, words) for c in shown.columns]
    numeric = [t.is_numeric() for t in shown.dtypes]
    file = f"charts/{chart.name}.csv"
    note = ""
    if chart.numbers.height > shown.height:
        note = words(
            "page.numbers_more", shown=words.number(shown.height), total=words.number(chart.numbers.height), file=file
        )
    return {"heads": heads, "numeric": numeric, "rows": body, "note": note, "file": file}


def _heading(column: str, words: Words) -> str:
    """A column's heading; of one that nobody foresaw, its name."""
    texts = [words(key) for key in (f"column.{column}", f"head.{column}") if words.has(key)]
    return texts[0] if texts and column != "interval" else column.replace("_", " ")


def _plain(value: Any, column: str, words: Words) -> str:
    if value is None:
        return words("format.nothing")
    if isinstance(value, float):
        return words.significant(value, 3) if value < 1000 else words.number(value)
    if isinstance(value, bool):
        return words("format.yes") if value else words("format.no")
    if isinstance(value, int):
        return words.number(value)
    if isinstance(value, dt.date):
        return words.short_date(value)
    kind = {
        "first": "component",
        "second": "component",
        "first_replaced": "component",
        "cause": "component",
        "first_after": "component",
    }.get(column, column)
    return words.name(kind, value) if isinstance(words.texts.get(kind), Mapping) else str(value)
