"""One TOML file becomes frozen dataclasses; every default is explained where it stands.

An unknown key is an error that names the nearest known one; a wrong type is an error that says what was expected.
The settings that a run used are part of its published manifest.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
import tomllib
import types
import typing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

TABLES = ("vehicles", "odometer", "orders", "repair_lines", "parts", "access", "service_plan", "costs", "flat")


class SettingsError(Exception):
    """The settings file cannot be used: says which key, what is wrong and what to write instead."""


def _help(text: str, default: Any = dataclasses.MISSING, factory: Any = dataclasses.MISSING) -> Any:
    if factory is not dataclasses.MISSING:
        return field(default_factory=factory, metadata={"help": text})
    return field(default=default, metadata={"help": text})


@dataclass(frozen=True)
class Constant:
    """A column that is the same on every row of a source: `lighting = { value = "discharge" }`."""

    value: str


@dataclass(frozen=True)
class Source:
    """One kind of export: which files, which of our tables they feed, and how their columns map to ours."""

    name: str
    table: str
    files: tuple[str, ...]
    columns: dict[str, str | tuple[str, ...] | Constant] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    date_order: str | None = None
    odometer_unit: str | None = None
    delimiter: str | None = None
    encoding: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    quote: str | None = None
    sheet: str | None = None
    header_row: int | None = None


@dataclass(frozen=True)
class Workspace:
    name: str = _help("What the pages are headed with.", "Workshop")
    locale: str = _help("Language of the pages: a file text.<locale>.toml.", "en")
    date_style: str = _help("Dates on pages: iso (2025-06-03), dmy (03/06/2025) or mdy (06/03/2025). Tables are always iso.", "iso")
    paper: str = _help("Sheet of the PDFs: a4 or letter.", "a4")


@dataclass(frozen=True)
class Units:
    distance: str = _help("Distances on pages and at the bench: km or mi. Tables are always in km.", "km")
    currency: str = _help("Currency of all costs, as an ISO 4217 code. Costs are never converted.", "EUR")
    default_odometer_unit: str = _help("Unit of odometer readings that carry none and whose vehicle has none.", "km")
    drive_side: str = _help("Side of the driver's seat where a vehicle does not say: left, right, or unknown.",
                            "unknown")


@dataclass(frozen=True)
class Intake:
    max_set_aside_share: float = _help("A run stops when more than this share of one file is set aside.", 0.2)
    max_field_chars: int = _help("A longer cell sets its row aside.", 10_000)
    max_unpacked_mb: int = _help("A packed file that unpacks to more is refused.", 4_000)
    vocabulary: tuple[str, ...] = _help("Further vocabulary files (CSV), read after the shipped one.", ())
    catalogue_wins: bool = _help("A part number's component in `parts` wins over the words of the line.", True)


@dataclass(frozen=True)
class Coverage:
    """How a vehicle is watched."""

    coverage: str = _help(
        "complete: every repair is seen from in_service_from (or the first record) to in_service_to (or the as-of date). "
        "walk_in: only from the first visit to the last one, plus grace_days.", "walk_in")
    grace_days: int = _help("walk_in: days after the last visit during which a repair would still have come here.", 0)


@dataclass(frozen=True)
class Observation(Coverage):
    groups: dict[str, Coverage] = _help("Coverage by customer_group, where it differs.", factory=dict)
    original_within_days: int = _help(
        "A part counts as the original one, whatever was not looked at, where watching began within so many days of first use.", 60)
    assume_original: tuple[str, ...] = _help(
        "Components whose part is taken for the original one when watching began later and nobody looked "
        "(common practice for long-lived parts; every such life carries a flag). All others count only from their "
        "first fitting seen.",
        ("ballast", "igniter", "headlamp_assembly", "wiring", "control_module", "led_module", "led_driver"))


@dataclass(frozen=True)
class Rules:
    return_window_days: int = _help(
        "A complaint of the same side back within so many days, cured by another part: the first part had not failed.", 21)
    return_window_km: float = _help("The same window in km; the earlier of the two closes it.", 3_000.0)
    same_order_days: int = _help("Orders on one vehicle opened within so many days with the same work count as one.", 0)
    assembly_renews: tuple[str, ...] = _help(
        "Parts taken as new with every headlamp assembly, where neither catalogue nor words tell.", ())
    assembly_renews_led: tuple[str, ...] = _help(
        "The same for LED headlamps, whose light source is built in.", ("led_module",))
    unmarked_routine_is_planned: bool = _help(
        "Both sides renewed at a routine service, without a complaint or words of a failure, count as planned.", True)
    many_places: tuple[str, ...] = _help(
        "Components of which a vehicle has several in places that the records do not tell apart: every line counts in "
        "the mean cumulative function, and no single part's life is claimed.", ())
    another_part_days: int = _help(
        "Another part of the same side that fails within so many days counts as a comeback of the third kind.", 90)
    claim_within_days: int = _help(
        "Days after a failure within which a supplier wants the claim (an example: suppliers differ, ask yours).", 30)
    recent_days: int = _help("At the bench a part counts as recently replaced for so many days.", 90)
    horizon_stock_days: int = _help("Lead time of parts, in days, that stock must bridge.", 14)
    horizon_purchase_years: float = _help(
        "Years in service that count when suppliers' parts are compared by cost per year (common practice, no source).", 5.0)


@dataclass(frozen=True)
class Curves:
    min_at_risk: int = _help("A curve starts at the first time with so many at risk.", 10)
    min_failures: int = _help("Below so many failures a stratum has no curve of its own.", 5)
    confidence: float = _help("Coverage of all intervals.", 0.95)
    false_discovery_rate: float = _help("Share of false verdicts allowed among all verdicts.", 0.05)
    seed: int = _help("Seed of everything that draws at random.", 20_250_101)


@dataclass(frozen=True)
class Clocks:
    mean_speed_km_h: float = _help("Mean speed while driving, for lit hours.", 45.0)
    share_lit: float = _help("Share of driving with the low beam lit, for lit hours.", 0.35)
    standing_hours_per_1000_km: float = _help("Hours lit while standing, a thousand km.", 0.0)


@dataclass(frozen=True)
class Strata:
    vehicle_columns: tuple[str, ...] = _help("Further columns of vehicles that get curves of their own.", ())


@dataclass(frozen=True)
class Grid:
    km_edges: tuple[float, ...] = _help(
        "Edges of the km bands of the published priors, in km.",
        (0.0, 40_000.0, 80_000.0, 120_000.0, 160_000.0, 200_000.0, 280_000.0, 400_000.0))
    age_edges_years: tuple[float, ...] = _help("Edges of the age bands, in years.", (0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 13.0, 17.0))


@dataclass(frozen=True)
class Suppliers:
    aliases: dict[str, tuple[str, ...]] = _help("One supplier's other spellings: \"Our Name\" = [\"other\", ...].",
                                                factory=dict)


@dataclass(frozen=True)
class Costs:
    labour_rate_per_hour: float = _help("Used where a line has labour hours but no labour cost.", 0.0)


@dataclass(frozen=True)
class Schedule:
    """When `lowbeam schedule` works. Nothing of it changes a published figure."""

    load_cron: str = _help(
        "When new exports are read and checked, nothing published: five fields of cron (minute, hour, day of the month, month, day of the "
        "week). Each day, so that a fault of an export is found on the day it comes; a day without new files costs nothing. Blank: never.",
        "30 5 * * *")
    publish_cron: str = _help(
        "When the month is published. On the second day, since most desks export a month on the first. Blank: never.", "0 6 2 * *")
    time_zone: str = _help("Time zone of both, by its IANA name. UTC has no summer time, so no run is skipped or doubled by it.", "UTC")
    wait_minutes: float = _help("How long a scheduled run waits for another run of this workspace before it gives up.", 60.0)
    port: int = _help("Port of the schedule's own server, on this machine only. 0: any that is free.", 0)


@dataclass(frozen=True)
class Cluster:
    """Where `lowbeam spread` works. Nothing of it changes a published figure."""

    scheduler: str = _help(
        "Address of a Dask scheduler, such as tcp://10.0.0.5:8786; its workers must see this folder under the same path. Blank: a cluster "
        "of processes on this machine, for the length of the run.", "")
    workers: int = _help("Processes of a cluster on this machine.", 2)


@dataclass(frozen=True)
class Plan:
    service_level: float = _help("Stock is held so that with this probability no part is missing over the lead time.", 0.95)
    depot_column: str = _help("Column of vehicles that says where a vehicle is kept; stock and demand are also told by it. Where it is "
                              "blank, the customer group stands for it.", "depot")


@dataclass(frozen=True)
class Settings:
    workspace: Workspace = field(default_factory=Workspace)
    units: Units = field(default_factory=Units)
    intake: Intake = field(default_factory=Intake)
    observation: Observation = field(default_factory=Observation)
    rules: Rules = field(default_factory=Rules)
    curves: Curves = field(default_factory=Curves)
    clocks: Clocks = field(default_factory=Clocks)
    strata: Strata = field(default_factory=Strata)
    grid: Grid = field(default_factory=Grid)
    suppliers: Suppliers = field(default_factory=Suppliers)
    costs: Costs = field(default_factory=Costs)
    plan: Plan = field(default_factory=Plan)
    schedule: Schedule = field(default_factory=Schedule)
    cluster: Cluster = field(default_factory=Cluster)
    sources: dict[str, Source] = field(default_factory=dict)

    def coverage_of(self, customer_group: str | None) -> Coverage:
        """The way vehicles of a customer group are watched."""
        return self.observation.groups.get(customer_group or "", self.observation)


def load_settings(path: Path) -> Settings:
    """Read settings.toml; an absent file gives the defaults.

    Raises SettingsError, in words, for TOML that cannot be read, unknown keys, wrong types and impossible values.
    """
    if not path.exists():
        return Settings()
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path.name} cannot be read: {error}. Save it as UTF-8 text.") from None
    return parse_settings(text, path.name)


def parse_settings(text: str, name: str = "settings.toml") -> Settings:
    """Settings from TOML text. `name` is used in messages. Raises SettingsError."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name} is not valid TOML: {error}.") from None
    return settings_of(data, name)


def settings_of(data: dict[str, Any], name: str) -> Settings:
    """Settings from nested tables. Raises SettingsError."""
    parts: dict[str, Any] = {}
    known = {f.name: f for f in dataclasses.fields(Settings)}
    for key, value in data.items():
        if key not in known:
            raise SettingsError(_unknown(name, "", key, known))
        if not isinstance(value, dict):
            raise SettingsError(f"{name}: [{key}] must be a section.")
        if key == "sources":
            parts[key] = {n: _source(name, n, v) for n, v in value.items()}
        elif key == "observation":
            parts[key] = _observation(name, value)
        elif key == "suppliers":
            aliases = value.get("aliases", value)
            parts[key] = Suppliers({k: _texts(name, f"suppliers.{k}", v) for k, v in aliases.items()})
        else:
            parts[key] = _section(name, key, _class_of(known[key]), value)
    settings = Settings(**parts)
    _check(name, settings)
    return settings


def _class_of(f: dataclasses.Field) -> type:
    return f.default_factory  # every section's factory is its class


def _unknown(name: str, where: str, key: str, known: typing.Iterable[str]) -> str:
    near = difflib.get_close_matches(key, list(known), n=1, cutoff=0.6)
    place = f"[{where}] " if where else ""
    hint = f" Did you mean '{near[0]}'?" if near else f" Known here: {', '.join(sorted(known))}."
    return f"{name}: {place}unknown key '{key}'.{hint}"


def _section(name: str, where: str, cls: type, value: dict[str, Any], skip: tuple[str, ...] = ()) -> Any:
    hints = typing.get_type_hints(cls)
    known = {f.name for f in dataclasses.fields(cls)} - set(skip)
    if not isinstance(value, dict):
        raise SettingsError(f"{name}: [{where}] must be one section, not {'a list' if isinstance(value, list) else repr(value)}.")
    out = {}
    for key, v in value.items():
        if key in skip:
            continue
        if key not in known:
            raise SettingsError(_unknown(name, where, key, known))
        out[key] = _convert(name, f"{where}.{key}", hints[key], v)
    return cls(**out)


def _convert(name: str, where: str, hint: Any, value: Any) -> Any:
    if isinstance(hint, types.UnionType):
        options = [a for a in typing.get_args(hint) if a is not type(None)]
        return _convert(name, where, options[0], value)
    if typing.get_origin(hint) is tuple:
        inner = typing.get_args(hint)[0]
        values = value if isinstance(value, list) else [value]
        return tuple(_convert(name, where, inner, v) for v in values)
    if hint is float and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    if isinstance(hint, type) and isinstance(value, hint) and not (hint is int and isinstance(value, bool)):
        return value
    wanted = getattr(hint, "__name__", str(hint))
    words = {"str": "a text in quotes", "int": "a whole number", "float": "a number", "bool": "true or false"}
    raise SettingsError(f"{name}: {where} is {value!r}; expected {words.get(wanted, wanted)}.")


def _texts(name: str, where: str, value: Any) -> tuple[str, ...]:
    return _convert(name, where, tuple[str, ...], value)


def _observation(name: str, value: dict[str, Any]) -> Observation:
    base = _section(name, "observation", Observation, value, skip=("groups",))
    groups = value.get("groups", {})
    if not isinstance(groups, dict):
        raise SettingsError(f"{name}: [observation.groups] must be a section.")
    made = {}
    for group, v in groups.items():
        made[group] = _section(name, f"observation.groups.{group}", Coverage, {"coverage": v} if isinstance(v, str) else v)
    return dataclasses.replace(base, groups=made)


def _source(name: str, key: str, value: Any) -> Source:
    where = f"sources.{key}"
    if not isinstance(value, dict) or "table" not in value or "files" not in value:
        raise SettingsError(f"{name}: [{where}] needs 'table' and 'files'.")
    if value["table"] not in TABLES:
        near = difflib.get_close_matches(str(value["table"]), TABLES, n=1, cutoff=0.6)
        hint = f" Did you mean '{near[0]}'?" if near else f" One of: {', '.join(TABLES)}."
        raise SettingsError(f"{name}: [{where}] table is {value['table']!r}.{hint}")
    known = {f.name for f in dataclasses.fields(Source)} - {"name"}
    hints = typing.get_type_hints(Source)
    out: dict[str, Any] = {"name": key}
    for k, v in value.items():
        if k not in known:
            raise SettingsError(_unknown(name, where, k, known))
        if k == "columns":
            out[k] = {ours: _column(name, f"{where}.columns.{ours}", theirs) for ours, theirs in v.items()}
        elif k == "values":
            out[k] = {ours: {str(a): str(b) for a, b in m.items()} for ours, m in v.items()}
        else:
            out[k] = _convert(name, f"{where}.{k}", hints[k], v)
    return Source(**out)


def _column(name: str, where: str, theirs: Any) -> str | tuple[str, ...] | Constant:
    if isinstance(theirs, str):
        return theirs
    if isinstance(theirs, list) and theirs and all(isinstance(t, str) for t in theirs):
        return tuple(theirs)
    if isinstance(theirs, dict) and set(theirs) == {"value"}:
        return Constant(str(theirs["value"]))
    raise SettingsError(f"{name}: {where} is {theirs!r}; expected a column name, a list of names, or {{ value = \"...\" }}.")


def _check(name: str, s: Settings) -> None:
    def need(ok: bool, where: str, value: Any, expected: str) -> None:
        if not ok:
            raise SettingsError(f"{name}: {where} is {value!r}; expected {expected}.")

    need(s.workspace.date_style in ("iso", "dmy", "mdy"), "workspace.date_style", s.workspace.date_style, "iso, dmy or mdy")
    need(s.workspace.paper in ("a4", "letter"), "workspace.paper", s.workspace.paper, "a4 or letter")
    need(s.units.distance in ("km", "mi"), "units.distance", s.units.distance, "km or mi")
    need(s.units.default_odometer_unit in ("km", "mi"), "units.default_odometer_unit", s.units.default_odometer_unit,
         "km or mi")
    need(s.units.drive_side in ("left", "right", "unknown"), "units.drive_side", s.units.drive_side,
         "left, right or unknown")
    for group, coverage in [("", s.observation), *s.observation.groups.items()]:
        where = "observation" + (f".groups.{group}" if group else "")
        need(coverage.coverage in ("complete", "walk_in"), f"{where}.coverage", coverage.coverage, "complete or walk_in")
        need(coverage.grace_days >= 0, f"{where}.grace_days", coverage.grace_days, "0 or more")
    need(0 < s.intake.max_set_aside_share <= 1, "intake.max_set_aside_share", s.intake.max_set_aside_share,
         "a share between 0 and 1")
    need(0.5 <= s.curves.confidence < 1, "curves.confidence", s.curves.confidence, "a share such as 0.95")
    need(0 < s.curves.false_discovery_rate < 1, "curves.false_discovery_rate", s.curves.false_discovery_rate,
         "a share such as 0.05")
    need(0 < s.plan.service_level < 1, "plan.service_level", s.plan.service_level, "a share such as 0.95")
    need(s.curves.min_failures >= 2, "curves.min_failures", s.curves.min_failures, "2 or more")
    need(s.rules.return_window_days > 0, "rules.return_window_days", s.rules.return_window_days, "1 or more")
    need(s.clocks.mean_speed_km_h > 0, "clocks.mean_speed_km_h", s.clocks.mean_speed_km_h, "more than 0")
    for where, edges in (("grid.km_edges", s.grid.km_edges), ("grid.age_edges_years", s.grid.age_edges_years)):
        need(len(edges) >= 2 and all(a < b for a, b in zip(edges, edges[1:])), where, edges, "rising numbers, two or more")
    for where, cron in (("schedule.load_cron", s.schedule.load_cron), ("schedule.publish_cron", s.schedule.publish_cron)):
        need(not cron.strip() or is_cron(cron), where, cron, 'five fields of cron such as "0 6 2 * *" (minute, hour, day, month, weekday)')
    need(is_time_zone(s.schedule.time_zone), "schedule.time_zone", s.schedule.time_zone, 'a time zone\'s IANA name such as "UTC"')
    need(s.schedule.wait_minutes >= 0, "schedule.wait_minutes", s.schedule.wait_minutes, "0 or more")
    need(0 <= s.schedule.port <= 65535, "schedule.port", s.schedule.port, "a port from 1024 to 65535, or 0 for any that is free")
    need(s.cluster.workers >= 1, "cluster.workers", s.cluster.workers, "1 or more")
    for source in s.sources.values():
        need(source.date_order in (None, "ymd", "dmy", "mdy"), f"sources.{source.name}.date_order", source.date_order,
             "ymd, dmy or mdy")
        need(source.decimal in (None, ".", ","), f"sources.{source.name}.decimal", source.decimal, "\".\" or \",\"")
        need(source.odometer_unit in (None, "km", "mi"), f"sources.{source.name}.odometer_unit", source.odometer_unit,
             "km or mi")


_CRON_FIELDS = ((0, 59), (0, 23), (1, 31), (1, 12), (0, 7))
_CRON_NAMES = (r"jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec", r"sun|mon|tue|wed|thu|fri|sat")


def is_cron(text: str) -> bool:
    """Whether a text is five fields of cron (POSIX crontab: *, numbers, a-b, lists; and */n, names of months and weekdays)."""
    fields = text.lower().split()
    if len(fields) != 5:
        return False
    for n, (one, (low, high)) in enumerate(zip(fields, _CRON_FIELDS, strict=True)):
        for part in one.split(","):
            span, slash, every = part.partition("/")
            if slash and not (every.isdecimal() and int(every) >= 1):
                return False
            if span == "*" or (n >= 3 and re.fullmatch(_CRON_NAMES[n - 3], span)):
                continue
            ends = span.split("-")
            if len(ends) > 2 or not all(e.isdecimal() and low <= int(e) <= high for e in ends) or int(ends[0]) > int(ends[-1]):
                return False
    return True


def is_time_zone(name: str) -> bool:
    """Whether this machine knows a time zone by that name."""
    import zoneinfo

    if name == "UTC":
        return True
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def settings_from_dict(data: dict[str, Any], name: str = "manifest.json") -> Settings:
    """The settings that settings_as_dict gave, from a manifest. Raises SettingsError, in words."""

    def told(value: Any) -> Any:
        return {k: told(v) for k, v in value.items() if v is not None} if isinstance(value, dict) else value

    data = told(data)
    for source in data.get("sources", {}).values():
        source.pop("name", None)
    return settings_of(data, name)


def settings_as_dict(settings: Settings) -> dict[str, Any]:
    """The settings as plain data, for the manifest."""
    return dataclasses.asdict(settings)


def template() -> str:
    """A commented settings.toml with every default: what `lowbeam new` writes."""
    lines = ["# Settings of this workspace. Every line that is commented out shows its default.", ""]
    for f in dataclasses.fields(Settings):
        if f.name == "sources":
            continue
        cls = _class_of(f)
        lines.append(f"[{f.name}]")
        for item in dataclasses.fields(cls):
            for row in _wrap(item.metadata.get("help", "")):
                lines.append(f"# {row}")
            default = item.default if item.default is not dataclasses.MISSING else item.default_factory()
            if isinstance(default, dict):
                lines.append(f"# [{f.name}.{item.name}]" if f.name != "suppliers" else '# "Our Name" = ["other spelling"]')
            else:
                lines.append(f"# {item.name} = {_toml(default)}")
        lines.append("")
    lines += _SOURCES_EXAMPLE.splitlines()
    return "\n".join(lines) + "\n"


_SOURCES_EXAMPLE = """\
# How your exports map to our tables. Without any, a file named after a table (vehicles.csv, repair_lines_2024-03.csv)
# with our column names is taken as it is. `lowbeam map` proposes these sections from the files in incoming/.
# [sources.orders]
# table = "orders"                  # vehicles, odometer, orders, repair_lines, parts, access, service_plan, costs, flat
# files = ["jobs*.csv"]
# date_order = "dmy"                # ymd, dmy or mdy
# odometer_unit = "km"
# [sources.orders.columns]          # ours = theirs
# order_id = "job no"
# complaint = ["concern", "notes"]  # the first that is not blank
# lighting = { value = "halogen" }  # the same on every row
# [sources.orders.values.lighting]  # theirs = ours
# "XEN" = "discharge"
"""


def _wrap(text: str, width: int = 105) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width) if text else []


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, float) and value == int(value) and abs(value) < 1e15:
        return f"{value:.1f}" if abs(value) < 1000 else f"{int(value):_}"
    if isinstance(value, int) and abs(value) >= 10_000:
        return f"{value:_}"
    return str(value)
