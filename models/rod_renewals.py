"""Rods replaced under their old number, and nobody wrote it down: a step down that stays, to a new level.

A proposal for a person, no verdict: a joint remade and a lasting shift of one lead's loop can look the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from statistics import median

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
LEAST_DROP_LOG = float(np.log(1.3))  # below, seasons and visits do as much
FAR_BELOW_LOG = float(np.log(4.0))  # below its first level: a clamp round a metal loop, no new rod
NEAR_NEW_LOG = float(np.log(1.6))  # above its first level: no new rod in that soil
NEAR_DAYS = 45  # another well of the site counts as read on the same visit within so many days
EXPLAINED_DAYS = 90  # a works record so near to the step explains it; common practice, no source
FEATURES = ("drop", "drop_in_noise", "above_new", "below_new", "strays_after", "after_few", "high_once")
# Fitted by `python -m tests.recovery.renewals_found --fit`, in the order of FEATURES.
WEIGHTS = (3.49, 0.33, 2.56, -1.41, -4.13, -2.19, -5.61)
CONSTANT = -2.85
OUT: dict[str, pl.DataType | type[pl.DataType]] = {
    "electrode_id": pl.String,
    "site_id": pl.String,
    "last_on": pl.Date,
    "first_on": pl.Date,
    "before_ohm": pl.Float64,
    "after_ohm": pl.Float64,
    "new_ohm": pl.Float64,
    "readings_after": pl.Int64,
    "others_fell_pct": pl.Float64,
    "score": pl.Float64,
    **dict.fromkeys(FEATURES, pl.Float64),
}


@dataclass(frozen=True)
class _Visits:
    """One electrode's visits: days (ordinal, ascending) and ln ohm, one a day."""

    days: npt.NDArray[np.int64]
    logs: Floats


def unrecorded_renewals(
    readings: pl.DataFrame, electrodes: pl.DataFrame, works: pl.DataFrame
) -> pl.DataFrame:
    """Find the likeliest unrecorded replacement of each electrode that shows one: columns as OUT, best first.

    readings: electrode_id, site_id, taken_at, resistance_ohm, range_mark (as accepted); electrodes:
    electrode_id, installed_on, baseline_ohm, baseline_tied_in; works: site_id, electrode_id, done_on,
    work. A step that a work explains is left out: on the rod itself (replaced, connection remade, or
    `other`: somebody looked), or of the whole site.
    """
    days = _by_day(readings)
    if days.is_empty():
        return pl.DataFrame(schema=OUT)
    baseline = electrodes.filter(pl.col("baseline_tied_in").fill_null(True))
    new = dict(
        baseline.drop_nulls("baseline_ohm").select("electrode_id", pl.col("baseline_ohm").log()).iter_rows()
    )
    explained = _explained(works)
    found = []
    for (site,), own in days.group_by("site_id", maintain_order=True):
        visits = {
            str(name): _Visits(g["day"].to_numpy().astype(np.int64), g["log"].to_numpy())
            for (name,), g in own.group_by("electrode_id", maintain_order=True)
        }
        for name, one in visits.items():
            others = [v for other, v in visits.items() if other != name]
            done = np.array(sorted([*explained.get((site, name), []), *explained.get((site, None), [])]))
            best = _best_step(one, others, new.get(name), done)
            if best is not None:
                found.append({"electrode_id": name, "site_id": site, **best})
    return pl.DataFrame(found, schema=OUT).sort(-pl.col("score"), "electrode_id")


def _by_day(readings: pl.DataFrame) -> pl.DataFrame:
    """Give one ln ohm an electrode and day: the median of the day's values within range."""
    read = readings.filter((pl.col("resistance_ohm") > 0) & pl.col("range_mark").is_null())
    day = (pl.col("taken_at").dt.date() - pl.date(1, 1, 1)).dt.total_days().alias("day")
    return (
        read.group_by("site_id", "electrode_id", day)
        .agg(pl.col("resistance_ohm").log().median().alias("log"))
        .sort("site_id", "electrode_id", "day")
    )


def _explained(works: pl.DataFrame) -> dict[tuple[str, str | None], list[int]]:
    """Give the days of works that explain a step down: by site and electrode, or of the site as a whole."""
    own = works.filter(
        pl.when(pl.col("electrode_id").is_null())
        .then(pl.col("work").is_in(["network_changed", "grid_extended", "replaced"]))
        .otherwise(pl.col("work").is_in(["replaced", "connection_remade", "other"]))
    )
    day = (pl.col("done_on") - pl.date(1, 1, 1)).dt.total_days()
    found: dict[tuple[str, str | None], list[int]] = {}
    for site, name, done in own.select("site_id", "electrode_id", day).drop_nulls("done_on").iter_rows():
        found.setdefault((site, name), []).append(done)
    return found


def _best_step(
    one: _Visits, others: list[_Visits], baseline: float | None, done: npt.NDArray[np.int64]
) -> dict[str, object] | None:
    """Return the step down of an electrode that looks most like a new rod; None where none does at all."""
    logs, days = one.logs, one.days
    if len(logs) < 3:
        return None
    noise = max(1.4826 * median(np.abs(np.diff(logs)).tolist()) / np.sqrt(2.0), 0.08)
    each = logs.tolist()  # of a handful, a list's median is had twenty times as fast as an array's
    best: dict[str, object] | None = None
    # A step is one between two visits: the few that fall so far are looked at.
    for k in (int(k) for k in np.flatnonzero(np.diff(logs) <= -LEAST_DROP_LOG) + 1 if k >= 2):
        before, after = median(each[max(k - 3, 0) : k]), median(each[k:])
        first = median(each[: min(2, k)])
        new = first if baseline is None else min((first, baseline), key=lambda v: abs(after - v))
        risen = before - new >= 0.5 * LEAST_DROP_LOG
        if not risen or before - after < LEAST_DROP_LOG or not -FAR_BELOW_LOG <= after - new <= NEAR_NEW_LOG:
            continue
        if logs[k - 1] < 0.5 * (before + after) or logs[k] > 0.5 * (before + after):
            continue  # the step lies beside
        if len(done) and np.any((done >= days[k - 1] - EXPLAINED_DAYS) & (done <= days[k] + EXPLAINED_DAYS)):
            continue
        fell = _others_fell(others, int(days[k - 1]), int(days[k]))
        if fell > 0.5 * (before - after):
            continue  # the whole site fell: its network or its season
        features = _features(logs, k, before, after, new, noise, fell)
        utility = CONSTANT + float(np.dot(WEIGHTS, features))
        score = 1.0 / (1.0 + np.exp(-utility))
        if best is None or score > best["score"]:
            best = {
                "last_on": _date(days[k - 1]), "first_on": _date(days[k]), "before_ohm": np.exp(before),
                "after_ohm": np.exp(after), "new_ohm": np.exp(new), "readings_after": len(logs) - k,
                "others_fell_pct": 100.0 * (1.0 - np.exp(-fell)), "score": score,
                **dict(zip(FEATURES, features, strict=True)),
            }  # fmt: skip
    return best


def _features(
    logs: Floats, k: int, before: float, after: float, new: float, noise: float, fell: float
) -> tuple[float, ...]:
    """Put a step into numbers, in the order of FEATURES; logarithms, net of what the other wells did."""
    drop = before - after - fell
    strays = float(np.mean(logs[k:] > before - 0.5 * (before - after)))
    after_few = 1.0 / (len(logs) - k)
    return (
        drop, min(drop / noise, 12.0), max(after - new, 0.0), max(new - after, 0.0), strays, after_few,
        float(logs[k - 2] < 0.5 * (before + after)),
    )  # fmt: skip


def _others_fell(others: list[_Visits], last: int, first: int) -> float:
    """Return by how much (ln) the site's other wells fell between two visits; 0 where none was read then."""
    falls = []
    for other in others:
        was = np.flatnonzero(np.abs(other.days - last) <= NEAR_DAYS)
        now = np.flatnonzero(np.abs(other.days - first) <= NEAR_DAYS)
        if len(was) and len(now) and was[-1] != now[0]:
            falls.append(other.logs[was[-1]] - other.logs[now[0]])
    return float(median(falls)) if falls else 0.0


def _date(day: int) -> date:
    """Return the date of a day that is counted from the first of the year 1."""
    return date.fromordinal(int(day) + 1)
