"""Curves of whole classes: what a rod of this soil and material does over its life, and how sure that is."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from models.calibration import CEILING_PRIOR, group_families
from models.class_prior import group_tables, site_weights
from models.corrosion_curves import ceiling_reaches, cells_crossed, log_ratio
from models.curve_posterior import (
    parameter_draws,
)
from models.forecast import Fitted
from models.histories import Floats

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


@dataclass(frozen=True)
class _Past:
    """What a class's curves and steps give of the share past threshold, ceilings not yet mixed.

    reached, low_reached: (ends,) the chance that an end's ceiling lies above the threshold, and above what a
    step that does not reach the threshold by itself leaves of it. Of the share not past, by cell: spared
    (T, A) left by steps where corrosion took none; crossed, low_crossed (F*T*R, A) what corrosion takes of
    it, up to the one and the other.
    """

    reached: Floats
    low_reached: Floats
    spared: Floats
    crossed: Floats
    low_crossed: Floats

    def share(self, mass: Floats) -> Floats:
        """Return (A,) the share past by age, of curves of mass (ends, T*R), each end apart."""
        by_onset = mass.sum(axis=0).reshape(self.spared.shape[0], -1).sum(axis=1)
        families = self.crossed.shape[0] // mass.shape[1]

        def in_reach(reached: Floats) -> Floats:
            each = (reached[:, None] * mass).reshape(families, -1, mass.shape[1])
            return np.asarray(each.sum(axis=1).ravel())

        taken = in_reach(self.reached) @ self.crossed + in_reach(self.low_reached) @ self.low_crossed
        return np.asarray(1.0 - by_onset @ self.spared + taken)


def _past(fit: Fitted, soil: str, log_threshold: float) -> _Past:
    """Tabulate the shares past threshold of one class: as each electrode's own outlook has it.

    A step that does not reach the threshold by itself leaves corrosion the less to do.
    """
    grid, steps, ages = fit.prepared.grid, fit.calibration.steps, _ages()
    none = steps.survived(soil, grid.onset_years, ages)
    lesser = (1.0 - float(steps.reaching(log_threshold))) * (1.0 - none)
    low = log_threshold - steps.lesser_jump(log_threshold)
    rates, families = grid.growth.size, len(grid.families)

    def by_cell(by_onset: Floats) -> Floats:
        return np.tile(np.repeat(by_onset, rates, axis=0), (families, 1))

    return _Past(
        ceiling_reaches(grid, log_threshold),
        ceiling_reaches(grid, low),
        none + lesser,
        cells_crossed(grid, log_threshold, ages) * by_cell(none),
        cells_crossed(grid, low, ages) * by_cell(lesser),
    )


def class_curves(fit: Fitted) -> pl.DataFrame:
    """Return class_curves: rods' ratios and the share past threshold, by soil class, material and age."""
    grid, layout, ages = fit.prepared.grid, fit.layout, _ages()
    ceiling, tau, rate = grid.points()
    family = np.repeat(grid.family, grid.size // grid.ceiling.size)
    sites = site_weights(fit.calibration.theta, layout)
    frames = []
    for soil in range(len(layout.soils)):
        for material in range(len(layout.materials)):
            groups = np.flatnonzero((layout.soil == soil) & (layout.material == material))
            counts = np.array([(layout.group == q).sum() for q in groups], dtype=float)
            if not counts.sum():
                continue
            w = sites[layout.site[np.isin(layout.group, groups)]].mean(axis=0)
            mass = np.einsum("q,k,qkg->g", counts / counts.sum(), w, fit.posterior.new_rod[groups])
            first = np.flatnonzero(np.isin(layout.group, groups))[0]
            threshold = float(fit.log_threshold[first])
            share = _past(fit, layout.soils[soil], threshold).share(mass.reshape(grid.ceiling.size, -1))
            bands = np.stack(
                [
                    _weighted_quantiles(
                        log_ratio(np.asarray(a), tau, rate, ceiling, family), mass, (0.1, 0.5, 0.9)
                    )
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


def _ceiling_draws(fit: Fitted, rng: np.random.Generator, draws: int) -> Floats:
    """Return (draws, 2, C) shares of the ceiling classes, net and raw, as sure as the electrodes make them.

    Of the logits, by the spread of the electrodes' scores (Louis 1982) and the calibration's prior.
    """
    out = np.empty((draws, *fit.calibration.ceiling_weight.shape))
    ceilings = fit.found.ceiling_weight.reshape(fit.histories.electrodes, -1, out.shape[2]).sum(axis=1)
    for raw, share in enumerate(fit.calibration.ceiling_weight):
        score = ceilings[fit.histories.raw == bool(raw)] - share
        prior = CEILING_PRIOR * (np.diag(share) - np.outer(share, share))
        values, vectors = np.linalg.eigh(score.T @ score + prior)
        root = vectors[:, 1:] / np.sqrt(np.maximum(values[1:], 1e-9))  # the first: all logits alike
        w = share * np.exp(rng.normal(size=(draws, root.shape[1])) @ root.T)
        out[:, raw] = w / w.sum(axis=1, keepdims=True)
    return out


def share_past_curves(fit: Fitted, rng: np.random.Generator, draws: int = 200) -> pl.DataFrame:
    """Return the curves' share past threshold by age and soil class, with a 90 % band over parameter draws.

    In the columns of survival_curves, method `curve`; the class's own mix of materials and bases. The band
    holds what is not known of onset and growth and of how high a corroded rod can rise.
    """
    grid, layout, ages = fit.prepared.grid, fit.layout, _ages()
    shares = np.zeros((draws, len(layout.soils), ages.size))
    families = group_families(fit.calibration, layout)
    pairs, counts = np.unique(
        np.stack([layout.group.astype(float), fit.log_threshold], axis=1), axis=0, return_counts=True
    )
    kinds = {(int(layout.soil[int(q)]), float(v)) for q, v in pairs}
    past = {(c, v): _past(fit, layout.soils[c], v) for c, v in sorted(kinds)}
    of_soil = np.bincount(layout.soil[pairs[:, 0].astype(int)], counts, minlength=len(layout.soils))
    used = [c for c in range(len(layout.soils)) if of_soil[c]]
    parameters = parameter_draws(fit.calibration, rng, draws)
    for d, (theta, ceilings) in enumerate(zip(parameters, _ceiling_draws(fit, rng, draws), strict=True)):
        t = group_tables(theta, layout, grid)
        nodes = site_weights(theta, layout)
        by_soil = {c: nodes[layout.site[layout.soil[layout.group] == c]].mean(axis=0) for c in used}
        for (q, threshold), n in zip(pairs, counts, strict=True):
            own, soil = ceilings[layout.raw[int(q)]], layout.soil[int(q)]
            mass = ((by_soil[soil] * t.onset[int(q)].T) @ t.growth[int(q)]).ravel()
            ends = (families[int(q)][:, None] * own).ravel()
            share = past[int(soil), float(threshold)].share(ends[:, None] * mass)
            shares[d, soil] += n / of_soil[soil] * share
    low, middle, high = np.quantile(shares, (0.05, 0.5, 0.95), axis=0)
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
