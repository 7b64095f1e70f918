"""What matters in the soil: importance of surveyed properties and how the hazard moves, as a typed page."""

from __future__ import annotations

from dataclasses import dataclass, replace

import polars as pl

from reports import words
from reports.charts import Columns
from reports.staged import Row, Staged

UNITS = {
    "resistivity_ohm_m": "Resistivity, ohm m",
    "ph": "pH",
    "chloride_ppm": "Chloride, ppm",
    "sulphate_ppm": "Sulphate, ppm",
    "redox_mv": "Redox potential, mV",
    "sulphide": "Sulphide",
    "drainage": "Drainage",
    "moisture": "Moisture",
}
ON_LOG = ("resistivity_ohm_m", "chloride_ppm", "sulphate_ppm")


@dataclass(frozen=True)
class PropertyRow:
    """A property: what a forecast loses without it, what it explains alone, what it stands for."""

    name: str
    lost: str
    interval: str
    alone: str
    stands_for: str
    sites: str
    says: str


@dataclass(frozen=True)
class Dependence:
    """How the hazard moves with a property: chart columns, whether by names, whether on a log scale."""

    title: str
    template: str
    data: Columns
    sentence: str


@dataclass(frozen=True)
class GroupRow:
    """A group of like ground that stands for a soil class: sites, how surely it comes back, medians."""

    name: str
    sites: str
    stability: str
    medians: tuple[str, ...]


@dataclass(frozen=True)
class GroundPage:
    """All that ground.html says."""

    headline: str
    sentence: str
    warnings: tuple[str, ...]
    rows: tuple[PropertyRow, ...]
    importance: Columns
    dependence: tuple[Dependence, ...]
    group_heads: tuple[str, ...] = ()
    groups: tuple[GroupRow, ...] = ()


def ground_page(staged: Staged) -> GroundPage:
    """Turn the tables of importance into the page."""
    heads, groups = group_rows(staged["soil_groups"])
    return replace(_importance(staged), group_heads=heads, groups=groups)


def group_rows(table: pl.DataFrame) -> tuple[tuple[str, ...], tuple[GroupRow, ...]]:
    """Give the headings of the properties that are known, and a row for each group of ground."""
    known = [c for c in table.columns if c in UNITS and table[c].is_not_null().any()]
    rows = tuple(
        GroupRow(
            row["soil_class"],
            words.whole(row["sites"]),
            words.figure(row["stability"], digits=2),
            tuple(words.figure(row[c]) for c in known),
        )
        for row in table.sort("soil_class").iter_rows(named=True)
    )
    return tuple(UNITS[c] for c in known), rows


def _importance(staged: Staged) -> GroundPage:
    table = staged["soil_importance"]
    if table.is_empty():
        return GroundPage(
            "Too little has crossed, or too few sites are surveyed, to say what matters in the soil",
            "At least 40 sites with readings and 40 crossings are needed.", (), (), {}, (),
        )  # fmt: skip
    rows = list(table.iter_rows(named=True))
    single = [r for r in rows if not r["property"].startswith("all ")]
    first = max(single, key=lambda r: r["importance"])
    explained = rows[0]["explained_by_all"]
    return GroundPage(
        headline=f"{first['property'].capitalize()} carries most of what the ground says of corrosion here",
        sentence=(
            f"Trees taught with ground, material and district explain {words.chance(max(explained, 0.0))} of "
            "the deviance of first crossings at sites that they have not seen (5 folds by site)."
        ),
        warnings=tuple(r["says"] for r in single if r["stands_for"] and r["importance"] > 0.005),
        rows=tuple(_row(r) for r in rows),
        importance={
            "name": [r["property"] for r in rows],
            "mid": [round(100 * r["importance"], 2) for r in rows],
            "low": [round(100 * r["low"], 2) for r in rows],
            "high": [round(100 * r["high"], 2) for r in rows],
            "alone": [round(100 * max(r["alone"], 0.0), 2) for r in rows],
        },
        dependence=_dependences(staged["soil_dependence"]),
    )


def _row(row: Row) -> PropertyRow:
    return PropertyRow(
        name=row["property"],
        lost=_points(row["importance"]),
        interval=f"{_points(row['low'])} to {_points(row['high'])}",
        alone=f"{100 * max(row['alone'], 0.0):.0f}",
        stands_for=f"{row['stands_for']} ({row['association']:.2f})" if row["stands_for"] else "",
        sites=words.whole(row["known_sites"]),
        says=row["says"] or "",
    )


def _points(share: float) -> str:
    """Give a share in points of a hundred, never as -0.0."""
    return f"{round(100 * share, 1) + 0.0:.1f}"


def _dependences(table: pl.DataFrame) -> tuple[Dependence, ...]:
    made = []
    for (column,), part in table.partition_by("column", as_dict=True, maintain_order=True).items():
        named = not part["label"].str.contains(r"^[-\d]").all()
        span = part["hazard"].max() / max(part["hazard"].min(), 1e-9)  # type: ignore[operator, type-var]
        made.append(
            Dependence(
                title=UNITS.get(str(column), words.plain(str(column))),
                template="dependence_names"
                if named
                else "dependence_log"
                if column in ON_LOG
                else "dependence",
                data={
                    "x": part["label"].to_list() if named else part["value"].round(4).to_list(),
                    "mid": part["hazard"].round(3).to_list(),
                    "low": part["low"].round(3).to_list(),
                    "high": part["high"].round(3).to_list(),
                },
                sentence=f"Highest over lowest hazard: {span:.1f} times, all else as it is.",
            )
        )
    return tuple(made)
