"""The share of a class past its threshold: corrosion and steps summed onset by onset."""

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from models.class_curves import LAST_AGE, _past
from models.corrosion_curves import crossing_table, curve_grid
from models.histories import Floats
from models.step_hazard import StepModel
from models.steps_to_come import with_steps

AGES = np.arange(0.0, LAST_AGE + 1.0)
LOG_DOUBLE = float(np.log(2.0))
GRID = curve_grid()
AFTER = StepModel(break_rate=0.004, soil_factor={"clay": 1.5}, after_rate=0.03)


def _share(steps: StepModel, mass: Floats) -> Floats:
    fit: Any = SimpleNamespace(
        prepared=SimpleNamespace(grid=GRID), calibration=SimpleNamespace(steps=steps)
    )  # what is read of a fit
    return _past(fit, "clay", LOG_DOUBLE).share(mass.reshape(GRID.ceiling.size, -1))


@pytest.fixture(scope="module")
def mass() -> Floats:
    """Masses of some curves, as a class has them."""
    return np.random.default_rng(8).dirichlet(np.full(GRID.size, 0.02))


def test_steps_that_all_reach_the_threshold_leave_what_has_had_none(mass: Floats) -> None:
    steps = StepModel(break_rate=0.004, soil_factor={"clay": 1.5}, after_rate=0.03, open_share=1.0)
    none = steps.survived("clay", GRID.onset_years, AGES)
    whole = with_steps(crossing_table(GRID, LOG_DOUBLE, AGES), none, GRID)
    assert _share(steps, mass) == pytest.approx(mass @ whole, abs=1e-12)


def test_a_lesser_step_leaves_corrosion_the_less_to_do(mass: Floats) -> None:
    """Given one steady rate, onsets are alike: the mixture can be written with whole curves."""
    steady = StepModel(break_rate=0.02)
    alone, lowered = (
        1.0 - mass @ crossing_table(GRID, v, AGES)
        for v in (LOG_DOUBLE, LOG_DOUBLE - steady.lesser_jump(LOG_DOUBLE))
    )
    none = np.exp(-0.02 * AGES)
    left = none * alone + (1.0 - none) * (1.0 - float(steady.reaching(LOG_DOUBLE))) * lowered
    assert _share(steady, mass) == pytest.approx(1.0 - left, abs=1e-12)


def test_a_hazard_after_the_onset_hurts_those_that_began_early() -> None:
    early, late = np.zeros((2, *GRID.shape))
    at = np.searchsorted(GRID.onset_edges, [5.0, 40.0])
    early[0, at[0], 0] = late[0, at[1], 0] = 1.0
    steady = StepModel(break_rate=0.006)
    more = [_share(AFTER, m.ravel()) - _share(steady, m.ravel()) for m in (early, late)]
    assert more[0][30] > 0.1
    assert more[1][:40] == pytest.approx(0.0, abs=1e-12)
    assert (np.diff(_share(AFTER, early.ravel())) >= 0.0).all()
