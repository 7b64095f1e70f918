"""The crews' meters: digits, range, drift; and the season of the ground that they read."""

import numpy as np
import pytest

from synthetic_fleet.crews import season_log
from synthetic_fleet.mechanisms import CLEAN, FIELD
from synthetic_fleet.meters import instrument_table, make_meters
from synthetic_fleet.world import day_of, make_world


def test_out_of_range_is_marked_at_the_limit() -> None:
    meters = make_meters(np.random.default_rng(0), CLEAN)
    meter = np.array([0, 1, 1, 1, 0])
    ohm = np.array([4000.0, 900.0, 0.1, 20.0, 20.0])
    value, mark = meters.read(np.random.default_rng(1), meter, day_of(np.full(5, 2012), 100), ohm)
    assert mark.tolist() == ["over", "over", "under", "", ""]
    assert value[:3].tolist() == [1500.0, 500.0, 0.8]
    assert value[3:] == pytest.approx(20.0, rel=0.1)


def test_display_has_three_digits() -> None:
    meters = make_meters(np.random.default_rng(0), FIELD)
    ohm = np.exp(np.random.default_rng(2).uniform(0, 7, 500))
    shown = meters.show(
        np.random.default_rng(3), np.zeros(500, dtype=int), day_of(np.full(500, 2012), 9), ohm
    )
    assert all(float(f"{x:.3g}") == x for x in shown)


def test_a_forgotten_meter_drifts_and_calibration_takes_the_drift_away() -> None:
    meters = make_meters(np.random.default_rng(0), FIELD)
    forgotten, looked_after = np.array([5]), np.array([0])
    assert meters.gain(forgotten, day_of(np.array([2024]), 200))[0] > 1.15
    assert meters.gain(looked_after, day_of(np.array([2024]), 200))[0] == pytest.approx(1, abs=0.03)
    assert meters.gain(looked_after, meters.calibrated[0][3:4])[0] == 1.0
    table = instrument_table(meters)
    found = table.filter(table["instrument_id"] == meters.names[0])["as_found_error_pct"].drop_nulls()
    assert found.to_numpy() == pytest.approx(meters.error_pct_per_year[0], rel=0.3)


def test_season_means_nothing_over_a_year_and_has_two_waves() -> None:
    world = make_world(np.random.default_rng(0), 30, FIELD)
    days = day_of(2011, 1) + np.arange(1461)
    waves = np.stack([season_log(world, FIELD, np.full(30, d)) for d in days])
    assert waves.mean(axis=0) == pytest.approx(np.zeros(30), abs=1e-3)
    spectrum = np.abs(np.fft.rfft(waves, axis=0)) * 2 / len(days)
    assert (spectrum[4] > 0.08).all()  # yearly: the record holds four years
    assert (spectrum[8] > 0.02).all()
    assert (spectrum[12] < 1e-3).all()
