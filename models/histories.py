"""The readings of many electrodes as flat arrays."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ROUTINE, AS_INSTALLED, ISOLATED = 0, 1, 2
DAYS_A_YEAR = 365.25


@dataclass(frozen=True)
class Histories:
    """Readings of N electrodes at S sites, electrodes sorted by site, readings by electrode and age.

    site_start: (S+1,) first electrode of each site. reading_start: (N+1,) first reading of each electrode.
    age: (M,) years since installation. log_ohm: (M,) natural log of the reading (of the limit where out of
    range), the rest of the loop taken off where it is known. side: (M,) +1 over range, -1 under, 0 read.
    meter_var: (M,) variance of the log from the meter's accuracy. year: (M,) decimal calendar year. kind:
    (M,) routine, as installed, or installed and not yet tied in. visit: (M,) index of the visit within its
    site, -1 outside any. visit_start: (S+1,); visit_year: (V,) decimal year of each visit; visit_period: (V,)
    index of its district-year. log_formula: (N,) log of the rod formula's resistance. survey_var: (N,)
    variance of the log of what the formula was fed with beyond what the fleet's site spread covers. soil,
    material: (N,) class indices. raw: (N,) true where the ratio is of the raw loop. shifts: (S,) years of
    known lasting shifts of the site. age_now: (N,) years at as_of. electrode_id, site_id: names. row: (M,)
    the row_id of each reading, -1 for as-installed values. weather: (M, 4) what the ground was like beyond
    the district's usual for the month (weather.ground_at_readings), or none where nothing is known. ground:
    (S, P) what surveys measured at each site (covariates.COVARIATES), nan where not known, or none. remade,
    surges: (N,) ages, years, at which an electrode's connection was remade, or a surge is on record.
    """

    site_start: Ints
    reading_start: Ints
    age: Floats
    log_ohm: Floats
    side: npt.NDArray[np.int64]
    meter_var: Floats
    year: Floats
    kind: Ints
    visit: Ints
    visit_start: Ints
    visit_year: Floats
    visit_period: Ints
    periods: tuple[tuple[str, int], ...]
    log_formula: Floats
    survey_var: Floats
    soil: tuple[str, ...]
    material: tuple[str, ...]
    raw: npt.NDArray[np.bool_]
    shifts: tuple[tuple[float, ...], ...]
    age_now: Floats
    electrode_id: tuple[str, ...]
    site_id: tuple[str, ...]
    row: Ints
    weather: Floats | None = None
    ground: Floats | None = None
    remade: tuple[tuple[float, ...], ...] = ()
    surges: tuple[tuple[float, ...], ...] = ()

    def __post_init__(self) -> None:
        for name in ("remade", "surges"):
            known = getattr(self, name)
            if not any(known):  # nothing on record of anybody
                object.__setattr__(self, name, ((),) * self.electrodes)
            elif len(known) != self.electrodes:
                raise ValueError(f"{name} of {len(known)} electrodes, not {self.electrodes}")

    @property
    def electrodes(self) -> int:
        """Count of electrodes."""
        return self.reading_start.size - 1

    @property
    def sites(self) -> int:
        """Count of sites."""
        return self.site_start.size - 1

    @property
    def electrode_site(self) -> Ints:
        """(N,) site index of each electrode."""
        return np.repeat(np.arange(self.sites), np.diff(self.site_start))

    @property
    def reading_electrode(self) -> Ints:
        """(M,) electrode index of each reading."""
        return np.repeat(np.arange(self.electrodes), np.diff(self.reading_start))

    @property
    def reading_period(self) -> Ints:
        """(M,) district-year of each reading, -1 outside any visit."""
        if self.visit_period.size == 0:
            return np.full(self.age.size, -1, dtype=np.int64)
        first = self.visit_start[self.electrode_site[self.reading_electrode]]
        at = np.where(self.visit >= 0, first + self.visit, 0)
        return np.where(self.visit >= 0, self.visit_period[at], -1)

    def only_readings(self, keep: npt.NDArray[np.bool_]) -> "Histories":
        """Return the histories with some readings (M,) only; electrodes, sites and visits stay."""
        start = np.concatenate([[0], np.cumsum(keep)])[self.reading_start]
        names = ("age", "log_ohm", "side", "meter_var", "year", "kind", "visit", "row")
        return replace(
            self,
            reading_start=start.astype(np.int64),
            **{k: getattr(self, k)[keep] for k in names},
            weather=None if self.weather is None else self.weather[keep],
        )

    def sample_sites(self, keep: Ints) -> "Histories":
        """Return the histories of some sites only (indices, increasing)."""

        def joined(parts: list[Ints]) -> Ints:
            return np.concatenate([np.zeros(0, dtype=np.int64), *parts])

        electrodes = joined([np.arange(self.site_start[s], self.site_start[s + 1]) for s in keep])
        readings = joined([np.arange(self.reading_start[e], self.reading_start[e + 1]) for e in electrodes])
        visits = joined([np.arange(self.visit_start[s], self.visit_start[s + 1]) for s in keep])

        def starts(counts: Ints) -> Ints:
            return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)

        return replace(
            self,
            site_start=starts(np.diff(self.site_start)[keep]),
            reading_start=starts(np.diff(self.reading_start)[electrodes]),
            visit_start=starts(np.diff(self.visit_start)[keep]),
            **{k: getattr(self, k)[readings] for k in (
                "age", "log_ohm", "side", "meter_var", "year", "kind", "visit", "row")},
            **{k: getattr(self, k)[electrodes] for k in ("log_formula", "survey_var", "raw", "age_now")},
            **{k: getattr(self, k)[visits] for k in ("visit_year", "visit_period")},
            weather=None if self.weather is None else self.weather[readings],
            ground=None if self.ground is None else self.ground[keep],
            soil=tuple(self.soil[e] for e in electrodes),
            material=tuple(self.material[e] for e in electrodes),
            electrode_id=tuple(self.electrode_id[e] for e in electrodes),
            remade=tuple(self.remade[e] for e in electrodes),
            surges=tuple(self.surges[e] for e in electrodes),
            shifts=tuple(self.shifts[s] for s in keep),
            site_id=tuple(self.site_id[s] for s in keep),
        )  # fmt: skip


def harmonics(year: Floats, count: int = 2) -> Floats:
    """Return (..., 2 count): cosines, then sines, of one to count cycles a year at decimal years."""
    angle = 2.0 * np.pi * year[..., None] * np.arange(1, count + 1)
    return np.concatenate([np.cos(angle), np.sin(angle)], axis=-1)
