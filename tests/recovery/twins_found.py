"""Sites entered twice: the share of the proposed twins that are, by score, and of those found.

Run as part of `make names`, or `python -m tests.recovery.twins_found --seeds 41..44`; `--fit` fits the
weights.
"""

import argparse

import numpy as np
import polars as pl
from sklearn.linear_model import LogisticRegression

from pipeline.site_twins import FEATURES, Twins, site_twins
from synthetic_fleet.fleet import simulate

FIT_SEEDS, SEEDS = range(121, 127), range(41, 45)
CUTS = (0.2, 0.5, 0.8, 0.9, 0.95)


def twinned_fleet(sites: int, seed: int) -> tuple[pl.DataFrame, pl.DataFrame, set[frozenset[str]]]:
    """Return sites and when they were read, every tenth site entered twice, and the true pairs.

    A twin has an id of another form; its name is the same, spelt otherwise or another one altogether;
    its coordinates are missing or some tens of metres off; in half of the cases it is read from some
    year on only, in the others beside the first.
    """
    sim = simulate(sites, seed, "field")
    rng = np.random.default_rng([seed, 79])
    base = sim.tables["sites"].select("site_id", "site_name", "latitude", "longitude")
    rows, pairs = list(base.iter_rows(named=True)), set()
    day = pl.col("taken_at").dt.date()
    read = (
        sim.tables["readings"]
        .group_by("site_id")
        .agg(day.min().alias("first_on"), day.max().alias("last_on"), pl.len().alias("readings"))
    )
    times = {r["site_id"]: r for r in read.iter_rows(named=True)}
    for row in list(rows):
        if rng.random() < 0.1:
            twin = {
                **row,
                "site_id": f"N{int(rng.integers(1000, 9999))}",
                "site_name": _renamed(row["site_name"], rng),
            }
            if rng.random() < 0.3:
                twin |= {"latitude": None, "longitude": None}
            elif row["latitude"] is not None:
                twin["latitude"] += float(rng.normal(0, 30)) / 111_000
            rows.append(twin)
            pairs.add(frozenset((row["site_id"], twin["site_id"])))
            if (seen := times.get(row["site_id"])) and rng.random() < 0.8:
                middle = seen["first_on"] + (seen["last_on"] - seen["first_on"]) * float(
                    rng.uniform(0.3, 0.8)
                )
                times[twin["site_id"]] = {**seen, "site_id": twin["site_id"], "first_on": middle}
                if rng.random() < 0.7:
                    times[row["site_id"]] = {**seen, "last_on": middle}
    frame = pl.DataFrame(rows, infer_schema_length=None).with_row_index("row_id")
    return frame, pl.DataFrame(list(times.values()), infer_schema_length=None), pairs


def _renamed(name: str, rng: np.random.Generator) -> str:
    way = rng.integers(0, 5)
    if way == 0:
        return name
    if way == 1:
        return name.upper().replace(" ", "-") + " SUB"
    if way == 2:
        k = int(rng.integers(1, len(name) - 1))
        return name[:k] + name[k + 1 :]
    if way == 3:
        return " ".join(reversed(name.split()))
    return f"{rng.choice(['Upper', 'New', 'Little'])} {rng.choice(['Works', 'Junction', 'Switchyard'])}"


def judged(sites: int, seed: int) -> tuple[list[tuple[Twins, bool]], int]:
    """Return the proposals, each with whether it is right, and the count of true pairs."""
    frame, read, pairs = twinned_fleet(sites, seed)
    found = [(t, frozenset((t.alias, t.means)) in pairs) for t in site_twins(frame, read)]
    return found, len(pairs)


def fit(sites: int, seeds: range) -> None:
    """Fit the weights of the score, and print them."""
    found = [pair for seed in seeds for pair in judged(sites, seed)[0]]
    model = LogisticRegression(C=10.0, max_iter=5000).fit(
        np.array([t.features for t, _ in found]), np.array([right for _, right in found])
    )
    print(f"{len(found)} pairs, {sum(r for _, r in found)} of them twins, constant {model.intercept_[0]:.2f}")
    print("  ", ", ".join(f"{n} {w:.2f}" for n, w in zip(FEATURES, model.coef_[0], strict=True)))


def report(sites: int, seeds: range) -> pl.DataFrame:
    """Give by least score: proposals, share right, share of the twins found."""
    each = [judged(sites, seed) for seed in seeds]
    found, true = [pair for e in each for pair in e[0]], sum(e[1] for e in each)
    print(f"{len(each) * sites} sites, {true} of them entered twice")
    rows = []
    for cut in CUTS:
        right = [r for t, r in found if t.score >= cut]
        rows.append((cut, len(right), sum(right) / max(len(right), 1), sum(right) / true))
    return pl.DataFrame(rows, schema=["score_from", "proposals", "right", "found"], orient="row")


def main() -> None:
    """Print the table, or fit."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seeds", default=f"{SEEDS.start}..{SEEDS.stop - 1}")
    words.add_argument("--sites", type=int, default=300)
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
