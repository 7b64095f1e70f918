"""The owner's settings: defaults, conversion, and a sentence for each mistake."""

from dataclasses import fields
from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import RequestError
from pipeline.settings import Settings


def _load(folder: Path, toml: str) -> Settings:
    (folder / "fleet.toml").write_text(toml, encoding="utf-8")
    return Settings.load(folder)


def test_without_a_file_all_is_default(tmp_path: Path) -> None:
    settings = Settings.load(tmp_path)
    assert settings.store_path == tmp_path / "store.duckdb"
    assert settings.output_folder == tmp_path / "out"
    assert settings.threshold_ratio == 2.0
    assert settings.threshold_ratio_by_class == {}
    assert settings.threshold_ohm is None
    assert settings.as_of is None
    assert settings.horizons_years == (1, 3, 5, 10)
    assert (settings.site_limit_kind, settings.site_limit_value) == ("share_of_rods_past", 0.30)
    assert settings.budget is None
    assert settings.visit_cost is None
    assert (settings.current_note_a, settings.current_danger_a) == (1.0, 10.0)
    assert settings.recalibrate_days == 30
    assert settings.hazard_by_soil_and_age is False
    assert settings.seed == 20260101


def test_every_kind_of_value_is_read(tmp_path: Path) -> None:
    settings = _load(
        tmp_path,
        """
        store_path = "held/fleet.duckdb"
        threshold_ratio = 3
        hazard_by_soil_and_age = true
        threshold_ohm = 25
        as_of = 2026-03-14
        horizons_years = [5, 1, 2]
        site_limit_kind = "site_ohm"
        site_limit_value = 4.5
        budget = 100000
        currency = "crowns"
        [threshold_ratio_by_class]
        "wet clay" = 1.5
        """,
    )
    assert settings.store_path == tmp_path / "held/fleet.duckdb"
    assert settings.threshold_ratio == 3.0
    assert settings.hazard_by_soil_and_age is True
    assert isinstance(settings.threshold_ratio, float)
    assert settings.threshold_ratio_by_class == {"wet clay": 1.5}
    assert settings.as_of == date(2026, 3, 14)
    assert settings.horizons_years == (1, 2, 5)
    assert settings.site_limit_value == 4.5
    assert (settings.budget, settings.currency) == (100000.0, "crowns")


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        ("treshold_ratio = 2", "did you mean threshold_ratio"),
        ("threshold_ratio = 'two'", "a number above 1"),
        ("threshold_ratio = 1.0", "a number above 1"),
        ("threshold_ratio = nan", "a number above 1"),
        ("horizons_years = 5", "a list of whole years"),
        ("horizons_years = []", "a list of whole years"),
        ("horizons_years = [1, true]", "a list of whole years"),
        ("as_of = 'March'", "a date such as"),
        ("hazard_by_soil_and_age = 1", "true or false"),
        ("site_limit_kind = 'ohms'", "share_of_rods_past"),
        ("site_limit_value = 1.5", "a share"),
        ("budget = -1", "0 or more"),
        ("seed = 1.5", "a whole number"),
        ("discount_rate = 5", "from 0 up to 1"),
        ("threshold_ratio_by_class = 3", "a table of numbers"),
        ("current_danger_a = 0.5", "below current_note_a"),
        ("threshold_ratio = ", "can't be read as TOML"),
    ],
)
def test_a_mistake_gives_a_sentence_that_names_it(tmp_path: Path, toml: str, words: str) -> None:
    with pytest.raises(RequestError) as caught:
        _load(tmp_path, toml)
    said = str(caught.value)
    assert said.startswith("fleet.toml")
    assert words in said
    assert "\n" not in said


def test_the_description_names_every_key_with_value_and_default(tmp_path: Path) -> None:
    described = _load(tmp_path, "threshold_ratio = 2.5").describe()
    for f in fields(Settings):
        assert f"\n{f.name} = " in "\n" + described
    assert "threshold_ratio = 2.5" in described
    assert "default: 2.0" in described
