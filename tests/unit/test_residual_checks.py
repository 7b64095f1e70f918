"""Residuals: quiet on a fleet of the model's own; a meter with a shift or a season of its own is named."""

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest
from scipy.stats import kstest

from models.forecast import Fitted
from models.histories import ROUTINE
from models.not_understood import not_understood
from models.residual_checks import RESIDUAL_CHECKS, residual_checks, residuals
from tests.unit.model_fleets import every_other_site, fitted, noisy_fit, true_fit, true_fleet


def checked(fit: Fitted) -> pl.DataFrame:
    """Check with one meter at every other site."""
    odd = every_other_site(fit.histories)
    return residual_checks(fit, np.where(odd, "K1", "K2").tolist(), ["clamp_on"] * odd.size)


def moved(change: np.ndarray) -> Fitted:
    """Fit the true fleet with its routine readings moved by change (M,), log."""
    h = true_fleet()
    return fitted(replace(h, log_ohm=h.log_ohm + np.where(h.kind == ROUTINE, change, 0.0)))


@cache
def with_a_season_of_its_own() -> pl.DataFrame:
    """Check a fleet in which meter K1 reads 12 % low early in its season and 12 % high late."""
    h = true_fleet()
    wave = 0.12 * np.clip((h.year % 1.0 - 0.4) / 0.12, -1.0, 1.0)
    return checked(moved(wave * every_other_site(h)))


def test_a_fleet_of_the_models_own_leaves_nothing_over() -> None:
    found = checked(true_fit())
    assert list(found.schema.items()) == list(RESIDUAL_CHECKS.items())
    assert set(found["by"]) == {"month", "campaign", "meter", "meter_season", "method", "age", "tenth"}
    assert not found["flagged"].any()
    told = found.filter((pl.col("by") != "tenth") & pl.col("shift_low_pct").is_not_null())
    # Of 90 % intervals nine in ten hold nothing; there are few of them, and they hang together.
    holds = (told["shift_low_pct"] <= 0) & (told["shift_high_pct"] >= 0)
    assert holds.mean() > 0.75
    # Groups of a few hundred readings of some ten sites may scatter 15 % more by chance; larger ones may not.
    assert told.filter(pl.col("readings") > 400)["scatter"].is_between(0.85, 1.15).all()
    assert (told["scatter"] * told["readings"]).sum() / told["readings"].sum() == pytest.approx(1.0, abs=0.05)


def test_residuals_are_standard_where_the_model_is_true() -> None:
    res = residuals(true_fit())
    z = res.z[np.isfinite(res.z)]
    assert z.mean() == pytest.approx(0.0, abs=0.05)
    assert z.std() == pytest.approx(1.0, abs=0.08)
    assert kstest(z, "norm").statistic < 0.04
    assert np.nanmean(res.square) == pytest.approx(1.0, abs=0.08)


def test_readings_fall_evenly_into_the_tenths_of_their_forecasts() -> None:
    tenths = checked(true_fit()).filter(pl.col("by") == "tenth")
    assert tenths["share"].sum() == pytest.approx(1.0)
    assert tenths["share"].is_between(0.07, 0.13).all()


def test_a_meter_with_a_season_of_its_own_is_named() -> None:
    named = with_a_season_of_its_own().filter(pl.col("flagged") & (pl.col("by") == "meter_season"))
    assert set(named["group"].str.slice(0, 2)) == {"K1"}
    late = named.filter(pl.col("group") == "K1, Jul-Sep")
    early = named.filter(pl.col("group") == "K1, Jan-Mar")
    assert (late["shift_pct"] > 4).all()
    assert (early["shift_pct"] < -4).all()
    assert late.height + early.height >= 1
    assert named["reason"].str.contains("reads").all()


def test_a_campaign_that_reads_high_is_named() -> None:
    h = true_fleet()
    high = 0.2 * (np.floor(h.year) == 2020)
    found = checked(moved(high)).filter(pl.col("flagged") & (pl.col("by") == "campaign"))
    assert "d 2020" in set(found["group"])
    assert found.filter(pl.col("group") == "d 2020")["shift_pct"][0] == pytest.approx(22, abs=8)


def test_a_meter_that_scatters_is_named() -> None:
    h = true_fleet()
    noise = np.random.default_rng(3).normal(0, 0.15, h.age.size) * every_other_site(h)
    named = checked(moved(noise)).filter(pl.col("flagged") & (pl.col("by") == "meter"))
    assert named["group"].to_list() == ["K1"]
    assert named["scatter"][0] > 1.3
    assert "scatters" in named["reason"][0]


def test_twice_the_noise_shows_in_every_group() -> None:
    found = checked(noisy_fit()).filter(pl.col("by") == "age")
    assert (found["scatter"] > 1.3).all()
    assert found["flagged"].any()


def one_rod(change: np.ndarray) -> tuple[Fitted, str]:
    """Fit the true fleet with one rod's in-range routine readings moved by change (from the first on)."""
    h = true_fleet()
    counts = np.bincount(h.reading_electrode, (h.kind == ROUTINE) * (h.side == 0), minlength=h.electrodes)
    steady = [i for i in np.flatnonzero(counts >= change.size) if h.soil[i] == "sand"]
    i = int(steady[0])
    rows = np.arange(h.reading_start[i], h.reading_start[i + 1])
    rows = rows[(h.kind[rows] == ROUTINE) & (h.side[rows] == 0)][: change.size]
    log_ohm = h.log_ohm.copy()
    log_ohm[rows] += change
    return fitted(replace(h, log_ohm=log_ohm)), h.electrode_id[i]


def listed(fit: Fitted) -> dict[str, str]:
    frame = not_understood(fit, ["steady"] * fit.histories.electrodes)
    return dict(frame.select("electrode_id", "why").iter_rows())


def test_hardly_an_electrode_of_the_models_own_is_not_understood() -> None:
    assert len(listed(true_fit())) <= 0.02 * true_fit().histories.electrodes


def test_a_rod_that_swings_is_listed_with_why() -> None:
    swing = np.array([0.0, 0.9, -0.4, 0.7, -0.7, 0.5, -0.9, 0.8])
    fit, name = one_rod(swing)
    why = listed(fit)[name]
    assert "scatters" in why or "stand alone" in why


def test_a_rod_that_came_down_for_good_is_listed_with_why() -> None:
    fit, name = one_rod(np.array([0.0, 0.0, 0.0, 0.0, -0.9, -0.9, -0.9, -0.9]) + 0.9)
    assert "came down" in listed(fit)[name]


def test_what_the_outlook_does_not_understand_is_always_listed() -> None:
    fit = true_fit()
    state = ["steady"] * fit.histories.electrodes
    state[3] = "not_understood"
    found = not_understood(fit, state)
    mine = found.filter(pl.col("electrode_id") == fit.histories.electrode_id[3])
    assert mine.height == 1
    assert mine["why"][0]
    assert found["severity"].is_sorted(descending=True)


def test_a_fleet_without_readings_leaves_nothing_over() -> None:
    h = true_fleet().sample_sites(np.arange(2))
    none = np.zeros(0, dtype=np.int64)
    empty = replace(
        h, reading_start=np.zeros(h.electrodes + 1, np.int64), visit_start=np.zeros(3, np.int64),
        visit_year=none.astype(float), visit_period=none,
        **{k: getattr(h, k)[none] for k in (
            "age", "log_ohm", "side", "meter_var", "year", "kind", "visit", "row")},
    )  # fmt: skip
    fit = fitted(empty)
    assert residual_checks(fit, [], []).is_empty()
    assert listed(fit) == {}
