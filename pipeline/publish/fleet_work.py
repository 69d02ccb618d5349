"""What to do on the fleet: the due list, and the places where a cause must be found."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.planning.repeats import MAYBE, MORE, UNTOLD
from pipeline.publish import fleet_figures as ff
from pipeline.publish.figures import Tables
from pipeline.publish.fleet_words import (
    group_name,
    life_texts,
    mean_count,
    places_text,
    reason_text,
)
from pipeline.publish.telling import MOST_ROWS, head, kind_of, more_rows, upper, vehicle_label
from pipeline.publish.views import Said, Section, Table, cell, table
from pipeline.publish.words import Words

WATCHED = 20  # parts left in place that are shown all the same: the likeliest to fail


def due(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.due"), w("fleet.due_lead")
    listed = ff.due(tables)
    if listed.is_empty():
        return Section("due", title, (*_open_items(tables, w), Said(w("fleet.due_none"), "thin")), lead)
    file = "tables/due_list.csv"
    opened = _open_items(tables, w)
    work, left = listed.filter(pl.col("work") != "leave"), listed.filter(pl.col("work") == "leave")
    items: list[Any] = [*opened]
    if work.height:
        shown = work.head(MOST_ROWS)
        note = more_rows(w, shown.height, work.height, file)
        items.append(_due_table("due-list", w("fleet.due_table"), shown, note, file, w, folded=False))
    else:
        items.append(Said(w("fleet.due_nothing")))
    items.append(Said(w.link("fleet.due_files", "tables/due_list.xlsx")))
    if listed["due_on"].count():
        items.append(Said(w.link("fleet.due_calendar", "planned_work.ics")))
    likely = left.filter(pl.col("chance_first").is_not_null()).sort(
        ["chance_first", "vehicle", "component", "side"], descending=[True, False, False, False]
    )
    if likely.height:
        shown = likely.head(WATCHED)
        told = {"shown": w.number(shown.height), "total": w.number(left.height)}
        note = w("fleet.due_watch_note" if shown.height < left.height else "fleet.due_watch_note_all", **told)
        items.append(_due_table("due-watch", w("fleet.due_watch"), shown, note, file, w, folded=bool(work.height)))
    return Section("due", title, tuple(items), lead)


def _open_items(tables: Tables, w: Words) -> list[Any]:
    """Complaints without work on record since."""
    found = ff.open_defects(tables)
    if found.is_empty():
        return []
    body = [
        [
            cell(vehicle_label(r["unit_number"] or r["vehicle"]), group_name(r["customer_group"], w), strong=True),
            cell(upper(w.name("symptom", r["symptom"])), w.name("side", r["side"]) if r["side"] else "", strong=True),
            w.short_date(r["reported_on"]),
            w.number(r["days_open"]),
        ]
        for r in found.head(MOST_ROWS).iter_rows(named=True)
    ]
    file = "tables/open_defects.csv"
    note = more_rows(w, len(body), found.height, file)
    columns = head(w, "vehicle", "symptom", "reported_on", "days_open#")
    return [
        Said(w.rich("fleet.open_said", n=w.count("complaint", found.height)), "caution"),
        table("due-open", w("fleet.open_table"), columns, body, note=note, csv=file),
    ]


def _due_table(id: str, caption: str, rows: pl.DataFrame, note: str, file: str, w: Words, folded: bool) -> Table:
    body = []
    for r in rows.iter_rows(named=True):
        renew, pair = r["work"] == "renew", r["work"] == "pair"
        action = w("fleet.action_renew") if renew else w("fleet.action_pair_cell") if pair else w("fleet.action_leave")
        # Its hyphens may not break: a date on two lines is misread.
        on = w.short_date(r["due_on"] or r["first_service_on"]).replace("-", "\u2011")
        assumed = w("fleet.assumed_date") if r["services_basis"] == "assumed" else ""
        body.append(
            [
                cell(on, assumed, strong=renew),
                cell(vehicle_label(r["unit_number"] or r["vehicle"]), group_name(r["depot"] or r["customer_group"], w)),
                cell(upper(kind_of(w, r["component"], r["lighting"])), w.name("side", r["side"])),
                cell(upper(action), reason_text(r["reason"], w), strong=renew or pair),
                cell(*life_texts(r, w)),
                cell(
                    w.percent(r["chance_first"]),
                    w.percent_range(r["chance_first_low"], r["chance_first_high"]),
                ),
                w.percent(r["chance_second"]),
                w.money(r["cost"]),
            ]
        )
    columns = head(
        w, "next_service", "vehicle", "component", "action", "life_so_far", "chance_next#", "chance_after#", "cost#"
    )
    return table(id, caption, columns, body, note=note, csv=file, folded=folded)


def cause(tables: Tables, w: Words) -> Section:
    title, lead = w("fleet.cause"), w("fleet.cause_lead")
    places, several = ff.repeats(tables), ff.several(tables)
    if places.is_empty() and several.is_empty():
        return Section("cause", title, (Said(w("fleet.cause_none")),), lead)
    items: list[Any] = []
    if places.height:
        file = "tables/repeat_places.csv"
        shown = places.head(WATCHED)
        more = places.filter(pl.col("verdict") == MORE).height
        if places["verdict"].count():
            key = "fleet.cause_told" if more else "fleet.cause_told_none"
            items.append(Said(w.rich(key, n=w.number(more), total=w.number(places.height))))
        body = [
            [
                cell(vehicle_label(r["unit_number"] or r["vehicle"]), group_name(r["customer_group"], w)),
                cell(upper(w.name("component", r["component"])), w.name("side", r["side"]), strong=True),
                w.number(r["failures"]),
                cell(mean_count(r["expected"], w)),
                cell(_chance_or_cause(r["verdict"], w), strong=r["verdict"] == MORE),
                w.short_date(r["last_on"]),
                cell(r["lives_days"]),
            ]
            for r in shown.iter_rows(named=True)
        ]
        columns = head(w, "vehicle", "where", "times#", "explained#", "told", "last", "lives_days")
        note = more_rows(w, shown.height, places.height, file)
        folded = bool(places["verdict"].count()) and not more
        items.append(table("cause-places", w("fleet.cause_places"), columns, body, note=note, csv=file, folded=folded))
    if several.height:
        file = "tables/several_at_once.csv"
        shown = several.head(WATCHED)
        body = [
            [
                cell(vehicle_label(r["unit_number"] or r["vehicle"]), group_name(r["customer_group"], w)),
                cell(places_text(r["places"], w), strong=True),
                w.number(r["failures"]),
                cell(w("format.range", low=w.short_date(r["first_on"]), high=w.short_date(r["last_on"]))),
            ]
            for r in shown.iter_rows(named=True)
        ]
        columns = head(w, "vehicle", "where", "times#", "date")
        note = more_rows(w, shown.height, several.height, file)
        items.append(table("cause-several", w("fleet.cause_several"), columns, body, note=note, csv=file))
    return Section("cause", title, tuple(items), lead)


def _chance_or_cause(verdict: str | None, w: Words) -> str:
    keys = {MORE: "cause_more", MAYBE: "cause_maybe", UNTOLD: "cause_no_curve"}
    return w(f"fleet.{keys[verdict]}") if verdict in keys else ""
