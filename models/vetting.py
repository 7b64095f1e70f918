"""Vet the readings: which of them are the rod, which are doubtful, which are surely something else.

Only what is surely not the rod is set aside. A wild reading that could be the rod is left to the likelihood,
which gives each reading a probability of being wild. RULES lists the rules (models/vetting_rules.py) with
what each does to a reading; a new rule is a new function there and a new line here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from models.vetting_context import prepare
from models.vetting_rules import (
    Finding,
    after_retirement,
    before_installation,
    beyond_meter,
    calibration_lapsed,
    campaign_off,
    check_ring_off,
    copied_forward,
    current_too_high,
    frozen_ground,
    low_in_grid,
    maybe_slipped,
    metal_loop,
    no_resistance,
    noisy_outcome,
    not_a_resistance,
    not_clamp_on,
    open_lead,
    over_range,
    repeated_in_another_file,
    slipped_decimal,
    swapped_wells,
    under_range,
    wrong_unit,
)

SEVERITY = ("set_aside", "censored", "doubtful", "good")


@dataclass(frozen=True)
class Rule:
    """A named rule: the verdict that it gives, the weight that it leaves the reading (0..1), its function."""

    name: str
    verdict: str
    weight: float
    function: Callable[[], Finding]


# The first rule that holds gives the verdict: what is surely not the rod before what is only asked about, but
# two wells exchanged before two slips that happen to match, and an open lead that came back before the limit
# that it was written down as.
RULES: tuple[Rule, ...] = (
    Rule("no_resistance", "set_aside", 0.0, no_resistance),
    Rule("not_a_resistance", "set_aside", 0.0, not_a_resistance),
    Rule("before_installation", "set_aside", 0.0, before_installation),
    Rule("after_retirement", "set_aside", 0.0, after_retirement),
    Rule("not_clamp_on", "set_aside", 0.0, not_clamp_on),
    Rule("metal_loop", "set_aside", 0.0, metal_loop),
    Rule("repeated_in_another_file", "set_aside", 0.0, repeated_in_another_file),
    Rule("swapped_wells", "doubtful", 0.3, swapped_wells),
    Rule("wrong_unit", "set_aside", 0.0, wrong_unit),
    Rule("slipped_decimal", "set_aside", 0.0, slipped_decimal),
    Rule("open_lead", "doubtful", 0.3, open_lead),
    Rule("over_range", "censored", 1.0, over_range),
    Rule("under_range", "censored", 1.0, under_range),
    Rule("maybe_slipped", "doubtful", 0.5, maybe_slipped),
    Rule("beyond_meter", "doubtful", 0.5, beyond_meter),
    Rule("copied_forward", "doubtful", 0.5, copied_forward),
    Rule("campaign_off", "doubtful", 0.5, campaign_off),
    Rule("noisy_outcome", "doubtful", 0.5, noisy_outcome),
    Rule("current_too_high", "doubtful", 0.5, current_too_high),
    Rule("check_ring_off", "doubtful", 0.5, check_ring_off),
    Rule("calibration_lapsed", "doubtful", 0.8, calibration_lapsed),
    Rule("frozen_ground", "good", 1.0, frozen_ground),
    Rule("low_in_grid", "good", 1.0, low_in_grid),
)


def vet(
    readings: pl.DataFrame,
    electrodes: pl.DataFrame,
    sites: pl.DataFrame,
    instruments: pl.DataFrame,
    rod_formula_ohm: pl.DataFrame,
    weather: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Judge every reading: one row each, in the order of `readings`.

    Gives row_id, verdict ('good', 'doubtful', 'set_aside', 'censored'), rule (name, or null), reason (a
    sentence for the crew, empty where no rule holds), weight (0..1), sd_extra_log (the meter's own relative
    standard deviation at that value), range_mark. `readings` as the accepted rows; `rod_formula_ohm` has
    electrode_id and formula_ohm (electrode.isolated_ohm). `sites`: site_id, region, by which campaigns are
    compared; without them the electrodes' region serves. `weather`: month, with site_id or region,
    soil_temp_c, air_temp_c, for readings beside which no soil temperature was taken.
    """
    prepared = prepare(readings, electrodes, sites, instruments, rod_formula_ohm, weather)
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
