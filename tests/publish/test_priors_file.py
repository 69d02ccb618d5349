"""priors.json fits its schema, and the schema refuses what it should."""

from __future__ import annotations

import copy
import json

import jsonschema
import polars as pl
import pytest

from pipeline.publish import priors_file


@pytest.fixture(scope="module")
def made(tables, context):
    return priors_file.build(tables, context)


def test_the_schema_is_a_schema():
    jsonschema.Draft202012Validator.check_schema(priors_file.schema())


def test_the_file_fits_and_says_what_it_rests_on(made, tables):
    priors_file.check(made)
    assert made["data"]["cells"] == len(made["cells"]) > 100
    assert made["data"]["lives"] == tables["lives"].height and made["data"]["confirmed_cases"] == 263
    assert made["units"] == {"distance": "km", "age": "days", "probability": "share of 1", "recent_days": 90}
    assert any("18 to 30 kV" in c for c in made["cautions"]) and made["licence"]


def test_cells_sum_to_one_and_are_ordered(made):
    for cell in made["cells"]:
        p = [s["probability"] for s in cell["suspects"]]
        assert sum(p) == pytest.approx(1, abs=1e-5) and p == sorted(p, reverse=True)
        assert all({"basis", "effective_cases", "low", "high"} <= set(s) for s in cell["suspects"])


@pytest.mark.parametrize(
    "spoil",
    [
        lambda m: m["cells"][0]["suspects"][0].update(probability=1.2),
        lambda m: m["cells"][0]["suspects"][0].pop("basis"),
        lambda m: m["cells"][0]["suspects"][0].pop("effective_cases"),
        lambda m: m["cells"][0]["suspects"][0].update(basis="guessed"),
        lambda m: m["cells"][0].update(suspects=[]),
        lambda m: m["cells"][0].pop("km_low"),
        lambda m: m.pop("licence"),
        lambda m: m.update(cautions=[]),
        lambda m: m.update(schema_version="2.0"),
        lambda m: m["units"].update(distance="mi"),
        lambda m: m["data"].update(vehicles=-1),
    ],
)
def test_the_schema_refuses(made, spoil):
    bad = {**copy.deepcopy({k: v for k, v in made.items() if k != "cells"}), "cells": copy.deepcopy(made["cells"][:2])}
    priors_file.check(bad)
    spoil(bad)
    with pytest.raises(ValueError, match="priors.json at"):
        priors_file.check(bad)


def test_news_is_allowed(made):
    priors_file.check({**made, "cells": [{**made["cells"][0], "new_thing": 1}], "another": {}})


def test_a_cell_that_does_not_sum_to_one_is_not_published(tables, context):
    rows = tables["priors"].with_columns(pl.col("probability") * 0.9)
    with pytest.raises(ValueError, match="not to 1"):
        priors_file.build({"priors": rows}, context)


def test_written_the_same_whatever_the_order_of_rows(tmp_path, tables, context):
    shuffled = {**tables, "priors": tables["priors"].sample(fraction=1.0, shuffle=True, seed=3)}
    for folder, t in (("a", tables), ("b", shuffled)):
        priors_file.write(tmp_path / folder, t, context)
    for name in ("priors.json", "priors.schema.json", "priors.parquet"):
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    read = json.loads((tmp_path / "a" / "priors.json").read_text())
    jsonschema.validate(
        read, json.loads((tmp_path / "a" / "priors.schema.json").read_text()), jsonschema.Draft202012Validator
    )
    assert pl.read_parquet(tmp_path / "a" / "priors.parquet").height == tables["priors"].height


def test_without_priors_the_file_is_empty_and_valid(tmp_path, context):
    priors_file.write(tmp_path, {}, context)
    assert json.loads((tmp_path / "priors.json").read_text())["cells"] == []
