"""What vetting finds of the mistakes planted in invented fleets, and what it marks that was sound.

By kind of mistake: planted, marked by any rule, marked by the right one. Sound readings wrongly marked, by
rule. True steps of the level that stay, taken for slips. Where a mistake can't be told in principle (wells of
like values exchanged, a slip in a history of one) the share of those that can stands beside the whole.

Run as `make vetting`, or `python -m tests.recovery.vetting_found --seeds 11..12 --sites 100`; `--outlook`
adds what vetting does for the forecasts of small fleets.
"""

import argparse
import time
from dataclasses import dataclass

import numpy as np
import polars as pl
from sklearn.metrics import roc_auc_score

from models.vetting import vet
from pipeline.engine import one_blas_thread
from synthetic_fleet.fleet import Simulated, simulate
from synthetic_fleet.sheet_mistakes import SHEET_SHARES
from tests.recovery.fleets import Fleet, judged_fleet, numbered_readings, office_electrodes
from tests.recovery.targets import Share, Target, held

SITES, SEEDS = 300, (11, 12, 13, 14, 15)
TEN_TIMES = {kind: 10 * share for kind, share in SHEET_SHARES.items()}
MORE_CAMPAIGNS = {**SHEET_SHARES, "campaign_off": 0.02}  # one a fleet would take many fleets to judge

# The rules that speak of a mistake of each kind; kilohm and a metal loop look the same below an ohm.
RIGHT = {
    "decimal_slipped": ("slipped_decimal", "maybe_slipped", "metal_loop"),
    "kilo_ohm": ("metal_loop", "slipped_decimal", "maybe_slipped", "wrong_unit"),
    "swapped_wells": ("swapped_wells",),
    "metal_loop": ("metal_loop",),
    "open_clamp": ("open_lead", "slipped_decimal", "maybe_slipped"),
    "copied_sheet": ("copied_forward",),
    "copied_reading": ("copied_forward",),
    "campaign_off": ("campaign_off",),
    "frozen_ground": ("frozen_ground",),
}
# What is true of the reading whether or not it is right: said, and no wrong mark.
CIRCUMSTANCES = (
    "no_resistance", "before_installation", "after_retirement", "over_range", "under_range", "noisy_outcome",
    "current_too_high", "check_ring_off", "calibration_lapsed", "frozen_ground", "low_in_grid",
)  # fmt: skip
SLIP_RULES = ("slipped_decimal", "maybe_slipped", "wrong_unit", "metal_loop")
STEP_LOG = float(np.log(2.0))  # a step of the true level between two readings of an electrode
ABOUT_TEN_LOG = 0.5  # steps this near to ten times
APART_LOG = float(np.log(1.5))  # two wells exchanged whose levels differ by half can be told apart
STOOD_STILL_LOG = 0.25  # a copied value can be told where the true one moved by so much meanwhile


def judged(sim: Simulated) -> pl.DataFrame:
    """Return the readings with verdict and truth side by side, and what could be told of each."""
    electrodes, readings = office_electrodes(sim), numbered_readings(sim)
    verdicts = vet(
        readings, electrodes, sim.tables["sites"], sim.tables["instruments"],
        electrodes.select("electrode_id", "formula_ohm"),
    )  # fmt: skip
    beside = pl.concat(
        [readings.drop("range_mark"), verdicts.drop("row_id"), sim.reading_truth], how="horizontal"
    )
    day = pl.col("taken_at").dt.date()
    value = pl.col("resistance_ohm").is_not_null()
    rows = beside.with_columns(day.alias("day"), value.alias("read")).sort(
        "electrode_id", "taken_at", "row_id"
    )
    return _told(rows.join(sim.tables["sites"].select("site_id", "region"), on="site_id", how="left"))


def _told(rows: pl.DataFrame) -> pl.DataFrame:
    """Add step_log, newest, others (of the electrode), apart_log (of exchanged wells), moved_log."""
    true = pl.col("level_ohm").log()
    sure = true + pl.col("season_log") + pl.col("visit_log")
    by = "electrode_id"
    own = pl.col("true_electrode_id") == pl.col(by)
    level = pl.when(own).then(true)
    later_day = pl.col("day") > pl.col("day").shift(1).over(by)
    rows = rows.with_columns(
        pl.when(later_day).then(level - level.shift(1).over(by)).alias("step_log"),
        (pl.col("day") == pl.col("day").filter("read").max().over(by)).alias("newest"),
        (pl.col("day").filter(pl.col("read")).n_unique().over(by) - 1).alias("others"),
        (sure - sure.shift(1).over(by)).abs().alias("moved_log"),
    )
    partner = rows.filter(pl.col("mistake") == "swapped_wells").select(
        "site_id", "day", pl.col("true_electrode_id").alias(by), true.alias("_own_ln")
    )
    partner = partner.unique(["site_id", "day", by])
    return rows.join(partner, on=["site_id", "day", by], how="left", maintain_order="left").with_columns(
        (true - pl.col("_own_ln")).abs().alias("apart_log")
    )


@dataclass(frozen=True)
class Group:
    """Some of the rows: what they are, and how many of them any rule, or the right one, marked."""

    what: str
    planted: int
    marked: Share
    right: Share


def _group(what: str, rows: pl.DataFrame, kind: str) -> Group:
    marked = pl.col("rule").is_not_null() & ~pl.col("rule").is_in(("over_range", "under_range"))
    right = pl.col("rule").is_in(RIGHT[kind]).fill_null(False)
    seen = rows.with_columns(marked.alias("_marked"), right.alias("_right"))
    return Group(what, rows.height, held(seen, "_marked"), held(seen, "_right"))


def kinds_found(rows: pl.DataFrame) -> list[Group]:
    """Judge each kind as a whole, and beside it what of it could be told at all.

    levels apart: by half or more; not alone: the electrode has other readings; truth moved: the true value
    was a quarter or more off the one that was copied.
    """
    told = {
        "swapped_wells": ("levels apart", pl.col("apart_log") >= APART_LOG),
        "decimal_slipped": ("not alone", pl.col("others") >= 1),
        "copied_reading": ("truth moved", pl.col("moved_log") >= STOOD_STILL_LOG),
    }
    out = []
    for kind in RIGHT:
        mine = rows.filter(pl.col("mistake") == kind)
        out.append(_group(kind, mine, kind))
        if kind in told:
            words, where = told[kind]
            out.append(_group(f"{kind}, {words}", mine.filter(where.fill_null(False)), kind))
    return out


def campaigns_found(rows: pl.DataFrame) -> tuple[int, int]:
    """Return the campaigns that were off, and how many of them had most of their readings marked as such."""
    off = rows.filter((pl.col("mistake") == "campaign_off") & pl.col("range_mark").is_null())
    by = off.group_by("region", "instrument_id", pl.col("day").dt.year().alias("year"), "seed").agg(
        (pl.col("rule") == "campaign_off").fill_null(False).mean()
    )
    return by.height, by.filter(pl.col("rule") > 0.5).height


def sound_readings(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the readings on which nothing is wrong: no mistake planted, not wild, a value that was read."""
    return rows.filter(pl.col("mistake").is_null() & ~pl.col("wild") & pl.col("read") & ~_in_step())


def _in_step() -> pl.Expr:
    """Tell the first readings after a step: they are judged apart."""
    return (pl.col("step_log") >= STEP_LOG).fill_null(False)


def wrongly_marked(sound: pl.DataFrame) -> tuple[Share, list[tuple[str, int, bool]]]:
    """Return the share of sound readings with a wrong mark, and the marks by rule; true: a circumstance."""
    wrong = pl.col("rule").is_not_null() & ~pl.col("rule").is_in(CIRCUMSTANCES)
    counts = sound.filter(pl.col("rule").is_not_null()).group_by("rule").len().sort("len", descending=True)
    return (
        held(sound.with_columns(wrong.fill_null(False).alias("_wrong")), "_wrong"),
        [(rule, n, rule in CIRCUMSTANCES) for rule, n in counts.iter_rows()],
    )


def steps_taken_for_slips(rows: pl.DataFrame) -> dict[str, Share]:
    """Return the shares of true steps whose first reading is marked as a slip, by what was known of it."""
    steps = rows.filter(
        _in_step() & pl.col("mistake").is_null() & ~pl.col("wild") & pl.col("read")
    ).with_columns(pl.col("rule").is_in(SLIP_RULES).fill_null(False).alias("_slip"))
    ten = (pl.col("step_log") - float(np.log(10.0))).abs() < ABOUT_TEN_LOG
    return {
        "a later visit there": held(steps.filter(~pl.col("newest")), "_slip"),
        "  of these, about ten times": held(steps.filter(~pl.col("newest") & ten), "_slip"),
        "at the newest visit": held(steps.filter("newest"), "_slip"),
    }


def _fleet_rows(seed: int, sites: int, mechanism: str) -> pl.DataFrame:
    rows = judged(simulate(sites, seed, mechanism, sheet_shares=MORE_CAMPAIGNS))
    return rows.with_columns(
        (pl.lit(f"{mechanism}{seed}/") + pl.col("site_id")).alias("site_id"), pl.lit(seed).alias("seed")
    )


def found_lines(rows: pl.DataFrame, name: str) -> tuple[list[str], list[Target]]:
    """Lay out the tables of one mechanism's fleets, and the targets."""
    groups = {g.what: g for g in kinds_found(rows)}
    share, marks = wrongly_marked(sound_readings(rows))
    wild = rows.filter(pl.col("wild") & pl.col("mistake").is_null())
    aside = held(wild.with_columns((pl.col("verdict") == "set_aside").alias("_aside")), "_aside")
    off, seen = campaigns_found(rows)
    steps = steps_taken_for_slips(rows)
    lines = [f"  {'planted':<48}{'of them':>8}  {'marked by any rule':<28}by the right rule"]
    lines += [f"  {g.what:<48}{g.planted:>8}  {g.marked!s:<28}{g.right}" for g in groups.values()]
    lines += [
        f"  campaigns off: {seen} of {off} found",
        f"  sound readings wrongly marked: {_percent(share)} of {share.count:,}",
        "    wrongly: " + ", ".join(f"{r} {n}" for r, n, true in marks if not true),
        "    circumstances: " + ", ".join(f"{r} {n}" for r, n, true in marks if true),
        f"  wild readings set aside: {aside}",
        *(f"  steps taken for slips, {what}: {s}" for what, s in steps.items()),
    ]
    wanted = ("decimal_slipped", "metal_loop", "swapped_wells", "swapped_wells, levels apart")
    targets = [_target(name, kind, groups[kind].right, 0.90) for kind in wanted]
    spared = steps["a later visit there"]
    targets += [
        Target(name, "sound wrongly marked", f"{share.value:.4f}", "< 0.005", share.value < 0.005),
        Target(name, "steps spared", f"{1 - spared.value:.4f}", ">= 0.99", spared.value <= 0.01),
    ]
    return lines, targets


def _percent(share: Share) -> str:
    return f"{100 * share.value:.3f} +- {100 * share.half:.3f} %"


def _target(name: str, kind: str, share: Share, least: float) -> Target:
    return Target(name, f"{kind} found", str(share), f">= {least}", share.value >= least)


def outlook_lines(sites: int, seeds: list[int]) -> list[str]:
    """Compare forecasts made with the verdicts and with every reading taken as good, censoring kept."""
    lines = [f"What vetting does for the outlook: field fleets of {sites} sites, seeds {seeds}."]
    for drawer, shares in (("usual mistakes", None), ("ten times those of clamp, meter, sheet", TEN_TIMES)):
        lines.append(f"  {drawer}")
        for words, as_read in (("vetted", False), ("as read", True)):
            fleets = [judged_fleet(sites, s, "field", as_read, shares) for s in seeds]
            lines.append(f"    {words:<10}{_outlook_words(fleets)}")
    return lines


def _outlook_words(fleets: list[Fleet]) -> str:
    rows = pl.concat(
        [f.rows.with_columns((pl.lit(f"{f.seed}/") + pl.col("site_id")).alias("site_id")) for f in fleets]
    )
    ahead = rows.filter("not_past")
    auc = roc_auc_score(ahead["past_5y"].to_numpy(), ahead["p_next"].to_numpy())
    seen = held(rows.filter(~pl.col("past_at_first")))
    width = (
        rows["crossing_age_p95"].clip(upper_bound=100.0) - rows["crossing_age_p05"].clip(upper_bound=100.0)
    ).mean()
    return (
        f"AUC {auc:.3f} of {ahead.height}; 90 % interval holds, not past at first reading, {seen}; all "
        f"{held(rows)}; mean width {width:.1f} years"
    )


def numbers(text: str) -> list[int]:
    """Read `1,2` or `1..5`."""
    if ".." in text:
        low, high = text.split("..")
        return list(range(int(low), int(high) + 1))
    return [int(s) for s in text.split(",")]


def main() -> None:
    """Run the fleets asked for and print the tables."""
    ask = argparse.ArgumentParser(prog="python -m tests.recovery.vetting_found", description=__doc__)
    ask.add_argument("--seeds", type=numbers, default=list(SEEDS))
    ask.add_argument("--sites", type=int, default=SITES)
    ask.add_argument("--mechanisms", default="field,breaks")
    ask.add_argument("--outlook", action="store_true", help="compare forecasts, 20 to 40 s a fleet")
    ask.add_argument("--outlook-sites", type=int, default=60)
    given = ask.parse_args()
    targets: list[Target] = []
    for mechanism in given.mechanisms.split(","):
        start = time.process_time()
        rows = pl.concat([_fleet_rows(s, given.sites, mechanism) for s in given.seeds])
        lines, met = found_lines(rows, mechanism)
        print(f"{mechanism}: {given.sites} sites a fleet, seeds {given.seeds}, {rows.height:,} readings")
        print("\n".join(lines))
        print(f"  {time.process_time() - start:.0f} s\n", flush=True)
        targets += met
    for t in targets:
        met = "reached" if t.met else "NOT reached"
        print(f"{t.mechanism:<8}{t.what:<40}{t.reached:<28}{t.wanted:<10}{met}")
    if given.outlook:
        with one_blas_thread():
            print("\n" + "\n".join(outlook_lines(given.outlook_sites, given.seeds[:2])))


if __name__ == "__main__":
    main()
