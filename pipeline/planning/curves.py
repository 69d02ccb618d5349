"""Fitted curves for planning: rows of the table of fits become survival and hazard functions, and draws of them.

Every fit used here is the chosen one of its stratum, over all suppliers. Ages are in the unit of the clock (days, km
or hours).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from pipeline.survival.fit import Fit, draw_parameters, fits_from_table

KEYS = ("component", "lighting", "generation", "supplier", "stratum", "clock")
GENERATIONS = ("original", "replacement")


@dataclass(frozen=True, eq=False)
class LifeCurve:
    """The fitted life of one kind of part.

    basis: "own"; "all lightings" where the lighting has no fit of its own; "original part" where replacements have
    none. limit: oldest age at which a failure was seen; beyond it the fitted family is an extrapolation.
    """

    component: str
    lighting: str
    generation: str
    clock: str
    fit: Fit
    basis: str

    @property
    def limit(self) -> float:
        for age in (self.fit.largest_failure, self.fit.largest_time):
            if math.isfinite(age) and age > 0:
                return age
        return float(self.fit.quantile(0.5))

    def survival(self, age) -> np.ndarray:
        """Share that outlives each age."""
        return self.fit.survival(age)

    def hazard(self, age) -> np.ndarray:
        """Failures per unit of age among those still working."""
        return self.fit.hazard(age)


CurveBook = dict[tuple[str, str, str, str], LifeCurve]


def read_curves(fits: pl.DataFrame) -> CurveBook:
    """The curves of a table of fits, by (component, lighting, generation, clock); suppliers and strata pooled.

    `fits`: the columns of KEYS and those `fits_from_table` reads.
    """
    pooled = fits.filter((pl.col("supplier") == "all") & (pl.col("stratum") == "all"))
    out: CurveBook = {}
    for (component, lighting, generation, _, _, clock), fit in fits_from_table(pooled, KEYS).items():
        if fit.failures > 0 or fit.borrowed:
            out[component, lighting, generation, clock] = LifeCurve(component, lighting, generation, clock, fit, "own")
    return out


def find_curve(book: CurveBook, component: str, lighting: str | None, generation: str, clock: str) -> LifeCurve | None:
    """The curve of a part: its own lighting's, else of all lightings; for a replacement without any, the original's."""
    order = [(lighting, generation, "own"), ("all", generation, "all lightings")]
    if generation == "replacement":
        order += [(lighting, "original", "original part"), ("all", "original", "original part")]
    else:
        order += [(lighting, "replacement", "replacement part"), ("all", "replacement", "replacement part")]
    for light, made, basis in order:
        found = book.get((component, light, made, clock))
        if found is not None:
            return LifeCurve(component, str(lighting), generation, clock, found.fit, basis)
    return None


def draw_thetas(fit: Fit, draws: int, seed: int) -> np.ndarray:
    """Draws of a fit's parameters on its unconstrained scale, shape (draws, parameters); see `draw_parameters`."""
    named = draw_parameters(fit, draws, seed)
    values = np.column_stack([named[n] for n in fit.names])
    for i, link in enumerate(fit.distribution.links):
        least, most = {
            "log": (1e-250, 1e250),
            "identity": (-1e250, 1e250),
            "logit": (1e-12, 1 - 1e-12),
            "log-1": (1 + 1e-12, 1e250),
        }[link]
        values[:, i] = np.clip(values[:, i], least, most)
    return fit.distribution.inverse(values)


def hazards_on_grid(fit: Fit, thetas: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Cumulative hazard of each draw at each age, shape (draws, ages), kept finite and never falling."""
    family = fit.distribution
    with np.errstate(over="ignore", under="ignore", invalid="ignore", divide="ignore"):
        out = np.array([family.cumulative(theta, ages) for theta in thetas]).reshape(len(thetas), len(ages))
    out = np.nan_to_num(out, nan=0.0, posinf=1e6)
    return np.maximum.accumulate(np.minimum(out, 1e6), axis=1)


def age_grid(reach: float, points: int = 400) -> np.ndarray:
    """Ages from 0 to reach, closer together near 0 where early failures fall."""
    return np.concatenate(([0.0], np.geomspace(reach * 1e-5, reach, points - 1)))


def curve_grid(
    curve: LifeCurve, ages: np.ndarray, *, draws: int = 200, seed: int, confidence: float = 0.95
) -> pl.DataFrame:
    """A curve with its interval for a chart: age, survival, low, high, hazard (per unit of age), is_extrapolated."""
    ages = np.asarray(ages, float)
    drawn = np.exp(-hazards_on_grid(curve.fit, draw_thetas(curve.fit, draws, seed), ages))
    tail = (1 - confidence) / 2
    return pl.DataFrame(
        {
            "age": ages,
            "survival": curve.survival(ages),
            "low": np.quantile(drawn, tail, axis=0),
            "high": np.quantile(drawn, 1 - tail, axis=0),
            "hazard": curve.hazard(ages),
            "is_extrapolated": ages > curve.limit,
        }
    )


# ---- places: one part in service each

PLACE_COLUMNS = ("vehicle", "component", "side", "lighting", "origin", "age_days", "age_km", "km_per_day")


def places_at(lives: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """The parts in service, with their ages carried on to `as_of`.

    lives: rows of the table of lives; only those with ending `in_service` count. Adds age_days, age_km (null where
    the odometer or its rate is not known) and keeps the order of the rows. A life last seen before `as_of` is carried
    on at the vehicle's own km_per_day. Raises ValueError for a life that starts after `as_of`.
    """
    rows = lives.filter(pl.col("ending") == "in_service")
    late = (pl.lit(as_of) - pl.col("end_on")).dt.total_days().fill_null(0).cast(pl.Float64)
    rows = rows.with_columns(
        age_days=pl.col("exit_days") + late,
        age_km=pl.col("exit_km") + late * pl.when(late == 0).then(0.0).otherwise(pl.col("km_per_day")),
    )
    if rows.filter(pl.col("age_days") < 0).height:
        raise ValueError(
            f"{rows.filter(pl.col('age_days') < 0).height} parts in service start after {as_of.isoformat()}."
        )
    return rows.filter(pl.col("age_days").is_not_null())


def place_clock(book: CurveBook, component: str, lighting: str | None, clocks: dict[str, str] | None) -> str | None:
    """The clock to plan a component on: the better one where told, else days, else km; null where it has no curve."""
    wanted = [(clocks or {}).get(component), "days", "km"]
    for clock in wanted:
        if clock in ("days", "km") and find_curve(book, component, lighting, "replacement", clock) is not None:
            return clock
    return None
