"""A hundred invented shops of 1,500 vehicles, each with a truth of its own: how near the cause model comes to it.

    python -m tests.benchmarks.suspects_worlds --worlds 100 --write tests/benchmarks/suspects_worlds.csv

Writes one row a world, and beside the table a page of words (.md). Takes some ten seconds a world. What is measured, and
against which truth, stands at the head of tests/suspects/worlds.py.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np

from tests.suspects import worlds

FIRST = 1001
WHAT = {
    "cases": "confirmed cases in the shop's data",
    "mae_model": "mean absolute error of P(cause), cases of other vehicles, model",
    "mae_overall": "the same, counts of parts replaced first",
    "mae_by_km": "the same, those counts by km band",
    "mae_by_symptom": "the same, counts of confirmed causes by symptom",
    "calibration_error": "mean gap between said and true in ten bands of said probability",
    "slope": "slope of what came true on what was said (1 is right)",
    "log_truth": "log score of the truth itself: nobody can do better",
    "log_model": "log score of the model",
    "log_overall": "log score, counts of parts replaced first",
    "log_by_km": "log score, those counts by km band",
    "log_by_symptom": "log score, counts of confirmed causes by symptom",
    "first_truth": "first suspect right, the truth itself",
    "first_model": "first suspect right, model",
    "first_overall": "first suspect right, counts of parts replaced first",
    "first_by_symptom": "first suspect right, counts of confirmed causes by symptom",
    "mae_cells": "mean absolute error of the published rows",
    "mae_cells_by_cases": "the same, rows weighted by the cases that fall in their cell",
    "cover_rows": "published rows whose 90 % interval holds the truth",
    "cover_by_cases": "the same, rows weighted by the cases that fall in their cell",
    "cover_bench": "answers at the bench, all ages told, whose 90 % interval holds the truth",
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worlds", type=int, default=100)
    parser.add_argument("--vehicles", type=int, default=1500)
    parser.add_argument("--write", type=Path)
    asked = parser.parse_args()
    rows = []
    for seed in range(FIRST, FIRST + asked.worlds):
        rows.append(worlds.measure(seed, asked.vehicles))
        print(f"{seed}: " + ", ".join(f"{k} {rows[-1][k]:.4g}" for k in ("mae_model", "cover_rows", "cover_bench")), flush=True)
    lines = page(rows, asked.vehicles)
    print("\n".join(lines))
    if asked.write:
        with asked.write.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, rows[0], lineterminator="\n")
            writer.writeheader()
            writer.writerows({k: f"{v:.6g}" for k, v in row.items()} for row in rows)
        asked.write.with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


def page(rows: list[dict[str, float]], vehicles: int) -> list[str]:
    n = len(rows)
    better = int(sum(r["better_than_both"] for r in rows))
    lines = [
        f"# {n} invented worlds of {vehicles:,} vehicles",
        "",
        f"Better than both baselines (log score and mean absolute error, cases of other vehicles): {better} of {n} worlds.",
        "",
        "| measure | mean | 5th | 95th of the worlds |",
        "|---|---|---|---|",
    ]
    for key, words in WHAT.items():
        x = np.array([r[key] for r in rows])
        low, high = np.quantile(x, [0.05, 0.95])
        lines.append(f"| {words} | {x.mean():.4g} | {low:.4g} | {high:.4g} |")
    return [
        *lines,
        "",
        "Every world draws its own lives of parts, early deaths, P(symptom | cause), share of other causes and class factors; lamps",
        "wear by km but die early by days, which no single clock of a model holds. Rows whose true probability is below 0.005 are left",
        "out of the shares inside. Made by tests/benchmarks/suspects_worlds.py.",
    ]


if __name__ == "__main__":
    main()
