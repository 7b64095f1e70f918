"""Sudden breaks planted in ordinary histories: when they are suspected, when confirmed, how often wrongly.

A fleet without breaks is drawn from the model. In each site one electrode parts and stays parted (15 ohm to
50), and one gets a single wild reading of the same size. A calibration fitted to another fleet of the same
kind judges each year's histories with what was known by then.

Run as `make breaks`, or `python -m tests.recovery.breaks_found --sites 60`.
"""

import argparse
import time
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import numpy.typing as npt

from models.calibration import Calibration, calibrate
from models.forecast import fit_electrodes, levels, outlook_frame
from models.histories import ROUTINE, Histories, Ints
from pipeline.engine import one_blas_thread, over_threads
from tests.recovery.own_model import NOW, Plan, draw_fleet, known_by, known_calibration

Floats = npt.NDArray[np.float64]

STEP = float(np.log(50.0 / 15.0))
YEARS = 12
EARLIEST = 3  # visits of an electrode before its break: ordinary histories, not first readings
LOG_DOUBLE = float(np.log(2.0))


@dataclass(frozen=True)
class Planted:
    """Electrodes that part (B,) and from which visit; electrodes with one wild reading (W,) and its visit."""

    histories: Histories
    parted: Ints
    parted_at: Ints
    wild: Ints
    wild_at: Ints


def plant(cal: Calibration, rng: np.random.Generator, sites: int) -> Planted:
    """Draw a fleet without breaks and plant one break and one wild reading in each of its sites."""
    sound = replace(cal, steps=replace(cal.steps, break_rate=0.0))
    h, _ = draw_fleet(
        sound, rng, Plan(sites=sites, rods=(6, 6), years=(YEARS, YEARS), built_years=(16.0, 45.0))
    )
    first = h.site_start[:-1]
    parted, wild = first + rng.integers(0, 3, sites), first + 3 + rng.integers(0, 3, sites)
    at, wild_at = rng.integers(EARLIEST, YEARS - 1, sites), rng.integers(EARLIEST, YEARS - 1, sites)
    of, routine = h.reading_electrode, h.kind == ROUTINE
    up = np.zeros(h.age.size)
    for i, v in zip(parted, at, strict=True):
        up[(of == i) & routine & (h.visit >= v)] = STEP
    for i, v in zip(wild, wild_at, strict=True):
        up[(of == i) & routine & (h.visit == v)] = STEP
    return Planted(replace(h, log_ohm=h.log_ohm + up), parted, at, wild, wild_at)


def states_by_visit(p: Planted, cal: Calibration) -> npt.NDArray[np.str_]:
    """Return (YEARS, N) the state of every electrode after each visit, judged with what was known then."""
    out = []
    for year in range(YEARS):
        # a site's visit of a year lies inside that calendar year
        h = known_by(p.histories, NOW - YEARS + year + 1.0)
        fit = fit_electrodes(
            h, cal, np.full(h.electrodes, LOG_DOUBLE), np.random.default_rng(year), over_threads()
        )
        level = levels(fit, np.random.default_rng(year), points=2, each=over_threads())
        out.append(outlook_frame(fit, level, date(2026, 1, 1))["break_state"].to_numpy().astype(str))
    return np.array(out)


@dataclass(frozen=True)
class Found:
    """What became of the planted ones, and of the others.

    suspected_at_once, confirmed_at_second: shares of the breaks. parted: count of breaks. false: sound
    electrodes confirmed as broken at any visit; electrode_years of the sound. suspected_wrongly: sound
    electrodes under suspicion, share of electrode-visits. wild: count; wild_confirmed: of those, ever.
    """

    parted: int
    suspected_at_once: float
    confirmed_at_second: float
    false: int
    electrode_years: int
    suspected_wrongly: float
    wild: int
    wild_confirmed: int


def count(p: Planted, states: npt.NDArray[np.str_]) -> Found:
    """Count what was called when."""
    sound = np.setdiff1d(np.arange(p.histories.electrodes), np.r_[p.parted, p.wild])
    confirmed = (states == "confirmed").any(axis=0)
    return Found(
        p.parted.size,
        float((states[p.parted_at, p.parted] != "none").mean()),
        float((states[p.parted_at + 1, p.parted] == "confirmed").mean()),
        int(confirmed[sound].sum()),
        YEARS * sound.size,
        float((states[:, sound] != "none").mean()),
        p.wild.size,
        int(confirmed[p.wild].sum()),
    )


def report(found: Found) -> list[str]:
    """Say what was found beside what has to be reached."""

    def met(good: bool) -> str:
        return "met" if good else "MISSED"

    rate = 1000.0 * found.false / found.electrode_years
    return [
        f"{found.parted} breaks of 15 to 50 ohm, {found.wild} single wild readings of that size, "
        f"{found.electrode_years} sound electrode-years; judged after each of {YEARS} visits",
        f"  suspected at the first reading  {found.suspected_at_once:.3f}  (0.95)  "
        + met(found.suspected_at_once >= 0.95),
        f"  confirmed at the second         {found.confirmed_at_second:.3f}",
        f"  confirmed wrongly, in 1,000 electrode-years  {rate:.2f}  ({found.false} electrodes; under 1)  "
        + met(rate < 1.0),
        f"  wild readings ever confirmed    {found.wild_confirmed}  (never)  "
        + met(not found.wild_confirmed),
        f"  sound electrodes under suspicion {found.suspected_wrongly:.4f} of electrode-visits",
    ]


def main() -> None:
    """Print when planted breaks were found."""
    ask = argparse.ArgumentParser(prog="python -m tests.recovery.breaks_found", description=__doc__)
    ask.add_argument("--sites", type=int, default=150)
    ask.add_argument("--seed", type=int, default=1)
    given = ask.parse_args()
    start = time.monotonic()
    truth = known_calibration()
    rng = np.random.default_rng(given.seed)
    with one_blas_thread():
        other, _ = draw_fleet(truth, rng, Plan(sites=60, rods=(4, 8), years=(YEARS, YEARS)))
        cal = calibrate(other, over_threads())
        planted = plant(truth, rng, given.sites)
        print("\n".join(report(count(planted, states_by_visit(planted, cal)))))
    print(f"  {time.monotonic() - start:.0f} s")


if __name__ == "__main__":
    main()
