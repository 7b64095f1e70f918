"""Curves of whole classes: what a rod of this soil and material does over its life, and how sure that is."""

import numpy as np
import polars as pl

from models.class_prior import group_tables, site_nodes
from models.corrosion_curves import crossing_table, log_ratio
from models.forecast import Fitted
from models.histories import Floats
from models.outlook import parameter_draws
from models.steps_to_come import with_steps

LAST_AGE = 50


def _ages() -> Floats:
    return np.arange(0.0, LAST_AGE + 1.0)


def _weighted_quantiles(values: Floats, weight: Floats, shares: tuple[float, ...]) -> Floats:
    """Return the quantiles (len(shares),) of values (G,) under weights (G,).

    Each value stands in the middle of its weight, and between values lies a straight line: without it the
    last digits of a weight would decide which of two values is shown.
    """
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    return np.interp(shares, (total - 0.5 * weight[order]) / total[-1], values[order])


def _table(fit: Fitted, soil: str, log_threshold: float) -> Floats:
    """Return (G, A) the share of each cell past by each age, by corrosion or by a step that reaches alone."""
    grid, steps, ages = fit.prepared.grid, fit.calibration.steps, _ages()
    none = steps.survived(soil, grid.onset_years, ages, float(steps.reaching(log_threshold)))
    return with_steps(crossing_table(grid, log_threshold, ages), none, grid)


def class_curves(fit: Fitted) -> pl.DataFrame:
    """Return class_curves: rods' ratios and the share past threshold, by soil class, material and age."""
    grid, layout, ages = fit.prepared.grid, fit.layout, _ages()
    ceiling, tau, rate = grid.points()
    _, w = site_nodes()
    frames = []
    for soil in range(len(layout.soils)):
        for material in range(len(layout.materials)):
            groups = np.flatnonzero((layout.soil == soil) & (layout.material == material))
            counts = np.array([(layout.group == q).sum() for q in groups], dtype=float)
            if not counts.sum():
                continue
            mass = np.einsum("q,k,qkg->g", counts / counts.sum(), w, fit.posterior.new_rod[groups])
            first = np.flatnonzero(np.isin(layout.group, groups))[0]
            threshold = float(fit.log_threshold[first])
            share = mass @ _table(fit, layout.soils[soil], threshold)
            bands = np.stack(
                [
                    _weighted_quantiles(log_ratio(np.asarray(a), tau, rate, ceiling), mass, (0.1, 0.5, 0.9))
                    for a in ages
                ]
            )
            frames.append(
                pl.DataFrame(
                    {
                        "soil_class": [layout.soils[soil]] * ages.size,
                        "material": [layout.materials[material]] * ages.size,
                        "age_years": ages,
                        "ratio_p10": np.exp(bands[:, 0]),
                        "ratio_p50": np.exp(bands[:, 1]),
                        "ratio_p90": np.exp(bands[:, 2]),
                        "share_past": share,
                        "electrodes": [int(counts.sum())] * ages.size,
                    }
                )
            )
    return pl.concat(frames)


def share_past_curves(fit: Fitted, rng: np.random.Generator, draws: int = 40) -> pl.DataFrame:
    """Return the curves' share past threshold by age and soil class, with a 90 % band over parameter draws.

    In the columns of survival_curves, method `curve`; the class's own mix of materials and bases.
    """
    grid, layout, ages = fit.prepared.grid, fit.layout, _ages()
    _, w = site_nodes()
    shares = np.zeros((draws, len(layout.soils), ages.size))
    pairs, counts = np.unique(
        np.stack([layout.group.astype(float), fit.log_threshold], axis=1), axis=0, return_counts=True
    )
    of_group = [layout.soils[layout.soil[int(q)]] for q in pairs[:, 0]]
    kinds = sorted(set(zip(of_group, pairs[:, 1].tolist(), strict=True)))
    tables = {(k, v): _table(fit, k, v) for k, v in kinds}
    of_soil = np.bincount(layout.soil[pairs[:, 0].astype(int)], counts, minlength=len(layout.soils))
    for d, theta in enumerate(parameter_draws(fit.calibration, rng, draws)):
        t = group_tables(theta, layout, grid)
        for (q, threshold), n in zip(pairs, counts, strict=True):
            own = fit.calibration.ceiling_weight[layout.raw[int(q)]]
            mass = (own[:, None] * ((w * t.onset[int(q)].T) @ t.growth[int(q)]).ravel()).ravel()
            soil = layout.soil[int(q)]
            shares[d, soil] += n / of_soil[soil] * (mass @ tables[layout.soils[soil], float(threshold)])
    low, middle, high = np.quantile(shares, (0.05, 0.5, 0.95), axis=0)
    used = [c for c in range(len(layout.soils)) if of_soil[c]]
    return pl.DataFrame(
        {
            "soil_class": np.repeat([layout.soils[c] for c in used], ages.size),
            "method": ["curve"] * (len(used) * ages.size),
            "age_years": np.tile(ages, len(used)),
            "share_past": middle[used].ravel(),
            "low": low[used].ravel(),
            "high": high[used].ravel(),
            "at_risk": pl.Series([None] * (len(used) * ages.size), dtype=pl.Int64),
        }
    )
