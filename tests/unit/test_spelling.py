"""How names are read: what the trade does to them, the site taken off, numbers in other writing."""

import pytest

from pipeline.intake.spelling import SiteWords, named_parts, near_number, parts_of, roman, spelt_at

SITE = SiteWords.of("BRA-001", "Alder Reach")


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("BRA-001-W02", ("bra", "1", "w", "2")),
        ("bra 1 w 2", ("bra", "1", "w", "2")),
        ("Well No. 007", ("well", "no", "7")),
        ("W1O", ("w", "10")),
        ("W0l", ("w", "1")),
        ("well three", ("well", "3")),
    ],
)
def test_names_are_parted(name: str, parts: tuple[str, ...]) -> None:
    assert parts_of(name) == parts


@pytest.mark.parametrize(
    ("name", "says_site", "number"),
    [
        ("bra1/W2", True, "2"),
        ("Alder Reach 02", True, "2"),
        ("ALDERREACH_2", True, "2"),
        ("AR 12", True, "12"),
        ("Aldr Reach 3", True, "3"),  # a slip of the pen in the site's name
        ("OST-001-W02", False, "2"),
        ("pit IV", False, "4"),
        ("north", False, None),
    ],
)
def test_the_site_is_taken_off_and_the_number_is_read(name: str, says_site: bool, number: str | None) -> None:
    spelt = spelt_at(name, SITE)
    assert (spelt.says_site, spelt.number) == (says_site, number)


def test_a_letter_stands_for_a_place_in_the_alphabet_only_where_there_is_no_number() -> None:
    assert spelt_at("Rod C", SITE).letter == 3
    assert spelt_at("Rod C 2", SITE).letter is None
    assert spelt_at("east", SITE).letter is None


def test_roman_numbers() -> None:
    assert [roman(w) for w in ("i", "iv", "ix", "xiv", "mix", "")] == [1, 4, 9, 14, None, None]


def test_a_slip_in_a_number_is_near_and_another_number_is_not() -> None:
    assert near_number("12", "21") == 1.0
    assert near_number("5", "6") == near_number("12", "12") == near_number(None, "1") == 0.0
    assert 0.0 < near_number("123", "12") < 1.0


def test_words_that_say_what_a_thing_is_are_left_out_of_a_sites_name() -> None:
    assert named_parts("Alder Reach Substation") == ("alder", "reach")
    assert named_parts("station") == ("station",)
