"""Groups of like ground, for fleets whose surveys measured the soil and named no class.

A Gaussian mixture on what was measured, the number of groups by its evidence (BIC) and by whether it comes
back: sites drawn anew with replacement, grouped again, and compared (adjusted Rand index, Hubert and Arabie
1985; each group's Jaccard, C. Hennig, Comput. Stat. Data Anal. 52, 2007). Groups of numbers, no soil
scientist's classes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from sklearn.metrics import adjusted_rand_score
from sklearn.mixture import GaussianMixture

Array = NDArray[np.float64]

# What is grouped by, as it stands or as its logarithm; surveyed words in the order of their rank.
MEASURED = ("resistivity_ohm_m", "ph", "chloride_ppm", "sulphate_ppm", "redox_mv", "drainage", "moisture")
ON_LOG = ("resistivity_ohm_m", "chloride_ppm", "sulphate_ppm")
RANKED = {"drainage": ("good", "fair", "poor"), "moisture": ("dry", "moist", "wet")}
KNOWN_SHARE = 0.6  # a property known at fewer of the sites than this is left out
LEAST_SITES, LEAST_A_GROUP = 40, 8
MOST_GROUPS, DRAWS = 6, 40
STABLE = 0.75  # mean adjusted Rand index; below, fewer groups (Hennig: a Jaccard of 0.75 is a valid group)


@dataclass(frozen=True)
class SoilGroups:
    """Sites by group, and how well the grouping comes back.

    sites: site_id, soil_class ("ground A" is the most conductive). groups: soil_class, sites, stability (mean
    Jaccard over redrawn sites), and the group's median of each property. stability: mean adjusted Rand index,
    1 for one group. properties: what it was grouped by.
    """

    sites: pl.DataFrame
    groups: pl.DataFrame
    stability: float
    properties: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Say what was done and how sure it is."""
        named = ", ".join(self.properties)
        count = self.groups.height
        if count == 1:
            return (
                f"No survey names a soil class, and what was measured ({named}) shows no groups: one class."
            )
        return (
            f"No survey names a soil class: {self.sites.height} sites were put into {count} groups by what "
            f"was measured ({named}). Redrawn sites give the same groups with an adjusted Rand index of "
            f"{self.stability:.2f} (1 is always, 0 is chance). These are groups of numbers, not a "
            "survey's classes."
        )


def _features(ground: pl.DataFrame) -> tuple[Array, tuple[str, ...]]:
    """Return (S, P) standardised numbers, gaps filled with the median, and which they are."""
    columns, names = [], []
    for name in MEASURED:
        if name not in ground.columns:
            continue
        column = ground[name]
        if name in RANKED:
            words = RANKED[name]
            column = column.replace_strict(words, range(len(words)), default=None, return_dtype=pl.Float64)
        value = column.cast(pl.Float64).fill_null(np.nan).to_numpy().copy()
        if name in ON_LOG:
            value = np.log(np.where(value > 0, value, np.nan))
        known = np.isfinite(value)
        if known.mean() < KNOWN_SHARE or np.ptp(value[known]) == 0:
            continue
        value[~known] = np.median(value[known])
        columns.append((value - value.mean()) / value.std())
        names.append(name)
    return np.array(columns).T.reshape(ground.height, len(names)), tuple(names)


def _fit(x: Array, count: int, seed: int) -> GaussianMixture:
    return GaussianMixture(count, covariance_type="diag", reg_covar=0.02, n_init=3, random_state=seed).fit(x)


def _again(x: Array, labels: NDArray[np.int64], count: int, rng: np.random.Generator) -> tuple[float, Array]:
    """Return the mean Rand index, and (count,) each group's mean Jaccard, over groupings of redrawn sites."""
    rand, jaccard = [], np.zeros((DRAWS, count))
    for k in range(DRAWS):
        drawn = rng.integers(0, len(x), len(x))
        other = _fit(x[drawn], count, int(rng.integers(2**31))).predict(x)
        rand.append(adjusted_rand_score(labels, other))
        for g in range(count):
            mine = labels == g
            shares = [(mine & (other == o)).sum() / (mine | (other == o)).sum() for o in np.unique(other)]
            jaccard[k, g] = max(shares)
    return float(np.mean(rand)), jaccard.mean(axis=0)


def group_sites(ground: pl.DataFrame, rng: np.random.Generator) -> SoilGroups | None:
    """Group sites by their measured ground; None where fewer than LEAST_SITES have been surveyed for it.

    `ground`: site_id and, as known, the columns of MEASURED; sites of which less than half of the
    properties is known are left out. The largest count of groups not beaten by BIC that comes back (STABLE)
    and has LEAST_A_GROUP sites in each; one group where none does.
    """
    there = [c for c in MEASURED if c in ground.columns]
    known = ground.filter(pl.sum_horizontal(pl.col(c).is_not_null() for c in there) * 2 >= len(there))
    known = known.sort("site_id")
    if not there or known.height < LEAST_SITES:
        return None
    x, names = _features(known)
    if not names:
        return None
    seed = int(rng.integers(2**31))
    fits = {k: _fit(x, k, seed) for k in range(1, MOST_GROUPS + 1)}
    best = min(fits, key=lambda k: fits[k].bic(x))
    for count in range(best, 1, -1):
        labels = fits[count].predict(x)
        if np.bincount(labels, minlength=count).min() < LEAST_A_GROUP:
            continue
        rand, jaccard = _again(x, labels, count, rng)
        if rand >= STABLE:
            return _named(known, labels, jaccard, rand, names)
    return _named(known, np.zeros(known.height, dtype=np.int64), np.ones(1), 1.0, names)


def _named(
    known: pl.DataFrame, labels: NDArray[np.int64], jaccard: Array, rand: float, names: tuple[str, ...]
) -> SoilGroups:
    """Name the groups by letters, from the lowest of the first property on (the most conductive)."""
    first = known[names[0]].cast(pl.Float64).fill_null(np.nan).to_numpy()
    order = np.argsort([float(np.nanmedian(first[labels == g])) for g in range(len(jaccard))])
    letter = {int(g): f"ground {chr(ord('A') + k)}" for k, g in enumerate(order)}
    sites = known.with_columns(pl.Series("soil_class", [letter[int(g)] for g in labels]))
    numbers = [n for n in names if n not in RANKED]
    groups = sites.group_by("soil_class").agg(pl.len().alias("sites"), pl.col(numbers).median())
    stability = pl.DataFrame(
        {"soil_class": list(letter.values()), "stability": [float(jaccard[g]) for g in letter]}
    )
    return SoilGroups(
        sites.select("site_id", "soil_class"),
        groups.join(stability, on="soil_class").sort("soil_class"),
        rand,
        names,
    )
