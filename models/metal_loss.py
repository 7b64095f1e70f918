"""Metal lost to the soil: units, the life of coatings, and the trade's score of a soil's aggressiveness.

Whether losses of burial trials carry over to driven rods is an open assumption: M. Romanoff (1962) found none
on piles in undisturbed soil under the water table. Nothing here is a drift rate of a resistance.
"""

from __future__ import annotations

import numpy as np
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
