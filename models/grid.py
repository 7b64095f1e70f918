"""Resistance of a substation's buried grid, alone, with its rods, and beside one of them.

Arrays (or floats) that broadcast; ohm, metre, ohm-metre, and millimetre for diameters. Uniform soil. Good for
what a sound grid should come to, no proof of what it is.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.electrode import USUAL_DIAMETER_MM, positive

Array = NDArray[np.float64]


def disc_and_wire_ohm(resistivity_ohm_m: ArrayLike, area_m2: ArrayLike, conductor_m: ArrayLike) -> Array:
    """Give a grid's resistance as a plate of its area and its wire: rho/4 sqrt(pi/A) + rho/L.

    P. Laurent (1951) and J. Niemann (1952), as in IEEE Std 80, from memory; it knows no depth.
    """
    rho, area, conductor = positive(
        resistivity_ohm_m=resistivity_ohm_m, area_m2=area_m2, conductor_m=conductor_m
    )
    return rho / 4 * np.sqrt(np.pi / area) + rho / conductor


def grid_ohm(
    resistivity_ohm_m: ArrayLike, area_m2: ArrayLike, conductor_m: ArrayLike, depth_m: ArrayLike
) -> Array:
    """Give the resistance of a buried grid; `conductor_m` is the whole buried length, rods included.

    J. G. Sverak, IEEE Trans. PAS-103 (1984): rho (1/L + (1/sqrt(20 A)) (1 + 1/(1 + h sqrt(20/A)))).
    """
    rho, area, conductor = positive(
        resistivity_ohm_m=resistivity_ohm_m, area_m2=area_m2, conductor_m=conductor_m
    )
    depth = np.asarray(depth_m, dtype=np.float64)
    spread = (1 + 1 / (1 + depth * np.sqrt(20 / area))) / np.sqrt(20 * area)
    return rho * (1 / conductor + spread)


def schwarz_coefficients(
    area_m2: ArrayLike, depth_m: ArrayLike, side_ratio: ArrayLike = 1.0
) -> tuple[Array, Array]:
    """Give Schwarz's K1 and K2 for a grid of `side_ratio` = length / width; straight lines, from memory."""
    (area,) = positive(area_m2=area_m2)
    relative = np.asarray(depth_m, dtype=np.float64) / np.sqrt(area)
    ratio = np.asarray(side_ratio, dtype=np.float64)
    return 1.43 - 2.3 * relative - 0.044 * ratio, 5.5 - 8 * relative + (0.15 - relative) * ratio


def schwarz_parts(
    resistivity_ohm_m: ArrayLike,
    area_m2: ArrayLike,
    conductor_m: ArrayLike,
    depth_m: ArrayLike,
    *,
    rod_count: ArrayLike,
    rod_length_m: ArrayLike,
    rod_diameter_mm: ArrayLike = USUAL_DIAMETER_MM,
    conductor_diameter_mm: ArrayLike = 10.0,
    surface_resistivity_ohm_m: ArrayLike | None = None,
    coefficients: tuple[ArrayLike, ArrayLike] | None = None,
) -> tuple[Array, Array, Array]:
    """Give R11 of the grid alone, R22 of the rods alone and their mutual R12.

    S. J. Schwarz, Trans. AIEE 73 (1954); IEEE Std 80. Rods of one length, spread over the grid's area.
    `surface_resistivity_ohm_m` is the soil round the grid where it differs from that round the rods.
    """
    rho, area, wire, depth, count, length, rod_mm, wire_mm = positive(
        resistivity_ohm_m=resistivity_ohm_m,
        area_m2=area_m2,
        conductor_m=conductor_m,
        depth_m=depth_m,
        rod_count=rod_count,
        rod_length_m=rod_length_m,
        rod_diameter_mm=rod_diameter_mm,
        conductor_diameter_mm=conductor_diameter_mm,
    )
    k1, k2 = schwarz_coefficients(area, depth) if coefficients is None else map(np.asarray, coefficients)
    top = np.asarray(rho if surface_resistivity_ohm_m is None else surface_resistivity_ohm_m)
    spread = k1 * wire / np.sqrt(area) - k2
    r11 = top / (np.pi * wire) * (np.log(2 * wire / np.sqrt(wire_mm / 1000 * depth)) + spread)
    crowd = 2 * k1 * length / np.sqrt(area) * (np.sqrt(count) - 1) ** 2
    r22 = rho / (2 * np.pi * count * length) * (np.log(8 * length / (rod_mm / 1000)) - 1 + crowd)
    r12 = rho / (np.pi * wire) * (np.log(2 * wire / length) + spread + 1)
    return r11, r22, r12


def grid_and_rods_ohm(
    resistivity_ohm_m: ArrayLike,
    area_m2: ArrayLike,
    conductor_m: ArrayLike,
    depth_m: ArrayLike,
    *,
    rod_count: ArrayLike,
    rod_length_m: ArrayLike,
    **details: Any,
) -> Array:
    """Give the resistance of a grid with its rods, (R11 R22 - R12^2) / (R11 + R22 - 2 R12).

    `details` as in schwarz_parts. Schwarz 1954; IEEE Std 80.
    """
    r11, r22, r12 = schwarz_parts(
        resistivity_ohm_m,
        area_m2,
        conductor_m,
        depth_m,
        rod_count=rod_count,
        rod_length_m=rod_length_m,
        **details,
    )
    return (r11 * r22 - r12**2) / (r11 + r22 - 2 * r12)
