"""What works on record do to sudden steps: a remade joint ends one, a surge makes one likelier then."""

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from models.breaks import LASTING, mended_before
from models.calibration import first_guess
from models.forecast import Fitted, fit_electrodes, levels, outlook_frame
from models.histories import Floats, Histories
from models.history_frames import build_histories
from models.outlook import cdf_at
from tests.unit.small_histories import site_history

NOISE = 0.07
YEARS = 14
FIRST = 6.0
LOG_DOUBLE = float(np.log(2.0))


def _site(read: list[float], remade: tuple[float, ...] = (), surges: tuple[float, ...] = ()) -> Histories:
    """Lay out one rod with these yearly readings beside five steady neighbours."""
    n, rng = len(read), np.random.default_rng(5)
    ages = [FIRST + k for k in range(n)]
    logs = [list(np.log(read)), *(list(np.log(15.0) + rng.normal(0, NOISE, n)) for _ in range(5))]
    h = site_history(
        [ages] * 6, logs, [2000.0 + a for a in ages], [range(n)] * 6, log_formula=float(np.log(15.0))
    )
    none = ((),) * 5
    return replace(h, remade=(remade, *none), surges=(surges, *none))


def _read(*levels_ohm: float) -> list[float]:
    return list(np.array(levels_ohm) * np.exp(np.random.default_rng(2).normal(0, NOISE, len(levels_ohm))))


def _fit(h: Histories) -> Fitted:
    cal = first_guess(h)
    fixed: Floats = np.zeros(cal.fixed.size)
    cal = replace(cal, fixed=fixed)
    return fit_electrodes(h, cal, np.full(h.electrodes, LOG_DOUBLE), np.random.default_rng(1))


def _outlook(fit: Fitted) -> pl.DataFrame:
    return outlook_frame(fit, levels(fit, np.random.default_rng(2), points=2), date(2026, 1, 1))


def test_remaking_the_joint_ends_a_step() -> None:
    read = _read(*[15.0] * 6, *[50.0] * 4, *[15.0] * 4)
    fit = _fit(_site(read, remade=(FIRST + 9.5,)))
    row = _outlook(fit).row(0, named=True)
    assert row["break_state"] == "none"
    assert row["p_broken"] < 0.05
    assert row["p_past_now"] < 0.05
    assert row["level_ohm"] == pytest.approx(15.0, rel=0.1)
    assert fit.mended_p[:YEARS] == pytest.approx([0.0] * 6 + [1.0] * 4 + [0.0] * 4, abs=0.02)
    assert fit.wild_p[:YEARS].max() < 0.05
    assert row["state"] != "not_understood"
    mine = slice(fit.structures.start[0], fit.structures.start[1])
    mended = fit.structures.ends[mine] < LASTING
    assert fit.found.struct_jump[mine][mended].max() == pytest.approx(np.log(50.0 / 15.0), abs=0.15)


def test_a_step_whose_joint_was_remade_to_no_avail_stands() -> None:
    read = _read(*[15.0] * 6, *[50.0] * 8)
    for remade in ((), (FIRST + 9.5,)):
        row = _outlook(_fit(_site(read, remade))).row(0, named=True)
        assert row["break_state"] == "confirmed"
        assert row["p_past_now"] > 0.95


def test_a_joint_remade_since_the_last_reading_leaves_the_old_level_likely() -> None:
    read = _read(*[15.0] * 6, *[50.0] * 4)
    stands = _fit(_site(read))
    mended = _fit(_site(read, remade=(FIRST + 9.5,)))
    assert stands.posterior.p_broken[0] > 0.95
    assert mended.posterior.p_broken[0] == pytest.approx(0.2, abs=0.05)  # the share that it does not mend
    past = cdf_at(mended.crossing.cdf, mended.histories.age_now)
    assert past[0] < 0.35


def test_a_joint_remade_where_nothing_had_given_way_changes_nothing() -> None:
    read = _read(*[15.0] * 14)
    plain, remade = (_fit(_site(read, r)) for r in ((), (FIRST + 9.5,)))
    assert remade.posterior.p_broken == pytest.approx(plain.posterior.p_broken, abs=0.01)
    assert remade.crossing.cdf[0] == pytest.approx(plain.crossing.cdf[0], abs=0.02)


def test_works_between_two_readings_bear_on_the_one_before() -> None:
    h = _site(_read(*[15.0] * 5), remade=(FIRST + 2.0, FIRST + 9.0))
    # works of the day of a reading come before it; those after the last reading leave none behind
    assert mended_before(h)[:5].tolist() == [2, 2, 5, 5, 5]
    assert (mended_before(h)[5:] == LASTING).all()


def test_a_surge_makes_a_step_at_its_date_likelier() -> None:
    read = _read(*[15.0] * 10, 40.0)
    at = {k: _fit(_site(read, surges=s)).posterior.p_broken[0] for k, s in (
        ("none", ()), ("then", (FIRST + 9.5,)), ("earlier", (FIRST + 3.5,)))}  # fmt: skip
    odds = {k: p / (1.0 - p) for k, p in at.items()}
    assert odds["then"] / odds["none"] == pytest.approx(11.0, rel=0.2)
    assert odds["earlier"] == pytest.approx(odds["none"], rel=0.1)


def test_works_are_read_for_one_electrode_or_for_its_whole_site() -> None:
    electrodes = pl.DataFrame(
        {
            "electrode_id": ["a", "b", "c"], "site_id": ["s1", "s1", "s2"], "region": ["north"] * 3,
            "soil_class": ["clay"] * 3, "material": ["clad"] * 3,
            "installed_on": [date(2000, 1, 1), date(2012, 1, 1), date(2000, 1, 1)],
            "baseline_ohm": [None] * 3, "baseline_on": [None] * 3, "baseline_tied_in": [None] * 3,
            "formula_ohm": [15.0] * 3, "survey_sd_log": [0.0] * 3, "rest_ohm": [None] * 3,
            "ratio_basis": ["loop_raw"] * 3,
        },
        schema_overrides={
            "baseline_ohm": pl.Float64, "baseline_on": pl.Date, "baseline_tied_in": pl.Boolean,
            "rest_ohm": pl.Float64,
        },
    )  # fmt: skip
    readings = pl.DataFrame(
        schema={
            "row_id": pl.Int64, "electrode_id": pl.String, "site_id": pl.String, "taken_at": pl.Datetime,
            "resistance_ohm": pl.Float64, "range_mark": pl.String, "verdict": pl.String,
            "sd_extra_log": pl.Float64,
        }
    )  # fmt: skip
    works = pl.DataFrame(
        {
            "site_id": ["s1", "s1", "s1", "s2"], "electrode_id": ["a", None, "b", None],
            "done_on": [date(2010, 1, 1), date(2011, 1, 1), date(2030, 1, 1), date(2005, 1, 1)],
            "work": ["connection_remade", "surge", "connection_remade", "connection_remade"],
        }
    )  # fmt: skip
    h = build_histories(electrodes, readings, works, date(2026, 1, 1))
    assert h.remade[0] == pytest.approx((10.0,), abs=0.01)
    assert h.remade[1] == ()  # later than as_of
    assert h.remade[2] == pytest.approx((5.0,), abs=0.01)
    assert h.surges[0] == pytest.approx((11.0,), abs=0.01)
    assert h.surges[1:] == ((), ())  # not yet driven; another site
    one = h.sample_sites(np.array([1]))
    assert one.remade == (h.remade[2],)
    with pytest.raises(ValueError, match="remade"):
        replace(h, remade=((1.0,),))
