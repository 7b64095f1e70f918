"""How often something gives way at once: a hazard by soil class and age, and one more after the onset.

By age a the steady part has come to rate * G(a), G(a) = L (a / L)^power with L the working life, so that
the rate is its mean over that life (Weibull's hazard where the power is not one). Once cladding or joint has
given way, at onset age tau, a rate of its own comes on top. A surge on record counts like some years of the
steady part, all at its date. Only the first step of a record is told.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtr

from models.histories import Floats, Histories, Ints

WORKING_YEARS = 40.0
LEAST_ODDS = 1e-12
_BISECTIONS = 50


@dataclass(frozen=True)
class StepModel:
    """Rates and sizes: break_rate a year, jump_mean and jump_sd (log), wild_share of readings, wild_sd (log).

    open_share of the breaks leave an open lead, a step of open_mean, open_sd (log): from 15 ohm to over 1500
    is 4.6. break_rate is the fleet's mean over working life, soil_factor by how much a class differs from it
    (1 where it is not named). age_power: of the cumulated hazard by age, 1 where it is steady. after_rate: a
    year, on top after the onset. surge_years: of the steady part, that a surge on record counts for (common
    practice, no source).
    """

    break_rate: float = 0.003
    jump_mean: float = 0.9
    jump_sd: float = 0.5
    wild_share: float = 0.01
    wild_sd: float = 0.8
    open_share: float = 0.2
    open_mean: float = 4.0
    open_sd: float = 1.5
    soil_factor: dict[str, float] = field(default_factory=dict)
    age_power: float = 1.0
    after_rate: float = 0.0
    surge_years: float = 10.0

    def reaching(self, log_threshold: Floats | float) -> Floats:
        """Return the chance that a step alone reaches the threshold: an open lead always does."""
        lesser = ndtr((self.jump_mean - np.asarray(log_threshold)) / self.jump_sd) / ndtr(
            self.jump_mean / self.jump_sd
        )
        return np.asarray(self.open_share + (1.0 - self.open_share) * np.minimum(lesser, 1.0))

    def lesser_jump(self, log_threshold: float) -> float:
        """Return the mean size (log) of the steps that do not reach the threshold alone."""
        low, high = (x / self.jump_sd for x in (-self.jump_mean, log_threshold - self.jump_mean))
        share = max(float(ndtr(high) - ndtr(low)), 1e-12)
        density = (np.exp(-0.5 * low * low) - np.exp(-0.5 * high * high)) / np.sqrt(2.0 * np.pi)
        return float(np.clip(self.jump_mean + self.jump_sd * density / share, 0.0, log_threshold))

    def jumps(self) -> tuple[Floats, Floats]:
        """Return means and variances of the two kinds of step."""
        return np.array([self.jump_mean, self.open_mean]), np.array([self.jump_sd**2, self.open_sd**2])

    def rates(self, soils: Sequence[str]) -> Floats:
        """Return (n,) the steady rate a year of each soil class, its mean over working life."""
        return self.break_rate * np.array([self.soil_factor.get(s, 1.0) for s in soils], dtype=float)

    def aged(self, age: Floats) -> Floats:
        """Return G(age), years: what an age counts for."""
        return aged(age, self.age_power)

    def survived(self, soil: str, onset: Floats, ages: Floats, part: float = 1.0) -> Floats:
        """Return (T, A) the chance that a rod of this soil and onset (T,) has had no step by ages (A,).

        part: of the steps that count, as if the others did not come.
        """
        after = np.maximum(ages[None, :] - onset[:, None], 0.0)
        steady = float(self.rates([soil])[0]) * self.aged(ages)
        return np.asarray(np.exp(-part * (steady[None, :] + self.after_rate * after)))

    def age_of_step(self, needed: Floats, rate: Floats, onset: Floats) -> Floats:
        """Return the age at which the cumulated hazard comes to needed, with no surge (all broadcast)."""
        by_age = WORKING_YEARS * (needed / (np.maximum(rate, 1e-12) * WORKING_YEARS)) ** (
            1.0 / self.age_power
        )
        if self.after_rate <= 0.0:
            return np.asarray(by_age)
        low, high = np.broadcast_arrays(np.minimum(onset, by_age), by_age)
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            come = rate * self.aged(middle) + self.after_rate * np.maximum(middle - onset, 0.0) >= needed
            low, high = np.where(come, low, middle), np.where(come, middle, high)
        return np.asarray(high)


def aged(age: Floats, power: float) -> Floats:
    """Return G(age) = L (age / L)^power, years; L the working life."""
    return np.asarray(WORKING_YEARS * (np.maximum(age, 0.0) / WORKING_YEARS) ** power)


def surges_by(h: Histories, electrode: Ints, age: Floats) -> Floats:
    """Return (n,) how many surges on record electrodes (n,) have seen by ages (n,)."""
    count = np.zeros(age.size)
    for i in [i for i, ages in enumerate(h.surges) if ages]:
        mine = np.flatnonzero(electrode == i)
        count[mine] = np.searchsorted(np.sort(h.surges[i]), age[mine], side="right")
    return count


def steady_hazard(h: Histories, model: StepModel, electrode: Ints, age: Floats) -> Floats:
    """Return (n,) the steady part's cumulated hazard of electrodes (n,) by ages (n,), surges included."""
    years = model.aged(age) + model.surge_years * surges_by(h, electrode, age)
    return np.asarray(model.rates(h.soil)[electrode] * years)


def last_ages(h: Histories) -> Floats:
    """Return (N,) age at the last reading, 0 without one."""
    last = np.zeros(h.electrodes)
    read = np.diff(h.reading_start) > 0
    last[read] = h.age[h.reading_start[1:][read] - 1]
    return last


def first_ages(h: Histories) -> Floats:
    """Return (N,) age at the first reading, 0 without one."""
    first = np.zeros(h.electrodes)
    read = np.diff(h.reading_start) > 0
    first[read] = h.age[h.reading_start[:-1][read]]
    return first


def before_each(h: Histories, of_readings: Floats) -> Floats:
    """Return (M,) what stands at the reading before each of the same electrode; 0 at the first."""
    before = np.zeros(h.age.size)
    before[1:] = of_readings[:-1]
    before[h.reading_start[:-1][np.diff(h.reading_start) > 0]] = 0.0
    return before


def hazard_ahead(h: Histories, model: StepModel) -> Floats:
    """Return (M, 2) the steady hazard up to the last reading: from the reading before each, and from each.

    From the day it was driven where there is none before.
    """
    of = h.reading_electrode
    at = steady_hazard(h, model, of, h.age)
    whole = steady_hazard(h, model, np.arange(h.electrodes), last_ages(h))[of]
    return np.stack([whole - before_each(h, at), whole - at], axis=1)


def log_step_odds(ahead: Floats) -> Floats:
    """Return (n,) log odds of a step against none by the last reading, from (n, 2) hazard_ahead."""
    return np.asarray(np.log(np.maximum(np.exp(ahead[:, 0]) - np.exp(ahead[:, 1]), LEAST_ODDS)))
