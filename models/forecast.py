"""The whole inference in one call: histories and a calibration in, the outlook of every electrode out."""

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from models.breaks import Structures, read_before_mending
from models.calibration import (
    Calibration,
    Prepared,
    State,
    adapt,
    end_shares,
    expect,
    first_state,
    layout_of,
    period_effects,
    prepare,
    search,
    sweep_fields,
)
from models.class_prior import ClassLayout, curve_prior
from models.corrosion_curves import CurveGrid
from models.curve_posterior import (
    Posterior,
    posterior,
)
from models.histories import DAYS_A_YEAR, ROUTINE, Floats, Histories
from models.lasting_shifts import LastingShift, ask_for_shifts
from models.level_kernel import electrode_seeds, known_levels, level_summary
from models.outlook import (
    QUANTILES,
    Crossing,
    LevelDraws,
    cdf_at,
    crossing,
    curve_mass,
    level_draws,
    mean_growth,
    onset_median,
    quantile_of,
)
from models.site_pass import ForEach, SitePass, focus_of, in_turn, site_pass

SETTLED = 0.1  # a site's field has settled when the last sweep moved it less than this share of its spread
SUSPECTED, CONFIRMED = 0.2, 0.95
_SWEEP_ROUNDS = 10
_LOOKS_OTHERWISE = 0.25  # a site whose field a sweep moved by more, in spreads, is searched for steps again


@dataclass(frozen=True)
class Fitted:
    """A site pass under a calibration and all that follows from it.

    shifts: lasting shifts of whole sites that no works record explains; they stand among histories.shifts.
    """

    histories: Histories
    calibration: Calibration
    layout: ClassLayout
    prepared: Prepared
    structures: Structures
    found: SitePass
    posterior: Posterior
    crossing: Crossing
    log_threshold: Floats
    shifts: tuple[LastingShift, ...] = ()

    @property
    def mended_p(self) -> Floats:
        """(M,) chance that a reading was of a joint that had given way and has been remade since."""
        return read_before_mending(self.histories, self.structures, self.found.struct_weight)

    @property
    def wild_p(self) -> Floats:
        """(M,) chance that a reading is wild; found.wild_p counts those of a joint remade since too."""
        return np.maximum(self.found.wild_p - self.mended_p, 0.0)

    @property
    def settled(self) -> Any:
        """(N,) whether the electrode's site settled."""
        return self.found.moved[self.histories.electrode_site] < SETTLED


def fit_electrodes(
    h: Histories,
    cal: Calibration,
    log_threshold: Floats,
    rng: np.random.Generator,
    each: ForEach = in_turn,
    state: State | None = None,
) -> Fitted:
    """Run the site pass under cal until the sites settle, and weigh the grid.

    log_threshold: (N,) log of each electrode's threshold ratio. state: where the search for cal on these very
    histories stood, for a warm start.
    """
    cal = adapt(cal, h)
    layout, p = layout_of(h, cal), prepare(h, cal)
    state = search(h, cal, p, layout, state, each) if state else _first_look(h, cal, p, layout, each)
    rough = p.grid.coarser(growth_too=False)
    state, like = _roughly(h, cal, p, layout, state, each, rough)
    known = np.ones(h.sites, dtype=bool)
    asked = ask_for_shifts(h, cal, p, state, each)
    if asked.shifts:
        h, state = asked.histories, asked.state
        p = prepare(h, cal)
        known[[one.site for one in asked.shifts]] = False
    seen = curve_prior(cal.theta, layout, rough), layout.group, state.node_weight
    focus = focus_of(like, *seen, p.grid, known[h.electrode_site])
    prior = curve_prior(cal.theta, layout, p.grid)
    found = site_pass(
        h, p.resid, p.noise_var, p.rod_var, p.prior_precision, state.structures, cal.steps, p.scale, prior,
        layout.group, state.node_weight, end_shares(cal, layout), state.factors, 1, each,
        log_threshold=log_threshold, rounds=_SWEEP_ROUNDS, settled=SETTLED, focus=focus,
    )  # fmt: skip
    post = posterior(cal, layout, found, p.grid, rng)
    crossed = crossing(
        h,
        p.resid,
        cal,
        post,
        found,
        state.structures.standing,
        state.structures.electrode,
        log_threshold,
        p.grid,
    )
    return Fitted(h, cal, layout, p, state.structures, found, post, crossed, log_threshold, asked.shifts)


def _first_look(h: Histories, cal: Calibration, p: Prepared, layout: ClassLayout, each: ForEach) -> State:
    """Find structures and field of histories that nothing is known of, on a coarser grid."""
    state = sweep_fields(h, cal, _of_one_noise(p), layout, first_state(h, cal, layout), 1, each)
    return search(h, cal, p, layout, state, each)


def _roughly(
    h: Histories,
    cal: Calibration,
    p: Prepared,
    layout: ClassLayout,
    state: State,
    each: ForEach,
    rough: CurveGrid,
) -> tuple[State, npt.NDArray[np.float32]]:
    """Find fields and structures that agree, on a rough grid, and the likelihoods (N, T*R) that they leave.

    A site may look otherwise once its steps are known, and its steps once it does: where the field moved,
    they are looked for again.
    """
    plain = _of_one_noise(p)
    met = expect(h, cal, plain, layout, state, 1, each, rough, rounds=_SWEEP_ROUNDS, settled=_LOOKS_OTHERWISE)
    state = search(h, cal, p, layout, met.state, each, met.found.travelled > _LOOKS_OTHERWISE)
    met = expect(h, cal, p, layout, state, 1, each, rough)
    return met.state, met.found.like


def _of_one_noise(p: Prepared) -> Prepared:
    """Return the same with the noise of all electrodes its class's: a field is soon found by it."""
    return replace(p, scale=(np.ones(1), np.zeros(1)))


def draws_of(fit: Fitted, i: int, rng: np.random.Generator, draws: int = 160) -> LevelDraws:
    """Draw baselines and curves of electrode i."""
    site = int(fit.histories.electrode_site[i])
    steps = fit.crossing.steps.get(i, [])
    return level_draws(
        fit.histories, fit.calibration, fit.prepared, fit.found, fit.posterior, steps, i, site, rng, draws
    )


@dataclass(frozen=True)
class Levels:
    """Medians and spreads from each electrode's draws, (N,) each, and the band of its curve at given ages.

    band_age: (N, B) years; band: (N, B, 3) ohm at 5, 50 and 95 %.
    """

    baseline_ohm: Floats
    baseline_sd_log: Floats
    level_ohm: Floats
    ratio_now: Floats
    band_age: Floats
    band: Floats


def levels(
    fit: Fitted,
    rng: np.random.Generator,
    points: int = 24,
    ahead_years: float = 10.0,
    each: ForEach = in_turn,
) -> Levels:
    """Work out today's level, the baseline and the curve's band of every electrode.

    points: ages of the band, from the year before the first reading to ahead_years from now; 0 for no band.
    rng gives one number: the draws are each electrode's own, whichever others stand beside it.
    """
    h = fit.histories
    seeds = electrode_seeds(h.electrode_id, int(rng.integers(2**63)))
    ages = _band_ages(h, points, ahead_years)
    known = known_levels(h, fit.calibration)
    found = level_summary(
        h, fit.prepared, fit.found, fit.posterior, fit.crossing.steps, known, seeds, ages, each=each
    )
    base, level, ratio = np.exp(found.base), np.exp(found.level), np.exp(found.ratio)
    return Levels(base, found.base_sd, level, ratio, ages, np.exp(found.band))


def _band_ages(h: Histories, points: int, ahead_years: float) -> Floats:
    """Return (N, points) ages, years, from the year before the first routine reading on."""
    routine, first = h.kind == ROUTINE, np.full(h.electrodes, np.inf)
    np.minimum.at(first, h.reading_electrode[routine], h.age[routine])
    start = np.where(np.isfinite(first), np.maximum(first - 1.0, 0.0), 0.0)
    return np.linspace(start, h.age_now + ahead_years, points, axis=1)


def readings_used(fit: Fitted) -> Floats:
    """Return (N,) how many routine readings speak for the electrode, wild ones not counted."""
    h = fit.histories
    mine = (h.kind == ROUTINE) * (1.0 - fit.found.wild_p)
    return np.bincount(h.reading_electrode, mine, minlength=h.electrodes).astype(np.float64, copy=False)


def _misfit(fit: Fitted) -> Any:
    """Return (N,) true where readings agree with no curve: noise far above the class's, or many wild."""
    h = fit.histories
    n = np.maximum(np.bincount(h.reading_electrode, h.side == 0, minlength=h.electrodes), 1)
    wild = np.bincount(h.reading_electrode, fit.wild_p, minlength=h.electrodes)
    excess = np.bincount(
        h.reading_electrode, fit.found.noise_sq / fit.prepared.noise_var, minlength=h.electrodes
    )
    return (n >= 3) & ((wild / n > 0.34) | (excess / n > 6.0))


def _break_state(fit: Fitted) -> npt.NDArray[np.str_]:
    """Return (N,) none, suspected, or confirmed: sure, and visited twice since."""
    p, twice = fit.posterior.p_broken, np.zeros(fit.histories.electrodes)
    for i, steps in fit.crossing.steps.items():
        twice[i] = sum(s.share for s in steps if s.visits_after >= 2)
    sure = (p >= CONFIRMED) & (twice >= 0.9)
    return np.select([sure, p >= SUSPECTED], ["confirmed", "suspected"], default="none")


def outlook_frame(
    fit: Fitted, level: Levels, as_of: date, horizons: tuple[int, ...] = (1, 3, 5, 10)
) -> pl.DataFrame:
    """Return electrode_outlook, one row for each electrode, in the contract's names."""
    h, cal, post = fit.histories, fit.calibration, fit.posterior
    cdf = fit.crossing.cdf
    used = readings_used(fit)
    mass = curve_mass(post)
    onset = onset_median(mass, fit.prepared.grid)
    p_now = cdf_at(cdf, h.age_now)
    broken = _break_state(fit)
    misfit = _misfit(fit)
    started = onset < h.age_now
    state = np.select(
        [
            broken == "confirmed",
            misfit,
            used < 1.5,
            p_now >= 0.5,
            started & (level.ratio_now > 1.05),
        ],
        ["broken", "not_understood", "too_few_readings", "past", "drifting"],
        default="steady",
    )
    kinds = np.bincount(h.reading_electrode, h.kind == 1, minlength=h.electrodes) > 0
    isolated = np.bincount(h.reading_electrode, h.kind == 2, minlength=h.electrodes) > 0
    columns: dict[str, Any] = {
        "electrode_id": list(h.electrode_id),
        "site_id": [h.site_id[s] for s in h.electrode_site],
        "soil_class": list(h.soil),
        "material": list(h.material),
        "as_of": [as_of] * h.electrodes,
        "age_years": h.age_now,
        "readings_used": np.round(used).astype(np.int64),
        "ratio_basis": np.where(h.raw, "loop_raw", "rod_net"),
        "baseline_source": np.where(
            kinds, "observed_tied_in", np.where(isolated, "observed_isolated", "inferred")
        ),
        "baseline_ohm": level.baseline_ohm,
        "baseline_sd_log": level.baseline_sd_log,
        "level_ohm": level.level_ohm,
        "ratio_now": level.ratio_now,
        "p_past_now": p_now,
    }
    columns |= {f"p_past_{y}y": cdf_at(cdf, h.age_now + y) for y in horizons}
    columns |= {f"crossing_age_p{round(q * 100):02d}": quantile_of(cdf, q) for q in QUANTILES}
    columns |= {
        "p_broken": post.p_broken,
        "break_state": broken,
        "growth_per_year": mean_growth(mass, fit.prepared.grid),
        "onset_age_p50": onset,
        "state": state.astype(str),
        "converged": np.asarray(fit.settled) & cal.converged,
    }
    return pl.DataFrame(columns)


def curves_frame(fit: Fitted, level: Levels, as_of: date) -> pl.DataFrame:
    """Return electrode_curves: each electrode's level with its 90 % band, past and forecast."""
    h = fit.histories
    B = level.band_age.shape[1]
    ahead = ((level.band_age - h.age_now[:, None]) * DAYS_A_YEAR).round().astype("timedelta64[D]")
    return pl.DataFrame(
        {
            "electrode_id": np.repeat(np.asarray(h.electrode_id, dtype=str), B),
            "site_id": np.repeat(np.asarray(h.site_id, dtype=str)[h.electrode_site], B),
            "age_years": level.band_age.ravel(),
            "on_date": (np.datetime64(as_of, "D") + ahead).ravel(),
            "ohm_p05": level.band[:, :, 0].ravel(),
            "ohm_p50": level.band[:, :, 1].ravel(),
            "ohm_p95": level.band[:, :, 2].ravel(),
        }
    )


def corrections_frame(fit: Fitted) -> pl.DataFrame:
    """Return what was taken off each routine reading, by electrode and day.

    electrode_id, day_year (decimal), row_id, season_factor, campaign_factor, corrected_ohm, p_wild.
    """
    h, p = fit.histories, fit.prepared
    season = p.terms.season_part(fit.calibration.fixed)
    visit = np.zeros(h.age.size)
    for s in range(h.sites):
        rows = np.arange(*_reading_span(h, s))
        rows = rows[h.visit[rows] >= 0]
        visit[rows] = fit.found.field_mean[s][1 + h.visit[rows]]
    campaign = period_effects(h, fit.calibration) + visit
    routine = h.kind == ROUTINE
    return pl.DataFrame(
        {
            "electrode_id": np.asarray(h.electrode_id, dtype=str)[h.reading_electrode][routine],
            "row_id": h.row[routine],
            "season_factor": np.exp(season)[routine],
            "campaign_factor": np.exp(campaign)[routine],
            "corrected_ohm": np.exp(h.log_ohm - season - campaign)[routine],
            "p_wild": fit.wild_p[routine],
        }
    )


def _reading_span(h: Histories, s: int) -> tuple[int, int]:
    return int(h.reading_start[h.site_start[s]]), int(h.reading_start[h.site_start[s + 1]])
