"""How far proposed names can be trusted, on fleets of known truth.

Names: the share of the proposals that are right, by band of the score, and the share of misnamed ids that are
found, for ways of naming by which the score was fitted and for others. Run as `make names`, or
`python -m tests.recovery.names_found --seeds 51..52 --sites 60`; `--fit` fits the weights anew (other seeds).
"""

import argparse
from collections.abc import Callable
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import numpy as np
import polars as pl

from models.conditional_choice import Choice, fit_choice
from pipeline.intake.load import load
from pipeline.name_evidence import SITE_FEATURES, WELL_FEATURES
from pipeline.name_proposals import Weighed, propose_names, weighed_names
from pipeline.store import Store
from tests.recovery.misnamed import make_misnamed

TODAY = date(2026, 11, 24)
FIT_SEEDS, SEEDS = range(101, 107), range(51, 55)
T = TypeVar("T")
BANDS = (0.2, 0.5, 0.8, 0.9, 0.95)


def on_fleet(sites: int, seed: int, held_out: bool, look: Callable[[Store], T]) -> tuple[T, pl.DataFrame]:
    """Make a fleet, load it, and look at its store; give what was seen and the truth."""
    with TemporaryDirectory() as folder:
        fleet = make_misnamed(Path(folder) / "fleet", sites, seed, held_out)
        with Store.open(Path(folder) / "store.duckdb") as store:
            load(store, [fleet.folder / "field"], TODAY, lambda _: None, [fleet.folder / "layouts"])
            return look(store), fleet.truth


def _meanings(truth: pl.DataFrame) -> dict[tuple[str, str, str | None], set[str | None]]:
    """Give what each name may rightly mean: a name that two places share has two."""
    found: dict[tuple[str, str, str | None], set[str | None]] = {}
    for kind, name, hint, means, _ in truth.iter_rows():
        found.setdefault((kind, name, hint), set()).add(means)
    return found


def judged(sites: int, seed: int, held_out: bool) -> pl.DataFrame:
    """Judge every name of one fleet: kind, name, way, known (it means something), score, right."""
    (proposals, _), truth = on_fleet(sites, seed, held_out, propose_names)
    by_name = {(p.kind, p.alias, p.site_id): p for p in proposals}
    ways = {(k, n, h): w for k, n, h, _, w in truth.iter_rows()}
    rows = []
    for key, means in _meanings(truth).items():
        proposal = by_name.pop(key, None)
        right = proposal is not None and means == {proposal.means}
        rows.append((key[0], ways[key], means != {None}, proposal.score if proposal else 0.0, right))
    # Mistakes of the fleet's own: names that mean nothing.
    rows += [(k[0], "nobody's", False, p.score, False) for k, p in by_name.items()]
    schema = {
        "kind": pl.String,
        "way": pl.String,
        "known": pl.Boolean,
        "score": pl.Float64,
        "right": pl.Boolean,
    }
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(held_out=pl.lit(held_out))


def by_band(rows: pl.DataFrame) -> pl.DataFrame:
    """Count the proposals of each band of the score, and the share that is right beside the mean score."""
    shown = rows.filter(pl.col("score") > 0)
    return (
        shown.with_columns(from_score=pl.max_horizontal(pl.when(pl.col("score") >= b).then(b) for b in BANDS))
        .group_by("held_out", "from_score")
        .agg(pl.len().alias("proposals"), pl.col("score").mean().round(3), pl.col("right").mean().round(3))
        .sort("held_out", "score")
    )


def overall(rows: pl.DataFrame) -> pl.DataFrame:
    """Give the share of the names that is found (right, score 0.5 or more) and that proposed wrongly."""
    sure = pl.col("score") >= 0.5
    return (
        rows.group_by("held_out", "kind", "known")
        .agg(
            pl.len().alias("names"),
            (sure & pl.col("right")).mean().round(3).alias("found"),
            (sure & ~pl.col("right")).mean().round(3).alias("wrong"),
        )
        .sort("held_out", "kind", "known")
    )


def by_way(rows: pl.DataFrame) -> pl.DataFrame:
    """Give for each way of naming the share found (right, score 0.5 or more) and that proposed wrongly."""
    sure = pl.col("score") >= 0.5
    return (
        rows.group_by("held_out", "kind", "way", "known")
        .agg(
            pl.len().alias("names"),
            (sure & pl.col("right")).mean().round(3).alias("found"),
            (sure & ~pl.col("right")).mean().round(3).alias("wrong"),
        )
        .sort("held_out", "kind", "known", "way")
    )


def fit(sites: int, seeds: range) -> None:
    """Fit the weights of the scores to the ways tuned on, and print them."""
    examples: dict[str, list[Choice]] = {"well": [], "site": []}
    for seed in seeds:
        weighed, truth = on_fleet(sites, seed, False, weighed_names)
        meanings = _meanings(truth)
        for one in (w for group in weighed for w in group):
            if one.candidates:
                examples["site" if one.unknown.kind == "site" else "well"].append(_example(one, meanings))
    for kind, names in (("well", WELL_FEATURES), ("site", SITE_FEATURES)):
        fitted = fit_choice(examples[kind])
        print(kind, f"{fitted.examples} names, converged {fitted.converged}, none {fitted.none:.2f}")
        print("  ", ", ".join(f"{n} {w:.2f}" for n, w in zip(names, fitted.weights, strict=True)))


def _example(one: Weighed, meanings: dict[tuple[str, str, str | None], set[str | None]]) -> Choice:
    means = meanings.get((one.unknown.kind, one.unknown.name, one.unknown.hint), {None})
    right = [k for k, c in enumerate(one.candidates) if means == {c.name}]
    return Choice(np.array([c.features for c in one.candidates]), right[0] if right else None)


def main() -> None:
    """Print the tables, or fit."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--seeds", default=f"{SEEDS.start}..{SEEDS.stop - 1}")
    words.add_argument("--sites", type=int, default=60)
    words.add_argument("--fit", action="store_true")
    given = words.parse_args()
    if given.fit:
        fit(given.sites, FIT_SEEDS)
        return
    first, last = map(int, given.seeds.split(".."))
    rows = pl.concat(
        judged(given.sites, seed, held_out) for seed in range(first, last + 1) for held_out in (False, True)
    )
    with pl.Config(tbl_rows=80, tbl_cols=10, tbl_hide_dataframe_shape=True, fmt_str_lengths=60):
        print(by_band(rows), overall(rows), by_way(rows), sep="\n")


if __name__ == "__main__":
    main()
