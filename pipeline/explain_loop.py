"""What the meter saw beside the rod, and which damage could stand behind a ratio, in sentences."""

from typing import Any

from models.electrode import USUAL_DIAMETER_MM, USUAL_LENGTH_M
from models.rod_damage import lost_share, most_by_thinning
from reports import words

# A rise below this is no sign of damage; above the other the rod is a stub or its joint.
RISEN, OFF_THE_ROD = 1.15, 12.0


def loop_sentences(who: dict[str, Any], loop: dict[str, Any] | None) -> list[str]:
    """Say what the rest of the loop does to the answer. who: its row; loop: of loop_dependence."""
    said = []
    if loop is not None:
        low, high = words.figure(loop["rest_low_ohm"]), words.figure(loop["rest_high_ohm"])
        said.append(
            f"As it reads, rest of the loop and all, its ratio is {loop['ratio_as_read']:.2f}. With the most "
            f"of the plausible rest ({low} to {high} ohm) taken off, the rod's own would be "
            f"{loop['ratio_high']:.2f}, and the chance past threshold {_chance(loop['p_past_now_high'])} "
            f"now instead of {_chance(loop['p_past_now'])}, {_chance(loop['p_past_5y_high'])} in 5 years "
            f"instead of {_chance(loop['p_past_5y'])}."
            + (" The answer depends on what the loop is: look the return path up." if loop["depends"] else "")
        )
    if who.get("return_path") == "site_grid" and (who.get("grid_area_m2") or 0) > 0:
        said.append(
            "In a grid a rod reads some 8 to 16 % under the sum of the two, as they share the soil; its "
            "ratio moves by less than 4 %. The reading is good as a baseline and no absolute value."
        )
    return said


def damage_sentence(who: dict[str, Any], answer: dict[str, Any]) -> str | None:
    """Say which damage would read like a driven rod's ratio; None for other kinds and small ratios."""
    ratio = float(answer["ratio_now"])
    if (who["kind"] or "driven_rod") not in ("driven_rod", "pipe") or ratio < RISEN:
        return None
    length, thick = who["length_m"] or USUAL_LENGTH_M, who["diameter_mm"] or USUAL_DIAMETER_MM
    joint = (ratio - 1) * float(answer["baseline_ohm"])
    thinned = float(most_by_thinning(length, thick))
    if ratio > OFF_THE_ROD:
        return (
            f"{ratio:.1f} times its new value is more than any loss short of a stub gives: a parted joint, "
            "clamp or lead."
        )
    lost = f"{float(lost_share(ratio, length, thick)):.0%} of its length lost (or cut off at a joint)"
    by_thinning = (
        f"thinning brings {thinned:.2f} at the most" if ratio > thinned else "thinning alone may, too"
    )
    return (
        f"Whole, a rod of this size would read {ratio:.2f} times its new value with {lost}, or with "
        f"{words.figure(joint)} ohm more in its joint or lead; {by_thinning}, and lost cladding does not "
        "show."
    )


def _chance(p: float) -> str:
    return "<0.1 %" if p < 0.001 else ">99.9 %" if p > 0.999 else f"{100 * p:.1f} %"
