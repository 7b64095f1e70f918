"""The files: plain contract tables, tidy CSV and the handheld's JSON Lines (LAYOUTS.md has every heading)."""

import gzip
import io
import json
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

READING_CELLS = (
    "electrode_id", "well_id", "taken_at", "resistance_ohm", "outcome", "method", "current_a", "current_kind",
    "conductor", "conductors_in_well", "repeat_no", "visit_reason", "check_ring_ohm", "instrument_id",
    "soil_temp_c", "soil_moisture_pct", "crew", "corrects", "note",
)  # fmt: skip
HANDHELD_OUTCOMES = {"read": "OK", "no_reading": "NR", "flooded": "FL", "inaccessible": "NA", "noise": "NZ"}
HANDHELD_REASONS = {"routine": "R", "follow_up": "F", "after_work": "W", "commissioning": "C"}
RANGE_SIGNS = {"over": ">", "under": "<"}
OFFSET = "+01:00"  # of the invented utility's clock, all year


def number_text(value: float) -> str:
    """Return a number as a crew writes it: no trailing zeros, at most six digits."""
    return f"{value:.6g}"


def resistance_text(value: float | None, mark: str | None, garbled: str | None) -> str:
    """Return what stands in the resistance cell: a number, a range sign and a limit, or plain words."""
    if value is None:
        return ""
    if garbled is not None:
        return garbled.format(number_text(value))
    return RANGE_SIGNS.get(mark or "", "") + number_text(value)


def well_number(well_id: str) -> str:
    """Return the number that a crew in the yard uses for a well: `3` for `CIN-004-W03`."""
    return str(int(well_id.rsplit("-W", 1)[1]))


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file, gzipped without a time of its own where its name ends in .gz."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".gz":
        buffer = io.BytesIO()
        with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, mtime=0) as out:
            out.write(content)
        content = buffer.getvalue()
    path.write_bytes(content)


def write_table(path: Path, frame: pl.DataFrame) -> None:
    """Write a contract table by the ending of its name: .csv, .tsv, .csv.gz or .parquet."""
    if path.suffix == ".parquet":
        path.parent.mkdir(parents=True, exist_ok=True)
        frame.write_parquet(path)
        return
    separator = "\t" if ".tsv" in path.name else ","
    write_bytes(path, frame.write_csv(separator=separator, datetime_format="%Y-%m-%dT%H:%M:%S").encode())


def write_tidy(path: Path, rows: pl.DataFrame) -> pl.DataFrame:
    """Write readings as tidy CSV; return the mistakes with the line of each."""
    value = [
        resistance_text(*cells)
        for cells in zip(rows["resistance_ohm"], rows["range_mark"], rows["value_text"], strict=True)
    ]
    when = [d or _moment(t) for d, t in zip(rows["date_text"], rows["taken_at"], strict=True)]
    by_number = pl.col("mistake").eq_missing("well_number_only")
    well_only = by_number | (
        rows.select(pl.col("repeat_no") == 1).to_series() & (pl.int_range(rows.height) % 9 == 4)
    )
    number = pl.Series([well_number(w) for w in rows["well_id"]], dtype=pl.String)
    cells = rows.with_columns(
        electrode_id=pl.when(well_only & ~pl.col("mistake").eq_missing("unknown_electrode"))
        .then(None)
        .otherwise("electrode_id"),
        well_id=pl.when(by_number).then(number).otherwise("well_id"),
        taken_at=pl.Series(when, dtype=pl.String),
        resistance_ohm=pl.Series(value, dtype=pl.String).replace("", None),
        corrects=pl.when("corrects").then(pl.lit("true")),
    )
    write_table(path, cells.select(READING_CELLS))
    return located(rows, first_line=2)


def _moment(when: datetime) -> str:
    timed = when.hour or when.minute
    return when.isoformat() if timed else when.date().isoformat()


def write_handheld(path: Path, rows: pl.DataFrame) -> pl.DataFrame:
    """Write readings as the handheld's JSON Lines; return the mistakes with the line of each."""
    lines = [json.dumps(handheld_object(row), separators=(",", ":")) for row in rows.iter_rows(named=True)]
    write_bytes(path, "".join(line + "\n" for line in lines).encode())
    return located(rows, first_line=1)


def handheld_object(row: dict[str, Any]) -> dict[str, Any]:
    """Return one reading in the handheld's own keys and units, without the keys that have no value."""
    clock = row["taken_at"].strftime("T%H:%M:%S")
    marked = row["range_mark"] or row["value_text"]
    text = resistance_text(row["resistance_ohm"], row["range_mark"], row["value_text"])
    cells = {
        "tag": well_number(row["well_id"]) if row["mistake"] == "well_number_only" else row["well_id"],
        "ts": (row["date_text"] or row["taken_at"].date().isoformat()) + clock + OFFSET,
        "r": text if marked else row["resistance_ohm"],
        "st": HANDHELD_OUTCOMES.get(row["outcome"]),
        "i_ma": None if row["current_a"] is None else round(1000 * row["current_a"]),
        "i_kind": row["current_kind"],
        "lead": row["conductor"],
        "leads": row["conductors_in_well"],
        "n": row["repeat_no"],
        "why": HANDHELD_REASONS[row["visit_reason"]],
        "ring": row["check_ring_ohm"],
        "dev": row["instrument_id"],
        "t_soil": row["soil_temp_c"],
        "vwc": None if row["soil_moisture_pct"] is None else round(row["soil_moisture_pct"] / 100, 3),
        "by": row["crew"],
        "fix": True if row["corrects"] else None,
        "txt": row["note"],
        "batt": 100 - (7 * row["taken_at"].toordinal() + row["taken_at"].hour) % 61,
        "fw": "2.4",
    }
    return {key: value for key, value in cells.items() if value is not None}


def located(rows: pl.DataFrame, first_line: int) -> pl.DataFrame:
    """Return the planted mistakes of a file's rows with their lines."""
    return (
        rows.with_columns(line=pl.int_range(rows.height, dtype=pl.Int64) + first_line)
        .filter(pl.col("mistake").is_not_null())
        .select("line", kind="mistake", electrode_id="true_electrode_id", taken_at="true_taken_on")
    )
