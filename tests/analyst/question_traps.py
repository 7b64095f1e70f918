"""Measure whether questions fall into a trap: a district that is only its soil, and the demo's three.

`python -m tests.analyst.question_traps`; `--quick` a tenth. Seeds are none that a rule was chosen by.
"""

from __future__ import annotations

import argparse
import datetime as dt
import tomllib
from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.stats import binomtest
from statsmodels.regression.quantile_regression import QuantReg
from threadpoolctl import threadpool_limits

from models.hypotheses import adjust, answer
from models.hypothesis_words import Question
from models.question_data import gather
from models.soil import site_resistivity
from pipeline.demo import QUESTIONS
from pipeline.fleet_inputs import site_ground
from pipeline.question_files import question_from
from pipeline.questions import QuestionRows
from pipeline.settings import Settings
from synthetic_fleet.fleet import Simulated, simulate
from tests.analyst.question_fleets import Shape, lives
from tests.unit.test_vetting_on_a_fleet import judged

TODAY = dt.date(2026, 1, 1)
TRAP_SEED, DEMO_SEED = 1000, 1001
# A rod that never gets there counts as one that takes this long: the median is the same.
NEVER_YEARS = 400.0
# Of a trap, found as a difference of the district's own more often than this is falling into it.
MOST_FALSE = 0.05
DISTRICTS = Question("region", "north", "south")
SHAPES = {
    "trap: soil alone, 60 + 60 sites": Shape(sites=60, site_sd=0.3, soil_ratio=0.4),
    "trap: soil alone, 25 + 25 sites": Shape(sites=25, site_sd=0.5, soil_ratio=0.4),
    "no trap: district 0.45, soil 0.7, 60 + 60": Shape(sites=60, site_sd=0.3, soil_ratio=0.7, ratio=0.45),
}


def traps(part: float) -> bool:
    """Print how often a district is found to differ that differs by its soil alone, and the other way."""
    print(f"{'':44} {'fleets':>6} {'p < 5 %':>8} {'leans':>6} {'supported':>10} {'none left':>10}   in %")
    good = True
    for number, (name, shape) in enumerate(SHAPES.items()):
        rows = []
        for k in range(max(int(100 * part), 10)):
            rng = np.random.default_rng([TRAP_SEED + number, k])
            rows.append(answer(lives(rng, shape), DISTRICTS, rng, TODAY).row)
        table = pl.concat(rows)
        told = [
            table.select((what).mean()).item() * 100
            for what in (
                pl.col("p_value") < 0.05,
                pl.col("leans_on").is_not_null(),
                pl.col("verdict") == "supported",
                pl.col("verdict") == "not supported",
            )
        ]
        print(
            f"{name:44} {table.height:6} {told[0]:8.0f} {told[1]:6.0f} {told[2]:10.0f} {told[3]:10.0f}",
            flush=True,
        )
        if name.startswith("trap"):
            wrong = table.filter(pl.col("verdict") == "supported").height
            good &= bool(binomtest(wrong, table.height).proportion_ci(0.99).low <= MOST_FALSE)
    return good


def rows_of(made: Simulated) -> QuestionRows:
    """Lay out a fleet's rods as a run does; readings freed of the true rest, season and visit."""
    readings, _ = judged(made)
    moved = (-(pl.col("season_log") + pl.col("visit_log"))).exp()
    net = (pl.col("resistance_ohm") - pl.col("rest_ohm")).clip(lower_bound=0.01)
    tables = made.tables
    classes = tables["soil_surveys"].sort("surveyed_on").group_by("site_id").agg(pl.col("soil_class").last())
    rods = (
        tables["electrodes"]
        .drop("baseline_ohm")
        .join(made.truth.select("electrode_id", "baseline_ohm"), on="electrode_id")
        .join(classes, on="site_id", how="left", maintain_order="left")
    )
    resistivity = site_resistivity(tables["soundings"], tables["soil_surveys"], tables["sites"])
    ground = site_ground(tables["soil_surveys"], resistivity)
    verdicts = readings.with_columns((net * moved).alias("corrected_ohm"))
    return QuestionRows(verdicts, rods, tables["sites"], ground, Settings())


def true_ratio(made: Simulated, frame: pl.DataFrame, question: Question) -> float:
    """Give the ratio of true median ages at crossing, soil class and material held (median regression)."""
    true = made.truth.select(
        "electrode_id", age=pl.col("crossing_age").clip(0.01, NEVER_YEARS), soil="soil_class"
    )
    data = gather(frame, Question(**{**question.__dict__, "held_fixed": ()}))
    rows = data.rows.join(true, on="electrode_id", how="left", maintain_order="left")
    held = rows.select("soil", "material").to_dummies(drop_first=True).to_numpy()
    x = np.column_stack([np.ones(data.x.size), data.x, held])
    fit = QuantReg(np.log(rows["age"].to_numpy()), x).fit(q=0.5, max_iter=5000)
    return float(np.exp(fit.params[1]))


@dataclass(frozen=True)
class Asked:
    """One question to one fleet: what is true, and the row that answers it."""

    name: str
    true: float
    row: dict[str, object]

    @property
    def outcome(self) -> str:
        """Tell right, missed (can't tell) or wrong by what the generator puts in."""
        verdict = self.row["verdict"]
        if self.name == "chloride":
            if verdict == "supported":
                return "right" if float(self.row["effect"]) < 1 else "wrong"  # type: ignore[arg-type]
            return "missed" if verdict == "can't tell" else "wrong"
        if verdict == "supported":
            return "wrong"
        # A district that only its soil makes differ is rightly answered where that is said, too.
        said = verdict == "not supported" or str(self.row["leans_on"] or "").startswith("soil class")
        return "right" if said else "missed"


def asked_of(made: Simulated, seed: int) -> list[Asked]:
    """Ask the demo's three questions of a fleet, each adjusted for all three."""
    rows = rows_of(made)
    frame = rows.of("time_to_threshold")
    questions = {name: question_from(tomllib.loads(text)) for name, text in QUESTIONS.items()}
    found = {
        q.question_id: (name, true_ratio(made, frame, q), answer(frame, q, _draws(seed, name), TODAY).row)
        for name, q in questions.items()
    }
    table = adjust(pl.concat([row for _, _, row in found.values()]))
    return [Asked(*found[row["question_id"]][:2], row) for row in table.iter_rows(named=True)]


def _draws(seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng([seed, *name.encode()])


def demo_questions(fleets: int, sites: int = 300) -> bool:
    """Print how the demo's questions are answered on fleets of its kind with other seeds."""
    asked = [
        a for seed in range(DEMO_SEED, DEMO_SEED + fleets) for a in asked_of(simulate(sites, seed=seed), seed)
    ]
    title = f"the demo's questions, {fleets} fleets of {sites} sites"
    heads = f"{'right':>6} {'missed':>7} {'wrong':>6} {'true ratio, soil held':>24} {'found':>12}"
    print(f"\n{title:44} {heads} {'95 % holds it':>14}")
    good = True
    for name in QUESTIONS:
        mine = [a for a in asked if a.name == name]
        count = {o: sum(a.outcome == o for a in mine) for o in ("right", "missed", "wrong")}
        true = np.array([a.true for a in mine])
        found = [a.row["effect"] for a in mine if a.row["effect"] is not None]
        holds = [
            float(a.row["effect_low"]) <= a.true <= float(a.row["effect_high"])  # type: ignore[arg-type]
            for a in mine
            if a.row["effect_low"] is not None
        ]
        shown = f"{np.median(true):.2f} ({true.min():.2f}-{true.max():.2f})"
        middle = f"{np.median(np.array(found, dtype=float)):.2f}" if found else "none"
        inside = f"{sum(holds)} of {len(holds)}" if name != "district" else "not held"
        counts = f"{count['right']:6} {count['missed']:7} {count['wrong']:6}"
        print(f"{name:44} {counts} {shown:>24} {middle:>12} {inside:>14}", flush=True)
        good &= bool(binomtest(count["wrong"], len(mine)).proportion_ci(0.99).low <= MOST_FALSE)
    return good


def main() -> int:
    """Print both tables; exit status 1 where a trap is fallen into."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--quick", action="store_true", help="a tenth of the fleets")
    options, _ = asked.parse_known_args()
    with threadpool_limits(1):
        good = traps(0.1 if options.quick else 1.0)
        good &= demo_questions(2 if options.quick else 20)
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
