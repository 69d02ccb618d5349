"""Competing modes: a Weibull for each cause of ending, the others as censoring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.survival.one_fit import fit
from pipeline.survival.samples import Fit, sample


@dataclass(frozen=True, eq=False)
class CompetingModes:
    """Weibull fits of each cause with the other causes censored; ln L of all causes together is the sum."""

    fits: dict[str, Fit]
    log_likelihood: float

    def survival(self, t) -> np.ndarray:
        """Share that outlives t against all causes."""
        return np.exp(-sum(f.cumulative_hazard(t) for f in self.fits.values()))

    def incidence(self, cause: str, t) -> np.ndarray:
        """Share ended by `cause` by t, all causes acting: the integral of h_cause S, over u = H_cause, by adaptive
        quadrature."""
        from scipy.integrate import quad

        f = self.fits[cause]
        out = []
        for end in np.asarray(t, float).ravel():
            top = float(f.cumulative_hazard(end))

            def piece(v: float, top: float = top) -> float:
                # u = top v^8: near 0 the other causes may rise faster than any smooth function of u
                age = f.params["scale"] * (top * v**8) ** (1 / f.params["shape"])
                return float(self.survival(age)) * 8 * top * v**7

            out.append(quad(piece, 0, 1, epsabs=1e-12, epsrel=1e-11, limit=200)[0] if top > 0 else 0.0)
        return np.array(out).reshape(np.shape(t))


def competing_modes(
    exit: Sequence[float],
    cause: Sequence[str | None],
    *,
    entry: Sequence[float] | float = 0.0,
    weight: Sequence[float] | None = None,
    cluster: Sequence | None = None,
    min_failures: float = 5,
) -> CompetingModes:
    """Two or more failure modes, the first to come ends the life: a Weibull for each, the others as censoring.

    cause: text, None where the life had not ended. Independent modes assumed (it cannot be tested from such data).
    Modes below min_failures are refused in their Fit and left out of the sum. Source: Meeker & Escobar 1998, section
    15.4 (device G); Prentice et al. 1978, Biometrics 34:541-554.
    Pinned by tests/reference/test_parametric_reference.py (device G, shock absorbers).
    """
    names = sorted({c for c in cause if c is not None})
    fits = {}
    for name in names:
        s = sample(exit, [c == name for c in cause], entry=entry, weight=weight, cluster=cluster)
        fits[name] = fit("weibull", s, min_failures=min_failures)
    good = {k: v for k, v in fits.items() if v.converged}
    return CompetingModes(good, float(sum(v.log_likelihood for v in good.values())))
