"""Soundings: fits that come back to their truth and know what they don't know; pins of any spacing."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from models import soundings

SPACINGS = np.array([0.5, 1.0, 2.0, 4.0, 8.0, 16.0])


@pytest.mark.parametrize("truth", [(100.0, 500.0, 2.0), (300.0, 40.0, 1.5), (80.0, 900.0, 5.0)])
def test_two_layers_come_back_from_noisy_soundings(truth: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(11)
    apparent = soundings.two_layer_apparent_ohm_m(SPACINGS, *truth)
    apparent = apparent * np.exp(rng.normal(0, 0.01, SPACINGS.size))
    fit = soundings.fit_layers(SPACINGS, apparent / (2 * np.pi * SPACINGS), scatter_log=0.01)
    assert fit.converged
    assert fit.stand_apart
    assert fit.upper_ohm_m == pytest.approx(truth[0], rel=0.05)
    assert fit.lower_ohm_m == pytest.approx(truth[1], rel=0.25)
    assert fit.upper_depth_m == pytest.approx(truth[2], rel=0.15)
    assert fit.scatter_log < 0.02


def test_uniform_soil_has_no_layers_that_stand_apart() -> None:
    fit = soundings.fit_layers(SPACINGS, 100.0 / (2 * np.pi * SPACINGS))
    assert not fit.stand_apart
    assert (fit.upper_ohm_m, fit.lower_ohm_m) == pytest.approx((100.0, 100.0), rel=0.01)
    assert np.sqrt(fit.covariance[2, 2]) > 0.5 * soundings.DEPTH_SD_LOG  # nothing tells of a boundary


def test_one_spacing_leaves_the_prior() -> None:
    fit = soundings.fit_layers(2.0, 8.0)
    assert fit.contrast_sd_log > 0.8 * soundings.CONTRAST_SD_LOG
    assert not fit.stand_apart


def test_slopes_are_those_of_small_steps() -> None:
    logs = np.log([100.0, 700.0, 2.0])
    c, d = np.array([1.0, 3.0, 9.0]), np.array([1.0, 0.5, 20.0])
    slopes = soundings._log_apparent(c, d, logs)[1]
    for j, step in enumerate(np.eye(3) * 1e-6):
        ahead, back = (soundings._log_apparent(c, d, logs + s)[0] for s in (step, -step))
        np.testing.assert_allclose(slopes[:, j], (ahead - back) / 2e-6, atol=1e-7)


def test_apparent_resistivity_runs_from_the_upper_layer_to_the_lower() -> None:
    near, far = soundings.two_layer_apparent_ohm_m([0.01, 500.0], 100.0, 500.0, 2.0)
    assert near == pytest.approx(100.0, rel=1e-3)
    assert far == pytest.approx(500.0, rel=0.05)


@pytest.mark.parametrize("potential", [0.2, 1.0, 5.0])
def test_pins_of_any_spacing_see_uniform_soil_as_it_is(potential: float) -> None:
    """Four points in 100 ohm-m: the voltage between the inner ones by the field of the outer ones."""
    c = 3.0
    ohm = 100.0 / (2 * np.pi) * 2 * (1 / c - 1 / (c + potential))
    assert soundings.apparent_ohm_m(c, ohm, potential) == pytest.approx(100.0)
    assert soundings.two_layer_apparent_ohm_m(c, 100.0, 100.0, 2.0, potential) == pytest.approx(100.0)


def test_deep_pins_see_more_and_are_put_right() -> None:
    shallow, deep = soundings.apparent_ohm_m(1.0, 10.0, None, [0.0, 0.3])
    assert shallow == pytest.approx(2 * np.pi * 10.0)
    assert 1.0 < deep / shallow < 1.3
    far_down = soundings.apparent_ohm_m(1.0, 10.0, None, 1000.0)
    assert far_down == pytest.approx(4 * np.pi * 10.0, rel=1e-3)


def test_claimed_spread_holds_over_many_sites() -> None:
    """Truth drawn from the prior, 3 % of scatter: 90 % intervals of the logs.

    Upper 91 %, depth 84 %, lower 81 %: a lower layer that the widest pins hardly see is no normal.
    """
    rng = np.random.default_rng(1)
    truth = np.c_[
        rng.normal(np.log(100.0), 0.8, 200),
        rng.normal(0.0, soundings.CONTRAST_SD_LOG, 200),
        rng.normal(np.log(soundings.DEPTH_M), soundings.DEPTH_SD_LOG, 200),
    ]
    truth[:, 1] += truth[:, 0]
    rows = []
    for k, logs in enumerate(truth):
        seen = soundings.two_layer_apparent_ohm_m(SPACINGS, *np.exp(logs))
        ohm = seen * np.exp(rng.normal(0, 0.03, SPACINGS.size)) / (2 * np.pi * SPACINGS)
        rows += [(f"{k:03d}", a, r) for a, r in zip(SPACINGS, ohm, strict=True)]
    frame = pl.DataFrame(rows, schema=["site_id", "spacing_m", "resistance_ohm"], orient="row")
    found, fits = soundings.layers_by_site(frame)
    assert found["converged"].all()
    assert len(fits) == 200
    middle = np.log(found.select("upper_ohm_m", "lower_ohm_m", "upper_depth_m").to_numpy())
    sd = found.select("upper_sd_log", "lower_sd_log", "depth_sd_log").to_numpy()
    held = np.mean(np.abs(truth - middle) < 1.645 * sd, axis=0)
    assert np.all((held > 0.78) & (held < 0.96))


def test_no_soundings_give_an_empty_frame_and_bad_ones_are_refused() -> None:
    empty = pl.DataFrame(schema={"site_id": pl.String, "spacing_m": pl.Float64, "resistance_ohm": pl.Float64})
    assert soundings.layers_by_site(empty)[0].columns == list(soundings.LAYERS)
    with pytest.raises(ValueError, match="above zero"):
        soundings.apparent_ohm_m(0.0, 10.0)
    with pytest.raises(ValueError, match="above zero"):
        soundings.fit_layers([1.0], [0.0])
