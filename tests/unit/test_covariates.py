"""What surveys say of a site's harshness: within its class, for parts as for the fleet, nothing unknown."""

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from models.calibration import Calibration, adapt, calibrate, first_guess, first_state, layout_of
from models.class_fit import (
    fit_class_prior,
)
from models.class_prior import (
    class_layout,
    site_nodes,
    site_weights,
)
from models.corrosion_curves import curve_grid
from models.covariates import (
    COVARIATES,
    GROUND_COLUMNS,
    Standards,
    node_log_weights,
    site_covariates,
    standards_of,
)
from models.curve_posterior import (
    parameter_draws,
)
from models.explanation import Terms, explain_electrode
from models.forecast import fit_electrodes
from models.histories import Floats, Histories
from models.replicas import new_rods, record_of
from pipeline.ground_words import ground_of_site
from tests.recovery.own_model import ModelTruth, Plan, draw_fleet, known_calibration

NODES, WEIGHTS = site_nodes()
NAMES = ("log_resistivity", "ph", "log_chloride")
PLANTED = np.array([-0.7, 0.0, 0.6])
PLAN = Plan(sites=120, rods=(5, 8), years=(8, 14))


def _surveyed(coefficient: Floats) -> Calibration:
    """Return the known calibration with three covariates, of other means in each of its three classes."""
    cal = known_calibration()
    mean = np.array([[2.0, 7.5, 7.0], [4.0, 7.0, 4.5], [6.0, 6.0, 3.0]])
    P = cal.theta.size + coefficient.size
    return replace(
        cal, theta=np.concatenate([cal.theta, coefficient]), theta_cov=np.zeros((P, P)),
        theta_names=(*cal.theta_names, *(f"harshness_{n}" for n in NAMES)),
        standards=Standards(NAMES, mean, np.array([0.4, 0.5, 0.6])),
    )  # fmt: skip


@cache
def _fleet() -> tuple[Histories, ModelTruth]:
    return draw_fleet(_surveyed(PLANTED), np.random.default_rng(4), PLAN)


@cache
def _calibrated() -> Calibration:
    return calibrate(_fleet()[0], rounds=6)


def _coefficients(cal: Calibration) -> tuple[Floats, Floats]:
    P = len(cal.standards.names)
    return cal.theta[-P:], np.sqrt(np.diag(cal.theta_cov))[-P:]


# From surveys to covariates


SURVEYS = pl.DataFrame(
    {
        "site_id": ["A", "B", "C", "C"],
        "ph": [7.0, 5.0, None, 6.0],
        "chloride_ppm": [90.0, 990.0, 40.0, None],
        "drainage": ["good", "poor", "fair", None],
    }
)
SITES = pl.DataFrame(
    {
        "site_id": ["A", "B", "C", "D"],
        "grid_material": ["copper", "steel", None, "copper"],
        "stray_dc": [True, False, None, None],
        "cathodic_protection": [None, True, False, None],
    }
)
RESISTIVITY = pl.DataFrame({"site_id": ["A", "B", "C", "D"], "resistivity_ohm_m": [100.0, 0.0, 10.0, None]})


def test_what_was_measured_is_told_by_site_and_nothing_where_unknown() -> None:
    told = site_covariates(SURVEYS, SITES, RESISTIVITY)
    assert told["site_id"].to_list() == ["A", "B", "C", "D"]
    log = np.log
    expected: dict[str, list[float | None]] = {
        "log_resistivity": [log(100.0), None, log(10.0), None],
        "ph": [7.0, 5.0, 6.0, None],
        "log_chloride": [log(100.0), log(1000.0), log(50.0), None],
        "poor_drainage": [0.0, 1.0, 0.5, None],
        "copper_grid": [1.0, 0.0, None, 1.0],
        "stray_dc": [1.0, 0.0, None, None],
        "cathodic_protection": [None, 1.0, 0.0, None],
    }
    wanted = pl.DataFrame({"site_id": ["A", "B", "C", "D"]}).with_columns(
        pl.Series(f"ground_{k}", v, dtype=pl.Float64) for k, v in expected.items()
    )
    assert_frame_equal(told, wanted)


def test_the_order_of_the_surveys_changes_no_digit() -> None:
    rng = np.random.default_rng(2)
    many = pl.DataFrame(
        {"site_id": ["A"] * 50, "ph": rng.normal(7, 1, 50), "chloride_ppm": rng.gamma(2.0, 50.0, 50),
         "drainage": rng.choice(["good", "fair", "poor"], 50)}
    )  # fmt: skip
    once = site_covariates(many, SITES, RESISTIVITY)
    assert once.equals(site_covariates(many.sample(fraction=1.0, shuffle=True, seed=3), SITES, RESISTIVITY))


# Standards


def _measured(rng: np.random.Generator, soil: Floats) -> Floats:
    out = np.full((soil.size, len(COVARIATES)), np.nan)
    out[:, 0] = 3.0 + 2.0 * soil + 0.5 * rng.normal(size=soil.size)
    out[:, 1] = 7.0  # all alike
    out[:15, 2] = rng.normal(size=15)  # hardly known
    out[:, 3] = soil  # alike within each class
    out[:, 4] = rng.random(soil.size) < 0.5
    out[:, 5] = np.arange(soil.size) < 3  # three sites only
    out[:, 6] = np.arange(soil.size) % 12 == 0
    return out


def test_what_hardly_varies_within_classes_or_is_hardly_known_is_left_out() -> None:
    soil = np.arange(120) % 2
    measured = _measured(np.random.default_rng(0), soil)
    measured[7, 0] = np.nan
    standards = standards_of(measured, soil, 2)
    assert standards.names == ("log_resistivity", "copper_grid", "cathodic_protection")
    assert standards.mean[:, 0] == pytest.approx([3.0, 5.0], abs=0.2)
    assert standards.sd[0] == pytest.approx(0.5, rel=0.2)
    assert standards.sd[2] == pytest.approx(1.0 / 3.0)  # rarely yes: no wider a prior for it
    x = standards.spreads(measured, soil)
    assert x[7, 0] == 0.0
    assert [x[soil == c, 0].mean() for c in (0, 1)] == pytest.approx([0.0, 0.0], abs=1e-12)
    assert x[:, 0].std() == pytest.approx(1.0, rel=0.03)


def test_a_part_of_the_fleet_is_standardised_as_the_whole() -> None:
    soil = np.arange(120) % 2
    measured = _measured(np.random.default_rng(0), soil)
    standards = standards_of(measured, soil, 2)
    assert standards.spreads(measured[:3], soil[:3]) == pytest.approx(standards.spreads(measured, soil)[:3])


def test_a_value_typed_wrongly_says_no_more_than_three_spreads_and_an_unmet_class_nothing() -> None:
    standards = Standards(("ph",), np.array([[7.0]]), np.array([0.5])).with_classes(1)
    measured = np.full((3, len(COVARIATES)), np.nan)
    measured[:, 1] = [70.0, 6.5, 6.5]
    assert standards.spreads(measured, np.array([0, 0, 1]))[:, 0] == pytest.approx([3.0, -1.0, 0.0])
    assert standards.spreads(None, np.array([0, 0]))[:, 0] == pytest.approx([0.0, 0.0])
    assert standards_of(None, np.array([0]), 1).names == ()


# What it does to the prior


def test_moved_weights_have_the_moved_mean_and_the_same_spread() -> None:
    weight = np.exp(node_log_weights(np.log(WEIGHTS), NODES, np.array([0.0, 0.7, -1.2])))
    assert weight.sum(axis=1) == pytest.approx(1.0)
    mean = weight @ NODES
    assert mean == pytest.approx([0.0, 0.7, -1.2], abs=0.01)
    assert weight @ NODES**2 - mean**2 == pytest.approx(1.0, abs=0.05)


def test_where_onsets_are_known_the_fit_is_the_regression() -> None:
    grid = curve_grid((1.6,), (0.2,))
    rng = np.random.default_rng(1)
    S, rods, sd = 150, 6, 0.3
    x = rng.normal(size=(S, 2))
    site, N = np.repeat(np.arange(S), rods), S * rods
    layout = class_layout(
        ["clay"] * N, ["clad"] * N, np.zeros(N, bool), site, ("clay",), ("clad",), NAMES[:2], x
    )
    u = x @ np.array([0.4, -0.3]) + rng.normal(size=S)
    centre = np.log(20.0) - 0.4 * u[site] + 0.3 * rng.normal(size=N)
    like = np.exp(-0.5 * ((np.log(grid.onset_years) - centre[:, None]) / sd) ** 2)
    like = np.broadcast_to(like[:, :, None], (N, *grid.shape[1:])).astype(np.float32)
    fit = fit_class_prior(like, np.zeros(N), layout, grid)
    at = dict(zip(fit.names, fit.theta, strict=True))
    load = at["onset_site_load"] * np.exp(at["log_onset_load_soil_clay"])
    A, mean = np.column_stack([np.ones(S), x]), centre.reshape(S, rods).mean(axis=1)
    line = np.linalg.lstsq(A, mean, rcond=None)[0]
    error = np.sqrt(np.diag(np.linalg.inv(A.T @ A)) * np.var(mean - A @ line))
    assert np.abs(-load * fit.theta[-2:] - line[1:]).max() < error[1:].max()
    assert load * np.sqrt(np.diag(fit.covariance))[-2:] == pytest.approx(error[1:], rel=0.25)


# Through a whole calibration


def test_planted_coefficients_come_back_through_the_calibration() -> None:
    cal = _calibrated()
    found, sd = _coefficients(cal)
    assert cal.standards.names == NAMES
    assert np.abs((found - PLANTED) / sd).max() < 3.0
    assert sd.max() < 0.2
    assert found[0] < -2.0 * sd[0]
    assert found[2] > 2.0 * sd[2]


def test_a_site_that_nobody_reads_is_known_by_its_survey() -> None:
    h, _ = _fleet()
    cal = _calibrated()
    layout = layout_of(h, cal)
    mean = site_weights(cal.theta, layout) @ NODES
    state = first_state(h, cal, layout)
    assert state.node_weight @ NODES == pytest.approx(mean[h.electrode_site])
    truth = cal.standards.spreads(h.ground, np.zeros(h.sites, dtype=int) + _soil_of(h, cal)) @ PLANTED
    assert np.corrcoef(mean, truth)[0, 1] > 0.9


def _soil_of(h: Histories, cal: Calibration) -> Floats:
    return np.array([cal.soils.index(h.soil[e]) for e in h.site_start[:-1]])


def test_what_coefficients_are_not_known_to_is_in_the_draws() -> None:
    cal = _calibrated()
    draws = parameter_draws(cal, np.random.default_rng(0), 4000)[:, -3:]
    found, sd = _coefficients(cal)
    assert draws.mean(axis=0) == pytest.approx(found, abs=1e-9)
    assert draws.std(axis=0) == pytest.approx(sd, rel=0.1)


def test_a_part_of_the_fleet_is_forecast_as_in_the_whole() -> None:
    h, _ = _fleet()
    cal = replace(_surveyed(PLANTED), theta_cov=np.eye(_surveyed(PLANTED).theta.size) * 0.01)
    picked = np.array([3, 40, 77])

    def outlook(of: Histories) -> Floats:
        return fit_electrodes(
            of, cal, np.full(of.electrodes, np.log(2.0)), np.random.default_rng(1)
        ).crossing.cdf

    whole, part = outlook(h.sample_sites(np.arange(80))), outlook(h.sample_sites(picked))
    rods = np.isin(h.sample_sites(np.arange(80)).electrode_site, picked)
    assert part == pytest.approx(whole[rods], abs=2e-4)


def test_harsher_ground_brings_unread_rods_forward_and_no_survey_leaves_them() -> None:
    cal = _surveyed(PLANTED)
    h = _fleet()[0].sample_sites(np.arange(2))
    usual = cal.standards.mean[_soil_of(h, cal)]
    row = np.full((2, len(COVARIATES)), np.nan)
    at = [COVARIATES.index(n) for n in NAMES]
    row[:, at] = usual

    def past(ground: Floats | None) -> Floats:
        unread = replace(h, ground=ground, side=h.side, meter_var=np.full(h.age.size, 1e6))
        fit = fit_electrodes(unread, cal, np.full(h.electrodes, np.log(2.0)), np.random.default_rng(1))
        return fit.crossing.cdf[:, 160]  # 40 years

    harsh, mild = row.copy(), row.copy()
    harsh[:, at[0]] -= 2 * cal.standards.sd[0]
    mild[:, at[0]] += 2 * cal.standards.sd[0]
    assert (past(harsh) > past(row) + 0.02).all()
    assert (past(row) > past(mild) + 0.02).all()
    assert past(None) == pytest.approx(past(row), abs=1e-6)


def test_replicas_draw_a_site_from_its_own_prior() -> None:
    cal = _surveyed(np.array([-1.2, 0.0, 0.0]))
    h = _fleet()[0].sample_sites(np.arange(60))
    fit = fit_electrodes(h, cal, np.full(h.electrodes, np.log(2.0)), np.random.default_rng(1))
    lives = new_rods(fit, record_of(fit), 60, np.random.default_rng(2))
    x = cal.standards.spreads(h.ground, _soil_of(h, cal))[h.electrode_site, 0]
    soil = np.array([cal.soils.index(s) for s in h.soil])
    log_onset = np.log(lives.onset).mean(axis=0)
    slopes = [
        np.polyfit(x[soil == c], log_onset[soil == c], 1)[0] for c in range(3) if (soil == c).sum() > 30
    ]
    # a unit of the site effect is 0.3 of log onset; -1.2 a spread, bent at 2
    assert all(0.15 < s < 0.45 for s in slopes), slopes


def test_a_site_explained_by_itself_says_what_the_fleet_s_fit_says() -> None:
    cal = _surveyed(PLANTED)
    h = _fleet()[0].sample_sites(np.arange(6))
    fit = fit_electrodes(h, cal, np.full(h.electrodes, np.log(2.0)), np.random.default_rng(3))
    one = h.sample_sites(np.array([2]))
    told = explain_electrode(one, 0, Terms(cal, float(np.log(2.0)), 3))
    assert told.fit.crossing.cdf[0] == pytest.approx(fit.crossing.cdf[h.site_start[2]], abs=2e-4)
    said, shift = ground_of_site(told.fit), float(fit.layout.shift(cal.theta)[0][2])
    assert said.endswith(f"a site effect of {shift:+.2f} before any reading.")
    apart = fit.layout.ground[2] * PLANTED
    assert (
        f"resistivity {np.exp(0.4 * fit.layout.ground[2, 0]):.1f} times the usual ({apart[0]:+.2f})" in said
    )
    assert "pH" not in said  # it says nothing, as nothing was planted on it
    assert ground_of_site(replace(told.fit, histories=replace(one, ground=None))) == ""


# Where nothing is known


def test_without_surveys_it_is_the_model_without_covariates() -> None:
    h = replace(_fleet()[0].sample_sites(np.arange(30)), ground=None)
    cal = first_guess(h)
    assert not cal.standards.names
    assert not any(n.startswith("harshness") for n in cal.theta_names)
    state = first_state(h, cal, layout_of(h, cal))
    assert np.array_equal(state.node_weight, np.tile(WEIGHTS, (h.electrodes, 1)))
    empty = replace(h, ground=np.full((h.sites, len(COVARIATES)), np.nan))
    assert first_guess(empty).theta_names == cal.theta_names


def test_a_class_met_later_has_coefficients_and_no_standard() -> None:
    cal = _surveyed(PLANTED)
    h = _fleet()[0].sample_sites(np.arange(3))
    known = adapt(cal, replace(h, soil=("peat",) * h.electrodes))
    assert known.soils[-1] == "peat"
    assert known.theta_names[-3:] == cal.theta_names[-3:]
    assert known.theta[-3:] == pytest.approx(PLANTED)
    layout = layout_of(replace(h, soil=("peat",) * h.electrodes), known)
    assert layout.ground == pytest.approx(np.zeros((3, 3)))


def test_columns_are_named_after_the_covariates() -> None:
    assert len(GROUND_COLUMNS) == len(COVARIATES)
    assert all(a == f"ground_{b}" for a, b in zip(GROUND_COLUMNS, COVARIATES, strict=True))
