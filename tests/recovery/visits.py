"""How far the visit effects are from their truth, beside how far they claim to be."""

import numpy as np
import numpy.typing as npt
import polars as pl

from models.calibration import period_effects
from models.forecast import Fitted

Floats = npt.NDArray[np.float64]


def visit_errors(fit: Fitted, true_visit: Floats) -> pl.DataFrame:
    """Return site, error and claimed sd of each visit's effect, and of its deviation from its site's mean.

    true_visit: (M,) log effect of the visit on each reading, nan outside any. An effect is the
    district-year's and the visit's own together; a site's mean of them trades with its level, deviations
    from it do not.
    """
    h = fit.histories
    of_site = h.electrode_site[h.reading_electrode]
    seen = (h.visit >= 0) & np.isfinite(true_visit)
    at = (h.visit_start[of_site] + h.visit)[seen]
    V = h.visit_year.size
    counts = np.maximum(np.bincount(at, minlength=V), 1)
    truth = np.bincount(at, true_visit[seen], minlength=V) / counts
    period = np.bincount(at, period_effects(h, fit.calibration)[seen], minlength=V) / counts
    met = np.bincount(at, minlength=V) > 0
    frames = []
    for s in range(h.sites):
        v = slice(h.visit_start[s], h.visit_start[s + 1])
        k = np.flatnonzero(met[v])
        if not k.size:
            continue
        cov = np.asarray(fit.found.field_cov[s])[1:, 1:][np.ix_(k, k)]
        error = fit.found.field_mean[s][1:][k] + period[v][k] - truth[v][k]
        centre = np.eye(k.size) - 1.0 / k.size
        frames.append(
            pl.DataFrame(
                {
                    "site_id": [h.site_id[s]] * k.size, "error": error, "sd": np.sqrt(np.diag(cov)),
                    "deviation_error": centre @ error,
                    "deviation_sd": np.sqrt(np.maximum(np.diag(centre @ cov @ centre), 0.0)),
                }
            )
        )  # fmt: skip
    return pl.concat(frames)


def spread_ratio(error: Floats, sd: Floats) -> float:
    """Return the size of the errors over the size that they claim (root mean squares)."""
    return float(np.sqrt(np.mean(error**2) / np.mean(sd**2)))
