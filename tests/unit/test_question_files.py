"""Questions as people write them: what is read, and what is refused in a sentence that names it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from models.hypothesis_words import Question, question_of
from pipeline.demo import QUESTIONS
from pipeline.errors import RequestError
from pipeline.question_files import EXAMPLE, options_as_keys, question_from, read_question


def test_the_example_and_the_demos_questions_are_questions(tmp_path: Path) -> None:
    for name, text in {"example": EXAMPLE, **QUESTIONS}.items():
        path = tmp_path / f"{name}.toml"
        path.write_text(text, encoding="utf-8")
        asked = read_question(path)
        assert question_of(asked.spec) == asked
    example = read_question(tmp_path / "example.toml")
    assert example.split_at == 200
    assert example.between == (("installed_year", 1980.0, 2010.0),)
    assert example.where == (("soil_class", ("clay", "silt")),)
    assert read_question(tmp_path / "purchase.toml").of_purchase


def test_options_say_the_same_as_a_file() -> None:
    given = options_as_keys(
        ["soil_class=clay,loam", "ph=4,6.5"], None, None, compare="chloride_ppm", slope="doubling",
        hold=("material",), margin=None, note=None,
    )  # fmt: skip
    assert question_from(given) == question_from(
        {
            "compare": "chloride_ppm",
            "slope": "doubling",
            "hold": ["material"],
            "which": {"soil_class": ["loam", "clay"], "ph": [4, 6.5]},
        }
    )
    assert question_from(options_as_keys([], "clay", "sand")) == Question("soil_class", "clay", "sand")


def test_the_id_hangs_on_what_is_asked_not_on_who_asks() -> None:
    keys: dict[str, Any] = {"compare": "region", "between": ["a", "b"]}
    plain = question_from(keys)
    assert plain.question_id == "time_to_threshold/region/a/b"
    assert question_from(keys | {"asked_by": "me", "note": "x", "margin": 2}).question_id == plain.question_id
    assert question_from(keys | {"between": ["b", "a"]}).question_id == plain.question_id
    for other in ({"hold": ["material"]}, {"outcome": "onset"}, {"which": {"kind": ["plate"]}}):
        assert question_from(keys | other).question_id != plain.question_id


PAIR = {"compare": "region", "between": ["a", "b"]}


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        (PAIR | {"hodl": ["ph"]}, "did you mean hold"),
        (PAIR | {"outcome": "colour"}, "no outcome 'colour'"),
        ({"compare": "altitude", "between": ["a", "b"]}, "compare by one of"),
        ({"compare": "region"}, "in one way what is compared, not 0"),
        (PAIR | {"split_at": 3}, "not 2"),
        ({"compare": "region", "split_at": 3}, "region is no number"),
        ({"compare": "ph", "between": ["4", "5"]}, "ph is a number"),
        ({"compare": "ph", "slope": "steep"}, "one of doubling, unit"),
        ({"compare": "ph", "split_at": "acid"}, "give a number"),
        (PAIR | {"between": ["a"]}, "two values"),
        (PAIR | {"between": "a"}, "takes a list"),
        (PAIR | {"between": ["a", "a"]}, "with itself"),
        (PAIR | {"hold": ["region"]}, "can't be held fixed as well"),
        (PAIR | {"hold": ["soilclass"]}, "did you mean soil_class"),
        (PAIR | {"margin": 0.8}, "above 1"),
        (PAIR | {"which": {"colour": ["red"]}}, "'colour' in which"),
        (PAIR | {"which": {"ph": [4]}}, r"give \[from, to\]"),
        (PAIR | {"which": ["ph"]}, "table of columns"),
        ({"compare": "purchase", "purchase": {"installed": ["1998-01-01"]}}, "two dates"),
        ({"compare": "purchase", "purchase": {"installed": ["then", "now"]}}, "not a date"),
        ({"compare": "purchase", "purchase": {"colour": "red"}}, "electrodes, installed and named"),
        ({"compare": "region", "purchase": {"electrodes": ["a"]}}, "goes with compare"),
    ],
)
def test_a_wrong_question_names_what_is_wrong(keys: dict[str, Any], says: str) -> None:
    with pytest.raises(RequestError, match=says):
        question_from(keys, "q.toml")


def test_files_that_are_none_are_named(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"nowhere.toml can't be read"):
        read_question(tmp_path / "nowhere.toml")
    (tmp_path / "bad.toml").write_text("compare = ")
    with pytest.raises(RequestError, match=r"bad.toml can't be read as TOML"):
        read_question(tmp_path / "bad.toml")
    with pytest.raises(RequestError, match="--where ph is not right"):
        options_as_keys(["ph"], None, None)
    with pytest.raises(RequestError, match="Missing option '--between'"):
        options_as_keys([], None, "sand")
