"""The command's work: a question asked of a published run, answered in words, entered in the register."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from models.hypotheses import HYPOTHESES
from pipeline import question_register, questions
from pipeline.errors import RequestError, WorkError
from pipeline.question_files import question_from
from pipeline.question_register import read_register
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
            "break_state": ["none"] * len(names),
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


def put(fleet: Path, **change: object) -> tuple[list[str], questions.RunResult]:
    said: list[str] = []
    given = {"compare": "soil_class", "between": ["clay", "sand"]} | change
    question = question_from({k: v for k, v in given.items() if v is not None})
    result = questions.ask(fleet, Settings.load(fleet), question=question, say=said.append)
    return said, result


def published_rows(fleet: Path) -> questions.QuestionRows:
    return questions.read_published(fleet / "out", Settings())[0]


def test_answer_is_said_and_entered(fleet: Path) -> None:
    said, result = put(fleet)
    assert (result.run_id, result.ok, said) == ("r7", True, ["Asked of run r7."])
    assert "half of the rods are past threshold by" in result.lines[1]
    register = read_register(fleet / "out")
    assert register.height == 1
    row = register.row(0, named=True)
    assert row["verdict"] == "supported"
    assert row["effect_low"] < 2.2 < row["effect_high"]
    assert [p.name for p in (fleet / "out").iterdir() if p.name.startswith(".")] == []


def test_same_question_on_one_day_is_one_entry_and_another_is_a_second(fleet: Path) -> None:
    put(fleet)
    put(fleet, between=["sand", "clay"])
    put(fleet, compare="region", between=["north", "south"])
    register = read_register(fleet / "out")
    assert register.height == 2
    assert (register["p_adjusted"] >= register["p_value"]).all()


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"outcome": "colour"}, "no outcome"),
        ({"compare": "altitude"}, "compare by one of"),
        ({"between": ["peat", "sand"]}, "there are clay, sand"),
        ({"between": ["clay", "clay"]}, "itself"),
        ({"hold": ["chloride_ppm"]}, "says nothing of chloride_ppm"),
        ({"which": {"material": ["gold"]}}, "there are copper_bonded_steel"),
    ],
)
def test_wrong_requests_name_what_there_is(fleet: Path, change: dict[str, object], word: str) -> None:
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
    put(fleet, compare="region", between=["north", "south"], asked_by="the foreman", margin=1.4)
    rows, day = published_rows(fleet), dt.date(2027, 1, 1)
    register = read_register(fleet / "out")
    asked = questions.standing_questions(rows, asked_on=day, register=register)
    table = asked.hypotheses
    assert table["compare"].to_list() == ["region", "soil_class"]
    assert table["asked_on"].unique().to_list() == [day]
    north = table.row(0, named=True)
    assert (north["asked_by"], north["margin"], north["first_asked_on"]) == (
        "the foreman",
        1.4,
        dt.date.today(),
    )
    again = questions.standing_questions(published_rows(fleet), asked_on=day, register=register)
    for one, other in zip(asked.tables().values(), again.tables().values(), strict=True):
        assert one.equals(other)
    bare = dataclasses.replace(rows, verdicts=rows.verdicts.clear(), _kept={})
    alone = questions.standing_questions(bare, asked_on=day)
    assert all(t.is_empty() for t in alone.tables().values())
    assert alone.hypotheses.schema == pl.Schema(HYPOTHESES)
    assert read_register(fleet / "out").equals(register)


def test_questions_in_the_folder_are_asked_and_a_bad_one_is_named(fleet: Path) -> None:
    folder = fleet / "questions"
    folder.mkdir()
    (folder / "north.toml").write_text('compare = "region"\nbetween = ["north", "south"]\n')
    (folder / "bad.toml").write_text('compare = "colour"\n')
    (folder / "lacking.toml").write_text('compare = "ph"\nslope = "unit"\n')
    asked = questions.standing_questions(published_rows(fleet), asked_on=dt.date(2027, 1, 1), folder=folder)
    assert asked.hypotheses["compare"].to_list() == ["region", "soil_class"]
    assert len(asked.not_asked) == 2
    assert "bad.toml" in asked.not_asked[0]
    assert "holds no ph" in asked.not_asked[1]
    assert set(asked.overlap["factor"]) >= {"soil_class"}
    assert set(asked.charts["kind"]) == {"share", "power"}


def test_a_run_enters_what_rests_on_other_data_and_a_changed_answer_is_news(fleet: Path) -> None:
    rows, first, later = published_rows(fleet), dt.date(2027, 1, 1), dt.date(2027, 2, 1)
    before = questions.standing_questions(rows, asked_on=first)
    register = question_register.enter_run(read_register(fleet / "out"), before.hypotheses, "run a")
    assert register["run_id"].to_list() == ["run a"]
    same = questions.standing_questions(rows, asked_on=later, register=register)
    assert same.news.is_empty()
    assert question_register.enter_run(register, same.hypotheses, "run b").equals(register)
    # The same fleet with clay and sand told the other way round: the ratio is turned over.
    swapped = rows.lives.with_columns(
        pl.when(pl.col("soil_class") == "clay")
        .then(pl.lit("sand"))
        .otherwise(pl.lit("clay"))
        .alias("soil_class")
    )
    other = dataclasses.replace(rows, lives=swapped, _kept={})
    changed = questions.standing_questions(other, asked_on=later, register=register)
    (news,) = changed.news.iter_rows(named=True)
    assert news["was_effect"] > 1 > news["now_effect"]
    assert news["was_run"] == "run a"
    assert "On 2027-01-01 the answer was: supported" in news["sentence"]
    grown = question_register.enter_run(register, changed.hypotheses, "run b")
    assert grown.height == 2
    # Made twice, a run has the same news; made of the first data again, the news is the way back.
    assert questions.standing_questions(other, asked_on=later, register=grown).news.equals(changed.news)


def test_a_register_of_an_earlier_version_is_read(fleet: Path) -> None:
    put(fleet, compare="region", between=["north", "south"])
    path = fleet / "out" / question_register.REGISTER
    old = pl.read_parquet(path).drop("spec", "margin", "asked_by", "fingerprint", "p_holm")
    old.write_parquet(path)
    register = read_register(fleet / "out")
    assert register.schema == pl.Schema(HYPOTHESES)
    assert question_register.questions_on(register)[0].groups == ("north", "south")


def test_every_outcome_can_be_asked_of_the_same_run(fleet: Path) -> None:
    for outcome in ("onset", "growth", "sudden_breaks"):
        _, result = put(fleet, outcome=outcome)
        assert "can't be told" in result.lines[1] or "clay" in result.lines[1]
    register = read_register(fleet / "out")
    by = {row["outcome"]: row for row in register.iter_rows(named=True)}
    assert by["onset"]["effect_low"] < 2.2 < by["onset"]["effect_high"]
    assert by["growth"]["effect"] == pytest.approx(10 / 22, rel=0.25)
    assert by["sudden_breaks"]["verdict"] == "can't tell"
