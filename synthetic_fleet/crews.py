"""The crews: rounds that slip, wells that can't be read, suspects visited again and renewed."""

from dataclasses import dataclass, field

import numpy as np
import polars as pl

from synthetic_fleet.circuit import external_on, rest_of_loop, site_siemens
from synthetic_fleet.currents import Currents, make_currents
from synthetic_fleet.mechanisms import Mechanism
from synthetic_fleet.meters import Meters
from synthetic_fleet.rods import DAYS_A_YEAR, NEVER, Life, Rods
from synthetic_fleet.soils import SOILS
from synthetic_fleet.world import AS_OF, DISTRICTS, FIRST_YEAR, LAST_YEAR, Days, World, day_of, year_of

END = int(AS_OF.astype(np.int64))
SUSPECT_RATIO = 1.8  # of a rod's first reading: the crew comes again
RING_OHM = 10.0  # the check resistor in the meter's case
OUTCOMES = np.array(["flooded", "inaccessible", "no_reading", "noise", "read"])
WORK_SCHEMA = {"site": pl.Int64, "rod": pl.Int64, "day": pl.Int64, "work": pl.String}


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
    currents: Currents
    frames: list[pl.DataFrame] = field(default_factory=list)
    works: list[pl.DataFrame] = field(default_factory=list)

    def read_all(self) -> None:
        """Walk through the years: rounds, second looks, renewals."""
        due = rounds_due(self.rng, self.world, self.mechanism)
        for y, year in enumerate(range(FIRST_YEAR, LAST_YEAR + 1)):
            sites = np.flatnonzero(due[:, y])
            day = self._round_days(sites, year)
            suspects = self._visit(day, np.arange(len(self.rods.site)), "routine")
            if self.mechanism.renewals:
                self._renew(self._look_again(suspects, day, year), year)

    def _round_days(self, sites: np.ndarray, year: int) -> Days:
        """Return the day of each site's round, -1 at the sites that are not due."""
        where = [DISTRICTS[d] for d in self.world.district[sites]]
        spread = np.array([d.round_spread_days for d in where])
        middle = np.array([d.round_day for d in where])
        slipped = np.where(self.rng.random(len(sites)) < 0.12, self.rng.normal(0, 60, len(sites)), 0.0)
        day = np.clip(middle + spread * self.rng.normal(size=len(sites)) + slipped, 5, 355)
        return self._only(sites, np.minimum(day_of(year, day), END - 5))

    def _only(self, sites: np.ndarray, day: Days) -> Days:
        days = np.full(len(self.world.wells), -1, dtype=np.int64)
        days[sites] = day
        return days

    def _visit(self, day: Days, wanted: np.ndarray, reason: str) -> np.ndarray:
        """Read the wanted rods of every site that has a day (not -1); return the rods that look bad."""
        rods, m = self.rods, self.mechanism
        on_day = day[rods.site]
        present = np.flatnonzero((on_day >= 0) & self.life.in_ground(on_day))
        visited = np.flatnonzero(day >= 0)
        step = self.rng.normal(0, m.visit_sd_log, len(visited)) * np.sqrt(1 - m.visit_ar1**2)
        self.visit_log[visited] = m.visit_ar1 * self.visit_log[visited] + step
        visit = self.visit_log + dryness_log(self.world, m, day)
        season = season_log(self.world, m, day)
        age = (on_day[present] - self.life.installed[present]) / DAYS_A_YEAR
        settling = rods.settle_log[present] * np.exp(-age / 0.5)
        site = rods.site[present]
        level = rods.new_ohm[present] * np.exp(rods.ratio_log(age, present))
        ohm = level * np.exp(settling + visit[site] + season[site])
        siemens = np.where(self.world.tied, site_siemens(self.world, rods, ohm, present), 0.0)
        seen = pl.DataFrame(
            {
                "rod": present, "site": site, "day": on_day[present], "level_ohm": level, "net_ohm": ohm,
                "rest_ohm": rest_of_loop(ohm, siemens[site], external_on(self.world, day)[site]),
                "season_log": season[site], "visit_log": visit[site],
            }
        )  # fmt: skip
        seen = seen.filter(pl.Series(np.isin(present, wanted)))
        return self._write_down(seen, reason) if seen.height else np.array([], dtype=np.int64)

    def _write_down(self, seen: pl.DataFrame, reason: str) -> np.ndarray:
        """Clamp the meter round each lead, here and there twice; return the rods that look bad."""
        rng, m, n = self.rng, self.mechanism, seen.height
        seen = seen[np.r_[np.arange(n), np.flatnonzero(rng.random(n) < 0.02)]]
        rod, day, site = (seen[c].to_numpy() for c in ("rod", "day", "site"))
        old = rng.random(len(self.world.wells))[site] < np.where(day < day_of(2016, 1), 0.45, 0.12)
        meter = 2 * self.world.district[site] + old
        wild = rng.random(len(rod)) < m.wild_share
        noise = self.rods.noise_sd_log[rod] * rng.normal(size=len(rod))
        noise = noise + np.where(wild, m.wild_sd_log * rng.normal(size=len(rod)), 0.0)
        loop = seen["net_ohm"].to_numpy() * np.exp(noise) + seen["rest_ohm"].to_numpy()
        value, mark = self.meters.read(rng, meter, day, loop)
        outcome = self._outcomes(site)
        frame = seen.with_columns(
            meter=pl.Series(meter),
            resistance_ohm=pl.Series(value),
            range_mark=pl.Series(mark),
            outcome=pl.Series(outcome),
            repeat_no=1 + (pl.int_range(len(rod)) >= n).cast(pl.Int64),
            wild=pl.Series(wild),
            visit_reason=pl.lit(reason),
        )
        self.frames.append(self._circumstances(frame))
        return self._suspects(rod[:n], value[:n], mark[:n], outcome[:n] == "read")

    def _suspects(self, rod: np.ndarray, value: np.ndarray, mark: np.ndarray, read: np.ndarray) -> np.ndarray:
        """Return the rods that read open or far above their first reading, which is noted here."""
        first = np.isnan(self.first_ohm[rod]) & (mark == "") & read
        self.first_ohm[rod[first]] = value[first]
        with np.errstate(invalid="ignore"):
            bad = (value > SUSPECT_RATIO * self.first_ohm[rod]) | (mark == "over")
        return rod[bad & read]

    def _outcomes(self, site: np.ndarray) -> np.ndarray:
        share = self.mechanism.missed_share
        flooded = np.array([s.flooded_share for s in SOILS])[self.world.soil[site]] * (share > 0)
        edges = flooded + share * np.array([[0.0], [0.5], [0.85], [1.0]])
        return OUTCOMES[(self.rng.random(len(site)) >= edges).sum(axis=0)]

    def _circumstances(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Add what a crew notes beside the value: time, ring, temperature, current; much of it not always."""
        rng, site, day = self.rng, frame["site"].to_numpy(), frame["day"].to_numpy()
        n, sites = frame.height, len(self.world.wells)
        by_site = rng.random((5, sites))[:, site]
        ring_day = np.zeros(sites, dtype=np.int64)
        ring_meter = np.zeros(sites, dtype=np.int64)
        ring_day[site], ring_meter[site] = day, frame["meter"].to_numpy()
        ring = self.meters.show(rng, ring_meter, ring_day, np.full(sites, RING_OHM))[site]
        mean = np.array([d.air_temp_c for d in DISTRICTS])[self.world.district[site]] + 1.0
        swing = 0.5 * np.array([d.air_swing_c for d in DISTRICTS])[self.world.district[site]]
        temp = mean + swing * np.cos(2 * np.pi * (year_share(day) - 7.5 / 12)) + rng.normal(0, 0.6, n)
        well = self.rods.well[frame["rod"].to_numpy()]
        amp = np.minimum(self.currents.on(well, day) * np.exp(rng.normal(0, 0.25, n)), 30.0)
        return frame.with_columns(
            minute=pl.Series((480 + 400 * by_site[0] + 6 * (well % 14)).astype(np.int64))
            + pl.col("repeat_no"),
            current_a=pl.when(pl.Series(by_site[1] < 0.8)).then(pl.Series(np.round(amp, 3))),
            check_ring_ohm=pl.when(pl.Series(by_site[2] < 0.6)).then(pl.Series(ring)),
            soil_temp_c=pl.when(pl.Series(by_site[3] < 0.55)).then(pl.Series(np.round(temp, 1))),
            soil_moisture_pct=pl.when(pl.Series(by_site[4] < 0.2)).then(
                pl.Series(np.round(rng.uniform(8, 38, n)))
            ),
            crew_no=pl.Series(1 + (by_site[4] * 3).astype(np.int64)),
        )

    def _look_again(self, suspects: np.ndarray, round_day: Days, year: int) -> np.ndarray:
        """Visit the suspects of some sites again before the year is out; return those that still look bad."""
        sites = np.unique(self.rods.site[suspects])
        in_time = round_day[sites] + 20 < day_of(year, 345)
        again = sites[(self.rng.random(len(sites)) < 0.4) & in_time]
        day = np.minimum(round_day[again] + self.rng.integers(20, 100, len(again)), day_of(year, 355))
        return self._visit(self._only(again, day), suspects, "follow_up")

    def _renew(self, bad: np.ndarray, year: int) -> None:
        """Replace some of the bad rods, a site's in one job, and read half of the new ones soon after."""
        rods, life, rng = self.rods, self.life, self.rng
        free = (rods.generation[bad] < rods.generation.max()) & (life.retired[bad] == NEVER)
        chosen = bad[(rng.random(len(bad)) < 0.22) & free]
        job = day_of(year + 1, rng.integers(20, 300, len(self.world.wells)))
        chosen = chosen[job[rods.site[chosen]] < END - 200]
        done = job[rods.site[chosen]]
        new = chosen + int(rods.well.max()) + 1
        life.retired[chosen] = done
        life.installed[new] = done
        work = {"site": rods.site[chosen], "rod": chosen, "day": done, "work": ["replaced"] * len(chosen)}
        self.works.append(pl.DataFrame(work, schema=WORK_SCHEMA))
        sites = np.unique(rods.site[new])
        soon = sites[rng.random(len(sites)) < 0.5]
        self._visit(self._only(soon, job[soon] + rng.integers(2, 25, len(soon))), new, "after_work")


def year_share(day: Days) -> np.ndarray:
    """Return how far the year has gone on each day, 0 to 1."""
    return np.mod(np.asarray(day, dtype=float) / DAYS_A_YEAR, 1.0)


def dryness_log(world: World, mechanism: Mechanism, day: Days) -> np.ndarray:
    """Return what the district's wet or dry year does to ln R of each site on its own day."""
    year = np.clip(year_of(day), FIRST_YEAR, LAST_YEAR)
    return -mechanism.district_year_sd_log * world.wetness[world.district, year - FIRST_YEAR]


def season_log(world: World, mechanism: Mechanism, day: Days) -> np.ndarray:
    """Return the season's part of ln R of each site on its own day, of mean zero over a year."""
    first = np.array([s.season_first_log for s in SOILS])[world.soil]
    second = np.array([s.season_second_log for s in SOILS])[world.soil]
    turn = 2 * np.pi * year_share(day)
    highest = 2 * np.pi * (0.66 + 0.02 * (world.district - 2.5))  # late summer, a little apart by district
    wave = first * np.cos(turn - highest) + second * np.cos(2 * turn - 1.1)
    return mechanism.season_amplitude * wave


def rounds_due(rng: np.random.Generator, world: World, mechanism: Mechanism) -> np.ndarray:
    """Return the years in which each site is due for a round: bool [site, year - FIRST_YEAR]."""
    years = np.arange(FIRST_YEAR, LAST_YEAR + 1)
    sites = len(world.wells)
    built = year_of(world.commissioned)
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


def send_out(
    rng: np.random.Generator, world: World, rods: Rods, *, life: Life, meters: Meters, mechanism: Mechanism
) -> Rounds:
    """Let the crews work through the years; `life` is brought up to date with the renewals."""
    rounds = Rounds(
        world, rods, life, meters, mechanism, rng,
        visit_log=rng.normal(0, mechanism.visit_sd_log, len(world.wells)),
        first_ohm=np.full(len(rods.site), np.nan),
        currents=make_currents(rng, world, rods),
    )  # fmt: skip
    rounds.read_all()
    return rounds
