"""What electrodes share: prior masses, the weighing of sites, the gradient, beside sums written out."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator
from scipy.stats import norm

from models.class_fit import (
    fit_class_prior,
    grid_evidence,
    log_posterior,
    node_evidence,
)
from models.class_prior import (
    ClassLayout,
    Floats,
    class_layout,
    group_tables,
    node_weights,
    site_nodes,
)
from models.corrosion_curves import curve_grid

GRID = curve_grid((1.6,), (0.2,))
SOILS, MATERIALS = ("clay", "marsh", "sand"), ("clad", "galvanized")
SINGLE = 5e-6  # likelihoods are summed in single precision
T, R = GRID.onset_years.size, GRID.growth.size


def _layout(covariates: tuple[str, ...] = ()) -> ClassLayout:
    soil = ["clay", "clay", "marsh", "sand", "marsh", "clay", "sand", "marsh"]
    material = ["clad", "galvanized", "clad", "clad", "clad", "clad", "galvanized", "clad"]
    raw = np.array([False, False, True, False, False, False, True, True])
    site = np.array([0, 0, 0, 1, 1, 2, 3, 3])
    # site 2 lies where what a survey says is bent
    ground = np.array([[0.5, -1.0], [-1.2, 0.3], [9.0, 2.0], [0.0, 0.8]])[:, : len(covariates)]
    return class_layout(soil, material, raw, site, SOILS, MATERIALS, covariates, ground)


def _likelihood(count: int, seed: int = 2) -> Floats:
    """Return bumps on the grid of curves, the largest value 1."""
    rng = np.random.default_rng(seed)
    log_t, log_r = np.log(GRID.onset_years)[:, None], np.log(GRID.growth)[None, :]
    out = np.empty((count, T, R))
    for i in range(count):
        z = (log_t - rng.normal(2.8, 0.6)) / rng.uniform(0.1, 0.9)
        w = (log_r - rng.normal(-2.0, 0.5)) / rng.uniform(0.1, 0.9)
        out[i] = np.exp(-0.5 * (z * z + w * w - rng.uniform(-0.8, 0.8) * z * w))
    return out / out.max(axis=(1, 2), keepdims=True)


def _theta(layout: ClassLayout, seed: int = 7) -> Floats:
    rng = np.random.default_rng(seed)
    return layout.start() + rng.normal(0.0, 0.2, layout.start().size)


def test_prior_masses_sum_to_one_and_follow_a_log_normal() -> None:
    layout = _layout()
    theta = _theta(layout)
    tables = group_tables(theta, layout, GRID)
    assert tables.onset.sum(axis=-1) == pytest.approx(np.ones(tables.onset.shape[:2]))
    assert tables.growth.sum(axis=-1) == pytest.approx(np.ones(tables.growth.shape[:2]))
    named = dict(zip(layout.names, theta, strict=True))
    u, _ = site_nodes()
    for q in range(layout.soil.size):
        soil, material = SOILS[layout.soil[q]], MATERIALS[layout.material[q]]
        mean = named["growth_fleet"] + named[f"growth_soil_{soil}"] + named[f"growth_material_{material}"]
        load = named["growth_site_load"] * np.exp(named[f"log_growth_load_soil_{soil}"])
        mean = mean + named["growth_loop_raw"] * layout.raw[q] + load * u
        spread = np.exp(named["log_growth_spread"] + named[f"growth_spread_soil_{soil}"])
        for k in range(u.size):
            cells = np.diff(norm.cdf(np.log(GRID.growth_edges), mean[k], spread))
            # a cell's mass by its middle against the exact one: cells are a third of a spread wide
            assert np.abs(tables.growth[q, k] - cells / cells.sum()).max() < 0.04 * cells.max()


def test_a_harsh_site_brings_onset_forward_and_growth_up() -> None:
    layout = _layout()
    tables = group_tables(layout.start(), layout, GRID)
    onset = np.exp(tables.onset[0] @ np.log(GRID.onset_years))
    growth = np.exp(tables.growth[0] @ np.log(GRID.growth))
    assert (np.diff(onset) < 0).all()
    assert (np.diff(growth) > 0).all()


def test_the_site_nodes_integrate_a_standard_normal() -> None:
    u, w = site_nodes()
    assert w.sum() == pytest.approx(1.0)
    assert [w @ u**p for p in (1, 2, 4, 6)] == pytest.approx([0.0, 1.0, 3.0, 15.0], rel=0.02, abs=1e-9)


def test_two_electrodes_of_one_site_by_sums_written_out() -> None:
    layout = class_layout(
        ["clay", "marsh"], ["clad", "clad"], np.zeros(2, bool), np.zeros(2, np.int64), SOILS, MATERIALS
    )
    like, scale = _likelihood(2), np.array([-3.0, 4.5])
    tables = group_tables(_theta(layout), layout, GRID)
    seen = node_evidence(like, scale, layout, tables)
    u, _ = site_nodes()
    at_node = np.zeros((2, u.size))
    for i in range(2):
        for k in range(u.size):
            prior = np.outer(tables.onset[layout.group[i], k], tables.growth[layout.group[i], k])
            at_node[i, k] = (prior * like[i]).sum()
    assert seen.log_l == pytest.approx(np.log(at_node) + scale[:, None])
    both = np.log(at_node).sum(axis=0)
    assert seen.site_log_l == pytest.approx([_integral(both) + scale.sum()], abs=2e-3)
    for weight, log_l in (
        (seen.site_weight[0], both),
        (seen.others_weight[0], np.log(at_node[1])),
        (seen.others_weight[1], np.log(at_node[0])),
    ):
        mean = np.exp(_integral(log_l, lambda x: x + 5.0) - _integral(log_l)) - 5.0
        assert weight @ u == pytest.approx(mean, abs=2e-3)


def _integral(log_l: Floats, times: Callable[[Floats], Floats] = np.ones_like) -> float:
    """Return the log of the integral over a standard normal of exp(log_l), which is given at the nodes."""
    u, _ = site_nodes()
    x = np.linspace(u[0], u[-1], 4001)
    value = norm.pdf(x) * np.exp(PchipInterpolator(u, log_l)(x)) * times(x)
    return float(np.log(np.trapezoid(value, x)))


def test_many_rods_of_one_site_leave_its_class_mean_as_unsure_as_one_site_does() -> None:
    """A site's rods that all say the same move with its effect: the sum over u must not favour its nodes."""
    u, _ = site_nodes()
    sd, load = 0.12, 0.6  # of u as the rods know it, between nodes half a unit apart
    means = np.linspace(-0.3, 0.3, 61)
    log_l = np.array([-0.5 * ((u - m / load) / sd) ** 2 for m in means])
    _, value = node_weights(log_l, np.zeros(means.size))
    exact = norm.logpdf(means / load, 0.0, np.hypot(1.0, sd)) + np.log(sd * np.sqrt(2.0 * np.pi))
    assert value == pytest.approx(exact, abs=5e-3)


def test_an_electrode_alone_at_its_site_leans_on_the_prior_of_the_nodes_only() -> None:
    layout = _layout()
    seen = node_evidence(_likelihood(8), np.zeros(8), layout, group_tables(_theta(layout), layout, GRID))
    assert seen.others_weight[5] == pytest.approx(site_nodes()[1], abs=1e-4)
    assert seen.site_weight.sum(axis=1) == pytest.approx(np.ones(4))


def _double_precision(theta: Floats, like: Floats, scale: Floats, layout: ClassLayout) -> float:
    """Return the log posterior by the tested weighing of nodes, in double precision throughout."""
    seen = node_evidence(like, scale, layout, group_tables(theta, layout, GRID))
    mean, sd = layout.prior()
    return float(seen.site_log_l.sum() - 0.5 * (((theta - mean) / sd) ** 2).sum())


@pytest.mark.parametrize("covariates", [(), ("ph", "stray_dc")])
def test_the_value_is_the_evidence_and_the_prior(covariates: tuple[str, ...]) -> None:
    layout, like, scale = _layout(covariates), _likelihood(8), np.linspace(-2.0, 2.0, 8)
    theta = _theta(layout)
    value, _ = log_posterior(theta, grid_evidence(like, scale, layout), layout, GRID)
    assert value == pytest.approx(_double_precision(theta, like, scale, layout), abs=SINGLE)


@pytest.mark.parametrize("covariates", [(), ("ph", "stray_dc")])
def test_the_gradient_agrees_with_differences(covariates: tuple[str, ...]) -> None:
    layout, like, scale = _layout(covariates), _likelihood(8), np.zeros(8)
    theta = _theta(layout)
    _, gradient = log_posterior(theta, grid_evidence(like, scale, layout), layout, GRID)
    step = 1e-3
    for p in range(theta.size):

        def at(d: float, p: int = p) -> float:
            e = np.zeros(theta.size)
            e[p] = d
            return _double_precision(theta + e, like, scale, layout)

        # fourth-order differences: their own error is step^4
        slope = (8 * (at(step) - at(-step)) - (at(2 * step) - at(-2 * step))) / (12 * step)
        assert gradient[p] == pytest.approx(slope, rel=SINGLE, abs=SINGLE), layout.names[p]


def test_a_class_of_one_leans_on_the_fleet_and_a_large_one_stands_alone() -> None:
    late = np.exp(-0.5 * ((np.log(GRID.onset_years) - np.log(60.0)) / 0.3) ** 2)
    early = np.exp(-0.5 * ((np.log(GRID.onset_years) - np.log(10.0)) / 0.3) ** 2)
    like = np.concatenate(
        [np.tile(early[None, :, None], (40, 1, R)), late[None, :, None] * np.ones((1, 1, R))]
    )
    soil = ["clay"] * 40 + ["sand"]
    layout = class_layout(soil, ["clad"] * 41, np.zeros(41, bool), np.arange(41), ("clay", "sand"), ("clad",))
    fit = fit_class_prior(like, np.zeros(41), layout, GRID)
    at = dict(zip(fit.names, fit.theta, strict=True))
    base = at["onset_fleet"] + at["onset_material_clad"]
    assert np.exp(base + at["onset_soil_clay"]) == pytest.approx(10.0, rel=0.1)
    assert 12.0 < np.exp(base + at["onset_soil_sand"]) < 55.0
    values = np.linalg.eigvalsh(fit.covariance)
    assert values.min() > 0.0
    assert values.max() <= 1.0 + 1e-9
    assert fit.converged


def test_a_class_unknown_to_the_parameters_is_refused() -> None:
    with pytest.raises(ValueError, match="not in tuple"):
        class_layout(["peat"], ["clad"], np.zeros(1, bool), np.zeros(1, np.int64), SOILS, MATERIALS)
