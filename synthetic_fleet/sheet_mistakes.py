"""Mistakes of the clamp, the meter and the sheet, planted beside those of the pen (mistakes.py).

They have a random stream of their own and come last: rods, rounds and the other mistakes of a seed stay.
"""

from collections.abc import Mapping

import numpy as np
import polars as pl

from synthetic_fleet.mistakes import FieldRows

# Share of the rows, of the site visits, or of the campaigns (all readings of one meter in one year's round of
# a district) that carry each; at least one of each where there is a place for it.
SHEET_SHARES: dict[str, float] = {
    "metal_loop": 0.0010,  # rows: the clamp closes through metal
    "open_clamp": 0.0006,  # rows: the jaws did not close; the next visit reads as before
    "copied_reading": 0.0008,  # rows: the last visit's value again
    "copied_sheet": 0.0012,  # visits
    "frozen_ground": 0.0010,  # visits, of those in winter
    "campaign_off": 0.0040,  # campaigns
}
METAL_OHM = (0.002, 0.3)
HUGE_OHM = (200.0, 2500.0)  # of jaws that do not close
FROZEN_LOG = (0.10, 0.45)  # what frozen topsoil adds to ln R
CAMPAIGN_FACTORS = (0.75, 0.8, 1.25, 1.3)
WINTER_ENDS, WINTER_BEGINS = 75, 335  # days of the year
LEAST_ROWS = 3  # of a sheet that is copied
LEAST_VISITS = 3  # of a campaign that is off


def plant_on_sheets(
    rng: np.random.Generator,
    rows: FieldRows,
    instruments: pl.DataFrame,
    shares: Mapping[str, float] | None = None,
) -> FieldRows:
    """Plant the mistakes of clamp, meter and sheet in rows that carry no other."""
    wanted = SHEET_SHARES if shares is None else shares
    frame = _prepared(rows.readings, instruments)
    for kind, plant in _KINDS.items():
        frame = plant(rng, frame, wanted.get(kind, 0.0))
        frame = _within_range(frame, kind)
    return FieldRows(frame.select(rows.readings.columns))


def _prepared(readings: pl.DataFrame, instruments: pl.DataFrame) -> pl.DataFrame:
    """Add each row's meter's range, its value at the visit before, and whether it is free for a mistake."""
    limits = instruments.group_by("instrument_id").agg(pl.col("range_low_ohm", "range_high_ohm").first())
    written_once = ~pl.struct("true_electrode_id", "true_taken_on", "repeat_no").is_duplicated()
    frame = readings.with_row_index("_at").join(limits, on="instrument_id", how="left", maintain_order="left")
    frame = frame.with_columns(
        _read=pl.col("resistance_ohm").is_not_null() & pl.col("range_mark").is_null(),
        _once=written_once & (pl.col("repeat_no") == 1),
        _year=pl.col("true_taken_on").dt.year(),
    ).sort("true_electrode_id", "true_taken_on", "_at")
    sound = pl.col("_read") & pl.col("mistake").is_null()
    before, after = (
        pl.when(sound).then("resistance_ohm").shift(k).over("true_electrode_id") for k in (1, -1)
    )
    later_day = pl.col("true_taken_on") > pl.col("true_taken_on").shift(1).over("true_electrode_id")
    return frame.with_columns(
        _last_ohm=pl.when(later_day).then(before), _comes_back=after.is_not_null() & before.is_not_null()
    ).sort("_at")


def _free(frame: pl.DataFrame) -> pl.Series:
    free = pl.col("_read") & pl.col("_once") & pl.col("mistake").is_null() & ~pl.col("wild")
    return frame.select(free.fill_null(False)).to_series()


def _pick(rng: np.random.Generator, where: np.ndarray, share: float, of: int) -> np.ndarray:
    """Return a mask of the picked among those that can be; at least one of them where a share is asked."""
    able = np.flatnonzero(where)
    count = min(len(able), max(1, round(share * of))) if share > 0 else 0
    mask = np.zeros(len(where), dtype=bool)
    mask[rng.permutation(able)[:count]] = True
    return mask


def _written(frame: pl.DataFrame, mask: np.ndarray, ohm: pl.Series | pl.Expr, kind: str) -> pl.DataFrame:
    here = pl.Series(mask)
    return frame.with_columns(
        resistance_ohm=pl.when(here).then(ohm).otherwise("resistance_ohm"),
        mistake=pl.when(here).then(pl.lit(kind)).otherwise("mistake"),
    )


def _within_range(frame: pl.DataFrame, kind: str) -> pl.DataFrame:
    """Let the meter show three digits, a hundredth at the least, and its limit with the mark beyond it."""
    ohm, low, high = (pl.col(c) for c in ("resistance_ohm", "range_low_ohm", "range_high_ohm"))
    here = (pl.col("mistake") == kind).fill_null(False) & ohm.is_not_null()
    mark = pl.when(here & (ohm > high)).then(pl.lit("over")).when(here & (ohm < low)).then(pl.lit("under"))
    shown = ohm.round_sig_figs(3).round(2).clip(low, high)
    return frame.with_columns(
        resistance_ohm=pl.when(here).then(shown).otherwise(ohm),
        range_mark=pl.when(here).then(mark).otherwise("range_mark"),
    )


def _log_uniform(rng: np.random.Generator, bounds: tuple[float, float], n: int) -> pl.Series:
    low, high = np.log(bounds)
    return pl.Series(np.exp(rng.uniform(low, high, n)))


def _metal(rng: np.random.Generator, frame: pl.DataFrame, share: float) -> pl.DataFrame:
    mask = _pick(rng, _free(frame).to_numpy(), share, frame.height)
    return _written(frame, mask, _log_uniform(rng, METAL_OHM, frame.height), "metal_loop")


def _open(rng: np.random.Generator, frame: pl.DataFrame, share: float) -> pl.DataFrame:
    able = _free(frame) & frame["_comes_back"] & (frame["resistance_ohm"] < HUGE_OHM[0] / 4).fill_null(False)
    mask = _pick(rng, able.to_numpy(), share, frame.height)
    return _written(frame, mask, _log_uniform(rng, HUGE_OHM, frame.height), "open_clamp")


def _copied_one(rng: np.random.Generator, frame: pl.DataFrame, share: float) -> pl.DataFrame:
    other = (frame["_last_ohm"] != frame["resistance_ohm"]).fill_null(False)
    mask = _pick(rng, (_free(frame) & other).to_numpy(), share, frame.height)
    return _written(frame, mask, pl.col("_last_ohm"), "copied_reading")


def _by_group(
    rng: np.random.Generator, frame: pl.DataFrame, by: list[str], able: pl.Expr, share: float
) -> np.ndarray:
    """Pick whole groups of rows: those for which `able`, an aggregate, holds."""
    groups = frame.group_by(by, maintain_order=True).agg(able.fill_null(False).alias("_able"))
    picked = _pick(rng, groups["_able"].to_numpy(), share, groups.height)
    chosen = groups.select(by).with_columns(_picked=pl.Series(picked))
    return frame.join(chosen, on=by, how="left", maintain_order="left")["_picked"].to_numpy()


_VISIT = ["site_id", "true_taken_on"]


def _copied_sheet(rng: np.random.Generator, frame: pl.DataFrame, share: float) -> pl.DataFrame:
    frame = frame.with_columns(_free=_free(frame))
    fit = pl.col("_free") & pl.col("_last_ohm").is_not_null()
    picked = _by_group(
        rng, frame, _VISIT, (fit.sum() >= LEAST_ROWS) & pl.col("mistake").is_null().all(), share
    )
    mask = picked & frame.select(fit).to_series().to_numpy()
    return _written(frame.drop("_free"), mask, pl.col("_last_ohm"), "copied_sheet")


def _frozen(rng: np.random.Generator, frame: pl.DataFrame, share: float) -> pl.DataFrame:
    day = pl.col("true_taken_on").dt.ordinal_day()
    winter = ((day < WINTER_ENDS) | (day > WINTER_BEGINS)).all() & pl.col("mistake").is_null().all()
    picked = _by_group(rng, frame, _VISIT, winter, share)
    # one draw for each visit: the ground of a yard freezes as a whole
    visit = frame.select(pl.struct(_VISIT).rank("dense") - 1).to_series().to_numpy().astype(int)
    add, cold = (
        rng.uniform(*FROZEN_LOG, visit.max() + 1)[visit],
        rng.uniform(0.3, 4.0, visit.max() + 1)[visit],
    )
    frame = frame.with_columns(
        soil_temp_c=pl.when(pl.Series(picked)).then(pl.Series(-np.round(cold, 1))).otherwise("soil_temp_c")
    )
    mask = picked & frame["_read"].to_numpy()
    return _written(frame, mask, pl.col("resistance_ohm") * pl.Series(np.exp(add)), "frozen_ground")


def _campaign(rng: np.random.Generator, frame: pl.DataFrame, share: float) -> pl.DataFrame:
    by = ["region", "instrument_id", "_year"]
    round_of = pl.col("visit_reason") == "routine"
    able = pl.col("site_id").filter(round_of).n_unique() >= LEAST_VISITS
    picked = _by_group(rng, frame, by, able, share)
    groups = frame.select(pl.struct(by).rank("dense") - 1).to_series().to_numpy().astype(int)
    factor = rng.choice(CAMPAIGN_FACTORS, groups.max() + 1)[groups]
    sound = frame.select(pl.col("_read") & pl.col("mistake").is_null() & round_of).to_series().to_numpy()
    mask = picked & sound
    return _written(frame, mask, pl.col("resistance_ohm") * pl.Series(factor), "campaign_off")


_KINDS = {
    "metal_loop": _metal,
    "open_clamp": _open,
    "copied_reading": _copied_one,
    "copied_sheet": _copied_sheet,
    "frozen_ground": _frozen,
    "campaign_off": _campaign,
}
