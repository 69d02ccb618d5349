"""Does it work? Fit on what was known up to a day, name the causes confirmed in the weeks after it, and score
that; day after day.

Target: the confirmed cause, not the part replaced first. Scores: logarithmic (mean of -log P(cause); Good
1952, J. R. Stat. Soc. B 14:107-114) and Brier's (1950, Mon. Weather Rev. 78:1-3, the sum over suspects), both
lower is better. Baselines: counts of the parts replaced first, over all, and by km band; both within the
lighting type, so that neither names a part that is not there."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.suspects.grid import Cells, bands, episode_frame, make_cells, predict
from pipeline.suspects.model import CauseModel, fit_model
from pipeline.suspects.parts import OTHER

METHODS = ("model", "priors", "overall", "by_km", "by_symptom")
BASELINES = ("overall", "by_km")


@dataclass(frozen=True)
class Backtest:
    """scores: one row a method (model, overall, by_km): method, n, log_score, low, high, brier, hit_rate
    (first suspect right), top3. detail: the same for all METHODS and origins: origin, method, n, log_score,
    brier. reliability: said, came_true, low, high, n by band of said probability of the model. slope: of came
    true on said (1 is right); calibration_error: mean |came true - said|. verdict: one sentence. is_better:
    the model's log score is below the better baseline's, and the 95 % interval of the difference leaves out
    0."""

    scores: pl.DataFrame
    detail: pl.DataFrame
    reliability: pl.DataFrame
    slope: float | None
    calibration_error: float | None
    verdict: str
    is_better: bool


def known_at(lives: pl.DataFrame, episodes: pl.DataFrame, day: dt.date) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Lives and episodes as they stood at the end of a day: later starts are gone, later endings are not seen
    yet, and episodes that were not closed by then are left out. Ages at the cut: days exactly, km by a
    straight line over the life."""
    lives = lives.filter(pl.col("start_on").is_null() | (pl.col("start_on") <= day))
    if "watched_from" in lives.columns:
        lives = lives.filter(pl.col("watched_from").is_null() | (pl.col("watched_from") <= day))
    later = pl.col("end_on") > day
    age = (pl.lit(day) - pl.col("start_on")).dt.total_days().cast(pl.Float64)
    share = ((age - pl.col("entry_days")) / (pl.col("exit_days") - pl.col("entry_days"))).clip(0, 1)
    changes = {
        "exit_km": pl.col("entry_km") + share * (pl.col("exit_km") - pl.col("entry_km")),
        "exit_days": age,
        "ending": pl.lit("in_service"),
        "end_on": pl.lit(day),
    }
    if "p_failed" in lives.columns:
        changes["p_failed"] = pl.lit(0.0)
    if "odometer_at_end_km" in lives.columns:
        changes["odometer_at_end_km"] = pl.col("odometer_at_end_km") - (1 - share) * (
            pl.col("exit_km") - pl.col("entry_km")
        )
    lives = (
        lives.with_columns(later=later)
        .with_columns(
            [
                pl.when("later").then(e).otherwise(pl.col(c)).cast(lives.schema[c]).alias(c)
                for c, e in changes.items()
            ]
        )
        .drop("later")
    )
    closed = (
        pl.col("cured_on").fill_null(pl.col("opened_on"))
        if "cured_on" in episodes.columns
        else pl.col("opened_on")
    )
    return lives, episodes.filter((pl.col("opened_on") <= day) & (closed <= day))


def backtest(
    lives: pl.DataFrame,
    episodes: pl.DataFrame,
    episode_parts: pl.DataFrame,
    *,
    as_of: dt.date,
    seed: int,
    km_edges: Sequence[float],
    age_edges_days: Sequence[float],
    clocks: Mapping[str, str] | None = None,
    origins: int = 4,
    horizon_days: int = 91,
    min_train: int = 30,
    min_test: int = 20,
    confidence: float = 0.95,
    fit_options: Mapping | None = None,
    cell_options: Mapping | None = None,
) -> Backtest:
    """Test at `origins` days, `horizon_days` apart, the last one a horizon before as_of; each predicts the
    horizon after it.

    min_train, min_test: confirmed cases without which an origin, or the whole test, is not scored. Episodes
    count by their probability that the cause is right. Deterministic for a seed. With too few cases all
    tables are empty and the verdict says so."""
    parts = []
    for k in range(origins, 0, -1):
        day = as_of - dt.timedelta(days=horizon_days * k)
        then, before = known_at(lives, episodes, day)
        after = episodes.filter(
            (pl.col("opened_on") > day) & (pl.col("opened_on") <= day + dt.timedelta(days=horizon_days))
        )
        if before.height < min_train or after.is_empty() or then.is_empty():
            continue
        try:
            model = fit_model(
                then,
                before,
                episode_parts,
                clocks=clocks,
                as_of=day,
                seed=seed,
                draws=20,
                **(fit_options or {}),
            )
        except ValueError:
            continue  # nothing was watched by then: that origin cannot be scored
        cells = make_cells(model, before, episode_parts, km_edges, age_edges_days, **(cell_options or {}))
        parts.append(_score(day, model, cells, before, after, episode_parts))
    if not parts or sum(len(p["weight"]) for p in parts) < min_test:
        n = sum(len(p["weight"]) for p in parts)
        return Backtest(
            _scores_schema(),
            _detail_schema(),
            _reliability_schema(),
            None,
            None,
            f"Not tested: {n} confirmed cases came after what the model had seen, and {min_test} are needed.",
            False,
        )
    weight = np.concatenate([p["weight"] for p in parts])
    logs = {m: np.concatenate([p["log"][m] for p in parts]) for m in METHODS}
    briers = {m: np.concatenate([p["brier"][m] for p in parts]) for m in METHODS}
    ranks = {m: np.concatenate([p["rank"][m] for p in parts]) for m in METHODS}
    z = _z(confidence)
    rows = []
    for m in ("model", *BASELINES):
        mean, half = _mean(logs[m], weight, z)
        rows.append(
            (
                m,
                len(weight),
                mean,
                mean - half,
                mean + half,
                float(np.average(briers[m], weights=weight)),
                float(np.average(ranks[m] <= 1, weights=weight)),
                float(np.average(ranks[m] <= 3, weights=weight)),
            )
        )
    scores = pl.DataFrame(rows, schema=_scores_schema().schema, orient="row")
    detail = pl.DataFrame(
        [
            (
                p["day"],
                m,
                len(p["weight"]),
                float(np.average(p["log"][m], weights=p["weight"])),
                float(np.average(p["brier"][m], weights=p["weight"])),
            )
            for p in parts
            for m in METHODS
        ],
        schema=_detail_schema().schema,
        orient="row",
    )
    said, true, pair_weight = (np.concatenate([p[k] for p in parts]) for k in ("said", "true", "pair_weight"))
    table = reliability(said, true, pair_weight, confidence)
    centred = said - np.average(said, weights=pair_weight)
    slope = float((pair_weight * centred * true).sum() / (pair_weight * centred**2).sum())
    error = float((table["n"] * (table["came_true"] - table["said"]).abs()).sum() / table["n"].sum())
    best = min(BASELINES, key=lambda m: (float(np.average(logs[m], weights=weight)), m))
    gain, half = _mean(logs[best] - logs["model"], weight, z)
    return Backtest(
        scores,
        detail,
        table,
        slope,
        error,
        _verdict(len(weight), len(parts), gain, half, best, scores, slope),
        gain > half,
    )


def _score(
    day,
    model: CauseModel,
    cells: Cells,
    before: pl.DataFrame,
    after: pl.DataFrame,
    episode_parts: pl.DataFrame,
) -> dict:
    names = (*model.components, OTHER)
    frame = episode_frame(model, after)
    chances = {"model": predict(model, cells, after, episode_parts)}
    chances["priors"] = predict(model, cells, after, episode_parts, own_parts=False)
    chances |= count_baselines(model, cells, before, after)
    truth, weight = frame["cause_at"].to_numpy(), frame["weight"].to_numpy()
    hit = np.arange(len(names)) == truth[:, None]
    p = chances["model"]
    named = p > 0
    return {
        "day": day,
        "weight": np.maximum(weight, 1e-9),
        "log": {m: -np.log(np.maximum(q[hit], 1e-6)) for m, q in chances.items()},
        "brier": {m: ((q - hit) ** 2).sum(axis=1) for m, q in chances.items()},
        "rank": {m: (q > q[hit][:, None]).sum(axis=1) + 1 for m, q in chances.items()},
        "said": p[named],
        "true": hit[named].astype(float),
        "pair_weight": np.maximum(np.broadcast_to(weight[:, None], p.shape)[named], 1e-9),
    }


def count_baselines(model: CauseModel, cells: Cells, before: pl.DataFrame, after: pl.DataFrame) -> dict[str, np.ndarray]:
    """Probabilities (n, J + 1; other last) of the causes of the episodes `after`, from counts of those `before` alone:
    `overall` and `by_km`, the parts replaced first; `by_symptom`, the confirmed causes. All within the lighting type,
    and smoothed by half a case for each suspect it can have."""
    names = (*model.components, OTHER)
    frame = episode_frame(model, after)
    past = episode_frame(model, before).with_columns(
        pl.when(pl.col("first_replaced").is_in(list(model.components)))
        .then("first_replaced")
        .otherwise(pl.lit(OTHER))
        .replace_strict(list(names), list(range(len(names))), return_dtype=pl.Int64)
        .alias("first_at")
    )
    light = frame["light"].to_numpy()
    km_now = bands(frame["km"].to_numpy().astype(float), cells.km_edges)
    km_then = bands(past["km"].to_numpy().astype(float), cells.km_edges)
    possible = np.concatenate([model.possible(), np.ones((len(model.lightings), 1), dtype=bool)], axis=1)
    was, first, cause = past["light"].to_numpy(), past["first_at"].to_numpy(), past["cause_at"].to_numpy()
    then_weight, symptom, symptom_now = past["weight"].to_numpy(), past["symptom_at"].to_numpy(), frame["symptom_at"].to_numpy()
    chances = {m: np.zeros((frame.height, len(names))) for m in ("overall", "by_km", "by_symptom")}
    made: dict[tuple, np.ndarray] = {}

    def counted(key: tuple, rows: np.ndarray, values: np.ndarray, parent: np.ndarray, worth: float, ok: np.ndarray) -> np.ndarray:
        if key not in made:
            n = np.bincount(values[rows], weights=then_weight[rows], minlength=len(names)) * ok
            made[key] = (n + worth * parent) / (n.sum() + worth)
        return made[key]

    for i, li in enumerate(light.tolist()):
        here = was == li
        ok = possible[li] if li >= 0 else np.ones(len(names), dtype=bool)
        flat = ok / ok.sum()
        whole = counted(("first", li), here, first, flat, 0.5 * ok.sum(), ok)
        chances["overall"][i] = whole
        chances["by_km"][i] = counted(("km", li, km_now[i]), here & (km_then == km_now[i]), first, whole, 1.0, ok)
        causes = counted(("cause", li), here, cause, flat, 0.5 * ok.sum(), ok)
        said = here & (symptom == symptom_now[i])
        chances["by_symptom"][i] = counted(("symptom", li, symptom_now[i]), said, cause, causes, 1.0, ok)
    return chances


def reliability(
    said: np.ndarray,
    true: np.ndarray,
    weight: np.ndarray,
    confidence: float = 0.95,
    edges: Sequence[float] = (0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0001),
) -> pl.DataFrame:
    """Said probability against how often it came true, by band: said (mean), came_true, low, high (Wilson
    1927, J. Am. Stat. Assoc. 22:209-212), n (suspects in the band). Bands without one are left out."""
    z = _z(confidence)
    band = np.searchsorted(np.asarray(edges), said, side="right") - 1
    rows = []
    for b in np.unique(band):
        at = band == b
        w = weight[at].sum()
        p = float(np.average(true[at], weights=weight[at]))
        middle = (p + z * z / (2 * w)) / (1 + z * z / w)
        half = z * np.sqrt(p * (1 - p) / w + z * z / (4 * w * w)) / (1 + z * z / w)
        rows.append(
            (
                float(np.average(said[at], weights=weight[at])),
                p,
                max(middle - half, 0.0),
                min(middle + half, 1.0),
                int(at.sum()),
            )
        )
    return pl.DataFrame(rows, schema=_reliability_schema().schema, orient="row")


def _z(confidence: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf((1 + confidence) / 2)


def _mean(values: np.ndarray, weight: np.ndarray, z: float) -> tuple[float, float]:
    mean = float(np.average(values, weights=weight))
    share = weight / weight.sum()
    half = z * float(np.sqrt((share**2 * (values - mean) ** 2).sum() * len(values) / max(len(values) - 1, 1)))
    return mean, half


def _verdict(
    n: int, origins: int, gain: float, half: float, best: str, scores: pl.DataFrame, slope: float
) -> str:
    rate = dict(zip(scores["method"], scores["hit_rate"], strict=True))
    words = {
        "overall": "counting which part was replaced",
        "by_km": "counting which part was replaced in the km band",
    }[best]
    test = f"On {n} cases after what it had seen ({origins} test periods) the model"
    first = f"(first suspect right in {rate['model']:.0%}, against {rate[best]:.0%})"
    calibration = (
        ""
        if 0.8 <= slope <= 1.2
        else (" Its probabilities are too bold." if slope < 0.8 else " Its probabilities are too timid.")
    )
    if gain > half:
        return f"{test} named the cause better than {words} {first}.{calibration}"
    if gain < -half:
        return (
            f"{test} named the cause worse than {words} {first}: do not lean on it this month.{calibration}"
        )
    return f"{test} could not be told apart from {words} {first}: do not lean on it this month.{calibration}"


def _scores_schema() -> pl.DataFrame:
    f = pl.Float64
    return pl.DataFrame(
        schema={
            "method": pl.String,
            "n": pl.Int64,
            "log_score": f,
            "low": f,
            "high": f,
            "brier": f,
            "hit_rate": f,
            "top3": f,
        }
    )


def _detail_schema() -> pl.DataFrame:
    return pl.DataFrame(
        schema={
            "origin": pl.Date,
            "method": pl.String,
            "n": pl.Int64,
            "log_score": pl.Float64,
            "brier": pl.Float64,
        }
    )


def _reliability_schema() -> pl.DataFrame:
    return pl.DataFrame(
        schema={
            "said": pl.Float64,
            "came_true": pl.Float64,
            "low": pl.Float64,
            "high": pl.Float64,
            "n": pl.Int64,
        }
    )
