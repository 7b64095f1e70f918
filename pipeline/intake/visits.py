"""Wide sheets: a column for each visit, whose heading is the date."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Visits:
    """Say which headings of a wide sheet are visits, and what the cells below them are.

    Raises ValueError where the form has no year, or is a year alone and no day is given for it.
    """

    form: str
    """How such a heading is written, as strptime reads it: `%d.%m.%Y`, `R %Y`."""
    value: str = "resistance_ohm"
    date: str = "taken_at"
    unit: str | None = None
    bare: str | None = None
    on: str | None = None
    """Month and day (`07-01`) that a heading which is only a year stands for; it is never guessed."""

    def __post_init__(self) -> None:
        """Check that every heading will be a day."""
        if "%Y" not in self.form and "%y" not in self.form:
            raise ValueError(f"form = '{self.form}' has no %Y")
        if not self._names_day and self.on is None:
            raise ValueError("a year alone is no day: write on = '07-01', or the month and day that is meant")
        if self.on is not None:
            dt.datetime.strptime(f"2001-{self.on}", "%Y-%m-%d")

    @property
    def _names_day(self) -> bool:
        return "%d" in self.form or "%j" in self.form

    def headings_among(self, headings: Iterable[str]) -> list[str]:
        """Give those headings that are visits, in their order."""
        return [h for h in headings if self._read(h) is not None]

    def day_of(self, heading: str) -> dt.date:
        """Give the day that a heading stands for; raise ValueError where it is no visit."""
        moment = self._read(heading)
        if moment is None:
            raise ValueError(f"'{heading}' is no visit")
        if self._names_day or self.on is None:
            return moment.date()
        return dt.datetime.strptime(f"{moment.year:04d}-{self.on}", "%Y-%m-%d").date()

    def _read(self, heading: str) -> dt.datetime | None:
        try:
            moment = dt.datetime.strptime(heading.strip(), self.form)
        except ValueError:
            return None
        return moment if moment.year >= 1900 else None
