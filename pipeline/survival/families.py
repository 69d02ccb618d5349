"""Families of life distributions: hazard, cumulative hazard, their derivatives, quantiles, means, on one footing.

Each family is written on an unconstrained scale `theta` (logs, a logit for shares and early shapes), where
likelihoods are closest to quadratic; `names` and `natural` give what a reader expects. t is in the unit of the clock
(days, km, hours); shapes, shares and sigma are plain numbers; scales and exp(mu) have the unit of t. Everything is
vectorised over t, and t <= 0 means "not yet lived": cumulative hazard 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

LOG_2PI_HALF = 0.5 * math.log(2 * math.pi)
HUGE = 1e6  # cap of a cumulative hazard: survival is 0 to the last digit long before


def _exp(x):
    return np.exp(np.minimum(x, 50.0))


def _expit(x):
    from scipy.special import expit

    return expit(x)


@dataclass(frozen=True)
class Family:
    """One family of life distributions.

    hazards(theta, t) -> (ln h, H), arrays like t; slopes(theta, t) -> (d ln h / d theta, dH / d theta), arrays (k,
    len(t)). natural(theta) and inverse(values): between the unconstrained scale and the named parameters. links: the
    scale of each parameter ('log', 'identity', 'logit', 'log-1' for ln(b - 1)). stretch: d theta / d ln(unit), for
    changing the unit of t. location_scale: True where ln T = mu + sigma W for a fixed W, theta two-dimensional.
    """

    name: str
    names: tuple[str, ...]
    links: tuple[str, ...]
    stretch: tuple[int, ...]
    hazards: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    slopes: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    location_scale: bool = False

    @property
    def size(self) -> int:
        """Number of parameters."""
        return len(self.names)

    def natural(self, theta: Sequence[float] | np.ndarray) -> np.ndarray:
        """Named parameters from theta; theta (..., k) -> (..., k)."""
        theta = np.asarray(theta, float)
        out = np.empty_like(theta)
        for i, link in enumerate(self.links):
            x = theta[..., i]
            out[..., i] = (
                np.exp(x)
                if link == "log"
                else x
                if link == "identity"
                else _expit(x)
                if link == "logit"
                else 1.0 + np.exp(x)
            )
        return out

    def inverse(self, values: Sequence[float] | np.ndarray) -> np.ndarray:
        """theta from named parameters, in the order of `names`. Raises ValueError for values outside their range."""
        values = np.asarray(values, float)
        out = np.empty_like(values)
        for i, link in enumerate(self.links):
            x = values[..., i]
            bad = {"log": x <= 0, "identity": ~np.isfinite(x), "logit": (x <= 0) | (x >= 1), "log-1": x <= 1}[link]
            if np.any(bad):
                raise ValueError(f"{self.name}: {self.names[i]} = {x} is out of range.")
            out[..., i] = (
                np.log(x)
                if link == "log"
                else x
                if link == "identity"
                else np.log(x / (1 - x))
                if link == "logit"
                else np.log(x - 1)
            )
        return out

    def jacobian(self, theta: np.ndarray) -> np.ndarray:
        """d natural / d theta at theta, length k (each named parameter depends on its own theta alone)."""
        values = self.natural(theta)
        out = np.ones(self.size)
        for i, link in enumerate(self.links):
            v = values[i]
            out[i] = v if link == "log" else 1.0 if link == "identity" else v * (1 - v) if link == "logit" else v - 1
        return out

    def cumulative(self, theta: np.ndarray, t) -> np.ndarray:
        """Cumulative hazard H(t) = -ln S(t); 0 at t <= 0."""
        t = np.asarray(t, float)
        out = np.zeros(t.shape)
        live = t > 0
        if np.any(live):
            out[live] = self.hazards(theta, t[live])[1]
        return out

    def hazard(self, theta: np.ndarray, t) -> np.ndarray:
        """Hazard h(t) per unit of t; at t <= 0 the hazard just after 0 is not defined for every family: nan."""
        t = np.asarray(t, float)
        out = np.full(t.shape, np.nan)
        live = t > 0
        if np.any(live):
            out[live] = np.exp(self.hazards(theta, t[live])[0])
        return out

    def quantile(self, theta: np.ndarray, p) -> np.ndarray:
        """Time by which a share p has failed; inf where the family never gets there. Raises ValueError unless 0 < p <
        1."""
        p = np.asarray(p, float)
        if np.any(~((p > 0) & (p < 1))):
            raise ValueError("A share must lie between 0 and 1.")
        return np.array([self._quantile(theta, float(q)) for q in p.ravel()]).reshape(p.shape)

    def _quantile(self, theta: np.ndarray, p: float) -> float:
        from scipy import special

        theta = np.asarray(theta, float)
        target = -math.log1p(-p)
        if self.name == "exponential":
            return math.exp(theta[0]) * target
        if self.location_scale:
            mu, sigma = location_scale(self, theta)
            return _safe_exp(mu + sigma * standard_quantile(self, p))
        if self.name == "generalised_gamma":
            mu, sigma, q = theta[0], math.exp(theta[1]), theta[2]
            if abs(q) < SMALL_Q:
                return _safe_exp(mu + sigma * special.ndtri(p))
            a = 1 / q**2
            v = special.gammaincinv(a, p) if q > 0 else special.gammainccinv(a, p)
            return _safe_exp(mu + sigma / q * math.log(v / a)) if v > 0 else 0.0
        if self.name == "limited_failure":
            share = _expit(theta[0])
            if p >= share:
                return math.inf
            return _safe_exp(theta[2] + math.log(-math.log1p(-p / share)) / math.exp(theta[1]))
        # no closed form: bisect ln H on ln t, then polish
        from scipy.optimize import brentq

        def gap(x: float) -> float:
            return float(np.log(max(self.hazards(theta, np.array([math.exp(x)]))[1][0], 1e-300))) - math.log(target)

        low, high = theta[1] - 1.0, theta[1] + 1.0
        low = min(low, theta[3] - 1.0) if self.size > 3 else low
        while gap(low) > 0 and low > -600:
            low -= 5.0
        while gap(high) < 0 and high < 600:
            high += 5.0
        if gap(low) > 0:
            return 0.0
        if gap(high) < 0:
            return math.inf
        return math.exp(brentq(gap, low, high, xtol=1e-13, rtol=1e-14))

    def mean_residual(self, theta: np.ndarray, t: float) -> float:
        """Mean remaining life of a part that has reached t: integral of S from t, over S(t); inf where a share never
        fails or the integral does not converge. Source: Lawless 2003, section 1.2.1.

        Adaptive quadrature over ln-spaced panels, good to about 1e-8 relative. Raises ValueError for negative t.
        """
        if t < 0:
            raise ValueError("Age must not be negative.")
        if self.name == "limited_failure":
            return math.inf
        if self.name == "exponential":
            return math.exp(theta[0])
        natural = self.natural(theta)
        if self.name == "loglogistic" and natural[0] <= 1:
            return math.inf
        if self.name == "generalised_gamma" and natural[2] < 0 and -1 / (natural[1] * natural[2]) <= 1:
            return math.inf
        from scipy.integrate import quad

        start = float(self.cumulative(theta, t))
        if start > 700:
            return 0.0

        def left(u: float) -> float:
            return float(np.exp(start - self.cumulative(theta, np.array(u))))

        s0 = math.exp(-start)
        edges = [t] + [
            e
            for e in (
                float(self._quantile(theta, 1 - s0 * (1 - p)))
                for p in (0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99, 0.9999)
                if 0 < 1 - s0 * (1 - p) < 1
            )
            if e > t and math.isfinite(e)
        ]
        total = sum(
            quad(left, a, b, epsabs=0, epsrel=1e-10, limit=200)[0]
            for a, b in zip(edges[:-1], edges[1:], strict=False)
            if b > a
        )
        # the tail on a log scale: u = last * e^y
        last = max(edges[-1], t, 1e-12)
        tail = quad(lambda y: left(last * math.exp(y)) * last * math.exp(y), 0, 60, epsabs=0, epsrel=1e-9, limit=500)[0]
        return total + tail

    def mean(self, theta: np.ndarray) -> float:
        """Mean life in the unit of the clock; closed form where there is one, else `mean_residual` at 0."""
        from scipy.special import gamma

        v = self.natural(theta)
        if self.name == "weibull":
            return float(v[1] * gamma(1 + 1 / v[0]))
        if self.name == "lognormal":
            return _safe_exp(v[0] + v[1] ** 2 / 2)
        if self.name == "loglogistic":
            return math.inf if v[0] <= 1 else float(v[1] * (math.pi / v[0]) / math.sin(math.pi / v[0]))
        return self.mean_residual(theta, 0.0)


def _safe_exp(x: float) -> float:
    return math.exp(x) if x < 700 else math.inf


def standard_quantile(family: Family, p: float) -> float:
    """Quantile of W in ln T = mu + sigma W: smallest extreme value (weibull), normal (lognormal), logistic
    (loglogistic).
    Source: Meeker & Escobar 1998, sections 4.6 to 4.11.
    Pinned by tests/survival/test_families.py.
    """
    from scipy.special import ndtri

    if family.name == "weibull":
        return math.log(-math.log1p(-p))
    if family.name == "lognormal":
        return float(ndtri(p))
    return math.log(p / (1 - p))


def location_scale(family: Family, theta: np.ndarray) -> tuple[float, float]:
    """(mu, sigma) of ln T = mu + sigma W from theta of a location-scale family."""
    if family.name == "lognormal":
        return float(theta[0]), math.exp(theta[1])
    return float(theta[1]), math.exp(-theta[0])


def from_location_scale(family: Family, mu: float, log_sigma: float) -> np.ndarray:
    """theta from (mu, ln sigma)."""
    return np.array([mu, log_sigma]) if family.name == "lognormal" else np.array([-log_sigma, mu])


# ---- exponential: H = t / scale
# -------------------------------------------------------------------------------------


def _exponential(theta, t):
    return np.full(t.shape, -theta[0]), t * math.exp(-theta[0])


def _exponential_slopes(theta, t):
    h = t * math.exp(-theta[0])
    return np.full((1, *t.shape), -1.0), -h[None]


# ---- Weibull: H = (t / scale)^shape (Weibull 1951)
# -------------------------------------------------------------------


def _weibull(theta, t):
    u = np.log(t) - theta[1]
    k = math.exp(min(theta[0], 50.0))
    return theta[0] - theta[1] + (k - 1) * u, np.minimum(_exp(k * u), HUGE)


def _weibull_slopes(theta, t):
    u = np.log(t) - theta[1]
    k = math.exp(min(theta[0], 50.0))
    h = np.minimum(_exp(k * u), HUGE)
    return np.stack([1 + k * u, np.full(t.shape, -k)]), np.stack([h * k * u, -k * h])


# ---- lognormal: ln T = mu + sigma Z
# -----------------------------------------------------------------------------------


def _normal_tail(z):
    """ln S and the ratio density / S of the standard normal."""
    from scipy.special import log_ndtr

    log_s = log_ndtr(-z)
    return log_s, np.exp(-0.5 * z * z - LOG_2PI_HALF - log_s)


def _lognormal(theta, t):
    sigma = math.exp(theta[1])
    log_t = np.log(t)
    z = np.clip((log_t - theta[0]) / sigma, -1e3, 1e3)
    log_s, _ = _normal_tail(z)
    return -0.5 * z * z - LOG_2PI_HALF - theta[1] - log_t - log_s, -log_s


def _lognormal_slopes(theta, t):
    sigma = math.exp(theta[1])
    z = np.clip((np.log(t) - theta[0]) / sigma, -1e3, 1e3)
    _, m = _normal_tail(z)
    a = m - z
    return np.stack([-a / sigma, -1 - a * z]), np.stack([-m / sigma, -m * z])


# ---- loglogistic: H = ln(1 + (t / scale)^shape)
# ------------------------------------------------------------------------


def _loglogistic(theta, t):
    k = math.exp(min(theta[0], 50.0))
    log_t = np.log(t)
    u = k * (log_t - theta[1])
    h = np.logaddexp(0, u)
    return theta[0] - log_t + u - h, h


def _loglogistic_slopes(theta, t):
    k = math.exp(min(theta[0], 50.0))
    u = k * (np.log(t) - theta[1])
    p = _expit(u)
    return np.stack([1 + (1 - p) * u, -k * (1 - p)]), np.stack([p * u, -k * p])


# ---- generalised gamma (Prentice 1974, Biometrika 61:539-544): w = (ln t - mu) / sigma, e^(q w) / q^2 is gamma(1 /
# q^2) --

SMALL_Q = 1e-6  # nearer to 0 the family is lognormal to working accuracy
_Q_STEP = 5e-4


def _stirling_error(a):
    """ln Gamma(a) less Stirling's (a - 1/2) ln a - a + ln(2 pi) / 2."""
    from scipy.special import gammaln

    if a > 30:
        return 1 / (12 * a) - 1 / (360 * a**3) + 1 / (1260 * a**5) - 1 / (1680 * a**7)
    return float(gammaln(a)) - ((a - 0.5) * math.log(a) - a + LOG_2PI_HALF)


def _log_density_w(w, q):
    if abs(q) < SMALL_Q:
        return -0.5 * w * w - LOG_2PI_HALF
    a = 1 / q**2
    x = np.clip(q * w, -700, 700)
    # x - (e^x - 1) cancels near 0: its series there
    near = -x * x / 2 * (1 + x / 3 * (1 + x / 4 * (1 + x / 5 * (1 + x / 6 * (1 + x / 7)))))
    return -LOG_2PI_HALF - _stirling_error(a) + a * np.where(np.abs(x) < 1e-2, near, x - np.expm1(x))


def _log_survival_w(w, q):
    from scipy.special import gammainc, gammaincc, gammaln, log_ndtr

    if abs(q) < 2e-3:
        # The incomplete gamma of an enormous order loses its far left tail: interpolate over orders where it does not
        # (Lagrange, 5 points; the one at 0 is lognormal).
        if q == 0:
            return log_ndtr(-w)
        x = q / 4e-3
        weights = {
            -2: x * (x * x - 1) * (x - 2) / 24,
            -1: -x * (x - 1) * (x * x - 4) / 6,
            0: (x * x - 1) * (x * x - 4) / 4,
            1: -x * (x + 1) * (x * x - 4) / 6,
            2: x * (x * x - 1) * (x + 2) / 24,
        }
        return sum(c * _log_survival_w(w, 4e-3 * k) for k, c in weights.items())
    a = 1 / q**2
    v = a * np.exp(np.clip(q * w, -700, 700))
    s, f = (gammaincc(a, v), gammainc(a, v)) if q > 0 else (gammainc(a, v), gammaincc(a, v))
    with np.errstate(divide="ignore"):
        out = np.where(s < 0.5, np.log(s), np.log1p(-f))
    far = s < 1e-280
    if np.any(far):  # leading terms of the tails: Gamma(a, v) ~ v^(a-1) e^-v (1 + (a-1)/v), gamma(a, v) ~ v^a / a
        vf = v[far]
        if q > 0:
            out[far] = (a - 1) * np.log(vf) - vf - gammaln(a) + np.log1p(np.maximum((a - 1) / vf, -0.5))
        else:
            out[far] = a * np.log(vf) - gammaln(a + 1) - vf
    return np.maximum(out, -HUGE)


def _gamma(theta, t):
    sigma, q = math.exp(theta[1]), theta[2]
    log_t = np.log(t)
    w = (log_t - theta[0]) / sigma
    log_s = _log_survival_w(w, q)
    return _log_density_w(w, q) - theta[1] - log_t - log_s, -log_s


def _gamma_slopes(theta, t):
    sigma, q = math.exp(theta[1]), theta[2]
    w = (np.log(t) - theta[0]) / sigma
    log_s = _log_survival_w(w, q)
    m = np.exp(np.minimum(_log_density_w(w, q) - log_s, 50.0))
    a = (-w if abs(q) < SMALL_Q else -np.expm1(np.clip(q * w, -700, 50)) / q) + m
    # in q by central differences: the derivative of an incomplete gamma in its order has no closed form
    up, down = q + _Q_STEP, q - _Q_STEP
    su, sd = _log_survival_w(w, up), _log_survival_w(w, down)
    dh = -(su - sd) / (2 * _Q_STEP)
    df = (_log_density_w(w, up) - _log_density_w(w, down)) / (2 * _Q_STEP)
    return np.stack([-a / sigma, -1 - a * w, df + dh]), np.stack([-m / sigma, -m * w, dh])


# ---- early failures plus wear-out: H = (t / early_scale)^early_shape + (t / wear_scale)^wear_shape (Xie & Lai 1996)
# ------


def _two(theta, t):
    log_t = np.log(t)
    b1, b2 = float(_expit(theta[0])), 1 + math.exp(min(theta[2], 50.0))
    u1, u2 = log_t - theta[1], log_t - theta[3]
    h1, h2 = np.minimum(_exp(b1 * u1), HUGE), np.minimum(_exp(b2 * u2), HUGE)
    return log_t, b1, b2, u1, u2, h1, h2


def _early_wear(theta, t):
    log_t, b1, b2, u1, u2, h1, h2 = _two(theta, t)
    return np.log(b1 * h1 + b2 * h2) - log_t, h1 + h2


def _early_wear_slopes(theta, t):
    log_t, b1, b2, u1, u2, h1, h2 = _two(theta, t)
    d1, d2 = b1 * (1 - b1), b2 - 1
    w = b1 * h1 / (b1 * h1 + b2 * h2)
    log_h = np.stack([w * (1 / b1 + u1) * d1, -w * b1, (1 - w) * (1 / b2 + u2) * d2, -(1 - w) * b2])
    return log_h, np.stack([h1 * u1 * d1, -b1 * h1, h2 * u2 * d2, -b2 * h2])


# ---- limited failure population: F = share * Weibull (Meeker 1987, Technometrics 29:51-65)
# -------------------------------


def _limited(theta, t):
    p = float(_expit(theta[0]))
    log_h0, h0 = _weibull(theta[1:], t)
    s0 = np.exp(-h0)
    h = -np.log(np.maximum(1 - p + p * s0, 1e-300))
    return math.log(max(p, 1e-300)) + log_h0 - h0 + h, h


def _limited_slopes(theta, t):
    p = float(_expit(theta[0]))
    _, h0 = _weibull(theta[1:], t)
    g_log, g_h = _weibull_slopes(theta[1:], t)
    s0 = np.exp(-h0)
    s = np.maximum(1 - p + p * s0, 1e-300)
    dp = (1 - s0) / s * p * (1 - p)
    dh = np.concatenate([dp[None], (p * s0 / s)[None] * g_h])
    d_log = np.concatenate([np.full((1, *t.shape), 1 - p), g_log - g_h])
    return d_log + dh, dh


EXPONENTIAL = Family("exponential", ("scale",), ("log",), (1,), _exponential, _exponential_slopes)
WEIBULL = Family("weibull", ("shape", "scale"), ("log", "log"), (0, 1), _weibull, _weibull_slopes, True)
LOGNORMAL = Family("lognormal", ("mu", "sigma"), ("identity", "log"), (1, 0), _lognormal, _lognormal_slopes, True)
LOGLOGISTIC = Family("loglogistic", ("shape", "scale"), ("log", "log"), (0, 1), _loglogistic, _loglogistic_slopes, True)
GENERALISED_GAMMA = Family(
    "generalised_gamma", ("mu", "sigma", "q"), ("identity", "log", "identity"), (1, 0, 0), _gamma, _gamma_slopes
)
EARLY_WEAR_OUT = Family(
    "early_wear_out",
    ("early_shape", "early_scale", "wear_shape", "wear_scale"),
    ("logit", "log", "log-1", "log"),
    (0, 1, 0, 1),
    _early_wear,
    _early_wear_slopes,
)
LIMITED_FAILURE = Family(
    "limited_failure", ("share", "shape", "scale"), ("logit", "log", "log"), (0, 0, 1), _limited, _limited_slopes
)

FAMILIES: dict[str, Family] = {
    f.name: f
    for f in (EXPONENTIAL, WEIBULL, LOGNORMAL, LOGLOGISTIC, GENERALISED_GAMMA, EARLY_WEAR_OUT, LIMITED_FAILURE)
}


def family(name: str) -> Family:
    """The family of that name. Raises ValueError, naming the known ones."""
    if name not in FAMILIES:
        raise ValueError(f"No family '{name}'; known: {', '.join(FAMILIES)}.")
    return FAMILIES[name]


def hazard_minimum(early_shape: float, early_scale: float, wear_shape: float, wear_scale: float) -> float:
    """Age of least hazard of early-plus-wear-out, in the unit of the scales: t* = [(b1 (1 - b1) / a1^b1) /
    (b2 (b2 - 1) / a2^b2)]^(1 / (b2 - b1)), the zero of h'. Source: Xie & Lai 1996, Reliab. Eng. Syst. Saf. 52:87-93.

    Raises ValueError unless early_shape < 1 < wear_shape.
    Pinned by tests/reference/test_parametric_reference.py.
    """
    b1, b2 = early_shape, wear_shape
    if not 0 < b1 < 1 < b2:
        raise ValueError("The hazard has a minimum only where early_shape < 1 < wear_shape.")
    log_ratio = (math.log(b1 * (1 - b1)) - b1 * math.log(early_scale)) - (
        math.log(b2 * (b2 - 1)) - b2 * math.log(wear_scale)
    )
    return math.exp(log_ratio / (b2 - b1))


def rated_shape(b3: float, characteristic_life: float) -> float:
    """Weibull shape that a rating by B3 (3 % failed) and Tc (63.2 % failed) implies: ln(-ln 0.97) / ln(B3 / Tc).
    IEC 60810 rates lamps by this pair. Raises ValueError unless 0 < b3 < characteristic_life.
    Pinned by tests/reference/test_parametric_reference.py.
    """
    if not 0 < b3 < characteristic_life:
        raise ValueError("B3 must be above 0 and below the characteristic life.")
    return math.log(-math.log(0.97)) / math.log(b3 / characteristic_life)
