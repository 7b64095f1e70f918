"""Proposals: a choice among candidates or none, one candidate a name, sites entered twice, rods replaced."""

from datetime import date, datetime

import numpy as np
import polars as pl
import pytest

from models.conditional_choice import Choice, fit_choice, one_to_one, probabilities
from models.danger import attend_first
from models.rod_renewals import unrecorded_renewals
from pipeline.errors import RequestError
from pipeline.names import numbers_in
from pipeline.site_twins import distance_m, site_twins


def test_a_choice_among_equals_is_shared_with_none() -> None:
    shares = probabilities(np.zeros((3, 2)), np.ones(2), 0.0)
    assert shares == pytest.approx([0.25, 0.25, 0.25])


def test_the_fit_of_a_choice_finds_the_weights_that_made_it() -> None:
    rng = np.random.default_rng(5)
    weights, none = np.array([2.0, -1.0]), 1.0
    examples = []
    for _ in range(3000):
        features = rng.normal(size=(4, 2))
        p = probabilities(features, weights, none)
        drawn = int(rng.choice(5, p=np.append(p, 1 - p.sum())))
        examples.append(Choice(features, drawn if drawn < 4 else None))
    fitted = fit_choice(examples)
    assert fitted.converged
    assert np.append(fitted.weights, fitted.none) == pytest.approx([2.0, -1.0, 1.0], abs=0.15)
    with pytest.raises(ValueError, match="one example"):
        fit_choice([])


def test_a_candidate_that_two_names_claim_goes_to_the_one_with_no_other() -> None:
    shares = np.array([[0.45, 0.45], [0.9, 0.0]])
    told = one_to_one(shares)
    assert told[1, 0] > 0.75
    assert told[0, 1] > 0.6 > told[0, 0]
    assert (told.sum(axis=1) <= 1.0).all()
    one = np.array([[0.7, 0.2]])
    assert one_to_one(one) is one


SITES = pl.DataFrame(
    {
        "row_id": [1, 2, 3, 4],
        "site_id": ["A1", "N7", "B2", "C3"],
        "site_name": ["Alder Reach", "ALDER-REACH sub", "Bel Fen", "Alder Reach"],
        "latitude": [50.0, 50.0003, 50.5, 53.0],
        "longitude": [1.0, 1.0003, 1.5, 1.0],
    }
)


def test_a_site_entered_twice_is_found_and_one_of_that_name_far_off_is_not() -> None:
    read = pl.DataFrame(
        {
            "site_id": ["A1", "N7"],
            "first_on": [date(2001, 1, 1), date(2012, 1, 1)],
            "last_on": [date(2011, 1, 1), date(2020, 1, 1)],
            "readings": [90, 10],
        }
    )
    best, *others = site_twins(SITES, read)
    assert (best.alias, best.means) == ("A1", "N7")  # the one that is still read stands
    assert best.score > 0.9
    assert all(t.score < 0.2 for t in others)
    assert "40 m apart" in best.why


def test_a_degree_of_latitude_is_some_111_km() -> None:
    # The metre was made to be the ten-millionth part of a quarter of the meridian (90 degrees).
    one, other = {"latitude": 50.0, "longitude": 1.0}, {"latitude": 51.0, "longitude": 1.0}
    assert distance_m(one, other) == pytest.approx(1e7 / 90, rel=0.005)
    assert distance_m(one, {"latitude": None, "longitude": 1.0}) is None


def _read(name: str, values: list[float]) -> list[dict[str, object]]:
    return [
        {
            "site_id": "A",
            "electrode_id": name,
            "taken_at": datetime(2005 + k, 6, 1),
            "resistance_ohm": v,
            "range_mark": None,
        }
        for k, v in enumerate(values)
    ]


RISEN = [10.0, 10.5, 14.0, 19.0, 26.0, 35.0, 10.2, 10.4, 9.9]
STEADY = [20.0, 21.0, 20.5, 20.0, 21.0, 20.2, 20.8, 20.1, 20.4]
ELECTRODES = pl.DataFrame(
    {
        "electrode_id": ["A-1", "A-2"],
        "installed_on": [date(2000, 1, 1)] * 2,
        "baseline_ohm": [None, None],
        "baseline_tied_in": [None, None],
    },
    schema_overrides={"baseline_ohm": pl.Float64, "baseline_tied_in": pl.Boolean},
)
WORKS = {"site_id": pl.String, "electrode_id": pl.String, "done_on": pl.Date, "work": pl.String}
NO_WORKS = pl.DataFrame(schema=WORKS)


def _found(values: dict[str, list[float]], works: pl.DataFrame = NO_WORKS) -> pl.DataFrame:
    rows = [row for name, own in values.items() for row in _read(name, own)]
    return unrecorded_renewals(
        pl.DataFrame(rows, schema_overrides={"range_mark": pl.String}), ELECTRODES, works
    )


def test_a_step_down_that_stays_to_the_first_level_is_a_replacement_that_nobody_wrote_down() -> None:
    (row,) = _found({"A-1": RISEN, "A-2": STEADY}).rows(named=True)
    assert row["electrode_id"] == "A-1"
    assert (row["last_on"], row["first_on"]) == (date(2010, 6, 1), date(2011, 6, 1))
    assert row["score"] > 0.5


def test_a_reading_high_once_is_none() -> None:
    once = [10.0, 10.5, 10.2, 35.0, 10.1, 10.4, 9.9]
    assert not (_found({"A-1": once})["score"] > 0.5).any()


def test_a_fall_of_the_whole_site_is_none() -> None:
    together = [3 * v for v in RISEN]
    assert _found({"A-1": RISEN, "A-2": together}).is_empty()


@pytest.mark.parametrize("work", ["replaced", "connection_remade", "other"])
def test_a_step_that_a_work_explains_is_none(work: str) -> None:
    works = pl.DataFrame([("A", "A-1", date(2011, 3, 1), work)], schema=WORKS, orient="row")
    assert _found({"A-1": RISEN}, works).is_empty()
    other = pl.DataFrame([("A", "A-2", date(2011, 3, 1), work)], schema=WORKS, orient="row")
    assert _found({"A-1": RISEN}, other).height == 1


def test_a_finding_on_the_old_rod_is_cleared_by_a_work_that_names_the_new_one() -> None:
    rows = [{"site_id": "A", "electrode_id": "A-1", "taken_at": datetime(2010, 1, 1), "current_a": 12.0}]
    rows.append({"site_id": "A", "electrode_id": "B~1", "taken_at": datetime(2010, 1, 1), "current_a": 12.0})
    readings, refused = pl.DataFrame(rows), pl.DataFrame()
    cleared = pl.DataFrame(
        [
            ("A", "A-1~2", date(2011, 1, 1), "finding_cleared"),
            ("A", "B~2", date(2011, 1, 1), "finding_cleared"),
        ],
        schema=WORKS,
        orient="row",
    )
    found = attend_first(readings, refused, cleared, 1.0, 10.0)
    # B~1 and B~2 are two rods of the register: there is no B.
    assert set(found.filter(pl.col("finding") == "current_danger")["electrode_id"]) == {"B~1"}


def test_numbers_of_proposals() -> None:
    assert numbers_in("1,3, 5-8") == [1, 3, 5, 6, 7, 8]
    with pytest.raises(RequestError, match="does not name proposals"):
        numbers_in("one")
