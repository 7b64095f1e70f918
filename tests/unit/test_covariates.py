"""What surveys say of a site's harshness: recovered, at its stated spread; nothing where nothing is known."""

import numpy as np
import polars as pl
import pytest

from models.class_prior import site_nodes
from models.covariates import COVARIATES, HarshnessFit, fit_harshness, node_log_weights, site_covariates
from models.histories import Floats

NODES, WEIGHTS = site_nodes()
TOLD_SD = 0.8  # how well a site's readings know its effect


def _fit(rng: np.random.Generator, b: Floats, sites: int = 300) -> HarshnessFit:
    X = rng.normal(size=(sites, b.size))
    u = X @ b + rng.normal(size=sites)
    seen = u + rng.normal(0, TOLD_SD, sites)
    node_log_l = -0.5 * ((seen[:, None] - NODES) / TOLD_SD) ** 2
    return fit_harshness(node_log_l, np.log(WEIGHTS), NODES, X, prior_sd=3.0)


def test_coefficients_come_back_at_their_stated_spread() -> None:
    b = np.array([0.4, -0.3, 0.0])
    fits = [_fit(np.random.default_rng(k), b) for k in range(60)]
    assert all(f.converged for f in fits)
    z = np.array([(f.coefficient - b) / np.sqrt(np.diag(f.covariance)) for f in fits])
    # 180 standard normals: their root mean square is known to 5 %
    assert 0.85 < np.sqrt(np.mean(z**2)) < 1.15
    assert np.abs(z.mean(axis=0)).max() < 0.45
    assert np.mean([f.log_gain for f in fits]) > 10.0


def test_where_readings_are_normal_it_is_the_regression() -> None:
    rng = np.random.default_rng(1)
    X, seen = rng.normal(size=(400, 2)) * 0.5, rng.normal(size=400)
    wide = 1.5
    fit = fit_harshness(-0.5 * ((seen[:, None] - NODES) / wide) ** 2, np.log(WEIGHTS), NODES, X, prior_sd=0.4)
    precision = X.T @ X / (1.0 + wide**2) + np.eye(2) / 0.4**2
    assert fit.coefficient == pytest.approx(
        np.linalg.solve(precision, X.T @ seen / (1.0 + wide**2)), abs=0.01
    )
    assert fit.covariance == pytest.approx(np.linalg.inv(precision), rel=0.05, abs=1e-4)


def test_nothing_surveyed_is_nothing_learnt() -> None:
    fit = fit_harshness(np.zeros((20, NODES.size)), np.log(WEIGHTS), NODES, np.zeros((20, 2)))
    assert fit.coefficient == pytest.approx(0.0)
    assert fit.log_gain == pytest.approx(0.0)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(0.3)


def test_moved_weights_have_the_moved_mean_and_the_same_spread() -> None:
    weight = np.exp(node_log_weights(np.log(WEIGHTS), NODES, np.array([0.0, 0.7, -1.2])))
    assert weight.sum(axis=1) == pytest.approx(1.0)
    mean = weight @ NODES
    assert mean == pytest.approx([0.0, 0.7, -1.2], abs=0.01)
    assert weight @ NODES**2 - mean**2 == pytest.approx(1.0, abs=0.05)


def test_covariates_are_told_within_the_class_and_nothing_where_unknown() -> None:
    surveys = pl.DataFrame(
        {
            "site_id": ["A", "B", "C", "C"],
            "resistivity_ohm_m": [100.0, 400.0, 10.0, 10.0],
            "ph": [7.0, 5.0, None, 6.0],
            "chloride_ppm": [90.0, 990.0, 40.0, None],
            "drainage": ["good", "poor", "fair", None],
        }
    )
    sites = pl.DataFrame(
        {"site_id": ["A", "B", "C", "D"], "grid_material": ["copper", "steel", None, "copper"],
         "stray_dc": [True, False, None, None]}
    )  # fmt: skip
    X = site_covariates(surveys, sites, ("A", "B", "C", "D"), ("clay", "clay", "sand", "sand"))
    at = dict(zip(COVARIATES, X.T, strict=True))
    assert at["log_resistivity"][0] == pytest.approx(-at["log_resistivity"][1])
    assert at["log_resistivity"][2:] == pytest.approx([0.0, 0.0])
    assert at["ph"][0] > 0 > at["ph"][1]
    assert at["log_chloride"][1] > 0
    assert at["poor_drainage"][1] > 0 > at["poor_drainage"][0]
    assert at["copper_grid"][0] == pytest.approx(-at["copper_grid"][1])
    assert at["stray_dc"][0] == pytest.approx(-at["stray_dc"][1])
    assert at["stray_dc"][2:] == pytest.approx([0.0, 0.0])
    assert X.std(axis=0) == pytest.approx(1.0)
