"""The current on the leads: mostly far under an ampere, at a few sites dangerous until it is cleared."""

from dataclasses import dataclass

import numpy as np

from synthetic_fleet.rods import NEVER, Rods
from synthetic_fleet.world import Days, World, day_of

DANGER_SHARE = 0.015  # of the sites; one at least
ORDINARY_A = 0.04  # median on a lead


@dataclass(frozen=True)
class Currents:
    """Hold what flows on each well's lead; arrays have one entry a well."""

    ordinary_a: np.ndarray
    fed_a: np.ndarray  # of a fault that feeds the earthing; 0 where there is none
    from_day: Days
    until_day: Days  # the day on which it was cleared

    def on(self, well: np.ndarray, day: Days) -> np.ndarray:
        """Return the current in A on the leads of some wells, each on its day, before its ups and downs."""
        fed = (day >= self.from_day[well]) & (day < self.until_day[well])
        return self.ordinary_a[well] + np.where(fed, self.fed_a[well], 0.0)


def make_currents(rng: np.random.Generator, world: World, rods: Rods) -> Currents:
    """Draw the currents; a third of the dangerous ones are cleared two to four years after they begin."""
    wells, sites = int(rods.well.max()) + 1, len(world.wells)
    site = rods.site[:wells]
    level = np.exp(rng.normal(np.log(ORDINARY_A), 0.6, sites))
    ordinary = np.minimum(level[site] * np.exp(rng.normal(0, 0.5, wells)), 3.0)
    fed = np.zeros(wells)
    begins, ends = np.full(wells, NEVER), np.full(wells, NEVER)
    for k, s in enumerate(rng.choice(sites, max(1, round(DANGER_SHARE * sites)), replace=False)):
        mine = rng.permutation(np.flatnonzero(site == s))[:2]
        start = day_of(int(rng.integers(2009, 2021)), int(rng.integers(1, 366)))
        fed[mine] = rng.uniform(12, 22)
        begins[mine] = start
        ends[mine] = start + rng.integers(700, 1400) if k % 3 == 2 else NEVER
    return Currents(ordinary, fed, begins, ends)
