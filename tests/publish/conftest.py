"""Invented tables in the shape of the published ones, for tests of the pages only. No number here means
anything."""

from __future__ import annotations

import datetime as dt
import math
import random

import polars as pl
import pytest

from pipeline.publish.views import Context
from tests.publish.fleet_tables import make_fleet_tables

AS_OF = dt.date(2025, 6, 30)
NASTY = "</script><script>alert(1)</script>"
COMPONENTS = ["lamp", "ballast", "headlamp_assembly", "igniter", "wiring", "control_module"]
SUPPLIERS = ["Aldersyde", "Brightwell Parts", "Corvale", "Dunmere Supply", "Eastlock", "Fennimore & Sons", "unknown"]


def day(n: int) -> dt.date:
    return AS_OF - dt.timedelta(days=n)


def _lives(rng: random.Random) -> list[dict]:
    rows = []
    for i in range(900):
        component = rng.choices(COMPONENTS, [40, 20, 14, 8, 10, 4])[0]
        replacement = i % 3 == 0
        exit_days = rng.weibullvariate(1900, 1.6) if not replacement else rng.weibullvariate(1300, 1.0)
        failed = rng.random() < 0.55
        end = day(rng.randint(0, 1500))
        entry = rng.choice([0.0, 0.0, exit_days * 0.3])
        rows.append(
            {
                "life_id": i,
                "vehicle": f"v{i % 260:012x}",
                "unit_number": f"Unit {i % 260}" if i % 2 else None,
                "customer_group": "fleet",
                "component": component,
                "side": rng.choice(["left", "right"]) if component != "control_module" else "none",
                "generation": int(replacement),
                "origin": "replacement" if replacement else "original",
                "lighting": "discharge"
                if component in ("ballast", "igniter")
                else rng.choice(["halogen", "discharge"]),
                "supplier": rng.choice(SUPPLIERS) if replacement else "original",
                "part_number": (NASTY if i % 150 == 0 else f"PN-{i % 9}00{i % 7}") if replacement else None,
                "lot": f"L{i % 5}" if replacement else None,
                "start_on": end - dt.timedelta(days=int(exit_days)),
                "watched_from": end - dt.timedelta(days=int(exit_days - entry)),
                "end_on": end,
                "ending": "failed"
                if failed
                else rng.choice(["in_service", "planned", "paired", "wrong_suspect", "side_unknown"]),
                "entry_days": entry,
                "exit_days": exit_days,
                "entry_km": entry * 62.0,
                "exit_km": exit_days * 62.0,
                "km_estimated": i % 11 == 0,
                "in_curve": True,
                "fitted_order": f"RO-{20000 + i}" if replacement else None,
                "ended_order": f"RO-{30000 + i}",
            }
        )
    return rows


def _curve(
    component: str, lighting: str, generation: str, scale: float, shape: float, start: float, clock: str
) -> list[dict]:
    rows, n = [], 400
    for k in range(60):
        t = start + k * scale * 1.4 / 60
        s = math.exp(-((t / scale) ** shape)) / math.exp(-((start / scale) ** shape))
        half = 0.25 * s * (1 - s) + 0.015 * k / 20
        rows.append(
            {
                "component": component,
                "lighting": lighting,
                "generation": generation,
                "supplier": "all",
                "stratum": "all",
                "event": "failed",
                "clock": clock,
                "t": t,
                "at_risk": max(3, n - 7 * k),
                "events": 0 if k == 0 else 3,
                "survival": s,
                "low": max(0.0, s - half),
                "high": min(1.0, s + half),
                "start_t": start,
                "estimator": "kaplan_meier",
            }
        )
    return rows


def _priors(rng: random.Random) -> list[dict]:
    km = [0, 40_000, 80_000, 120_000, 160_000, 200_000, 280_000, 400_000]
    age = [0, 730, 1461, 2191, 2922, 3652, 4748, 6209]
    rows = []
    for symptom, lighting, base_cases in (
        ("low_beam_dark", "discharge", 18.0),
        ("low_beam_dark", "halogen", 14.0),
        ("flicker", "discharge", 6.0),
        ("dim", "discharge", 0.1),
    ):
        parts = [c for c in COMPONENTS if lighting == "discharge" or c not in ("igniter", "ballast")]
        for a in range(7):
            for b in range(7):
                if abs(a - b) > 3:
                    continue
                for recent in ("none", *parts[:3]):
                    weight = {c: rng.uniform(0.5, 1.5) for c in parts}
                    weight["lamp"] *= 6 / (1 + 0.35 * a) if lighting == "discharge" else 7
                    if "ballast" in weight:
                        weight["ballast"] *= 1 + 0.9 * a
                    if recent in weight:
                        weight[recent] *= 3
                    total = sum(weight.values())
                    cases = max(0.0, base_cases * (1 - 0.35 * abs(a - b)) * rng.uniform(0.3, 1.4))
                    for c in parts:
                        p = weight[c] / total
                        half = 1.96 * math.sqrt(p * (1 - p) / (cases + 12))
                        rows.append(
                            {
                                "symptom": symptom,
                                "lighting": lighting,
                                "vehicle_class": "all",
                                "km_low": float(km[a]),
                                "km_high": float(km[a + 1]),
                                "age_low_days": float(age[b]),
                                "age_high_days": float(age[b + 1]),
                                "recently_replaced": recent,
                                "component": c,
                                "probability": p,
                                "low": max(0.0, p - half),
                                "high": min(1.0, p + half),
                                "effective_cases": cases,
                                "basis": "borrowed" if cases < 2 else "pooled" if cases < 9 else "own",
                            }
                        )
    return rows


def _early() -> list[dict]:
    rows = []
    for component, lighting, base, sizes in (
        ("ballast", "discharge", 0.05, [96, 85, 61, 44, 22, 9, 14]),
        ("lamp", "halogen", 0.03, [220, 180, 140, 80, 35, 12, 40]),
        ("headlamp_assembly", "discharge", 0.04, [40, 31, 12, 0, 0, 0, 0]),
        ("wiring", "discharge", 0.10, [26, 0, 0, 0, 0, 0, 0]),
    ):
        for window in (30, 90, 365):
            total_fitted = total_failed = 0
            for i, (supplier, n) in enumerate(zip(SUPPLIERS, sizes, strict=True)):
                if not n:
                    continue
                worse = component == "ballast" and supplier == "Brightwell Parts" and window >= 90
                k = round(
                    n
                    * (0.19 if worse else base)
                    * (0.6 if window == 30 else 1 if window == 90 else 1.8)
                    * (0.6 + 0.13 * i)
                )
                p = k / n
                half = 1.96 * math.sqrt(max(p, 0.02) * (1 - p) / n)
                pp = (k + 4 * base) / (n + 4)
                rows.append(
                    {
                        "component": component,
                        "lighting": lighting,
                        "supplier": supplier,
                        "part_number": None,
                        "lot": None,
                        "grade": None,
                        "window_days": window,
                        "fitted": n,
                        "failed": k,
                        "probability": p,
                        "low": max(0.0, p - half),
                        "high": min(1.0, p + half + 1 / n),
                        "pooled_probability": pp,
                        "pooled_low": max(0.0, pp - half * 0.7),
                        "pooled_high": min(1.0, pp + half * 0.7 + 0.4 / n),
                        "verdict": "worse" if worse else "too few" if n < 20 else "not told apart",
                    }
                )
                total_fitted += n
                total_failed += k
                if worse and window == 90:
                    rows.append(
                        {
                            **rows[-1],
                            "part_number": "BW-4410",
                            "lot": "L23-07",
                            "fitted": 31,
                            "failed": 11,
                            "probability": 11 / 31,
                            "low": 0.2,
                            "high": 0.54,
                            "pooled_probability": 0.3,
                            "pooled_low": 0.17,
                            "pooled_high": 0.46,
                        }
                    )
            p = total_failed / total_fitted
            rows.append(
                {
                    "component": component,
                    "lighting": lighting,
                    "supplier": "all",
                    "part_number": None,
                    "lot": None,
                    "grade": None,
                    "window_days": window,
                    "fitted": total_fitted,
                    "failed": total_failed,
                    "probability": p,
                    "low": p * 0.7,
                    "high": p * 1.3,
                    "pooled_probability": p,
                    "pooled_low": p * 0.7,
                    "pooled_high": p * 1.3,
                    "verdict": "not told apart",
                }
            )
    return rows


def _monthly(rng: random.Random) -> list[dict]:
    rows = []
    for k in range(36):
        index = 2025 * 12 + 5 - k
        month = dt.date(index // 12, index % 12 + 1, 1)
        for component, mean in zip(COMPONENTS, [9, 5, 4, 2, 3, 1], strict=True):
            for ending, share in (("failed", 1.0), ("planned", 0.3), ("paired", 0.25), ("wrong_suspect", 0.12)):
                n = max(0, round(rng.gauss(mean * share, math.sqrt(mean * share))))
                if n:
                    rows.append(
                        {
                            "month": month,
                            "component": component,
                            "lighting": "discharge",
                            "ending": ending,
                            "n": n,
                            "part_cost": n * rng.uniform(20, 160),
                            "labour_cost": n * rng.uniform(30, 90),
                        }
                    )
    return rows


def _comebacks(rng: random.Random) -> list[dict]:
    rows = []
    for i in range(46):
        kind = rng.choices(["same_part_again", "wrong_part_first", "another_part_soon"], [20, 16, 10])[0]
        component = rng.choice(COMPONENTS[:5])
        again = day(rng.randint(0, 420))
        days = rng.randint(2, 80)
        rows.append(
            {
                "kind": kind,
                "component": component,
                "first_component": component
                if kind == "same_part_again"
                else rng.choice([c for c in COMPONENTS if c != component]),
                "vehicle_label": f"Unit {i}",
                "side": rng.choice(["left", "right"]),
                "first_order": f"RO-{41000 + i}",
                "first_on": again - dt.timedelta(days=days),
                "again_order": f"RO-{42000 + i}",
                "again_on": again,
                "days": float(days),
                "km": days * 70.0,
                "part_cost": rng.uniform(20, 200),
                "labour_cost": rng.uniform(30, 150),
                "supplier": rng.choice(SUPPLIERS),
                "part_number": NASTY if i == 3 else f"PN-{i}",
            }
        )
    return rows


def _wrong() -> list[dict]:
    rows = []
    for first, cause, symptom, n in (
        ("lamp", "lamp", "low_beam_dark", 121),
        ("lamp", "ballast", "low_beam_dark", 19),
        ("lamp", "igniter", "low_beam_dark", 6),
        ("ballast", "ballast", "low_beam_dark", 31),
        ("ballast", "lamp", "flicker", 5),
        ("ballast", "wiring", "flicker", 8),
        ("igniter", "igniter", "flicker", 12),
        ("wiring", "wiring", "flicker", 24),
        ("headlamp_assembly", "headlamp_assembly", "water_inside", 28),
        ("lamp", "wiring", "flicker", 4),
        ("control_module", "control_module", "warning_shown", 5),
    ):
        wrong = first != cause
        rows.append(
            {
                "first_replaced": first,
                "cause": cause,
                "symptom": symptom,
                "n": n,
                "labour_hours": n * 1.2 if wrong else 0.0,
                "labour_cost": n * 78.0 if wrong else 0.0,
                "part_cost": n * 45.0 if wrong else 0.0,
                "share": n / 263,
                "low": 0.8 * n / 263,
                "high": 1.25 * n / 263,
            }
        )
    return rows


def _claims(rng: random.Random) -> list[dict]:
    rows = []
    for i in range(19):
        failed = day(rng.randint(1, 200))
        used = rng.randint(20, 600)
        rows.append(
            {
                "component": rng.choice(["lamp", "ballast", "ballast"]),
                "supplier": rng.choice(SUPPLIERS[:4]),
                "part_number": NASTY if i == 0 else f"BW-44{i:02}",
                "lot": f"L23-{i:02}",
                "vehicle_label": f"Unit {i}",
                "side": rng.choice(["left", "right"]),
                "fitted_on": failed - dt.timedelta(days=used),
                "fitted_km": 88_000.0 + 911 * i,
                "fitted_order": f"RO-{51000 + i}",
                "failed_on": failed,
                "failed_km": 88_000.0 + 911 * i + used * 55,
                "failed_order": f"RO-{52000 + i}",
                "months_used": used / 30.4375,
                "km_used": used * 55.0,
                "amount": rng.choice([38.5, 212.0, 188.0]),
                "claim_by": failed + dt.timedelta(days=60),
                "proof": f"lines.csv row {i}",
            }
        )
    return rows


def make_tables(seed: int = 7) -> dict[str, pl.DataFrame]:
    """Every table that the pages may use, filled with invented rows."""
    rng = random.Random(seed)
    curves = []
    for clock, unit in (("km", 1.0), ("days", 1 / 45)):
        curves += _curve("lamp", "halogen", "original", 70_000 * unit, 1.8, 0.0, clock)
        curves += _curve("lamp", "halogen", "replacement", 62_000 * unit, 1.3, 0.0, clock)
        curves += _curve("lamp", "discharge", "original", 190_000 * unit, 2.4, 22_000.0 * unit, clock)
        curves += _curve("lamp", "discharge", "replacement", 150_000 * unit, 1.1, 0.0, clock)
        curves += _curve("ballast", "discharge", "original", 260_000 * unit, 2.1, 9_000.0 * unit, clock)
        curves += _curve("ballast", "discharge", "replacement", 120_000 * unit, 0.8, 0.0, clock)
        curves += _curve("headlamp_assembly", "discharge", "original", 320_000 * unit, 1.5, 0.0, clock)
    summary = [
        {
            "component": c,
            "lighting": li,
            "generation": g,
            "supplier": "all",
            "stratum": "all",
            "clock": "km",
            "lives": 320,
            "failures": 88,
            "b10": 31_000.0,
            "b10_low": 26_000.0,
            "b10_high": 37_500.0,
            "median": None if g == "original" else 91_000.0,
            "median_low": None if g == "original" else 84_000.0,
            "median_high": None if g == "original" else 99_000.0,
            "wear": "wear_out" if g == "original" else "early",
        }
        for c, li in (("lamp", "halogen"), ("lamp", "discharge"), ("ballast", "discharge"))
        for g in ("original", "replacement")
    ]
    reasons = [("bad_date", 41), ("missing_value", 12), ("unknown_value", 9), ("too_few_cells", 3)]
    return {
        **make_fleet_tables(NASTY),
        "lives": pl.DataFrame(_lives(rng), infer_schema_length=None),
        "monthly": pl.DataFrame(_monthly(rng)),
        "comebacks": pl.DataFrame(_comebacks(rng)),
        "early_failures": pl.DataFrame(_early(), infer_schema_length=None),
        "survival_curves": pl.DataFrame(curves),
        "life_summary": pl.DataFrame(summary, infer_schema_length=None),
        "wrong_suspects": pl.DataFrame(_wrong()),
        "warranty_recovery": pl.DataFrame(_claims(rng)),
        "priors": pl.DataFrame(_priors(rng)),
        "episodes": pl.DataFrame({"episode_id": list(range(263))}),
        "files": pl.DataFrame(
            {
                "file": ["visits_2019-2022.csv", "visits_2023-2025.csv", "parts.csv", "units.csv", "readings.parquet"],
                "table_name": ["repair_lines", "repair_lines", "parts", "vehicles", "odometer"],
                "rows_in": [8123, 6210, 412, 640, 22010],
                "rows_used": [8078, 6193, 412, 637, 22010],
                "rows_set_aside": [45, 17, 0, 3, 0],
                "shape": [
                    "CSV, ; , windows-1252, decimal comma",
                    "CSV, comma, UTF-8",
                    "CSV, comma, UTF-8",
                    "CSV, tab, UTF-8",
                    "Parquet",
                ],
            }
        ),
        "set_aside_summary": pl.DataFrame(
            {
                "reason": [r for r, _ in reasons],
                "n": [n for _, n in reasons],
                "example_file": ["visits_2019-2022.csv"] * 4,
                "example_row": [17, 90, 455, 1201],
                "remedy": [
                    "Write dates as YYYY-MM-DD.",
                    "Give the reading at the visit, in km.",
                    "Name the vehicle on every line.",
                    "Quote texts that hold the delimiter.",
                ],
            }
        ),
        "set_aside": pl.DataFrame(
            {
                "file": ["visits_2019-2022.csv"] * 4 + ["visits_2023-2025.csv"] * 40,
                "row": list(range(17, 61)),
                "column_name": ["opened_on", "odometer", "vehicle_id", NASTY] + ["opened_on"] * 40,
                "value": ["31.02.2021", "n/a", None, NASTY] + ["00.00.2024"] * 40,
                "reason": [r for r, _ in reasons] + [reasons[0][0]] * 40,
                "expected": ["a calendar date", "a number", "a value", NASTY] + ["a calendar date"] * 40,
            }
        ),
        "odometer_mends": pl.DataFrame(
            {
                "file": ["readings.parquet"] * 60,
                "row": list(range(60)),
                "vehicle": ["v1"] * 60,
                "reading_on": [day(i * 9) for i in range(60)],
                "raw": [str(9000 + 37 * i) for i in range(60)],
                "unit": ["km"] * 60,
                "mended_km": [None if i % 7 == 0 else 14_484.1 + 59.5 * i for i in range(60)],
                "rule": [
                    "miles_in_km_column" if i % 3 else "dropped_digit" if i % 7 else "unexplained" for i in range(60)
                ],
            }
        ),
        "unread_texts": pl.DataFrame(
            {"text": ["chk n/s unit no fault fnd", NASTY, "=cmd|' /C calc'!A0", None], "why": ["component", "component", "action", "side"],
             "n": [31, 12, 7, 5], "wordings": [1, 1, 1, 4]}
        ),
        "backtest": pl.DataFrame(
            {
                "method": ["model", "overall", "by_km"],
                "n": [188, 188, 188],
                "log_score": [1.02, 1.31, 1.22],
                "low": [0.94, 1.2, 1.12],
                "high": [1.11, 1.43, 1.33],
                "brier": [0.52, 0.66, 0.63],
            }
        ),
        "backtest_reliability": pl.DataFrame(
            {
                "said": [0.06, 0.18, 0.34, 0.52, 0.71, 0.88],
                "came_true": [0.05, 0.2, 0.31, 0.55, 0.66, 0.9],
                "low": [0.02, 0.13, 0.22, 0.43, 0.52, 0.72],
                "high": [0.09, 0.29, 0.42, 0.66, 0.78, 0.97],
                "n": [400, 160, 90, 70, 48, 22],
            }
        ),
        "not_answered": pl.DataFrame({"question": ["bad_lots", "leavers"], "weight": [4, 3]}),
    }


def make_context(**more) -> Context:
    return Context(
        **{
            "shop_name": "Harrow Lane Workshop <b>",
            "as_of": AS_OF,
            "currency": "EUR",
            "version": "0.1.0",
            "window": (dt.date(2019, 7, 1), AS_OF),
            **more,
        }
    )


@pytest.fixture(scope="session")
def tables() -> dict[str, pl.DataFrame]:
    return make_tables()


@pytest.fixture(scope="session")
def context() -> Context:
    return make_context()


@pytest.fixture(scope="session")
def rendered(tables, context) -> dict[str, str]:
    from pipeline.publish import pages

    return pages.render_all(tables, context)
