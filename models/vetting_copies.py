"""Digits that repeat those of the visit before: chance, or a sheet that was copied instead of read.

Soil moves every reading a little. How often the same digits come by chance hangs on the step of the meter's
display beside the electrode's own scatter: 53 again on a meter of whole ohms is no wonder, 25.31 is.
"""

from __future__ import annotations

import numpy as np

from models.vetting_history import Bools, Days, Floats, Ints

# What has to be overcome: how rarely a sheet, a single value, or a value year after year is copied (common
# practice, no source), and how much more likely than not it then has to be (log).
SHEET_PRIOR, READING_PRIOR, RUN_PRIOR = 0.001, 0.0005, 0.0002
MORE_LIKELY = 1.0
NOT_COPIED_SHARE = 0.05  # of the lines of a copied sheet, those that were read all the same


def _chance(d: Days, step_log: Floats, off: Floats | float) -> Floats:
    """Return (D,) the chance of landing on the one step of the display that shows the last digits."""
    sd = d.sd if isinstance(off, np.ndarray) else d.sd * np.sqrt(2.0)
    density = np.exp(-0.5 * (off / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    return np.asarray(np.clip(step_log * density, 1e-12, 1.0))


def copied(d: Days, same: Bools, has_last: Bools, step_log: Floats) -> tuple[Bools, Bools]:
    """Tell (D,) which values were likely copied with their whole sheet, and which by themselves.

    same: the digits of the electrode's day before. has_last: there is such a day. step_log: the display's
    step over the value.
    """
    usual = np.log(_chance(d, step_log, 0.0))
    return _sheets(d, same, has_last, usual), _singles(d, same, step_log) | _runs(d.electrode, same, usual)


def _sheets(d: Days, same: Bools, has_last: Bools, usual: Floats) -> Bools:
    if not d.visit.size:
        return same
    odds = np.where(same, -usual, np.log(NOT_COPIED_SHARE)) * has_last
    total = np.bincount(d.visit, odds)
    lines = np.bincount(d.visit, same)
    whole = (total + np.log(SHEET_PRIOR) > MORE_LIKELY) & (lines >= 2)
    return same & whole[d.visit]


def _singles(d: Days, same: Bools, step_log: Floats) -> Bools:
    """Tell which stand still by themselves where the visit moved so far that standing still is odd."""
    off = np.nan_to_num(d.off)
    odds = -np.log(_chance(d, step_log, off)) + np.log(READING_PRIOR)
    known = np.isfinite(d.off) & (np.abs(off) < 1.0) & (d.moved != 0.0)
    return same & known & (odds > MORE_LIKELY)


def _runs(electrode: Ints, same: Bools, usual: Floats) -> Bools:
    if not electrode.size:
        return same
    run = np.cumsum(~same)
    odds = np.bincount(run, np.where(same, -usual, 0.0))
    lines = np.bincount(run, same)
    return same & ((odds + np.log(RUN_PRIOR) > MORE_LIKELY) & (lines >= 2))[run]
