"""Units and lives of metal in soil, against published values; standing as in test_rods_and_grids."""

from __future__ import annotations

import numpy as np
import pytest

from models import metal_loss

PRINTED = 2e-3  # the conversions are printed to three digits


@pytest.mark.parametrize(("metal", "um"), [("steel", 38.9), ("zinc", 42.7), ("copper", 34.1)])
def test_ounce_per_square_foot(metal: str, um: float) -> None:
    """Derived: 1 oz/ft2 = 305.15 g/m2."""
    assert pytest.approx(305.15, rel=1e-4) == metal_loss.G_PER_M2_IN_OZ_PER_FT2
    assert metal_loss.thickness_um(1.0, metal) == pytest.approx(um, rel=PRINTED)


def test_ten_mil_of_copper() -> None:
    """UL 467's cladding of 0.254 mm (memory) weighs 7.46 oz/ft2 (derived)."""
    assert metal_loss.thickness_um(7.46, "copper") == pytest.approx(254.0, rel=PRINTED)


def test_life_of_a_zinc_coating() -> None:
    """AASHTO design loss (memory); 86 um are gone after 16.0 years (seen)."""
    assert metal_loss.zinc_life_years(86.0) == pytest.approx(16.0)
    assert metal_loss.zinc_life_years([15.0, 30.0]) == pytest.approx([1.0, 2.0])


def test_one_constant_rate_fails_the_life_of_zinc() -> None:
    """A wrong model fails: at 15 um a year throughout 86 um would last 5.7 years."""
    assert metal_loss.cladding_life_years(86.0, 15.0) < 0.5 * metal_loss.zinc_life_years(86.0)


def test_zinc_rates_in_ounces() -> None:
    """0.35 then 0.09 oz/ft2 a year (seen) are AASHTO's 15 and 4 um a year."""
    assert metal_loss.thickness_um([0.35, 0.09], "zinc") == pytest.approx([15.0, 4.0], rel=0.05)


def test_life_of_a_copper_cladding() -> None:
    """Copper in loam and sand, 4.5 to 124.5 um a year: Corrosion 71(10), 2015 (seen)."""
    assert metal_loss.cladding_life_years(254.0, [4.5, 124.5]) == pytest.approx([56.4, 2.04], rel=5e-3)


def test_points_of_an_aggressive_soil() -> None:
    """AWWA C105 after Roberge, Table 2.28 (secondary): 1100 ohm-cm, pH 7, 40 mV, trace, wet: 13 (derived)."""
    assert metal_loss.soil_points(11.0, 7.0, 40.0, "trace", "wet") == pytest.approx(13.0)


def test_points_of_mild_and_of_unknown_soils() -> None:
    """The same table (secondary): a dry, neutral, resistive soil has none, an unknown one neither."""
    points = metal_loss.soil_points(
        [300.0, np.nan, 5.0],
        [7.0, np.nan, 3.0],
        [200.0, np.nan, -10.0],
        ["no", "", "yes"],
        ["dry", "", "wet"],
    )
    assert points.tolist() == [0.0, 0.0, 10.0 + 3.0 + 5.0 + 3.5 + 2.0]


@pytest.mark.parametrize(
    ("soil", "ohm_cm", "words"),
    [
        ("Hagerstown loam", 5_210, "moderately corrosive"),
        ("Susquehanna clay", 6_920, "moderately corrosive"),
        ("Chino silt loam", 148, "extremely corrosive"),
        ("Mohave gravelly loam", 232, "extremely corrosive"),
        ("Acadia clay", 190, "extremely corrosive"),
        ("Sharkey clay", 943, "extremely corrosive"),
        ("Docas clay", 62, "extremely corrosive"),
        ("Lake Charles clay", 406, "extremely corrosive"),
        ("dry sand", 25_000, "essentially non-corrosive"),
        ("two bands", 15_000, "mildly corrosive"),
        ("three bands", 4_000, "corrosive"),
        ("four bands", 2_000, "highly corrosive"),
    ],
)
def test_severity_by_resistivity(soil: str, ohm_cm: float, words: str) -> None:
    """Bands of corrosion-doctors.org after Roberge (seen).

    Soils of Denison and Romanoff, J. Res. NBS 49, 1952, RP2366, Table 1 (seen, scanned); the last four are
    made up to reach the other bands.
    """
    assert metal_loss.severity(ohm_cm / 100) == words, soil


@pytest.mark.parametrize(
    ("ground", "mm"),
    [
        ("undisturbed", (0.00, 0.30, 0.60, 0.90, 1.20)),
        ("polluted", (0.15, 0.75, 1.50, 2.25, 3.00)),
        ("aggressive", (0.20, 1.00, 1.75, 2.50, 3.25)),
        ("loose_fill", (0.18, 0.70, 1.20, 1.70, 2.20)),
        ("aggressive_fill", (0.50, 2.00, 3.25, 4.50, 5.75)),
    ],
)
def test_steel_lost_by_kind_of_ground(ground: str, mm: tuple[float, ...]) -> None:
    """EN 14199 / EN 1993-5 Table 4-1 (secondary), at 5, 25, 50, 75, 100 years; straight between."""
    assert metal_loss.steel_loss_mm(ground, [5, 25, 50, 75, 100]) == pytest.approx(mm)
    assert metal_loss.steel_loss_mm(ground, 15) == pytest.approx((mm[0] + mm[1]) / 2)


@pytest.mark.parametrize(
    ("score", "uniform", "local"),
    [(5, 0.005, 0.03), (0, 0.005, 0.03), (-1, 0.01, 0.05), (-4, 0.01, 0.05), (-5, 0.02, 0.20),
     (-10, 0.02, 0.20), (-11, 0.06, 0.40)],
)  # fmt: skip
def test_loss_by_score(score: float, uniform: float, local: float) -> None:
    """DIN 50929-3:2018 (secondary)."""
    assert [float(v) for v in metal_loss.din_loss_mm_per_year(score)] == [uniform, local]
