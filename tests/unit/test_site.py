"""From wells to a site: the count of rods past threshold against enumeration, and what surrounds it."""

import itertools

import numpy as np
import pytest
from scipy.stats import binom

from models.outlook import AGES, cdf_at
from models.site import YEARS_AHEAD, SiteCounts, _count_pmf, _mixed_pmf, site_counts, years_to
from tests.unit.small_histories import own_fit


def test_a_sum_of_independent_rods_by_enumeration() -> None:
    p = np.random.default_rng(1).uniform(0, 1, (3, 5))
    by_hand = np.zeros((3, 6))
    for outcome in itertools.product((0, 1), repeat=5):
        hit = np.array(outcome)
        by_hand[:, hit.sum()] += np.where(hit, p, 1 - p).prod(axis=1)
    assert _count_pmf(p) == pytest.approx(by_hand)
    assert _count_pmf(np.zeros((3, 0))) == pytest.approx(np.ones((3, 1)))


def test_unmeasured_rods_are_mixed_over_the_site_effect_not_averaged() -> None:
    p = np.random.default_rng(2).uniform(0, 1, (2, 3))
    nodes, weight = np.array([[0.1, 0.2], [0.8, 0.9]]), np.array([0.25, 0.75])
    got = _mixed_pmf(p, 4, nodes, weight)
    by_hand = np.zeros((2, 8))
    for k in range(2):
        for y in range(2):
            others = binom.pmf(np.arange(5), 4, nodes[k, y])
            by_hand[y] += weight[k] * np.convolve(_count_pmf(p)[y], others)
    assert got == pytest.approx(by_hand)
    assert got.sum(axis=1) == pytest.approx(np.ones(2))
    averaged = np.convolve(_count_pmf(p)[0], binom.pmf(np.arange(5), 4, weight @ nodes[:, 0]))
    assert np.abs(averaged - got[0]).max() > 0.05


def test_at_least_is_the_tail_and_fractions_lie_between() -> None:
    tail = np.array([[1.0, 0.7, 0.2, 0.0], [1.0, 0.9, 0.5, 0.0]])
    counts = SiteCounts(2, 2, tail, np.array([0.9, 1.4]), np.zeros(2))
    assert counts.at_least(1) == pytest.approx([0.7, 0.9])
    assert counts.at_least(1.25) == pytest.approx([0.575, 0.8])
    assert counts.at_least(-1) == pytest.approx([1.0, 1.0])
    assert counts.at_least(9) == pytest.approx([0.0, 0.0])


def test_years_to_a_share() -> None:
    p = np.array([0.1, 0.2, 0.4, 0.8])
    assert years_to(p, 0.05) == 0.0
    assert years_to(p, 0.1) == 0.0
    assert years_to(p, 0.3) == pytest.approx(1.5)
    assert years_to(p, 0.8) == 3.0
    assert years_to(p, 0.81) == float("inf")


def test_sites_of_a_fitted_fleet() -> None:
    fit = own_fit()
    h = fit.histories
    standing = np.ones(h.electrodes, dtype=bool)
    standing[0] = False
    rods: list[int | None] = [20, None, 3] + [9] * (h.sites - 3)
    counts = site_counts(fit, standing, [None] * h.electrodes, rods)
    measured = np.diff(h.site_start)
    assert [c.rods for c in counts[:4]] == [20, measured[1], measured[2], 9]
    assert counts[0].measured == measured[0] - 1
    for c in counts:
        assert c.tail.shape == (YEARS_AHEAD + 1, c.rods + 2)
        assert (np.diff(c.tail, axis=0) >= 0).all()
        assert (np.diff(c.tail, axis=1) <= 1e-9).all()
        assert c.tail[:, 0] == pytest.approx(np.ones(YEARS_AHEAD + 1))
        assert c.tail[:, 1:].sum(axis=1) == pytest.approx(c.expected, abs=1e-6)
        assert (np.diff(c.fresh) >= 0).all()
        assert c.fresh[0] == pytest.approx(0.0, abs=1e-6)
    own = slice(h.site_start[1], h.site_start[2])
    by_hand = sum(
        np.interp(a + 7.0, AGES, row) for a, row in zip(h.age_now[own], fit.crossing.cdf[own], strict=True)
    )
    assert counts[1].expected[7] == pytest.approx(by_hand, abs=1e-6)


def test_rods_without_a_well_follow_the_neighbours_that_were_measured() -> None:
    fit = own_fit()
    h = fit.histories
    counts = site_counts(fit, np.ones(h.electrodes, bool), [None] * h.electrodes, [40] * h.sites)
    site = h.electrode_site
    p_now = cdf_at(fit.crossing.cdf, h.age_now)
    seen = np.bincount(site, p_now) / np.bincount(site)
    unseen = np.array(
        [(c.expected[0] - seen[s] * c.measured) / (40 - c.measured) for s, c in enumerate(counts)]
    )
    assert ((unseen >= 0) & (unseen <= 1)).all()
    assert np.corrcoef(seen, unseen)[0, 1] > 0.7


def test_an_old_replacement_in_a_well_leaves_the_unmeasured_rods_at_the_age_of_the_first() -> None:
    fit = own_fit()
    h = fit.histories
    mine = np.arange(h.site_start[0], h.site_start[1])
    apart = site_counts(fit, np.ones(h.electrodes, bool), [None] * h.electrodes, [30] * h.sites)[0]
    one_well = site_counts(
        fit,
        np.ones(h.electrodes, bool),
        ["w" if i in mine else None for i in range(h.electrodes)],
        [30] * h.sites,
    )[0]
    # all rods of the fleet's site are of one age: one well or many, the unmeasured ones are the same
    assert one_well.expected == pytest.approx(apart.expected)
