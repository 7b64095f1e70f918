"""Simulation-based calibration: does the inference return the model that the fleets were drawn from?

Small fleets are drawn from the model, hyperparameters at their truth, and each true value is ranked among
what its posterior says (Talts, Betancourt, Simpson, Vehtari and Gelman 2018, arXiv:1804.06788): the ranks of
a right inference are uniform. One electrode a fleet is ranked, so that the ranks are independent.

Run as `make sbc`, or `python -m tests.recovery.simulation_based --fleets 200`.
"""

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from models.calibration import Calibration, search_calibration
from models.corrosion_curves import CurveGrid
from models.forecast import Fitted, draws_of, fit_electrodes
from models.histories import AS_INSTALLED, Histories
from models.outlook import cdf_at, curve_mass
from models.site_pass import FieldSpread
from pipeline.engine import one_blas_thread, over_threads
from tests.recovery.own_model import ModelTruth, Plan, draw_fleet, known_calibration

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

BINS = 20
LEVEL = 0.01
LOG_DOUBLE = float(np.log(2.0))
DRAWS = 400
QUANTITIES = ("onset", "growth", "crossing", "level_now", "base")
SITES_A_FLEET = 2
BATCH = 50  # fleets under the same hyperparameters, fitted in one go: given them, sites are independent


def varied_calibration(rng: np.random.Generator) -> Calibration:
    """Return a calibration to draw from with spreads and rates of its own."""
    cal = known_calibration()

    def near(value: float) -> float:
        return float(value * np.exp(rng.uniform(-0.4, 0.4)))

    theta = cal.theta.copy()
    theta[:2] += rng.uniform(-0.3, 0.3, 2)
    theta[3:5] += rng.uniform(-0.3, 0.3, 2)
    return replace(
        cal, theta=theta, noise_sd=cal.noise_sd * np.exp(rng.uniform(-0.4, 0.4, cal.noise_sd.size)),
        spread=FieldSpread(near(0.3), near(0.08), near(1.0), 0.25, near(0.2)),
        steps=replace(
            cal.steps, break_rate=near(0.004), wild_share=near(0.012), after_rate=near(0.01),
            age_power=near(1.0),            soil_factor={"marsh": near(1.5)},
        ),
    )  # fmt: skip


def _share_below(edges: Floats, mass: Floats, value: Floats) -> Floats:
    """Return (N,) each row's mass below its own value; a cell's mass lies evenly in the logarithm."""
    x, at = np.log(edges), np.log(value)
    cell = np.clip(np.searchsorted(x, at, side="right") - 1, 0, edges.size - 2)
    row = np.arange(value.size)
    inside = np.clip((at - x[cell]) / (x[cell + 1] - x[cell]), 0.0, 1.0)
    before = np.cumsum(mass, axis=1)[row, cell] - mass[row, cell]
    return np.asarray((before + inside * mass[row, cell]) / mass.sum(axis=1))


def _of_curves(fit: Fitted, truth: ModelTruth, grid: CurveGrid) -> dict[str, Floats]:
    mass = curve_mass(fit.posterior).astype(float).reshape(-1, *grid.shape)
    return {
        "onset": _share_below(grid.onset_edges, mass.sum(axis=(1, 3)), truth.onset),
        "growth": _share_below(grid.growth_edges, mass.sum(axis=(1, 2)), truth.growth),
    }


def shares_below(
    fit: Fitted, truth: ModelTruth, which: npt.NDArray[np.int64], rng: np.random.Generator
) -> dict[str, Floats]:
    """Return for each quantity the posterior probability below the truth, for the electrodes which (n,).

    Onset and growth from the mass on the grid, the crossing age from its published distribution (what never
    crosses takes a place at random in the mass that is left), level and baseline from draws.
    """
    found = {k: v[which] for k, v in _of_curves(fit, truth, fit.prepared.grid).items()}
    cdf = fit.crossing.cdf[which]
    at = truth.crossing[which]
    never = at >= 200.0
    below = cdf_at(cdf, np.where(never, 200.0, at))
    found["crossing"] = np.where(never, below + (1.0 - below) * rng.random(at.size), below)
    level, base = np.empty(which.size), np.empty(which.size)
    for n, i in enumerate(which):
        d = draws_of(fit, int(i), rng, DRAWS)
        now = d.base + d.log_ratio_at(fit.histories.age_now[[i]])[:, 0]
        level[n] = ((now < truth.level_now[i]).sum() + rng.random()) / (now.size + 1)
        base[n] = ((d.base < truth.base[i]).sum() + rng.random()) / (now.size + 1)
    return found | {"level_now": level, "base": base}


@dataclass(frozen=True)
class Uniformity:
    """Chi-square of ranks in BINS bins, its p-value, counts (BINS,), and the largest ECDF difference."""

    statistic: float
    p: float
    counts: npt.NDArray[np.int64]
    furthest: float


def uniformity(shares: Floats) -> Uniformity:
    """Test shares in [0, 1] for uniformity."""
    counts = np.bincount(np.minimum((shares * BINS).astype(int), BINS - 1), minlength=BINS)
    expected = shares.size / BINS
    statistic = float(((counts - expected) ** 2).sum() / expected)
    x = np.sort(shares)
    gap = (np.arange(x.size) + 0.5) / x.size - x
    return Uniformity(
        statistic, float(chi2.sf(statistic, BINS - 1)), counts, float(gap[np.abs(gap).argmax()])
    )


def picture(shares: Floats, columns: int = 40) -> str:
    """Draw the ECDF less the diagonal as a line of text.

    A dot is inside the pointwise 99 % band; outside it, 1-9 above and a-i below, in widths of the band.
    """
    x = np.sort(shares)
    out = []
    for z in (np.arange(columns) + 0.5) / columns:
        gap = np.searchsorted(x, z) / x.size - z
        band = 2.576 * np.sqrt(z * (1 - z) / x.size)
        times = int(abs(gap) / band)
        mark = "." if times == 0 else str(min(times, 9)) if gap > 0 else chr(ord("a") + min(times, 9) - 1)
        out.append(mark)
    return "".join(out)


def ranked(
    fleets: int, seed: int, spoilt: Callable[[Calibration], Calibration] = lambda cal: cal
) -> tuple[dict[str, Floats], dict[str, Flags]]:
    """Draw fleets, fit each with its hyperparameters at their truth, and rank one electrode of each.

    spoilt: what is done to the truth before the fit, for a wrong model. Returns shares below the truth by
    quantity, and flags of the ranked electrodes by name.
    """
    rng = np.random.default_rng(seed)
    shares: dict[str, list[Floats]] = {q: [] for q in QUANTITIES}
    flags: dict[str, list[Flags]] = {}
    for _ in range(-(-fleets // BATCH)):
        cal = varied_calibration(rng)
        h, truth = draw_fleet(cal, rng, Plan(sites=SITES_A_FLEET * BATCH, rods=(2, 8)))
        fit = fit_electrodes(h, spoilt(cal), np.full(h.electrodes, LOG_DOUBLE), rng, over_threads())
        first = h.site_start[:-1][::SITES_A_FLEET]
        last = h.site_start[1:][SITES_A_FLEET - 1 :: SITES_A_FLEET]
        which = first + (rng.random(first.size) * (last - first)).astype(np.int64)
        for q, v in shares_below(fit, truth, which, rng).items():
            shares[q].append(v)
        for k, f in flags_of(h).items():
            flags.setdefault(k, []).append(f[which])
    return (
        {q: np.concatenate(v)[:fleets] for q, v in shares.items()},
        {k: np.concatenate(v)[:fleets] for k, v in flags.items()},
    )


def flags_of(h: Histories) -> dict[str, Flags]:
    """Return what sorts electrodes by what was seen of them (never by the truth), by name: (N,) flags."""
    of, N = h.reading_electrode, h.electrodes
    counts = np.diff(h.reading_start)
    return {
        "read when new": np.bincount(of, h.kind == AS_INSTALLED, minlength=N) > 0,
        "over range": np.bincount(of, h.side > 0, minlength=N) > 0,
        "under eight readings": counts < 8,
        "eight or more": counts >= 8,
    }


def coverage(shares: Floats) -> float:
    """Return which share of the 90 % intervals held."""
    return float(np.mean((shares > 0.05) & (shares < 0.95)))


def _table(shares: dict[str, Floats], flags: dict[str, Flags]) -> list[str]:
    lines = [f"  {'':<10} chi-square of {BINS} bins, p    90 % holds  ECDF less the diagonal"]
    for q, v in shares.items():
        u = uniformity(v)
        verdict = "uniform" if u.p >= LEVEL else "NOT uniform"
        lines.append(
            f"  {q:<10} {u.statistic:6.1f}  {u.p:.3f}  {verdict:<12} {coverage(v):.3f}  {u.furthest:+.3f}  "
            f"{picture(v)}"
        )
    lines.append("  90 % holds, by what was seen of an electrode: " + ", ".join(shares))
    for k, f in flags.items():
        if f.sum() > 30:
            held = "  ".join(f"{coverage(v[f]):.2f}" for v in shares.values())
            lines.append(f"    {k:<22} {int(f.sum()):5d}   {held}")
    return lines


def _small_noise(cal: Calibration) -> Calibration:
    return replace(
        cal, noise_sd=0.5 * cal.noise_sd, spread=replace(cal.spread, visit_sd=0.5 * cal.spread.visit_sd)
    )


def fitted_coverage(fleets: int, seed: int, plan: Plan) -> dict[str, tuple[float, float]]:
    """Return by quantity how often 90 % intervals hold with hyperparameters at their truth, and fitted."""
    rng = np.random.default_rng([seed, 1])
    parts: dict[str, list[tuple[Floats, Floats]]] = {q: [] for q in QUANTITIES}
    for _ in range(fleets):
        cal = varied_calibration(rng)
        h, truth = draw_fleet(cal, rng, plan)
        every = np.arange(h.electrodes)
        threshold = np.full(h.electrodes, LOG_DOUBLE)
        searched = search_calibration(h, over_threads())
        both = [
            shares_below(fit_electrodes(h, c, threshold, rng, over_threads(), state), truth, every, rng)
            for c, state in ((cal, None), (searched.calibration, searched.state))
        ]
        for q in QUANTITIES:
            parts[q].append((both[0][q], both[1][q]))
    return {
        q: (coverage(np.concatenate([a for a, _ in v])), coverage(np.concatenate([b for _, b in v])))
        for q, v in parts.items()
    }


def main() -> None:
    """Print how uniform the ranks are, that a wrong model is found out, and what fitting costs."""
    ask = argparse.ArgumentParser(prog="python -m tests.recovery.simulation_based", description=__doc__)
    ask.add_argument("--fleets", type=int, default=1000)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--fitted", type=int, default=4, help="fleets of 40 sites with everything fitted")
    given = ask.parse_args()
    start = time.monotonic()
    with one_blas_thread():
        print(f"{given.fleets} fleets from the model, hyperparameters at their truth, one electrode of each:")
        print("\n".join(_table(*ranked(given.fleets, given.seed))), flush=True)
        control = ranked(max(given.fleets // 2, 100), given.seed, _small_noise)[0]
        found = [q for q, v in control.items() if uniformity(v).p < LEVEL]
        print(
            f"  noise and visits taken for half of what they are, not uniform: {', '.join(found) or 'NONE'}"
        )
        print(f"  {time.monotonic() - start:.0f} s", flush=True)
        if given.fitted:
            plan = Plan(sites=40, rods=(3, 6))
            print(
                f"{given.fitted} fleets of {plan.sites} sites; 90 % holds, hyperparameters known -> fitted:"
            )
            cost = fitted_coverage(given.fitted, given.seed, plan)
            print("  " + ", ".join(f"{q} {a:.3f} -> {b:.3f} ({b - a:+.3f})" for q, (a, b) in cost.items()))
    print(f"  {time.monotonic() - start:.0f} s")


if __name__ == "__main__":
    main()
