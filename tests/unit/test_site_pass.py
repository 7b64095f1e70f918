"""The site pass against exact integrals: one electrode by its mixture, several by a grid over the field."""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import logsumexp
from scipy.stats import norm

from models.breaks import Structures, plain_structures
from models.class_prior import CurvePrior
from models.corrosion_curves import CurveGrid, log_ratio
from models.histories import Floats, Histories
from models.site_pass import FieldSpread, SitePass, field_covariance, no_factors, site_pass
from models.step_hazard import StepModel
from tests.unit.small_histories import own_fleet, site_history

ONSET_EDGES, GROWTH_EDGES = np.geomspace(4.0, 60.0, 9), np.geomspace(0.03, 0.4, 5)
GRID = CurveGrid(
    np.sqrt(ONSET_EDGES[1:] * ONSET_EDGES[:-1]), np.sqrt(GROWTH_EDGES[1:] * GROWTH_EDGES[:-1]),
    ONSET_EDGES, GROWTH_EDGES, np.array([1.2]), np.array([1e-6]),
)  # fmt: skip
SPREAD = FieldSpread(site_sd=0.3, visit_sd=0.1, visit_years=1.5, rod_sd=0.2)
SINGLE = 1e-4  # log-likelihoods and masses on the grid are kept in single precision
ONE_SCALE = (np.ones(1), np.zeros(1))
THREE_SCALES = (np.array([0.7, 1.0, 1.5]), np.log([0.2, 0.6, 0.2]))
NOISE_VAR = 0.08**2
# What expectation propagation leaves beside a site's exact moments, in field spreads: two or three electrodes
# whose evidence is skewed (corroded or high from the start) are its hard case.
APPROXIMATE = 0.05
FIXED_POINT = 1e-3  # of its own equations, on a grid over the field


def _run(
    h: Histories,
    logprior: Floats,
    sweeps: int = 30,
    scale: tuple[Floats, Floats] = ONE_SCALE,
    structures: Structures | None = None,
    each: Callable[[Callable[[int], None], Iterable[int]], None] | None = None,
    spread: FieldSpread = SPREAD,
) -> SitePass:
    M, N = h.age.size, h.electrodes
    precision = [np.linalg.inv(field_covariance(h, s, spread)) for s in range(h.sites)]
    extra = {} if each is None else {"each": each}
    return site_pass(
        h, h.log_ohm, np.full(M, NOISE_VAR), np.full(N, spread.rod_sd**2), precision,
        structures or plain_structures(N), StepModel(), scale, *_prior(logprior), no_factors(h), sweeps,
        **extra,
    )  # fmt: skip


def _logprior(h: Histories, seed: int = 3) -> Floats:
    """Return (N, G) log masses of the curves, onset and growth independent, each electrode's own."""
    rng = np.random.default_rng(seed)
    onset = rng.dirichlet(np.ones(GRID.onset_years.size), h.electrodes)
    growth = rng.dirichlet(np.ones(GRID.growth.size), h.electrodes)
    return np.asarray(np.log(np.einsum("nt,nr->ntr", onset, growth)).reshape(h.electrodes, -1))


def _prior(logprior: Floats) -> tuple[CurvePrior, npt.NDArray[np.int64], Floats, Floats]:
    """Return the prior with a group for each electrode and one node, and the share of the only ceiling."""
    N = logprior.shape[0]
    mass = np.exp(logprior).reshape(N, GRID.onset_years.size, -1)
    single = [m[:, None].astype(np.float32) for m in (mass.sum(axis=2), mass.sum(axis=1))]
    return CurvePrior(GRID, *single), np.arange(N), np.ones((N, 1)), np.ones((N, 1))


def _curves(age: Floats) -> Floats:
    """Return (G, m) the log ratios of every grid point at ages (m,)."""
    tau = np.repeat(GRID.onset_years, GRID.growth.size)[:, None]
    rate = np.tile(GRID.growth, GRID.onset_years.size)[:, None]
    return log_ratio(age[None, :], tau, rate, GRID.ceiling)


def _design(h: Histories, rows: Floats, D: int) -> Floats:
    H = np.zeros((rows.size, D))
    H[:, 0] = 1.0
    for k, r in enumerate(rows):
        if h.visit[r] >= 0:
            H[k, h.visit[r] + 1] = 1.0
    return H


def _one_electrode(seed: int = 1) -> Histories:
    rng = np.random.default_rng(seed)
    ages = [8.0, 10.0, 10.0, 12.0, 15.0]
    y = 0.3 + np.array([0.0, 0.05, 0.1, 0.25, 0.6]) + rng.normal(0, 0.1, 5)
    return site_history([ages], [list(y)], [2008.0, 2010.0, 2012.0, 2015.0], [[0, 1, 1, 2, 3]])


def test_one_electrode_gets_the_exact_moments_of_its_mixture() -> None:
    h = _one_electrode()
    logprior = _logprior(h)
    found = _run(h, logprior, scale=THREE_SCALES)
    prior = field_covariance(h, 0, SPREAD)
    H, curves = _design(h, np.arange(5), 5), _curves(h.age)
    logw, means, covs, rods = [], [], [], []
    log_l = np.empty((3, GRID.size))
    for f, (factor, share) in enumerate(zip(*THREE_SCALES, strict=True)):
        noise = np.eye(5) * (NOISE_VAR * factor**2 + 1e-4)
        s = H @ prior @ H.T + SPREAD.rod_sd**2 + noise
        gain = prior @ H.T @ np.linalg.inv(s)
        for g in range(GRID.size):
            gap = h.log_ohm - curves[g]
            log_l[f, g] = share - 0.5 * (gap @ np.linalg.solve(s, gap) + np.linalg.slogdet(s)[1])
            logw.append(log_l[f, g] + logprior[0, g])
            means.append(gain @ gap)
            covs.append(prior - gain @ H @ prior)
            own = SPREAD.rod_sd**2 * np.linalg.solve(s, np.ones(5))
            rods.append((own @ gap) ** 2 + SPREAD.rod_sd**2 - SPREAD.rod_sd**2 * own.sum())
    w = np.exp(np.array(logw) - logsumexp(logw))
    mean = w @ np.array(means)
    second = sum(p * (c + np.outer(m, m)) for p, c, m in zip(w, covs, means, strict=True))
    assert found.evidence[0] == pytest.approx(logsumexp(logw), abs=SINGLE)
    assert found.log_like[0] == pytest.approx(logsumexp(log_l, axis=0), abs=SINGLE)
    assert found.scale_weight[0] == pytest.approx(w.reshape(3, -1).sum(axis=1), abs=1e-5)
    assert found.field_mean[0] == pytest.approx(mean, abs=1e-5)
    assert found.field_cov[0] == pytest.approx(second - np.outer(mean, mean), abs=1e-5)
    assert found.rod_sq[0] == pytest.approx(w @ np.array(rods), abs=1e-5)
    assert found.moved[0] < 1e-6


def _three_electrodes() -> Histories:
    rng = np.random.default_rng(6)
    ages = [[9.0], [9.0, 9.0], [9.0]]
    y = [[0.9], [0.35, 0.45], [0.3 + rng.normal(0, 0.02)]]
    return site_history(ages, y, [2009.0], [[0], [0, 0], [0]])


def _first(h: Histories, count: int) -> Histories:
    """Return the first electrodes of the only site."""
    end = h.reading_start[count]
    return replace(
        h, site_start=np.array([0, count]), reading_start=h.reading_start[: count + 1],
        **{k: getattr(h, k)[:end] for k in (
            "age", "log_ohm", "side", "meter_var", "year", "kind", "visit", "row")},
        log_formula=h.log_formula[:count], soil=h.soil[:count], material=h.material[:count],
    )  # fmt: skip


def _on_field_grid(h: Histories, logprior: Floats) -> tuple[Floats, list[Floats]]:
    """Return field values (Z, 2) on a dense grid and each electrode's exact log-likelihood there (Z,)."""
    b, v = np.meshgrid(np.linspace(-1.6, 1.8, 341), np.linspace(-0.6, 0.6, 121), indexing="ij")
    z = np.stack([b.ravel(), v.ravel()], axis=1)
    parts = []
    for e in range(h.electrodes):
        rows = np.arange(h.reading_start[e], h.reading_start[e + 1])
        s = SPREAD.rod_sd**2 + np.eye(rows.size) * (NOISE_VAR + 1e-4)
        gap = h.log_ohm[rows][None, None] - _curves(h.age[rows])[:, None] - z.sum(axis=1)[None, :, None]
        ll = -0.5 * (np.einsum("gzi,ij,gzj->gz", gap, np.linalg.inv(s), gap) + np.linalg.slogdet(s)[1])
        parts.append(logsumexp(ll + logprior[e][:, None], axis=0))
    return z, parts


def _moments(z: Floats, logp: Floats) -> tuple[Floats, Floats]:
    w = np.exp(logp - logsumexp(logp))
    mean = w @ z
    return mean, (z * w[:, None]).T @ z - np.outer(mean, mean)


@pytest.mark.parametrize("count", [2, 3])
def test_several_electrodes_against_a_grid_over_a_field_of_one_visit(count: int) -> None:
    h = _first(_three_electrodes(), count)
    logprior = _logprior(h)
    found = _run(h, logprior)
    z, parts = _on_field_grid(h, logprior)
    precision = np.linalg.inv(field_covariance(h, 0, SPREAD))
    mean, cov = _moments(z, -0.5 * np.einsum("zi,ij,zj->z", z, precision, z) + np.sum(parts, axis=0))
    spread = np.sqrt(np.diag(cov))
    assert np.abs((found.field_mean[0] - mean) / spread).max() < APPROXIMATE
    assert np.abs(np.sqrt(np.diag(found.field_cov[0])) / spread - 1.0).max() < APPROXIMATE
    own = np.sqrt(np.diag(found.field_cov[0]))
    assert found.field_cov[0][0, 1] / own.prod() == pytest.approx(cov[0, 1] / spread.prod(), abs=APPROXIMATE)


def test_each_electrode_given_the_others_has_the_moments_of_the_field() -> None:
    h = _three_electrodes()
    logprior = _logprior(h)
    found = _run(h, logprior, 60)
    z, parts = _on_field_grid(h, logprior)
    total = np.linalg.inv(found.field_cov[0])
    precisions, etas = found.factors[0]
    for e in range(3):
        cavity, eta = total - precisions[e], total @ found.field_mean[0] - etas[e]
        logp = -0.5 * np.einsum("zi,ij,zj->z", z, cavity, z) + z @ eta
        mean, cov = _moments(z, logp + parts[e])
        spread = np.sqrt(np.diag(cov))
        assert np.abs((found.field_mean[0] - mean) / spread).max() < FIXED_POINT
        assert np.abs((found.field_cov[0] - cov) / np.outer(spread, spread)).max() < FIXED_POINT
        norm = 0.5 * (np.linalg.slogdet(cavity)[1] - eta @ np.linalg.solve(cavity, eta)) - np.log(2 * np.pi)
        step = np.log(0.01 * 0.01)
        assert found.evidence[e] == pytest.approx(logsumexp(logp + parts[e]) + norm + step, abs=1e-3)


def _known_curves(h: Histories, points: list[int]) -> Floats:
    out = np.full((h.electrodes, GRID.size), -1e6)
    out[np.arange(h.electrodes), points] = 0.0
    return out


def test_with_known_curves_the_field_is_the_exact_gaussian() -> None:
    rng = np.random.default_rng(12)
    visits = [2001.0, 2002.2, 2004.0]
    h = site_history(
        [[5.0, 6.2, 8.0]] * 4, list(rng.normal(0.4, 0.3, (4, 3))), visits, [[0, 1, 2]] * 4, shifts=(2003.0,)
    )
    points = [0, 5, 17, 30]
    found = _run(h, _known_curves(h, points))
    prior = field_covariance(h, 0, SPREAD)
    H = _design(h, np.arange(12), 4)
    rod = np.kron(np.eye(4), np.full((3, 3), SPREAD.rod_sd**2))
    s = H @ prior @ H.T + rod + np.eye(12) * (NOISE_VAR + 1e-4)
    gap = h.log_ohm - np.concatenate([_curves(np.array([5.0, 6.2, 8.0]))[g] for g in points])
    gain = prior @ H.T @ np.linalg.inv(s)
    assert found.field_mean[0] == pytest.approx(gain @ gap, abs=1e-7)
    assert found.field_cov[0] == pytest.approx(prior - gain @ H @ prior, abs=1e-7)
    score = np.linalg.solve(s, gap)
    assert found.noise_score == pytest.approx(score, abs=1e-5)
    base = SPREAD.rod_sd**2 * np.kron(np.eye(4), np.ones(3)) + prior[0] @ H.T
    assert found.base_mean == pytest.approx(base @ score, abs=1e-6)


def test_with_known_curves_the_evidence_of_each_is_what_it_adds_to_the_others() -> None:
    rng = np.random.default_rng(2)
    h = site_history([[5.0, 6.2]] * 3, list(rng.normal(0.4, 0.3, (3, 2))), [2001.0, 2002.2], [[0, 1]] * 3)
    points = [3, 9, 21]
    found = _run(h, _known_curves(h, points))
    prior = field_covariance(h, 0, SPREAD)
    H = _design(h, np.arange(6), 3)
    s = (
        H @ prior @ H.T
        + np.kron(np.eye(3), np.full((2, 2), SPREAD.rod_sd**2))
        + np.eye(6) * (NOISE_VAR + 1e-4)
    )
    gap = h.log_ohm - np.concatenate([_curves(np.array([5.0, 6.2]))[g] for g in points])

    def density(rows: Floats) -> float:
        part = s[np.ix_(rows, rows)]
        return -0.5 * float(gap[rows] @ np.linalg.solve(part, gap[rows]) + np.linalg.slogdet(part)[1])

    for e in range(3):
        others = np.array([r for r in range(6) if r // 2 != e])
        assert found.evidence[e] == pytest.approx(density(np.arange(6)) - density(others), abs=SINGLE)


def test_the_order_of_electrodes_does_not_matter_once_settled() -> None:
    rng = np.random.default_rng(9)
    visits = [2000.0 + k for k in range(5)]
    y = rng.normal(0.3, 0.1, (4, 5)) + np.linspace(0, 0.8, 5) * np.array([[0.0], [1.0], [0.3], [0.0]])
    ages = [[8.0 + k for k in range(5)]] * 4
    turned = [2, 0, 3, 1]
    h = site_history(ages, list(y), visits, [range(5)] * 4)
    other = site_history(ages, list(y[turned]), visits, [range(5)] * 4)
    logprior = _logprior(h)
    a, b = _run(h, logprior, 60), _run(other, logprior[turned], 60)
    assert a.moved[0] < 1e-5
    assert a.field_mean[0] == pytest.approx(b.field_mean[0], abs=1e-5)
    assert a.field_cov[0] == pytest.approx(b.field_cov[0], abs=1e-5)
    assert a.log_like[turned] == pytest.approx(b.log_like, abs=1e-3)


def test_threads_give_the_same_numbers_to_the_last_bit() -> None:
    h, _ = own_fleet()
    logprior = _logprior(h)

    def threads(work: Callable[[int], None], items: Iterable[int]) -> None:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(work, items))

    shifted = replace(h, log_ohm=h.log_ohm - h.log_formula[h.reading_electrode] - 0.5)
    a, b = _run(shifted, logprior, 2), _run(shifted, logprior, 2, each=threads)
    for name in (
        "like",
        "like_top",
        "struct_weight",
        "noise_score",
        "noise_sq",
        "base_mean",
        "evidence",
        "moved",
    ):
        assert (getattr(a, name) == getattr(b, name)).all()
    assert all((x == y).all() for x, y in zip(a.field_cov, b.field_cov, strict=True))


def test_a_step_and_a_wild_reading_are_weighed_as_written() -> None:
    h = _one_electrode()
    step = StepModel()
    wilds = np.full((5, 3), -1)
    wilds[2, 0] = 2
    structures = Structures(
        np.array([0, 5]), np.array([-1, 3, -1, 0, 3]), np.array([0, 0, 0, 0, 1]), wilds,
        np.log([1.0, 0.02, 0.05, 0.03, 0.01]),
    )  # fmt: skip
    logprior = _logprior(h)
    found = _run(h, logprior, structures=structures)
    prior = field_covariance(h, 0, SPREAD)
    H, curves = _design(h, np.arange(5), 5), _curves(h.age)
    total, jumps, spreads = [], [], []
    for k in range(5):
        s = H @ prior @ H.T + SPREAD.rod_sd**2 + np.eye(5) * (NOISE_VAR + 1e-4)
        gap = h.log_ohm - curves
        mean, var = (v[structures.opened[k]] for v in step.jumps())
        after = (np.arange(5) >= structures.breaks[k]).astype(float) * (structures.breaks[k] >= 0)
        s += var * np.outer(after, after)
        gap = gap - mean * after
        if k == 2:
            s[2, 2] += step.wild_sd**2
        ll = -0.5 * (np.einsum("gi,ij,gj->g", gap, np.linalg.inv(s), gap) + np.linalg.slogdet(s)[1])
        size = mean + var * gap @ np.linalg.solve(s, after)
        left = var - var**2 * after @ np.linalg.solve(s, after)
        if structures.breaks[k] >= 0:
            # a step goes up: the normal's share above zero, after the readings and before them
            ll = ll + norm.logcdf(size / np.sqrt(left)) - norm.logcdf(mean / np.sqrt(var))
        total.append(logsumexp(ll + logprior[0]) + structures.log_prior[k])
        w = np.exp(ll + logprior[0] - logsumexp(ll + logprior[0]))
        jumps.append(w @ size)
        spreads.append(left + w @ size**2 - (w @ size) ** 2)
    weight = np.exp(np.array(total) - logsumexp(total))
    assert found.evidence[0] == pytest.approx(logsumexp(total), abs=SINGLE)
    assert found.struct_weight == pytest.approx(weight, abs=1e-4)
    assert found.wild_p == pytest.approx([0, 0, weight[2], 0, 0], abs=1e-4)
    for k in (1, 3):
        # the size's normal before the truncation, which far above zero is the size itself; curves of less
        # than 1e-7 of all structures together are not summed
        assert found.struct_jump[k] == pytest.approx(jumps[k], abs=1e-3)
        assert found.struct_jump_var[k] == pytest.approx(spreads[k], abs=1e-3)


def test_an_electrode_without_readings_says_nothing() -> None:
    h = site_history([[], [9.0]], [[], [0.4]], [2009.0], [[], [0]])
    logprior = _logprior(h)
    found = _run(h, logprior)
    assert found.log_like[0] == pytest.approx(np.zeros(GRID.size), abs=1e-6)
    assert found.evidence[0] == pytest.approx(0.0, abs=1e-6)
    assert found.factors[0][0][0] == pytest.approx(np.zeros((2, 2)), abs=1e-6)


def test_no_electrode_is_passed_over_when_the_others_have_drifted_apart() -> None:
    h = _first(_three_electrodes(), 2)
    logprior = _logprior(h)
    prior = np.linalg.inv(field_covariance(h, 0, SPREAD))
    good = _run(h, logprior)
    apart = (np.stack([4.0 * prior, -2.0 * prior]), np.zeros((2, 2)))
    found = site_pass(
        h, h.log_ohm, np.full(3, NOISE_VAR), np.full(2, SPREAD.rod_sd**2), [prior], plain_structures(2),
        StepModel(), ONE_SCALE, *_prior(logprior), [apart], 1,
    )  # fmt: skip
    assert found.scale_weight.sum(axis=1) == pytest.approx(np.ones(2))
    assert found.moved[0] > 0.0
    more = site_pass(
        h, h.log_ohm, np.full(3, NOISE_VAR), np.full(2, SPREAD.rod_sd**2), [prior], plain_structures(2),
        StepModel(), ONE_SCALE, *_prior(logprior), found.factors, 40,
    )  # fmt: skip
    assert more.field_mean[0] == pytest.approx(good.field_mean[0], abs=1e-4)
