"""p values, intervals, power and equivalence of a question, with sites as what is drawn at random."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2
from scipy.stats import t as student

from models.question_data import Data
from models.question_fits import Estimate, Fit, estimate, fit_outcome

Array = NDArray[np.float64]

# With fewer sites than this at which something has happened, in a group, the clustered normal limit is too
# sure: p is that of exchanging sites, or of turning the signs of their scores.
EXCHANGE_BELOW_SITES = 25
# Of a slope a few sites far out weigh most, and what is held takes its part of them: the limit comes later.
EXCHANGE_SLOPE_BELOW_SITES = 60
# With fewer sites than this at which something happened in a group only a bound of the ratio can be given.
THIN_SITES = 5
EXCHANGES = 1999
WIDEST_LOG_RATIO = 4.0
# Growth is read only of rods that rose within the years watched and from readings up to four times, so that
# slow rods are seen when they are fast, and fast ones hardly at all where visits are years apart: ratios come
# out at 0.94 to 1.06 of their logarithm, at 0.83 to 1 where readings are two years apart, and are exaggerated
# where the second group is the slow one (tests.analyst.question_measures). Equivalence is held to a margin
# drawn in nearly as far as the worst, or a difference that matters would pass for none. Onsets come out at
# 0.93 to 1.0 with yearly visits, and their errors are small: held to the margin itself, equivalence was
# said in 11 of 100 fleets at its edge.
DRAWN_TO_ONE = {"growth": 0.85, "onset": 0.93}


@dataclass(frozen=True)
class Inference:
    """What a question's coefficient is worth; ratios are exp of the log scale."""

    ratio: float | None
    low: float
    high: float
    """95 % interval."""
    p_value: float | None
    p_equivalence: float | None
    """Of two one-sided tests that the ratio lies outside the margin (Schuirmann 1987)."""
    power: float | None
    findable: float | None
    """The ratio that would be found eight times in ten."""
    how: str


def inference(
    data: Data, fit: Fit, outcome: str, asked: tuple[float, float], rng: np.random.Generator
) -> Inference:
    """Judge the coefficient of x; asked: the margin and the ratio to state the power for."""
    margin, power_ratio = asked
    found = estimate(fit, data)
    p, how = wald_p(found), "Wald's test"
    plain = np.unique(data.x).size == 2 and data.held.shape[1] == 0
    sure = EXCHANGE_BELOW_SITES if plain else EXCHANGE_SLOPE_BELOW_SITES
    if fewest_sites(data) < sure:
        p, how = resampled_p(data, outcome, fit, rng)
    wide = float(student.ppf(0.975, found.freedom)) * found.error
    return Inference(
        ratio=float(np.exp(found.value)),
        low=float(np.exp(found.value - wide)),
        high=float(np.exp(found.value + wide)),
        p_value=p,
        p_equivalence=equivalence_p(found, margin, outcome),
        power=power_of(found, power_ratio),
        findable=float(
            np.exp((student.ppf(0.975, found.freedom) + student.ppf(0.8, found.freedom)) * found.error)
        ),
        how=how,
    )


def wald_p(found: Estimate) -> float:
    """Give the two-sided p value of a coefficient."""
    return float(2 * student.sf(abs(found.value) / found.error, found.freedom))


def equivalence_p(found: Estimate, margin: float, outcome: str = "") -> float:
    """Give the p value of two one-sided tests that the ratio lies within 1/margin and margin."""
    far = np.log(margin) * DRAWN_TO_ONE.get(outcome, 1.0)
    above = student.sf((found.value + far) / found.error, found.freedom)
    below = student.sf((far - found.value) / found.error, found.freedom)
    return float(max(above, below))


def power_of(found: Estimate, ratio: float) -> float:
    """Give the chance that these data show a true ratio, at 5 %."""
    limit, reach = float(student.ppf(0.975, found.freedom)), abs(np.log(ratio)) / found.error
    return float(student.sf(limit - reach, found.freedom) + student.cdf(-limit - reach, found.freedom))


def fewest_sites(data: Data) -> int:
    """Count the sites with an event in the group that has fewer; of a slope half of all such sites."""
    return min(data.sites_of(data.event & data.second), data.sites_of(data.event & ~data.second))


def resampled_p(data: Data, outcome: str, fit: Fit, rng: np.random.Generator) -> tuple[float, str]:
    """Give the p value of exchanging sites where that is exact, else of turning the signs of their scores.

    Exchange: x belongs to whole sites and nothing is held. Signs: the efficient scores of the sites under no
    effect, each times +1 or -1 (score bootstrap; Kline and Santos 2012).
    """
    if not data.within_sites and data.held.shape[1] == 0:
        return exchange_p(data, outcome, rng), "whole sites exchanged"
    return sign_p(data, outcome, fit, rng), "the signs of the sites' scores turned"


def null_sums(data: Data, outcome: str) -> Array:
    """Give each site's sum of the intercept's score in the fit without x, (sites,)."""
    null = fit_outcome(data, data.design(with_x=False), outcome)
    return np.bincount(data.site, weights=null.scores[:, 0], minlength=data.sites).astype(np.float64)


def exchange_p(data: Data, outcome: str, rng: np.random.Generator) -> float:
    """Exchange the sites' values of x (Finkelstein's score by sites, over its own spread)."""
    size = np.bincount(data.site).astype(np.float64)
    label = np.bincount(data.site, weights=data.x) / size
    sums = null_sums(data, outcome)
    orders = rng.permuted(np.tile(label, (EXCHANGES, 1)), axis=1)

    def statistic(labels: Array) -> Array:
        mean = labels @ size / size.sum()
        score = labels @ sums - mean * sums.sum()
        spread = np.sqrt(((labels - mean[:, None]) ** 2) @ sums**2)
        return np.asarray(np.abs(score) / np.maximum(spread, 1e-12))

    seen = statistic(label[None, :])[0]
    return float((1 + np.sum(statistic(orders) >= seen - 1e-9)) / (EXCHANGES + 1))


def sign_p(data: Data, outcome: str, fit: Fit, rng: np.random.Generator) -> float:
    """Turn the signs of the sites' efficient scores for x under no effect.

    Turned signs leave the nuisance scores unbalanced as a draw would; projecting x on them makes that
    harmless. The spread of each turned sum is about its own mean, so that few sites are not taken as many.
    """
    null = fit_outcome(data, data.design(with_x=False), outcome)
    intercept = null.scores[:, 0]
    with_x = np.column_stack([intercept * data.x, null.scores])
    sums = np.zeros((data.sites, with_x.shape[1]))
    np.add.at(sums, data.site, with_x)
    # The information of the fit with x tells how x hangs on the rest: 1 is x, the others keep their order.
    information = np.linalg.inv(fit.bread)
    rest = [k for k in range(information.shape[0]) if k != 1]
    slope = np.linalg.lstsq(information[np.ix_(rest, rest)], information[rest, 1], rcond=None)[0]
    efficient = sums[:, 0] - sums[:, 1:] @ slope
    turned = rng.choice([-1.0, 1.0], size=(EXCHANGES, data.sites)) @ efficient
    seen = abs(efficient.sum())
    return float((1 + np.sum(np.abs(turned) >= seen - 1e-9)) / (EXCHANGES + 1))


def bounded(data: Data, outcome: str, rng: np.random.Generator) -> Inference:
    """Bound the ratio where in one group hardly anything has happened: a profile of the likelihood, widened.

    The profile is over the ratio, its limit chi-squared's times the design effect of the score by sites (Rao
    and Scott 1981); p is that of exchanging whole sites.
    """
    null = data.design(with_x=False)
    residual = fit_outcome(data, null, outcome).scores[:, 0] * (data.second - data.second.mean())
    effect = max(float(np.sum(np.bincount(data.site, weights=residual) ** 2) / np.sum(residual**2)), 1.0)
    logs = np.linspace(-WIDEST_LOG_RATIO, WIDEST_LOG_RATIO, 41)
    height = np.array([fit_outcome(data, null, outcome, r * data.x).log_likelihood for r in logs])
    inside = 2 * (height.max() - height) <= chi2.ppf(0.95, 1) * effect
    first, last = int(np.argmax(inside)), int(logs.size - 1 - np.argmax(inside[::-1]))
    both = first > 0 and last < logs.size - 1
    return Inference(
        ratio=float(np.exp(logs[int(np.argmax(height))])) if both else None,
        low=float(np.exp(logs[first - 1])) if first > 0 else 0.0,
        high=float(np.exp(logs[last + 1])) if last < logs.size - 1 else float("inf"),
        p_value=exchange_p(data, outcome, rng),
        p_equivalence=None,
        power=None,
        findable=None,
        how=f"whole sites exchanged; interval a profile widened by a design effect of {effect:.1f}",
    )
