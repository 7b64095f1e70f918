"""What else lies in a comparison: the trap is seen, the inseparable is named, the true effect stays."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models.confounding import explained_share, overlap
from models.hypotheses import answer
from models.hypothesis_words import Question
from models.question_checks import chart_of
from models.question_data import gather
from tests.analyst.question_fleets import Shape, lives

TODAY = dt.date(2026, 1, 1)
DISTRICTS = Question("region", "north", "south")
TRAP = Shape(sites=60, site_sd=0.3, soil_ratio=0.4)


def test_a_district_that_differs_by_its_soil_alone_is_no_finding() -> None:
    found = answer(lives(np.random.default_rng(100), TRAP), DISTRICTS, np.random.default_rng(1), TODAY)
    row = found.row.row(0, named=True)
    assert row["effect_high"] < 1
    assert row["p_value"] < 0.01
    assert row["verdict"] in ("can't tell", "not supported")
    assert row["leans_on"].startswith("soil class")
    assert "need not be the district" in row["sentence"]
    soil = found.confounders.filter(pl.col("factor") == "soil_class").row(0, named=True)
    assert soil["takes_it_away"]
    assert 0.2 < soil["explained"] < 0.6
    assert soil["effect_held_low"] < 1 < soil["effect_held_high"]
    material = found.confounders.filter(pl.col("factor") == "material").row(0, named=True)
    assert not material["takes_it_away"]


def test_a_district_that_truly_differs_stays_a_finding() -> None:
    shape = Shape(sites=60, site_sd=0.3, soil_ratio=0.7, ratio=0.45)
    row = answer(lives(np.random.default_rng(4), shape), DISTRICTS, np.random.default_rng(1), TODAY).row
    assert row["verdict"].item() == "supported"
    assert row["leans_on"].item() is None


def test_a_comparison_that_is_another_by_another_name_cannot_be_separated() -> None:
    frame = lives(np.random.default_rng(5), Shape(sites=20)).with_columns(
        pl.when(pl.col("region") == "south")
        .then(pl.lit("marsh"))
        .otherwise(pl.lit("clay"))
        .alias("soil_class")
    )
    found = answer(frame, DISTRICTS, np.random.default_rng(1), TODAY)
    soil = found.confounders.filter(pl.col("factor") == "soil_class").row(0, named=True)
    assert (soil["separable"], soil["effect_held"], soil["explained"]) == (False, None, 1.0)
    assert "can't tell district from soil class" in soil["says"]
    held = answer(
        frame,
        Question("region", "north", "south", held_fixed=("soil_class",)),
        np.random.default_rng(1),
        TODAY,
    )
    assert "cannot be told apart" in held.row["sentence"].item()


def test_the_overlap_counts_electrodes_and_sites_of_either_side() -> None:
    frame = lives(np.random.default_rng(6), Shape(sites=10))
    data = gather(frame, DISTRICTS)
    table = overlap(data, DISTRICTS, ["soil_class"])
    marsh = table.filter(pl.col("level") == "marsh").row(0, named=True)
    used = data.rows.filter(pl.col("soil_class") == "marsh")
    assert marsh["first_electrodes"] == used.filter(pl.col("region") == "north").height
    assert marsh["second_sites"] == used.filter(pl.col("region") == "south")["site_id"].n_unique()
    assert table["first_electrodes"].sum() + table["second_electrodes"].sum() == data.rows.height


def test_chance_alone_explains_next_to_nothing() -> None:
    frame = lives(np.random.default_rng(7), Shape(sites=30))
    data = gather(frame, DISTRICTS)
    shares = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        columns = (rng.integers(0, 6, data.sites)[data.site][:, None] == np.arange(5)).astype(float)
        shares.append(explained_share(data, columns))
    assert np.mean(shares) < 0.04
    assert explained_share(data, data.x[:, None]) == pytest.approx(1.0)


@pytest.mark.parametrize("outcome", ["onset", "growth", "sudden_breaks"])
def test_other_outcomes_find_a_planted_difference_and_speak_of_it(outcome: str) -> None:
    from tests.analyst import question_fleets as fleets

    draw = {"onset": fleets.onsets, "growth": fleets.growths, "sudden_breaks": fleets.breaks}[outcome]
    frame = draw(np.random.default_rng(8), Shape(sites=40, wells=12, site_sd=0.3, ratio=2.5))
    asked = Question("region", "north", "south", outcome=outcome)
    row = answer(frame, asked, np.random.default_rng(1), TODAY).row.row(0, named=True)
    assert row["verdict"] == "supported"
    assert row["effect_low"] > 1
    words = {"onset": "begin to rise later", "growth": "rise faster", "sudden_breaks": "break more often"}
    assert words[outcome] in row["sentence"]
    # Growth is read up to four times and of rods that rose: its ratio is drawn to 1.
    assert 1.7 < row["effect"] < 3.3
    assert row["effect_high"] > 2.3


def test_the_power_curve_is_that_of_the_answer() -> None:
    frame = lives(np.random.default_rng(11), Shape(sites=30, site_sd=0.3))
    found = answer(frame, DISTRICTS, np.random.default_rng(1), TODAY)
    chart = chart_of(found.data, DISTRICTS, np.random.default_rng(1), resamples=10)
    power = chart.filter(pl.col("kind") == "power").sort("x")
    row = found.row.row(0, named=True)
    assert power["mid"][0] == pytest.approx(0.05, abs=1e-6)  # at no difference, the level
    assert power["mid"].is_sorted()
    at_eight = float(np.interp(0.8, power["mid"].to_numpy(), power["x"].to_numpy()))
    assert at_eight == pytest.approx(row["findable_ratio"], rel=0.01)
    thin = gather(frame.head(12), DISTRICTS)
    assert chart_of(thin, DISTRICTS, np.random.default_rng(1)).filter(pl.col("kind") == "power").is_empty()


def test_a_slope_is_found_and_said_for_each_doubling() -> None:
    frame = lives(np.random.default_rng(9), Shape(sites=40, site_sd=0.3, ratio=0.8), "chloride_ppm")
    asked = Question("chloride_ppm", slope="doubling", held_fixed=("soil_class",))
    row = answer(frame, asked, np.random.default_rng(1), TODAY).row.row(0, named=True)
    assert row["effect_low"] < 0.8 < row["effect_high"] < 1
    assert "With each doubling of chloride rods get there sooner" in row["sentence"]
    assert "straight slope" in row["checks"]
