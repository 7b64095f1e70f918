"""From the store to what the models take: accepted rows, each electrode with its soil, formula and loop."""

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from models.covariates import site_covariates
from models.electrode import isolated_ohm
from models.history_frames import fill_formula
from models.loop_circuit import rest_of_loop
from models.loop_sets import judged_rests, solved_rests
from models.soil import site_resistivity
from models.soil_groups import SoilGroups, group_sites
from models.vetting import vet
from pipeline.errors import WorkError
from pipeline.settings import Settings
from pipeline.store import Store
from pipeline.unknown_names import turned_away

UNNAMED = "unknown"  # as sql/queries/soil_class_by_site.sql has it
_GROUPING = 31  # the stream of random numbers of the grouping of sites


@dataclass(frozen=True)
class FleetInputs:
    """Frames of accepted rows (columns as the views give them) and what was worked out for each electrode.

    electrodes has in addition region, soil_class, formula_ohm, survey_sd_log, rest_ohm, ratio_basis,
    threshold_ratio, and what surveys say of its site's ground (covariates.GROUND_COLUMNS).
    """

    sites: pl.DataFrame
    electrodes: pl.DataFrame
    readings: pl.DataFrame
    works: pl.DataFrame
    weather: pl.DataFrame
    instruments: pl.DataFrame
    resistivity: pl.DataFrame
    refused: pl.DataFrame
    books: pl.DataFrame
    currents: pl.DataFrame
    as_of: date
    ground: pl.DataFrame
    grouped: SoilGroups | None = None
    """How sites were put into classes, where no survey names one."""


def day_of_outlook(store: Store, settings: Settings, asked: date | None, today: date) -> date:
    """Return the day from which the outlook looks ahead: asked, set, or of the newest accepted reading."""
    newest = store.frame("newest_reading")["day"][0]
    day = asked or settings.as_of or newest or today
    return min(day, today)


def threshold_ratios(electrodes: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Add threshold_ratio: the material's own, the class's, or the fleet's."""

    def listed(column: str, table: dict[str, float]) -> pl.Expr:
        return pl.col(column).replace_strict(
            list(table), list(table.values()), default=None, return_dtype=pl.Float64
        )

    return electrodes.with_columns(
        pl.coalesce(
            listed("material", settings.threshold_ratio_by_material),
            listed("soil_class", settings.threshold_ratio_by_class),
            pl.lit(settings.threshold_ratio),
        ).alias("threshold_ratio")
    )


def known_electrodes(
    sites: pl.DataFrame,
    electrodes: pl.DataFrame,
    soil: pl.DataFrame,
    soil_surveys: pl.DataFrame,
    resistivity: pl.DataFrame,
    settings: Settings,
    solve_sets: bool = True,
) -> pl.DataFrame:
    """Work out soil class, ground, formula, rest of the loop and threshold of every electrode.

    By site and name. solve_sets: whether readings come with the rests that their visits were solved for
    (vetted_readings); where they don't, closed sets stay as they read. soil: site_id, soil_class.
    soil_surveys: as accepted. resistivity: soil.site_resistivity.
    """
    rest = (judged_rests if solve_sets else rest_of_loop)(sites, electrodes, resistivity)
    known = (
        electrodes.join(sites.select("site_id", "region"), on="site_id", how="inner")
        .join(soil, on="site_id", how="left")
        .join(site_covariates(soil_surveys, sites, resistivity), on="site_id", how="left")
        .with_columns(pl.col("soil_class").fill_null("unknown"), pl.col("material").fill_null("other"))
        .join(isolated_ohm(electrodes, resistivity), on="electrode_id", how="left")
        .join(
            rest.select("electrode_id", "rest_ohm", "rest_low_ohm", "rest_high_ohm", "ratio_basis"),
            on="electrode_id",
        )
    )
    return threshold_ratios(fill_formula(known), settings).sort("site_id", "electrode_id")


def site_ground(soil_surveys: pl.DataFrame, resistivity: pl.DataFrame) -> pl.DataFrame:
    """Give what is known of each site's ground: numbers as their mean, names of the newest survey.

    soil_surveys: as accepted. resistivity: soil.site_resistivity, soundings before surveys.
    """
    names = ("drainage", "sulphide", "moisture")
    # By what they say, not by where they came from: the same rows in other files give the same ground.
    surveys = soil_surveys.sort(
        "site_id", "surveyed_on", *names, "ph", "chloride_ppm", "sulphate_ppm", "redox_mv"
    )
    known = surveys.group_by("site_id", maintain_order=True).agg(
        *(pl.col(c).drop_nulls().last().alias(c) for c in names),
        *(
            pl.col(c).cast(pl.Float64).mean().alias(c)
            for c in ("ph", "chloride_ppm", "sulphate_ppm", "redox_mv")
        ),
    )
    ohm_m = resistivity.select("site_id", pl.col("resistivity_ohm_m").cast(pl.Float64)).unique("site_id")
    return ohm_m.join(known, on="site_id", how="left", maintain_order="left").sort("site_id")


def classes_of(
    store: Store, settings: Settings, ground: pl.DataFrame
) -> tuple[pl.DataFrame, SoilGroups | None]:
    """Return the soil class of every site, and how it was found where no survey of the fleet names one."""
    soil = store.frame("soil_class_by_site")
    if not settings.group_unnamed_soil or (soil["soil_class"] != UNNAMED).any():
        return soil, None
    grouped = group_sites(ground, np.random.default_rng([settings.seed, _GROUPING]))
    if grouped is None:
        return soil, None
    known = soil.select("site_id").join(grouped.sites, on="site_id", how="left", maintain_order="left")
    return known.with_columns(pl.col("soil_class").fill_null(UNNAMED)), grouped


def gather(store: Store, settings: Settings, asked: date | None, today: date) -> FleetInputs:
    """Read the accepted rows and work out soil class, formula and rest of the loop for every electrode.

    Raises WorkError where no site or no electrode has been accepted, or none was installed by the day.
    """
    sites, electrodes = store.table("core_sites"), store.table("core_electrodes")
    if sites.is_empty() or electrodes.is_empty():
        raise WorkError(
            f"The store {store.path} holds no site with an electrode; load the field files first "
            "(`rodfleet load`)."
        )
    day = day_of_outlook(store, settings, asked, today)
    first: date = electrodes["installed_on"].sort()[0]
    if first > day:
        raise WorkError(
            f"No electrode was installed by {day}, the first one on {first}; give a later day with --as-of."
        )
    surveys = store.table("core_soil_surveys")
    resistivity = site_resistivity(store.table("core_soundings"), surveys, sites.select("site_id"))
    ground = site_ground(surveys, resistivity)
    soil, grouped = classes_of(store, settings, ground)
    return FleetInputs(
        sites=sites.join(soil, on="site_id", how="left"),
        electrodes=known_electrodes(sites, electrodes, soil, surveys, resistivity, settings),
        readings=store.table("core_readings").sort("row_id"),
        works=store.table("core_works"),
        weather=store.table("core_weather").filter(pl.col("month") <= day),
        instruments=store.table("core_instruments"),
        resistivity=resistivity,
        refused=turned_away(store),
        books=store.table("core_books"),
        currents=store.frame("currents_of_last_visit", as_of=day),
        as_of=day,
        ground=ground,
        grouped=grouped,
    )


def vetted_readings(inputs: FleetInputs) -> pl.DataFrame:
    """Return every accepted reading up to the day of the outlook with its verdict beside it.

    And, where its visit could be solved back, the rest of its loop (loop_sets.SOLVED).
    """
    until = inputs.readings.filter(pl.col("taken_at").cast(pl.Date) <= inputs.as_of)
    verdicts = vet(
        until,
        inputs.electrodes,
        inputs.sites,
        inputs.instruments,
        inputs.electrodes.select("electrode_id", "formula_ohm"),
        inputs.weather,
    )
    vetted = until.drop("range_mark").join(verdicts, on="row_id", how="left", maintain_order="left")
    solved = solved_rests(vetted, inputs.electrodes, inputs.sites)
    return vetted.join(solved, on="row_id", how="left", maintain_order="left")
