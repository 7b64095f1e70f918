"""The owner's settings: every key of `fleet.toml`, its default, its unit and its meaning."""

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import Field, dataclass, field, fields, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any, cast

from pipeline.errors import RequestError

SITE_LIMIT_KINDS = ("share_of_rods_past", "conductance_lost", "site_ohm")


def _says(kind: str, meaning: str, unit: str = "") -> dict[str, str]:
    """Describe one key: the kind of value that it takes, its meaning and its unit."""
    return {"kind": kind, "meaning": meaning, "unit": unit}


@dataclass(frozen=True)
class Settings:
    """Hold what the owner decides; a key that `fleet.toml` does not give keeps its default."""

    store_path: Path = field(
        default=Path("store.duckdb"), metadata=_says("path", "the store, below the fleet folder")
    )
    output_folder: Path = field(
        default=Path("out"), metadata=_says("path", "where the runs are published, below the fleet folder")
    )
    questions_folder: Path = field(
        default=Path("questions"),
        metadata=_says("path", "TOML files of questions that every run asks again, below the fleet folder"),
    )
    threshold_ratio: float = field(
        default=2.0,
        metadata=_says(
            "above one",
            "an electrode is past threshold when its ratio reaches this; a policy choice",
            "times its resistance when new",
        ),
    )
    threshold_ratio_by_class: dict[str, float] = field(
        default_factory=dict,
        metadata=_says("ratios by name", "threshold ratio of a soil class, in place of threshold_ratio"),
    )
    threshold_ratio_by_material: dict[str, float] = field(
        default_factory=dict,
        metadata=_says("ratios by name", "threshold ratio of a material, in place of its class's"),
    )
    threshold_ohm: float | None = field(
        default=None,
        metadata=_says(
            "above zero", "an absolute threshold as well, judged at the worst season of the year", "ohm"
        ),
    )
    as_of: date | None = field(
        default=None,
        metadata=_says(
            "date", "the day that the outlook starts from; not given: the day of the newest accepted reading"
        ),
    )
    horizons_years: tuple[int, ...] = field(
        default=(1, 3, 5, 10), metadata=_says("whole years", "how far ahead the forecasts look", "years")
    )
    site_limit_kind: str = field(
        default="share_of_rods_past",
        metadata=_says("site limit", "what the site's limit is about: " + ", ".join(SITE_LIMIT_KINDS)),
    )
    site_limit_value: float = field(
        default=0.30,
        metadata=_says(
            "above zero",
            "a site is past its limit when it reaches this: a share from 0 to 1, or ohm for site_ohm",
        ),
    )
    budget: float | None = field(
        default=None,
        metadata=_says(
            "zero or more", "money for one year's replacements; not given: no limit", "money units"
        ),
    )
    currency: str = field(
        default="money units", metadata=_says("text", "what amounts are called on the page")
    )
    discount_rate: float = field(
        default=0.05, metadata=_says("share", "yearly discount on later money", "a year, as a share")
    )
    planning_years: int = field(
        default=10, metadata=_says("whole above zero", "years over which the benefit is counted", "years")
    )
    plan_years: int = field(
        default=5, metadata=_says("whole above zero", "years of the replacement plan", "years")
    )
    visit_cost: float | None = field(
        default=None,
        metadata=_says(
            "zero or more",
            "what it costs to send a crew to a site once and read all its wells; beside it stands what the "
            "readings are worth; not given: the worth alone is shown",
            "money units",
        ),
    )
    current_note_a: float = field(
        default=1.0,
        metadata=_says("above zero", "current on one lead, or summed over a visit, that is noted", "A"),
    )
    current_danger_a: float = field(
        default=10.0,
        metadata=_says(
            "above zero", "current on one lead, or summed over a visit, that is a danger to people", "A"
        ),
    )
    recalibrate_days: int = field(
        default=30,
        metadata=_says(
            "whole", "a kept calibration is fitted anew when the run looks from a day so much later", "days"
        ),
    )
    group_unnamed_soil: bool = field(
        default=True,
        metadata=_says(
            "yes or no",
            "where no survey names a soil class, group sites by what was measured of their ground",
        ),
    )
    hazard_by_soil_and_age: bool = field(
        default=False,
        metadata=_says(
            "yes or no",
            "whether in a new calibration the hazard of sudden steps differs by soil class and age, and once "
            "cladding or joint has given way",
        ),
    )
    calibration_sites: int = field(
        default=600,
        metadata=_says(
            "whole above zero",
            "sites, of all classes and sizes, that a large fleet is calibrated on",
            "sites",
        ),
    )
    readings_parquet: str | None = field(
        default=None,
        metadata=_says(
            "text",
            "readings of a large fleet that lie in Parquet files and not in the store: a path with "
            "wildcards, also of an object store that DuckDB reads",
        ),
    )
    dask_scheduler: str | None = field(
        default=None,
        metadata=_says(
            "text",
            'where the shards of a large fleet are fitted: the address of a Dask scheduler, or "local"; not '
            "given: threads of this process",
        ),
    )
    seed: int = field(default=20260101, metadata=_says("whole", "seed of every random draw of a run"))

    @classmethod
    def load(cls, fleet: Path) -> "Settings":
        """Read `fleet.toml` of a fleet folder; paths come back below that folder.

        Raises RequestError for a file that is not TOML, an unknown key, or a value of the wrong kind.
        """
        given = _read_toml(fleet / "fleet.toml")
        known = {f.name: f for f in fields(cls)}
        for key in given:
            if key not in known:
                near = _nearest(key, known)
                raise RequestError(
                    f"fleet.toml: there is no setting {key!r}{near}; `rodfleet settings` lists them all."
                )
        values = {key: _checked(known[key], value) for key, value in given.items()}
        settings = replace(cls(), **values)
        if settings.site_limit_kind != "site_ohm" and settings.site_limit_value > 1:
            raise RequestError("fleet.toml: site_limit_value is a share here; give a number up to 1.")
        if settings.current_danger_a < settings.current_note_a:
            raise RequestError(
                "fleet.toml: current_danger_a is below current_note_a; make it the larger one."
            )
        return replace(
            settings,
            store_path=fleet / settings.store_path,
            output_folder=fleet / settings.output_folder,
            questions_folder=fleet / settings.questions_folder,
        )

    def describe(self) -> str:
        """Write every key with its value, its default where that differs, its unit and its meaning."""
        lines = []
        for f in fields(self):
            value = getattr(self, f.name)
            unit = f" {f.metadata['unit']}" if f.metadata["unit"] else ""
            lines.append(f"{f.name} = {_shown(value)}{unit}")
            lines.append(f"    {f.metadata['meaning']}")
            lines.append(f"    default: {_shown(_default(f))}")
        return "\n".join(lines)


def _read_toml(path: Path) -> dict[str, Any]:
    if not path.is_file():
        return {}
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (ValueError, RecursionError) as fault:  # of TOML, of UTF-8, or of a number without end
        raise RequestError(f"fleet.toml can't be read as TOML: {fault}; correct that line.") from fault


def _nearest(key: str, known: Mapping[str, Any]) -> str:
    import difflib

    near = difflib.get_close_matches(key, known, n=1)
    return f" (did you mean {near[0]}?)" if near else ""


def _default(f: "Field[Any]") -> Any:
    return {} if f.name.startswith("threshold_ratio_by") else f.default


def _shown(value: Any) -> str:
    if value is None:
        return "(not given)"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, tuple):
        return "[" + ", ".join(map(str, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{k}" = {v}' for k, v in value.items()) + "}"
    return str(value)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < float("inf")


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _day(value: Any) -> date | None:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        return None


_Rule = tuple[str, Callable[[Any], bool], Callable[[Any], Any]]
_KINDS: dict[str, _Rule] = {
    "path": ("a path as text", lambda v: isinstance(v, str) and v != "", Path),
    "text": ("a text", lambda v: isinstance(v, str) and v.strip() != "", str),
    "above one": ("a number above 1", lambda v: _is_number(v) and v > 1, float),
    "above zero": ("a number above 0", lambda v: _is_number(v) and v > 0, float),
    "zero or more": ("a number, 0 or more", lambda v: _is_number(v) and v >= 0, float),
    "share": ("a number from 0 up to 1", lambda v: _is_number(v) and 0 <= v < 1, float),
    "whole": ("a whole number, 0 or more", lambda v: _is_whole(v) and v >= 0, int),
    "whole above zero": ("a whole number above 0", lambda v: _is_whole(v) and v > 0, int),
    "whole years": (
        "a list of whole years above 0, such as [1, 3, 5, 10]",
        lambda v: isinstance(v, list) and len(v) > 0 and all(_is_whole(y) and y > 0 for y in v),
        lambda v: tuple(sorted(set(v))),
    ),
    "ratios by name": (
        'a table of numbers above 1, such as {"clay" = 1.8}',
        lambda v: isinstance(v, dict) and all(_is_number(r) and r > 1 for r in v.values()),
        lambda v: {name: float(ratio) for name, ratio in v.items()},
    ),
    "yes or no": ("true or false", lambda v: isinstance(v, bool), bool),
    "date": ("a date such as 2026-03-14", lambda v: _day(v) is not None, _day),
    "site limit": ("one of " + ", ".join(SITE_LIMIT_KINDS), lambda v: v in SITE_LIMIT_KINDS, str),
}


def _checked(setting: "Field[Any]", value: Any) -> Any:
    """Give a value of the setting's kind, or raise RequestError naming key, value and what it may be."""
    asked, fits, convert = _KINDS[cast(str, setting.metadata["kind"])]
    if not fits(value):
        raise RequestError(f"fleet.toml: {setting.name} = {_shown(value)} is not right; give {asked}.")
    return convert(value)
