"""The test of equivalence against the arithmetic of its own paper's definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from models.question_fits import Estimate
from models.question_inference import equivalence_p


@pytest.mark.parametrize(
    ("value", "error", "freedom"), [(0.02, 0.08, 38.0), (0.1, 0.05, 10.0), (-0.15, 0.04, 22.0)]
)
def test_equivalence_is_a_ninety_percent_interval_inside_the_margin(
    value: float, error: float, freedom: float
) -> None:
    """D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987): two one-sided tests at 5 % accept exactly when
    the 90 % interval lies inside the margin (from memory; it is also plain algebra)."""
    wide = student.ppf(0.95, freedom) * error
    for margin in (1.1, 1.2, 1.25, 1.5):
        inside = -np.log(margin) < value - wide and value + wide < np.log(margin)
        assert (equivalence_p(Estimate(value, error, freedom), margin) < 0.05) == inside


def test_a_ninety_five_percent_interval_is_another_test() -> None:
    """A wrong rule fails: this estimate's 90 % interval lies inside 1.25, its 95 % interval does not."""
    found = Estimate(0.10, 0.07, 200.0)
    assert equivalence_p(found, 1.25) < 0.05
    assert 0.10 + student.ppf(0.975, 200.0) * 0.07 > np.log(1.25)
