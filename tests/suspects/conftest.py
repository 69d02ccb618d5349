from __future__ import annotations

from types import SimpleNamespace

import pytest

from pipeline.suspects import bench, grid
from pipeline.suspects.model import fit_model
from tests.suspects.simulate import AS_OF, CLOCKS, make_world

KM = (0, 40_000, 80_000, 120_000, 160_000, 200_000, 280_000, 400_000)
AGE = tuple(365.25 * y for y in (0, 2, 4, 6, 8, 10, 13, 17))


def fitted(vehicles: int, seed: int, **world_options) -> SimpleNamespace:
    world = make_world(vehicles, seed, **world_options)
    model = fit_model(world.lives, world.episodes, world.parts, clocks=CLOCKS, as_of=AS_OF, seed=1, draws=200)
    cells = grid.make_cells(model, world.episodes, world.parts, KM, AGE)
    return SimpleNamespace(world=world, model=model, cells=cells, data=bench.bench_data(model, cells))


@pytest.fixture(scope="session")
def shop() -> SimpleNamespace:
    """A shop of 1,500 vehicles, fitted, with its published grid."""
    made = fitted(1500, 11)
    w = made.world
    made.priors = grid.priors(made.model, w.lives, w.episodes, w.parts, KM, AGE, cells=made.cells)
    return made
