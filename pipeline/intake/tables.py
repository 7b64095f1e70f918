"""The tables that a fleet sends in: names, kinds, choices and keys of their columns, declared once."""

from dataclasses import dataclass
from enum import Enum


class Kind(Enum):
    """Name the form that a cell has to have."""

    TEXT = "text"
    NUMBER = "number"
    WHOLE = "whole number"
    YES_NO = "yes or no"
    DAY = "date"
    MOMENT = "date, with or without a time"
    MONTH = "month"
    CHOICE = "word from a list"
    RANGED = "number, or > or < and the limit of the meter's range"


@dataclass(frozen=True)
class Column:
    """Describe one column: what a cell may hold."""

    name: str
    kind: Kind = Kind.TEXT
    required: bool = False
    choices: tuple[str, ...] = ()
    low: float | None = None
    """The smallest number that is physically possible."""
    high: float | None = None
    above: float | None = None
    """The number has to be larger than this."""
    may_lie_ahead: bool = False
    """A date after the day of loading is meant to be there (the next calibration)."""


@dataclass(frozen=True)
class Table:
    """Describe one table: its columns and what makes two rows speak of the same thing."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    """A later row with this key and other content supersedes the earlier one (readings repeat: none)."""
    one_of: tuple[str, ...] = ()
    """At least one of these columns has to be filled."""
    several_in_one_file: bool = False
    """Rows of one file with one key are several findings of that day, all kept."""

    def column(self, name: str) -> Column:
        """Give the column of that name; raise KeyError where there is none."""
        return next(c for c in self.columns if c.name == name)

    @property
    def names(self) -> tuple[str, ...]:
        """Give the columns' names in order."""
        return tuple(c.name for c in self.columns)

    @property
    def required(self) -> tuple[str, ...]:
        """Give the names of the columns that a file has to have."""
        return tuple(c.name for c in self.columns if c.required)


def _text(name: str, required: bool = False) -> Column:
    return Column(name, Kind.TEXT, required)


def _amount(name: str) -> Column:
    """Declare a number that can't be negative."""
    return Column(name, Kind.NUMBER, low=0.0)


def _size(name: str) -> Column:
    """Declare a number that has to be above zero."""
    return Column(name, Kind.NUMBER, above=0.0)


def _level(name: str, low: float | None = None, high: float | None = None) -> Column:
    return Column(name, Kind.NUMBER, low=low, high=high)


def _whole(name: str, low: float = 0) -> Column:
    return Column(name, Kind.WHOLE, low=low)


def _yes_no(name: str) -> Column:
    return Column(name, Kind.YES_NO)


def _day(name: str, required: bool = False, may_lie_ahead: bool = False) -> Column:
    return Column(name, Kind.DAY, required, may_lie_ahead=may_lie_ahead)


def _choice(name: str, *choices: str, required: bool = False) -> Column:
    return Column(name, Kind.CHOICE, required, choices)


SITES = Table(
    "sites",
    (
        _text("site_id", required=True),
        _text("site_name", required=True),
        _text("region"),
        _level("latitude", -90, 90),
        _level("longitude", -180, 180),
        _amount("voltage_kv"),
        _day("commissioned_on"),
        _choice("return_path", "multi_grounded_neutral", "site_grid", "single_electrode", "unknown"),
        _amount("grid_area_m2"),
        _amount("grid_conductor_m"),
        _amount("grid_depth_m"),
        _text("grid_material"),
        _whole("rod_count"),
        _yes_no("cathodic_protection"),
        _yes_no("stray_dc"),
        _amount("fault_current_ka"),
        _level("fault_split_factor", 0, 1),
        _amount("clearing_time_s"),
        _amount("customers"),
        _amount("consequence_per_year"),
        _amount("mobilisation_cost"),
        _amount("rod_replacement_cost"),
    ),
    key=("site_id",),
)

ELECTRODES = Table(
    "electrodes",
    (
        _text("electrode_id", required=True),
        _text("site_id", required=True),
        _text("well_id"),
        _yes_no("has_test_well"),
        _choice("kind", "driven_rod", "plate", "strip", "pipe", "other"),
        _choice(
            "material",
            *(
                "copper_bonded_steel",
                "galvanized_steel",
                "solid_copper",
                "stainless_steel",
                "bare_steel",
                "other",
            ),
        ),
        _size("length_m"),
        _size("diameter_mm"),
        _amount("cladding_um"),
        _amount("top_depth_m"),
        _level("x_m"),
        _level("y_m"),
        _choice("connection", "exothermic", "compression", "clamp", "other"),
        _day("installed_on", required=True),
        _day("retired_on"),
        _text("retired_reason"),
        _size("baseline_ohm"),
        _day("baseline_on"),
        _yes_no("baseline_tied_in"),
    ),
    key=("electrode_id",),
)

READINGS = Table(
    "readings",
    (
        _text("electrode_id"),
        _text("well_id"),
        Column("taken_at", Kind.MOMENT, required=True),
        Column("resistance_ohm", Kind.RANGED, above=0.0),
        _choice("outcome", "read", "no_reading", "flooded", "inaccessible", "noise"),
        _choice("method", "clamp_on", "fall_of_potential", "other"),
        _amount("current_a"),
        _choice("current_kind", "ac", "dc"),
        _text("conductor"),
        _whole("conductors_in_well"),
        _whole("repeat_no"),
        _choice("visit_reason", "routine", "follow_up", "after_work", "commissioning", "other"),
        _size("check_ring_ohm"),
        _text("instrument_id"),
        _level("soil_temp_c", -90, 90),
        _level("soil_moisture_pct", 0, 100),
        _text("crew"),
        _yes_no("corrects"),
        _text("note"),
    ),
    key=(),
    one_of=("electrode_id", "well_id"),
)

SOIL_SURVEYS = Table(
    "soil_surveys",
    (
        _text("site_id", required=True),
        _day("surveyed_on", required=True),
        _text("soil_class"),
        _amount("sample_depth_m"),
        _choice("drainage", "good", "fair", "poor"),
        _level("ph", 0, 14),
        _amount("chloride_ppm"),
        _amount("sulphate_ppm"),
        _level("redox_mv"),
        _choice("sulphide", "no", "trace", "yes"),
        _choice("moisture", "dry", "moist", "wet"),
        _size("resistivity_ohm_m"),
    ),
    key=("site_id", "surveyed_on", "sample_depth_m"),
    several_in_one_file=True,
)

SOUNDINGS = Table(
    "soundings",
    (
        _text("site_id", required=True),
        _day("surveyed_on", required=True),
        Column("spacing_m", Kind.NUMBER, required=True, above=0.0),
        Column("resistance_ohm", Kind.NUMBER, required=True, above=0.0),
        _size("potential_spacing_m"),  # between the potential pins; empty: as spacing_m
        _amount("pin_depth_m"),
    ),
    key=("site_id", "surveyed_on", "spacing_m", "potential_spacing_m"),
    several_in_one_file=True,
)

INSTRUMENTS = Table(
    "instruments",
    (
        _text("instrument_id", required=True),
        _day("calibrated_on"),
        _day("calibration_due_on", may_lie_ahead=True),
        _amount("range_low_ohm"),
        _size("range_high_ohm"),
        _amount("accuracy_pct"),
        _amount("accuracy_ohm"),
        _level("as_found_error_pct"),
        _size("test_frequency_hz"),
    ),
    key=("instrument_id", "calibrated_on"),
)

WORKS = Table(
    "works",
    (
        _text("site_id", required=True),
        _text("electrode_id"),
        _day("done_on", required=True),
        _choice(
            "work",
            *("replaced", "connection_remade", "grid_extended", "network_changed"),
            *("excavation", "surge", "finding_cleared", "other"),
            required=True,
        ),
        _text("note"),
    ),
    key=("site_id", "electrode_id", "done_on", "work"),
    several_in_one_file=True,
)

WEATHER = Table(
    "weather",
    (
        _text("site_id"),
        _text("region"),
        Column("month", Kind.MONTH, required=True),
        _amount("rain_mm"),
        _level("air_temp_c", -90, 90),
        _level("soil_temp_c", -90, 90),
    ),
    key=("site_id", "region", "month"),
    one_of=("site_id", "region"),
)

ALIASES = Table(
    "aliases",
    (
        _choice("kind", "site", "well", "electrode", "instrument", required=True),
        _text("alias", required=True),
        _text("means", required=True),
        _text("site_id"),  # where a well's alias holds at one site alone
        _choice("decision", "same", "different"),  # empty: same
        _text("decided_by"),
        _text("note"),
    ),
    key=("alias", "kind", "site_id", "means"),
)

# In the order in which they are loaded: what is referred to comes first.
TABLES: dict[str, Table] = {
    t.name: t
    for t in (SITES, ELECTRODES, INSTRUMENTS, ALIASES, SOIL_SURVEYS, SOUNDINGS, WORKS, WEATHER, READINGS)
}
