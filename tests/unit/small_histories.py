"""Histories of a few electrodes written out by hand, and a fitted fleet drawn from the model itself."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from models.calibration import Calibration, calibrate
from models.forecast import Fitted, fit_electrodes
from models.histories import ROUTINE, Floats, Histories, Ints
from tests.recovery.own_model import OwnTruth, draw_histories

LOG_DOUBLE = float(np.log(2.0))


def site_history(
    ages: Sequence[Sequence[float]],
    log_ohm: Sequence[Sequence[float]],
    visits: Sequence[float],
    visit: Sequence[Sequence[int]],
    side: Sequence[Sequence[int]] | None = None,
    kind: Sequence[Sequence[int]] | None = None,
    log_formula: float = 0.0,
    shifts: tuple[float, ...] = (),
) -> Histories:
    """Lay out one site: each electrode's ages, log readings and visit positions; visits in years."""
    n = [len(a) for a in ages]
    flat = [x for a in ages for x in a]
    at = np.array([x for v in visit for x in v], dtype=np.int64)
    N, M, V = len(n), len(flat), len(visits)
    when = np.array([*visits, 0.0])
    return Histories(
        site_start=np.array([0, N]),
        reading_start=np.concatenate([[0], np.cumsum(n)]).astype(np.int64),
        age=np.array(flat, dtype=float),
        log_ohm=np.array([x for y in log_ohm for x in y], dtype=float),
        side=np.array([x for s in side for x in s], np.int64) if side else np.zeros(M, np.int64),
        meter_var=np.full(M, 1e-4),
        year=when[at],
        kind=np.array([x for k in kind for x in k], np.int64) if kind else np.full(M, ROUTINE, np.int64),
        visit=at,
        visit_start=np.array([0, V]),
        visit_year=np.array(visits, dtype=float),
        visit_period=np.arange(V),
        periods=tuple(("north", k) for k in range(V)),
        log_formula=np.full(N, log_formula),
        survey_var=np.zeros(N),
        soil=("clay",) * N,
        material=("clad",) * N,
        raw=np.zeros(N, dtype=bool),
        shifts=(shifts,),
        age_now=np.array([max([*a, 20.0]) for a in ages]),
        electrode_id=tuple(f"e{i}" for i in range(N)),
        site_id=("s0",),
        row=np.arange(M),
    )


def together(parts: Sequence[Histories]) -> Histories:
    """Lay out several fleets of the same district-years as one, their sites one after the other."""

    def starts(name: str) -> Ints:
        counts = np.concatenate([np.diff(getattr(h, name)) for h in parts])
        return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)

    arrays = (
        "age", "log_ohm", "side", "meter_var", "year", "kind", "visit", "visit_year", "visit_period",
        "log_formula", "survey_var", "raw", "age_now", "row",
    )  # fmt: skip
    tuples = ("soil", "material", "shifts")
    return replace(
        parts[0],
        **{k: starts(k) for k in ("site_start", "reading_start", "visit_start")},
        **{k: np.concatenate([getattr(h, k) for h in parts]) for k in arrays},
        **{k: tuple(x for h in parts for x in getattr(h, k)) for k in tuples},
        electrode_id=tuple(f"{k}-{e}" for k, h in enumerate(parts) for e in h.electrode_id),
        site_id=tuple(f"{k}-{s}" for k, h in enumerate(parts) for s in h.site_id),
    )


def yearly(log_ohm: Sequence[float], first_age: float = 5.0, side: Sequence[int] | None = None) -> Histories:
    """Lay out one electrode read once a year."""
    n = len(log_ohm)
    ages = [first_age + k for k in range(n)]
    return site_history(
        [ages], [log_ohm], [2000.0 + a for a in ages], [range(n)], [side] if side is not None else None
    )


@cache
def own_fleet() -> tuple[Histories, OwnTruth]:
    """Draw the fleet that the slower tests share."""
    return draw_histories(np.random.default_rng(5), sites=24, rods=9, years=11)


@cache
def own_calibration() -> Calibration:
    """Calibrate the shared fleet once."""
    return calibrate(own_fleet()[0])


@cache
def own_fit() -> Fitted:
    """Fit the shared fleet once, at a doubling."""
    h = own_fleet()[0]
    threshold: Floats = np.full(h.electrodes, LOG_DOUBLE)
    return fit_electrodes(h, own_calibration(), threshold, np.random.default_rng(1))
