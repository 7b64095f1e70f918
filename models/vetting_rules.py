"""The vetting rules: each a named function with its physics, where it holds, and what to tell the crew.

A rule takes no arguments and returns a `Finding` on the prepared columns (models/vetting_context.py). What it
does to a reading, its severity, stands in RULES (models/vetting.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from models.vetting_context import METAL_BELOW_OHM, METAL_SHARE_OF_FORMULA
from models.vetting_history import LN10, SLIP_WITHIN_LOG

# A conductor that carries more than this leaves clamp-on meters little room above the noise. Common practice,
# no source: the meters' own limits differ.
CLEAN_CURRENT_A = 5.0
CHECK_RING_WITHIN = 0.10
# In a grid a rod reads 8 to 16 % under itself and the grid (models/buried_wires.py); soil is not known to
# better than a third: this is the least share of the formula that needs no word (common practice, no source).
LOW_IN_GRID = 0.6
LEAST_DRIFT_SE = 2.0  # standard errors by which a drift has to differ from none before the crew is told of it


@dataclass(frozen=True)
class Finding:
    """Where a rule holds (boolean expression) and what it tells the crew (text expression)."""

    where: pl.Expr
    reason: pl.Expr


def _say(text: str, *values: pl.Expr) -> pl.Expr:
    return pl.format(text, *values) if values else pl.lit(text)


def _ohm(name: str) -> pl.Expr:
    return pl.col(name).round_sig_figs(3)


def no_resistance() -> Finding:
    """A row with only a current or an outcome says nothing about resistance."""
    return Finding(
        pl.col("resistance_ohm").is_null(),
        _say("No resistance was read (outcome: {}).", pl.col("outcome").fill_null("not given")),
    )


def not_a_resistance() -> Finding:
    """Soil gives no resistance of zero or below."""
    return Finding(
        pl.col("resistance_ohm") <= 0,
        _say("{} ohm is no resistance that a rod in soil can have.", pl.col("resistance_ohm")),
    )


def before_installation() -> Finding:
    """A reading older than the electrode belongs to what was in the well before."""
    return Finding(
        pl.col("_day") < pl.col("installed_on"),
        _say(
            "Read before this electrode was installed ({}): it belongs to its predecessor.",
            pl.col("installed_on").cast(pl.String),
        ),
    )


def after_retirement() -> Finding:
    """A reading younger than the electrode's retirement belongs to its successor."""
    return Finding(
        pl.col("_day") > pl.col("retired_on"),
        _say(
            "Read after this electrode was retired ({}): it belongs to its successor.",
            pl.col("retired_on").cast(pl.String),
        ),
    )


def not_clamp_on() -> Finding:
    """A fall-of-potential test measures the electrode or the whole site to remote earth, not the loop."""
    return Finding(
        pl.col("method") != "clamp_on",
        _say("Measured by {}, another quantity than the loop of the clamp-on readings.", pl.col("method")),
    )


def metal_loop() -> Finding:
    """A loop that closes through metal alone reads milliohms: less than soil can give a rod of this size.

    Real readings in a dense grid come out below the isolated rod's, so only a tenth of the formula counts,
    less where the whole site reads less than its survey says, and only under 1 ohm; or a quarter of what the
    electrode read before and after, as nothing in the ground takes away three quarters of a rod's resistance
    and gives them back.
    """
    allowed = METAL_SHARE_OF_FORMULA * pl.coalesce("_soil_ohm", "_history_ohm")
    value = pl.col("resistance_ohm")
    by_formula = (value < METAL_BELOW_OHM) & (value < allowed)
    usual = pl.when(by_formula.fill_null(False) & pl.col("_soil_ohm").is_not_null()).then("_soil_ohm")
    return Finding(
        (pl.col("range_mark").fill_null("") != "over")
        & (by_formula.fill_null(False) | pl.col("_metal_history").fill_null(False)),
        _say(
            "{} ohm is far below what the soil allows here (about {} ohm): a metal loop, or kilohm.",
            _ohm("resistance_ohm"),
            pl.coalesce(usual, "_local_ohm", "_history_ohm").round_sig_figs(2),
        ),
    )


def repeated_in_another_file() -> Finding:
    """The same value of the same electrode and moment out of a second file is one reading, not two."""
    return Finding(
        pl.col("_copy_of").is_not_null(),
        _say("The same reading stands in another file (row {}): it counts once.", pl.col("_copy_of")),
    )


def wrong_unit() -> Finding:
    """A whole visit a hundred or a thousand times off is a unit (kilohm, milliohm), no weather."""
    moved = pl.col("_visit_shift") / LN10
    step = moved.round()
    return Finding(
        (pl.col("_visit_wells") >= 2)
        & (step.abs() >= 2)
        & ((moved - step).abs() * LN10 < SLIP_WITHIN_LOG)
        & ((pl.col("_dev_before") - pl.col("_visit_shift")).abs() < LN10 / 2),
        _say("The whole visit reads 10^{} times the usual: the unit is wrong.", step.cast(pl.Int64)),
    )


def slipped_decimal() -> Finding:
    """A factor of 10, 100 or 1000 that is there once and gone at the next visit is a slip of the pen.

    Corrosion and broken joints stay with what follows. The visit's own movement is taken off first, and the
    factor must fit within the electrode's own scatter, better than any stray reading does. A repeat of the
    same day at the old level tells the same at once.
    """
    return Finding(
        pl.col("_slip") | pl.col("_off_its_repeat"),
        _say(
            "{} ohm between readings near {} ohm: the decimal point has slipped.",
            _ohm("resistance_ohm"),
            pl.col("_local_ohm").round_sig_figs(3),
        ),
    )


def maybe_slipped() -> Finding:
    """At the end of a history a factor of 10 may be a slip or a failure: only the next visit can tell.

    A lone reading is judged by the other wells of its visit.
    """
    return Finding(
        pl.col("_slip_end"),
        _say(
            "{} ohm, a power of ten off {}: a slipped decimal or a failure; read it again.",
            _ohm("resistance_ohm"),
            pl.when(pl.col("_local_ohm").is_null())
            .then(pl.lit("the other wells of the visit"))
            .otherwise(pl.format("its other readings (near {} ohm)", pl.col("_local_ohm").round_sig_figs(3))),
        ),
    )


def swapped_wells() -> Finding:
    """Two wells of one visit that each read what the other always did were written on each other's line.

    Proposed only: the exchange would make both histories fit far better (models/vetting_swaps.py).
    """
    return Finding(
        pl.col("_swapped_with").is_not_null(),
        _say("This reading and that of {} look exchanged in this visit.", pl.col("_swapped_with")),
    )


def copied_forward() -> Finding:
    """Soil moves every reading a little: the same digits again were perhaps copied from the last sheet.

    Asked where a whole sheet repeats the last one, a value stands year after year, or stood still while the
    visit moved: each weighed against the chance that the meter's display shows the same digits again.
    """
    return Finding(
        pl.col("_copied_sheet") | pl.col("_copied_alone"),
        _say(
            "Exactly the digits of the visit before ({} ohm): perhaps copied, not read.",
            pl.col("resistance_ohm"),
        ),
    )


def current_too_high() -> Finding:
    """A current on the conductor drowns the meter's own small test current."""
    return Finding(
        pl.col("current_a").abs() > CLEAN_CURRENT_A,
        _say(
            "{} A on the conductor while it was read: too much for a clean loop reading.", pl.col("current_a")
        ),
    )


def noisy_outcome() -> Finding:
    """The crew itself wrote that the reading was disturbed or the well under water."""
    return Finding(
        pl.col("outcome").is_in(["noise", "flooded", "inaccessible", "no_reading"]),
        _say("The crew noted: {}.", pl.col("outcome")),
    )


def check_ring_off() -> Finding:
    """The meter did not read its check resistor as it usually does."""
    return Finding(
        (pl.col("check_ring_ohm") / pl.col("_ring_ohm")).log().abs() > CHECK_RING_WITHIN,
        _say(
            "The meter read {} ohm on its check resistor, usually {} ohm.",
            pl.col("check_ring_ohm"),
            pl.col("_ring_ohm").round_sig_figs(3),
        ),
    )


def calibration_lapsed() -> Finding:
    """A meter past its calibration's date, or not yet calibrated, may have drifted.

    How far is read off the same wells with other meters, where there are visits enough to tell.
    """
    drift, error = pl.col("_drifted_log"), pl.col("_drifted_se")
    low, high = (((drift + k * 1.96 * error).exp() - 1) * 100 for k in (-1, 1))
    told = (
        pl.when(drift.abs() > LEAST_DRIFT_SE * error)
        .then(
            pl.format(
                " Beside other meters at the same wells it reads {} % off by then ({} to {} %).",
                ((drift.exp() - 1) * 100).round(0).cast(pl.Int64),
                low.round(0).cast(pl.Int64),
                high.round(0).cast(pl.Int64),
            )
        )
        .when(drift.is_not_null())
        .then(pl.lit(" Beside other meters at the same wells no drift shows."))
    )
    return Finding(
        pl.col("_lapsed"),
        _say(
            "Meter {} was out of calibration (due {}).{}",
            pl.col("instrument_id"),
            pl.col("calibration_due_on").cast(pl.String).fill_null("not on record"),
            told.fill_null(""),
        ),
    )


def beyond_meter() -> Finding:
    """A meter cannot show a number outside its own range: the number or the meter's record is wrong."""
    value = pl.col("resistance_ohm")
    above = (value > pl.col("range_high_ohm")).fill_null(False)
    below = (value < pl.col("range_low_ohm")).fill_null(False)
    return Finding(
        pl.col("range_mark").is_null() & (above | below),
        _say("{} ohm lies outside what meter {} can show.", _ohm("resistance_ohm"), pl.col("instrument_id")),
    )


def over_range() -> Finding:
    """Above the meter's range the limit is all that is known: kept, as at least that much."""
    return Finding(
        pl.col("range_mark") == "over",
        _say("Over the meter's range: at least {} ohm.", _ohm("resistance_ohm")),
    )


def under_range() -> Finding:
    """Below the meter's range the limit is all that is known: kept, as at most that much."""
    return Finding(
        pl.col("range_mark") == "under",
        _say("Under the meter's range: at most {} ohm.", _ohm("resistance_ohm")),
    )


def open_lead() -> Finding:
    """A huge value once, between ordinary ones: the jaws did not close, or a joint comes and goes.

    A lead that stays open keeps its censored readings. The list of dangers has every open lead, this one too.
    """
    return Finding(
        pl.col("_opened"),
        _say(
            "{} ohm between readings near {} ohm: the clamp did not close, or a joint comes and goes; look.",
            _ohm("resistance_ohm"),
            pl.col("_local_ohm").round_sig_figs(3),
        ),
    )


def campaign_off() -> Finding:
    """One meter or crew that stands off for a whole round is a setting, not soil.

    Judged on whole visits: beside the same wells before and after, and beside the other meters and crews of
    that district and year, which a dry or wet year moves as well.
    """
    return Finding(
        pl.col("_campaign_factor").is_not_null(),
        _say(
            "All readings of {} in {} in {} stand {} times beside the same wells and other meters there.",
            pl.col("_campaign_who"),
            pl.col("district"),
            pl.col("_year"),
            pl.col("_campaign_factor").round(2),
        ),
    )


def frozen_ground() -> Finding:
    """Frozen topsoil conducts hardly at all, so that a rod reads higher until it thaws.

    The reading is sound and stays at full weight: the model has a term for frozen ground (models/weather.py),
    estimated from these very readings, and doubt would take from it what it learns by.
    """
    return Finding(
        pl.col("_topsoil_c") < 0.0,
        _say(
            "Read with the topsoil at {} C: frozen, which the model allows for.",
            pl.col("_topsoil_c").round(1),
        ),
    )


def low_in_grid() -> Finding:
    """In a dense grid a rod shares its soil with the wires, and a clamp reads less than the rod alone.

    The reading is sound: good as a baseline, as what the soil shares lowers it the same year after year, and
    useless as an absolute value.
    """
    return Finding(
        pl.col("_in_grid").fill_null(False)
        & (pl.col("resistance_ohm") < LOW_IN_GRID * pl.col("formula_ohm")),
        _say(
            "{} ohm where the rod alone should come to about {} ohm: it shares its soil with the grid. "
            "Good as a baseline, no absolute value.",
            _ohm("resistance_ohm"),
            pl.col("formula_ohm").round_sig_figs(2),
        ),
    )
