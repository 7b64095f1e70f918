"""Explain one electrode's forecast: its rows from the store, its site fitted anew, what was published."""

import difflib
import json
import math
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from models.calibration import Calibration, adapt
from models.explanation import ALL, Account, Explanation, Terms, accounts_of, explain_electrode
from models.forecast import levels, outlook_frame
from models.histories import Histories
from models.history_frames import build_histories
from models.loop_dependence import loop_dependence
from models.one_history import PlainTests
from pipeline.calibrations import read_kept
from pipeline.dangers import find_dangers
from pipeline.engine import one_blas_thread, worker_count
from pipeline.errors import RequestError, WorkError
from pipeline.explain_tables import electrode_row, left_out_table, readings_table, refused_rows
from pipeline.fleet_inputs import FleetInputs, gather, vetted_readings
from pipeline.inference import fit_stream, with_ground
from pipeline.plain_tests import put_to
from pipeline.settings import Settings
from pipeline.store import Store

SAME_CHANCE, SAME_YEARS = 0.01, 0.5  # what a fit of the site alone may differ by from the run's: it stops
# where the shared effect has settled, and starts elsewhere
_NOT_A_READING = ("no_resistance", "not_a_resistance", "before_installation", "after_retirement")
_AGES = ("crossing_age_p05", "crossing_age_p50", "crossing_age_p95")
_THRESHOLDS = ("threshold_ratio", "threshold_ratio_by_class", "threshold_ratio_by_material")


@dataclass(frozen=True)
class Published:
    """The run that is shown: its facts, what it says of the electrode (None where nothing), its verdicts."""

    facts: dict[str, Any]
    outlook: dict[str, Any] | None
    verdicts: pl.DataFrame

    @property
    def as_of(self) -> date:
        """The day that the run looks from."""
        return date.fromisoformat(self.facts["as_of"])

    @property
    def seed(self) -> int:
        """The seed of the run's draws."""
        return int(self.facts["seed"])

    @property
    def horizons(self) -> tuple[int, ...]:
        """How far ahead the run looks, years."""
        return tuple(self.facts["settings"]["horizons_years"])


@dataclass(frozen=True)
class Explained:
    """All that stands behind one electrode's numbers, ready to be said.

    electrode: its row with site_name and basis_reason. outlook: made anew, in the contract's names.
    differs: sentences on what the published run says otherwise and why; empty where it says the same. apart:
    the largest difference of a chance, and of a crossing age in years.
    readings: every accepted row, with what was taken off it. left_out, visits_left_out: by reading of the
    model, the forecast without it. set_aside: the forecast if a row that was set aside had been taken as
    good. refused, works, dangers: rows that bear on it. loop: its row of loop_dependence, None where the rest
    of its loop is known, or nothing can be said of it. plain: tests of its readings alone.
    """

    electrode: dict[str, Any]
    as_of: date
    outlook: dict[str, Any]
    published: Published
    calibrated_on: str
    differs: list[str]
    apart: tuple[float, float]
    explanation: Explanation
    horizons: tuple[int, ...]
    readings: pl.DataFrame
    left_out: pl.DataFrame
    visits_left_out: pl.DataFrame
    set_aside: dict[int, Account]
    refused: pl.DataFrame
    works: pl.DataFrame
    dangers: pl.DataFrame
    loop: dict[str, Any] | None
    plain: PlainTests

    @property
    def answer(self) -> dict[str, Any]:
        """What the published run says, where the fit made anew agrees; else what the fit says."""
        shown = self.published.outlook
        return self.outlook if shown is None or self.differs else shown


def explain(settings: Settings, electrode_id: str, today: date, visits: bool = False) -> Explained:
    """Explain an electrode's forecast under the calibration, and from the day, of the published run.

    visits: leave out each whole visit as well. Raises WorkError where no run is published, RequestError where
    the electrode is not known or had not been installed by the run's day.
    """
    published = read_published(settings.output_folder, electrode_id)
    with one_blas_thread(), Store.open(settings.store_path, read_only=True) as store:
        _known(electrode_id, store.table("core_electrodes"))
        inputs = gather(store, settings, published.as_of, today)
        who = electrode_row(electrode_id, inputs)
        if who["installed_on"] > inputs.as_of:
            raise RequestError(
                f"Electrode {electrode_id} was installed on {who['installed_on']}, after {inputs.as_of}, the "
                "day of the published run; run again first (`rodfleet run`)."
            )
        calibration, calibrated_on = calibration_of_run(store, published)
        calibration = _of_fleet(calibration, inputs)
        verdicts, dangers = vetted_readings(inputs), find_dangers(store, settings)
        return _explained(
            inputs, verdicts, dangers, published, calibration, calibrated_on, settings, who, visits
        )


def _of_fleet(calibration: Calibration, inputs: FleetInputs) -> Calibration:
    """Let the calibration know every class of the fleet, as in the run, so that its draws are the run's."""
    none, as_of = inputs.readings.clear(), inputs.as_of
    verdict = none.with_columns(verdict=pl.lit("good"), sd_extra_log=pl.lit(0.0))
    return adapt(calibration, build_histories(inputs.electrodes, verdict, inputs.works.clear(), as_of))


def calibration_of_run(store: Store, published: Published) -> tuple[Calibration, str]:
    """Return the calibration that the published run was made under, and its name and date in words.

    Raises WorkError where it is not kept whole.
    """
    name = published.facts.get("calibrated", {}).get("name")
    kept = read_kept(store, name) if name else None
    if kept is None:
        raise WorkError(
            "The calibration of the published run is not kept in the store; run again first (`rodfleet run`)."
        )
    return kept.calibration, f"{kept.name}, fitted on {kept.fitted_at:%Y-%m-%d %H:%M}"


def read_published(output: Path, electrode_id: str) -> Published:
    """Read what the shown run says of an electrode, in service or renewed; WorkError where none is shown."""
    shown = output / "current"
    if not (shown / "run.json").is_file():
        raise WorkError(f"No run is published in {output}; make one first (`rodfleet run`).")
    facts = json.loads((shown / "run.json").read_text(encoding="utf-8"))
    of_it = pl.col("electrode_id") == electrode_id
    lives = pl.read_parquet(shown / "electrode_lives.parquet").filter(of_it)
    verdicts = pl.read_parquet(shown / "reading_verdicts.parquet")
    site = lives["site_id"].to_list()
    return Published(
        facts,
        lives.row(0, named=True) if lives.height else None,
        verdicts.filter(pl.col("site_id").is_in(site)),
    )


def _known(electrode_id: str, electrodes: pl.DataFrame) -> None:
    """Raise RequestError, with the ids that come near, where no electrode has this id."""
    ids = electrodes["electrode_id"].sort().to_list()
    if electrode_id in ids:
        return
    in_well = (
        electrodes.filter(pl.col("well_id") == electrode_id).sort("installed_on")["electrode_id"].to_list()
    )
    if in_well:
        named = ", ".join(in_well)
        raise RequestError(f"{electrode_id} is a well, and an electrode is asked for; in it stood {named}.")
    near = difflib.get_close_matches(electrode_id, ids, n=3, cutoff=0.6)
    near = near or [i for i in ids if i.lower().startswith(electrode_id.lower())][:3]
    hint = f"did you mean {' or '.join(near)}?" if near else "`rodfleet status` tells what the store holds"
    raise RequestError(f"There is no electrode {electrode_id!r} in the store ({hint}).")


def _explained(
    inputs: FleetInputs, verdicts: pl.DataFrame, dangers: pl.DataFrame, published: Published,
    calibration: Calibration, calibrated_on: str, settings: Settings, who: dict[str, Any], visits: bool,
) -> Explained:  # fmt: skip
    site = _Site.of(who["site_id"], inputs, verdicts)
    h = site.histories()
    terms = Terms(
        calibration, float(np.log(who["threshold_ratio"])), published.seed, published.horizons, _each_apart,
        fit_stream,
    )  # fmt: skip
    e = h.electrode_id.index(who["electrode_id"])
    told = explain_electrode(h, e, terms, visits)
    level = levels(told.fit, np.random.default_rng(published.seed), each=_each_apart)
    made_anew = outlook_frame(told.fit, level, inputs.as_of, published.horizons)
    outlook = made_anew.row(e, named=True)
    apart = _apart(outlook, published.outlook)
    differs = _differences(apart, published, site.verdicts, settings, bool(outlook["converged"]))
    shown = published.outlook if published.outlook and not differs else outlook
    of_it = pl.col("electrode_id").fill_null(who["electrode_id"]) == who["electrode_id"]  # or of its site
    readings = readings_table(inputs, site.verdicts, told, who, shown["baseline_ohm"])
    return Explained(
        who, inputs.as_of, outlook, published, calibrated_on, differs, apart, told, published.horizons,
        readings,
        left_out_table(told, told.without_reading, who["installed_on"]),
        left_out_table(told, told.without_visit, who["installed_on"]),
        _set_aside_taken(site, who["electrode_id"], e, terms),
        refused_rows(inputs.refused, who),
        site.works.filter(of_it).sort("done_on"),
        dangers.filter((pl.col("site_id") == who["site_id"]) & of_it),
        _loop(told, made_anew, inputs, who["electrode_id"]),
        put_to(readings, who["electrode_id"], published.seed),
    )  # fmt: skip


def _loop(
    told: Explanation, outlook: pl.DataFrame, inputs: FleetInputs, electrode_id: str
) -> dict[str, Any] | None:
    """Return what the rest of the electrode's loop would change, None where that is known."""
    rows = loop_dependence(told.fit, outlook, inputs.electrodes).filter(
        pl.col("electrode_id") == electrode_id
    )
    return rows.row(0, named=True) if rows.height else None


@dataclass(frozen=True)
class _Site:
    """The frames of one site, as the histories are built from them, and the fleet that it stands in."""

    electrodes: pl.DataFrame
    verdicts: pl.DataFrame
    works: pl.DataFrame
    inputs: FleetInputs
    all_verdicts: pl.DataFrame

    @classmethod
    def of(cls, site_id: str, inputs: FleetInputs, verdicts: pl.DataFrame) -> "_Site":
        """Pick the rows of a site."""
        its = pl.col("site_id") == site_id
        return cls(
            inputs.electrodes.filter(its),
            verdicts.filter(its),
            inputs.works.filter(its),
            inputs,
            verdicts,
        )

    def histories(self, taken: int | None = None) -> Histories:
        """Build the site's histories; with the row `taken`, if any, as a good reading."""
        verdicts = self.verdicts
        if taken is not None:
            as_good = pl.when(pl.col("row_id") == taken).then(pl.lit("good")).otherwise("verdict")
            verdicts = verdicts.with_columns(as_good.alias("verdict"))
        h = build_histories(self.electrodes, verdicts, self.works, self.inputs.as_of)
        return with_ground(h, self.inputs, self.all_verdicts)


def _set_aside_taken(site: _Site, electrode_id: str, e: int, terms: Terms) -> dict[int, Account]:
    """Return, by row, what would be said had a reading that was set aside been taken as it stands."""
    aside = site.verdicts.filter(
        (pl.col("electrode_id") == electrode_id)
        & (pl.col("verdict") == "set_aside")
        & ~pl.col("rule").is_in(_NOT_A_READING)
    )["row_id"].to_list()
    found = (accounts_of([(site.histories(row), e)], terms)[0] for row in aside)
    return dict(zip(aside, found, strict=True))


def _each_apart(work: Callable[[int], None], items: Iterable[int]) -> None:
    """Run the work on each item in threads of its own: the sites here are few, and each takes a while."""
    with ThreadPoolExecutor(worker_count()) as pool:
        list(pool.map(work, items))


def _apart(anew: dict[str, Any], shown: dict[str, Any] | None) -> tuple[float, float]:
    """Return by how much the fit made anew and the published run part: a chance, a crossing age (years)."""
    if shown is None:
        return math.inf, math.inf
    chances = [c for c in shown if c == "p_broken" or c.startswith("p_past_")]
    return (
        max(abs(shown[c] - anew[c]) for c in chances),
        max(_years_apart(shown[c], anew[c]) for c in _AGES),
    )


def _years_apart(a: float, b: float) -> float:
    """Return how far two ages lie apart; beyond any working life it does not matter."""
    far = 150.0
    return abs(min(a, far) - min(b, far))


def _differences(
    apart: tuple[float, float],
    published: Published,
    verdicts: pl.DataFrame,
    settings: Settings,
    settled: bool,
) -> list[str]:  # fmt: skip
    """Say that the published run says otherwise, and what has changed since; nothing where it agrees."""
    chance, years = apart
    if published.outlook is None:
        return ["The published run says nothing of this electrode: its row came later."]
    if chance <= SAME_CHANCE and years <= SAME_YEARS:
        return []
    out = [
        f"The published run {published.facts['run_id']} says otherwise, by up to {100 * chance:.1f} "
        f"percentage points and {years:.1f} years (its chance past threshold: "
        f"{100 * published.outlook['p_past_now']:.1f} % now)."
    ]
    then = published.verdicts.select("row_id", was=pl.col("verdict") == "set_aside")
    now = verdicts.select("row_id", now=pl.col("verdict") == "set_aside")
    both = now.join(then, on="row_id", how="full", coalesce=True)
    if new := both.filter(pl.col("was").is_null()).height:
        out.append(f"Rows of this site taken since the run: {new}.")
    if gone := both.filter(pl.col("now").is_null()).height:
        out.append(f"Rows of this site that the run used and that were replaced since: {gone}.")
    if judged := both.filter(pl.col("was") != pl.col("now")).height:
        out.append(f"Rows of this site set aside now and not then, or the other way round: {judged}.")
    held = published.facts.get("settings", {})
    if changed := [k for k in _THRESHOLDS if k in held and held[k] != getattr(settings, k)]:
        out.append(f"Settings changed since the run: {', '.join(changed)}.")
    if not settled:
        out.append("The site's shared effect does not settle, so that two fits of it may part.")
    if len(out) == 1:
        out.append("Nothing of the site has changed since; the program, or what all sites share, has.")
    return out


def as_json(told: Explained) -> str:
    """Return the explanation as one JSON object; an age that is never reached, or an unknown, is null."""
    x = told.explanation
    return json.dumps(
        _plain({
            "electrode": told.electrode,
            "as_of": told.as_of,
            "run_id": told.published.facts["run_id"],
            "calibration": told.calibrated_on,
            "horizons_years": told.horizons,
            "answer": told.answer,
            "fitted_anew": told.outlook,
            "published": told.published.outlook,
            "differs": told.differs,
            "evidence": {k: vars(a) for k, a in x.accounts.items()},
            "readings": told.readings.rows(named=True),
            "without_reading": told.left_out.rows(named=True),
            "without_visit": told.visits_left_out.rows(named=True),
            "steps": [vars(s) | {"p_broken": x.accounts[ALL].p_broken} for s in x.steps],
            "set_aside_taken": {str(k): vars(a) for k, a in told.set_aside.items()},
            "refused": told.refused.rows(named=True),
            "works": told.works.rows(named=True),
            "plain_tests": asdict(told.plain),
            "attend_first": told.dangers.rows(named=True),
            "loop": told.loop,
        }),
        allow_nan=False, indent=1,
    )  # fmt: skip


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value.isoformat() if isinstance(value, (date, datetime)) else value
