"""From the fleet's inputs to its electrodes' outlook, under the store's calibration or a new one."""

import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, datetime

import numpy as np
import polars as pl

from models.calibration import Calibration, search_calibration
from models.family_choice import with_families
from models.forecast import (
    Fitted,
    corrections_frame,
    curves_frame,
    fit_electrodes,
    levels,
    outlook_frame,
)
from models.histories import Histories
from models.history_frames import build_histories
from models.weather import ground_at_readings
from pipeline.calibrations import (
    Choice,
    basis_of,
    choose,
    fit_of,
    fits_worse,
    keep_calibration,
    oddities,
)
from pipeline.engine import over_threads
from pipeline.fleet_inputs import FleetInputs
from pipeline.run_facts import calibration_facts
from pipeline.settings import Settings
from pipeline.store import Store

Say = Callable[[str], None]
_STANDS_ALONE = "This value stands alone against the readings around it; the curve hardly follows it."


@dataclass
class Clock:
    """Seconds by stage."""

    say: Say
    seconds: dict[str, float] = field(default_factory=dict)
    _at: float = field(default_factory=time.monotonic)

    def lap(self, stage: str, words: str = "") -> None:
        """Note how long the stage took, and say what it found."""
        now = time.monotonic()
        took = round(now - self._at, 2)
        self.seconds[stage] = round(self.seconds.get(stage, 0.0) + took, 2)
        self._at = now
        self.say(f"{stage:<14} {took:6.1f} s  {words}")


@dataclass(frozen=True)
class Inference:
    """What the models made of the inputs: the fit, the tables that follow from it."""

    fit: Fitted
    calibration: Calibration
    lives: pl.DataFrame
    curves: pl.DataFrame
    verdicts: pl.DataFrame


def in_service(as_of: date) -> pl.Expr:
    """Say of each electrode whether it still stands on the day."""
    return pl.col("retired_on").is_null() | (pl.col("retired_on") > as_of)


def histories_of(inputs: FleetInputs, verdicts: pl.DataFrame) -> Histories:
    """Lay out the histories of all electrodes, renewed ones included, with the ground at each reading."""
    h = build_histories(inputs.electrodes, verdicts, inputs.works, inputs.as_of)
    return with_ground(h, inputs, verdicts)


def with_ground(h: Histories, inputs: FleetInputs, verdicts: pl.DataFrame) -> Histories:
    """Say what the ground was like at each reading, where weather or a soil temperature is known at all.

    h: of the whole fleet or a part of it; verdicts: of the whole fleet, as what is usual is a district's.
    """
    if inputs.weather.is_empty() and verdicts["soil_temp_c"].is_null().all():
        return h
    return replace(h, weather=ground_at_readings(h, verdicts, inputs.weather, inputs.sites))


@dataclass(frozen=True)
class CalibratedBy:
    """The calibration that a run was made under: its name in the store, why it was that one, what is odd."""

    name: str
    anew: bool
    why: str
    notes: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Say which calibration it was and why."""
        return f"Calibration {self.name}{' was fitted anew' if self.anew else ''}: {self.why}."


def infer(
    inputs: FleetInputs,
    verdicts: pl.DataFrame,
    settings: Settings,
    clock: Clock,
    calibration: Calibration | None = None,
) -> Inference:
    """Fit the curves of all electrodes, renewed ones included, and lay out what follows for each.

    A stored calibration is taken as it is; without one the fleet is calibrated.
    """
    h = histories_of(inputs, verdicts)
    return _ahead(h, calibration or _calibrated(h, settings, clock, ""), inputs, verdicts, settings, clock)


def infer_kept(
    store: Store, inputs: FleetInputs, verdicts: pl.DataFrame, settings: Settings, clock: Clock, asked: str
) -> tuple[Inference, CalibratedBy]:
    """Do the same under the store's calibration where it holds, else under a new one, which is kept.

    asked: "latest" (while it holds), "new", or the name of a kept one. The site pass starts from nothing in
    both cases, so that a run can be made again under the calibration that it made.
    """
    h = histories_of(inputs, verdicts)
    basis = basis_of(h, verdicts, inputs.as_of)
    choice = choose(store, asked, basis, {*h.soil, *h.material}, settings.recalibrate_days)
    if (kept := choice.kept) is not None:
        clock.lap("calibration", f"{kept.name}, {choice.why}")
        found = _ahead(h, kept.calibration, inputs, verdicts, settings, clock)
        worse = fits_worse(kept, fit_of(found.fit, found.lives["state"]), basis)
        if not worse or asked == kept.name:
            return found, CalibratedBy(kept.name, False, choice.why, tuple(oddities(kept, basis, worse)))
        choice = Choice(None, f"{kept.name} {worse}")
    began = datetime.now()
    found = _ahead(h, _calibrated(h, settings, clock, choice.why), inputs, verdicts, settings, clock)
    fit = fit_of(found.fit, found.lives["state"])
    facts = json.dumps(calibration_facts(found.calibration), allow_nan=False)
    name = keep_calibration(store, found.calibration, basis, fit, began, choice.why, facts)
    return found, CalibratedBy(name, True, choice.why)


def fit_stream(seed: int) -> np.random.Generator:
    """Give the random numbers of a fit: the draws of the class parameters are the fleet's, also by shards."""
    return np.random.default_rng([seed, 1])


def _calibrated(h: Histories, settings: Settings, clock: Clock, why: str) -> Calibration:
    each = over_threads()
    searched = search_calibration(h, each, by_soil_and_age=settings.hazard_by_soil_and_age)
    cal = with_families(h, searched, each).calibration
    words = f"{cal.rounds} rounds, {'converged' if cal.converged else 'NOT converged'}"
    clock.lap("calibration", words + (f"; anew: {why}" if why else ""))
    return cal


def _ahead(
    h: Histories,
    cal: Calibration,
    inputs: FleetInputs,
    verdicts: pl.DataFrame,
    settings: Settings,
    clock: Clock,
) -> Inference:
    """Fit the electrodes under a calibration and lay out the tables that follow."""
    each, rng = over_threads(), fit_stream(settings.seed)
    threshold = dict(inputs.electrodes.select("electrode_id", "threshold_ratio").iter_rows())
    log_threshold = np.log(np.array([threshold[e] for e in h.electrode_id]))
    fit = fit_electrodes(h, cal, log_threshold, rng, each)
    clock.lap("site pass", f"{h.electrodes:,} electrodes, {h.age.size:,} readings")
    level = levels(fit, rng, each=each)
    outlook = outlook_frame(fit, level, inputs.as_of, settings.horizons_years)
    lives = with_facts(outlook, inputs.electrodes, inputs.as_of, verdicts)
    curves = curves_frame(fit, level, inputs.as_of)
    clock.lap(
        "outlook",
        f"{lives.filter('in_service')['p_past_now'].sum():.0f} electrodes expected past threshold now",
    )
    return Inference(fit, cal, lives, curves, _corrected(verdicts, corrections_frame(fit)))


def with_facts(
    outlook: pl.DataFrame, electrodes: pl.DataFrame, as_of: date, verdicts: pl.DataFrame
) -> pl.DataFrame:
    """Add to each electrode's outlook which well it stands in, its dates, and its last reading as it came."""
    facts = electrodes.select(
        "electrode_id", "well_id", "kind", "installed_on", "retired_on",
        in_service(as_of).alias("in_service"),
    )  # fmt: skip
    last = (
        verdicts.filter(pl.col("resistance_ohm").is_not_null())
        .sort("taken_at", "row_id")
        .group_by("electrode_id")
        .agg(
            pl.col("taken_at").last().cast(pl.Date).alias("last_taken_on"),
            pl.col("resistance_ohm").last().alias("last_ohm"),
        )
    )
    return outlook.join(facts, on="electrode_id", how="left", maintain_order="left").join(
        last, on="electrode_id", how="left", maintain_order="left"
    )


def _corrected(verdicts: pl.DataFrame, corrections: pl.DataFrame) -> pl.DataFrame:
    """Return reading_verdicts: every reading with its verdict and what was taken off it.

    Repeats of a day entered the model as one; they share its factors, each corrected from its own value.
    """
    day = pl.col("taken_at").cast(pl.Date)
    by_row = verdicts.select("row_id", "electrode_id", day.alias("day"), "range_mark")
    by_day = (
        corrections.join(by_row.select("row_id", "day", "range_mark"), on="row_id", how="inner")
        .select("electrode_id", "day", "range_mark", "season_factor", "campaign_factor", "p_wild")
        .unique(["electrode_id", "day", "range_mark"], keep="first", maintain_order=True)
    )
    key = ["electrode_id", "day", "range_mark"]
    used = pl.col("verdict") != "set_aside"
    wild = used & (pl.col("p_wild") > 0.5) & (pl.col("verdict") == "good")
    return (
        verdicts.with_columns(day.alias("day"))
        .join(by_day, on=key, how="left", nulls_equal=True, maintain_order="left")
        .with_columns(
            pl.when(used & pl.col("p_wild").is_not_null())
            .then(pl.col("resistance_ohm") / pl.col("season_factor") / pl.col("campaign_factor"))
            .alias("corrected_ohm"),
            pl.when(wild).then(pl.lit("doubtful")).otherwise(pl.col("verdict")).alias("verdict"),
            pl.when(wild).then(pl.lit("stands_alone")).otherwise(pl.col("rule")).alias("rule"),
            pl.when(wild)
            .then(pl.lit(_STANDS_ALONE))
            .otherwise(pl.col("reason"))
            .alias("reason"),
            pl.when(wild).then(1.0 - pl.col("p_wild")).otherwise(pl.col("weight")).alias("weight"),
        )
        .select(
            "row_id", "electrode_id", "site_id", "well_id", "taken_at", "resistance_ohm", "range_mark",
            "verdict", "rule", "reason", "season_factor", "campaign_factor", "weight", "corrected_ohm",
            "p_wild", "file", "sheet", "line",
        )
    )  # fmt: skip
