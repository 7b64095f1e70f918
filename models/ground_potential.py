"""What a fault would lift a site to, and what a body is taken to bear.

Beside the outlook, never in a sum of money. No judgement of touch and step voltages, which depend on the
surface, the fence and where somebody stands: that is for licensed engineers under the local code.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

BODY_FACTOR = {50: 0.116, 70: 0.157}  # ampere times root second, by kilogram of body


def potential_rise_v(fault_current_ka: ArrayLike, split_factor: ArrayLike, site_ohm: ArrayLike) -> Array:
    """Give the rise of a site's potential over remote earth at a fault, volt.

    Fault current times `split_factor`, the share (0..1) of it that goes to earth here, times resistance.
    Raises ValueError for a share outside 0 to 1. IEEE Std 80 (from memory), without its decrement factor.
    """
    share = np.asarray(split_factor, dtype=np.float64)
    if np.any((share < 0) | (share > 1)):
        raise ValueError("split_factor is a share from 0 to 1.")
    return 1000 * np.asarray(fault_current_ka, dtype=np.float64) * share * np.asarray(site_ohm)


def body_current_a(duration_s: ArrayLike, body_kg: int = 50) -> Array:
    """Give the body current that is taken to be bearable for so long: 0.116/sqrt(t) A at 50 kg, 0.157 at 70.

    IEEE Std 80, for 0.03 to 3 s. Raises KeyError for another body, ValueError for another time.
    """
    seconds = np.asarray(duration_s, dtype=np.float64)
    if np.any((seconds < 0.03) | (seconds > 3.0)):
        raise ValueError("duration_s must lie from 0.03 to 3 s.")
    return BODY_FACTOR[body_kg] / np.sqrt(seconds)
