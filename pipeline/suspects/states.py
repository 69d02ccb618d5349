"""Which parts sit where on a given day, and how old each is on its own clock: lives as an index that is quick
to ask.

A row asked for is one side of one vehicle on one day; parts without a side (control module, switch) belong to
both sides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.suspects.parts import OWN_IGNITER, SIDES, UNSIDED, is_possible

_DAY = 1_000_000  # days per vehicle in a packed key: more than any date's day number


@dataclass(frozen=True)
class Track:
    """Odometer of every vehicle over time, as points; km between them by straight lines, outside by the
    vehicle's own rate."""

    key: np.ndarray
    km: np.ndarray
    first: np.ndarray
    last: np.ndarray
    rate: np.ndarray  # km/day by vehicle; NaN where it cannot be told

    def at(self, vehicle: np.ndarray, day: np.ndarray) -> np.ndarray:
        """km of vehicles (codes) on days (day numbers); NaN where the vehicle has no point or no rate to
        carry on with."""
        out = np.full(len(vehicle), np.nan)
        if not len(self.key):
            return out
        lo, hi = self.first[vehicle], self.last[vehicle]
        has = hi >= lo
        v, d, lo, hi = vehicle[has], day[has], lo[has], hi[has]
        key = v * _DAY + d
        at = np.clip(np.searchsorted(self.key, key, side="right") - 1, lo, hi)
        after = np.minimum(at + 1, hi)
        x0, x1 = self.key[at], self.key[after]
        rate = np.nan_to_num(self.rate[v], nan=np.nan)
        inside = (x1 > x0) & (key >= x0)
        slope = np.where(inside, (self.km[after] - self.km[at]) / np.maximum(x1 - x0, 1), rate)
        moved = np.where(key == x0, 0.0, (key - x0) * slope)
        out[has] = np.maximum(self.km[at] + moved, 0.0)
        return out


@dataclass(frozen=True)
class Places:
    """Lives of one component on one side, sorted by vehicle and start."""

    key: np.ndarray
    end: np.ndarray
    start: np.ndarray
    replacement: np.ndarray
    known: np.ndarray


@dataclass(frozen=True)
class Fleet:
    """All vehicles: their attributes by code (0, 1, ...), odometer tracks and parts.

    lighting, vehicle_class: numbers into lightings and classes, -1 unknown; first_use: day number, -1
    unknown; seen_from, seen_to: day numbers of the window under watch; no_igniter: the light source carries
    its own."""

    components: tuple[str, ...]
    sided: np.ndarray
    lightings: tuple[str, ...]
    classes: tuple[str, ...]
    names: pl.Series
    lighting: np.ndarray
    vehicle_class: np.ndarray
    first_use: np.ndarray
    seen_from: np.ndarray
    seen_to: np.ndarray
    no_igniter: np.ndarray
    track: Track
    places: dict[tuple[int, int], Places]

    def codes(self, vehicles: pl.Series) -> np.ndarray:
        """Numbers of vehicles by name; -1 where the vehicle is not here."""
        at = pl.DataFrame({"vehicle": self.names, "code": np.arange(len(self.names))})
        found = pl.DataFrame({"vehicle": vehicles}).join(at, on="vehicle", how="left", maintain_order="left")
        return found["code"].fill_null(-1).to_numpy()

    def possible(self) -> np.ndarray:
        """(lightings, components): whether such a headlamp can have it."""
        return np.array([[is_possible(c, li) for c in self.components] for li in self.lightings])


@dataclass(frozen=True)
class States:
    """Parts on rows (n) by component (J): present (n, J), known age (n, J), replacement (n, J), ages in days
    and km (n, J; NaN unknown)."""

    present: np.ndarray
    known: np.ndarray
    replacement: np.ndarray
    age_days: np.ndarray
    age_km: np.ndarray


def day_number(column: pl.Expr) -> pl.Expr:
    """Dates as day numbers counted from 1900-01-01, so that none in use is negative; null becomes -1."""
    return (column.cast(pl.Date).cast(pl.Int32).cast(pl.Int64) + 25_567).fill_null(-1)


def make_fleet(lives: pl.DataFrame, episodes: pl.DataFrame | None = None) -> Fleet:
    """Index lives (rows of lives.lives, all of them, in the curve or not) by vehicle, place and time.

    Episodes, where given, add odometer points. Raises ValueError where there is no life at all.
    """
    if lives.is_empty():
        raise ValueError("there are no lives: nothing is known of any part")
    lives = lives.with_columns(
        start=day_number(pl.col("start_on")),
        end=day_number(pl.col("end_on")),
        first_use=day_number(pl.col("first_use_on")),
        watched=day_number(pl.col("watched_from"))
        if "watched_from" in lives.columns
        else pl.lit(-1, pl.Int64),
        lighting=pl.col("lighting").fill_null("unknown"),
    )
    lives = lives.with_columns(
        open_day=pl.max_horizontal(
            pl.when(pl.col("start") >= 0)
            .then(pl.col("start") + pl.col("entry_days").fill_null(0).cast(pl.Int64))
            .otherwise(-1),
            "watched",
        )
    )
    # By what is counted, not by name: every draw of the model follows this order, so other names draw the same.
    size = lives.group_by("component").agg(pl.len(), pl.col("ending").eq("failed").sum().alias("failed"))
    components = tuple(size.sort("failed", "len", "component", descending=[True, True, False])["component"])
    sided = np.array(
        [
            c not in UNSIDED and not lives.filter(pl.col("component") == c)["side"].eq("none").all()
            for c in components
        ]
    )
    lightings = tuple(sorted(lives["lighting"].unique()))
    classes = tuple(sorted(lives["vehicle_class"].drop_nulls().unique()))
    category = (
        pl.col("light_source_category")
        if "light_source_category" in lives.columns
        else pl.lit(None, pl.String)
    )
    # Numbered by what they are, not by their names, so that other names for the same vehicles draw the same
    # sample.
    vehicles = (
        lives.sort("vehicle", "start", "component", "side")
        .group_by("vehicle", maintain_order=True)
        .agg(
            pl.col("lighting").first(),
            pl.col("vehicle_class").drop_nulls().first(),
            pl.col("first_use").max(),
            pl.col("open_day").filter(pl.col("open_day") >= 0).min().fill_null(-1).alias("seen_from"),
            pl.col("end").max().alias("seen_to"),
            category.drop_nulls().last().alias("category"),
            pl.col("end").sum().alias("ends"),
            pl.len().alias("parts"),
            pl.col("exit_km").max().alias("km"),
        )
        .sort(
            "first_use", "seen_from", "seen_to", "lighting", "vehicle_class", "ends", "parts", "km", "vehicle"
        )
    )
    names = vehicles["vehicle"]
    number = {c: i for i, c in enumerate(classes)}
    code = (
        lives.select("vehicle")
        .join(
            vehicles.select("vehicle").with_row_index("code"), on="vehicle", how="left", maintain_order="left"
        )["code"]
        .cast(pl.Int64)
    )
    lives = lives.with_columns(code)
    track = _track(lives, episodes, names)
    places = {}
    for ji, component in enumerate(components):
        part = lives.filter(pl.col("component") == component)
        for si, side in enumerate(SIDES):
            rows = part if not sided[ji] else part.filter(pl.col("side") == side)
            rows = rows.with_columns(
                from_day=pl.when(pl.col("start") >= 0)
                .then("start")
                .otherwise(pl.max_horizontal("watched", pl.lit(0))),
                known=(pl.col("start") >= 0)
                & (
                    pl.col("in_curve").fill_null(True)
                    | (pl.col("generation") > 0)
                    | pl.col("left_out_reason").fill_null("").is_in(_STILL_KNOWN)
                )
                if "left_out_reason" in lives.columns
                else (pl.col("start") >= 0) & pl.col("in_curve").fill_null(True),
            )
            rows = rows.with_columns(key=pl.col("code") * _DAY + pl.col("from_day")).sort(
                "key", "generation", maintain_order=True
            )
            places[ji, si] = Places(
                rows["key"].to_numpy(),
                rows["end"].to_numpy(),
                rows["start"].to_numpy(),
                (rows["origin"] == "replacement").fill_null(False).to_numpy(),
                rows["known"].to_numpy(),
            )
    return Fleet(
        components,
        sided,
        lightings,
        classes,
        names,
        vehicles["lighting"]
        .replace_strict(list(lightings), list(range(len(lightings))), return_dtype=pl.Int64)
        .to_numpy(),
        np.array([number.get(c, -1) for c in vehicles["vehicle_class"]], dtype=np.int64),
        vehicles["first_use"].to_numpy(),
        vehicles["seen_from"].to_numpy(),
        vehicles["seen_to"].to_numpy(),
        np.array([bool(c and OWN_IGNITER.match(c)) for c in vehicles["category"]]),
        track,
        places,
    )


# Left out of curves for want of time under watch, though the part's age is known.
_STILL_KNOWN = ("failed on the day that watching began", "no time under watch", "ended before watching began")


def _track(lives: pl.DataFrame, episodes: pl.DataFrame | None, names: pl.Series) -> Track:
    parts = [lives.filter(pl.col("first_use") >= 0).select("code", day="first_use", km=pl.lit(0.0))]
    if "odometer_at_end_km" in lives.columns:
        parts.append(lives.select("code", day="end", km="odometer_at_end_km"))
        parts.append(
            lives.select(
                "code",
                day="open_day",
                km=pl.col("odometer_at_end_km") - pl.col("exit_km") + pl.col("entry_km"),
            )
        )
    else:
        original = lives.filter(
            (pl.col("generation") == 0) & (pl.col("start") >= 0) & (pl.col("start") == pl.col("first_use"))
        )
        parts.append(original.select("code", day="end", km="exit_km"))
        parts.append(original.select("code", day="open_day", km="entry_km"))
    if episodes is not None and episodes.height:
        at = (
            pl.DataFrame({"vehicle": names})
            .with_row_index("code")
            .with_columns(pl.col("code").cast(pl.Int64))
        )
        parts.append(
            episodes.join(at, on="vehicle", how="inner").select(
                "code", day=day_number(pl.col("opened_on")), km="km"
            )
        )
    points = (
        pl.concat(parts, how="vertical_relaxed")
        .filter(pl.col("km").is_not_null() & (pl.col("day") >= 0))
        .group_by("code", "day")
        .agg(pl.col("km").max())
        .sort("code", "day")
        .with_columns(pl.col("km").cum_max().over("code"))
    )
    spans = points.group_by("code", maintain_order=True).agg(
        n=pl.len(),
        days=pl.col("day").last() - pl.col("day").first(),
        run=pl.col("km").last() - pl.col("km").first(),
    )
    first = np.zeros(len(names), dtype=np.int64)
    last = np.full(len(names), -1, dtype=np.int64)
    rate = np.full(len(names), np.nan)
    at, n = spans["code"].to_numpy(), spans["n"].to_numpy().astype(np.int64)
    ends = np.cumsum(n)
    first[at], last[at] = ends - n, ends - 1
    days, run = spans["days"].to_numpy().astype(float), spans["run"].to_numpy()
    told = (days >= 30) & (run > 0)
    rate[at[told]] = run[told] / days[told]
    key = points["code"].to_numpy().astype(np.int64) * _DAY + points["day"].to_numpy()
    return Track(key, points["km"].to_numpy().astype(float), first, last, rate)


def states_at(fleet: Fleet, vehicle: np.ndarray, side: np.ndarray, day: np.ndarray) -> States:
    """Parts of vehicles (codes) on sides (0 left, 1 right) on days (day numbers)."""
    n, count = len(vehicle), len(fleet.components)
    present = np.zeros((n, count), dtype=bool)
    known, replacement = present.copy(), present.copy()
    start = np.full((n, count), -1, dtype=np.int64)
    key = vehicle * _DAY + day
    for ji in range(count):
        for si in range(2):
            rows = np.flatnonzero(side == si)
            place = fleet.places[ji, si]
            if not len(rows) or not len(place.key):
                continue
            at = np.searchsorted(place.key, key[rows], side="right") - 1
            good = (at >= 0) & (place.key[np.maximum(at, 0)] // _DAY == vehicle[rows])
            rows, at = rows[good], at[good]
            good = place.end[at] >= day[rows]
            rows, at = rows[good], at[good]
            present[rows, ji], known[rows, ji] = True, place.known[at]
            replacement[rows, ji], start[rows, ji] = place.replacement[at], place.start[at]
    if "igniter" in fleet.components:
        present[fleet.no_igniter[vehicle], fleet.components.index("igniter")] = False
    possible = fleet.possible()[fleet.lighting[vehicle]]
    present &= possible
    known &= present
    age_days = np.where(known, day[:, None] - start, np.nan)
    now = fleet.track.at(vehicle, day)
    age_km = np.full((n, count), np.nan)
    for ji in range(count):
        rows = np.flatnonzero(known[:, ji])
        fitted = np.where(
            start[rows, ji] == fleet.first_use[vehicle[rows]],
            0.0,
            fleet.track.at(vehicle[rows], start[rows, ji]),
        )
        age_km[rows, ji] = np.maximum(now[rows] - fitted, 0.0)
    return States(present, known, replacement, age_days, age_km)


def recent_part(
    components: tuple[str, ...],
    present: np.ndarray,
    replacement: np.ndarray,
    age_days: np.ndarray,
    recent_days: float,
) -> np.ndarray:
    """The component renewed last within `recent_days`, by number; -1 where none was. Renewed on one day: the
    assembly first (it is the wider job), then the one that comes first in `components`."""
    order = sorted(range(len(components)), key=lambda j: (components[j] != "headlamp_assembly", j))
    best, age = np.full(len(age_days), -1), np.full(len(age_days), np.inf)
    for j in order:
        fresh = present[:, j] & replacement[:, j] & (age_days[:, j] <= recent_days) & (age_days[:, j] < age)
        best[fresh], age[fresh] = j, age_days[fresh, j]
    return best
