"""The entry points: a fleet in memory, or as the field files that its crews send."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
import xlsxwriter

from synthetic_fleet.circuit import rest_when_new
from synthetic_fleet.crews import send_out
from synthetic_fleet.field_books import reading_table, works_table
from synthetic_fleet.layouts import write_handheld, write_table, write_tidy
from synthetic_fleet.mechanisms import mechanism_named
from synthetic_fleet.meters import instrument_table, make_meters
from synthetic_fleet.mistakes import FieldRows, plant
from synthetic_fleet.rods import electrode_table, first_installations, make_rods, truth_table
from synthetic_fleet.sheet_mistakes import plant_on_sheets
from synthetic_fleet.workbook import MADE, write_district_book
from synthetic_fleet.world import DISTRICTS, make_world

READING_COLUMNS = (
    "electrode_id", "well_id", "site_id", "taken_at", "resistance_ohm", "range_mark", "outcome", "method",
    "current_a", "current_kind", "conductor", "conductors_in_well", "repeat_no", "visit_reason",
    "check_ring_ohm", "instrument_id", "soil_temp_c", "soil_moisture_pct", "crew", "corrects", "note",
)  # fmt: skip
READING_TRUTH_COLUMNS = (
    "true_electrode_id", "true_taken_on", "level_ohm", "season_log", "visit_log", "rest_ohm", "wild",
    "mistake",
)  # fmt: skip
LAYOUTS = ("crews", "contract")
SPLIT_YEAR = 2017  # Brackwater's readings from this year on are in a second file


@dataclass(frozen=True)
class Simulated:
    """Hold a fleet in memory.

    tables: the contract's tables by name; `readings` as a faultless intake would accept them (typed,
    `electrode_id` resolved, the meter's limit with `range_mark` `over` or `under` where out of range).
    truth: one row an electrode.
    reading_truth: row by row beside `readings`: the electrode and day that were really read, `level_ohm` (the
    electrode's own, at annual mean, free of visit and noise), `season_log` and `visit_log` on top of it,
    `rest_ohm` (of the loop), `wild`, `mistake`.
    mistakes: kind, electrode_id, taken_at of the planted ones.
    """

    tables: dict[str, pl.DataFrame]
    truth: pl.DataFrame
    reading_truth: pl.DataFrame
    mistakes: pl.DataFrame


@dataclass(frozen=True)
class Written:
    """Say what was written: the files below the folder, with the truth and the planted mistakes."""

    folder: Path
    files: tuple[str, ...]
    sites: int
    electrodes: int
    readings: int  # rows in the files, the spoilt and the doubled ones among them
    truth: pl.DataFrame
    mistakes: pl.DataFrame  # file, line, kind, electrode_id, taken_at


def simulate(
    sites: int = 300,
    seed: int = 1,
    mechanism: str = "field",
    mistakes: bool = True,
    sheet_shares: Mapping[str, float] | None = None,
) -> Simulated:
    """Make a fleet of so many sites in memory; the same arguments give the same fleet.

    sheet_shares: how often clamp, meter and sheet go wrong, other than sheet_mistakes.SHEET_SHARES. Raises
    ValueError where there is no such mechanism, or no site.
    """
    tables, truth, rows, _ = _make(sites, seed, mechanism, mistakes, sheet_shares)
    accepted = rows.accepted()
    tables["readings"] = accepted.select(READING_COLUMNS)
    return Simulated(tables, truth, accepted.select(READING_TRUTH_COLUMNS), rows.planted())


def synthesize(
    folder: Path, sites: int = 300, seed: int = 1, mechanism: str = "field", layouts: str = "crews"
) -> Written:
    """Write a fleet's field files and, under `truth/`, what is true of it.

    The same arguments give the same bytes. A fleet that stands in the folder is replaced. Raises
    ValueError where there is no such mechanism or layout.
    """
    if layouts not in LAYOUTS:
        raise ValueError(f"There is no layout {layouts!r}; choose one of {', '.join(LAYOUTS)}.")
    tables, truth, rows, rng = _make(sites, seed, mechanism, mistakes=True)
    folder = Path(folder)
    _clear(folder)
    write = _write_crews if layouts == "crews" else _write_contract
    found = write(folder, tables, rows.readings, rng)
    columns = ["file", "line", "kind", "electrode_id", "taken_at"]
    mistakes = pl.concat(
        [f.with_columns(file=pl.lit(name)) for name, f in found.items() if f is not None]
    ).select(columns)
    write_table(folder / "truth/electrodes.parquet", truth)
    write_table(folder / "truth/mistakes.parquet", mistakes)
    files = tuple(found)
    (folder / "truth/files.txt").write_text("".join(f + "\n" for f in files), encoding="utf-8")
    return Written(folder, files, sites, truth.height, rows.readings.height, truth, mistakes)


def _make(
    sites: int,
    seed: int,
    mechanism: str,
    mistakes: bool,
    sheet_shares: Mapping[str, float] | None = None,
) -> tuple[dict[str, pl.DataFrame], pl.DataFrame, FieldRows, np.random.Generator]:
    if sites < 1:
        raise ValueError(f"A fleet needs at least one site, not {sites}.")
    m = mechanism_named(mechanism)
    stream = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(9)]
    world = make_world(stream[0], sites, m)
    rods = make_rods(stream[1], world, m)
    life = first_installations(stream[2], world, rods)
    meters = make_meters(stream[3], m)
    rounds = send_out(stream[4], world, rods, life=life, meters=meters, mechanism=m)
    rest = rest_when_new(world, rods)
    electrodes = electrode_table(stream[5], world, rods, life, rest)
    instruments = instrument_table(meters)
    rows = plant(stream[6], reading_table(stream[6], rounds), electrodes, mistakes)
    if mistakes:
        rows = plant_on_sheets(stream[8], rows, instruments, sheet_shares)
    tables = {
        "sites": world.sites,
        "electrodes": electrodes,
        "soil_surveys": world.soil_surveys,
        "soundings": world.soundings,
        "instruments": instruments,
        "works": works_table(stream[4], rounds),
        "weather": world.weather,
    }
    return tables, truth_table(world, rods, life, rest), rows, stream[7]


def _clear(folder: Path) -> None:
    """Take away the files of a fleet that was written here before."""
    listed = folder / "truth/files.txt"
    if listed.exists():
        for name in listed.read_text(encoding="utf-8").splitlines():
            (folder / name).unlink(missing_ok=True)
        listed.unlink()


def _write_contract(
    folder: Path, tables: dict[str, pl.DataFrame], readings: pl.DataFrame, _: np.random.Generator
) -> dict[str, pl.DataFrame | None]:
    found: dict[str, pl.DataFrame | None] = {}
    for name, table in tables.items():
        write_table(folder / f"{name}.csv", table)
        found[f"{name}.csv"] = None
    found["readings.csv"] = write_tidy(folder / "readings.csv", readings)
    return found


def _write_crews(
    folder: Path, tables: dict[str, pl.DataFrame], readings: pl.DataFrame, rng: np.random.Generator
) -> dict[str, pl.DataFrame | None]:
    found: dict[str, pl.DataFrame | None] = dict.fromkeys(_write_office(folder, tables))
    region = dict(tables["sites"].select("site_id", "region").iter_rows())
    for district in DISTRICTS:
        rows = readings.filter(pl.col("region") == district.name)
        # A crew's book runs by date; rows of one day stay as they were written.
        rows = rows.sort("true_taken_on", "site_id", maintain_order=True)
        if rows.height == 0:
            continue
        place = district.name.lower()
        if district.crew == 1:
            found |= {name: write_tidy(folder / name, part) for name, part in _tidy_files(place, rows)}
        elif district.crew == 2:
            name = f"{place}/{district.name} rod log.xlsx"
            own = {
                t: tables[t].filter(_district(region) == district.name) for t in ("soil_surveys", "soundings")
            }
            found[name] = write_district_book(
                folder / name,
                rng,
                district=district.name,
                date_cells=district.code == "WEN",
                readings=rows,
                surveys=own["soil_surveys"],
                soundings=own["soundings"],
            )
        else:
            name = f"{place}/handheld_{place}.jsonl" + (".gz" if district.code == "SAL" else "")
            found[name] = write_handheld(folder / name, rows)
    return found


def _district(region: dict[str, str]) -> pl.Expr:
    return pl.col("site_id").replace_strict(region, return_dtype=pl.String)


def _tidy_files(place: str, rows: pl.DataFrame) -> list[tuple[str, pl.DataFrame]]:
    if place != "brackwater":
        return [(f"{place}/readings.csv", rows)]
    early = pl.col("true_taken_on").dt.year() < SPLIT_YEAR
    parts = [
        (f"{place}/readings_1.csv", rows.filter(early)),
        (f"{place}/readings_2.csv.gz", rows.filter(~early)),
    ]
    return [(name, part) for name, part in parts if part.height]


def _write_office(folder: Path, tables: dict[str, pl.DataFrame]) -> list[str]:
    """Write the tables that the office keeps under the contract's names, in the forms that it has."""
    region = dict(tables["sites"].select("site_id", "region").iter_rows())
    books = [d.name for d in DISTRICTS if d.crew == 2]
    elsewhere = ~_district(region).is_in(books)
    files = {
        "office/sites.csv": tables["sites"],
        "office/electrodes.csv": tables["electrodes"],
        "office/soil_surveys.csv": tables["soil_surveys"].filter(elsewhere),
        "office/soundings.parquet": tables["soundings"].filter(elsewhere),
        "office/works.tsv": tables["works"],
        "office/weather.csv.gz": tables["weather"],
    }
    for name, table in files.items():
        write_table(folder / name, table)
    name = "office/instruments.xlsx"
    with xlsxwriter.Workbook(str(folder / name), {"in_memory": True}) as book:
        book.set_properties({"created": MADE})
        page = book.add_worksheet("instruments")
        page.write_row(0, 0, tables["instruments"].columns)
        for r, row in enumerate(tables["instruments"].iter_rows(), 1):
            page.write_row(
                r, 0, [x if isinstance(x, int | float | str) or x is None else x.isoformat() for x in row]
            )
    return [*files, name]
