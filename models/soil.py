"""Soil: the site's resistivity from soundings and surveys, temperature, moisture, the yearly wave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

from models.electrode import LAYERS, USUAL_DIAMETER_MM, USUAL_LENGTH_M, rod_ohm, two_layer_rod_ohm
from models.soundings import Layers, apparent_ohm_m, layers_by_site

Array = NDArray[np.float64]

DAYS_PER_YEAR = 365.25
# Spacings whose depth of view is that of driven rods; others count only where there is none of these.
ROD_SPACINGS_M = (0.9, 10.0)
# Spread of ln(resistivity) that the reading itself leaves. Common practice, no source: a sounding beside the
# fence, in one season (soundings), and one soil sample or a map's value (survey).
SOUNDING_SD_LOG = 0.20
SURVEY_SD_LOG = 0.40
# Ice: resistivity steps by 2.17 at 0 C and grows by exp(0.16) a degree below. IEEE Std 142's table for sandy
# loam, values from memory: 13 800 ohm-cm water, 30 000 ice, 79 000 at -5 C, 330 000 at -15 C.
FREEZING_STEP = 30_000 / 13_800
FREEZING_GROWTH_PER_C = np.log(330_000 / 30_000) / 15
DIFFUSIVITY_M2_S = 0.5e-6
# Ohm-metre by moisture, per cent of weight: IEEE Std 142's table, values from memory.
MOISTURE_PCT = (2.5, 5.0, 10.0, 15.0, 20.0, 30.0)
MOISTURE_OHM_M = {
    "top_soil": (2500.0, 1650.0, 530.0, 190.0, 120.0, 64.0),
    "sandy_loam": (1500.0, 430.0, 185.0, 105.0, 63.0, 42.0),
}


def _mean_log(rows: pl.DataFrame, floor: float, source: str) -> pl.DataFrame:
    """Give each site's mean log resistivity; its sd joins the readings' spread to the method's floor."""
    spread = pl.col("_ln").var().fill_null(0.0)
    return rows.group_by("site_id", maintain_order=True).agg(
        pl.col("_ln").mean().exp().alias("resistivity_ohm_m"),
        (floor**2 + spread / pl.len()).sqrt().alias("sd_log"),
        pl.lit(source).alias("source"),
    )


def rod_equivalent_ohm_m(layers: Layers, length_m: float, diameter_mm: float) -> tuple[float, float]:
    """Give the uniform soil in which a rod would read as in these layers, and the sd of its logarithm.

    electrode.two_layer_rod_ohm over a rod in one ohm-metre; the sd by the layers' covariance (delta method).
    """
    logs = np.log([layers.upper_ohm_m, layers.lower_ohm_m, layers.upper_depth_m])
    step = 1e-4
    at = logs + step * np.vstack([np.zeros(3), np.eye(3), -np.eye(3)])
    upper, lower, depth = np.exp(at.T)
    value = np.log(two_layer_rod_ohm(upper, lower, depth, length_m, diameter_mm))
    slope = (value[1:4] - value[4:]) / (2 * step)
    alone = float(rod_ohm(1.0, length_m, diameter_mm))
    return float(np.exp(value[0])) / alone, float(np.sqrt(slope @ layers.covariance @ slope))


def _layered(soundings: pl.DataFrame) -> pl.DataFrame:
    """Give the sites whose soundings see two layers: equivalent of the usual rod, sd_log, the layers."""
    table, fits = layers_by_site(soundings)
    table = table.filter("stand_apart", "converged")
    same = [rod_equivalent_ohm_m(fits[s], USUAL_LENGTH_M, USUAL_DIAMETER_MM) for s in table["site_id"]]
    rho, sd = np.array(same).reshape(-1, 2).T
    return table.select("site_id", *LAYERS).with_columns(
        pl.Series("_rho", rho), pl.Series("_sd", np.hypot(sd, SOUNDING_SD_LOG))
    )


def site_resistivity(
    soundings: pl.DataFrame, soil_surveys: pl.DataFrame, sites: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Give each site's resistivity: frame site_id, resistivity_ohm_m, sd_log, source, LAYERS.

    Soundings first (`soundings`): where they see two layers, the uniform soil in which a usual rod would read
    the same, else their mean at rod-like spacings; then the survey's value (`survey`), then null (`none`).
    `sd_log` is the standard deviation of ln(resistivity). The layers (ohm-metre, metre) are null where
    none are seen. Every site of the three frames has a row.
    """
    near = pl.col("spacing_m").is_between(*ROD_SPACINGS_M)
    sound = soundings.filter((pl.col("spacing_m") > 0) & (pl.col("resistance_ohm") > 0))
    pins = sound.with_columns(pl.Series("_ln", np.log(_apparent(sound)), dtype=pl.Float64)).filter(
        near | ~near.any().over("site_id")
    )
    samples = soil_surveys.filter(pl.col("resistivity_ohm_m") > 0).with_columns(
        pl.col("resistivity_ohm_m").log().alias("_ln")
    )
    known = _mean_log(pins, SOUNDING_SD_LOG, "soundings")
    second = _mean_log(samples, SURVEY_SD_LOG, "survey").join(known, on="site_id", how="anti")
    names = [f.select("site_id") for f in (soundings, soil_surveys, sites) if f is not None]
    return (
        pl.concat(names)
        .unique()
        .join(pl.concat([known, second]), on="site_id", how="left")
        .join(_layered(sound), on="site_id", how="left")
        .with_columns(
            pl.coalesce("_rho", "resistivity_ohm_m").alias("resistivity_ohm_m"),
            pl.coalesce("_sd", "sd_log").alias("sd_log"),
            pl.col("source").fill_null("none"),
        )
        .drop("_rho", "_sd")
        .sort("site_id")
    )


def _apparent(sound: pl.DataFrame) -> Array:
    """Give the apparent resistivity of each sounding; columns that are not there are equal, shallow pins."""

    def column(name: str, empty: float) -> Array:
        if name not in sound.columns:
            return np.full(sound.height, empty)
        return sound[name].cast(pl.Float64).fill_null(empty).to_numpy()

    return apparent_ohm_m(
        column("spacing_m", 0.0),
        column("resistance_ohm", 0.0),
        column("potential_spacing_m", np.nan),
        column("pin_depth_m", 0.0),
    )


def conductivity_factor(temperature_c: ArrayLike) -> Array:
    """Give f(T) that brings a conductivity to 25 C, above freezing: 0.4470 + 1.4034 exp(-T / 26.815).

    Sheets and Hendrickx (1995) as corrected by Corwin and Lesch (2005), from memory; 3 to 47 C.
    """
    return 0.4470 + 1.4034 * np.exp(-np.asarray(temperature_c, dtype=np.float64) / 26.815)


def temperature_factor(temperature_c: ArrayLike, reference_c: float = 20.0) -> Array:
    """Give resistivity at a temperature over that at `reference_c`; a step up at freezing, steep below.

    Above 0 C conductivity_factor; below, FREEZING_STEP and FREEZING_GROWTH_PER_C (IEEE Std 142, from memory).
    """
    temperature = np.asarray(temperature_c, dtype=np.float64)
    wet = conductivity_factor(np.maximum(temperature, 0.0)) / conductivity_factor(reference_c)
    ice = FREEZING_STEP * np.exp(-FREEZING_GROWTH_PER_C * np.minimum(temperature, 0.0))
    return np.where(temperature < 0, wet * ice, wet)


def moisture_ohm_m(moisture_pct: ArrayLike, soil: str) -> Array:
    """Give the usual resistivity of a soil (MOISTURE_OHM_M) by its moisture, straight between logs.

    Beyond the table's ends the end's value. Raises KeyError for a soil that it does not have.
    """
    table = np.log(MOISTURE_OHM_M[soil])
    wet = np.log(np.maximum(np.asarray(moisture_pct, dtype=np.float64), 1e-6))
    return np.exp(np.interp(wet, np.log(MOISTURE_PCT), table))


def damping_depth_m(period_days: float = DAYS_PER_YEAR, diffusivity_m2_s: float = DIFFUSIVITY_M2_S) -> float:
    """Give the depth at which a temperature wave has fallen to 1/e, sqrt(alpha P / pi)."""
    return float(np.sqrt(diffusivity_m2_s * period_days * 86_400 / np.pi))


def soil_temperature_c(
    day_of_year: ArrayLike,
    depth_m: ArrayLike,
    mean_c: ArrayLike,
    amplitude_c: ArrayLike,
    *,
    warmest_day: float = 200.0,
    diffusivity_m2_s: float = DIFFUSIVITY_M2_S,
) -> Array:
    """Give the soil's temperature at a depth, from a cosine of a year at the surface.

    mean + amplitude exp(-z/d) cos(2 pi (day - warmest)/year - z/d). Carslaw and Jaeger (1959), 2.6.
    """
    part = np.asarray(depth_m, dtype=np.float64) / damping_depth_m(diffusivity_m2_s=diffusivity_m2_s)
    phase = 2 * np.pi * (np.asarray(day_of_year, dtype=np.float64) - warmest_day) / DAYS_PER_YEAR
    return np.asarray(mean_c) + np.asarray(amplitude_c) * np.exp(-part) * np.cos(phase - part)


@dataclass(frozen=True)
class RodWave:
    """The yearly temperature wave as a rod meets it: share of the surface's amplitude, and lag in days."""

    amplitude_share: Array
    lag_days: Array


def wave_along_rod(length_m: ArrayLike, top_depth_m: ArrayLike = 0.0) -> RodWave:
    """Give the yearly wave averaged over a rod's length in uniform soil: the mean of exp(-(1 + i) z / d)."""
    d = damping_depth_m()
    length, top = np.asarray(length_m, dtype=np.float64), np.asarray(top_depth_m, dtype=np.float64)
    step = (1 + 1j) * length / d
    wave = np.exp(-(1 + 1j) * top / d) * (1 - np.exp(-step)) / step
    return RodWave(np.abs(wave), -np.angle(wave) / (2 * np.pi) * DAYS_PER_YEAR)
