"""The case of survival: Turnbull's curve and the regression of a large fleet, beside lifelines."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from tests.benchmarks.measure import work

if TYPE_CHECKING:
    from tests.benchmarks.cases import Place, Row

ELECTRODES = 100_000
# lifelines' estimator takes time and memory with the square of the rows: so many it bears.
LIFELINES_CURVE = 2_000
CURVE_SECONDS, REGRESSION_SECONDS = 20.0, 60.0


def survival(place: "Place") -> Iterator["Row"]:
    """Turnbull's curve and a regression of 100,000 electrodes; baseline: lifelines."""
    from tests.benchmarks.cases import Row, _verdict

    few, many = str(LIFELINES_CURVE), str(ELECTRODES)
    theirs = work("survival_turnbull_lifelines", place.folder, few)
    small, own = (work("survival_turnbull", place.folder, n) for n in (few, many))
    yield Row(f"baseline: lifelines' curve, {few} rows", theirs.inside, theirs.peak_mb, 1.0)
    yield Row(f"Turnbull's curve, {few} rows", small.inside, None, small.inside / theirs.inside)
    for what, took in (("curve", own.inside), ("curve and both bands", own.facts["bands"])):
        note = f"{_verdict(took, CURVE_SECONDS, 's')}, converged: {own.facts['converged']}"
        yield Row(f"Turnbull's {what}, {many} rows", took, own.peak_mb, None, note)
    other = work("survival_regression_lifelines", place.folder, many)
    fit = work("survival_regression", place.folder, many)
    yield Row(f"baseline: lifelines' regression, {many}", other.inside, other.peak_mb, 1.0)
    for what, took in (("clustered by site", fit.inside), ("with a site frailty", fit.facts["frailty"])):
        note = f"{_verdict(took, REGRESSION_SECONDS, 's')}, converged: {fit.facts['converged']}"
        yield Row(f"regression {what}, {many}", took, fit.peak_mb, took / other.inside, note)
