"""Resistance to remote earth of rods, plates and strips, alone and together (grids: models/grid.py).

All functions take and give numpy arrays (or floats) that broadcast; ohm, metre, ohm-metre, and
millimetre for diameters. Uniform soil unless the name says otherwise. These are the trade's formulas:
good for what a sound electrode should come to, no proof of what one is.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

# What an electrode is taken to be where its row does not say: the commonest rod and plate (common practice).
USUAL_LENGTH_M = 3.0
USUAL_DIAMETER_MM = 16.0
USUAL_PLATE_M = 0.9
USUAL_STRIP_DEPTH_M = 0.6
IMAGES = 200
LAYERS = ("upper_ohm_m", "lower_ohm_m", "upper_depth_m")  # columns of a site whose ground has two layers


def positive(**values: ArrayLike) -> list[Array]:
    """Give the values as arrays. Raises ValueError, naming the first that is not above zero."""
    arrays = []
    for name, value in values.items():
        array = np.asarray(value, dtype=np.float64)
        if np.any(array <= 0):
            raise ValueError(f"{name} must be above zero.")
        arrays.append(array)
    return arrays


def rod_ohm(resistivity_ohm_m: ArrayLike, length_m: ArrayLike, diameter_mm: ArrayLike) -> Array:
    """Give the resistance of one driven rod: rho / (2 pi L) (ln(4 L / a) - 1), a the radius.

    Raises ValueError where a size is zero or less. H. B. Dwight, Trans. AIEE 55 (1936), also IEEE Std 142.
    """
    rho, length, diameter = positive(
        resistivity_ohm_m=resistivity_ohm_m, length_m=length_m, diameter_mm=diameter_mm
    )
    return rho / (2 * np.pi * length) * (np.log(8 * length / (diameter / 1000)) - 1)


def two_layer_rod_ohm(
    upper_ohm_m: ArrayLike,
    lower_ohm_m: ArrayLike,
    upper_depth_m: ArrayLike,
    length_m: ArrayLike,
    diameter_mm: ArrayLike,
) -> Array:
    """Give the resistance of one driven rod in two layers, the upper one `upper_depth_m` thick.

    A rod within the upper layer: the images' K^n ln((2nh + L)/(2nh - L)) beside Dwight's bracket. A rod that
    reaches the lower one: G. F. Tagg, "Earth Resistances" (1964), the form from memory; they meet at L = h,
    and a vanishing upper layer leaves the lower one alone.
    """
    upper, lower, depth, length, diameter = np.broadcast_arrays(
        *positive(
            upper_ohm_m=upper_ohm_m,
            lower_ohm_m=lower_ohm_m,
            upper_depth_m=upper_depth_m,
            length_m=length_m,
            diameter_mm=diameter_mm,
        )
    )
    k = ((lower - upper) / (lower + upper))[..., None]
    n = np.arange(1, IMAGES + 1)
    h, rod = depth[..., None], length[..., None]
    within = rod <= h
    nearest = np.where(within, 2 * n * h - rod, (2 * n - 2) * h + rod)
    images = np.sum(k**n * np.log((2 * n * h + rod) / nearest), axis=-1)
    k = k[..., 0]
    through = np.where(length <= depth, 1.0, (1 + k) / ((1 - k) + 2 * k * np.minimum(depth / length, 1.0)))
    bracket = np.log(8 * length / (diameter / 1000)) - 1 + images
    return upper / (2 * np.pi * length) * through * bracket


def mutual_ohm(resistivity_ohm_m: ArrayLike, length_m: ArrayLike, spacing_m: ArrayLike) -> Array:
    """Give the mutual resistance of two equal rods: the mean potential of one for an ampere in the other.

    rho / (2 pi L) (asinh(2L/s) - sqrt(1 + (s/2L)^2) + s/2L): the rod and its image as a line of even current.
    With s = the radius it comes to Dwight's formula (E. D. Sunde, "Earth Conduction Effects", 1949; derived).
    """
    rho, length, spacing = positive(
        resistivity_ohm_m=resistivity_ohm_m, length_m=length_m, spacing_m=spacing_m
    )
    part = spacing / (2 * length)
    return rho / (2 * np.pi * length) * (np.arcsinh(1 / part) - np.sqrt(1 + part**2) + part)


def parallel_rods_ohm(
    resistivity_ohm_m: float, length_m: ArrayLike, diameter_mm: ArrayLike, x_m: ArrayLike, y_m: ArrayLike
) -> float:
    """Give the resistance of driven rods tied together, at their places, in uniform soil.

    Solves for one potential on all: R = 1 / (1' M^-1 1), M the self and mutual resistances (the mutual one
    of two unequal rods takes their mean length). Raises ValueError where two rods stand in one place.
    """
    x, y, length, diameter = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (x_m, y_m, length_m, diameter_mm))
    )
    spacing = np.hypot(x[:, None] - x, y[:, None] - y)
    if np.any(spacing[~np.eye(x.size, dtype=bool)] < diameter.max() / 1000):
        raise ValueError("Two rods stand in the same place: their x_m and y_m are equal.")
    mean_length = (length[:, None] + length) / 2
    matrix = mutual_ohm(resistivity_ohm_m, mean_length, np.where(spacing > 0, spacing, 1.0))
    np.fill_diagonal(matrix, rod_ohm(resistivity_ohm_m, length, diameter))
    return float(1 / np.linalg.solve(matrix, np.ones(x.size)).sum())


def line_factor(count: int) -> float:
    """Give lambda of R_n = (R/n)(1 + lambda alpha) for rods in a line of even spacing, equal currents.

    (2/n) sum_k (n - k)/k, far-field mutual resistances: what BS 7430's table rounds (1.00, 1.66, 2.15, ...).
    """
    if count < 1:
        raise ValueError("count must be 1 or more.")
    k = np.arange(1, count)
    return float(2 / count * np.sum((count - k) / k))


def rods_in_line_ohm(
    one_ohm: ArrayLike, resistivity_ohm_m: ArrayLike, count: int, spacing_m: ArrayLike
) -> Array:
    """Give the resistance of `count` rods in a line: (R/n)(1 + lambda rho / (2 pi R s)). BS 7430."""
    one, rho, spacing = positive(one_ohm=one_ohm, resistivity_ohm_m=resistivity_ohm_m, spacing_m=spacing_m)
    alpha = rho / (2 * np.pi * one * spacing)
    return one / count * (1 + line_factor(count) * alpha)


def strip_ohm(
    resistivity_ohm_m: ArrayLike, length_m: ArrayLike, diameter_mm: ArrayLike, depth_m: ArrayLike
) -> Array:
    """Give the resistance of a straight buried wire: rho/(2 pi L) (ln(2L/a) + ln(L/h) - 2 + 2h/L - (h/L)^2).

    `a` is the radius (for a strip, a quarter of its width), `h` the depth, short beside the length. Dwight
    1936, from memory.
    """
    rho, length, diameter, depth = positive(
        resistivity_ohm_m=resistivity_ohm_m, length_m=length_m, diameter_mm=diameter_mm, depth_m=depth_m
    )
    shallow = 2 * depth / length - (depth / length) ** 2
    bracket = np.log(4 * length / (diameter / 1000)) + np.log(length / depth) - 2 + shallow
    return rho / (2 * np.pi * length) * bracket


def plate_ohm(resistivity_ohm_m: ArrayLike, area_m2: ArrayLike, depth_m: ArrayLike) -> Array:
    """Give the resistance of a buried plate as a disc of its area.

    rho/(8 a) + rho/(8 pi h) (1 - 7 a^2/(96 h^2)): `a` is the disc's radius, `h` its middle's depth.
    Dwight 1936, from memory.
    """
    rho, area, depth = positive(resistivity_ohm_m=resistivity_ohm_m, area_m2=area_m2, depth_m=depth_m)
    radius = np.sqrt(area / np.pi)
    return rho / (8 * radius) + rho / (8 * np.pi * depth) * (1 - 7 / 96 * (radius / depth) ** 2)


def isolated_ohm(electrodes: pl.DataFrame, resistivity: pl.DataFrame) -> pl.DataFrame:
    """Give what each electrode should come to alone in its site's soil: frame electrode_id, formula_ohm.

    Needs electrodes (electrode_id, site_id; kind, length_m, diameter_mm as known) and the frame of
    soil.site_resistivity: rods and pipes in its two layers where it has them, all else in its resistivity.
    Null where the site's resistivity is not known or the kind has no formula. Sizes not given are the usual
    ones.
    """
    rows = electrodes.join(
        resistivity.select("site_id", "resistivity_ohm_m", *(c for c in LAYERS if c in resistivity.columns)),
        on="site_id",
        how="left",
        maintain_order="left",
    )

    def sized(name: str, usual: float) -> Array:
        if name not in rows.columns:
            return np.full(rows.height, usual)
        values = rows[name].cast(pl.Float64).fill_null(usual).to_numpy()
        return np.where(values > 0, values, usual)

    rho = rows["resistivity_ohm_m"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    rho = np.where(rho > 0, rho, np.nan)
    kind = np.full(rows.height, "driven_rod", dtype=object)
    if "kind" in rows.columns:
        kind = rows["kind"].fill_null("driven_rod").to_numpy()
    length, diameter = sized("length_m", USUAL_LENGTH_M), sized("diameter_mm", USUAL_DIAMETER_MM)
    side = sized("length_m", USUAL_PLATE_M)
    rod = rod_ohm(rho, length, diameter)
    if set(LAYERS) <= set(rows.columns):
        upper, lower, depth = rows.select(pl.col(LAYERS).cast(pl.Float64).fill_null(np.nan)).to_numpy().T
        seen = np.isfinite(upper + lower + depth)
        rod[seen] = two_layer_rod_ohm(upper[seen], lower[seen], depth[seen], length[seen], diameter[seen])
    ohm = np.select(
        [np.isin(kind, ["driven_rod", "pipe"]), kind == "strip", kind == "plate"],
        [
            rod,
            strip_ohm(rho, np.maximum(length, 2 * USUAL_STRIP_DEPTH_M), diameter, USUAL_STRIP_DEPTH_M),
            plate_ohm(rho, side**2, np.maximum(1.5, side)),
        ],
        default=np.nan,
    )
    return pl.DataFrame({"electrode_id": rows["electrode_id"], "formula_ohm": pl.Series(ohm).fill_nan(None)})
