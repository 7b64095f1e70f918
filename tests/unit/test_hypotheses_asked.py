"""The command's work: a question asked of a published run, answered in words, entered in the register."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import questions
from pipeline.errors import RequestError, WorkError
from pipeline.settings import Settings


def publish(fleet: Path, rng: np.random.Generator) -> None:
    """Write a run of 24 sites of five rods, half in clay (doubling at 10 years), half in sand (at 22)."""
    current = fleet / "out" / "current"
    current.mkdir(parents=True)
    names, sites, soils, readings = [], [], [], []
    for site in range(24):
        soil = "clay" if site < 12 else "sand"
        for well in range(5):
            name = f"{site}-{well}"
            names.append(name)
            sites.append(f"s{site}")
            soils.append(soil)
            crossing = (10 if soil == "clay" else 22) * float(np.exp(rng.normal(0, 0.25)))
            for age in range(3, 25):
                ratio = 2.0 ** (age / crossing) * float(np.exp(rng.normal(0, 0.03)))
                readings.append((name, dt.datetime(2000 + age, 6, 1), 20.0 * ratio))
    outlook = pl.DataFrame(
        {
            "electrode_id": names,
            "site_id": sites,
            "soil_class": soils,
            "material": ["copper_bonded_steel"] * len(names),
            "baseline_ohm": [20.0] * len(names),
            "installed_on": [dt.date(2000, 6, 1)] * len(names),
        }
    )
    verdicts = pl.DataFrame(readings, schema=["electrode_id", "taken_at", "corrected_ohm"], orient="row")
    verdicts = verdicts.with_columns(
        pl.lit("good").alias("verdict"), pl.lit(None, pl.String).alias("range_mark")
    )
    outlook.write_parquet(current / "electrode_outlook.parquet")
    verdicts.write_parquet(current / "reading_verdicts.parquet")
    table = pl.DataFrame({"site_id": sites, "region": ["north", "south"] * (len(sites) // 2)}).unique(
        "site_id"
    )
    table.write_parquet(current / "sites.parquet")
    (current / "run.json").write_text(json.dumps({"run_id": "r7"}))


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    publish(tmp_path, np.random.default_rng(1))
    return tmp_path


def put(
    fleet: Path, settings: Settings | None = None, **change: str
) -> tuple[list[str], questions.RunResult]:
    said: list[str] = []
    words = {
        "outcome": "time_to_threshold",
        "compare": "soil_class",
        "first": "clay",
        "second": "sand",
    } | change
    result = questions.ask(fleet, settings or Settings.load(fleet), **words, say=said.append)
    return said, result


def test_answer_is_said_and_entered(fleet: Path) -> None:
    said, result = put(fleet)
    assert (result.run_id, result.ok, said) == ("r7", True, ["Asked of run r7."])
    assert "half of the rods are past threshold by" in result.lines[1]
    register = questions.read_register(fleet / "out")
    assert register.height == 1
    row = register.row(0, named=True)
    assert row["verdict"] == "supported"
    assert row["effect_low"] < 2.2 < row["effect_high"]
    assert [p.name for p in (fleet / "out").iterdir() if p.name.startswith(".")] == []


def test_same_question_on_one_day_is_one_entry_and_another_is_a_second(fleet: Path) -> None:
    put(fleet)
    put(fleet, first="sand", second="clay")
    put(fleet, compare="region", first="north", second="south")
    register = questions.read_register(fleet / "out")
    assert register.height == 2
    assert (register["p_adjusted"] >= register["p_value"]).all()


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"outcome": "colour"}, "no outcome"),
        ({"compare": "altitude"}, "compare by one of"),
        ({"first": "peat"}, "there are clay, sand"),
        ({"second": "clay"}, "itself"),
    ],
)
def test_wrong_requests_name_what_there_is(fleet: Path, change: dict[str, str], word: str) -> None:
    with pytest.raises(RequestError, match=word):
        put(fleet, **change)


def test_no_published_run_is_said(tmp_path: Path) -> None:
    with pytest.raises(WorkError, match="rodfleet run"):
        put(tmp_path)


def test_threshold_of_material_before_class_before_all(fleet: Path) -> None:
    outlook = pl.read_parquet(fleet / "out" / "current" / "electrode_outlook.parquet")
    settings = dataclasses.replace(Settings(), threshold_ratio_by_class={"clay": 1.5})
    by_class = questions.threshold_of(outlook, settings)["threshold_ratio"].to_list()
    assert (by_class[0], by_class[-1]) == (1.5, 2.0)
    both = dataclasses.replace(settings, threshold_ratio_by_material={"copper_bonded_steel": 3.0})
    assert set(questions.threshold_of(outlook, both)["threshold_ratio"]) == {3.0}


def test_standing_questions_ask_the_first_and_the_register_again(fleet: Path) -> None:
    put(fleet, compare="region", first="north", second="south")
    current = fleet / "out" / "current"
    verdicts, outlook, sites = (pl.read_parquet(current / f"{n}.parquet") for n in questions.TABLES)
    day = dt.date(2027, 1, 1)
    register = questions.read_register(fleet / "out")
    asked = questions.standing_questions(
        verdicts, outlook, sites, Settings(), asked_on=day, register=register
    )
    assert asked["compare"].to_list() == ["region", "soil_class"]
    assert asked["asked_on"].unique().to_list() == [day]
    again = questions.standing_questions(
        verdicts, outlook, sites, Settings(), asked_on=day, register=register
    )
    assert asked.equals(again)
    alone = questions.standing_questions(verdicts.clear(), outlook, sites, Settings(), asked_on=day)
    assert alone.is_empty()
    assert questions.read_register(fleet / "out").equals(register)
