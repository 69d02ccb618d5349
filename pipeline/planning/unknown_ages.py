"""Parts in service whose age is not known, because watching began after the vehicle was new and nobody knows what was
renewed before: how old they may be.

Such a part has been in place at least since watching began. It came with the vehicle (unless it was seen not to), or was
fitted some time before: by the renewal theorem about equally likely at any time once the first one had failed. What each
age would have had to live through since then weighs them (Cox 1962, Renewal Theory, chapter 5: the backward recurrence
time).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.planning.curves import LifeCurve
from pipeline.planning.replacement import bounded

POINTS = 24


@dataclass(frozen=True, eq=False)
class PossibleAges:
    """For each place, ages it may have today and their probabilities, (places, POINTS + 1); the last one is that of the
    part that came with the vehicle."""

    ages: np.ndarray
    weights: np.ndarray

    def draw(self, place: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """An age for each of the places given, and whether it is the part that came with the vehicle."""
        cumulative = np.cumsum(self.weights, axis=1)
        which = (cumulative[place] < rng.random(len(place))[:, None]).sum(axis=1).clip(0, POINTS)
        return self.ages[place, which], which == POINTS


def possible_ages(
    original: LifeCurve, fresh: LifeCurve, before, watched, may_be_original
) -> PossibleAges:
    """before: the vehicle's age when watching began; watched: time in place seen since, both in the unit of the clock;
    may_be_original: whether nobody has seen that the first part is gone. Arrays of one length."""
    before, watched = np.maximum(np.asarray(before, float), 0.0), np.maximum(np.asarray(watched, float), 0.0)
    bound = bounded(fresh)
    mean = bound[2] if bound else fresh.limit
    # Age at the start of watching, evenly between new and the vehicle's own age.
    x = before[:, None] * (np.arange(POINTS) + 0.5) / POINTS
    renewed_by = 1 - original.survival(before[:, None] - x)
    later = renewed_by / mean * fresh.survival(x + watched[:, None]) * before[:, None] / POINTS
    first = np.where(may_be_original, original.survival(before + watched), 0.0)
    weights = np.column_stack([later, first])
    # Where no age is likely at all, the youngest stands.
    lost = ~(weights.sum(axis=1) > 0)
    weights[lost, 0] = 1.0
    ages = np.column_stack([x + watched[:, None], before + watched])
    return PossibleAges(ages, weights / weights.sum(axis=1, keepdims=True))


def of_places(part: pl.DataFrame, clock: str, original: LifeCurve, fresh: LifeCurve) -> tuple[np.ndarray, PossibleAges | None]:
    """Which rows of some places have no known age, and what those may be."""
    is_unknown = ~part["age_known"].to_numpy().astype(bool) if "age_known" in part.columns else np.zeros(part.height, bool)
    if not is_unknown.any():
        return is_unknown, None
    rows = part.filter(pl.Series(is_unknown))
    age = rows[f"age_{clock}"].to_numpy().astype(float)
    watched = np.minimum(rows[f"watched_{clock}"].fill_null(0.0).to_numpy().astype(float), age)
    may = rows["may_be_original"].to_numpy().astype(bool)
    return is_unknown, possible_ages(original, fresh, age - watched, watched, may)
