"""The accelerating family against densities written out point by point, and moments against plain sums."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import trapezoid
from scipy.special import log_ndtr, ndtr

from models.accelerating_kernel import (
    accelerating_heights,
    accelerating_loglik,
    accelerating_moments,
    add_accelerating_reaching,
    risen_to,
    years_to,
)
from models.corrosion_curves import Floats
from models.history_grid import inverse_spd, whole_grid

ONSET = np.array([0.5, 6.0, 11.0, 11.5, 40.0])
GROWTH = np.array([0.02, 0.1, 0.35, 2.0])
CEILINGS, CEILING_SD = np.array([0.05, 0.9, 1.6]), np.array([0.01, 0.25, 0.3])
SINGLE = 3e-4  # logarithms of the share left are taken in single precision
WITH_LIMIT = 0.02  # a limit does not tell of the ceiling's own deviation


Cells = tuple[Floats, npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]


def _some_of(cells: Cells) -> tuple[Cells, npt.NDArray[np.int64]]:
    """Return some of the whole grid's cells, and where they stand in it."""
    rows = np.flatnonzero(np.arange(cells[0].size) != 1)
    low, high = np.arange(rows.size) % 3, np.array([4, 3, 3, 4])[: rows.size]
    at = np.concatenate([[0], np.cumsum(high - low)])
    places = [row * GROWTH.size + np.arange(a, b) for row, a, b in zip(rows, low, high, strict=True)]
    return (cells[0][rows], low, high, at), np.concatenate([np.zeros(0, np.int64), *places])


def _covariance(rng: np.random.Generator, n: int) -> Floats:
    a = rng.normal(size=(n, n))
    return 0.05 * a @ a.T + 0.09 + np.diag(rng.uniform(0.004, 0.02, n))


def _curve(age: Floats, tau: float, rate: float, ceiling: float) -> Floats:
    """Return the log ratio where length is lost at a constant rate and doubles in ln2 / rate years."""
    left = 1.0 - rate * np.maximum(age - tau, 0.0) / (2.0 * np.log(2.0))
    return np.where(left > np.exp(-ceiling), -np.log(np.maximum(left, 1e-12)), ceiling)


def _on_ceiling(age: Floats, tau: float, rate: float, ceiling: float) -> Floats:
    left = 1.0 - rate * np.maximum(age - tau, 0.0) / (2.0 * np.log(2.0))
    return (left < np.exp(-ceiling)).astype(float)


def _log_density(gap: Floats, s: Floats) -> float:
    return -0.5 * float(gap @ np.linalg.solve(s, gap) + np.linalg.slogdet(s)[1]) if gap.size else 0.0


def _filled(
    age: Floats, y: Floats, s: Floats, side: int = 0, limit_age: float = 0.0, gap: float = 0.0,
    link: Floats | None = None, own: float = 1.0, step: Floats | None = None,
    jump: tuple[float, float] = (0.0, 1.0),
) -> Floats:  # fmt: skip
    n = age.size
    step = np.zeros(0) if step is None else step
    link = np.zeros(n) if link is None else link
    precision, logdet, good = inverse_spd(s)
    assert good
    sd = np.sqrt(own - link @ precision @ link) if side else 1.0
    out = np.full((CEILINGS.size, ONSET.size * GROWTH.size), np.nan, np.float32)
    last_age = max([*age, limit_age if side else 0.0])

    def fill(cells: Cells, out: npt.NDArray[np.float32]) -> float:
        return float(accelerating_loglik(
            age, y, precision, logdet, cells, GROWTH, CEILINGS, CEILING_SD, out, side, limit_age, gap, link,
            float(sd), step, jump[0], jump[1] ** 2, accelerating_heights(age, cells, GROWTH, CEILINGS),
        ))  # fmt: skip

    cells = whole_grid(last_age, ONSET, GROWTH)
    begun = cells[0].size
    later = fill(cells, out)
    assert np.isnan(out[:, begun * GROWTH.size :]).all()
    assert (ONSET[begun:] >= last_age).all()
    some, (few, places) = np.full_like(out, np.nan), _some_of(cells)
    assert fill(few, some) == later
    assert np.isnan(some[:, places.size :]).all()
    assert (some[:, : places.size] == out[:, places]).all()
    out[:, begun * GROWTH.size :] = later
    return out.reshape(CEILINGS.size, ONSET.size, GROWTH.size)


def _points() -> list[tuple[int, int, int]]:
    return [(c, t, r) for c in range(CEILINGS.size) for t in range(ONSET.size) for r in range(GROWTH.size)]


@pytest.mark.parametrize("n", [0, 1, 2, 9])
def test_each_point_is_a_normal_density_with_the_ceilings_own_deviation(n: int) -> None:
    rng = np.random.default_rng(n)
    age = np.sort(rng.uniform(0.0, 45.0, n))
    s, y = _covariance(rng, n), rng.normal(0.4, 0.6, n)
    got = _filled(age, y, s)
    for c, t, r in _points():
        at = (age, ONSET[t], GROWTH[r], CEILINGS[c])
        u = _on_ceiling(*at)
        want = _log_density(y - _curve(*at), s + CEILING_SD[c] ** 2 * np.outer(u, u))
        assert got[c, t, r] == pytest.approx(want, abs=SINGLE, rel=1e-5)


def test_ages_that_repeat_or_lie_on_an_onset_count_once_each() -> None:
    rng = np.random.default_rng(4)
    age = np.array([6.0, 6.0, 11.0, 11.0, 11.0, 16.0])
    s, y = _covariance(rng, 6), rng.normal(0.2, 0.4, 6)
    got = _filled(age, y, s)
    for c, t, r in _points():
        at = (age, ONSET[t], GROWTH[r], CEILINGS[c])
        u = _on_ceiling(*at)
        want = _log_density(y - _curve(*at), s + CEILING_SD[c] ** 2 * np.outer(u, u))
        assert got[c, t, r] == pytest.approx(want, abs=SINGLE, rel=1e-5)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("limit_age", [3.0, 11.2, 44.0])
def test_a_limit_weighs_each_point_by_the_chance_to_lie_beyond(side: int, limit_age: float) -> None:
    rng = np.random.default_rng(11)
    n, gap = 5, 0.9
    age = np.sort(rng.uniform(2.0, 40.0, n))
    every = np.append(age, limit_age)
    full, y = _covariance(rng, n + 1), rng.normal(0.4, 0.5, n)
    got = _filled(age, y, full[:n, :n], side, limit_age, gap, full[:n, n].copy(), full[n, n])
    for c, t, r in _points():
        at = (every, ONSET[t], GROWTH[r], CEILINGS[c])
        h, u = _curve(*at), _on_ceiling(*at)
        joint = full + CEILING_SD[c] ** 2 * np.outer(u, u)
        weights = np.linalg.solve(joint[:n, :n], joint[:n, n])
        centre = h[n] + weights @ (y - h[:n])
        sd = np.sqrt(joint[n, n] - weights @ joint[:n, n])
        want = _log_density(y - h[:n], joint[:n, :n]) + log_ndtr(side * (centre - gap) / sd)
        assert got[c, t, r] == pytest.approx(want, abs=WITH_LIMIT, rel=1e-4)


@pytest.mark.parametrize("first", [1, 4])
def test_a_step_is_summed_over_its_size_upward_only(first: int) -> None:
    rng = np.random.default_rng(first)
    n, mean, sd = 6, 0.8, 0.4
    age = np.sort(rng.uniform(2.0, 40.0, n))
    s, step = _covariance(rng, n), (np.arange(n) >= first).astype(float)
    y = rng.normal(0.2, 0.4, n) + 0.9 * step
    got = _filled(age, y - mean * step, s + sd**2 * np.outer(step, step), step=step, jump=(mean, sd))
    sizes = np.linspace(0.0, mean + 9 * sd, 4001)
    log_prior = -0.5 * ((sizes - mean) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi) * ndtr(mean / sd))
    for c, t, r in _points():
        at = (age, ONSET[t], GROWTH[r], CEILINGS[c])
        u = _on_ceiling(*at)
        own = s + CEILING_SD[c] ** 2 * np.outer(u, u)
        gaps = y - _curve(*at) - sizes[:, None] * step
        logs = -0.5 * np.einsum("zi,ij,zj->z", gaps, np.linalg.inv(own), gaps) + log_prior
        want = np.log(trapezoid(np.exp(logs - logs.max()), sizes)) + logs.max()
        want -= 0.5 * np.linalg.slogdet(own)[1]
        assert got[c, t, r] == pytest.approx(want, abs=1e-3)


def _conditional(age: Floats, y: Floats, s: Floats, point: tuple[int, int, int]) -> tuple[Floats, Floats]:
    """Return mean (n,) and covariance (n, n) of the curve at the readings, its ceiling given them."""
    c, t, r = point
    at = (age, ONSET[t], GROWTH[r], CEILINGS[c])
    h, u = _curve(*at), _on_ceiling(*at)
    precision = np.linalg.inv(s)
    weight = u @ precision @ u + 1.0 / CEILING_SD[c] ** 2
    off = u @ precision @ (y - h) / weight
    return h + off * u, np.outer(u, u) / weight


@pytest.mark.parametrize("few", [False, True])
def test_moments_are_those_of_plain_sums(few: bool) -> None:
    rng = np.random.default_rng(5)
    age = np.array([2.0, 6.0, 7.0, 13.0, 13.0, 19.0, 30.0])
    s, y = _covariance(rng, 7), rng.normal(0.4, 0.6, 7)
    weight = rng.uniform(0.0, 1.0, (CEILINGS.size, ONSET.size * GROWTH.size)).astype(np.float32)
    whole = whole_grid(30.0, ONSET, GROWTH)
    cells, places = _some_of(whole) if few else (whole, np.arange(4 * GROWTH.size))
    total, first, second = accelerating_moments(
        age, y, inverse_spd(s)[0], weight, 0.7, 1e-9, cells, GROWTH, CEILINGS, CEILING_SD,
        accelerating_heights(age, cells, GROWTH, CEILINGS),
    )  # fmt: skip
    want_total, want_first, want_second = 0.7, np.zeros(7), np.zeros((7, 7))
    for c, t, r in _points():
        at = np.flatnonzero(places == t * GROWTH.size + r)
        if at.size:
            w = float(weight[c, at[0]])
            mean, cov = _conditional(age, y, s, (c, t, r))
            want_total += w
            want_first += w * mean
            want_second += w * (cov + np.outer(mean, mean))
    assert total == pytest.approx(want_total, rel=1e-5)
    assert first == pytest.approx(want_first, rel=1e-5)
    assert second == pytest.approx(want_second, rel=1e-5)


def test_what_reaches_a_threshold_is_the_ceilings_chance_given_the_readings() -> None:
    rng = np.random.default_rng(8)
    age = np.array([2.0, 8.0, 13.0, 19.0, 30.0])
    s, y = _covariance(rng, 5), rng.normal(0.7, 0.3, 5)
    like = rng.uniform(0.1, 1.0, 4 * GROWTH.size).astype(np.float32)
    for c in (1, 2):
        out = np.zeros(ONSET.size * GROWTH.size, np.float32)
        cells = whole_grid(30.0, ONSET, GROWTH)
        add_accelerating_reaching(
            age, y, inverse_spd(s)[0], like, 0.3, 0.8, cells, GROWTH, CEILINGS[c], CEILING_SD[c],
            accelerating_heights(age, cells, GROWTH, CEILINGS), out,
        )  # fmt: skip
        for t in range(4):
            for r in range(GROWTH.size):
                u = _on_ceiling(age, ONSET[t], GROWTH[r], CEILINGS[c])
                h = _curve(age, ONSET[t], GROWTH[r], CEILINGS[c])
                precision = np.linalg.inv(s)
                weight = u @ precision @ u + 1.0 / CEILING_SD[c] ** 2
                level = CEILINGS[c] + u @ precision @ (y - h) / weight
                want = 0.3 * like[t * 4 + r] * ndtr((level - 0.8) * np.sqrt(weight))
                assert out[t * 4 + r] == pytest.approx(want, abs=1e-4)
        assert (out[like.size :] == 0.0).all()


def test_years_and_log_ratio_undo_each_other_and_double_together() -> None:
    for faster in (False, True):
        for h in (0.1, np.log(2.0), 1.7):
            assert risen_to(0.2, years_to(0.2, h, faster), faster) == pytest.approx(h)
        assert years_to(0.2, np.log(2.0), faster) == pytest.approx(np.log(2.0) / 0.2)
    assert risen_to(0.2, 1e3, True) > 10.0
