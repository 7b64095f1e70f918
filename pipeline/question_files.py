"""A question as people write it, in a TOML file or as options, to the question that is asked."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from models.hypothesis_words import (
    LISTED,
    MATTERS,
    OTHERS,
    OUTCOMES,
    POWER_RATIO,
    POWER_RATIO_SLOPE,
    Question,
)
from pipeline.errors import RequestError

# Columns by which rods may be compared, held or chosen; those of NUMBERS hold numbers.
NAMES = (
    "soil_class", "material", "kind", "region", "drainage", "sulphide", "moisture", "decade", "purchase",
    "return_path", "ratio_basis", "baseline_source",
)  # fmt: skip
NUMBERS = ("ph", "chloride_ppm", "sulphate_ppm", "redox_mv", "resistivity_ohm_m", "installed_year")
GROUPS = NAMES + NUMBERS
CHOSEN_BY = (*GROUPS, "electrode_id", "site_id")
SLOPES = ("doubling", "unit")
KEYS = (
    "outcome", "compare", "between", "split_at", "slope", "hold", "margin", "power_ratio", "asked_by", "note",
    "which", "purchase",
)  # fmt: skip
EXAMPLE = """\
# A question: `rodfleet hypothesis FILE`. In the fleet's folder `questions/` every run asks it again.
outcome = "time_to_threshold"        # or onset, growth, sudden_breaks
compare = "chloride_ppm"             # what is compared
split_at = 200                       # below against from there on; or slope = "doubling" (or "unit");
                                     # of names: between = ["clay", "sand"]
hold = ["material", "decade"]        # what is held fixed
margin = 1.25                        # a ratio nearer to 1 than this does not matter
asked_by = "the analyst"
note = "why it is asked"

[which]                              # which rods: values, or [from, to] of a number
soil_class = ["clay", "silt"]
installed_year = [1980, 2010]
"""


def read_question(path: Path) -> Question:
    """Read a question from a TOML file; raises RequestError for what is not one."""
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as fault:
        raise RequestError(f"{path} can't be read ({fault.strerror}); check the path.") from fault
    except (ValueError, RecursionError) as fault:  # of TOML, of UTF-8, or of a number without end
        raise RequestError(f"{path} can't be read as TOML: {fault}; correct that line.") from fault
    return question_from(given, str(path))


def question_from(given: Mapping[str, Any], where: str = "The question") -> Question:
    """Make a question of a table of keys (KEYS); raises RequestError naming key, value and what it may be."""
    for key in given:
        if key not in KEYS:
            near = difflib.get_close_matches(key, KEYS, n=1)
            hint = f" (did you mean {near[0]}?)" if near else ""
            raise RequestError(f"{where}: there is no key {key!r}{hint}; the keys are {', '.join(KEYS)}.")
    outcome = _one_of(where, "outcome", given.get("outcome", "time_to_threshold"), tuple(OUTCOMES))
    compare = _one_of(where, "compare", given.get("compare", "soil_class"), GROUPS)
    hold = tuple(_one_of(where, "hold", name, GROUPS) for name in _list(where, "hold", given.get("hold", [])))
    if compare in hold:
        raise RequestError(
            f"{where}: {compare} is compared and can't be held fixed as well; leave it out of hold."
        )
    slope = given.get("slope", "")
    chosen, ranges = _which(where, given.get("which", {}))
    shared: dict[str, Any] = {
        "outcome": outcome,
        "held_fixed": hold,
        "where": chosen,
        "between": ranges,
        "margin": _above_one(where, "margin", given.get("margin", MATTERS)),
        "power_ratio": _above_one(
            where, "power_ratio", given.get("power_ratio", POWER_RATIO_SLOPE if slope else POWER_RATIO)
        ),
        "asked_by": str(given.get("asked_by", "")),
        "note": str(given.get("note", "")),
    }
    return Question(compare, **_comparison(where, compare, given), **shared)


def _comparison(where: str, compare: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Give the one way in which rods are compared: two values, a split, a slope, or a purchase."""
    ways = [
        key
        for key in ("between", "split_at", "slope", "purchase")
        if given.get(key) not in (None, "", [], {})
    ]
    if len(ways) != 1:
        raise RequestError(
            f"{where}: say in one way what is compared, not {len(ways)}: between = two values, split_at = a "
            "number, slope = doubling or unit, or a [purchase]."
        )
    way, value = ways[0], given[ways[0]]
    if way == "purchase":
        return _purchase(where, compare, value)
    if way == "between":
        pair = [str(v) for v in _list(where, "between", value)]
        if compare in NUMBERS:
            raise RequestError(f"{where}: {compare} is a number; compare it by split_at or slope.")
        if len(pair) != 2:
            raise RequestError(f"{where}: between takes two values of {compare}, not {len(pair)}.")
        if pair[0] == pair[1]:
            raise RequestError(
                f"{where}: {pair[0]!r} can't be compared with itself; name two different values of {compare}."
            )
        return {"first": pair[0], "second": pair[1]}
    if compare not in NUMBERS:
        raise RequestError(f"{where}: {compare} is no number; name two of its values with between.")
    if way == "split_at":
        return {"split_at": _number(where, "split_at", value)}
    return {"slope": _one_of(where, "slope", value, SLOPES)}


def _purchase(where: str, compare: str, value: Any) -> dict[str, Any]:
    """Read which rods a purchase was: electrodes, days of installation, or a material and year by name."""
    if compare != "purchase" or not isinstance(value, Mapping):
        raise RequestError(f'{where}: [purchase] goes with compare = "purchase", as a table of its own.')
    if unknown := [k for k in value if k not in ("electrodes", "installed", "named")]:
        raise RequestError(f"{where}: [purchase] has electrodes, installed and named, no {unknown[0]!r}.")
    days = [str(d) for d in _list(where, "installed", value.get("installed", []))]
    for day in days:
        try:
            date.fromisoformat(day)
        except ValueError as fault:
            raise RequestError(f"{where}: {day!r} in installed is not a date such as 1998-03-14.") from fault
    if len(days) not in (0, 2):
        raise RequestError(f"{where}: installed takes two dates, the first and the last day.")
    listed = tuple(sorted(str(e) for e in _list(where, "electrodes", value.get("electrodes", []))))
    lot = str(value.get("named", ""))
    return {"first": OTHERS, "second": LISTED, "listed": listed, "installed": tuple(days), "lot": lot}


def _which(
    where: str, given: Any
) -> tuple[tuple[tuple[str, tuple[str, ...]], ...], tuple[tuple[str, float, float], ...]]:
    """Read which rods are meant: (column, values) of names, (column, from, to) of numbers."""
    if not isinstance(given, Mapping):
        raise RequestError(f'{where}: which is a table of columns, such as [which] soil_class = ["clay"].')
    chosen, ranges = [], []
    for column, value in sorted(given.items()):
        _one_of(where, "which", column, CHOSEN_BY)
        if column in NUMBERS:
            ends = _list(where, column, value)
            if len(ends) != 2:
                raise RequestError(f"{where}: which rods by {column}: give [from, to], where inf is no end.")
            low, high = (_number(where, column, end, finite=False) for end in ends)
            ranges.append((column, low, high))
        else:
            chosen.append((column, tuple(sorted(str(v) for v in _list(where, column, value)))))
    return tuple(chosen), tuple(ranges)


def options_as_keys(
    pairs: Sequence[str], first: str | None, second: str | None, **keys: Any
) -> dict[str, Any]:
    """Lay the command's options out as the keys of a file; pairs: `column=value,value` of --where."""
    given = {k: v for k, v in keys.items() if v not in (None, "", (), [])}
    if first is not None and second is None:
        raise RequestError("Missing option '--and': name the other group as well.")
    if second is not None and first is None:
        raise RequestError("Missing option '--between': name the first group as well.")
    if first is not None:
        given["between"] = [first, second]
    which: dict[str, Any] = {}
    for pair in pairs:
        column, sign, values = pair.partition("=")
        if not sign or not values:
            raise RequestError(
                f"--where {pair} is not right; give a column and its values, such as soil_class=clay,silt."
            )
        which[column] = [_as_number(v) for v in values.split(",")] if column in NUMBERS else values.split(",")
    if which:
        given["which"] = which
    return given


def _as_number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _list(where: str, key: str, value: Any) -> list[Any]:
    if not isinstance(value, (list, tuple)):
        raise RequestError(f"{where}: {key} takes a list, such as [{value!r}].")
    return list(value)


def _one_of(where: str, key: str, value: Any, known: Sequence[str]) -> str:
    if value in known:
        return str(value)
    if key == "outcome":
        raise RequestError(f"{where}: there is no outcome {value!r}; ask about {', '.join(known)}.")
    if key == "compare":
        raise RequestError(
            f"{where}: rods can't be compared by {value!r}; compare by one of {', '.join(known)}."
        )
    near = difflib.get_close_matches(str(value), known, n=1)
    hint = f" (did you mean {near[0]}?)" if near else ""
    raise RequestError(f"{where}: {value!r} in {key} is not known{hint}; give one of {', '.join(known)}.")


def _number(where: str, key: str, value: Any, *, finite: bool = True) -> float:
    sound = isinstance(value, (int, float)) and not isinstance(value, bool) and value == value  # noqa: PLR0124
    if not sound or (finite and abs(value) == float("inf")):
        raise RequestError(f"{where}: {key} = {value!r} is not right; give a number.")
    return float(value)


def _above_one(where: str, key: str, value: Any) -> float:
    number = _number(where, key, value)
    if number <= 1:
        raise RequestError(f"{where}: {key} = {value!r} is not right; give a ratio above 1, such as 1.25.")
    return number
