"""Soil classes: curves of the ratio with the survival estimates beside them, as typed page objects."""

from __future__ import annotations

import math
from dataclasses import dataclass

import polars as pl

from reports import words
from reports.charts import Columns
from reports.class_survival import LIVES, ClassSurvival, class_survival
from reports.staged import Staged
from reports.thresholds import threshold_ratio

MOST_POINTS = 60
# Further out than this the curves are extrapolation of extrapolation; the tables hold it all the same.
MOST_YEARS = 80
METHODS = {
    "turnbull": "Turnbull, visits alone",
    "curve": "fitted curves",
    "replicas": "replicas of the model",
}


@dataclass(frozen=True)
class ModelRow:
    """A parametric survival model of a class, beside the curves."""

    model: str
    median: str
    interval: str
    shape: str
    electrodes: str
    converged: bool
    aic: str
    best: bool


@dataclass(frozen=True)
class AgeRow:
    """A class and material at a few ages, for readers without a chart."""

    material: str
    age: str
    ratio: str
    share: str


@dataclass(frozen=True)
class ClassPanel:
    """One soil class: chart columns (ages in years, ratios, shares in %) and what they say in words."""

    soil_class: str
    electrodes: int
    sentence: str
    share_sentence: str
    ratio: Columns
    share: Columns
    ages: tuple[AgeRow, ...]
    models: tuple[ModelRow, ...]
    threshold: float | None
    survival: ClassSurvival


@dataclass(frozen=True)
class ClassPages:
    """All classes on common axes, the most electrodes first."""

    panels: tuple[ClassPanel, ...]
    most_years: float
    most_ratio: float
    materials: tuple[str, ...]
    methods: tuple[str, ...]
    ground: tuple[str, ...]
    hazards: tuple[str, ...]
    most_hazard: float


def class_pages(staged: Staged) -> ClassPages:
    """Turn class curves and survival tables into panels that share their axes."""
    curves, survival = staged["class_curves"], staged["survival_curves"]
    counts = (
        curves.group_by("soil_class", "material").agg(pl.col("electrodes").max()).fill_null(0)
        .group_by("soil_class").agg(pl.col("electrodes").sum())
    )  # fmt: skip
    known = dict(counts.iter_rows())
    names = sorted({*known, *survival["soil_class"].to_list()} - {None}, key=lambda c: (-known.get(c, 0), c))
    panels = tuple(_panel(staged, name, known.get(name, 0)) for name in names)
    years = [a for p in panels for columns in (p.ratio, p.share) for a in columns["age"]]
    # The far tail of the band must not press every median flat.
    highest = [h for p in panels for h in p.ratio["mid"] if h is not None]
    top = max([2.0, *(2.5 * (p.threshold or 2.0) for p in panels), *highest])
    hazards = [h for p in panels for h in p.survival.hazard["mid"] if h is not None]
    return ClassPages(
        panels=panels,
        most_years=max(years, default=50.0) or 50.0,
        most_ratio=min(top, 20.0),
        materials=tuple(sorted({s for p in panels for s in p.ratio["series"]})),
        methods=tuple(_in_order({s for p in panels for s in p.share["series"]})),
        ground=tuple(str(g["sentence"]) for g in staged.run.get("ground") or ()),
        hazards=tuple(sorted({s for p in panels for s in p.survival.hazard["series"]}, reverse=True)),
        most_hazard=min(max([5.0, *(1.2 * h for h in hazards)]), 60.0),
    )


def _in_order(methods: set[str]) -> list[str]:
    first = [said for said in METHODS.values() if said in methods]
    return first + sorted(methods - set(first))


def _panel(staged: Staged, name: str, electrodes: int) -> ClassPanel:
    shown = (pl.col("soil_class") == name) & pl.col("age_years").is_between(0, MOST_YEARS)
    curves = staged["class_curves"].filter(shown).sort("material", "age_years")
    survival = staged["survival_curves"].filter(shown).sort("method", "age_years")
    models = staged["survival_models"].filter(pl.col("soil_class") == name)
    return ClassPanel(
        soil_class=name,
        electrodes=electrodes,
        sentence=_sentence(curves),
        share_sentence=_share_sentence(survival),
        ratio=_ratio_columns(curves),
        share=_survival_columns(survival) if survival.height else _share_columns(curves),
        ages=_age_rows(curves),
        models=tuple(
            ModelRow(
                LIVES.get(row["model"], words.plain(row["model"])),
                words.years(row["median_years"]),
                words.years_between(row["median_low"], row["median_high"]),
                words.figure(row["shape"]),
                words.whole(row["electrodes"]),
                bool(row["converged"]),
                "" if row["aic"] is None else f"{row['aic']:.1f}",
                bool(row["best"]),
            )
            for row in models.iter_rows(named=True)
        ),
        threshold=threshold_ratio(staged.run.get("settings") or {}, name),
        survival=class_survival(staged, name),
    )


def thinned(frame: pl.DataFrame, most: int = MOST_POINTS) -> pl.DataFrame:
    """Keep at most about `most` rows, evenly, the first and the last among them."""
    if frame.height <= most:
        return frame
    step = math.ceil((frame.height - 1) / (most - 1))
    kept = frame.gather_every(step)
    return kept if (frame.height - 1) % step == 0 else pl.concat([kept, frame.tail(1)])


def _thinned_by(frame: pl.DataFrame, key: str) -> pl.DataFrame:
    parts = frame.partition_by(key, maintain_order=True)
    return pl.concat([thinned(part) for part in parts]) if parts else frame


def _finite(column: str, factor: float = 1.0, places: int = 3) -> pl.Expr:
    """A column for a chart: rounded, and null where JSON has no number for it."""
    value = pl.col(column)
    return pl.when(value.is_finite()).then((value * factor).round(places))


def _ratio_columns(curves: pl.DataFrame) -> Columns:
    frame = _thinned_by(curves, "material").select(
        series=pl.col("material").fill_null("material not known").str.replace_all("_", " "),
        age=pl.col("age_years").round(2),
        low=_finite("ratio_p10"),
        mid=_finite("ratio_p50"),
        high=_finite("ratio_p90"),
    )
    return frame.to_dict(as_series=False)


def _survival_columns(survival: pl.DataFrame) -> Columns:
    frame = _thinned_by(survival, "method").select(
        series=pl.col("method").replace(METHODS),
        age=pl.col("age_years").round(2),
        low=_finite("low", 100, 1),
        mid=_finite("share_past", 100, 1),
        high=_finite("high", 100, 1),
        low_all=_finite("low_all_ages", 100, 1),
        high_all=_finite("high_all_ages", 100, 1),
    )
    return frame.to_dict(as_series=False)


def _share_columns(curves: pl.DataFrame) -> Columns:
    """The curves' own shares, where the run made no survival estimate."""
    frame = _thinned_by(curves, "material").select(
        series=pl.lit("fitted curves, ")
        + pl.col("material").fill_null("not known").str.replace_all("_", " "),
        age=pl.col("age_years").round(2),
        low=_finite("share_past", 100, 1),
        mid=_finite("share_past", 100, 1),
        high=_finite("share_past", 100, 1),
    )
    return frame.to_dict(as_series=False)


def _at_age(curves: pl.DataFrame, material: str | None, age: float) -> dict[str, object] | None:
    rows = curves.filter(pl.col("material").eq_missing(material) & ((pl.col("age_years") - age).abs() < 0.51))
    nearest = rows.sort((pl.col("age_years") - age).abs()).head(1)
    return nearest.row(0, named=True) if nearest.height else None


def _materials(curves: pl.DataFrame) -> list[str | None]:
    return curves["material"].unique(maintain_order=True).to_list()


def _age_rows(curves: pl.DataFrame) -> tuple[AgeRow, ...]:
    rows = []
    for material in _materials(curves):
        for age in (10, 20, 30, 40, 50):
            row = _at_age(curves, material, age)
            if row is not None:
                rows.append(_age_row(material, age, row))
    return tuple(rows)


def _age_row(material: str | None, age: int, row: dict[str, object]) -> AgeRow:
    low, mid, high = (words.figure(row[q]) for q in ("ratio_p10", "ratio_p50", "ratio_p90"))  # type: ignore[arg-type]
    share = words.chance(row["share_past"])  # type: ignore[arg-type]
    return AgeRow(words.plain(material), f"{age} years", f"{mid} ({low} to {high})", share)


def _sentence(curves: pl.DataFrame) -> str:
    said = []
    for material in _materials(curves):
        row = _at_age(curves, material, 30)
        if row is not None:
            said.append(f"{words.plain(material)} {words.chance(row['share_past'])}")  # type: ignore[arg-type]
    return (
        "Past threshold at 30 years: " + ", ".join(said) + "."
        if said
        else "No curve was fitted for this class."
    )


def _share_sentence(survival: pl.DataFrame) -> str:
    """Say what each method holds of the share past threshold at 30 years, or where the method ends."""
    said = []
    for method, name in METHODS.items():
        rows = survival.filter((pl.col("method") == method) & (pl.col("age_years") <= 30)).tail(1)
        for row in rows.iter_rows(named=True):
            low, high = row["low"], row["high"]
            known = low is not None and high is not None
            interval = f" ({words.chance(low)} to {words.chance(high)})" if known else ""
            said.append(
                f"{name} {words.chance(row['share_past'])}{interval} by {words.years(row['age_years'])}"
            )
    return f"Share past threshold: {'; '.join(said)}." if said else "Share past threshold by age."
