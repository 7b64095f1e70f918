"""The generator's own formulas against published numbers, and its truth against its own paths."""

import numpy as np
import polars as pl
import pytest

from synthetic_fleet.circuit import rest_of_loop
from synthetic_fleet.fleet import simulate
from synthetic_fleet.mechanisms import MECHANISMS, mechanism_named
from synthetic_fleet.rods import LN2, age_reaching, dwight_ohm, make_rods
from synthetic_fleet.soils import SOILS
from synthetic_fleet.world import make_world, sverak_ohm

FOOT, INCH = 0.3048, 0.0254
PRINTED = 0.0052  # half of the last printed digit; the 8 ft rod comes to 39.9049


@pytest.mark.parametrize(
    ("length", "diameter", "ohm"),
    [
        (10 * FOOT, 0.625 * INCH, 33.09),
        (8 * FOOT, 0.625 * INCH, 39.91),
        (10 * FOOT, 0.75 * INCH, 32.14),
        (10 * FOOT, 0.5 * INCH, 34.25),
        (20 * FOOT, 0.625 * INCH, 18.35),
        (3.0, 0.016, 33.49),
        (10 * FOOT, 1.25 * INCH, 29.47),
    ],
)
def test_driven_rod_follows_dwight(length: float, diameter: float, ohm: float) -> None:
    """H. B. Dwight, Trans. AIEE 55, 1936; form from memory, values for 100 ohm-m derived from it."""
    assert dwight_ohm(100.0, np.array(length), np.array(diameter / 2)) == pytest.approx(ohm, abs=PRINTED)


def test_lost_length_counts_and_thinning_hardly_does() -> None:
    """Same source: the lower half lost, times 1.781; 5/8 in thinned to 1/2 in, plus 3.5 % (derived)."""
    length, radius = np.array(10 * FOOT), np.array(0.3125 * INCH)
    whole = dwight_ohm(100.0, length, radius)
    assert dwight_ohm(100.0, length / 2, radius) / whole == pytest.approx(1.781, abs=0.0005)
    assert dwight_ohm(100.0, length, np.array(0.25 * INCH)) / whole == pytest.approx(1.035, abs=0.0005)


@pytest.mark.parametrize(
    ("own", "loops"),
    [
        ([5, 10, 20], [11.667, 14.000, 23.333]),
        ([8, 12, 15, 30], [13.4545, 16.4444, 19.1379, 33.6364]),
        ([100, 10, 10, 10, 10, 10], [102.00, *[12.439] * 5]),
        ([10.0] * 6, [12.0] * 6),
    ],
)
def test_loop_is_the_rod_and_the_others_in_parallel(own: list[float], loops: list[float]) -> None:
    """R_loop,i = R_i + 1 / sum over j != i of 1/R_j: exact for lumped resistances (derived)."""
    ohm = np.array(own, dtype=float)
    loop = ohm + rest_of_loop(ohm, np.full(len(ohm), np.sum(1 / ohm)), np.full(len(ohm), np.inf))
    assert loop == pytest.approx(loops, rel=5e-5)


@pytest.mark.parametrize(
    ("area", "conductor", "printed"),
    [(4900, 1540, 2.776), (4900, 1690, 2.753), (5292, 1997, 2.623), (4900, 1755, 2.744)],
)
def test_grid_follows_sverak(area: float, conductor: float, printed: float) -> None:
    """IEEE Std 80-2000, Annex B, rho = 400 ohm-m, h = 0.5 m (from memory)."""
    ohm = sverak_ohm(np.array(400.0), np.array(conductor), np.array(area), 0.5)
    assert ohm == pytest.approx(printed, abs=0.0005)


def test_cladding_loss_lies_within_what_was_measured() -> None:
    """Copper: 4.5 to 124.5 um a year (Corrosion 71(10), 2015); k t^n, n of 0.3 to 0.8 (from memory)."""
    for soil in SOILS:
        assert 4.5 <= soil.cladding_um_first_year <= 124.5
        assert 0.3 <= soil.cladding_power <= 0.8
        years = (254 / soil.cladding_um_first_year) ** (1 / soil.cladding_power)
        assert 2.0 <= years <= 56.0  # 254 um over those rates (derived)


@pytest.mark.parametrize("name", list(MECHANISMS))
def test_crossing_is_where_the_true_path_first_doubles(name: str) -> None:
    """A bisection, against a walk along the path in steps of a twentieth of a year."""
    mechanism = mechanism_named(name)
    rng = np.random.default_rng(3)
    rods = make_rods(rng, make_world(rng, 12, mechanism), mechanism)
    crossing = age_reaching(rods, LN2, breaks=True)
    ages = np.arange(0.0, 200.0001, 0.05)
    paths = np.stack([rods.ratio_log(np.full(len(rods.site), a)) for a in ages])
    assert (np.diff(paths, axis=0) >= -1e-12).all()
    past = paths >= LN2
    walked = np.where(past.any(axis=0), ages[past.argmax(axis=0)], np.inf)
    finite = np.isfinite(crossing)
    assert (finite == np.isfinite(walked)).all()
    assert finite.any() == (name != "nothing")
    assert (walked[finite] - crossing[finite] >= -1e-6).all()
    assert (walked[finite] - crossing[finite] <= 0.05 + 1e-6).all()


def test_levels_read_by_the_crews_agree_with_the_written_truth() -> None:
    """The electrode's own level over its baseline passes 2 exactly at readings after the crossing age."""
    fleet = simulate(40, seed=5, mistakes=False)
    rows = (
        fleet.reading_truth.join(fleet.truth, left_on="true_electrode_id", right_on="electrode_id")
        .join(
            fleet.tables["electrodes"].select("electrode_id", "installed_on"),
            left_on="true_electrode_id",
            right_on="electrode_id",
        )
        .with_columns(age=(pl.col("true_taken_on") - pl.col("installed_on")).dt.total_days() / 365.25)
    )
    ratio = (rows["level_ohm"] / rows["baseline_ohm"]).to_numpy()
    past = (rows["age"] >= rows["crossing_age"]).to_numpy()
    assert rows.height == fleet.tables["readings"].height
    assert past.any()
    assert (ratio[past] >= 2 - 1e-6).all()
    assert (ratio[~past] < 2).all()
    onset = (rows["age"] >= rows["onset_age"]).to_numpy()
    whole = (rows["age"] < rows["break_age"]).to_numpy()
    assert (ratio[~onset & whole] < 1.05 + 1e-6).all()
    assert (ratio[onset] >= 1.05 - 1e-6).all()


def test_truth_of_the_raw_loop_comes_later_and_the_present_agrees() -> None:
    truth = simulate(60, seed=2).truth
    assert (truth["loop_raw_crossing_age"] >= truth["crossing_age"]).all()
    alive = truth.filter(pl.col("past_now").is_not_null())
    assert (alive["past_now"] == (alive["crossing_age"] <= alive["age_now"])).all()
    assert (alive["past_now"] == (alive["ratio_now"] >= 2)).all()
    assert truth["past_now"].null_count() > 0


def test_nothing_corrodes_in_the_fleet_where_nothing_corrodes() -> None:
    fleet = simulate(30, seed=4, mechanism="nothing")
    for column in ("crossing_age", "loop_raw_crossing_age", "onset_age", "break_age"):
        assert fleet.truth[column].is_infinite().all()
    assert (fleet.truth["growth_per_year"] == 0).all()
    assert not fleet.truth["past_now"].any()
    assert (fleet.truth["ratio_now"] == 1).all()


def test_unknown_mechanism_is_refused() -> None:
    with pytest.raises(ValueError, match="no mechanism 'rust'"):
        simulate(2, mechanism="rust")
