"""The outlook of a fleet too large for one piece, from the store to electrode_outlook, by shards.

The same steps as a run of any fleet as far as the electrodes: vetting (kept in the store, done again when
something has been loaded), a calibration (the store's while it holds, else one fitted to a sample of sites),
the site pass, the outlook. Each step goes shard by shard, so that memory does not grow with the fleet.
"""

import json
import os
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

import polars as pl

from models.calibration import Calibration, search_calibration
from models.family_choice import with_families
from models.soil import site_resistivity
from pipeline.calibrations import (
    LATEST,
    Basis,
    Choice,
    check_name,
    choose,
    fits_worse,
    keep_calibration,
    kept_calibrations,
)
from pipeline.engine import (
    RunShards,
    one_blas_thread,
    over_threads,
    shards_over_dask,
    shards_over_threads,
)
from pipeline.errors import WorkError
from pipeline.fleet_inputs import classes_of, day_of_outlook, known_electrodes, site_ground
from pipeline.inference import CalibratedBy, Clock, Say
from pipeline.result import RunResult
from pipeline.run_facts import calibration_facts
from pipeline.settings import Settings
from pipeline.shards import (
    Job,
    ShardDone,
    Spool,
    fit_shards,
    fit_together,
    lay_out,
    lives_of,
    sample_of_sites,
    spool_folder,
    vet_shard,
)
from pipeline.store import Store

OUTLOOK = "electrode_outlook.parquet"


@dataclass(frozen=True)
class LargeOutlook:
    """What a pass over a large fleet left: its shards' files below `folder`, and its calibration."""

    done: list[ShardDone]
    by: CalibratedBy
    basis: Basis


def runner_of(fleet: Path, settings: Settings) -> RunShards:
    """Say where shards are fitted: on the Dask cluster of the settings, else in threads."""
    if settings.dask_scheduler is None:
        return shards_over_threads()
    return shards_over_dask(settings.dask_scheduler, fleet / ".prefect")


def large_outlook(
    fleet: Path,
    settings: Settings,
    *,
    as_of: date | None,
    say: Say,
    today: date | None = None,
    calibration: str = LATEST,
) -> RunResult:
    """Forecast every electrode of a large fleet and publish `large/electrode_outlook.parquet` in one step.

    calibration: as in stages.run_fleet. Raises WorkError where there is nothing to forecast.
    """
    clock, run = Clock(say), runner_of(fleet, settings)
    notes = []
    output = settings.output_folder / "large"
    with spool_folder(output) as folder, one_blas_thread():
        with Store.open(settings.store_path) as store:
            check_name(kept_calibrations(store), calibration)
            day = day_of_outlook(store, settings, as_of, today or date.today())
            spool = vetted_spool(store, settings, day, folder, run, clock)
            if not store.table("core_weather").is_empty():
                notes.append("Weather and soil temperatures did not enter, as they do in a run.")
            found = pass_of(store, spool, settings, folder / "out", run, clock, calibration)
        rows = publish_outlook(found, output, clock)
    by = found.by
    past = f"{rows['expected_past']:.0f} of {rows['electrodes']:,} electrodes are expected past threshold"
    lines = [f"{past} as of {day}.", by.sentence(), *notes, f"The outlook: {output / OUTLOOK}"]
    return RunResult("", None, lines, True)


def electrodes_of(store: Store, settings: Settings) -> pl.DataFrame:
    """Read the fleet's electrodes with soil class, formula and rest of the loop, without its readings."""
    sites, electrodes = store.table("core_sites"), store.table("core_electrodes")
    if sites.is_empty() or electrodes.is_empty():
        raise WorkError(
            f"The store {store.path} holds no site with an electrode; load the field files first "
            "(`rodfleet load`)."
        )
    soundings, surveys = store.table("core_soundings"), store.table("core_soil_surveys")
    resistivity = site_resistivity(soundings, surveys, sites.select("site_id"))
    soil, _ = classes_of(store, settings, site_ground(surveys, resistivity))
    return known_electrodes(sites, electrodes, soil, surveys, resistivity, settings, solve_sets=False)


def vetted_spool(
    store: Store, settings: Settings, day: date, folder: Path, run: RunShards, clock: Clock
) -> Spool:
    """Lay out the fleet's vetted readings by shard; vet them first where something has been loaded since."""
    electrodes = electrodes_of(store, settings)
    clock.lap("electrodes", f"{electrodes.height:,}")
    if settings.readings_parquet is not None:
        spool = lay_out(store, electrodes, folder / "spool", day, readings=settings.readings_parquet)
    else:
        if not store.frame("vetted_is_current", until=day)["current"].item():
            raw = lay_out(store, electrodes, folder / "raw", day)
            keep_vetted(store, raw, folder / "vetted", run)
            clock.lap("vetting", f"{raw.shards} shards")
        spool = lay_out(store, electrodes, folder / "spool", day, vetted=True)
    clock.lap("laying out", f"{spool.shards} shards")
    return spool


def keep_vetted(store: Store, raw: Spool, out: Path, run: RunShards) -> None:
    """Vet the accepted readings shard by shard, and keep them with their verdicts in the store."""
    out.mkdir(parents=True)
    jobs = [Job(k, raw, out, None, (), 0) for k in range(raw.shards) if raw.readings(k)]
    files = [str(f) for f in run(vet_shard, jobs)]
    with store.transaction():
        if files:
            store.run("keep_vetted", files=files)
        store.run("mark_vetted", until=raw.as_of)


def pass_of(
    store: Store, spool: Spool, settings: Settings, out: Path, run: RunShards, clock: Clock, asked: str
) -> LargeOutlook:
    """Fit all shards under the store's calibration where it holds, else under a new one, which is kept."""
    basis, classes = basis_of_spool(spool)
    choice = choose(store, asked, basis, classes, settings.recalibrate_days)

    def fitted(cal: Calibration, into: Path) -> list[ShardDone]:
        done = fit_shards(spool, cal, settings.horizons_years, settings.seed, into, run)
        clock.lap("site pass", f"{sum(d.electrodes for d in done):,} electrodes in {len(done)} shards")
        return done

    if (kept := choice.kept) is not None:
        done = fitted(kept.calibration, out / "kept")
        worse = fits_worse(kept, fit_together(done), basis)
        if not worse or asked == kept.name:
            return LargeOutlook(done, CalibratedBy(kept.name, False, choice.why), basis)
        choice = Choice(None, f"{kept.name} {worse}")
    began = datetime.now()
    sample = sample_of_sites(spool, settings.calibration_sites)
    each = over_threads()
    searched = search_calibration(sample, each, by_soil_and_age=settings.hazard_by_soil_and_age)
    cal = with_families(sample, searched, each).calibration
    clock.lap("calibration", f"{sample.sites:,} sites; anew: {choice.why}")
    done = fitted(cal, out / "anew")
    facts = json.dumps(calibration_facts(cal), allow_nan=False)
    name = keep_calibration(store, cal, basis, fit_together(done), began, choice.why, facts)
    return LargeOutlook(done, CalibratedBy(name, True, choice.why), basis)


def basis_of_spool(spool: Spool) -> tuple[Basis, set[str]]:
    """Say what a calibration of a fleet that is laid out rests on, and which classes it has."""
    files = [str(f) for k in range(spool.shards) for f in spool.readings(k)]
    day = pl.col("taken_at").cast(pl.Date)
    span = (
        pl.scan_parquet(files).select(pl.len(), day.min().alias("a"), day.max().alias("b")) if files else None
    )
    readings, first, last = span.collect().row(0) if span is not None else (0, None, None)
    each = pl.scan_parquet([spool.electrodes(k) for k in range(spool.shards)])
    kinds = each.select("site_id", "soil_class", "material").collect()
    classes = {*kinds["soil_class"].unique(), *kinds["material"].unique()}
    return Basis(spool.as_of, first, last, kinds["site_id"].n_unique(), kinds.height, int(readings)), classes


def publish_outlook(found: LargeOutlook, output: Path, clock: Clock) -> dict[str, float]:
    """Write one file of the electrodes in service, in one step; return how many and how many are past."""
    lives = lives_of(found.done)
    standing = lives.filter("in_service").drop("in_service", "retired_on")
    beside = output / f".{OUTLOOK}.{os.getpid()}"
    standing.sink_parquet(beside)
    os.replace(beside, output / OUTLOOK)
    rows = pl.scan_parquet(output / OUTLOOK).select(pl.len(), pl.col("p_past_now").sum()).collect().row(0)
    clock.lap("publishing", f"{rows[0]:,} rows")
    return {"electrodes": rows[0], "expected_past": rows[1]}
