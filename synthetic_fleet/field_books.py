"""The crews' readings and works as the contract's tables, typed."""

import numpy as np
import polars as pl

from synthetic_fleet.crews import END, WORK_SCHEMA, Rounds
from synthetic_fleet.rods import electrode_names, well_names
from synthetic_fleet.world import DISTRICTS, dates, day_of


def reading_table(rounds: Rounds) -> pl.DataFrame:
    """Return all readings in order of site and day, a value at the limit and `range_mark` where out of range.

    Beside the contract's columns: `site_id`, `region`. Only crew 3 notes the time of day.
    """
    world, rods = rounds.world, rounds.rods
    frame = pl.concat(rounds.frames).sort("site", "day", "rod", "repeat_no", maintain_order=True)
    rod, district = frame["rod"].to_numpy(), world.district[frame["site"].to_numpy()]
    timed = pl.Series(np.array([d.crew for d in DISTRICTS])[district] == 3)
    midnight = dates(frame["day"].to_numpy()).cast(pl.Datetime("us"))
    read = pl.col("outcome") == "read"
    over = read & (pl.col("range_mark") == "over")
    return frame.select(
        electrode_id=pl.Series(electrode_names(world, rods)[rod]),
        well_id=pl.Series(well_names(world, rods)[rods.well[rod]]),
        site_id=world.sites["site_id"].gather(frame["site"]),
        region=world.sites["region"].gather(frame["site"]),
        taken_at=midnight
        + pl.when(timed).then(pl.duration(minutes="minute")).otherwise(pl.duration(minutes=0)),
        resistance_ohm=pl.when(read).then("resistance_ohm"),
        range_mark=pl.when(read & (pl.col("range_mark") != "")).then("range_mark"),
        outcome="outcome",
        method=pl.lit("clamp_on"),
        current_a=pl.when(read).then("current_a"),
        current_kind=pl.when(read & pl.col("current_a").is_not_null()).then(pl.lit("ac")),
        conductor=pl.lit("rod lead"),
        conductors_in_well=1 + (pl.Series(rods.well[rod]) % 11 == 0).cast(pl.Int64),
        repeat_no="repeat_no",
        visit_reason="visit_reason",
        check_ring_ohm="check_ring_ohm",
        instrument_id=pl.Series(rounds.meters.names[frame["meter"].to_numpy()]),
        soil_temp_c="soil_temp_c",
        soil_moisture_pct="soil_moisture_pct",
        crew=pl.Series([f"{DISTRICTS[d].code}-{k}" for d, k in zip(district, frame["crew_no"], strict=True)]),
        corrects=pl.lit(False),
        note=pl.when(over & (pl.Series(rod) % 3 == 0)).then(pl.lit("lead looks sound, reads open")),
    )


def works_table(rng: np.random.Generator, rounds: Rounds) -> pl.DataFrame:
    """Return the works: renewals, network changes (half are on record), ordinary jobs, dangers cleared."""
    world, rods = rounds.world, rounds.rods
    sites = len(world.wells)
    changed = np.flatnonzero((world.network_changed < END) & (rng.random(sites) < 0.5))
    other = rng.choice(sites, max(1, sites // 8))
    fed = np.unique(rods.site[: len(rounds.currents)][rounds.currents > 10])
    kinds = rng.choice(["excavation", "surge", "grid_extended", "other"], len(other))
    other_day = day_of(rng.integers(2009, 2025, len(other)), rng.integers(1, 366, len(other)))
    site = np.concatenate([changed, other, fed[1::3]])
    day = np.concatenate(
        [world.network_changed[changed], other_day, np.full(len(fed[1::3]), day_of(2012, 40))]
    )
    work = ["network_changed"] * len(changed) + kinds.tolist() + ["finding_cleared"] * len(fed[1::3])
    jobs = pl.DataFrame(
        {"site": site, "rod": [None] * len(site), "day": day, "work": work}, schema=WORK_SCHEMA
    )
    frame = pl.concat([*rounds.works, jobs]).sort("day", "site", "rod", "work")
    return frame.select(
        site_id=world.sites["site_id"].gather(frame["site"]),
        electrode_id=pl.Series(electrode_names(world, rods)).gather(frame["rod"]),
        done_on=dates(frame["day"].to_numpy()),
        work="work",
        note=pl.when(pl.col("work") == "replaced").then(pl.lit("new rod in the same well")),
    )
