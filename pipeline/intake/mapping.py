"""Their text becomes our typed columns, as the settings say; what the values decide is found out,
nothing else is guessed.

A cell that cannot be read sets its row aside where the column is needed; elsewhere the cell is blanked, noted,
and the row
is used.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.intake import contracts
from pipeline.intake.contracts import Column
from pipeline.intake.identity import SUSPICIOUS, SUSPICIOUS_ID, Hasher, names_somebody, redact, without_id
from pipeline.intake.problems import DataProblem
from pipeline.intake.readers import norm
from pipeline.settings import Constant, Source

if TYPE_CHECKING:
    import polars as pl

FIRST_DAY, LAST_DAY = dt.date(1950, 1, 1), dt.date(2100, 12, 31)
READINGS = ("odometer", "reading")


@dataclass(frozen=True)
class Mapped:
    """One column of ours and where its cells come from: their columns in order of preference, or a constant."""

    ours: Column
    theirs: tuple[str, ...] = ()
    constant: str | None = None
    values: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Plan:
    """How one file of a source is taken in. missing: (ours, theirs) that the settings name and the file lacks."""

    table: str
    columns: tuple[Mapped, ...]
    missing: tuple[tuple[str, tuple[str, ...]], ...] = ()

    @property
    def theirs(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(t for m in self.columns for t in m.theirs))

    def has(self, name: str) -> bool:
        return any(m.ours.name == name for m in self.columns)


@dataclass(frozen=True)
class Styles:
    """How a source writes dates and numbers: {our column: "dmy"}, {our column: "," (decimal mark)}."""

    dates: dict[str, str] = field(default_factory=dict)
    decimals: dict[str, str] = field(default_factory=dict)
    thousands: str | None = None
    odometer_unit: str | None = None


def extra_column(name: str) -> Column:
    """A further column of vehicles that the settings name: kept as short text."""
    return Column(name, "label", "a further column of yours")


def our_column(table: str, name: str, where: str) -> Column:
    """A column of ours; a further one for vehicles. Raises DataProblem for a name that no table has."""
    found = contracts.column(table, name)
    if found is not None:
        return found
    if table in ("vehicles", "flat"):
        if not re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]{0,62}", name) or name.lower() in ("file", "row", "vehicle"):
            raise DataProblem(
                f"settings.toml: {where} names a further column {name!r}, which is no plain name",
                remedy="Use letters, digits and underscores on our side of the '='.",
            )
        return extra_column(name)
    names = [c.name for c in contracts.TABLES[table]]
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    raise DataProblem(
        f"settings.toml: {where} names a column '{name}' that the table {table} does not have",
        remedy=f"Did you mean '{near[0]}'?" if near else f"Columns of {table}: {', '.join(names)}.",
    )


def make_plan(source: Source, header: Sequence[str]) -> Plan:
    """The plan for one file with this header."""
    actual = {}
    for name in header:
        actual.setdefault(norm(name), name)
    columns, missing = [], []
    for name, theirs in source.columns.items():
        ours = our_column(source.table, name, f"[sources.{source.name}.columns]")
        values = source.values.get(name, {})
        if isinstance(theirs, Constant):
            columns.append(Mapped(ours, constant=theirs.value, values=values))
            continue
        named = (theirs,) if isinstance(theirs, str) else theirs
        exact = set(header)
        found = tuple(t if t in exact else actual[norm(t)] for t in named if t in exact or norm(t) in actual)
        if found:
            columns.append(Mapped(ours, found, values=values))
        else:
            missing.append((name, named))
    stray = set(source.values) - set(source.columns)
    if stray:
        raise DataProblem(
            f"settings.toml: [sources.{source.name}.values] has '{sorted(stray)[0]}', which is not mapped",
            remedy="Map the column under columns, or take its values out.",
        )
    return Plan(source.table, tuple(columns), tuple(missing))


# ---------------------------------------------------------------- dates

_TIME = (
    r"(?:[T ,]+(?:um |à |at )?\d{1,2}[:.h]\d{2}(?:[:.]\d{2}(?:[.,]\d+)?)?\s*(?:[ap]\.?m\.?|uhr)?\s*"
    r"(?:Z|UTC|[+-]\d{2}:?\d{2})?)?"
)
_ISO = re.compile(r"^(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})" + _TIME + "$", re.I)
_THREE = re.compile(r"^(\d{1,2})\s?[-/. ]\s?(\d{1,2})\s?[-/. ]\s?(\d{4}|\d{2})\.?" + _TIME + "$", re.I)
_COMPACT = re.compile(r"^(\d{8})(?:[T ]?\d{4}(?:\d{2})?)?$")
_SERIAL = re.compile(r"^(\d{5})(?:[.,]\d+)?$")
_WORD_DMY = re.compile(
    r"^(?:[^\W\d_]+\.?,?\s+)?(\d{1,2})(?:st|nd|rd|th|\.|º|er)?[-/ .]*(?:de |di )?([^\W\d_]{3,})\.?[-/ .,]*(?:de |del )?"
    r"(\d{4}|\d{2})" + _TIME + "$",
    re.I,
)
_WORD_MDY = re.compile(
    r"^(?:[^\W\d_]+\.?,\s+)?([^\W\d_]{3,})\.?[-/ .]+(\d{1,2})(?:st|nd|rd|th)?[-/ .,]+(\d{4})" + _TIME + "$", re.I
)
# Months in English, German, French, Italian, Spanish by what they begin with (from memory).
_MONTHS = {
    m: i
    for i, words in enumerate(
        (
            "jan jän gen ene janv",
            "feb fév fev febr",
            "mar mär mrz",
            "apr avr abr",
            "may mai mag",
            "jun juin giu",
            "jul juil lug",
            "aug aoû aou ago",
            "sep set sept",
            "oct okt ott",
            "nov",
            "dec dez déc dic",
        ),
        1,
    )
    for m in words.split()
}
_EPOCH = dt.date(1899, 12, 30)


def _month(word: str) -> int | None:
    w = word.casefold()
    return _MONTHS.get(w[:4]) or _MONTHS.get(w[:3])


def _year(text: str) -> int:
    year = int(text)
    return year if len(text) == 4 else 2000 + year if year < 69 else 1900 + year


def _made(year: int, month: int, day: int) -> dt.date | None:
    try:
        return dt.date(year, month, day)
    except ValueError:
        return None


def _by_order(a: str, b: str, c: str, order: str) -> dt.date | None:
    if order == "ymd":
        return _made(_year(a), int(b), int(c)) if len(a) == 2 and len(c) == 2 else None
    day, month = (a, b) if order == "dmy" else (b, a)
    return _made(_year(c), int(month), int(day))


def parse_date(text: str, order: str | None = None) -> dt.date | None:
    """A calendar date, or None. Year-first dates, dates with a month's name and spreadsheet serials need no order.

    order: ymd, dmy or mdy, for dates in figures that do not begin with a four-digit year. Times are cut off as written.
    """
    text = text.strip()
    if m := _ISO.match(text):
        return _made(int(m[1]), int(m[2]), int(m[3]))
    if m := _THREE.match(text):
        return _by_order(m[1], m[2], m[3], order) if order else None
    if m := _COMPACT.match(text):
        d = m[1]
        year_first = _made(int(d[:4]), int(d[4:6]), int(d[6:8]))
        if year_first and FIRST_DAY <= year_first <= LAST_DAY:
            return year_first
        return _by_order(d[:2], d[2:4], d[4:], order) if order in ("dmy", "mdy") else None
    if m := _SERIAL.match(text):
        return _EPOCH + dt.timedelta(days=int(m[1]))
    if (m := _WORD_DMY.match(text)) and (month := _month(m[2])):
        return _made(_year(m[3]), month, int(m[1]))
    if (m := _WORD_MDY.match(text)) and (month := _month(m[1])):
        return _made(_year(m[3]), month, int(m[2]))
    return None


@dataclass
class DateEvidence:
    """What the distinct values of one column say about the order of day, month and year."""

    only: dict[str, int] = field(default_factory=dict)  # order -> values that no other order can read
    open: int = 0  # values that orders read differently
    example: str = ""
    tests: dict[str, int] = field(default_factory=dict)  # order -> values in figures that it can read at all
    values: int = 0

    def add(self, texts: Iterable[str]) -> None:
        for text in texts:
            m = _THREE.match(text.strip())
            if not m:
                continue
            self.values += 1
            readings = {
                o: d
                for o in ("dmy", "mdy", "ymd")
                if (d := _by_order(m[1], m[2], m[3], o)) and FIRST_DAY <= d <= LAST_DAY
            }
            for o in readings:
                self.tests[o] = self.tests.get(o, 0) + 1
            if len(readings) == 1:
                o = next(iter(readings))
                self.only[o] = self.only.get(o, 0) + 1
            elif len(set(readings.values())) > 1:
                self.open += 1
                self.example = min(self.example or text, text)

    def decided(self) -> str | None:
        """The order that the values decide. A few that contradict it (2 %) are slips, not votes."""
        if not self.values or not self.only:
            return None
        best = max(self.only, key=lambda o: (self.only[o], o))
        against = sum(n for o, n in self.only.items() if o != best)
        if against > 0.02 * sum(self.only.values()) and against > 0:
            return None
        return best


# ---------------------------------------------------------------- numbers

_PLAIN = r"^-?\d{1,15}$"
_PLAIN_DOT = r"^-?\d{1,15}(?:\.\d+)?$"
_AFFIX = (
    r"(?:[€$£¥]|eur|usd|gbp|chf|pln|czk|sek|nok|dkk|kms?|kilom\w*|mi|miles?|mls|hrs?|hours?|std|h|min|pcs?|pce|stk|st|ea|"
    r"x|%|k)\.?"
)
_NUMBER = re.compile(
    rf"^(?:{_AFFIX}\s*)?([-+(]?)\s*(?:{_AFFIX}\s*)?([\d.,'’\s\u00a0\u202f]*\d[\d.,'’\s\u00a0\u202f]*)"
    rf"([)-]?)\s*(?:{_AFFIX})?$",
    re.I,
)
_EXPONENT = re.compile(r"^[-+]?\d(?:[.,]\d+)?[eE][-+]?\d{1,2}$")
_UNIT_AT_END = re.compile(r"(?:^|[\d\s.])(km|kms|kilom\w*|mi|miles?|mls)\.?$", re.I)
_GROUPED = re.compile(r"^\d{1,3}(?:[.,]\d{3})+$")


def _marks(text: str) -> tuple[str, str, bool] | None:
    """(sign, digits with marks and without spaces, negative) of a number in figures."""
    m = _NUMBER.match(text)
    if not m:
        return None
    sign, body, end = m[1], m[2], m[3]
    if (sign == "(") != (end == ")") or (end == "-" and sign in ("-", "(")):
        return None
    if re.search(r"['’\s\u00a0\u202f]", body.strip()):
        whole = re.split(r"[.,]\d*$", body.strip())[0]
        if not re.fullmatch(r"\d{1,3}(?:['’\s\u00a0\u202f]\d{3})+(?:[.,]\d{3})*", whole):
            return None
    body = re.sub(r"['’\s\u00a0\u202f]", "", body)
    return sign, body, sign in ("-", "(") or end == "-"


def parse_number(text: str, decimal: str | None = None) -> float | None:
    """A number, or None. decimal: "." or ","; None where only an unmistakable mark may be read.

    Signs, brackets for negative, currency and unit words around it,
    and spaces or apostrophes between thousands are read.
    """
    text = text.strip()
    if _EXPONENT.match(text):
        return float(text.replace(",", "."))
    parts = _marks(text)
    if parts is None:
        return None
    _, body, is_negative = parts
    dots, commas = body.count("."), body.count(",")
    if decimal is None:
        if dots and commas:
            decimal = "." if body.rfind(".") > body.rfind(",") else ","
        elif dots + commas > 1:
            decimal = "," if dots else "."
        elif dots + commas == 1:
            if _GROUPED.match(body) and not body.startswith("0"):
                return None
            decimal = "." if dots else ","
        else:
            decimal = "."
    other = "," if decimal == "." else "."
    whole, mark, fraction = body.partition(decimal)
    if decimal in fraction or other in fraction:
        return None
    if other in whole and not re.fullmatch(rf"[1-9]\d{{0,2}}(?:\{other}\d{{3}})+", whole):
        return None
    whole = whole.replace(other, "")
    if not (whole or fraction) or len(whole) > 15:
        return None
    value = float(f"{whole or '0'}.{fraction or '0'}")
    return -value if is_negative and value else value


def unit_of(text: str) -> str | None:
    """km or mi where the cell says so behind its number."""
    m = _UNIT_AT_END.search(text.strip())
    return None if not m else "mi" if m[1].lower().startswith("m") else "km"


@dataclass
class NumberEvidence:
    """What the distinct values of one column say about its decimal mark."""

    decimal: dict[str, int] = field(default_factory=dict)
    open: dict[str, int] = field(default_factory=dict)  # mark -> values such as 1.234 that may be either
    example: str = ""

    def add(self, texts: Iterable[str]) -> None:
        for text in texts:
            parts = _marks(text.strip())
            if parts is None:
                continue
            body = parts[1]
            dots, commas = body.count("."), body.count(",")
            if not dots and not commas:
                continue
            if dots and commas:
                self._vote("." if body.rfind(".") > body.rfind(",") else ",")
            elif dots + commas > 1:
                self._vote("," if dots else ".")
            elif _GROUPED.match(body) and not body.startswith("0"):
                mark = "." if dots else ","
                self.open[mark] = self.open.get(mark, 0) + 1
                self.example = min(self.example or text, text)
            else:
                self._vote("." if dots else ",")

    def _vote(self, mark: str) -> None:
        self.decimal[mark] = self.decimal.get(mark, 0) + 1


# ---------------------------------------------------------------- finding styles out


def gather(
    evidence: dict[str, DateEvidence | NumberEvidence], plan: Plan, frame: pl.DataFrame, seen: dict[str, set]
) -> None:
    """Add what a text frame (their columns) says. Each distinct text votes once, however files are cut."""
    for m in plan.columns:
        kind = m.ours.kind
        if kind not in ("date", "number") or not m.theirs:
            continue
        e = evidence.setdefault(m.ours.name, DateEvidence() if kind == "date" else NumberEvidence())
        pattern = r"^\s*\d{1,2}\s?[-/. ]\s?\d{1,2}\s?[-/. ]" if kind == "date" else r"[.,]"
        told = seen.setdefault(m.ours.name, set())
        for name in m.theirs:
            column = frame[name]
            hits = column.filter(column.str.contains(pattern).fill_null(False))
            if not len(hits) or len(told) > 200_000:  # by then every mark has been seen
                continue
            fresh = [t for t in hits.unique(maintain_order=True).to_list() if t not in told]
            told.update(fresh)
            e.add(fresh)


def decide(source: Source, evidence: dict[str, DateEvidence | NumberEvidence]) -> tuple[Styles, list[str]]:
    """The styles of a source and what was found out, in words. Raises DataProblem where the values leave a choice."""
    findings: list[str] = []
    dates = {n: e for n, e in evidence.items() if isinstance(e, DateEvidence)}
    orders: dict[str, str] = {}
    if source.date_order:
        orders = dict.fromkeys(dates, source.date_order)
    else:
        for name, e in dates.items():
            told = e.decided()
            if told:
                orders[name] = told
            elif len(e.only) > 1:
                votes = ", ".join(f"{o}: {n}" for o, n in sorted(e.only.items()))
                raise DataProblem(
                    f"the dates of {name} in source '{source.name}' follow more than one order ({votes} values)",
                    remedy=f"Set date_order in [sources.{source.name}] to the right one; rows of another order are "
                    "then set aside. Or put files of another order under a source of their own.",
                )
        agreed = set(orders.values())
        for name, e in dates.items():
            if name in orders or not e.values:
                continue
            if len(agreed) == 1 and e.tests.get(next(iter(agreed)), 0) == max(e.tests.values(), default=0):
                orders[name] = next(iter(agreed))
            elif e.open:
                raise DataProblem(
                    f"no date of {name} in source '{source.name}' tells whether the day or the month comes first "
                    f"(for example {e.example})",
                    remedy=f'Write date_order = "dmy" or date_order = "mdy" (or "ymd") in [sources.{source.name}] '
                           f'of settings.toml.',
                )
            elif e.tests:
                orders[name] = max(e.tests, key=lambda o: (e.tests[o], o))
        if orders:
            findings.append("date order found out: " + ", ".join(f"{n} {o}" for n, o in sorted(orders.items())))
    numbers = {n: e for n, e in evidence.items() if isinstance(e, NumberEvidence)}
    decimals: dict[str, str] = {}
    mark = source.decimal
    if mark is None and source.thousands in (".", ","):
        mark = "," if source.thousands == "." else "."
    if mark:
        decimals = dict.fromkeys(numbers, mark)
    else:
        votes: dict[str, int] = {}
        for e in numbers.values():
            for k, n in e.decimal.items():
                votes[k] = votes.get(k, 0) + n
        pooled = max(votes, key=lambda k: (votes[k], k)) if votes else None
        if pooled and sum(votes.values()) - votes[pooled] > 0.02 * sum(votes.values()):
            if all(len(e.decimal) <= 1 for e in numbers.values()):
                pooled = None  # each column has its own mark
            else:
                raise DataProblem(
                    f"source '{source.name}' writes numbers with two decimal marks ({votes})",
                    remedy=f'Write decimal = "." or decimal = "," in [sources.{source.name}] of settings.toml.',
                )
        for name, e in numbers.items():
            own = max(e.decimal, key=lambda k: (e.decimal[k], k)) if e.decimal else None
            if own:
                decimals[name] = own
            elif name in READINGS and len(e.open) == 1:
                thousands = next(iter(e.open))
                decimals[name] = "," if thousands == "." else "."
                findings.append(
                    f"'{thousands}' in {name} taken for a thousands mark: three figures follow it everywhere"
                )
            elif pooled:
                decimals[name] = pooled
            elif e.open:
                raise DataProblem(
                    f"no number in source '{source.name}' tells whether {e.example!r} in {name} has a decimal or a "
                    f"thousands mark",
                    remedy=f'Write decimal = "." or decimal = "," in [sources.{source.name}] of settings.toml.',
                )
        told = sorted({d for d in decimals.values()})
        if told:
            findings.append("decimal mark found out: " + " or ".join(f"'{d}'" for d in told))
    return Styles(orders, decimals, source.thousands, source.odometer_unit), findings


# ---------------------------------------------------------------- text, then types


def our_text(plan: Plan, frame: pl.DataFrame) -> pl.DataFrame:
    """Our columns as trimmed text,
    blank cells null; first non-blank of several; constants; values mapped. Keeps `row`."""
    import polars as pl

    blanks = sorted({v for b in contracts.BLANKS for v in (b, b.upper(), b.capitalize())} | {"NaN", "\\N"})
    made = []
    for m in plan.columns:
        if m.constant is not None:
            made.append(pl.lit(m.constant.strip() or None, dtype=pl.String).alias(m.ours.name))
            continue
        parts = [pl.col(t).str.strip_chars() for t in m.theirs]
        parts = [pl.when(p.is_in(blanks)).then(None).otherwise(p) for p in parts]
        made.append((parts[0] if len(parts) == 1 else pl.coalesce(parts)).alias(m.ours.name))
    out = frame.select(*made, "row")
    for m in plan.columns:
        if m.values:
            out = out.with_columns(_mapped_values(out[m.ours.name], m.values).alias(m.ours.name))
    return out


def _mapped_values(column: pl.Series, values: dict[str, str]) -> pl.Series:
    folded = {k.strip().casefold(): v for k, v in values.items()}

    def one(text: str) -> str | None:
        given = values.get(text, folded.get(text.casefold(), text))
        return given.strip() or None

    return through(column, one)


def through(column: pl.Series, fn: Callable[[str], object], dtype=None) -> pl.Series:
    """fn applied once to each distinct text."""
    import polars as pl

    dtype = dtype or pl.String
    distinct = column.drop_nulls().unique()
    if not len(distinct):
        return pl.Series(column.name, [None] * len(column), dtype=dtype)
    made = pl.Series([fn(t) for t in distinct.to_list()], dtype=dtype)
    return column.replace_strict(distinct, made, default=None, return_dtype=dtype).alias(column.name)


@dataclass(frozen=True)
class Words:
    """What choice columns may hold beyond the shipped words: the user's components."""

    components: frozenset[str] = frozenset(contracts.COMPONENTS)


@dataclass(frozen=True, slots=True)
class Issue:
    """A cell that could not be read. kind "row": its row is not used; "cell": only the cell is blanked."""

    row: int
    column: str
    value: str | None
    reason: str
    detail: str | None
    kind: str


@dataclass
class Typed:
    """Typed columns under their stored names and `row`, and what could not be read."""

    frame: pl.DataFrame
    issues: list[Issue]


def typed(
    plan: Plan,
    text: pl.DataFrame,
    styles: Styles,
    hasher: Hasher,
    words: Words,
    needed: frozenset[str],
    any_of: tuple[str, ...] = (),
) -> Typed:
    """Read text cells by their column's kind.

    needed: columns whose blank or unreadable cell sets the row aside. any_of: one of these must be there.
    """
    import polars as pl

    out: dict[str, pl.Series] = {}
    issues: list[Issue] = []
    rows = text["row"]
    ids = text["vehicle_id"] if "vehicle_id" in text.columns else None
    for m in plan.columns:
        c = m.ours
        cells = text[c.name]
        kind = "row" if c.name in needed else "cell"
        reading_unit = None
        if c.kind == "date":
            order = styles.dates.get(c.name)
            made = through(cells, lambda t, o=order: _in_range(parse_date(t, o)), pl.Date)
        elif c.kind == "number":
            made = _numbers(cells, styles.decimals.get(c.name))
            if c.name in READINGS:
                reading_unit = _units_in(cells)
        elif c.kind == "vehicle":
            made = through(cells, hasher.one)
        elif c.kind == "choice":
            made = through(cells, lambda t, c=c: _choice(t, c))
        elif c.kind == "component":
            made = through(cells, lambda t: _component(t, words))
        elif c.kind == "unit":
            made = through(cells, lambda t: contracts.UNITS.get(t.casefold().strip(". ")))
        elif c.kind == "flag":
            made = through(cells, _flag, pl.Boolean)
        elif c.kind == "id" or c.name in _TELLS_APART:
            made = _masked(cells, hasher)
        elif c.kind in ("text", "label", "supplier"):
            made = _redacted(cells, ids if c.kind == "text" else None)
        else:
            made = cells
        failed = cells.is_not_null() & made.is_null()
        if failed.any():
            for row, value in zip(rows.filter(failed).to_list(), cells.filter(failed).to_list(), strict=True):
                issues.append(Issue(row, c.name, value, *_why(c, value, styles), kind))
        if c.least is not None:
            low = (made < c.least).fill_null(False)
            if low.any():
                for row, value in zip(rows.filter(low).to_list(), cells.filter(low).to_list(), strict=True):
                    issues.append(Issue(row, c.name, value, "out_of_range", f"{c.least:g}", kind))
                made = made.to_frame().select(pl.when(~low).then(pl.col(made.name))).to_series()
        if c.name in needed:
            blank = cells.is_null()
            if blank.any():
                issues.extend(
                    Issue(row, c.name, None, "missing_value", None, "row") for row in rows.filter(blank).to_list()
                )
        out[c.target] = made.alias(c.target)
        if reading_unit is not None:
            out["_unit_in_" + c.target] = reading_unit.alias("_unit_in_" + c.target)
    frame = pl.DataFrame([*out.values(), rows])
    frame = _units(plan, frame, styles)
    present = [contracts.column(plan.table, n).target for n in any_of if plan.has(n)]
    if present:
        nothing = frame.filter(pl.all_horizontal(pl.col(p).is_null() for p in present))
        issues.extend(Issue(row, any_of[0], None, "missing_value", None, "row") for row in nothing["row"].to_list())
    if plan.has("closed_on") and plan.has("opened_on"):
        early = (frame["closed_on"] < frame["opened_on"]).fill_null(False)
        if early.any():
            for row, value in zip(rows.filter(early).to_list(), text["closed_on"].filter(early).to_list(), strict=True):
                issues.append(Issue(row, "closed_on", value, "closed_before_opened", None, "cell"))
            frame = frame.with_columns(pl.when(~early).then(pl.col("closed_on")).alias("closed_on"))
    return Typed(frame, issues)


def _in_range(day: dt.date | None) -> dt.date | None:
    return day if day is not None and FIRST_DAY <= day <= LAST_DAY else None


def _numbers(cells: pl.Series, decimal: str | None) -> pl.Series:
    import polars as pl

    plain = cells.str.contains(_PLAIN if decimal == "," else _PLAIN_DOT).fill_null(False)
    if decimal is None and cells.str.contains(".", literal=True).any():
        plain = cells.str.contains(_PLAIN).fill_null(False)
    name = cells.name
    fast = (
        pl.DataFrame({"t": cells, "p": plain})
        .select(pl.when("p").then(pl.col("t")).cast(pl.Float64, strict=False).alias(name))
        .to_series()
    )
    rest = cells.filter(~plain & cells.is_not_null())
    if not len(rest):
        return fast
    distinct = rest.unique()
    made = pl.Series([parse_number(t, decimal) for t in distinct.to_list()], dtype=pl.Float64)
    slow = cells.replace_strict(distinct, made, default=None, return_dtype=pl.Float64)
    return pl.DataFrame({"f": fast, "s": slow}).select(pl.coalesce("f", "s").alias(name)).to_series()


def _units_in(cells: pl.Series) -> pl.Series | None:
    lettered = cells.str.contains(r"[A-Za-z]").fill_null(False)
    if not lettered.any():
        return None
    return through(cells.to_frame().select(_only_where(cells.name, lettered)).to_series(), unit_of)


def _only_where(name: str, flag: pl.Series):
    import polars as pl

    return pl.when(flag).then(pl.col(name)).alias(name)


def _units(plan: Plan, frame: pl.DataFrame, styles: Styles) -> pl.DataFrame:
    """A reading's unit: the row's column, what stands behind the number, then the source's."""
    import polars as pl

    for reading, unit in (("odometer", "odometer_unit"), ("reading", "unit")):
        inside = f"_unit_in_{reading}"
        if reading not in frame.columns:
            continue
        parts = [pl.col(c) for c in (unit, inside) if c in frame.columns]
        default = pl.when(pl.col(reading).is_not_null()).then(pl.lit(styles.odometer_unit, dtype=pl.String))
        parts = [pl.when(pl.col(reading).is_not_null()).then(p) for p in parts]
        frame = frame.with_columns(pl.coalesce(*parts, default).alias(unit))
        if inside in frame.columns:
            frame = frame.drop(inside)
    return frame


def _choice(text: str, column: Column) -> str | None:
    key = " ".join(text.casefold().split())
    plain = key.replace(" ", "_").replace("-", "_")
    if plain in column.allowed:
        return plain
    return contracts.SYNONYMS.get(column.name, {}).get(key.strip("."))


def _component(text: str, words: Words) -> str | None:
    plain = re.sub(r"[\s\-]+", "_", text.casefold().strip())
    return plain if plain in words.components else None


def _flag(text: str) -> bool | None:
    key = text.casefold().strip(". ")
    return True if key in contracts.YES else False if key in contracts.NO else None


# Labels that tell things apart: blanked alike, two of them would become one.
_TELLS_APART = ("lot", "unit_number")


def _masked(cells: pl.Series, hasher: Hasher) -> pl.Series:
    """Ids with a keyed one in place of each that is a person's (see names_somebody)."""
    doubtful = cells.str.contains(SUSPICIOUS_ID).fill_null(False)
    if doubtful.any():
        pairs = [(t, hasher.other(t)) for t in cells.filter(doubtful).unique().to_list() if names_somebody(t)]
        if pairs:
            cells = cells.replace([t for t, _ in pairs], [m for _, m in pairs])
    return cells


def _redacted(cells: pl.Series, ids: pl.Series | None) -> pl.Series:
    import polars as pl

    name = cells.name
    doubtful = cells.str.contains(SUSPICIOUS).fill_null(False)
    if doubtful.any():
        distinct = cells.filter(doubtful).unique()
        pairs = [(t, r) for t in distinct.to_list() if (r := redact(t)) != t]
        if pairs:
            cells = cells.replace([t for t, _ in pairs], [r for _, r in pairs])
    if ids is not None:
        both = pl.DataFrame({"t": cells, "i": ids})
        own = both.select(
            (
                pl.col("t").str.to_lowercase().str.contains(pl.col("i").str.to_lowercase(), literal=True)
                & (pl.col("i").str.len_chars() >= 4)
            ).fill_null(False)
        ).to_series()
        if own.any():
            texts = cells.to_list()
            for k in own.arg_true().to_list():
                texts[k] = without_id(texts[k], ids[k])
            cells = pl.Series(name, texts, dtype=pl.String)
    return cells.alias(name)


def _why(c: Column, value: str, styles: Styles) -> tuple[str, str | None]:
    """(reason, detail) of a cell that could not be read."""
    if c.kind == "date":
        if parse_date(value, styles.dates.get(c.name)) is not None:
            return "date_out_of_range", None
        order = {"dmy": "day, month, year", "mdy": "month, day, year"}.get(styles.dates.get(c.name, ""), "")
        return "bad_date", f"a date such as 2024-03-31{f', or {order}' if order else ''}"
    if c.kind == "number":
        mark = styles.decimals.get(c.name)
        return "bad_number", "a number" + (f" with '{mark}' as its decimal mark" if mark else "")
    allowed = {"flag": ("yes", "no"), "unit": ("km", "mi")}.get(c.kind, c.allowed)
    return "unknown_value", "one of: " + ", ".join(allowed) if allowed else None


def raw_rows(plan: Plan, text: pl.DataFrame, rows: Iterable[int], hasher: Hasher, shown: int = 80) -> dict[int, str]:
    """{row: "column=cell; ..."} of rows set aside: mapped columns only, the vehicle hashed, texts redacted."""
    import polars as pl

    wanted = sorted(set(rows))
    if not wanted:
        return {}
    some = text.filter(pl.col("row").is_in(wanted))
    out = {}
    for cells in some.iter_rows(named=True):
        row = cells.pop("row")
        own = cells.get("vehicle_id")
        parts = []
        for m in plan.columns:
            cell = cells.get(m.ours.name)
            if cell is None or m.constant is not None:
                continue
            parts.append(f"{m.ours.name}={hasher.one(cell) if m.ours.kind == 'vehicle' else safe(cell, own, shown)}")
        out[row] = "; ".join(parts)
    return out


def safe(cell: str, own_id: str | None = None, shown: int = 80) -> str:
    """A cell to show beside its reason: redacted, in one line, kept short."""
    text = redact(cell)
    if own_id and len(own_id) >= 4:
        text = without_id(text, own_id)
    text = "".join(c if c.isprintable() else " " for c in text)
    return text if len(text) <= shown else text[:shown] + "..."
