"""What comes in, as data: our tables and their columns, the words allowed in them, and every reason to set a row aside.

A new column or reason is one line here; mapping, proposals, examples and messages all read this.
"""

from __future__ import annotations

from dataclasses import dataclass

COMPONENTS = (
    "lamp",
    "igniter",
    "ballast",
    "headlamp_assembly",
    "wiring",
    "control_module",
    "switch_or_fuse",
    "led_module",
    "led_driver",
)
LIGHTING = ("halogen", "discharge", "led")
SIDES = ("left", "right", "both", "none", "unknown")
ACTIONS = (
    "replaced",
    "refitted",
    "repaired",
    "inspected",
    "adjusted",
    "cleaned",
    "diagnosed",
    "quoted",
    "credited",
    "not_fitted",
    "none",
)
GRADES = ("original_equipment", "aftermarket", "remanufactured", "used")


@dataclass(frozen=True)
class Column:
    """A column of ours. kind says how a cell is read:

    id (trimmed text), vehicle (keyed hash), date, number, text (free text, redacted), label (short text),
    choice (one of
    `allowed`), component, unit (km or mi), flag (yes/no), part_number, supplier.
    `needed`: the table cannot do without it; a blank sets the row aside.
    """

    name: str
    kind: str
    help: str
    needed: bool = False
    unit: str = ""
    allowed: tuple[str, ...] = ()
    least: float | None = None
    stored: str = ""  # name in the clean table where it differs

    @property
    def target(self) -> str:
        return self.stored or self.name


def _c(name: str, kind: str, help: str, **more: object) -> Column:
    return Column(name, kind, help, **more)  # type: ignore[arg-type]


_VEHICLE = _c(
    "vehicle_id",
    "vehicle",
    "what identifies the vehicle in the export (kept only as a keyed hash)",
    needed=True,
    stored="vehicle",
)
_ODOMETER = (
    _c("odometer", "number", "reading at the visit", unit="km or mi", least=0.0),
    _c("odometer_unit", "unit", "unit of this row's reading", allowed=("km", "mi")),
)
_VISIT = (
    _c("closed_on", "date", "day on which the repair order was closed"),
    *_ODOMETER,
    _c("complaint", "text", "what the customer or driver said"),
    _c("fault_code", "label", "stored fault codes"),
)

TABLES: dict[str, tuple[Column, ...]] = {
    "vehicles": (
        _VEHICLE,
        _c("first_use_date", "date", "day of first registration or first use", stored="first_use_on"),
        _c("lighting", "choice", "light source of the low beam", allowed=LIGHTING),
        _c("vehicle_class", "label", "kind of vehicle: van, car, bus ..."),
        _c("drive_side", "choice", "side of the driver's seat", allowed=("left", "right")),
        _c("customer_group", "label", "fleet or kind of customer"),
        _c("unit_number", "label", "the fleet's own number, shown on pages"),
        _c("in_service_from", "date", "from when on every repair of the vehicle is in the records"),
        _c("in_service_to", "date", "until when"),
        _c("km_per_year", "number", "typical distance a year", unit="km", least=0.0),
        _c("odometer_unit", "unit", "unit of the vehicle's own odometer", allowed=("km", "mi")),
        _c(
            "not_original",
            "label",
            "parts seen at the first visit not to be the first ones; none = looked, all original",
        ),
    ),
    "odometer": (
        _VEHICLE,
        _c("reading_date", "date", "day of the reading", needed=True, stored="reading_on"),
        _c("reading", "number", "the reading", needed=True, unit="km or mi", least=0.0),
        _c("unit", "unit", "unit of this reading", allowed=("km", "mi")),
    ),
    "orders": (
        _c("order_id", "id", "number of the repair order", needed=True),
        _VEHICLE,
        _c("opened_on", "date", "day on which the repair order was opened", needed=True),
        *_VISIT,
    ),
    "repair_lines": (
        _VEHICLE,
        _c("order_id", "id", "number of the repair order", needed=True),
        _c("line_number", "id", "number of the line, unique within its order"),
        _c("opened_on", "date", "day on which the repair order was opened", needed=True),
        *_VISIT,
        _c("description", "text", "what was done, as written", needed=True),
        _c("component", "component", "the part, in our words", allowed=COMPONENTS),
        _c("side", "choice", "side, as seen from the driver's seat", allowed=SIDES),
        _c("action", "choice", "what was done, in our words", allowed=ACTIONS),
        _c("part_number", "part_number", "part number"),
        _c("supplier", "supplier", "who supplied or made the part"),
        _c("lot", "label", "batch, lot or serial number"),
        _c("quantity", "number", "pieces; negative for a credit", unit="pieces"),
        _c("part_cost", "number", "cost of the parts of the line", unit="currency of the workspace"),
        _c("labour_hours", "number", "hours worked", unit="h"),
        _c("labour_cost", "number", "cost of the labour of the line", unit="currency of the workspace"),
        _c("outcome", "label", "why the old part came off: failed, planned, paired, collision, upgrade ..."),
        _c("planned", "flag", "yes where the replacement was preventive"),
        _c("warranty_claim", "flag", "yes where the part was claimed under warranty"),
    ),
    "parts": (
        _c("part_number", "part_number", "part number", needed=True),
        _c("part_name", "label", "what the catalogue calls it"),
        _c("component", "component", "the part, in our words", allowed=COMPONENTS),
        _c("supplier", "supplier", "who supplies or makes it"),
        _c("grade", "choice", "grade of the part", allowed=GRADES),
        _c("light_source_category", "label", "H7, D2S and so on"),
        _c("renews", "label", "parts that come with it, joined by commas"),
        _c("warranty_months", "number", "warranty in months", unit="months", least=0.0),
        _c("warranty_km", "number", "warranty in km", unit="km", least=0.0),
        _c("unit_cost", "number", "cost of one", unit="currency of the workspace"),
    ),
    "access": (
        _c("component", "component", "the part that is checked", needed=True, allowed=COMPONENTS),
        _c("check_minutes", "number", "minutes that the check takes", needed=True, unit="min", least=0.0),
        _c("opens", "label", "an access step that several checks share"),
        _c("opens_minutes", "number", "minutes that the shared step takes", unit="min", least=0.0),
    ),
    "service_plan": (
        _c("vehicle_id", "vehicle", "the vehicle, or else its customer_group", stored="vehicle"),
        _c("customer_group", "label", "the group, or else a vehicle_id"),
        _c("interval_km", "number", "distance between planned services", unit="km", least=0.0),
        _c("interval_days", "number", "days between planned services", unit="days", least=0.0),
        _c("next_service_on", "date", "day of the next planned service"),
    ),
    "costs": (
        _c("customer_group", "label", "the group", needed=True),
        _c("component", "component", "the part", needed=True, allowed=COMPONENTS),
        _c("planned_cost", "number", "cost of a planned replacement", unit="currency of the workspace", least=0.0),
        _c("unplanned_cost", "number", "cost of an unplanned one", unit="currency of the workspace", least=0.0),
    ),
}


def _flat() -> tuple[Column, ...]:
    seen: dict[str, Column] = {}
    for table in ("repair_lines", "vehicles"):
        for column in TABLES[table]:
            seen.setdefault(column.name, column)
    return tuple(seen.values())


TABLES["flat"] = _flat()
# A flat row's description is needed like a line's; a vehicle's own odometer unit cannot be told apart there.

# Needed columns of repair lines that an order can give instead (matched by order_id).
FROM_ORDER = ("vehicle_id", "opened_on", "closed_on", "odometer", "odometer_unit", "complaint", "fault_code")
# One of these says what was done.
WHAT_WAS_DONE = ("description", "component", "part_number")


def column(table: str, name: str) -> Column | None:
    """A column of ours by table and name; None where there is none."""
    return next((c for c in TABLES[table] if c.name == name), None)


def example_headers() -> dict[str, list[str]]:
    """One header a table, for the example files of a new workspace."""
    return {t: [c.name for c in columns] for t, columns in TABLES.items() if t != "flat"}


# Words that stand for one of ours without saying: lower case, any language (common practice, no source).
SYNONYMS: dict[str, dict[str, str]] = {
    "lighting": {
        "hid": "discharge",
        "xenon": "discharge",
        "bi-xenon": "discharge",
        "bixenon": "discharge",
        "gas discharge": "discharge",
        "halogen lamp": "halogen",
        "hal": "halogen",
        "leds": "led",
        "halogène": "halogen",
        "halogène/h7": "halogen",
        "alogena": "halogen",
        "halógena": "halogen",
        "halógeno": "halogen",
        "xénon": "discharge",
        "xeno": "discharge",
        "xenón": "discharge",
    },
    "drive_side": {"lhd": "left", "rhd": "right", "l": "left", "r": "right", "links": "left", "rechts": "right"},
    "side": {
        "l": "left",
        "r": "right",
        "lh": "left",
        "rh": "right",
        "links": "left",
        "rechts": "right",
        "gauche": "left",
        "droite": "right",
        "izquierda": "left",
        "derecha": "right",
        "sinistra": "left",
        "destra": "right",
        "b": "both",
        "beide": "both",
        "l+r": "both",
        "pair": "both",
        "n/a": "none",
    },
    "action": {
        "replace": "replaced",
        "repair": "repaired",
        "inspect": "inspected",
        "adjust": "adjusted",
        "clean": "cleaned",
        "diagnose": "diagnosed",
        "quote": "quoted",
        "credit": "credited",
        "refit": "refitted",
    },
    "grade": {
        "oe": "original_equipment",
        "oem": "original_equipment",
        "original": "original_equipment",
        "reman": "remanufactured",
        "rebuilt": "remanufactured",
        "aftermarket part": "aftermarket",
        "second hand": "used",
    },
}
UNITS = {
    "km": "km",
    "kms": "km",
    "kilometer": "km",
    "kilometers": "km",
    "kilometre": "km",
    "kilometres": "km",
    "k": "km",
    "mi": "mi",
    "mile": "mi",
    "miles": "mi",
    "mls": "mi",
    "m": "mi",
}
YES = frozenset("1 y yes true t x ja j wahr oui vrai si sí sì vero verdadero s".split())
NO = frozenset("0 n no false f nein falsch non faux falso -".split())
# Cells that say "nothing here" whatever the column.
BLANKS = ("", "null", "\\n", "#n/a", "n/a", "nan", "#null!")


@dataclass(frozen=True)
class Reason:
    """Why a row, a cell or a file was set aside. `what` and the others may name {column}, {value}, {detail}."""

    id: str
    kind: (
        str  # "row" (the row is not used), "cell" (the cell is blanked, the row is used), "either" (by need), "file"
    )
    what: str
    expected: str
    remedy: str
    fault: bool = True  # counts towards settings.intake.max_set_aside_share


_REASONS = (
    Reason(
        "too_few_cells",
        "row",
        "the row has {value} cells, the header has {detail}",
        "{detail} cells",
        "Put quotes around cells that hold line breaks, and export the row again.",
    ),
    Reason(
        "too_many_cells",
        "row",
        "the row has {value} cells, the header has {detail}",
        "{detail} cells",
        "Put quotes around cells that hold the delimiter, and export the row again.",
    ),
    Reason(
        "unclosed_quote",
        "row",
        "a quote is opened and not closed",
        "a closing quote in front of the next delimiter",
        "Close the quote, or double it where it belongs to the text.",
    ),
    Reason(
        "nul_byte",
        "row",
        "the row holds a NUL byte",
        "text",
        "Export the row again; a NUL byte is a sign of a damaged file.",
    ),
    Reason(
        "field_too_long",
        "row",
        "a cell has more than {detail} characters",
        "at most {detail} characters",
        "Shorten the cell, or raise intake.max_field_chars in settings.toml.",
    ),
    Reason(
        "bad_encoding",
        "row",
        "the row holds bytes that are no {detail} text",
        "{detail}",
        "Save the file in one encoding (UTF-8 is best), or set 'encoding' for the source.",
    ),
    Reason(
        "repeated_header",
        "row",
        "the header stands here a second time",
        "a row of data",
        "Nothing to do, unless data rows are missing from the export.",
        fault=False,
    ),
    Reason(
        "missing_value",
        "row",
        "{column} is blank",
        "a value in {column}",
        "Fill it in at the source, or map a second column to fall back on.",
    ),
    Reason(
        "bad_date",
        "either",
        "{column} is not a calendar date",
        "{detail}",
        "Correct the date, or set date_order for the source.",
    ),
    Reason(
        "date_out_of_range",
        "either",
        "{column} is outside 1950 to 2100",
        "a date from 1950 to 2100",
        "Correct the date; leave it blank where there is none.",
    ),
    Reason(
        "bad_number",
        "either",
        "{column} is not a number",
        "{detail}",
        "Correct the number, or set decimal and thousands for the source.",
    ),
    Reason(
        "out_of_range",
        "either",
        "{column} is below {detail}",
        "{detail} or more",
        "Correct the number at the source.",
    ),
    Reason(
        "unknown_value",
        "either",
        "{column} is a word that is not known",
        "{detail}",
        "Say what it means in settings.toml, under values.{column} of the source.",
    ),
    Reason(
        "closed_before_opened",
        "cell",
        "{column} is before opened_on",
        "a day on or after opened_on",
        "Correct one of the two dates.",
    ),
    Reason(
        "order_not_found",
        "row",
        "no order with this number gives the {detail}",
        "an order in the orders table",
        "Export the orders of the same time too, or map {detail} in this file.",
    ),
    Reason(
        "duplicate_file",
        "row",
        "the whole file was read before as {detail}",
        "a file once",
        "Nothing to do; delete one of the two files if you like.",
        fault=False,
    ),
    Reason(
        "duplicate_row",
        "row",
        "the same row was read before",
        "a row once",
        "Nothing to do. If it really happened twice, give the rows different line numbers.",
        fault=False,
    ),
    Reason(
        "superseded",
        "row",
        "a later file holds a corrected version: {detail}",
        "the newest version",
        "Nothing to do; the corrected row is used.",
        fault=False,
    ),
    Reason(
        "same_key_twice",
        "row",
        "row {detail} of the same file has the same {column} and other contents",
        "one row for each {column}",
        "Give each its own number, or take the column out of the mapping.",
    ),
    Reason(
        "archive_too_large",
        "file",
        "unpacks to more than it may ({detail})",
        "an archive of honest size",
        "Unpack it yourself and look at it, or raise intake.max_unpacked_mb in settings.toml.",
    ),
    Reason(
        "archive_locked",
        "file",
        "is protected by a password",
        "an archive without a password",
        "Unpack it and put the files into incoming/.",
    ),
    Reason(
        "archive_nested",
        "file",
        "is an archive inside an archive",
        "files in one archive",
        "Unpack it and put the files into incoming/.",
    ),
)
REASONS: dict[str, Reason] = {r.id: r for r in _REASONS}
NOT_A_FAULT = tuple(r.id for r in _REASONS if not r.fault)


class _Known(dict):
    def __missing__(self, key: str) -> str:
        return ""


def wording(
    reason: str, column: str | None = None, value: str | None = None, detail: str | None = None
) -> tuple[str, str, str]:
    """(what, expected, remedy) of a reason, in words."""
    r = REASONS[reason]
    known = _Known(column=column or "", value=value or "", detail=detail or "")
    return tuple(t.format_map(known) for t in (r.what, r.expected, r.remedy))  # type: ignore[return-value]
