"""The survival account of a fleet by soil class: lives and their AIC, hazard by age, the years ahead."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.accelerated_life import LOGNORMAL, WEIBULL
from models.site_pass import ForEach, in_turn
from models.survival import ClassBand, ClassLives
from models.survival_frailty import FrailtyLife, fit_frailty_life
from models.survival_lives import (
    ByAge,
    Fit,
    Residuals,
    aic,
    chance_ahead,
    frailty_sd,
    hazard_by_age,
    median_life,
    residuals,
    turnbull_ahead,
    turnbull_hazard,
)

LEAST_CROSSED, LEAST_SITES = 3, 3
Z90 = 1.6449
# Twice the log-likelihood that a 90 % profile interval spans: half of it less, and the interval reaches 0.
REACHES_NONE = 2.7055
# A median whose logarithm is off by so much is not known: every rod past since before anyone looked, or none.
NOT_KNOWN = 5.0
NOW_YEARS, AHEAD_YEARS = (5.0, 10.0, 20.0, 30.0), (5.0, 10.0)
HAZARD_STEP_YEARS = 2.5

MODELS = {
    "soil_class": pl.String,
    "model": pl.String,
    "shape": pl.Float64,
    "scale_years": pl.Float64,
    "median_years": pl.Float64,
    "median_low": pl.Float64,
    "median_high": pl.Float64,
    "electrodes": pl.Int64,
    "converged": pl.Boolean,
    "log_likelihood": pl.Float64,
    "aic": pl.Float64,
    "best": pl.Boolean,
    "site_sd": pl.Float64,
    "site_sd_low": pl.Float64,
    "site_sd_high": pl.Float64,
    "residual_gap": pl.Float64,
    "residuals_leave": pl.Boolean,
}
HAZARD = {
    "soil_class": pl.String,
    "method": pl.String,
    "age_years": pl.Float64,
    "hazard_per_year": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}
AHEAD = {
    "soil_class": pl.String,
    "method": pl.String,
    "age_years": pl.Float64,
    "ahead_years": pl.Float64,
    "p_past": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}
RESIDUALS = {
    "soil_class": pl.String,
    "model": pl.String,
    "residual": pl.Float64,
    "share": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "expected": pl.Float64,
}


@dataclass(frozen=True)
class ClassFits:
    """The fits of one class by the name of the model, the name of the best by AIC, and its residuals."""

    lives: ClassLives
    fits: dict[str, Fit]
    best: str | None
    residuals: Residuals | None


def class_fits(lives: list[ClassLives], seed: int, each: ForEach = in_turn) -> list[ClassFits]:
    """Fit Weibull and log-normal lives to each class, without and with a site frailty.

    each: runs the classes, in turn or over threads; each has random draws of its own.
    """
    found: dict[int, ClassFits] = {}

    def one(k: int) -> None:
        found[k] = _fits(lives[k], np.random.default_rng([seed, k]))

    each(one, range(len(lives)))
    return [found[k] for k in range(len(lives))]


def _fits(of: ClassLives, rng: np.random.Generator) -> ClassFits:
    enough = np.isfinite(of.upper).sum() >= LEAST_CROSSED and np.unique(of.site).size >= LEAST_SITES
    fits: dict[str, Fit] = {}
    for family in (WEIBULL, LOGNORMAL) if enough else ():
        fit = fit_frailty_life(of.lower, of.upper, of.site, entry=of.entered(), family=family)
        fits |= {family.name: fit.without, f"{family.name}_site": fit}
    good = {name: aic(fit) for name, fit in fits.items() if _known(fit)}
    if not good:
        return ClassFits(of, fits, None, None)
    best = min(good, key=lambda name: good[name])
    # Residuals of rods that were watched from an entry on are themselves truncated: none are drawn.
    left = residuals(fits[best], of.lower, of.upper, of.site, rng) if of.entered() is None else None
    return ClassFits(of, fits, best, left)


def _known(fit: Fit) -> bool:
    """Tell whether a life has been found at all."""
    return fit.converged and median_life(fit)[1] < NOT_KNOWN


def models_frame(found: list[ClassFits]) -> pl.DataFrame:
    """Give a row for each class and model (MODELS); what did not converge has nulls.

    Medians are of rods taken at random, with 90 % intervals: clustered by site, or by the frailty.
    """
    rows = []
    for of in found:
        if not of.fits:
            rows.append(_empty_row(of.lives, "weibull"))
        for name, fit in of.fits.items():
            row = _model_row(of.lives, name, fit) if _known(fit) else _empty_row(of.lives, name)
            if name == of.best:
                row["best"] = True
                if of.residuals is not None:
                    row |= {"residual_gap": of.residuals.farthest, "residuals_leave": of.residuals.leaves}
            rows.append(row)
    return pl.DataFrame(rows, schema=MODELS)


def _empty_row(of: ClassLives, name: str) -> dict[str, object]:
    row: dict[str, object] = dict.fromkeys(MODELS)
    return row | {
        "soil_class": of.name,
        "model": name,
        "electrodes": of.lower.size,
        "converged": False,
        "best": False,
    }


def _model_row(of: ClassLives, name: str, fit: Fit) -> dict[str, object]:
    middle, error = median_life(fit)
    row = _empty_row(of, name) | {
        "shape": 1 / fit.sigma,
        "scale_years": float(np.exp(fit.beta[0])),
        "median_years": float(np.exp(middle)),
        "median_low": float(np.exp(middle - Z90 * error)),
        "median_high": float(np.exp(middle + Z90 * error)),
        "converged": True,
        "log_likelihood": fit.log_likelihood,
        "aic": aic(fit),
    }
    return row | _site_sd(fit) if isinstance(fit, FrailtyLife) else row


def _site_sd(fit: FrailtyLife) -> dict[str, object]:
    """Give the sd of the sites' effects with its 90 % interval, from 0 where none would do as well."""
    sd = frailty_sd(fit)
    if sd == 0:
        return {"site_sd": 0.0, "site_sd_low": 0.0, "site_sd_high": None}
    error = float(np.sqrt(fit.covariance[-1, -1]))
    none = 2 * (fit.log_likelihood - fit.without.log_likelihood) < REACHES_NONE
    return {
        "site_sd": sd,
        "site_sd_low": 0.0 if none else sd * float(np.exp(-Z90 * error)),
        "site_sd_high": sd * float(np.exp(Z90 * error)),
    }


def residuals_frame(found: list[ClassFits]) -> pl.DataFrame:
    """Give the best life's residuals by class (RESIDUALS): share by Turnbull, band, unit exponential."""
    frames = [pl.DataFrame(schema=RESIDUALS)]
    for of in found:
        if of.best is None or of.residuals is None:
            continue
        left = of.residuals
        n = left.residual.size
        columns = [[of.lives.name] * n, [of.best] * n, left.residual, left.share, left.low, left.high]
        frames.append(
            pl.DataFrame(dict(zip(RESIDUALS, [*columns, left.expected], strict=True)), schema=RESIDUALS)
        )
    # Where no band is claimed the estimate has run out of rods: a flat line there would look like a misfit.
    shown = pl.concat(frames).with_columns(pl.col("low", "high").fill_nan(None))
    return shown.with_columns(pl.when(pl.col("low").is_not_null()).then("share").alias("share"))


def hazard_frame(bands: list[ClassBand], found: list[ClassFits], rng: np.random.Generator) -> pl.DataFrame:
    """Give crossings per year among rods not past yet by class and age (HAZARD).

    Turnbull's in stretches of age, and the best life's, which runs as far as Turnbull's curve is claimed.
    """
    best = {of.lives.name: of.fits[of.best] for of in found if of.best}
    frames = [pl.DataFrame(schema=HAZARD)]
    for of in bands:
        frames.append(_hazard_rows(of.lives.name, "turnbull", turnbull_hazard(of.band)))
        claimed = of.band.age_years[of.band.claimed]
        if of.lives.name in best and claimed.size:
            ages = np.arange(HAZARD_STEP_YEARS, claimed[-1] + 1e-9, HAZARD_STEP_YEARS)
            fit = best[of.lives.name]
            frames.append(_hazard_rows(of.lives.name, fit.family, hazard_by_age(fit, ages, rng)))
    return pl.concat(frames)


def _hazard_rows(name: str, method: str, by: ByAge) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "soil_class": [name] * by.age_years.size,
            "method": [method] * by.age_years.size,
            "age_years": by.age_years,
            "hazard_per_year": by.value,
            "low": by.low,
            "high": by.high,
        },
        schema=HAZARD,
    )


def ahead_frame(bands: list[ClassBand], found: list[ClassFits], rng: np.random.Generator) -> pl.DataFrame:
    """Give the chance that a rod not past at an age is past some years later (AHEAD), by class and method."""
    best = {of.lives.name: of.fits[of.best] for of in found if of.best}
    frames = [pl.DataFrame(schema=AHEAD)]
    for of in bands:
        claimed = of.band.age_years[of.band.claimed]
        for now in NOW_YEARS:
            if not claimed.size or now > claimed[-1]:
                continue
            told = {"turnbull": turnbull_ahead(of.band, now, AHEAD_YEARS)}
            if fit := best.get(of.lives.name):
                told[fit.family] = chance_ahead(fit, now, AHEAD_YEARS, rng)
            frames += [_ahead_rows(of.lives.name, method, now, by) for method, by in told.items()]
    return pl.concat(frames)


def _ahead_rows(name: str, method: str, now: float, by: ByAge) -> pl.DataFrame:
    n = by.age_years.size
    return pl.DataFrame(
        {
            "soil_class": [name] * n,
            "method": [method] * n,
            "age_years": [now] * n,
            "ahead_years": by.age_years,
            "p_past": by.value,
            "low": by.low,
            "high": by.high,
        },
        schema=AHEAD,
    ).filter(pl.col("p_past").is_not_nan())
