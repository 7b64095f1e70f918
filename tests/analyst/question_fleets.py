"""Small invented fleets for the measures of questions: crossings, readings, growth and breaks by site."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from models.question_outcomes import RISE_RATIO, growth_slopes, onset_crossings

Array = NDArray[np.float64]
VISITS = 12
WATCHED_YEARS = 16
START = dt.date(1990, 1, 1)


@dataclass(frozen=True)
class Shape:
    """What is drawn: sites a group, wells a site, spread between sites, and what truly matters."""

    sites: int = 12
    wells: int = 6
    site_sd: float = 0.5
    ratio: float = 1.0
    """True ratio of the second group over the first, or for each doubling of chloride."""
    soil_ratio: float = 1.0
    """True ratio of the second soil over the first, whatever the district."""
    few: int | None = None
    """Sites of the second group, where it has another count."""
    visits_every: float = 1.0
    """Years between readings of onset and growth."""
    noisier: float = 1.0
    """Times the usual scatter of readings of onset and growth."""


def _grounds(rng: np.random.Generator, shape: Shape) -> dict[str, NDArray[np.generic]]:
    """Draw sites: district north or south, soil leaning on it (four in five), chloride, material by well."""
    count = shape.sites + (shape.few or shape.sites)
    south = np.arange(count) >= shape.sites
    marsh = rng.random(count) < np.where(south, 0.8, 0.2)
    site = np.repeat(np.arange(count), shape.wells)
    return {
        "site": site,
        "south": south[site],
        "marsh": marsh[site],
        "chloride": np.exp(rng.normal(4, 1.0, count))[site],
        "plated": rng.random(site.size) < 0.5,
        "effect": rng.normal(0, shape.site_sd, count)[site],
    }


def _frame(g: dict[str, NDArray[np.generic]], **columns: NDArray[np.generic]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "electrode_id": [f"e{k}" for k in range(g["site"].size)],
            "site_id": [f"s{k}" for k in g["site"]],
            "region": np.where(g["south"], "south", "north"),
            "soil_class": np.where(g["marsh"], "marsh", "clay"),
            "material": np.where(g["plated"], "plated", "clad"),
            "chloride_ppm": g["chloride"],
            **columns,
        }
    )


def _log_ratio(g: dict[str, NDArray[np.generic]], shape: Shape, by: str) -> Array:
    """Give each rod's true log ratio: of its district, material or chloride; of its soil in addition."""
    what = {"region": g["south"], "material": g["plated"], "chloride_ppm": np.log2(g["chloride"] / np.exp(4))}
    return np.log(shape.ratio) * what[by].astype(float) + np.log(shape.soil_ratio) * g["marsh"].astype(float)


def lives(rng: np.random.Generator, shape: Shape, by: str = "region") -> pl.DataFrame:
    """Draw Weibull lives seen at yearly visits, sites failing together."""
    g = _grounds(rng, shape)
    n = g["site"].size
    life = 18 * rng.weibull(2, n) * np.exp(g["effect"] + _log_ratio(g, shape, by))
    visits = rng.uniform(0.5, 12, int(g["site"].max()) + 1)[g["site"]][:, None] + np.arange(VISITS)
    seen = (visits < life[:, None]).sum(axis=1)
    rows = np.arange(n)
    lower = np.where(seen > 0, visits[rows, np.maximum(seen - 1, 0)], 0.0)
    upper = np.where(seen < VISITS, visits[rows, np.minimum(seen, VISITS - 1)], np.inf)
    return _frame(g, lower_years=lower, upper_years=upper)


def breaks(rng: np.random.Generator, shape: Shape, by: str = "region") -> pl.DataFrame:
    """Draw breaks at a rate of 0.012 a year, sites alike, over 8 to 15 years watched."""
    g = _grounds(rng, shape)
    years = rng.uniform(8, 15, int(g["site"].max()) + 1)[g["site"]]
    rate = 0.012 * np.exp(g["effect"] + _log_ratio(g, shape, by))
    broken = rng.random(years.size) < -np.expm1(-rate * years)
    return _frame(g, broken=broken, watched_years=years)


def readings(
    rng: np.random.Generator, shape: Shape, by: str, onset: bool
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Draw readings of rods that rise once begun: what is compared moves the onset, or the growth.

    Sixteen years of visits, scatter 0.07 of a rod and 0.08 of a visit. Gives (vetted readings, lives).
    """
    g = _grounds(rng, shape)
    n, sites = g["site"].size, int(g["site"].max()) + 1
    moved = np.exp(_log_ratio(g, shape, by))
    begin = 10 * rng.weibull(2.5, n) * np.exp(g["effect"] / 2)
    growth = 0.07 * np.exp(rng.normal(0, 0.3, n) + g["effect"] / 2) * (1.0 if onset else moved)
    if onset:  # what can be asked is when the level is a quarter up: that age is what is moved
        to_a_quarter = np.log(RISE_RATIO) / growth
        begin = np.maximum((begin + to_a_quarter) * moved - to_a_quarter, 0.0)
    first = rng.uniform(0.5, 8, sites)[g["site"]]
    age = first[:, None] + np.arange(0, WATCHED_YEARS, shape.visits_every)
    visit = rng.normal(0, 0.08 * shape.noisier, (sites, age.shape[1]))[g["site"]]
    own = rng.normal(0, 0.07 * shape.noisier, age.shape)
    log = growth[:, None] * np.maximum(age - begin[:, None], 0) + visit + own
    base = _frame(
        g,
        baseline_ohm=np.full(n, 20.0),
        installed_on=np.full(n, np.datetime64(START)),
        soil=np.zeros(n),
    )
    day = np.datetime64(START, "us") + (age * 365.25 * 86400e6).astype("timedelta64[us]")
    vetted = pl.DataFrame(
        {
            "electrode_id": np.repeat(base["electrode_id"].to_numpy(), age.shape[1]),
            "taken_at": day.ravel(),
            "corrected_ohm": 20.0 * np.exp(log.ravel()),
            "verdict": "good",
            "range_mark": pl.Series([None] * log.size, dtype=pl.String),
        }
    )
    return vetted, base.with_columns(pl.col("installed_on").cast(pl.Date))


def onsets(rng: np.random.Generator, shape: Shape, by: str = "region") -> pl.DataFrame:
    """Draw readings and take the onsets from them as a run does."""
    vetted, base = readings(rng, shape, by, onset=True)
    return base.join(
        onset_crossings(vetted, base), on="electrode_id", how="left", maintain_order="left"
    ).drop_nulls("lower_years")


def growths(rng: np.random.Generator, shape: Shape, by: str = "region") -> pl.DataFrame:
    """Draw readings and take the growth from them as a run does."""
    vetted, base = readings(rng, shape, by, onset=False)
    return base.join(growth_slopes(vetted, base), on="electrode_id", how="inner", maintain_order="left")
