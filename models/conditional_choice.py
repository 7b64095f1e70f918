"""Which of several candidates is meant, or none: conditional logit with an outside choice, one to one.

McFadden, "Conditional logit analysis of qualitative choice behavior", in Frontiers in Econometrics (1974).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize

Floats = npt.NDArray[np.float64]
_PRIOR_SD = 3.0  # of a weight, so that a feature which never errs in the examples stays finite


@dataclass(frozen=True)
class Choice:
    """One example: features [candidate, feature]; the place of the right candidate, None where none is."""

    features: Floats
    right: int | None


@dataclass(frozen=True)
class ChoiceFit:
    """weights [feature], none: the utility of no candidate at all; converged; examples."""

    weights: Floats
    none: float
    converged: bool
    examples: int


def probabilities(features: Floats, weights: Floats, none: float) -> Floats:
    """Give each candidate's probability to be the one meant; what is missing to 1 is that none is."""
    utility = np.append(features @ weights, none)
    utility -= utility.max()
    share = np.exp(utility)
    return share[:-1] / share.sum()


def fit_choice(examples: Sequence[Choice]) -> ChoiceFit:
    """Fit the weights to examples by penalised maximum likelihood. Raises ValueError without an example."""
    if not examples:
        raise ValueError("At least one example is needed.")
    size = next(e.features.shape[1] for e in examples)

    def loss(x: Floats) -> tuple[float, Floats]:
        total, slope = 0.5 * float(np.sum((x / _PRIOR_SD) ** 2)), x / _PRIOR_SD**2
        for e in examples:
            p = probabilities(e.features, x[:-1], x[-1])
            rest = max(1.0 - p.sum(), 1e-300)
            total -= np.log(max(rest if e.right is None else p[e.right], 1e-300))
            slope[:-1] += p @ e.features
            slope[-1] += rest
            if e.right is None:
                slope[-1] -= 1.0
            else:
                slope[:-1] -= e.features[e.right]
        return float(total), slope

    found = minimize(loss, np.zeros(size + 1), jac=True, method="L-BFGS-B", options={"maxiter": 500})
    return ChoiceFit(found.x[:-1], float(found.x[-1]), bool(found.success), len(examples))


def one_to_one(shares: Floats, turns: int = 20) -> Floats:
    """Hold back candidates that several names claim: [name, candidate], rows and columns to at most 1.

    Each name may also mean none; each candidate may be nobody's. Sinkhorn's scaling with both left over.
    """
    if shares.shape[0] < 2 or not shares.size:
        return shares
    odds = np.clip(shares, 1e-12, 1.0)
    none = np.clip(1.0 - shares.sum(axis=1, keepdims=True), 1e-6, 1.0)
    claimed = odds.copy()
    for _ in range(turns):
        # What the other names claim of a candidate is gone for this one.
        others = np.clip(claimed.sum(axis=0, keepdims=True) - claimed, 0.0, 0.999)
        weighed = odds * (1.0 - others)
        claimed = 0.5 * claimed + 0.5 * weighed / (weighed.sum(axis=1, keepdims=True) + none)
    return claimed
