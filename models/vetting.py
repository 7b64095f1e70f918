"""Vet the readings: which of them are the rod, which are doubtful, which are surely something else.

Only what is surely not the rod is set aside. A wild reading that could be the rod is left to the likelihood,
which gives each reading a probability of being wild. A rule is a named function of no arguments that returns
a `Finding` on the prepared columns (see models/vetting_context.py); RULES is the list of them, and a new rule
is a new line there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from models.vetting_context import LN10, SLIP_WITHIN_LOG, prepare

SEVERITY = ("set_aside", "censored", "doubtful", "good")

METAL_SHARE_OF_FORMULA = 0.1  # a reading under a tenth of the rod formula and under 1 ohm has not met soil
METAL_BELOW_OHM = 1.0
# A conductor that carries more than this leaves clamp-on meters little room above the noise. Common practice,
# no source: the meters' own limits differ.
CLEAN_CURRENT_A = 5.0
CHECK_RING_WITHIN = 0.10
COPIED_SHARE_OF_VISIT = 0.8


@dataclass(frozen=True)
class Finding:
    """Where a rule holds (boolean expression) and what it tells the crew (text expression)."""

    where: pl.Expr
    reason: pl.Expr


@dataclass(frozen=True)
class Rule:
    """A named rule: the verdict that it gives, the weight that it leaves the reading (0..1), its function."""

    name: str
    verdict: str
    weight: float
    function: Callable[[], Finding]


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
    and only under 1 ohm; without a formula, a tenth of the electrode's own history.
    """
    allowed = METAL_SHARE_OF_FORMULA * pl.coalesce("formula_ohm", "_history_ohm")
    value = pl.col("resistance_ohm")
    return Finding(
        (pl.col("range_mark").fill_null("") != "over") & (value < METAL_BELOW_OHM) & (value < allowed),
        _say(
            "{} ohm is far below what the soil allows here (about {} ohm): a metal loop, or kilohm.",
            _ohm("resistance_ohm"),
            pl.coalesce("formula_ohm", "_history_ohm").round_sig_figs(2),
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

    Corrosion and broken joints stay. The site's own movement that day is taken off first. A repeat of
    the same day at the old level tells the same at once.
    """
    there_and_gone = pl.col("_slip_before") & pl.col("_slip_after") & pl.col("_returns")
    return Finding(
        there_and_gone | pl.col("_off_its_repeat"),
        _say(
            "{} ohm between readings near {} ohm: the decimal point has slipped.",
            _ohm("resistance_ohm"),
            pl.col("_local_ohm").round_sig_figs(3),
        ),
    )


def maybe_slipped() -> Finding:
    """At the end of a history a factor of 10 may be a slip or a failure: only the next visit can tell."""
    newest = pl.col("_slip_before") & pl.col("_ln_after").is_null()
    oldest = pl.col("_slip_after") & pl.col("_ln_before").is_null()
    return Finding(
        newest | oldest,
        _say(
            "{} ohm beside readings near {} ohm: a slipped decimal or a failure; read it again.",
            _ohm("resistance_ohm"),
            pl.col("_local_ohm").round_sig_figs(3),
        ),
    )


def swapped_wells() -> Finding:
    """Two wells of one visit that each read what the other always did were written on each other's line."""
    return Finding(
        pl.col("_swapped_with").is_not_null(),
        _say("This reading and that of {} look exchanged in this visit.", pl.col("_swapped_with")),
    )


def copied_forward() -> Finding:
    """Soil moves every reading a little: the same digits again and again were copied from the last sheet."""
    whole_sheet = (pl.col("_same_wells") >= 3) & (pl.col("_same_share") >= COPIED_SHARE_OF_VISIT)
    return Finding(
        pl.col("_same_as_last") & (whole_sheet | (pl.col("_run_days") >= pl.col("_run_needed"))),
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
    """A meter past its calibration's date, or not yet calibrated, may have drifted."""
    return Finding(
        pl.col("_lapsed"),
        _say(
            "Meter {} was out of calibration (due {}).",
            pl.col("instrument_id"),
            pl.col("calibration_due_on").cast(pl.String).fill_null("not on record"),
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


# The first rule that holds gives the verdict: gravest first.
RULES: tuple[Rule, ...] = (
    Rule("no_resistance", "set_aside", 0.0, no_resistance),
    Rule("not_a_resistance", "set_aside", 0.0, not_a_resistance),
    Rule("before_installation", "set_aside", 0.0, before_installation),
    Rule("after_retirement", "set_aside", 0.0, after_retirement),
    Rule("not_clamp_on", "set_aside", 0.0, not_clamp_on),
    Rule("metal_loop", "set_aside", 0.0, metal_loop),
    Rule("repeated_in_another_file", "set_aside", 0.0, repeated_in_another_file),
    Rule("wrong_unit", "set_aside", 0.0, wrong_unit),
    Rule("slipped_decimal", "set_aside", 0.0, slipped_decimal),
    Rule("over_range", "censored", 1.0, over_range),
    Rule("under_range", "censored", 1.0, under_range),
    Rule("swapped_wells", "doubtful", 0.3, swapped_wells),
    Rule("maybe_slipped", "doubtful", 0.5, maybe_slipped),
    Rule("beyond_meter", "doubtful", 0.5, beyond_meter),
    Rule("copied_forward", "doubtful", 0.5, copied_forward),
    Rule("noisy_outcome", "doubtful", 0.5, noisy_outcome),
    Rule("current_too_high", "doubtful", 0.5, current_too_high),
    Rule("check_ring_off", "doubtful", 0.5, check_ring_off),
    Rule("calibration_lapsed", "doubtful", 0.8, calibration_lapsed),
)


def vet(
    readings: pl.DataFrame,
    electrodes: pl.DataFrame,
    sites: pl.DataFrame,
    instruments: pl.DataFrame,
    rod_formula_ohm: pl.DataFrame,
) -> pl.DataFrame:
    """Judge every reading: one row each, in the order of `readings`.

    Gives row_id, verdict ('good', 'doubtful', 'set_aside', 'censored'), rule (name, or null), reason (a
    sentence for the crew, empty where good), weight (0..1), sd_extra_log (the meter's own relative standard
    deviation at that value), range_mark. `readings` as the accepted rows; `rod_formula_ohm` has electrode_id
    and formula_ohm (electrode.isolated_ohm). `sites` is asked for rules that need it.
    """
    del sites  # No rule of today needs it.
    prepared = prepare(readings, electrodes, instruments, rod_formula_ohm)
    found = [rule.function() for rule in RULES]
    flagged = prepared.with_columns(
        pl.coalesce(
            *(
                pl.when(finding.where.fill_null(False)).then(pl.lit(number, dtype=pl.Int16))
                for number, finding in enumerate(found)
            )
        ).alias("_rule")
    )
    number = pl.col("_rule")
    names, verdicts, weights = zip(*((r.name, r.verdict, r.weight) for r in RULES), strict=True)
    keys = list(range(len(RULES)))
    reason = pl.coalesce(
        *(pl.when(number == i).then(finding.reason) for i, finding in enumerate(found)), pl.lit("")
    )
    return flagged.sort("_order").select(
        "row_id",
        number.replace_strict(keys, list(verdicts), default="good", return_dtype=pl.String).alias("verdict"),
        number.replace_strict(keys, list(names), default=None, return_dtype=pl.String).alias("rule"),
        reason.alias("reason"),
        number.replace_strict(keys, list(weights), default=1.0, return_dtype=pl.Float64).alias("weight"),
        "sd_extra_log",
        "range_mark",
    )
