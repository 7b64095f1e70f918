"""How numbers are said: small chances, endless ages, units, file names."""

import math
from datetime import date, datetime

import pytest

from reports import words

NB = words.NB


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0.0, f"under 1{NB}%"),
        (0.0099, f"under 1{NB}%"),
        (0.01, f"1{NB}%"),
        (0.5, f"50{NB}%"),
        (0.99, f"99{NB}%"),
        (0.9901, f"over 99{NB}%"),
        (1.0, f"over 99{NB}%"),
        (None, "not known"),
    ],
)
def test_a_chance_is_never_nothing_and_never_certain(p: float | None, said: str) -> None:
    assert words.chance(p) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (17.94, f"17.9{NB}Ω"),
        (0.0412, f"0.0412{NB}Ω"),
        (1500.0, f"1,500{NB}Ω"),
        (0.0, f"0{NB}Ω"),
        (None, "not known"),
    ],
)
def test_a_resistance_has_three_digits_and_its_unit(value: float | None, said: str) -> None:
    assert words.resistance(value) == said


def test_a_reading_out_of_range_is_a_bound() -> None:
    assert words.resistance(1500.0, "over") == f"over 1,500{NB}Ω"
    assert words.resistance(0.02, "under") == f"under 0.0200{NB}Ω"


def test_years_and_their_intervals() -> None:
    assert words.years(math.inf) == "not within 200 years"
    assert words.years(0.0) == "0 years"
    assert words.years(1.0) == "1 year"
    assert words.years(9.96) == "10 years"
    assert words.years(3.25) in {"3.2 years", "3.3 years"}
    assert words.years_between(12.0, 31.4) == "12 to 31 years"
    assert words.years_between(12.0, math.inf) == "from 12 years on, late end not within 200 years"
    assert words.years_between(0.0, 1.0) == "0 to 1 year"
    assert words.years_between(math.inf, math.inf) == "not within 200 years"
    assert words.years_between(None, 3.0) == "not known"


def test_a_sites_limit_has_an_open_end_of_its_own() -> None:
    assert words.years(math.inf, words.BEYOND) == "later than the forecast looks"
    assert words.years_between(math.inf, math.inf, words.BEYOND) == words.BEYOND


def test_small_amounts_keep_their_digits() -> None:
    assert words.amount(0.734) == "0.734"
    assert words.amount(3) == "3"
    assert words.amount(123.4) == "123"


def test_dates_money_and_counts() -> None:
    assert words.day(datetime(2026, 4, 2, 23, 59)) == "2026-04-02"
    assert words.day(date(2026, 4, 2)) == "2026-04-02"
    assert words.money(12345.6, "crowns") == "12,346 crowns"
    assert words.money(None, "crowns") == "not known"
    assert words.count(1, "site") == "1 site"
    assert words.count(1200, "site") == "1,200 sites"


@pytest.mark.parametrize("site_id", ["N-001", "S0042", "A_B"])
def test_a_plain_id_is_its_own_file_name(site_id: str) -> None:
    assert words.safe_id(site_id) == site_id


@pytest.mark.parametrize(
    "site_id", ["../N6", "=N3", "Süd/4", "", "CON", "a\\b", "n-001", "x" * 300, "..", "<b>", "N 1", "N\n1"]
)
def test_any_other_id_becomes_a_name_that_every_file_system_takes(site_id: str) -> None:
    name = words.safe_id(site_id)
    assert name == words.safe_id(site_id)
    assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert 0 < len(name) < 60


def test_ids_that_look_alike_do_not_meet() -> None:
    ids = ["N-001", "n-001", "N 001", "n_001", "N/001", "Ñ-001"]
    assert len({words.safe_id(site_id).lower() for site_id in ids}) == len(ids)
