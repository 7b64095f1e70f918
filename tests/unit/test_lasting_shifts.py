"""A lasting shift of a whole site that nobody wrote down: found, dated, sized, not taken for corrosion."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from models.forecast import Fitted, fit_electrodes
from models.histories import Floats, Histories
from models.lasting_shifts import common_jumps, gap_evidence, with_shifts
from models.outlook import cdf_at
from tests.unit.small_histories import LOG_DOUBLE, own_calibration, own_fit, own_fleet, site_history

SHIFT_SD = 0.25
MOVED = {2: (6, 0.5), 7: (4, -0.45), 12: (7, 0.4)}  # site: first visit after the shift, its size


def _fit(h: Histories) -> Fitted:
    return fit_electrodes(h, own_calibration(), np.full(h.electrodes, LOG_DOUBLE), np.random.default_rng(1))


@cache
def _moved_fit() -> Fitted:
    """Fit the shared fleet with three of its sites shifted for good at a date that no works record has."""
    h = own_fleet()[0]
    site = h.electrode_site[h.reading_electrode]
    y = h.log_ohm.copy()
    for s, (k, size) in MOVED.items():
        y[(site == s) & (h.visit >= k)] += size
    return _fit(replace(h, log_ohm=y))


def test_the_evidence_is_that_of_the_readings_themselves() -> None:
    rng = np.random.default_rng(4)
    T, n = 6, 20
    t = np.arange(T, dtype=float)
    prior = np.diag(np.r_[0.1, np.zeros(T)])
    prior[1:, 1:] = 0.01 * np.exp(-np.abs(t[:, None] - t))
    visit = rng.integers(0, T, n)
    H = np.zeros((n, T + 1))
    H[:, 0] = 1.0
    H[np.arange(n), 1 + visit] = 1.0
    y = rng.normal(0, 0.3, n) + 0.4 * (visit >= 3)
    noise = 0.02 * np.eye(n)
    cov = np.linalg.inv(np.linalg.inv(prior) + H.T @ np.linalg.inv(noise) @ H)
    mean = cov @ H.T @ np.linalg.inv(noise) @ y
    log_bf, size, sd = gap_evidence(np.linalg.inv(prior), mean, cov, SHIFT_SD)
    plain = H @ prior @ H.T + noise
    for k in range(1, T):
        a = (visit >= k).astype(float)
        shifted = plain + SHIFT_SD**2 * np.outer(a, a)
        exact = multivariate_normal(cov=shifted).logpdf(y) - multivariate_normal(cov=plain).logpdf(y)
        assert log_bf[k - 1] == pytest.approx(exact, abs=1e-8)
        gain = SHIFT_SD**2 * a @ np.linalg.inv(shifted)
        assert size[k - 1] == pytest.approx(gain @ y, abs=1e-8)
        assert sd[k - 1] ** 2 == pytest.approx(SHIFT_SD**2 * (1 - gain @ a), abs=1e-8)


def test_visits_that_wander_are_no_shifts() -> None:
    assert list(own_fit().shifts) == []


def test_shifts_are_found_dated_and_sized() -> None:
    fit = _moved_fit()
    h = fit.histories
    found = {x.site: x for x in fit.shifts}
    assert sorted(found) == sorted(MOVED)
    for s, (k, size) in MOVED.items():
        t = h.visit_year[h.visit_start[s] : h.visit_start[s + 1]]
        assert t[k - 1] < found[s].year < t[k]
        assert found[s].size_log == pytest.approx(size, abs=0.2)
        assert found[s].size_log == pytest.approx(size, abs=3.5 * found[s].size_sd_log)
        assert found[s].probability > 0.9


def _p_past(fit: Fitted, s: int) -> float:
    h = fit.histories
    e = slice(int(h.site_start[s]), int(h.site_start[s + 1]))
    return float(cdf_at(fit.crossing.cdf, h.age_now)[e].mean())


def test_a_shift_that_is_let_go_is_not_counted_as_corrosion() -> None:
    moved = _moved_fit()
    assert all(moved.histories.shifts[x.site] == (x.year,) for x in moved.shifts)
    # with the date on record there is nothing left to ask
    assert not [x for x in _fit(moved.histories).shifts if x.site in MOVED]
    for s in MOVED:
        assert _p_past(moved, s) == pytest.approx(_p_past(own_fit(), s), abs=0.15)


def _corroding(onset_spread: float, growth_spread: float) -> tuple[Fitted, list[int], float]:
    """Let all rods of four sites in sand, where hardly any corrodes, begin about the same day.

    Returns the fit, the sites, and the share of their rods that are past a doubling of it by now, by more
    than one visit may hide.
    """
    h = own_fleet()[0]
    rng = np.random.default_rng(6)
    site = h.electrode_site[h.reading_electrode]
    sand = [s for s in range(h.sites) if h.soil[h.site_start[s]] == "sand"][:4]
    y: Floats = h.log_ohm.copy()
    began = rng.normal(0.0, onset_spread, h.electrodes)
    growth = 0.2 * np.exp(growth_spread * rng.normal(size=h.electrodes))
    for s in sand:
        r = site == s
        since = h.year - (h.visit_year[h.visit_start[s] + 3] + began[h.reading_electrode])
        y[r] += np.clip(growth[h.reading_electrode] * since, 0.0, 1.4)[r]
    began += np.array([h.visit_year[h.visit_start[s] + 3] for s in h.electrode_site])
    now = growth * np.minimum(2026.0 - began, 1.4 / growth)
    past = (now > LOG_DOUBLE + 0.1)[np.isin(h.electrode_site, sand)]
    return _fit(replace(h, log_ohm=y)), sand, float(past.mean())


@pytest.mark.parametrize("onset_spread", [1.0, 3.0])
def test_rods_that_corrode_together_are_not_a_shift(onset_spread: float) -> None:
    fit, sand, past = _corroding(onset_spread, 0.3)
    assert not [x for x in fit.shifts if x.site in sand]
    assert past > 0.7
    assert np.mean([_p_past(fit, s) for s in sand]) > past - 0.1


def test_a_question_asked_in_vain_does_not_swallow_the_corrosion() -> None:
    # rods like one rod, to the day: a wet visit before a dry one then looks like a shift, and is asked about
    fit, sand, _ = _corroding(0.0, 0.0)
    h = fit.histories
    asked = {s: float(h.visit_year[h.visit_start[s] + 8]) + 0.5 for s in sand}
    known = _fit(with_shifts(h, asked))
    assert min(_p_past(known, s) for s in sand) > 0.7


def test_a_common_jump_is_the_median_rods_beyond_the_usual_gaps() -> None:
    years = [2010.0, 2011.0, 2012.0, 2013.0]
    rods = [[0.0, 0.1, 0.6, 0.8], [0.0, 0.2, 0.9, 0.9], [0.0, 0.0, 0.5, 5.0]]
    h = site_history(
        [[5.0, 6.0, 7.0, 8.0]] * 3, rods, years, [range(4)] * 3, [[0] * 4, [0] * 4, [0, 0, 0, 1]]
    )
    # two visits after less two before, by rod: 0.35, 0.65, 0.45; 0.55, 0.8, 0.35; 0.25, 0.5, none
    rise = np.array([0.35, 0.65, 0.40])
    assert common_jumps(h, h.log_ohm, 0) == pytest.approx(rise - 0.40)


def test_dates_are_added_in_order() -> None:
    h = own_fleet()[0].sample_sites(np.arange(3))
    h = replace(h, shifts=((2019.5,), (), ()))
    assert with_shifts(h, {0: 2017.2, 2: 2020.0}).shifts == ((2017.2, 2019.5), (), (2020.0,))


def test_other_sites_take_away_what_they_brought() -> None:
    fit = _moved_fit()
    alone = own_fit().histories.sample_sites(np.array([3, 4]))
    beside = _fit(alone)
    h = fit.histories
    for i, s in enumerate((3, 4)):
        theirs = slice(int(h.site_start[s]), int(h.site_start[s + 1]))
        ours = slice(int(alone.site_start[i]), int(alone.site_start[i + 1]))
        assert fit.crossing.cdf[theirs] == pytest.approx(beside.crossing.cdf[ours], abs=1e-5)
        assert fit.posterior.p_broken[theirs] == pytest.approx(beside.posterior.p_broken[ours], abs=1e-5)
    steps = fit.structures
    assert steps.start[-1] == steps.breaks.size == steps.wilds.shape[0] == steps.log_prior.size
    assert (np.diff(steps.start) >= 1).all()
    length = np.diff(h.reading_start)[steps.electrode]
    assert (steps.breaks < length).all()
    assert (steps.wilds < length[:, None]).all()
