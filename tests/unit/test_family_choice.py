"""Which curve family a class gets: the stacking itself, and fleets made of one family or the other."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from models.calibration import (
    Calibrated,
    Calibration,
    calibrate,
    expect,
    first_state,
    layout_of,
    prepare,
    search,
)
from models.corrosion_curves import ACCELERATING, ONSET
from models.family_choice import (
    Scores,
    chosen_weights,
    family_scores,
    gains,
    held_out,
    stacked,
    with_families,
)
from models.forecast import fit_electrodes
from models.histories import AS_INSTALLED, Histories
from models.outlook import curve_mass, onset_median, quantile_of
from models.site_pass import in_turn
from tests.recovery.own_model import Plan, draw_fleet, draw_histories, known_calibration
from tests.unit.small_histories import LOG_DOUBLE, site_history


def _scores(better: float, site_shares: bool = False) -> Scores:
    """Return scores of 60 electrodes at 20 sites in two classes: the second family better in class 0."""
    rng = np.random.default_rng(1)
    soil = np.repeat([0, 1], 30)
    gap = np.where(soil == 0, better, 0.0) + (0.0 if site_shares else 0.1) * rng.normal(size=60)
    return Scores(np.stack([np.zeros(60), gap], axis=1), soil, np.arange(60) // 3)


def test_weights_follow_the_predictions_and_a_class_leans_on_the_fleet() -> None:
    weight = stacked(_scores(1.0), 3)
    assert weight.sum(axis=1) == pytest.approx(np.ones(3))
    assert weight[0, ACCELERATING] > 0.9
    # a class that nothing was scored in takes the fleet's weights, and so nearly does one that can't tell
    fleet = weight[2, ACCELERATING]
    assert weight[1, ACCELERATING] == pytest.approx(fleet, abs=0.2)


def test_stacked_weights_maximise_the_mixed_log_score() -> None:
    rng = np.random.default_rng(2)
    scores = Scores(rng.normal(0, 1.5, (400, 2)), np.zeros(400, np.int64), np.arange(400))
    best = stacked(scores, 1)[0, ACCELERATING]
    grid = np.linspace(0.0, 1.0, 1001)
    mixed = np.logaddexp(
        scores.log_score[:, :1] + np.log1p(-np.minimum(grid, 1 - 1e-12)),
        scores.log_score[:, 1:] + np.log(np.maximum(grid, 1e-12)),
    ).sum(axis=0)
    assert best == pytest.approx(grid[mixed.argmax()], abs=0.01)
    gain = gains(scores, np.array([[1 - best, best]]))
    assert gain.sum() == pytest.approx(mixed.max() - scores.log_score[:, ONSET].sum(), abs=0.01)


def test_a_gain_within_its_doubt_changes_nothing() -> None:
    assert chosen_weights(_scores(1.0), 2)[0, ACCELERATING] > 0.9
    assert (chosen_weights(_scores(0.0), 2)[:, ONSET] == 1.0).all()
    assert (chosen_weights(_scores(-1.0), 2)[:, ONSET] == 1.0).all()
    # one site's electrodes are one piece of news
    one = Scores(np.tile([0.0, 0.4], (30, 1)), np.zeros(30, np.int64), np.zeros(30, np.int64))
    assert (chosen_weights(one, 1)[:, ONSET] == 1.0).all()
    none = Scores(np.zeros((0, 2)), np.zeros(0, np.int64), np.zeros(0, np.int64))
    assert (chosen_weights(none, 2)[:, ONSET] == 1.0).all()


def test_the_last_third_of_each_history_is_held_out() -> None:
    ages = [[1.0, 2.0], [1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0, 4.0, 5.0], [1.0, 2.0, 3.0, 4.0]]
    visit = [[0, 1], [0, 1, 2], [-1, 0, 1, 2, 3, 4], [0, 1, 2, 3]]
    side = [[0] * 2, [0] * 3, [0] * 6, [0, 0, 0, 1]]
    kind = [[0] * 2, [0] * 3, [AS_INSTALLED] + [0] * 5, [0] * 4]
    h = site_history(
        ages, [[1.0] * len(a) for a in ages], [2001.0 + k for k in range(5)], visit, side, kind=kind
    )
    keep, chosen = held_out(h)
    assert chosen.tolist() == [1, 2, 3]
    kept = [keep[h.reading_start[i] : h.reading_start[i + 1]].tolist() for i in range(4)]
    # what came after the first reading held out goes with it, out of range or not
    assert kept == [
        [True] * 2, [True, True, False], [True] * 4 + [False] * 2, [True, True, False, False]
    ]  # fmt: skip
    early = h.only_readings(keep)
    assert np.diff(early.reading_start).tolist() == [2, 2, 4, 2]
    assert early.age.tolist() == h.age[keep].tolist()


@cache
def _made_of(family: int) -> tuple[Histories, Calibrated]:
    """Draw a fleet of one family, with what is known of it bar the family."""
    known = known_calibration(("marsh", "clay"))
    drawn = replace(known, family_weight=np.tile(np.eye(2)[family], (2, 1)))
    h, _ = draw_fleet(drawn, np.random.default_rng(3), Plan(sites=45, rods=(4, 9), years=(8, 14)))
    return h, Calibrated(known, _looked(h, known))


def _looked(h: Histories, cal: Calibration):  # type: ignore[no-untyped-def]
    layout, p = layout_of(h, cal), prepare(h, cal, leftover=False)
    state = search(h, cal, p, layout, first_state(h, cal, layout), in_turn)
    for _ in range(2):
        state = expect(h, cal, p, layout, state, 1, in_turn).state
    return state


def test_each_fleet_gets_the_family_that_it_is_made_of() -> None:
    for family in (ONSET, ACCELERATING):
        h, known = _made_of(family)
        weight = chosen_weights(family_scores(h, known.calibration, known.state), 2)
        if family == ONSET:
            assert weight[:, ACCELERATING].max() < 0.1
        else:
            assert weight[:, ACCELERATING].min() > 0.6


def test_a_fleet_of_the_onset_family_is_calibrated_as_if_there_were_no_other() -> None:
    h, known = _made_of(ONSET)
    found = with_families(h, known)
    assert found.calibration.families == (ONSET,)
    assert (found.calibration.theta == known.calibration.theta).all()
    assert found.calibration.family_scored.sum() > 200
    part = h.sample_sites(np.arange(4))
    threshold = np.full(part.electrodes, LOG_DOUBLE)
    a, b = (
        fit_electrodes(part, c, threshold, np.random.default_rng(1)).crossing.cdf
        for c in (known.calibration, found.calibration)
    )
    assert (a == b).all()


def test_rods_that_corrode_from_the_day_they_are_driven_are_of_the_first_onset_cell() -> None:
    # read from the first year on: records that begin late cannot tell early growth from a higher level
    h, truth = draw_histories(
        np.random.default_rng(7), sites=40, rods=4, years=25, classes=(("clay", 0.3, 0.05),), break_rate=0.0,
        as_installed=0.5,
    )  # fmt: skip
    fit = fit_electrodes(
        h, calibrate(h, rounds=8), np.full(h.electrodes, LOG_DOUBLE), np.random.default_rng(1)
    )
    low, middle, high = (quantile_of(fit.crossing.cdf, q) for q in (0.05, 0.5, 0.95))
    want = truth.onset + LOG_DOUBLE / truth.growth
    assert np.median(np.abs(np.log(middle / want))) < 0.12
    assert ((low <= want) & (want <= high)).mean() > 0.8
    onset = onset_median(curve_mass(fit.posterior), fit.prepared.grid)
    assert np.median(onset) < 2.5
