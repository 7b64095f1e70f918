"""What surveys say of how harsh a site's ground is, in words: of a fleet, and of one site."""

from typing import Any

import numpy as np

from models.calibration import Calibration
from models.covariates import COVARIATES, YES_OR_NO
from models.forecast import Fitted

# What more of a covariate is, in words; of what varies by degrees {} is how many times, or how much.
_MORE = {
    "log_resistivity": "resistivity {times:.1f} times what is usual for its soil class",
    "ph": "a pH {much:.1f} above what is usual for its soil class",
    "log_chloride": "chloride {times:.1f} times what is usual for its soil class",
    "poor_drainage": "drainage poorer than is usual for its soil class",
    "copper_grid": "a copper grid, beside one without",
    "stray_dc": "stray direct current, beside one without",
    "cathodic_protection": "cathodic protection, beside one without",
}
_BAND_SD = 1.645  # of a 90 % interval
_HERE = {
    "log_resistivity": "resistivity {times:.1f} times the usual",
    "ph": "pH {much:+.1f} from the usual",
    "log_chloride": "chloride {times:.1f} times the usual",
    "poor_drainage": "drainage unlike the usual",
    "copper_grid": "copper grid: {yes}",
    "stray_dc": "stray direct current: {yes}",
    "cathodic_protection": "cathodic protection: {yes}",
}
_HARDLY = 0.05  # of the site effect: not worth a word


def ground_facts(cal: Calibration) -> list[dict[str, Any]]:
    """Return what surveys were found to say of a site's harshness, in the order of the covariates.

    covariate; effect, low, high: by how much one spread within the class, or a yes, moves the site effect,
    with its 90 % interval; onset_pct, growth_pct: what that means for its rods; sentence.
    """
    at = dict(zip(cal.theta_names, cal.theta, strict=True))
    spread = dict(zip(cal.theta_names, np.sqrt(np.maximum(np.diag(cal.theta_cov), 0.0)), strict=True))
    found = []
    for name, sd in zip(cal.standards.names, cal.standards.sd, strict=True):
        unit = 1.0 / float(sd) if name in YES_OR_NO else 1.0
        effect = unit * float(at[f"harshness_{name}"])
        half = unit * _BAND_SD * float(spread[f"harshness_{name}"])
        onset = 100.0 * float(np.expm1(-at["onset_site_load"] * effect))
        growth = 100.0 * float(np.expm1(at["growth_site_load"] * effect))
        more = _MORE[name].format(times=np.exp(sd), much=sd)
        told = (
            f"its rods begin to corrode {abs(onset):.0f} % {'later' if onset > 0 else 'earlier'} and then go "
            f"{abs(growth):.0f} % {'faster' if growth > 0 else 'slower'}"
            if abs(effect) > half
            else "whether that makes it harsher can't be told from these readings"
        )
        found.append(
            {
                "covariate": name, "effect": effect, "low": effect - half, "high": effect + half,
                "onset_pct": onset, "growth_pct": growth,
                "sentence": f"At a site of {more}, the site effect is {effect:+.2f} ({effect - half:+.2f} to "
                f"{effect + half:+.2f}): {told}.",
            }
        )  # fmt: skip
    return found


def ground_of_site(fit: Fitted, site: int = 0) -> str:
    """Say what a survey of this site lets expect before any reading; empty where it says nothing."""
    layout, standards, ground = fit.layout, fit.calibration.standards, fit.histories.ground
    if not standards.names or ground is None:
        return ""
    theta = fit.calibration.theta
    moved = layout.ground[site] * theta[-len(standards.names) :]
    said = []
    for k in np.argsort(-np.abs(moved), kind="stable"):
        if abs(moved[k]) < _HARDLY:
            continue
        name, apart = standards.names[k], float(layout.ground[site, k] * standards.sd[k])
        value = ground[site, COVARIATES.index(name)]
        words = _HERE[name].format(times=np.exp(apart), much=apart, yes="yes" if value > 0.5 else "no")
        said.append(f"{words} ({moved[k]:+.2f})")
    if not said:
        return ""
    shift = float(layout.shift(theta)[0][site])
    return f"Ground, within its class: {', '.join(said)}; a site effect of {shift:+.2f} before any reading."
