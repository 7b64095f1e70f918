"""The calibration: season, spreads, rates and class parameters, each fitted with the rest integrated out.

A round is one site pass (the expectation) and then, from what it found: a Fisher-scoring step for the fixed
terms (season by class, offsets), closed-form updates of the spreads, and a few L-BFGS steps for the class
parameters on the electrodes' grid likelihoods. It is generalised EM (Dempster, Laird and Rubin 1977); the
score of the fixed terms is exact by Fisher's identity.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import expit

from models.breaks import (
    Structures,
    joined,
    plain_structures,
    read_before_mending,
    reprice,
    search_structures,
)
from models.class_fit import (
    NodeEvidence,
    fit_class_prior,
    node_evidence,
)
from models.class_prior import (
    ClassLayout,
    class_layout,
    curve_prior,
    group_tables,
    site_weights,
)
from models.corrosion_curves import CEILINGS, FAMILIES, ONSET, CurveGrid, curve_grid
from models.covariates import Standards, sites_soil, standards_of
from models.histories import AS_INSTALLED, ISOLATED, ROUTINE, Floats, Histories
from models.season import SeasonSpread, linear_posterior, season_by_evidence
from models.shared_terms import (
    FixedTerms,
    districts_of,
    fixed_terms,
    leftover_covariance,
    shared_information,
)
from models.site_pass import FieldSpread, ForEach, SitePass, field_covariance, in_turn, no_factors, site_pass
from models.step_hazard import StepModel
from models.step_rates import PRIOR_AFTER_YEARS, update_rates

Single = npt.NDArray[np.float32]
CEILING_PRIOR = 20.0  # electrodes that the even prior of the ceilings' shares is worth
_STEP_RATES = 0.25  # of a change of their logs: rates are known to a tenth at best, and a few steps say them
EARLY_SITES = 100  # the first rounds of a large fleet are made on so many sites


@dataclass(frozen=True)
class Calibration:
    """Everything that a run under this calibration takes as given.

    soils, materials: names. fixed: values of the shared terms, fixed_names theirs. noise_sd: (C,) by soil
    class, log. noise_spread: sd of the log of an electrode's own noise. installed_sd, isolated_sd: noise of
    values written down at installation. period_effect: log effect of each (district, year); period_var: its
    variance; period_sd: of those not seen. season: how many harmonics and how far they spread; fixed_cov:
    (P, P) covariance of the shared terms, district-years integrated out. theta,
    theta_cov, theta_names: class parameters and their Laplace covariance. ceiling_weight: (2, C) shares of
    the ceiling classes, net and raw. log_likelihood: of the fleet that it was fitted to. standards: by what a
    site's survey becomes the covariates that theta has coefficients for, last. family_weight:
    (S, F) shares of the curve families by soil class; none: all onset. family_scored: (S,) electrodes that
    they were weighed on; family_gain: (S,) what held-out readings gained in log score over onset alone.
    """

    soils: tuple[str, ...]
    materials: tuple[str, ...]
    fixed: Floats
    fixed_names: tuple[str, ...]
    noise_sd: Floats
    noise_spread: float
    installed_sd: float
    isolated_sd: float
    spread: FieldSpread
    period_effect: dict[tuple[str, int], float]
    period_sd: float
    steps: StepModel
    theta: Floats
    theta_cov: Floats
    theta_names: tuple[str, ...]
    ceiling_weight: Floats
    log_likelihood: float = float("nan")
    rounds: int = 0
    converged: bool = False
    method: str = "generalised EM, expectation propagation over sites, L-BFGS for the classes"
    trace: tuple[float, ...] = field(default=())
    districts: tuple[str, ...] = ()
    season: SeasonSpread = field(default_factory=SeasonSpread)
    season_evidence: tuple[float, ...] = ()
    fixed_cov: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    period_var: dict[tuple[str, int], float] = field(default_factory=dict)
    standards: Standards = field(default_factory=Standards)
    family_weight: Floats = field(default_factory=lambda: np.zeros((0, len(FAMILIES))))
    family_scored: Floats = field(default_factory=lambda: np.zeros(0))
    family_gain: Floats = field(default_factory=lambda: np.zeros(0))

    @property
    def family_shares(self) -> Floats:
        """(S, F) shares of the curve families by soil class."""
        if self.family_weight.size:
            return self.family_weight
        return np.tile(np.eye(len(FAMILIES))[ONSET], (len(self.soils), 1))

    @property
    def families(self) -> tuple[int, ...]:
        """Families that have weight in any class."""
        return tuple(int(f) for f in np.flatnonzero((self.family_shares > 0.0).any(axis=0)))


def noise_scale(spread: float) -> tuple[Floats, Floats]:
    """Return three scale factors of the noise and their log weights (Gauss-Hermite for a log-normal)."""
    x, w = np.polynomial.hermite_e.hermegauss(3)
    return np.exp(spread * x), np.log(w / w.sum())


def first_guess(h: Histories, by_soil_and_age: bool = False) -> Calibration:
    """Return a calibration that knows the priors only.

    by_soil_and_age: whether the hazard of steps is to be fitted by soil, age, and after the onset.
    """
    soils = tuple(sorted(set(h.soil))) or ("unknown",)
    materials = tuple(sorted(set(h.material))) or ("other",)
    standards = standards_of(h.ground, _sites_soil(h, soils), len(soils))
    layout = class_layout(h.soil, h.material, h.raw, h.electrode_site, soils, materials, standards.names)
    districts = districts_of(h)
    terms = fixed_terms(h, soils, districts)
    routine = (h.kind == ROUTINE) & (h.side == 0)
    gap = (h.log_ohm - h.log_formula[h.reading_electrode])[routine]
    fixed = np.zeros(len(terms.names))
    fixed[0] = float(np.clip(np.quantile(gap, 0.3), -2.0, 2.0)) if gap.size else 0.0
    return Calibration(
        soils, materials, fixed, terms.names, np.full(len(soils), 0.08), 0.35, 0.12, 0.2, FieldSpread(), {},
        0.05, StepModel(after_rate=1.0 / PRIOR_AFTER_YEARS if by_soil_and_age else 0.0),
        layout.start(),
        np.zeros((layout.start().size,) * 2), layout.names,
        np.full((2, len(CEILINGS)), 1.0 / len(CEILINGS)), districts=districts,
        fixed_cov=np.zeros((fixed.size, fixed.size)), standards=standards,
    )  # fmt: skip


def _sites_soil(h: Histories, soils: tuple[str, ...]) -> npt.NDArray[np.int64]:
    return sites_soil(h.site_start, [soils.index(s) for s in h.soil])


def layout_of(h: Histories, cal: Calibration) -> ClassLayout:
    """Return which class parameters of the calibration speak for which electrode."""
    ground = cal.standards.spreads(h.ground, _sites_soil(h, cal.soils))
    return class_layout(
        h.soil, h.material, h.raw, h.electrode_site, cal.soils, cal.materials, cal.standards.names, ground
    )


def adapt(cal: Calibration, h: Histories) -> Calibration:
    """Return the calibration with classes, materials and districts that are new to it, at the fleet's values.

    Their parameters stand at the prior mean with the prior's spread, so that the outlook knows how little is
    known.
    """
    soils = cal.soils + tuple(sorted(set(h.soil) - set(cal.soils)))
    materials = cal.materials + tuple(sorted(set(h.material) - set(cal.materials)))
    districts = cal.districts + tuple(sorted(set(districts_of(h)) - set(cal.districts)))
    if (soils, materials, districts) == (cal.soils, cal.materials, cal.districts):
        return cal
    none = np.zeros(0, dtype=np.int64)
    standards = cal.standards.with_classes(len(soils) - len(cal.soils))
    layout = class_layout((), (), none.astype(bool).reshape(0), none, soils, materials, standards.names)
    theta, sd = layout.prior()
    cov = np.diag(sd**2)
    at = [layout.names.index(n) for n in cal.theta_names]
    theta[at] = cal.theta
    cov[np.ix_(at, at)] = cal.theta_cov
    terms = fixed_terms(h.sample_sites(none), soils, districts)
    names, fixed_sd = terms.names, terms.layout.sd(cal.season)
    old = [names.index(n) for n in cal.fixed_names]
    fixed, fixed_cov = np.zeros(len(names)), np.diag(fixed_sd**2)
    fixed[old], fixed_cov[np.ix_(old, old)] = cal.fixed, cal.fixed_cov
    noise = np.concatenate(
        [cal.noise_sd, np.full(len(soils) - len(cal.soils), float(np.median(cal.noise_sd)))]
    )
    families = cal.family_weight
    if families.size:
        new = np.tile(families.mean(axis=0), (len(soils) - len(cal.soils), 1))
        families = np.concatenate([families, new])
    return replace(
        cal, soils=soils, materials=materials, theta=theta, theta_cov=cov, theta_names=layout.names,
        noise_sd=noise, fixed=fixed, fixed_names=names, fixed_cov=fixed_cov, districts=districts,
        standards=standards, family_weight=families,
    )  # fmt: skip


def period_effects(h: Histories, cal: Calibration) -> Floats:
    """Return (M,) the district-year effect of each reading."""
    table = np.array([cal.period_effect.get(p, 0.0) for p in h.periods] + [0.0])
    return table[h.reading_period]


def period_variances(h: Histories, cal: Calibration) -> Floats:
    """Return (Q,) what is left unknown of each district-year; all of its spread where none was seen."""
    return np.array([cal.period_var.get(p, cal.period_sd**2) for p in h.periods])


@dataclass(frozen=True)
class Prepared:
    """The arrays that a pass needs, worked out from histories and calibration."""

    terms: FixedTerms
    resid: Floats
    noise_var: Floats
    rod_var: Floats
    prior_precision: list[Floats]
    grid: CurveGrid
    scale: tuple[Floats, Floats]


def prepare(
    h: Histories, cal: Calibration, terms: FixedTerms | None = None, leftover: bool = True
) -> Prepared:
    """Take formula, fixed terms and district-year off the readings; lay out variances and field priors.

    leftover: whether the visits' prior takes in what the calibration does not know of season and
    district-year. Its own search leaves that out: there both are being estimated from these visits.
    """
    terms = terms or fixed_terms(h, cal.soils, cal.districts)
    known = h.log_formula[h.reading_electrode] + terms.times(cal.fixed) + period_effects(h, cal)
    soil = np.array([cal.soils.index(s) for s in h.soil], dtype=np.int64)[h.reading_electrode]
    noise_var = cal.noise_sd[soil] ** 2
    noise_var = np.where(h.kind == AS_INSTALLED, cal.installed_sd**2, noise_var)
    noise_var = np.where(h.kind == ISOLATED, cal.isolated_sd**2, noise_var)
    field = [field_covariance(h, s, cal.spread) for s in range(h.sites)]
    if leftover:
        unknown = leftover_covariance(h, terms, cal.fixed_cov, period_variances(h, cal))
        for s, cov in enumerate(field):
            cov[1:, 1:] += unknown(s)
    return Prepared(
        terms,
        h.log_ohm - known,
        noise_var,
        np.full(h.electrodes, cal.spread.rod_sd**2),
        [np.asarray(np.linalg.inv(c), float) for c in field],
        curve_grid(families=cal.families),
        noise_scale(cal.noise_spread),
    )


def group_families(cal: Calibration, layout: ClassLayout) -> Floats:
    """Return (Q, F) prior shares of the grid's curve families in each group."""
    return np.asarray(cal.family_shares[:, list(cal.families)][layout.soil])


def group_ends(cal: Calibration, layout: ClassLayout) -> Floats:
    """Return (Q, A) prior shares of the ends, family times ceiling, of each group."""
    families, ceilings = group_families(cal, layout), cal.ceiling_weight[layout.raw]
    return np.einsum("qf,qc->qfc", families, ceilings).reshape(layout.soil.size, -1)


def end_shares(cal: Calibration, layout: ClassLayout) -> Floats:
    """Return (N, A) prior shares of the ends of each electrode."""
    return np.asarray(group_ends(cal, layout)[layout.group])


@dataclass(frozen=True)
class State:
    """What one round hands to the next."""

    structures: Structures
    factors: list[tuple[Floats, Floats]]
    node_weight: Floats


def first_state(h: Histories, cal: Calibration, layout: ClassLayout) -> State:
    """Return the state in which the readings have told nothing."""
    weight = site_weights(cal.theta, layout)[layout.site]
    return State(plain_structures(h.electrodes), no_factors(h), weight)


@dataclass(frozen=True)
class Expectation:
    """What a site pass found, what follows for the classes, and the state for the next pass."""

    found: SitePass
    state: State
    nodes: NodeEvidence


def expect(
    h: Histories,
    cal: Calibration,
    p: Prepared,
    layout: ClassLayout,
    state: State,
    sweeps: int,
    each: ForEach,
    grid: CurveGrid | None = None,
    rounds: int = 1,
    settled: float = 0.0,
) -> Expectation:
    """Run a site pass under cal and weigh the site nodes with what it found; on p's grid or another.

    sweeps, rounds, settled: as site_pass takes them.
    """
    grid = grid or p.grid
    prior = curve_prior(cal.theta, layout, grid)
    found = site_pass(
        h, p.resid, p.noise_var, p.rod_var, p.prior_precision, state.structures, cal.steps, p.scale, prior,
        layout.group, state.node_weight, end_shares(cal, layout), state.factors, sweeps, each,
        rounds=rounds, settled=settled,
    )  # fmt: skip
    tables = group_tables(cal.theta, layout, grid)
    nodes = node_evidence(on_grid(found, grid), found.like_top, layout, tables)
    return Expectation(found, State(state.structures, found.factors, nodes.others_weight), nodes)


def sweep_fields(
    h: Histories, cal: Calibration, p: Prepared, layout: ClassLayout, state: State, sweeps: int, each: ForEach
) -> State:
    """Let the sites' fields settle, on a coarser grid."""
    rough = curve_prior(cal.theta, layout, p.grid.coarser(growth_too=False))
    found = site_pass(
        h, p.resid, p.noise_var, p.rod_var, p.prior_precision, state.structures, cal.steps, p.scale, rough,
        layout.group, state.node_weight, end_shares(cal, layout), state.factors, sweeps, each,
    )  # fmt: skip
    return replace(state, factors=found.factors)


def on_grid(found: SitePass, grid: CurveGrid) -> Single:
    """Return the likelihoods (N, T, R) of a pass that has mixed the ceilings."""
    return found.like.reshape(-1, *grid.shape[1:])


def search(
    h: Histories,
    cal: Calibration,
    p: Prepared,
    layout: ClassLayout,
    state: State,
    each: ForEach,
    sites: npt.NDArray[np.bool_] | None = None,
) -> State:
    """Look for steps and wild readings anew under cal, at the marked sites (S,) or at all."""
    structures = search_structures(
        h, cal.steps, p.resid, p.noise_var + h.meter_var, p.rod_var, p.prior_precision, state.factors,
        curve_prior(cal.theta, layout, p.grid.coarser()), layout.group, state.node_weight,
        end_shares(cal, layout), each, None if sites is None else np.flatnonzero(sites).tolist(),
    )  # fmt: skip
    if sites is not None:
        structures = joined(state.structures, structures, sites[h.electrode_site])
    return State(structures, state.factors, state.node_weight)


def carry_factors(
    h: Histories, factors: list[tuple[Floats, Floats]], change: Floats
) -> list[tuple[Floats, Floats]]:
    """Return the site factors as they stand after the residuals (M,) have changed by change.

    Season and district-year move all readings of a visit alike, so that the factors' centres move with them;
    without it the next pass would weigh each electrode against what the others said of the old residuals.
    """
    of_site = h.electrode_site[h.reading_electrode]
    at = np.where(h.visit >= 0, h.visit_start[of_site] + h.visit, 0)
    seen = (h.visit >= 0).astype(float)
    V = h.visit_year.size
    shift = np.bincount(at, change * seen, minlength=V) / np.maximum(np.bincount(at, seen, minlength=V), 1.0)
    out = []
    for s, (precision, eta) in enumerate(factors):
        each_visit = shift[h.visit_start[s] : h.visit_start[s + 1]]
        common = float(each_visit.mean()) if each_visit.size else 0.0
        dz = np.concatenate([[common], each_visit - common])
        out.append((precision, eta + precision @ dz))
    return out


def _reading_weight(h: Histories, p: Prepared, found: SitePass) -> Floats:
    """Return (M,) the expected precision of each reading; 0 out of range, little where it is likely wild."""
    share = found.scale_weight[h.reading_electrode]
    var = p.noise_var[:, None] * p.scale[0] ** 2 + h.meter_var[:, None]
    return np.asarray((share / var).sum(axis=1) * (1.0 - found.wild_p) * (h.side == 0))


def _update_shared(h: Histories, cal: Calibration, p: Prepared, found: SitePass) -> dict[str, Any]:
    """Return season, offsets and district-years after a scoring step, with the spreads that follow from it.

    The score is exact by Fisher's identity, the information that of the readings with curves as they stand.
    """
    period = np.array([cal.period_effect.get(q, 0.0) for q in h.periods])
    info = shared_information(
        h, p.terms, _reading_weight(h, p, found), p.rod_var, p.prior_precision, cal.fixed, period,
        found.noise_score,
    )  # fmt: skip
    part = info.left(cal.period_sd)
    season, values = season_by_evidence(part.linear, p.terms.layout, cal.season)
    fit = linear_posterior(part.linear, p.terms.layout.sd(season))
    fixed = cal.fixed + np.clip(fit.mean - cal.fixed, -0.5, 0.5)
    effect, var = part.periods(fixed, fit.cov)
    seen = part.seen
    sd = _robust_sd(float((effect**2 + var)[seen].sum()), float(seen.sum()), 0.05, 10.0)
    return {
        "fixed": fixed,
        "fixed_cov": fit.cov,
        "season": season,
        "season_evidence": values,
        "period_effect": {q: float(v) for q, v, u in zip(h.periods, effect, seen, strict=True) if u},
        "period_var": {q: float(v) for q, v, u in zip(h.periods, var, seen, strict=True) if u},
        "period_sd": float(np.clip(sd, 0.01, 0.3)),
    }


def _robust_sd(total: float, count: float, prior: float, strength: float = 20.0) -> float:
    """Return the posterior-mode spread with a weak prior worth strength observations."""
    return float(np.sqrt((total + strength * prior**2) / (count + strength)))


def _update_noise(h: Histories, cal: Calibration, found: SitePass) -> dict[str, Any]:
    soil = np.array([cal.soils.index(s) for s in h.soil], dtype=np.int64)[h.reading_electrode]
    trust = np.where(h.side == 0, 1.0 - found.wild_p, 0.0)
    routine = trust * (h.kind == ROUTINE)
    pooled = _robust_sd(float(found.noise_sq @ (h.kind == ROUTINE)), float(routine.sum()), 0.08)
    noise = []
    for c in range(len(cal.soils)):
        mine = (soil == c) & (h.kind == ROUTINE)
        noise.append(_robust_sd(float(found.noise_sq[mine].sum()), float(routine[mine].sum()), pooled, 60.0))
    x, _ = np.polynomial.hermite_e.hermegauss(3)
    counts = np.diff(h.reading_start) > 3
    spread = cal.noise_spread
    if counts.any():
        spread = _robust_sd(
            float((found.scale_weight[counts] @ (spread * x) ** 2).sum()), float(counts.sum()), 0.3, 50.0
        )

    def kind_sd(kind: int, prior: float) -> float:
        mine = h.kind == kind
        return _robust_sd(float(found.noise_sq[mine].sum()), float(trust[mine].sum()), prior, 30.0)

    return {
        "noise_sd": np.array(noise),
        "noise_spread": float(np.clip(spread, 0.05, 0.8)),
        "installed_sd": kind_sd(AS_INSTALLED, 0.12),
        "isolated_sd": kind_sd(ISOLATED, 0.2),
    }


def _update_field(h: Histories, cal: Calibration, found: SitePass) -> FieldSpread:
    """Return the field's spreads from posterior moments; the visits' memory by its expected likelihood."""
    survey = np.array([h.survey_var[h.site_start[s]] if h.site_start[s + 1] > h.site_start[s] else 0.0
                       for s in range(h.sites)])  # fmt: skip
    b2 = np.array([m[0] ** 2 + c[0, 0] for m, c in zip(found.field_mean, found.field_cov, strict=True)])
    known = survey < 1e-9
    site_sd = _robust_sd(float(b2[known].sum()), float(known.sum()), 0.3, 10.0)
    rod_sd = _robust_sd(float(found.rod_sq.sum()), float(found.rod_sq.size), 0.25)
    best = (-np.inf, cal.spread.visit_sd, cal.spread.visit_years)
    plain = [s for s in range(h.sites) if not h.shifts[s] and found.field_mean[s].size > 1]
    moments = [
        (h.visit_year[h.visit_start[s] : h.visit_start[s + 1]],
         found.field_cov[s][1:, 1:] + np.outer(found.field_mean[s][1:], found.field_mean[s][1:]))
        for s in plain
    ]  # fmt: skip
    count = sum(t.size for t, _ in moments)
    for years in (0.3, 0.6, 1.0, 1.8, 3.0):
        logdet, square = 0.0, 0.0
        for t, second in moments:
            corr = np.exp(-np.abs(t[:, None] - t) / years) + 1e-6 * np.eye(t.size)
            logdet += float(np.linalg.slogdet(corr)[1])
            square += float(np.trace(np.linalg.solve(corr, second)))
        sd = _robust_sd(square, count, 0.08)
        value = -0.5 * logdet - count * np.log(sd) - 0.5 * square / sd**2 - 0.5 * np.log(years / 0.8) ** 2
        best = max(best, (value, sd, years))
    return replace(cal.spread, site_sd=site_sd, rod_sd=rod_sd, visit_sd=best[1], visit_years=best[2])


def _update_steps(h: Histories, cal: Calibration, found: SitePass, structures: Structures) -> StepModel:
    """Return hazards, sizes and wild rates; weak priors: ten steps of usual size, 1 % of readings wild."""
    stepped = structures.breaks >= 0
    all_steps = found.struct_weight * stepped
    w = all_steps * (structures.opened == 0)
    n = float(w.sum())
    mean = (float(w @ found.struct_jump) + 10 * 0.9) / (n + 10)
    var = (float(w @ (found.struct_jump_var + (found.struct_jump - mean) ** 2)) + 10 * 0.25) / (n + 10)
    mended = read_before_mending(h, structures, found.struct_weight)
    wild = (float((found.wild_p - mended).sum()) + 1.0) / (h.age.size + 100.0)
    opened = (float(all_steps.sum()) - n + 1.5) / (float(all_steps.sum()) + 10.0)
    return replace(
        update_rates(h, cal.soils, cal.steps, found, structures),
        open_share=float(np.clip(opened, 0.02, 0.6)),
        jump_mean=float(np.clip(mean, 0.4, 1.6)),
        jump_sd=float(np.clip(np.sqrt(var), 0.25, 0.9)),
        wild_share=float(np.clip(wild, 1e-3, 0.08)),
    )


def _update_ceilings(h: Histories, cal: Calibration, found: SitePass) -> Floats:
    """Return the shares of the ceiling classes, net and raw, each with a prior worth twenty electrodes."""
    shares = found.ceiling_weight.reshape(h.electrodes, -1, len(CEILINGS)).sum(axis=1)
    new = np.empty_like(cal.ceiling_weight)
    for raw in (0, 1):
        total = shares[h.raw == bool(raw)].sum(axis=0) + CEILING_PRIOR / shares.shape[1]
        new[raw] = total / total.sum()
    return new


def _update(
    h: Histories, cal: Calibration, p: Prepared, met: Expectation, move_shared: bool, searched: bool
) -> Calibration:
    """Return the calibration after one step; searched: whether steps and wild readings were looked for."""
    found = met.found
    changes: dict[str, Any] = _update_noise(h, cal, found)
    changes["spread"] = _update_field(h, cal, found)
    if searched:  # or there would be none, and hardly any would be looked for
        changes["steps"] = _update_steps(h, cal, found, met.state.structures)
    changes["ceiling_weight"] = _update_ceilings(h, cal, found)
    if move_shared:
        changes |= _update_shared(h, cal, p, found)
    return replace(cal, **changes)


def spread_sample(h: Histories, count: int) -> npt.NDArray[np.int64]:
    """Return count sites spread evenly over soil classes and electrodes a site (indices, increasing)."""
    soil = [h.soil[e] if e < h.electrodes else "" for e in h.site_start[:-1]]
    size = np.diff(h.site_start)
    order = np.array(sorted(range(h.sites), key=lambda s: (soil[s], int(size[s]), h.site_id[s])))
    return np.sort(order[np.linspace(0, h.sites - 1, count).round().astype(int)])


def _summary(cal: Calibration) -> Floats:
    """Return the numbers whose standing still means that the search is done.

    Of flawed rods how far they pull the mean log onset: the odds of hardly any wander without an end.
    """
    s, at = cal.spread, dict(zip(cal.theta_names, cal.theta, strict=True))
    pull = expit(at["flawed_log_odds"]) * at["flawed_earlier"]
    return np.concatenate(
        [
            cal.theta[:7],
            [pull],
            np.log(cal.noise_sd),
            np.log([s.site_sd, s.visit_sd, s.rod_sd]),
            cal.fixed[:4],
            cal.theta[cal.theta.size - len(cal.standards.names) :],
            _STEP_RATES * np.log(np.maximum([cal.steps.break_rate, cal.steps.after_rate], 1e-6)),
        ]
    )


@dataclass(frozen=True)
class Calibrated:
    """A calibration and where its search stood: the site pass of the same histories need not start anew."""

    calibration: Calibration
    state: State


def search_calibration(
    h: Histories,
    each: ForEach = in_turn,
    rounds: int = 12,
    tolerance: float = 0.02,
    start: Calibration | None = None,
    say: Callable[[str], None] = lambda _: None,
    sketch: bool = False,
    by_soil_and_age: bool = False,
) -> Calibrated:
    """Fit everything that electrodes share. Works for any fleet, down to one electrode with one reading.

    rounds: at most so many. tolerance: largest change of the main parameters in a round at which it stops.
    by_soil_and_age: whether the hazard of steps may differ by soil and age, and after the onset. None of it
    is easily told from corrosion: on fleets that had the latter the order within a class was worse with it
    and the intervals held no better.
    """
    cal = adapt(start, h) if start else first_guess(h, by_soil_and_age)
    if h.sites > 2 * EARLY_SITES:
        early = h.sample_sites(spread_sample(h, EARLY_SITES))
        cal = search_calibration(early, each, 6, tolerance, cal, say, sketch=True).calibration
    layout = layout_of(h, cal)
    state = first_state(h, cal, layout)
    trace: list[float] = []
    calm = False
    done = 0
    warm = h.sites > 2 * EARLY_SITES or start is not None
    look, least = ((0,), 2) if warm else ((1, 4, 7), 5)
    terms = fixed_terms(h, cal.soils, cal.districts)
    p = prepare(h, cal, terms, leftover=False)
    for n in range(rounds):
        if n in look:
            state = search(h, cal, p, layout, state, each)
        else:
            state = replace(state, structures=reprice(h, cal.steps, state.structures))
        before = _summary(cal)
        sweeps = 2 if n < (1 if warm else 2) else 1
        looked = n >= look[0]
        cal, p, state, value = calibration_round(h, cal, p, layout, state, sweeps, each, n >= 1, looked)
        trace.append(value)
        change = float(np.abs(_summary(cal) - before).max())
        say(f"calibration round {n + 1}: largest change {change:.3f}")
        done = n + 1
        calm = n >= least and change < tolerance
        if calm:
            break
    if sketch:
        return Calibrated(cal, state)
    return closed(h, replace(cal, rounds=done, converged=calm, trace=tuple(trace)), p, layout, state, each)


def calibration_round(
    h: Histories, cal: Calibration, p: Prepared, layout: ClassLayout, state: State, sweeps: int,
    each: ForEach, move_shared: bool = True, looked: bool = True,
) -> tuple[Calibration, Prepared, State, float]:  # fmt: skip
    """Make one round of the search: an expectation, then a step for everything that electrodes share.

    looked: whether steps have been looked for, so that their rates may move. Half the onsets do: the round
    that closes the search has them all. Returns what is taken as given afterwards, and the log-likelihood
    before.
    """
    rough = p.grid.coarser(growth_too=False)
    met = expect(h, cal, p, layout, state, sweeps, each, rough)
    fit = fit_class_prior(
        on_grid(met.found, rough),
        met.found.like_top,
        layout,
        rough,
        cal.theta,
        steps=8,
        with_covariance=False,
    )
    cal = replace(_update(h, cal, p, met, move_shared, looked), theta=fit.theta)
    after = prepare(h, cal, p.terms, leftover=False)
    moved = carry_factors(h, met.state.factors, after.resid - p.resid)
    return cal, after, replace(met.state, factors=moved), float(met.nodes.site_log_l.sum())


def closed(
    h: Histories, cal: Calibration, p: Prepared, layout: ClassLayout, state: State, each: ForEach
) -> Calibrated:
    """Fit the class parameters a last time, with the covariance that the outlook draws from."""
    met = expect(h, cal, p, layout, state, 1, each)
    fit = fit_class_prior(on_grid(met.found, p.grid), met.found.like_top, layout, p.grid, cal.theta)
    done = replace(
        cal, theta=fit.theta, theta_cov=fit.covariance, log_likelihood=float(met.nodes.site_log_l.sum()),
        converged=cal.converged and fit.converged,
    )  # fmt: skip
    return Calibrated(done, met.state)


def calibrate(
    h: Histories,
    each: ForEach = in_turn,
    rounds: int = 12,
    tolerance: float = 0.02,
    start: Calibration | None = None,
    say: Callable[[str], None] = lambda _: None,
    by_soil_and_age: bool = False,
) -> Calibration:
    """Fit everything that electrodes share; see search_calibration."""
    return search_calibration(
        h, each, rounds, tolerance, start, say, by_soil_and_age=by_soil_and_age
    ).calibration
