"""The invented world is what it says it is: same seed same bytes, and its lives follow the formulas of its own
truth.

All expected values come from the scenario's own parameters (synthetic_data/scenario.py). Tolerances are
quantiles of the sampling distribution named beside each check; seeds are fixed, so a check passes
or fails the same way on every run.
"""

from __future__ import annotations

import csv
import json
import math
import zipfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import synthetic_data
from synthetic_data import exports, simulate, texts, truth
from synthetic_data import scenario as sc
from synthetic_data.simulate import COMP_OF, FAILED

SAMPLE = Path(synthetic_data.__file__).parent / "sample"


@pytest.fixture(scope="module")
def world() -> simulate.World:
    return simulate.make_world(2_500, 20_240_117)


@pytest.fixture(scope="module")
def written(tmp_path_factory) -> tuple[Path, exports.Written]:
    folder = tmp_path_factory.mktemp("sample")
    return folder, exports.write_sample(folder)


def _members(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {n: archive.read(n) for n in archive.namelist()}


def test_the_committed_sample_is_made_again_to_the_byte(written):
    folder, _ = written
    made = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    kept = {p.relative_to(SAMPLE).as_posix() for p in SAMPLE.rglob("*") if p.is_file()}
    assert made == kept
    for name in sorted(made):
        if name.endswith(".xlsx"):  # packing differs between builds of zlib; what is packed does not
            assert _members(folder / name) == _members(SAMPLE / name), name
        else:
            assert (folder / name).read_bytes() == (SAMPLE / name).read_bytes(), name


def test_the_sample_is_small():
    assert sum(p.stat().st_size for p in SAMPLE.rglob("*") if p.is_file()) < 3_000_000


def test_the_same_seed_gives_the_same_bytes_and_another_one_other_bytes(tmp_path):
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        exports.write_world(simulate.make_world(60, seed), tmp_path / name)
    files = sorted(p.relative_to(tmp_path / "a") for p in (tmp_path / "a").rglob("*") if p.is_file())
    assert any(p.name == "truth_lives.parquet" for p in files)
    for p in files:
        assert (tmp_path / "a" / p).read_bytes() == (tmp_path / "b" / p).read_bytes(), p
    assert (tmp_path / "a/truth.json").read_bytes() != (tmp_path / "c/truth.json").read_bytes()


def test_a_world_has_a_least_size():
    with pytest.raises(ValueError, match="at least 20"):
        simulate.make_world(19, 1)


def test_failures_seen_agree_with_the_hazards_by_formula(world):
    """In each stratum the failures less the integral of the hazards over the time at risk have mean 0 and variance
    equal to that integral (martingale property of counting processes: Aalen 1978, Annals of Statistics
    6:701-726). The sum of squares over strata is about chi-square; 99.9 % limits on both sides
    (Wilson-Hilferty approximation, from memory)."""
    lives = truth.watched_lives(world).filter(pl.col("is_known_start") & (pl.col("exit_days") > pl.col("entry_days")))
    lives = lives.with_columns(comp=pl.Series(COMP_OF[lives["place"].to_numpy()]), is_new=pl.col("generation") > 0)
    scores = []
    for _, some in lives.group_by("comp", "lighting", "is_new", maintain_order=True):
        failed = some["ending"].to_numpy() == FAILED
        if not failed.any():
            continue
        late = (some["end"].to_numpy() - some["failed_at"].to_numpy())[failed].mean()
        h = truth.Hazards(world, some)
        expected = (
            h.cumulative(some["exit_days"].to_numpy() - late) - h.cumulative(some["entry_days"].to_numpy() - late)
        ).sum()
        if expected >= 8.0:
            scores.append((failed.sum() - expected) / math.sqrt(expected))
    k = len(scores)
    assert k >= 15
    assert np.abs(scores).max() < 4.0
    spread = math.sqrt(2.0 / (9.0 * k))
    low, high = (k * (1.0 - 2.0 / (9.0 * k) + z * spread) ** 3 for z in (-3.09, 3.09))
    assert low < np.sum(np.square(scores)) < high


def test_original_lives_follow_their_formula():
    """Kolmogorov-Smirnov on lives drawn, turned to uniform by the formula; 1 % limit 1.63 / sqrt(n) (from memory)."""
    made = sc.Scenario()
    r = simulate.Random(9)
    products = simulate._Products(made)
    v = simulate._vehicles(4_000, made, r)
    state = simulate._State(v, products, r)
    for place in (0, 4, 6, 8, 10, 15):
        idx = np.flatnonzero(state.has[:, place])
        life = state.next[idx, place] - state.start[idx, place]
        frame = pl.DataFrame(
            {
                "product": state.product[idx, place],
                "start": state.start[idx, place],
                "km_day": v["km_day"][idx],
                "hours_day": v["hours_day"][idx],
                "frailty": v["frailty"][idx],
            }
        )
        w = simulate.World(made, 0, frame, frame, frame, frame, frame)
        u = np.sort(np.exp(-truth.Hazards(w, frame).cumulative(life)))
        n = len(u)
        distance = max(np.abs(u - np.arange(1, n + 1) / n).max(), np.abs(u - np.arange(n) / n).max())
        assert n > 200 and distance < 1.63 / math.sqrt(n), simulate.PLACES[place]


def test_the_bad_lot_fails_early_as_often_as_it_should(world):
    """Binomial, 99.9 % limits by the normal approximation: pieces of the bad lot whose life drawn has the early
    ending."""
    lives = world.lives
    number = np.array([p.part_number for p in world.scenario.products], dtype=object)[lives["product"].to_numpy()]
    start, bad = lives["start"].to_numpy(), world.scenario.bad_lot
    of_lot = (
        (number == bad.part_number) & (start >= sc.day_number(bad.first_on)) & (start <= sc.day_number(bad.last_on))
    )
    lots = np.array(simulate.lot_names(world, lives["product"].to_numpy(), start), dtype=object)
    assert set(lots[of_lot]) == {bad.lot} and not (lots[~of_lot] == bad.lot).any()
    mean = sum(1 for x in lives["is_early"].to_numpy()[of_lot] if x) / of_lot.sum()
    assert of_lot.sum() > 100
    # Wear ends a few pieces before their early failure would: the share is a little below the lot's own.
    assert abs(mean - bad.defect_share) < 3.3 * math.sqrt(bad.defect_share * (1 - bad.defect_share) / of_lot.sum())
    others = lives["is_early"].to_numpy()[(number == bad.part_number) & ~of_lot]
    assert others.mean() < 0.05


def test_first_guesses_are_wrong_as_often_as_they_should(world):
    """Binomial, 99.9 % limits: complaints of each cause whose first part renewed was another one."""
    e = world.episodes.join(world.vehicles.select("vehicle", "lighting"), on="vehicle")
    comp = COMP_OF[e["cause"].to_numpy()]
    for j, name in enumerate(sc.COMPONENTS):
        m = comp == j
        if name == "lamp":
            m &= e["lighting"].to_numpy() == 1
        n, wrong = m.sum(), 1.0 - sc.FIRST_RIGHT[name]
        assert n > 20
        seen = (e["visits"].to_numpy()[m] == 2).mean()
        assert abs(seen - wrong) < 3.3 * math.sqrt(wrong * (1 - wrong) / n) + 0.5 / n, name


def test_watching_does_not_depend_on_failures(world):
    """Walk-ins come first and last for a service; fleets are watched by dates that their parts do not touch."""
    v = world.vehicles.filter(pl.col("group") == 2)
    for day in ("watch_from", "watch_to"):
        assert ((v[day] - v["service_first"]) % v["service_every"] == 0).all()


def test_a_life_ends_once_and_the_next_one_begins_there(world):
    lives = world.lives.sort("vehicle", "place", "generation")
    same = (lives["vehicle"] == lives["vehicle"].shift(1)) & (lives["place"] == lives["place"].shift(1))
    assert (lives["generation"].filter(~same.fill_null(False)) == 0).all()
    step = lives.filter(same.fill_null(False))
    before = lives.with_columns(pl.col("end").shift(1).alias("before")).filter(same.fill_null(False))
    assert (before["before"] == step["start"]).all()
    assert (lives["end"] >= lives["start"]).all()
    failed = lives.filter(pl.col("ending") == FAILED)
    assert (failed["end"] >= failed["failed_at"]).all()


def test_planted_rows_stand_where_the_truth_says(written):
    folder, out = written
    assert 40 <= len(out.bad_rows) <= 120
    truth_file = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert len(truth_file["bad_rows"]) == len(out.bad_rows)
    marks = {
        "impossible_date": ("-02-31", "31.02."),
        "too_many_cells": ("wipers, horn", "Licht pr"),
        "number_is_text": ("see note",),
    }
    checked = 0
    for file, row, reason in out.bad_rows:
        path = folder / "incoming" / file
        if reason not in marks or path.suffix != ".csv":
            continue
        text = path.read_text(encoding="cp1252" if file.startswith("desk") else "utf-8-sig").splitlines()
        assert any(m in text[row - 1] for m in marks[reason]), (file, row, reason)
        checked += 1
    assert checked > 10
    for file, row, _, _, typed, _ in out.odometer[:400]:
        if file.startswith("quillwren/orders"):
            lines = (folder / "incoming" / file).read_text(encoding="utf-8-sig").splitlines()
            assert next(csv.reader([lines[row - 1]]))[4] == typed
    for file, row in out.repeated_rows:
        lines = (
            (folder / "incoming" / file)
            .read_text(encoding="cp1252" if file.startswith("desk") else "utf-8-sig")
            .splitlines()
        )
        assert lines[row - 1] == lines[row - 2]


def test_the_orders_of_the_truth_are_in_the_exports(tmp_path):
    out = exports.write_world(simulate.make_world(60, 5), tmp_path)
    lives = pl.read_parquet(tmp_path / "truth_lives.parquet")
    told = set()
    for path in (tmp_path / "incoming/quillwren").glob("orders_*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as file:
            told |= {row["order_no"] for row in csv.DictReader(file)}
    mine = lives.filter((pl.col("group") == "Quillwren Parcels") & (pl.col("ended_order") != ""))
    assert mine.height > 20 and set(mine["ended_order"]) <= told
    assert len(set(out.vehicle_ids)) == 60


def test_every_hand_has_words_for_everything():
    for hand in range(len(texts.HANDS)):
        for light in range(3):
            for comp, name in enumerate(sc.COMPONENTS):
                if (
                    (name in ("igniter", "ballast") and light != 1)
                    or (name.startswith("led") and light != 2)
                    or (name == "lamp" and light == 2)
                ):
                    continue
                for side in range(5):
                    for reason in range(5):
                        assert texts.renewal_pool(hand, comp, light, side, 0, reason)
                    assert texts.offer_pool(hand, comp, light, side, 1, 0)
        for symptom in range(len(sc.SYMPTOMS)):
            for kind in range(5):
                assert texts.complaint_pool(hand, symptom, 0, 1, kind)
        for what in range(len(texts.EXTRAS)):
            assert texts.extra_pool(hand, what, 1, 0)


def test_the_settings_that_are_written_are_valid(written):
    from pipeline.settings import load_settings

    settings = load_settings(written[0] / "settings.toml")
    assert settings.coverage_of("walk_in").coverage == "walk_in"
    assert settings.coverage_of("Marlsedge Rounds").coverage == "complete"
    assert len(settings.sources) == 11
