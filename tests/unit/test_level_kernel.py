"""The compiled levels against the draws written out: the same medians, spreads and bands, but for chance."""

from dataclasses import replace

import numpy as np
import pytest

from models.forecast import Fitted, draws_of, fit_electrodes
from models.histories import Floats
from models.level_kernel import LevelSummary, Seeds, electrode_seeds, known_levels, level_summary
from models.outlook import LevelDraws, _known_level
from tests.unit.small_histories import LOG_DOUBLE, own_calibration, own_fit, site_history

MANY = 20_000
# Of the spread of the draws: a median of so many has a standard error of 1.25 / sqrt(MANY) = 0.009 of it, the
# picks on the grid are the same for both, and jitter within a cell of growth or onset is no normal.
WITHIN = 0.04


def _known(fit: Fitted) -> Floats:
    h, cal = fit.histories, fit.calibration
    found = known_levels(h, cal)
    assert found == pytest.approx([_known_level(h, cal, i) for i in range(h.electrodes)], rel=1e-12)
    return found


def _summary(fit: Fitted, seeds: Seeds, ages: Floats | None = None, draws: int = 160) -> LevelSummary:
    steps = fit.crossing.steps
    return level_summary(
        fit.histories, fit.prepared, fit.found, fit.posterior, steps, _known(fit), seeds, ages, draws
    )


def _assert_as_drawn(fit: Fitted, i: int, found: LevelSummary, ages: Floats) -> None:
    drawn: LevelDraws = draws_of(fit, i, np.random.default_rng(3), MANY)
    now = drawn.log_ratio_at(fit.histories.age_now[[i]])[:, 0]
    spread = drawn.base.std()
    assert found.base_sd[i] == pytest.approx(spread, rel=WITHIN)
    assert found.base[i] == pytest.approx(np.median(drawn.base), abs=WITHIN * spread)
    # A ratio of exactly one by half the draws and rising beyond has a median that chance moves further.
    assert found.ratio[i] == pytest.approx(np.median(now), abs=WITHIN * max(now.std(), spread))
    level = drawn.base + now
    assert found.level[i] == pytest.approx(np.median(level), abs=WITHIN * level.std())
    curves = drawn.log_ohm_at(ages[i])
    for b, at in enumerate(curves.T):
        below = (at[:, None] <= found.band[i, b]).mean(axis=0)
        assert below == pytest.approx([0.05, 0.5, 0.95], abs=0.5 * WITHIN)


def _ages(fit: Fitted) -> Floats:
    return fit.histories.age_now[:, None] + np.array([-5.0, 0.0, 10.0])


def test_medians_spreads_and_bands_are_those_of_the_draws() -> None:
    fit = own_fit()
    ages = _ages(fit)
    seeds = electrode_seeds(fit.histories.electrode_id, 7)
    found = _summary(fit, seeds, ages, MANY)
    for i in range(0, fit.histories.electrodes, fit.histories.electrodes // 8):
        _assert_as_drawn(fit, i, found, ages)


def _stepped() -> Fitted:
    """Fit a site of which one rod made a step, one lies on its ceiling, and one was never read."""
    years = np.arange(2005.0, 2021.0)
    age = [list(years - 1996.0), list(years - 1996.0), []]
    wave = 0.03 * np.sin(11.0 * years)
    log_ohm = [
        list(3.0 + wave + 1.2 * (years > 2013.0)),
        list(3.0 - wave + np.minimum(0.4 * (years - 2005), 1.7)),
        [],
    ]
    visit = [list(range(years.size))] * 2 + [[]]
    h = site_history(age, log_ohm, list(years), visit, log_formula=3.0)  # type: ignore[arg-type]
    h = replace(h, soil=own_calibration().soils[:1] * 3, material=own_calibration().materials[:1] * 3)
    return fit_electrodes(h, own_calibration(), np.full(3, LOG_DOUBLE), np.random.default_rng(1))


def test_steps_ceilings_and_a_rod_without_readings() -> None:
    fit = _stepped()
    assert fit.posterior.p_broken[0] > 0.9
    assert len(fit.crossing.steps[0]) >= 1
    ages = _ages(fit)
    found = _summary(fit, electrode_seeds(fit.histories.electrode_id, 7), ages, MANY)
    for i in range(3):
        _assert_as_drawn(fit, i, found, ages)
    assert found.ratio[0] == pytest.approx(1.2, abs=0.25)


def test_an_electrode_draws_the_same_whoever_stands_beside_it() -> None:
    fit = own_fit()
    N = fit.histories.electrodes
    seeds = electrode_seeds(fit.histories.electrode_id, 7)
    whole = _summary(fit, seeds)
    again = _summary(fit, seeds)
    assert np.array_equal(whole.level, again.level)
    other = seeds.copy()
    other[1:] = electrode_seeds([f"other-{i}" for i in range(N - 1)], 7)
    changed = _summary(fit, other)
    assert changed.level[0] == whole.level[0]
    assert not np.array_equal(changed.level[1:], whole.level[1:])


def test_seeds_are_of_the_name_and_the_runs_seed() -> None:
    # FNV-1a of "a" from the published table of the algorithm (Fowler, Noll, Vo).
    assert electrode_seeds(["a", ""], 0).tolist() == [0xAF63DC4C8601EC8C, 0xCBF29CE484222325]
    assert electrode_seeds(["E-1", "E-2"], 1)[1] == electrode_seeds(["E-2"], 1)[0]
    assert electrode_seeds(["E-1"], 1) != electrode_seeds(["E-1"], 2)
    assert electrode_seeds([], 1).size == 0
