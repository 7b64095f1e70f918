"""The invented soil classes, and how each treats a rod and its readings."""

from dataclasses import dataclass


@dataclass(frozen=True)
class SoilClass:
    """Describe one soil: medians over its sites, unless said otherwise."""

    name: str
    resistivity_ohm_m: float
    resistivity_sd_log: float
    ph: float
    chloride_ppm: float
    sulphate_ppm: float
    redox_mv: float
    sulphide: str
    drainage: str
    moisture: str
    season_first_log: float  # amplitude of the yearly wave of ln R
    season_second_log: float  # amplitude of the half-yearly wave
    cladding_um_first_year: (
        float  # k of k t^n, copper; 4.5 to 124.5 um a year were measured (Corrosion 71, 2015)
    )
    cladding_power: float  # n of k t^n; 0.3 to 0.8 by soil (value from memory)
    length_loss_m_per_year: float  # of a rod whose steel lies bare
    flooded_share: float  # of the visits


# The cladding of 254 um is through after a median of (254 / k)^(1 / n) years: 5, 8, 8.5, 12, 18, 38.
# fmt: off
SOILS: tuple[SoilClass, ...] = (
    SoilClass("saline marsh silt", 8, 0.35, 7.9, 2400, 900, 20, "yes", "poor", "wet",
              0.10, 0.03, 82, 0.70, 0.42, 0.05),
    SoilClass("acid peat", 45, 0.35, 4.4, 120, 400, 60, "trace", "poor", "wet",
              0.12, 0.04, 66, 0.65, 0.29, 0.03),
    SoilClass("clinker and ash fill", 60, 0.45, 6.1, 300, 1500, 180, "trace", "fair", "moist",
              0.15, 0.05, 57, 0.70, 0.27, 0.0),
    SoilClass("stiff clay", 40, 0.30, 7.1, 90, 300, 120, "no", "poor", "moist",
              0.23, 0.08, 57, 0.60, 0.20, 0.02),
    SoilClass("river loam", 110, 0.35, 6.9, 40, 80, 260, "no", "fair", "moist",
              0.14, 0.05, 52, 0.55, 0.13, 0.005),
    SoilClass("dry dune sand", 380, 0.45, 7.4, 15, 20, 420, "no", "good", "dry",
              0.18, 0.06, 41, 0.50, 0.065, 0.0),
)
# fmt: on


@dataclass(frozen=True)
class Material:
    """Describe a rod material by its coating and how fast it goes beside copper cladding on steel."""

    name: str
    coating_um: float
    coating_rate: float  # times the soil's copper rate
    length_loss_rate: float  # times the soil's rate
    beside_copper_grid: float  # times both rates where it is bonded to a copper grid
    share: float  # of the sites that were built with it


MATERIALS: tuple[Material, ...] = (
    Material("copper_bonded_steel", 254, 1.0, 1.0, 1.10, 0.62),
    Material("galvanized_steel", 86, 0.40, 0.85, 1.35, 0.26),
    Material("stainless_steel", 254, 0.55, 0.45, 1.05, 0.06),
    Material("solid_copper", 254, 0.45, 0.35, 1.0, 0.06),
)
