"""The plain tests of one history: what is planted is found, their level kept, what is not used left out."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models.one_history import change_of_level, hinge, plain_tests, trend
from pipeline.plain_tests import put_to, words_of


def test_each_finds_what_is_planted_and_where() -> None:
    rng = np.random.default_rng(1)
    age = np.arange(24.0)
    step = 3.0 + 0.5 * (age > 9) + rng.normal(0, 0.05, 24)
    found = change_of_level(step, rng)
    assert found.last == 9
    assert found.earliest_last <= 9 <= found.latest_last
    assert found.after - found.before == pytest.approx(0.5, abs=0.06)
    bent = 3.0 + 0.08 * np.maximum(age - 12, 0) + rng.normal(0, 0.03, 24)
    line = hinge(age, bent)
    assert line.low < 12 < line.high
    assert line.slope_after == pytest.approx(0.08, abs=0.02)
    assert line.p_value < 0.001
    assert trend(age, bent).p_value < 0.001


def test_where_nothing_is_one_in_twenty_is_found() -> None:
    """Counts of 300 histories of scatter alone at 5 %; 7 to 25 hold 99.7 % of an exact test's."""
    counts = np.zeros(2)
    for seed in range(300):
        rng = np.random.default_rng([5, seed])
        y = rng.normal(size=15)
        counts += [trend(np.arange(15.0), y).p_value < 0.05, change_of_level(y, rng).p_value < 0.05]
    assert np.all((counts >= 5) & (counts <= 27))


def test_the_interval_of_the_change_holds_it() -> None:
    """95 % wanted of a step of two spreads; a step at a third of the history, spreads that differ."""
    held = 0
    for seed in range(200):
        rng = np.random.default_rng([6, seed])
        y = np.concatenate([rng.normal(0, 1, 20), rng.normal(2, 0.7, 40)])
        found = change_of_level(y, rng)
        held += found.earliest_last <= 19 <= found.latest_last
    assert held >= 182


def test_readings_set_aside_or_out_of_range_do_not_count() -> None:
    frame = pl.DataFrame(
        {
            "age_years": np.arange(12.0),
            "corrected_ohm": 20 * np.exp(0.03 * np.arange(12.0)),
            "verdict": ["good"] * 10 + ["set_aside", "good"],
            "range_mark": pl.Series([None] * 11 + ["over"], dtype=pl.String),
        }
    )
    found = put_to(frame, "A", 1)
    assert found.readings == 10
    assert found.trend is not None
    assert found.trend.slope == pytest.approx(0.03)
    said = "\n".join(words_of(found))
    assert "+3.0 % a year" in said
    assert "do not average" in said
    assert max(map(len, words_of(found))) <= 79
    assert words_of(put_to(frame.head(2), "A", 1))[1] == "  Too few readings for any."


def test_impossible_histories_are_refused() -> None:
    with pytest.raises(ValueError, match="at least"):
        trend([1, 2], [1, 2])
    with pytest.raises(ValueError, match="at least"):
        change_of_level([1.0] * 5, np.random.default_rng(1))
    with pytest.raises(ValueError, match="places"):
        hinge([1, 1, 1, 2, 2, 2, 3, 3], np.arange(8.0))
    level = plain_tests(np.arange(9.0), np.ones(9), np.random.default_rng(1))
    assert level.change is None
    assert level.trend is not None
    assert level.trend.p_value == 1.0
