"""The season: waves by class and district, as many as the readings ask for, and the ground of the day."""

from dataclasses import dataclass

import numpy as np

from models.histories import Floats

MOST_HARMONICS = 3
# Prior standard deviations of ln R, by harmonic (common practice, no source): the fleet's own wave, and where
# the search for the spread of classes and districts about it starts.
WAVE_SD = (0.3, 0.15, 0.1)
_CLASS_SD = (0.08, 0.04, 0.03)
_DISTRICT_SD = (0.05, 0.03, 0.02)
_STRENGTH = 4.0  # coefficients that the prior of such a spread is worth


@dataclass(frozen=True)
class SeasonSpread:
    """How many harmonics the season has, and how far classes and districts stray from the fleet's, each (3,).

    A harmonic beyond the count is none for fleet, classes and districts alike.
    """

    harmonics: int = 2
    class_sd: tuple[float, ...] = _CLASS_SD
    district_sd: tuple[float, ...] = _DISTRICT_SD


@dataclass(frozen=True)
class Linear:
    """The Gaussian linear part: log L(b) = pull'b - b' info b / 2 + constant. info (P, P), pull (P,)."""

    info: Floats
    pull: Floats


@dataclass(frozen=True)
class LinearPosterior:
    """mean (P,), cov (P, P) of the coefficients; log_evidence with them integrated out."""

    mean: Floats
    cov: Floats
    log_evidence: float


def linear_posterior(part: Linear, sd: Floats) -> LinearPosterior:
    """Integrate coefficients with priors N(0, sd^2) out; where sd is 0 the coefficient is 0.

    log_evidence: half of pull' cov pull - log |1 + diag(sd^2) info|, over the coefficients that are not 0.
    """
    on = np.flatnonzero(sd > 0.0)
    inner = part.info[np.ix_(on, on)] + np.diag(1.0 / sd[on] ** 2)
    low = np.linalg.cholesky(inner)
    half = np.linalg.inv(low)
    cov_on = half.T @ half
    mean_on = cov_on @ part.pull[on]
    logdet = 2.0 * float(np.log(np.diag(low)).sum() + np.log(sd[on]).sum())
    mean, cov = np.zeros(sd.size), np.zeros((sd.size, sd.size))
    mean[on], cov[np.ix_(on, on)] = mean_on, cov_on
    return LinearPosterior(mean, cov, 0.5 * (float(part.pull[on] @ mean_on) - logdet))


@dataclass(frozen=True)
class SeasonLayout:
    """Where the waves stand among the coefficients.

    prior_sd: (P,) of all coefficients, fixed ones at their own; level: (P,) 0 not a wave, 1 the fleet's, 2 a
    class's, 3 a district's; harmonic: (P,) 1 to 3, 0 where not a wave.
    """

    prior_sd: Floats
    level: Floats
    harmonic: Floats

    def sd(self, spread: SeasonSpread) -> Floats:
        """Return (P,) the prior standard deviations under a spread; 0 for harmonics beyond its count."""
        out = self.prior_sd.copy()
        for k in range(MOST_HARMONICS):
            at = self.harmonic == k + 1
            for level, sd in ((1, WAVE_SD[k]), (2, spread.class_sd[k]), (3, spread.district_sd[k])):
                out[at & (self.level == level)] = sd if k < spread.harmonics else 0.0
        return out


def _spread_penalty(sd: float, usual: float) -> float:
    """Return the log prior density of a spread, 0 at its most probable value."""
    ratio = (sd / usual) ** 2
    return -0.5 * _STRENGTH * (float(np.log(ratio)) + 1.0 / ratio - 1.0)


def _likelier_spread(layout: SeasonLayout, post: LinearPosterior, spread: SeasonSpread) -> SeasonSpread:
    """Return the spreads after one step of expectation-maximisation on the evidence."""
    second = post.mean**2 + np.diag(post.cov)

    def level(which: int, usual: tuple[float, ...], old: tuple[float, ...]) -> tuple[float, ...]:
        new = list(old)
        for k in range(spread.harmonics):
            at = (layout.level == which) & (layout.harmonic == k + 1)
            total = float(second[at].sum()) + _STRENGTH * usual[k] ** 2
            new[k] = float(np.sqrt(total / (int(at.sum()) + _STRENGTH)))
        return tuple(new)

    return SeasonSpread(
        spread.harmonics, level(2, _CLASS_SD, spread.class_sd), level(3, _DISTRICT_SD, spread.district_sd)
    )


def _value(post: LinearPosterior, spread: SeasonSpread) -> float:
    both = ((_CLASS_SD, spread.class_sd), (_DISTRICT_SD, spread.district_sd))
    return post.log_evidence + sum(
        _spread_penalty(sd[k], usual[k]) for usual, sd in both for k in range(spread.harmonics)
    )


def season_by_evidence(
    part: Linear, layout: SeasonLayout, start: SeasonSpread, steps: int = 5
) -> tuple[SeasonSpread, tuple[float, ...]]:
    """Choose the number of harmonics by the evidence of the linear part, spreads at their most probable.

    Returns the spread and the log evidence of 0, 1, 2, 3 harmonics (MacKay 1992, evidence of nested models;
    spreads by Dempster, Laird and Rubin 1977). It works on the information alone, no reading is seen again.
    """
    best, values = start, []
    for count in range(MOST_HARMONICS + 1):
        spread = SeasonSpread(count, start.class_sd, start.district_sd)
        for _ in range(steps if count else 0):
            spread = _likelier_spread(layout, linear_posterior(part, layout.sd(spread)), spread)
        values.append(_value(linear_posterior(part, layout.sd(spread)), spread))
        if values[-1] == max(values):
            best = spread
    return best, tuple(values)
