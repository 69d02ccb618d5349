"""Likelihood fits of the life families: the door to the rooms behind it; import from here.

Lives and fits: `samples`. Right censoring, late entry, interval censoring: `likelihood`. One family, all families, the
choice among them by a written rule: `one_fit`. Many Weibulls at once, borrowed shapes: `weibull`. Competing modes:
`competing`. Limits: `intervals`. Fit against product limit: `agreement`. The published tables: `fit_tables`.

Every published covariance is robust: score contributions are summed by vehicle first (Lin & Wei 1989, J. Am. Stat.
Assoc. 84:1074-1078; White 1982), because both sides of a vehicle, and successive parts in one place, share a driver
and a road.
"""

from __future__ import annotations

from pipeline.survival.agreement import Agreement, agreement
from pipeline.survival.competing import CompetingModes, competing_modes
from pipeline.survival.families import FAMILIES
from pipeline.survival.fit_tables import LIFE_POINTS, fit_set, fits_from_table, wear_of
from pipeline.survival.intervals import (
    Interval,
    design_effect,
    draw_parameters,
    interval,
    interval_method,
    likelihood_ratio_interval,
    wald_interval,
)
from pipeline.survival.likelihood import row_log_likelihood, row_scores, sandwich
from pipeline.survival.one_fit import DEFAULT_FAMILIES, choose, fit, fit_families, sensible
from pipeline.survival.samples import Fit, Sample, refusal, sample
from pipeline.survival.weibull import Weibayes, WeibullBatch, weibayes, weibull_batch

__all__ = [
    "Agreement",
    "CompetingModes",
    "DEFAULT_FAMILIES",
    "FAMILIES",
    "Fit",
    "Interval",
    "LIFE_POINTS",
    "Sample",
    "Weibayes",
    "WeibullBatch",
    "agreement",
    "choose",
    "competing_modes",
    "design_effect",
    "draw_parameters",
    "fit",
    "fit_families",
    "fit_set",
    "fits_from_table",
    "interval",
    "interval_method",
    "likelihood_ratio_interval",
    "refusal",
    "row_log_likelihood",
    "row_scores",
    "sample",
    "sandwich",
    "sensible",
    "wald_interval",
    "wear_of",
    "weibayes",
    "weibull_batch",
]
