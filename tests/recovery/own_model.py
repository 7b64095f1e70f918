"""Histories drawn from the fitted model itself, with the truth beside them."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from models.calibration import Calibration
from models.class_prior import FLAWED_SPREAD, class_layout
from models.corrosion_curves import CEILINGS, FAMILIES, crossing_age, curve_grid, log_ratio
from models.covariates import COVARIATES
from models.histories import AS_INSTALLED, ROUTINE, Histories, harmonics
from models.season import SeasonSpread
from models.shared_terms import districts_of, fixed_terms
from models.site_pass import FieldSpread
from models.step_hazard import StepModel

Floats = npt.NDArray[np.float64]
NOW = 2026.0


@dataclass(frozen=True)
class OwnTruth:
    """onset, growth, base (log), age_now, broken_at: (N,). visit: (V,) effects."""

    onset: Floats
    growth: Floats
    base: Floats
    age_now: Floats
    broken_at: Floats
    visit: Floats


def draw_histories(
    rng: np.random.Generator,
    sites: int = 60,
    rods: int = 9,
    years: int = 14,
    ceiling: float = 1.6,
    classes: tuple[tuple[str, float, float], ...] = (
        ("marsh", 10.0, 0.2),
        ("clay", 22.0, 0.12),
        ("sand", 60.0, 0.08),
    ),
    noise: float = 0.07,
    visit_sd: float = 0.08,
    site_sd: float = 0.3,
    rod_sd: float = 0.2,
    break_rate: float = 0.003,
    wild: float = 0.01,
    as_installed: float = 0.3,
) -> tuple[Histories, OwnTruth]:
    """Draw a small fleet: log-normal onset and growth by class, a site effect, AR(1) visits, noise, steps."""
    now = 2026.0
    cols: dict[str, list] = {k: [] for k in ("age", "log", "year", "kind", "visit")}
    starts, visit_start, visit_year, v_true = [0], [0], [], []
    onset_t, growth_t, base_t, age_t, broke_t, soil = [], [], [], [], [], []
    for _ in range(sites):
        name, median, rate = classes[rng.integers(len(classes))]
        u, b = rng.normal(), rng.normal(0, site_sd)
        built = now - rng.uniform(8, 45)
        t = now - np.arange(years, 0, -1) + rng.uniform(-0.2, 0.2, years) + 0.4
        v = np.zeros(years)
        rho = np.exp(-1.0)
        v[0] = rng.normal(0, visit_sd)
        for k in range(1, years):
            v[k] = rho * v[k - 1] + rng.normal(0, visit_sd * np.sqrt(1 - rho**2))
        visit_year.extend(t)
        v_true.extend(v)
        visit_start.append(len(visit_year))
        for _ in range(rods):
            tau = np.exp(np.log(median) - 0.3 * u + rng.normal(0, 0.4))
            r = np.exp(np.log(rate) + 0.15 * u + rng.normal(0, 0.4))
            a = b + rng.normal(0, rod_sd)
            broke = rng.exponential(1 / break_rate) if break_rate > 0 else np.inf
            jump = rng.normal(0.9, 0.4)
            seen = t > built + 0.3
            age = t[seen] - built
            own = noise * np.exp(0.3 * rng.normal())
            y = (
                a
                + v[seen]
                + log_ratio(age, tau, r, ceiling)
                + jump * (age >= broke)
                + rng.normal(0, own, age.size)
            )
            y += harmonics(t[seen]) @ np.array([0.1, 0.02, 0.05, 0.03])
            y += np.where(rng.random(age.size) < wild, rng.normal(0, 0.8, age.size), 0.0)
            if rng.random() < as_installed:
                cols["age"].append(0.0)
                cols["log"].append(a + rng.normal(0, 0.12))
                cols["year"].append(built)
                cols["kind"].append(AS_INSTALLED)
                cols["visit"].append(-1)
            cols["age"].extend(age)
            cols["log"].extend(y + 3.0)
            if cols["kind"][-1:] == [AS_INSTALLED]:
                cols["log"][-age.size - 1] += 3.0
            cols["year"].extend(t[seen])
            cols["kind"].extend([ROUTINE] * age.size)
            cols["visit"].extend(np.flatnonzero(seen))
            starts.append(len(cols["age"]))
            onset_t.append(tau)
            growth_t.append(r)
            base_t.append(a + 3.0)
            age_t.append(now - built)
            broke_t.append(broke if jump > 0 else np.inf)
            soil.append(name)
    N, M = len(onset_t), len(cols["age"])
    V = len(visit_year)
    h = Histories(
        site_start=np.arange(sites + 1) * rods,
        reading_start=np.array(starts),
        age=np.array(cols["age"]),
        log_ohm=np.array(cols["log"]),
        side=np.zeros(M, dtype=np.int64),
        meter_var=np.zeros(M),
        year=np.array(cols["year"]),
        kind=np.array(cols["kind"], dtype=np.int64),
        visit=np.array(cols["visit"], dtype=np.int64),
        visit_start=np.array(visit_start),
        visit_year=np.array(visit_year),
        visit_period=np.floor(np.array(visit_year)).astype(np.int64) - int(now) + years,
        periods=tuple(("d", int(now) - years + k) for k in range(years + 2)),
        log_formula=np.full(N, 2.5),
        survey_var=np.zeros(N),
        soil=tuple(soil),
        material=("clad",) * N,
        raw=np.zeros(N, dtype=bool),
        shifts=((),) * sites,
        age_now=np.array(age_t),
        electrode_id=tuple(f"e{i}" for i in range(N)),
        site_id=tuple(f"s{i}" for i in range(sites)),
        row=np.arange(M),
    )
    assert h.visit_start[-1] == V
    return h, OwnTruth(*(np.array(x) for x in (onset_t, growth_t, base_t, age_t, broke_t, v_true)))


@dataclass(frozen=True)
class Plan:
    """How large a drawn fleet is and how its crews went round.

    rods, years: of each site, from least to most. begun: share of its site's years after which a rod was
    driven late. installed_share: rods with a value written down when new. limit_ohm: of the meters.
    """

    sites: int = 3
    rods: tuple[int, int] = (3, 3)
    years: tuple[int, int] = (4, 14)
    built_years: tuple[float, float] = (8.0, 45.0)
    installed_share: float = 0.3
    limit_ohm: float = 1500.0
    log_formula: float = 2.7


@dataclass(frozen=True)
class ModelTruth:
    """What is true of a fleet drawn from a calibration.

    onset, growth, ceiling, base (log), broken_at, jump, age_now, level_now (log), crossing (years, at a
    doubling): (N,). visit: (V,) effects.
    """

    onset: Floats
    growth: Floats
    ceiling: Floats
    base: Floats
    broken_at: Floats
    jump: Floats
    age_now: Floats
    level_now: Floats
    crossing: Floats
    visit: Floats


def known_calibration(soils: tuple[str, ...] = ("marsh", "clay", "sand")) -> Calibration:
    """Return a calibration to draw fleets from: three classes, early to late, no season and no settling.

    What is left out is known to be nothing (its prior spread is not drawn from).
    """
    none = np.zeros(0, dtype=np.int64)
    layout = class_layout((), (), none.astype(bool), none, soils, ("clad",))
    theta = dict(zip(layout.names, layout.start(), strict=True))
    theta |= {"onset_fleet": np.log(22.0), "growth_fleet": np.log(0.12), "log_onset_spread": np.log(0.45)}
    theta |= {"log_growth_spread": np.log(0.4), "onset_site_load": 0.3, "growth_site_load": 0.15}
    for name, onset, growth in (("marsh", -0.7, 0.4), ("sand", 0.8, -0.4)):
        if name in soils:
            theta |= {f"onset_soil_{name}": onset, f"growth_soil_{name}": growth}
    values = np.array([theta[n] for n in layout.names])
    empty, _ = draw_histories(np.random.default_rng(0), sites=1, rods=1, years=2)
    terms = fixed_terms(empty.sample_sites(none), soils, districts_of(empty))
    return Calibration(
        soils, ("clad",), np.zeros(len(terms.names)), terms.names, np.full(len(soils), 0.07), 0.3, 0.12, 0.2,
        FieldSpread(0.3, 0.08, 1.0, 0.25, 0.2), {}, 0.0, StepModel(), values,
        np.zeros((values.size, values.size)), layout.names, np.full((2, len(CEILINGS)), 1 / len(CEILINGS)),
        converged=True, districts=districts_of(empty), fixed_cov=np.zeros((len(terms.names),) * 2),
        season=SeasonSpread(harmonics=0),
    )  # fmt: skip


def log_onset_moments(theta: Mapping[str, float]) -> tuple[float, float]:
    """Return how far flawed rods move the mean log onset of a class forward, and its sd over sites and rods.

    theta: class parameters by name; the class's own spread and load as the fleet's. A mixture's variance is
    that within its parts and that between their means.
    """
    share = 1.0 / (1.0 + np.exp(-theta["flawed_log_odds"]))
    within = np.exp(2 * theta["log_onset_spread"]) + share * FLAWED_SPREAD**2
    between = share * (1.0 - share) * theta["flawed_earlier"] ** 2
    return share * theta["flawed_earlier"], float(np.sqrt(within + between + theta["onset_site_load"] ** 2))


def _between(rng: np.random.Generator, mean: float, sd: float, edges: Floats) -> float:
    """Draw a log-normal between the outer edges of a grid, as the prior on the grid has it."""
    while True:
        value = float(np.exp(rng.normal(mean, sd)))
        if edges[0] <= value <= edges[-1]:
            return value


def _upward(rng: np.random.Generator, mean: float, sd: float) -> float:
    while True:
        value = float(rng.normal(mean, sd))
        if value > 0.0:
            return value


@dataclass
class _Book:
    """Collect a fleet's rows while it is drawn."""

    reading: dict[str, list[Floats]] = field(default_factory=dict)
    electrode: dict[str, list[float]] = field(default_factory=dict)
    soil: list[str] = field(default_factory=list)
    counts: list[int] = field(default_factory=list)
    rods: list[int] = field(default_factory=list)
    visits: list[Floats] = field(default_factory=list)
    effects: list[Floats] = field(default_factory=list)
    ground: list[Floats] = field(default_factory=list)

    def add(self, into: dict[str, list], **values: object) -> None:
        """Append a value, or an array of them, to each named column."""
        for k, v in values.items():
            into.setdefault(k, []).append(v)


def draw_fleet(cal: Calibration, rng: np.random.Generator, plan: Plan) -> tuple[Histories, ModelTruth]:
    """Draw a fleet from the model under a calibration, as DEVELOPERS.md states it, with nothing discretised.

    The site effect is a continuous normal, an electrode's noise scale log-normal, a ceiling its class's
    centre and a deviation, the first step's hazard as the step model has it, its size a normal above zero.
    """
    book = _Book()
    for _ in range(plan.sites):
        _draw_site(cal, rng, plan, book)
    return _bound(book, plan), ModelTruth(
        *(np.array(book.electrode[k]) for k in (
            "onset", "growth", "ceiling", "base", "broken_at", "jump", "age_now", "level_now", "crossing")),
        np.concatenate(book.effects),
    )  # fmt: skip


def _draw_site(cal: Calibration, rng: np.random.Generator, plan: Plan, book: _Book) -> None:
    years = int(rng.integers(plan.years[0], plan.years[1] + 1))
    # any season, or the season's share of the level is left to its prior
    t = NOW - np.arange(years, 0, -1) + rng.uniform(0.03, 0.93, years)
    s = cal.spread
    memory = np.exp(-np.abs(t[:, None] - t) / s.visit_years) + 1e-9 * np.eye(years)
    v = s.visit_sd * np.linalg.cholesky(memory) @ rng.normal(size=years)
    soil, u, b = str(rng.choice(cal.soils)), float(rng.normal()), float(rng.normal(0.0, s.site_sd))
    if cal.standards.names:
        u += _surveyed(cal, rng, book, soil)
    built = NOW - rng.uniform(*plan.built_years)
    rods = int(rng.integers(plan.rods[0], plan.rods[1] + 1))
    for _ in range(rods):
        _draw_rod(cal, rng, plan, book, soil, u, b, built, t, v)
    book.rods.append(rods)
    book.visits.append(t)
    book.effects.append(v)


def _surveyed(cal: Calibration, rng: np.random.Generator, book: _Book, soil: str) -> float:
    """Draw what a survey measured at a site, and return by how much that moves the site's effect."""
    known, p = cal.standards, dict(zip(cal.theta_names, cal.theta, strict=True))
    z = rng.normal(size=len(known.names))
    row = np.full(len(COVARIATES), np.nan)
    row[[COVARIATES.index(n) for n in known.names]] = known.mean[cal.soils.index(soil)] + known.sd * z
    book.ground.append(row)
    return float(z @ np.array([p[f"harshness_{n}"] for n in known.names]))


def _draw_rod(
    cal: Calibration, rng: np.random.Generator, plan: Plan, book: _Book, soil: str, u: float, b: float,
    built: float, t: Floats, v: Floats,
) -> None:  # fmt: skip
    tau, r, ceiling, at, jump, family = _draw_life(cal, rng, soil, u)
    base = plan.log_formula + b + rng.normal(0.0, cal.spread.rod_sd)
    seen = np.flatnonzero(t > built + 0.3)
    age = t[seen] - built
    noise = float(cal.noise_sd[cal.soils.index(soil)]) * np.exp(cal.noise_spread * rng.normal())
    y = base + v[seen] + log_ratio(age, tau, r, ceiling, family) + jump * (age >= at)
    y += rng.normal(0, noise, age.size)
    wild = rng.random(age.size) < cal.steps.wild_share
    y += np.where(wild, rng.normal(0.0, cal.steps.wild_sd, age.size), 0.0)
    over = y > np.log(plan.limit_ohm)
    new = rng.random() < plan.installed_share
    first = [base + rng.normal(0.0, cal.installed_sd)] if new else []
    book.add(
        book.reading, age=np.r_[np.zeros(len(first)), age], side=np.r_[np.zeros(len(first)), over],
        log_ohm=np.r_[first, np.where(over, np.log(plan.limit_ohm), y)],
        year=np.r_[np.full(len(first), built), t[seen]], visit=np.r_[np.full(len(first), -1), seen],
        kind=np.r_[np.full(len(first), AS_INSTALLED), np.full(age.size, ROUTINE)],
    )  # fmt: skip
    now = NOW - built
    own, rest = (
        float(crossing_age(left, np.array(tau), np.array(r), ceiling, family))
        for left in (np.log(2.0), max(np.log(2.0) - jump, 0.0))
    )
    stepped = max(at, rest)
    if jump >= np.log(2.0):
        stepped = at
    book.add(
        book.electrode, onset=tau, growth=r, ceiling=ceiling, base=base, broken_at=at, jump=jump, age_now=now,
        level_now=base + log_ratio(np.array(now), tau, r, ceiling, family) + jump * (now >= at),
        crossing=min(own, stepped),
    )  # fmt: skip
    book.soil.append(soil)
    book.counts.append(age.size + len(first))


def _draw_life(
    cal: Calibration, rng: np.random.Generator, soil: str, u: float
) -> tuple[float, float, float, float, float, int]:
    """Draw onset, growth, ceiling, age at a step, its size and the family for a rod in a site of effect u."""
    p = dict(zip(cal.theta_names, cal.theta, strict=True))
    grid = curve_grid()
    load_t, load_r = (float(np.exp(p[f"log_{k}_load_soil_{soil}"])) * u for k in ("onset", "growth"))
    spread = float(np.exp(p["log_onset_spread"] + p[f"onset_spread_soil_{soil}"]))
    centre = p["onset_fleet"] + p[f"onset_soil_{soil}"] - p["onset_site_load"] * load_t
    if rng.random() < 1.0 / (1.0 + np.exp(-p["flawed_log_odds"])):
        centre, spread = centre - p["flawed_earlier"], float(np.hypot(spread, FLAWED_SPREAD))
    tau = _between(rng, centre, spread, grid.onset_edges)
    r = _between(
        rng, p["growth_fleet"] + p[f"growth_soil_{soil}"] + p["growth_site_load"] * load_r,
        float(np.exp(p["log_growth_spread"] + p[f"growth_spread_soil_{soil}"])), grid.growth_edges,
    )  # fmt: skip
    c = rng.choice(grid.ceiling.size, p=cal.ceiling_weight[0])
    ceiling = _upward(rng, float(grid.ceiling[c]), float(grid.ceiling_sd[c]))
    at = _draw_step(cal.steps, rng, soil, tau)
    opened = rng.random() < cal.steps.open_share
    mean, var = (x[int(opened)] for x in cal.steps.jumps())
    jump = _upward(rng, float(mean), float(np.sqrt(var)))
    family = cal.families[0]
    if len(cal.families) > 1:
        family = int(rng.choice(len(FAMILIES), p=cal.family_shares[cal.soils.index(soil)]))
    return tau, r, ceiling, at, jump, family


def _draw_step(steps: StepModel, rng: np.random.Generator, soil: str, tau: float) -> float:
    """Draw the age at the first step: where the hazards since driving come to a unit exponential."""
    rate = steps.break_rate * steps.soil_factor.get(soil, 1.0)
    if rate + steps.after_rate <= 0:
        return np.inf
    needed = float(rng.exponential())

    def come(age: float) -> float:
        return rate * 40.0 * (age / 40.0) ** steps.age_power + steps.after_rate * max(age - tau, 0.0)

    return float(brentq(lambda age: come(age) - needed, 0.0, 1e6)) if come(1e6) > needed else np.inf


def _bound(book: _Book, plan: Plan) -> Histories:
    columns = {k: np.concatenate(v) for k, v in book.reading.items()}
    visits = np.concatenate(book.visits)
    N, M, S = len(book.counts), columns["age"].size, len(book.rods)
    first = int(np.floor(visits.min()))
    return Histories(
        site_start=np.r_[0, np.cumsum(book.rods)].astype(np.int64),
        reading_start=np.r_[0, np.cumsum(book.counts)].astype(np.int64),
        age=columns["age"], log_ohm=columns["log_ohm"], side=columns["side"].astype(np.int64),
        meter_var=np.zeros(M), year=columns["year"], kind=columns["kind"].astype(np.int64),
        visit=columns["visit"].astype(np.int64),
        visit_start=np.r_[0, np.cumsum([v.size for v in book.visits])].astype(np.int64),
        visit_year=visits, visit_period=np.floor(visits).astype(np.int64) - first,
        periods=tuple(("d", y) for y in range(first, int(NOW) + 1)),
        log_formula=np.full(N, plan.log_formula), survey_var=np.zeros(N), soil=tuple(book.soil),
        material=("clad",) * N, raw=np.zeros(N, dtype=bool), shifts=((),) * S,
        age_now=np.array(book.electrode["age_now"]),
        electrode_id=tuple(f"e{i}" for i in range(N)), site_id=tuple(f"s{i}" for i in range(S)),
        row=np.arange(M), ground=np.stack(book.ground) if book.ground else None,
    )  # fmt: skip


def known_by(h: Histories, year: float) -> Histories:
    """Return the histories as they stood at a decimal year: later readings and visits are not there yet."""
    readings, visits = h.year <= year, h.visit_year <= year
    electrodes = np.bincount(h.reading_electrode, readings, minlength=h.electrodes).astype(np.int64)
    site_of_visit = np.repeat(np.arange(h.sites), np.diff(h.visit_start))
    sites = np.bincount(site_of_visit, visits, minlength=h.sites).astype(np.int64)
    return replace(
        h, reading_start=np.r_[0, np.cumsum(electrodes)], visit_start=np.r_[0, np.cumsum(sites)],
        **{k: getattr(h, k)[readings] for k in (
            "age", "log_ohm", "side", "meter_var", "year", "kind", "visit", "row")},
        visit_year=h.visit_year[visits], visit_period=h.visit_period[visits],
        age_now=h.age_now - (NOW - year),
    )  # fmt: skip
