"""What else lies in a comparison: who is on either side, what they explain, the effect with them held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.stats import t as student

from models.hypothesis_words import Question, said
from models.question_data import Data, held_columns
from models.question_fits import estimate, fit_outcome
from models.question_inference import equivalence_p, wald_p

Array = NDArray[np.float64]

# What may stand behind a comparison. What a soil class consists of is no rival of the class, but a class, or
# the neighbourhood, is one of a single property.
RIVALS = {
    "soil_class": ("region", "material", "decade"),
    "region": ("soil_class", "material", "decade"),
    "material": ("soil_class", "region", "decade"),
    "decade": ("soil_class", "region", "material"),
    "purchase": ("soil_class", "region", "material"),
}
OTHER_RIVALS = ("soil_class", "region", "material", "decade")
# Above this share explained by another (a variance inflation of ten; common practice, no source) the two are
# called inseparable; also where hardly any site of one group has its like in the other.
INSEPARABLE = 0.9
LEAST_SHARED_SITES = 3
ALL = "all of these"

OVERLAP = {
    "question_id": pl.String,
    "factor": pl.String,
    "level": pl.String,
    "first_electrodes": pl.Int64,
    "first_sites": pl.Int64,
    "second_electrodes": pl.Int64,
    "second_sites": pl.Int64,
}
CONFOUNDERS = {
    "question_id": pl.String,
    "factor": pl.String,
    "explained": pl.Float64,
    "inflation": pl.Float64,
    "shared_sites": pl.Int64,
    "separable": pl.Boolean,
    "effect_held": pl.Float64,
    "effect_held_low": pl.Float64,
    "effect_held_high": pl.Float64,
    "p_held": pl.Float64,
    "p_equivalence_held": pl.Float64,
    "takes_it_away": pl.Boolean,
    "says": pl.String,
}


@dataclass(frozen=True)
class Held:
    """A ratio with something more held fixed."""

    ratio: float
    low: float
    high: float
    p_value: float
    p_equivalence: float


def rivals_of(question: Question, rows: pl.DataFrame) -> tuple[str, ...]:
    """Name what may stand behind the comparison and is not held already."""
    names = RIVALS.get(question.compare, OTHER_RIVALS)
    there = [n for n in names if n in rows.columns and n != question.compare and n not in question.held_fixed]
    return tuple(n for n in there if rows[n].drop_nulls().n_unique() > 1)


def overlap(data: Data, question: Question, factors: Sequence[str]) -> pl.DataFrame:
    """Count electrodes and sites of either group at each level of each factor."""
    rows = data.rows.select("site_id", *factors).with_columns(pl.Series("_second", data.second))
    frames = []
    for factor in factors:
        counted = (
            rows.with_columns(pl.col(factor).cast(pl.String).fill_null("not known").alias("level"))
            .group_by("level")
            .agg(
                (~pl.col("_second")).sum().alias("first_electrodes"),
                pl.col("site_id").filter(~pl.col("_second")).n_unique().alias("first_sites"),
                pl.col("_second").sum().alias("second_electrodes"),
                pl.col("site_id").filter(pl.col("_second")).n_unique().alias("second_sites"),
            )
            .sort("level")
            .with_columns(pl.lit(question.question_id).alias("question_id"), pl.lit(factor).alias("factor"))
        )
        frames.append(counted.select(pl.col(n).cast(kind) for n, kind in OVERLAP.items()))
    return pl.concat(frames) if frames else pl.DataFrame(schema=OVERLAP)


def explained_share(data: Data, columns: Array) -> float:
    """Give the share of the comparison's variance between sites that columns (n, k) explain.

    On site means, what is held already taken off, for the counts of columns adjusted (Theil 1961): twenty
    districts explain something of any forty sites.
    """
    size = np.bincount(data.site).astype(np.float64)

    def by_site(block: Array) -> Array:
        sums = np.zeros((data.sites, block.shape[1]))
        np.add.at(sums, data.site, block)
        return sums / size[:, None]

    x = by_site(data.x[:, None])[:, 0]
    before = np.hstack([np.ones((data.sites, 1)), by_site(data.held)])
    after = np.hstack([before, by_site(columns)])

    def left(block: Array) -> tuple[float, int]:
        fit, _, rank, _ = np.linalg.lstsq(block, x, rcond=None)
        return float(np.sum((x - block @ fit) ** 2)), data.sites - int(rank)

    (base, spare_base), (rest, spare) = left(before), left(after)
    if base <= 1e-12 or spare <= 0 or spare_base <= 0:
        return 1.0
    return float(np.clip(1.0 - (rest / spare) / (base / spare_base), 0.0, 1.0))


def shared_sites(data: Data, factor: str) -> int:
    """Count the sites with sites of the other group at their level, of the group with fewer of them."""
    rows = data.rows.select("site_id", pl.col(factor).cast(pl.String).fill_null("not known").alias("level"))
    counted = (
        rows.with_columns(pl.Series("_second", data.second))
        .group_by("level")
        .agg(
            pl.col("site_id").filter(~pl.col("_second")).n_unique().alias("a"),
            pl.col("site_id").filter(pl.col("_second")).n_unique().alias("b"),
        )
        .filter((pl.col("a") > 0) & (pl.col("b") > 0))
    )
    return int(min(counted["a"].sum(), counted["b"].sum()))


def effect_holding(data: Data, question: Question, factors: Sequence[str]) -> Held | None:
    """Fit once more with factors held beside what is held already; None where that can't be done."""
    held = data.holding(data.rows, (*question.held_fixed, *factors))
    design = held.design()
    if np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    try:
        fit = fit_outcome(held, design, question.outcome)
    except ValueError:
        return None
    if not fit.converged:
        return None
    found = estimate(fit, held)
    if not np.isfinite(found.error) or found.error <= 0:
        return None
    wide = float(student.ppf(0.975, found.freedom)) * found.error
    return Held(
        float(np.exp(found.value)),
        float(np.exp(np.clip(found.value - wide, -30, 30))),
        float(np.exp(np.clip(found.value + wide, -30, 30))),
        wald_p(found),
        equivalence_p(found, question.margin, question.outcome),
    )


def confounders(data: Data, question: Question, ratio: float | None, factors: Sequence[str]) -> pl.DataFrame:
    """Give a row for each rival and one for all that can be told apart together.

    ratio: the one that was found where its interval excludes 1, else None. takes_it_away: with the rival held
    the interval reaches 1 and more than half of the log ratio is gone, or the ratio lies beyond 1.
    """
    rows = [_rival(data, question, ratio, factor) for factor in factors]
    apart = [str(r["factor"]) for r in rows if r["separable"]]
    if len(apart) > 1:
        rows.append(_row(data, question, ratio, ALL, apart, None))
    return pl.DataFrame(rows, schema=CONFOUNDERS)


def _rival(data: Data, question: Question, ratio: float | None, factor: str) -> dict[str, object]:
    shared = None if data.rows[factor].dtype.is_numeric() else shared_sites(data, factor)
    return _row(data, question, ratio, factor, [factor], shared)


def _row(
    data: Data, question: Question, ratio: float | None, name: str, factors: list[str], shared: int | None
) -> dict[str, object]:
    columns = held_columns(data.rows, tuple(factors), data.event)
    explained = explained_share(data, columns)
    separable = explained < INSEPARABLE and (shared is None or shared >= LEAST_SHARED_SITES)
    held = effect_holding(data, question, factors) if separable else None
    gone = held is not None and ratio is not None and _takes_away(ratio, held)
    row: dict[str, object] = dict.fromkeys(CONFOUNDERS)
    row |= {
        "question_id": question.question_id,
        "factor": name,
        "explained": explained,
        "inflation": 1.0 / max(1.0 - explained, 1e-3),
        "shared_sites": shared,
        "separable": separable,
        "takes_it_away": gone,
    }
    if held is not None:
        row |= {
            "effect_held": held.ratio,
            "effect_held_low": held.low,
            "effect_held_high": held.high,
            "p_held": held.p_value,
            "p_equivalence_held": held.p_equivalence,
        }
    return row | {"says": _says(question, name, explained, separable, held, gone)}


def _takes_away(ratio: float, held: Held) -> bool:
    """Tell whether a difference is not the compared thing's own: gone by more than half, or turned round."""
    turned = (held.ratio > 1) != (ratio > 1)
    return turned or (held.low < 1 < held.high and abs(np.log(held.ratio)) < abs(np.log(ratio)) / 2)


def _says(
    question: Question, name: str, explained: float, separable: bool, held: Held | None, gone: bool
) -> str:
    """Say of a rival what it does to the answer."""
    what = said(name) if name != ALL else "all of these"
    if not separable:
        return (
            f"The data can't tell {said(question.compare)} from {what}: where one differs, so does the other."
        )
    share = f"{explained:.0%} of what is compared goes with {what}"
    if held is None:
        return f"{share}; with it held the comparison could not be fitted."
    span = f"{held.ratio:.2f} ({held.low:.2f}-{held.high:.2f})"
    at = f"{share}; with {'them' if name == ALL else 'it'} held the ratio is {span}"
    return at + (", which leaves no such difference." if gone else ".")
