"""Suspicion over the distance and after a renewal, and what the order of checks saves."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.suspects import course, grid
from pipeline.suspects.answer import Query, rank
from pipeline.suspects.order import check_order


def test_shares_by_km_make_up_one_and_are_the_answers_of_the_bench(shop):
    table = course.by_km(shop.data)
    sums = table.group_by("symptom", "lighting", "km_low").agg(pl.col("probability").sum())["probability"]
    assert sums.len() > 20 and sums.to_list() == pytest.approx([1.0] * sums.len())
    row = table.filter((pl.col("symptom") == "flicker") & (pl.col("lighting") == "halogen") & (pl.col("km_low") == 80_000)
                       & (pl.col("component") == "wiring")).row(0, named=True)
    asked = rank(shop.data, Query(symptom="flicker", km=90_000, lighting="halogen"))
    assert row["probability"] == next(s.probability for s in asked.suspects if s.component == "wiring")
    lamp = table.filter((pl.col("component") == "lamp") & (pl.col("symptom") == "low_beam_dark") & (pl.col("lighting") == "discharge"))
    assert lamp["probability"][-2] > lamp["probability"][0]  # a part that wears by km gains with km


def test_suspicion_flips_after_a_renewal_where_parts_die_early(shop):
    table = course.after_renewal(shop.data)
    ballast = table.filter((pl.col("component") == "ballast") & (pl.col("symptom") == "low_beam_dark")).sort("days")
    assert ballast["days"].to_list() == list(course.DAYS)
    assert ballast["is_first"][0] and ballast["probability"][0] > 2 * ballast["probability"][-1]  # 12 % of new ones die within weeks
    wiring = table.filter((pl.col("component") == "wiring") & (pl.col("symptom") == "low_beam_dark") & (pl.col("lighting") == "discharge"))
    assert wiring.sort("days")["probability"][0] < wiring["not_renewed"][0]  # no early deaths: a new one is a poor suspect
    assert not set(table.filter(pl.col("lighting") == "halogen")["component"]) & {"ballast", "igniter"}


def test_minutes_saved_are_the_weighted_cells(shop):
    orders = check_order(shop.priors)
    table = course.minutes_saved(shop.priors, orders)
    assert (table["saved_naive"] >= -1e-9).all() and (table["saved_cheapest"] >= -1e-9).all()
    assert table["saved_naive"].max() > 0.5
    plain = (pl.col("vehicle_class") == "all") & (pl.col("recently_replaced") == "none")
    mine = (pl.col("symptom") == "dim") & (pl.col("lighting") == "halogen")
    cells = orders.filter(plain & mine & (pl.col("rank") == 1)).join(
        shop.priors.filter(plain & mine).unique(grid.KEYS).select(*grid.KEYS, "vehicles"), on=grid.KEYS, nulls_equal=True)
    by_hand = (cells["expected_minutes"] * cells["vehicles"]).sum() / cells["vehicles"].sum()
    assert table.filter(mine)["expected_minutes"][0] == pytest.approx(by_hand)
    assert course.minutes_saved(shop.priors.clear(), orders.clear()).is_empty()
