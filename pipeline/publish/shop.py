"""The shop report: its sections in reading order."""

from __future__ import annotations

from pipeline.publish import (
    section_buying,
    section_comebacks,
    section_failures,
    section_guesses,
    section_lifetimes,
    section_limits,
    section_money,
    section_suppliers,
    section_suspicion,
    section_watch,
)
from pipeline.publish.figures import Tables
from pipeline.publish.views import Context, Section
from pipeline.publish.words import Words


def sections(tables: Tables, context: Context, words: Words) -> list[Section]:
    """All sections. One without data says so in words."""
    return [
        section_failures.failed(tables, context, words),
        section_comebacks.back(tables, context, words),
        section_suppliers.supplier(tables, context, words),
        section_watch.watch(tables, context, words),
        section_buying.buy(tables, context, words),
        section_lifetimes.life(tables, context, words),
        section_guesses.guess(tables, context, words),
        section_money.money(tables, context, words),
        section_suspicion.suspect(tables, context, words),
        section_limits.limits(tables, words),
    ]
