"""The plain tests of one electrode's readings: from its verdicts to numbers, and to words for a terminal."""

from __future__ import annotations

import math
import textwrap

import numpy as np
import polars as pl

from models.one_history import Change, Hinge, PlainTests, Trend, plain_tests

WIDTH = 79
CAUTION = (
    "These tests take the readings one by one: neighbours, what the season's correction has left over, and "
    "readings out of range are not known to them. Where they say otherwise than the answer, look; do not "
    "average."
)


def put_to(readings: pl.DataFrame, electrode_id: str, seed: int) -> PlainTests:
    """Test the log of the corrected readings against age: those not set aside and within the meter's range.

    readings: verdict, range_mark, corrected_ohm, age_years, of one electrode.
    """
    used = readings.filter(
        pl.col("corrected_ohm").is_not_null()
        & (pl.col("verdict").fill_null("set_aside") != "set_aside")
        & pl.col("range_mark").is_null()
        & (pl.col("corrected_ohm") > 0)
    ).sort("age_years", "corrected_ohm")
    rng = np.random.default_rng([seed, *electrode_id.encode()])
    return plain_tests(used["age_years"].to_numpy(), np.log(used["corrected_ohm"].to_numpy()), rng)


def words_of(found: PlainTests) -> list[str]:
    """Say the tests as lines: trend, change of level, bend, and what they do not know."""
    lines = [f"PLAIN TESTS of this history alone ({found.readings} readings, log of ohm against age)"]
    if found.trend is None:
        return [*lines, "  Too few readings for any."]
    said = [_trend(found.trend)]
    if found.change is not None and found.change_between is not None:
        said.append(_change(found.change, found.change_between))
    if found.hinge is not None:
        said.append(_hinge(found.hinge))
    for sentence in (*said, CAUTION):
        lines += textwrap.wrap(sentence, WIDTH, initial_indent="  ", subsequent_indent="    ")
    return lines


def _p(value: float) -> str:
    return "p under 0.001" if value < 0.001 else f"p {value:.2g}"


def _per_year(slope: float) -> str:
    return f"{100 * math.expm1(slope):+.1f}"


def _trend(t: Trend) -> str:
    span = f"{_per_year(t.slope)} % a year ({_per_year(t.slope_low)} to {_per_year(t.slope_high)})"
    return f"Trend: {span}; {_p(t.p_value)} (Kendall{', exact' if t.exact else ''}; Theil and Sen)."


def _change(c: Change, between: tuple[float, float]) -> str:
    moved = 100 * math.expm1(c.after - c.before)
    when = f"between ages {between[0]:.1f} and {between[1]:.1f}"
    return f"One change of level: {moved:+.0f} % {when}; {_p(c.p_value)}. A steady rise looks like one, too."


def _hinge(h: Hinge) -> str:
    return (
        f"One bend: at age {h.place:.1f} ({h.low:.1f} to {h.high:.1f}), from {_per_year(h.slope_before)} to "
        f"{_per_year(h.slope_after)} % a year; {_p(h.p_value)} against a straight line."
    )
