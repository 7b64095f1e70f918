"""What a run says of itself: when it was made, with which versions and settings, what had to be assumed."""

import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from models.calibration import CEILINGS, Calibration
from models.corrosion_curves import FAMILIES, ONSET
from models.forecast import Fitted
from models.histories import DAYS_A_YEAR
from models.step_hazard import WORKING_YEARS
from pipeline.ground_words import ground_facts
from pipeline.publish import RunCheck
from pipeline.settings import Settings

_LIBRARIES = (
    "rodfleet",
    "numpy",
    "scipy",
    "polars",
    "duckdb",
    "numba",
    "statsmodels",
    "scikit-learn",
    "lifelines",
    "altair",
    "prefect",
)
_STEADY = 0.05  # a rate that changes by less from 10 to 30 years of age is called steady (log)
_MOST_SHIFTS = 10  # told one by one among the warnings


def new_run_id(now: datetime, as_of: date) -> str:
    """Return a run's name: when it ran, and the day that it looks from."""
    return f"{now:%Y%m%dT%H%M%S}-{now.microsecond // 1000:03d}-asof-{as_of:%Y%m%d}"


def versions() -> dict[str, str]:
    """Return the versions of what computed the run."""
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def calibration_facts(cal: Calibration) -> dict[str, Any]:
    """Return the calibration as plain values, by name, for run.json and the store."""
    facts: dict[str, Any] = {
        "log_likelihood": cal.log_likelihood,
        "rounds": cal.rounds,
        "converged": cal.converged,
        "method": cal.method,
        "noise_spread": cal.noise_spread,
        "installed_sd": cal.installed_sd,
        "isolated_sd": cal.isolated_sd,
        "district_year_sd": cal.period_sd,
        "site_sd": cal.spread.site_sd,
        "visit_sd": cal.spread.visit_sd,
        "visit_years": cal.spread.visit_years,
        "rod_sd": cal.spread.rod_sd,
        "breaks": breaks_in_words(cal),
        "break_rate_per_year": cal.steps.break_rate,
        "break_rate_after_onset_per_year": cal.steps.after_rate,
        "break_age_power": cal.steps.age_power,
        "jump_mean": cal.steps.jump_mean,
        "jump_sd": cal.steps.jump_sd,
        "wild_share": cal.steps.wild_share,
    }
    for basis, shares in zip(("net", "raw"), cal.ceiling_weight, strict=True):
        facts |= {
            f"ceiling_share_{basis}_x{np.exp(c):.1f}": float(v) for c, v in zip(CEILINGS, shares, strict=True)
        }
    if cal.families != (ONSET,) or cal.family_scored.size:
        facts |= {
            f"curve_{f.name}_{s}": float(v)
            for f, shares in zip(FAMILIES, cal.family_shares.T, strict=True)
            for s, v in zip(cal.soils, shares, strict=True)
        }
        facts["curve_families_scored_on"] = float(cal.family_scored.sum())
        facts["curve_families_gain_in_log_score"] = float(cal.family_gain.sum())
    rates = zip(cal.soils, cal.steps.rates(cal.soils), strict=True)
    facts |= {f"break_rate_per_year_{s}": float(v) for s, v in rates}
    facts |= {f"noise_sd_{s}": float(v) for s, v in zip(cal.soils, cal.noise_sd, strict=True)}
    facts["season_harmonics"] = cal.season.harmonics
    facts |= {f"season_evidence_of_{k}_harmonics": float(v) for k, v in enumerate(cal.season_evidence)}
    shared = zip(cal.fixed_names, cal.fixed, strict=True)
    facts |= {n: float(v) for n, v in shared if v != 0.0 or not n.startswith("season_")}
    variance = np.diag(cal.theta_cov)
    spread = np.sqrt(np.where(variance >= 0, variance, np.nan))  # none where a fit did not converge
    facts |= {n: float(v) for n, v in zip(cal.theta_names, cal.theta, strict=True)}
    facts |= {f"{n}_sd": float(v) for n, v in zip(cal.theta_names, spread, strict=True)}
    return {k: (v if not isinstance(v, float) or np.isfinite(v) else None) for k, v in facts.items()}


def breaks_in_words(cal: Calibration) -> str:
    """Say how often something gives way at once, by soil class and age, and once corrosion has begun."""
    steps = cal.steps
    by_soil = sorted(zip(steps.rates(cal.soils), cal.soils, strict=True), reverse=True)
    classes = ", ".join(f"{s} {1000.0 * r:.1f}" for r, s in by_soil)
    said = f"Of 1,000 sound rods {1000.0 * steps.break_rate:.1f} part at once in a year ({classes})"
    if steps.after_rate:
        said += f"; once cladding or joint has given way, {1000.0 * steps.after_rate:.1f} more"
    said += "."
    old, young = (steps.age_power * (a / WORKING_YEARS) ** (steps.age_power - 1.0) for a in (30.0, 10.0))
    times = old / young
    if abs(np.log(times)) < _STEADY:
        return f"{said} Age by itself changes that little."
    return f"{said} At 30 years of age that of sound rods is {times:.1f} times what it is at 10."


def shifts_to_ask_about(fit: Fitted) -> list[dict[str, Any]]:
    """Return the lasting shifts of whole sites that no works record explains, the surest first.

    site_id, after and by (ISO dates of the visits between which it came), change_pct, probability, sentence.
    """
    h = fit.histories
    found = []
    for shift in sorted(fit.shifts, key=lambda s: (-s.log_bayes_factor, s.site)):
        visits = h.visit_year[h.visit_start[shift.site] : h.visit_start[shift.site + 1]]
        at = int(np.searchsorted(visits, shift.year))
        after, by = (_day_of(float(visits[k])) for k in (at - 1, at))
        change = 100.0 * float(np.expm1(shift.size_log))
        found.append(
            {
                "site_id": h.site_id[shift.site],
                "after": after,
                "by": by,
                "change_pct": change,
                "probability": shift.probability,
                "sentence": f"All wells of {h.site_id[shift.site]} moved by {change:+.0f} % for good between "
                f"{after} and {by} and no works record says why: ask what was changed.",
            }
        )
    return found


def _day_of(year: float) -> str:
    """Return the ISO date of a decimal year."""
    start = date(int(year), 1, 1)
    return (start + timedelta(days=round((year - start.year) * DAYS_A_YEAR))).isoformat()


@dataclass(frozen=True)
class Assumed:
    """What had to be assumed or left out on the way, in sentences, and how far the fit is to be trusted."""

    sentences: list[str]
    calibration: Calibration
    unsettled: int
    """Electrodes at sites whose shared effect did not settle."""
    shifts: Sequence[Mapping[str, Any]] = ()
    """As shifts_to_ask_about gives them."""

    def warnings(self) -> list[str]:
        """Return the sentences that the page shows as warnings."""
        out = list(self.sentences)
        if not self.calibration.converged:
            out.append("The calibration did not converge; the outlook is marked as not converged.")
        elif self.unsettled:
            out.append(
                f"{self.unsettled} electrodes stand at sites whose shared effect did not settle; "
                "they are marked."
            )
        out += [s["sentence"] for s in self.shifts[:_MOST_SHIFTS]]
        if more := len(self.shifts[_MOST_SHIFTS:]):
            out.append(f"{more} more sites moved for good with no works record; their pages say so.")
        return out


def facts_of(
    run_id: str,
    started: datetime,
    as_of: date,
    tables: dict[str, pl.DataFrame],
    settings: Settings,
    seconds: dict[str, float],
    checks: list[RunCheck],
    assumed: Assumed,
) -> dict[str, Any]:
    """Return what run.json says."""
    verdicts = tables["reading_verdicts"]
    return {
        "run_id": run_id,
        "started_at": started.isoformat(timespec="seconds"),
        "finished_at": datetime.now().astimezone().isoformat(timespec="seconds"),
        "as_of": as_of.isoformat(),
        "seed": settings.seed,
        "settings": _plain(settings),
        "versions": versions(),
        "counts": {
            "sites": tables["site_outlook"].height,
            "electrodes": tables["electrode_outlook"].height,
            "electrodes_renewed": tables["electrode_lives"].height - tables["electrode_outlook"].height,
            "wells": int(tables["site_outlook"]["wells"].sum()),
            "rods": int(tables["site_outlook"]["rod_count"].sum()),
            "readings": verdicts.height,
            "refused_rows": tables["refused_rows"].height,
            **{f"readings_{v}": n for v, n in sorted(verdicts.group_by("verdict").len().iter_rows())},
        },
        "seconds": seconds,
        "checks": [{"name": c.name, "passed": c.passed, "rows": c.rows} for c in checks],
        "calibration": calibration_facts(assumed.calibration),
        "warnings": assumed.warnings(),
        "ground": ground_facts(assumed.calibration),
        "lasting_shifts": [dict(s) for s in assumed.shifts],
        "currency": settings.currency,
    }


def _plain(settings: Settings) -> dict[str, Any]:
    def plain(value: Any) -> Any:
        return str(value) if isinstance(value, Path) else list(value) if isinstance(value, tuple) else value

    return {key: plain(value) for key, value in vars(settings).items()}


def closing_lines(tables: dict[str, pl.DataFrame], facts: dict[str, Any]) -> list[str]:
    """Say in a few lines what the run found and what it had to assume."""
    counts, ranked = facts["counts"], tables["site_ranking"]
    lines = [f"{counts['sites']:,} sites, {counts['electrodes']:,} electrodes, as of {facts['as_of']}."]
    if ranked.height:
        first = ranked.row(0, named=True)
        name = first["site_name"] or first["site_id"]
        lines.append(f"First to spend on: {name} ({first['site_id']}). {first['reason']}")
    return lines + [f"Note: {w}" for w in facts["warnings"]]
