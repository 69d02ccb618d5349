"""Pages: tables and a context in, one self-contained HTML text a page out. No disk but the templates, no clock,
no network.

Each page carries its style, one script bundle and its charts' specifications; its policy forbids every request.
A template decides nothing: what it shows is built as views (see views.py), and every text from data is escaped
by it. """

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import polars as pl
from markupsafe import Markup

from pipeline.publish import changes, figures, findings, fleet, quality, shop, theme
from pipeline.publish.charts import Chart
from pipeline.publish.figures import Tables
from pipeline.publish.views import Context, Page
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
    return _charts(build(tables, context, context.words()))


def everything(tables: Tables, context: Context) -> tuple[dict[str, str], list[Chart]]:
    """render_all and all_charts at once, at half the work."""
    words = context.words()
    made = build(tables, context, words)
    return {page.file: render(page, context, words) for page in made}, _charts(made)


def _charts(made: list[Page]) -> list[Chart]:
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


def build(tables: Tables, context: Context, words: Words) -> list[Page]:
    """The pages as views, before any HTML."""
    cautions = tuple(words.rich(f"cautions.{c}") for c in CAUTIONS)
    tables = {name: frame for name, frame in tables.items() if frame is not None}
    shop_page = Page(
        "shop_report.html",
        words("shop.title"),
        words("shop.lede"),
        tuple(findings.shop(tables, context, words)),
        tuple(changes.shop(tables, context, words)),
        tuple(shop.sections(tables, context, words)),
        words("page.nothing_yet"),
        cautions,
    )
    fleet_page = Page(
        "fleet_plan.html",
        words("fleet.title"),
        words("fleet.lede"),
        tuple(fleet.findings(tables, context, words)),
        tuple(fleet.changes(tables, context, words)),
        tuple(fleet.sections(tables, context, words)),
        words("page.nothing_yet"),
        cautions,
    )
    quality_page = Page(
        "data_quality.html",
        words("quality.title"),
        words("quality.lede"),
        tuple(findings.quality(tables, context, words)),
        tuple(changes.quality(tables, context, words)),
        tuple(quality.sections(tables, context, words)),
        words("page.nothing_yet"),
    )
    front = Page(
        "index.html",
        words("front.title"),
        words("front.lede"),
        tuple(findings.top(tables, context)),
        shop_page.changes,
        (),
        words("page.nothing_yet"),
        cautions,
        {
            "pages": [(f, words(f"nav.{_key(f)}"), words(f"front.page_{_key(f)}")) for f in FILES[1:]],
            "files": _files(tables, words),
        },
    )
    return [front, shop_page, fleet_page, quality_page]


def _key(file: str) -> str:
    return file.removesuffix(".html").split("_")[0] if file != "data_quality.html" else "quality"


def _files(tables: Tables, words: Words) -> list[tuple[str, str]]:
    out = []
    if not figures.frame(tables, "priors").is_empty():
        out += [("priors.json", words("front.file_priors")), ("priors.schema.json", words("front.file_schema"))]
    if not figures.frame(tables, "warranty_recovery").is_empty():
        out.append(("tables/warranty_recovery.csv", words("front.file_claims")))
    return [
        *out,
        ("tables/", words("front.file_tables")),
        ("charts/", words("front.file_charts")),
        ("manifest.json", words("front.file_manifest")),
    ]


@lru_cache(maxsize=1)
def _bundle() -> str:
    """The drawing library, whole. Its text may not end its own script element."""
    import vl_convert

    text = vl_convert.javascript_bundle()
    if "</script" in text.lower():
        text = text.replace("</script", "<\\/script")
    return text


@lru_cache(maxsize=1)
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
    charts = page.charts()
    specs = [{"id": f"chart-{c.name}", "spec": c.spec} for c in charts]
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
            bundle=Markup(_bundle()) if charts else "",
            specs=safe_json({"charts": specs, "config": theme.config()}),
            files=[(f, words(f"nav.{_key(f)}")) for f in FILES],
            numbers={c.name: _numbers(c, words) for c in charts},
        )
    )


def _numbers(chart: Chart, words: Words) -> dict[str, Any]:
    """A chart's numbers as a plain table: heads, rows, and whether there are more than the page shows."""
    shown = chart.numbers.head(NUMBERS_ON_PAGE)
    body = [[_plain(v, c, words) for c, v in zip(shown.columns, row, strict=True)] for row in shown.iter_rows()]
    heads = [
        words(f"head.{c}") if c != "interval" and words.has(f"head.{c}") else c.replace("_", " ") for c in shown.columns
    ]
    numeric = [t.is_numeric() for t in shown.dtypes]
    file = f"charts/{chart.name}.csv"
    note = ""
    if chart.numbers.height > shown.height:
        note = words(
            "page.numbers_more", shown=words.number(shown.height), total=words.number(chart.numbers.height), file=file
        )
    return {"heads": heads, "numeric": numeric, "rows": body, "note": note, "file": file}


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
