"""Units that field sheets use, and how each is brought to the unit in a column's name."""

from collections.abc import Mapping
from types import MappingProxyType

Factor = tuple[float, float]
"""(added first, then times): into the unit that the column's name says."""

IN_CELL = "in_cell"
"""The unit stands in each cell, behind the number."""

# By what a column's name ends in. Exact: the international foot, inch and mil.
_BY_ENDING: dict[str, dict[str, Factor]] = {
    "_ohm_m": {
        "ohm_m": (0.0, 1.0),
        "ohm_cm": (0.0, 1e-2),
        "kohm_cm": (0.0, 10.0),
        "ohm_ft": (0.0, 0.3048),
    },
    "_ohm": {"ohm": (0.0, 1.0), "mohm": (0.0, 1e-3), "kohm": (0.0, 1e3)},
    "_um": {"um": (0.0, 1.0), "mil": (0.0, 25.4), "mm": (0.0, 1e3), "in": (0.0, 25_400.0)},
    "_mm": {
        "mm": (0.0, 1.0),
        "cm": (0.0, 10.0),
        "m": (0.0, 1e3),
        "in": (0.0, 25.4),
        "mil": (0.0, 0.0254),
    },
    "_m2": {"m2": (0.0, 1.0), "ft2": (0.0, 0.09290304), "ha": (0.0, 1e4)},
    "_m": {
        "m": (0.0, 1.0),
        "cm": (0.0, 1e-2),
        "mm": (0.0, 1e-3),
        "ft": (0.0, 0.3048),
        "in": (0.0, 0.0254),
        "yd": (0.0, 0.9144),
    },
    "_c": {"degC": (0.0, 1.0), "degF": (-32.0, 5.0 / 9.0)},
    "_ka": {"kA": (0.0, 1.0), "A": (0.0, 1e-3)},
    "_a": {"A": (0.0, 1.0), "mA": (0.0, 1e-3), "uA": (0.0, 1e-6), "kA": (0.0, 1e3)},
    "_kv": {"kV": (0.0, 1.0), "V": (0.0, 1e-3)},
    "_mv": {"mV": (0.0, 1.0), "V": (0.0, 1e3)},
    "_pct": {"pct": (0.0, 1.0), "share": (0.0, 100.0)},
    "_ppm": {"ppm": (0.0, 1.0), "pct": (0.0, 1e4)},
    "_hz": {"Hz": (0.0, 1.0), "kHz": (0.0, 1e3)},
    "_s": {"s": (0.0, 1.0), "ms": (0.0, 1e-3)},
}
# Names that profiles of the program's first layouts use; whatever the column, they mean this.
_PLAIN: dict[str, Factor] = {
    "mA": (0.0, 1e-3),
    "kA": (0.0, 1e3),
    "mohm": (0.0, 1e-3),
    "kohm": (0.0, 1e3),
    "ohm_cm": (0.0, 1e-2),
    "degF": (-32.0, 5.0 / 9.0),
    "ft": (0.0, 0.3048),
    "in_to_mm": (0.0, 25.4),
    "in_to_m": (0.0, 0.0254),
    "mil_to_um": (0.0, 25.4),
    "cm": (0.0, 1e-2),
    "share": (0.0, 100.0),
}
UNITS: Mapping[str, Factor] = MappingProxyType(
    {**{u: f for units in _BY_ENDING.values() for u, f in units.items()}, **_PLAIN}
)

# How people write a unit, in a cell or a heading, blanks and dots taken out. Case counts where it must:
# 'M' before ohm (mega or milli?) and a bare 'm' (metre or milli?) stand for nothing.
_SPELLINGS: dict[str, tuple[str, ...]] = {
    "ohm": ("ohm", "ohms", "\u03a9", "\u2126", "ohmios", "ohmio"),
    "mohm": ("milliohm", "milliohms", "miliohm"),
    "kohm": ("kohm", "kohms", "kilohm", "kilohms", "kiloohm", "k\u03a9", "k\u2126", "k"),
    "ohm_m": (
        "ohm-m",
        "ohm.m",
        "ohmm",
        "ohm*m",
        "ohm\u00b7m",
        "\u03a9m",
        "\u03a9\u00b7m",
        "\u03a9-m",
        "\u03a9*m",
        "ohm_m",
        "ohmmeter",
        "ohm-metre",
        "ohm-meter",
    ),
    "ohm_cm": (
        "ohm-cm",
        "ohm.cm",
        "ohmcm",
        "ohm*cm",
        "ohm\u00b7cm",
        "\u03a9cm",
        "\u03a9\u00b7cm",
        "\u03a9-cm",
        "\u03a9*cm",
        "ohm_cm",
    ),
    "kohm_cm": ("kohm-cm", "kohmcm", "k\u03a9cm", "k\u03a9\u00b7cm"),
    "ohm_ft": ("ohm-ft", "ohmft"),
    "A": ("a", "amp", "amps", "ampere", "amperes"),
    "mA": ("ma", "milliamp", "milliamps", "milliampere"),
    "uA": ("ua", "\u00b5a", "\u03bca"),
    "kA": ("ka", "kiloampere"),
    "m": ("m", "metre", "metres", "meter", "meters", "mtr", "metros"),
    "cm": ("cm", "centimetre", "centimeter"),
    "mm": ("mm", "millimetre", "millimeter", "millimetres"),
    "um": ("um", "\u00b5m", "\u03bcm", "micron", "microns", "micrometre", "micrometer"),
    "ft": ("ft", "foot", "feet", "'", "\u2032"),
    "in": ("in", "inch", "inches", '"', "\u2033", "zoll", "pulgadas", "pouces"),
    "mil": ("mil", "mils", "thou"),
    "yd": ("yd", "yard", "yards"),
    "degC": ("degc", "\u00b0c", "c", "celsius", "\u00bac", "grad c"),
    "degF": ("degf", "\u00b0f", "f", "fahrenheit", "\u00baf"),
    "pct": ("%", "pct", "percent", "prozent"),
    "share": ("share", "fraction", "m3/m3", "m\u00b3/m\u00b3", "v/v"),
    "ppm": ("ppm", "mg/kg", "mg/l"),
    "mV": ("mv", "millivolt"),
    "kV": ("kv", "kilovolt"),
    "V": ("v", "volt", "volts"),
    "Hz": ("hz", "hertz"),
    "kHz": ("khz",),
    "s": ("s", "sec", "secs", "seconds"),
    "ms": ("ms", "msec"),
    "m2": ("m2", "m\u00b2", "sqm", "qm"),
    "ft2": ("ft2", "ft\u00b2", "sqft"),
    "ha": ("ha", "hectare", "hectares"),
}
_EXACT = {
    **dict.fromkeys(("m\u03a9", "m\u2126", "mohm", "mohms", "mOhm", "mOhms"), "mohm"),
    "mV": "mV",
}
_AMBIGUOUS = ("M\u03a9", "M\u2126", "Mohm", "MOhm", "MOHM", "Mohms", "MOHMS", "MV")
_LOWER = {spelling.lower(): unit for unit, spellings in _SPELLINGS.items() for spelling in spellings}
_LETTERS_ALONE = ("k", "c", "f", "s", "v", "a", "m", "in")


def units_of(column: str) -> dict[str, Factor]:
    """Give the units that a column may come in, the column's own first; empty for one without a unit."""
    for ending, units in _BY_ENDING.items():
        if column.endswith(ending):
            return units
    return {}


def factor(column: str, unit: str) -> Factor | None:
    """Give what brings a unit to the column's own; None where the column can't be in that unit."""
    units = units_of(column)
    if unit in units:
        return units[unit]
    return _PLAIN.get(unit) if not units or unit in _PLAIN_ONLY else None


_PLAIN_ONLY = frozenset(("in_to_mm", "in_to_m", "mil_to_um", "share"))


def spelt(text: str, column: str, letters_too: bool = True) -> str | None:
    """Name the unit that people write like this for such a column; None where it is none, or could be two.

    `letters_too` False: a letter alone says nothing, as in a heading.
    """
    plain = text.strip().rstrip(".").replace(" ", "")
    if not plain or plain in _AMBIGUOUS:
        return None
    if not letters_too and plain.lower() in _LETTERS_ALONE and len(plain) == 1 and plain != "\u03a9":
        return None
    unit = _EXACT.get(plain) or _LOWER.get(plain.lower())
    return unit if unit in units_of(column) else None


def spellings(column: str) -> list[tuple[str, str]]:
    """Give (how it is written in lower case, unit) for the units that a column's cells may name."""
    units = units_of(column)
    return [(s, u) for s, u in _LOWER.items() if u in units]


def exact_spellings(column: str) -> list[tuple[str, str]]:
    """Give (how it is written, unit) where small and capital letters tell units apart."""
    units = units_of(column)
    return [(s, u) for s, u in _EXACT.items() if u in units]
