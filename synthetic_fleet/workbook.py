"""The district workbook of crew 2: own headings, feet and Fahrenheit, day-first dates, decimal commas."""

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import xlsxwriter

from synthetic_fleet.layouts import located, number_text, resistance_text, well_number

FOOT_M = 0.3048
HEADING_ROW = 2  # counted from 0: a title, an empty row, the headings
COMMA_SHARE = 1 / 7  # of the number cells
OUTCOMES = {
    "read": "ok",
    "no_reading": "no reading",
    "flooded": "flooded",
    "inaccessible": "no access",
    "noise": "noisy",
}
REASONS = {"routine": "round", "follow_up": "recheck", "after_work": "after job", "commissioning": "new rod"}
# Excel files carry the time of making; a fixed one keeps the bytes the same.
MADE = datetime(2026, 1, 5, 8, 0, 0)


class DistrictBook:
    """Write one district's workbook; `date_cells`: dates are real date cells, not day-first text."""

    def __init__(self, path: Path, rng: np.random.Generator, date_cells: bool) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._book = xlsxwriter.Workbook(str(path), {"in_memory": True})
        self._book.set_properties({"created": MADE})
        self._day = self._book.add_format({"num_format": "dd/mm/yyyy"})
        self._rng = rng
        self._date_cells = date_cells

    def sheet(self, name: str, title: str, headings: Sequence[str], rows: list[list[Any]]) -> None:
        """Write a sheet: a number in about one cell of seven becomes text with a decimal comma."""
        page = self._book.add_worksheet(name)
        page.write_string(0, 0, title)
        page.write_row(HEADING_ROW, 0, headings)
        comma = np.zeros(len(headings), dtype=bool)
        for r, row in enumerate(rows, HEADING_ROW + 1):
            if row != rows[r - HEADING_ROW - 2]:  # a row copied word for word stays so
                comma = self._rng.random(len(row)) < COMMA_SHARE
            for c, value in enumerate(row):
                self._cell(page, r, c, value, bool(comma[c]))

    def _cell(self, page: Any, r: int, c: int, value: Any, comma: bool) -> None:
        if isinstance(value, date) and self._date_cells:
            page.write_datetime(r, c, datetime(value.year, value.month, value.day), self._day)
        elif isinstance(value, date):
            page.write_string(r, c, value.strftime("%d/%m/%Y"))
        elif isinstance(value, float) and comma:
            page.write_string(r, c, number_text(value).replace(".", ","))
        elif isinstance(value, int | float):
            page.write_number(r, c, value)
        elif value:
            page.write_string(r, c, value)

    def close(self) -> None:
        """Finish the file."""
        self._book.close()


READING_HEADINGS = (
    "Station", "Well", "Date", "Loop resistance (ohm)", "Result", "Current (mA)", "AC/DC", "Lead",
    "Leads in well", "Repeat", "Reason", "Check ring (ohm)", "Meter", "Soil temp (F)", "Moisture (%)",
    "Read by", "Corrects earlier", "Remarks",
)  # fmt: skip
SOIL_HEADINGS = (
    "Station", "Sampled", "Soil", "Depth (ft)", "Drainage", "pH", "Chloride (mg/kg)", "Sulphate (mg/kg)",
    "Redox (mV)", "Sulphide", "Moisture", "Resistivity (ohm-cm)",
)  # fmt: skip
PIN_HEADINGS = ("Station", "Measured", "Pin spacing (ft)", "Reading (ohm)")


def write_district_book(
    path: Path,
    rng: np.random.Generator,
    *,
    district: str,
    date_cells: bool,
    readings: pl.DataFrame,
    surveys: pl.DataFrame,
    soundings: pl.DataFrame,
) -> pl.DataFrame:
    """Write a district's readings, soil samples and soundings; return the mistakes with their rows."""
    book = DistrictBook(path, rng, date_cells)
    rows = [reading_cells(row) for row in readings.iter_rows(named=True)]
    book.sheet("Rod readings", f"{district} district: earth rod readings", READING_HEADINGS, rows)
    samples = [
        [s, day, soil, round(depth / FOOT_M, 1), *rest, round(rho * 100)]
        for s, day, soil, depth, *rest, rho in surveys.iter_rows()
    ]
    book.sheet("Soil samples", f"{district} district: soil samples", SOIL_HEADINGS, samples)
    pins = [[s, day, round(a / FOOT_M, 2), ohm] for s, day, a, ohm in soundings.iter_rows()]
    book.sheet("Four pin", f"{district} district: four-pin soundings", PIN_HEADINGS, pins)
    book.close()
    return located(readings, first_line=HEADING_ROW + 2)


def reading_cells(row: dict[str, Any]) -> list[Any]:
    """Return one reading as the cells of a row of `Rod readings`."""
    marked = row["range_mark"] or row["value_text"]
    text = resistance_text(row["resistance_ohm"], row["range_mark"], row["value_text"])
    if row["range_mark"]:
        text = f"{text[0]} {text[1:]}".replace(".", ",") if row["repeat_no"] == 1 else text
    fahrenheit = None if row["soil_temp_c"] is None else round(32 + 1.8 * row["soil_temp_c"], 1)
    return [
        row["site_id"],
        well_number(row["well_id"]) if row["mistake"] == "well_number_only" else row["well_id"],
        _day(row),
        text if marked else row["resistance_ohm"],
        OUTCOMES.get(row["outcome"]),
        None if row["current_a"] is None else float(round(1000 * row["current_a"])),
        None if row["current_kind"] is None else row["current_kind"].upper(),
        row["conductor"],
        row["conductors_in_well"],
        row["repeat_no"] if row["repeat_no"] > 1 else None,
        REASONS[row["visit_reason"]],
        row["check_ring_ohm"],
        row["instrument_id"],
        fahrenheit,
        row["soil_moisture_pct"],
        row["crew"],
        "yes" if row["corrects"] else None,
        row["note"],
    ]


def _day(row: dict[str, Any]) -> date | str:
    if row["date_text"] is None:
        return row["taken_at"].date()
    year, month, day = row["date_text"].split("-")
    return f"{day}/{month}/{year}"
