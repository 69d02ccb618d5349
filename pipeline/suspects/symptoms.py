"""What a cause says: P(symptom | cause) and P(fault code | cause), smoothed through a hierarchy of Dirichlet
distributions.

Level 0: all causes together (with the trade's one rule: both sides dark at once points to what both sides
share). Level 1: the component over all lighting types. Level 2: the component in one lighting type. Each
level is the prior mean of the next one, with a concentration by marginal likelihood of the
Dirichlet-multinomial (Minka 2000, Estimating a Dirichlet distribution, section 2). A fault code is evidence
with a likelihood like any symptom, never a diagnosis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.suspects.parts import BOTH_DARK

SYMPTOMS = ("low_beam_dark", "high_beam_dark", "flicker", "dim", "water_inside", "warning_shown", "other")
# Share of a component's failures that darken both low beams at once, before any case is known. Common
# practice, no source: what both sides share can take both, a part of one side hardly ever does.
BOTH_SHARE = {"switch_or_fuse": 0.3, "control_module": 0.3, "wiring": 0.1}
BOTH_SHARE_ELSEWHERE = 0.005
# Most that half a case may make of a symptom that a cause was never seen with (common practice, no source).
SELDOM = 0.05
CONCENTRATIONS = tuple(float(x) for x in np.geomspace(1, 3000, 33))


def symptom_key(sure: pl.Expr | None = None) -> pl.Expr:
    """Symptom of an episode as the model counts it; null where it is not told. Needs columns `symptom` and
    `side`. sure: where the cause is sure; a fault of both sides whose cause is as likely not one (two parts renewed
    together, one of them perhaps only to match) is no case of both sides dark at once."""
    both = (pl.col("side") == "both") & (pl.col("symptom") == "low_beam_dark")
    both = both if sure is None else both & sure
    told = pl.when(pl.col("symptom") != "unknown").then(pl.col("symptom"))
    return pl.when(both.fill_null(False)).then(pl.lit(BOTH_DARK)).otherwise(told)


def log_dirichlet_multinomial(counts: np.ndarray, mean: np.ndarray, concentration: float) -> float:
    """Sum over rows of log P(counts | concentration x mean), the multinomial coefficient left out.

    counts, mean: shape (rows, categories), mean's rows sum to 1. Entries with mean 0 and count 0 drop out.
    """
    from scipy.special import gammaln

    alpha = np.maximum(concentration * mean, 1e-300)
    used = counts > 0
    inside = np.where(used, gammaln(alpha + counts) - gammaln(alpha), 0.0).sum()
    total = counts.sum(axis=1)
    return float(inside + (gammaln(concentration) - gammaln(concentration + total)).sum())


def concentration(
    counts: np.ndarray,
    mean: np.ndarray,
    choices: tuple[float, ...] = CONCENTRATIONS,
    centre: float = 30.0,
    spread: float = 1.5,
) -> float:
    """How many cases the prior mean is worth: the choice with the greatest marginal likelihood times a weak
    log-normal prior.

    counts, mean: (rows, categories). centre, spread: median and log standard deviation of that prior (common
    practice, no source)."""
    rows = counts.sum(axis=1) > 0
    mean = np.broadcast_to(mean, counts.shape)
    scores = [
        log_dirichlet_multinomial(counts[rows], mean[rows], c) - 0.5 * (np.log(c / centre) / spread) ** 2
        for c in choices
    ]
    return choices[int(np.argmax(scores))]


def mean_concentration(
    counts: np.ndarray, mean: np.ndarray, choices: tuple[float, ...], centre: float, spread: float
) -> float:
    """As `concentration`, averaged over its posterior so that 1 / (C + 1), which the variances go by, is right on
    average: where the data do not tell large choices apart, the likeliest alone would be an accident."""
    rows = counts.sum(axis=1) > 0
    scores = np.array(
        [
            log_dirichlet_multinomial(counts[rows], mean[rows], c) - 0.5 * (np.log(c / centre) / spread) ** 2
            for c in choices
        ]
    )
    weight = np.exp(scores - scores.max())
    return float(1 / np.average(1 / (np.array(choices) + 1), weights=weight) - 1)


@dataclass(frozen=True)
class SymptomTable:
    """P(symptom | component, lighting) as Dirichlet counts.

    alpha: shape (lightings, components, symptoms), posterior counts; counts: confirmed cases, weighted, same
    shape; strengths: the concentrations of levels 1 and 2."""

    symptoms: tuple[str, ...]
    components: tuple[str, ...]
    lightings: tuple[str, ...]
    alpha: np.ndarray
    counts: np.ndarray
    strengths: tuple[float, float]

    def mean(self) -> np.ndarray:
        """P(symptom | component, lighting), shape (lightings, components, symptoms); sums to 1 over
        symptoms."""
        return self.alpha / self.alpha.sum(axis=2, keepdims=True)

    def draw(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Posterior draws, shape (draws, lightings, components, symptoms)."""
        gamma = rng.standard_gamma(np.broadcast_to(self.alpha, (draws, *self.alpha.shape)))
        gamma = np.maximum(gamma, 1e-300)
        return gamma / gamma.sum(axis=3, keepdims=True)


def fit_symptoms(
    episodes: pl.DataFrame, components: tuple[str, ...], lightings: tuple[str, ...]
) -> SymptomTable:
    """Count and smooth. episodes: columns key (symptom as counted; null rows are left out), cause, lighting,
    weight."""
    told = episodes.filter(pl.col("key").is_not_null())
    extra = sorted(set(told["key"].unique()) - set(SYMPTOMS) - {BOTH_DARK})
    symptoms = (*SYMPTOMS, *extra, BOTH_DARK)
    counts = np.zeros((len(lightings), len(components), len(symptoms)))
    table = told.group_by("lighting", "cause", "key").agg(pl.col("weight").sum())
    at = [{v: i for i, v in enumerate(names)} for names in (lightings, components, symptoms)]
    for lighting, cause, key, weight in table.sort("lighting", "cause", "key").iter_rows():
        if lighting in at[0] and cause in at[1]:
            counts[at[0][lighting], at[1][cause], at[2][key]] += weight
    root = counts.sum(axis=(0, 1))[:-1] + 0.5
    root /= root.sum()
    # The middle of what causes say, each cause once (as far as it has cases), not of what the commonest says.
    single = counts.sum(axis=0)[:, :-1]
    n = single.sum(axis=1, keepdims=True)
    told_weight = n / (n + 10)
    if told_weight.sum() > 0:
        root = (told_weight * (single + 2 * root) / (n + 2)).sum(axis=0) / told_weight.sum()
    both = np.array([BOTH_SHARE.get(c, BOTH_SHARE_ELSEWHERE) for c in components])
    base = np.concatenate([root * (1 - both[:, None]), both[:, None]], axis=1)
    by_component = counts.sum(axis=0)
    first = concentration(by_component, base)
    parent = (by_component + first * base) / (by_component.sum(axis=1, keepdims=True) + first)
    rows = counts.reshape(-1, len(symptoms))
    if len(lightings) > 1:
        second = concentration(rows, np.tile(parent, (len(lightings), 1)), centre=100.0)
        # The parent holds this lighting's own cases already: they are taken out of it before they are added
        # again.
        rest = by_component[None] - counts
        from_others = (rest + first * base[None]) / (rest.sum(axis=2, keepdims=True) + first)
        worth = np.minimum(second, rest.sum(axis=2, keepdims=True) + first)
        prior = worth * from_others
    else:
        second, prior = first, first * base[None]
    # What a cause has never said yet counts as half a case (Jeffreys), but never more than is SELDOM; without this "never
    # seen" would be taken for "cannot be". For both sides at once the trade's rule is held to: a tenth of a case.
    most, half = np.full(len(symptoms), SELDOM), np.full(len(symptoms), 0.5)
    most[-1], half[-1] = BOTH_SHARE_ELSEWHERE, 0.1
    seen = counts.sum(axis=2, keepdims=True) + first
    alpha = counts + np.maximum(prior, np.minimum(half, most * seen))
    return SymptomTable(symptoms, components, lightings, alpha, counts, (first, second))


@dataclass(frozen=True)
class CodeTable:
    """P(fault code | component) among cases with a code, by lighting, as Dirichlet counts (lightings,
    components, codes)."""

    codes: tuple[str, ...]
    components: tuple[str, ...]
    lightings: tuple[str, ...]
    alpha: np.ndarray
    counts: np.ndarray
    strength: float

    def mean(self) -> np.ndarray:
        """P(code | component, lighting), shape (lightings, components, codes); with no code known the last
        axis is empty."""
        return self.alpha / np.maximum(self.alpha.sum(axis=2, keepdims=True), 1e-300)


def code_key(code: pl.Expr | None = None) -> pl.Expr:
    """A fault code in one spelling: upper case without blanks; null where there is none."""
    text = (
        (pl.col("fault_code") if code is None else code)
        .cast(pl.String)
        .str.to_uppercase()
        .str.replace_all(r"\s+", "")
    )
    return pl.when(text != "").then(text)


def fit_codes(
    episodes: pl.DataFrame, components: tuple[str, ...], lightings: tuple[str, ...], most: int = 200
) -> CodeTable:
    """Count and smooth the commonest `most` codes. episodes: columns code (null left out), cause, lighting,
    weight."""
    told = episodes.filter(pl.col("code").is_not_null())
    ranked = (
        told.group_by("code").agg(pl.col("weight").sum()).sort(["weight", "code"], descending=[True, False])
    )
    codes = tuple(sorted(ranked.head(most)["code"]))
    counts = np.zeros((len(lightings), len(components), len(codes)))
    at = [{v: i for i, v in enumerate(names)} for names in (lightings, components, codes)]
    table = (
        told.group_by("lighting", "cause", "code")
        .agg(pl.col("weight").sum())
        .sort("lighting", "cause", "code")
    )
    for lighting, cause, code, weight in table.iter_rows():
        if lighting in at[0] and cause in at[1] and code in at[2]:
            counts[at[0][lighting], at[1][cause], at[2][code]] += weight
    if not codes:
        return CodeTable(codes, components, lightings, counts, counts, 0.0)
    base = counts.sum(axis=1, keepdims=True) + 0.5
    base = base / base.sum(axis=2, keepdims=True)
    mean = np.broadcast_to(base, counts.shape)
    strength = concentration(counts.reshape(-1, len(codes)), mean.reshape(-1, len(codes)))
    return CodeTable(codes, components, lightings, counts + strength * mean, counts, strength)


def code_value(
    codes: CodeTable, causes: np.ndarray, confidence: float = 0.95, min_cases: int = 5
) -> pl.DataFrame:
    """What a fault code is worth: P(cause | code) with its interval, beside P(cause) without it, over all
    symptoms and ages.

    causes: confirmed cases by (lighting, component), weighted. Columns lighting, fault_code, component, cases
    (with this code and this cause), cases_with_code, probability, low, high, probability_without, verdict
    ('points to', 'points away', 'tells nothing', 'too few'). P(cause | code) is Dirichlet: cases with the
    code + concentration x P(cause), the concentration by marginal likelihood; exact beta intervals of it."""
    from scipy.special import betaincinv

    rows = []
    for li, lighting in enumerate(codes.lightings):
        total = causes[li].sum()
        if total <= 0 or not codes.codes:
            continue
        without = causes[li] / total
        table = codes.counts[li].T  # (codes, components)
        strength = concentration(table, np.broadcast_to(without, table.shape))
        for ki, code in enumerate(codes.codes):
            n = table[ki].sum()
            if n <= 0:
                continue
            alpha = table[ki] + strength * without
            for ji in np.flatnonzero(without > 0):
                a, b = alpha[ji], alpha.sum() - alpha[ji]
                low, high = (
                    float(betaincinv(a, b, q)) if b > 0 else 1.0
                    for q in ((1 - confidence) / 2, (1 + confidence) / 2)
                )
                verdict = (
                    "too few"
                    if n < min_cases
                    else "points to"
                    if low > without[ji]
                    else "points away"
                    if high < without[ji]
                    else "tells nothing"
                )
                rows.append(
                    (
                        lighting,
                        code,
                        codes.components[ji],
                        float(table[ki, ji]),
                        float(n),
                        float(a / (a + b)),
                        low,
                        high,
                        float(without[ji]),
                        verdict,
                    )
                )
    schema = {
        "lighting": pl.String,
        "fault_code": pl.String,
        "component": pl.String,
        "cases": pl.Float64,
        "cases_with_code": pl.Float64,
        "probability": pl.Float64,
        "low": pl.Float64,
        "high": pl.Float64,
        "probability_without": pl.Float64,
        "verdict": pl.String,
    }
    return pl.DataFrame(rows, schema=schema, orient="row").sort(
        ["lighting", "cases_with_code", "fault_code", "probability", "component"],
        descending=[False, True, False, True, False],
    )
