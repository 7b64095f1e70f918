"""Which surveyed properties of the ground carry what is known of corrosion: on sites held out.

Each rod's crossing is set against what the fleet's common life would have it, whatever its ground: the
boosted trees learn by how many times its hazard is higher. A property's importance is what a forecast of
sites never seen loses when that property is shuffled between sites (permutation importance, Breiman 2001, in
groups; folds by site, so that no rod tells of its neighbour).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import spearmanr

from models.accelerated_life import fit_accelerated_life

Array = NDArray[np.float64]

# Groups that are shuffled together, and the columns of each.
PROPERTIES = {
    "soil class": ("soil_class",),
    "resistivity": ("resistivity_ohm_m",),
    "acidity": ("ph",),
    "chloride": ("chloride_ppm",),
    "sulphate": ("sulphate_ppm",),
    "redox and sulphide": ("redox_mv", "sulphide"),
    "water": ("drainage", "moisture"),
    "material": ("material",),
    "district": ("region",),
}
ALL_SURVEYED = "all surveyed ground"
SURVEYED = ("resistivity", "acidity", "chloride", "sulphate", "redox and sulphide", "water", "soil class")
ON_LOG = ("resistivity_ohm_m", "chloride_ppm", "sulphate_ppm")
ORDERED = {
    "drainage": ("good", "fair", "poor"),
    "moisture": ("dry", "moist", "wet"),
    "sulphide": ("no", "trace", "yes"),
}
FOLDS, SHUFFLES = 5, 5
LEAST_SITES = 40
# Two properties stand for one another where their association between sites passes this (no source).
STANDS_FOR = 0.6
STEPS = 12
# Rods over which a dependence is averaged; more change nothing that can be seen.
MOST_MOVED = 600

IMPORTANCE = {
    "property": pl.String,
    "importance": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "alone": pl.Float64,
    "explained_by_all": pl.Float64,
    "known_sites": pl.Int64,
    "stands_for": pl.String,
    "association": pl.Float64,
    "says": pl.String,
}
DEPENDENCE = {
    "property": pl.String,
    "column": pl.String,
    "value": pl.Float64,
    "label": pl.String,
    "hazard": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}


@dataclass(frozen=True)
class _Rods:
    """Rods as arrays: features (n, p), the groups' columns, hazard met, crossed, site number."""

    features: Array
    names: tuple[str, ...]
    groups: dict[str, list[int]]
    levels: dict[str, tuple[str, ...]]
    met: Array
    crossed: Array
    site: NDArray[np.int64]


def _coded(rows: pl.DataFrame, column: str) -> tuple[Array, tuple[str, ...]]:
    """Give a column as numbers, nan where not known: ordered names in their order, others by their own mean.

    Names without an order are coded later by fold; here by their rank among the names.
    """
    if rows[column].dtype.is_numeric():
        value = rows[column].cast(pl.Float64).to_numpy().astype(np.float64)
        return (np.log(np.maximum(value, 1e-6)) if column in ON_LOG else value), ()
    levels = ORDERED.get(column) or tuple(sorted(rows[column].drop_nulls().unique().to_list()))
    code = {name: float(k) for k, name in enumerate(levels)}
    return np.array([code.get(v, np.nan) for v in rows[column].to_list()]), levels


def _laid_out(rows: pl.DataFrame) -> _Rods:
    columns: list[Array] = []
    names: list[str] = []
    levels: dict[str, tuple[str, ...]] = {}
    groups: dict[str, list[int]] = {}
    for group, members in PROPERTIES.items():
        for column in members:
            if column not in rows.columns or rows[column].drop_nulls().n_unique() < 2:
                continue
            value, names_of = _coded(rows, column)
            if names_of and column not in ORDERED:
                # One column a name: trees need no order that is not there.
                for k, name in enumerate(names_of):
                    groups.setdefault(group, []).append(len(columns))
                    columns.append((value == k).astype(np.float64))
                    names.append(f"{column}={name}")
                continue
            groups.setdefault(group, []).append(len(columns))
            columns.append(value)
            names.append(column)
            levels[column] = names_of
    lower, upper = (rows[n].to_numpy().astype(np.float64) for n in ("lower_years", "upper_years"))
    life = fit_accelerated_life(lower, upper)
    crossed = np.isfinite(upper)
    # Somewhere between the visits: in the middle of its interval.
    until = np.where(crossed, (lower + np.where(crossed, upper, lower)) / 2, lower)
    met = (np.maximum(until, 0.25) / np.exp(life.beta[0])) ** (1 / life.sigma)
    _, site = np.unique(rows["site_id"].to_numpy(), return_inverse=True)
    return _Rods(
        np.column_stack(columns),
        tuple(names),
        groups,
        levels,
        met,
        crossed.astype(float),
        site.astype(np.int64),
    )


def _boosted(rods: _Rods, rows: NDArray[np.int64], seed: int, trees: int = 80):  # type: ignore[no-untyped-def]
    """Fit trees to crossings against the hazard met, small ones: a few hundred sites are all there is."""
    from sklearn.ensemble import HistGradientBoostingRegressor

    model = HistGradientBoostingRegressor(
        loss="poisson", learning_rate=0.06, max_iter=trees, max_leaf_nodes=6, min_samples_leaf=40,
        l2_regularization=5.0, early_stopping=False, random_state=seed,
    )  # fmt: skip
    return model.fit(rods.features[rows], rods.crossed[rows] / rods.met[rows], sample_weight=rods.met[rows])


def _deviance(crossed: Array, expected: Array) -> float:
    """Give Poisson's deviance, a rod on average."""
    with np.errstate(divide="ignore", invalid="ignore"):
        term = np.where(crossed > 0, crossed * np.log(crossed / expected), 0.0)
    return float(2 * np.mean(term - (crossed - expected)))


@dataclass(frozen=True)
class GroundImportance:
    """Tables IMPORTANCE and DEPENDENCE; empty where there is too little."""

    importance: pl.DataFrame
    dependence: pl.DataFrame


def soil_importance(rows: pl.DataFrame, seed: int) -> GroundImportance:
    """Say which properties carry a forecast of unseen sites, and what stands for what.

    rows: one an electrode: site_id, lower_years, upper_years and columns of PROPERTIES. importance: the share
    of the fleet's deviance that the forecast of held-out sites loses when the property is shuffled between
    sites; low and high: a 90 % interval over folds and shuffles; alone: what trees of it alone explain.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    told = rows.filter((pl.col("lower_years") > 0) | pl.col("upper_years").is_finite()).sort("electrode_id")
    nothing = GroundImportance(pl.DataFrame(schema=IMPORTANCE), pl.DataFrame(schema=DEPENDENCE))
    if told["site_id"].n_unique() < LEAST_SITES or told["upper_years"].is_finite().sum() < LEAST_SITES:
        return nothing
    with threadpool_limits(1):
        return _measured(told, seed)


def _measured(rows: pl.DataFrame, seed: int) -> GroundImportance:
    from sklearn.model_selection import GroupKFold

    rods = _laid_out(rows)
    rng = np.random.default_rng([seed, 77])
    there = [g for g in SURVEYED if g in rods.groups]
    shuffled = {**rods.groups, ALL_SURVEYED: sorted(c for g in there for c in rods.groups[g])}
    lost: dict[str, list[float]] = {g: [] for g in shuffled}
    alone: dict[str, list[float]] = {g: [] for g in shuffled}
    explained, models = [], []
    folds = GroupKFold(FOLDS, shuffle=True, random_state=seed % 2**31)
    for train, test in folds.split(rods.features, groups=rods.site):
        base = rods.met[test] * rods.crossed[train].sum() / rods.met[train].sum()
        scale = _deviance(rods.crossed[test], base)
        model = _boosted(rods, train, seed % 2**31)
        models.append(model)
        seen = _deviance(rods.crossed[test], rods.met[test] * model.predict(rods.features[test]))
        explained.append(1 - seen / scale)
        for group, columns in shuffled.items():
            for _ in range(SHUFFLES):
                moved = _between_sites(rods, test, columns, rng)
                worse = _deviance(rods.crossed[test], rods.met[test] * model.predict(moved))
                lost[group].append((worse - seen) / scale)
            only = _only(rods, columns)
            small = _boosted(only, train, seed % 2**31, 30)
            own = _deviance(rods.crossed[test], rods.met[test] * small.predict(only.features[test]))
            alone[group].append(1 - own / scale)
    table = _importance_table(rows, lost, alone, float(np.mean(explained)))
    return GroundImportance(table, _dependence(rods, models))


def _only(rods: _Rods, columns: Sequence[int]) -> _Rods:
    return _Rods(rods.features[:, list(columns)], (), {}, {}, rods.met, rods.crossed, rods.site)


def _between_sites(
    rods: _Rods, test: NDArray[np.int64], columns: list[int], rng: np.random.Generator
) -> Array:
    """Give the test rows with these columns taken from another site, the same for all rods of a site."""
    moved = rods.features[test].copy()
    sites, first, number = np.unique(rods.site[test], return_index=True, return_inverse=True)
    donor = first[rng.permutation(sites.size)]
    moved[:, columns] = moved[donor[number]][:, columns]
    return moved


def _importance_table(
    rows: pl.DataFrame,
    lost: dict[str, list[float]],
    alone: dict[str, list[float]],
    explained: float,
) -> pl.DataFrame:
    related = _associations(rows)
    made = []
    for group, values in lost.items():
        # The folds' means carry the spread between sites; shuffles within a fold only the luck of the draw.
        folds = np.array(values).reshape(FOLDS, SHUFFLES).mean(axis=1)
        middle, error = float(folds.mean()), float(folds.std(ddof=1) / np.sqrt(FOLDS))
        partner, strength = related.get(group, ("", 0.0))
        members = PROPERTIES.get(group, ())
        known = (
            rows.filter(pl.any_horizontal(pl.col(c).is_not_null() for c in members if c in rows.columns))
            if members
            else rows
        )
        made.append(
            {
                "property": group,
                "importance": middle,
                "low": middle - 2.13 * error,  # Student's t, 4 degrees of freedom, 90 %
                "high": middle + 2.13 * error,
                "alone": float(np.mean(alone[group])),
                "explained_by_all": explained,
                "known_sites": known["site_id"].n_unique(),
                "stands_for": partner if strength >= STANDS_FOR else None,
                "association": strength,
                "says": _says(group, middle, float(np.mean(alone[group])), partner, strength),
            }
        )
    return pl.DataFrame(made, schema=IMPORTANCE).sort("importance", descending=True, maintain_order=True)


def _says(group: str, lost: float, alone: float, partner: str, strength: float) -> str:
    """Say what an importance means, and where it can't be told whose it is."""
    if group == ALL_SURVEYED:
        return (
            f"All that surveys say by itself explains {max(alone, 0):.0%} of the deviance at sites never "
            f"seen; shuffled between sites together, {max(lost, 0):.0%} is lost."
        )
    base = (
        f"{group[0].upper()}{group[1:]} by itself explains {max(alone, 0):.0%} of the deviance at sites "
        f"never seen; shuffled between sites, {max(lost, 0):.1%} is lost."
    )
    if strength >= STANDS_FOR:
        base += (
            f" It stands for {partner} (association {strength:.2f}): what it carries may be the other's, "
            "and a small loss may only mean that the other fills in."
        )
    return base


def _associations(rows: pl.DataFrame) -> dict[str, tuple[str, float]]:
    """Give each property's nearest other and their association between sites, 0 to 1.

    Between numbers Spearman's; of a name with a number the correlation ratio of its ranks; between names
    Cramer's V (bias-corrected, Bergsma 2013).
    """
    sites = rows.unique("site_id", keep="first", maintain_order=True)
    members = {
        g: [c for c in cs if c in rows.columns and rows[c].drop_nulls().n_unique() > 1]
        for g, cs in PROPERTIES.items()
    }
    found: dict[str, tuple[str, float]] = {}
    for group, columns in members.items():
        best = ("", 0.0)
        for other, others in members.items():
            if other == group or {group, other} & {"material"}:
                continue
            for a in columns:
                for b in others:
                    strength = association(sites, a, b)
                    if strength > best[1]:
                        best = (other, strength)
        found[group] = best
    return found


def association(sites: pl.DataFrame, a: str, b: str) -> float:
    """Give the association of two columns over sites, 0 to 1; 0 where too little is known."""
    both = sites.select(a, b).drop_nulls() if a != b else sites.select(a).drop_nulls()
    if both.height < LEAST_SITES // 2 or both[a].n_unique() < 2 or both[b].n_unique() < 2:
        return 0.0
    named = [c for c in (a, b) if not both[c].dtype.is_numeric() and c not in ORDERED]
    values = {c: _coded(both, c)[0] for c in (a, b)}
    if not named:
        return float(abs(spearmanr(values[a], values[b]).statistic))
    if len(named) == 2:
        return _cramer(values[a].astype(int), values[b].astype(int))
    group = values[named[0]].astype(int)
    number = values[b if named[0] == a else a]
    rank = number.argsort().argsort().astype(float)
    count = np.bincount(group)
    means = np.bincount(group, weights=rank) / np.maximum(count, 1)
    middle = float(rank.mean())
    within = max(float(np.sum((rank - middle) ** 2)), 1e-12)
    between = float(np.sum(count * (means - middle) ** 2)) / within
    spare = both.height - int(np.count_nonzero(count))
    adjusted = 1.0 - (1.0 - between) * (both.height - 1) / float(max(spare, 1))
    return float(np.sqrt(max(adjusted, 0.0)))


def _cramer(a: NDArray[np.int64], b: NDArray[np.int64]) -> float:
    table = np.zeros((a.max() + 1, b.max() + 1))
    np.add.at(table, (a, b), 1.0)
    table = table[table.sum(axis=1) > 0][:, table.sum(axis=0) > 0]
    n, (r, c) = table.sum(), table.shape
    expected = np.outer(table.sum(axis=1), table.sum(axis=0)) / n
    phi = float(np.sum((table - expected) ** 2 / expected)) / n
    phi = max(phi - (r - 1) * (c - 1) / (n - 1), 0.0)
    r, c = r - (r - 1) ** 2 / (n - 1), c - (c - 1) ** 2 / (n - 1)
    return float(np.sqrt(phi / max(min(r, c) - 1, 1e-9)))


def _dependence(rods: _Rods, models: Sequence[object]) -> pl.DataFrame:
    """Give how the forecast hazard moves with each ordered property, all else as it is; spread over folds."""
    made = []
    for group, columns in rods.groups.items():
        for j in columns:
            name = rods.names[j]
            if "=" in name:
                continue
            value = rods.features[:, j]
            levels = rods.levels.get(name, ())
            grid = np.arange(len(levels), dtype=float) if levels else _grid(value)
            lines = np.array([_line(rods, model, j, grid) for model in models])
            for k, at in enumerate(grid):
                shown = float(np.exp(at)) if name in ON_LOG else float(at)
                made.append(
                    {
                        "property": group,
                        "column": name,
                        "value": shown,
                        "label": levels[k] if levels else f"{shown:.3g}",
                        "hazard": float(lines[:, k].mean()),
                        "low": float(lines[:, k].min()),
                        "high": float(lines[:, k].max()),
                    }
                )
    return pl.DataFrame(made, schema=DEPENDENCE)


def _grid(value: Array) -> Array:
    ends = np.nanquantile(value, [0.05, 0.95])
    return np.linspace(ends[0], ends[1], STEPS)


def _line(rods: _Rods, model: object, column: int, grid: Array) -> Array:
    """Give the mean forecast at each value of a column, over its mean along the grid."""
    thin = max(rods.met.size // MOST_MOVED, 1)
    moved, met = rods.features[::thin].copy(), rods.met[::thin]
    heights = np.empty(grid.size)
    for k, at in enumerate(grid):
        moved[:, column] = at
        heights[k] = float(np.average(model.predict(moved), weights=met))  # type: ignore[attr-defined]
    return heights / heights.mean()
