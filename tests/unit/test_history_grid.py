"""The likelihood of one history on the grid of curves, against densities written out point by point."""

import numpy as np
import pytest
from scipy.stats import norm

from models.corrosion_curves import Floats, log_ratio
from models.history_grid import curve_loglik, inverse_spd, log_normal_cdf

ONSET = np.array([0.5, 6.0, 11.0, 11.5, 40.0])
GROWTH = np.array([0.02, 0.1, 0.35, 2.0])
# prefix sums of squared ages lose a few digits by cancellation, no more
ABSOLUTE, RELATIVE = 1e-7, 1e-9
SHARP = 1e-6  # spread of a ceiling that is as good as known


def _covariance(rng: np.random.Generator, n: int) -> Floats:
    a = rng.normal(size=(n, n))
    return 0.05 * a @ a.T + 0.09 + np.diag(rng.uniform(0.004, 0.02, n))


def _density(y: Floats, s: Floats) -> float:
    """Return the log density without its power of two pi, by numpy alone."""
    return -0.5 * float(y @ np.linalg.solve(s, y) + np.linalg.slogdet(s)[1]) if y.size else 0.0


def _on_the_grid(
    age: Floats, y: Floats, s: Floats, ceiling: float, side: int = 0, limit_age: float = 0.0,
    gap: float = 0.0, link: Floats | None = None, own: float = 1.0, ceiling_sd: float = SHARP,
) -> Floats:  # fmt: skip
    n = age.size
    link = np.zeros(n) if link is None else link
    precision, logdet, good = inverse_spd(s)
    assert good
    sd = np.sqrt(own - link @ precision @ link) if side else 1.0
    centres, sds = np.array([9.0, ceiling]), np.array([SHARP, ceiling_sd])
    out = np.full(2 * ONSET.size * GROWTH.size, np.nan)
    curve_loglik(
        age, y, precision, logdet, ONSET, GROWTH, centres, sds, out, side, limit_age, gap, link, float(sd)
    )
    return out.reshape(2, ONSET.size, GROWTH.size)[1]


def _at_ceiling(age: Floats, tau: float, rate: float, ceiling: float) -> Floats:
    return (age > tau + ceiling / rate).astype(float)


@pytest.mark.parametrize("ceiling", [0.05, 0.9, 1.6])
@pytest.mark.parametrize("n", [1, 2, 9])
def test_readings_at_the_ceiling_share_its_own_deviation(n: int, ceiling: float) -> None:
    rng = np.random.default_rng(n)
    age = np.sort(rng.uniform(0.0, 45.0, n))
    s, y = _covariance(rng, n), rng.normal(0.4, 0.6, n)
    got = _on_the_grid(age, y, s, ceiling, ceiling_sd=0.25)
    for t, tau in enumerate(ONSET):
        for r, rate in enumerate(GROWTH):
            h = log_ratio(age, np.array(tau), np.array(rate), ceiling)
            u = _at_ceiling(age, tau, rate, ceiling)
            assert got[t, r] == pytest.approx(_density(y - h, s + 0.25**2 * np.outer(u, u)), abs=ABSOLUTE)


@pytest.mark.parametrize("ceiling", [0.05, 0.9, 1.6, 50.0])
@pytest.mark.parametrize("n", [1, 2, 9])
def test_each_grid_point_is_a_normal_density(n: int, ceiling: float) -> None:
    rng = np.random.default_rng(n)
    age = np.sort(rng.uniform(0.0, 45.0, n))
    s, y = _covariance(rng, n), rng.normal(0.4, 0.6, n)
    got = _on_the_grid(age, y, s, ceiling)
    for t, tau in enumerate(ONSET):
        for r, rate in enumerate(GROWTH):
            h = log_ratio(age, np.array(tau), np.array(rate), ceiling)
            assert got[t, r] == pytest.approx(_density(y - h, s), rel=RELATIVE, abs=ABSOLUTE)


def test_repeated_ages_and_ages_on_an_onset_are_counted_once_each() -> None:
    rng = np.random.default_rng(4)
    age = np.array([6.0, 6.0, 11.0, 11.0, 11.0, 16.0])
    s, y = _covariance(rng, 6), rng.normal(0.2, 0.4, 6)
    got = _on_the_grid(age, y, s, 1.0)
    for t, tau in enumerate(ONSET):
        for r, rate in enumerate(GROWTH):
            h = log_ratio(age, np.array(tau), np.array(rate), 1.0)
            assert got[t, r] == pytest.approx(_density(y - h, s), rel=RELATIVE, abs=ABSOLUTE)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("limit_age", [3.0, 11.2, 44.0])
def test_a_reading_out_of_range_is_a_tail_given_the_others(side: int, limit_age: float) -> None:
    rng = np.random.default_rng(8)
    n = 5
    age = np.sort(rng.uniform(0.0, 45.0, n))
    full, y, gap = _covariance(rng, n + 1), rng.normal(0.4, 0.6, n), 0.8
    s, link, own = full[:n, :n], full[:n, n], full[n, n]
    got = _on_the_grid(age, y, s, 0.9, side, limit_age, gap, link.copy(), own)
    for t, tau in enumerate(ONSET):
        for r, rate in enumerate(GROWTH):
            h = log_ratio(np.append(age, limit_age), np.array(tau), np.array(rate), 0.9)
            centre = h[n] + link @ np.linalg.solve(s, y - h[:n])
            spread = np.sqrt(own - link @ np.linalg.solve(s, link))
            beyond = norm.logsf(gap, centre, spread) if side > 0 else norm.logcdf(gap, centre, spread)
            assert got[t, r] == pytest.approx(_density(y - h[:n], s) + beyond, abs=1e-6)


@pytest.mark.xfail(strict=True, reason="a limit at the ceiling is given the ceiling's centre, not its spread")
def test_a_limit_at_a_ceiling_that_is_not_known_has_its_spread() -> None:
    none = np.zeros(0)
    got = _on_the_grid(none, none, np.zeros((0, 0)), 0.9, 1, 30.0, 1.2, none, 0.05, ceiling_sd=0.3)
    t, r = 1, 2
    assert ONSET[t] + 0.9 / GROWTH[r] < 30.0
    assert got[t, r] == pytest.approx(norm.logcdf((0.9 - 1.2) / np.sqrt(0.05 + 0.3**2)))


def test_a_history_of_nothing_but_a_limit() -> None:
    none = np.zeros(0)
    got = _on_the_grid(none, none, np.zeros((0, 0)), 0.9, 1, 20.0, 1.2, none, 0.5)
    h = log_ratio(np.array(20.0), ONSET[:, None], GROWTH[None, :], 0.9)
    assert got == pytest.approx(norm.logcdf((h - 1.2) / np.sqrt(0.5)))


def test_a_history_of_nothing_says_nothing() -> None:
    none = np.zeros(0)
    assert (_on_the_grid(none, none, np.zeros((0, 0)), 0.9) == 0.0).all()


def test_the_log_of_the_normal_tail_over_the_whole_line() -> None:
    x = np.concatenate([-np.geomspace(1e3, 1e-3, 400), np.linspace(0.0, 8.0, 100), [-8.0, -8.0 + 1e-9]])
    got = np.array([log_normal_cdf(v) for v in x])
    assert got == pytest.approx(norm.logcdf(x), rel=1e-6, abs=1e-14)
    assert (np.diff(got[:500]) >= 0).all()


def test_the_inverse_and_the_determinant() -> None:
    for n in (1, 3, 12):
        s = _covariance(np.random.default_rng(n), n)
        inverse, logdet, good = inverse_spd(s)
        assert good
        assert inverse == pytest.approx(np.linalg.inv(s), rel=1e-8, abs=1e-8)
        assert logdet == pytest.approx(np.linalg.slogdet(s)[1], rel=1e-10)


@pytest.mark.parametrize("bad", [np.diag([1.0, -1.0]), np.ones((2, 2)), np.full((2, 2), np.nan)])
def test_what_is_not_positive_definite_is_reported(bad: Floats) -> None:
    assert not inverse_spd(bad)[2]
