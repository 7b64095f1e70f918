"""Survival of a large fleet: what each process of case 10 does."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

Facts = dict[str, Any]
ROUND_YEARS = 0.25


def _fleet(electrodes: int) -> tuple[np.ndarray, ...]:
    """Draw lives (Weibull, shape 2, scale 20 years) of ten rods a site, seen every year from a random age."""
    rng, wells = np.random.default_rng(4), 10
    sites = electrodes // wells
    site = np.repeat(np.arange(sites), wells)
    salt = (rng.random(sites) < 0.5)[site].astype(float)
    effect = rng.normal(0, 0.3, sites)[site]
    life = 20 * rng.weibull(2, electrodes) * np.exp(effect - 0.4 * salt)
    visits = rng.uniform(0.5, 12, sites)[site][:, None] + np.arange(12)
    seen, rows = (visits < life[:, None]).sum(axis=1), np.arange(electrodes)
    low = np.where(seen > 0, visits[rows, np.maximum(seen - 1, 0)], 0.0)
    return low, np.where(seen < 12, visits[rows, np.minimum(seen, 11)], np.inf), site, salt


def _timed(what: Callable[[], Any]) -> tuple[Any, float]:
    began = time.perf_counter()
    return what(), time.perf_counter() - began


def survival_turnbull(_: Path, electrodes: str) -> Facts:
    """Turnbull's curve of so many electrodes, and again with the bands of 120 resampled fleets of sites."""
    from models.turnbull import rounded, turnbull, turnbull_band

    low, up, site, _salt = _fleet(int(electrodes))
    ages = np.arange(0.0, 31.0)
    turnbull_band(low[:200], up[:200], site[:200], ages, np.random.default_rng(1), resamples=2)
    fit, seconds = _timed(lambda: turnbull(*rounded(low, up, ROUND_YEARS)))
    band, with_bands = _timed(lambda: turnbull_band(low, up, site, ages, np.random.default_rng(1)))
    return {"seconds": seconds, "bands": with_bands, "converged": fit.converged and band.converged}


def survival_turnbull_lifelines(_: Path, electrodes: str) -> Facts:
    """The same curve by lifelines' estimator, from the same rounded ends."""
    import warnings

    from lifelines.fitters.npmle import npmle

    from models.turnbull import rounded

    low, up, _site, _salt = _fleet(int(electrodes))
    low, up = rounded(low, up, ROUND_YEARS)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its notes on convergence: it stops at its own tolerance
        # It takes closed intervals: a hundredth of a year makes (L, R] out of them.
        _found, seconds = _timed(lambda: npmle(low + 0.01, np.where(np.isfinite(up), up, 1e6)))
    return {"seconds": seconds}


def survival_regression(_: Path, electrodes: str) -> Facts:
    """A Weibull regression on one covariate, clustered by site; and the same with a site frailty."""
    from models.accelerated_life import fit_accelerated_life
    from models.survival_frailty import fit_frailty_life

    low, up, site, salt = _fleet(int(electrodes))
    x = np.column_stack([np.ones(salt.size), salt])
    fit, seconds = _timed(lambda: fit_accelerated_life(low, up, x, cluster=site))
    effect, with_frailty = _timed(lambda: fit_frailty_life(low, up, site, x))
    return {
        "seconds": seconds,
        "frailty": with_frailty,
        "converged": fit.converged and effect.converged,
        "beta": fit.beta[1],
        "site_sd": effect.frailty_sd,
    }


def survival_regression_lifelines(_: Path, electrodes: str) -> Facts:
    """The same regression by lifelines (its errors know no clusters)."""
    import pandas as pd
    from lifelines import WeibullAFTFitter

    low, up, _site, salt = _fleet(int(electrodes))
    table = pd.DataFrame({"low": np.maximum(low, 1e-8), "up": up, "salt": salt})
    fit, seconds = _timed(lambda: WeibullAFTFitter().fit_interval_censoring(table, "low", "up"))
    return {"seconds": seconds, "beta": float(fit.params_[("lambda_", "salt")])}


SURVIVAL_WORKS: dict[str, Callable[[Path, str], Facts]] = {
    w.__name__: w
    for w in (
        survival_turnbull, survival_turnbull_lifelines, survival_regression, survival_regression_lifelines,
    )
}  # fmt: skip
