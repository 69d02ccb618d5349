import numpy as np
import polars as pl
import pytest

from pipeline.survival.risk import merge_counts, risk_table


def random_lives(n=400, seed=7, whole=True):
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.5, 0.0, rng.uniform(0, 40, n))
    exit = entry + rng.exponential(30, n) + 0.01
    if whole:
        entry, exit = np.floor(entry), np.ceil(exit)
    return pl.DataFrame(
        {
            "entry": entry,
            "exit": exit,
            "ending": rng.choice(["failed", "planned", "in_service"], n),
            "s": [("a", "b", None)[i] for i in rng.integers(0, 3, n)],
            "vehicle": rng.integers(0, 120, n),
        }
    ).with_columns(failed=pl.col("ending") == "failed")


def brute(lives, t):
    at_risk = ((lives["entry"] < t) & (lives["exit"] >= t)).sum()
    return at_risk, (lives["entry"] == t).sum(), ((lives["exit"] == t) & lives["failed"]).sum()


@pytest.mark.parametrize("whole", [True, False])
def test_counts_equal_counting_one_time_after_another(whole):
    lives = random_lives(whole=whole)
    table = risk_table(lives, ["s"], entry="entry", exit="exit", event="failed")
    for (s,), part in table.counts.group_by("s"):
        mine = lives.filter(pl.col("s").eq_missing(s))
        assert part.height == len(set(mine["entry"]) | set(mine["exit"]))
        for t, at_risk, entered, events in part.select("t", "at_risk", "entered", "events").iter_rows():
            assert (at_risk, entered, events) == brute(mine, t)
    assert table.counts["at_risk"].dtype == pl.Int64
    assert table.accounts["lives"].sum() == lives.height


def test_failures_come_before_censorings_and_entries_at_the_same_time():
    lives = pl.DataFrame({"e": [0, 0, 5], "x": [5, 5, 9], "d": [1, 0, 1]})
    counts = risk_table(lives, entry="e", exit="x", event="d").counts
    assert counts.filter(pl.col("t") == 5).row(0, named=True) == {
        "t": 5.0,
        "at_risk": 2,
        "entered": 1,
        "events": 1,
        "censored": 1,
    }


def test_lives_of_no_length_are_counted_apart():
    lives = pl.DataFrame({"e": [0.0, 3.0, 4.0], "x": [2.0, 3.0, 4.0], "d": [1, 1, 0], "s": ["a", "a", "b"]})
    table = risk_table(lives, ["s"], entry="e", exit="x", event="d")
    assert table.accounts.rows() == [("a", 1, 1), ("b", 0, 1)]
    assert table.counts["s"].unique().to_list() == ["a"]


@pytest.mark.parametrize(
    ("e", "x", "says"),
    [
        (
            [0.0, 5.0, 6.0],
            [1.0, 4.0, 2.0],
            "2 of 3 lives have an entry after the exit; the first is row 1: e=5.0, x=4.0",
        ),
        (
            [0.0, None, 1.0],
            [1.0, 4.0, 2.0],
            "1 of 3 lives have a missing or infinite time; the first is row 1",
        ),
        ([0.0, 0.0, -1.0], [1.0, 4.0, 2.0], "1 of 3 lives have a negative time; the first is row 2"),
        ([0.0, 0.0, 1.0], [1.0, float("inf"), 2.0], "1 of 3 lives have a missing or infinite time"),
    ],
)
def test_impossible_times_are_refused_with_count_and_first_row(e, x, says):
    with pytest.raises(ValueError, match=says):
        risk_table(pl.DataFrame({"e": e, "x": x, "d": [1, 0, 1]}), entry="e", exit="x", event="d")


def test_impossible_events_and_unknown_columns_are_refused():
    lives = pl.DataFrame({"e": [0.0], "x": [1.0], "d": [2]})
    with pytest.raises(ValueError, match="1 of 1 lives have an event d that is not 0, 1"):
        risk_table(lives, entry="e", exit="x", event="d")
    with pytest.raises(ValueError, match="No column k"):
        risk_table(lives.with_columns(d=1), ["k"], entry="e", exit="x", event="d")


@pytest.mark.parametrize("whole", [True, False])
def test_partitions_add_up_to_the_whole(whole):
    lives = random_lives(whole=whole)
    parts = [lives.filter(pl.col("vehicle") % 3 == i) for i in range(3)]
    options = {"entry": "entry", "exit": "exit", "event": "ending", "causes": ["failed", "planned"]}
    merged = merge_counts([risk_table(p, ["s"], **options) for p in parts])
    every = risk_table(lives, ["s"], **options)
    assert merged.counts.equals(every.counts)
    assert merged.accounts.equals(every.accounts)
    assert (every.counts["events"] == every.counts["events_failed"] + every.counts["events_planned"]).all()


def test_merging_different_causes_is_refused():
    lives = random_lives(20)
    a = risk_table(lives, entry="entry", exit="exit", event="ending", causes=["failed"])
    with pytest.raises(ValueError, match="different keys or causes"):
        merge_counts([a, risk_table(lives, entry="entry", exit="exit", event="failed")])
    with pytest.raises(ValueError, match="No risk tables"):
        merge_counts([])


def test_weights_count_as_repeated_rows():
    lives = random_lives(60).with_columns(w=pl.int_range(pl.len()) % 3 + 1)
    weighted = risk_table(lives, ["s"], entry="entry", exit="exit", event="failed", weight="w").counts
    repeated = risk_table(
        lives.select(pl.exclude("w").repeat_by("w").explode()),
        ["s"],
        entry="entry",
        exit="exit",
        event="failed",
    ).counts
    assert np.allclose(
        weighted.select("at_risk", "events").to_numpy(), repeated.select("at_risk", "events").to_numpy()
    )


def test_a_huge_sparse_grid_gives_the_same_counts_as_a_small_one():
    lives = random_lives(50)
    far = lives.with_columns(pl.col("entry", "exit") * 1_000_003)
    a = risk_table(lives, ["s"], entry="entry", exit="exit", event="failed").counts
    b = risk_table(far, ["s"], entry="entry", exit="exit", event="failed").counts
    assert a.drop("t").equals(b.drop("t"))
