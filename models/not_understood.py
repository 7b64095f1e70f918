"""The electrodes that the model does not understand, each with why and what to look at."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from models.forecast import Fitted
from models.histories import DAYS_A_YEAR, ROUTINE, Floats, Ints
from models.residual_checks import Residuals, residuals

# Where a person should look (common practice, no source).
WILD_SHARE, NOISE_TIMES, FAR_OFF, FALL = 0.34, 2.2, 5.0, np.log(1.45)
_LEAST_READINGS, _LEAST_FOR_A_FALL = 3, 6

NOT_UNDERSTOOD = {
    "electrode_id": pl.String,
    "site_id": pl.String,
    "soil_class": pl.String,
    "readings": pl.Int64,
    "noise_times": pl.Float64,
    "wild_share": pl.Float64,
    "farthest_z": pl.Float64,
    "farthest_on": pl.Date,
    "fall_pct": pl.Float64,
    "severity": pl.Float64,
    "why": pl.String,
    "look_at": pl.String,
}


@dataclass(frozen=True)
class _Signs:
    """What each electrode shows, (N,): readings in range, share of wild ones, noise in times its class's.

    farthest: leave-one-out residual of the reading farthest off; at: its index, -1 without. fall: how far the
    log level came down for good.
    """

    readings: Ints
    wild: Floats
    noise: Floats
    farthest: Floats
    at: Ints
    fall: Floats


def _signs(fit: Fitted, res: Residuals) -> _Signs:
    h, N = fit.histories, fit.histories.electrodes
    e = h.reading_electrode
    routine = h.kind == ROUTINE
    n = np.bincount(e, routine, minlength=N)
    used = routine & np.isfinite(res.z)
    square = np.bincount(e, np.where(used, res.square, 0.0), minlength=N)
    size = np.where(used, np.abs(np.nan_to_num(res.z)), 0.0)
    order = np.lexsort((-size, e))
    at = np.full(N, -1)
    has = np.flatnonzero(np.diff(h.reading_start) > 0)
    at[has] = order[h.reading_start[has]]
    farthest = np.where(at >= 0, np.nan_to_num(res.z)[np.maximum(at, 0)], 0.0) if e.size else np.zeros(N)
    return _Signs(
        n.astype(np.int64),
        np.bincount(e, fit.wild_p * routine, minlength=N) / np.maximum(n, 1),
        np.sqrt(square / np.maximum(np.bincount(e, used, minlength=N), 1)),
        farthest,
        at,
        _falls(fit, routine),
    )


def _falls(fit: Fitted, routine: npt.NDArray[np.bool_]) -> Floats:
    """Return (N,) by how much the last three readings lie below three earlier ones, medians, in logs.

    Season, district-year and the site's visits are taken off. A curve cannot come down again: works that
    nobody noted, another lead, another electrode can. Readings out of range have no say, as meters differ.
    """
    h = fit.histories
    site = h.electrode_site[h.reading_electrode]
    at = np.where(h.visit >= 0, h.visit_start[site] + h.visit, 0)
    visit = np.concatenate([m[1:] for m in fit.found.field_mean] or [np.zeros(0)])
    moved = np.where(h.visit >= 0, visit[at], 0.0) if visit.size else np.zeros(h.age.size)
    level = fit.prepared.resid - moved
    out, sound = np.zeros(h.electrodes), routine & (h.side == 0) & (fit.mended_p < 0.5)
    for i in np.flatnonzero(np.diff(h.reading_start) >= _LEAST_FOR_A_FALL):
        rows = np.arange(h.reading_start[i], h.reading_start[i + 1])
        rows = rows[sound[rows]]
        if rows.size < _LEAST_FOR_A_FALL:
            continue
        three = np.median(np.lib.stride_tricks.sliding_window_view(level[rows], 3), axis=1)
        out[i] = max(float(three[:-3].max() - three[-1]), 0.0)
    return out


def not_understood(fit: Fitted, state: Sequence[str]) -> pl.DataFrame:
    """Return not_understood: the electrodes that fit no curve, gravest first, each with why.

    state: (N,) the outlook's state; those that it calls not understood are all listed.
    """
    h, signs = fit.histories, _signs(fit, residuals(fit))
    rows = []
    for i in range(h.electrodes):
        why, look = _told(fit, signs, i)
        if state[i] != "not_understood" and not why:
            continue
        on = _day(float(h.year[signs.at[i]])) if signs.at[i] >= 0 else None
        rows.append({
            "electrode_id": h.electrode_id[i], "site_id": h.site_id[int(h.electrode_site[i])],
            "soil_class": h.soil[i], "readings": int(signs.readings[i]), "noise_times": float(signs.noise[i]),
            "wild_share": float(signs.wild[i]), "farthest_z": float(signs.farthest[i]), "farthest_on": on,
            "fall_pct": float(-100.0 * np.expm1(-signs.fall[i])), "severity": _severity(signs, i),
            "why": "; ".join(why) or "its readings follow none of the curves",
            "look_at": look or "the readings one by one, before acting on them",
        })  # fmt: skip
    frame = pl.DataFrame(rows, schema=NOT_UNDERSTOOD)
    return frame.sort("severity", "electrode_id", descending=[True, False])


def _severity(signs: _Signs, i: int) -> float:
    return float(
        max(
            signs.wild[i] / WILD_SHARE,
            signs.noise[i] / NOISE_TIMES,
            abs(signs.farthest[i]) / FAR_OFF,
            signs.fall[i] / FALL,
        )
    )


def _told(fit: Fitted, signs: _Signs, i: int) -> tuple[list[str], str]:
    """Say why electrode i is not understood, and what to look at first."""
    why: list[str] = []
    look = ""
    if not fit.settled[i]:
        why.append("the readings of its site pull the fit to and fro")
        look = "the site's visits: do all wells belong to it, were two meters mixed?"
    if signs.readings[i] < _LEAST_READINGS:
        return why, look
    if abs(signs.farthest[i]) > FAR_OFF:
        side = "above" if signs.farthest[i] > 0 else "below"
        on = _day(float(fit.histories.year[signs.at[i]]))
        why.append(f"the reading of {on} lies {abs(signs.farthest[i]):.0f} times its error {side} the others")
        look = "that reading's field sheet"
    if signs.noise[i] > NOISE_TIMES:
        why.append(f"it scatters {signs.noise[i]:.1f} times as much as its class")
        look = "whether always the same lead is clamped, and stray current in the well"
    if signs.wild[i] > WILD_SHARE:
        why.append(f"{signs.wild[i] * signs.readings[i]:.0f} of {signs.readings[i]} readings stand alone")
        look = "whether always the same lead is clamped, and stray current in the well"
    if signs.fall[i] > FALL:
        fall = -100.0 * np.expm1(-signs.fall[i])
        why.append(f"it came down by {fall:.0f} % and stayed, which corrosion does not")
        look = "works that nobody noted: a renewed rod, a remade joint, another lead in the well"
    return why, look


def _day(year: float) -> date:
    return date(int(year), 1, 1) + timedelta(days=round((year % 1.0) * DAYS_A_YEAR))
