"""Odometer readings: synthetic fleets with known corruption, measured; invariances; kilometres at a date.

The worlds are our own: irregular visits, lognormal pace per vehicle, slow drift and season, pauses. Each
kind of
corruption hits a known row. The method was tuned on other seeds than those asserted here.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.intake.odometer import KM_PER_MILE, RULES, km_at, mend_readings

SINGLE = (
    "miles_in_km_column", "km_in_miles_column", "dropped_digit", "extra_digit", "swapped_digits",
    "slipped_digit", "placeholder", "other_vehicle",
)  # fmt: skip
LASTING = ("rollover", "cluster_replaced", "rollback", "unit_run")


def fleet(seed: int, vehicles: int = 600, share: float = 0.003, lasting: float = 0.02) -> pl.DataFrame:
    """Readings with truth: vehicle, reading_on, reading, unit, first_use_on, true_km, kind ('' = good).
    `share`: of rows hit by each single kind; `lasting`: of vehicles hit by each lasting kind."""
    rng = np.random.default_rng(seed)
    out: dict[str, list] = {
        k: [] for k in ("vehicle", "reading_on", "reading", "unit", "first_use_on", "true_km", "kind")
    }
    origin = date(2012, 1, 1).toordinal()
    previous = 50_000
    for v in range(vehicles):
        born = origin + int(rng.integers(0, 2500))
        pace = float(np.exp(rng.normal(np.log(65), 0.6)))
        span = int(rng.integers(200, 3200))
        days = np.arange(span)
        drift = np.exp(np.cumsum(rng.normal(0, 0.012, span)) + 0.2 * np.sin((days + born) / 58.1))
        drive = pace * drift * rng.gamma(1.2, 1 / 1.2, span)
        for _ in range(rng.poisson(span / 1500)):  # laid up
            a = int(rng.integers(0, span))
            drive[a : a + int(rng.integers(20, 200))] = 0.0
        total = np.cumsum(np.minimum(drive, 1200.0)) + rng.integers(2, 60)
        watched = int(rng.integers(0, max(span // 2, 1))) if rng.random() < 0.5 else 0
        visits, at = [], watched + int(rng.integers(0, 60))
        while at < span:
            visits.append(at)
            at += 1 + int(rng.gamma(1.5, rng.choice([40.0, 110.0, 180.0])))
        if not visits:
            continue
        true = total[visits]
        mi = rng.random() < 0.25
        factor = KM_PER_MILE if mi else 1.0
        dash = np.floor(true / factor)
        kind = np.array([""] * len(visits), dtype=object)
        n = len(visits)
        draw = rng.random(len(LASTING))
        shown = dash.copy()
        if n >= 8 and draw[0] < lasting and dash[-1] > 100_000 and dash[0] < 99_000:
            shown = dash % 100_000  # a dash of five figures
            kind[dash >= 100_000] = "rollover"
        elif n >= 8 and draw[1] < lasting:
            a = int(rng.integers(3, n - 3))
            swapped_at = dash[a - 1] + rng.random() * (dash[a] - dash[a - 1])
            shown[a:] = np.floor(dash[a:] - swapped_at)
            kind[a:] = "cluster_replaced"
        elif n >= 8 and draw[2] < lasting:
            a = int(rng.integers(3, n - 3))
            shown[a:] = dash[a:] - np.floor(dash[a] * rng.uniform(0.2, 0.75))
            kind[a:] = "rollback"
        elif n >= 8 and draw[3] < lasting:
            a = int(rng.integers(2, n - 3))
            b = int(rng.integers(a + 3, n + 1))
            shown[a:b] = np.floor(dash[a:b] * (KM_PER_MILE if mi else 1 / KM_PER_MILE))
            kind[a:b] = "unit_run"
        for i in range(n):
            hit = rng.random(len(SINGLE)) < share
            if kind[i] == "" and hit.any():
                name = SINGLE[int(np.argmax(hit))]
                typed = _corrupt(rng, name, int(shown[i]), mi, previous)
                if typed is not None and typed != shown[i]:
                    shown[i], kind[i] = typed, name
            previous = int(shown[i])
        dates = [date.fromordinal(born + d) for d in visits]
        out["vehicle"] += [f"v{v:05d}"] * n
        out["reading_on"] += dates
        out["reading"] += shown.astype(float).tolist()
        out["unit"] += ["mi" if mi else "km"] * n
        out["first_use_on"] += [date.fromordinal(born) if rng.random() < 0.8 else None] * n
        out["true_km"] += (dash * factor).tolist()
        out["kind"] += kind.tolist()
    frame = pl.DataFrame(out, schema_overrides={"first_use_on": pl.Date})
    # somebody else's reading: of the row before in date order, on nearly the same day
    rows = frame.with_row_index("row").sort("reading_on", "row")
    seen, kinds = rows["reading"].to_list(), rows["kind"].to_list()
    for i in range(1, len(seen)):
        if kinds[i] == "other_vehicle":
            seen[i] = seen[i - 1]
    return rows.with_columns(pl.Series("reading", seen)).sort("row")


def _corrupt(rng: np.random.Generator, name: str, figure: int, mi: bool, previous: int) -> int | None:
    text = list(str(figure))
    if name == "miles_in_km_column":
        return None if mi else int(figure / KM_PER_MILE)
    if name == "km_in_miles_column":
        return int(figure * KM_PER_MILE) if mi else None
    if name == "placeholder":
        return int(rng.choice([0, 1, 999999, 111111, 123456]))
    if name == "other_vehicle":
        return previous
    if len(text) < 4:
        return None
    at = int(rng.integers(0, len(text)))
    if name == "dropped_digit":
        del text[at]
    elif name == "extra_digit":
        text.insert(at, str(rng.integers(0, 10)))
        if text[0] == "0":
            return None
    elif name == "swapped_digits":
        at = int(rng.integers(0, len(text) - 1))
        text[at], text[at + 1] = text[at + 1], text[at]
    else:
        text[at] = str(rng.integers(0, 10))
    return int("".join(text))


def _contradicts(world: pl.DataFrame) -> np.ndarray:
    """Outside what the true neighbours allow: a careful person with the vehicle's sheet would see it."""
    around = world.select(
        pl.col("true_km").shift(1).over("vehicle").fill_null(0.0).alias("low"),
        pl.col("true_km").shift(-1).over("vehicle").alias("high"),
        (pl.col("reading_on") - pl.col("reading_on").shift(1).over("vehicle"))
        .dt.total_days()
        .fill_null(3000)
        .alias("gap"),
        "raw_km",
    )
    high = pl.coalesce("high", pl.col("low") + 1500 * pl.col("gap"))
    return (
        around.select((pl.col("raw_km") < pl.col("low") - 500) | (pl.col("raw_km") > high + 500))
        .to_series()
        .to_numpy()
    )


def measure(world: pl.DataFrame) -> tuple[pl.DataFrame, dict[str, float]]:
    """Per kind: rows, visible (wrong by over 2,000 km or 3 %), and of the visible: found (mended or null),
    mended
    right (within 2 % or 1,000 km), mended wrong. And over good rows: false alarms (km null or not as
    typed)."""
    got = mend_readings(world.drop("row"))
    raw, true, km = (got[c].to_numpy() for c in ("raw_km", "true_km", "km"))
    near = np.maximum(1000.0, 0.02 * true)
    got = got.with_columns(
        pl.Series("visible", np.abs(raw - true) > np.maximum(2000.0, 0.03 * true)),
        pl.Series("open", _contradicts(got)),
        pl.Series(
            "touched",
            np.isnan(km.astype(float)) | (np.abs(np.nan_to_num(km.astype(float), nan=-1e9) - raw) > 0.5),
        ),
        pl.Series("right", np.abs(np.nan_to_num(km.astype(float), nan=-1e9) - true) <= near),
    )
    bad = got.filter(pl.col("kind") != "")
    table = (
        bad.filter("visible")
        .group_by("kind")
        .agg(
            pl.len().alias("visible"),
            pl.col("touched").mean().alias("found"),
            pl.col("open").sum().alias("contradicting"),
            pl.col("touched").filter("open").mean().alias("found_of_contradicting"),
            pl.col("right").mean().alias("mended_right"),
            (pl.col("touched") & pl.col("km").is_not_null() & ~pl.col("right")).mean().alias("mended_wrong"),
        )
        .join(bad.group_by("kind").len("rows"), on="kind")
        .sort("kind")
    )
    good = got.filter(pl.col("kind") == "")
    seen = bad.filter("visible")
    return table, {
        "good_rows": good.height,
        "false_alarms": float(good["touched"].mean()),
        "good_mended": float((good["touched"] & good["km"].is_not_null()).mean()),
        "found": float(seen["touched"].mean()),
        "found_of_contradicting": float(seen.filter("open")["touched"].mean()),
        "right": float(seen["right"].mean()),
        "wrong": float((seen["touched"] & seen["km"].is_not_null() & ~seen["right"]).mean()),
    }


@pytest.fixture(scope="module")
def measured() -> tuple[pl.DataFrame, dict[str, float]]:
    worlds = [
        fleet(seed, 1200).with_columns(pl.format("s{}-{}", pl.lit(seed), pl.col("vehicle")).alias("vehicle"))
        for seed in (11, 12)
    ]
    return measure(pl.concat(worlds))


# kind -> least share found, least share mended right, greatest share mended wrong, of the readings that are wrong by over
# 2,000 km or 3 %. Measured on these two worlds (the table stands in DEVELOPERS.md); floors a little below, so that a change
# for the worse is seen. A slip that still lies between its neighbours cannot be seen by anybody: hence no 100 %.
FLOORS = {
    "miles_in_km_column": (0.60, 0.58, 0.05),
    "km_in_miles_column": (0.70, 0.70, 0.08),
    "dropped_digit": (0.85, 0.45, 0.03),
    "extra_digit": (0.92, 0.42, 0.03),
    "swapped_digits": (0.45, 0.25, 0.05),
    "slipped_digit": (0.45, 0.15, 0.05),
    "placeholder": (0.93, 0.0, 0.05),
    "other_vehicle": (0.83, 0.0, 0.05),
    "rollover": (0.95, 0.80, 0.10),
    "cluster_replaced": (0.85, 0.58, 0.33),
    "rollback": (0.62, 0.44, 0.24),
    "unit_run": (0.45, 0.35, 0.16),
}


def test_every_kind_of_corruption_is_in_the_worlds_and_found_as_often_as_published(measured):
    table = measured[0]
    assert set(FLOORS) == set(SINGLE) | set(LASTING) == set(table["kind"])
    # every rule that names a kind of fault has its kind in the worlds
    assert set(RULES) - {"ok", "unexplained", "missing"} <= set(FLOORS)
    for r in table.rows(named=True):
        found, right, wrong = FLOORS[r["kind"]]
        assert r["found"] >= found, r
        assert r["mended_right"] >= right, r
        assert r["mended_wrong"] <= wrong, r


def test_false_alarms_stay_below_two_in_a_thousand_good_readings(measured):
    total = measured[1]
    assert total["good_rows"] > 15_000
    assert total["false_alarms"] < 0.002
    # one vehicle's run of good readings taken for another unit is ten rows at once, so this share is noisy
    assert total["good_mended"] < 0.0015


def test_single_slips_that_contradict_their_neighbours_are_found(measured):
    table = measured[0].filter(pl.col("kind").is_in(SINGLE))
    found = (table["found_of_contradicting"] * table["contradicting"]).sum() / table["contradicting"].sum()
    assert table["contradicting"].sum() > 250
    assert found > 0.95


def test_mends_are_rarely_wrong(measured):
    """A single slip is mended right or set aside: a wrong mend is under two in a hundred."""
    table = measured[0].filter(pl.col("kind").is_in(SINGLE))
    assert (table["mended_wrong"] * table["visible"]).sum() / table["visible"].sum() < 0.02
    units = table.filter(pl.col("kind").str.ends_with("_column"))
    assert (units["mended_right"] * units["visible"]).sum() / units["visible"].sum() > 0.6


def test_lasting_changes_are_carried_on(measured):
    table = measured[0].filter(pl.col("kind").is_in(["rollover", "cluster_replaced"]))
    assert (table["found"] * table["visible"]).sum() / table["visible"].sum() > 0.8
    assert (table["mended_right"] * table["visible"]).sum() / table["visible"].sum() > 0.55


def test_a_clean_fleet_is_left_alone():
    world = fleet(21, 500, share=0.0, lasting=0.0)
    got = mend_readings(world)
    assert (got["rule"] == "ok").mean() > 0.9995
    assert (got.filter(pl.col("rule") == "ok")["km"] == got.filter(pl.col("rule") == "ok")["raw_km"]).all()


def steady(
    figures: list[float], *, every: int = 60, unit: str = "km", first_use: date | None = None
) -> pl.DataFrame:
    days = [date(2020, 1, 10) + timedelta(days=every * i) for i in range(len(figures))]
    return pl.DataFrame(
        {
            "vehicle": "a",
            "reading_on": days,
            "reading": [float(f) for f in figures],
            "unit": unit,
            "first_use_on": first_use,
        },
        schema_overrides={"first_use_on": pl.Date},
    )


LINE = [30_112, 33_087, 36_143, 39_090, 42_205, 45_130, 48_217, 51_098, 54_166, 57_231, 60_144, 63_075]


@pytest.mark.parametrize(
    ("at", "typed", "rule"),
    [
        (5, 28_043, "miles_in_km_column"),
        (5, 4_530, "dropped_digit"),
        (6, 488_217, "extra_digit"),
        (4, 24_205, "swapped_digits"),
        (7, 91_098, "slipped_digit"),
    ],
)
def test_one_plain_slip_is_mended(at, typed, rule):
    figures = list(LINE)
    figures[at] = typed
    got = mend_readings(steady(figures))
    assert got["rule"][at] == rule
    assert got["km"][at] == pytest.approx(LINE[at], abs=750)
    assert got["confidence"][at] >= 0.9
    assert got["rule"].to_list().count("ok") == len(LINE) - 1
    assert got["raw_km"][at] == typed


def test_kilometres_in_a_mile_vehicle():
    miles = [round(x / KM_PER_MILE) for x in LINE]
    miles[8] = LINE[8]
    got = mend_readings(steady(miles, unit="mi"))
    assert got["rule"][8] == "km_in_miles_column"
    assert got["km"][8] == pytest.approx(LINE[8], abs=1)
    assert got["km"][3] == pytest.approx(LINE[3], abs=1)


def test_row_unit_wins_over_vehicle_unit_over_default():
    frame = pl.DataFrame(
        {"vehicle": list("abc"), "reading_on": [date(2021, 1, 1)] * 3, "reading": [1000.0] * 3,
         "unit": ["km", None, None], "vehicle_unit": ["mi", "mi", None]}
    )  # fmt: skip
    got = mend_readings(frame, default_unit="km")
    assert got["km"].to_list() == pytest.approx([1000.0, 1609.344, 1000.0])


def test_placeholder_is_not_mended():
    for figure in (0, 1, 999_999, 111_111):
        figures = list(LINE)
        figures[4] = figure
        got = mend_readings(steady(figures))
        assert got["rule"][4] == "placeholder"
        assert got["km"][4] is None


def test_cluster_replaced_carries_on_from_where_it_was():
    figures = LINE[:6] + [x - 46_500 for x in LINE[6:]]
    got = mend_readings(steady(figures))
    assert got["rule"].to_list() == ["ok"] * 6 + ["cluster_replaced"] * 6
    assert got["km"].to_list() == pytest.approx(LINE, abs=700)


def test_rollback_carries_on_from_where_it_was():
    figures = LINE[:6] + [x - 22_000 for x in LINE[6:]]
    got = mend_readings(steady(figures))
    assert got["rule"].to_list() == ["ok"] * 6 + ["rollback"] * 6
    assert got["km"].to_list() == pytest.approx(LINE, abs=700)


def test_rollover_of_a_five_figure_dash():
    true = [x + 55_000 for x in LINE]
    got = mend_readings(steady([x % 100_000 for x in true]))
    assert set(got["rule"]) == {"ok", "rollover"}
    assert got["km"].to_list() == pytest.approx(true)


def test_a_run_of_miles_is_read_as_miles():
    figures = [round(x / KM_PER_MILE) if 4 <= i <= 8 else x for i, x in enumerate(LINE)]
    got = mend_readings(steady(figures))
    assert got["rule"].to_list() == ["ok"] * 4 + ["miles_in_km_column"] * 5 + ["ok"] * 3
    assert got["km"].to_list() == pytest.approx(LINE, abs=1)


def test_reading_of_another_vehicle_is_named():
    mine = list(LINE)
    mine[5] = 171_717
    other = steady([150_000 + 4343.4 * i for i in range(12)]).with_columns(pl.lit("b").alias("vehicle"))
    other = other.with_columns(
        pl.when(pl.int_range(pl.len()) == 5).then(171_717.0).otherwise("reading").alias("reading")
    )
    got = mend_readings(pl.concat([steady(mine), other]))
    assert got["rule"][5] == "other_vehicle"
    assert got["km"][5] is None
    assert got["rule"][17] == "ok"


def test_two_readings_are_left_as_they_are_unless_absurd():
    assert mend_readings(steady([50_000, 52_000]))["rule"].to_list() == ["ok", "ok"]
    assert mend_readings(steady([50_000]))["km"].to_list() == [50_000]
    assert mend_readings(steady([52_000, 5_000]))["km"].to_list() == [None, None]
    assert mend_readings(steady([999_999]))["rule"].to_list() == ["placeholder"]


def test_a_laid_up_vehicle_and_a_change_of_use_are_no_fault():
    figures = [10_000, 10_900, 10_900, 10_900, 10_950, 11_900, 19_000, 26_500, 33_000, 40_500]
    assert set(mend_readings(steady(figures))["rule"]) == {"ok"}


def test_row_order_and_repeats_change_nothing():
    world = fleet(31, 150).drop("row").with_row_index("row")
    once = mend_readings(world)
    mixed = mend_readings(world.sample(fraction=1.0, shuffle=True, seed=4)).sort("row")
    assert mixed.equals(once)
    tenfold = mend_readings(pl.concat([world, world])).head(world.height)
    assert tenfold.equals(once)


def test_missing_and_hostile_values_are_kept_and_named():
    frame = pl.DataFrame(
        {
            "vehicle": ["a", "a", "a", "a", None, "a"],
            "reading_on": [
                date(2020, 1, 1),
                date(2020, 3, 1),
                None,
                date(2020, 5, 1),
                date(2020, 5, 1),
                date(2020, 7, 1),
            ],
            "reading": [None, float("nan"), 5.0, float("inf"), 7.0, -1e300],
        }
    )
    got = mend_readings(frame)
    assert got.height == 6
    assert got["rule"].to_list()[:5] == ["missing"] * 5
    assert got["km"].null_count() == 6
    assert mend_readings(frame.head(0)).height == 0


def test_needed_columns_and_units_are_asked_for():
    with pytest.raises(ValueError, match="'reading'"):
        mend_readings(pl.DataFrame({"vehicle": ["a"], "reading_on": [date(2020, 1, 1)]}))
    with pytest.raises(ValueError, match="'furlong'"):
        mend_readings(steady([1.0], unit="furlong"))


def test_random_figures_never_crash_and_never_lose_a_row():
    rng = np.random.default_rng(5)
    n = 800
    frame = pl.DataFrame(
        {
            "vehicle": rng.integers(0, 60, n).astype(str),
            "reading_on": [date(2015, 1, 1) + timedelta(days=int(d)) for d in rng.integers(0, 2000, n)],
            "reading": np.floor(10 ** rng.uniform(-1, 12, n)),
            "unit": rng.choice(["km", "mi"], n),
        }
    )
    got = mend_readings(frame)
    assert got.height == n
    assert set(got["rule"]) <= set(RULES)
    assert (got["km"].drop_nulls() >= 0).all()
    assert (got["confidence"].is_between(0, 1)).all()


# ---- kilometres at a date


READ = pl.DataFrame(
    {
        "vehicle": ["a", "a", "a", "b"],
        "reading_on": [date(2020, 1, 1), date(2020, 4, 10), date(2021, 4, 10), date(2020, 6, 1)],
        "km": [10_000.0, 15_000.0, 29_600.0, 8_000.0],
    }
)
BORN = pl.DataFrame({"vehicle": ["a", "c"], "first_use_on": [date(2019, 6, 15), date(2020, 1, 1)]})


def ask(vehicle: str, on: date, **more) -> dict:
    return km_at(READ, pl.DataFrame({"vehicle": [vehicle], "on": [on]}), **more).row(0, named=True)


def test_between_readings_it_is_a_straight_line():
    got = ask("a", date(2020, 2, 20))
    assert (got["km"], got["km_estimated"], got["km_per_day"]) == (12_500.0, False, 50.0)
    assert ask("a", date(2020, 4, 10))["km"] == 15_000.0


def test_from_first_use_to_the_first_reading():
    got = ask("a", date(2019, 9, 23), first_use_on=BORN)
    assert got["km"] == pytest.approx(5_000.0)
    assert not got["km_estimated"]
    assert ask("a", date(2019, 9, 23))["km"] == pytest.approx(5_000.0)  # backwards at the first pace, marked
    assert ask("a", date(2019, 9, 23))["km_estimated"]
    assert ask("a", date(2010, 1, 1), first_use_on=BORN)["km"] == 0.0


def test_beyond_the_last_reading_own_pace_up_to_the_cap():
    got = ask("a", date(2021, 4, 20))
    assert got["km"] == pytest.approx(29_600 + 10 * 40)
    assert got["km_estimated"]
    assert ask("a", date(2031, 4, 20), max_extrapolation_days=100)["km"] == pytest.approx(29_600 + 100 * 40)


def test_no_reading_takes_the_class_rate_and_says_so():
    got = ask("c", date(2020, 4, 10), first_use_on=BORN, class_rate_km_per_day=55.0)
    assert (got["km"], got["km_estimated"], got["km_source"]) == (5_500.0, True, "class_rate")
    rates = pl.DataFrame({"vehicle": ["b", "c"], "km_per_day": [10.0, 20.0]})
    assert ask("c", date(2020, 4, 10), first_use_on=BORN, class_rate_km_per_day=rates)["km"] == 2_000.0
    assert ask("b", date(2020, 6, 11), class_rate_km_per_day=rates)["km"] == 8_100.0
    assert ask("zz", date(2020, 6, 11), class_rate_km_per_day=5.0)["km"] is None


def test_points_keep_their_order_and_columns_and_km_never_falls():
    world = fleet(41, 60, share=0.0, lasting=0.0)
    readings = world.select("vehicle", "reading_on", pl.col("true_km").alias("km"))
    rng = np.random.default_rng(2)
    points = pl.DataFrame(
        {
            "vehicle": rng.choice(world["vehicle"].unique(maintain_order=True).to_list(), 3000),
            "on": [date(2012, 1, 1) + timedelta(days=int(d)) for d in rng.integers(0, 6000, 3000)],
            "mark": np.arange(3000),
        }
    )
    got = km_at(
        readings, points, first_use_on=world.select("vehicle", "first_use_on"), class_rate_km_per_day=60.0
    )
    assert got.select("vehicle", "on", "mark").equals(points)
    falls = got.sort("vehicle", "on").select((pl.col("km").diff().over("vehicle") < -1e-6).sum()).item()
    assert falls == 0
