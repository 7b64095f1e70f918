"""The likelihood of one history on the grid of curves, against densities written out point by point."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import trapezoid
from scipy.special import logsumexp
from scipy.stats import norm

from models.corrosion_curves import Floats, log_ratio
from models.history_grid import curve_bends, curve_loglik, inverse_spd, log_normal_cdf, whole_grid

ONSET = np.array([0.5, 6.0, 11.0, 11.5, 40.0])
GROWTH = np.array([0.02, 0.1, 0.35, 2.0])
# prefix sums of squared ages lose a few digits by cancellation, no more
ABSOLUTE, RELATIVE = 1e-7, 1e-9
LIMIT_AND_STEP = 0.02
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
    step: Floats | None = None, jump: tuple[float, float] = (0.0, 1.0),
) -> Floats:  # fmt: skip
    n = age.size
    step = np.zeros(0) if step is None else step
    link = np.zeros(n) if link is None else link
    precision, logdet, good = inverse_spd(s)
    assert good
    sd = np.sqrt(own - link @ precision @ link) if side else 1.0
    centres, sds = np.array([0.01, ceiling]), np.array([SHARP, ceiling_sd])
    out = np.full((2, ONSET.size * GROWTH.size), np.nan)
    last_age = max([*age, limit_age if side else 0.0])
    cells = whole_grid(last_age, ONSET, GROWTH)
    begun, bends = cells[0].size, curve_bends(age, cells, GROWTH, centres)
    later = curve_loglik(
        age, y, precision, logdet, cells, GROWTH, centres, sds, bends, out, side, limit_age, gap, link,
        float(sd), step, jump[0], jump[1] ** 2,
    )  # fmt: skip
    assert np.isnan(out[:, begun * GROWTH.size :]).all()
    assert (ONSET[begun:] >= last_age).all()
    out[:, begun * GROWTH.size :] = later
    return out[1].reshape(ONSET.size, GROWTH.size)


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


@pytest.mark.parametrize("ceiling_sd", [SHARP, 0.3])
@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("limit_age", [3.0, 11.2, 44.0])
def test_a_reading_out_of_range_is_a_tail_given_the_others(
    side: int, limit_age: float, ceiling_sd: float
) -> None:
    rng = np.random.default_rng(8)
    n = 5
    age = np.sort(rng.uniform(0.0, 45.0, n))
    full, y, gap = _covariance(rng, n + 1), rng.normal(0.4, 0.6, n), 0.8
    got = _on_the_grid(
        age, y, full[:n, :n], 0.9, side, limit_age, gap, full[:n, n].copy(), full[n, n], ceiling_sd
    )
    every = np.append(age, limit_age)
    for t, tau in enumerate(ONSET):
        for r, rate in enumerate(GROWTH):
            h = log_ratio(every, np.array(tau), np.array(rate), 0.9)
            u = _at_ceiling(every, tau, rate, 0.9)
            joint = full + ceiling_sd**2 * np.outer(u, u)
            s, link, own = joint[:n, :n], joint[:n, n], joint[n, n]
            centre = h[n] + link @ np.linalg.solve(s, y - h[:n])
            spread = np.sqrt(own - link @ np.linalg.solve(s, link))
            beyond = norm.logsf(gap, centre, spread) if side > 0 else norm.logcdf(gap, centre, spread)
            assert got[t, r] == pytest.approx(_density(y - h[:n], s) + beyond, abs=1e-6)


def _over_the_jump(
    y: Floats, s: Floats, step: Floats, jump: tuple[float, float], beyond: Callable[[Floats], Floats] | None
) -> float:
    """Integrate the density of readings over a jump that goes up, by a sum over its size.

    y: (n,) readings less the curve; s: (n, n) their covariance without the jump. beyond: the log of a further
    factor at each size (J,), such as the chance that a reading after the step is out of range.
    """
    precision = np.linalg.inv(s)
    # readings may pin the jump to a few hundredths: centre the sum where they put it
    flat = step @ precision @ step + jump[1] ** -2
    at = (step @ precision @ y + jump[0] / jump[1] ** 2) / flat
    size = np.linspace(max(at - 9.0 / np.sqrt(flat), 0.0), max(at, 0.0) + 9.0 / np.sqrt(flat), 8001)
    gap = y[:, None] - step[:, None] * size
    logp = -0.5 * (np.einsum("ij,ik,kj->j", gap, precision, gap) + np.linalg.slogdet(s)[1])
    logp = logp + norm.logpdf(size, *jump) - norm.logcdf(jump[0] / jump[1])
    logp = logp if beyond is None else logp + beyond(size)
    return float(np.log(trapezoid(np.exp(logp - logp.max()), size)) + logp.max())


@pytest.mark.parametrize("ceiling_sd", [SHARP, 0.3])
@pytest.mark.parametrize("jump", [(0.9, 0.5), (4.0, 1.5), (-0.5, 0.4)])
@pytest.mark.parametrize("first", [0, 3, 5])
def test_a_step_goes_up_and_is_integrated_out(
    first: int, jump: tuple[float, float], ceiling_sd: float
) -> None:
    rng = np.random.default_rng(3)
    n = 6
    age = np.sort(rng.uniform(0.0, 45.0, n))
    s, y = _covariance(rng, n), rng.normal(0.4, 0.6, n)
    step = (np.arange(n) >= first).astype(float)
    with_jump = s + jump[1] ** 2 * np.outer(step, step)
    got = _on_the_grid(age, y - jump[0] * step, with_jump, 0.9, ceiling_sd=ceiling_sd, step=step, jump=jump)
    for t, tau in enumerate(ONSET):
        for r, rate in enumerate(GROWTH):
            h = log_ratio(age, np.array(tau), np.array(rate), 0.9)
            u = _at_ceiling(age, tau, rate, 0.9)
            want = _over_the_jump(y - h, s + ceiling_sd**2 * np.outer(u, u), step, jump, None)
            assert got[t, r] == pytest.approx(want, abs=2e-5)


@pytest.mark.parametrize("after", [1, 3])
def test_a_limit_after_a_step_that_was_read_knows_its_size(after: int) -> None:
    rng = np.random.default_rng(11)
    n, jump = 6, (0.9, 0.5)
    age = np.sort(rng.uniform(0.0, 45.0, n))
    full = np.full((n + 1, n + 1), 0.05) + np.diag(np.full(n + 1, 0.01))
    step = (np.arange(n + 1) >= n - after).astype(float)
    y = rng.normal(0.2, 0.1, n) + 0.8 * step[:n]
    joint = full + jump[1] ** 2 * np.outer(step, step)
    mean = jump[0] * step
    got = _on_the_grid(
        age, y - mean[:n], joint[:n, :n], 0.9, 1, 46.0, 1.4 - mean[n], joint[:n, n].copy(), joint[n, n],
        step=step[:n].copy(), jump=jump,
    )  # fmt: skip
    s, link = full[:n, :n], np.linalg.solve(full[:n, :n], full[:n, n])
    spread = np.sqrt(full[n, n] - full[:n, n] @ link)
    want = np.empty(got.shape)
    for t, tau in enumerate(ONSET):
        for r, rate in enumerate(GROWTH):
            h = log_ratio(np.append(age, 46.0), np.array(tau), np.array(rate), 0.9)
            free = y - h[:n]

            def beyond(size: Floats, h: Floats = h, free: Floats = free) -> Floats:
                centre = h[n] + link @ free + size * (1.0 - link @ step[:n])
                return np.asarray(norm.logsf(1.4, centre, spread))

            want[t, r] = _over_the_jump(free, s, step[:n], jump, beyond)
    # step and limit are weighed one after the other: exact where the jump is clearly up, as it is where
    # mass lies
    assert logsumexp(got) == pytest.approx(logsumexp(want), abs=LIMIT_AND_STEP)
    assert np.exp(got - logsumexp(got)) == pytest.approx(np.exp(want - logsumexp(want)), abs=LIMIT_AND_STEP)


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
