"""A proposed profile: what it takes columns for, what it asks, and that its lines load as they stand."""

from datetime import date
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.errors import FileRefusedError
from pipeline.intake.headings import alike, unit_in
from pipeline.intake.profiles import load_profiles
from pipeline.intake.proposal import propose
from pipeline.intake.proposal_text import toml_of
from tests.recovery.foreign_files import make_layout, never_tuned_on
from tests.recovery.foreign_layouts import judge

TODAY = date(2026, 11, 24)


def _file(folder: Path, text: str, name: str = "messung 2019.csv") -> Path:
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


GERMAN = "Erdungsprüfung 2019;;;;\n\nSchacht;Datum;Widerstand [mΩ];Prüfer;Strom\n" + "".join(
    f"W{k};{13 + k}.03.2019;{12000 + 77 * k},5;Mü;{2 + k}\n" for k in range(1, 9)
)


def test_a_german_log_is_understood_and_its_open_unit_asked(tmp_path: Path) -> None:
    path = _file(tmp_path, GERMAN)
    (one,) = propose(path, TODAY)
    taken = {g.column.name: g for g in one.guesses}
    assert (one.table.name, one.heading_line, one.marks) == ("readings", 3, ",")
    assert set(taken) == {"well_id", "taken_at", "resistance_ohm", "crew", "current_a"}
    assert taken["resistance_ohm"].unit.unit == "mohm"
    assert taken["taken_at"].dates.forms == ("%d.%m.%Y",)
    assert taken["current_a"].unit.asks
    text = toml_of(path, [one])
    assert '#? current_a = { from = "Strom", unit = "A" }' in text
    assert not any(line.startswith("current_a") for line in text.splitlines())


def test_the_lines_that_count_are_a_profile_that_fits(tmp_path: Path) -> None:
    path = _file(tmp_path, GERMAN)
    (tmp_path / "layouts").mkdir()
    (tmp_path / "layouts" / "m.toml").write_text(toml_of(path, propose(path, TODAY)), encoding="utf-8")
    profile = load_profiles([tmp_path / "layouts"])[0]
    assert profile.name == "m"
    assert set(profile.columns) == {"well_id", "taken_at", "resistance_ohm", "crew"}
    assert (profile.separator, profile.decimal_marks, profile.files) == (";", ",", ("messung *.csv",))


def test_an_open_order_of_day_and_month_is_asked(tmp_path: Path) -> None:
    path = _file(tmp_path, "Pit,Date,Ohms\nW1,03/04/2019,12.1\nW2,05/06/2019,13.2\n")
    text = toml_of(path, propose(path, TODAY))
    assert '#? dates = ["%d/%m/%Y"]' in text
    assert '#? dates = ["%m/%d/%Y"]' in text
    assert "\ndates" not in text


def test_a_point_that_may_part_thousands_is_asked(tmp_path: Path) -> None:
    text = toml_of(*_with_proposal(_file(tmp_path, "Pit;Date;Ohms\nW1;2019-03-14;1.234\nW2;2019-03-15;7\n")))
    assert '#? decimal_marks = ","' in text


def test_years_as_headings_ask_for_their_day(tmp_path: Path) -> None:
    lines = "".join(f"W{k},{9 + k},{11 + k},{14 + k}\n" for k in range(6))
    text = toml_of(*_with_proposal(_file(tmp_path, "Pit No,2019,2020,2021\n" + lines)))
    assert '#? visits = { form = "%Y", on = "07-01"' in text


def _with_proposal(path: Path):  # type: ignore[no-untyped-def]
    return path, propose(path, TODAY)


@pytest.mark.parametrize("heading", ["R (Mohm)", "R [MΩ]", "Resistance MOHM"])
def test_milli_or_mega_is_asked(tmp_path: Path, heading: str) -> None:
    path = _file(tmp_path, f"Pit,Date,{heading}\n" + "W1,2019-03-14,12400\nW2,2019-03-15,9000\n")
    (one,) = propose(path, TODAY)
    guess = next(g for g in one.guesses if g.heading == heading)
    assert guess.unit.asks


def test_a_unit_that_the_numbers_belie_is_asked(tmp_path: Path) -> None:
    path = _file(tmp_path, "Pit,Date,Resistance (kohm)\nW1,2019-03-14,12000\nW2,2019-03-15,9000\n")
    (one,) = propose(path, TODAY)
    guess = next(g for g in one.guesses if g.heading.startswith("Resistance"))
    assert guess.unit.asks


@pytest.mark.parametrize(
    ("heading", "column", "unit"),
    [
        ("Rod length, ft", "length_m", "ft"),
        ("Soil temp (F)", "soil_temp_c", "degF"),
        ("Resistivity ohm cm", "resistivity_ohm_m", "ohm_cm"),
        ("R / mΩ", "resistance_ohm", "mohm"),
        ("kOhm", "resistance_ohm", "kohm"),
        ("Current", "current_a", None),
        ("Resistance (m)", "resistance_ohm", None),
    ],
)
def test_the_unit_in_a_heading(heading: str, column: str, unit: str | None) -> None:
    assert unit_in(heading, column) == unit


def test_unlike_words_are_not_alike() -> None:
    assert alike("Prüfschacht", "well_id") > 0.8
    assert alike("Weather", "well_id") < 0.45
    assert alike("Colour of lid", "resistance_ohm") < 0.45


def test_words_of_a_list_that_are_not_understood_are_asked(tmp_path: Path) -> None:
    text = "Rod No,Site,Installed,Material\nE1,A,2001-05-14,verzinkt\nE2,A,2002-05-14,unobtainium\n"
    told = toml_of(*_with_proposal(_file(tmp_path, text)))
    assert 'words = { "verzinkt" = "galvanized_steel" }' in told
    assert '#? what does "unobtainium" mean?' in told


def test_the_command_shows_writes_and_overwrites_nothing(tmp_path: Path) -> None:
    path, out = _file(tmp_path, GERMAN), tmp_path / "out.toml"
    shown = CliRunner().invoke(main, ["profile", str(path), "--write", str(out)])
    assert shown.exit_code == 0, shown.output
    assert "8 rows looked at, 0 of them would be refused" in shown.output
    assert "which unit: A or mA?" in shown.output
    assert out.read_text(encoding="utf-8").startswith("about = ")
    assert CliRunner().invoke(main, ["profile", str(path), "--write", str(out)]).exit_code == 2


def test_nothing_like_a_table_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileRefusedError):
        propose(_file(tmp_path, "\n", "empty.csv"), TODAY)


def test_layouts_of_the_measure_find_no_wrong_unit_and_the_measure_can_fail(tmp_path: Path) -> None:
    for seed in range(250, 256):
        count = judge(make_layout(tmp_path, seed))
        assert (count["units_wrong"], count["values_wrong"]) == (0, 0), seed
        assert count["right"] + count["asked"] + count["missed"] + count["wrong"] == count["columns"]
    wrong = values = 0
    for seed in range(6):
        layout = make_layout(tmp_path, seed)
        layout.units = dict.fromkeys(layout.units, "furlong")
        layout.truth = {c: v * 2 if v.dtype.is_float() else v for c, v in layout.truth.items()}
        count = judge(layout)
        wrong, values = wrong + count["units_wrong"], values + count["values_wrong"]
    assert wrong > 0
    assert values > 0
    assert never_tuned_on("well_id", "Inspection Pit No.")
