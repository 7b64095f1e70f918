"""A proposed profile written down: as TOML to correct, and as a preview of the first rows in our terms."""

import json
import re
from collections.abc import Sequence
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.intake.books import aligned
from pipeline.intake.cells import Writing, typed, typed_names
from pipeline.intake.headings import alike
from pipeline.intake.profiles import (
    Profile,
    Recognised,
    Source,
    in_cell_units,
    mapped,
    number_units,
    rows_of_visit,
    without_other_visits,
)
from pipeline.intake.proposal import LIKELY, SURE, UNSURE, Guess, TableGuess
from pipeline.intake.visits import Visits
from pipeline.intake.writing import question, thousands_question

_SHOWN_ROWS = 5
_ABOUT = "A line that begins with #? asks; the number says how sure."
_SEPARATORS = {"';'": ";", "tab": "\t", "'|'": "|"}


def toml_of(path: Path, tables: Sequence[TableGuess]) -> str:
    """Write the profile: what is sure as lines that count, the rest as commented questions."""
    first = tables[0]
    lines = [
        f"about = {_quoted(f'Proposed from {path.name}. {_ABOUT}')}",
        f"files = [{_quoted(_pattern(path.name))}]",
    ]
    for word in first.found:
        if word.endswith(" between cells"):
            lines.append(f"separator = {_quoted(_SEPARATORS[word.removesuffix(' between cells')])}")
        elif re.fullmatch(r"(utf|cp)[\w-]+", word):
            lines.append(f"encoding = {_quoted(word)}")
    for table in tables:
        lines += ["", *_map_lines(table)]
    return "\n".join(lines) + "\n"


def _pattern(name: str) -> str:
    """Let other years and numbers of the same name fit too."""
    return re.sub(r"\d+", "*", re.sub(r"([\[\]?*])", "[\\1]", name))


def _map_lines(one: TableGuess) -> list[str]:
    lines = ["[[maps]]", f"table = {_quoted(one.table.name)}  # {sureness(one.score)}"]
    lines += [f"sheet = {_quoted(one.sheet)}"] if one.sheet else []
    lines.append(f"heading_line = {one.heading_line}" if one.heading_line else "# the form has field names")
    lines += _mark_lines(one)
    lines += _date_lines(one)
    if one.fill_down:
        listed = ", ".join(map(_quoted, one.fill_down))
        lines.append(f"#? fill_down = [{listed}]  # does an empty cell there mean the value above it?")
    if one.table.name == "readings":
        sites = [h for h in one.unused if alike(h, "site_id") >= LIKELY]
        lines += [
            f"#? well_number_with = {_quoted(h)}  # are wells numbered within this site?" for h in sites
        ]
    lines += _visit_lines(one)
    lines += ["", "[maps.columns]"]
    lines += [line for guess in one.guesses for line in _column_lines(guess)]
    lines += [
        f'#? {c} = ""  # needed, and no heading names it: which one is it?'
        for c in one.missing
        if not any(g.column.name == c for g in one.guesses)
    ]
    lines += [f"# not used: {_quoted(heading)}" for heading in one.unused]
    for guess in one.guesses:
        lines += _word_lines(guess)
    return lines


def _mark_lines(one: TableGuess) -> list[str]:
    if one.marks != ".":
        return [f"decimal_marks = {_quoted(one.marks)}"]
    if "';' between cells" not in one.found:
        return []
    ours = mapped(one.rows.frame, Recognised(one.table, profile_of(one)))
    if thousands_question(ours, one.table) is None:
        return []
    return [
        '#? decimal_marks = "."',
        '#? decimal_marks = ","',
        "#? ^ a number such as 1.234 may be a decimal or thousands: keep one",
    ]


def _date_lines(one: TableGuess) -> list[str]:
    if (asked := one.date_question) is not None and not _settled(one, asked):
        settings = re.findall(r"dates = \[[^\]]*\]", question(asked.heading, asked.dates))
        return [f"#? {setting}" for setting in settings] + [
            f"#? ^ '{asked.dates.example}' under '{asked.heading}' can be read in each of these ways"
        ]
    forms = dict.fromkeys(f for g in one.guesses if g.score >= LIKELY for f in g.dates.forms)
    return [f"dates = [{', '.join(map(_quoted, forms))}]"] if forms else []


def _settled(one: TableGuess, asked: Guess) -> bool:
    orders = {g.dates.order for g in one.guesses if g.dates.order}
    return len(orders) == 1 and next(iter(orders)) in asked.dates.could_be


def _visit_lines(one: TableGuess) -> list[str]:
    wide = one.visits
    if wide is None:
        return []
    first, last = _quoted(wide.headings[0]), _quoted(wide.headings[-1])
    count = f"{len(wide.headings)} columns, {first} to {last}, are visits"
    unit = f', unit = "{wide.unit.unit}"' if wide.unit.unit else ""
    unit += f', bare = "{wide.unit.bare}"' if wide.unit.bare else ""
    lines = [f"# {count}"]
    if wide.years_only:
        lines.append(
            f'#? visits = {{ form = "%Y", on = "07-01"{unit} }}  # on which month and day were they taken?'
        )
    elif wide.dates.could_be:
        settings = re.findall(r'\["([^"]*)"\]', question(wide.headings[0], wide.dates))
        lines += [
            f"#? visits = {{ form = {_quoted(f)}{unit} }}  # day or month first? keep one" for f in settings
        ]
    else:
        mark = "#? " if wide.unit.asks else ""
        lines.append(f"{mark}visits = {{ form = {_quoted(wide.dates.forms[0])}{unit} }}")
    if wide.unit.asks:
        lines.append(f"#? ^ add unit = one of {' or '.join(wide.unit.could_be)} ({wide.unit.because})")
    return lines


def _column_lines(guess: Guess) -> list[str]:
    told = sureness(guess.score)
    name, heading, unit = guess.column.name, _quoted(guess.heading), guess.unit
    if guess.words:
        return [f"# {name}: below, with its words"]
    if guess.score < LIKELY:
        return [f"#? {name} = {heading}  # {told}: {guess.asked}"]
    if unit.asks:
        each = [f'#? {name} = {{ from = {heading}, unit = "{u}" }}' for u in unit.could_be]
        return [*each, f"#? ^ {guess.asked} keep one of these lines"]
    if unit.unit is None or (unit.unit == _own(guess) and "heading" not in unit.because):
        return [f"{name} = {heading}  # {told}" + (f"; {unit.unit}: {unit.because}" if unit.unit else "")]
    bare = f', bare = "{unit.bare}"' if unit.bare else ""
    lines = [f'{name} = {{ from = {heading}, unit = "{unit.unit}"{bare} }}  # {told}; {unit.because}']
    if unit.unit == "in_cell" and not unit.bare:
        lines.append(
            f'#? ^ cells without a unit are refused; if they are all in one, add bare = "{_own(guess)}"'
        )
    return lines


def _own(guess: Guess) -> str:
    from pipeline.intake.units import units_of

    return next(iter(units_of(guess.column.name)), "")


def _word_lines(guess: Guess) -> list[str]:
    if not guess.words:
        return []
    mark = "#? " if guess.score < LIKELY else ""
    lines = ["", f"{mark}[maps.columns.{guess.column.name}]"]
    lines.append(f"{mark}from = {_quoted(guess.heading)}  # {sureness(guess.score)}")
    known = [(theirs, ours) for theirs, ours in guess.words if ours is not None]
    lines.append(f"{mark}words = {{ {', '.join(f'{_quoted(a)} = {_quoted(b)}' for a, b in known)} }}")
    choices = ", ".join(guess.column.choices) or "true, false"
    lines += [
        f"#? what does {_quoted(theirs)} mean? one of {choices}; until then its rows are refused"
        for theirs, ours in guess.words
        if ours is None
    ]
    return lines


def sureness(score: float) -> str:
    """Say in a word and a number how sure a guess is."""
    words = ((SURE, "sure"), (LIKELY, "likely"), (UNSURE, "unsure"), (0.0, "a guess"))
    return f"{next(word for least, word in words if score >= least)} ({score:.2f})"


def _quoted(text: str) -> str:
    """Write a TOML string: JSON's escapes are TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def profile_of(one: TableGuess) -> Profile:
    """Give the profile that the lines which count make, as far as it goes."""
    columns = {
        g.column.name: Source(
            g.heading, g.unit.unit, tuple((a, b) for a, b in g.words if b is not None), g.unit.bare
        )
        for g in one.guesses
        if g.asked is None
    }
    forms = dict.fromkeys(f for g in one.guesses for f in g.dates.forms)
    visits = None
    if one.visits and not one.visits.years_only and one.visits.dates.forms and not one.visits.unit.asks:
        wide = one.visits
        visits = Visits(wide.dates.forms[0], unit=wide.unit.unit, bare=wide.unit.bare)
    return Profile("proposed", one.table, columns, decimal_marks=one.marks, dates=tuple(forms), visits=visits)


def preview(one: TableGuess, today: date) -> list[str]:
    """Show the first rows in our names and units, and how many of those looked at would be refused."""
    profile = profile_of(one)
    what = Recognised(
        one.table, profile, visit=one.visits.headings[0] if profile.visits and one.visits else None
    )
    frame = without_other_visits(one.rows.frame, what)
    how = Writing(today, one.marks, profile.dates, number_units(what), {}, in_cell_units(what))
    judged = typed(mapped(frame, what).filter(rows_of_visit(frame, what)), one.table, how)
    names = [n for n in typed_names(one.table) if judged[n].null_count() < judged.height]
    rows = judged.head(_SHOWN_ROWS).select("_line", *names, "_reason").rows()
    shown = [("line", *names), *([_shown(v) for v in row[:-1]] for row in rows)]
    refused = judged.filter(pl.col("_reason").is_not_null())
    lines = aligned(shown) if names else ["(nothing is mapped yet)"]
    lines.append(f"{judged.height} rows looked at, {refused.height} of them would be refused")
    lines += [f"line {n}: {reason}" for n, reason in refused.select("_line", "_reason").head(2).rows()]
    return lines


def _shown(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    return str(value).removesuffix(" 00:00:00")[:30]


def report(path: Path, tables: Sequence[TableGuess], today: date) -> list[str]:
    """Tell what a file was taken for: tables, columns with how sure, what is asked, the first rows."""
    lines: list[str] = []
    for one in tables:
        where = f"{path.name} [{one.sheet}]" if one.sheet else path.name
        lines.append(f"{where}: {one.table.name}, {sureness(one.score)}; headings in line {one.heading_line}")
        told = [*one.found, *(["decimal comma"] if "," in one.marks else [])]
        lines += [f"found: {', '.join(told)}"] if told else []
        rows = [("heading", "our column", "unit", "how sure", "")]
        for g in one.guesses:
            unit = g.unit.unit or ("?" if g.unit.asks else "")
            rows.append((g.heading[:40], g.column.name, unit, sureness(g.score), g.asked or ""))
        lines += aligned(rows)
        if one.visits:
            lines.append(f"{len(one.visits.headings)} headings are visits: a wide sheet")
        lines += [f"not used: {h}" for h in one.unused]
        lines += [f"needed, and not found: {c}" for c in one.missing]
        if (asked := one.date_question) is not None and not _settled(one, asked):
            lines.append(f"asked: {question(asked.heading, asked.dates)}")
        lines += [*preview(one, today), ""]
    return lines
