"""Metal lost to the soil: units, the life of coatings, and the trade's score of a soil's aggressiveness.

Whether losses of burial trials carry over to driven rods is an open assumption: M. Romanoff (1962) found none
on piles in undisturbed soil under the water table. Nothing here is a drift rate of a resistance.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

DENSITY_G_CM3 = {"steel": 7.85, "zinc": 7.14, "copper": 8.96}
G_PER_M2_IN_OZ_PER_FT2 = 28.349523125 / 0.3048**2
# AASHTO design loss of galvanized steel, micrometre a year (memory): zinc early, zinc later, then the steel.
ZINC_EARLY_UM, ZINC_EARLY_YEARS, ZINC_LATER_UM, STEEL_UM = 15.0, 2.0, 4.0, 12.0


def thickness_um(loss_oz_per_ft2: ArrayLike, metal: str) -> Array:
    """Give the thickness of a mass lost per area. Raises KeyError for a metal without a density here."""
    grams = np.asarray(loss_oz_per_ft2, dtype=np.float64) * G_PER_M2_IN_OZ_PER_FT2
    return grams / DENSITY_G_CM3[metal]


def zinc_life_years(zinc_um: ArrayLike) -> Array:
    """Give the years until a zinc coating is gone at AASHTO's design loss: 15 um for 2 years, then 4."""
    zinc = np.asarray(zinc_um, dtype=np.float64)
    early = ZINC_EARLY_UM * ZINC_EARLY_YEARS
    return np.where(zinc <= early, zinc / ZINC_EARLY_UM, ZINC_EARLY_YEARS + (zinc - early) / ZINC_LATER_UM)


def cladding_life_years(cladding_um: ArrayLike, loss_um_per_year: ArrayLike) -> Array:
    """Give the years until a cladding is gone at a constant loss."""
    return np.asarray(cladding_um, dtype=np.float64) / np.asarray(loss_um_per_year, dtype=np.float64)


def soil_points(
    resistivity_ohm_m: ArrayLike, ph: ArrayLike, redox_mv: ArrayLike, sulphide: ArrayLike, moisture: ArrayLike
) -> Array:
    """Give the ten-point score of a soil's aggressiveness to iron; 10 or more is aggressive.

    AWWA C105 in the edition with resistivity bands of 700 to 2 000 ohm-cm, as printed by P. Roberge,
    "Handbook of Corrosion Engineering", Table 2.28. `sulphide` no, trace, yes; `moisture` dry, moist, wet;
    NaN or an empty word where not known, which counts nothing.
    """
    ohm_cm = np.asarray(resistivity_ohm_m, dtype=np.float64) * 100
    acid, redox = np.asarray(ph, dtype=np.float64), np.asarray(redox_mv, dtype=np.float64)
    bands = [ohm_cm < 700, ohm_cm <= 1000, ohm_cm <= 1200, ohm_cm <= 1500, ohm_cm <= 2000]
    points = np.select(bands, [10.0, 8.0, 5.0, 2.0, 1.0], 0.0)
    points = points + np.select([acid < 2, acid < 4, acid > 8.5], [5.0, 3.0, 3.0], 0.0)
    points = points + np.select([redox < 0, redox < 50, redox <= 100], [5.0, 4.0, 3.5], 0.0)
    points = points + np.select(
        [np.asarray(sulphide) == "yes", np.asarray(sulphide) == "trace"], [3.5, 2.0], 0.0
    )
    return points + np.select(
        [np.asarray(moisture) == "wet", np.asarray(moisture) == "moist"], [2.0, 1.0], 0.0
    )


# Upper ends in ohm-cm and words: corrosion-doctors.org, soil severity by resistivity, after P. Roberge.
SEVERITY = (
    (1_000, "extremely corrosive"),
    (3_000, "highly corrosive"),
    (5_000, "corrosive"),
    (10_000, "moderately corrosive"),
    (20_000, "mildly corrosive"),
    (np.inf, "essentially non-corrosive"),
)
# Steel lost from each face in mm at LOSS_YEARS: EN 1993-5 Table 4-1 (EN 14199), as quoted by others.
LOSS_YEARS = (5.0, 25.0, 50.0, 75.0, 100.0)
STEEL_LOSS_MM = {
    "undisturbed": (0.00, 0.30, 0.60, 0.90, 1.20),
    "polluted": (0.15, 0.75, 1.50, 2.25, 3.00),
    "aggressive": (0.20, 1.00, 1.75, 2.50, 3.25),
    "loose_fill": (0.18, 0.70, 1.20, 1.70, 2.20),
    "aggressive_fill": (0.50, 2.00, 3.25, 4.50, 5.75),
}
# DIN 50929-3:2018 by its score, steel, mm a year: uniform, local. The standard itself warns of a factor of 2.
DIN_SCORES = ((0.0, 0.005, 0.03), (-4.0, 0.01, 0.05), (-10.0, 0.02, 0.20), (-np.inf, 0.06, 0.40))


def severity(resistivity_ohm_m: ArrayLike) -> NDArray[np.str_]:
    """Give the words for a soil's corrosivity by its resistivity alone (SEVERITY); "" where not known."""
    ohm_cm = np.asarray(resistivity_ohm_m, dtype=np.float64) * 100
    ends, words = zip(*SEVERITY, strict=True)
    band = np.minimum(np.searchsorted(ends, np.nan_to_num(ohm_cm), side="right"), len(words) - 1)
    return np.where(np.isfinite(ohm_cm), np.array(words)[band], "")


def steel_loss_mm(ground: str, years: ArrayLike) -> Array:
    """Give the steel lost from each face, mm, in a kind of ground of STEEL_LOSS_MM.

    Straight between its years, from 0 at 0 years, held at the end's rate beyond 100. Raises KeyError for
    another ground.
    """
    when = np.asarray(years, dtype=np.float64)
    known = (0.0, *LOSS_YEARS), (0.0, *STEEL_LOSS_MM[ground])
    rate = (known[1][-1] - known[1][-2]) / (LOSS_YEARS[-1] - LOSS_YEARS[-2])
    return np.interp(when, *known) + rate * np.maximum(when - LOSS_YEARS[-1], 0.0)


def din_loss_mm_per_year(score: ArrayLike) -> tuple[Array, Array]:
    """Give the uniform and the local loss of steel, mm a year, by the score of DIN 50929-3:2018."""
    points = np.asarray(score, dtype=np.float64)
    where = [points >= low for low, _, _ in DIN_SCORES]
    return tuple(np.select(where, [row[k] for row in DIN_SCORES]) for k in (1, 2))  # type: ignore[return-value]


def scored_ground(ground: pl.DataFrame) -> pl.DataFrame:
    """Add corrosivity (severity's words) and corrosivity_points (soil_points) to sites' ground.

    `ground`: resistivity_ohm_m, ph, redox_mv, sulphide, moisture, as known; points are null where the
    resistivity is not known, as most of them hang on it.
    """
    rho, ph, redox = (
        ground[c].cast(pl.Float64).fill_null(np.nan).to_numpy()
        for c in ("resistivity_ohm_m", "ph", "redox_mv")
    )
    words = [ground[c].cast(pl.String).fill_null("").to_numpy() for c in ("sulphide", "moisture")]
    points = np.where(np.isfinite(rho), soil_points(rho, ph, redox, *words), np.nan)
    return ground.with_columns(
        pl.Series("corrosivity", severity(rho).tolist(), dtype=pl.String),
        pl.Series("corrosivity_points", points).fill_nan(None),
    )
