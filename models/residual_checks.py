"""What the model leaves over: shifts and scatter of the residuals by month, campaign, meter, method and age.

The residual of a reading is its leave-one-out score: how far it lies from what the electrode's other readings
and the site's *other* electrodes say, in units that sum to the score of a shift (Fisher's identity). A
group's shift is tested by that score (Rao 1948), its variance taken over sites, so that one odd site proves
nothing; a visit effect that would swallow a meter's shift does not hide it, as the visit is weighed in the
information, not taken off.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import norm
from scipy.stats import t as student
from statsmodels.stats.multitest import multipletests

from models.forecast import Fitted
from models.histories import ROUTINE, Floats, Ints

LEAST_SITES = 6  # fewer tell nothing of their spread
LEAST_READINGS = 12
LEVEL = 0.01  # of the adjusted p-value at which a group is named
LEAST_SHIFT, LEAST_SCATTER = 0.02, 1.15  # smaller ones move no decision (common practice, no source)
_MOST_SQUARE = 25.0  # a reading five times its noise off counts no more: it is told as wild
_AGES = (0, 5, 10, 15, 20, 25, 30, 40, 50, 60)
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_SEASONS = ("Jan-Mar", "Apr-Jun", "Jul-Sep", "Oct-Dec")

RESIDUAL_CHECKS = {
    "by": pl.String,
    "group": pl.String,
    "place": pl.Int64,
    "readings": pl.Int64,
    "sites": pl.Int64,
    "shift_pct": pl.Float64,
    "shift_low_pct": pl.Float64,
    "shift_high_pct": pl.Float64,
    "scatter": pl.Float64,
    "p_shift": pl.Float64,
    "p_scatter": pl.Float64,
    "share": pl.Float64,
    "flagged": pl.Boolean,
    "reason": pl.String,
}


@dataclass(frozen=True)
class Residuals:
    """Residuals of all readings, (M,) each.

    score: leave-one-out score. z: the same over its standard deviation; nan where wild or out of range.
    square: expected squared noise over what the class's noise should be, 1 on average.
    """

    score: Floats
    z: Floats
    square: Floats


def noise_expected(fit: Fitted) -> tuple[Floats, Floats]:
    """Return (M,) noise variances: with each electrode's own scale, and as its class has it on average."""
    h, p = fit.histories, fit.prepared
    factor, log_weight = p.scale
    own = (fit.found.scale_weight @ factor**2)[h.reading_electrode]
    usual = float(np.exp(log_weight) @ factor**2)
    return p.noise_var * own + h.meter_var, p.noise_var * usual + h.meter_var


def residuals(fit: Fitted) -> Residuals:
    """Work out the residuals from what the site pass has left (its scores and squared noises)."""
    h, found = fit.histories, fit.found
    own, usual = noise_expected(fit)
    sound = np.maximum(1.0 - found.wild_p, 1e-3)
    mean = own * found.noise_score
    square = found.noise_sq / sound * own / fit.prepared.noise_var
    known = own - np.maximum(square - mean**2, 0.0)
    # A reading that the rest forecasts ten times worse than the meter reads is no test of anything.
    used = (h.side == 0) & (found.wild_p < 0.5) & (known > 0.1 * own)
    z = np.where(used, mean / np.sqrt(np.where(used, known, 1.0)), np.nan)
    return Residuals(found.noise_score, z, np.where(used, square / usual, np.nan))


@dataclass(frozen=True)
class Grouping:
    """One way of grouping readings: its name, the groups' names in order, and (M,) each reading's group."""

    by: str
    names: tuple[str, ...]
    of: Ints


def groupings(fit: Fitted, meter: Sequence[str | None], method: Sequence[str | None]) -> list[Grouping]:
    """Group the routine readings; meter, method: (M,) names, None where not known."""
    h = fit.histories
    routine = h.kind == ROUTINE
    month = np.minimum((h.year % 1.0 * 12.0).astype(np.int64), 11)
    age = np.searchsorted(_AGES, h.age, side="right") - 1
    ages = tuple(
        f"{a}-{b} years" if b else f"over {a} years" for a, b in zip(_AGES, (*_AGES[1:], None), strict=True)
    )
    campaigns = tuple(f"{district or 'no district'} {year}" for district, year in h.periods)
    meters = _named("meter", meter, routine)
    season = np.minimum(month // 3, 3)
    return [
        Grouping("month", _MONTHS, np.where(routine, month, -1)),
        Grouping("campaign", campaigns, np.where(routine, h.reading_period, -1)),
        meters,
        Grouping(
            "meter_season",
            tuple(f"{m}, {s}" for m in meters.names for s in _SEASONS),
            np.where(meters.of >= 0, meters.of * 4 + season, -1),
        ),
        _named("method", method, routine),
        Grouping("age", ages, np.where(routine, age, -1)),
    ]


def _named(by: str, name: Sequence[str | None], routine: npt.NDArray[np.bool_]) -> Grouping:
    names = tuple(sorted({n for n in name if n}))
    index: Mapping[str | None, int] = {n: k for k, n in enumerate(names)}
    of = np.array([index.get(n, -1) for n in name], dtype=np.int64)
    return Grouping(by, names, np.where(routine, of, -1))


def _information(fit: Fitted, own: Floats, s: int, rows: Ints, group: Ints) -> tuple[Ints, Floats]:
    """Return the groups that a site's readings belong to (J,) and the information about a shift of each (J,).

    rows: (n,) the site's readings in range, group: (n, B) their groups, -1 none. It is x' P x with P the
    precision of the readings, baselines and field integrated out (Woodbury's identity). The curves are held,
    so that a shift is told rather too small than too large.
    """
    h, prior = fit.histories, fit.prepared.prior_precision[s]
    present = np.unique(group[group >= 0])
    X = (group[:, :, None] == present).any(axis=1).astype(float)
    H = np.zeros((rows.size, prior.shape[0]))
    H[:, 0] = 1.0
    seen = np.flatnonzero(h.visit[rows] >= 0)
    H[seen, h.visit[rows][seen] + 1] = 1.0
    e = h.reading_electrode[rows] - h.site_start[s]
    w = 1.0 / own[rows]
    rod = 1.0 / fit.prepared.rod_var[h.site_start[s] : h.site_start[s + 1]]
    one = (e == np.arange(rod.size)[:, None]).astype(float) * w
    both = np.concatenate([X, H], axis=1)
    weighed = w[:, None] * both - (one / (rod + one.sum(axis=1))[:, None]).T @ (one @ both)
    KX, KH = weighed[:, : present.size], weighed[:, present.size :]
    cross = H.T @ KX
    swallowed = np.linalg.solve(prior + H.T @ KH, cross)
    return present, np.maximum((X * KX).sum(axis=0) - (cross * swallowed).sum(axis=0), 1e-12)


@dataclass(frozen=True)
class _Pairs:
    """Sums by site and group where they meet, (J,) each; used counts readings."""

    group: Ints
    score: Floats
    information: Floats
    excess: Floats
    used: Floats


def _pairs(fit: Fitted, res: Residuals, group: Ints, sites: Ints) -> _Pairs:
    h = fit.histories
    own, _ = noise_expected(fit)
    parts: list[tuple[Floats, ...]] = []
    for s in sites:
        rows = np.arange(h.reading_start[h.site_start[s]], h.reading_start[h.site_start[s + 1]])
        rows = rows[(h.side[rows] == 0) & np.isfinite(res.z[rows])]
        if not rows.size or (group[rows] < 0).all():
            continue
        present, information = _information(fit, own, int(s), rows, group[rows])
        member = (group[rows][:, :, None] == present).any(axis=1).astype(float)
        excess = np.minimum(res.square[rows], _MOST_SQUARE) - 1.0
        parts.append((
            present.astype(float), res.score[rows] @ member, information, excess @ member, member.sum(axis=0)
        ))  # fmt: skip
    joined = [np.concatenate([p[k] for p in parts]) if parts else np.zeros(0) for k in range(5)]
    return _Pairs(joined[0].astype(np.int64), *joined[1:])


def _clustered(total: Floats, square: Floats, sites: Ints) -> Floats:
    """Return (G,) two-sided p-values of sums over sites being zero, nan where there are too few sites."""
    spread = np.sqrt(np.maximum(square - total**2 / np.maximum(sites, 1), 1e-300))
    spread = np.maximum(spread * np.sqrt(sites / np.maximum(sites - 1, 1)), 1e-150)
    p = 2.0 * student.sf(np.abs(total) / spread, np.maximum(sites - 1, 1))
    return np.where(sites >= LEAST_SITES, p, np.nan)


def residual_checks(
    fit: Fitted,
    meter: Sequence[str | None],
    method: Sequence[str | None],
    most_sites: int = 2000,
) -> pl.DataFrame:
    """Return residual_checks: shift and scatter of the residuals by month, campaign, meter, method and age.

    meter, method: (M,) of each reading, None where not known. The rows `tenth` say how many readings fall
    into each tenth of what the rest forecasts for them. p-values are adjusted over all groups (Benjamini and
    Hochberg 1995).
    """
    res = residuals(fit)
    ways = groupings(fit, meter, method)
    offsets = np.cumsum([0, *[len(w.names) for w in ways]])
    columns = [np.where(w.of >= 0, w.of + o, -1) for w, o in zip(ways, offsets[:-1], strict=True)]
    sites = np.unique(
        np.linspace(0, fit.histories.sites - 1, min(fit.histories.sites, most_sites)).astype(int)
    )
    pairs = _pairs(fit, res, np.stack(columns, axis=1), sites)
    table = _table(ways, pairs, int(offsets[-1]))
    return pl.concat([_judged(table), _tenths(fit, res)])


def _table(ways: Sequence[Grouping], pairs: _Pairs, size: int) -> pl.DataFrame:
    def by(values: Floats) -> Floats:
        return np.bincount(pairs.group, values, minlength=size).astype(float)

    score, information, used = by(pairs.score), np.maximum(by(pairs.information), 1e-12), by(pairs.used)
    sites = np.bincount(pairs.group, minlength=size)
    error = np.sqrt(by(pairs.score**2) * sites / np.maximum(sites - 1, 1)) / information
    reach = student.ppf(0.95, np.maximum(sites - 1, 1)) * error
    shift = score / information
    excess = by(pairs.excess)
    told = sites >= LEAST_SITES

    def percent(log: Floats) -> Floats:
        return 100.0 * np.expm1(np.clip(log, -3.0, 3.0))

    return pl.DataFrame(
        {
            "by": [w.by for w in ways for _ in w.names],
            "group": [n for w in ways for n in w.names],
            "place": [k for w in ways for k in range(len(w.names))],
            "readings": used.astype(np.int64),
            "sites": sites.astype(np.int64),
            "shift_pct": percent(shift),
            "shift_low_pct": np.where(told, percent(shift - reach), np.nan),
            "shift_high_pct": np.where(told, percent(shift + reach), np.nan),
            "scatter": np.sqrt(np.maximum(1.0 + excess / np.maximum(used, 1.0), 0.0)),
            "p_shift": _clustered(score, by(pairs.score**2), sites),
            "p_scatter": _clustered(excess, by(pairs.excess**2), sites),
        }
    ).filter(pl.col("readings") >= LEAST_READINGS)


def _judged(table: pl.DataFrame) -> pl.DataFrame:
    """Adjust the p-values over all groups, flag what is large and sure, and say why."""
    shift, scatter = table["p_shift"].to_numpy(), table["p_scatter"].to_numpy()
    both = _adjusted(np.concatenate([shift, scatter]))
    p_shift, p_scatter = both[: shift.size], both[shift.size :]
    moved = (np.abs(table["shift_pct"].to_numpy()) >= 100.0 * LEAST_SHIFT) & (p_shift < LEVEL)
    wide = (table["scatter"].to_numpy() >= LEAST_SCATTER) & (p_scatter < LEVEL)
    rows = zip(moved, wide, table["shift_pct"], table["scatter"], strict=True)
    return table.with_columns(
        pl.Series("p_shift", p_shift).fill_nan(None),
        pl.Series("p_scatter", p_scatter).fill_nan(None),
        pl.col("shift_low_pct", "shift_high_pct").fill_nan(None),
        pl.Series("flagged", moved | wide),
        pl.Series("reason", [_why(*r) for r in rows], dtype=pl.String),
        pl.lit(None, dtype=pl.Float64).alias("share"),
    ).select(pl.col(c).cast(k) for c, k in RESIDUAL_CHECKS.items())


def _adjusted(p: Floats) -> Floats:
    known = np.isfinite(p)
    out = np.full(p.size, np.nan)
    if known.any():
        out[known] = multipletests(p[known], method="fdr_bh")[1]
    return out


def _why(moved: bool, wide: bool, shift: float, scatter: float) -> str:
    parts = []
    if moved:
        parts.append(f"reads {abs(shift):.0f} % {'high' if shift > 0 else 'low'} beside the rest")
    if wide:
        parts.append(f"scatters {scatter:.1f} times as much as its classes")
    return " and ".join(parts)


def _tenths(fit: Fitted, res: Residuals) -> pl.DataFrame:
    """Say which share of the readings lies in each tenth of its own leave-one-out forecast."""
    h = fit.histories
    used = np.isfinite(res.z) & (h.kind == ROUTINE)
    n = int(used.sum())
    tenth = np.minimum((norm.cdf(res.z[used]) * 10).astype(np.int64), 9)
    site = h.electrode_site[h.reading_electrode[used]]
    rows = []
    for k in range(10 if n >= LEAST_READINGS else 0):
        gap = np.bincount(site, (tenth == k) - 0.1, minlength=h.sites)
        sites = np.unique(site).size
        p = float(_clustered(*(np.array([v]) for v in (gap.sum(), (gap**2).sum(), sites)))[0])
        share = float((tenth == k).mean())
        rows.append({
            "by": "tenth", "group": f"{10 * k}-{10 * k + 10} %", "place": k, "readings": n, "sites": sites,
            "share": share, "p_shift": p if np.isfinite(p) else None, "flagged": False, "reason": "",
        })  # fmt: skip
    return pl.DataFrame(rows, schema=RESIDUAL_CHECKS)
