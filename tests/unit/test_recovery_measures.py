"""The yardsticks of the recovery: that they tell right from wrong, and fleets as they are drawn."""

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy.stats import norm

from models.histories import AS_INSTALLED
from tests.recovery.breaks_found import STEP, YEARS, count, plant
from tests.recovery.class_medians import inside, population
from tests.recovery.own_model import NOW, Plan, draw_fleet, known_by, known_calibration, log_onset_moments
from tests.recovery.simulation_based import coverage, picture, uniformity
from tests.recovery.targets import Target, auc_within, summary
from tests.recovery.visits import log_gain, spread_ratio


def test_uniform_shares_pass_and_those_of_too_narrow_or_shifted_posteriors_do_not() -> None:
    rng = np.random.default_rng(3)
    z = rng.normal(size=1000)
    right = uniformity(norm.cdf(z))
    assert right.p > 0.01
    assert right.counts.sum() == 1000
    assert abs(coverage(norm.cdf(z)) - 0.9) < 0.03
    assert set(picture(norm.cdf(z))) == {"."}
    assert uniformity(norm.cdf(1.3 * z)).p < 0.01
    assert uniformity(norm.cdf(z + 0.25)).p < 0.01
    assert set(picture(norm.cdf(z + 0.25))) & set("abc")  # truth above what was said: fewer shares below


def test_a_drawn_fleet_has_the_spreads_it_was_drawn_with() -> None:
    cal = known_calibration()
    h, t = draw_fleet(cal, np.random.default_rng(5), Plan(sites=900, rods=(4, 4)))
    p = dict(zip(cal.theta_names, cal.theta, strict=True))
    clay = np.array(h.soil) == "clay"
    earlier, spread = log_onset_moments(p)
    assert np.log(t.onset[clay]).mean() == pytest.approx(np.log(22.0) - earlier, abs=0.08)
    assert np.log(t.onset[clay]).std() == pytest.approx(spread, rel=0.08)
    assert t.base.std() == pytest.approx(np.hypot(cal.spread.site_sd, cal.spread.rod_sd), rel=0.08)
    assert t.visit.std() == pytest.approx(cal.spread.visit_sd, rel=0.05)
    exposure = np.minimum(t.broken_at, t.age_now).sum()
    assert (t.broken_at <= t.age_now).sum() / exposure == pytest.approx(cal.steps.break_rate, rel=0.15)
    assert (t.jump > 0.0).all()
    new = h.kind == AS_INSTALLED
    assert (h.log_ohm[new] - t.base[h.reading_electrode[new]]).std() == pytest.approx(
        cal.installed_sd, rel=0.1
    )


def test_histories_known_by_a_year_hold_nothing_later_and_all_that_was_earlier() -> None:
    h, _ = draw_fleet(known_calibration(), np.random.default_rng(2), Plan(sites=5))
    part = known_by(h, NOW - 4.0)
    assert part.year.max() <= NOW - 4.0
    assert part.age.size == (h.year <= NOW - 4.0).sum()
    assert part.electrodes == h.electrodes
    assert part.age_now == pytest.approx(h.age_now - 4.0)
    # each routine reading still points at the visit that it was taken on
    at = part.visit_start[part.electrode_site[part.reading_electrode]] + part.visit
    seen = part.visit >= 0
    assert part.visit_year[at[seen]] == pytest.approx(part.year[seen])
    assert known_by(h, NOW).row.tolist() == h.row.tolist()


def test_planted_breaks_stay_and_wild_readings_do_not() -> None:
    cal = known_calibration()
    p = plant(cal, np.random.default_rng(4), 6)
    h, _ = draw_fleet(
        replace(cal, steps=replace(cal.steps, break_rate=0.0)), np.random.default_rng(4),
        Plan(sites=6, rods=(6, 6), years=(YEARS, YEARS), built_years=(16.0, 45.0)),
    )  # fmt: skip
    up = p.histories.log_ohm - h.log_ohm
    of = h.reading_electrode
    for i, v in zip(p.parted, p.parted_at, strict=True):
        assert up[(of == i) & (h.visit >= v)] == pytest.approx(STEP)
        assert up[(of == i) & (h.visit < v)] == pytest.approx(0.0)
    for i, v in zip(p.wild, p.wild_at, strict=True):
        assert up[of == i].sum() == pytest.approx(STEP)
        assert up[(of == i) & (h.visit == v)] == pytest.approx(STEP)


def test_what_was_called_when_is_counted() -> None:
    p = plant(known_calibration(), np.random.default_rng(4), 3)
    states = np.full((YEARS, p.histories.electrodes), "none", dtype="U9")
    states[p.parted_at[0], p.parted[0]] = "suspected"
    states[p.parted_at[0] + 1 :, p.parted[0]] = "confirmed"
    sound = next(i for i in range(18) if i not in {*p.parted, *p.wild})
    states[5, sound] = "confirmed"
    states[6, p.wild[1]] = "confirmed"
    found = count(p, states)
    assert found.suspected_at_once == pytest.approx(1 / 3)
    assert found.confirmed_at_second == pytest.approx(1 / 3)
    assert (found.false, found.electrode_years, found.wild_confirmed) == (1, 12 * YEARS, 1)


def test_auc_within_classes_leaves_out_what_a_class_alone_tells() -> None:
    soil = np.repeat(["early", "late"], 400)
    outcome = np.random.default_rng(1).random(800) < np.where(soil == "early", 0.7, 0.1)
    assert auc_within(outcome, (soil == "early").astype(float), soil) == 0.5
    assert auc_within(outcome, outcome.astype(float), soil) == 1.0


def test_classes_are_held_against_their_population() -> None:
    truth = pl.DataFrame(
        {
            "soil_class": ["clay"] * 4, "material": ["clad", "clad", "solid", "solid"], "raw": [False] * 4,
            "onset_age": [10.0, 12.0, 14.0, np.inf],
            "growth_per_year": [0.1, 0.2, 0.3, 0.0], "crossing": [14.0, 16.0, 30.0, np.inf],
        }
    )  # fmt: skip
    people = population(truth)
    value = dict(people.select("what", "value").iter_rows())
    assert value["onset"] == 13.0
    assert value["growth"] == pytest.approx(0.2)
    assert value["past by 15"] == 0.25
    assert value["past by 35"] == 0.75
    mix = pl.DataFrame({"soil_class": ["clay"], "material": ["clad"], "raw": [False], "len": [7]})
    clad_only = dict(population(truth, mix).select("what", "value").iter_rows())
    assert clad_only["onset"] == 11.0
    assert clad_only["past by 15"] == 0.5
    said = pl.DataFrame(
        {"soil_class": ["clay"] * 2, "what": ["onset", "growth"], "low": [12.0, 0.21], "high": [14.0, 0.3]}
    )
    assert inside(said, people)["inside"].to_list() == [True, False]


def test_a_meter_drifts_from_its_last_calibration() -> None:
    instruments = pl.DataFrame(
        {
            "instrument_id": ["K1"] * 3,
            "calibrated_on": [date(2020, 1, 1), date(2021, 1, 1), date(2022, 1, 1)],
            "as_found_error_pct": [None, 2.0, 2.0],
        }
    )
    days = [date(2021, 7, 2), date(2020, 1, 1), date(2024, 1, 1), date(2021, 7, 2)]
    readings = pl.DataFrame({"taken_at": days, "instrument_id": ["K1", "K1", "K1", None]})
    assert log_gain(readings, instruments) == pytest.approx(np.log([1.01, 1.0, 1.04, 1.0]), abs=2e-4)


def test_errors_are_measured_in_what_they_claim() -> None:
    rng = np.random.default_rng(6)
    sd = rng.uniform(0.02, 0.08, 5000)
    assert spread_ratio(1.3 * sd * rng.normal(size=5000), sd) == pytest.approx(1.3, rel=0.05)


def test_the_table_counts_what_can_be_told() -> None:
    lines = summary([Target("field", "a", "1", "> 0", True), Target("field", "b", "0", "> 0", False),
                     Target("field", "c", "none", "> 0", None)])  # fmt: skip
    assert lines[-1] == "1 of 2 met"
    assert [line.split()[-1] for line in lines[1:4]] == ["met", "MISSED", "tell"]
