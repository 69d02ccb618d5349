"""Which supplier to buy from: what a part costs per year that it serves, beside what it costs to buy.

A part is bought and fitted for price + labour, serves until it fails or until the horizon, and a failure may cost something more
(a breakdown). One part bought after another, the cost per year in service is by the renewal-reward theorem

    c = (price + labour + extra F(H)) / integral_0^H S(t) dt        F = 1 - S, H the horizon

(Ross, Introduction to Probability Models, section 7.4; with price + labour = c_p and price + labour + extra = c_f it is Barlow &
Hunter's 1960 cost rate of replacement at age H). The horizon is there because years beyond the vehicle's own are worth nothing, and
because nothing is said of ages that no part has reached.

S has a steady hazard within bands of age (piecewise exponential; Friedman 1982, Annals of Statistics 10:101-113), so that early
failures and wear are both in it: S(t) = exp(-sum lambda_k x time in band k), and the integral is a sum of
S(begin) (1 - exp(-lambda w)) / lambda over bands of width w.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.survival.early import false_discoveries
from pipeline.survival.risk import codes_of

BAND_EDGES_DAYS = (0.0, 30.0, 90.0, 180.0, 365.25)
"""Bands of age, then one a year."""
_PRIOR_FAILURES = 0.5  # of every band, at the rate of all suppliers together (Jeffreys' weight)


def band_edges(horizon_years: float, step_years: float = 1.0) -> np.ndarray:
    """Edges of the bands in years from 0 to the horizon. Raises ValueError for a horizon not above 0."""
    if not horizon_years > 0:
        raise ValueError(f"The horizon must be above 0 years; got {horizon_years}.")
    early = np.array(BAND_EDGES_DAYS) / 365.25
    later = np.arange(1 + step_years, horizon_years + step_years, step_years)
    edges = np.concatenate([early, later])
    return np.concatenate([edges[edges < horizon_years - 1e-9], [horizon_years]])


@dataclass(frozen=True)
class Service:
    """Of each row of hazards: years in service up to the horizon, share failed by then, share failed within the first year, and
    years in service up to the horizon of a part that has survived its first year."""

    years: np.ndarray
    failed: np.ndarray
    failed_first_year: np.ndarray
    years_after_first: np.ndarray


def service(hazards: np.ndarray, edges: np.ndarray) -> Service:
    """hazards: per year, (..., bands); edges: in years, bands + 1. Raises ValueError where they do not fit or hazards are negative."""
    h, w = np.asarray(hazards, dtype=float), np.diff(edges)
    if h.shape[-1] != len(w) or np.any(h < 0) or np.any(w <= 0):
        raise ValueError("hazards must be 0 or more, one a band, and edges must rise.")
    begin = np.exp(-np.concatenate([np.zeros((*h.shape[:-1], 1)), np.cumsum(h * w, axis=-1)], axis=-1))
    lived = np.where(h * w > 1e-9, -np.expm1(-h * w) / np.where(h > 0, h, 1.0), w - h * w**2 / 2)
    each = begin[..., :-1] * lived
    later = edges[:-1] >= 1 - 1e-9
    first = int(later.argmax()) if later.any() else len(w)
    at_one = begin[..., first]
    return Service(each.sum(axis=-1), 1 - begin[..., -1], 1 - at_one, min(1.0, edges[-1]) + each[..., first:].sum(axis=-1) / at_one)


def cost_rate(price: float, labour: float, extra: float, s: Service) -> np.ndarray:
    """Cost per year in service; see the head of this module."""
    return (price + labour + extra * s.failed) / s.years


def _comeback_share(price: float, labour: float, extra: float, s: Service) -> np.ndarray:
    """What failures within the first year add to the cost per year: the rate less that of parts that all survive their first year."""
    alive = 1 - s.failed_first_year
    sound = (price + labour + extra * (s.failed - s.failed_first_year) / alive) / s.years_after_first
    return cost_rate(price, labour, extra, s) - sound


def supplier_costs(
    lives: pl.DataFrame,
    prices: pl.DataFrame,
    keys: Sequence[str],
    group: Sequence[str],
    *,
    labour: float,
    extra: float = 0.0,
    clock: str = "days",
    per_year: float = 365.25,
    horizon_years: float = 5.0,
    cluster: str | None = "vehicle",
    confidence: float = 0.95,
    seed: int = 1,
    draws: int = 2_000,
    min_at_risk: int = 5,
    min_failures: int = 5,
) -> pl.DataFrame:
    """Cost per year in service of every supplier (or part number) of a kind of part, with intervals, against the others.

    lives: rows of `lives.lives` (keys, group, entry_<clock>, exit_<clock>, ending): all replacements of them; late entry is allowed for.
    keys: within whose values suppliers are compared; group: what is compared, e.g. ["supplier"]. prices: keys, group, price (per piece;
    groups without a price are left out). labour, extra: per fitting, and per failure beyond the next fitting, in the same money.
    per_year: clock units a year (days: 365.25; km: what the vehicles cover, the same for all suppliers, so that a supplier whose parts
    went to hard-driven vehicles is not blamed for it). The horizon shrinks to the age at which `min_at_risk` parts of all suppliers
    together are still watched.
    Columns: keys, group, fitted, failed, expected (failures at the rates of all together), watched_years (age at which min_at_risk of
    its own are still watched; beyond it the others' rates stand in), price, labour, horizon_years, years_in_service, first_year_failed,
    first_year_low, first_year_high, cost_per_year, low, high, of_it_comebacks (what failures within the first year add),
    others_cost_per_year,
    log_ratio, std_error, p_value (two-sided, normal on the log ratio to all others together), chance_cheapest (share of draws in which
    no other with a price is cheaper), enough (failed or expected reaches min_failures).
    Hazards: gamma, (failures + 1/2) over (exposure + the 1/2's own exposure at the common rate), counts divided by the design effect by
    vehicle; limits are quantiles of `draws` draws. Prices are taken as known. Raises ValueError as `band_edges`.
    Pinned by tests/survival/test_buying.py.
    """
    ks, gs = list(keys), list(group)
    edges_all = band_edges(horizon_years)
    some = (
        lives.drop_nulls([f"entry_{clock}", f"exit_{clock}"])
        .with_columns(
            (pl.col(f"entry_{clock}") / per_year).alias("_e"),
            (pl.col(f"exit_{clock}") / per_year).alias("_x"),
            (pl.col("ending") == "failed").fill_null(False).cast(pl.Float64).alias("_d"),
        )
        .filter(pl.col("_x") > pl.col("_e"))
    )
    priced = prices.drop_nulls("price").filter(pl.col("price") > 0)
    frames = []
    for number, (key, part) in enumerate(some.sort(ks, nulls_last=True).group_by(ks, maintain_order=True)):
        here = priced.filter(pl.all_horizontal([pl.col(k).eq_missing(pl.lit(v)) for k, v in zip(ks, key, strict=True)])) if ks else priced
        horizon = _watched_to(part["_e"].to_numpy(), part["_x"].to_numpy(), min_at_risk, horizon_years)
        if horizon <= 0.25 or here.height < 2:
            continue
        edges = np.concatenate([edges_all[edges_all < horizon - 1e-9], [horizon]])
        made = _one_kind(part, here, gs, edges, labour, extra, cluster, confidence, seed + number, draws, min_at_risk, min_failures)
        if made.height:
            frames.append(
                pl.concat(
                    [
                        pl.DataFrame({k: [v] * made.height for k, v in zip(ks, key, strict=True)}, schema={k: lives.schema[k] for k in ks}),
                        made,
                    ],
                    how="horizontal",
                )
            )
    return pl.concat(frames, how="vertical_relaxed") if frames else pl.DataFrame()


def _watched_to(e: np.ndarray, x: np.ndarray, least: int, most: float) -> float:
    """The last age, `most` at most, at which `least` lives are under watch."""
    ends = np.sort(x)[::-1]
    for age in ends:
        if ((e < age) & (x >= age)).sum() >= least:
            return float(min(age, most))
    return 0.0


def _counts(e: np.ndarray, x: np.ndarray, d: np.ndarray, code: np.ndarray, n: int, edges: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Failures and years lived by group and band."""
    failures, lived = np.zeros((n, len(edges) - 1)), np.zeros((n, len(edges) - 1))
    for k, (a, b) in enumerate(zip(edges[:-1], edges[1:], strict=True)):
        lived[:, k] = np.bincount(code, weights=np.clip(np.minimum(x, b) - np.maximum(e, a), 0, None), minlength=n)
        failures[:, k] = np.bincount(code, weights=d * ((x > a) & (x <= b)), minlength=n)
    return failures, lived


def _one_kind(
    part: pl.DataFrame,
    prices: pl.DataFrame,
    gs: list[str],
    edges: np.ndarray,
    labour: float,
    extra: float,
    cluster: str | None,
    confidence: float,
    seed: int,
    draws: int,
    min_at_risk: int,
    min_failures: int,
) -> pl.DataFrame:
    # Lives may carry what each cost when it was bought: the price that counts is the one given.
    part = part.drop("price", strict=False).join(prices.select(*gs, "price"), on=gs, how="inner", nulls_equal=True).sort(gs, nulls_last=True, maintain_order=True)
    names = part.select(gs).unique(maintain_order=True)
    if names.height < 2:
        return pl.DataFrame()
    code = part.join(names.with_row_index("_g"), on=gs, how="left", nulls_equal=True, maintain_order="left")["_g"].to_numpy().astype(int)
    price = part.group_by(gs, maintain_order=True).agg(pl.col("price").first())["price"].to_numpy()
    e, x, d = (part[c].to_numpy() for c in ("_e", "_x", "_d"))
    n = names.height
    failures, lived = _counts(e, x, d, code, n, edges)
    both_d, both_t = failures.sum(axis=0), lived.sum(axis=0)
    rate = (both_d + _PRIOR_FAILURES * (both_t > 0)) / np.maximum(both_t, 1e-9)
    effect = _design_effect(e, x, d, part[cluster] if cluster else None, edges, rate)
    rng = np.random.default_rng(seed)

    def hazards(failed: np.ndarray, years: np.ndarray, how_many: int) -> tuple[np.ndarray, np.ndarray]:
        shape = failed / effect + _PRIOR_FAILURES
        per = years / effect + _PRIOR_FAILURES / rate
        return shape / per, rng.gamma(shape, size=(how_many, *shape.shape)) / per

    point, drawn = hazards(failures, lived, draws)
    others_point, others_drawn = hazards(both_d - failures, both_t - lived, draws)
    fitted = np.bincount(code, minlength=n)
    others_price = (np.sum(price * fitted) - price * fitted) / np.maximum(fitted.sum() - fitted, 1)
    s, sd, o, od = service(point, edges), service(drawn, edges), service(others_point, edges), service(others_drawn, edges)
    cost, cost_drawn = cost_rate(price, labour, extra, s), cost_rate(price, labour, extra, sd)
    others = cost_rate(others_price, labour, extra, o)
    log_drawn = np.log(cost_drawn) - np.log(cost_rate(others_price, labour, extra, od))
    error = log_drawn.std(axis=0, ddof=1)
    ratio = np.log(cost) - np.log(others)
    from scipy.special import ndtr

    tail = (1 - confidence) / 2
    quantile = lambda v, q: np.quantile(v, q, axis=0)  # noqa: E731
    cheapest = np.bincount(cost_drawn.argmin(axis=1), minlength=n) / draws
    expected = (lived * both_d / np.maximum(both_t, 1e-9)).sum(axis=1)
    own = [_watched_to(e[code == g], x[code == g], min_at_risk, float(edges[-1])) for g in range(n)]
    failed = failures.sum(axis=1)
    return names.with_columns(
        fitted=fitted.astype(np.int64),
        failed=failed.astype(np.int64),
        expected=expected,
        watched_years=pl.Series(own),
        price=price,
        labour=pl.lit(float(labour)),
        horizon_years=pl.lit(float(edges[-1])),
        years_in_service=s.years,
        first_year_failed=s.failed_first_year,
        first_year_low=quantile(sd.failed_first_year, tail),
        first_year_high=quantile(sd.failed_first_year, 1 - tail),
        cost_per_year=cost,
        low=quantile(cost_drawn, tail),
        high=quantile(cost_drawn, 1 - tail),
        of_it_comebacks=_comeback_share(price, labour, extra, s),
        others_cost_per_year=others,
        log_ratio=ratio,
        std_error=error,
        p_value=2 * ndtr(-np.abs(ratio) / np.maximum(error, 1e-12)),
        chance_cheapest=cheapest,
        enough=np.maximum(failed, expected) >= min_failures,
    )


def _design_effect(e: np.ndarray, x: np.ndarray, d: np.ndarray, who: pl.Series | None, edges: np.ndarray, rate: np.ndarray) -> float:
    """How much wider residuals scatter by vehicle than by part (Kish 1965); at least 1."""
    if who is None:
        return 1.0
    residual = d * (x <= edges[-1])
    for a, b, r in zip(edges[:-1], edges[1:], rate, strict=True):
        residual = residual - r * np.clip(np.minimum(x, b) - np.maximum(e, a), 0, None)
    together, each = np.bincount(codes_of(who), weights=residual), (residual**2).sum()
    return max(1.0, float((together**2).sum() / each)) if each > 0 else 1.0


def cost_verdicts(table: pl.DataFrame, rate: float = 0.05) -> pl.DataFrame:
    """Adds q_value and verdict ('cheaper', 'dearer', 'not told apart', 'too few') to rows of `supplier_costs`, false discovery rate over
    all of them. Rows with too few failures are not compared. Source: Benjamini & Hochberg 1995.
    Pinned by tests/survival/test_buying.py.
    """
    p = np.where(table["enough"].to_numpy(), table["p_value"].to_numpy(), np.nan)
    q = false_discoveries(p)
    verdict = np.where(
        np.isnan(q), "too few", np.where(q > rate, "not told apart", np.where(table["log_ratio"].to_numpy() < 0, "cheaper", "dearer"))
    )
    return table.with_columns(q_value=pl.Series(q).fill_nan(None), verdict=pl.Series(verdict.tolist(), dtype=pl.String))


__all__ = ["Service", "band_edges", "cost_rate", "cost_verdicts", "service", "supplier_costs"]
