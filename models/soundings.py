"""Four-pin soundings: apparent resistivity, and two layers fitted to them with their uncertainty.

A sounding of few spacings says little of three numbers, so a weak prior holds the fit where it says nothing:
no contrast between the layers, a boundary some metres down. What comes out is honest about it: its standard
deviations are large there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import least_squares

Array = NDArray[np.float64]

IMAGES = 400
# Prior of a fit. Common practice, no source: layers differ by a factor of e either way, the boundary lies
# near 3 m within a factor of 2.5.
CONTRAST_SD_LOG = 1.0
DEPTH_M, DEPTH_SD_LOG = 3.0, 0.9
SCATTER_LOG = 0.05  # of a pin reading about the layers, before the soundings themselves tell
LEAST_SCATTER_LOG = 0.01  # digits and pins placed by eye
STARTS = (0.6, 2.0, 6.0)  # boundary, as a multiple of the prior's
# Layers stand apart where their log contrast is CLEAR of its standard deviations off none, and above a
# factor of two: less moves a rod's formula by less than one sounding in one season can tell.
CLEAR, LEAST_CONTRAST = 2.0, 2.0


def _between_potential_pins(spacing_m: Array, potential_spacing_m: ArrayLike | None) -> Array:
    """Return the distance between the potential pins: the others' spacing where it is not given or nan."""
    if potential_spacing_m is None:
        return spacing_m
    between = np.asarray(potential_spacing_m, dtype=np.float64)
    return np.where(np.isfinite(between), between, spacing_m)


def apparent_ohm_m(
    spacing_m: ArrayLike,
    resistance_ohm: ArrayLike,
    potential_spacing_m: ArrayLike | None = None,
    pin_depth_m: ArrayLike = 0.0,
) -> Array:
    """Give the apparent resistivity of four pins in a line, ohm-metre.

    `spacing_m` from a current pin to the nearest potential pin, `potential_spacing_m` between the potential
    pins (None or nan: equal spacing). Equal: 4 pi a R / (1 + 2a/sqrt(a^2 + 4b^2) - a/sqrt(a^2 + b^2)), b the
    pins' depth, 2 pi a R at b = 0 (F. Wenner 1915; IEEE Std 81). Unequal: pi c (c + d) R / d (Schlumberger
    and Palmer; IEEE Std 81), pins short beside the spacing. Raises ValueError for a spacing of zero or less.
    """
    c, ohm, b = (np.asarray(v, dtype=np.float64) for v in (spacing_m, resistance_ohm, pin_depth_m))
    d = _between_potential_pins(c, potential_spacing_m)
    if np.any(c <= 0) or np.any(d <= 0):
        raise ValueError("Spacings must be above zero.")
    buried = (1 + 2 * c / np.sqrt(c**2 + 4 * b**2) - c / np.sqrt(c**2 + b**2)) / 2
    equal = 2 * np.pi * c * ohm / buried
    return np.where(d == c, equal, np.pi * c * (c + d) * ohm / d)


def two_layer_apparent_ohm_m(
    spacing_m: ArrayLike,
    upper_ohm_m: float,
    lower_ohm_m: float,
    upper_depth_m: float,
    potential_spacing_m: ArrayLike | None = None,
) -> Array:
    """Give the apparent resistivity that four pins see over two layers; pins as in apparent_ohm_m.

    A point's potential over two layers, 1/r + 2 sum K^n / sqrt(r^2 + (2nh)^2), at both distances over that
    of one layer. Tagg 1964; IEEE Std 81.
    """
    c = np.asarray(spacing_m, dtype=np.float64)
    logs = np.log([upper_ohm_m, lower_ohm_m, upper_depth_m])
    return np.exp(_log_apparent(c, _between_potential_pins(c, potential_spacing_m), logs)[0])


def _log_apparent(c: Array, d: Array, logs: Array) -> tuple[Array, Array]:
    """Give ln of the apparent resistivity (n,) and its slopes (n, 3) by the logs of upper, lower, depth."""
    upper, lower, depth = np.exp(logs)
    k = (lower - upper) / (lower + upper)
    # Terms below a millionth of a millionth change no digit.
    enough = np.log(1e-12) / np.log(np.clip(abs(k), 1e-12, 1 - 1e-9))
    n = np.arange(1, int(np.clip(enough, 2, IMAGES)) + 1)
    power = k**n
    slope = n * k ** (n - 1)
    twice = (2 * n * depth) ** 2
    near, far = (1 / np.sqrt(r[..., None] ** 2 + twice) for r in (c, c + d))
    alone = 1 / c - 1 / (c + d)
    series = 2 * ((near - far) @ power) / alone
    by_k = 2 * ((near - far) @ slope) / alone
    by_depth = -2 * (((near**3 - far**3) * twice) @ power) / alone
    half = (1 - k * k) / 2
    whole = (1 + series)[..., None]
    slopes = np.stack([-by_k * half, by_k * half, by_depth], axis=-1) / whole
    slopes[..., 0] += 1
    return logs[0] + np.log1p(series), slopes


@dataclass(frozen=True)
class Layers:
    """Two layers fitted to one site's soundings.

    covariance: (3, 3) of the logs of upper_ohm_m, lower_ohm_m, upper_depth_m, the prior's part included.
    scatter_log: root mean square of the log residuals. contrast_sd_log: sd of ln(lower / upper).
    """

    upper_ohm_m: float
    lower_ohm_m: float
    upper_depth_m: float
    covariance: Array
    scatter_log: float
    readings: int
    converged: bool
    method: str = "least squares of logs with a weak prior, Laplace covariance"

    @property
    def contrast_sd_log(self) -> float:
        """Give the standard deviation of the log of lower over upper."""
        c = self.covariance
        return float(np.sqrt(max(c[0, 0] + c[1, 1] - 2 * c[0, 1], 0.0)))

    @property
    def stand_apart(self) -> bool:
        """Tell whether the soundings see two layers: a contrast that is clear and matters to a rod."""
        contrast = abs(np.log(self.lower_ohm_m / self.upper_ohm_m))
        return bool(contrast > max(CLEAR * self.contrast_sd_log, np.log(LEAST_CONTRAST)))


def fit_layers(
    spacing_m: ArrayLike,
    resistance_ohm: ArrayLike,
    potential_spacing_m: ArrayLike | None = None,
    *,
    pin_depth_m: ArrayLike = 0.0,
    scatter_log: float = SCATTER_LOG,
    start: Layers | None = None,
) -> Layers:
    """Fit two layers to the soundings of one site, whatever their number; `scatter_log`: sd of one reading.

    The most probable of three starts under the prior above (or from `start`, a fit under another scatter),
    its covariance from the second derivatives (Gauss and Newton's). Raises ValueError without a reading, for
    spacings or resistances of zero or less.
    """
    c = np.atleast_1d(np.asarray(spacing_m, dtype=np.float64))
    ohm = np.atleast_1d(np.asarray(resistance_ohm, dtype=np.float64))
    if not c.size or np.any(ohm <= 0):
        raise ValueError("Soundings must be there, and their resistances above zero.")
    seen = np.log(apparent_ohm_m(c, ohm, potential_spacing_m, pin_depth_m))
    d = _between_potential_pins(c, potential_spacing_m)
    prior = np.array([[-1.0, 1.0, 0.0], [0.0, 0.0, 1.0]]) / [[CONTRAST_SD_LOG], [DEPTH_SD_LOG]]

    def residuals(logs: Array) -> Array:
        off = (_log_apparent(c, d, logs)[0] - seen) / scatter_log
        return np.r_[off, prior @ (logs - [0.0, 0.0, np.log(DEPTH_M)])]

    def slopes(logs: Array) -> Array:
        return np.vstack([_log_apparent(c, d, logs)[1] / scatter_log, prior])

    order = np.argsort(c)
    ends = [seen[order[0]], seen[order[-1]]]
    starts = [[*ends, np.log(DEPTH_M * k)] for k in STARTS]
    if start is not None:
        starts = [list(np.log([start.upper_ohm_m, start.lower_ohm_m, start.upper_depth_m]))]
    fits = [least_squares(residuals, x, slopes, method="lm", x_scale="jac", xtol=1e-6) for x in starts]
    best = min(fits, key=lambda fit: fit.cost)
    upper, lower, depth = (float(v) for v in np.exp(best.x))
    return Layers(
        upper_ohm_m=upper,
        lower_ohm_m=lower,
        upper_depth_m=depth,
        covariance=np.linalg.inv(best.jac.T @ best.jac),
        scatter_log=float(np.sqrt(np.mean((best.fun[: c.size] * scatter_log) ** 2))),
        readings=c.size,
        converged=bool(best.success),
    )


def _pooled_scatter(fits: list[Layers]) -> float:
    """Give the sd of one reading about its site's layers, over all sites with more than three readings."""
    left = [(f.scatter_log**2 * f.readings, f.readings - 3) for f in fits if f.readings > 3]
    if not left:
        return SCATTER_LOG
    squares, freedom = np.sum(left, axis=0)
    return float(max(np.sqrt(squares / freedom), LEAST_SCATTER_LOG))


LAYERS = {
    "site_id": pl.String,
    "upper_ohm_m": pl.Float64,
    "lower_ohm_m": pl.Float64,
    "upper_depth_m": pl.Float64,
    "upper_sd_log": pl.Float64,
    "lower_sd_log": pl.Float64,
    "depth_sd_log": pl.Float64,
    "scatter_log": pl.Float64,
    "readings": pl.Int64,
    "stand_apart": pl.Boolean,
    "converged": pl.Boolean,
}


def layers_by_site(soundings: pl.DataFrame) -> tuple[pl.DataFrame, dict[str, Layers]]:
    """Fit two layers to every site's soundings: a frame of one row a site (LAYERS), and the fits by site.

    `soundings`: site_id, spacing_m, resistance_ohm; potential_spacing_m, pin_depth_m where known. The scatter
    of a reading is pooled over the sites, as a sounding of five spacings cannot tell its own.
    """
    rows = soundings.filter((pl.col("spacing_m") > 0) & (pl.col("resistance_ohm") > 0))
    for name in ("potential_spacing_m", "pin_depth_m"):
        if name not in rows.columns:
            rows = rows.with_columns(pl.lit(None, dtype=pl.Float64).alias(name))
    pins = {
        str(site): [
            own[c].cast(pl.Float64).fill_null(empty).to_numpy()
            for c, empty in (
                ("spacing_m", 0.0),
                ("resistance_ohm", 0.0),
                ("potential_spacing_m", np.nan),
                ("pin_depth_m", 0.0),
            )
        ]
        for (site,), own in rows.sort("site_id", "spacing_m", "resistance_ohm").group_by(
            ["site_id"], maintain_order=True
        )
    }

    first = {s: fit_layers(a, ohm, d, pin_depth_m=b) for s, (a, ohm, d, b) in pins.items()}
    scatter = _pooled_scatter(list(first.values()))
    fits = {
        s: fit_layers(a, ohm, d, pin_depth_m=b, scatter_log=scatter, start=first[s])
        for s, (a, ohm, d, b) in pins.items()
    }
    out = [
        (
            s, f.upper_ohm_m, f.lower_ohm_m, f.upper_depth_m, *np.sqrt(np.diag(f.covariance)).tolist(),
            f.scatter_log, f.readings, f.stand_apart, f.converged,
        )
        for s, f in fits.items()
    ]  # fmt: skip
    return pl.DataFrame(out, schema=LAYERS, orient="row"), fits
