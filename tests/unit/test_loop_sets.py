"""Sets of loop readings solved back, and when they must not be."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl
import pytest

from models import history_frames, loop_sets
from models.loop_circuit import loop_readings_ohm
from models.loop_dependence import ratio_of_rod, threshold_on_reading

TRUE = np.array([8.0, 12.0, 15.0, 30.0])


def sites(**changes: object) -> pl.DataFrame:
    row = {"site_id": "s", "return_path": "site_grid", "grid_area_m2": 0.0, "grid_conductor_m": 0.0}
    return pl.DataFrame([row | {"rod_count": 4} | changes])


def electrodes(count: int = 4) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "electrode_id": [f"e{k}" for k in range(count)],
            "well_id": [f"w{k}" for k in range(count)],
            "site_id": "s",
            "kind": "driven_rod",
            "length_m": 3.0,
            "diameter_mm": 16.0,
            "installed_on": dt.date(2000, 1, 1),
            "retired_on": pl.Series([None] * count, dtype=pl.Date),
        }
    )


def readings(ohm: np.ndarray, day: dt.date = dt.date(2010, 5, 1), **changes: object) -> pl.DataFrame:
    n = len(ohm)
    frame = pl.DataFrame(
        {
            "row_id": np.arange(n),
            "electrode_id": [f"e{k}" for k in range(n)],
            "site_id": "s",
            "taken_at": [dt.datetime.combine(day, dt.time(10))] * n,
            "resistance_ohm": ohm,
            "range_mark": pl.Series([None] * n, dtype=pl.String),
            "verdict": "good",
            "sd_extra_log": 0.0,
        }
    )
    return frame.with_columns(**{k: pl.Series(v) for k, v in changes.items()})


SOIL = pl.DataFrame({"site_id": ["s"], "resistivity_ohm_m": [50.0], "sd_log": [0.2]})


def test_a_complete_visit_gives_each_rod_back() -> None:
    read = loop_readings_ohm(TRUE)
    solved = loop_sets.solved_rests(readings(read), electrodes(), sites())
    assert read - solved["solved_rest_ohm"].to_numpy() == pytest.approx(TRUE, rel=1e-9)
    assert solved["solved_gain"].is_between(1.0, 2.5).all()


def test_a_failed_neighbour_raises_the_loops_and_not_the_solved_rods() -> None:
    """One of three like rods fails: the others read a third more, and are the rods that they were."""
    before = loop_readings_ohm([10.0, 10.0, 10.0, 10.0])
    after = loop_readings_ohm([10.0, 10.0, 10.0, 400.0])
    assert after[0] / before[0] == pytest.approx(1.12, abs=0.01)
    solved = loop_sets.solved_rests(readings(after), electrodes(), sites())
    assert after - solved["solved_rest_ohm"].to_numpy() == pytest.approx([10.0, 10.0, 10.0, 400.0], rel=1e-6)
    assert loop_sets.neighbour_rise([10.0, 10.0, 10.0], 0) == pytest.approx([4 / 3, 4 / 3])
    assert loop_sets.neighbour_rise([10.0] * 30, 0) == pytest.approx([1.0] * 29, abs=2e-3)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"rod_count": 6}, "not measured"),
        ({"rod_count": None}, "not measured"),
        ({"grid_area_m2": None, "grid_conductor_m": None}, None),
        ({"grid_area_m2": 400.0, "grid_conductor_m": 200.0}, None),
        ({"return_path": "multi_grounded_neutral"}, None),
        ({"return_path": "unknown"}, None),
    ],
)
def test_what_is_beside_the_rods_or_not_measured_forbids_solving(changes: dict, says: str | None) -> None:
    where = sites(**changes)
    assert loop_sets.solved_rests(readings(loop_readings_ohm(TRUE)), electrodes(), where).is_empty()
    sets = loop_sets.closed_sets(where, electrodes())
    assert (says is None) == sets.is_empty()
    if says:
        assert says in sets["reason"][0]
        assert loop_sets.judged_rests(where, electrodes(), SOIL)["ratio_basis"].unique().to_list() == [
            "loop_raw"
        ]


def test_two_rods_are_said_to_be_one_sum() -> None:
    sets = loop_sets.closed_sets(sites(rod_count=2), electrodes(2))
    assert not sets["can_be_solved"][0]
    assert "cannot be told apart" in sets["reason"][0]


def test_a_rod_not_read_or_set_aside_leaves_the_visit_unsolved() -> None:
    read = readings(loop_readings_ohm(TRUE))
    assert loop_sets.solved_rests(read[:3], electrodes(), sites()).is_empty()
    aside = read.with_columns(verdict=pl.Series(["set_aside", "good", "good", "good"]))
    assert loop_sets.solved_rests(aside, electrodes(), sites()).is_empty()


def test_a_rod_over_range_drops_out_of_the_loop_and_the_others_are_solved() -> None:
    read = np.append(loop_readings_ohm(TRUE[:3]), 1500.0)
    marked = readings(read, range_mark=[None, None, None, "over"])
    solved = loop_sets.solved_rests(marked, electrodes(), sites())
    assert solved["row_id"].to_list() == [0, 1, 2]
    assert read[:3] - solved["solved_rest_ohm"].to_numpy() == pytest.approx(TRUE[:3], rel=1e-9)


def test_readings_that_no_rods_give_are_left_out() -> None:
    impossible = np.array([1.0, 50.0, 60.0, 70.0])
    assert loop_sets.solved_rests(readings(impossible), electrodes(), sites()).is_empty()


def test_noise_of_the_readings_is_carried_as_the_gain_says() -> None:
    """Over 2,000 noisy sets the spread of each solved rod is the gain times the readings', within 10 %."""
    rng = np.random.default_rng(3)
    exact = loop_readings_ohm(TRUE)
    _, gain = loop_sets.solved_gain(exact)
    noisy = exact * np.exp(rng.normal(0, 0.01, (2000, TRUE.size)))
    spread = np.std([np.log(loop_sets.solve_loop_set(r)) for r in noisy], axis=0)
    assert spread / 0.01 == pytest.approx(gain, rel=0.10)


def test_histories_take_the_solved_rest_and_the_usual_one_where_a_visit_was_not_complete() -> None:
    whole, late = loop_readings_ohm(TRUE), loop_readings_ohm(TRUE)[:2] * 1.1
    rows = pl.concat(
        [readings(whole), readings(late, dt.date(2012, 5, 1)).with_columns(pl.col("row_id") + 10)]
    )
    vetted = rows.join(loop_sets.solved_rests(rows, electrodes(), sites()), on="row_id", how="left")
    net = (
        vetted.join(loop_sets.judged_rests(sites(), electrodes(), SOIL), on="electrode_id")
        .pipe(history_frames.with_solved_rests)
        .with_columns(history_frames.net_ohm(pl.col("resistance_ohm")).alias("net"))
    )
    first = net.filter(pl.col("row_id") < 10).sort("row_id")["net"].to_numpy()
    assert first == pytest.approx(TRUE)
    later = net.filter(pl.col("row_id") >= 10).sort("row_id")["net"].to_numpy()
    assert later == pytest.approx(late - (whole[:2] - TRUE[:2]))


def test_threshold_on_a_reading_and_the_rod_behind_it_are_inverse() -> None:
    """A rest half of the rod, a third of the reading: a rod that doubles raises the loop by two thirds."""
    assert threshold_on_reading(2.0, 15.0, 5.0) == pytest.approx(1 + 2 / 3)
    assert ratio_of_rod(1 + 2 / 3, 15.0, 5.0) == pytest.approx(2.0)
    assert ratio_of_rod(1.7, 15.0, 0.0) == pytest.approx(1.7)
