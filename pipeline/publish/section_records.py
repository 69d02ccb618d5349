"""What desks leave out when they write a repair down, and whether the aim was checked: a section of the data-quality page."""

from __future__ import annotations

from typing import Any

from pipeline.publish import figures
from pipeline.publish.figures import Tables
from pipeline.publish.telling import head
from pipeline.publish.views import Said, Section, cell, table
from pipeline.publish.words import Words


def records(tables: Tables, w: Words) -> Section | None:
    """Desk by desk: of the parts fitted, how many were written down without side, supplier, part number. None without any."""
    found = figures.left_out(tables)
    if found.is_empty():
        return None
    body = [
        [
            cell(r["desk"], strong=True),
            w.number(r["fitted"]),
            *(cell(w.number(r[c]), w.percent(r[c] / r[f"{c}_of"]) if r[f"{c}_of"] else "") for c in figures.LEFT_OUT),
        ]
        for r in found.iter_rows(named=True)
    ]
    items: list[Any] = [
        table("table-records", w("quality.records_table"), head(w, "desk", "number_fitted#", "no_side#", "no_supplier#", "no_part_number#"),
              body, csv="tables/lives.csv")
    ]
    aimed = figures.aimed(tables)
    if aimed:
        items.append(Said(w.rich("quality.aimed", n=w.number(aimed[1]), of=w.number(aimed[0]), share=w.percent(aimed[1] / aimed[0]))))
    return Section("records", w("quality.records"), tuple(items), w("quality.records_lead"))
