"""Replaced rods that no register and no works record tells of: how many are found, and how many are false.

Planted by striking half of the replacements of an invented fleet from register and works. Run as part of
`make names`, or `python -m tests.recovery.renewals_found --seeds 61..63 --sites 150`; `--fit` fits the
weights.
"""

import argparse

import numpy as np
import polars as pl
from sklearn.linear_model import LogisticRegression

from models.rod_renewals import FEATURES, unrecorded_renewals
from synthetic_fleet.fleet import simulate

FIT_SEEDS, SEEDS = range(111, 117), range(61, 65)
CUTS = (0.2, 0.5, 0.8, 0.9)


def struck_fleet(sites: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return readings, electrodes, works as the office has them, and the struck replacements.

    Those have electrode_id, done_on, readings before and after, and by how much the true level fell (ln).
    """
    sim = simulate(sites, seed, "field")
    rng = np.random.default_rng([seed, 78])
    electrodes, works, readings = sim.tables["electrodes"], sim.tables["works"], sim.tables["readings"]
    newer = electrodes.select("well_id", "installed_on", new_id="electrode_id")
    pairs = (
        works.filter(pl.col("work") == "replaced")
        .join(electrodes.select("electrode_id", "well_id"), on="electrode_id")
        .join(newer, left_on=["well_id", "done_on"], right_on=["well_id", "installed_on"])
        .sort("electrode_id")
    )
    pairs = pairs.filter(pl.Series(rng.random(pairs.height) < 0.5, dtype=pl.Boolean))
    struck, new = pairs["electrode_id"].implode(), pairs["new_id"].implode()
    electrodes = electrodes.filter(~pl.col("electrode_id").is_in(new)).with_columns(
        pl.when(~pl.col("electrode_id").is_in(struck)).then(c).alias(c)
        for c in ("retired_on", "retired_reason")
    )
    works = works.filter(
        ~(pl.col("electrode_id").fill_null("").is_in(struck) & (pl.col("work") == "replaced"))
    )
    old = dict(pairs.select("new_id", "electrode_id").iter_rows())
    read = readings.with_columns(pl.col("electrode_id").replace(old))
    counted = _seen(read, sim.reading_truth, pairs)
    return read, electrodes, works, counted


def _seen(read: pl.DataFrame, truth: pl.DataFrame, pairs: pl.DataFrame) -> pl.DataFrame:
    values = pl.concat([read, truth.select("level_ohm")], how="horizontal").filter(
        (pl.col("resistance_ohm") > 0) & pl.col("range_mark").is_null()
    )
    beside = values.join(pairs.select("electrode_id", "done_on"), on="electrode_id").sort("taken_at")
    before = pl.col("taken_at").dt.date() < pl.col("done_on")
    level = pl.col("level_ohm").log()
    return beside.group_by("electrode_id", "done_on", maintain_order=True).agg(
        before.sum().alias("before"),
        (~before).sum().alias("after"),
        (level.filter(before).last() - level.filter(~before).first()).alias("fell"),
    )


def judged(sites: int, seed: int) -> tuple[pl.DataFrame, int, pl.DataFrame]:
    """Return the proposals with `right`, the count of electrodes, and the struck ones with their score."""
    readings, electrodes, works, struck = struck_fleet(sites, seed)
    found = unrecorded_renewals(readings, electrodes, works).join(
        struck.select("electrode_id", "done_on"), on="electrode_id", how="left"
    )
    on_day = (pl.col("last_on") < pl.col("done_on")) & (pl.col("first_on") >= pl.col("done_on"))
    found = found.with_columns(on_day.fill_null(False).alias("right"))
    right = found.filter("right").select("electrode_id", "score")
    return found, electrodes.height, struck.join(right, on="electrode_id", how="left")


def fit(sites: int, seeds: range) -> None:
    """Fit the weights of the score, and print them."""
    found = pl.concat(judged(sites, seed)[0] for seed in seeds)
    model = LogisticRegression(C=10.0, max_iter=5000).fit(
        found.select(FEATURES).to_numpy(), found["right"].to_numpy()
    )
    print(f"{found.height} steps, {found['right'].sum()} replacements, constant {model.intercept_[0]:.2f}")
    print("  ", ", ".join(f"{n} {w:.2f}" for n, w in zip(FEATURES, model.coef_[0], strict=True)))


def report(sites: int, seeds: range) -> pl.DataFrame:
    """Give by least score: proposals, share right, false ones per 1,000 electrodes, share found.

    Findable are those read at least twice before and once after, and that fell by 30 % or more.
    """
    each = [judged(sites, seed) for seed in seeds]
    found, struck = pl.concat(e[0] for e in each), pl.concat(e[2] for e in each)
    electrodes = sum(e[1] for e in each)
    can = struck.filter((pl.col("before") >= 2) & (pl.col("after") >= 1) & (pl.col("fell") >= np.log(1.3)))
    rows = []
    for cut in CUTS:
        shown = found.filter(pl.col("score") >= cut)
        rows.append(
            {
                "score_from": cut, "proposals": shown.height, "right": shown["right"].mean(),
                "false_per_1000": 1000.0 * (~shown["right"]).sum() / electrodes,
                "found_of_all": (struck["score"].fill_null(0.0) >= cut).mean(),
                "found_of_findable": (can["score"].fill_null(0.0) >= cut).mean(),
            }
        )  # fmt: skip
    print(f"{electrodes} electrodes, {struck.height} replacements struck, {can.height} of them findable")
    return pl.DataFrame(rows)


def main() -> None:
    """Print the table, or fit."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seeds", default=f"{SEEDS.start}..{SEEDS.stop - 1}")
    words.add_argument("--sites", type=int, default=150)
    words.add_argument("--fit", action="store_true")
    given = words.parse_args()
    if given.fit:
        fit(given.sites, FIT_SEEDS)
        return
    first, last = map(int, given.seeds.split(".."))
    with pl.Config(tbl_hide_dataframe_shape=True, float_precision=3):
        print(report(given.sites, range(first, last + 1)))


if __name__ == "__main__":
    main()
