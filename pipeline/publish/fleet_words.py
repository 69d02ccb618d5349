"""Words that the fleet plan's cells share: ages, money, costs, reasons."""

from __future__ import annotations

import re
from typing import Any

import polars as pl

from pipeline.publish import fleet_figures as ff
from pipeline.publish.figures import Tables
from pipeline.publish.telling import kind_of, kinds_of, upper
from pipeline.publish.views import Cell, cell
from pipeline.publish.words import KM_PER_MILE, Words


def horizon_of(tables: Tables, w: Words) -> str:
    return w.count("month", ff.horizon_months(tables))


def group_name(group: str | None, w: Words) -> str:
    if group is None:
        return ""
    return w("fleet.all_groups") if group == ff.ALL else str(group).replace("_", " ")


def depot_name(depot: str | None, w: Words) -> str:
    """A depot as it is written; a customer group that stands for one, with its underscores opened."""
    return group_name(depot, w)


def of_group(r: dict[str, Any], rules: pl.DataFrame, w: Words, plural: bool = False) -> str:
    """A kind of part, with its customer group where verdicts differ by group."""
    what = in_stratum((kinds_of if plural else kind_of)(w, r["component"], r["lighting"]), r.get("stratum"), w)
    if r["customer_group"] in (None, ff.ALL) or rules["customer_group"].n_unique() < 2:
        return what
    return w("fleet.in_group", what=what, group=group_name(r["customer_group"], w))


def in_stratum(what: str, stratum: str | None, w: Words) -> str:
    """A kind of part with the class or duty that its curve is of."""
    if stratum in (None, ff.ALL):
        return what
    column, _, value = str(stratum).partition("=")
    return w("fleet.in_stratum", what=what, column=w.name("covariate", column), value=value.replace("_", " "))


def life_texts(r: dict[str, Any], w: Words) -> list[str]:
    """A part's life so far on its clocks, and where that comes from."""
    on_km = r["life_km"] is not None
    return [
        w.distance(r["life_km"]) if on_km else w.years(r["life_days"]),
        *([w.years(r["life_days"])] if on_km else []),
        *([w("fleet.life_not_known")] if r["life_from"] == "not known" else []),
        *([w("fleet.life_assumed")] if r["life_from"] not in ("observed", "not known") else []),
        *([w("fleet.beyond")] if r["is_beyond_data"] else []),
    ]


def age_text(x: float | None, clock: str, w: Words) -> str:
    if x is None:
        return w("format.nothing")
    return w.distance(x) if clock == "km" else w.years(x)


def rate_text(per_1000: float, clock: str, w: Words) -> str:
    """Money per 1000 units of the clock: per 1000 km or miles, or per year."""
    if clock == "km":
        return w(
            "fleet.per_distance", amount=w.money(per_1000 * (KM_PER_MILE if w.unit == "mi" else 1)), unit=w.unit_word
        )
    return w("fleet.per_year", amount=w.money(per_1000 * 0.36525))


def saving_range(r: dict[str, Any], w: Words) -> str:
    """Both limits may lie below nought."""
    low, high = r["saving_low"], r["saving_high"]
    if low is None or high is None:
        return w("format.nothing")
    digits = 0 if max(abs(low), abs(high)) >= 0.0995 else 1
    return w("format.percent_range", low=w.number(100 * low, digits), high=w.number(100 * high, digits))


def costs_cell(r: dict[str, Any], w: Words) -> Cell:
    if r["planned_cost"] is None or r["unplanned_cost"] is None:
        return cell(w("fleet.no_cost"))
    basis = r.get("costs_basis")
    return cell(
        w("fleet.cost_planned", amount=w.money(r["planned_cost"])),
        w("fleet.cost_failed", amount=w.money(r["unplanned_cost"])),
        "" if basis is None else w("fleet.costs_given") if basis == "given" else w("fleet.costs_assumed"),
    )


def costs_span_cell(rows: pl.DataFrame, w: Words) -> Cell:
    """The costs of several groups as spans."""

    def span(column: str) -> str:
        low, high = rows[column].min(), rows[column].max()
        if low is None:
            return w("format.nothing")
        return w.money(low) if low == high else w("format.band", low=w.money(low), high=w.money(high))

    basis = "given" if (rows["costs_basis"] == "given").all() else "assumed"
    return cell(
        w("fleet.cost_planned", amount=span("planned_cost")),
        w("fleet.cost_failed", amount=span("unplanned_cost")),
        w("fleet.costs_given") if basis == "given" else w("fleet.costs_assumed"),
    )


def behind_cell(r: dict[str, Any], w: Words) -> Cell:
    n = r["failures"]
    if n is None:
        return cell(w("format.nothing"))
    key = "fleet.behind_borrowed" if r.get("curve_basis") == "borrowed" else "fleet.behind_own"
    return cell(w(key, n=w.number(n)), w("fleet.thin") if n < ff.THIN_FAILURES else "")


def ratio_text(x: float, w: Words) -> str:
    return w.number(x, 0 if x == round(x) else 1)


def mean_count(x: float | None, w: Words) -> str:
    """A mean count: one decimal below ten, so that a rare part is not said to fail never."""
    if x is None:
        return w("format.nothing")
    return w.number(x) if x >= 9.95 or x == 0 else w.number(x, 1) if x >= 0.05 else w.number(x, 2)


def places_text(text: str | None, w: Words) -> str:
    """ "igniter right, lamp left" with the parts' names in words."""
    out = []
    for place in str(text or "").split(","):
        component, _, side = place.strip().rpartition(" ")
        out.append(f"{w.name('component', component)} {w.name('side', side)}" if component else place.strip())
    return upper(w.list([x for x in out if x]))


def reason_text(reason: str | None, w: Words) -> str:
    """A reason as planning gives it; its distances in the unit of the pages."""
    text = str(reason or "")
    if w.unit != "mi":
        return text

    def miles(found: re.Match[str]) -> str:
        return w.reading(float(found.group(1).replace(",", "")))

    # "from 66,066 on" carries no unit of its own; it has that of the sentence.
    if " km" in text:
        text = re.sub(r"(?<=from )(\d[\d,]*)(?= on\b)", miles, text)
    return re.sub(r"(\d[\d,]*) km\b", miles, text)
