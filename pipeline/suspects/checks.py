"""Checks, what they cost, and the best order of them for one vehicle. Standard library alone: the answer at the bench starts
with it. Sources stand at the head of order.py, which makes orders for whole grids."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

MOST_CHECKS = 12


@dataclass(frozen=True)
class Check:
    """A check that can be made: minutes of its own, and the access step it needs (None: none), which costs
    once."""

    component: str
    minutes: float
    opens: str | None = None
    opens_minutes: float = 0.0


@dataclass(frozen=True)
class Plan:
    """An order of checks: numbers of the checks, the minutes each takes when its turn comes, and the expected
    minutes."""

    order: tuple[int, ...]
    minutes: tuple[float, ...]
    expected_minutes: float


def checks_from_rows(access: Sequence[Mapping[str, Any]], components: Sequence[str]) -> tuple[list[Check], set[str]]:
    """Checks for components from the rows of an access table (component, check_minutes, opens, opens_minutes), and those
    whose minutes are assumed: a component that is not in the table gets the table's median and no access
    step.

    Raises ValueError, in words, for an empty table, minutes that are not positive, or a component given
    twice."""
    if not access:
        raise ValueError("the access table is empty: no minutes are known for any check")
    names = [row["component"] for row in access]
    twice = sorted({c for c in names if names.count(c) > 1})
    if twice:
        raise ValueError(f"the access table has more than one row for {', '.join(twice)}")
    if any(not (row["check_minutes"] or 0) > 0 for row in access):
        raise ValueError("check_minutes must be above 0 on every row of the access table")
    if any((row.get("opens_minutes") or 0) < 0 for row in access):
        raise ValueError("opens_minutes must not be below 0 in the access table")
    steps: dict[str, float] = {}
    for row in access:
        if row.get("opens"):
            steps[row["opens"]] = max(steps.get(row["opens"], 0.0), float(row.get("opens_minutes") or 0.0))
    given = {row["component"]: row for row in access}
    middle = float(median(float(row["check_minutes"]) for row in access))
    made = [
        Check(c, float(given[c]["check_minutes"]), given[c].get("opens") or None, steps.get(given[c].get("opens"), 0.0))
        if c in given
        else Check(c, middle)
        for c in components
    ]
    return made, {c for c in components if c not in given}


def walk(
    order: Sequence[int], p: Sequence[float], checks: Sequence[Check], last_is_inferred: bool = False
) -> Plan:
    """Expected minutes of a given order. p: probability of each check's cause, sum 1 at most (the rest is
    `other`).

    last_is_inferred: when nothing else is left over the last suspect needs no check, only the repair.
    """
    left, total, opened, minutes = 1.0, 0.0, set(), []
    free = last_is_inferred and sum(p) >= 1 - 1e-9
    for place, i in enumerate(order):
        check = checks[i]
        cost = check.minutes + (check.opens_minutes if check.opens and check.opens not in opened else 0.0)
        cost = 0.0 if free and place == len(order) - 1 else cost
        opened.add(check.opens)
        total += cost * max(left, 0.0)
        left -= p[i]
        minutes.append(cost)
    return Plan(tuple(order), tuple(minutes), total)


def best_order(p: Sequence[float], checks: Sequence[Check], last_is_inferred: bool = False) -> Plan:
    """The order with the fewest expected minutes; ties go to the check that stands first. Raises ValueError
    above 12 checks.

    Dynamic programming from the full set down: V(done) = min over i of minutes(i | done) x P(cause not in
    done) + V(done + i)."""
    n = len(p)
    if n > MOST_CHECKS:
        raise ValueError(f"{n} checks; exact orders are made for {MOST_CHECKS} at most")
    full = (1 << n) - 1
    same_step = [
        sum(1 << k for k in range(n) if checks[i].opens and checks[k].opens == checks[i].opens) for i in range(n)
    ]
    free = last_is_inferred and sum(p) >= 1 - 1e-9
    value, choice = [0.0] * (full + 1), [0] * (full + 1)
    for done in range(full - 1, -1, -1):
        rest = [i for i in range(n) if not done >> i & 1]
        left = max(1.0 - sum(p[i] for i in range(n) if done >> i & 1), 0.0)
        best, pick = math.inf, 0
        for i in rest:
            cost = checks[i].minutes + (0.0 if done & same_step[i] else checks[i].opens_minutes)
            tried = (0.0 if free and len(rest) == 1 else cost) * left + value[done | 1 << i]
            if tried < best - 1e-12:
                best, pick = tried, i
        value[done], choice[done] = best, pick
    order, at = [], 0
    while len(order) < n:
        order.append(choice[at])
        at |= 1 << choice[at]
    return walk(order, p, checks, last_is_inferred)


def ratio_order(p: Sequence[float], checks: Sequence[Check]) -> tuple[int, ...]:
    """By probability / minutes, blind to access steps: the best order where there are none."""
    return tuple(sorted(range(len(p)), key=lambda i: (-p[i] / checks[i].minutes, i)))


def likeliest_first(p: Sequence[float], checks: Sequence[Check]) -> tuple[int, ...]:
    """By probability."""
    return tuple(sorted(range(len(p)), key=lambda i: (-p[i], i)))


def cheapest_first(p: Sequence[float], checks: Sequence[Check]) -> tuple[int, ...]:
    """By minutes, the access step counted in."""
    return tuple(sorted(range(len(p)), key=lambda i: (checks[i].minutes + checks[i].opens_minutes, i)))
