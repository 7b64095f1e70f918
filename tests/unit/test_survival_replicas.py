"""Crossings called on replicas: with the data where the model is true, apart where a class ages otherwise."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from models.forecast import Fitted
from models.histories import DAYS_A_YEAR, Histories
from models.survival import first_crossings, survival_curves
from models.survival_replicas import (
    Known,
    known_of,
    replica_curves,
    replica_frame,
    survival_checks,
    visits_after_suspicion,
)
from models.turnbull import rounded, turnbull, turnbull_of_many
from tests.unit.model_fleets import fitted, true_fit, true_fleet

TODAY = date(2026, 1, 1)


def lives_of(fit: Fitted) -> pl.DataFrame:
    """Lay out what the outlook would say of each electrode that the calls need."""
    h = fit.histories
    return pl.DataFrame(
        {
            "electrode_id": h.electrode_id,
            "site_id": [h.site_id[s] for s in h.electrode_site],
            "soil_class": h.soil,
            "material": h.material,
            "installed_on": [TODAY - timedelta(days=round(a * DAYS_A_YEAR)) for a in h.age_now],
            "retired_on": pl.Series([None] * h.electrodes, dtype=pl.Date),
            "baseline_source": ["inferred"] * h.electrodes,
            "baseline_sd_log": np.full(h.electrodes, 0.08),
        }
    )


def data_curves(fit: Fitted, known: Known) -> pl.DataFrame:
    """Call the crossings of the readings themselves, over the baselines that the fit found."""
    h = fit.histories
    e = h.reading_electrode
    keep = h.kind == 0
    ratio = np.exp(fit.prepared.resid - fit.found.base_mean[e])
    installed = known.frame["installed_on"].to_list()
    readings = pl.DataFrame(
        {
            "electrode_id": np.array(h.electrode_id)[e],
            "taken_at": [installed[i] + timedelta(a * DAYS_A_YEAR) for i, a in zip(e, h.age, strict=True)],
            "corrected_ohm": ratio,
            "verdict": ["good"] * h.age.size,
            "range_mark": np.array(["", "over", "under"])[h.side],
        }
    ).with_columns(pl.col("range_mark").replace("", None)).filter(keep)  # fmt: skip
    threshold = known.frame.select("electrode_id", "threshold_ratio")
    return survival_curves(
        first_crossings(readings, known.frame, threshold, known.frame), np.random.default_rng(1)
    )


def beside(fit: Fitted) -> tuple[pl.DataFrame, dict[str, np.ndarray], pl.DataFrame]:
    lives = lives_of(fit)
    known = known_of(fit, lives)
    data = data_curves(fit, known)
    replicas = replica_curves(fit, known, data, np.random.default_rng(3))
    return data, replicas, survival_checks(fit, lives, data, replicas)


def test_where_the_model_is_true_the_data_lie_among_the_replicas() -> None:
    data, replicas, checks = beside(true_fit())
    assert set(replicas) == set(data["soil_class"])
    assert not checks["flagged"].any()
    frame = replica_frame(data, replicas)
    assert set(frame["method"]) == {"replicas"}
    assert frame.height == data.height
    both = data.join(frame, on=["soil_class", "age_years"], suffix="_r")
    inside = both["share_past"].is_between(both["low_r"] - 0.02, both["high_r"] + 0.02)
    assert inside.mean() > 0.8
    assert (both["low_r"] <= both["high_r"]).all()


def test_a_class_that_ages_earlier_parts_and_the_explanations_are_named() -> None:
    h = true_fleet()
    names = {"marsh": "sand", "sand": "marsh"}
    _, _, checks = beside(fitted(replace(h, soil=tuple(names.get(s, s) for s in h.soil))))
    row = checks.filter(pl.col("soil_class") == "sand").row(0, named=True)
    assert row["flagged"]
    assert "earlier" in row["says"]
    assert "baselines (100%" in row["says"].split("What it is not")[0]
    assert "renewals (0%" in row["says"].split("What it is not")[1]
    assert "first-passage noise" in row["says"].split("What it is not")[1]


def test_visits_that_come_sooner_after_a_high_reading_are_seen() -> None:
    h = true_fleet()
    assert visits_after_suspicion(true_fit(), "clay") == pytest.approx(1.0, abs=0.1)
    resid = true_fit().prepared.resid
    first = resid[h.reading_start[:-1]][h.reading_electrode]
    # Each year after a high reading lasts half as long.
    sooner = np.where(np.r_[False, ((resid - first) > np.log(1.3))[:-1]], 0.5, 1.0)
    year = h.year.copy()
    for a, b in zip(h.reading_start[:-1], h.reading_start[1:], strict=True):
        year[a:b] = h.year[a] + np.cumsum(np.r_[0.0, np.diff(h.year[a:b])] * sooner[a:b])
    assert visits_after_suspicion(_at(true_fit(), year), "clay") < 0.65


def _at(fit: Fitted, year: np.ndarray) -> Fitted:
    moved: Histories = replace(fit.histories, year=year)
    return replace(fit, histories=moved)


def test_many_samples_at_once_are_the_samples_one_by_one() -> None:
    rng = np.random.default_rng(4)
    rows = []
    for k in range(3):
        life = rng.weibull(2.0, 120) * (20 + 5 * k)
        visit = np.arange(1.0, 40.0, 3.0)
        at = np.searchsorted(visit, life)
        lower = np.where(at > 0, visit[np.maximum(at - 1, 0)], 0.0)
        upper = np.where(at < visit.size, visit[np.minimum(at, visit.size - 1)], np.inf)
        rows.append((lower, upper))
    ages = np.arange(0.0, 36.0, 3.0) + 1.0
    low, up = (np.concatenate([r[c] for r in rows]) for c in (0, 1))
    many = turnbull_of_many(low, up, np.repeat(np.arange(3), 120), 4, ages)
    for k, (lower, upper) in enumerate(rows):
        one = turnbull(*rounded(lower, upper, 0.25)).share_past(ages)
        assert many[k] == pytest.approx(one, abs=0.01)
    assert np.isnan(many[3]).all()
