"""Histories drawn from the fitted model itself, with the truth beside them."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from models.corrosion_curves import log_ratio
from models.histories import AS_INSTALLED, ROUTINE, Histories, harmonics

Floats = npt.NDArray[np.float64]


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
