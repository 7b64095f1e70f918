"""Source profiles and names: what a file is, and how its layout maps onto ours."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.errors import RequestError
from pipeline.intake.files import Sheet, sheets
from pipeline.intake.profiles import load_profiles, mapped, number_units, recognise, table_named
from pipeline.intake.tables import Kind

MINIMAL = """
files = ["pit_*.csv"]
[[maps]]
table = "readings"
[maps.columns]
well_id = "Pit"
taken_at = "When"
resistance_ohm = { from = "kOhm", unit = "kohm" }
outcome = { from = "State", words = { "Fine" = "read" } }
"""


@pytest.mark.parametrize(
    ("name", "table"),
    [
        ("readings.csv", "readings"),
        ("Readings_2024.parquet", "readings"),
        ("readings-07.xlsx", "readings"),
        ("soil-surveys 2020.csv", "soil_surveys"),
        ("sites.csv.gz", "sites"),
        ("siteslist.csv", None),
        ("old_readings.csv", None),
        ("weather", "weather"),
    ],
)
def test_a_table_is_known_by_how_the_name_starts(name: str, table: str | None) -> None:
    found = table_named(name)
    assert (found.name if found else None) == table


def _sheet(folder: Path, name: str, text: str) -> tuple[Path, Sheet]:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    (sheet,) = sheets(path)
    return path, sheet


def test_an_owners_profile_comes_first_and_maps_headings_words_and_units(tmp_path: Path) -> None:
    (tmp_path / "pits.toml").write_text(MINIMAL, encoding="utf-8")
    path, sheet = _sheet(tmp_path, "pit_7.csv", "Pit,When,kOhm,State,Weather\nW1,2020-03-01,0.012,fine,wet\n")
    what = recognise(path, sheet, load_profiles([tmp_path]))
    assert what is not None
    assert what.profile is not None
    assert (what.profile.name, what.table.name) == ("pits", "readings")
    frame = pl.DataFrame(
        {
            "_line": [2],
            "_fault": [None],
            "pit": ["W1"],
            "When": ["2020-03-01"],
            "kOhm": ["0.012"],
            "State": ["FINE"],
        },
        schema_overrides={"_fault": pl.String},
    )
    row = mapped(frame, what).row(0, named=True)
    assert (row["well_id"], row["resistance_ohm"], row["outcome"]) == ("W1", "0.012", "read")
    assert row["note"] is None
    assert number_units(what) == {"resistance_ohm": (0.0, 1e3)}


def test_headings_alone_are_enough_where_a_profile_names_no_files(tmp_path: Path) -> None:
    (tmp_path / "pits.toml").write_text(MINIMAL.replace('files = ["pit_*.csv"]', ""), encoding="utf-8")
    profiles = load_profiles([tmp_path])
    path, sheet = _sheet(tmp_path, "whatever.csv", "Pit,When,kOhm\nW1,2020-03-01,0.012\n")
    assert recognise(path, sheet, profiles) is not None
    path, sheet = _sheet(tmp_path, "whatever.csv", "Pit,kOhm\nW1,0.012\n")
    assert recognise(path, sheet, profiles) is None


def test_the_profiles_that_come_along_map_only_what_exists() -> None:
    profiles = load_profiles()
    assert {p.name for p in profiles} == {"district_workbook", "handheld"}
    for profile in profiles:
        for name, source in profile.columns.items():
            column = profile.table.column(name)
            if column.kind is Kind.CHOICE:
                assert {ours for _, ours in source.words} <= set(column.choices), (profile.name, name)
            if source.unit:
                assert column.kind in (Kind.NUMBER, Kind.RANGED), (profile.name, name)


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ('table = "readings"', 'table = "rods"', "names no known table"),
        ('well_id = "Pit"', 'pit_id = "Pit"', "maps 'pit_id'"),
        ('unit = "kohm"', 'unit = "stone"', "unknown unit 'stone'"),
        ('from = "kOhm", ', "", "maps 'resistance_ohm' wrongly"),
        ('taken_at = "When"', "", "maps nothing to readings.taken_at"),
        ('files = ["pit_*.csv"]', 'colour = "red"', "unknown key 'colour'"),
        ("[[maps]]", "[[mops]]", "has no \\[\\[maps\\]\\]"),
        ("[[maps]]", "[[maps", "can't be read"),
    ],
)
def test_a_wrong_profile_is_named(tmp_path: Path, before: str, after: str, words: str) -> None:
    (tmp_path / "pits.toml").write_text(MINIMAL.replace(before, after), encoding="utf-8")
    with pytest.raises(RequestError, match=words) as caught:
        load_profiles([tmp_path])
    assert "pits.toml" in str(caught.value)
