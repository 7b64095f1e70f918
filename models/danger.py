"""What must be attended to before any spending: currents on earthing leads, leads that read open.

No model. Accepted and refused rows alike; a finding stands until a `finding_cleared` work later than it.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from models.refused_cells import read_cells

# A lead reads open at this many times its own earlier median: far beyond a broken rod (15 to 50 ohm).
OPEN_FACTOR = 20.0

CAUTION = (
    "Keep people away, call licensed staff, follow local rules, and leave the conductor closed: "
    "it may carry current."
)
FINDINGS = (
    "current_danger",
    "summed_current_danger",
    "lead_reads_open",
    "current_note",
    "summed_current_note",
)

ROWS: dict[str, pl.DataType | type[pl.DataType]] = {
    "site_id": pl.String,
    "electrode_id": pl.String,
    "well_id": pl.String,
    "conductor": pl.String,
    "taken_at": pl.Datetime("us"),
    "resistance_ohm": pl.Float64,
    "range_mark": pl.String,
    "current_a": pl.Float64,
    "current_kind": pl.String,
    "file": pl.String,
    "line": pl.Int64,
}
OUT = ["site_id", "electrode_id", "taken_at", "finding", "value", "why"]


def _complete(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.select(
        (pl.col(name).cast(kind) if name in frame.columns else pl.lit(None, dtype=kind).alias(name))
        for name, kind in ROWS.items()
    )


def refused_as_readings(refused: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Give the refused readings that are not settled as rows like the accepted ones.

    A site that the row does not name is taken from the accepted rows of its electrode or well.
    """
    if refused.is_empty():
        return _complete(pl.DataFrame(schema=ROWS))
    rows = refused
    if "understood" not in rows.columns:
        rows = rows.with_columns(pl.lit(None, dtype=pl.String).alias("understood"))
    if "table_name" in rows.columns:
        rows = rows.filter(pl.col("table_name").fill_null("readings") == "readings")
    if "settled" in rows.columns:
        rows = rows.filter(~pl.col("settled").fill_null(False))
    read = pl.DataFrame(
        [read_cells(*texts) for texts in rows.select("cells", "understood").iter_rows()],
        schema={k: ROWS[k] for k in ROWS if k not in ("file", "line")},
    )
    read = _complete(read).with_columns(rows["file"].cast(pl.String), rows["line"].cast(pl.Int64))
    for name in ("electrode_id", "well_id"):
        place = _complete(readings).filter(pl.col(name).is_not_null() & pl.col("site_id").is_not_null())
        place = place.group_by(name).agg(pl.col("site_id").first().alias("_site"))
        read = read.join(place, on=name, how="left", maintain_order="left").with_columns(
            pl.coalesce("site_id", "_site").alias("site_id")
        )
        read = read.drop("_site")
    return read


def _uncleared(rows: pl.DataFrame, works: pl.DataFrame) -> pl.DataFrame:
    """Drop the rows that a later `finding_cleared` work of their site or electrode has settled."""
    if works.is_empty():
        return rows
    rows = rows.with_columns(_of_all_lives(pl.col("electrode_id"), rows).alias("_rod"))
    cleared = works.filter(pl.col("work") == "finding_cleared").select(
        "site_id",
        (
            _of_all_lives(pl.col("electrode_id").cast(pl.String), rows)
            if "electrode_id" in works.columns
            else pl.lit(None, pl.String)
        ).alias("_rod"),
        pl.col("done_on").cast(pl.Date),
    )
    whole = (
        cleared.filter(pl.col("_rod").is_null())
        .group_by("site_id")
        .agg(pl.col("done_on").max().alias("_site_on"))
    )
    single = (
        cleared.drop_nulls("_rod").group_by("site_id", "_rod").agg(pl.col("done_on").max().alias("_lead_on"))
    )
    day = pl.col("taken_at").dt.date()
    settled = (day < pl.col("_site_on")).fill_null(False) | (day < pl.col("_lead_on")).fill_null(False)
    return (
        rows.join(whole, on="site_id", how="left", maintain_order="left")
        .join(single, on=["site_id", "_rod"], how="left", maintain_order="left")
        .filter(~settled)
        .drop("_site_on", "_lead_on", "_rod")
    )


def _of_all_lives(electrode: pl.Expr, rows: pl.DataFrame) -> pl.Expr:
    """Name a rod replaced under its old number (`OLD~2`) as it was before: one lead, whoever clears it."""
    before = electrode.str.replace("~[0-9]+$", "")
    return (
        pl.when(before.is_in(rows["electrode_id"].drop_nulls().unique().implode()))
        .then(before)
        .otherwise(electrode)
    )


def _level(value: pl.Expr, note_a: float, danger_a: float, prefix: str) -> pl.Expr:
    return (
        pl.when(value >= danger_a)
        .then(pl.lit(f"{prefix}current_danger"))
        .when(value >= note_a)
        .then(pl.lit(f"{prefix}current_note"))
    )


def _place() -> pl.Expr:
    """Say which well is meant where no electrode is known, and where a refused row stands."""
    well = pl.when(pl.col("electrode_id").is_null() & pl.col("well_id").is_not_null()).then(
        pl.format(" Well {}.", "well_id")
    )
    row = pl.when("_refused").then(
        pl.format(
            " Out of a refused row: {}, line {}.",
            pl.col("file").fill_null("file not known"),
            pl.col("line").cast(pl.String).fill_null("not known"),
        )
    )
    return well.otherwise(pl.lit("")) + row.otherwise(pl.lit(""))


def _leads(rows: pl.DataFrame, note_a: float, danger_a: float) -> pl.DataFrame:
    """Judge the current on each lead; of mere notes the newest of an electrode stands for them all."""
    found = rows.with_columns(
        _level(pl.col("current_a"), note_a, danger_a, "").alias("finding"), pl.col("current_a").alias("value")
    ).drop_nulls("finding")
    kind = pl.col("current_kind").fill_null("").str.to_uppercase()
    dangerous = pl.format(
        "{} A {} on one earthing lead: something feeds the ground system, a danger to people. {}{}",
        pl.col("value").round(1),
        kind,
        pl.lit(CAUTION),
        _place(),
    )
    noted = pl.format(
        "{} A {} on one earthing lead, more than normal service brings: watch it and look for its source.{}",
        pl.col("value").round(1),
        kind,
        _place(),
    )
    danger = pl.col("finding") == "current_danger"
    found = found.with_columns(
        pl.when(danger).then(dangerous).otherwise(noted).str.replace("A  on", "A on").alias("why")
    )
    notes = found.filter(~danger).sort("taken_at", nulls_last=False)
    notes = notes.unique("_lead", keep="last", maintain_order=True)
    return pl.concat([found.filter(danger), notes]).select(OUT)


def _visits(rows: pl.DataFrame, note_a: float, danger_a: float) -> pl.DataFrame:
    """Judge the sum over the leads of a visit: a site on a day; repeats of a lead count once."""
    day = pl.col("taken_at").dt.date().alias("_day")
    leads = (
        rows.filter(pl.col("current_a") > 0)
        .drop_nulls(["site_id", "taken_at"])
        .group_by(
            "site_id",
            day,
            "_lead",
            pl.col("conductor").fill_null("").alias("_conductor"),
            maintain_order=True,
        )
        .agg(pl.col("current_a").max(), pl.col("taken_at").max())
    )
    sums = leads.group_by("site_id", "_day", maintain_order=True).agg(
        pl.col("current_a").sum().alias("value"), pl.col("taken_at").max(), pl.len().alias("_leads")
    )
    found = (
        sums.filter(pl.col("_leads") > 1)
        .with_columns(
            _level(pl.col("value"), note_a, danger_a, "summed_").alias("finding"),
            pl.lit(None, pl.String).alias("electrode_id"),
        )
        .drop_nulls("finding")
    )
    danger = pl.col("finding") == "summed_current_danger"
    total = pl.format("{} A summed over {} leads of the visit: ", pl.col("value").round(1), pl.col("_leads"))
    text = (
        pl.when(danger)
        .then(pl.lit(f"something feeds the ground system, a danger to people. {CAUTION}"))
        .otherwise(pl.lit("more than normal service brings: watch it and look for its source."))
    )
    found = found.with_columns((total + text).alias("why"))
    notes = found.filter(~danger).sort("taken_at").unique("site_id", keep="last", maintain_order=True)
    return pl.concat([found.filter(danger), notes]).select(OUT)


def _open_leads(rows: pl.DataFrame) -> pl.DataFrame:
    """Find leads that read open: over the meter's range, or OPEN_FACTOR times their own earlier median.

    One row an electrode, the newest; a later ordinary reading is named, but only a work clears it.
    """
    ordered = rows.filter(pl.col("resistance_ohm") > 0).sort("electrode_id", "taken_at", nulls_last=False)
    over = (pl.col("range_mark") == "over").fill_null(False)
    known = pl.col("electrode_id").is_not_null()
    value = pl.when(~over & (pl.col("range_mark").is_null())).then("resistance_ohm")
    before = value.shift(1).rolling_median(window_size=9, min_samples=1).over("electrode_id")
    after = pl.when(known).then(value.last().over("electrode_id"))
    ordered = ordered.with_columns(before.alias("_before"), after.alias("_last"), over.alias("_over"))
    jumped = known & (pl.col("resistance_ohm") >= OPEN_FACTOR * pl.col("_before")).fill_null(False)
    found = ordered.filter(pl.col("_over") | jumped)
    newest = found.unique("_lead", keep="last", maintain_order=True)
    head = (
        pl.when("_over")
        .then(
            pl.format(
                "The lead reads open: over the meter's range, {} ohm or more.",
                pl.col("resistance_ohm").round_sig_figs(3),
            )
        )
        .otherwise(
            pl.format(
                "The lead reads open: {} ohm, {} before.",
                pl.col("resistance_ohm").round_sig_figs(3),
                pl.col("_before").round_sig_figs(3),
            )
        )
    )
    later = (
        pl.when(
            (pl.col("_last") < OPEN_FACTOR / 4 * pl.col("_before").fill_null(pl.col("_last"))).fill_null(
                False
            )
        )
        .then(pl.format(" The newest reading within range is {} ohm.", pl.col("_last").round_sig_figs(3)))
        .otherwise(pl.lit(""))
    )
    rest = (
        " The rod or its lead may be parted, and what hangs on it may not be earthed: confirm it by a "
        f"retest with the clamp. {CAUTION}"
    )
    return newest.with_columns(
        pl.lit("lead_reads_open").alias("finding"),
        pl.col("resistance_ohm").alias("value"),
        (head + later + pl.lit(rest) + _place()).alias("why"),
    ).select(OUT)


def _replaced_since(opened: pl.DataFrame, works: pl.DataFrame) -> pl.DataFrame:
    """Say beside an open lead that its rod was replaced since: it stands until somebody clears it."""
    if works.is_empty() or "electrode_id" not in works.columns:
        return opened
    done = works.filter(pl.col("work") == "replaced").select(
        pl.col("electrode_id").cast(pl.String), pl.col("done_on").cast(pl.Date)
    )
    newest = done.drop_nulls().group_by("electrode_id").agg(pl.col("done_on").max().alias("_done"))
    since = pl.format(
        " The rod has been replaced since ({}): where the new one is sound, a work `finding_cleared` takes "
        "this off the list.",
        pl.col("_done").cast(pl.String),
    )
    later = pl.col("_done") >= pl.col("taken_at").dt.date()
    return opened.join(newest, on="electrode_id", how="left", maintain_order="left").select(
        *OUT[:-1], (pl.col("why") + pl.when(later).then(since).otherwise(pl.lit(""))).alias("why")
    )


def attend_first(
    readings: pl.DataFrame, refused: pl.DataFrame, works: pl.DataFrame, note_a: float, danger_a: float
) -> pl.DataFrame:
    """List the findings that come before money: site_id, electrode_id, taken_at, finding, value, why.

    `finding` is one of FINDINGS, gravest first in the list; `value` is in ampere for currents and in ohm for
    leads that read open. Every current of `danger_a` or more stands, on one lead or summed over a visit; from
    `note_a` on the newest one is noted. Raises ValueError where danger_a is below note_a.
    """
    if danger_a < note_a:
        raise ValueError("The current that is a danger must not be below the one that is noted.")
    accepted = _complete(readings).with_columns(pl.lit(False).alias("_refused"))
    turned_away = refused_as_readings(refused, readings).with_columns(pl.lit(True).alias("_refused"))
    rows = pl.concat([accepted, turned_away]).with_columns(
        pl.col("current_a").abs(),
        # A row of unknown place stands for itself.
        pl.coalesce("electrode_id", "well_id", pl.format("{}:{}", "file", "line")).alias("_lead"),
    )
    standing = _uncleared(rows, works)
    opened = _open_leads(rows)
    return gravest_first(
        [
            _leads(standing, note_a, danger_a),
            _visits(standing, note_a, danger_a),
            _replaced_since(_uncleared(opened, works), works),
        ]
    )


def gravest_first(findings: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """Put findings, of several parts of a fleet perhaps, into one list."""
    order = pl.col("finding").replace_strict(FINDINGS, range(len(FINDINGS)), return_dtype=pl.Int64)
    together = pl.concat(findings).sort(
        order, -pl.col("value"), "site_id", "electrode_id", "taken_at", "why", nulls_last=True
    )
    return together.unique(maintain_order=True)
