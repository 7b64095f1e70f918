"""The crews: rounds that slip, wells that can't be read, suspects visited again and renewed."""

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from synthetic_fleet.circuit import external_on, rest_of_loop, site_siemens, tied_to_neighbours
from synthetic_fleet.mechanisms import Mechanism
from synthetic_fleet.meters import Meters
from synthetic_fleet.rods import DAYS_A_YEAR, Life, Rods, electrode_names, first_installations, well_names
from synthetic_fleet.soils import SOILS
from synthetic_fleet.world import (
    AS_OF, DISTRICTS, FIRST_YEAR, LAST_YEAR, Days, World, dates, day_of, soil_temp_c,
)  # fmt: skip

END = int(AS_OF.astype(np.int64))
SUSPECT_RATIO = 1.8  # of a rod's first reading: the crew comes again
RING_OHM = 10.0  # the check resistor in the meter's case


@dataclass
class Rounds:
    """Carry what the crews know and do from year to year."""

    world: World
    rods: Rods
    life: Life
    meters: Meters
    mechanism: Mechanism
    rng: np.random.Generator
    visit_log: np.ndarray  # the last visit effect of each site
    first_ohm: np.ndarray  # each rod's first reading, nan before it
    currents: np.ndarray  # A on each well's lead in ordinary service
    frames: list[pl.DataFrame] = field(default_factory=list)
    works: list[pl.DataFrame] = field(default_factory=list)
    visits: int = 0

    def read_all(self) -> None:
        """Walk through the years: rounds, second looks, renewals."""
        due = rounds_due(self.rng, self.world, self.mechanism)
        for y, year in enumerate(range(FIRST_YEAR, LAST_YEAR + 1)):
            sites = np.flatnonzero(due[:, y])
            if len(sites) == 0:
                continue
            day = self._round_days(sites, year)
            everything = np.isin(self.rods.site, sites)
            suspects = self._visit(sites, day, everything, "routine")
            if self.mechanism.renewals and len(suspects):
                self._look_again(suspects, year)

    def _round_days(self, sites: np.ndarray, year: int) -> Days:
        where = [DISTRICTS[d] for d in self.world.district[sites]]
        spread = np.array([d.round_spread_days for d in where])
        middle = np.array([d.round_day for d in where])
        slipped = np.where(self.rng.random(len(sites)) < 0.12, self.rng.normal(0, 60, len(sites)), 0.0)
        day = np.clip(middle + spread * self.rng.normal(size=len(sites)) + slipped, 5, 355)
        days = np.full(len(self.world.wells), 0, dtype=np.int64)
        days[sites] = np.minimum(day_of(year, day), END - 5)
        return days

    def _visit(self, sites: np.ndarray, day: Days, wanted: np.ndarray, reason: str) -> np.ndarray:
        """Read the wanted rods of the sites on each site's day; return the rods that look bad."""
        rods, m, rng = self.rods, self.mechanism, self.rng
        on_day = day[rods.site]
        present = np.flatnonzero(
            np.isin(rods.site, sites) & (self.life.installed < on_day) & (self.life.retired >= on_day)
        )
        if len(present) == 0:
            return present
        step = rng.normal(0, m.visit_sd_log, len(sites)) * np.sqrt(1 - m.visit_ar1**2)
        self.visit_log[sites] = m.visit_ar1 * self.visit_log[sites] + step
        common = self.visit_log + self._dryness(day) + season_log(self.world, m, day)
        age = (on_day[present] - self.life.installed[present]) / DAYS_A_YEAR
        true_log = rods.ratio_log(age, present) + rods.settle_log[present] * np.exp(-age / 0.5)
        ohm = rods.new_ohm[present] * np.exp(true_log + common[rods.site[present]])
        siemens = np.where(tied_to_neighbours(self.world), site_siemens(self.world, rods, ohm, present), 0.0)
        rest = rest_of_loop(
            ohm, siemens[rods.site[present]], external_on(self.world, day)[rods.site[present]]
        )
        keep = wanted[present]
        which, ohm, rest = present[keep], ohm[keep], rest[keep]
        return self._write_down(which, on_day[which], ohm, rest, reason)

    def _dryness(self, day: Days) -> np.ndarray:
        year = np.clip(
            (day.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970),
            FIRST_YEAR,
            LAST_YEAR,
        )
        return (
            -self.mechanism.district_year_sd_log * self.world.wetness[self.world.district, year - FIRST_YEAR]
        )

    def _write_down(
        self, which: np.ndarray, day: Days, ohm: np.ndarray, rest: np.ndarray, reason: str
    ) -> np.ndarray:
        rng, m, rods = self.rng, self.mechanism, self.rods
        n = len(which)
        site = rods.site[which]
        meter = 2 * self.world.district[site] + (
            rng.random(len(self.world.wells))[site] < self._old_share(day)
        )
        twice = np.flatnonzero(rng.random(n) < 0.02)
        row = np.r_[np.arange(n), twice]
        noise = rods.noise_sd_log[which][row] * rng.normal(size=len(row))
        wild = rng.random(len(row)) < m.wild_share
        noise = noise + np.where(wild, m.wild_sd_log * rng.normal(size=len(row)), 0.0)
        loop = ohm[row] * np.exp(noise) + rest[row]
        shown = self.meters.show(rng, meter[row], day[row], loop)
        low, high = self.meters.range_low_ohm[meter[row]], self.meters.range_high_ohm[meter[row]]
        mark = np.where(shown > high, "over", np.where(shown < low, "under", ""))
        value = np.clip(shown, low, high)
        outcome = self._outcomes(site[row])
        lost = outcome != "read"
        self._frame(
            which[row],
            day[row],
            meter[row],
            value,
            mark,
            outcome,
            reason,
            np.r_[np.ones(n), np.full(len(twice), 2)],
            wild & ~lost,
        )
        first = np.isnan(self.first_ohm[which]) & (mark[:n] == "") & ~lost[:n]
        self.first_ohm[which[first]] = value[:n][first]
        with np.errstate(invalid="ignore"):
            bad = (value[:n] > SUSPECT_RATIO * self.first_ohm[which]) | (mark[:n] == "over")
        return which[bad & ~lost[:n]]

    def _old_share(self, day: Days) -> np.ndarray:
        return np.where(day < day_of(2016, 1), 0.45, 0.12)

    def _outcomes(self, site: np.ndarray) -> np.ndarray:
        flooded = np.array([s.flooded_share for s in SOILS])[self.world.soil[site]]
        draw = self.rng.random(len(site))
        share = self.mechanism.missed_share
        wet = np.where(share > 0, flooded, 0.0)
        edges = np.stack([wet, wet + 0.5 * share, wet + 0.85 * share, wet + share])
        kind = (draw[None, :] >= edges).sum(axis=0)
        return np.array(["flooded", "inaccessible", "no_reading", "noise", "read"])[kind]

    def _frame(self, which, day, meter, value, mark, outcome, reason, repeat, wild) -> None:  # type: ignore[no-untyped-def]
        rng, rods, world = self.rng, self.rods, self.world
        n, site = len(which), rods.site[which]
        by_site = rng.random((5, len(world.wells)))[:, site]
        phase = np.cos(2 * np.pi * (_year_share(day) - 7.5 / 12))
        temp = np.concatenate([[0.0], np.zeros(0)])[:0]
        temp = np.zeros(n)
        for d, district in enumerate(DISTRICTS):
            mine = world.district[site] == d
            temp[mine] = soil_temp_c(district, phase[mine], rng, int(mine.sum()))
        ring = self.meters.show(rng, meter, day, np.full(n, RING_OHM))
        ring = ring[np.unique(site, return_index=True)[1]][np.searchsorted(np.unique(site), site)]
        amp = self._current(which, day, wild)
        self.visits += 1
        self.frames.append(
            pl.DataFrame(
                {
                    "rod": which,
                    "site": site,
                    "round": self.visits,
                    "day": day,
                    "minute": (480 + 400 * by_site[0] + 6 * (rods.well[which] % 14) + repeat).astype(
                        np.int64
                    ),
                    "resistance_ohm": value,
                    "range_mark": mark,
                    "outcome": outcome,
                    "current_a": amp,
                    "with_current": by_site[1] < 0.8,
                    "repeat_no": repeat.astype(np.int64),
                    "visit_reason": reason,
                    "check_ring_ohm": ring,
                    "with_ring": by_site[2] < 0.6,
                    "meter": meter,
                    "soil_temp_c": np.round(temp, 1),
                    "with_temp": by_site[3] < 0.55,
                    "crew_no": 1 + (by_site[4] * 3).astype(np.int64),
                }
            )
        )

    def _current(self, which: np.ndarray, day: Days, wild: np.ndarray) -> np.ndarray:
        amp = self.currents[self.rods.well[which]] * np.exp(self.rng.normal(0, 0.35, len(which)))
        return np.round(np.where(wild, amp, amp), 3)

    def _look_again(self, suspects: np.ndarray, year: int) -> None:
        """Visit some of the suspects' sites again, and renew some of those that still look bad."""
        rng, rods = self.rng, self.rods
        sites = np.unique(rods.site[suspects])
        again = sites[rng.random(len(sites)) < 0.35]
        day = np.zeros(len(self.world.wells), dtype=np.int64)
        last = day_of(year, 330)
        day[again] = np.minimum(last - rng.integers(0, 60, len(again)), END - 3)
        wanted = np.zeros(len(rods.site), dtype=bool)
        wanted[suspects] = True
        still_bad = self._visit(again, day, wanted, "follow_up")
        renew = still_bad[(rng.random(len(still_bad)) < 0.22) & (rods.generation[still_bad] < 2)]
        gone = day[rods.site[renew]] + rng.integers(30, 300, len(renew))
        ok = gone < END - 200
        renew, gone = renew[ok], gone[ok]
        wells = int(rods.well.max()) + 1
        self.life.retired[renew] = gone
        self.life.installed[renew + wells] = gone
        self.works.append(
            pl.DataFrame({"site": rods.site[renew], "rod": renew, "day": gone, "work": ["replaced"] * len(renew)},
                         schema={"site": pl.Int64, "rod": pl.Int64, "day": pl.Int64, "work": pl.String})
        )  # fmt: skip


def _year_share(day: Days) -> np.ndarray:
    return np.mod(np.asarray(day, dtype=float) / DAYS_A_YEAR, 1.0)


def season_log(world: World, mechanism: Mechanism, day: Days) -> np.ndarray:
    """Return the season's part of ln R of each site on its own day, of mean zero over a year."""
    first = np.array([s.season_first_log for s in SOILS])[world.soil]
    second = np.array([s.season_second_log for s in SOILS])[world.soil]
    turn = 2 * np.pi * _year_share(day)
    highest = 2 * np.pi * (0.66 + 0.02 * (world.district - 2.5))  # late summer, a little apart by district
    wave = first * np.cos(turn - highest) + second * np.cos(2 * turn - 1.1)
    return mechanism.season_amplitude * wave


def rounds_due(rng: np.random.Generator, world: World, mechanism: Mechanism) -> np.ndarray:
    """Return the years in which each site is due for a round: bool [site, year - FIRST_YEAR]."""
    years = np.arange(FIRST_YEAR, LAST_YEAR + 1)
    sites = len(world.wells)
    built = world.commissioned.astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64) + 1970
    if mechanism.readings == "few":
        late = np.maximum(2012, built + 2)
        draw = np.where(years[None, :] > late[:, None], rng.random((sites, len(years))), 2.0)
        rank = np.argsort(np.argsort(draw, axis=1), axis=1)
        return (rank < rng.integers(2, 5, sites)[:, None]) & (draw < 1.5)
    begun = np.array([d.first_round for d in DISTRICTS])[world.district] + rng.integers(0, 4, sites)
    begun = np.maximum(begun, built + rng.integers(1, 3, sites))
    gap = np.array([d.years_between_rounds for d in DISTRICTS])[world.district]
    gap = np.where(rng.random(sites) < 0.15, 3 - gap, gap)
    since = years[None, :] - begun[:, None]
    return (since >= 0) & (since % gap[:, None] == 0) & (rng.random((sites, len(years))) > 0.07)


def lead_currents(rng: np.random.Generator, world: World, rods: Rods) -> np.ndarray:
    """Return the current on each well's lead in A: mostly far under one, at a few sites 10 to 30."""
    wells = int(rods.well.max()) + 1
    site = rods.site[:wells]
    ordinary = np.exp(rng.normal(np.log(0.08), 0.8, len(world.wells)))[site] * np.exp(
        rng.normal(0, 0.6, wells)
    )
    count = max(1, round(0.015 * len(world.wells)))
    for s in rng.choice(len(world.wells), count, replace=False):
        mine = np.flatnonzero(site == s)
        ordinary[rng.choice(mine, min(2, len(mine)), replace=False)] = rng.uniform(11, 28)
    return ordinary


def send_out(
    rng: np.random.Generator, world: World, rods: Rods, meters: Meters, mechanism: Mechanism
) -> tuple[pl.DataFrame, pl.DataFrame, Life]:
    """Let the crews work through the years; return readings, works and when each rod was in the ground."""
    life = first_installations(rng, world, rods)
    rounds = Rounds(
        world, rods, life, meters, mechanism, rng,
        visit_log=rng.normal(0, mechanism.visit_sd_log, len(world.wells)),
        first_ohm=np.full(len(rods.site), np.nan),
        currents=lead_currents(rng, world, rods),
    )  # fmt: skip
    rounds.read_all()
    return reading_table(rng, rounds), works_table(rng, rounds), life


def reading_table(rng: np.random.Generator, rounds: Rounds) -> pl.DataFrame:
    """Give the readings the contract's names, typed: a value at the limit and `range_mark` where out of range."""
    world, rods = rounds.world, rounds.rods
    frame = pl.concat(rounds.frames).sort("day", "site", "rod", "repeat_no", maintain_order=True)
    rod, site = frame["rod"].to_numpy(), frame["site"].to_numpy()
    crew3 = np.array([d.crew for d in DISTRICTS])[world.district[site]] == 3
    code = np.array([d.code for d in DISTRICTS])[world.district[site]]
    read = pl.col("outcome") == "read"
    timed = pl.col("taken_on").cast(pl.Datetime("us")) + pl.duration(minutes=pl.col("minute"))
    moist = rng.uniform(8, 38, frame.height).round(0)
    return (
        frame.with_columns(
            electrode_id=pl.Series(electrode_names(world, rods)[rod]),
            well_id=pl.Series(well_names(world, rods)[rods.well[rod]]),
            site_id=world.sites["site_id"].gather(site),
            region=world.sites["region"].gather(site),
            taken_on=dates(frame["day"].to_numpy()),
            instrument_id=pl.Series(rounds.meters.names[frame["meter"].to_numpy()]),
            crew=pl.Series([f"{c}-{k}" for c, k in zip(code, frame["crew_no"], strict=True)]),
            soil_moisture_pct=pl.Series(moist),
            timed=pl.Series(crew3),
        )
        .with_columns(minute=pl.when("timed").then("minute").otherwise(0))
        .with_columns(
            taken_at=timed,
            resistance_ohm=pl.when(read).then("resistance_ohm"),
            range_mark=pl.when(read & (pl.col("range_mark") != "")).then("range_mark"),
            method=pl.lit("clamp_on"),
            current_a=pl.when(read & pl.col("with_current")).then("current_a"),
            current_kind=pl.when(read & pl.col("with_current")).then(pl.lit("ac")),
            conductor=pl.lit("rod lead"),
            conductors_in_well=pl.when(read).then(1 + (pl.col("rod") % 11 == 0).cast(pl.Int64)),
            check_ring_ohm=pl.when("with_ring").then("check_ring_ohm"),
            soil_temp_c=pl.when("with_temp").then("soil_temp_c"),
            soil_moisture_pct=pl.when(pl.col("with_temp") & read & (pl.col("crew_no") == 2)).then("soil_moisture_pct"),
            corrects=pl.lit(False),
            note=pl.when(pl.col("range_mark") == "over").then(pl.lit("lead looks sound, reads open")),
        )
    )  # fmt: skip


def works_table(rng: np.random.Generator, rounds: Rounds) -> pl.DataFrame:
    """Write the contract's works: renewals, network changes (half are on record), and ordinary jobs."""
    world, rods = rounds.world, rounds.rods
    sites = len(world.wells)
    changed = np.flatnonzero((world.network_changed < END) & (rng.random(sites) < 0.5))
    other = rng.choice(sites, max(1, sites // 8))
    danger = np.unique(rods.site[: int(rods.well.max()) + 1][rounds.currents > 10])
    schema = {"site": pl.Int64, "rod": pl.Int64, "day": pl.Int64, "work": pl.String}

    def jobs(site: np.ndarray, day: Days, work: list[str]) -> pl.DataFrame:
        return pl.DataFrame(
            {"site": site, "rod": [None] * len(site), "day": day, "work": work}, schema=schema
        )

    kinds = rng.choice(["excavation", "surge", "grid_extended", "other"], len(other))
    frame = pl.concat(
        [
            *rounds.works,
            jobs(changed, world.network_changed[changed], ["network_changed"] * len(changed)),
            jobs(
                other,
                day_of(rng.integers(2009, 2025, len(other)), rng.integers(1, 366, len(other))),
                kinds.tolist(),
            ),
            jobs(
                danger[::3],
                day_of(np.full(len(danger[::3]), 2012), 40),
                ["finding_cleared"] * len(danger[::3]),
            ),
        ]
    ).sort("day", "site", "rod", "work")
    names = pl.Series(electrode_names(world, rods))
    return frame.select(
        site_id=world.sites["site_id"].gather(frame["site"]),
        electrode_id=names.gather(frame["rod"]),
        done_on=pl.col("day").cast(pl.Int32).cast(pl.Date),
        work="work",
        note=pl.when(pl.col("work") == "replaced").then(pl.lit("new rod in the same well")),
    )
