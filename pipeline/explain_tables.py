"""The rows that stand behind one electrode's numbers, each with its file and line."""

import json
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from models.explanation import ALL, Account, Explanation
from models.forecast import corrections_frame
from models.histories import DAYS_A_YEAR, ROUTINE
from models.history_frames import net_ohm, with_solved_rests
from models.loop_sets import judged_rests
from pipeline.fleet_inputs import FleetInputs


def electrode_row(electrode_id: str, inputs: FleetInputs) -> dict[str, Any]:
    """Return the electrode's row with its site's name and why its ratio is of the rod or of the loop."""
    row = inputs.electrodes.filter(pl.col("electrode_id") == electrode_id)
    site = inputs.sites.filter(pl.col("site_id") == row["site_id"][0])
    rest = judged_rests(
        site, inputs.electrodes.filter(pl.col("site_id") == row["site_id"][0]), inputs.resistivity
    )
    reason = rest.filter(pl.col("electrode_id") == electrode_id)["reason"][0]
    of_site = site.select("site_name", "return_path", "grid_area_m2").row(0, named=True)
    return row.row(0, named=True) | of_site | {"basis_reason": reason}


def readings_table(
    inputs: FleetInputs, verdicts: pl.DataFrame, told: Explanation, who: dict[str, Any], baseline_ohm: float
) -> pl.DataFrame:
    """Return every accepted row of the electrode by date, with what the model took off it.

    Repeats of a day entered the model as one and share its factors. ratio: the row's own value, rest of the
    loop, season and campaign taken off, over the baseline. reading: index of the model's reading.
    """
    h = told.fit.histories
    mine = verdicts.filter(pl.col("electrode_id") == who["electrode_id"])
    entries = pl.DataFrame({"row_id": h.row[told.readings], "reading": told.readings})
    taken = corrections_frame(told.fit).filter(pl.col("electrode_id") == who["electrode_id"])
    used = mine.filter(pl.col("verdict") != "set_aside").with_columns(day=pl.col("taken_at").cast(pl.Date))
    key = ["day", "range_mark"]
    by_day = (
        entries.join(taken, on="row_id").join(used.select("row_id", *key), on="row_id")
        .select(*key, "reading", "season_factor", "campaign_factor", "p_wild")
    )  # fmt: skip
    factors = used.select("row_id", *key).join(by_day, on=key, how="left", nulls_equal=True).drop(key)
    off = pl.col("season_factor") * pl.col("campaign_factor")
    ohm = pl.col("resistance_ohm")
    later = inputs.readings.filter(
        (pl.col("electrode_id") == who["electrode_id"]) & (pl.col("taken_at").cast(pl.Date) > inputs.as_of)
    )
    return (
        pl.concat([mine, later], how="diagonal_relaxed")
        .pipe(with_solved_rests)
        .with_columns(pl.lit(who[c]).alias(c) for c in ("ratio_basis", "rest_ohm"))
        .join(factors, on="row_id", how="left")
        .with_columns(
            ((pl.col("taken_at").cast(pl.Date) - pl.lit(who["installed_on"])).dt.total_days() / DAYS_A_YEAR)
            .alias("age_years"),
            (ohm / off).alias("corrected_ohm"),
            (net_ohm(ohm) / off / baseline_ohm).alias("ratio"),
        )
        .sort("taken_at", "row_id")
        .select(
            "row_id", "taken_at", "age_years", "resistance_ohm", "range_mark", "outcome", "current_a",
            "verdict", "rule", "reason", "season_factor", "campaign_factor", "corrected_ohm", "ratio",
            "p_wild", "reading", "instrument_id", "crew", "note", "file", "sheet", "line",
        )
    )  # fmt: skip


def left_out_table(told: Explanation, left_out: dict[int, Account], installed_on: date) -> pl.DataFrame:
    """Return the forecast without each reading of the model, in order of date."""
    h = told.fit.histories
    rows = [
        {
            "reading": r,
            "on_date": installed_on + timedelta(days=round(float(h.age[r]) * DAYS_A_YEAR)),
            "when_new": bool(h.kind[r] != ROUTINE),
            "net_ohm": float(np.exp(h.log_ohm[r])),
            "range_mark": {1: "over", -1: "under"}.get(int(h.side[r])),
            **_flat(found, told),
        }
        for r, found in left_out.items()
    ]
    return pl.DataFrame(rows, infer_schema_length=None).sort("on_date") if rows else pl.DataFrame()


def _flat(found: Account, told: Explanation) -> dict[str, Any]:
    return {
        "p_past_now": found.p_past_now,
        "p_past": found.p_past,
        "crossing_age_p50": found.crossing_age[1],
        "p_broken": found.p_broken,
        "moved": found.moved_from(told.accounts[ALL]),
    }


def refused_rows(refused: pl.DataFrame, who: dict[str, Any]) -> pl.DataFrame:
    """Return the refused rows that name the electrode, or its well and no other electrode."""

    def ours(place: str | None, understood: str | None) -> bool:
        read = json.loads(understood) if understood else {}
        named = read.get("electrode_id")
        if named:
            return bool(named == who["electrode_id"])
        places = {place, read.get("well_id")} - {None}
        return bool(places & {who["electrode_id"], who["well_id"]})

    keep = [ours(*row) for row in refused.select("row_place", "understood").iter_rows()]
    return refused.filter(pl.Series(keep, dtype=pl.Boolean)).sort("file", "line")
