"""The crews' readings and works as the contract's tables, typed."""

import numpy as np
import polars as pl

from synthetic_fleet.crews import END, WORK_SCHEMA, Rounds
from synthetic_fleet.rods import electrode_names, well_names
from synthetic_fleet.world import DISTRICTS, dates, day_of

# What crews scribble beside a reading, punctuation of all kinds included.
CHATTER = (
    "lid <bent>, reset it",
    'clamp "tight" & clean',
    "grass cut; well dry",
    "new padlock - key at the gate",
    "water in well, read anyway",
    "ålder lead, ½ in cover",
)
CHATTER_SHARE = 0.015  # of the readings


def reading_table(rng: np.random.Generator, rounds: Rounds) -> pl.DataFrame:
    """Return all readings in order of site and day, a value at the limit and `range_mark` where out of range.

    Beside the contract's columns: `site_id`, `region`, and what is true of the reading (`level_ohm`,
    `season_log`, `visit_log`, `rest_ohm`, `wild`). Only crew 3 notes the time of day.
    """
    world, rods = rounds.world, rounds.rods
    frame = pl.concat(rounds.frames).sort("site", "day", "rod", "repeat_no", maintain_order=True)
    rod, site = frame["rod"].to_numpy(), frame["site"].to_numpy()
    district = world.district[site]
    timed = pl.Series(np.array([d.crew for d in DISTRICTS])[district] == 3)
    minutes = pl.when(timed).then(pl.duration(minutes="minute")).otherwise(pl.duration(minutes=0))
    read = pl.col("outcome") == "read"
    amp = pl.when(read).then("current_a")
    kind = pl.Series(np.where(world.sites["stray_dc"].to_numpy()[site], "dc", "ac"))
    open_lead = read & (pl.col("range_mark") == "over") & (pl.Series(rod) % 3 == 0)
    return frame.select(
        electrode_id=pl.Series(electrode_names(world, rods)[rod]),
        well_id=pl.Series(well_names(world, rods)[rods.well[rod]]),
        site_id=world.sites["site_id"].gather(site),
        region=world.sites["region"].gather(site),
        taken_at=dates(frame["day"].to_numpy()).cast(pl.Datetime("us")) + minutes,
        resistance_ohm=pl.when(read).then("resistance_ohm"),
        range_mark=pl.when(read & (pl.col("range_mark") != "")).then("range_mark"),
        outcome="outcome",
        method=pl.lit("clamp_on"),
        current_a=amp,
        current_kind=pl.when(amp.is_not_null()).then(kind),
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
        note=pl.when(open_lead)
        .then(pl.lit("lead looks sound, reads open"))
        .otherwise(_chatter(rng, len(rod))),
        level_ohm="level_ohm",
        season_log="season_log",
        visit_log="visit_log",
        rest_ohm="rest_ohm",
        wild=pl.col("wild") & read,
    )


def _chatter(rng: np.random.Generator, n: int) -> pl.Series:
    choice = rng.integers(0, len(CHATTER), n)
    said = rng.random(n) < CHATTER_SHARE
    return pl.Series([CHATTER[c] if s else None for c, s in zip(choice, said, strict=True)], dtype=pl.String)


def works_table(rng: np.random.Generator, rounds: Rounds) -> pl.DataFrame:
    """Return the works: renewals, network changes (half are on record), ordinary jobs, dangers cleared."""
    world, rods, until = rounds.world, rounds.rods, rounds.currents.until_day
    sites = len(world.wells)
    changed = np.flatnonzero((world.network_changed < END) & (rng.random(sites) < 0.5))
    other = rng.choice(sites, max(1, sites // 8))
    other_day = day_of(rng.integers(2009, 2025, len(other)), rng.integers(1, 366, len(other)))
    kinds = rng.choice(["excavation", "surge", "grid_extended", "other"], len(other)).tolist()
    ended = np.flatnonzero(until < END)
    cleared = ended[np.unique(rods.site[ended], return_index=True)[1]]  # one work for all leads of a site
    site = np.concatenate([changed, other, rods.site[cleared]])
    day = np.concatenate([world.network_changed[changed], other_day, until[cleared]])
    work = ["network_changed"] * len(changed) + kinds + ["finding_cleared"] * len(cleared)
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
