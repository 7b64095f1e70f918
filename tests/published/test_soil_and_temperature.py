"""Soundings, layers and temperature against published values; standing as in test_rods_and_grids."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import f as f_distribution

from models import soil, soundings
from models.season import Linear, SeasonLayout, SeasonSpread, season_by_evidence

SOUNDING = 5e-4  # the tables print four to five digits
PRINTED = 5e-4
TABLE_B3 = (
    (1.0, 21.1, 132.59),
    (2.0, 10.96, 137.75),
    (3.0, 6.52, 122.92),
    (6.0, 3.37, 127.06),
    (9.0, 2.48, 140.26),
    (13.5, 1.609, 136.50),
)


def test_four_pins_of_a_handbook() -> None:
    """MIL-HDBK-419A, Vol. II, p. 1-3 (seen): 20 ft, 2 ohm, 7662 ohm-cm."""
    assert soundings.apparent_ohm_m(20 * 0.3048, 2.0) * 100 == pytest.approx(7662, rel=SOUNDING)


@pytest.mark.parametrize(("spacing", "ohm", "rho"), TABLE_B3)
def test_four_pins_of_a_design_manual(spacing: float, ohm: float, rho: float) -> None:
    """A utility design manual's Table B-3 (seen)."""
    assert soundings.apparent_ohm_m(spacing, ohm) == pytest.approx(rho, rel=SOUNDING)


def test_table_b3_is_nearly_uniform_soil() -> None:
    """The same table (seen): a two-layer fit finds no contrast worth the name and 4 % of scatter."""
    spacing, ohm, _ = zip(*TABLE_B3, strict=True)
    fit = soundings.fit_layers(spacing, ohm)
    assert 110 < fit.upper_ohm_m < 150
    assert 110 < fit.lower_ohm_m < 170
    assert not fit.stand_apart
    assert fit.scatter_log < 0.06


def test_two_layer_series_and_back() -> None:
    """Derived, standard image series: 100 over 500 ohm-m, 2 m deep."""
    spacing = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    seen = soundings.two_layer_apparent_ohm_m(spacing, 100.0, 500.0, 2.0)
    assert seen == pytest.approx([105.7, 129.4, 193.0, 286.8, 381.0], rel=PRINTED)
    fit = soundings.fit_layers(spacing, seen / (2 * np.pi * spacing), scatter_log=1e-3)
    assert fit.converged
    assert (fit.upper_ohm_m, fit.lower_ohm_m, fit.upper_depth_m) == pytest.approx(
        (100.0, 500.0, 2.0), rel=1e-4
    )


def test_uniform_soil_fails_the_two_layer_series() -> None:
    """A wrong model fails: the mean of those soundings misses the first and the last by more than 40 %."""
    seen = np.array([105.7, 129.4, 193.0, 286.8, 381.0])
    one = np.exp(np.log(seen).mean())
    assert one / seen[0] > 1.4
    assert seen[-1] / one > 1.4


def test_temperature_correction() -> None:
    """Sheets and Hendrickx as corrected by Corwin and Lesch (memory; values derived)."""
    assert soil.conductivity_factor([0, 10, 20, 25]) == pytest.approx(
        [1.8504, 1.4135, 1.1127, 0.9994], rel=2e-4
    )
    assert soil.temperature_factor(10.0) == pytest.approx(1.270, rel=PRINTED)


def test_resistivity_falls_with_warmth_and_steps_up_at_freezing() -> None:
    """IEEE Std 142 and MIL-HDBK-419A, sandy loam at 15.2 % moisture (memory), ohm-cm by temperature.

    The table is steeper above freezing than the correction by conductivity: only order is asked there.
    """
    table = {20.0: 7_200, 10.0: 9_900, 0.0: 13_800, -1e-9: 30_000, -5.0: 79_000, -15.0: 330_000}
    ours = soil.temperature_factor(np.array(list(table)))
    assert np.all(np.diff(ours) > 0)
    classic = np.array(list(table.values())) / 13_800
    np.testing.assert_allclose(ours[3:] / ours[2], classic[3:], rtol=0.25)
    assert ours[3] / ours[2] == pytest.approx(30_000 / 13_800, rel=1e-3)


def test_depth_of_temperature_waves() -> None:
    """ "Rain or Shine", Oklahoma State Univ., 13.4 (seen): 11.7 cm for a day, 19.1 times that for a year."""
    day, year = soil.damping_depth_m(1.0), soil.damping_depth_m()
    assert day == pytest.approx(0.117, abs=5e-4)
    assert year / day == pytest.approx(19.1, abs=0.05)
    assert 7 * np.exp(-0.10 / day) == pytest.approx(3.0, abs=0.05)


@pytest.mark.parametrize(("feet", "share", "lag"), [(8, 0.581, 25.9), (10, 0.509, 30.6), (20, 0.276, 44.2)])
def test_yearly_wave_along_a_rod(feet: float, share: float, lag: float) -> None:
    """Derived from the same wave: the mean over the rod's length of the surface's amplitude, and its lag."""
    wave = soil.wave_along_rod(feet * 0.3048)
    assert wave.amplitude_share == pytest.approx(share, abs=6e-4)
    assert wave.lag_days == pytest.approx(lag, abs=0.06)


@pytest.mark.parametrize(
    ("percent", "top_soil", "sandy_loam"),
    [(2.5, 250_000, 150_000), (5, 165_000, 43_000), (10, 53_000, 18_500), (15, 19_000, 10_500),
     (20, 12_000, 6_300), (30, 6_400, 4_200)],
)  # fmt: skip
def test_resistivity_by_moisture(percent: float, top_soil: float, sandy_loam: float) -> None:
    """IEEE Std 142 (memory), ohm-cm by moisture, per cent of weight."""
    assert soil.moisture_ohm_m(percent, "top_soil") * 100 == pytest.approx(top_soil)
    assert soil.moisture_ohm_m(percent, "sandy_loam") * 100 == pytest.approx(sandy_loam)


def test_a_year_of_one_facility_has_two_peaks_and_twelve_months_hardly_prove_it() -> None:
    """Four-pole resistance by month, July to June (PMC11978897, Table 2, seen); largest over smallest 7.54.

    The model's evidence (logarithm) prefers two waves to one, by a factor of 1.3 only: twelve values scatter
    by 0.6 about two waves, and an F test does not reject one (p = 0.20), nor does it on the ohm themselves.
    """
    ohm = np.array([.204, .120, .136, .848, .842, .452, .469, .364, .746, .890, .137, .118])  # fmt: skip
    assert ohm.max() / ohm.min() == pytest.approx(7.54, abs=0.005)
    y = np.log(ohm) - np.log(ohm).mean()
    turn = 2 * np.pi * (np.arange(12) + 0.5) / 12
    waves = np.column_stack([wave(k * turn) for k in (1, 2, 3) for wave in (np.cos, np.sin)])
    left = [np.sum((y - waves[:, : 2 * k] @ np.linalg.lstsq(waves[:, : 2 * k], y)[0]) ** 2) for k in (1, 2)]
    noise = left[1] / 7
    layout = SeasonLayout(np.zeros(6), np.ones(6), np.array([1, 1, 2, 2, 3, 3]))
    linear = Linear(waves.T @ waves / noise, waves.T @ y / noise)
    _, evidence = season_by_evidence(linear, layout, SeasonSpread())
    assert evidence[2] > evidence[1] > evidence[0]
    assert f_distribution.sf((left[0] - left[1]) / 2 / noise, 2, 7) == pytest.approx(0.20, abs=0.01)
