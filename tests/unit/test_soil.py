"""Soil: fits that come back to their truth, which source a site's resistivity is taken from, temperature."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models import electrode, soil, soundings


def sounding(site: str, spacing: float, rho: float) -> dict:
    return {"site_id": site, "spacing_m": spacing, "resistance_ohm": rho / (2 * np.pi * spacing)}


def test_soundings_before_survey_before_nothing() -> None:
    pins = pl.DataFrame([sounding("a", 2.0, 90.0), sounding("a", 4.0, 110.0), sounding("a", 40.0, 120.0)])
    surveys = pl.DataFrame({"site_id": ["a", "b", "c"], "resistivity_ohm_m": [500.0, 60.0, None]})
    found = soil.site_resistivity(pins, surveys, pl.DataFrame({"site_id": ["d"]}))
    rows = {r["site_id"]: r for r in found.iter_rows(named=True)}
    assert [rows[s]["source"] for s in "abcd"] == ["soundings", "survey", "none", "none"]
    assert rows["a"]["resistivity_ohm_m"] == pytest.approx(np.sqrt(90.0 * 110.0))
    assert rows["b"]["resistivity_ohm_m"] == pytest.approx(60.0)
    assert rows["c"]["resistivity_ohm_m"] is None
    assert rows["a"]["sd_log"] < rows["b"]["sd_log"]


def test_layers_that_stand_apart_give_the_rods_own_equivalent() -> None:
    spacing = np.array([1.0, 2.0, 4.0, 8.0, 16.0, 32.0])
    apparent = soundings.two_layer_apparent_ohm_m(spacing, 400.0, 40.0, 1.5)
    pins = pl.DataFrame([sounding("a", x, rho) for x, rho in zip(spacing, apparent, strict=True)])
    surveys = pl.DataFrame(schema={"site_id": pl.String, "resistivity_ohm_m": pl.Float64})
    row = soil.site_resistivity(pins, surveys).row(0, named=True)
    layers = [row[name] for name in electrode.LAYERS]
    assert layers == pytest.approx([400.0, 40.0, 1.5], rel=0.02)
    usual = electrode.two_layer_rod_ohm(400.0, 40.0, 1.5, 3.0, 16.0) / electrode.rod_ohm(1.0, 3.0, 16.0)
    assert row["resistivity_ohm_m"] == pytest.approx(float(usual), rel=0.02)
    assert row["sd_log"] > soil.SOUNDING_SD_LOG
    rods = pl.DataFrame({"electrode_id": ["short", "long"], "site_id": "a", "length_m": [1.5, 6.0]})
    formula = electrode.isolated_ohm(rods, soil.site_resistivity(pins, surveys))["formula_ohm"]
    assert formula[0] / formula[1] > 5 * 1.5


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


def test_wet_soil_conducts_and_the_table_is_met_at_its_rows() -> None:
    percent = np.array([1.0, 2.5, 3.5, 30.0, 60.0])
    ohm_m = soil.moisture_ohm_m(percent, "sandy_loam")
    assert np.all(np.diff(ohm_m) <= 0)
    assert ohm_m[[0, 1]] == pytest.approx([1500.0, 1500.0])
    assert ohm_m[-2:] == pytest.approx([42.0, 42.0])
    with pytest.raises(KeyError):
        soil.moisture_ohm_m(10.0, "peat")
