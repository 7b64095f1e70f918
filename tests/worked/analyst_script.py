"""A worked session at the analyst's bench: `python -m tests.worked.analyst_script FLEET [FOLDER]`.

Reads a published run, looks at survival by soil class, asks whether a class fails sooner and whether a
district does, looks at what else lies in it, and leaves the pictures in FOLDER. The tests run it as it is.
"""

# %% Open the run that the fleet shows, and look at what there is.
import sys
from pathlib import Path

import polars as pl

from pipeline import bench

run = bench.open_run(sys.argv[1])
pictures = Path(sys.argv[2]) if len(sys.argv) > 2 else None
rods = bench.crossings(run)
print(f"Run {run.run_id}: {rods.height} rods at {rods['site_id'].n_unique()} sites.")

# %% The share past threshold by age in each soil class, with bands over sites.
shares = bench.share_past(run, "soil_class", resamples=100)
at_15 = shares.filter(pl.col("age_years") == 15).select("series", "share_past", "low", "high", "at_risk")
print(at_15)

# %% Do the two classes with the most sites differ? The answer is a row; its sentence says it all.
first, second = (
    rods.group_by("soil_class")
    .agg(pl.col("site_id").n_unique())
    .sort("site_id", "soil_class", descending=[True, False])["soil_class"]
    .head(2)
    .sort()
)
classes = bench.compare(run, compare="soil_class", between=[first, second])
print(classes.row["verdict"], "-", classes.row["sentence"])
print(f"p {classes.row['p_value']:.2g} ({classes.row['method']})")

# %% Do districts? What else lies in the comparison stands beside it.
districts = sorted(rods["region"].drop_nulls().unique())[:2]
places = bench.compare(run, compare="region", between=districts, asked_by="the worked script")
print(places.row["verdict"], "-", places.row["sentence"])
print(places.confounders.select("factor", "explained", "effect_held", "takes_it_away"))

# %% Go on in Python where the command ends: here the crossings by decade of installation, by hand.
by_decade = rods.group_by("decade").agg(
    pl.len().alias("rods"), pl.col("upper_years").is_finite().mean().alias("crossed")
)
print(by_decade.sort("decade"))

# %% One rod's readings alone, without the fleet: the one with most readings.
busiest = run.rows.verdicts.group_by("electrode_id").len().sort("len", "electrode_id")["electrode_id"][-1]
alone = bench.plain_tests(run, busiest)
if alone.trend is not None:
    print(f"{busiest}: {100 * alone.trend.slope:+.1f} % a year, p {alone.trend.p_value:.2g}")

# %% Pictures.
if pictures is not None:
    bench.survival_chart(shares).save(pictures / "survival.json")
    bench.ratio_chart(classes).save(pictures / "ratio.json")
