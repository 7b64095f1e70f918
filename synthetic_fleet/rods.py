"""The rods: what they are, how they corrode over 200 years, and the truth about each."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_fleet.mechanisms import Mechanism
from synthetic_fleet.soils import MATERIALS, SOILS
from synthetic_fleet.world import AS_OF, Days, World, dates, day_of

GENERATIONS = 3  # a well sees at most so many electrodes in turn
HORIZON_YEARS = 200.0
LN2, LN_ONSET = np.log(2.0), np.log(1.05)
NEVER = day_of(9000, 1)
DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class Rods:
    """Hold every electrode that a well may see; arrays run over generation x well, generation first."""

    well: np.ndarray  # index of the well
    site: np.ndarray  # index of the site
    generation: np.ndarray  # 0, 1, 2: A, B, C
    material: np.ndarray  # index into MATERIALS
    length_m: np.ndarray
    radius_m: np.ndarray
    coating_um: np.ndarray
    new_ohm: np.ndarray  # tied in, settled, annual mean: what `ratio` is over
    alone_ohm: np.ndarray  # before it was tied in
    settle_log: np.ndarray  # how much higher it reads on its first day
    corrosion: str  # physics | log_linear | none
    breach_age: np.ndarray  # years; when steel lies bare (physics) or growth begins (log_linear)
    length_loss: np.ndarray  # m a year (physics) or ln a year (log_linear)
    stub_share: np.ndarray  # of the length that is never lost (physics)
    ceiling_log: np.ndarray  # of the growth (log_linear)
    break_age: np.ndarray  # years, infinity where never
    break_log: np.ndarray  # size of the step
    noise_sd_log: np.ndarray

    def corrosion_log(self, age: np.ndarray, which: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Return ln of the resistance over new from corrosion alone, at an age in years per rod."""
        since = np.maximum(age - self.breach_age[which], 0.0)
        if self.corrosion == "none":
            return np.zeros_like(since)
        if self.corrosion == "log_linear":
            return np.minimum(self.length_loss[which] * since, self.ceiling_log[which])
        length, radius = self.length_m[which], self.radius_m[which]
        lost = self.length_loss[which] * since**0.9
        grade = np.minimum(0.25 * lost, 0.2 * length)  # the zone near grade rusts through its own share
        left = np.maximum(length - lost - grade, self.stub_share[which] * length)
        thinned = np.maximum(radius - 4e-5 * since, 0.6 * radius)
        return np.log(dwight_ohm(1.0, left, thinned) / dwight_ohm(1.0, length, radius))

    def ratio_log(self, age: np.ndarray, which: np.ndarray | slice = slice(None)) -> np.ndarray:
        """Return ln of the ratio, corrosion and break together, at an age in years per rod of `which`."""
        broken = age >= self.break_age[which]
        return self.corrosion_log(age, which) + np.where(broken, self.break_log[which], 0.0)


def dwight_ohm(resistivity: np.ndarray | float, length_m: np.ndarray, radius_m: np.ndarray) -> np.ndarray:
    """Return a driven rod's resistance in ohm in uniform soil (H. B. Dwight, Trans. AIEE 55, 1936)."""
    return resistivity / (2 * np.pi * length_m) * (np.log(4 * length_m / radius_m) - 1.0)


def make_rods(rng: np.random.Generator, world: World, mechanism: Mechanism) -> Rods:
    """Drive the rods of all wells, with the successors that each well may come to see."""
    well_site = np.repeat(np.arange(len(world.wells)), world.wells)
    wells = len(well_site)
    site = np.tile(well_site, GENERATIONS)
    n = len(site)
    other = rng.random(n) < 0.12
    material = np.where(
        other, rng.choice(len(MATERIALS), n, p=[m.share for m in MATERIALS]), world.material[site]
    )
    length = rng.choice([2.4, 3.0, 4.8, 6.0], size=n, p=[0.2, 0.55, 0.1, 0.15])
    radius = rng.choice([0.0064, 0.008, 0.0095], size=n, p=[0.15, 0.65, 0.2])
    local = np.tile(rng.normal(0, 0.15, wells), GENERATIONS) + rng.normal(0, 0.05, n)
    alone = dwight_ohm(world.resistivity_ohm_m[site] * np.exp(local), length, radius)
    shielded = rng.uniform(0.72, 1.0, len(world.wells))[site]  # lower inside a grid: common practice
    breach, loss, coating = _attack(rng, world, site, material, mechanism)
    rods = Rods(
        well=np.tile(np.arange(wells), GENERATIONS),
        site=site,
        generation=np.repeat(np.arange(GENERATIONS), wells),
        material=material,
        length_m=length,
        radius_m=radius,
        coating_um=coating,
        new_ohm=alone * shielded,
        alone_ohm=alone,
        settle_log=np.abs(rng.normal(0.06, 0.03, n)),
        corrosion=mechanism.corrosion,
        breach_age=breach,
        length_loss=loss,
        stub_share=rng.uniform(0.06, 0.12, n),
        ceiling_log=np.maximum(rng.normal(np.log(6), 0.2, n), 1.0),
        break_age=np.full(n, np.inf),
        break_log=np.zeros(n),
        noise_sd_log=rng.uniform(*mechanism.noise_sd_log, n),
    )
    _part(rng, rods, mechanism)
    return rods


def _attack(
    rng: np.random.Generator, world: World, site: np.ndarray, material: np.ndarray, mechanism: Mechanism
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw when each rod's steel lies bare, and how fast it goes from then on."""
    n = len(site)
    soil = world.soil[site]
    rate_log = world.rate_log[site] + rng.normal(0, 0.16, n)
    copper_grid = (world.sites["grid_material"].to_numpy() == "copper")[site]
    mat = {f: np.array([getattr(m, f) for m in MATERIALS])[material] for f in
           ("coating_um", "coating_rate", "length_loss_rate", "beside_copper_grid")}  # fmt: skip
    galvanic = np.where(copper_grid, mat["beside_copper_grid"], 1.0)
    coating = mat["coating_um"] * np.exp(rng.normal(0, 0.08, n))
    k = np.array([s.cladding_um_first_year for s in SOILS])[soil]
    power = np.array([s.cladding_power for s in SOILS])[soil]
    flawed = rng.random(n) < 0.08
    flaw = np.where(flawed, rng.uniform(0.1, 0.5, n), 1.0)  # scratched in driving: less to eat at one place
    breach = (coating * flaw / (k * mat["coating_rate"] * galvanic * np.exp(rate_log))) ** (1.0 / power)
    loss = np.array([s.length_loss_m_per_year for s in SOILS])[soil] * mat["length_loss_rate"] * galvanic
    loss = loss * np.exp(rate_log + rng.normal(0, 0.3, n)) * np.where(flawed, 0.6, 1.0)
    if mechanism.corrosion == "log_linear":
        loss = loss / 2.4  # ln a year: a 3 m rod doubles after a loss of 1.7 m
    return breach, loss, coating


def _part(rng: np.random.Generator, rods: Rods, mechanism: Mechanism) -> None:
    """Set when and how far each rod, clamp or coupler parts: one hazard by age, one more after onset."""
    n = len(rods.site)
    needed = rng.exponential(1.0, n)
    step = np.maximum(rng.normal(mechanism.break_step_log, 0.35, n), 0.55)
    opened = rng.random(n) < mechanism.break_open_share
    h0, h1 = mechanism.break_hazard_per_year, mechanism.break_hazard_after_onset_per_year
    if h0 + h1 == 0:
        return
    onset = rods.breach_age
    by_age = needed / h0 if h0 > 0 else np.full(n, np.inf)
    age = np.where(by_age <= onset, by_age, (needed + h1 * onset) / (h0 + h1))
    rods.break_age[:] = np.where(age <= HORIZON_YEARS, age, np.inf)
    rods.break_log[:] = np.where(opened, 7.0, step)


def age_reaching(rods: Rods, target_log: np.ndarray | float, breaks: bool) -> np.ndarray:
    """Return the first age in years at which ln ratio reaches the target, infinity if not in 200."""
    path = rods.ratio_log if breaks else rods.corrosion_log
    target = np.broadcast_to(np.asarray(target_log, dtype=float), rods.site.shape)
    low, high = np.zeros(len(target)), np.full(len(target), HORIZON_YEARS)
    never = path(high) < target
    for _ in range(50):  # both paths only ever rise
        middle = 0.5 * (low + high)
        reached = path(middle) >= target
        high = np.where(reached, middle, high)
        low = np.where(reached, low, middle)
    return np.where(never, np.inf, high)


@dataclass(frozen=True)
class Life:
    """Hold when each rod was in the ground, as days since 1970; NEVER where not yet, or not retired."""

    installed: Days
    retired: Days

    def in_ground(self, day: Days | int) -> np.ndarray:
        """Say which rods were in the ground on a day."""
        return (self.installed < day) & (self.retired >= day)


def first_installations(rng: np.random.Generator, world: World, rods: Rods) -> Life:
    """Install the first rod of each well: with the site, or later where the yard was extended or renewed."""
    n = len(rods.site)
    start = world.commissioned[rods.site]
    latest = day_of(2014, 1)
    late = (rng.random(n) < 0.22) & (start < latest)
    later = start + rng.random(n) * (latest - start)
    installed = np.where(late, later, start - rng.integers(5, 200, n)).astype(np.int64)
    return Life(np.where(rods.generation == 0, installed, NEVER), np.full(n, NEVER))


def well_names(world: World, rods: Rods) -> np.ndarray:
    """Return the well_id of each well."""
    wells = int(rods.well.max()) + 1
    site = rods.site[:wells]
    first = np.r_[0, np.cumsum(world.wells)[:-1]]
    names = world.sites["site_id"].to_list()
    return np.array([f"{names[s]}-W{w - first[s] + 1:02d}" for w, s in enumerate(site)])


def electrode_names(world: World, rods: Rods) -> np.ndarray:
    """Return the electrode_id of each rod."""
    wells = well_names(world, rods)
    return np.array([f"{wells[w]}-{'ABC'[g]}" for w, g in zip(rods.well, rods.generation, strict=True)])


def truth_table(world: World, rods: Rods, life: Life, rest_new_ohm: np.ndarray) -> pl.DataFrame:
    """Write down what is true of each installed electrode."""
    crossing = age_reaching(rods, LN2, breaks=True)
    raw = age_reaching(rods, np.log(2.0 + rest_new_ohm / rods.new_ohm), breaks=True)
    onset = age_reaching(rods, LN_ONSET, breaks=False)
    doubled = age_reaching(rods, LN2, breaks=False)
    growth = np.zeros(len(onset))
    grows = np.isfinite(doubled)
    growth[grows] = (LN2 - LN_ONSET) / np.maximum(doubled[grows] - onset[grows], 1e-6)
    as_of = int(AS_OF.astype(np.int64))
    age = (np.minimum(as_of, life.retired) - life.installed) / DAYS_A_YEAR
    retired = life.retired <= as_of
    ratio = np.exp(rods.ratio_log(np.maximum(age, 0.0)))
    frame = pl.DataFrame(
        {
            "electrode_id": electrode_names(world, rods),
            "crossing_age": crossing,
            "loop_raw_crossing_age": raw,
            "onset_age": onset,
            "growth_per_year": growth,
            "break_age": rods.break_age,
            "past_now": pl.Series(ratio >= 2.0).set(pl.Series(retired), None),
            "site_id": world.sites["site_id"].gather(rods.site),
            "soil_class": [SOILS[s].name for s in world.soil[rods.site]],
            "material": [MATERIALS[m].name for m in rods.material],
            "baseline_ohm": rods.new_ohm,
            "rest_ohm": rest_new_ohm,
            "ratio_now": ratio,
            "age_now": age,
            "noise_sd_log": rods.noise_sd_log,
        }
    )
    return frame.filter(pl.Series(life.installed < as_of)).sort("electrode_id")


def electrode_table(
    rng: np.random.Generator, world: World, rods: Rods, life: Life, rest: np.ndarray
) -> pl.DataFrame:
    """Write the contract's electrodes, with the as-installed readings that someone kept."""
    n = len(rods.site)
    kept = rng.random(n) < np.where(rods.generation == 0, 0.28, 0.75)
    tied_in = rng.random(n) < 0.75
    first_day = np.exp(rods.settle_log + rng.normal(0, 0.09, n))
    baseline = np.where(tied_in, rods.new_ohm * first_day + rest, rods.alone_ohm * first_day)
    connection = rng.choice(["exothermic", "compression", "clamp"], size=n, p=[0.45, 0.25, 0.3])
    note = pl.Series(kept)
    frame = pl.DataFrame(
        {
            "electrode_id": electrode_names(world, rods),
            "site_id": world.sites["site_id"].gather(rods.site),
            "well_id": well_names(world, rods)[rods.well],
            "has_test_well": True,
            "kind": "driven_rod",
            "material": [MATERIALS[m].name for m in rods.material],
            "length_m": rods.length_m,
            "diameter_mm": np.round(2000 * rods.radius_m, 1),
            "cladding_um": pl.Series([MATERIALS[m].coating_um for m in rods.material]).set(
                pl.Series(rods.material >= 2), None
            ),
            "top_depth_m": rng.choice([0.3, 0.5, 0.6], size=n),
            "x_m": np.round(np.tile(rng.uniform(0, 70, n // GENERATIONS), GENERATIONS), 1),
            "y_m": np.round(np.tile(rng.uniform(0, 50, n // GENERATIONS), GENERATIONS), 1),
            "connection": connection,
            "installed_on": dates(life.installed),
            "retired_on": dates(life.retired),
            "retired_reason": "found past its limit and renewed",
            "baseline_ohm": [float(f"{x:.3g}") for x in baseline],
            "baseline_on": dates(life.installed + rng.integers(0, 20, n)),
            "baseline_tied_in": tied_in,
        }
    )
    as_of = int(AS_OF.astype(np.int64))
    kept_columns = ["baseline_ohm", "baseline_on", "baseline_tied_in"]
    gone = pl.Series(life.retired <= as_of)
    frame = frame.with_columns(
        *(pl.when(note).then(pl.col(c)).alias(c) for c in kept_columns),
        *(pl.when(gone).then(pl.col(c)).alias(c) for c in ["retired_on", "retired_reason"]),
    )
    return frame.filter(pl.Series(life.installed < as_of)).sort("electrode_id")
