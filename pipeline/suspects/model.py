"""The cause model: which part failed, given what is seen, how old each part is, and what was renewed when.

    P(cause j | symptom s, state)  is proportional to  h_j(own age) x P(complaint | j) x P(s | j),

h_j the cause-specific hazard of component j per vehicle-day (a hazard per km times the vehicle's km/day), of
the original or the replacement curve as the part is; competing risks: Prentice et al. 1978, Biometrics
34:541-554. A part that has no side counts half for each side. Causes that are none of the components, `other`,
are one more suspect, whose hazard goes by the age of the vehicle; a share of it is always kept."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.suspects.hazards import BANDS, ORIGINS, Hazards, band_edges, band_of, count_bands, fit_hazards
from pipeline.suspects.parts import OTHER
from pipeline.suspects.states import Fleet, day_number, is_possible, make_fleet
from pipeline.suspects.symptoms import (
    CodeTable,
    SymptomTable,
    code_key,
    fit_codes,
    fit_symptoms,
    symptom_key,
)


@dataclass(frozen=True)
class CauseModel:
    """A fitted cause model.

    hazards: by component, in the order of components; class_factor: (lightings, classes, components), how
    much more a class fails than its lighting's average; class_log_sd: its log standard deviation; told:
    (lightings, components), P(complaint | failure); other: hazard per vehicle-day of causes that are no
    component, by age of the vehicle (curves: lighting, `original`); other_floor: the least share it keeps;
    km_per_day: median by lighting; causes: weighted confirmed cases (lightings, components). as_of: last day
    used."""

    as_of: dt.date
    components: tuple[str, ...]
    lightings: tuple[str, ...]
    classes: tuple[str, ...]
    clocks: dict[str, str]
    hazards: tuple[Hazards, ...]
    symptoms: SymptomTable
    codes: CodeTable
    class_factor: np.ndarray
    class_log_sd: np.ndarray
    told: np.ndarray
    other: Hazards
    other_floor: float
    km_per_day: np.ndarray
    causes: np.ndarray
    recent_days: float
    draws: int
    seed: int
    fleet: Fleet

    def possible(self) -> np.ndarray:
        """(lightings, components): whether such a headlamp can have the component and some were watched."""
        return np.array(
            [
                [
                    is_possible(c, li) and any(h.row(li, o) is not None for o in ORIGINS)
                    for c, h in zip(self.components, self.hazards, strict=True)
                ]
                for li in self.lightings
            ]
        )

    def hazard_table(self, lighting: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Hazard, log standard deviation (components, origins, bands) and draws (draws, components, origins,
        bands) in the component's own clock unit; 0 where the component is not in such headlamps. An origin
        that was never seen takes the other one."""
        shape = (len(self.components), len(ORIGINS), BANDS)
        mean, sd, draws = np.zeros(shape), np.zeros(shape), np.zeros((self.draws, *shape))
        for j, h in enumerate(self.hazards):
            for o, origin in enumerate(ORIGINS):
                row = h.row(lighting, origin)
                row = h.row(lighting, ORIGINS[1 - o]) if row is None else row
                if row is not None and is_possible(h.component, lighting):
                    mean[j, o], sd[j, o], draws[:, j, o] = h.hazard[row], h.log_sd[row], h.draws[:, row]
        return mean, sd, draws


def keep_other(mix: np.ndarray, floor: float) -> np.ndarray:
    """Shares with `other` last, where that is at least `floor`; the rest scaled down where it was less. All-zero
    rows stay."""
    last = mix[..., -1:]
    raised = np.where(mix.sum(axis=-1, keepdims=True) > 0, np.maximum(last, floor), 0.0)
    scale = np.divide(1 - raised, 1 - last, out=np.zeros_like(last), where=last < 1)
    return np.concatenate([mix[..., :-1] * scale, raised], axis=-1)


def cause_shares(hazards: np.ndarray, likelihood: np.ndarray | float = 1.0) -> np.ndarray:
    """hazards x likelihood, made to sum to 1 over the last axis. All zero gives all zero. Any unit that is
    the same for all."""
    weight = np.asarray(hazards, dtype=float) * likelihood
    total = weight.sum(axis=-1, keepdims=True)
    return np.divide(weight, total, out=np.zeros_like(weight), where=total > 0)


def prepare_episodes(episodes: pl.DataFrame, components: tuple[str, ...]) -> pl.DataFrame:
    """Episodes with the columns the model counts: key (symptom), code, cause (`other` where none of the
    components), weight (p)."""
    frame = episodes.with_columns(
        pl.col("side").cast(pl.String),
        pl.col("lighting").fill_null("unknown"),
        pl.col("p").cast(pl.Float64).fill_null(1.0).clip(0, 1).alias("weight"),
    )
    pairs = frame.select("cause", "lighting").unique().sort("cause", "lighting")
    good = [c in components and is_possible(c, li) for c, li in pairs.iter_rows()]
    pairs = pairs.with_columns(pl.Series("is_component", good, dtype=pl.Boolean))
    return (
        frame.join(pairs, on=["cause", "lighting"], how="left", nulls_equal=True, maintain_order="left")
        .with_columns(
            symptom_key(pl.col("weight") > 0.5).alias("key"),
            code_key().alias("code"),
            pl.when("is_component").then("cause").otherwise(pl.lit(OTHER)).alias("cause"),
        )
        .drop("is_component")
    )


def event_weight(lives: pl.DataFrame) -> pl.Series:
    """Weight of a failure at the end of each life: the probability that it was one, where the rules say it;
    else 1 or 0."""
    failed = (pl.col("ending") == "failed").cast(pl.Float64)
    if "p_failed" not in lives.columns:
        return lives.select(failed).to_series()
    doubtful = pl.col("ending").is_in(["failed", "wrong_suspect"]) & pl.col("p_failed").is_not_null()
    return lives.select(
        pl.when(doubtful).then(pl.col("p_failed").cast(pl.Float64).clip(0, 1)).otherwise(failed)
    ).to_series()


def fit_model(
    lives: pl.DataFrame,
    episodes: pl.DataFrame,
    episode_parts: pl.DataFrame,
    *,
    clocks: Mapping[str, str] | None = None,
    as_of: dt.date,
    seed: int,
    recent_days: float = 90,
    draws: int = 300,
    other_floor: float = 0.005,
) -> CauseModel:
    """Fit the cause model.

    lives, episodes: rows of lives.lives (all, in curves or not) and lives.episodes. episode_parts is taken
    for the symmetry of the calls and not used here. clocks: the better clock of a component, 'days' (also
    where not named) or 'km'. recent_days: a part counts as recently renewed for so long. draws: of the
    posterior, for intervals. other_floor: least share of `other` (common practice, no source). Raises ValueError, in words, where there is no life or no
    exposure at all."""
    del episode_parts
    if lives.is_empty():
        raise ValueError("there are no lives: nothing is known of any part")
    fleet = make_fleet(lives, episodes)
    weighted = lives.with_columns(event_weight(lives).alias("event"), pl.col("lighting").fill_null("unknown"))
    components = tuple(c for c in fleet.components if _exposed(weighted, c, (clocks or {}).get(c, "days")))
    if not components:
        raise ValueError("no life has time under watch: no hazard can be estimated")
    if components != fleet.components:
        fleet = make_fleet(lives.filter(pl.col("component").is_in(components)), episodes)
    lightings, classes = fleet.lightings, fleet.classes
    own_clocks = {c: (clocks or {}).get(c, "days") for c in components}
    # Each part draws from a stream of its own, numbered by what it counts: other names draw the same.
    size = weighted.group_by("component").agg(pl.col("event").sum(), pl.len()).sort("event", "len", "component", descending=True)
    stream = {c: i for i, c in enumerate(size["component"])}
    fits, expected = [], np.zeros((len(lightings), max(len(classes), 1), len(components)))
    observed = np.zeros_like(expected)
    for j, component in enumerate(components):
        fitted, seen, due = _fit_component(
            weighted,
            component,
            own_clocks[component],
            lightings,
            classes,
            draws,
            np.random.default_rng([seed, stream[component]]),
        )
        fits.append(fitted)
        observed[:, :, j], expected[:, :, j] = seen, due
    factor, factor_sd = _class_factors(observed, expected)

    table = prepare_episodes(episodes, components)
    names = (*components, OTHER)
    symptoms = fit_symptoms(table, names, lightings)
    codes = fit_codes(table, names, lightings)
    causes = _count(table, lightings, names)
    told = _told(weighted, causes[:, :-1], lightings, components)
    other = _fit_other(table, fleet, draws, np.random.default_rng([seed, len(stream)]))
    rate = np.array([_median(fleet.track.rate[fleet.lighting == li]) for li in range(len(lightings))])
    rate = np.where(np.isfinite(rate), rate, _median(fleet.track.rate))
    rate = np.where(
        np.isfinite(rate), rate, 40.0
    )  # km/day of about 15,000 km a year; only where no odometer is known at all
    return CauseModel(
        as_of,
        components,
        lightings,
        classes,
        own_clocks,
        tuple(fits),
        symptoms,
        codes,
        factor,
        factor_sd,
        told,
        other,
        other_floor,
        rate,
        causes,
        float(recent_days),
        draws,
        seed,
        fleet,
    )


def _median(x: np.ndarray) -> float:
    x = x[np.isfinite(x)]
    return float(np.median(x)) if len(x) else np.nan


def _on_clock(lives: pl.DataFrame, component: str, clock: str) -> pl.DataFrame:
    entry, exit = pl.col(f"entry_{clock}").cast(pl.Float64), pl.col(f"exit_{clock}").cast(pl.Float64)
    in_curve = pl.col("in_curve").fill_null(False) if "in_curve" in lives.columns else pl.lit(True)
    return (
        lives.filter((pl.col("component") == component) & in_curve)
        .with_columns(entry=entry.fill_null(0.0), exit=exit)
        .filter(pl.col("exit") > pl.col("entry"))
    )


def _exposed(lives: pl.DataFrame, component: str, clock: str) -> bool:
    return not _on_clock(lives, component, clock).is_empty()


def _fit_component(
    lives: pl.DataFrame,
    component: str,
    clock: str,
    lightings: tuple[str, ...],
    classes: tuple[str, ...],
    draws: int,
    rng: np.random.Generator,
) -> tuple[Hazards, np.ndarray, np.ndarray]:
    """Hazards of a component, and failures seen and expected by (lighting, class)."""
    rows = _on_clock(lives, component, clock)
    here = [li for li in lightings if is_possible(component, li)]
    rows = rows.filter(pl.col("lighting").is_in(here)) if rows["lighting"].is_in(here).any() else rows
    used = sorted(rows["lighting"].unique())
    curves = [(li, o) for li in used for o in ORIGINS]
    light = rows["lighting"].replace_strict(used, list(range(len(used))), return_dtype=pl.Int64).to_numpy()
    curve = (
        light * len(ORIGINS) + (rows["origin"] == "replacement").fill_null(False).cast(pl.Int64).to_numpy()
    )
    entry, exit, events = (rows[c].to_numpy() for c in ("entry", "exit", "event"))
    deaths, exposure = count_bands(entry, exit, events, curve, len(curves), clock)
    reach = np.zeros(len(curves))
    np.maximum.at(reach, curve, exit)
    fitted = fit_hazards(component, clock, curves, deaths, exposure, reach, draws, rng)
    # Expected failures of each life: cumulative hazard at exit less that at entry.
    edges = band_edges(clock)
    total = np.concatenate(
        [np.zeros((len(curves), 1)), np.cumsum(fitted.hazard * np.diff(edges), axis=1)], axis=1
    )

    def cumulative(age: np.ndarray) -> np.ndarray:
        band = band_of(age, clock)
        return total[curve, band] + fitted.hazard[curve, band] * (age - edges[band])

    due = cumulative(exit) - cumulative(entry)
    width = max(len(classes), 1)
    number = {c: i for i, c in enumerate(classes)}
    cls = (
        rows["vehicle_class"]
        .replace_strict(number, default=-1, return_dtype=pl.Int64)
        .fill_null(-1)
        .to_numpy()
        if classes
        else np.full(len(rows), -1)
    )
    full = np.array([lightings.index(li) for li in used])[light]
    told = cls >= 0
    at = full[told] * width + cls[told]
    size = len(lightings) * width
    return (
        fitted,
        np.bincount(at, weights=events[told], minlength=size).reshape(-1, width),
        np.bincount(at, weights=due[told], minlength=size).reshape(-1, width),
    )


def _class_factors(observed: np.ndarray, expected: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Gamma-Poisson factor of each class on each component's hazard, mean 1 a priori; its strength by
    marginal likelihood, one for each component (negative binomial; the pump example of Gaver and
    O'Muircheartaigh 1987, Technometrics 29:1-15)."""
    from scipy.special import gammaln

    factor, sd = np.ones_like(expected), np.zeros_like(expected)
    choices = np.geomspace(1, 1000, 25)
    for j in range(expected.shape[2]):
        d, e = observed[:, :, j].ravel(), expected[:, :, j].ravel()
        used = e > 0
        if used.sum() < 2:
            continue
        d, e = d[used], e[used]
        score = [
            float((gammaln(k + d) - gammaln(k) + k * np.log(k / (k + e)) + d * np.log(e / (k + e))).sum())
            - 0.5 * (np.log(k / 30) / 1.5) ** 2
            for k in choices
        ]
        k = choices[int(np.argmax(score))]
        whole = np.where(expected[:, :, j] > 0, (k + observed[:, :, j]) / (k + expected[:, :, j]), 1.0)
        factor[:, :, j] = whole
        sd[:, :, j] = np.where(expected[:, :, j] > 0, 1 / np.sqrt(k + observed[:, :, j]), 1 / np.sqrt(k))
    return factor, sd


def _count(table: pl.DataFrame, lightings: tuple[str, ...], names: tuple[str, ...]) -> np.ndarray:
    counts = np.zeros((len(lightings), len(names)))
    grouped = table.group_by("lighting", "cause").agg(pl.col("weight").sum()).sort("lighting", "cause")
    for lighting, cause, weight in grouped.iter_rows():
        if lighting in lightings:
            counts[lightings.index(lighting), names.index(cause)] += weight
    return counts


def _told(
    lives: pl.DataFrame,
    causes: np.ndarray,
    lightings: tuple[str, ...],
    components: tuple[str, ...],
    prior_cases: float = 10.0,
) -> np.ndarray:
    """P(complaint | failure): confirmed cases over failures (weighted, lives outside curves too), drawn to
    the lighting's mean ratio as by `prior_cases`. Failures found without a complaint (at an inspection) are
    no case at the bench."""
    failures = np.zeros_like(causes)
    grouped = lives.group_by("lighting", "component").agg(pl.col("event").sum()).sort("lighting", "component")
    for lighting, component, weight in grouped.iter_rows():
        if component in components and lighting in lightings:
            failures[lightings.index(lighting), components.index(component)] += weight
    mean = (causes.sum(axis=1, keepdims=True) + 1) / (failures.sum(axis=1, keepdims=True) + 1)
    return (causes + prior_cases * mean) / (failures + prior_cases)


def _fit_other(table: pl.DataFrame, fleet: Fleet, draws: int, rng: np.random.Generator) -> Hazards:
    """Hazard of causes that are no component, per vehicle-day, by age of the vehicle: cases inside the time under
    watch over that time, as for any part. Vehicles without a date of first use count where none has one, from the
    day that watching began."""
    used = fleet.seen_to > fleet.seen_from
    dated = used & (fleet.first_use >= 0)
    begin = fleet.first_use if dated.any() else fleet.seen_from
    used = dated if dated.any() else used
    entry, exit = np.maximum(fleet.seen_from - begin, 0)[used], (fleet.seen_to - begin)[used]
    curves = [(li, ORIGINS[0]) for li in fleet.lightings]
    light = fleet.lighting[used]
    none = np.zeros(len(entry))
    exposure = count_bands(entry.astype(float), exit.astype(float), none, light, len(curves), "days")[1]
    cases = table.filter(pl.col("cause") == OTHER)
    code = fleet.codes(cases["vehicle"])
    day, weight = cases.select(day_number(pl.col("opened_on"))).to_series().to_numpy(), cases["weight"].to_numpy()
    inside = (code >= 0) & used[code] & (day > fleet.seen_from[code]) & (day <= fleet.seen_to[code])
    code, age, weight = code[inside], (day - begin[code])[inside].astype(float), weight[inside]
    at = fleet.lighting[code] * BANDS + band_of(age, "days")
    events = np.bincount(at, weights=weight, minlength=len(curves) * BANDS).reshape(len(curves), BANDS)
    reach = np.zeros(len(curves))
    np.maximum.at(reach, light, exit.astype(float))
    return fit_hazards(OTHER, "days", curves, events, exposure, reach, draws, rng)
