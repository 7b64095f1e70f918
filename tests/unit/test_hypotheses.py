"""Hypotheses: found where they are true, not where they are not, with honest words for what can't be told."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import numpy as np
import polars as pl
import pytest
from threadpoolctl import threadpool_limits

from models.hypotheses import HYPOTHESES, Question, adjust, compare_two, judge, two_most_populated

TODAY = dt.date(2026, 1, 1)
QUESTION = Question("soil_class", "clay", "sand")
# 40 questions at 5 % on fleets where nothing differs: 2 expected, 8 or more has a chance of 1 in 1 000.
FALSE_ALARMS_BELOW = 8


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    """Keep the linear algebra to one thread: many small fits on shared cores spend their time waiting."""
    with threadpool_limits(1):
        yield


def fleet(
    rng: np.random.Generator,
    sites: int,
    *,
    wells: int = 8,
    ratio: float = 1.0,
    site_sd: float = 0.4,
    scale: float = 18.0,
) -> pl.DataFrame:
    """Draw two soil classes of `sites` sites that fail together; sand takes `ratio` times as long."""
    n = 2 * sites * wells
    site = np.repeat(np.arange(2 * sites), wells)
    sand = site >= sites
    life = scale * ratio**sand * rng.weibull(2, n) * np.exp(rng.normal(0, site_sd, 2 * sites))[site]
    first = rng.uniform(0.5, 12, 2 * sites)[site]
    visits = first[:, None] + np.arange(12)
    seen = (visits < life[:, None]).sum(axis=1)
    rows = np.arange(n)
    return pl.DataFrame(
        {
            "lower": np.where(seen > 0, visits[rows, np.maximum(seen - 1, 0)], 0.0),
            "upper": np.where(seen < 12, visits[rows, np.minimum(seen, 11)], np.inf),
            "soil_class": np.where(sand, "sand", "clay"),
            "site_id": site.astype(str),
            "ph": rng.normal(6.5, 1.0, n),
        }
    )


def answer(frame: pl.DataFrame, rng: np.random.Generator, question: Question = QUESTION) -> dict:
    table = compare_two(frame, question, rng, TODAY)
    assert table.schema == pl.Schema(HYPOTHESES)
    return table.row(0, named=True)


def test_true_difference_is_found_with_its_size_and_sentence() -> None:
    rng = np.random.default_rng(1)
    row = answer(fleet(rng, 40, ratio=2.0), rng)
    assert row["verdict"] == "supported"
    assert row["effect_low"] < 2.0 < row["effect_high"]
    assert row["sites"] == 80
    assert "In clay half of the rods are past threshold by" in row["sentence"]
    assert "later" in row["sentence"]
    swapped = answer(
        fleet(np.random.default_rng(1), 40, ratio=2.0), rng, Question("soil_class", "sand", "clay")
    )
    assert swapped["effect"] == pytest.approx(1 / row["effect"], rel=1e-4)
    assert swapped["question_id"] == row["question_id"]


@pytest.mark.parametrize("sites", [6, 26])
def test_sites_that_fail_together_raise_no_false_alarm(sites: int) -> None:
    rng = np.random.default_rng(sites)
    fleets = [fleet(rng, sites, site_sd=0.7) for _ in range(40)]
    rows = pl.concat([compare_two(frame, QUESTION, rng, TODAY) for frame in fleets])
    assert rows["converged"].all()
    assert rows.filter(pl.col("verdict") == "supported").height < FALSE_ALARMS_BELOW


def test_without_clustering_the_same_fleets_would_raise_false_alarms() -> None:
    """A wrong model fails: electrodes taken as independent find differences between identical soils."""
    rng = np.random.default_rng(6)
    alarms = 0
    for _ in range(40):
        frame = fleet(rng, 6, site_sd=0.7)
        alone = frame.with_columns(pl.int_range(pl.len()).cast(pl.String).alias("site_id"))
        alarms += answer(alone, rng)["verdict"] == "supported"
    assert alarms >= FALSE_ALARMS_BELOW


def test_no_evidence_is_not_evidence_of_no_effect() -> None:
    rng = np.random.default_rng(3)
    few = answer(fleet(rng, 8, site_sd=0.6), rng)
    assert few["verdict"] == "can't tell"
    assert "can't be told" in few["sentence"]
    assert few["power"] < 0.5
    many = answer(fleet(rng, 150, site_sd=0.1), rng)
    assert many["verdict"] == "not supported"
    assert "that matters" in many["sentence"]
    assert many["power"] > 0.99


def test_too_few_rods_and_nothing_crossed_are_said_not_fitted() -> None:
    rng = np.random.default_rng(4)
    few = answer(fleet(rng, 2), rng)
    assert (few["verdict"], few["p_value"], few["converged"]) == ("can't tell", None, False)
    assert "too few" in few["sentence"]
    young = fleet(rng, 10).with_columns(pl.lit(5.0).alias("lower"), pl.lit(np.inf).alias("upper"))
    assert "hardly any rod" in answer(young, rng)["sentence"]


def test_group_that_never_crosses_bounds_the_ratio_on_one_side() -> None:
    rng = np.random.default_rng(9)
    frame = fleet(rng, 15)
    never = frame.with_columns(
        pl.when((pl.col("soil_class") == "sand") & pl.col("upper").is_finite())
        .then(pl.max_horizontal("lower", pl.lit(12.0)))
        .otherwise(pl.col("lower"))
        .alias("lower"),
        pl.when(pl.col("soil_class") == "sand").then(np.inf).otherwise(pl.col("upper")).alias("upper"),
    )
    row = answer(never, rng)
    assert row["verdict"] == "supported"
    assert (row["effect"], row["effect_high"]) == (None, np.inf)
    assert row["effect_low"] > 1.2
    assert "at least" in row["sentence"]
    assert "later" in row["sentence"]


@pytest.mark.parametrize("sites", [10, 35])
def test_nothing_corrodes_and_a_few_readings_scatter_over_the_threshold(sites: int) -> None:
    rng = np.random.default_rng(sites)
    for _ in range(20):
        frame = fleet(rng, sites, scale=1e4)
        stray = rng.random(frame.height) < 0.01 * (1 + (frame["soil_class"].to_numpy() == "sand"))
        frame = frame.with_columns(
            pl.when(pl.Series(stray)).then(pl.col("lower") + 1.0).otherwise(pl.col("upper")).alias("upper")
        )
        row = answer(frame, rng)
        assert row["verdict"] == "can't tell"
        assert row["effect"] is None or row["effect"] > 0.01


def test_held_covariate_takes_its_part_and_missing_ones_are_counted() -> None:
    rng = np.random.default_rng(5)
    frame = fleet(rng, 30, ratio=1.8).with_columns(
        pl.when(pl.int_range(pl.len()) % 10 == 0).then(None).otherwise(pl.col("ph")).alias("ph")
    )
    row = answer(frame, rng, Question("soil_class", "clay", "sand", held_fixed=("ph",)))
    assert row["held_fixed"] == "ph"
    assert "left out" in row["checks"]
    assert row["effect_low"] < 1.8 < row["effect_high"]


def test_groups_within_sites_are_tested_by_the_signs_of_scores() -> None:
    rng = np.random.default_rng(7)
    frame = fleet(rng, 8).with_columns(
        pl.when(pl.int_range(pl.len()) % 2 == 0)
        .then(pl.lit("one"))
        .otherwise(pl.lit("two"))
        .alias("material")
    )
    row = answer(frame, rng, Question("material", "one", "two"))
    assert "signs of the sites" in row["method"]
    assert "Half of the one rods" in row["sentence"]


def asked(name: str, p: float | None, day: int = 1) -> dict:
    effect = {"effect": 1.6, "effect_low": 1.2, "effect_high": 2.1} if p is not None else {}
    return dict.fromkeys(HYPOTHESES) | {
        "question_id": name,
        "asked_on": dt.date(2026, 1, day),
        "p_value": p,
        "converged": p is not None,
        "verdict": "supported" if p is not None else "can't tell",
        "sentence": "Rods in sand get there later.",
        **effect,
    }


def test_many_questions_take_a_verdict_back_and_say_so_once() -> None:
    rows = [asked("true", 0.001), asked("lucky", 0.04)] + [asked(f"q{i}", 0.5 + i / 100) for i in range(10)]
    once = adjust(pl.DataFrame(rows, schema=HYPOTHESES))
    verdict = dict(once.select("question_id", "verdict").iter_rows())
    assert (verdict["true"], verdict["lucky"]) == ("supported", "can't tell")
    sentence = once.filter(pl.col("question_id") == "lucky")["sentence"].item()
    assert "But among 12 questions" in sentence
    assert adjust(once).equals(once)


def test_only_the_newest_asking_of_a_question_counts() -> None:
    rows = [asked("a", 0.04, day=1), asked("a", 0.04, day=2), asked("b", None)]
    table = adjust(pl.DataFrame(rows, schema=HYPOTHESES))
    assert table.height == 2
    assert table.filter(pl.col("question_id") == "a")["p_adjusted"].item() == pytest.approx(0.04)
    assert table.filter(pl.col("question_id") == "b")["p_adjusted"].item() is None


@pytest.mark.parametrize(
    ("p", "low", "high", "p_equivalence", "leans_on", "verdict"),
    [
        (0.01, 1.2, 1.9, 0.6, None, "supported"),
        (0.01, 0.5, 0.8, None, None, "supported"),
        (0.01, 1.02, 1.1, 0.001, None, "supported"),
        (0.20, 0.9, 1.6, 0.3, None, "can't tell"),
        (0.20, 0.9, 1.2, 0.01, None, "not supported"),
        (0.20, 0.9, 1.2, None, None, "can't tell"),
        (0.01, 0.9, 1.6, 0.4, None, "can't tell"),
        (0.01, 1.2, 1.9, 0.2, "soil class", "can't tell"),
        (0.01, 1.2, 1.9, 0.01, "soil class", "not supported"),
        (None, None, None, None, None, "can't tell"),
    ],
)
def test_verdicts(
    p: float | None,
    low: float | None,
    high: float | None,
    p_equivalence: float | None,
    leans_on: str | None,
    verdict: str,
) -> None:
    assert judge(p, low, high, True, p_equivalence, leans_on) == verdict


def test_first_pair_is_chosen_by_size_not_by_outcome() -> None:
    rng = np.random.default_rng(8)
    frame = fleet(rng, 12).rename({"lower": "lower_years", "upper": "upper_years"})
    third = fleet(rng, 4).rename({"lower": "lower_years", "upper": "upper_years"})
    third = third.with_columns(pl.lit("peat").alias("soil_class"), pl.col("site_id") + "p")
    together = pl.concat([frame, third])
    assert two_most_populated(together) == ("clay", "sand")
    assert two_most_populated(together, leave_out=["clay"]) == ("peat", "sand")
    assert two_most_populated(frame.filter(pl.col("soil_class") == "clay")) is None
