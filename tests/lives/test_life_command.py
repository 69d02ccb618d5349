"""`lowbeam life`: the words and the drawing of a published month's curves."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from pipeline import bench
from pipeline.survival.fit import fit_set
from pipeline.survival.nonparametric import curve_accounts, curve_set

KEYS = ["component", "lighting", "generation", "supplier", "stratum"]


@pytest.fixture(scope="module", params=["km", "mi"])
def workspace(request, tmp_path_factory):
    """A published month of ballasts by supplier, one of which has hardly any; pages in km or in miles."""
    rng = np.random.default_rng(2)
    n = 300
    life, end = 80_000 * rng.weibull(2, n), rng.uniform(10_000, 120_000, n)
    supplier = np.where(np.arange(n) < 6, "Small", np.where(np.arange(n) % 2, "Odd", "Even"))
    lives = pl.DataFrame({"life_id": np.arange(n), "vehicle": np.arange(n) // 2, "entry": 0.0, "exit": np.minimum(life, end),
                          "ending": np.where(life <= end, "failed", "in_service"), "supplier": supplier}).with_columns(
        component=pl.lit("ballast"), lighting=pl.lit("discharge"), generation=pl.lit("replacement"), stratum=pl.lit("all"))
    lives = pl.concat([lives, lives.with_columns(supplier=pl.lit("all"))])
    folder = tmp_path_factory.mktemp(request.param) / "w"
    tables = folder / "published" / "2024-12-31" / "tables"
    tables.mkdir(parents=True)
    (folder / "incoming").mkdir()
    (folder / "settings.toml").write_text(f'[units]\ndistance = "{request.param}"\n')
    (folder / "published" / "latest").symlink_to("2024-12-31")
    options = {"entry": "entry", "exit": "exit"}
    clock = pl.lit("km").alias("clock")
    curve_set(lives, KEYS, **options).with_columns(clock).write_parquet(tables / "survival_curves.parquet")
    curve_accounts(lives, KEYS, **options).with_columns(clock).write_parquet(tables / "curve_accounts.parquet")
    fit_set(lives, KEYS, **options, clock="km", families=("weibull",))[1].write_parquet(tables / "life_summary.parquet")
    return folder, request.param, lives


def test_the_summary_tells_what_stands_behind_the_curve(workspace):
    folder, unit, lives = workspace
    text = "\n".join(bench.life(folder, "ballast", "km", None, "all", None))
    failed = int((lives.filter(pl.col("supplier") == "all")["ending"] == "failed").sum())
    assert f"replacement: 300 lives in 150 vehicles, {failed} failures on the curve" in text
    assert "wear out" in text and "#" in text and "100% |" in text
    # the median of a Weibull 2 / 80,000 is 66,604 km, 41,386 miles
    median = 80_000 * np.log(2) ** 0.5 / (1 if unit == "km" else 1.609344)
    told = float(text.split("half by ")[1].split(" ")[0].replace(",", ""))
    assert told == pytest.approx(median, rel=0.12)
    assert f"{unit}" in text.splitlines()[-3]


def test_by_supplier_and_those_without_a_curve(workspace):
    text = "\n".join(bench.life(workspace[0], "ballast", "km", "supplier", "discharge", None))
    assert "  Even: " in text and "  Odd: " in text
    assert "  Small: no curve of its own, too few" in text


def test_the_curve_as_a_picture(workspace, tmp_path):
    lines = bench.life(workspace[0], "ballast", "km", None, "all", tmp_path / "b.svg")
    assert lines[-1] == f"The curve is in {tmp_path / 'b.svg'}."
    svg = (tmp_path / "b.svg").read_text()
    assert svg.startswith("<svg") and "share still working" in svg and workspace[1] in svg
    with pytest.raises(bench.QuestionError, match=r"b\.pdf: write the picture as \.svg or \.png"):
        bench.life(workspace[0], "ballast", "km", None, "all", tmp_path / "b.pdf")


@pytest.mark.parametrize(("question", "said"), [
    (("horn", "km", None, "all"), "No curve of horn on km: with too few failures there is none. There are curves of ballast."),
    (("ballast", "hours", None, "all"), "There are curves of ballast on km."),
    (("ballast", "km", None, "led"), "No curve of ballast with led lighting; there is discharge."),
    (("ballast", "km", "moon", "all"), "No curve of ballast by moon: no group has enough failures, or the data has no such column."),
])
def test_what_cannot_be_shown_is_said(workspace, question, said):
    with pytest.raises(bench.QuestionError) as error:
        bench.life(workspace[0], *question, None)
    assert said in str(error.value)
