"""What a clamp-on meter sees: the rod in series with everything else that it is tied to."""

import numpy as np

from synthetic_fleet.rods import Rods
from synthetic_fleet.world import Days, World


def rest_of_loop(own_ohm: np.ndarray, neighbours_siemens: np.ndarray, external_ohm: np.ndarray) -> np.ndarray:
    """Return the rest of each loop in ohm: 1 / (1/external + the other rods' conductance).

    With no external path this is R_loop,i = R_i + 1 / sum over j != i of 1/R_j, exact for lumped resistances.
    """
    others = np.maximum(neighbours_siemens - 1.0 / own_ohm, 0.0)
    return 1.0 / (1.0 / external_ohm + others)


def site_siemens(world: World, rods: Rods, ohm: np.ndarray, which: np.ndarray) -> np.ndarray:
    """Return each site's conductance over all its rods, the wells of `which` standing for the rest."""
    sites = len(world.wells)
    measured = np.bincount(rods.site[which], weights=1.0 / ohm, minlength=sites)
    count = np.maximum(np.bincount(rods.site[which], minlength=sites), 1)
    return measured * world.sites["rod_count"].to_numpy() / count


def external_on(world: World, day: Days) -> np.ndarray:
    """Return each site's external path in ohm on its own day, a changed neutral or shield wire included."""
    changed = day >= world.network_changed
    return world.external_ohm * np.where(changed, world.network_factor, 1.0)


def rest_when_new(world: World, rods: Rods) -> np.ndarray:
    """Return the rest of each rod's loop in ohm with all its neighbours as new and the first network."""
    first = np.flatnonzero(rods.generation == 0)
    siemens = site_siemens(world, rods, rods.new_ohm[first], first)
    siemens = np.where(world.tied, siemens, 0.0)
    return rest_of_loop(rods.new_ohm, siemens[rods.site], world.external_ohm[rods.site])
