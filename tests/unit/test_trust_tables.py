"""Sentences on readings and rounds, meters brought to their readings, and backtests by tenths."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from models.survival import CURVES
from pipeline.backtest import _keep, _score
from pipeline.run_tables import TABLES
from pipeline.stages import read_track_record
from pipeline.trust_tables import check_tables_of, reading_reason, round_reason
from tests.unit.model_fleets import true_fit
from tests.unit.test_survival_replicas import lives_of

WELL: dict[str, object] = {
    "value": 40.0, "rods_now": 0, "above_ohm": 24.51, "rods_above": 6, "below_ohm": None, "rods_below": None,
    "p_past_5y": 0.4, "sd_reduction": 0.125,
}  # fmt: skip


def test_a_reading_that_decides_says_from_which_value_on() -> None:
    assert reading_reason(WELL) == "Now best: defer. A reading above 24.5 Ω, renew 6 rods."
    both = {**WELL, "rods_now": 2, "rods_above": 3, "below_ohm": 8.0, "rods_below": 1}
    assert reading_reason(both) == (
        "Now best: renew 2 rods. A reading above 24.5 Ω, renew 3 rods; below 8 Ω, renew 1 rod."
    )
    assert reading_reason({**WELL, "above_ohm": None}) == "Now best: defer. A reading may change that."


def test_a_reading_that_decides_nothing_says_why() -> None:
    nothing = {**WELL, "value": 0.0, "rods_now": 3}
    assert reading_reason({**nothing, "p_past_5y": 0.999}) == "Past its threshold whatever it reads."
    assert reading_reason({**nothing, "p_past_5y": 0.001}) == "Sound for five years whatever it reads."
    assert reading_reason(nothing) == "No likely reading changes what is best: renew 3 rods."
    assert reading_reason({**WELL, "value": None}).endswith(
        "it would narrow the ratio's spread a year ahead by 12%."
    )


def test_a_round_says_what_is_best_and_whether_it_is_worth_the_visit() -> None:
    row: dict[str, object] = {
        "value": 300.0,
        "rods_now": 0,
        "p_change_of_decision": 0.31,
        "worth_the_visit": True,
    }
    assert round_reason(row) == (
        "Now best: defer; 31% chance that the readings say otherwise; worth the visit."
    )
    assert round_reason({**row, "worth_the_visit": None}).endswith("otherwise.")
    assert "under 1 % chance" in round_reason({**row, "p_change_of_decision": 0.004})
    assert round_reason({**row, "value": 0.0}) == "Whatever the wells read, best is: defer."
    assert round_reason({**row, "value": None}) == "No money is on record to value a round by."


def test_meters_come_to_their_readings_and_only_standing_electrodes_are_listed() -> None:
    fit = true_fit()
    h = fit.histories
    lives = lives_of(fit).with_columns(
        well_id=pl.col("electrode_id"),
        in_service=pl.Series(np.arange(h.electrodes) % 2 == 0),
        state=pl.lit("not_understood"),
    )
    readings = pl.DataFrame(
        {"row_id": h.row, "instrument_id": [f"K{r % 3}" for r in h.row], "method": ["clamp_on"] * h.row.size}
    ).sample(fraction=1.0, shuffle=True, seed=1)
    found = check_tables_of(fit, lives, readings, pl.DataFrame(schema=CURVES), 1)
    meters = found["residual_checks"].filter(pl.col("by") == "meter")
    assert meters["group"].to_list() == ["K0", "K1", "K2"]
    used = (h.kind == 0) & (h.side == 0) & (h.row % 3 == 0)
    assert meters["readings"][0] == pytest.approx(used.sum(), rel=0.1)
    standing = set(lives.filter("in_service")["electrode_id"])
    assert set(found["not_understood"]["electrode_id"]) == standing
    assert found["not_understood"].columns == list(TABLES["not_understood"])
    assert set(found["model_checks"].columns) == set(TABLES["model_checks"])
    assert found["survival_curves"].is_empty()


def test_a_backtest_is_kept_by_tenths_and_replaces_its_like(tmp_path) -> None:
    n = 60
    p = np.linspace(0.02, 0.98, n)
    names = [f"e{k}" for k in range(n)]
    then = pl.DataFrame(
        {"electrode_id": names, "age_years": 20.0, "p_past_5y": p, "installed_on": date(2000, 1, 1)}
    )
    fate = pl.DataFrame({"electrode_id": names, "site_id": [f"s{k % 7}" for k in range(n)], "past": p > 0.5})
    verdicts = pl.DataFrame(
        {
            "electrode_id": names * 2,
            "taken_at": [date(2010, 1, 1)] * n + [date(2015, 1, 1)] * n,
            "corrected_ohm": [10.0] * n + list(10.0 + p),
            "verdict": ["good"] * (2 * n),
        }
    )
    cut, judged = date(2020, 1, 1), date(2026, 1, 1)
    row, _, tenths = _score(then, verdicts, fate, cut, judged, 5)
    assert row is not None
    assert row["observed_past"] == int((p > 0.5).sum())
    assert tenths.columns == list(TABLES["track_tenths"])
    assert tenths["electrodes"].sum() == n
    assert tenths["tenth"][0] == "0-10 %"
    assert tenths.filter(pl.col("tenth") == "90-100 %")["observed"][0] == 1.0
    assert tenths["forecast"].is_sorted()
    for _ in range(2):
        _keep(tmp_path, "track_tenths", tenths)
    assert read_track_record(tmp_path, "track_tenths").equals(tenths)
    assert read_track_record(tmp_path).is_empty()
