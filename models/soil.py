"""Soil: four-pin soundings, two layers, the site's resistivity, temperature and its yearly wave."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

Array = NDArray[np.float64]

IMAGES = 400
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


def wenner_resistivity_ohm_m(spacing_m: ArrayLike, resistance_ohm: ArrayLike) -> Array:
    """Give the apparent resistivity of a four-pin reading, 2 pi a R. F. Wenner (1915)."""
    return 2 * np.pi * np.asarray(spacing_m, dtype=np.float64) * np.asarray(resistance_ohm, dtype=np.float64)


def two_layer_apparent_ohm_m(
    spacing_m: ArrayLike, upper_ohm_m: float, lower_ohm_m: float, upper_depth_m: float
) -> Array:
    """Give the apparent resistivity that four pins at `spacing_m` see over two layers.

    Tagg 1964; IEEE Std 81: rho1 (1 + 4 sum K^n (1/sqrt(1 + (2nh/a)^2) - 1/sqrt(4 + (2nh/a)^2))).
    """
    spacing = np.asarray(spacing_m, dtype=np.float64)[..., None]
    k = (lower_ohm_m - upper_ohm_m) / (lower_ohm_m + upper_ohm_m)
    n = np.arange(1, IMAGES + 1)
    squared = (2 * n * upper_depth_m / spacing) ** 2
    series = np.sum(k**n * (1 / np.sqrt(1 + squared) - 1 / np.sqrt(4 + squared)), axis=-1)
    return upper_ohm_m * (1 + 4 * series)


@dataclass(frozen=True)
class TwoLayers:
    """Two layers fitted to soundings; rms_log is that of the log residuals."""

    upper_ohm_m: float
    lower_ohm_m: float
    upper_depth_m: float
    rms_log: float
    converged: bool
    method: str


def fit_two_layer(spacing_m: ArrayLike, resistance_ohm: ArrayLike) -> TwoLayers:
    """Fit two layers to four-pin readings by least squares on the logarithm.

    Raises ValueError with fewer than four spacings: three numbers cannot be had from three readings with
    anything left to judge them by.
    """
    spacing = np.asarray(spacing_m, dtype=np.float64)
    apparent = wenner_resistivity_ohm_m(spacing, resistance_ohm)
    if np.unique(spacing).size < 4:
        raise ValueError("Two layers need soundings at four spacings or more.")
    if np.any(spacing <= 0) or np.any(apparent <= 0):
        raise ValueError("Spacings and resistances must be above zero.")

    def residuals(logs: Array) -> Array:
        return np.log(two_layer_apparent_ohm_m(spacing, *np.exp(logs))) - np.log(apparent)

    order = np.argsort(spacing)
    near, far = apparent[order[0]], apparent[order[-1]]
    span = np.log(1e4)
    fits = []
    for depth in (spacing.min(), np.sqrt(spacing.min() * spacing.max()), spacing.max()):
        start = np.log([near, far, depth])
        reach = np.array([span, span, np.log(30)])
        fits.append(least_squares(residuals, start, bounds=(start - reach, start + reach), x_scale="jac"))
    best = min(fits, key=lambda fit: fit.cost)
    at_bound = bool(np.any(best.active_mask != 0))
    upper, lower, depth = np.exp(best.x)
    rms = float(np.sqrt(np.mean(best.fun**2)))
    return TwoLayers(
        upper_ohm_m=float(upper),
        lower_ohm_m=float(lower),
        upper_depth_m=float(depth),
        rms_log=rms,
        converged=bool(best.success) and not at_bound,
        method="least squares of logs",
    )


def _mean_log(rows: pl.DataFrame, floor: float, source: str) -> pl.DataFrame:
    """Give each site's mean log resistivity; its sd joins the readings' spread to the method's floor."""
    spread = pl.col("_ln").var().fill_null(0.0)
    return rows.group_by("site_id", maintain_order=True).agg(
        pl.col("_ln").mean().exp().alias("resistivity_ohm_m"),
        (floor**2 + spread / pl.len()).sqrt().alias("sd_log"),
        pl.lit(source).alias("source"),
    )


def site_resistivity(
    soundings: pl.DataFrame, soil_surveys: pl.DataFrame, sites: pl.DataFrame | None = None
) -> pl.DataFrame:
    """Give each site's resistivity: frame site_id, resistivity_ohm_m, sd_log, source, one row a site.

    Soundings at rod-like spacings first (`soundings`), then the survey's value (`survey`), then null
    (`none`). `sd_log` is the standard deviation of ln(resistivity). Every site of the three frames has a row.
    """
    near = pl.col("spacing_m").is_between(*ROD_SPACINGS_M)
    pins = (
        soundings.filter((pl.col("spacing_m") > 0) & (pl.col("resistance_ohm") > 0))
        .with_columns((2 * np.pi * pl.col("spacing_m") * pl.col("resistance_ohm")).log().alias("_ln"))
        .filter(near | ~near.any().over("site_id"))
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
        .with_columns(pl.col("source").fill_null("none"))
        .sort("site_id")
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
