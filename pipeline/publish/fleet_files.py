"""The fleet's planned work for other programs: a workbook for the workshop and a calendar (RFC 5545).

Nothing in either comes from a clock: the same tables give the same bytes.
"""

from __future__ import annotations

import datetime as dt
import io
import re
import uuid
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.publish import files
from pipeline.publish import fleet_figures as ff
from pipeline.publish.figures import Tables
from pipeline.publish.fleet_words import group_name, life_texts, reason_text
from pipeline.publish.telling import kind_of, upper, vehicle_label
from pipeline.publish.views import Context
from pipeline.publish.words import Words

WORKBOOK = "tables/due_list.xlsx"
CALENDAR = "planned_work.ics"
# Names of events hang on this and the vehicle's keyed hash, so that next month's file moves an event and does not double it.
_NAMES = uuid.uuid5(uuid.NAMESPACE_URL, "lowbeam:planned-work")
_BAD = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")  # not allowed in XML 1.0, nor in RFC 5545 text


def write(folder: Path, tables: Tables, context: Context) -> None:
    """tables/due_list.xlsx where there is a due list, planned_work.ics where work is planned (a calendar holds one event
    at least: RFC 5545, section 3.6)."""
    words = context.words()
    due = ff.due(tables)
    if due.is_empty():
        return
    files.write_bytes(folder / WORKBOOK, workbook(due, context, words))
    if is_any_planned(tables):
        files.write_bytes(folder / CALENDAR, calendar(due, context, words))


def is_any_planned(tables: Tables) -> bool:
    due = ff.due(tables)
    return not due.is_empty() and due["due_on"].count() > 0


# ---- workbook


def workbook(due: pl.DataFrame, context: Context, w: Words) -> bytes:
    """Three sheets: planned work with room for a signature, all parts, cautions."""
    import xlsxwriter

    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(
        buffer, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    )
    made_on = dt.datetime(context.as_of.year, context.as_of.month, context.as_of.day)
    book.set_properties({"title": w("fleet_file.title", date=context.as_of.isoformat()), "created": made_on})
    look = {
        "head": book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 2}),
        "text": book.add_format({"text_wrap": True, "valign": "top", "bottom": 4}),
        "date": book.add_format({"num_format": "yyyy-mm-dd", "valign": "top", "align": "left", "bottom": 4}),
        "share": book.add_format({"num_format": "0%", "valign": "top", "bottom": 4}),
        "money": book.add_format({"num_format": "#,##0.00", "valign": "top", "bottom": 4}),
        "number": book.add_format({"num_format": "#,##0", "valign": "top", "bottom": 4}),
    }
    work = due.filter(pl.col("work") != "leave")
    _sheet(book, look, w("fleet_file.sheet_work"), work, context, w, signed=True)
    _sheet(book, look, w("fleet_file.sheet_all"), due, context, w, signed=False)
    notes = book.add_worksheet(w("fleet_file.sheet_read"))
    notes.set_column(0, 0, 100)
    lines = [w("fleet_file.title", date=context.as_of.isoformat()), w("fleet.due_lead"), w("fleet.assume_law")]
    lines += [w(f"cautions.{c}") for c in ("voltage", "heat", "mercury", "battery", "same", "law")]
    for row, line in enumerate(lines):
        notes.write_string(row, 0, clean(line), look["head" if row == 0 else "text"])
    book.close()
    return buffer.getvalue()


def _columns(w: Words, signed: bool) -> list[tuple[str, str, int]]:
    """Heading key, kind and width of each column."""
    names = [
        ("next_service", "date", 12), ("vehicle", "text", 14), ("depot", "text", 16), ("component", "text", 20),
        ("side", "text", 8), ("life_so_far", "text", 22), ("chance_next", "share", 11), ("chance_after", "share", 11),
        ("action", "text", 24), ("cost", "money", 10), ("why", "text", 52),
    ]  # fmt: skip
    signed_for = [("done_on", "text", 12), ("done_km", "text", 10), ("done_by", "text", 14)] if signed else []
    return [(w(f"head.{n}"), kind, width) for n, kind, width in names + signed_for]


def _sheet(book: Any, look: dict[str, Any], name: str, due: pl.DataFrame, context: Context, w: Words, signed: bool) -> None:
    sheet = book.add_worksheet(name)
    columns = _columns(w, signed)
    for at, (title, _, width) in enumerate(columns):
        sheet.set_column(at, at, width)
        sheet.write_string(0, at, clean(title), look["head"])
    for row, r in enumerate(due.iter_rows(named=True), 1):
        for at, value in enumerate(_row(r, w)):
            kind = columns[at][1]
            if value is None:
                sheet.write_blank(row, at, None, look[kind])
            elif kind == "text":
                sheet.write_string(row, at, clean(str(value)), look[kind])
            elif kind == "date":
                sheet.write_datetime(row, at, dt.datetime(value.year, value.month, value.day), look[kind])
            else:
                sheet.write_number(row, at, float(value), look[kind])
        for at in range(len(_row(r, w)), len(columns)):
            sheet.write_blank(row, at, None, look["text"])
    sheet.freeze_panes(1, 2)
    if due.height:
        sheet.autofilter(0, 0, due.height, len(columns) - 1)
    # On paper: across, one sheet wide, the headings on each.
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.set_footer(clean(f"&L{context.shop_name.replace('&', '&&')}&C{context.as_of.isoformat()}&R&P / &N"))


def _row(r: dict[str, Any], w: Words) -> list[Any]:
    return [
        r["due_on"] or r["first_service_on"],
        vehicle_label(r["unit_number"] or r["vehicle"]),
        group_name(r["depot"] or r["customer_group"], w),
        upper(kind_of(w, r["component"], r["lighting"])),
        w.name("side", r["side"]),
        ", ".join(life_texts(r, w)),
        r["chance_first"],
        r["chance_second"],
        action_text(r, w),
        r["cost"],
        reason_text(r["reason"], w),
    ]


def action_text(r: dict[str, Any], w: Words) -> str:
    key = {"renew": "action_renew", "pair": "action_pair_cell"}.get(r["work"], "action_leave")
    return upper(w(f"fleet.{key}"))


def clean(text: str) -> str:
    """Text that no spreadsheet runs as a formula, without characters that the format does not allow."""
    text = _BAD.sub("", text)
    return "'" + text if re.match(files.FORMULA, text) else text


# ---- calendar


def calendar(due: pl.DataFrame, context: Context, w: Words) -> bytes:
    """One whole-day event for each vehicle with planned work, on the day of its service. RFC 5545."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//lowbeam//fleet plan//EN", "CALSCALE:GREGORIAN", "METHOD:PUBLISH"]
    planned = due.filter(pl.col("due_on").is_not_null()).sort("due_on", "vehicle", "component", "side")
    stamp = f"{context.as_of:%Y%m%d}T000000Z"
    for (_, vehicle), rows in planned.group_by("due_on", "vehicle", maintain_order=True):
        first = rows.row(0, named=True)
        parts = [
            f"{kind_of(w, r['component'], r['lighting'])} {w.name('side', r['side'])}" for r in rows.iter_rows(named=True)
        ]
        label = vehicle_label(first["unit_number"] or first["vehicle"])
        told = [
            w("fleet_file.event_lead", n=w.count("part", rows.height), cost=w.money(rows["cost"].sum())),
            *(f"{upper(p)}: {reason_text(r['reason'], w)}" for p, r in zip(parts, rows.iter_rows(named=True), strict=True)),
            *([w("fleet_file.event_assumed")] if first["services_basis"] != "given" else []),
            w("fleet.assume_law"),
        ]
        where = group_name(first["depot"] or first["customer_group"], w)
        lines += [
            "BEGIN:VEVENT",
            f"UID:{uuid.uuid5(_NAMES, vehicle)}",
            f"DTSTAMP:{stamp}",
            f"LAST-MODIFIED:{stamp}",
            f"SEQUENCE:{context.as_of.toordinal()}",
            f"DTSTART;VALUE=DATE:{first['due_on']:%Y%m%d}",
            f"DTEND;VALUE=DATE:{first['due_on'] + dt.timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{escape(w('fleet_file.event_title', vehicle=label, parts=w.list(parts)))}",
            f"DESCRIPTION:{escape(chr(10).join(told))}",
            *([f"LOCATION:{escape(where)}"] if where else []),
            "TRANSP:TRANSPARENT",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(f"{part}\r\n" for line in lines for part in fold(line)).encode()


def escape(text: str) -> str:
    """A value of type TEXT: RFC 5545, section 3.3.11."""
    text = _BAD.sub("", text.replace("\r\n", "\n").replace("\r", "\n"))
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def fold(line: str) -> Iterable[str]:
    """Content lines of 75 octets at most, no character cut in two, those that go on begun by a blank: RFC 5545, section
    3.1."""
    part, size = "", 0
    for letter in line:
        width = len(letter.encode())
        if size + width > 75:
            yield part
            part, size = " ", 1
        part, size = part + letter, size + width
    yield part
