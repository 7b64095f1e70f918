"""The rates of sudden steps, from what the site passes made of them.

A step after the onset is either the steady hazard's or the onset's own; which, is a share that follows from
the rates (expectation-maximisation of a superposition of two hazards). Rates are then counts over years, each
with a weak gamma prior; a class's rate is shrunk to the fleet's. Both are of the years from the first reading
on: most steps before it pass for a high baseline, and counted with their years they would halve the rate.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize_scalar

from models.breaks import Structures
from models.histories import Floats, Histories, Ints
from models.site_pass import SitePass
from models.step_hazard import StepModel, aged, before_each, first_ages, last_ages, surges_by

# A step in 300 electrode-years, and one in 100 after the onset, each as if that had been seen once; a class's
# own rate counts as much as the fleet's from so many steps; the power's log is nought within so much (common
# practice, no source).
PRIOR_YEARS, PRIOR_AFTER_YEARS = 300.0, 100.0
CLASS_STEPS = 6.0
POWER_SD = 0.3
_ROUNDS = 40
_BREAK_RATES, _AFTER_RATES = (1e-4, 0.05), (1e-5, 0.2)
# Which hazard a step is of, and whether it came before anyone read, follow from the rates, so that these
# creep: each step goes so much farther in the logarithm, short of two (Salakhutdinov and Roweis 2003).
_STRIDE = 1.6


@dataclass(frozen=True)
class Counted:
    """Expected steps and the years in which none came, structure by structure.

    steps: (X,) expected count of each possible step after the first reading; soil (X,) its class; since,
    until (X,) ages between which it came; surges (X,) in between; after (X,) mean of step_kernel's SHARE.
    rod_soil, weight, first, end_low, end_high, seen: (K,) of all structures: class, weight, age at which
    exposure began, ages between which it ended, surges while it lasted. exposed: electrode-years after onset.
    soils: their count.
    """

    steps: Floats
    soil: Ints
    since: Floats
    until: Floats
    surges: Floats
    after: Floats
    rod_soil: Ints
    weight: Floats
    first: Floats
    end_low: Floats
    end_high: Floats
    seen: Floats
    exposed: float
    soils: int


def count_steps(h: Histories, soils: tuple[str, ...], found: SitePass, s: Structures) -> Counted:
    """Lay out what a site pass says of steps."""
    of = s.electrode
    stepped = np.flatnonzero(s.breaks > 0)
    at = h.reading_start[of[stepped]] + s.breaks[stepped]
    before, until = before_each(h, h.age)[at], h.age[at]
    first, low = first_ages(h)[of], last_ages(h)[of]
    low[s.breaks == 0] = first[s.breaks == 0]  # of an electrode, only the first step is told
    high = low.copy()
    low[stepped], high[stepped] = before, until
    soil = np.array([soils.index(k) for k in h.soil], dtype=np.int64)
    weight = found.struct_weight[stepped]
    span = np.maximum(weight, 1e-12)
    return Counted(
        weight, soil[of[stepped]], before, until,
        surges_by(h, of[stepped], until) - surges_by(h, of[stepped], before),
        np.clip(found.struct_onset[stepped, 0] / span, 0.0, 1.0),
        soil[of], found.struct_weight, first, low, high, surges_by(h, of, low) - surges_by(h, of, first),
        float(found.struct_onset[:, 1].sum()), len(soils),
    )  # fmt: skip


@dataclass(frozen=True)
class Rates:
    """fleet: steps a year. of_soil: (C,) the classes' own. after: a year, after the onset."""

    fleet: float
    of_soil: Floats
    after: float


def rates_given(c: Counted, power: float, surge_years: float, start: Rates) -> tuple[Rates, float]:
    """Return the rates at a power, and the expected log-likelihood there, prior of the power left out."""
    grown = aged(c.until, power) - aged(c.since, power) + surge_years * c.surges
    years = 0.5 * (aged(c.end_low, power) + aged(c.end_high, power)) - aged(c.first, power)
    years += surge_years * c.seen
    exposed = np.bincount(c.rod_soil, c.weight * years, minlength=c.soils)
    span = np.maximum(c.until - c.since, 1e-9)
    several = start.after > 0.0 and np.count_nonzero(exposed) > 1
    now = start
    for _ in range(_ROUNDS):
        own = now.after * span
        share = c.after * own / np.maximum(own + now.of_soil[c.soil] * grown, 1e-300)
        counts = np.bincount(c.soil, c.steps * (1.0 - share), minlength=c.soils)
        fleet = float(np.clip((counts.sum() + 1.0) / (exposed.sum() + PRIOR_YEARS), *_BREAK_RATES))
        shrunk = (counts + CLASS_STEPS) / (exposed + CLASS_STEPS / fleet)
        of_soil = np.clip(shrunk, 0.1 * fleet, 10.0 * fleet) if several else np.full(c.soils, fleet)
        after = (float((c.steps * share).sum()) + 1.0) / (c.exposed + PRIOR_AFTER_YEARS)
        now = Rates(fleet, of_soil, float(np.clip(after, *_AFTER_RATES)) if start.after > 0.0 else 0.0)
    steady = np.maximum(now.of_soil[c.soil] * grown, 1e-300)
    told = (1.0 - c.after) * np.log(steady) + c.after * np.log(steady + now.after * span)
    return now, float(c.steps @ told - now.of_soil @ exposed - now.after * c.exposed)


def update_rates(
    h: Histories, soils: tuple[str, ...], model: StepModel, found: SitePass, s: Structures
) -> StepModel:
    """Return the step model with its hazards at what the pass says of them.

    A model without a hazard of its own after the onset stays without one, steady in age and the same in all
    soils: more has to be asked for.
    """
    c = count_steps(h, soils, found, s)
    start = Rates(model.break_rate, model.rates(soils), model.after_rate)

    def short_of(log_power: float) -> float:
        _, value = rates_given(c, float(np.exp(log_power)), model.surge_years, start)
        return 0.5 * (log_power / POWER_SD) ** 2 - value

    power = model.age_power
    if model.after_rate > 0.0:
        power = float(np.exp(minimize_scalar(short_of, bounds=(-0.9, 0.9), method="bounded").x))
    rates, _ = rates_given(c, power, model.surge_years, start)
    each = zip(soils, rates.of_soil, strict=True) if model.after_rate > 0.0 else ()
    factor = {k: float(v / rates.fleet) for k, v in each}
    return replace(
        model, soil_factor=factor, age_power=power,
        break_rate=float(np.clip(_farther(start.fleet, rates.fleet), *_BREAK_RATES)),
        after_rate=float(np.clip(_farther(start.after, rates.after), *_AFTER_RATES)) if rates.after else 0.0,
    )  # fmt: skip


def _farther(old: float, new: float) -> float:
    return old * (new / old) ** _STRIDE if old > 0.0 else new
