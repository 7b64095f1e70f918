"""Soil: fits that come back to their truth, which source a site's resistivity is taken from, temperature."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models import soil

SPACINGS = np.array([0.5, 1.0, 2.0, 4.0, 8.0, 16.0])


@pytest.mark.parametrize("truth", [(100.0, 500.0, 2.0), (300.0, 40.0, 1.5), (80.0, 900.0, 5.0)])
def test_two_layers_come_back_from_noisy_soundings(truth: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(11)
    apparent = soil.two_layer_apparent_ohm_m(SPACINGS, *truth) * np.exp(rng.normal(0, 0.01, SPACINGS.size))
    fit = soil.fit_two_layer(SPACINGS, apparent / (2 * np.pi * SPACINGS))
    assert fit.converged
    assert fit.upper_ohm_m == pytest.approx(truth[0], rel=0.05)
    assert fit.lower_ohm_m == pytest.approx(truth[1], rel=0.25)
    assert fit.upper_depth_m == pytest.approx(truth[2], rel=0.15)
    assert fit.rms_log < 0.02


def test_two_layers_need_four_spacings() -> None:
    with pytest.raises(ValueError, match="four spacings"):
        soil.fit_two_layer([1.0, 2.0, 4.0], [20.0, 10.0, 5.0])


def test_apparent_resistivity_runs_from_the_upper_layer_to_the_lower() -> None:
    near, far = soil.two_layer_apparent_ohm_m([0.01, 500.0], 100.0, 500.0, 2.0)
    assert near == pytest.approx(100.0, rel=1e-3)
    assert far == pytest.approx(500.0, rel=0.05)


def sounding(site: str, spacing: float, rho: float) -> dict:
    return {"site_id": site, "spacing_m": spacing, "resistance_ohm": rho / (2 * np.pi * spacing)}


def test_soundings_before_survey_before_nothing() -> None:
    soundings = pl.DataFrame(
        [sounding("a", 2.0, 90.0), sounding("a", 4.0, 110.0), sounding("a", 40.0, 900.0)]
    )
    surveys = pl.DataFrame({"site_id": ["a", "b", "c"], "resistivity_ohm_m": [500.0, 60.0, None]})
    found = soil.site_resistivity(soundings, surveys, pl.DataFrame({"site_id": ["d"]}))
    rows = {r["site_id"]: r for r in found.iter_rows(named=True)}
    assert [rows[s]["source"] for s in "abcd"] == ["soundings", "survey", "none", "none"]
    assert rows["a"]["resistivity_ohm_m"] == pytest.approx(np.sqrt(90.0 * 110.0))
    assert rows["b"]["resistivity_ohm_m"] == pytest.approx(60.0)
    assert rows["c"]["resistivity_ohm_m"] is None
    assert rows["a"]["sd_log"] < rows["b"]["sd_log"]


def test_only_wide_spacings_are_better_than_none() -> None:
    surveys = pl.DataFrame(schema={"site_id": pl.String, "resistivity_ohm_m": pl.Float64})
    found = soil.site_resistivity(pl.DataFrame([sounding("a", 40.0, 900.0)]), surveys)
    assert found["resistivity_ohm_m"].to_list() == pytest.approx([900.0])


def test_temperature_wave_is_the_surface_at_the_surface_and_late_below() -> None:
    days = np.arange(365)
    top = soil.soil_temperature_c(days, 0.0, 10.0, 12.0, warmest_day=200)
    deep = soil.soil_temperature_c(days, 2.0, 10.0, 12.0, warmest_day=200)
    assert top.max() == pytest.approx(22.0, abs=1e-2)
    assert int(np.argmax(top)) == 200
    assert deep.max() < 16.0
    assert 240 < int(np.argmax(deep)) < 270


def test_rod_deeper_down_feels_less_of_the_year() -> None:
    shallow, deep = soil.wave_along_rod(3.0, 0.0), soil.wave_along_rod(3.0, 1.0)
    assert deep.amplitude_share < shallow.amplitude_share
    assert deep.lag_days > shallow.lag_days
