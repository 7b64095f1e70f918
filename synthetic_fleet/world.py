"""The invented utility: districts, sites, soils and weather, with what is true of them."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_fleet.mechanisms import Mechanism
from synthetic_fleet.soils import MATERIALS, SOILS

FIRST_YEAR, LAST_YEAR = 2006, 2025
AS_OF = np.datetime64("2025-12-31", "D")
Days = np.ndarray  # whole days since 1970-01-01, int64


@dataclass(frozen=True)
class District:
    """Describe a district and the crew that reads it."""

    name: str
    code: str
    crew: int  # 1 tidy CSV, 2 workbook, 3 handheld
    soil_weights: tuple[float, ...]  # in the order of SOILS
    first_round: int  # year
    years_between_rounds: int
    round_day: int  # of the year, the middle of the round
    round_spread_days: float
    rain_mm: float  # a month
    air_temp_c: float
    air_swing_c: float
    latitude: float
    longitude: float


# Soil weights in the order of SOILS, then: first round, years between, its day of the year and spread, rain,
# air, swing, latitude and longitude (open ocean: the utility is invented).
DISTRICTS: tuple[District, ...] = (
    District(
        "Brackwater",
        "BRA",
        1,
        (0.22, 0.10, 0.10, 0.25, 0.23, 0.10),
        2008,
        1,
        255,
        30,
        78,
        10.5,
        7,
        41.2,
        -150.6,
    ),
    District(
        "Ostley", "OST", 1, (0.0, 0.03, 0.12, 0.25, 0.40, 0.20), 2010, 1, 120, 45, 62, 11.0, 9, 41.8, -150.1
    ),
    District(
        "Cinderhay", "CIN", 2, (0.0, 0.05, 0.27, 0.23, 0.30, 0.15), 2009, 1, 160, 35, 66, 10, 9, 42.3, -149.5
    ),
    District(
        "Wendrick",
        "WEN",
        2,
        (0.0, 0.02, 0.05, 0.15, 0.33, 0.45),
        2008,
        1,
        290,
        25,
        48,
        12.5,
        11,
        41.5,
        -149.2,
    ),
    District(
        "Tarnmoor", "TAR", 3, (0.0, 0.30, 0.05, 0.15, 0.25, 0.25), 2011, 1, 190, 60, 95, 8.0, 8, 42.6, -150.4
    ),
    District(
        "Saltmere",
        "SAL",
        3,
        (0.25, 0.05, 0.05, 0.15, 0.15, 0.35),
        2008,
        2,
        100,
        40,
        70,
        11.5,
        6,
        40.9,
        -150.0,
    ),
)

_FIRST = (
    "Alder",
    "Birch",
    "Copper",
    "Drover",
    "Elm",
    "Furze",
    "Gorse",
    "Heron",
    "Iris",
    "Juniper",
    "Kiln",
    "Larch",
)
_SECOND = (
    "Lane",
    "Cross",
    "Bank",
    "Reach",
    "Yard",
    "End",
    "Gate",
    "Hollow",
    "Bridge",
    "Row",
    "Fold",
    "Common",
)
RETURN_PATHS = ("multi_grounded_neutral", "site_grid", "single_electrode", "unknown")


@dataclass(frozen=True)
class World:
    """Hold the sites and what is true of them; arrays have one entry a site unless said otherwise."""

    sites: pl.DataFrame  # the contract's table
    district: np.ndarray  # index into DISTRICTS
    soil: np.ndarray  # index into SOILS
    material: np.ndarray  # index into MATERIALS, what the site was built with
    commissioned: Days
    wells: np.ndarray  # test wells
    resistivity_ohm_m: np.ndarray  # true, annual mean
    rate_log: np.ndarray  # the site's ln of the corrosion rate over its class's
    external_ohm: np.ndarray  # what the site's rods are tied to, beside one another
    tied: np.ndarray  # whether the site's rods are tied to one another
    network_changed: Days  # the day of a lasting change of external_ohm; far future where none
    network_factor: np.ndarray  # of external_ohm from that day on
    wetness: np.ndarray  # [district, year - FIRST_YEAR], standard normal, wet is positive
    weather: pl.DataFrame
    soil_surveys: pl.DataFrame
    soundings: pl.DataFrame


def day_of(year: np.ndarray | int, day: np.ndarray | float) -> Days:
    """Return days since 1970 of the day of a year (1 = 1 January)."""
    start = (np.asarray(year, dtype=np.int64) - 1970).astype("datetime64[Y]").astype("datetime64[D]")
    return start.astype(np.int64) + np.asarray(np.round(day), dtype=np.int64) - 1


def year_of(day: Days) -> np.ndarray:
    """Return the calendar year of each day."""
    return (
        np.asarray(day, dtype=np.int64).astype("datetime64[D]").astype("datetime64[Y]").astype(np.int64)
        + 1970
    )


def dates(days: Days) -> pl.Series:
    """Turn days since 1970 into a column of dates."""
    return pl.Series(np.asarray(days, dtype=np.int32)).cast(pl.Date)


def sverak_ohm(
    resistivity: np.ndarray, conductor_m: np.ndarray, area_m2: np.ndarray, depth_m: float
) -> np.ndarray:
    """Return a grid's resistance in ohm (J. G. Sverak, IEEE Trans. PAS-103, 1984; in IEEE Std 80)."""
    root = np.sqrt(20.0 / area_m2)
    return resistivity * (1.0 / conductor_m + (1.0 + 1.0 / (1.0 + depth_m * root)) / np.sqrt(20.0 * area_m2))


def make_world(rng: np.random.Generator, sites: int, mechanism: Mechanism) -> World:
    """Make the sites, soils and weather of a fleet of so many sites."""
    district = np.sort(np.arange(sites) % len(DISTRICTS))
    soil = np.array([rng.choice(len(SOILS), p=DISTRICTS[d].soil_weights) for d in district])
    material = rng.choice(len(MATERIALS), size=sites, p=[m.share for m in MATERIALS])
    commissioned = day_of(1965 + np.floor(54 * rng.beta(2.2, 1.3, sites)), rng.integers(1, 366, sites))
    wells = np.clip(rng.poisson(9.1, sites), 5, 14)
    z_rho, z_chloride, z_ph = rng.normal(size=(3, sites))
    rho = _of(soil, "resistivity_ohm_m") * np.exp(_of(soil, "resistivity_sd_log") * z_rho)
    stray, protected = rng.random(sites) < 0.05, rng.random(sites) < 0.04
    rate = -0.10 * z_rho + 0.12 * z_chloride - 0.05 * z_ph + rng.normal(0, 0.14, sites)
    rate = rate + np.where(stray, 0.3, 0.0) - np.where(protected, 0.3, 0.0)
    frame, external, tied = _site_table(
        rng,
        district=district,
        commissioned=commissioned,
        wells=wells,
        rho=rho,
        stray=stray,
        protected=protected,
    )
    changed, factor = _network_changes(rng, sites, mechanism)
    wetness, weather = _weather(rng)
    surveys = _surveys(
        rng, site_id=frame["site_id"], soil=soil, rho=rho, z_chloride=z_chloride, z_ph=z_ph,
        error_sd_log=mechanism.survey_sd_log,
    )  # fmt: skip
    soundings = _soundings(rng, frame["site_id"], rho)
    return World(
        frame, district, soil, material, commissioned, wells, rho, rate, external, tied, changed, factor,
        wetness, weather, surveys, soundings,
    )  # fmt: skip


def _of(soil: np.ndarray, field: str) -> np.ndarray:
    return np.array([getattr(SOILS[i], field) for i in soil])


def _site_table(
    rng: np.random.Generator,
    *,
    district: np.ndarray,
    commissioned: Days,
    wells: np.ndarray,
    rho: np.ndarray,
    stray: np.ndarray,
    protected: np.ndarray,
) -> tuple[pl.DataFrame, np.ndarray, np.ndarray]:
    n = len(district)
    number = (
        1 + np.arange(n) - np.searchsorted(district, district)
    )  # within the district; sites are in its order
    path = rng.choice(4, size=n, p=[0.5, 0.36, 0.05, 0.09])
    area = np.round(np.exp(rng.normal(np.log(3000), 0.7, n)) / 10) * 10
    conductor = np.round(area * rng.uniform(0.22, 0.4, n))
    external = np.choose(
        path,
        [
            rng.uniform(0.2, 1.0, n),
            sverak_ohm(rho, conductor, area, 0.5),
            np.exp(rng.uniform(np.log(3), np.log(40), n)),
            np.exp(rng.uniform(np.log(0.5), np.log(40), n)),
        ],
    )
    size = np.exp(rng.normal(0, 0.7, n))
    frame = pl.DataFrame(
        {
            "site_id": [f"{DISTRICTS[d].code}-{k:03d}" for d, k in zip(district, number, strict=True)],
            "site_name": _site_names(rng, district, number),
            "region": [DISTRICTS[d].name for d in district],
            "latitude": np.round([DISTRICTS[d].latitude for d in district] + rng.normal(0, 0.12, n), 4),
            "longitude": np.round([DISTRICTS[d].longitude for d in district] + rng.normal(0, 0.15, n), 4),
            "voltage_kv": rng.choice([11.0, 33.0, 66.0, 132.0], size=n, p=[0.15, 0.45, 0.25, 0.15]),
            "commissioned_on": dates(commissioned),
            "return_path": [RETURN_PATHS[p] for p in path],
            "grid_area_m2": area,
            "grid_conductor_m": conductor,
            "grid_depth_m": np.full(n, 0.5),
            "grid_material": np.where(rng.random(n) < 0.75, "copper", "galvanized_steel"),
            "rod_count": np.clip(wells + rng.poisson(3 + 14 * np.minimum(size, 2.5)), 12, 60),
            "cathodic_protection": protected,
            "stray_dc": stray,
            "fault_current_ka": np.round(rng.uniform(3, 25, n), 1),
            "fault_split_factor": np.round(rng.uniform(0.2, 0.8, n), 2),
            "clearing_time_s": rng.choice([0.2, 0.3, 0.5, 1.0], size=n),
            "customers": np.round(4000 * size).astype(np.int64),
            "consequence_per_year": np.round(9000 * size * np.exp(rng.normal(0, 0.5, n)), -2),
            "mobilisation_cost": np.round(rng.uniform(1500, 6000, n), -2),
            "rod_replacement_cost": np.round(rng.uniform(450, 1600, n), -1),
        }
    )
    tied = (path != 2) & ~((path == 3) & (rng.random(n) < 0.5))  # of the unknown ones, half stand alone
    return frame, external, tied


def _site_names(rng: np.random.Generator, district: np.ndarray, number: np.ndarray) -> list[str]:
    """Name the sites of a district apart, with a numeral where the names run out."""
    pairs = [f"{a} {b}" for a in _FIRST for b in _SECOND]
    order = np.array([rng.permutation(len(pairs)) for _ in DISTRICTS])
    again, place = np.divmod(number - 1, len(pairs))
    chosen = order[district, place]
    return [pairs[c] + (f" {g + 1}" if g else "") for c, g in zip(chosen, again, strict=True)]


def _network_changes(rng: np.random.Generator, sites: int, mechanism: Mechanism) -> tuple[Days, np.ndarray]:
    has = rng.random(sites) < mechanism.network_change_share
    day = day_of(rng.integers(2010, 2025, sites), rng.integers(1, 366, sites))
    factor = np.exp(rng.normal(0, 0.6, sites))
    return np.where(has, day, day_of(9000, 1)), np.where(has, factor, 1.0)


def _weather(rng: np.random.Generator) -> tuple[np.ndarray, pl.DataFrame]:
    years = LAST_YEAR - FIRST_YEAR + 1
    common = rng.normal(size=years)
    wetness = np.sqrt(0.5) * common + np.sqrt(0.5) * rng.normal(size=(len(DISTRICTS), years))
    month = np.tile(np.arange(1, 13), years)
    year = np.repeat(np.arange(FIRST_YEAR, LAST_YEAR + 1), 12)
    frames = []
    for d, district in enumerate(DISTRICTS):
        wave = np.cos(2 * np.pi * (month - 7) / 12)  # warmest in July
        late = np.cos(2 * np.pi * (month - 8) / 12)  # the soil follows a month later, at half the swing
        rain = district.rain_mm * (1 - 0.3 * wave) * np.exp(0.28 * wetness[d][year - FIRST_YEAR])
        frames.append(
            pl.DataFrame(
                {
                    "region": district.name,
                    "month": [f"{y}-{m:02d}" for y, m in zip(year, month, strict=True)],
                    "rain_mm": np.round(rain * np.exp(rng.normal(-0.06, 0.35, len(month))), 1),
                    "air_temp_c": np.round(
                        district.air_temp_c + district.air_swing_c * wave + rng.normal(0, 1.1, len(month)), 1
                    ),
                    "soil_temp_c": np.round(
                        district.air_temp_c
                        + 1
                        + 0.5 * district.air_swing_c * late
                        + rng.normal(0, 0.6, len(month)),
                        1,
                    ),
                }
            )
        )
    return wetness, pl.concat(frames)


def _surveys(
    rng: np.random.Generator,
    *,
    site_id: pl.Series,
    soil: np.ndarray,
    rho: np.ndarray,
    z_chloride: np.ndarray,
    z_ph: np.ndarray,
    error_sd_log: float,
) -> pl.DataFrame:
    n = len(soil)
    wetter = {"dry": "moist", "moist": "wet", "wet": "wet"}
    moisture = [SOILS[i].moisture for i in soil]
    frame = pl.DataFrame(
        {
            "site_id": site_id,
            "surveyed_on": dates(day_of(rng.integers(2007, 2020, n), rng.integers(60, 330, n))),
            "soil_class": [SOILS[i].name for i in soil],
            "sample_depth_m": rng.choice([0.5, 1.0, 1.5, 2.0], size=n),
            "drainage": [SOILS[i].drainage for i in soil],
            "ph": np.round(_of(soil, "ph") + 0.35 * z_ph + rng.normal(0, 0.15, n), 1),
            "chloride_ppm": np.round(
                _of(soil, "chloride_ppm") * np.exp(0.5 * z_chloride + rng.normal(0, 0.2, n))
            ),
            "sulphate_ppm": np.round(_of(soil, "sulphate_ppm") * np.exp(rng.normal(0, 0.5, n))),
            "redox_mv": np.round(_of(soil, "redox_mv") + rng.normal(0, 35, n)),
            "sulphide": [SOILS[i].sulphide for i in soil],
            "moisture": [wetter[m] if r < 0.15 else m for m, r in zip(moisture, rng.random(n), strict=True)],
            "resistivity_ohm_m": np.round(rho * np.exp(rng.normal(0, error_sd_log, n)), 1),
        }
    )
    surveyed = rng.random(n) >= 0.08
    surveyed[0] = True
    return frame.filter(pl.Series(surveyed))


def _soundings(rng: np.random.Generator, site_id: pl.Series, rho: np.ndarray) -> pl.DataFrame:
    """Sound about half of the sites over two-layer ground whose mean over the rod is the site's."""
    spacing = np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    chosen = np.flatnonzero(rng.random(len(rho)) < 0.5)
    top = rho[chosen] * np.exp(rng.normal(0.1, 0.3, len(chosen)))
    deep = rho[chosen] * np.exp(rng.normal(-0.1, 0.3, len(chosen)))
    apparent = deep[:, None] + (top - deep)[:, None] * np.exp(-((spacing / 3.0) ** 1.3))
    ohm = apparent / (2 * np.pi * spacing) * np.exp(rng.normal(0, 0.03, apparent.shape))
    day = day_of(rng.integers(2007, 2022, len(chosen)), rng.integers(60, 330, len(chosen)))
    return pl.DataFrame(
        {
            "site_id": site_id.gather(np.repeat(chosen, len(spacing))),
            "surveyed_on": dates(np.repeat(day, len(spacing))),
            "spacing_m": np.tile(spacing, len(chosen)),
            "resistance_ohm": [float(f"{x:.4g}") for x in ohm.ravel()],
        }
    )
