"""Dates as people write them: read by given forms, and their order found from a whole column."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.intake.distinct import counted

ISO = r"^\d{4}-\d{1,2}-\d{1,2}(?:$|[Tt ])"
SERIAL, SERIAL_1904 = "serial", "serial_1904"
"""Forms of a day number, as workbooks count days."""
_CLOCKS = ("%Y-%m-%d %H:%M:%S%.f", "%Y-%m-%d %H:%M", "%Y-%m-%d")
_FIRST_DAYS = {SERIAL: date(1899, 12, 30), SERIAL_1904: date(1904, 1, 1)}
_DAY_NUMBER = r"^[2-5]\d{4}(\.\d+)?$"  # 1954 to 2064
_AHEAD_YEARS = 10  # how far ahead a two-digit year may lie in a column whose dates may (next calibration)
_SLIPS = 0.02  # of a column's dates may go against an order; each of them is refused
_MOST_DAYS = 100_000  # that are kept to find the order of their parts: more than a century of days
_OLDEST_SHORT_YEAR = 1950  # an order of parts that puts a two-digit year before this is not meant

# German, French and Spanish names of months to what a parser of English reads.
_MONTHS = {
    "jan": "januar janvier enero ene janv jän jänner",
    "feb": "februar février febrero févr fév",
    "mar": "märz mars marzo mär mrz",
    "apr": "avril abril avr abr",
    "may": "mai mayo",
    "jun": "juni juin junio",
    "jul": "juli juillet julio juil",
    "aug": "août agosto ago aout",
    "sep": "septembre septiembre sept",
    "oct": "oktober octobre octubre okt",
    "nov": "novembre noviembre",
    "dec": "dezember décembre diciembre dez déc dic",
}
_ENGLISH = [
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
]
MONTH_WORDS = {
    **{word: short for short, words in _MONTHS.items() for word in words.split()},
    **{name: name[:3] for name in _ENGLISH},
    **{name[:3]: name[:3] for name in _ENGLISH},
}


def moments(cell: pl.Expr, forms: Sequence[str], today: date, may_lie_ahead: bool = False) -> pl.Expr:
    """Read dates or times as the local clock showed them: ISO 8601, then the forms; null where none fits.

    An offset behind a time is dropped. A two-digit year is the last such year that is not after `today`
    (ten years on, where dates may lie ahead).
    """
    local = cell.str.replace(r"(:\d{2}(?:\.\d+)?)\s*(?:[Zz]|[+-]\d{2}:?\d{2})$", "$1").str.replace(
        r"^(\d{4}-\d{1,2}-\d{1,2})[Tt]", "$1 "
    )
    full = pl.when(local.str.contains(r"^\d{4}-")).then(local)  # 27-02-03 is not the year 27
    read = [full.str.to_datetime(f, time_unit="us", strict=False) for f in _CLOCKS]
    latest = today.year + (_AHEAD_YEARS if may_lie_ahead else 0)
    return pl.coalesce([*read, *(_by_form(local, form, latest) for form in forms)])


def _by_form(cell: pl.Expr, form: str, latest: int) -> pl.Expr:
    if form in _FIRST_DAYS:
        number = pl.when(cell.str.contains(_DAY_NUMBER)).then(cell).cast(pl.Float64, strict=False)
        seconds = (number * 86_400).round().cast(pl.Int64)
        return pl.lit(_FIRST_DAYS[form]).cast(pl.Datetime("us")) + pl.duration(seconds=seconds)
    if "%b" in form:
        cell = _english(cell)
    if "%y" not in form:
        whole_year = pl.when(cell.str.contains(r"\d{4}")).then(cell) if "%Y" in form else cell
        return whole_year.str.to_datetime(form, time_unit="us", strict=False)
    short = pl.when(~cell.str.contains(r"\d{4}")).then(cell)
    moment = short.str.to_datetime(form, time_unit="us", strict=False)
    year = moment.dt.year()
    shift = latest - (latest - year % 100) % 100 - year
    return moment.dt.offset_by(pl.format("{}y", shift))


def _english(cell: pl.Expr) -> pl.Expr:
    word = cell.str.to_lowercase().str.extract(r"([a-zà-ÿ]{3,10})", 1)
    english = word.replace_strict(MONTH_WORDS, default=None, return_dtype=pl.String)
    pieces = [cell.str.to_lowercase().str.extract(r"^(.*?)[a-zà-ÿ]{3,10}\.?(.*)$", k) for k in (1, 2)]
    return pl.concat_str([pieces[0], english, pieces[1]])


@dataclass(frozen=True)
class FoundDates:
    """Hold how the dates of one column are written, as far as the column itself tells."""

    forms: tuple[str, ...] = ()
    """Forms beside ISO 8601; empty: the column needs none."""
    order: str | None = None
    """`dmy`, `mdy` or `ymd` where parts had to be put in order."""
    could_be: tuple[str, ...] = ()
    """The orders that the column leaves open; one has to be named before it can be read."""
    example: str = ""
    short_years: bool = False


@dataclass(frozen=True)
class _Shape:
    """Hold how one cell is put together."""

    parts: tuple[int, int, int]
    digits: tuple[int, int, int]
    word: int | None
    pattern: str
    """The cell as a form, with {0}, {1}, {2} for the three parts."""


_TRIPLE = re.compile(r"^(\d{1,4})([./\- ]{1,2})(\d{1,2})([./\- ]{1,2})(\d{1,4})(?:([T, ]{1,2})(.+))?$")
_DAY_WORD = re.compile(
    r"^(\d{1,2})(\.?[./\- ]{0,2})([^\W\d_]{3,10})(\.?[./\- ,]{1,2})(\d{2}|\d{4})(?:([T, ]{1,2})(.+))?$"
)
_WORD_DAY = re.compile(
    r"^([^\W\d_]{3,10})(\.?[ \-]{1,2})(\d{1,2})(,?[ \-]{1,2})(\d{4})(?:([T, ]{1,2})(.+))?$"
)
_TIMES = (
    (re.compile(r"^\d{1,2}:\d{2}$"), "%H:%M"),
    (re.compile(r"^\d{1,2}:\d{2}:\d{2}$"), "%H:%M:%S"),
    (re.compile(r"^\d{1,2}:\d{2}:\d{2}\.\d+$"), "%H:%M:%S%.f"),
    (re.compile(r"^\d{1,2}:\d{2} ?[AaPp][Mm]$"), "%I:%M %p"),
    (re.compile(r"^\d{1,2}:\d{2}:\d{2} ?[AaPp][Mm]$"), "%I:%M:%S %p"),
    (re.compile(r"^\d{1,2}h\d{2}$"), "%Hh%M"),
)
_ORDERS = {"dmy": ("%d", "%m", "%Y"), "mdy": ("%m", "%d", "%Y"), "ymd": ("%Y", "%m", "%d")}


class DateEvidence:
    """Gather from a column of text, a part at a time, how its dates are written."""

    def __init__(self, may_lie_ahead: bool = False, from_1904: bool = False) -> None:
        self._ahead, self._from_1904 = may_lie_ahead, from_1904
        self._filled = self._other = self._day_numbers = self._plain_days = 0
        self._example = ""
        self._seen: dict[str, _Shape | None] = {}

    def add(self, cells: pl.Series) -> None:
        """Look at some more cells of the column."""
        told = counted(cells)
        self._filled += int(told["times"].sum())
        other = told.filter(~pl.col("cell").str.contains(ISO))
        if other.is_empty():
            return
        self._other += int(other["times"].sum())
        self._example = self._example or str(other["cell"][0])
        self._day_numbers += _times(other, _DAY_NUMBER)
        self._plain_days += _times(other, r"^(19|20)\d{6}$")
        if self._other * 2 >= self._filled:
            for cell in _one_clock(other["cell"]).unique(maintain_order=True):
                if cell not in self._seen and len(self._seen) < _MOST_DAYS:
                    self._seen[cell] = _shape(cell)

    def found(self, today: date) -> FoundDates:
        """Say how the dates are written, as far as the cells so far tell.

        Nothing is found where most cells are ISO 8601 (what is not is then refused cell by cell) or where
        fewer than half are dates of any kind.
        """
        if not self._filled or self._other * 2 < self._filled:
            return FoundDates()
        if self._day_numbers * 2 > self._other:
            return FoundDates((SERIAL_1904 if self._from_1904 else SERIAL,), example=self._example)
        if self._plain_days * 2 > self._other:
            return FoundDates(("%Y%m%d",), example=self._example)
        shapes = [(shape, cell) for cell, shape in self._seen.items() if shape is not None]
        if not shapes or len(shapes) * 2 < len(self._seen):
            return FoundDates()
        latest = today.year + (_AHEAD_YEARS if self._ahead else 0)
        return _ordered(shapes, latest, today, self._ahead)


def _one_clock(cells: pl.Series) -> pl.Series:
    """Let every time of day read alike: which it is says nothing of how the dates are written."""
    cells = cells.str.replace(r"(\d{1,2}:\d{2}:\d{2})\.\d+", "${1}.1")
    cells = cells.str.replace(r"\d{1,2}:\d{2}:\d{2}", "10:10:10")
    return cells.str.replace(r"\d{1,2}:\d{2}($|[^:\d])", "10:10${1}")


def _times(told: pl.DataFrame, pattern: str) -> int:
    return int(told.filter(pl.col("cell").str.contains(pattern))["times"].sum())


def find_dates(
    cells: pl.Series, today: date, may_lie_ahead: bool = False, from_1904: bool = False
) -> FoundDates:
    """Find out from a whole column of text how its dates are written (DateEvidence)."""
    evidence = DateEvidence(may_lie_ahead, from_1904)
    evidence.add(cells)
    return evidence.found(today)


def _ordered(shapes: list[tuple[_Shape, str]], latest: int, today: date, ahead: bool) -> FoundDates:
    worded = [s for s, _ in shapes if s.word is not None]
    numbered = [(s, cell) for s, cell in shapes if s.word is None]
    forms = _forms(worded, lambda s: ("%b", "%d", "%Y") if s.word == 0 else ("%d", "%b", "%Y"))
    if not numbered:
        return FoundDates(forms, example=shapes[0][1], short_years=_short(worded))
    numbers = [s for s, _ in numbered]
    fits = [{o for o in _ORDERS if _is_day(s, o, latest, today, ahead)} for s in numbers]
    fits = [orders for orders in fits if orders]  # what is no day in any order speaks for none
    against = {o: sum(o not in orders for orders in fits) for o in _ORDERS}
    left = tuple(o for o in _ORDERS if fits and against[o] <= _SLIPS * len(fits))
    example, short = numbered[0][1], _short(numbers)
    if len(left) != 1:
        open_still = left or tuple(o for o in _ORDERS if against[o] < len(fits)) or tuple(_ORDERS)
        return FoundDates(could_be=open_still, example=example, short_years=short)
    order = left[0]
    return FoundDates((*forms, *_forms(numbers, lambda _: _ORDERS[order])), order, (), example, short)


def _shape(cell: str) -> _Shape | None:
    """Take a cell apart; None where it is no date of three parts."""
    for pattern, word in ((_TRIPLE, None), (_DAY_WORD, 1), (_WORD_DAY, 0)):
        if (found := pattern.match(cell.strip())) is None:
            continue
        first, gap, second, gap_two, third, gap_time, clock = found.groups()
        texts = (first, second, third)
        if word is not None and texts[word].lower() not in MONTH_WORDS:
            return None
        time = next((form for shape, form in _TIMES if clock and shape.match(clock)), None)
        if clock and time is None:
            return None
        if time and "%p" in time and " " not in (clock or ""):
            time = time.replace(" %p", "%p")
        behind = f"{gap_time}{time}" if time else ""
        # The dot of a shortened month goes with the word when it is read.
        gap_two = gap_two.removeprefix(".") if word == 1 else gap_two
        gap = gap.removeprefix(".") if word == 0 else gap
        numbers = [int(t) if t.isdigit() else 0 for t in texts]
        return _Shape(
            (numbers[0], numbers[1], numbers[2]),
            (len(first), len(second), len(third)),
            word,
            f"{{0}}{gap}{{1}}{gap_two}{{2}}{behind}",
        )
    return None


def _short(shapes: Sequence[_Shape]) -> bool:
    return any(max(s.digits[0] if s.word is None else 0, s.digits[2]) <= 2 for s in shapes)


def _forms(shapes: Sequence[_Shape], parts_of: object) -> tuple[str, ...]:
    """Write the forms of the shapes, the most frequent first."""
    forms: Counter[str] = Counter()
    for shape in shapes:
        parts = list(parts_of(shape))  # type: ignore[operator]
        year = parts.index("%Y")
        if shape.digits[year] <= 2:
            parts[year] = "%y"
        forms[shape.pattern.format(*parts)] += 1
    return tuple(form for form, _ in forms.most_common(12))


def _is_day(shape: _Shape, order: str, latest: int, today: date, ahead: bool) -> bool:
    """Say whether the three parts are a day of the calendar in that order."""
    part = dict(zip(order, shape.parts, strict=True))
    digits = dict(zip(order, shape.digits, strict=True))
    if digits["d"] > 2 or digits["m"] > 2 or digits["y"] == 3:
        return False
    year = part["y"]
    if digits["y"] <= 2:
        year = latest - (latest - year) % 100
    try:
        day = date(year, part["m"], part["d"])
    except ValueError:
        return False
    return digits["y"] == 4 or (year >= _OLDEST_SHORT_YEAR and (ahead or day <= today))
