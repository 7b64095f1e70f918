"""The site frailty: its likelihood by brute force, its gradient, its recovery, none where there is none."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import approx_fprime
from scipy.stats import norm
from threadpoolctl import threadpool_limits

from models import survival_frailty as frailty
from models.accelerated_life import FAMILIES, LOGNORMAL, WEIBULL, Family, Rows, fit_accelerated_life

# Of 12 fleets (90 % interval; expected 10.8, 8 or fewer once in fifty).
HELD_AT_LEAST = 9
# Eleven nodes over a site of three rods and a wide effect; with more rods it is far less.
QUADRATURE = 3e-5


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    with threadpool_limits(1):
        yield


def lives(rng: np.random.Generator, sites: int, wells: int, sd: float) -> tuple[np.ndarray, ...]:
    """Draw Weibull lives (shape 2, scale 20) seen yearly from a random age; gives lower, upper, site."""
    n, site = sites * wells, np.repeat(np.arange(sites), wells)
    life = 20 * rng.weibull(2, n) * np.exp(rng.normal(0, sd, sites))[site]
    visits = rng.uniform(0.5, 12, sites)[site][:, None] + np.arange(12)
    seen, rows = (visits < life[:, None]).sum(axis=1), np.arange(n)
    low = np.where(seen > 0, visits[rows, np.maximum(seen - 1, 0)], 0.0)
    return low, np.where(seen < 12, visits[rows, np.minimum(seen, 11)], np.inf), site


SMALL = (
    np.array([2.0, 0.0, 6.0, 3.0, 5.0, 8.0]),
    np.array([3.0, 4.0, np.inf, 3.0, 9.0, np.inf]),
    np.array([0, 0, 0, 1, 1, 1]),
)
ENTRY = np.array([1.0, 0.0, 2.0, 1.0, 0.0, 4.0])


def by_quadrature(theta: np.ndarray, family: Family, entry: np.ndarray) -> float:
    """Give the log-likelihood of SMALL by adaptive integration over each site's effect."""
    low, up, site = SMALL
    sigma, sd = np.exp(theta[1]), np.exp(theta[2])

    def survival(t: float, u: float) -> float:
        if t in (0.0, np.inf):
            return float(t == 0.0)
        z = np.array([(np.log(t) - theta[0] - u) / sigma])
        return float(np.exp(family.log_survival(z))[0])

    def term(i: int, u: float) -> float:
        if low[i] < up[i]:
            return survival(low[i], u) - survival(up[i], u)
        z = np.array([(np.log(low[i]) - theta[0] - u) / sigma])
        return float(np.exp(family.log_density(z))[0] / (sigma * low[i]))

    total = 0.0
    for s in (0, 1):
        mine = np.flatnonzero(site == s)
        for sign, of in ((1, term), (-1, lambda i, u: survival(entry[i], u))):

            def inside(u: float, of=of, mine=mine) -> float:
                return float(np.prod([of(i, u) for i in mine])) * norm.pdf(u, 0, sd)

            total += sign * np.log(quad(inside, -8 * sd, 8 * sd, epsabs=1e-14, epsrel=1e-12)[0])
    return total


def sites_of(entry: np.ndarray) -> frailty._Sites:
    low, up, site = SMALL
    with np.errstate(divide="ignore"):
        rows = Rows(np.log(low), np.log(up), np.log(entry), np.ones((6, 1)), low == up)
    return frailty._sites_of(rows, site, np.ones(6))


@pytest.mark.parametrize("family", [WEIBULL, LOGNORMAL])
@pytest.mark.parametrize("entry", [np.zeros(6), ENTRY])
def test_likelihood_is_the_integral_and_its_gradient_the_derivative(
    family: Family, entry: np.ndarray
) -> None:
    theta = np.array([1.7, -0.4, -0.3])
    likelihood = frailty._with_nodes(theta, sites_of(entry), family)
    value, score = likelihood(theta)
    assert value.sum() == pytest.approx(by_quadrature(theta, family, entry), abs=QUADRATURE)
    slope = approx_fprime(theta, lambda t: float(likelihood(t)[0].sum()), 1e-7)
    assert score.sum(axis=0) == pytest.approx(slope, abs=1e-5)


def test_parameters_are_recovered_and_rows_alike_are_merged() -> None:
    rng = np.random.default_rng(1)
    held = np.zeros(3)
    for _ in range(12):
        low, up, site = lives(rng, 50, 8, 0.5)
        fit = frailty.fit_frailty_life(low, up, site)
        assert fit.converged
        error = 1.6449 * np.sqrt(np.diag(fit.covariance))
        found = np.array([fit.beta[0], np.log(fit.sigma), np.log(fit.frailty_sd)])
        held += np.abs(found - [np.log(20), np.log(0.5), np.log(0.5)]) < error
        assert fit.p_none() < 1e-3
    assert np.all(held >= HELD_AT_LEAST)
    twice = frailty.fit_frailty_life(np.tile(low, 2), np.tile(up, 2), np.concatenate([site, site + 100]))
    assert twice.log_likelihood == pytest.approx(2 * fit.log_likelihood, abs=1e-4)
    assert twice.frailty_sd == pytest.approx(fit.frailty_sd, rel=1e-3)


def test_profile_interval_and_robust_errors() -> None:
    low, up, site = lives(np.random.default_rng(2), 40, 6, 0.4)
    fit = frailty.fit_frailty_life(low, up, site)
    under, over = frailty.frailty_between(low, up, site)
    error = np.sqrt(fit.covariance[-1, -1])
    assert under == pytest.approx(fit.frailty_sd * np.exp(-1.645 * error), rel=0.12)
    assert over == pytest.approx(fit.frailty_sd * np.exp(1.645 * error), rel=0.12)
    robust = frailty.fit_frailty_life(low, up, site, robust=True)
    ratio = np.sqrt(np.diag(robust.covariance) / np.diag(fit.covariance))
    assert np.all((ratio > 0.6) & (ratio < 1.6))


def test_no_frailty_is_the_plain_fit_or_close_to_it() -> None:
    rng = np.random.default_rng(3)
    p_values = []
    for _ in range(6):
        low, up, site = lives(rng, 40, 5, 0.0)
        fit = frailty.fit_frailty_life(low, up, site)
        plain = fit_accelerated_life(low, up, cluster=site)
        assert fit.log_likelihood >= plain.log_likelihood - 1e-6
        p_values.append(fit.p_none())
        if fit.frailty_sd == 0:
            assert fit.beta == pytest.approx(plain.beta)
            assert frailty.frailty_between(low, up, site)[0] == 0.0
    assert max(p_values) == 1.0
    assert min(p_values) > 0.01


def test_covariate_is_weighed_between_sites() -> None:
    low, up, site = lives(np.random.default_rng(4), 80, 6, 0.4)
    salt = (site % 2).astype(float)
    low, up = low * np.exp(-0.5 * salt), up * np.exp(-0.5 * salt)
    fit = frailty.fit_frailty_life(low, up, site, np.column_stack([np.ones(salt.size), salt]))
    error = np.sqrt(fit.covariance[1, 1])
    assert abs(fit.beta[1] + 0.5) < 2.6 * error
    # Without the frailty and without clusters the error is taken far too small.
    naive = fit_accelerated_life(low, up, np.column_stack([np.ones(salt.size), salt]))
    assert np.sqrt(naive.covariance[1, 1]) < 0.8 * error
    assert set(FAMILIES) == {"weibull", "lognormal", "loglogistic"}
