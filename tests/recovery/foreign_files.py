"""Foreign files made from one true table: headings, units, marks, dates and forms drawn for each."""

import json
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import xlsxwriter

from pipeline.intake.headings import plain_words
from pipeline.intake.tables import TABLES, Kind
from pipeline.intake.trade_words import COLUMN_WORDS
from tests.recovery.foreign_words import HEADINGS, TITLES, UNIT_TEXTS

TUNED_ON, HELD_OUT = range(250), range(250, 500)

_NEEDED = {
    "readings": ("well_id", "taken_at", "resistance_ohm"),
    "electrodes": ("electrode_id", "site_id", "installed_on"),
    "soil_surveys": ("site_id", "surveyed_on", "resistivity_ohm_m"),
    "soundings": ("site_id", "surveyed_on", "spacing_m", "resistance_ohm"),
    "instruments": ("instrument_id", "calibrated_on", "range_high_ohm"),
    "sites": ("site_id", "site_name"),
}
_MAY_COME = {
    "readings": "site_id current_a instrument_id soil_temp_c crew note check_ring_ohm repeat_no",
    "electrodes": "well_id retired_on material length_m diameter_mm cladding_um baseline_ohm",
    "soil_surveys": "soil_class sample_depth_m ph chloride_ppm sulphate_ppm redox_mv",
    "soundings": "",
    "instruments": "calibration_due_on range_low_ohm accuracy_pct",
    "sites": "region latitude longitude voltage_kv commissioned_on",
}
NO_COLUMN = {"readings": ("site_id",)}  # crews write the site beside the well; readings have no such column
_SHARES = {
    "readings": 0.5,
    "electrodes": 0.2,
    "soil_surveys": 0.12,
    "soundings": 0.05,
    "instruments": 0.08,
    "sites": 0.05,
}


@dataclass
class Layout:
    """Hold one foreign file and what its headings mean."""

    path: Path
    table: str
    truth: dict[str, pl.Series]
    headings: dict[str, str]
    """our column -> heading."""
    seed: int = 0
    units: dict[str, str] = field(default_factory=dict)
    said: dict[str, str] = field(default_factory=dict)
    """our column -> where its unit is said: `heading`, `cells` or `nowhere`."""
    visit_days: dict[str, date] = field(default_factory=dict)
    """Of a wide sheet: heading -> its true day."""
    wide: bool = False
    form: str = "csv"


def headings_of(column: str, seed: int) -> list[str]:
    """Give the headings of the suite for a column, none of which is a phrase of the proposer's own list.

    Every third heading is kept from the layouts that the proposer was tuned on.
    """
    own = {plain_words(p) for p in (*COLUMN_WORDS.get(column, "").split("|"), column.replace("_", " "))}
    all_of_it = HEADINGS[column].split("|")
    allowed = all_of_it if seed in HELD_OUT else [h for k, h in enumerate(all_of_it) if k % 3 != 2]
    return [h for h in allowed if plain_words(h) not in own] or [_slip(allowed[0])]


def never_tuned_on(column: str, heading: str) -> bool:
    """Say whether a layout's heading comes from those that no tuning saw."""
    kept = [h for k, h in enumerate(HEADINGS.get(column, "").split("|")) if k % 3 == 2]
    return any(heading.lower().startswith(h.lower()) for h in kept if h)


def _slip(heading: str) -> str:
    return heading[:2] + heading[3:]


def make_layout(folder: Path, seed: int) -> Layout:
    """Write one foreign file."""
    rng = np.random.default_rng([seed, 71])
    table = str(rng.choice(list(_SHARES), p=list(_SHARES.values())))
    may = _MAY_COME[table].split()
    extra = [c for c in may if rng.random() < 0.6]
    columns = [*_NEEDED[table], *extra]
    rows = int(rng.integers(25, 120)) if rng.random() < 0.85 else int(rng.integers(4, 12))
    truth = {c: _true_values(c, table, rows, rng) for c in columns}
    layout = Layout(folder, table, truth, {}, seed)
    rng.shuffle(columns)
    style = _style(rng)
    written = {c: _written(c, truth[c], layout, style, rng) for c in columns}
    wide = table == "readings" and rng.random() < 0.12
    if wide:
        _make_wide(layout, written, style, rng)
    layout.form = str(rng.choice(["csv", "csv", "csv", "xlsx", "jsonl"]))
    layout.path = folder / f"{rng.choice(['log', 'export', 'data', 'sheet'])}_{seed}.{layout.form}"
    _write(layout, written, style, rng)
    return layout


@dataclass(frozen=True)
class _Style:
    decimal: str
    dates: str
    separator: str
    encoding: str
    titles: int


def _style(rng: np.random.Generator) -> _Style:
    decimal = "," if rng.random() < 0.4 else "."
    separator = str(rng.choice([";", "\t", "|"] if decimal == "," else [",", ";", "\t", "|"]))
    dates = str(
        rng.choice(
            [
                "%Y-%m-%d",
                "%d/%m/%Y",
                "%m/%d/%Y",
                "%d.%m.%Y",
                "%d-%m-%y",
                "%d-%b-%Y",
                "%d/%m/%Y %H:%M",
                "%Y/%m/%d",
                "%m/%d/%y",
            ]
        )
    )
    encoding = str(rng.choice(["utf-8", "utf-8-sig", "utf-16"]))
    return _Style(decimal, dates, separator, encoding, int(rng.integers(0, 4)) if rng.random() < 0.4 else 0)


def _true_values(column: str, table: str, rows: int, rng: np.random.Generator) -> pl.Series:  # noqa: PLR0911
    """Draw a column of the one true table, in our units."""
    sites = [f"{rng.choice(['CIN', 'NOR', 'WEN'])}-{k:03d}" for k in range(1, max(rows // 3, 3))]
    day = [date(2004, 1, 1) + timedelta(days=int(d)) for d in rng.integers(0, 7_900, rows)]
    match column:
        case "site_id":
            return pl.Series(
                [f"CIN-{k:03d}" for k in range(rows)]
                if table == "sites"
                else [str(s) for s in rng.choice(sites, rows)]
            )
        case "well_id":
            return pl.Series(
                [
                    f"{s}-W{k:02d}"
                    for s, k in zip(rng.choice(sites, rows), rng.integers(1, 9, rows), strict=True)
                ]
            )
        case "electrode_id":
            return pl.Series([f"E{k:05d}" for k in range(rows)])
        case "instrument_id":
            return pl.Series(
                [f"M{k:03d}" for k in (range(rows) if table == "instruments" else rng.integers(1, 6, rows))]
            )
        case (
            "calibration_due_on"
            | "taken_at"
            | "surveyed_on"
            | "calibrated_on"
            | "installed_on"
            | "retired_on"
            | "commissioned_on"
        ):
            return pl.Series(day)
        case "material":
            return pl.Series(
                [
                    str(v)
                    for v in rng.choice(["copper_bonded_steel", "galvanized_steel", "solid_copper"], rows)
                ]
            )
        case "crew":
            return pl.Series([str(v) for v in rng.choice(["AB", "Crew 2", "KL", "North gang"], rows)])
        case "note":
            return pl.Series(
                [str(v) for v in rng.choice(["muddy", "lid stuck", "ok, dry", "see photo"], rows)]
            )
        case "soil_class" | "region" | "site_name":
            words = {
                "soil_class": ["clay", "sand", "loam"],
                "region": ["North", "Saltmere"],
                "site_name": ["Aber Moor", "Bel Fen", "Cor Hill", "Dun Vale"],
            }[column]
            return pl.Series([str(v) for v in rng.choice(words, rows)])
        case _:
            return pl.Series(_amounts(column, rows, rng))


def _amounts(column: str, rows: int, rng: np.random.Generator) -> list[float]:
    spread = {
        "resistance_ohm": (10 ** rng.uniform(0.2, 2.0), 0.7),
        "baseline_ohm": (10 ** rng.uniform(0.3, 1.7), 0.5),
        "check_ring_ohm": (5.0, 0.02),
        "current_a": (10 ** rng.uniform(-2, 0.3), 0.8),
        "cladding_um": (float(rng.choice([70.0, 254.0])), 0.1),
        "resistivity_ohm_m": (10 ** rng.uniform(1.3, 3.0), 0.6),
        "chloride_ppm": (80.0, 0.8),
        "sulphate_ppm": (150.0, 0.8),
        "range_high_ohm": (1_500.0, 0.0),
        "range_low_ohm": (0.05, 0.0),
        "accuracy_pct": (1.5, 0.0),
    }
    if column in spread:
        middle, sd = spread[column]
        return [float(v) for v in middle * np.exp(rng.normal(0, sd, rows))]
    choices = {
        "length_m": [2.4, 3.0, 4.8, 6.0],
        "diameter_mm": [12.7, 14.2, 15.9, 19.0],
        "sample_depth_m": [0.5, 1.0, 1.5, 3.0],
        "spacing_m": [1.0, 2.0, 4.0, 8.0, 16.0],
        "voltage_kv": [11.0, 33.0, 66.0, 132.0],
        "repeat_no": [1.0, 2.0, 3.0],
    }
    if column in choices:
        return [float(v) for v in rng.choice(choices[column], rows)]
    low, high = {
        "soil_temp_c": (2, 22),
        "ph": (4.5, 8.9),
        "redox_mv": (-150, 400),
        "latitude": (50, 52),
        "longitude": (-3, 1),
    }[column]
    return [float(v) for v in rng.uniform(low, high, rows)]


def _written(
    column: str, values: pl.Series, layout: Layout, style: _Style, rng: np.random.Generator
) -> list[str]:
    """Write a column as the crew would, with its heading; remember the unit and where it is said."""
    heading = str(rng.choice(headings_of(column, layout.seed)))
    if rng.random() < 0.08 and len(heading) > 6 and "(" not in heading:
        place = int(rng.integers(2, len(heading) - 2))
        heading = heading[:place] + heading[place + 1 :]  # a slip of the keys
    if rng.random() < 0.15:
        heading = heading.upper() if "(" not in heading else heading
    kind = TABLES[layout.table].column(column).kind if column in TABLES[layout.table].names else Kind.TEXT
    cells: list[str]
    if kind in (Kind.DAY, Kind.MOMENT):
        cells = [
            datetime(v.year, v.month, v.day, 9 + v.day % 8, v.month * 3).strftime(style.dates) for v in values
        ]
    elif kind in (Kind.NUMBER, Kind.RANGED):
        heading, cells = _amount_cells(column, values, heading, layout, style, rng)
    elif kind is Kind.WHOLE:
        cells = [str(int(v)) for v in values]
    else:
        cells = [str(v).replace("_", " ") for v in values]
    while heading in layout.headings.values():
        heading += " 2"
    layout.headings[column] = heading
    return cells


def _amount_cells(
    column: str, values: pl.Series, heading: str, layout: Layout, style: _Style, rng: np.random.Generator
) -> tuple[str, list[str]]:
    texts = next((u for ending, u in UNIT_TEXTS.items() if column.endswith(ending)), None)
    behind = ""
    scaled = values
    if texts is not None:
        unit, added, times, spelt = texts[int(rng.choice(len(texts), p=_weights(len(texts))))]
        scaled = values / times - added
        where = str(rng.choice(["heading", "cells", "nowhere"], p=[0.6, 0.15, 0.25]))
        text = str(rng.choice(spelt))
        layout.units[column], layout.said[column] = unit, where
        if where == "heading":
            shape = str(rng.choice(["{h} ({u})", "{h} [{u}]", "{h}, {u}", "{h} / {u}", "{h}_{u}", "{h} {u}"]))
            heading = shape.format(h=heading, u=text)
        elif where == "cells":
            behind = str(rng.choice(["", " "])) + text
    cells = [f"{v:.5g}" if abs(v) < 1e5 else f"{v:.0f}" for v in scaled]
    return heading, [c.replace(".", style.decimal) + behind for c in cells]


def _weights(count: int) -> list[float]:
    return [0.6, *[0.4 / (count - 1)] * (count - 1)]


def _make_wide(
    layout: Layout, written: dict[str, list[str]], style: _Style, rng: np.random.Generator
) -> None:
    """Turn a long table of readings into a column for each visit."""
    form = style.dates.removesuffix(" %H:%M")
    count = int(rng.integers(5, 9))
    days = [date(2010 + k, int(rng.integers(1, 13)), int(rng.integers(1, 29))) for k in range(count)]
    rows = len(written["well_id"])
    for column in list(written):
        if column not in ("well_id", "note", "crew", "site_id"):
            del written[column]
            layout.headings.pop(column, None)
            layout.truth.pop(column)
    values = _amounts("resistance_ohm", rows * count, rng)
    unit = layout.units.pop("resistance_ohm")
    layout.said.pop("resistance_ohm")
    layout.units.clear()
    layout.said.clear()
    _, added, times, _ = next(u for u in UNIT_TEXTS["_ohm"] if u[0] == unit)
    for k, day in enumerate(days):
        part = [f"{v / times - added:.5g}" for v in values[k * rows : (k + 1) * rows]]
        written[f"visit {day.strftime(form)}"] = [p.replace(".", style.decimal) for p in part]
        layout.truth[f"visit {day.strftime(form)}"] = pl.Series(values[k * rows : (k + 1) * rows])
        layout.headings[f"visit {day.strftime(form)}"] = day.strftime(form)
        layout.visit_days[day.strftime(form)] = day
    layout.units["resistance_ohm"] = unit
    layout.said["resistance_ohm"] = "nowhere"
    layout.wide = True


def _write(layout: Layout, written: dict[str, list[str]], style: _Style, rng: np.random.Generator) -> None:
    names = [layout.headings[c] for c in written]
    rows = list(zip(*written.values(), strict=True))
    titles = [[str(rng.choice(TITLES))], *[["Printed", "for the file"]] * max(style.titles - 1, 0)][
        : style.titles
    ]
    if layout.form == "jsonl":
        lines = [json.dumps(dict(zip(names, row, strict=True)), ensure_ascii=False) for row in rows]
        layout.path.write_text("\n".join(lines), encoding="utf-8")
    elif layout.form == "xlsx":
        with xlsxwriter.Workbook(layout.path) as book:
            sheet = book.add_worksheet("Sheet1")
            for k, line in enumerate([*titles, names, *rows]):
                sheet.write_row(k, 0, [str(c) for c in line])
    else:
        quoted = [[_quoted(str(c), style.separator) for c in line] for line in (names, *rows)]
        lines = [style.separator.join(line) for line in (*titles, *quoted)]
        layout.path.write_text("\n".join(lines), encoding=style.encoding)


def _quoted(cell: str, separator: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if separator in cell or '"' in cell else cell
