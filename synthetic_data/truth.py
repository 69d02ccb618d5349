"""What is true in a world: parameters, curves and early-failure shares by formula, every life and complaint, what
was planted."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from synthetic_data import scenario as sc
from synthetic_data.scenario import COMPONENTS, EPOCH, PLACES
from synthetic_data.simulate import COMP_OF, CSIDES, ENDINGS, FAILED, World, lot_names

if TYPE_CHECKING:
    from synthetic_data.exports import Written

EARLY_DAYS = (30, 90, 180, 365)
ORIGINAL_WITHIN_DAYS = 60
GRID_STEPS, FINE = 40, 4
_COARSE_FROM_LIVES = 50_000  # from so many lives the finer steps inside a grid step no longer matter
_MOST_ROWS_IN_JSON = 4_000


def watched_lives(world: World) -> pl.DataFrame:
    """Lives as the best possible analyst could know them: inside the records, with the start known.

    Adds the vehicle's columns, entry_days, exit_days, and is_known_start: fitted within the records; or the
    first part, and the records began within 60 days of first use or somebody looked at their beginning.
    """
    v = world.vehicles.select(
        "vehicle",
        "group",
        "lighting",
        "new",
        "watch_from",
        "watch_to",
        "km_day",
        "hours_day",
        "frailty",
        "is_looked",
        "duty",
    )
    lives = world.lives.drop("watch_from", "watch_to").join(v, on="vehicle", maintain_order="left")
    lives = lives.filter((pl.col("end") >= pl.col("watch_from")) & (pl.col("start") <= pl.col("watch_to")))
    from_new = (pl.col("watch_from") - pl.col("new") <= ORIGINAL_WITHIN_DAYS) | pl.col("is_looked")
    return lives.with_columns(
        entry_days=pl.max_horizontal(pl.col("watch_from") - pl.col("start"), 0),
        exit_days=pl.col("end") - pl.col("start"),
        is_known_start=pl.when(pl.col("generation") == 0)
        .then(from_new)
        .otherwise(pl.col("start") >= pl.col("watch_from")),
    )


class Hazards:
    """Cumulative hazards by formula of lives given as a frame with product, start, km_day, hours_day, frailty."""

    def __init__(self, world: World, lives: pl.DataFrame) -> None:
        p = world.scenario.products
        j = lives["product"].to_numpy()
        clock = np.array([("days", "km", "hours").index(x.wear.clock) for x in p])[j]
        rate = np.select([clock == 0, clock == 1], [1.0, lives["km_day"].to_numpy()], lives["hours_day"].to_numpy())
        self.shape = np.array([x.wear.shape for x in p])[j]
        self.per_day = rate / np.array([x.wear.scale for x in p])[j]
        self.frailty = lives["frailty"].to_numpy()
        self.defect = defect_shares(world, j, lives["start"].to_numpy())
        self.km_day = lives["km_day"].to_numpy()

    def cumulative(self, age_days: np.ndarray, rows=slice(None)) -> np.ndarray:
        """H at an age in days: wear, and for a share of the pieces the early way: -log(1 - p + p S_early)."""
        age = np.maximum(age_days, 0.0)
        h = self.frailty[rows] * (age * self.per_day[rows]) ** self.shape[rows]
        p = self.defect[rows]
        early = np.exp(-((age / sc.EARLY.scale) ** sc.EARLY.shape))
        return h - np.log1p(-p * (1.0 - early))


def defect_shares(world: World, product: np.ndarray, day: np.ndarray) -> np.ndarray:
    """Share of pieces with an early failure built in, of a product fitted on a day."""
    p, bad = world.scenario.products, world.scenario.bad_lot
    share = np.array([x.defect_share for x in p])[product]
    number = np.array([x.part_number == bad.part_number for x in p])[product]
    is_bad = number & (day >= sc.day_number(bad.first_on)) & (day <= sc.day_number(bad.last_on))
    return np.where(is_bad, bad.defect_share, share)


def _round(a: np.ndarray, digits: int = 6) -> list[float]:
    return [round(float(x), digits) for x in a]


def curves(world: World) -> list[dict]:
    """Survival on days and km by component, lighting and generation.

    `survival_watched` is what Kaplan-Meier with late entry would give without sampling error on this world's
    lives: exp(-A), A the integral of sum(Y h) / sum(Y), Y the lives at risk, h their hazards by formula at the
    age less the mean days from failure to renewal (the compensator of the counting process: Andersen, Borgan,
    Gill and Keiding 1993, Statistical Models Based on Counting Processes, section IV.1). `survival_population`
    is the mean of S by formula over all places of the world (originals) or over all pieces fitted within the
    records (replacements), nothing to do with who is watched.
    """
    lives = watched_lives(world).filter(pl.col("is_known_start") & (pl.col("exit_days") > pl.col("entry_days")))
    lives = lives.with_columns(comp=pl.Series(COMP_OF[lives["place"].to_numpy()]), is_new=pl.col("generation") > 0)
    made = []
    for (comp, light, is_new), some in lives.sort("comp", "lighting", "is_new", maintain_order=True).group_by(
        "comp", "lighting", "is_new", maintain_order=True
    ):
        h = Hazards(world, some)
        entry, leave = some["entry_days"].to_numpy().astype(float), some["exit_days"].to_numpy().astype(float)
        failed = some["ending"].to_numpy() == FAILED
        delay = (
            float(np.mean((some["end"].to_numpy() - some["failed_at"].to_numpy())[failed])) if failed.any() else 0.0
        )
        steps = FINE if some.height < _COARSE_FROM_LIVES else 1
        everyone = h if is_new else _all_originals(world, int(comp), int(light))
        for clock in ("days", "km"):
            unit = h.km_day if clock == "km" else np.ones(len(entry))
            top = float(np.quantile(leave * unit, 0.98))
            grid = np.linspace(0.0, top, GRID_STEPS + 1)
            fine = np.linspace(0.0, top, GRID_STEPS * steps + 1)
            total, at_risk = np.zeros(len(fine)), np.zeros(len(fine), int)
            for k in range(1, len(fine)):
                a, b = np.maximum(entry, fine[k - 1] / unit), np.minimum(leave, fine[k] / unit)
                rows = np.flatnonzero(b > a)
                at_risk[k] = int(((entry * unit < fine[k]) & (leave * unit >= fine[k])).sum())
                if len(rows):
                    gain = h.cumulative(b[rows] - delay, rows) - h.cumulative(a[rows] - delay, rows)
                    exposure = ((b[rows] - a[rows]) * unit[rows]).sum() / (fine[k] - fine[k - 1])
                    total[k] = gain.sum() / exposure
            away = np.cumsum(total)[::steps]
            at = everyone.km_day if clock == "km" else np.ones(len(everyone.km_day))
            population = np.array([np.exp(-everyone.cumulative(t / at)).mean() for t in grid])
            made.append(
                {
                    "component": COMPONENTS[comp],
                    "lighting": sc.LIGHTING[light],
                    "generation": "replacement" if is_new else "original",
                    "clock": clock,
                    "lives": len(entry),
                    "failures": int(failed.sum()),
                    "mean_days_failed_to_renewed": round(delay, 3),
                    "t": _round(grid, 1),
                    "survival_watched": _round(np.exp(-away)),
                    "survival_population": _round(population),
                    "at_risk": at_risk[::steps].tolist(),
                }
            )
    return made


def _all_originals(world: World, comp: int, light: int) -> Hazards:
    first = world.lives.filter(pl.col("generation") == 0).with_columns(
        comp=pl.Series(COMP_OF[world.lives.filter(pl.col("generation") == 0)["place"].to_numpy()])
    )
    v = world.vehicles.select("vehicle", "lighting", "km_day", "hours_day", "frailty")
    return Hazards(
        world,
        first.filter(pl.col("comp") == comp)
        .join(v, on="vehicle", maintain_order="left")
        .filter(pl.col("lighting") == light),
    )


def early_failures(world: World) -> list[dict]:
    """Shares of pieces that fail within 30, 90, 180, 365 days, by formula, of the pieces fitted within the
    records.

    `failed`: the failure itself, were nothing else to end the life. `renewed`: the same, later by the days from
    failure to renewal as they fell in this world. One row a part number and lot group (the bad lot; all
    others), one a supplier.
    """
    lives = watched_lives(world).filter((pl.col("generation") > 0) & pl.col("is_known_start"))
    lives = lives.with_columns(comp=pl.Series(COMP_OF[lives["place"].to_numpy()]))
    p, bad = world.scenario.products, world.scenario.bad_lot
    number = np.array([x.part_number for x in p], dtype=object)[lives["product"].to_numpy()]
    start = lives["start"].to_numpy()
    is_bad = (
        (number == bad.part_number) & (start >= sc.day_number(bad.first_on)) & (start <= sc.day_number(bad.last_on))
    )
    lives = lives.with_columns(
        number=pl.Series(number, dtype=pl.String),
        is_bad=pl.Series(is_bad),
        supplier=pl.Series([p[j].supplier for j in lives["product"].to_list()], dtype=pl.String),
    )
    delays: dict[int, np.ndarray] = {}
    for (comp,), some in lives.filter(pl.col("ending") == FAILED).group_by("comp", maintain_order=True):
        waited = (some["end"] - some["failed_at"]).to_numpy()
        delays[int(comp)] = np.quantile(waited, np.linspace(0.025, 0.975, 20))
    made = []
    for keys, by_number in (
        (("comp", "lighting", "supplier", "number", "is_bad"), True),
        (("comp", "lighting", "supplier"), False),
    ):
        for key, some in lives.sort(*keys, maintain_order=True).group_by(*keys, maintain_order=True):
            h = Hazards(world, some)
            late = delays.get(int(key[0]), np.zeros(1))
            made.append(
                {
                    "component": COMPONENTS[key[0]],
                    "lighting": sc.LIGHTING[key[1]],
                    "supplier": key[2],
                    "part_number": key[3] if by_number else "all",
                    "lot": (bad.lot if key[4] else "all others") if by_number else "all",
                    "fitted": some.height,
                    "defect_share": round(float(h.defect.mean()), 6),
                    "windows_days": list(EARLY_DAYS),
                    "failed": _round(
                        np.array([1.0 - np.exp(-h.cumulative(np.full(some.height, d))).mean() for d in EARLY_DAYS])
                    ),
                    "renewed": _round(
                        np.array(
                            [
                                1.0
                                - np.mean([np.exp(-h.cumulative(np.full(some.height, d - w))).mean() for w in late])
                                for d in EARLY_DAYS
                            ]
                        )
                    ),
                }
            )
    return made


def causes(world: World) -> list[dict]:
    """How many complaints of each symptom each cause truly made, and what was renewed first (cured within the
    records)."""
    e = world.episodes.filter(pl.col("cured") >= 0).join(
        world.vehicles.select("vehicle", "lighting"), on="vehicle", maintain_order="left"
    )
    e = e.with_columns(comp=pl.Series(COMP_OF[e["cause"].to_numpy()]))
    counts = (
        e.group_by("lighting", "symptom", "comp", "first_renewed")
        .len()
        .sort("lighting", "symptom", "comp", "first_renewed")
    )
    return [
        {
            "lighting": sc.LIGHTING[a],
            "symptom": sc.SYMPTOMS[b],
            "cause": COMPONENTS[c],
            "first_renewed": COMPONENTS[d],
            "complaints": n,
        }
        for a, b, c, d, n in counts.iter_rows()
    ]


def lives_frame(world: World, out: Written) -> pl.DataFrame:
    """Every life that the records touch, with its true ending and the orders that began and ended it (as
    exported)."""
    lives = watched_lives(world)
    place = lives["place"].to_numpy()
    p = world.scenario.products
    product = lives["product"].to_numpy()
    inside = lives["fitted_order"].to_list()
    epoch = pl.lit(EPOCH)
    return lives.select(
        vehicle_id=pl.Series([out.vehicle_ids[i] for i in lives["vehicle"].to_list()], dtype=pl.String),
        group=pl.Series([sc.GROUPS[g] for g in lives["group"].to_list()], dtype=pl.String),
        lighting=pl.Series([sc.LIGHTING[x] for x in lives["lighting"].to_list()], dtype=pl.String),
        component=pl.Series([PLACES[q][0] for q in place], dtype=pl.String),
        side=pl.Series([PLACES[q][1] for q in place], dtype=pl.String),
        generation=pl.col("generation"),
        supplier=pl.Series([p[j].supplier for j in product], dtype=pl.String),
        part_number=pl.Series([p[j].part_number for j in product], dtype=pl.String),
        lot=pl.Series(lot_names(world, product, lives["start"].to_numpy()), dtype=pl.String),
        start_on=epoch + pl.duration(days="start"),
        watched_from=epoch + pl.duration(days="watch_from"),
        end_on=epoch + pl.duration(days="end"),
        failed_day=pl.when(pl.col("ending") == FAILED).then(pl.col("failed_at") - pl.col("start")),
        ending=pl.Series([ENDINGS[x] for x in lives["ending"].to_list()], dtype=pl.String),
        is_early_failure=pl.col("is_early") & (pl.col("ending") == FAILED),
        is_known_start=pl.col("is_known_start"),
        entry_days=pl.col("entry_days"),
        exit_days=pl.col("exit_days"),
        exit_km=pl.col("exit_days") * pl.col("km_day"),
        km_per_day=pl.col("km_day"),
        hours_per_day=pl.col("hours_day"),
        frailty=pl.col("frailty"),
        fitted_order=pl.Series([out.order_numbers.get(x, "") for x in inside], dtype=pl.String),
        ended_order=pl.Series(
            [out.order_numbers.get(x, "") for x in lives["ended_order"].to_list()], dtype=pl.String
        ),
    )


def episodes_frame(world: World, out: Written) -> pl.DataFrame:
    """Every complaint: symptom, true cause, what was renewed first, when found and when cured."""
    e = world.episodes
    of: dict[int, list[str]] = {}
    for episode, order in world.orders.filter(pl.col("episode") >= 0).select("episode", "order").iter_rows():
        of.setdefault(episode, []).append(out.order_numbers.get(order, ""))
    return e.select(
        vehicle_id=pl.Series([out.vehicle_ids[i] for i in e["vehicle"].to_list()], dtype=pl.String),
        symptom=pl.Series([sc.SYMPTOMS[x] for x in e["symptom"].to_list()], dtype=pl.String),
        complaint_side=pl.Series([CSIDES[x] for x in e["complaint_side"].to_list()], dtype=pl.String),
        true_cause=pl.Series([PLACES[x][0] for x in e["cause"].to_list()], dtype=pl.String),
        true_side=pl.Series([PLACES[x][1] for x in e["cause"].to_list()], dtype=pl.String),
        first_renewed=pl.Series([COMPONENTS[x] for x in e["first_renewed"].to_list()], dtype=pl.String),
        visits=pl.col("visits"),
        failed_day=pl.col("failed_at"),
        found_on=pl.lit(EPOCH) + pl.duration(days="found"),
        cured_on=pl.when(pl.col("cured") >= 0).then(pl.lit(EPOCH) + pl.duration(days="cured")),
        orders=pl.Series([" ".join(of.get(x, ())) for x in e["episode"].to_list()], dtype=pl.String),
    )


def _parameters(world: World) -> dict:
    s = world.scenario
    return {
        "clocks": {
            "days": "days since fitting",
            "km": "km since fitting",
            "hours": "hours with the low beam lit since fitting",
        },
        "survival": "S(t) = exp(-z (t/scale)**shape) (1 - p + p exp(-(days/early.scale)**early.shape)), t in the product's clock, "  # noqa: E501
        "z the vehicle's frailty (log-normal, mean 1), p its defect_share; originals have p = 0",
        "early": asdict(sc.EARLY),
        "frailty_sigma_of_log": sc.FRAILTY_SIGMA,
        "products": [
            {
                "part_number": p.part_number,
                "component": p.component,
                "kind": p.kind,
                "supplier": p.supplier,
                **asdict(p.wear),
                "defect_share": p.defect_share,
                "renews": list(p.renews),
            }
            for p in s.products
        ],
        "bad_lot": {
            "part_number": s.bad_lot.part_number,
            "lot": s.bad_lot.lot,
            "first_on": str(s.bad_lot.first_on),
            "last_on": str(s.bad_lot.last_on),
            "defect_share": s.bad_lot.defect_share,
        },
        "water_prone": ["midi_halogen", "midi_discharge", "midi_discharge_d1"],
        "better_supplier": "Tamsolt",
        "symptoms": list(sc.SYMPTOMS),
        "symptom_given_cause": {k: list(x) for k, x in sc.SYMPTOM_GIVEN_CAUSE.items()},
        "first_guess_right": sc.FIRST_RIGHT,
        "wrong_guess_weights": sc.WRONG_GUESS,
        "complaint_back_after_days": {
            "least": sc.RETURN_DAYS[0],
            "plus_exponential_mean": sc.RETURN_DAYS[1],
            "most": sc.RETURN_DAYS_MOST,
        },
        "found_after_days": {"exponential_mean": sc.FOUND_DAYS_MEAN, "seasonal_swing": sc.FOUND_DAYS_SWING},
        "collisions_per_vehicle_year": sc.COLLISIONS_PER_YEAR,
        "share_of_driving_lit": sc.SHARE_LIT,
        "mean_speed_km_h": {g.name: g.speed_km_h for g in s.groups},
    }


def _wrapped(value: object, indent: int = 0) -> Iterator[str]:
    """JSON with one line a short value, so that a truth can be read and compared by people."""
    pad = " " * indent
    flat = json.dumps(value, ensure_ascii=False)
    if len(flat) + indent <= 160 or not isinstance(value, dict | list) or not value:
        yield flat
        return
    is_map = isinstance(value, dict)
    if not is_map and all(not isinstance(x, dict | list) for x in value):
        yield flat
        return
    yield ("{" if is_map else "[") + "\n"
    items = list(value.items()) if is_map else [(None, x) for x in value]
    for i, (k, x) in enumerate(items):
        yield pad + " " + (json.dumps(k, ensure_ascii=False) + ": " if is_map else "")
        yield from _wrapped(x, indent + 1)
        yield ("," if i + 1 < len(items) else "") + "\n"
    yield pad + ("}" if is_map else "]")


def write_truth(world: World, out: Written, folder: Path, lists: bool = True) -> None:
    """truth.json; with `lists` also truth_lives.parquet and truth_episodes.parquet beside it."""
    s = world.scenario
    lives = world.lives.filter((pl.col("end") >= pl.col("watch_from")) & (pl.col("ended_order") >= 0))
    ended = lives.group_by("place", "ending").len().sort("place", "ending")
    totals: dict[str, dict[str, int]] = {}
    for place, ending, n in ended.iter_rows():
        kind = totals.setdefault(COMPONENTS[COMP_OF[place]], {})
        kind[ENDINGS[ending]] = kind.get(ENDINGS[ending], 0) + n
    odometer = [
        {"file": f, "row": row, "vehicle_id": v, "true_km": km, "typed": t, "kind": k}
        for f, row, v, km, t, k in out.odometer
    ]
    is_short = len(odometer) <= _MOST_ROWS_IN_JSON
    truth = {
        "generator_version": sc.VERSION,
        "scenario": "invented; see README.md beside the generator",
        "seed": world.seed,
        "vehicles": world.vehicles.height,
        "first_day": str(s.first_day),
        "as_of": str(s.as_of),
        "groups": {
            g: n
            for g, n in zip(
                sc.GROUPS, np.bincount(world.vehicles["group"].to_numpy(), minlength=3).tolist(), strict=False
            )
        },
        "lives_ended_within_the_records": totals,
        "parameters": _parameters(world),
        "early_failures": early_failures(world),
        "causes": causes(world),
        "curves": curves(world),
        "rows_written": out.rows,
        "bad_rows": [{"file": f, "row": row, "reason": reason} for f, row, reason in out.bad_rows],
        "repeated_rows": [{"file": f, "row": row} for f, row in out.repeated_rows],
        "repeated_files": [{"file": a, "copy_of": b} for a, b in out.repeated_files],
        "odometer_slips": odometer if is_short else f"{len(odometer)} rows in truth_odometer.parquet",
    }
    (folder / "truth.json").write_text("".join(_wrapped(truth)) + "\n", encoding="utf-8", newline="\n")
    if not lists:
        return
    lives_frame(world, out).write_parquet(folder / "truth_lives.parquet", compression="zstd", statistics=False)
    episodes_frame(world, out).write_parquet(folder / "truth_episodes.parquet", compression="zstd", statistics=False)
    if not is_short:
        pl.DataFrame(odometer).write_parquet(folder / "truth_odometer.parquet", compression="zstd", statistics=False)


def day_of(number: int) -> dt.date:
    """The date of a day number."""
    return EPOCH + dt.timedelta(days=int(number))
