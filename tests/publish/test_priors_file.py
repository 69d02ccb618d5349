"""priors.json fits its schema, and the schema refuses what it should."""

from __future__ import annotations

import copy
import json
import re
import subprocess
import sys
from pathlib import Path

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


def test_vehicles_that_do_not_tell_their_lighting_are_in_the_file(tables, context):
    one = tables["priors"].filter(pl.col("lighting") == tables["priors"]["lighting"][0])
    untold = {**tables, "priors": one.with_columns(lighting=pl.lit("unknown"))}
    made = priors_file.build(untold, context)
    priors_file.check(made)
    assert {c["lighting"] for c in made["cells"]} == {"unknown"}


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


def test_the_months_own_test_goes_with_the_file(tables, context, tmp_path):
    def with_better(value):
        tested = tables["backtest"].drop("is_better", strict=False)
        tested = tested.with_columns(pl.lit(value, pl.Boolean).alias("is_better"), pl.lit("On 40 cases ...").alias("verdict"))
        return {**tables, "backtest": tested}

    bad = priors_file.build(with_better(False), context)
    priors_file.check({**bad, "cells": bad["cells"][:1]})
    assert bad["backtest"]["beats_baselines"] is False and bad["backtest"]["verdict"] == "On 40 cases ..."
    assert any("as a hint" in u and "counting" in u for u in bad["use"])
    good = priors_file.build(with_better(True), context)
    assert good["backtest"]["beats_baselines"] is True and len(good["use"]) == len(bad["use"]) - 1
    none = priors_file.build({k: v for k, v in tables.items() if k != "backtest"}, context)
    assert none["backtest"]["beats_baselines"] is None and none["backtest"]["cases"] == 0
    priors_file.write(tmp_path, with_better(False), context)
    assert pl.read_parquet(tmp_path / "priors.parquet")["beats_baselines"].unique().to_list() == [False]
    with pytest.raises(ValueError, match="backtest"):
        priors_file.check({k: v for k, v in {**bad, "cells": []}.items() if k != "backtest"})


def test_the_readers_page_in_plain_python(tables, context, tmp_path):
    """The example of DEVELOPERS.md, as it stands there, with nothing of any package at hand."""
    page = (Path(__file__).resolve().parents[2] / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = page.split("## Reading priors.json without this package")[1].split("\n## ")[0]
    code = re.search(r"```python\n(.*?)```", part, re.S).group(1)
    assert len([line for line in code.splitlines() if line.strip()]) <= 20
    priors_file.write(tmp_path, tables, context)
    book = json.loads((tmp_path / "priors.json").read_text(encoding="utf-8"))
    cell = next(c for c in book["cells"] if c["recently_replaced"] == "none" and c["vehicle_class"] == "all")
    code = re.sub(r'suspects\("low_beam_dark", "discharge", km=[\d_]+, age_days=[\d *]+\)',
                  f'suspects("{cell["symptom"]}", "{cell["lighting"]}", km={cell["km_low"]}, age_days={cell["age_low_days"]})', code)
    done = subprocess.run([sys.executable, "-I", "-S", "-c", code], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert lines[0].startswith(f"as of {book['as_of']}") and len(lines) == 1 + len(cell["suspects"])
    first = cell["suspects"][0]
    assert first["component"] in lines[1] and f"{first['probability']:.0%} ({first['low']:.0%} to {first['high']:.0%})" in lines[1]


def test_without_priors_the_file_is_empty_and_valid(tmp_path, context):
    priors_file.write(tmp_path, {}, context)
    assert json.loads((tmp_path / "priors.json").read_text())["cells"] == []
