"""Words and numbers for people: one text file a language, one way to write each kind of number.

All sentences of the pages stand in reports/text.<locale>.toml; nothing here is English. A text may hold {named}
places, and **strong** parts. Values are put in after the strong parts are found, and escaped, so that text from
data stays text. """

from __future__ import annotations

import datetime as dt
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from markupsafe import Markup, escape

from pipeline.settings import SettingsError
from pipeline.store import data_dir

KM_PER_MILE = 1.609344  # exact: International yard and pound agreement, 1959
_STRONG = re.compile(r"\*\*(.+?)\*\*")
_PLACE = re.compile(r"\{(\w+)\}")
NBSP = "\u00a0"


class TextError(Exception):
    """The text file lacks a key or has a place that nothing fills; says which."""


class UnknownLanguage(SettingsError):
    """The settings name a language that has no text file; says which there are."""


@dataclass(frozen=True)
class Words:
    """The texts of one language, and how this workspace writes distances and money."""

    texts: Mapping[str, Any]
    unit: str = "km"
    currency: str = "EUR"
    date_style: str = "iso"

    def __call__(self, key: str, **values: Any) -> str:
        """A plain sentence: places filled, marks of strength taken out."""
        return _fill(_STRONG.sub(r"\1", self.text(key)), key, values)

    def rich(self, key: str, **values: Any) -> Markup:
        """The same sentence as safe HTML, its strong parts in <strong>."""
        parts, at, text = [], 0, self.text(key)
        safe = {k: escape(v) for k, v in values.items()}
        for found in _STRONG.finditer(text):
            parts.append(_fill(str(escape(text[at : found.start()])), key, safe))
            parts.append(f"<strong>{_fill(str(escape(found.group(1))), key, safe)}</strong>")
            at = found.end()
        parts.append(_fill(str(escape(text[at:])), key, safe))
        return Markup("".join(parts))

    def link(self, key: str, href: str, **values: Any) -> Markup:
        """The sentence as safe HTML, the whole of it a link."""
        return Markup('<a href="{}">{}</a>').format(href, self.rich(key, **values))

    def text(self, key: str) -> str:
        """The raw text at a dotted key. Raises TextError where there is none."""
        value: Any = self.texts
        for part in key.split("."):
            value = value.get(part) if isinstance(value, Mapping) else None
        if not isinstance(value, str):
            raise TextError(f"text file has no text '{key}'")
        return value

    def has(self, key: str) -> bool:
        try:
            self.text(key)
        except TextError:
            return False
        return True

    def name(self, kind: str, value: Any) -> str:
        """The word for an id ("component", "headlamp_assembly" -> "headlamp"); an unknown id with its
        underscores opened."""
        if value is None:
            return self("format.unknown")
        known = self.texts.get(kind, {})
        return str(known[value]) if value in known else str(value).replace("_", " ")

    def count(self, thing: str, n: float) -> str:
        """A number with its noun in the right form: "1 part", "12 parts"."""
        return self(f"count.{thing}.{'one' if n == 1 else 'other'}", n=self.number(n))

    def number(self, x: float | None, digits: int = 0) -> str:
        """Grouped, with `digits` decimals; a dash for what is not known."""
        if x is None or not math.isfinite(x):
            return self("format.nothing")
        text = f"{x:,.{digits}f}"
        if text.startswith("-") and not text.strip("-0.,"):
            text = text[1:]
        return (
            text.replace(",", "\0")
            .replace(".", self.text("format.decimal"))
            .replace("\0", self.text("format.group"))
            .replace("-", "\u2212")
        )

    def significant(self, x: float | None, figures: int = 2) -> str:
        """Rounded to so many significant figures, never in powers of ten."""
        if x is None or not math.isfinite(x) or x == 0:
            return self.number(x)
        x = float(f"{x:.{figures - 1}e}")
        return self.number(x, max(0, figures - 1 - math.floor(math.log10(abs(x)))))

    def percent(self, p: float | None) -> str:
        """A share as per cent: whole from ten on, one decimal below."""
        if p is None or not math.isfinite(p):
            return self("format.nothing")
        x = 100 * p
        if 0 < x < 0.1:
            return self("format.percent_below", n=self.number(0.1, 1))
        if 99.5 <= x < 100:
            return self("format.percent_above", n=self.number(99))
        return self("format.percent", n=self.number(x, 0 if x >= 9.95 or abs(x - round(x)) < 0.05 else 1))

    def percent_range(self, low: float | None, high: float | None) -> str:
        """ "9 to 18 %"."""
        if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
            return self("format.nothing")
        digits = 0 if 100 * high >= 9.95 else 1
        return self("format.percent_range", low=self.number(100 * low, digits), high=self.number(100 * high, digits))

    def money(self, x: float | None) -> str:
        """An amount in the workspace's currency: whole from a hundred on."""
        if x is None or not math.isfinite(x):
            return self("format.nothing")
        digits = 0 if abs(x) >= 100 or x == round(x) else 2
        forms = self.texts["currency"]
        written = self.number(abs(x), digits)
        minus = "\u2212" if x < 0 and any(c in "123456789" for c in written) else ""
        return minus + forms.get(self.currency, forms["other"]).replace("{code}", self.currency).replace("{n}", written)

    def date(self, day: dt.date | None) -> str:
        if day is None:
            return self("format.nothing")
        return self._dated("long", day)

    def short_date(self, day: dt.date | None) -> str:
        """For tables: figures only, of one width."""
        if day is None:
            return self("format.nothing")
        return self._dated("short", day)

    def _dated(self, length: str, day: dt.date) -> str:
        month = self.text(f"month.m{day.month}")
        return self(f"date.{self.date_style}.{length}", d=day.day, dd=f"{day.day:02}", m=f"{day.month:02}", month=month, y=day.year)

    def month(self, day: dt.date) -> str:
        return self("format.month", month=self.text(f"month.m{day.month}"), y=day.year)

    def short_month(self, day: dt.date) -> str:
        return self("format.short_month", month=self.text(f"month_short.m{day.month}"), y=f"{day.year % 100:02}")

    def in_unit(self, km: float) -> float:
        """A distance in the unit of the pages."""
        return km / KM_PER_MILE if self.unit == "mi" else km

    @property
    def unit_word(self) -> str:
        return self.text(f"unit.{self.unit}")

    @property
    def thousand_unit(self) -> str:
        return self.text(f"unit.thousand_{self.unit}")

    def distance(self, km: float | None) -> str:
        """An estimated distance: to two or three figures, with its unit."""
        if km is None or not math.isfinite(km):
            return self("format.nothing")
        x = self.in_unit(km)
        step = 1 if x < 100 else 10 if x < 1_000 else 100 if x < 20_000 else 1_000
        return f"{self.number(round(x / step) * step)}{NBSP}{self.unit_word}"

    def reading(self, km: float | None) -> str:
        """An odometer reading: to the whole unit."""
        if km is None or not math.isfinite(km):
            return self("format.nothing")
        return f"{self.number(self.in_unit(km))}{NBSP}{self.unit_word}"

    def years(self, days: float | None) -> str:
        """A stretch of time in years, months or days, whichever reads best."""
        if days is None or not math.isfinite(days):
            return self("format.nothing")
        if days < 60:
            return self.count("day", round(days))
        if days < 730:
            return self.count("month", round(days / 30.4375))
        return self("count.year.other", n=self.significant(days / 365.25))

    def list(self, items: list[str]) -> str:
        """ "a, b and c"."""
        if len(items) < 2:
            return "".join(items)
        return self("format.list", most=", ".join(items[:-1]), last=items[-1])


def _fill(text: str, key: str, values: Mapping[str, Any]) -> str:
    def value(found: re.Match[str]) -> str:
        if found.group(1) not in values:
            raise TextError(f"text '{key}' has a place {{{found.group(1)}}} that nothing fills")
        return str(values[found.group(1)])

    return _PLACE.sub(value, text)


def _merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for key, value in over.items():
        out[key] = (
            _merged(out[key], value) if isinstance(value, Mapping) and isinstance(out.get(key), Mapping) else value
        )
    return out


@cache
def _read(path: Path) -> dict[str, Any]:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def load_words(locale: str = "en", unit: str = "km", currency: str = "EUR", date_style: str = "iso") -> Words:
    """The texts of a language; what a language file lacks is said in English. Raises UnknownLanguage for one
    without a file."""
    folder = data_dir("reports")
    texts = _read(folder / "text.en.toml")
    if locale != "en":
        if (
            not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", locale)
            or not (folder / f"text.{locale}.toml").is_file()
        ):
            there = ", ".join(sorted(p.name.split(".")[1] for p in folder.glob("text.*.toml")))
            raise UnknownLanguage(
                f"workspace.locale is {locale!r}: there is no text file for that language; there are: {there}"
            )
        texts = _merged(texts, _read(folder / f"text.{locale}.toml"))
    return Words(texts, unit, currency, date_style)
