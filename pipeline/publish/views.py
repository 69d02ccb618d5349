"""What a template is given: sections of pictures, tables and sentences, with nothing left to decide."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from pipeline.publish.words import Words, load_words

if TYPE_CHECKING:
    import polars as pl
    from markupsafe import Markup

    from pipeline.publish.charts import Chart


@dataclass(frozen=True)
class Context:
    """What every page knows beside its tables. Nothing in it comes from a clock.

    distance: "km" or "mi". window: first and last day of the data. previous: the tables of an earlier published
    report, if at hand, and previous_as_of its date. recent_days, claim_within_days: the settings' values, for
    the sentences that name them. """

    shop_name: str
    as_of: dt.date
    currency: str = "EUR"
    distance: str = "km"
    version: str = ""
    locale: str = "en"
    date_style: str = "iso"
    paper: str = "a4"
    has_pdf: bool = False  # whether a PDF of each page stands beside it
    window: tuple[dt.date, dt.date] | None = None
    previous_as_of: dt.date | None = None
    previous: Mapping[str, pl.DataFrame] = field(default_factory=dict)
    drive_side: str = "unknown"
    recent_days: int = 90
    claim_within_days: int | None = None
    confidence: float = 0.95
    false_discovery_rate: float = 0.05

    def words(self) -> Words:
        return load_words(self.locale, self.distance, self.currency, self.date_style)


@dataclass(frozen=True)
class Cell:
    """A cell of a table: one or more lines of text, maybe a link within the pages."""

    lines: tuple[str, ...]
    href: str = ""
    strong: bool = False

    @property
    def text(self) -> str:
        return " · ".join(self.lines)


@dataclass(frozen=True)
class Table:
    """A table for reading. columns: heading and "text", "number" or "link". ids: an anchor for each row, or ""
    for none."""

    id: str
    caption: str
    columns: tuple[tuple[str, str], ...]
    rows: tuple[tuple[Cell, ...], ...]
    ids: tuple[str, ...] = ()
    note: str = ""
    csv: str = ""
    folded: bool = False


@dataclass(frozen=True)
class Said:
    """A sentence in place of something that cannot be drawn, or a remark. kind: "plain", "thin", "caution"."""

    text: Markup | str
    kind: str = "plain"


@dataclass(frozen=True)
class Pictures:
    """Charts that stand together: side by side where there is room."""

    charts: tuple[Chart, ...]


@dataclass(frozen=True)
class Section:
    id: str
    title: str
    items: tuple[Any, ...]
    lead: Markup | str = ""


@dataclass(frozen=True)
class Finding:
    """One answer: a sentence with its numbers, how sure it is, and where its evidence stands."""

    id: str
    text: Markup
    plain: str
    sure: str
    href: str


@dataclass(frozen=True)
class Page:
    """One page, ready for its template."""

    file: str
    title: str
    lede: str
    findings: tuple[Finding, ...]
    changes: tuple[Markup, ...]
    sections: tuple[Section, ...]
    no_findings: str = ""
    cautions: tuple[str, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)

    def charts(self) -> list[Chart]:
        return [c for s in self.sections for i in s.items if isinstance(i, Pictures) for c in i.charts]


def leading_somewhere(sections: Sequence[Section]) -> tuple[Section, ...]:
    """The sections of one page without the links that lead to no row or table of it: what a link promises is there."""
    ids = {s.id for s in sections}
    for item in (i for s in sections for i in s.items):
        if isinstance(item, Table):
            ids |= {item.id, *item.ids}

    def kept(item: Any) -> Any:
        if not isinstance(item, Table):
            return item
        rows = tuple(tuple(Cell(()) if c.href.startswith("#") and c.href[1:] not in ids else c for c in row) for row in item.rows)
        return replace(item, rows=rows)

    return tuple(replace(s, items=tuple(kept(i) for i in s.items)) for s in sections)


def cell(*lines: Any, href: str = "", strong: bool = False) -> Cell:
    """A cell from its lines; empty ones are left out."""
    return Cell(tuple(str(line) for line in lines if line not in (None, "")), href, strong)


def table(
    id: str,
    caption: str,
    columns: Sequence[tuple[str, str]],
    rows: Sequence[Sequence[Cell | str]],
    *,
    ids: Sequence[str] = (),
    note: str = "",
    csv: str = "",
    folded: bool = False,
) -> Table:
    """A table whose plain strings become cells. Raises ValueError where a row does not fit the columns."""
    made = tuple(tuple(c if isinstance(c, Cell) else cell(c) for c in row) for row in rows)
    if any(len(row) != len(columns) for row in made):
        raise ValueError(f"table {id}: a row has not {len(columns)} cells")
    return Table(id, caption, tuple(columns), made, tuple(ids), note, csv, folded)
