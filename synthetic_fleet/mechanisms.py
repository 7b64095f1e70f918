"""What moves in a synthetic fleet: one frozen set of switches for each kind of benchmark."""

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Mechanism:
    """Hold the switches of one kind of fleet; spreads are of natural logarithms."""

    name: str
    corrosion: str = "physics"  # physics | log_linear | none
    break_hazard_per_year: float = 0.0015  # of a clamp, coupler or rod, at any age
    break_hazard_after_onset_per_year: float = 0.008  # added once corrosion has begun
    break_open_share: float = 0.2  # of the breaks, those that leave an open lead
    break_step_log: float = 1.2  # median step of the others: ln 3.3, 15 ohm to 50
    visit_sd_log: float = 0.08  # of a site's visits
    visit_ar1: float = 0.4  # from one visit of a site to its next
    district_year_sd_log: float = 0.06  # droughts and wet years
    wild_share: float = 0.01  # of the readings
    wild_sd_log: float = 0.7
    noise_sd_log: tuple[float, float] = (0.04, 0.10)  # an electrode's own lies between
    season_amplitude: float = 1.0  # times the soil class's own
    survey_sd_log: float = 0.35  # error of a site's surveyed resistivity
    network_change_share: float = 0.12  # of the sites, a changed neutral or shield wire
    readings: str = "rounds"  # rounds (yearly or two-yearly) | few (two to four, begun late)
    renewals: bool = True  # suspects are visited again and some are renewed
    meter_drift: bool = True
    missed_share: float = 0.03  # wells flooded, shut or not read


FIELD = Mechanism("field")
CLEAN = Mechanism(
    "clean",
    corrosion="log_linear",
    break_hazard_per_year=0.0,
    break_hazard_after_onset_per_year=0.0,
    visit_sd_log=0.0,
    district_year_sd_log=0.0,
    wild_share=0.0,
    network_change_share=0.0,
    renewals=False,
    meter_drift=False,
)
MECHANISMS: dict[str, Mechanism] = {
    "field": FIELD,
    "clean": CLEAN,
    "campaign": replace(
        CLEAN,
        name="campaign",
        visit_sd_log=0.10,
        district_year_sd_log=0.08,
        wild_share=0.015,
        meter_drift=True,
    ),
    "breaks": replace(
        FIELD,
        name="breaks",
        corrosion="log_linear",
        break_hazard_per_year=0.008,
        break_hazard_after_onset_per_year=0.02,
        wild_share=0.03,
    ),
    "nothing": replace(
        FIELD,
        name="nothing",
        corrosion="none",
        break_hazard_per_year=0.0,
        break_hazard_after_onset_per_year=0.0,
    ),
    "sparse": replace(FIELD, name="sparse", readings="few", renewals=False),
}


def mechanism_named(name: str) -> Mechanism:
    """Return the switches of a mechanism; raises ValueError for a name that there is not."""
    if name not in MECHANISMS:
        raise ValueError(f"There is no mechanism {name!r}; choose one of {', '.join(MECHANISMS)}.")
    return MECHANISMS[name]
