"""What readings share beyond electrode and site: offsets, season, weather and the district's year.

All of it is linear in the log reading. With baselines and site fields integrated out, what the readings say
about it is a quadratic (information and pull), from which the season's shape, the step of the search, the
spread of district-years and the uncertainty of each follow without seeing a reading again.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from models.histories import ISOLATED, ROUTINE, Floats, Histories, Ints, harmonics
from models.season import MOST_HARMONICS, Linear, SeasonLayout
from models.weather import WEATHER

# Columns of FixedTerms.values.
_ONE, _BASE, _WAVES = 0, 4, 2 * MOST_HARMONICS
_WAVE_NAMES = tuple(f"{f}{k}" for f in ("cos", "sin") for k in range(1, MOST_HARMONICS + 1))
# Prior standard deviations of ln R (common practice, no source), in the order of names: intercept, settling,
# isolated, loop_raw; offset of a class; a degree C, frozen topsoil, ln of rain short of the usual.
_BASE_SD = (1.0, 0.1, 0.3, 0.5)
_OFFSET_SD = 0.15
_WEATHER_SD = (0.02, 0.5, 0.1, 0.2)


@dataclass(frozen=True)
class FixedTerms:
    """Design of what the whole fleet, a class or a district shares, in short form.

    A reading's row of the design has a few values only, each of which may speak for coefficients of the
    fleet, of its class and of its district. values: (M, U). place: (M,) which pair of class and district, an
    index into spread_to (L, U, P), 1 where value u of a reading at place l is multiplied by coefficient p.
    names: P. layout: their prior spreads. season: (P,) true for season and weather.
    """

    values: Floats
    place: Ints
    spread_to: Floats
    names: tuple[str, ...]
    layout: SeasonLayout
    season: npt.NDArray[np.bool_]

    def times(self, coefficients: Floats) -> Floats:
        """Return (M,) the design times coefficients (P,)."""
        return np.asarray(np.einsum("mu,mu->m", self.values, (self.spread_to @ coefficients)[self.place]))

    def season_part(self, coefficients: Floats) -> Floats:
        """Return (M,) what season and weather add to each log reading."""
        return self.times(np.where(self.season, coefficients, 0.0))

    def transposed_times(self, each: Floats) -> Floats:
        """Return (P,) the transposed design times a value for each reading (M,)."""
        L, U, _ = self.spread_to.shape
        total = np.stack(
            [np.bincount(self.place, self.values[:, u] * each, minlength=L) for u in range(U)], axis=1
        )
        return np.asarray(np.einsum("lu,lup->p", total, self.spread_to))

    def rows(self, index: Ints) -> Floats:
        """Return (n, P) the full rows of some readings."""
        return np.asarray(np.einsum("mu,mup->mp", self.values[index], self.spread_to[self.place[index]]))


def districts_of(h: Histories) -> tuple[str, ...]:
    """Return the districts whose years are told apart, sorted."""
    return tuple(sorted({d for d, _ in h.periods}))


def _reading_district(h: Histories, districts: tuple[str, ...]) -> Ints:
    """Return (M,) index of each reading's district, the last index + 1 for none (outside any visit)."""
    of_period = np.array([districts.index(d) for d, _ in h.periods] + [len(districts)], dtype=np.int64)
    return np.asarray(of_period[h.reading_period])


def fixed_terms(h: Histories, soils: tuple[str, ...], districts: tuple[str, ...]) -> FixedTerms:
    """Lay out intercept, settling, isolated and raw-loop offsets, class offsets, season and weather.

    Class offsets are shrunk hard (sd 0.15): free ones let a class long past threshold hide its corrosion in
    its baseline. Soil around a new rod settles: readings fall a little over the first year. The season has a
    wave of the fleet, one of the class and one of the district: a site that is always read in August borrows
    its season from them.
    """
    of = h.reading_electrode
    index = {s: c for c, s in enumerate(soils)}
    cls = np.array([index[s] for s in h.soil], dtype=np.int64)[of]
    D = len(districts)
    routine = (h.kind == ROUTINE).astype(float)[:, None]
    ground = np.zeros((of.size, len(WEATHER))) if h.weather is None else h.weather
    values = np.concatenate(
        [
            np.ones((of.size, 1)),
            np.exp(-h.age / 0.5)[:, None],
            (h.kind == ISOLATED).astype(float)[:, None],
            h.raw[of].astype(float)[:, None],
            harmonics(h.year, MOST_HARMONICS) * routine,
            ground * routine,
        ],
        axis=1,
    )
    names = (
        "intercept", "settling", "isolated", "loop_raw", *[f"offset_{s}" for s in soils],
        *[f"season_{t}" for t in _WAVE_NAMES], *[f"season_{t}_{s}" for t in _WAVE_NAMES for s in soils],
        *[f"season_{t}_in_{d}" for t in _WAVE_NAMES for d in districts], *[f"season_{t}" for t in WEATHER],
    )  # fmt: skip
    return FixedTerms(
        values,
        cls * (D + 1) + _reading_district(h, districts),
        _spread_to(len(soils), D, values.shape[1], len(names)),
        names,
        _layout(len(soils), D),
        np.array([n.startswith("season_") for n in names]),
    )


def _spread_to(C: int, D: int, U: int, P: int) -> Floats:
    out = np.zeros((C, D + 1, U, P))
    for u in range(_BASE):
        out[:, :, u, u] = 1.0
    wave = _BASE + C
    weather = wave + _WAVES * (1 + C + D)
    for c in range(C):
        out[c, :, _ONE, _BASE + c] = 1.0
    for k in range(_WAVES):
        out[:, :, _BASE + k, wave + k] = 1.0
        for c in range(C):
            out[c, :, _BASE + k, wave + _WAVES + k * C + c] = 1.0
        for d in range(D):
            out[:, d, _BASE + k, wave + _WAVES * (1 + C) + k * D + d] = 1.0
    for k in range(len(WEATHER)):
        out[:, :, _BASE + _WAVES + k, weather + k] = 1.0
    return out.reshape(C * (D + 1), U, P)


def _layout(C: int, D: int) -> SeasonLayout:
    harmonic = np.tile(np.arange(1, MOST_HARMONICS + 1), 2)
    waves = np.concatenate([harmonic, np.repeat(harmonic, C), np.repeat(harmonic, D)])
    level = np.repeat([1, 2, 3], [_WAVES, _WAVES * C, _WAVES * D])
    head, tail = np.zeros(_BASE + C, dtype=np.int64), np.zeros(len(WEATHER), dtype=np.int64)
    prior = np.concatenate([_BASE_SD, np.full(C, _OFFSET_SD), np.zeros(waves.size), _WEATHER_SD])
    return SeasonLayout(prior, np.concatenate([head, level, tail]), np.concatenate([head, waves, tail]))


@dataclass(frozen=True)
class SharedInformation:
    """What readings say about fixed terms (P) and district-years (Q), baselines and fields integrated out.

    fixed: (P, P), cross: (P, Q), period: (Q, Q) information. pull_fixed: (P,), pull_period: (Q,).
    """

    fixed: Floats
    cross: Floats
    period: Floats
    pull_fixed: Floats
    pull_period: Floats

    def left(self, period_sd: float) -> "PeriodsOut":
        """Integrate the district-years out under N(0, period_sd^2)."""
        Q = self.pull_period.size
        cov = np.asarray(np.linalg.inv(self.period + np.eye(Q) / period_sd**2), dtype=np.float64)
        weigh = self.cross @ cov
        part = Linear(self.fixed - weigh @ self.cross.T, self.pull_fixed - weigh @ self.pull_period)
        return PeriodsOut(self, part, cov)


@dataclass(frozen=True)
class PeriodsOut:
    """The linear part with the district-years integrated out, and the way back to them."""

    whole: SharedInformation
    linear: Linear
    cov: Floats

    def periods(self, fixed: Floats, fixed_cov: Floats) -> tuple[Floats, Floats]:
        """Return posterior means (Q,) and variances (Q,) of the district-years."""
        mean = self.cov @ (self.whole.pull_period - self.whole.cross.T @ fixed)
        back = self.cov @ self.whole.cross.T
        var = np.diag(self.cov) + np.einsum("qp,pr,qr->q", back, fixed_cov, back)
        return np.asarray(mean), np.asarray(var)

    @cached_property
    def seen(self) -> npt.NDArray[np.bool_]:
        """(Q,) true for district-years in which anything was read."""
        return np.asarray(np.diag(self.whole.period) > 0.0)


def shared_information(
    h: Histories,
    terms: FixedTerms,
    weight: Floats,
    rod_var: Floats,
    prior_precision: list[Floats],
    fixed: Floats,
    period: Floats,
    score: Floats,
) -> SharedInformation:
    """Sum information and pull over the sites.

    weight: (M,) precision of each reading, 0 for those out of range. rod_var: (N,). prior_precision: of each
    site's field, (1+T, 1+T). fixed (P,), period (Q,): where the score (M,), the derivative of the
    log-likelihood by each reading's mean, was taken.
    """
    P, Q, U = len(terms.names), len(h.periods), terms.values.shape[1]
    by_places: dict[tuple[int, ...], tuple[Floats, Floats]] = {}
    info_period = np.zeros((Q, Q))
    electrode = h.reading_electrode
    for s in range(h.sites):
        span = slice(int(h.reading_start[h.site_start[s]]), int(h.reading_start[h.site_start[s + 1]]))
        if span.start == span.stop:
            continue
        own = electrode[span] - h.site_start[s]
        here = terms.place[span]
        places = tuple(int(q) for q in np.unique(here))
        values = np.concatenate([terms.values[span] * (here == q)[:, None] for q in places], axis=1)
        info = _site_information(
            values, h.visit[span], own, weight[span], rod_var[h.site_start[s] : h.site_start[s + 1]],
            prior_precision[s],
        )  # fmt: skip
        at = h.visit_period[h.visit_start[s] : h.visit_start[s + 1]]
        n = U * len(places)
        fisher, cross = by_places.setdefault(places, (np.zeros((n, n)), np.zeros((n, Q))))
        fisher += info[:n, :n]
        np.add.at(cross.T, at, info[n:, :n])
        np.add.at(info_period, (at[:, None], at[None, :]), info[n:, n:])
    info_fixed, info_cross = np.zeros((P, P)), np.zeros((P, Q))
    for places, (fisher, cross) in by_places.items():
        to = np.concatenate([terms.spread_to[q] for q in places])
        info_fixed += to.T @ fisher @ to
        info_cross += to.T @ cross
    of_period = h.reading_period
    pull_period = np.bincount(of_period[of_period >= 0], score[of_period >= 0], minlength=Q)[:Q]
    return SharedInformation(
        info_fixed,
        info_cross,
        info_period,
        terms.transposed_times(score) + info_fixed @ fixed + info_cross @ period,
        pull_period + info_cross.T @ fixed + info_period @ period,
    )


def _site_information(
    values: Floats, visit: Ints, electrode: Ints, weight: Floats, rod_var: Floats, prior_precision: Floats
) -> Floats:
    """Return X' W X of one site, X its values and visits (n+T), baselines and the field integrated out."""
    n, D = values.shape[1], prior_precision.shape[0]
    X = np.zeros((visit.size, n + D))
    X[:, :n] = values
    X[:, n] = 1.0
    seen = np.flatnonzero(visit >= 0)
    X[seen, n + 1 + visit[seen]] = 1.0
    weighed = X * weight[:, None]
    of = (electrode[:, None] == np.arange(rod_var.size)).astype(float)
    by_rod = of.T @ weighed
    shrink = rod_var / (1.0 + rod_var * (of.T @ weight))
    info = X.T @ weighed - (by_rod * shrink[:, None]).T @ by_rod
    field = info[:, n:]
    info = info - field @ np.linalg.solve(prior_precision + field[n:], field.T)
    keep = np.delete(np.arange(n + D), n)
    return np.asarray(info[np.ix_(keep, keep)])


def leftover_covariance(
    h: Histories, terms: FixedTerms, cov: Floats, period_var: Floats
) -> Callable[[int], Floats]:
    """Return a function that gives what is not known of season and district-year at the visits of site s.

    (T, T), as it stands between the visits. cov: (P, P) of the fixed terms. period_var: (Q,) of the
    district-years. What all electrodes of a visit share is the visit's, not each reading's own: added to the
    readings one by one it would be averaged away.
    """
    at = np.flatnonzero(h.visit >= 0)
    visit = h.visit_start[h.electrode_site[h.reading_electrode[at]]] + h.visit[at]
    one_of = np.full(h.visit_year.size, -1, dtype=np.int64)
    one_of[visit] = at
    on = np.flatnonzero(terms.season & (np.diag(cov) > 0.0))
    cov_on = cov[np.ix_(on, on)]

    def of_site(s: int) -> Floats:
        v = slice(int(h.visit_start[s]), int(h.visit_start[s + 1]))
        read = one_of[v] >= 0
        rows = np.zeros((read.size, on.size))
        rows[read] = terms.rows(one_of[v][read])[:, on]
        period = h.visit_period[v]
        same = period[:, None] == period[None, :]
        return np.asarray(rows @ cov_on @ rows.T + same * period_var[period][:, None])

    return of_site
