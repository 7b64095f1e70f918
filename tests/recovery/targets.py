"""What the fleets of one mechanism say about each target, and the table of all of them."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from sklearn.metrics import roc_auc_score

from models.calibration import Calibration
from models.track_record import auc_difference, brier, by_tenths, interval_score, taught_logistic
from synthetic_fleet.fleet import Simulated
from tests.recovery.class_medians import inside, population
from tests.recovery.fleets import OWN, Fleet, office_electrodes
from tests.recovery.oracle import known_scores, taught_scores
from tests.recovery.own_model import Plan, draw_fleet, known_calibration
from tests.recovery.visits import spread_ratio

Floats = npt.NDArray[np.float64]

RULES = ("straight_line", "last_over_first", "age")
OWN_POPULATION = 30_000
LEAST = 40  # electrodes of a class, below which it is not judged by itself


@dataclass(frozen=True)
class Target:
    """One line of the table: what, what was reached, what has to be, whether it was (None: can't tell)."""

    mechanism: str
    what: str
    reached: str
    wanted: str
    met: bool | None


def together(fleets: list[Fleet]) -> pl.DataFrame:
    """Return all rows; sites of different fleets stay different."""
    return pl.concat(
        [f.rows.with_columns((pl.lit(f"{f.seed}/") + pl.col("site_id")).alias("site_id")) for f in fleets]
    )


def _numbered(site: pl.Series) -> npt.NDArray[np.int64]:
    _, index = np.unique(site.to_numpy(), return_inverse=True)
    return index


@dataclass(frozen=True)
class Share:
    """A share of rows, with its 95 % half width over sites resampled whole."""

    value: float
    half: float
    count: int

    def __str__(self) -> str:
        """Say the share."""
        return f"{self.value:.3f} +- {self.half:.3f} of {self.count}" if self.count else "none"


def held(rows: pl.DataFrame, what: str = "held") -> Share:
    """Return which share of the 90 % intervals held."""
    if rows.is_empty():
        return Share(float("nan"), float("nan"), 0)
    value = float(rows[what].mean())  # type: ignore[arg-type]
    by_site = rows.group_by("site_id").agg((pl.col(what) - value).sum().alias("s"))
    return Share(value, 1.96 * float(np.sqrt((by_site["s"] ** 2).sum())) / rows.height, rows.height)


def _within(share: Share, low: float, high: float) -> bool | None:
    """Say whether a share lies between, as far as its interval can tell."""
    return None if not share.count else low <= share.value <= high


def coverage_lines(rows: pl.DataFrame, name: str) -> tuple[list[str], list[Target]]:
    """Judge the crossing age's intervals: those not past at their first reading, by class, the others."""
    seen, others = rows.filter(~pl.col("past_at_first")), rows.filter("past_at_first")
    all_seen, all_others = held(seen), held(others)
    classes = {str(c): held(part) for (c,), part in seen.partition_by("soil_class", as_dict=True).items()}
    judged = {c: s for c, s in classes.items() if s.count >= LEAST}
    off = [c for c, s in judged.items() if not 0.84 <= s.value <= 0.95]
    apart = {
        c: held(others.filter(pl.col("soil_class") == c)) for c in classes if c == "unknown" or "marsh" in c
    }
    lines = [
        f"  90 % interval holds: not past at first reading {all_seen}; others {all_others}",
        "    by class: " + ", ".join(f"{c} {s.value:.2f}" for c, s in sorted(judged.items())),
        "    past at first reading: "
        + (", ".join(f"{c} {s}" for c, s in sorted(apart.items())) or "none apart"),
    ]
    if name == OWN:
        known = seen.with_columns(
            pl.col("true_crossing").is_between(pl.col("oracle_low"), pl.col("oracle_high")).alias("known")
        )
        lines.append(
            f"    the same model, all known, of those not past at first reading: {held(known, 'known')}"
        )
    targets = [
        Target(name, "held, not past at first", f"{all_seen}", "0.88-0.92", _within(all_seen, 0.88, 0.92)),
        Target(name, "held, each class", f"{len(judged) - len(off)}/{len(judged)}", "0.84-0.95", not off),
        Target(name, "held, past at first", f"{all_others}", ">= 0.80", _within(all_others, 0.8, 1.0)),
    ]
    return lines, targets


def score_lines(rows: pl.DataFrame) -> list[str]:
    """Give the interval score beside a straight line's and the class's own crossing ages elsewhere's."""
    seen = rows.filter(~pl.col("past_at_first"))
    if seen.is_empty():
        return []
    truth, soil, site = (
        seen["true_crossing"].to_numpy(),
        seen["soil_class"].to_numpy(),
        _numbered(seen["site_id"]),
    )
    low, high = np.zeros(truth.size), np.full(truth.size, np.inf)
    for fold in range(5):
        for c in np.unique(soil):
            told = (site % 5 != fold) & (soil == c)
            mine = (site % 5 == fold) & (soil == c)
            if told.any():
                low[mine], high[mine] = np.quantile(np.minimum(truth[told], 200.0), (0.05, 0.95))
    ours = interval_score(truth, seen["crossing_age_p05"].to_numpy(), seen["crossing_age_p95"].to_numpy())
    line = interval_score(truth, seen["line_low"].to_numpy(), seen["line_high"].to_numpy())
    return [
        f"  interval score of the crossing age (lower is better, ages capped at 100 years): {ours:.1f}; "
        f"straight line {line:.1f}; true ages at the class's others {interval_score(truth, low, high):.1f}"
    ]


@dataclass(frozen=True)
class People:
    """Electrodes not past now: forecast, outcome, scores of the rules, chances made of them, site, class.

    p_next: the chance to be past by the horizon of one that is not past now.
    """

    p_next: Floats
    past_5y: npt.NDArray[np.bool_]
    site: npt.NDArray[np.int64]
    soil: npt.NDArray[np.str_]
    scores: dict[str, Floats]
    chances: dict[str, Floats]


def pooled(fleets: list[Fleet]) -> People:
    """Pool the electrodes not past now, fleet by fleet; a rule's chances are taught with other sites'."""
    rows = pl.concat(
        [
            f.rows.filter("not_past").with_columns(
                (pl.lit(f"{f.seed}/") + pl.col("site_id")).alias("cluster")
            )
            for f in fleets
        ]
    )
    outcome, site = rows["past_5y"].to_numpy(), _numbered(rows["cluster"])
    scores = {name: rows[name].to_numpy().astype(float) for name in RULES}
    chances: dict[str, Floats] = {}
    if outcome.any() and not outcome.all():
        chances = {name: taught_logistic(scores[name][:, None], outcome, site) for name in RULES}
        classes = rows.select("soil_class").to_dummies().to_numpy().astype(float)
        known = np.column_stack([classes, scores["age"], scores["last_over_first"], rows["slope"].to_numpy()])
        scores["taught_logistic"] = chances["taught_logistic"] = taught_logistic(known, outcome, site)
    return People(
        rows["p_next"].to_numpy(),
        outcome,
        site,
        rows["soil_class"].to_numpy().astype(str),
        scores,
        chances,
    )


def auc_within(outcome: npt.NDArray[np.bool_], score: Floats, soil: npt.NDArray[np.str_]) -> float:
    """Return the AUC within classes: pairs of one class only, each class by its pairs."""
    total, weight = 0.0, 0.0
    for c in np.unique(soil):
        mine = soil == c
        pairs = float(outcome[mine].sum()) * float((~outcome[mine]).sum())
        if pairs > 0:
            total += pairs * roc_auc_score(outcome[mine], score[mine])
            weight += pairs
    return total / weight if weight else float("nan")


def order_lines(
    people: People, oracles: dict[str, Floats], name: str, rng: np.random.Generator
) -> tuple[list[str], list[Target]]:
    """Judge the order of those not past now, beside the rules and beside what anyone could know."""
    y, ours = people.past_5y, people.p_next
    own, own_within = roc_auc_score(y, ours), auc_within(y, ours, people.soil)
    lines = [f"  ours              AUC {own:.3f}, within class {own_within:.3f}, Brier {brier(ours, y):.4f}"]
    behind = []
    for rule, values in people.scores.items():
        d = auc_difference(y, ours, values, people.site, rng)
        behind += [rule] if d.low <= 0.0 else []
        lines.append(
            f"    {rule:<16}AUC {roc_auc_score(y, values):.3f}, within class "
            f"{auc_within(y, values, people.soil):.3f}, Brier {brier(people.chances[rule], y):.4f}; "
            f"ahead by {d.value:+.3f} ({d.low:+.3f} to {d.high:+.3f})"
        )
    short = 0.0
    for oracle, values in oracles.items():
        d = auc_difference(y, values, ours, people.site, rng)
        short = max(short, d.value)
        lines.append(
            f"    oracle, {oracle}: AUC {roc_auc_score(y, values):.3f}, within class "
            f"{auc_within(y, values, people.soil):.3f}; ahead {d.value:+.3f} ({d.low:+.3f} to {d.high:+.3f})"
        )
    worst = max(auc_within(y, v, people.soil) for v in people.scores.values())
    targets = [
        Target(name, "AUC ahead of each rule", f"{own:.3f}, {len(people.scores) - len(behind)}/"
               f"{len(people.scores)} rules", "interval > 0", not behind),
        Target(name, "AUC within class, ahead", f"{own_within:.3f}, best rule {worst:.3f}", "> 0",
               own_within > worst),
        Target(name, "AUC short of the oracle", f"{short:.3f}", "<= 0.02", short <= 0.02),
    ]  # fmt: skip
    return lines, targets


def _tenths(p: Floats, y: npt.NDArray[np.bool_], site: npt.NDArray[np.int64]) -> tuple[str, float]:
    table = by_tenths(p, y, site)
    cells = [
        f"{b.removesuffix(' %')}: {f:.2f}/{o:.2f} ({z:+.1f})"
        for b, f, o, z in table.select("bin", "forecast", "observed", "z").iter_rows()
    ]
    return ", ".join(cells), float(table["z"].abs().max())  # type: ignore[arg-type]


def tenths_lines(rows: pl.DataFrame, people: People, name: str) -> tuple[list[str], list[Target]]:
    """Judge forecasts by tenths, five years ahead: of all electrodes, and of those not past now."""
    every, worst = _tenths(
        rows["p_past_5y"].to_numpy(), rows["past_5y"].to_numpy(), _numbered(rows["site_id"])
    )
    after, worst_after = _tenths(people.p_next, people.past_5y, people.site)
    return (
        [
            f"  past in 5 years, forecast/observed by tenths (standard errors): {every}",
            f"    of those not past now: {after}",
        ],
        [
            Target(name, "tenths, furthest", f"{worst:.1f} standard errors", "<= 3", worst <= 3.0),
            Target(
                name, "tenths, not past now", f"{worst_after:.1f} standard errors", "<= 3", worst_after <= 3.0
            ),
        ],
    )


def class_lines(fleets: list[Fleet], teaching: list[Simulated], name: str) -> tuple[list[str], list[Target]]:
    """Judge medians and shares of each class against a large population of the same generator."""
    people = _population(fleets[0].mechanism, teaching)
    judged = pl.concat(
        [
            inside(f.classes, population(people, f.mix)).with_columns(pl.lit(f.seed).alias("seed"))
            for f in fleets
        ]
    )
    by_what = judged.group_by("what", maintain_order=True).agg(
        pl.col("inside").mean(),
        ((pl.col("low") + pl.col("high")) / 2 - pl.col("value")).median().alias("off"),
    )
    # figures of one class of one fleet hold or fail together
    share = held(judged.with_columns(pl.format("{}/{}", "seed", "soil_class").alias("site_id")), "inside")
    cells = ", ".join(f"{w} {i:.2f} (off {o:+.2f})" for w, i, o in by_what.iter_rows())
    return (
        [f"  classes inside their own 90 % intervals: {cells}"],
        [Target(name, "class medians inside", f"{share}", ">= 0.90", share.value >= 0.9)],
    )


def _population(mechanism: str, teaching: list[Simulated]) -> pl.DataFrame:
    if mechanism == OWN:
        # a rod a site, or the population's own site effects would be off by as much as the intervals are wide
        lone = Plan(sites=OWN_POPULATION, rods=(1, 1), years=(1, 1))
        h, t = draw_fleet(known_calibration(), np.random.default_rng(77), lone)
        begun = t.onset + np.log(1.05) / t.growth
        return pl.DataFrame(
            {
                "soil_class": h.soil, "material": h.material, "raw": h.raw, "onset_age": begun,
                "growth_per_year": t.growth, "crossing": t.crossing,
            }
        )  # fmt: skip
    raw = pl.col("ratio_basis") == "loop_raw"
    return pl.concat(
        [
            s.truth.drop("soil_class").join(
                office_electrodes(s).select("electrode_id", "soil_class", "ratio_basis"), on="electrode_id"
            )
            for s in teaching
        ]
    ).with_columns(
        raw.alias("raw"),
        pl.when(raw).then("loop_raw_crossing_age").otherwise("crossing_age").alias("crossing"),
    )


def visit_lines(fleets: list[Fleet], name: str) -> tuple[list[str], list[Target]]:
    """Judge the visit effects: size of their errors over the size that they claim."""
    v = pl.concat([f.visits for f in fleets])

    def ratios(part: pl.DataFrame) -> tuple[float, float]:
        pairs = (("error", "sd"), ("deviation_error", "deviation_sd"))
        whole, about = (spread_ratio(part[e].to_numpy(), part[sd].to_numpy()) for e, sd in pairs)
        return whole, about

    net, raw = v.filter(~pl.col("raw")), v.filter("raw")
    (ratio, about), apart = ratios(net), ""
    if raw.height:
        apart = "; where the loop is raw {:.2f}, {:.2f}".format(*ratios(raw))
    size = float(np.sqrt((net["error"] ** 2).mean()))  # type: ignore[operator]
    return (
        [
            f"  visit effects: error {size:.3f} (root mean square), {ratio:.2f} of what is claimed, "
            f"about their site's mean {about:.2f}{apart}"
        ],
        [Target(name, "error of v over its claim", f"{ratio:.2f}, about site's mean {about:.2f}", "0.85-1.15",
                0.85 <= ratio <= 1.15)],
    )  # fmt: skip


def _fitted_beside_true(fleets: list[Fleet]) -> str:
    """Say what the calibrations of fleets drawn from the model found, beside what they were drawn from."""

    def numbers(cal: Calibration) -> dict[str, float]:
        theta, s, steps = dict(zip(cal.theta_names, cal.theta, strict=True)), cal.spread, cal.steps
        return {
            "noise": float(cal.noise_sd.mean()), "site": s.site_sd, "rod": s.rod_sd, "visit": s.visit_sd,
            "onset spread": float(np.exp(theta["log_onset_spread"])),
            "growth spread": float(np.exp(theta["log_growth_spread"])),
            "onset load": theta["onset_site_load"], "growth load": theta["growth_site_load"],
            "breaks a year": steps.break_rate,
            "jump": steps.jump_mean, "open share": steps.open_share, "wild share": steps.wild_share,
            "lowest ceiling": float(cal.ceiling_weight[0, 0]),
        }  # fmt: skip

    true, found = numbers(known_calibration()), [numbers(f.calibration) for f in fleets]
    cells = [f"{k} {np.mean([f[k] for f in found]):.3g}/{v:.3g}" for k, v in true.items()]
    return "  hyperparameters fitted/true: " + ", ".join(cells)


def judge(fleets: list[Fleet], teaching: list[Simulated]) -> tuple[list[str], list[Target]]:
    """Say how the fleets of one mechanism fared, and beside which targets."""
    rows, name = together(fleets), fleets[0].mechanism
    past = float((~rows["not_past"]).mean())  # type: ignore[arg-type]
    calm = sum(f.calibration.converged for f in fleets)
    lines = [
        f"{name}: {rows.height} electrodes, {past:.0%} past now, {rows['past_at_first'].mean():.0%} past at "
        f"their first reading; calibrations converged {calm}/{len(fleets)}; "
        f"mean p_past_now {rows['p_past_now'].mean():.3f}",
    ]
    targets: list[Target] = []

    def add(part: tuple[list[str], list[Target]]) -> None:
        lines.extend(part[0])
        targets.extend(part[1])

    people = pooled(fleets)
    y = people.past_5y
    if not y.any():
        called, mean = int((rows["p_past_now"] >= 0.5).sum()), float(rows["p_past_now"].mean())  # type: ignore[arg-type]
        add(([f"  nothing corrodes: {called} called past"], [
            Target(name, "mean p_past_now", f"{mean:.4f}", "< 0.01", mean < 0.01),
            Target(name, "called past", str(called), "none", not called),
        ]))  # fmt: skip
        add(visit_lines(fleets, name))
        return lines, targets
    add(coverage_lines(rows, name))
    lines.extend(score_lines(rows))
    if name == OWN:
        lines.append(_fitted_beside_true(fleets))
    oracles = known_scores(fleets) if name == OWN else taught_scores(fleets, teaching)
    add(order_lines(people, oracles, name, np.random.default_rng(1)))
    add(tenths_lines(rows, people, name))
    add(class_lines(fleets, teaching, name))
    add(visit_lines(fleets, name))
    return lines, targets


def summary(targets: list[Target]) -> list[str]:
    """Lay out the table of all targets."""
    lines = [f"{'mechanism':<10}{'target':<27}{'reached':<46}{'to reach':<14}"]
    for t in targets:
        verdict = "can't tell" if t.met is None else "met" if t.met else "MISSED"
        lines.append(f"{t.mechanism:<10}{t.what:<27}{t.reached:<46}{t.wanted:<14}{verdict}")
    good = sum(t.met is True for t in targets)
    return [*lines, f"{good} of {sum(t.met is not None for t in targets)} met"]
