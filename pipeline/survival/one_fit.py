"""One family fitted to lives, all families fitted to them, and the choice among them by a written rule (`choose`)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.survival.families import Family, family
from pipeline.survival.likelihood import Sums, Top, row_scores, sandwich, search
from pipeline.survival.samples import Fit, Sample, clusters_of, failed_clusters_of, refusal
from pipeline.survival.weibull import MIN_DISTINCT, too_few, weibull_batch

DEFAULT_FAMILIES = (
    "exponential",
    "weibull",
    "lognormal",
    "loglogistic",
    "generalised_gamma",
    "early_wear_out",
    "limited_failure",
)
RICH_FAILURES = (
    20  # failures from which families of 3 or 4 parameters are tried and Wald intervals trusted (our own rule)
)
PARSIMONY = (
    2.0  # AIC by which a richer family must win (Burnham & Anderson 2002, section 2.6: less is no real difference)
)


def fit(
    name: str,
    lives: Sample,
    *,
    min_failures: float = 5,
    min_distinct: int = MIN_DISTINCT,
    start: Fit | None = None,
    worth: float = -math.inf,
    sums: Sums | None = None,
) -> Fit:
    """Fit one family by maximum likelihood.

    name: see `families.FAMILIES`. lives: from `sample`. start: a Weibull fit of the same lives, if at hand. worth: a
    log-likelihood below which the fit is of no use; the search may stop early, and says so. Never raises for thin
    or odd data: the returned Fit then has converged False and says why in `warning`. With interval-censored lives
    min_distinct counts distinct upper ends. Raises ValueError for an unknown name.
    Source: see the head of this module; generalised gamma: Prentice 1974; limited failures: Meeker 1987.
    Pinned by tests/reference/test_parametric_reference.py, tests/survival/test_fit.py (lifelines).
    """
    f = family(name)
    lives_failed = lives.failures
    times = lives.failure_times
    if lives_failed < min_failures or (f.size > 1 and len(times) < min_distinct):
        return refusal(name, lives, too_few(lives_failed, len(times), min_failures, min_distinct))
    exact = bool(np.all(lives.exact))
    sums = sums or Sums.of(lives)
    unit = math.log(sums.unit)
    stretch = np.array(f.stretch, float)
    if name == "weibull" and exact:
        if start is None:
            b = weibull_batch(
                lives.entry,
                lives.lower,
                lives.event,
                np.zeros(len(lives.lower), int),
                1,
                weight=lives.weight,
                min_failures=min_failures,
                min_distinct=min_distinct,
            )
            if not b.ok[0]:
                return refusal(name, lives, b.reason[0])
            theta = np.log([b.shape[0], b.scale[0]]) - stretch * unit
        else:
            theta = start.theta - stretch * unit
        top = Top(theta, sums.value(f, theta), sums.curvature(f, theta), True)
    elif name == "exponential" and exact:
        theta = _starts(f, lives, sums, start)[0]
        top = Top(theta, sums.value(f, theta), sums.curvature(f, theta), True)  # failures over time lived: no search
    else:
        top = search(sums, f, _starts(f, lives, sums, start), worth + float(sums.fail_w.sum()) * unit)
        if not top.ok:
            return refusal(name, lives, top.why)
    return _finish(f, lives, sums, top)


def _finish(f: Family, lives: Sample, sums: Sums, top: Top) -> Fit:
    theta = top.theta + np.array(f.stretch, float) * math.log(sums.unit)
    roots = np.linalg.eigvalsh(top.information)
    if not roots[0] > 1e-10 * roots[-1]:
        return refusal(f.name, lives, "The likelihood is flat: the data cannot tell the parameters apart.")
    model = np.linalg.inv(top.information)
    scores = row_scores(f, theta, lives)
    # The information does not depend on the unit of time: theta only shifts with it.
    rows = sandwich(top.information, scores, lives.weight, None)
    # Rows weighted and clustered: a weight is then part of one vehicle's sum.
    robust = rows if lives.cluster is None else sandwich(top.information, scores, lives.weight, lives.cluster)
    j = f.jacobian(theta)
    value = top.value - float(sums.fail_w.sum()) * math.log(sums.unit)
    natural = f.natural(theta)
    failures = lives.failure_times
    least = float(np.min(lives.entry, initial=math.inf))
    warning = ""
    if lives.failures < RICH_FAILURES and f.size > 2:
        warning = f"{f.size} parameters from {lives.failures:g} failures."
    return Fit(
        f.name,
        f.names,
        dict(zip(f.names, map(float, natural), strict=False)),
        theta,
        robust,
        robust * np.outer(j, j),
        model,
        rows,
        value,
        2 * f.size - 2 * value,
        lives.lives,
        lives.failures,
        clusters_of(lives),
        True,
        warning,
        largest_failure=float(failures[-1]),
        largest_time=lives.largest_time,
        least_age=least,
        failed_clusters=failed_clusters_of(lives),
    )


def _starts(f: Family, lives: Sample, sums: Sums, weibull: Fit | None) -> list[np.ndarray]:
    """Points to begin from, on the scaled clock: from the Weibull fit, or from moments where there is none."""
    unit = math.log(sums.unit)
    if f.name == "exponential":
        ends = np.where(np.isfinite(lives.upper), (lives.lower + np.minimum(lives.upper, 1e300)) / 2, lives.lower)
        exposure = float((lives.weight * np.maximum(ends - lives.entry, 0)).sum())
        return [np.array([math.log(exposure / lives.failures) - unit])]
    if weibull is not None and weibull.converged:
        k, s = float(weibull.theta[0]), float(weibull.theta[1]) - unit
    elif f.name != "weibull" and (w := fit("weibull", lives, min_failures=0, min_distinct=0)).converged:
        k, s = float(w.theta[0]), float(w.theta[1]) - unit
    else:  # interval data, or no Weibull maximum: a plain guess from the share failed
        share = min(max(lives.failures / lives.lives, 1e-6), 0.95)
        typical = float(np.median(lives.failure_times)) / sums.unit
        k, s = 0.2, math.log(typical) - math.log(-math.log1p(-share)) / math.exp(0.2)
    shape = math.exp(k)
    if f.name == "weibull":
        return [np.array([k, s]), np.array([0.0, s])]
    median = s + math.log(math.log(2)) / shape
    if f.name == "loglogistic":
        return [np.array([k + 0.2, median])]
    # where most is censored the fits agree in the early tail: match the 5 % and 40 % points of the share seen to fail
    seen = min(max(lives.failures / lives.lives, 1e-4), 0.9)
    p1, p2 = seen * 0.1, seen * 0.7
    from scipy.special import ndtri

    z1, z2 = ndtri(p1), ndtri(p2)
    y1, y2 = (s + math.log(-math.log1p(-p)) / shape for p in (p1, p2))
    sigma = (y2 - y1) / (z2 - z1)
    normal = np.array([y1 - sigma * z1, math.log(sigma)])
    if f.name == "lognormal":
        return [normal]
    if f.name == "generalised_gamma":
        a, b = np.array([s, -k, 1.0]), np.array([*normal, 0.05])
        return [a if sums.value(f, a) > sums.value(f, b) else b]
    if f.name == "limited_failure":
        times = (
            np.repeat(sums.fail_t, np.maximum(sums.fail_w.round().astype(int), 1))
            if sums.fail_w.sum() < 1e6
            else sums.fail_t
        )
        if not len(times):
            times = sums.right
        middle = math.log(float(np.median(times)))
        seen = min(1.1 * lives.failures / lives.lives, 0.9)
        return [np.array([math.log(p / (1 - p)), k + 0.2, middle + 0.3]) for p in (seen, min(2 * seen, 0.95))]
    # early plus wear-out: part of the Weibull's hazard, at a middle and at a late age, goes to each side
    last = math.log(sums.last)
    first = math.log(float(sums.fail_t[0])) if len(sums.fail_t) else last - 3

    def h(y: float) -> float:
        return shape * (y - s)  # ln H of the Weibull at ln t = y

    out = []
    for b1, share, b2 in (
        (0.5, 0.3, max(1.5 * shape, 1.8)),
        (0.75, 0.15, max(1.3 * shape, 2.5)),
        (0.3, 0.6, max(2 * shape, 3.5)),
    ):
        middle = max((first + last) / 2, last - 1.5)
        a1 = middle - (h(middle) + math.log(share)) / b1
        a2 = last - (h(last) + math.log(1 - 0.5 * share)) / b2
        out.append(np.array([math.log(b1 / (1 - b1)), a1, math.log(b2 - 1), a2]))
    return out


def fit_families(
    lives: Sample, families: Sequence[str] = DEFAULT_FAMILIES, *, min_failures: float = 5, weibull: Fit | None = None
) -> list[Fit]:
    """Fit each family to the same lives and mark the chosen one (see `choose`). Families of more than two parameters
    are tried from 20 failures on; below, the refusal says so. Returns one Fit a family, in the order given.
    Pinned by tests/survival/test_fit.py.
    """
    sums = Sums.of(lives)
    base = weibull if weibull is not None else fit("weibull", lives, min_failures=min_failures, sums=sums)
    out = []
    for name in families:
        if name == "weibull":
            out.append(base)
        elif family(name).size > 2 and lives.failures < max(RICH_FAILURES, min_failures):
            out.append(refusal(name, lives, f"{family(name).size} parameters need at least {RICH_FAILURES} failures."))
        else:
            worth = -math.inf
            size = family(name).size
            if size > 2:  # what `choose` will ask of it: an AIC better by more than 2 than that of every simpler family so far
                simpler = [f.log_likelihood - len(f.names) for f in out if f.converged and len(f.names) < size]
                worth = max(simpler, default=-math.inf) + size + PARSIMONY / 2
            out.append(
                fit(
                    name,
                    lives,
                    min_failures=min_failures,
                    start=base if base.converged else None,
                    worth=worth,
                    sums=sums,
                )
            )
    best = choose(out)
    return [replace(f, chosen=f is best) for f in out]


def sensible(f: Fit) -> str:
    """Words against a fit that converged to something nobody should use; '' where there is nothing against it.

    Pinned by tests/survival/test_fit.py.
    """
    if not f.converged:
        return f.warning
    errors = np.sqrt(np.maximum(np.diag(f.covariance_model), 0))
    if f.family == "early_wear_out":
        if f.params["early_scale"] > 100 * f.largest_time:
            return "The early phase is so weak that the data do not show it."
        if f.params["wear_scale"] > 10 * f.largest_time or f.params["wear_shape"] > 20:
            return "The wear-out phase lies beyond the data."
    if f.family == "limited_failure":
        if f.params["share"] > 0.98:
            return "No share that never fails can be told."
        if f.params["scale"] > f.largest_time:
            return "Failures have not levelled off within the data: the share that fails cannot be told."
    if f.family == "generalised_gamma" and abs(f.params["q"]) > 5:
        return "The shape q lies beyond 5."
    if np.any(errors > 5):
        worst = f.names[int(np.argmax(errors))]
        return f"{worst} is not told by the data (standard error {errors.max():.2g} on its log scale)."
    return ""


def choose(fits: Sequence[Fit]) -> Fit | None:
    """The family to use, by a written rule; None where none can be used.

    1. Only fits that converged and against which `sensible` has nothing.
    2. Early-plus-wear-out and limited failures only where their AIC beats the Weibull's by more than 2.
    3. Of those, the smallest AIC; then the one of fewest parameters within 2 of it; at equal numbers the smaller AIC.
    Source: Burnham & Anderson 2002, Model Selection and Multimodel Inference, section 2.6 (differences within 2);
    rule 2 is our own (common practice, no source): a bad start or a bad batch is a claim about a part, and wants
    evidence.
    Pinned by tests/survival/test_fit.py.
    """
    weibull = next((f for f in fits if f.family == "weibull" and f.converged), None)
    able = []
    for f in fits:
        if sensible(f):
            continue
        if f.family in ("early_wear_out", "limited_failure") and (weibull is None or f.aic >= weibull.aic - PARSIMONY):
            continue
        able.append(f)
    if not able:
        return None
    least = min(f.aic for f in able)
    near = [f for f in able if f.aic <= least + PARSIMONY]
    return min(near, key=lambda f: (len(f.names), f.aic))
