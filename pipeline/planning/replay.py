"""What a plan made in the past would have done: replayed on what then happened."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl


def replay(
    due_then: pl.DataFrame,
    lives_now: pl.DataFrame,
    costs: pl.DataFrame,
    then: date,
    now: date,
    *,
    seed: int,
    draws: int = 1000,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """The work a due list of `then` asked for up to `now`, against what became of those very parts.

    due_then: of `due_list`, made only from what was known at `then`. lives_now: the lives as known at `now`. A part
    that failed or was removed before its date would have met no plan (too_late); one that failed from its date on up
    to `now` counts as prevented; all others are renewed for nothing so far (unneeded: their remaining life is given
    up). What the fresh part would have done is not known, so its own early failures are not counted here and the
    saving is the upper end of what was possible. Out, by component and in all ("all"): due, too_late, prevented,
    unneeded, unmatched, cost_of_plan (planned work of prevented and unneeded), cost_without (failures prevented at
    the unplanned cost), saving with saving_low and saving_high (vehicles redrawn: Efron and Tibshirani 1993, chapter
    6), verdict in words. Raises ValueError unless then < now.
    """
    from pipeline.planning.replacement import _costs_of

    if not then < now:
        raise ValueError("the plan must be older than what it is held against")
    due = due_then.filter(pl.col("due_on").is_not_null() & (pl.col("due_on") > then) & (pl.col("due_on") <= now))
    # The life that was in place at `then`.
    there = (
        lives_now.filter(
            (pl.col("start_on") <= then) & ((pl.col("end_on") > then) | (pl.col("ending") == "in_service"))
        )
        .sort("start_on", maintain_order=True)
        .unique(["vehicle", "component", "side"], keep="last", maintain_order=True)
    )
    rows = due.select("vehicle", "customer_group", "component", "side", "due_on").join(
        there.select("vehicle", "component", "side", "end_on", "ending"),
        on=["vehicle", "component", "side"],
        how="left",
        maintain_order="left",
    )
    ended = (pl.col("ending") != "in_service") & (pl.col("end_on") <= now)
    rows = rows.with_columns(
        fate=pl.when(pl.col("ending").is_null())
        .then(pl.lit("unmatched"))
        .when(ended & (pl.col("end_on") < pl.col("due_on")))
        .then(pl.lit("too_late"))
        .when(ended & (pl.col("ending") == "failed"))
        .then(pl.lit("prevented"))
        .otherwise(pl.lit("unneeded"))
    )
    money = {c: {g: (p, u) for g, p, u, _ in _costs_of(costs, c)} for c in rows["component"].unique().to_list()}
    priced = [
        money[c].get(g, money[c].get("all", (np.nan, np.nan)))
        for g, c in rows.select("customer_group", "component").rows()
    ]
    rows = rows.with_columns(
        planned=pl.Series([p[0] for p in priced], dtype=pl.Float64),
        unplanned=pl.Series([p[1] for p in priced], dtype=pl.Float64),
    )
    done = pl.col("fate").is_in(["prevented", "unneeded"])
    rows = rows.with_columns(
        plan=pl.when(done).then("planned").otherwise(0.0),
        without=pl.when(pl.col("fate") == "prevented").then("unplanned").otherwise(0.0),
    )
    rng = np.random.default_rng(seed)
    tail = (1 - confidence) / 2
    out = []
    for name in [*sorted(money), "all"]:
        some = rows if name == "all" else rows.filter(pl.col("component") == name)
        fates = dict(some.group_by("fate").len().rows())
        by_vehicle = (
            some.sort("vehicle")
            .group_by("vehicle", maintain_order=True)
            .agg((pl.col("without") - pl.col("plan")).sum())["without"]
            .to_numpy()
        )
        saving = float(by_vehicle.sum())
        low = high = None
        if len(by_vehicle) > 1:
            again = np.array(
                [by_vehicle[rng.integers(0, len(by_vehicle), len(by_vehicle))].sum() for _ in range(draws)]
            )
            low, high = (float(x) for x in np.quantile(again, [tail, 1 - tail]))
        verdict = (
            "nothing was due"
            if not some.height
            else "too few vehicles to tell"
            if low is None
            else "would have saved money"
            if low > 0
            else "would have cost money"
            if high < 0
            else "no difference told by these data"
        )
        out.append(
            (
                name,
                some.height,
                *(int(fates.get(f, 0)) for f in ("too_late", "prevented", "unneeded", "unmatched")),
                float(some["plan"].sum()),
                float(some["without"].sum()),
                saving,
                low,
                high,
                verdict,
            )
        )
    return pl.DataFrame(
        out,
        orient="row",
        schema={
            "component": pl.String,
            "due": pl.Int64,
            "too_late": pl.Int64,
            "prevented": pl.Int64,
            "unneeded": pl.Int64,
            "unmatched": pl.Int64,
            "cost_of_plan": pl.Float64,
            "cost_without": pl.Float64,
            "saving": pl.Float64,
            "saving_low": pl.Float64,
            "saving_high": pl.Float64,
            "verdict": pl.String,
        },
    )
