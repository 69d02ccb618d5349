"""How far a fit is from the product limit, in numbers and a word."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.survival.likelihood import collapse
from pipeline.survival.samples import Fit, Sample


@dataclass(frozen=True)
class Agreement:
    """How far a fit is from the product limit. distance: largest |difference| of survival, where at least min_at_risk
    lives were at risk, at age `at`. chi2, bands, p: failures seen against expected by bands of age (p nan with fewer
    than 2 bands). words: 'close', 'off', or 'too few'."""

    distance: float
    at: float
    chi2: float
    bands: int
    p: float
    words: str


def agreement(f: Fit, lives: Sample, min_at_risk: float = 10) -> Agreement:
    """Fit against product limit, and failures seen against expected by bands of age.

    Both curves are given survival to the first age with min_at_risk lives at risk. The bands hold equal numbers of
    failures (at least 5, at most 8 bands); expected failures are the fitted cumulative hazard over the time lived in
    the band, and the sum of (seen - expected)^2 / expected is referred to chi2 with (bands - 1) degrees of freedom:
    approximate, the right ones lie between bands - 1 - parameters and bands - 1. Source: Akritas 1988, J. Am. Stat.
    Assoc. 83:222-230; Cox & Snell 1968. 'off': p below 0.01 and more than 2 points apart. Exact and right-censored
    lives only; otherwise 'too few'.
    Pinned by tests/survival/test_fit.py.
    """
    none = Agreement(math.nan, math.nan, math.nan, 0, math.nan, "too few")
    if not f.converged or not np.all(lives.exact):
        return none
    d = lives.weight * lives.event
    t, seen = collapse(lives.lower, d)
    if not len(t):
        return none

    def more_than(times: np.ndarray, inclusive: bool) -> np.ndarray:
        order = np.argsort(times, kind="stable")
        sums = np.concatenate([[0.0], np.cumsum(lives.weight[order])])
        return (
            sums[np.searchsorted(times[order], t, side="left")]
            if inclusive
            else sums[-1] - sums[np.searchsorted(times[order], t, side="left")]
        )

    n = more_than(lives.entry, True) - (float(lives.weight.sum()) - more_than(lives.lower, False))
    enough = n >= min_at_risk - 1e-9
    if not enough.any():
        return none
    first = int(np.argmax(enough))
    start = float(t[first - 1]) if first else 0.0
    run = slice(first, len(t))
    limit = np.cumprod(np.maximum(1 - seen[run] / n[run], 0))
    before = np.concatenate([[1.0], limit[:-1]])
    model = np.exp(float(f.cumulative_hazard(start)) - f.cumulative_hazard(t[run]))
    gap = np.where(enough[run], np.maximum(np.abs(limit - model), np.abs(before - model)), 0.0)
    worst = int(np.argmax(gap))
    distance, at = float(gap[worst]), float(t[run][worst])
    total = float(seen[run].sum())
    bands = min(8, int(total // 5))
    if bands < 2:
        return Agreement(distance, at, math.nan, bands, math.nan, "too few")
    share = np.cumsum(seen[run])
    cuts = [float(t[run][min(np.searchsorted(share, total * b / bands), len(share) - 1)]) for b in range(1, bands)]
    edges = np.array([start, *sorted(set(cuts)), max(lives.largest_time, float(t[-1]))])
    out_t, out_w = collapse(lives.lower, lives.weight)
    in_t, in_w = collapse(np.where(lives.entry > 0, lives.entry, 0.0), lives.weight)
    expected, observed = [], []
    for a, b in zip(edges[:-1], edges[1:], strict=False):
        ha, hb = float(f.cumulative_hazard(a)), float(f.cumulative_hazard(b))
        lived = out_w @ (np.clip(f.cumulative_hazard(out_t), ha, hb) - ha)
        late = in_w @ (np.clip(f.cumulative_hazard(in_t), ha, hb) - ha) if len(in_t) else 0.0
        expected.append(float(lived - late))
        observed.append(float(seen[(t > a) & (t <= b)].sum()))
    from scipy.special import chdtrc

    e, o = np.array(expected), np.array(observed)
    good = e > 0
    chi2 = float(((o[good] - e[good]) ** 2 / e[good]).sum())
    p = float(chdtrc(max(int(good.sum()) - 1, 1), chi2))
    return Agreement(distance, at, chi2, int(good.sum()), p, "off" if p < 0.01 and distance > 0.02 else "close")
