"""Invented tables in the shape of the fleet plan's, for tests of its page only. No number here means anything."""

from __future__ import annotations

import datetime as dt

import polars as pl

AS_OF = dt.date(2025, 6, 30)
PAIR = "pair: renew the other side too when this one fails"
UNSURE = "no interval supported by these data"
KINDS = [("lamp", "halogen"), ("lamp", "discharge"), ("ballast", "discharge"), ("wiring", "led")]


def _policy(nasty: str) -> list[dict]:
    none = {c: None for c in ("age", "snapped_age", "original_age", "saving_share", "saving_low", "saving_high")}
    none |= {c: None for c in ("saving_per_1000_units", "block_interval", "block_cost_rate")}
    rows = []
    for group, unplanned in (("parcels", 240.0), (f"rounds {nasty}", 190.0)):
        for component, lighting in KINDS:
            base = {
                "component": component,
                "lighting": lighting,
                "customer_group": group,
                "planned_cost": 92.5,
                "unplanned_cost": unplanned,
                "costs_basis": "given" if component == "lamp" else "assumed",
                "failures": {"lamp": 210.0, "ballast": 11.0, "wiring": 2.0}[component],
                "curve_basis": "borrowed" if component == "wiring" else "own",
                **none,
            }
            run = base | {"verdict": "run to failure", "reason": "The failure rate does not rise enough with age."}
            rows.append(run | {"clock": "days"})
            km = run | {"clock": "km"}
            if (component, lighting) == ("lamp", "halogen") and group == "parcels":
                km |= {
                    "verdict": "replace at age",
                    "reason": "Saves money across the whole interval.",
                    "age": 41_400.0,
                    "snapped_age": 40_000.0,
                    "original_age": 38_000.0,
                    "saving_share": 0.123,
                    "saving_low": 0.031,
                    "saving_high": 0.204,
                    "saving_per_1000_units": 0.61,
                    "block_interval": 40_000.0,
                    "block_cost_rate": 0.0052,
                }
            elif component == "lamp":
                km |= {
                    "verdict": UNSURE,
                    "reason": "The interval of the saving includes no saving.",
                    "saving_share": 0.05,
                    "saving_low": -0.06,
                    "saving_high": 0.084,
                }
            rows.append(km)
    return rows


def _due(nasty: str) -> list[dict]:
    rows = []
    for i in range(70):
        component, lighting = KINDS[i % 4]
        first = AS_OF + dt.timedelta(days=20 + 3 * i)
        renew, pair = i < 3, 3 <= i < 5
        chance = 0.6 - 0.008 * i
        km = component == "lamp"
        rows.append(
            {
                "rank": i + 1,
                "vehicle": f"v{i:012x}",
                "unit_number": None if i % 9 == 0 else f"Unit {i} {nasty if i == 1 else ''}",
                "customer_group": "parcels",
                "depot": "Mill Lane" if i % 3 else "Quay",
                "component": component,
                "side": "left" if i % 2 else "right",
                "lighting": lighting,
                "origin": "replacement",
                "life_days": 300.0 + i,
                "life_km": 30_000.0 + 100 * i if km else None,
                "life_from": "assumed original" if i % 10 == 4 else "observed",
                "clock": "km" if km else "days",
                "first_service_on": first,
                "second_service_on": first + dt.timedelta(days=180),
                "services_basis": "assumed" if i % 7 == 0 else "given",
                "chance_first": chance,
                "chance_first_low": chance - 0.03,
                "chance_first_high": chance + 0.04,
                "chance_second": min(0.98, chance + 0.3),
                "is_beyond_data": i == 4,
                "action": f"replace at the service on {first}" if renew else PAIR if pair else "leave",
                "due_on": first if renew else None,
                "cost": 90.0 if renew else None,
                "reason": "The other side has run 68,617 km; from 66,066 on, renewing it at the same time pays."
                if pair
                else "At 44,103 km it is past the age of 41,406 km at which replacing costs least.",
            }
        )
    return rows


def _demand() -> list[dict]:
    rows = []
    for component, lighting, mean in (
        ("lamp", "halogen", 4.0),
        ("lamp", "discharge", 2.0),
        ("ballast", "discharge", 0.5),
    ):
        for month in range(1, 13):
            start = dt.date(2025 + (month + 5) // 12, (month + 5) % 12 + 1, 30 if (month + 5) % 12 != 1 else 28)
            common = {
                "component": component,
                "lighting": lighting,
                "kind": "failed",
                "from_on": start,
                "to_on": start,
                "horizon_days": round(30.4 * month),
                "places": 90,
            }
            rows.append(common | {"month": month, "low": mean * 0.4, "median": mean, "high": mean * 1.8, "mean": mean})
            total = mean * month
            rows.append(
                common | {"month": None, "low": total * 0.7, "median": total, "high": total * 1.4, "mean": total}
            )
    return rows


def make_fleet_tables(nasty: str) -> dict[str, pl.DataFrame]:
    """The planning tables by name."""

    def made(rows: list[dict]) -> pl.DataFrame:
        return pl.DataFrame(rows, infer_schema_length=None)

    ratios = []
    for component, lighting in KINDS:
        for clock in ("days", "km"):
            for ratio in (1.5, 2.0, 3.0, 5.0, 10.0):
                saves = component == "lamp" and clock == "km" and ratio >= 2
                share = 0.04 * ratio - (0.03 if lighting == "discharge" else 0.0)
                ratios.append(
                    {
                        "component": component,
                        "lighting": lighting,
                        "clock": clock,
                        "cost_ratio": ratio,
                        "age": 30_000.0 if saves and ratio > 4 else None,
                        "saving_share": share if saves else None,
                        "saving_low": share - 0.15 if saves else None,
                        "saving_high": share + 0.05 if saves else None,
                        "failures": 200.0,
                        "verdict": ("replace at age" if ratio > 4 else UNSURE) if saves else "run to failure",
                    }
                )
    pairs = [
        {
            "component": component,
            "lighting": lighting,
            "clock": "km" if component == "lamp" else "days",
            "customer_group": "parcels",
            "generation": generation,
            "horizon": 365.0,
            "planned_cost": 92.0,
            "unplanned_cost": 190.0,
            "shared_labour_cost": 20.0,
            "break_even_life": 66_066.0 if (lighting, generation) == ("halogen", "replacement") else None,
            "failures": 120.0,
            "verdict": "leave the other side",
            "reason": "Its chance of failing before the next opening never outweighs the cost.",
        }
        for component, lighting in KINDS[:3]
        for generation in ("original", "replacement")
    ]
    money = [
        {
            "component": c,
            "horizon_days": 365,
            "low": lo,
            "median": m,
            "high": hi,
            "mean": m,
            "failures": n,
            "planned": 0.0,
            **{
                f"plan_{c}": x * 0.9
                for c, x in (("low", lo), ("median", m), ("high", hi), ("mean", m), ("failures", n))
            },
            "plan_planned": 3.0 if c != "ballast" else 0.0,
            "saving_mean": m * 0.1,
            "saving_low": -0.05 * m,
            "saving_high": 0.2 * m,
        }
        for c, lo, m, hi, n in (
            ("lamp", 9_000.0, 12_000.0, 15_500.0, 72.0),
            ("ballast", 900.0, 2_500.0, 4_800.0, 6.0),
            ("all", 11_000.0, 14_500.0, 18_600.0, 78.0),
        )
    ]
    return {
        "replacement_policy": made(_policy(nasty)),
        "cost_ratio_sensitivity": made(ratios),
        "pair_policy": made(pairs),
        "due_list": made(_due(nasty)),
        "demand": made(_demand()),
        "stock": made(
            [
                {
                    "component": c,
                    "lighting": li,
                    "lead_days": 14.0,
                    "service_level": 0.95,
                    "expected": e,
                    "stock": s,
                    "chance_short": p,
                }
                for c, li, e, s, p in (
                    ("lamp", "halogen", 1.65, 4, 0.027),
                    ("lamp", "discharge", 0.89, 3, 0.012),
                    ("ballast", "discharge", 0.04, 0, 0.04),
                )
            ]
        ),
        "budget": made(money),
        "repeat_places": made(
            [
                {
                    "vehicle": f"v{i // 2:012x}",
                    "unit_number": f"Unit {i // 2}",
                    "customer_group": "parcels",
                    "component": "lamp",
                    "side": "left" if i % 2 else "right",
                    "failures": 8 - i // 6,
                    "expected": 2.5,
                    "verdict": "more often than its curve explains" if i < 2 else "may be chance",
                    "first_on": AS_OF - dt.timedelta(days=900),
                    "last_on": AS_OF - dt.timedelta(days=10 * i + 3),
                    "shortest_life_days": 33.0,
                    "lives_days": "1287, 133, 187",
                    "action": "find the cause",
                    "reason": "Check water and wiring.",
                }
                for i in range(30)
            ]
        ),
        "several_at_once": made(
            [
                {
                    "vehicle": "v00000000000f",
                    "unit_number": None,
                    "customer_group": "parcels",
                    "first_on": AS_OF - dt.timedelta(days=40),
                    "last_on": AS_OF - dt.timedelta(days=4),
                    "failures": 3,
                    "positions": 3,
                    "places": "headlamp_assembly right, lamp left, lamp right",
                    "action": "find the cause",
                    "reason": "Measure the charging voltage.",
                }
            ]
        ),
        "stock_by_depot": made(
            [
                {
                    "component": c,
                    "lighting": li,
                    "depot": d,
                    "lead_days": 14.0,
                    "service_level": 0.95,
                    "expected": e,
                    "stock": n,
                    "chance_short": 0.02,
                }
                for d in ("Mill Lane", "Quay")
                for c, li, e, n in (("lamp", "halogen", 0.8, 3), ("ballast", "discharge", 0.02, 0))
            ]
        ),
        "demand_by_depot": made(
            [
                r | {"depot": d, "mean": r["mean"] / 2, "low": r["low"] / 2, "high": r["high"] / 2}
                for r in _demand()
                for d in ("Mill Lane", "Quay")
            ]
        ),
        "dark_lamps": made(
            [
                {
                    "component": c,
                    "horizon_days": 365,
                    "share_dark": p,
                    "share_dark_low": p and p - 0.05,
                    "share_dark_high": p and p + 0.05,
                    "mean": n,
                    "low": n - 9,
                    "high": n + 9,
                    "plan_mean": n - 2,
                    "plan_low": n - 11,
                    "plan_high": n + 7,
                    "prevented_mean": 2.0,
                    "prevented_low": 0.0,
                    "prevented_high": 5.0,
                }
                for c, p, n in (("lamp", 0.8, 52.0), ("ballast", 0.4, 12.0), ("all", None, 64.0))
            ]
        ),
        "season_tests": made(
            [
                {
                    "component": c,
                    "lighting": li,
                    "failures": 100.0,
                    "years": 6.0,
                    "p": p,
                    "p_adjusted": p,
                    "peak_month": 12,
                    "low_month": 6,
                    "ratio": 1.9,
                    "ratio_low": 1.3,
                    "ratio_high": 2.6,
                    "verdict": "season shown" if p < 0.05 else "no season shown",
                }
                for c, li, p in (("lamp", "halogen", 0.004), ("ballast", "discharge", 0.4))
            ]
        ),
        "plan_replay": made(
            [
                {
                    "component": c,
                    "basis": basis,
                    "due": 20,
                    "too_late": 4,
                    "prevented": 7,
                    "unneeded": 9,
                    "unmatched": 0,
                    "failures": 60,
                    "fresh_failures": 1.5,
                    "cost_of_plan": 1800.0,
                    "cost_without": 2100.0,
                    "saving": 300.0,
                    "saving_low": -150.0,
                    "saving_high": 800.0,
                    "verdict": "no difference told by these data",
                    "then_on": AS_OF.replace(year=2024),
                    "watched_days": 1500,
                }
                for c, basis in (("lamp", "recommended"), ("all", "recommended"), ("ballast", "not recommended"))
            ]
        ),
        "open_defects": made(
            [
                {
                    "vehicle": "v0000000000aa",
                    "unit_number": f"Unit 7 {nasty}",
                    "customer_group": "parcels",
                    "order_id": "A1",
                    "reported_on": AS_OF - dt.timedelta(days=3),
                    "symptom": "low_beam_dark",
                    "side": "left",
                    "days_open": 3,
                }
            ]
        ),
    }
