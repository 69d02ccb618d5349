import numpy as np
import polars as pl
import pytest

from pipeline.survival.recurrent import mean_cumulative


def windows(entry, exit, **more):
    return pl.DataFrame(
        {
            "vehicle": list(range(len(exit))),
            "entry": [float(e) for e in entry],
            "exit": [float(x) for x in exit],
            **more,
        }
    )


def happenings(rows, **more):
    return pl.DataFrame({"vehicle": [r[0] for r in rows], "t": [float(r[1]) for r in rows], **more})


def fleet(units=80, worlds=1, seed=1):
    """Vehicles with a rate of their own (mean 0.02 a day), watched from late on; half never had a repair."""
    rng = np.random.default_rng(seed)
    n = units * worlds
    entry, length = np.where(rng.random(n) < 0.5, 0, rng.uniform(0, 60, n)), rng.uniform(20, 120, n)
    rate = 0.02 * rng.gamma(1, 1, n)
    count = rng.poisson(rate * length)
    who = np.repeat(np.arange(n), count)
    t = entry[who] + rng.uniform(0, 1, len(who)) * length[who]
    watched = pl.DataFrame(
        {"vehicle": np.arange(n), "entry": entry, "exit": entry + length, "world": np.arange(n) // units}
    )
    return watched, pl.DataFrame({"vehicle": who, "t": t, "world": who // units, "cost": 50 + 10 * (who % 3)})


def test_limits_cover_though_vehicles_differ():
    watched, events = fleet(worlds=300)
    found = mean_cumulative(watched, events, ["world"])
    at = found.filter(pl.col("t") <= 80).group_by("world").agg(pl.all().sort_by("t").last())
    true = 0.02 * 80
    assert 0.93 <= ((at["low"] <= true) & (at["high"] >= true)).mean() <= 0.97
    assert abs(at["mean_cumulative"].mean() - true) < 0.1 * at["std_error"].mean()


def test_cost_of_one_each_equals_the_count_and_double_cost_doubles():
    watched, events = fleet()
    count = mean_cumulative(watched, events)
    ones = mean_cumulative(watched, events.with_columns(cost=1.0), amount="cost")
    two = mean_cumulative(watched, events.with_columns(cost=2.0), amount="cost")
    assert np.allclose(count["mean_cumulative"], ones["mean_cumulative"])
    assert np.allclose(count["std_error"], ones["std_error"])
    assert np.allclose(2 * count["std_error"], two["std_error"])


def test_vehicles_without_a_repair_lower_the_mean():
    watched, events = fleet()
    more = pl.concat([watched, watched.with_columns(pl.col("vehicle") + 1_000)])
    half = mean_cumulative(more, events)
    assert np.allclose(half["mean_cumulative"], mean_cumulative(watched, events)["mean_cumulative"] / 2)


def test_error_equals_the_sum_over_vehicles_done_by_hand():
    watched, events = fleet(30, seed=4)
    found = mean_cumulative(watched, events).filter(pl.col("events") > 0)
    t = found["t"].to_numpy()
    e, x = watched["entry"].to_numpy(), watched["exit"].to_numpy()
    at_risk = (e[:, None] < t) & (x[:, None] >= t)
    d = np.array([[((events["vehicle"] == i) & (events["t"] == u)).sum() for u in t] for i in range(30)])
    n, total = at_risk.sum(axis=0), d.sum(axis=0)
    influence = np.cumsum((d - at_risk * total / n) / n, axis=1)
    assert np.allclose(found["std_error"] ** 2, (influence**2).sum(axis=0), atol=1e-13)


def test_two_windows_of_a_vehicle_are_one_vehicle():
    whole = windows([0, 0], [20, 30])
    split = pl.DataFrame({"vehicle": [0, 0, 1], "entry": [0.0, 8.0, 0.0], "exit": [8.0, 20.0, 30.0]})
    events = happenings([(0, 3), (0, 8), (0, 15), (1, 12)])
    a, b = mean_cumulative(whole, events), mean_cumulative(split, events)
    for column in ("t", "at_risk", "events", "mean_cumulative", "std_error"):
        assert np.allclose(a[column], b[column])


def test_an_event_on_the_day_watching_began_is_counted_apart():
    found = mean_cumulative(windows([5, 0], [20, 20]), happenings([(0, 5), (0, 9)]))
    assert found["events_at_entry"].unique().to_list() == [1]
    assert found.filter(pl.col("events") > 0)["t"].to_list() == [9.0]


@pytest.mark.parametrize(
    ("event", "says"),
    [
        (
            (0, 25.0),
            "1 of 1 events lie outside every window of their vehicle; the first is row 0: vehicle=0, t=25.0",
        ),
        ((7, 5.0), "outside every window"),
        ((0, -1.0), "missing or negative t"),
    ],
)
def test_events_that_nobody_watched_are_refused(event, says):
    with pytest.raises(ValueError, match=says):
        mean_cumulative(windows([0, 0], [20, 20]), happenings([event]))


def test_overlapping_windows_and_missing_costs_are_refused():
    twice = pl.DataFrame({"vehicle": [0, 0], "entry": [0.0, 5.0], "exit": [10.0, 20.0]})
    with pytest.raises(ValueError, match="1 windows overlap"):
        mean_cumulative(twice, happenings([(0, 3)]))
    with pytest.raises(ValueError, match="missing cost"):
        mean_cumulative(
            windows([0], [9]), happenings([(0, 3)], cost=pl.Series([None], dtype=pl.Float64)), amount="cost"
        )


def test_no_event_is_not_certainty():
    found = mean_cumulative(
        windows([0] * 20, [10] * 20), happenings([]).cast({"vehicle": pl.Int64, "t": pl.Float64})
    )
    row = found.row(-1, named=True)
    assert (row["mean_cumulative"], row["low"]) == (0.0, 0.0)
    assert row["high"] == pytest.approx(3.688879 / 20)  # Garwood's upper limit for a count of 0


def test_strata_at_once_equal_one_at_a_time():
    watched, events = fleet(worlds=3)
    every = mean_cumulative(watched, events, ["world"])
    for w in range(3):
        alone = mean_cumulative(watched.filter(pl.col("world") == w), events.filter(pl.col("world") == w))
        mine = every.filter(pl.col("world") == w)
        for column in ("t", "at_risk", "mean_cumulative", "std_error"):
            assert np.allclose(mine[column], alone[column])
