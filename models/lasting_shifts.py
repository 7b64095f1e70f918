"""Lasting shifts of a whole site that no works record explains: a question for the owner, not corrosion.

A changed neutral or shield wire, a neighbour that failed, a grid tied in: all wells of the site move together,
on one day and for good. Corrosion of all rods moves them too, but never on one day, and not all alike.
"""

from dataclasses import dataclass, replace

import numpy as np

from models.histories import Floats, Histories

# Shifts a site-year that nobody wrote down, and how sure one has to be before it is asked about (common
# practice, no source).
RATE_PER_YEAR = 0.005
SURE = 0.9


@dataclass(frozen=True)
class LastingShift:
    """One site's shift: site index, the decimal year between the two visits, ln of its size and sd, chance."""

    site: int
    year: float
    size_log: float
    size_sd_log: float
    probability: float


def _gap_evidence(prior: Floats, mean: Floats, cov: Floats, shift_sd: float) -> tuple[Floats, Floats, Floats]:
    """Return log Bayes factor, mean and sd of a shift before each visit but the first, (T-1,) each.

    prior, cov: (1+T, 1+T) of the field before and after the readings; mean (1+T,). What the readings say
    about the field is Gaussian, so that a shift is one more direction of the prior: with P = prior^-1 its
    pull is a'P mean, its information a'(P - P cov P) a, a = 1 from the visit on.
    """
    precision = np.linalg.inv(prior)
    pull = (precision @ mean)[1:]
    info = (precision - precision @ cov @ precision)[1:, 1:]
    # Where a history tells the field apart from nothing, its factor may widen the field: that is no evidence.
    values, vectors = np.linalg.eigh(0.5 * (info + info.T))
    told = values > 1e-6 * values.max()
    across = np.cumsum(vectors[::-1], axis=0)[::-1][1:]
    pull_after = across[:, told] @ (vectors[:, told].T @ pull)
    info_after = across[:, told] ** 2 @ values[told]
    weight = 1.0 + shift_sd**2 * info_after
    log_bf = -0.5 * np.log(weight) + 0.5 * (shift_sd * pull_after) ** 2 / weight
    return log_bf, shift_sd**2 * pull_after / weight, shift_sd / np.sqrt(weight)


def unexplained_shifts(
    h: Histories,
    prior_precision: list[Floats],
    field_mean: list[Floats],
    field_cov: list[Floats],
    shift_sd: float,
) -> list[LastingShift]:
    """Return, for each site where it is all but certain, the likeliest date of a shift not on record.

    prior_precision, field_mean, field_cov: of each site's field, (1+T, 1+T), (1+T,), (1+T, 1+T), the mean as
    a site pass found it. A shift is as likely in one year as in another, RATE_PER_YEAR each.
    """
    found = []
    for s in range(h.sites):
        t = h.visit_year[h.visit_start[s] : h.visit_start[s + 1]]
        if t.size < 3:
            continue
        prior = np.linalg.inv(prior_precision[s])
        log_bf, size, sd = _gap_evidence(prior, field_mean[s], field_cov[s], shift_sd)
        log_odds = log_bf + np.log(RATE_PER_YEAR * np.maximum(np.diff(t), 1e-3))
        top = float(log_odds.max())
        odds = float(np.exp(log_odds - top).sum()) * np.exp(min(top, 500.0))
        k = int(np.argmax(log_odds))
        if odds >= SURE / (1.0 - SURE):
            year = float(0.5 * (t[k] + t[k + 1]))
            found.append(LastingShift(s, year, float(size[k]), float(sd[k]), odds / (1.0 + odds)))
    return found


def with_shifts(h: Histories, shifts: list[LastingShift]) -> Histories:
    """Return the histories with shifts beside those on record, so that the field may move there for good."""
    added: dict[int, list[float]] = {}
    for one in shifts:
        added.setdefault(one.site, []).append(one.year)
    return replace(
        h, shifts=tuple(tuple(sorted([*years, *added.get(s, [])])) for s, years in enumerate(h.shifts))
    )
