"""Fleets drawn from a known calibration and fitted under it, for the tests of checks and next readings."""

from dataclasses import replace
from functools import cache

import numpy as np

from models.calibration import Calibration
from models.forecast import Fitted, fit_electrodes
from models.histories import Histories
from tests.recovery.own_model import Plan, draw_fleet, known_calibration

PLAN = Plan(sites=40, rods=(5, 8), years=(8, 14), limit_ohm=300.0)


@cache
def calibration() -> Calibration:
    """Return the calibration that is true of the drawn fleets."""
    return known_calibration()


def fitted(h: Histories, threshold: float = 2.0) -> Fitted:
    """Fit histories under the known calibration."""
    log_threshold = np.full(h.electrodes, np.log(threshold))
    return fit_electrodes(h, calibration(), log_threshold, np.random.default_rng(1))


@cache
def true_fleet() -> Histories:
    """Draw a fleet of which the calibration is true."""
    return draw_fleet(calibration(), np.random.default_rng(8), PLAN)[0]


@cache
def true_fit() -> Fitted:
    """Fit the fleet of which the calibration is true."""
    return fitted(true_fleet())


@cache
def noisy_fit() -> Fitted:
    """Fit a fleet whose meters scatter twice as much as the calibration knows."""
    twice = replace(calibration(), noise_sd=2.0 * calibration().noise_sd)
    return fitted(draw_fleet(twice, np.random.default_rng(8), PLAN)[0])


def every_other_site(h: Histories) -> np.ndarray:
    """Return (M,) true for readings of every other site."""
    return h.electrode_site[h.reading_electrode] % 2 == 0
