"""An explanation is the same fit made again on less: what each part of the evidence may and may not move."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from models import explanation
from models.calibration import Calibration, first_guess
from models.explanation import (
    ALL,
    ALONE,
    KIND,
    READINGS,
    SITE,
    Explanation,
    Terms,
    account,
    accounts_of,
    explain_electrode,
    most_telling,
    restrict,
    side_by_side,
    untaught,
)
from models.forecast import levels, outlook_frame
from models.histories import Histories
from models.outlook import curve_mass, onset_median
from tests.unit.small_histories import LOG_DOUBLE, own_calibration, own_fit, own_fleet, site_history

# A site fitted by itself meets the same numbers in other batches of single precision.
SAME = 1e-5
YEARS = 12
FLAT = [0.02 * (-1) ** k for k in range(YEARS)]
GROWN = [*FLAT[:-3], 0.25, 0.5, 0.78]


def _site(*logs: list[float], drop: tuple[int, int] | None = None) -> Histories:
    """Lay out one site read yearly from age 8 on; drop: rod and position of a reading that is not there."""
    keep = [[k for k in range(len(y)) if (i, k) != drop] for i, y in enumerate(logs)]
    return site_history(
        [[8.0 + k for k in ks] for ks in keep],
        [[y[k] for k in ks] for y, ks in zip(logs, keep, strict=True)],
        [2008.0 + k for k in range(YEARS)],
        keep,
    )


def _terms(h: Histories, cal: Calibration | None = None) -> Terms:
    return Terms(cal or first_guess(h), LOG_DOUBLE, seed=3)


def _explained(*logs: list[float], visits: bool = False) -> Explanation:
    h = _site(*logs)
    return explain_electrode(h, 0, _terms(h), visits)


@pytest.fixture(scope="module")
def grown() -> Explanation:
    return _explained(GROWN, FLAT, FLAT)


def test_a_site_explained_by_itself_says_what_the_fleet_s_fit_says() -> None:
    h, _ = own_fleet()
    fleet = own_fit()
    for s in (0, 7):
        site = h.sample_sites(np.array([s]))
        told = explain_electrode(site, 2, Terms(own_calibration(), LOG_DOUBLE, seed=1))
        there = account(fleet, int(h.site_start[s]) + 2, (1, 3, 5, 10))
        assert told.accounts[ALL].moved_from(there) < SAME
        assert told.accounts[ALL].onset_age == pytest.approx(there.onset_age, rel=1e-3)


def test_an_account_is_the_outlook_s_row(grown: Explanation) -> None:
    fit, said = grown.fit, grown.accounts[ALL]

    row = outlook_frame(fit, levels(fit, np.random.default_rng(1)), date(2020, 1, 1)).row(0, named=True)
    assert said.p_past_now == pytest.approx(row["p_past_now"], abs=1e-6)
    assert said.p_past == pytest.approx([row[f"p_past_{y}y"] for y in (1, 3, 5, 10)], abs=1e-6)
    assert said.crossing_age == pytest.approx(
        [row[f"crossing_age_p{q}"] for q in ("05", "50", "95")], rel=1e-5
    )
    assert said.growth_mean == pytest.approx(row["growth_per_year"], rel=1e-4)
    assert said.onset_age[1] == pytest.approx(
        onset_median(curve_mass(fit.posterior), fit.prepared.grid)[0], rel=1e-3
    )
    assert said.onset_age[0] < said.onset_age[1] < said.onset_age[2]
    assert said.growth[0] < said.growth[1] < said.growth[2]


def test_without_a_reading_is_the_fit_of_histories_that_never_held_it(grown: Explanation) -> None:
    at = int(grown.readings[4])
    never = _site(GROWN, FLAT, FLAT, drop=(0, 4))
    (fitted,) = accounts_of([(never, 0)], _terms(never))
    assert grown.without_reading[at].moved_from(fitted) < SAME
    assert grown.without_reading[at].crossing_age == pytest.approx(fitted.crossing_age, rel=1e-4)


def test_without_its_last_high_reading_an_electrode_is_less_likely_past(grown: Explanation) -> None:
    last = int(grown.readings[-1])
    whole, without = grown.accounts[ALL], grown.without_reading[last]
    assert set(grown.without_reading) == set(grown.readings.tolist())
    assert without.p_past_now < whole.p_past_now - 0.1
    assert without.crossing_age[1] > whole.crossing_age[1]
    assert most_telling(grown.without_reading, whole) == last
    early = grown.without_reading[int(grown.readings[1])]
    assert early.moved_from(whole) < 0.1 * without.moved_from(whole)


def test_nothing_is_telling_where_nothing_moves_the_answer() -> None:
    told = _explained(FLAT, FLAT)
    whole = told.accounts[ALL]
    assert most_telling({3: whole, 4: whole}, whole) is None
    assert most_telling({}, whole) is None


def test_its_kind_knows_no_reading_and_its_site_only_the_other_rods_(grown: Explanation) -> None:
    flat, worn = _explained(FLAT, FLAT, FLAT), _explained(FLAT, GROWN, GROWN)
    assert grown.accounts[KIND] == flat.accounts[KIND] == worn.accounts[KIND]
    assert grown.accounts[SITE].moved_from(flat.accounts[SITE]) < SAME
    assert worn.accounts[SITE].p_past[2] > flat.accounts[SITE].p_past[2] + 0.01


def test_without_neighbours_it_matters_not_what_they_read(grown: Explanation) -> None:
    others = _explained(GROWN, GROWN, GROWN)
    assert grown.accounts[ALONE].moved_from(others.accounts[ALONE]) < SAME
    assert grown.accounts[ALL].moved_from(others.accounts[ALL]) > 0.01


def test_its_readings_by_themselves_know_nothing_that_the_fleet_has_taught() -> None:
    h = _site(GROWN, FLAT)
    guess = first_guess(h)
    late = guess.theta.copy()
    late[guess.theta_names.index("onset_fleet")] += 1.5
    first, taught = (explain_electrode(h, 0, _terms(h, c)) for c in (guess, replace(guess, theta=late)))
    assert first.accounts[READINGS] == taught.accounts[READINGS]
    assert first.accounts[KIND].p_past[3] > taught.accounts[KIND].p_past[3] + 0.05
    assert first.accounts[ALONE].moved_from(taught.accounts[ALONE]) > 0.01


def test_untaught_is_wider_than_any_class_and_draws_nothing() -> None:
    cal = own_calibration()
    wide = dict(zip(cal.theta_names, untaught(cal).theta, strict=True))
    fitted = dict(zip(cal.theta_names, cal.theta, strict=True))
    for what in ("onset", "growth"):
        assert wide[f"log_{what}_spread"] > fitted[f"log_{what}_spread"] + 0.3
        assert all(wide[n] == 0.0 for n in wide if n.startswith((f"{what}_soil", f"{what}_material")))
        assert wide[f"{what}_site_load"] == 0.0
    assert not untaught(cal).theta_cov.any()


def test_without_a_visit_no_rod_was_read_then() -> None:
    # a neighbour rose as well: its last reading speaks for the rod too
    grown = _explained(GROWN, GROWN, FLAT, visits=True)
    h, at = grown.fit.histories, int(grown.readings[-1])
    (fitted,) = accounts_of([(restrict(h, np.ones(3, bool), h.visit != h.visit[at]), 0)], _terms(h))
    assert grown.without_visit[at].moved_from(fitted) < SAME
    assert grown.without_visit[at].moved_from(grown.without_reading[at]) > 0.03


def test_a_part_keeps_the_readings_of_those_that_stay() -> None:
    h = _site(FLAT, GROWN, FLAT)
    part = restrict(h, np.array([False, True, True]), h.visit != 2)
    assert part.electrode_id == ("e1", "e2")
    assert np.diff(part.reading_start).tolist() == [YEARS - 1, YEARS - 1]
    assert part.log_ohm[: YEARS - 1].tolist() == [y for k, y in enumerate(GROWN) if k != 2]
    assert part.visit_year.size == h.visit_year.size


def test_parts_are_fitted_alike_in_one_batch_or_in_many(monkeypatch: pytest.MonkeyPatch) -> None:
    h = _site(FLAT, GROWN)
    every = np.ones(2, bool)
    parts = [(restrict(h, every, np.arange(h.age.size) != r), 1) for r in (0, 14, 23)]
    together = accounts_of(parts, _terms(h))
    monkeypatch.setattr(explanation, "_AT_ONCE", 1)
    apart = accounts_of(parts, _terms(h))
    assert max(a.moved_from(b) for a, b in zip(together, apart, strict=True)) < SAME
    assert together[0].moved_from(together[2]) > 0.01


def test_more_than_one_site_is_refused() -> None:
    h = _site(FLAT)
    two = side_by_side([h, h])
    assert two.sites == two.electrodes == 2
    with pytest.raises(ValueError, match="one site"):
        explain_electrode(two, 0, _terms(h))
    with pytest.raises(ValueError, match="district-years"):
        side_by_side([h, replace(h, periods=(("south", 1),))])
