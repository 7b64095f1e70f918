"""Which family of curves each soil class gets: by how well held-out readings are predicted (stacking).

Each electrode's last readings are held out. What a family says of them is the evidence of the whole history
less that of the earlier readings, both against what the other electrodes say of the site's field, each family
with the class parameters that suit it. The weights maximise the log score of the mixed prediction (Yao,
Vehtari, Simpson and Gelman 2018, section 2), shrunk from the classes to the fleet. Families are dropped where
the gain is not beyond doubt: then a calibration stays what it was.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from models.calibration import (
    Calibrated,
    Calibration,
    Prepared,
    State,
    calibration_round,
    closed,
    end_shares,
    expect,
    layout_of,
    on_grid,
    prepare,
    search,
)
from models.class_fit import (
    fit_class_prior,
)
from models.class_prior import (
    ClassLayout,
    curve_prior,
)
from models.corrosion_curves import FAMILIES, ONSET
from models.histories import ROUTINE, Floats, Histories
from models.site_pass import ForEach, in_turn, site_pass

LEAST_READINGS = 3  # of an electrode whose last readings are held out
_HELD = 3  # about one in so many is held out
_STRENGTH = 20.0  # electrodes that the fleet's weights count for in a class
_LEAST_WEIGHT = 0.05  # a family with less in every class is left out
_SURE = 2.0  # standard errors by which the gain must lie above none
_ROUNDS = 3


@dataclass(frozen=True)
class Scores:
    """What each family said of the held-out readings.

    log_score: (E, F) log predictive density of an electrode's. soil, site: (E,) its class and site.
    """

    log_score: Floats
    soil: npt.NDArray[np.int64]
    site: npt.NDArray[np.int64]


def held_out(h: Histories) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.int64]]:
    """Return which readings (M,) are kept, and the electrodes (E,) whose last ones are not."""
    read = (h.kind == ROUTINE) & (h.side == 0)
    keep = np.ones(h.age.size, dtype=np.bool_)
    chosen = []
    for i in range(h.electrodes):
        rows = np.arange(h.reading_start[i], h.reading_start[i + 1])
        mine = rows[read[rows]]
        if mine.size < LEAST_READINGS:
            continue
        keep[mine[-((mine.size + 1) // _HELD)] : rows[-1] + 1] = False
        chosen.append(i)
    return keep, np.array(chosen, dtype=np.int64)


def _only(cal: Calibration, family: int) -> Calibration:
    return replace(cal, family_weight=np.tile(np.eye(len(FAMILIES))[family], (len(cal.soils), 1)))


def _settled(
    h: Histories, cal: Calibration, p: Prepared, layout: ClassLayout, state: State, each: ForEach
) -> tuple[Calibration, State]:
    """Return the class parameters and the field that suit the calibration's family, all else as it stands."""
    for _ in range(1 if cal.families == (ONSET,) else 2):
        met = expect(h, cal, p, layout, state, 1, each)
        state = met.state
        likelihood, top = on_grid(met.found, p.grid), met.found.like_top
        fit = fit_class_prior(likelihood, top, layout, p.grid, cal.theta, steps=15, with_covariance=False)
        cal = replace(cal, theta=fit.theta)
    return cal, state


def _evidence(
    h: Histories, keep: npt.NDArray[np.bool_], cal: Calibration, p: Prepared, layout: ClassLayout,
    state: State, each: ForEach,
) -> Floats:  # fmt: skip
    """Return (N,) the log evidence of each electrode's kept readings against what the others say."""
    prior = curve_prior(cal.theta, layout, p.grid)
    return site_pass(
        h.only_readings(keep), p.resid[keep], p.noise_var[keep], p.rod_var, p.prior_precision,
        state.structures, cal.steps, p.scale, prior, layout.group, state.node_weight, end_shares(cal, layout),
        state.factors, 1, each, damping=(0.0,),
    ).evidence  # fmt: skip


def family_scores(h: Histories, cal: Calibration, state: State, each: ForEach = in_turn) -> Scores:
    """Score each family's predictions of the last readings of every electrode that has enough of them.

    cal, state: where the search stood under the onset family.
    """
    layout = layout_of(h, cal)
    keep, chosen = held_out(h)
    early, everything = h.only_readings(keep), np.ones(h.age.size, dtype=np.bool_)
    log_score = np.zeros((chosen.size, len(FAMILIES)))
    for family in range(len(FAMILIES)) if chosen.size else ():
        mine = _only(cal, family)
        p = prepare(h, mine, leftover=False)
        mine, settled = _settled(h, mine, p, layout, state, each)
        part = replace(p, resid=p.resid[keep], noise_var=p.noise_var[keep])
        before = search(early, mine, part, layout, settled, each)
        whole = _evidence(h, everything, mine, p, layout, settled, each)
        log_score[:, family] = (whole - _evidence(h, keep, mine, p, layout, before, each))[chosen]
    told = np.isfinite(log_score).all(axis=1)
    chosen = chosen[told]
    return Scores(log_score[told], layout.soil[layout.group][chosen], h.electrode_site[chosen])


def stacked(scores: Scores, soils: int, rounds: int = 500) -> Floats:
    """Return (S, F) weights that maximise the log score of the mixed predictions, by class.

    A class's weights have a Dirichlet prior about the fleet's, worth _STRENGTH electrodes. By EM.
    """
    F = scores.log_score.shape[1]
    density = np.exp(scores.log_score - scores.log_score.max(axis=1, keepdims=True))
    fleet, by_class = np.full(F, 1.0 / F), np.full((soils, F), 1.0 / F)
    for _ in range(rounds):
        share = density * fleet
        fleet = (share / share.sum(axis=1, keepdims=True)).sum(axis=0) / max(density.shape[0], 1)
    for _ in range(rounds):
        share = density * by_class[scores.soil]
        share /= share.sum(axis=1, keepdims=True)
        for s in range(soils):
            by_class[s] = share[scores.soil == s].sum(axis=0) + _STRENGTH * fleet
        by_class /= by_class.sum(axis=1, keepdims=True)
    return by_class


def gains(scores: Scores, weight: Floats) -> Floats:
    """Return (E,) what each electrode's held-out readings gain in log score over the onset family alone."""
    mixed = scores.log_score + np.log(np.maximum(weight[scores.soil], 1e-300))
    top = mixed.max(axis=1)
    return np.asarray(top + np.log(np.exp(mixed - top[:, None]).sum(axis=1)) - scores.log_score[:, ONSET])


def chosen_weights(scores: Scores, soils: int) -> Floats:
    """Return (S, F) the weights that are used: all onset where the others' gain is within its doubt."""
    onset = np.tile(np.eye(scores.log_score.shape[1])[ONSET], (soils, 1))
    if not scores.site.size:
        return onset
    weight = stacked(scores, soils)
    weight[:, (weight < _LEAST_WEIGHT).all(axis=0)] = 0.0
    weight /= weight.sum(axis=1, keepdims=True)
    gain = gains(scores, weight)
    by_site = np.bincount(scores.site, gain)
    return weight if by_site.sum() > _SURE * np.sqrt((by_site**2).sum()) else onset


def with_families(
    h: Histories, found: Calibrated, each: ForEach = in_turn, say: Callable[[str], None] = lambda _: None
) -> Calibrated:
    """Weigh the curve families of a calibration found under the onset family, and fit it to their mixture."""
    cal = found.calibration
    soils = len(cal.soils)
    scores = family_scores(h, cal, found.state, each)
    weight = chosen_weights(scores, soils)
    cal = replace(
        cal,
        family_weight=weight,
        family_scored=np.bincount(scores.soil, minlength=soils).astype(float),
        family_gain=np.bincount(scores.soil, gains(scores, weight), minlength=soils).astype(float),
    )
    shares = zip(FAMILIES, weight.mean(axis=0), strict=True)
    say("curve families: " + ", ".join(f"{f.name} {w:.2f}" for f, w in shares))
    if cal.families == (ONSET,):
        return Calibrated(cal, found.state)
    layout, state = layout_of(h, cal), found.state
    p = prepare(h, cal, leftover=False)
    state = search(h, cal, p, layout, state, each)
    for _ in range(_ROUNDS):
        cal, p, state, _ = calibration_round(h, cal, p, layout, state, 1, each)
    return closed(h, cal, p, layout, state, each)
