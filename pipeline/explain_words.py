"""Say an explanation in plain words and small tables for a terminal of 80 columns, or as JSON."""

import json
import math
from datetime import date, timedelta
from typing import Any

import polars as pl

from models.explanation import ALL, ALONE, KIND, READINGS, SITE, most_telling
from models.histories import DAYS_A_YEAR
from models.outlook import Step
from pipeline.explain import Explained
from pipeline.explain_layout import age, dated, ohm, percent, place, signed, table, wrapped
from pipeline.explain_loop import damage_sentence, loop_sentences
from pipeline.ground_words import ground_of_site
from pipeline.plain_tests import words_of
from reports import words

_EVIDENCE = {
    KIND: "(a) its kind, site unknown",
    SITE: "(b) its kind at this site",
    READINGS: "(c) its readings, no fleet",
    ALONE: "(d) its kind + its readings",
    ALL: "(e) = (d) + its neighbours",
}
_EVIDENCE_NOTES = (
    "(a) and (b) are what would be said of a rod of this material and soil class that nobody measured: "
    "anywhere in such ground, and here, as the site's other rods tell. (c) is what its readings say to one "
    "who knows the rod formula, season and noise and nothing of how rods corrode. (e) is the answer.",
    "Crossing age, onset age and growth of the logarithm after onset (per cent a year): 5 / 50 / 95 %.",
)
_SHIFT = "the site's readings may lie elsewhere for good from then on; a shift is allowed for"
_WORKS = {
    "grid_extended": _SHIFT,
    "network_changed": _SHIFT,
    "finding_cleared": "takes earlier findings off the attend-first list",
    "connection_remade": "may end a sudden step before it; readings between tell nothing of the rod since",
    "surge": "makes a sudden step at its date likelier",
    "replaced": "a replacement is a new electrode with an id of its own",
}


def text(told: Explained) -> str:
    """Return the whole explanation, answer first."""
    sections = (
        _heading(told), _dangers(told), _answer(told), _who(told), _readings(told), _evidence(told),
        _without(told), _without_visits(told), _steps(told), words_of(told.plain), _aside(told), _works(told),
    )  # fmt: skip
    caution = wrapped(f"{words.CAUTIONS[2]} {words.CAUTIONS[3].replace('page', 'list')}", "")
    return "\n\n".join("\n".join(s) for s in (*sections, caution) if s)


def _heading(told: Explained) -> list[str]:
    who = told.electrode
    site = f"site {who['site_id']}" + (f" ({who['site_name']})" if who["site_name"] else "")
    well = f", well {who['well_id']}" if who["well_id"] else ""
    gone = f", retired {who['retired_on']}" if who["retired_on"] else ""
    return wrapped(f"Electrode {who['electrode_id']}{well}, {site}{gone}", "")


def _dangers(told: Explained) -> list[str]:
    found = told.dangers
    if found.is_empty():
        return []
    own = found.filter(pl.col("electrode_id").is_not_null())
    lines = ["ATTEND FIRST, before anything that is said below"]
    for row in own.head(3).rows(named=True):
        lines += dated(row["taken_at"], row["why"])
    if own.height > 3:
        lines += wrapped(f"and {own.height - 3} more of this electrode (attend_first.csv).")
    if of_site := found.height - own.height:
        newest = found.filter(pl.col("electrode_id").is_null()).sort("taken_at", descending=True)
        lines += wrapped(
            f"{words.count(of_site, 'finding')} of the site as a whole; the newest: "
            f"{words.day(newest['taken_at'][0])}, {newest['why'][0]}", "  ", "  ",
        )  # fmt: skip
    return lines


def _answer(told: Explained) -> list[str]:
    a, who = told.answer, told.electrode
    state, meaning = words.STATES.get(a["state"], (a["state"], ""))
    chances = [a["p_past_now"], *(a[f"p_past_{y}y"] for y in told.horizons)]
    heads = ["now", *(f"in {y} y" for y in told.horizons)]
    low, middle, high = (a[f"crossing_age_p{q}"] for q in ("05", "50", "95"))
    spread = 100 * math.expm1(a["baseline_sd_log"])
    lines = [f"THE ANSWER, looking from {told.as_of}", *wrapped(f"{state}: {meaning}.")]
    lines += table([("", *heads), ("chance past threshold, %", *map(percent, chances))])
    lines += wrapped(
        f"Threshold {who['threshold_ratio']:g} times new. Crossing age: median {words.years(middle)}, "
        f"90{words.NB}% interval {_interval(low, high)}; it is {a['age_years']:.1f} years old."
    )
    lines += wrapped(
        f"Ratio now {a['ratio_now']:.2f}: {ohm(a['level_ohm'])} ohm today, freed of season and campaign, "
        f"over {ohm(a['baseline_ohm'])} ohm when new (sd {spread:.0f} %)."
    )
    lines += wrapped(
        f"Onset age: median {words.years(a['onset_age_p50'])}; growth after it "
        f"{100 * a['growth_per_year']:.1f} % a year (mean, of the logarithm). "
        f"{words.BREAKS[a['break_state']].capitalize()} (chance {percent(a['p_broken'])} %)."
    )
    return lines + _agreement(told)


def _interval(low: float, high: float) -> str:
    ends = ["beyond 200" if math.isinf(v) else f"{v:.0f}" for v in (low, high)]
    return f"{ends[0]} to {ends[1]} years"


def _agreement(told: Explained) -> list[str]:
    run, (chance, years) = told.published.facts["run_id"], told.apart
    said = [*told.differs, "The figures here are those made anew."]
    if not told.differs:
        parted = f"to {100 * chance:.1f} percentage points and {years:.1f} years"
        alike = "to every digit shown" if chance < 0.0005 and years < 0.05 else parted
        said = [
            f"These are the figures of the published run {run}; fitted anew from the store, the site alone, "
            f"it says the same {alike}."
        ]
    if told.electrode["retired_on"]:
        said.append("It has been renewed: this is what its readings say of it as if it still stood.")
    if not told.answer["converged"]:
        said.append("It is marked as not converged (the calibration, or the site's shared effect).")
    return wrapped(" ".join([*said, f"Calibration: {told.calibrated_on}."]))


def _who(told: Explained) -> list[str]:
    who = told.electrode
    size = f"{who['length_m']:g} m, " if who["length_m"] else ""
    kind, material = words.plain(who["kind"]).capitalize(), words.plain(who["material"])
    rest = who["rest_ohm"] if (basis := who["ratio_basis"]) == "rod_net" else None
    off = f" Taken off each reading: {ohm(rest)} ohm." if rest else ""
    return [
        "WHO AND WHERE",
        *wrapped(
            f"{kind}, {size}{material}, soil class {who['soil_class']}; installed {who['installed_on']} "
            f"({place(who)}). {ground_of_site(told.explanation.fit)}"
        ),
        *wrapped(f"Ratio basis {basis}: {words.BASES[basis]}. {who['basis_reason']}{off}"),
        *wrapped(_baseline(told)),
        *(line for said in loop_sentences(who, told.loop) for line in wrapped(said)),
        *wrapped(damage_sentence(who, told.answer) or ""),
    ]


def _baseline(told: Explained) -> str:
    who = told.electrode
    written = ""
    if who["baseline_ohm"]:
        tied = "the rod alone" if who["baseline_tied_in"] is False else "tied in"
        when = who["baseline_on"] or who["installed_on"]
        written = f" Written down then: {ohm(who['baseline_ohm'])} ohm, {tied}, {when}."
    surveyed = who["survey_sd_log"] == 0
    survey = "" if surveyed else " (the site was not surveyed: its class's usual soil)"
    source = words.BASELINES[told.answer["baseline_source"]]
    return f"Baseline: {source}.{written} The rod formula gives {ohm(who['formula_ohm'])} ohm{survey}."


def _readings(told: Explained) -> list[str]:
    rows = told.readings.rows(named=True)
    lines = ["READINGS, and what was taken off each"]
    if not rows:
        return [*lines, "  Nobody has read it yet; the answer is its kind's and its site's."]
    sheets = {p: _letter(k) for k, p in enumerate(dict.fromkeys(_sheet(r) for r in rows))}
    cells = [("date", "age", "ohm", "verdict", "season", "visit", "corrected", "ratio", "wild %", "line")]
    for r in rows:
        used = r["p_wild"] is not None
        cells.append((
            words.day(r["taken_at"]),
            f"{r['age_years']:.1f}",
            ohm(r["resistance_ohm"], r["range_mark"]),
            words.verdict(r["verdict"]) if r["verdict"] else "later",
            f"{r['season_factor']:.2f}" if used else "-",
            f"{r['campaign_factor']:.2f}" if used else "-",
            ohm(r["corrected_ohm"], r["range_mark"]) if used else "-",
            _ratio(r) if used else "-",
            percent(r["p_wild"]) if used else "-",
            f"{sheets[_sheet(r)]}:{r['line']}",
        ))  # fmt: skip
    lines += table(cells, left=(0, 3, 9), gap=" ")
    lines += [line for s, letter in sheets.items() for line in wrapped(f"{letter} = {s}", "  ", "    ")]
    lines += wrapped(
        "corrected = ohm / season / visit; ratio = the same with the rest of the loop off, over the "
        "baseline; wild % = the chance that the reading is something else than the rod."
    )
    return lines + [line for r in rows for line in _reading_note(r)]


def _ratio(r: dict[str, Any]) -> str:
    return {"over": ">", "under": "<"}.get(r["range_mark"] or "", "") + f"{r['ratio']:.2f}"


def _sheet(row: dict[str, Any]) -> str:
    return f"{row['file']} [{row['sheet']}]" if row["sheet"] else str(row["file"])


def _letter(k: int) -> str:
    return chr(ord("a") + k) if k < 26 else _letter(k // 26 - 1) + _letter(k % 26)


def _reading_note(r: dict[str, Any]) -> list[str]:
    """Say why a reading is not simply good, and what the crew wrote beside it."""
    said = []
    if r["verdict"] is None:
        said.append("Taken after the day from which the run looks; not used yet.")
    elif r["verdict"] != "good":
        said.append(f"{words.verdict(r['verdict'])} ({r['rule']}): {r['reason']}")
    if r["verdict"] == "good" and (r["p_wild"] or 0.0) > 0.5:
        said.append("stands alone against the readings around it; the curve hardly follows it.")
    if r["note"]:
        said.append(f'The crew wrote: "{r["note"]}"')
    return dated(r["taken_at"], " ".join(said)) if said else []


def _evidence(told: Explained) -> list[str]:
    by, horizon = told.explanation.accounts, _horizon(told)
    rows = [("", "now", f"{told.horizons[horizon]} y", "crossing age", "onset age", "growth %")]
    rows += [
        (
            label, percent(by[k].p_past_now), percent(by[k].p_past[horizon]),
            "/".join(map(age, by[k].crossing_age)), "/".join(map(age, by[k].onset_age)),
            "/".join(f"{100 * g:.0f}" if g >= 0.0995 else f"{100 * g:.1f}" for g in by[k].growth),
        )
        for k, label in _EVIDENCE.items()
    ]  # fmt: skip
    lines = ["WHAT THE FLEET SAYS, WHAT IT SAYS ITSELF, AND BOTH (chance past threshold, %)"]
    lines += table(rows, gap=" ")
    for note in (*_EVIDENCE_NOTES, *_moves(told)):
        lines += wrapped(note)
    return lines


def _horizon(told: Explained) -> int:
    """Return which horizon is shown beside now: five years, or the one nearest to it."""
    return min(range(len(told.horizons)), key=lambda k: abs(told.horizons[k] - 5))


def _moves(told: Explained) -> list[str]:
    by, k = told.explanation.accounts, _horizon(told)

    def pair(a: str, b: str) -> str:
        now, then = (by[a].p_past_now, by[b].p_past_now), (by[a].p_past[k], by[b].p_past[k])
        return (
            f"from {percent(now[0])} to {percent(now[1])}{words.NB}% now and from {percent(then[0])} to "
            f"{percent(then[1])}{words.NB}% in {told.horizons[k]} years"
        )

    return [
        f"Its own readings, (b) to (e), move the chance past threshold {pair(SITE, ALL)}.",
        f"Its neighbours, (d) to (e), move it {pair(ALONE, ALL)}, by what their wells tell of the visits and "
        "of rods in this yard.",
    ]


def _without(told: Explained) -> list[str]:
    lines = ["WITHOUT EACH READING, everything else as it is"]
    if told.left_out.is_empty():
        return [*lines, "  There is no reading to leave out."]
    lines += _left_out_table(
        told, told.left_out, most_telling(told.explanation.without_reading, told.explanation.accounts[ALL])
    )
    return lines + wrapped(
        "Chances in per cent, and how far they move. Repeats of a day entered as one, their median. ohm: the "
        "rest of the loop is off where it is known."
    )


def _without_visits(told: Explained) -> list[str]:
    if told.visits_left_out.is_empty():
        return []
    telling = most_telling(told.explanation.without_visit, told.explanation.accounts[ALL])
    return [
        "WITHOUT EACH WHOLE VISIT, the readings of all rods of the site",
        *_left_out_table(told, told.visits_left_out, telling),
    ]


def _left_out_table(told: Explained, left_out: pl.DataFrame, telling: int | None) -> list[str]:
    k, whole = _horizon(told), told.explanation.accounts[ALL]
    rows = [("left out", "ohm", "past now", "", f"in {told.horizons[k]} y", "", "median age", "step %", "")]
    rows.append((
        "(nothing)", "", percent(whole.p_past_now), "", percent(whole.p_past[k]), "",
        age(whole.crossing_age[1], 1), percent(whole.p_broken), "",
    ))  # fmt: skip
    for r in left_out.rows(named=True):
        rows.append((
            str(r["on_date"]) + (" new" if r["when_new"] else ""), ohm(r["net_ohm"], r["range_mark"]),
            percent(r["p_past_now"]), signed(r["p_past_now"] - whole.p_past_now),
            percent(r["p_past"][k]), signed(r["p_past"][k] - whole.p_past[k]),
            age(r["crossing_age_p50"], 1), percent(r["p_broken"]),
            "<-" if r["reading"] == telling else "",
        ))  # fmt: skip
    lines = table(rows, left=(0, 8))
    none = "None of them moves a chance by a percentage point."
    return lines + wrapped(none if telling is None else "<- the one that tells most.")


def _steps(told: Explained) -> list[str]:
    p = told.explanation.accounts[ALL].p_broken
    steps = [s for s in told.explanation.steps if p * s.share >= 0.01]
    lines = ["SUDDEN STEPS UP THAT STAY"]
    if not steps:
        return [*lines, "  None that has a chance of 1 % or more."]
    rows: list[tuple[str, ...]] = [("between", "and", "chance %", "times", "readings since (visits)")]
    rows += [_step(s, p, told.electrode["installed_on"]) for s in steps]
    lines += table(rows, left=(0, 1))
    return lines + wrapped(f"In the answer: {words.BREAKS[told.answer['break_state']]}.")


def _step(s: Step, p: float, installed: date) -> tuple[str, ...]:
    between = [str(installed + timedelta(days=round(a * DAYS_A_YEAR))) for a in (s.after, s.until)]
    return (*between, percent(p * s.share), f"{math.exp(s.jump):.1f}", str(s.visits_after))


def _aside(told: Explained) -> list[str]:
    lines: list[str] = []
    k = _horizon(told)
    for r in told.readings.filter(pl.col("row_id").is_in(list(told.set_aside))).rows(named=True):
        a, value = told.set_aside[r["row_id"]], ohm(r["resistance_ohm"], r["range_mark"])
        lines += dated(
            r["taken_at"],
            f"{value} ohm, set aside ({r['rule']}). Taken as it stands, it would make the chance past now "
            f"{percent(a.p_past_now)} %, in {told.horizons[k]} years {percent(a.p_past[k])} %, the median "
            f"crossing age {age(a.crossing_age[1], 1)}.",
        )
    for r in told.refused.rows(named=True):
        done = " (corrected since)" if r["settled"] else ""
        lines += wrapped(f"Refused{done}: {place(r)}: {r['reason']}.{_understood(r)}", "  ", "    ")
    return ["NOT USED: set aside, or refused when loaded", *lines] if lines else []


def _understood(row: dict[str, Any]) -> str:
    read = json.loads(row["understood"]) if row["understood"] else {}
    said = [
        f"{read[k]} {unit}"
        for k, unit in (("resistance_ohm", "ohm"), ("current_a", "A"))
        if read.get(k) is not None
    ]
    return f" What could be read of it: {', '.join(said)}." if said else ""


def _works(told: Explained) -> list[str]:
    lines: list[str] = []
    for r in told.works.rows(named=True):
        whose = "this electrode" if r["electrode_id"] else "the site"
        meaning = f": {_WORKS[r['work']]}" if r["work"] in _WORKS else ""
        note = f' "{r["note"]}"' if r["note"] else ""
        lines += wrapped(
            f"{r['done_on']}  {words.plain(r['work'])} ({whose}){meaning}.{note} {place(r)}.",
            "  ",
            "            ",
        )
    return ["WORKS THAT BEAR ON IT", *lines] if lines else []
