"""From wells to a site: the count of rods past threshold against enumeration, and what surrounds it."""

import itertools

import numpy as np
import pytest
from scipy.stats import binom

from models.class_prior import group_tables
from models.corrosion_curves import cells_crossed, crossing_age
from models.forecast import fit_electrodes
from models.histories import Floats
from models.outlook import AGES, cdf_at
from models.site import (
    YEARS_AHEAD,
    SiteCounts,
    _about_mean,
    _count_pmf,
    _mixed_pmf,
    _past_by_node,
    site_counts,
    years_to,
)
from tests.recovery.own_model import draw_histories
from tests.unit.small_histories import LOG_DOUBLE, own_calibration, own_fit, own_fleet


def test_a_sum_of_independent_rods_by_enumeration() -> None:
    p = np.random.default_rng(1).uniform(0, 1, (3, 5))
    by_hand = np.zeros((3, 6))
    for outcome in itertools.product((0, 1), repeat=5):
        hit = np.array(outcome)
        by_hand[:, hit.sum()] += np.where(hit, p, 1 - p).prod(axis=1)
    assert _count_pmf(p) == pytest.approx(by_hand)
    assert _count_pmf(np.zeros((3, 0))) == pytest.approx(np.ones((3, 1)))


def _others_apart(weight: Floats, nodes: Floats) -> Floats:
    """Return the pmf of four rods without a well as though they shared nothing."""
    return np.asarray(binom.pmf(np.arange(5), 4, weight @ nodes[:, 0]))


def test_all_rods_are_mixed_over_the_site_effect_not_averaged() -> None:
    rng = np.random.default_rng(2)
    p = np.sort(rng.uniform(0, 1, (2, 2, 3)), axis=0)
    nodes, weight = np.array([[0.1, 0.2], [0.8, 0.9]]), np.array([0.25, 0.75])
    got = _mixed_pmf(p, 4, nodes, weight)
    by_hand = np.zeros((2, 8))
    for k in range(2):
        for y in range(2):
            others = binom.pmf(np.arange(5), 4, nodes[k, y])
            by_hand[y] += weight[k] * np.convolve(_count_pmf(p[k])[y], others)
    assert got == pytest.approx(by_hand)
    assert got.sum(axis=1) == pytest.approx(np.ones(2))
    averaged = np.convolve(_count_pmf(np.einsum("k,kyn->yn", weight, p))[0], _others_apart(weight, nodes))
    assert np.abs(averaged - got[0]).max() > 0.05


def test_chances_by_node_keep_their_order_and_take_the_published_mean() -> None:
    rng = np.random.default_rng(4)
    given, mean = rng.uniform(0, 1, (50, 4, 3)), rng.uniform(0, 1, (50, 3))
    given[0], mean[1], mean[2] = 0.0, 0.0, 1.0
    weight = rng.dirichlet(np.ones(4), 50)
    got = _about_mean(given, weight, mean)
    assert np.einsum("nk,nky->ny", weight, got) == pytest.approx(mean)
    assert ((got >= 0.0) & (got <= 1.0)).all()
    order = np.argsort(given[1:], axis=1)
    assert (np.diff(np.take_along_axis(got[1:], order, axis=1), axis=1) >= -1e-12).all()
    # a hazard that is the same for all rods is given back as it is
    hazard = 0.7
    want = 1.0 - (1.0 - given) * hazard
    assert _about_mean(given, weight, np.einsum("nk,nky->ny", weight, want)) == pytest.approx(want)


def test_a_rod_given_the_node_by_sums_written_out() -> None:
    fit = own_fit()
    h, grid, cal = fit.histories, fit.prepared.grid, fit.calibration
    got = _past_by_node(fit, np.arange(0.0, 21.0))
    tables = group_tables(cal.theta, fit.layout, grid)
    for i in (0, 50, 140):
        crossed = cells_crossed(grid, LOG_DOUBLE, np.array([h.age_now[i] + 6.0]))[:, 0]
        for k in (0, 3, 5):
            q = fit.layout.group[i]
            onset, growth = tables.onset[q, k], tables.growth[q, k]
            prior = np.outer(onset, growth).ravel()
            every = prior @ (cal.ceiling_weight[0] @ fit.found.whole[i].reshape(-1, prior.size))
            # a table every second year of age
            assert got[i, k, 6] == pytest.approx((prior * fit.found.reaching[i]) @ crossed / every, abs=0.02)


def test_the_claimed_spread_of_a_sites_count_is_its_error() -> None:
    # fleets drawn from the model under one calibration: squared errors of the counts beside claimed variances
    off, claimed, alone = [], [], []
    rng = np.random.default_rng(31)
    other, other_truth = draw_histories(rng, sites=36, rods=9, years=6)
    other_fit = fit_electrodes(other, own_calibration(), np.full(other.electrodes, LOG_DOUBLE), rng)
    for h, truth, fit in ((*own_fleet(), own_fit()), (other, other_truth, other_fit)):
        at = np.minimum(crossing_age(LOG_DOUBLE, truth.onset, truth.growth, 1.6), truth.broken_at)
        counts = site_counts(fit, np.ones(h.electrodes, bool), [None] * h.electrodes, [None] * h.sites)
        for y in (0, 5, 10, 15):
            past = np.bincount(h.electrode_site, at <= h.age_now + y)
            p = cdf_at(fit.crossing.cdf, h.age_now + y)
            alone.extend(np.bincount(h.electrode_site, p * (1 - p)))
            for s, c in enumerate(counts):
                m = np.arange(1, c.rods + 2)
                mean = c.tail[y, 1:].sum()
                claimed.append(((2 * m - 1) * c.tail[y, 1:]).sum() - mean**2)
                off.append((past[s] - mean) ** 2)
    error, apart, shared = np.sum(off), np.sum(alone), np.sum(claimed)
    assert shared > 1.1 * apart
    assert 0.7 < error / shared < 1.35


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
