"""The entry points: a fleet in memory, or as the field files that its crews send."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_fleet.circuit import rest_when_new
from synthetic_fleet.crews import send_out
from synthetic_fleet.mechanisms import mechanism_named
from synthetic_fleet.meters import instrument_table, make_meters
from synthetic_fleet.rods import electrode_table, make_rods, truth_table
from synthetic_fleet.world import make_world

READING_COLUMNS = (
    "electrode_id", "well_id", "site_id", "taken_at", "resistance_ohm", "range_mark", "outcome", "method", "current_a",
    "current_kind", "conductor", "conductors_in_well", "repeat_no", "visit_reason", "check_ring_ohm", "instrument_id",
    "soil_temp_c", "soil_moisture_pct", "crew", "corrects", "note",
)  # fmt: skip


@dataclass(frozen=True)
class Simulated:
    """Hold a fleet in memory.

    tables: the contract's tables by name; `readings` as a faultless intake would accept them (typed, `electrode_id`
    resolved, the meter's limit with `range_mark` `over` or `under` where out of range).
    truth: one row an electrode. mistakes: the planted ones.
    """

    tables: dict[str, pl.DataFrame]
    truth: pl.DataFrame
    mistakes: pl.DataFrame


def simulate(sites: int = 300, seed: int = 1, mechanism: str = "field", mistakes: bool = True) -> Simulated:
    """Make a fleet of so many sites in memory; the same arguments give the same fleet."""
    m = mechanism_named(mechanism)
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(6)]
    world = make_world(streams[0], sites, m)
    rods = make_rods(streams[1], world, m)
    meters = make_meters(streams[2], m)
    readings, works, life = send_out(streams[3], world, rods, meters, m)
    rest = rest_when_new(world, rods)
    tables = {
        "sites": world.sites,
        "electrodes": electrode_table(streams[4], world, rods, life, rest),
        "readings": readings.select(READING_COLUMNS),
        "soil_surveys": world.soil_surveys,
        "soundings": world.soundings,
        "instruments": instrument_table(meters),
        "works": works,
        "weather": world.weather,
    }
    return Simulated(tables, truth_table(world, rods, life, rest), pl.DataFrame())
