"""Calibrations kept in the store, whole and dated: which one a run is made under, and why.

A run is made under the kept calibration while that is fresh, knows the fleet's classes and still fits its
readings; otherwise the fleet is calibrated anew. The run that reads a calibration never changes it.
"""

import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from importlib.metadata import PackageNotFoundError, version
from typing import Any

import numpy as np
import polars as pl

from models.calibration import Calibration
from models.forecast import Fitted
from models.histories import Histories
from pipeline.dataclass_text import OtherShapeError, as_text, from_text
from pipeline.errors import RequestError, WorkError
from pipeline.store import Store

LATEST, ANEW = "latest", "new"
# A fleet that has grown by more, or fits so much worse, is another fleet than the one that was calibrated
# (common practice, no source); three standard errors come on top, so that small fleets do not flutter.
GROWN_SHARE = 0.10
MORE_NOISE, MORE_WILD, MORE_NOT_UNDERSTOOD = 0.15, 0.01, 0.02


@dataclass(frozen=True)
class Basis:
    """What a calibration was, or would be, fitted to: the day that it looks from, span and counts."""

    as_of: date
    first_on: date | None
    last_on: date | None
    sites: int
    electrodes: int
    readings: int


@dataclass(frozen=True)
class Fit:
    """How a run's readings took a calibration.

    squared_noise: mean squared noise of a reading in units of its variance. wild_share: of the readings.
    not_understood: share of the electrodes.
    """

    squared_noise: float
    wild_share: float
    not_understood: float


@dataclass(frozen=True)
class Kept:
    """A calibration of the store; differs: fields that it and today's program do not share."""

    name: str
    fitted_at: datetime
    program: str
    why: str
    basis: Basis
    fit: Fit
    calibration: Calibration
    differs: tuple[str, ...]


@dataclass(frozen=True)
class Choice:
    """The calibration that a run is made under (None: the fleet is calibrated anew), and why, a sentence."""

    kept: Kept | None
    why: str


def basis_of(h: Histories, readings: pl.DataFrame, as_of: date) -> Basis:
    """Say what a fit to these histories would rest on. readings: taken_at, as they were vetted."""
    day = readings["taken_at"].cast(pl.Date)
    first, last = (day.sort()[0], day.sort()[-1]) if readings.height else (None, None)
    return Basis(as_of, first, last, h.sites, h.electrodes, int(h.age.size))


def fit_of(fitted: Fitted, states: pl.Series) -> Fit:
    """Say how the readings of a site pass took its calibration; states: of its electrodes' outlook."""
    found, noise = fitted.found, fitted.prepared.noise_var
    read = fitted.histories.side == 0
    trust = np.where(read, 1.0 - found.wild_p, 0.0)
    squared = float((found.noise_sq / noise)[read].sum() / max(float(trust.sum()), 1.0))
    wild = float(fitted.wild_p[read].mean()) if read.any() else 0.0
    return Fit(squared, wild, float((states == "not_understood").sum()) / max(states.len(), 1))


def this_program() -> str:
    """Give the version of the program that fits."""
    try:
        return version("rodfleet")
    except PackageNotFoundError:
        return "not installed"


def keep_calibration(
    store: Store, cal: Calibration, basis: Basis, fit: Fit, fitted_at: datetime, why: str, facts: str = "{}"
) -> str:
    """Keep a calibration beside the earlier ones and return its name. facts: JSON of what people look at."""
    taken = kept_calibrations(store)["name"].to_list()
    name = f"c{1 + max((int(n[1:]) for n in taken if n[1:].isdigit()), default=0)}"
    row = {
        "name": name,
        "fitted_at": fitted_at.replace(tzinfo=None),
        "program": this_program(),
        "why": why,
        **vars(basis),
        **vars(fit),
        "content": as_text(cal),
        "facts": facts,
    }
    dates = {c: pl.Date() for c in ("as_of", "first_on", "last_on")}
    with store.lent("_calibration", pl.DataFrame([row], schema_overrides=dates)):
        store.run("keep_calibration")
    return name


def kept_calibrations(store: Store) -> pl.DataFrame:
    """List the calibrations that a run can be made under, the newest first."""
    return store.frame("kept_calibrations")


def read_kept(store: Store, which: str = LATEST) -> Kept | None:
    """Read a calibration by name, or the one fitted last; None where none is kept.

    Raises RequestError for a name that is not kept, WorkError for one that today's program can't read.
    """
    rows = kept_calibrations(store)
    if which != LATEST:
        check_name(rows, which)
        rows = rows.filter(pl.col("name") == which)
    if rows.is_empty():
        return None
    row = rows.row(0, named=True)
    try:
        return _kept(row)
    except ValueError as fault:
        raise WorkError(
            f"The calibration {row['name']} of {row['fitted_at']:%Y-%m-%d} is of an earlier program "
            f"({fault}); calibrate the fleet anew."
        ) from fault


def check_name(kept: pl.DataFrame, asked: str) -> None:
    """Raise RequestError, with the names that come near, where no calibration of that name is kept."""
    names = kept["name"].to_list()
    if asked in (LATEST, ANEW, *names):
        return
    near = difflib.get_close_matches(asked, [LATEST, ANEW, *names], n=3)
    hint = f" (did you mean {' or '.join(near)}?)" if near else ""
    there = f"there are {', '.join(names[:10])}" if names else "none is kept yet"
    raise RequestError(f"No calibration {asked!r} is kept{hint}; {there}.")


def read_calibration(store: Store, which: str = LATEST) -> Calibration | None:
    """Read a calibration by name, or the one fitted last; None where none is kept. Raises as read_kept."""
    kept = read_kept(store, which)
    return kept.calibration if kept else None


def _kept(row: dict[str, Any]) -> Kept:
    calibration, differs = from_text(row["content"], Calibration)
    return Kept(
        row["name"], row["fitted_at"], row["program"], row["why"],
        Basis(*(row[f] for f in Basis.__dataclass_fields__)),
        Fit(*(row[f] for f in Fit.__dataclass_fields__)),
        calibration, differs,
    )  # fmt: skip


def choose(store: Store, asked: str, basis: Basis, classes: Iterable[str], days: int) -> Choice:
    """Choose what a run is made under. asked: "latest" (while it holds), "new", or a kept one's name.

    classes: soil classes and materials of the fleet. days: age at which a calibration is refitted. Raises
    as read_kept.
    """
    if asked == ANEW:
        return Choice(None, "asked for")
    if asked != LATEST:
        return Choice(read_kept(store, asked), "asked for by name")
    rows = kept_calibrations(store)
    usable = rows.filter(pl.col("as_of") <= basis.as_of).sort("as_of", "fitted_at", descending=True)
    if usable.is_empty():
        none = f"those that are kept look from after {basis.as_of}" if rows.height else "none is kept yet"
        return Choice(None, none)
    name = usable["name"][0]
    try:
        kept = _kept(usable.row(0, named=True))
    except OtherShapeError as fault:
        return Choice(None, f"{name} is of an earlier program: {fault}")
    if outdated := next(_outdated(kept, basis, classes, days), ""):
        return Choice(None, f"{name} {outdated}")
    return Choice(kept, f"fitted {(basis.as_of - kept.basis.as_of).days} days before, and it still holds")


def _outdated(kept: Kept, basis: Basis, classes: Iterable[str], days: int) -> Iterator[str]:
    """Say why a kept calibration is not fit for a run, as far as can be told before anything is fitted."""
    then = kept.basis
    if kept.program != this_program():
        yield f"was fitted by version {kept.program}"
    if kept.differs:
        yield f"is of an earlier program ({', '.join(kept.differs)})"
    if not kept.calibration.converged:
        yield "did not converge"
    if (age := (basis.as_of - then.as_of).days) > days:
        yield f"is {age} days old, more than recalibrate_days = {days}"
    if unmet := sorted(set(classes) - {*kept.calibration.soils, *kept.calibration.materials}):
        yield f"has not met {', '.join(unmet)}"
    for what, now, was in (
        ("readings", basis.readings, then.readings),
        ("electrodes", basis.electrodes, then.electrodes),
    ):
        if abs(now - was) > GROWN_SHARE * max(was, 1):
            yield f"was fitted to {was:,} {what}, now there are {now:,}"


def fits_worse(kept: Kept, fit: Fit, basis: Basis) -> str:
    """Say in which way the readings take the calibration worse than when it was fitted; empty where not."""
    was, readings, electrodes = kept.fit, max(basis.readings, 1), max(basis.electrodes, 1)

    def error(share: float, count: int) -> float:
        return 3.0 * float(np.sqrt(max(share * (1.0 - share), 1.0 / count) / count))

    checks: Sequence[tuple[str, float, float, float]] = (
        ("squared noise of a reading", fit.squared_noise, was.squared_noise,
         was.squared_noise * (MORE_NOISE + 3.0 * float(np.sqrt(2.0 / readings)))),
        ("share of wild readings", fit.wild_share, was.wild_share,
         MORE_WILD + error(was.wild_share, readings)),
        ("share of electrodes not understood", fit.not_understood, was.not_understood,
         MORE_NOT_UNDERSTOOD + error(was.not_understood, electrodes)),
    )  # fmt: skip
    for what, now, before, room in checks:
        if now > before + room:
            return f"fits no more: {what} {now:.3f}, when it was fitted {before:.3f}"
    return ""


def oddities(kept: Kept, basis: Basis, worse: str) -> list[str]:
    """Say in sentences what speaks against a calibration that was asked for by name."""
    told = []
    if kept.basis.as_of > basis.as_of:
        told.append(f"it was fitted to readings up to {kept.basis.last_on}, later than this run looks from")
    if kept.differs:
        told.append(f"it is of an earlier program; at their defaults or left out: {', '.join(kept.differs)}")
    if worse:
        told.append(f"it {worse}")
    return [f"Calibration {kept.name} was asked for by name: {words}." for words in told]
