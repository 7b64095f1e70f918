"""The cases: what is measured, and against what in the same run."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks.intake_cases import intake, large_intake, two_gigabytes
from tests.benchmarks.large_cases import general_tools, night, pass_growth, sample_loss
from tests.benchmarks.measure import Measured, best, command, work
from tests.benchmarks.survival_cases import survival

TARGET_SECONDS, TARGET_MB = 60.0, 2000.0  # of the whole run for a fleet of 300 sites
SITES, GROWTH_SITES = 300, (75, 150, 300)


@dataclass(frozen=True)
class Row:
    """One line of the table: seconds, peak_mb (None: not measured), how many times the baseline's seconds."""

    what: str
    seconds: float
    peak_mb: float | None = None
    times_baseline: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Place:
    """Hold the scratch folder; what several cases stand on is made once."""

    folder: Path

    def fleet(self) -> Path:
        """Give a fleet of 300 sites in three layouts, loaded; a tiny run before compiles the kernels."""
        fleet = self.folder / "fleet"
        if not fleet.exists():
            for name, sites in (("tiny", 4), ("fleet", SITES)):
                self._load(self.folder / name, sites)
            command(self.folder / "tiny", "run")
        return fleet

    def run(self) -> Path:
        """Give the fleet with a published run."""
        fleet = self.fleet()
        if not (fleet / "out" / "current").exists():
            command(fleet, "run")
        return fleet

    def million(self) -> Path:
        """Give a folder with a million readings, as a file and as frames."""
        folder = self.folder / "million"
        if not folder.exists():
            folder.mkdir()
            work("make_readings", folder)
        return folder

    def _load(self, fleet: Path, sites: int) -> None:
        fleet.mkdir()
        command(fleet, "synthesize", fleet / "field", "--sites", str(sites), "--seed", "1")
        command(fleet, "load", fleet / "field")


def _against(what: str, found: Measured, seconds: float, baseline: float, note: str = "") -> Row:
    return Row(what, seconds, found.peak_mb, seconds / baseline, note)


def _verdict(value: float, target: float, unit: str) -> str:
    return f"{'pass' if value < target else 'FAIL'} (< {target:g} {unit})"


def whole_run(place: Place) -> Iterator[Row]:
    """`rodfleet run`, whole processes; baselines: a line for each electrode, a mixed model of all."""
    fleet = place.fleet()
    run = command(fleet, "run")
    line = best(*(work("straight_line", fleet) for _ in range(2)))
    mixed = work("mixed_model", fleet)
    told = work("stages", fleet).facts
    readings, converged = line.facts["readings"], mixed.facts["converged"]
    yield Row(
        "baseline: straight line per electrode",
        line.seconds,
        line.peak_mb,
        1.0,
        f"polars, {readings:,} readings",
    )
    yield _against(
        "baseline: mixed model, slope and intercept",
        mixed,
        mixed.seconds,
        line.seconds,
        f"converged: {converged}",
    )
    note = f"{_verdict(run.seconds, TARGET_SECONDS, 's')}, {_verdict(run.peak_mb, TARGET_MB, 'MB')}"
    yield _against("rodfleet run, 300 sites", run, run.seconds, line.seconds, note)
    stages = ", ".join(f"{name} {took:.1f}" for name, took in told["stages"].items())
    yield Row(
        "  by its own account", told["seconds"], None, told["seconds"] / mixed.seconds, "of the mixed model"
    )
    yield Row("  stages", told["seconds"], None, None, stages)


def vetting(place: Place) -> Iterator[Row]:
    """Vetting of a million readings in memory; baseline: a group_by median of the same frame."""
    million = place.million()
    median, vetted = work("medians", million), work("vetting", million)
    verdicts = ", ".join(f"{n:,} {v.replace('_', ' ')}" for v, n in vetted.facts["verdicts"].items())
    yield Row("baseline: polars median per electrode", median.inside, median.peak_mb, 1.0)
    yield _against("vet", vetted, vetted.inside, median.inside, verdicts)


def page_building(place: Place) -> Iterator[Row]:
    """Pages, workbook and copies of a run of 300 sites, its tables staged."""
    built = work("pages", place.run())
    note = f"{built.facts['files']} files, {built.facts['megabytes']:.1f} MB"
    yield Row("build the pages of 300 sites", built.inside, built.peak_mb, None, note)


def growth(place: Place) -> Iterator[Row]:
    """The site pass under a stored calibration, per 1,000 electrodes; baseline: the smallest fleet."""
    fleet = place.fleet()
    kept = work("keep_calibration", fleet, str(GROWTH_SITES[0]))
    note = f"converged: {kept.facts['converged']}"
    yield Row(f"calibration on {GROWTH_SITES[0]} sites, kept", kept.inside, kept.peak_mb, None, note)
    smallest: float | None = None
    for sites in GROWTH_SITES:
        found = work("site_pass", fleet, str(sites))
        per_1000 = found.inside / found.facts["electrodes"] * 1000
        smallest = smallest or per_1000
        note = (
            f"per 1,000; {found.facts['electrodes']:,} electrodes in {found.inside:.1f} s, "
            f"{found.facts['settled']:.1%} settled"
        )
        yield _against(f"site pass, {sites} sites", found, per_1000, smallest, note)


def soundings(place: Place) -> Iterator[Row]:
    """Two layers fitted to the soundings of 1,000 sites; baseline: a general optimiser on the same."""
    general, own = (work(w, place.folder, "1000") for w in ("soundings_general", "soundings"))
    note = f"{_verdict(own.inside, 60.0, 's')}, {own.facts['converged']} converged"
    yield Row("baseline: scipy's minimize, one start", general.inside, general.peak_mb, 1.0)
    yield _against("two layers and their uncertainty", own, own.inside, general.inside, note)


CASES: dict[int, Callable[[Place], Iterator[Row]]] = {
    1: whole_run, 2: intake, 3: vetting, 4: page_building, 5: growth, 6: general_tools, 7: pass_growth,
    8: sample_loss, 9: night, 10: survival, 11: soundings, 12: large_intake, 13: two_gigabytes,
}  # fmt: skip
