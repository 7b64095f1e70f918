"""Made-up answers for the tests of the pages: two groups, a slope, rates, and one that could not be told."""

from __future__ import annotations

import math
from datetime import date

import polars as pl

DISTRICTS = "time_to_threshold/region/Low-Marches/North-Fells"
SLOPE = "onset/chloride_ppm/per-doubling"
BREAKS = "sudden_breaks/soil_class/glacial-till/marsh-clay"
UNTOLD = "growth/material/bare_steel/solid_copper"


def staged_questions() -> dict[str, pl.DataFrame]:
    """Give the tables of questions."""
    return {
        "hypotheses": pl.DataFrame(
            [_answer(DISTRICTS), _slope(), _breaks(), _untold()], infer_schema_length=None
        ),
        "question_overlap": _overlap(),
        "question_confounders": _confounders(),
        "question_charts": _charts(),
        "question_news": pl.DataFrame(
            {
                "question_id": [DISTRICTS],
                "question": ["Do rods in North Fells and in Low Marches differ in time to threshold?"],
                "was_on": [date(2026, 4, 30)],
                "sentence": [
                    "On 2026-04-30 the answer was: supported, 0.55 times. It is now: can't tell, 0.72 times."
                ],
            }
        ),
    }


def _answer(name: str, **changed: object) -> dict[str, object]:
    row: dict[str, object] = {
        "question_id": name,
        "asked_on": date(2026, 5, 31),
        "first_asked_on": date(2026, 1, 15),
        "question": "Do rods in North Fells and in Low Marches differ in time to threshold?",
        "outcome": "time_to_threshold",
        "compare": "region",
        "first": "Low Marches",
        "second": "North Fells",
        "held_fixed": "",
        "electrodes": 24,
        "sites": 8,
        "effect": 0.72,
        "effect_low": 0.5,
        "effect_high": 0.95,
        "effect_unit": "ratio of times to threshold, second over first",
        "p_value": 0.021,
        "p_adjusted": 0.042,
        "p_holm": 0.063,
        "margin": 1.25,
        "p_equivalence": 0.7,
        "method": "Weibull accelerated life on intervals, clustered by site; p of whole sites exchanged",
        "converged": True,
        "verdict": "can't tell",
        "sentence": "Rods <b>in</b> North Fells get there sooner. But it need not be the district.",
        "power": 0.45,
        "power_ratio": 1.5,
        "findable_ratio": 1.7,
        "checks": "common shape not contradicted (p 0.4); a rank test has p 0.03",
        "leans_on": "soil class: 0.95 (0.70-1.30)",
        "asked_by": "the foreman",
        "note": "Why <i>so</i>?",
        "fingerprint": "0a1b2c3d4e5f",
        "run_id": None,
    }
    return row | changed


def _slope() -> dict[str, object]:
    return _answer(
        SLOPE, outcome="onset", compare="chloride_ppm", first="lower half", second="upper half", effect=0.8,
        effect_low=0.7, effect_high=0.9, verdict="supported", leans_on=None, p_adjusted=0.0001, note="",
        question="Does chloride change the rods' time until their resistance begins to rise?",
    )  # fmt: skip


def _breaks() -> dict[str, object]:
    return _answer(
        BREAKS, outcome="sudden_breaks", compare="soil_class", first="glacial till", second="marsh clay",
        effect=None, effect_low=1.3, effect_high=math.inf, verdict="supported", power=None,
        asked_by="rodfleet",
        question="Do rods in marsh clay and in glacial till differ in how often they break suddenly?",
        p_equivalence=None, findable_ratio=None,
    )  # fmt: skip


def _untold() -> dict[str, object]:
    nothing = dict.fromkeys(
        ("effect", "effect_low", "effect_high", "p_value", "p_adjusted", "p_holm", "p_equivalence", "power",
         "findable_ratio", "checks", "leans_on", "note")
    )  # fmt: skip
    return _answer(
        UNTOLD, outcome="growth", compare="material", first="bare_steel", second="solid_copper",
        converged=False,
        question="Do rods of solid copper and of bare steel differ in how fast they rise?",
        sentence="It can't be told: hardly any.", method="not fitted", **nothing,
    )  # fmt: skip


def _overlap() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "question_id": [DISTRICTS] * 3,
            "factor": ["soil_class", "soil_class", "material"],
            "level": ["marsh clay", "glacial till", "galvanized_steel"],
            "first_electrodes": [9, 3, 12],
            "first_sites": [3, 1, 4],
            "second_electrodes": [0, 12, 12],
            "second_sites": [0, 4, 4],
        }
    )


def _confounders() -> pl.DataFrame:
    return pl.DataFrame(
        {
            "question_id": [DISTRICTS] * 3,
            "factor": ["soil_class", "material", "decade"],
            "explained": [0.62, 0.0, 0.97],
            "inflation": [2.6, 1.0, 33.0],
            "effect_held": [0.95, 0.7, None],
            "effect_held_low": [0.7, 0.5, None],
            "effect_held_high": [1.3, 0.94, None],
            "separable": [True, True, False],
            "takes_it_away": [True, False, False],
            "says": [
                "62% goes with soil class.",
                "0% goes with material.",
                "The data can't tell them apart.",
            ],
        }
    )


def _charts() -> pl.DataFrame:
    ages = [float(a) for a in range(41)]
    rows = [
        (
            DISTRICTS,
            name,
            "share",
            age,
            min(age * k / 60, 1.0),
            age * k / 80,
            min(age * k / 45, 1.0),
            12 - int(age // 5),
        )
        for name, k in (("Low Marches", 1.0), ("North Fells", 1.4))
        for age in ages
    ]
    rows += [(SLOPE, "fifths of the rods", "slope", x, 30 - k * 4.0, 25 - k * 4.0, 36 - k * 4.0, 5)
             for k, x in enumerate((12.0, 40.0, 90.0, 300.0, 2000.0))]  # fmt: skip
    rows += [
        (BREAKS, name, "rate", None, mid, mid / 2, mid * 2, 60)
        for name, mid in (("glacial till", 2.0), ("marsh clay", 9.0))
    ]
    rows += [
        (DISTRICTS, "chance to be shown", "power", x, p, None, None, 24)
        for x, p in ((1.0, 0.05), (1.5, 0.42), (3.0, 0.99))
    ]
    columns = ["question_id", "series", "kind", "x", "mid", "low", "high", "at_risk"]
    return pl.DataFrame(rows, schema=columns, orient="row", infer_schema_length=None)


def staged_ground() -> dict[str, pl.DataFrame]:
    """Give the tables of what matters in the soil."""
    names = ["all surveyed ground", "chloride", "acidity", "soil class"]
    importance = pl.DataFrame(
        {
            "property": names,
            "importance": [0.4, 0.2, 0.0004, -0.0002],
            "low": [0.3, 0.15, -0.01, -0.001],
            "high": [0.5, 0.25, 0.01, 0.001],
            "alone": [0.35, 0.2, -0.01, 0.3],
            "explained_by_all": [0.33] * 4,
            "known_sites": [12, 11, 11, 12],
            "stands_for": [None, "soil class", None, "chloride"],
            "association": [0.0, 0.9, 0.1, 0.9],
            "says": [
                "All of it.",
                "Chloride stands for soil class.",
                "Acidity.",
                "Soil class stands for chloride.",
            ],
        }
    )
    rows = [
        ("chloride", "chloride_ppm", x, f"{x:g}", h) for x, h in ((10.0, 0.5), (100.0, 1.0), (1000.0, 1.5))
    ]
    rows += [("acidity", "ph", x, f"{x:g}", 1.0) for x in (4.0, 6.0, 8.0)]
    rows += [
        ("water", "drainage", float(k), name, 0.9 + k / 10) for k, name in enumerate(("good", "fair", "poor"))
    ]
    dependence = pl.DataFrame(rows, schema=["property", "column", "value", "label", "hazard"], orient="row")
    return {
        "soil_importance": importance,
        "soil_dependence": dependence.with_columns(low=pl.col("hazard") - 0.1, high=pl.col("hazard") + 0.1),
    }
