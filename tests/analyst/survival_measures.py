"""Measure the survival account on many small fleets: what its bands hold, how often its tests are wrong.

`python -m tests.analyst.survival_measures` prints the tables; `--quick` a tenth of the fleets. Lives are
Weibull (shape 2, scale 20 years), moved by a site effect on their logarithm; visits begin at a random age.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import binomtest, norm
from threadpoolctl import threadpool_limits

from models.accelerated_life import LOGNORMAL, WEIBULL, fit_accelerated_life
from models.rank_tests import log_rank, rank_scores, rank_test
from models.survival_frailty import fit_frailty_life
from models.survival_lives import aic, chance_ahead, hazard_by_age, median_life
from models.survival_truncation import missing_before_records
from models.turnbull import rounded, turnbull_band

Array = np.ndarray
SHAPE, SCALE = 2.0, 20.0
FLEETS, CLOSED = 200, 1000
LEVEL = 0.05
# 3 to 7 % is what is aimed at, and 86 to 94 % of 90; a case fails where the count could hardly (99 %) have
# come from inside it.
SIZE, HELD = (0.03, 0.07), (0.86, 0.94)
Z90 = 1.6449


@dataclass(frozen=True)
class Shape:
    """A kind of fleet: sites, rods at each, sd of the site effect, years between visits, visits."""

    sites: int = 50
    wells: int = 8
    site_sd: float = 0.4
    gap_years: float = 1.0
    visits: int = 12


@dataclass(frozen=True)
class Fleet:
    """Lives, ages between which each is seen to cross, site, age at the first visit, each (n,)."""

    life: Array
    lower: Array
    upper: Array
    site: Array
    first: Array


def draw(rng: np.random.Generator, shape: Shape) -> Fleet:
    """Draw a fleet."""
    n, site = shape.sites * shape.wells, np.repeat(np.arange(shape.sites), shape.wells)
    life = SCALE * rng.weibull(SHAPE, n) * np.exp(rng.normal(0, shape.site_sd, shape.sites))[site]
    first = rng.uniform(0.5, 12, shape.sites)[site]
    visits = first[:, None] + shape.gap_years * np.arange(shape.visits)
    seen, rows = (visits < life[:, None]).sum(axis=1), np.arange(n)
    low = np.where(seen > 0, visits[rows, np.maximum(seen - 1, 0)], 0.0)
    last = shape.visits
    up = np.where(seen < last, visits[rows, np.minimum(seen, last - 1)], np.inf)
    return Fleet(life, low, up, site, first)


def survival_at(age: Array, site_sd: float) -> Array:
    """Give the true share not past by age (T,), site effects summed over."""
    z, w = np.polynomial.hermite_e.hermegauss(60)
    return np.exp(-((age[:, None] / (SCALE * np.exp(site_sd * z))) ** SHAPE)) @ (w / w.sum())


def _verdict(count: int, of: int, aim: tuple[float, float]) -> bool:
    """Say whether a count may have come from within the aim: either tail above 1 %."""
    low = binomtest(count, of, aim[0], alternative="less").pvalue
    high = binomtest(count, of, aim[1], alternative="greater").pvalue
    return bool(low > 0.01 and high > 0.01)


def _line(name: str, own: str, naive: str, good: bool, began: float) -> None:
    print(
        f"{name:58} {own:>12} {naive:>12} {'ok' if good else 'NO':>4} {time.process_time() - began:5.0f}",
        flush=True,
    )


def bands(part: float) -> bool:
    """Print what the pointwise and the simultaneous band of 90 % hold, over sites and naively over rods."""
    kinds = {
        "50 sites, visits every year": Shape(),
        "50 sites, every three years": Shape(gap_years=3.0, visits=4),
        "150 sites, every two years": Shape(sites=150, gap_years=2.0, visits=6, site_sd=0.3),
    }
    ages, good = np.arange(1.0, 30.0), True
    print(f"\n{'Turnbull, 90 % band: share held (%)':58} {'by site':>12} {'by rod':>12} {'':>4} {'s':>5}")
    for k, (name, shape) in enumerate(kinds.items()):
        began, rng = time.process_time(), np.random.default_rng([71, k])
        count = max(int(FLEETS * part), 10)
        truth = 1 - survival_at(ages, shape.site_sd)
        at_one, throughout = np.zeros((count, 2)), np.zeros((count, 2), dtype=bool)
        for i in range(count):
            f = draw(rng, shape)
            for j, cluster in enumerate((f.site, np.arange(f.site.size))):
                b = turnbull_band(f.lower, f.upper, cluster, ages, rng)
                at_one[i, j] = ((b.low <= truth) & (truth <= b.high))[b.claimed].mean()
                inside = (b.low_all <= truth) & (truth <= b.high_all)
                throughout[i, j] = inside[b.claimed].all()
        point, error = at_one.mean(axis=0), at_one[:, 0].std() / np.sqrt(count)
        fine = HELD[0] - 2.33 * error <= point[0] <= HELD[1] + 2.33 * error
        _line(f"{name}: at one age", f"{100 * point[0]:.1f}", f"{100 * point[1]:.1f}", fine, began)
        whole = throughout.sum(axis=0)
        # Meant to hold at least: a wide band is no fault of its own.
        sound = _verdict(int(whole[0]), count, (HELD[0], 1.0))
        said = [f"{100 * c / count:.1f}" for c in whole]
        _line(f"{name}: at all claimed ages", said[0], said[1], sound, began)
        good &= bool(fine) and sound
    return good


def _wald(fit: object, number: int = 1) -> float:
    error = np.sqrt(fit.covariance[number, number])  # type: ignore[attr-defined]
    return float(2 * norm.sf(abs(fit.beta[number]) / error))  # type: ignore[attr-defined]


def _rank(f: Fleet, marked: Array, cluster: Array | None) -> float:
    low, up = rounded(f.lower, f.upper, 0.25)
    return rank_test(rank_scores(low, up, climb_to=1e-4), marked, cluster).p_value


def _log_rank(f: Fleet, marked: Array, cluster: Array | None) -> float:
    time_to, crossed = np.minimum(f.life, 25.0), f.life <= 25.0
    return log_rank(time_to, crossed, marked, cluster=cluster).p_value


def _regression(f: Fleet, marked: Array, cluster: Array | None, family: object = WEIBULL) -> float:
    x = np.column_stack([np.ones(marked.size), marked])
    return _wald(fit_accelerated_life(f.lower, f.upper, x, cluster=cluster, family=family))  # type: ignore[arg-type]


def _frailty(f: Fleet, marked: Array, cluster: Array | None) -> float:
    x = np.column_stack([np.ones(marked.size), marked])
    if cluster is None:
        return _wald(fit_accelerated_life(f.lower, f.upper, x))
    return _wald(fit_frailty_life(f.lower, f.upper, f.site, x))


Test = Callable[[Fleet, Array, "Array | None"], float]


def sizes(part: float) -> bool:
    """Print how often tests at 5 % find a difference between halves of the sites that do not differ."""
    tests: dict[str, tuple[Test, int]] = {
        "rank test of intervals (sites exchanged)": (_rank, CLOSED),
        "log-rank test of exact times (sites' variance)": (_log_rank, CLOSED),
        "Weibull regression (sites' sandwich)": (_regression, CLOSED),
        "log-normal regression (sites' sandwich)": (
            lambda f, m, c: _regression(f, m, c, LOGNORMAL),
            CLOSED,
        ),
        "Weibull regression with a site frailty": (_frailty, CLOSED // 2),
    }
    good = True
    print(f"\n{'found at 5 % where nothing is (%), 50 sites of 8':58} {'by site':>12} {'naive':>12}")
    for k, (name, (test, fleets)) in enumerate(tests.items()):
        began, rng = time.process_time(), np.random.default_rng([72, k])
        count = max(int(fleets * part), 20)
        found = np.zeros(2, dtype=int)
        for _ in range(count):
            f = draw(rng, Shape())
            marked = (rng.permutation(50) < 25)[f.site].astype(float)
            found += [test(f, marked, f.site) < LEVEL, test(f, marked, None) < LEVEL]
        fine = _verdict(int(found[0]), count, SIZE)
        _line(f"{name}, {count} fleets", *(f"{100 * c / count:.1f}" for c in found), fine, began)
        good &= fine
    return good


def intervals(part: float) -> bool:
    """Print what the 90 % intervals of the lives hold, by the frailty and naively."""
    shape, count = Shape(), max(int(FLEETS * part), 10)
    began, rng = time.process_time(), np.random.default_rng(73)
    ages = np.arange(0.01, 80.0, 0.01)
    left = survival_at(ages, shape.site_sd)
    median = np.log(ages[np.argmin(np.abs(left - 0.5))])
    hazard = -np.gradient(np.log(left), ages)[np.searchsorted(ages, 15.0)]
    ahead = 1 - left[np.searchsorted(ages, 20.0)] / left[np.searchsorted(ages, 10.0)]
    names = ("median age", "hazard at 15 years", "past by 20, not past at 10", "sd of the sites' effects")
    held, right = np.zeros((4, 2), dtype=int), 0
    for _ in range(count):
        f = draw(rng, shape)
        site, plain = fit_frailty_life(f.lower, f.upper, f.site), fit_accelerated_life(f.lower, f.upper)
        other = fit_frailty_life(f.lower, f.upper, f.site, family=LOGNORMAL)
        right += aic(site) < min(aic(plain), aic(other), aic(other.without))
        for j, fit in enumerate((site, plain)):
            middle, error = median_life(fit)
            h, a = hazard_by_age(fit, [15.0], rng), chance_ahead(fit, 10.0, [10.0], rng)
            held[0, j] += abs(middle - median) < Z90 * error
            held[1, j] += h.low[0] <= hazard <= h.high[0]
            held[2, j] += a.low[0] <= ahead <= a.high[0]
        spread = np.sqrt(site.covariance[-1, -1])
        held[3, 0] += abs(np.log(site.frailty_sd / shape.site_sd)) < Z90 * spread
    print(f"\n{'lives, 90 % interval: share held (%)':58} {'frailty':>12} {'naive':>12}")
    good = True
    for name, (own, naive) in zip(names, held, strict=True):
        fine = _verdict(int(own), count, HELD)
        said = "" if name == names[3] else f"{100 * naive / count:.1f}"
        _line(f"{name}, {count} fleets", f"{100 * own / count:.1f}", said, fine, began)
        good &= fine
    print(f"{'AIC takes the true family with its frailty (%)':58} {100 * right / count:12.1f}")
    return good


def missing(part: float) -> bool:
    """Print what the interval of the share still there holds, and how often rods are called missing."""
    count, good = max(int(FLEETS * part), 10), True
    print(f"\n{'rods missing before records began':58} {'held (%)':>12} {'called (%)':>12}")
    for k, kept in enumerate((1.0, 0.3)):
        began, rng = time.process_time(), np.random.default_rng([74, k])
        held = called = 0
        for _ in range(count):
            f = draw(rng, Shape(site_sd=0.1))
            # Records begin at the first visit: of those past by then a share had not been renewed for it.
            there = (f.lower > 0) | (rng.random(f.life.size) < kept)
            rows = pl.DataFrame(
                {
                    "electrode_id": [f"e{i:04d}" for i in range(f.life.size)],
                    "site_id": f.site.astype(str),
                    "soil_class": ["clay"] * f.life.size,
                    "lower_years": f.lower,
                    "upper_years": f.upper,
                    "records_years": f.first,
                }
            ).filter(pl.Series(there))
            row = missing_before_records(rows).row(0, named=True)
            held += bool(row["still_there"] and row["still_there_low"] < kept < row["still_there_high"])
            called += row["from_first_visit"]
        fine = _verdict(held, count, HELD) and (kept < 1 or called <= 0.03 * count)
        name = f"{100 * kept:.0f} % of those that had crossed are still there"
        _line(name, f"{100 * held / count:.1f}", f"{100 * called / count:.1f}", fine, began)
        good &= fine
    return good


TABLES = {"bands": bands, "sizes": sizes, "intervals": intervals, "missing": missing}


def main() -> int:
    """Print all tables; exit status 1 where a measure lies outside what is aimed at."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--quick", action="store_true", help="a tenth of the fleets")
    asked.add_argument("--survival", default=",".join(TABLES), help="tables, comma separated")
    options, _ = asked.parse_known_args()
    part = 0.1 if options.quick else 1.0
    with threadpool_limits(1):
        return 0 if all([TABLES[name](part) for name in options.survival.split(",")]) else 1


if __name__ == "__main__":
    raise SystemExit(main())
