"""Fitted curves for planning: rows of the table of fits become survival and hazard functions, and draws of them.

Every fit used here is the chosen one of its stratum, over all suppliers. Ages are in the unit of the clock (days, km
or hours).
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
import polars as pl

from pipeline.survival.families import Family, family
from pipeline.survival.fit import Fit, draw_parameters, fits_from_table

KEYS = ("component", "lighting", "generation", "supplier", "stratum", "clock")
GENERATIONS = ("original", "replacement")


@dataclass(frozen=True, eq=False)
class LifeCurve:
    """The fitted life of one kind of part.

    basis: "own"; "all lightings" where the lighting has no fit of its own; "original part" where replacements have
    none. limit: oldest age at which a failure was seen; beyond it the fitted family is an extrapolation. name: of the
    lives behind the fit; curves borrowed from the same lives have the same one, and so the same draws. stratum: "all"
    or "column=value", the lives that the fit is of.
    """

    component: str
    lighting: str
    generation: str
    clock: str
    fit: Fit
    basis: str
    name: str = ""
    stratum: str = "all"

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

    def drawn(self, draws: int, seed: int) -> Drawn:
        """Draws of the curve over all ages (see `Drawn`). Lives of other names are drawn independently."""
        name = self.name or f"{self.component}, {self.lighting}, {self.generation}, {self.clock}"
        return drawn_curves(self.fit, self.limit, draws, (seed, zlib.crc32(name.encode())))


@dataclass(frozen=True, eq=False)
class Drawn:
    """Draws of a curve: cumulative hazards (draws, ages) at ages from 0 to a million times the oldest failure.

    Between the ages hazards run straight; the steps are 2 % of the age, which leaves them right to about a thousandth.
    """

    ages: np.ndarray
    hazards: np.ndarray

    def at(self, ages) -> np.ndarray:
        """Cumulative hazards (draws, len(ages))."""
        ages = np.asarray(ages, float)
        place = np.clip(np.searchsorted(self.ages, ages, side="right") - 1, 0, len(self.ages) - 2)
        low = self.ages[place]
        share = np.clip((ages - low) / (self.ages[place + 1] - low), 0.0, 1.0)
        return self.hazards[:, place] * (1 - share) + self.hazards[:, place + 1] * share


def drawn_curves(fit: Fit, limit: float, draws: int, seed: tuple[int, ...]) -> Drawn:
    """Draws of a fit over all ages; the same arguments give the same draws (kept, so that they are made once)."""
    mixed = int(np.random.SeedSequence(seed).generate_state(1)[0])
    key = (fit.family, fit.theta.tobytes(), fit.covariance.tobytes())
    return _kept(_Same(key, fit), float(limit), draws, mixed)


class _Same:
    """A fit that counts as equal to another of the same family, parameters and covariance."""

    def __init__(self, key: tuple, fit: Fit):
        self.key, self.fit = key, fit

    def __hash__(self) -> int:
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and self.key == other.key


@lru_cache(maxsize=96)
def _kept(same: _Same, limit: float, draws: int, seed: int) -> Drawn:
    ages = np.concatenate(([0.0], np.geomspace(limit * 1e-4, limit * 30, 600), limit * np.geomspace(36, 1e6, 90)))
    return Drawn(ages, hazards_on_grid(same.fit, draw_thetas(same.fit, draws, seed), ages))


CurveBook = dict[tuple[str, str, str, str, str], LifeCurve]


def read_curves(fits: pl.DataFrame | CurveBook) -> CurveBook:
    """The curves of a table of fits, by (component, lighting, generation, stratum, clock); suppliers pooled.

    `fits`: the columns of KEYS and those `fits_from_table` reads; curves that are read already are handed back. Of a
    stratum other than "all" only fits of its own lives are read: for the others the pooled one serves.
    """
    if isinstance(fits, Mapping):
        return fits
    out: CurveBook = {}
    for key, fit in fits_from_table(fits.filter(pl.col("supplier") == "all"), KEYS).items():
        component, lighting, generation, _, stratum, clock = key
        if (fit.failures > 0 or fit.borrowed) and (stratum == "all" or not fit.borrowed):
            named = fit.borrowed_from or ", ".join(f"{k}={v}" for k, v in zip(KEYS[:-1], key[:-1], strict=True))
            made = LifeCurve(component, lighting, generation, clock, fit, "own", f"{named}, {clock}", stratum)
            out[component, lighting, generation, stratum, clock] = made
    return out


def find_curve(
    book: CurveBook, component: str, lighting: str | None, generation: str, clock: str, stratum: str = "all"
) -> LifeCurve | None:
    """The curve of a part: its own stratum's and lighting's, else of the whole lighting, else of all lightings; for a
    replacement without any, the original's, and the other way round.
    """
    other, basis = ("original", "original part") if generation == "replacement" else ("replacement", "replacement part")
    order = [
        (lighting, generation, stratum, "own"),
        (lighting, generation, "all", "own"),
        ("all", generation, "all", "all lightings"),
        (lighting, other, "all", basis),
        ("all", other, "all", basis),
    ]
    for light, made, within, basis in order:
        found = book.get((component, light, made, within, clock))
        if found is not None:
            return LifeCurve(component, str(lighting), generation, clock, found.fit, basis, found.name, within)
    return None


def draw_thetas(fit: Fit, draws: int, seed: int) -> np.ndarray:
    """Draws of a fit's parameters on its unconstrained scale, shape (draws, parameters).

    Normal with the covariance by vehicle (see `draw_parameters`), widened for the few vehicles that it rests on: by
    G / (G - 1) for G vehicles with a failure, and as Student's t on G less the number of parameters degrees of freedom,
    at least 4 (Bell and McCaffrey 2002, Survey Methodology 28:169-181, on the smallness of such variances; the degrees of
    freedom are the plain rule).
    """
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
    vehicles = max(2.0, float(fit.failed_clusters or fit.failures))
    freedom = max(4.0, vehicles - len(fit.names))
    wider = np.random.default_rng([seed, 1]).chisquare(freedom, draws) / freedom
    times = np.sqrt(vehicles / (vehicles - 1) / wider)
    return fit.theta + (fit.distribution.inverse(values) - fit.theta) * times[:, None]


def hazards_on_grid(fit: Fit, thetas: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Cumulative hazard of each draw at each age, shape (draws, ages), kept finite and never falling."""
    with np.errstate(over="ignore", under="ignore", invalid="ignore", divide="ignore"):
        out = _all_at_once(fit.distribution, thetas, np.asarray(ages, float)).reshape(len(thetas), len(ages))
    out = np.nan_to_num(out, nan=0.0, posinf=1e6)
    return np.maximum.accumulate(np.minimum(out, 1e6), axis=1)


def _all_at_once(made: Family, thetas: np.ndarray, ages: np.ndarray) -> np.ndarray:
    """Cumulative hazards of all draws in one go, in closed form; families without one draw by draw."""
    if made.name not in ("exponential", "weibull", "loglogistic"):
        return np.array([family(made.name).cumulative(theta, ages) for theta in thetas])
    live = ages > 0
    log_t = np.log(np.where(live, ages, 1.0))
    if made.name == "exponential":
        return np.where(live, np.exp(np.minimum(log_t - thetas[:, :1], 50.0)), 0.0)
    u = np.exp(np.minimum(thetas[:, :1], 50.0)) * (log_t - thetas[:, 1:2])
    return np.where(live, np.exp(np.minimum(u, 50.0)) if made.name == "weibull" else np.logaddexp(0, u), 0.0)


def quantiles(draws: np.ndarray, shares: Sequence[float]) -> np.ndarray:
    """Limits from draws along the first axis: the (n + 1) p-th in order, so that an interval from few draws is not too
    narrow (Hyndman and Fan 1996, Am. Stat. 50:361-365, definition 6)."""
    return np.quantile(draws, shares, axis=0, method="weibull")


def age_grid(reach: float, points: int = 400) -> np.ndarray:
    """Ages from 0 to reach, closer together near 0 where early failures fall."""
    return np.concatenate(([0.0], np.geomspace(reach * 1e-5, reach, points - 1)))


# ---- places: one part in service each

PLACE_COLUMNS = ("vehicle", "component", "side", "lighting", "origin", "age_days", "age_km", "km_per_day")


def places_at(lives: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """The parts in service, with their ages carried on to `as_of`.

    lives: rows of the table of lives; only those with ending `in_service` count. Adds age_days, age_km (null where
    the odometer or its rate is not known) and keeps the order of the rows. A life last seen before `as_of` is carried
    on at the vehicle's own km_per_day. age_known: false where what is in place may have been fitted before watching
    began (the age is then the vehicle's own); watched_days, watched_km: how long it is known to be there;
    may_be_original: nobody has seen that the first part is gone. Raises ValueError for a life that starts after
    `as_of`.
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
    known = pl.lit(True)
    if {"in_curve", "left_out_reason"} <= set(rows.columns):
        known = pl.col("in_curve").fill_null(True) | pl.col("left_out_reason").is_in(_START_KNOWN).fill_null(True)
    assumed = pl.col("is_original_assumed").fill_null(False) if "is_original_assumed" in rows.columns else pl.lit(False)
    watched = [
        (pl.col(f"age_{c}") - (pl.col(f"entry_{c}") if f"entry_{c}" in rows.columns else 0.0)).alias(f"watched_{c}")
        for c in ("days", "km")
    ]
    rows = rows.with_columns(known.alias("age_known"), assumed.alias("may_be_original"), *watched)
    return rows.filter(pl.col("age_days").is_not_null())


# Lives that stand in no curve though their start is known: see sql/4_lives/30_lives.sql.
_START_KNOWN = ("ended before watching began", "failed on the day that watching began", "no time under watch")


def place_clock(book: CurveBook, component: str, lighting: str | None, clocks: dict[str, str] | None) -> str | None:
    """The clock to plan a component on: the better one where told, else days, else km; null where it has no curve."""
    wanted = [(clocks or {}).get(component), "days", "km"]
    for clock in wanted:
        if clock in ("days", "km") and find_curve(book, component, lighting, "replacement", clock) is not None:
            return clock
    return None
