"""What damage does to a rod's resistance: lost length, thinning, lost cladding, a parted or bad joint.

Arrays that broadcast; ohm, metre, millimetre, micrometre. Uniform soil, the rod alone. Which of them a
reading tells of: lost length and joints move it, thinning hardly, lost cladding not at all.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from models.electrode import positive, rod_ohm

Array = NDArray[np.float64]

# Ohm-metre at 20 C: annealed copper (IEC 60028), mild steel (common values, from memory).
COPPER_OHM_M, STEEL_OHM_M = 1.724e-8, 1.6e-7
# A rod thinner than this parts under its own load; also where thinning stops being thinning.
THINNEST_SHARE = 0.25


def shortened_ratio(length_m: ArrayLike, diameter_mm: ArrayLike, lost_share: ArrayLike) -> Array:
    """Give by how much a rod reads more that lost this share (0..1) of its length from below.

    Also a rod whose joint parted: the piece below it is lost to the lead. Raises ValueError for a share
    outside 0 to below 1. Dwight's rod (electrode.rod_ohm) over itself.
    """
    lost = np.asarray(lost_share, dtype=np.float64)
    if np.any((lost < 0) | (lost >= 1)):
        raise ValueError("lost_share must lie from 0 to below 1: nothing is left of a rod that lost it all.")
    length = np.asarray(length_m, dtype=np.float64)
    return rod_ohm(1.0, length * (1 - lost), diameter_mm) / rod_ohm(1.0, length, diameter_mm)


def thinned_ratio(length_m: ArrayLike, diameter_mm: ArrayLike, left_mm: ArrayLike) -> Array:
    """Give by how much a rod reads more whose whole length thinned to `left_mm`."""
    return rod_ohm(1.0, length_m, left_mm) / rod_ohm(1.0, length_m, diameter_mm)


def metal_ohm(length_m: ArrayLike, diameter_mm: ArrayLike, cladding_um: ArrayLike = 0.0) -> Array:
    """Give a rod's own resistance from end to end: a copper cladding beside its steel core.

    All of the current through all of the length: twice to three times what a rod that leads it out on the way
    adds. Milliohms: why lost cladding does not show.
    """
    length, diameter = positive(length_m=length_m, diameter_mm=diameter_mm)
    outer = diameter / 2000
    core = np.maximum(outer - np.asarray(cladding_um, dtype=np.float64) / 1e6, 0.0)
    siemens_m = np.pi * (core**2 / STEEL_OHM_M + (outer**2 - core**2) / COPPER_OHM_M)
    return length / siemens_m


def joint_ratio(rod_resistance_ohm: ArrayLike, joint_ohm: ArrayLike) -> Array:
    """Give by how much a rod reads more through a joint or clamp of so many ohm in series."""
    (rod,) = positive(rod_resistance_ohm=rod_resistance_ohm)
    return 1 + np.asarray(joint_ohm, dtype=np.float64) / rod


def lost_share(ratio: ArrayLike, length_m: ArrayLike, diameter_mm: ArrayLike) -> Array:
    """Give the share of its length that a rod has lost that reads `ratio` times its new value.

    0 where the ratio is 1 or less. The inverse of shortened_ratio, by bisection; its reach ends where the
    stub is as short as it is thick.
    """
    want, length, diameter = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (ratio, length_m, diameter_mm))
    )
    low, high = np.zeros(want.shape), 1 - diameter / 1000 / length
    for _ in range(60):
        middle = (low + high) / 2
        less = shortened_ratio(length, diameter, middle) < want
        low, high = np.where(less, middle, low), np.where(less, high, middle)
    return np.where(want <= 1, 0.0, (low + high) / 2)


def most_by_thinning(length_m: ArrayLike, diameter_mm: ArrayLike) -> Array:
    """Give the largest ratio that thinning alone brings: a rod left at a quarter of its diameter."""
    return thinned_ratio(length_m, diameter_mm, np.asarray(diameter_mm) * THINNEST_SHARE)
