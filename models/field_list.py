"""What to read again in the field, and how to read it right: from the verdicts, no model.

Only what a clamp round the lead can settle; no instruction ever asks for a conductor to be opened. A question
falls off the list as soon as a later visit brought a good reading of the same electrode.
"""

from __future__ import annotations

import polars as pl

# How to settle what a rule found; rules that no reading can settle (a row before installation) are not here.
HOW = {
    "no_resistance": "Read it: clamp round the rod's lead, jaws clean and closed; write the value down.",
    "not_a_resistance": "Read it again, and write value and unit as the meter shows them.",
    "metal_loop": (
        "The clamp closed on metal: clamp the one lead that goes down to the rod, below the bond to anything "
        "else; where two leads leave the well, read each by itself and write down which is which."
    ),
    "wrong_unit": "Read two wells of the site again, and write the unit beside each value.",
    "slipped_decimal": "Read it twice, and write all digits and the unit as the meter shows them.",
    "maybe_slipped": (
        "Read it twice, all digits and the unit as the meter shows them: the same value again is a failing "
        "rod, the old one was a slip of the pen."
    ),
    "open_lead": (
        "Retest with the clamp: jaws clean and closed, one lead alone, both leads where there are two. It "
        "reads open until that is done: keep off what it may not be earthing."
    ),
    "over_range": (
        "Retest with the clamp and a second meter: over range again means a parted rod or lead, "
        "which belongs on the attend-first list."
    ),
    "under_range": "Read with a meter of a lower range, below the bond: it may be a loop of metal.",
    "swapped_wells": "Read both wells, the label of each compared with the plan of the yard before reading.",
    "beyond_meter": "Read it again and write down which meter it was: this one cannot show such a value.",
    "copied_forward": "Read it anew, all digits that the meter shows, with the time of day.",
    "campaign_off": "Read some of these wells on one day with this meter and another in calibration.",
    "noisy_outcome": "Come back when the well is dry, open and quiet, and read it then.",
    "current_too_high": (
        "Take the current first and keep away from the danger level on. Below it read at an hour of less "
        "load, or with a meter that tests at another frequency."
    ),
    "check_ring_off": "Read the check resistor first; if it reads off with clean jaws, change meters.",
    "calibration_lapsed": "Read it with a meter in calibration.",
    "frozen_ground": "Read it after the thaw.",
}
# Settle first what may hide a failed rod, then what the crew can put right by itself.
ORDER = ("open_lead", "over_range", "maybe_slipped", "metal_loop", "swapped_wells", "campaign_off")
COLUMNS = (
    "site_id",
    "electrode_id",
    "well_id",
    "taken_at",
    "rule",
    "resistance_ohm",
    "reason",
    "how",
    "last_good_on",
)


def measure_again(verdicts: pl.DataFrame, in_service: pl.DataFrame) -> pl.DataFrame:
    """List the electrodes whose newest reading leaves a question: one row each, gravest first (COLUMNS).

    `verdicts`: electrode_id, site_id, well_id, taken_at, resistance_ohm, verdict, rule, reason; `in_service`:
    electrode_id of what stands. `last_good_on`: the day of the newest good reading, null where there is none.
    A good reading that frost lifted is asked for again.
    """
    plain = (pl.col("verdict") == "good") & ~pl.col("rule").is_in(list(HOW)).fill_null(False)
    rows = verdicts.join(in_service.select("electrode_id").unique(), on="electrode_id", how="semi")
    good = rows.filter(plain).group_by("electrode_id").agg(pl.col("taken_at").max().alias("_good"))
    asked = (
        rows.filter(pl.col("rule").is_in(list(HOW)))
        .join(good, on="electrode_id", how="left")
        .filter(pl.col("_good").is_null() | (pl.col("taken_at").dt.date() > pl.col("_good").dt.date()))
    )
    rank = pl.col("rule").replace_strict(ORDER, range(len(ORDER)), default=len(ORDER), return_dtype=pl.Int64)
    return (
        asked.with_columns(
            pl.col("rule").replace_strict(HOW, return_dtype=pl.String).alias("how"),
            pl.col("_good").dt.date().alias("last_good_on"),
            rank.alias("_rank"),
        )
        .sort("electrode_id", "taken_at", "_rank", descending=[False, True, False])
        .unique("electrode_id", keep="first", maintain_order=True)
        .sort("_rank", "taken_at", "site_id", "electrode_id", descending=[False, True, False, False])
        .select(COLUMNS)
    )
