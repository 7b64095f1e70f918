"""What is said of a class of soil, with its interval, against what its population does."""

import numpy as np
import numpy.typing as npt
import polars as pl

from models.class_prior import FLAWED_SPREAD
from models.curve_posterior import (
    parameter_draws,
)
from models.forecast import Fitted
from models.histories import Histories

Floats = npt.NDArray[np.float64]

AGES_JUDGED = (15.0, 25.0, 35.0)
LOG_BEGUN, LOG_DOUBLE = float(np.log(1.05)), float(np.log(2.0))
RODS, DRAWS = 600, 200


def parameter_medians(fit: Fitted, rng: np.random.Generator) -> pl.DataFrame:
    """Return soil_class, what, low, high: 90 % intervals of the median onset age and growth of each class.

    Onset as the truth has it: the age at which a rod has risen by a twentieth. Of rods freed of the loop,
    a class's own mix of materials; the same rods are drawn under each draw of the parameters.
    """
    h, cal = fit.histories, fit.calibration
    draws = parameter_draws(cal, rng, DRAWS)
    at = {n: draws[:, k][:, None] for k, n in enumerate(cal.theta_names)}
    u, e, f = rng.normal(size=(3, RODS))
    soil, material = np.array(h.soil), np.array(h.material)
    rows = []
    for s in sorted(set(h.soil)):
        mine = rng.choice(np.flatnonzero(soil == s), RODS)
        extra = {
            k: np.stack([at[f"{k}_material_{m}"][:, 0] for m in material[mine]], axis=1)
            for k in ("onset", "growth")
        }
        load_t, load_r = (np.exp(at[f"log_{k}_load_soil_{s}"]) * u for k in ("onset", "growth"))
        flawed = rng.random(RODS) < 1.0 / (1.0 + np.exp(-at["flawed_log_odds"]))
        spread_t = np.exp(at["log_onset_spread"] + at[f"onset_spread_soil_{s}"])
        spread_r = np.exp(at["log_growth_spread"] + at[f"growth_spread_soil_{s}"])
        onset = np.exp(
            at["onset_fleet"]
            + at[f"onset_soil_{s}"]
            + extra["onset"]
            - at["onset_site_load"] * load_t
            - at["flawed_earlier"] * flawed
            + np.where(flawed, np.hypot(spread_t, FLAWED_SPREAD), spread_t) * e
        )
        growth = np.exp(
            at["growth_fleet"] + at[f"growth_soil_{s}"] + extra["growth"]
            + at["growth_site_load"] * load_r + spread_r * f
        )  # fmt: skip
        for what, values in (("onset", onset + LOG_BEGUN / growth), ("growth", growth)):
            low, high = np.quantile(np.median(values, axis=1), (0.05, 0.95))
            rows.append((s, what, float(low), float(high)))
    return pl.DataFrame(rows, schema=["soil_class", "what", "low", "high"], orient="row")


def population(truth: pl.DataFrame, mix: pl.DataFrame | None = None) -> pl.DataFrame:
    """Return soil_class, what, value: medians and shares of a large fleet's electrodes.

    A class's figures speak of its own mix of materials and ratio bases, and a site is of one material: with
    25 sites a class the mix is anything, and a rod of solid copper outlives one of steel threefold. So each
    electrode of the large fleet counts by how many of its material and basis the judged fleet has.

    truth: soil_class, material, raw, onset_age, growth_per_year, crossing (years, infinity if never). mix:
    soil_class, material, raw, len: the judged fleet's electrodes; none, and each counts alike.
    """
    by = ["soil_class", "material", "raw"]
    if mix is None:
        mix = truth.group_by(by).len()
    weighed = truth.join(mix, on=by).with_columns((pl.col("len") / pl.len().over(by)).alias("weight"))
    rows = []
    for (soil,), part in sorted(weighed.partition_by("soil_class", as_dict=True).items()):
        grown = part.filter(pl.col("growth_per_year") > 0)
        rows += [
            (soil, "onset", weighted_median(part["onset_age"].to_numpy(), part["weight"].to_numpy())),
            (
                soil,
                "growth",
                weighted_median(grown["growth_per_year"].to_numpy(), grown["weight"].to_numpy()),
            ),
        ]
        for age in AGES_JUDGED:
            past = np.average(part["crossing"].to_numpy() <= age, weights=part["weight"].to_numpy())
            rows.append((soil, f"past by {age:.0f}", float(past)))
    return pl.DataFrame(rows, schema=["soil_class", "what", "value"], orient="row")


def weighted_median(values: Floats, weight: Floats) -> float:
    """Return the value with half of the weight on either side, midway between two where both have that."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    at = [np.searchsorted(total, 0.5 * total[-1], side=side) for side in ("left", "right")]
    return float(values[order][np.minimum(at, total.size - 1)].mean())


def mix_of(h: Histories) -> pl.DataFrame:
    """Return soil_class, material, raw, len: how many electrodes of each kind a fleet has."""
    kinds = {"soil_class": h.soil, "material": h.material, "raw": h.raw}
    return pl.DataFrame(kinds).group_by("soil_class", "material", "raw", maintain_order=True).len()


def inside(classes: pl.DataFrame, of_population: pl.DataFrame) -> pl.DataFrame:
    """Return soil_class, what, low, high, value, inside for the classes that both have."""
    return classes.join(of_population, on=["soil_class", "what"]).with_columns(
        pl.col("value").is_between("low", "high").alias("inside")
    )
