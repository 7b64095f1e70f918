"""The crews' clamp-on meters: range, accuracy, drift since the last calibration."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from synthetic_fleet.mechanisms import Mechanism
from synthetic_fleet.world import DISTRICTS, FIRST_YEAR, LAST_YEAR, Days, dates, day_of


@dataclass(frozen=True)
class Meters:
    """Hold two meters a district, the newer first; arrays have one entry a meter."""

    names: np.ndarray
    range_low_ohm: np.ndarray
    range_high_ohm: np.ndarray
    accuracy_pct: np.ndarray
    accuracy_ohm: np.ndarray
    error_pct_per_year: np.ndarray  # drift of the reading since the last calibration
    calibrated: list[Days]  # days of the calibrations, in order
    frequency_hz: np.ndarray

    def gain(self, meter: np.ndarray, day: Days) -> np.ndarray:
        """Return what each meter shows over what there is, from its drift on that day."""
        years = np.zeros(len(meter))
        for m in np.unique(meter):
            mine = meter == m
            before = np.searchsorted(self.calibrated[m], day[mine], side="right") - 1
            years[mine] = (day[mine] - self.calibrated[m][np.maximum(before, 0)]) / 365.25
        return 1.0 + self.error_pct_per_year[meter] / 100.0 * np.clip(years, 0.0, None)

    def show(self, rng: np.random.Generator, meter: np.ndarray, day: Days, ohm: np.ndarray) -> np.ndarray:
        """Return the value on the display: drift, accuracy (two standard deviations) and three digits."""
        spread = 0.5 * (self.accuracy_pct[meter] / 100.0 * ohm + self.accuracy_ohm[meter])
        shown = np.maximum(ohm * self.gain(meter, day) + rng.normal(size=len(ohm)) * spread, 0.01)
        step = 10.0 ** np.maximum(np.floor(np.log10(shown)) - 2, -2)
        return np.round(np.round(shown / step) * step, 2)

    def read(
        self, rng: np.random.Generator, meter: np.ndarray, day: Days, ohm: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return the value read, at the limit where out of range, and its mark: '', 'over' or 'under'."""
        shown = self.show(rng, meter, day, ohm)
        low, high = self.range_low_ohm[meter], self.range_high_ohm[meter]
        return np.clip(shown, low, high), np.where(shown > high, "over", np.where(shown < low, "under", ""))


def make_meters(rng: np.random.Generator, mechanism: Mechanism) -> Meters:
    """Buy and calibrate the meters; one in the fleet is forgotten by the laboratory."""
    n = 2 * len(DISTRICTS)
    newer = np.arange(n) % 2 == 0
    drift = rng.normal(0, 0.8, n) if mechanism.meter_drift else np.zeros(n)
    forgotten = 5
    if mechanism.meter_drift:
        drift[forgotten] = 1.8
    calibrated = []
    for m in range(n):
        gap = 1 if newer[m] else 2
        years = np.arange(FIRST_YEAR - 1, (2013 if m == forgotten else LAST_YEAR) + 1, gap)
        calibrated.append(day_of(years, np.sort(rng.integers(20, 90, len(years)))))
    return Meters(
        names=np.array([f"{'K' if newer[m] else 'J'}{101 + 7 * m}" for m in range(n)]),
        range_low_ohm=np.where(newer, 0.05, 0.8),
        range_high_ohm=np.where(newer, 1500.0, 500.0),
        accuracy_pct=np.where(newer, 1.5, 3.0),
        accuracy_ohm=np.where(newer, 0.05, 0.2),
        error_pct_per_year=drift,
        calibrated=calibrated,
        frequency_hz=np.where(newer, 2083.0, 1667.0),
    )


def instrument_table(meters: Meters) -> pl.DataFrame:
    """Write the contract's instruments: a row for each calibration, with what was found before adjusting."""
    frames = []
    for m, days in enumerate(meters.calibrated):
        gap = np.r_[np.nan, np.diff(days) / 365.25]
        due = 366 if meters.range_high_ohm[m] > 1000 else 731
        frames.append(
            pl.DataFrame(
                {
                    "instrument_id": [str(meters.names[m])] * len(days),
                    "calibrated_on": dates(days),
                    "calibration_due_on": dates(days + due),
                    "range_low_ohm": meters.range_low_ohm[m],
                    "range_high_ohm": meters.range_high_ohm[m],
                    "accuracy_pct": meters.accuracy_pct[m],
                    "accuracy_ohm": meters.accuracy_ohm[m],
                    "as_found_error_pct": np.round(meters.error_pct_per_year[m] * gap, 2),
                    "test_frequency_hz": meters.frequency_hz[m],
                }
            )
        )
    return pl.concat(frames).with_columns(pl.col("as_found_error_pct").fill_nan(None))
