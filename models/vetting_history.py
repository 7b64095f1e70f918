"""Each reading against its electrode's own history and against the other wells of its visit.

A day's value is judged by the readings before and after it, once the visit's own movement (weather, meter,
crew: what all wells of the visit share) is taken off, on the scale of the electrode's own scatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LN10 = float(np.log(10.0))
REACH = 3  # visits before and after that make the level, by their median
TURNS = 3  # of levels and movements, each freed of the other
LEAST_WELLS = 3  # with fewer the visit's median may be the mistake itself
WEATHER_LOG = float(np.log(3.0))  # weather moves a whole site by this at most; more is a mistake of the sheet
STRAY_LOG = 1.0  # off by so much and back: no neighbour to judge others by
OWN_WEIGHT = 5.0  # readings' worth of the fleet's scatter in an electrode's own
LEAST_SD_LOG = 0.03
# What a stray reading that is no slip may be: wide, and half as common again as slips (no source).
WILD_SD_LOG = 0.7
SLIP_PER_WILD = 0.5
WILD_FLOOR = 0.05  # (over the root of two pi, a natural log wide) a stray reading may be off by any factor
BOTH_SIDES_LOG = 1.2  # a slip stands off what came before and what came after; a step stays with what follows
SLIP_WITHIN_LOG = 0.35
ENDS_WITHIN_LOG = 0.45  # a slip at an end of a history, at the most
LONE_WITHIN_LOG = 0.45
LONE_OFF_FORMULA_LOG = 1.0
STEP_LOG = 0.5  # before and after this far apart: the level moved for good in between
FEW_WELLS, FEW_MOVED_LOG = 5, 0.4  # so few wells, suspects perhaps, show no more movement than this
BACK_SHARE = 0.6  # of an open lead's height, what the level may have moved meanwhile
OPEN_LOG = 1.8  # six times the level, and back at the next visit: the jaws were open, or the lead
OPEN_ABOVE_OHM = 100.0


@dataclass(frozen=True)
class Days:
    """One value an electrode and day, by electrode and day: (D,) arrays.

    electrode, visit: numbers. ln: log of the value, at the limit where over range (`over`). aside: not of the
    soil, judged but not judged by. before, after: level of the visits around it, nan where there is none,
    visit movement taken off. shift: how far the visit as a whole stands off; moved: what of that is movement
    of the ground or the meter. wells: how many of the visit have a level. sd: of `off`, by the electrode's
    own scatter.
    """

    electrode: Ints
    visit: Ints
    ln: Floats
    over: Bools
    aside: Bools
    before: Floats
    after: Floats
    moved: Floats
    shift: Floats
    wells: Ints
    sd: Floats

    @cached_property
    def local(self) -> Floats:
        """Level of the electrode at that time, nan where it has no other reading."""
        both = (self.before + self.after) / 2
        return np.where(np.isnan(self.before), self.after, np.where(np.isnan(self.after), self.before, both))

    @cached_property
    def off(self) -> Floats:
        """How far the value stands off its electrode's level and its visit's movement."""
        return self.ln - self.moved - self.local


def _side(z: Floats, electrode: Ints, use: Bools, forward: bool) -> Floats:
    """Return (D,) the median of up to three used neighbours before (or after) each value, nan without one."""
    at = np.flatnonzero(use)
    if not at.size:
        return np.full(z.size, np.nan)
    passed = np.cumsum(use)
    first = passed if forward else passed - use - 1
    near = []
    for k in range(REACH):
        place = first + k if forward else first - k
        index = at[np.clip(place, 0, at.size - 1)]
        inside = (place >= 0) & (place < at.size) & (electrode[index] == electrode)
        near.append(np.where(inside, z[index], np.nan))
    one, two, three = near
    low, high = np.minimum(one, two), np.maximum(one, two)
    of_three = np.maximum(low, np.minimum(high, three))
    return np.where(np.isnan(two), one, np.where(np.isnan(three), (one + two) / 2, of_three))


def group_median(value: Floats, group: Ints, groups: int) -> tuple[Floats, Ints]:
    """Return (G,) the median of the finite values of each group, nan where none, and how many there are."""
    known = np.isfinite(value)
    found = (
        pl.DataFrame({"g": group[known], "v": value[known]})
        .group_by("g")
        .agg(pl.col("v").median(), pl.len().alias("n"))
    )
    middle, count = np.full(groups, np.nan), np.zeros(groups, dtype=np.int64)
    middle[found["g"].to_numpy()] = found["v"].to_numpy()
    count[found["g"].to_numpy()] = found["n"].to_numpy()
    return middle, count


def movement(shift: Floats, wells: Ints) -> Floats:
    """Return what of a visit's shift is movement of the ground or the meter, 0 where it can't be told.

    Drawn towards none as the wells are few.
    """
    told = (wells >= LEAST_WELLS) & (np.abs(np.nan_to_num(shift)) < WEATHER_LOG)
    drawn = np.nan_to_num(shift) * wells / (wells + 1.0)
    few = wells < FEW_WELLS
    return np.where(told, np.where(few, np.clip(drawn, -FEW_MOVED_LOG, FEW_MOVED_LOG), drawn), 0.0)


def _scatter(off: Floats, two_sided: Bools, gap: Floats, electrode: Ints) -> Floats:
    """Return (D,) the standard deviation of `off` by each electrode's own scatter, leaning on the fleet's."""
    if not electrode.size:
        return np.empty(0)
    # Where the level moved for good in between, `off` is the step and no scatter.
    size = np.where(two_sided & (gap < STEP_LOG), np.abs(off), np.nan)
    own, count = group_median(size, electrode, int(electrode.max()) + 1)
    fleet, ends = (
        float(np.median(a)) if a.size else 0.07
        for a in (size[np.isfinite(size)], np.abs(off[~two_sided & np.isfinite(off)]))
    )
    fleet = max(fleet, LEAST_SD_LOG / 1.4826)
    square = (count * np.nan_to_num(own) ** 2 + OWN_WEIGHT * fleet**2) / (count + OWN_WEIGHT)
    sd = np.maximum(1.4826 * np.sqrt(square), LEAST_SD_LOG)[electrode]
    # At the end of a history the level is known from one side only.
    return np.where(two_sided, sd, sd * float(np.clip(ends / fleet, 1.0, 2.5)))


def judge_days(electrode: Ints, visit: Ints, ln: Floats, over: Bools, aside: Bools) -> Days:
    """Find each day's level, its visit's movement and the electrode's scatter; days by electrode and time.

    aside: (D,) values that say nothing of the soil; they are judged, and nothing is judged by them.
    """
    moved, use = np.zeros(ln.size), ~aside
    visits = int(visit.max()) + 1 if visit.size else 0
    shift, wells = np.zeros(ln.size), np.zeros(ln.size, dtype=np.int64)
    before = after = np.full(ln.size, np.nan)
    for turn in range(TURNS):
        before, after = (_side(ln - moved, electrode, use, forward) for forward in (False, True))
        found = Days(electrode, visit, ln, over, aside, before, after, moved, shift, wells, moved)
        whole, count = group_median(np.where(over | aside, np.nan, ln - found.local), visit, visits)
        shift, wells = whole[visit], count[visit]
        if turn < TURNS - 1:
            moved = movement(shift, wells)
        both = ~np.isnan(before) & ~np.isnan(after)
        back = (np.abs(np.nan_to_num(before - after)) < STRAY_LOG) & both
        use = ~aside & ~(back & (np.abs(np.nan_to_num(ln - moved - found.local)) > STRAY_LOG))
    two_sided = ~np.isnan(before) & ~np.isnan(after) & ~over & ~aside
    gap = np.nan_to_num(np.abs(before - after))
    sd = _scatter(ln - moved - found.local, two_sided, gap, electrode)
    return Days(electrode, visit, ln, over, aside, before, after, moved, shift, wells, sd)


def power_of_ten(off: Floats) -> Ints:
    """Return the whole power of ten that a log ratio is nearest to, -3 to 3, 0 where not known."""
    return np.clip(np.nan_to_num(np.round(off / LN10)), -3, 3).astype(np.int64)


def _normal(x: Floats, sd: Floats | float) -> Floats:
    return -0.5 * (x / sd) ** 2 - np.log(sd)


def slipped(d: Days) -> Bools:
    """Tell (D,) whether a value is more likely a slip of ten, once and back, than any stray reading.

    Slip: the electrode's level times a power of ten, within its own scatter. Stray: WILD_SD_LOG wide.
    """
    off = d.off
    step = power_of_ten(off)
    sides = np.stack([d.ln - d.moved - d.before, d.ln - d.moved - d.after])
    with np.errstate(invalid="ignore"):
        both = (sides * np.sign(step) > BOTH_SIDES_LOG).all(axis=0)
        gap = np.nan_to_num(np.abs(d.before - d.after)) / 4
    sd = np.hypot(np.maximum(d.sd, SLIP_WITHIN_LOG / 3), gap)
    stray = np.maximum(_normal(off, WILD_SD_LOG), np.log(WILD_FLOOR))
    odds = np.log(SLIP_PER_WILD) + _normal(off - step * LN10, sd) - stray
    return np.asarray((step != 0) & both & ~d.over & (odds > 0))


def slipped_at_an_end(d: Days) -> Bools:
    """Tell (D,) whether the newest or the oldest value stands a power of ten off all others.

    The newest may have failed as well; the oldest of only two can't be told from a step. It has to stand as
    far off its nearest neighbour as off the level: an electrode that rises fast is no slip.
    """
    off = d.off
    step = power_of_ten(off)
    newest = np.isnan(d.after) & ~np.isnan(d.before)
    oldest = np.isnan(d.before) & ~np.isnan(d.after) & _more_than_two(d.electrode)
    within = np.clip(3 * d.sd, SLIP_WITHIN_LOG, ENDS_WITHIN_LOG)
    z = d.ln - d.moved
    near = np.where(newest, np.roll(z, 1), np.roll(z, -1))
    both = (np.abs(off - step * LN10) < within) & (np.abs(z - near - step * LN10) < 1.5 * within)
    return np.asarray((newest | oldest) & ~d.over & (step != 0) & both)


def _more_than_two(electrode: Ints) -> Bools:
    return (np.bincount(electrode)[electrode] > 2) if electrode.size else np.zeros(0, dtype=bool)


def slipped_alone(d: Days, above_formula: Floats) -> Bools:
    """Tell (D,) whether a lone reading stands a power of ten off what the other wells of its visit are.

    above_formula: (D,) log of value over rod formula, nan where not known.
    """
    visits = int(d.visit.max()) + 1 if d.visit.size else 0
    usual, count = group_median(np.where(d.over, np.nan, above_formula), d.visit, visits)
    off = np.nan_to_num(above_formula - usual[d.visit]) if visits else above_formula
    step = power_of_ten(off)
    alone = np.isnan(d.before) & np.isnan(d.after) & ~d.over
    near = np.abs(off - step * LN10) < LONE_WITHIN_LOG
    # A new rod among worn ones stands off them, and not off its formula.
    own = np.nan_to_num(above_formula) * np.sign(step) > LONE_OFF_FORMULA_LOG
    return np.asarray(alone & near & own & (step != 0) & (count[d.visit] >= LEAST_WELLS + 1))


def opened_once(d: Days) -> Bools:
    """Tell (D,) whether a value was huge, or over range, between two ordinary ones: the jaws stood open."""
    with np.errstate(invalid="ignore"):
        sides = np.minimum(d.ln - d.moved - d.before, d.ln - d.moved - d.after)
        back = np.abs(d.before - d.after) < BACK_SHARE * sides
    return np.asarray(back & (sides > OPEN_LOG) & (d.over | (d.ln > np.log(OPEN_ABOVE_OHM))))


def numbered(frame: pl.DataFrame, *names: str) -> Ints:
    """Return a number for each row's combination of columns, from 0 on."""
    keys = frame.select(names).unique(maintain_order=True).with_row_index("_number")
    found = frame.select(names).join(keys, on=names, how="left", nulls_equal=True, maintain_order="left")
    return found["_number"].to_numpy().astype(np.int64)
