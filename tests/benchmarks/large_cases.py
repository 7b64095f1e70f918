"""The cases of large fleets: growth of the pass by shards, what a sample costs, a night, general tools."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from tests.benchmarks.measure import Measured, best, work

if TYPE_CHECKING:
    from tests.benchmarks.cases import Place, Row

GROWTH = (10_000, 30_000, 100_000)
NIGHT, NIGHT_SECONDS, NEW_SECONDS = 6_000, 5.0, 30.0
SAMPLED = (12_000, 300)  # electrodes, sites of the sample
MIXED = (2_000, 100_000)  # electrodes: as far as statsmodels goes in seconds, and a fleet
PASS_SECONDS_A_MILLION, PASS_MB = 180.0, 4000.0


def _fleet(place: "Place", electrodes: int) -> None:
    if not (place.folder / str(electrodes)).exists():
        work("make_fleet", place.folder, str(electrodes))


def _said(found: Measured) -> str:
    return ", ".join(f"{name} {took:.1f}" for name, took in found.facts["stages"].items())


def general_tools(place: "Place") -> Iterator["Row"]:
    """What general tools take for the same readings, per 100,000 electrodes; baseline: a line by polars."""
    from tests.benchmarks.cases import Row

    few, many = (str(n) for n in MIXED)
    for n in MIXED:
        _fleet(place, n)
    line = best(*(work("line_polars", place.folder, many) for _ in range(2)))

    def each(found: Measured) -> float:
        return found.inside / max(found.facts["electrodes"], 1) * 100_000

    base = each(line)
    yield Row(
        "baseline: straight line, polars", base, line.peak_mb, 1.0, f"per 100,000; polars, {MIXED[1]:,}"
    )
    for what, name, size in (
        ("straight line, pandas and polyfit", "line_pandas", few),
        ("mixed model, statsmodels", "mixed_statsmodels", few),
        ("mixed model, mixedlm-rs", "mixed_compiled", few),
        ("mixed model, mixedlm-rs", "mixed_compiled", many),
    ):
        found = work(name, place.folder, size)
        if found.facts.get("missing"):
            yield Row(what, float("nan"), None, None, "not installed: pip install 'rodfleet[bench]'")
            continue
        told = f"{found.facts['electrodes']:,} electrodes in {found.inside:.2f} s"
        if "converged" in found.facts:
            told += (
                f", log likelihood {found.facts['log_likelihood']:.2f}, converged: {found.facts['converged']}"
            )
        yield Row(what, each(found), found.peak_mb, each(found) / base, f"per 100,000; {told}")


def pass_growth(place: "Place") -> Iterator["Row"]:
    """The pass by shards under a kept calibration, per 1,000 electrodes; baseline: the smallest fleet."""
    from tests.benchmarks.cases import Row

    smallest: float | None = None
    for n in GROWTH:
        _fleet(place, n)
        work("lend_calibration", place.folder, str(n))
        found = work("large_pass", place.folder, str(n))
        per_1000 = found.inside / n * 1000
        smallest = smallest or per_1000
        note = f"per 1,000; {found.inside:.1f} s: {_said(found)}"
        yield Row(f"pass by shards, {n:,} electrodes", per_1000, found.peak_mb, per_1000 / smallest, note)
    whole = per_1000 * 1000
    good = whole < PASS_SECONDS_A_MILLION and found.peak_mb < PASS_MB
    note = f"{'pass' if good else 'FAIL'} (< {PASS_SECONDS_A_MILLION:g} s, {PASS_MB:g} MB)"
    yield Row("  a million at that pace", whole, found.peak_mb, None, note)


def sample_loss(place: "Place") -> Iterator["Row"]:
    """A calibration on a sample of sites and what it loses; baseline: the same on all sites."""
    from tests.benchmarks.cases import Row

    electrodes, sites = SAMPLED
    _fleet(place, electrodes)
    found = work("calibration_sample", place.folder, f"{electrodes}/{sites}")
    told = found.facts
    whole = told["seconds_all"]
    yield Row("baseline: calibration on all sites", whole, None, 1.0, f"{told['all_sites']:,} sites")
    note = (
        f"p_past_5y apart by {told['mean_apart']:.4f} on average, {told['p99_apart']:.3f} at most in 99 %, "
        f"median crossing by {told['years_apart']:.2f} years"
    )
    yield Row(f"calibration on {sites} sites", found.inside, found.peak_mb, found.inside / whole, note)


def night(place: "Place") -> Iterator["Row"]:
    """A night of 6,000 electrodes, vetted readings in the store to the outlook: calibrated anew, then not."""
    from tests.benchmarks.cases import Row

    _fleet(place, NIGHT)
    for what, target in (
        ("calibration included", NEW_SECONDS),
        ("under the kept calibration", NIGHT_SECONDS),
    ):
        found = work("night", place.folder, str(NIGHT))
        note = f"{'pass' if found.inside < target else 'FAIL'} (< {target:g} s): {_said(found)}"
        yield Row(what, found.inside, found.peak_mb, None, note)
