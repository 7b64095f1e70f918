"""Posterior checks: quiet on a fleet of the model's own, and not on one that is something else."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from models.histories import Histories
from models.posterior_checks import (
    ALL,
    DRAWS,
    OF_SAME_RODS,
    SUMMARIES,
    flagged_far,
    model_checks,
    neighbours_of,
    predictive_p,
    summaries,
)
from models.replicas import new_rods, record_of, retake, same_rods
from tests.recovery.own_model import log_onset_moments
from tests.unit.model_fleets import calibration, fitted, noisy_fit, true_fit, true_fleet
from tests.unit.small_histories import yearly


@pytest.fixture(scope="module")
def checks() -> pl.DataFrame:
    return model_checks(true_fit(), np.random.default_rng(2))


def test_a_fleet_of_the_models_own_is_not_extreme(checks: pl.DataFrame) -> None:
    assert set(checks["summary"]) == set(SUMMARIES)
    assert set(checks["rods"]) == {"new", "same"}
    assert not checks["flagged"].any()
    new = checks.filter(pl.col("rods") == "new")
    # A tenth of the p-values may lie under a tenth; they hang together, so that three times as many may too.
    assert (new["p_value"] < 0.1).mean() < 0.3
    assert (new["observed"] - new["replicas_p50"]).abs().mean() < 0.1
    inside = new["observed"].is_between(new["replicas_p05"], new["replicas_p95"])
    assert inside.mean() > 0.75


def test_twice_the_noise_is_flagged_under_the_calibration_that_does_not_know_it() -> None:
    found = model_checks(noisy_fit(), np.random.default_rng(2)).filter(pl.col("soil_class") == ALL)
    scatter = found.filter((pl.col("summary") == "reading_scatter") & (pl.col("rods") == "new"))
    assert scatter["flagged"].all()
    # The visits' own movement is in it too, so that it is less than twice as much.
    assert scatter["observed"][0] > 1.4 * scatter["replicas_p50"][0]
    assert scatter["p_value"][0] == pytest.approx(2 / (DRAWS + 1))
    assert "more" in scatter["says"][0]


def test_visits_that_move_a_site_more_than_known_are_flagged() -> None:
    h = true_fleet()
    rng = np.random.default_rng(5)
    site = h.electrode_site[h.reading_electrode]
    visit = np.where(h.visit >= 0, h.visit_start[site] + h.visit, 0)
    shaken = h.log_ohm + np.where(h.visit >= 0, rng.normal(0, 0.2, h.visit_year.size)[visit], 0.0)
    found = model_checks(fitted(replace(h, log_ohm=shaken)), np.random.default_rng(2))
    together = found.filter((pl.col("summary") == "common_movement") & (pl.col("soil_class") == ALL))
    assert together.filter(pl.col("rods") == "new")["flagged"].all()


def test_classes_that_age_otherwise_than_their_class_are_flagged_by_new_rods_alone() -> None:
    h = true_fleet()
    # What the model takes for the class that never ages is in truth the one that ages first, and inversely.
    names = {"marsh": "sand", "sand": "marsh"}
    swapped = replace(h, soil=tuple(names.get(s, s) for s in h.soil))
    found = model_checks(fitted(swapped), np.random.default_rng(2))
    sand = found.filter(pl.col("soil_class") == "sand")
    new = sand.filter((pl.col("summary") == "ratio_over_2") & (pl.col("rods") == "new"))
    assert new["flagged"].to_list() == [True]
    same = sand.filter(pl.col("rods") == "same")
    assert same.height == len(OF_SAME_RODS)
    assert not same["flagged"].any()


def test_summaries_are_what_they_say() -> None:
    flat = yearly([1.0, 1.0, 1.0, 1.0 + np.log(1.6), 1.0 + np.log(1.6), 1.0 + np.log(2.5)])
    record = record_of(fitted(_as_clay(flat)))
    n = neighbours_of(flat, record)
    found = dict(zip(SUMMARIES, summaries(flat.log_ohm, flat.side, n)[:, -1], strict=True))
    assert found["ratio_over_2"] == 1.0
    assert found["ratio_over_3"] == 0.0
    assert found["jump_up"] == pytest.approx(2 / 5)
    assert found["drop"] == 0.0
    assert found["over_range"] == 0.0
    lone = flat.log_ohm.copy()
    lone[:] = [1.0, 1.0, 1.5, 1.0, 1.0, 1.0]
    found = dict(zip(SUMMARIES, summaries(lone, flat.side, n)[:, -1], strict=True))
    assert found["stands_alone"] == pytest.approx(1 / 4)


def _as_clay(h: Histories) -> Histories:
    return replace(h, soil=("clay",) * h.electrodes)


def test_the_p_value_counts_replicas_on_both_sides() -> None:
    replicas = np.arange(99.0)[:, None]
    p = predictive_p(np.array([49.0]), replicas)
    assert p[0] == pytest.approx(1.0)
    assert predictive_p(np.array([1000.0]), replicas)[0] == pytest.approx(0.02)
    assert predictive_p(np.array([-1.0]), replicas)[0] == pytest.approx(0.02)
    # All alike: nothing is extreme.
    assert predictive_p(np.zeros(1), np.zeros((99, 1)))[0] == 1.0
    assert not flagged_far(np.zeros(1), np.zeros((99, 1)), np.ones(1))[0]


def test_new_rods_follow_the_class_parameters() -> None:
    fit = true_fit()
    record = record_of(fit)
    lives = new_rods(fit, record, 60, np.random.default_rng(3))
    cal = calibration()
    theta = dict(zip(cal.theta_names, cal.theta, strict=True))
    for soil in cal.soils:
        mine = np.array([s == soil for s in fit.histories.soil])
        log_onset = np.log(lives.onset[:, mine])
        earlier, spread = log_onset_moments(theta)
        centre = theta["onset_fleet"] + theta[f"onset_soil_{soil}"]
        assert log_onset.mean() == pytest.approx(centre - earlier, abs=0.08)
        assert log_onset.std() == pytest.approx(spread, rel=0.1)
    assert lives.base.std() == pytest.approx(np.hypot(cal.spread.site_sd, cal.spread.rod_sd), rel=0.1)


def test_same_rods_keep_to_their_readings() -> None:
    fit = true_fit()
    record = record_of(fit)
    lives = same_rods(fit, record, 30, np.random.default_rng(3))
    rng = np.random.default_rng(4)
    read = (record.side == 0) & record.routine & (fit.found.wild_p[record.reading] < 0.1)
    off = np.array([retake(fit, record, lives, d, rng).free - record.free for d in range(30)])[:, read]
    assert abs(off.mean()) < 0.02
    # The own noise is in both: root two of it, and little more.
    assert np.median(np.abs(off)) * 1.4826 < 2.2 * np.sqrt(2) * calibration().noise_sd[0]


def test_meters_of_the_replicas_have_the_limits_of_the_record() -> None:
    fit = true_fit()
    record = record_of(fit)
    lives = new_rods(fit, record, 20, np.random.default_rng(3))
    shares = []
    for d in range(20):
        taken = retake(fit, record, lives, d, np.random.default_rng(d))
        shown = taken.free + record.known
        assert (shown <= record.limit_over + 1e-12).all()
        assert (shown[taken.side > 0] == record.limit_over[taken.side > 0]).all()
        shares.append((taken.side > 0).mean())
    assert np.mean(shares) == pytest.approx((record.side > 0).mean(), abs=0.02)
    assert np.mean(shares) > 0


def test_the_same_draws_come_again(checks: pl.DataFrame) -> None:
    assert model_checks(true_fit(), np.random.default_rng(2)).equals(checks)


def test_a_fleet_of_one_reading_is_checked_without_a_word() -> None:
    assert model_checks(fitted(_as_clay(yearly([1.0]))), np.random.default_rng(1)).is_empty()


def test_a_sample_of_the_sites_is_read_as_they_are() -> None:
    fit = true_fit()
    whole, part = record_of(fit), record_of(fit, most_sites=7)
    assert part.sites.size == 7
    assert part.free == pytest.approx(fit.prepared.resid[part.reading])
    assert set(part.site_of) == set(range(7))
    assert (fit.histories.reading_electrode[part.reading] == part.electrodes[part.electrode]).all()
    assert part.visit.max() + 1 == np.diff(fit.histories.visit_start)[part.sites].sum()
    assert (whole.visit >= 0).sum() == (fit.histories.visit >= 0).sum()
    lives = same_rods(fit, part, 20, np.random.default_rng(3))
    assert lives.base.shape == (20, part.electrodes.size)
    off = np.array(
        [retake(fit, part, lives, d, np.random.default_rng(d)).free - part.free for d in range(20)]
    )
    assert np.median(np.abs(off)) < 0.15


def test_rods_beyond_the_meter_stay_beyond_it() -> None:
    fit = true_fit()
    record = record_of(fit)
    sound = fit.found.wild_p[record.reading] < 0.1
    over = (record.side > 0) & record.routine & sound
    assert over.sum() > 10
    lives = same_rods(fit, record, 30, np.random.default_rng(3))
    again = np.array([retake(fit, record, lives, d, np.random.default_rng(d)).side for d in range(30)])
    assert (again[:, over] > 0).mean() > 0.8
    assert (again[:, (record.side == 0) & sound] > 0).mean() < 0.01
