"""The season: how many harmonics, what borrows from whom, and how well it is known afterwards."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from models.calibration import Calibration, calibrate, period_variances, prepare
from models.histories import ROUTINE, Floats, Histories, harmonics
from models.season import (
    MOST_HARMONICS,
    Linear,
    SeasonLayout,
    SeasonSpread,
    linear_posterior,
    season_by_evidence,
)
from models.shared_terms import districts_of, fixed_terms, leftover_covariance, shared_information
from models.soil import FREEZING_STEP
from models.weather import WEATHER
from tests.unit.small_histories import own_fleet

NOISE, VISIT_SD = 0.05, 0.04


def _layout(classes: int) -> SeasonLayout:
    """Lay out an intercept, the fleet's waves and those of some classes."""
    k = np.tile(np.arange(1, MOST_HARMONICS + 1), 2)
    harmonic = np.concatenate([[0], k, np.repeat(k, classes)])
    level = np.concatenate([[0], np.full(6, 1), np.full(6 * classes, 2)])
    return SeasonLayout(np.concatenate([[1.0], np.zeros(6 + 6 * classes)]), level, harmonic)


def _waves(rng: np.random.Generator, shape: Floats, classes: int = 3, count: int = 400) -> Linear:
    """Regress readings with the wave shape (6,) and noise of 0.1 on intercept and waves."""
    cls = rng.integers(0, classes, count)
    wave = harmonics(rng.random(count), MOST_HARMONICS)
    one_hot = np.eye(classes)[cls]
    X = np.concatenate([np.ones((count, 1)), wave, *(one_hot * wave[:, [j]] for j in range(6))], axis=1)
    y = 0.3 + wave @ shape + rng.normal(0, 0.1, count)
    return Linear(X.T @ X / 0.01, X.T @ y / 0.01)


@pytest.mark.parametrize(
    ("shape", "count"),
    [
        ([0.0, 0.0, 0.0, 0.0, 0.0, 0.0], 0),
        ([0.1, 0.0, 0.0, 0.1, 0.0, 0.0], 1),
        ([0.1, 0.05, 0.0, 0.1, 0.03, 0.0], 2),
        ([0.1, 0.0, 0.06, 0.1, 0.0, 0.04], 3),
    ],
)
def test_as_many_harmonics_as_were_drawn(shape: list[float], count: int) -> None:
    chosen = [
        season_by_evidence(_waves(np.random.default_rng(k), np.array(shape)), _layout(3), SeasonSpread())[0]
        for k in range(8)
    ]
    # evidence may be wrong now and then, one fleet in twenty or so
    assert sum(c.harmonics == count for c in chosen) >= 7


def test_the_evidence_is_the_density_of_the_readings() -> None:
    rng = np.random.default_rng(1)
    X, sd = rng.normal(size=(30, 4)), np.array([1.0, 0.5, 0.0, 0.2])
    y = rng.normal(size=30)
    noise = 0.3**2
    post = linear_posterior(Linear(X.T @ X / noise, X.T @ y / noise), sd)
    whole = multivariate_normal(cov=noise * np.eye(30) + X @ np.diag(sd**2) @ X.T).logpdf(y)
    alone = multivariate_normal(cov=noise * np.eye(30)).logpdf(y)
    assert post.log_evidence == pytest.approx(whole - alone, abs=1e-8)
    gain = np.diag(sd**2) @ X.T @ np.linalg.inv(noise * np.eye(30) + X @ np.diag(sd**2) @ X.T)
    assert post.mean == pytest.approx(gain @ y, abs=1e-10)
    assert post.cov == pytest.approx(np.diag(sd**2) - gain @ X @ np.diag(sd**2), abs=1e-10)


def test_classes_stray_as_far_as_they_were_drawn() -> None:
    rng = np.random.default_rng(3)
    C, n = 12, 3000
    cls, wave = rng.integers(0, C, n), harmonics(rng.random(n), MOST_HARMONICS)
    one_hot = np.eye(C)[cls]
    own = rng.normal(0, 0.2, (C, 6)) * np.array([1, 0, 0, 1, 0, 0])
    X = np.concatenate([np.ones((n, 1)), wave, *(one_hot * wave[:, [j]] for j in range(6))], axis=1)
    y = (wave * own[cls]).sum(axis=1) + rng.normal(0, 0.1, n)
    spread = SeasonSpread()
    for _ in range(10):
        spread, _ = season_by_evidence(Linear(X.T @ X / 0.01, X.T @ y / 0.01), _layout(C), spread)
    assert spread.harmonics == 1
    # 24 coefficients: their spread is known to 15 %, and the prior pulls at it
    assert spread.class_sd[0] == pytest.approx(0.2, rel=0.35)


def _site_covariance(h: Histories, s: int, var: Floats, rod_var: float, field: Floats) -> Floats:
    r = np.arange(h.reading_start[h.site_start[s]], h.reading_start[h.site_start[s + 1]])
    H = np.zeros((r.size, field.shape[0]))
    H[:, 0] = 1.0
    seen = h.visit[r] >= 0
    H[np.flatnonzero(seen), 1 + h.visit[r][seen]] = 1.0
    of = h.reading_electrode[r]
    return H @ field @ H.T + rod_var * (of[:, None] == of) + np.diag(var[r])


def test_information_and_pull_are_those_of_the_readings_covariance() -> None:
    rng = np.random.default_rng(2)
    h = own_fleet()[0].sample_sites(np.arange(5))
    h = replace(h, weather=rng.normal(size=(h.age.size, len(WEATHER))))
    # two classes at one site, as where a survey speaks for half of a yard
    h = replace(h, soil=("marsh", "clay", *h.soil[2:]))
    terms = fixed_terms(h, ("clay", "marsh", "sand"), districts_of(h))
    var = rng.uniform(0.004, 0.01, h.age.size)
    field = [np.diag(rng.uniform(0.005, 0.1, n + 1)) for n in np.diff(h.visit_start)]
    y, b = rng.normal(size=h.age.size), rng.normal(size=len(terms.names))
    q = rng.normal(size=len(h.periods))
    X = terms.rows(np.arange(h.age.size))
    Z = (h.reading_period[:, None] == np.arange(len(h.periods))).astype(float)
    score, K = np.zeros(h.age.size), np.zeros((X.shape[1] + Z.shape[1],) * 2)
    pull = np.zeros(K.shape[0])
    both = np.concatenate([X, Z], axis=1)
    for s in range(h.sites):
        r = np.arange(h.reading_start[h.site_start[s]], h.reading_start[h.site_start[s + 1]])
        P = np.linalg.inv(_site_covariance(h, s, var, 0.05, field[s]))
        score[r] = P @ (y - X @ b - Z @ q)[r]
        K += both[r].T @ P @ both[r]
        pull += both[r].T @ P @ y[r]
    info = shared_information(
        h, terms, 1.0 / var, np.full(h.electrodes, 0.05), [np.linalg.inv(c) for c in field], b, q, score
    )
    n = X.shape[1]
    scale = np.abs(K).max()
    assert info.fixed == pytest.approx(K[:n, :n], abs=1e-9 * scale)
    assert info.cross == pytest.approx(K[:n, n:], abs=1e-9 * scale)
    assert info.period == pytest.approx(K[n:, n:], abs=1e-9 * scale)
    assert np.r_[info.pull_fixed, info.pull_period] == pytest.approx(pull, abs=1e-8 * scale)
    # with the district-years taken out and put back, it is the posterior of both together
    sd = terms.layout.sd(SeasonSpread(3))
    cov = np.linalg.inv(K + np.diag(np.r_[1.0 / sd**2, np.full(q.size, 1.0 / 0.1**2)]))
    part = info.left(0.1)
    fit = linear_posterior(part.linear, sd)
    effect, spread = part.periods(fit.mean, fit.cov)
    assert np.r_[fit.mean, effect] == pytest.approx(cov @ pull, abs=1e-8)
    assert fit.cov == pytest.approx(cov[:n, :n], abs=1e-10)
    assert spread == pytest.approx(np.diag(cov)[n:], abs=1e-10)


def test_short_form_and_full_design_agree() -> None:
    h = own_fleet()[0].sample_sites(np.arange(4))
    terms = fixed_terms(h, ("clay", "marsh", "sand"), districts_of(h))
    X = terms.rows(np.arange(h.age.size))
    b, g = np.random.default_rng(1).normal(size=(2, h.age.size))
    b = b[: X.shape[1]]
    assert terms.times(b) == pytest.approx(X @ b)
    assert terms.transposed_times(g) == pytest.approx(X.T @ g)
    assert terms.season_part(b) == pytest.approx(X[:, terms.season] @ b[terms.season])
    at = {n: j for j, n in enumerate(terms.names)}
    clay = np.array([s == "clay" for s in h.soil])[h.reading_electrode]
    assert (X[:, at["offset_clay"]] == clay).all()
    routine = h.kind == ROUTINE
    assert X[routine, at["season_sin3"]] == pytest.approx(np.sin(6 * np.pi * h.year[routine]))
    assert (X[~routine][:, terms.season] == 0.0).all()
    assert X[:, at["season_cos1_in_d"]][routine] == pytest.approx(np.cos(2 * np.pi * h.year[routine]))


# ---- fleets in which nothing corrodes and the season is strong


def _season(cls: Floats, year: Floats) -> Floats:
    """Return the drawn wave: class 1 with a strong third harmonic."""
    wave = harmonics(year, 3)
    return np.where(
        cls == 1, wave @ [0.1, 0.0, 0.12, 0.05, 0.0, 0.0], wave @ [0.12, 0.0, 0.0, 0.05, 0.0, 0.0]
    )


@cache
def _fleet(frost: float = 0.0, per_degree: float = 0.0, august: bool = False) -> tuple[Histories, Floats]:
    """Draw 24 sites of 4 rods read 9 times on any day of the year; weather as WEATHER says; the true season.

    august: sites of class "upland" are read in August only.
    """
    rng = np.random.default_rng(8)
    sites, rods, visits = 24, 4, 9
    soils = ("clay", "sand", "upland") if august else ("clay", "sand")
    cls = np.arange(sites) % len(soils)
    when = np.sort(rng.uniform(2012, 2024, (sites, visits)), axis=1)
    if august:
        when[cls == 2] = np.floor(when[cls == 2]) + rng.uniform(0.58, 0.66, (int((cls == 2).sum()), visits))
    when = np.sort(when, axis=1) + 1e-3 * np.arange(visits)
    winter = np.cos(2 * np.pi * (when - 0.05))
    cold = (winter + rng.normal(0, 0.3, when.shape) > 0.8).astype(float)
    beyond = rng.normal(0, 3.0, when.shape)
    weather = np.stack([beyond, cold, np.zeros_like(cold), np.zeros_like(cold)], axis=-1)
    season = _season(cls[:, None], when) + frost * cold + per_degree * beyond
    visit = rng.normal(0, VISIT_SD, when.shape)
    base = rng.normal(0, 0.2, (sites, 1, 1)) + rng.normal(0, 0.2, (sites, rods, 1))
    log_ohm = base + (season + visit)[:, None, :] + rng.normal(0, NOISE, (sites, rods, visits))
    built = 2010.0

    def each(x: Floats) -> Floats:
        return np.broadcast_to(x[:, None, :], (sites, rods, visits)).ravel()

    years = np.arange(2012, 2026)
    N = sites * rods
    h = Histories(
        site_start=np.arange(sites + 1) * rods,
        reading_start=np.arange(N + 1) * visits,
        age=each(when) - built,
        log_ohm=log_ohm.ravel() + 3.0,
        side=np.zeros(N * visits, dtype=np.int64),
        meter_var=np.zeros(N * visits),
        year=each(when),
        kind=np.full(N * visits, ROUTINE),
        visit=each(np.tile(np.arange(visits), (sites, 1))),
        visit_start=np.arange(sites + 1) * visits,
        visit_year=when.ravel(),
        visit_period=np.floor(when).astype(np.int64).ravel() - 2012,
        periods=tuple(("north", int(y)) for y in years),
        log_formula=np.full(N, 3.0),
        survey_var=np.zeros(N),
        soil=tuple(soils[c] for c in np.repeat(cls, rods)),
        material=("clad",) * N,
        raw=np.zeros(N, dtype=bool),
        shifts=((),) * sites,
        age_now=np.full(N, 2025.0 - built),
        electrode_id=tuple(f"e{i}" for i in range(N)),
        site_id=tuple(f"s{i}" for i in range(sites)),
        row=np.arange(N * visits),
        weather=np.repeat(weather[:, None], rods, axis=1).reshape(-1, 4),
    )
    return h, each(season)


@cache
def _calibrated(frost: float = 0.0, per_degree: float = 0.0, august: bool = False) -> Calibration:
    return calibrate(_fleet(frost, per_degree, august)[0], rounds=6)


def _error(h: Histories, cal: Calibration, season: Floats) -> Floats:
    """Return the fitted less the drawn season, each site's mean taken off."""
    e = fixed_terms(h, cal.soils, cal.districts).season_part(cal.fixed) - season
    site = h.electrode_site[h.reading_electrode]
    return e - (np.bincount(site, e) / np.bincount(site))[site]


def test_a_third_harmonic_of_one_class_leaves_no_month_behind() -> None:
    h, season = _fleet()
    cal = _calibrated()
    assert cal.season.harmonics == 3
    e = _error(h, cal, season)
    month = (h.year % 1 * 12).astype(int)
    # 216 visits of sd 0.05 to 0.06 with the noise: about 0.012 a month
    assert np.abs([e[month == m].mean() for m in range(12)]).max() < 0.03
    two = _left_by_two_waves(h, season)
    assert np.abs([two[(month == m) & (h.year > 0)].mean() for m in range(12)]).max() > 0.03


def _left_by_two_waves(h: Histories, season: Floats) -> Floats:
    """Return what the best season of two harmonics, one for all classes, would leave of class 1."""
    sand = np.array([s == "sand" for s in h.soil])[h.reading_electrode]
    X = np.column_stack([np.ones(h.age.size), harmonics(h.year)])
    left = season - X @ np.linalg.lstsq(X, season, rcond=None)[0]
    return np.where(sand, left, 0.0)


def test_a_frozen_topsoil_is_a_step_of_its_own() -> None:
    frost = float(np.log(FREEZING_STEP)) * 0.4
    h, season = _fleet(frost, -0.02)
    cal = _calibrated(frost, -0.02)
    at = dict(zip(cal.fixed_names, cal.fixed, strict=True))
    sd = dict(zip(cal.fixed_names, np.sqrt(np.diag(cal.fixed_cov)), strict=True))
    assert at["season_frozen"] == pytest.approx(frost, abs=3 * sd["season_frozen"])
    assert sd["season_frozen"] < 0.05
    assert at["season_temp_beyond_c"] == pytest.approx(-0.02, abs=3 * sd["season_temp_beyond_c"])
    assert sd["season_temp_beyond_c"] < 0.005
    assert np.abs(_error(h, cal, season)).mean() < 0.03
    blind = calibrate(replace(h, weather=None), rounds=4)
    assert np.abs(_error(replace(h, weather=None), blind, season)).mean() > 0.05
    assert blind.spread.visit_sd > cal.spread.visit_sd


def test_a_class_always_read_in_august_borrows_its_season_and_knows_it_less_well() -> None:
    h, _ = _fleet(august=True)
    cal = _calibrated(august=True)
    terms = fixed_terms(h, cal.soils, cal.districts)
    months = (np.arange(12) + 0.5) / 12

    def swing(soil: str) -> tuple[Floats, Floats]:
        """Return January less August by class, and its stated spread."""
        one = h.soil.index(soil) * 9
        moved = replace(h, year=np.where(np.arange(h.year.size) == one, 2020 + months[0], h.year))
        late = replace(h, year=np.where(np.arange(h.year.size) == one, 2020 + months[7], h.year))
        row = fixed_terms(moved, cal.soils, cal.districts).rows(np.array([one]))
        row = row - fixed_terms(late, cal.soils, cal.districts).rows(np.array([one]))
        return row @ cal.fixed, np.sqrt(np.einsum("ip,pq,iq->i", row, cal.fixed_cov, row))

    upland, upland_sd = swing("upland")
    clay, clay_sd = swing("clay")
    assert upland_sd[0] > 2 * clay_sd[0]
    assert abs(clay[0] - 0.24) < 4 * clay_sd[0] + 0.03
    drawn = _season(np.array([0.0]), months[[0]]) - _season(np.array([0.0]), months[[7]])
    assert abs(upland[0] - drawn[0]) < 2.5 * upland_sd[0]
    assert terms.season.sum() == sum(n.startswith("season_") for n in cal.fixed_names)


def test_a_district_year_not_met_before_widens_its_visits() -> None:
    h = _fleet()[0]
    cal = _calibrated()
    terms = fixed_terms(h, cal.soils, cal.districts)
    known = period_variances(h, cal)
    met = np.unique(h.visit_period)
    assert (known[met] < 0.5 * max(cal.period_sd**2, VISIT_SD**2 / 4)).all()
    strange = replace(cal, period_var={}, period_effect={})
    whole = leftover_covariance(h, terms, np.zeros_like(cal.fixed_cov), period_variances(h, strange))(0)
    same = h.visit_period[:9][:, None] == h.visit_period[:9]
    assert whole == pytest.approx(cal.period_sd**2 * same)
    with_season = leftover_covariance(h, terms, cal.fixed_cov, known)(0)
    assert np.linalg.eigvalsh(with_season).min() > -1e-12
    assert (np.diag(with_season) > known[h.visit_period[:9]]).all()
    wide = np.linalg.inv(prepare(h, strange).prior_precision[0])
    bare = np.linalg.inv(prepare(h, strange, leftover=False).prior_precision[0])
    season_only = leftover_covariance(h, terms, cal.fixed_cov, np.zeros_like(known))(0)
    assert wide[1:, 1:] - bare[1:, 1:] == pytest.approx(whole + season_only, abs=1e-8)


def test_a_sampled_fleet_takes_its_weather_along() -> None:
    h = _fleet(0.3, -0.02)[0]
    part = h.sample_sites(np.array([1, 4]))
    assert part.weather is not None
    assert h.weather is not None
    assert part.weather == pytest.approx(h.weather[np.r_[36:72, 144:180]])
