"""What is asked in the same words by several commands."""

from datetime import date
from pathlib import Path
from typing import Any

import click


class Day(click.ParamType):
    """Read an ISO date that does not lie after today."""

    name = "date"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Return the date; fail with a sentence where it is none or lies ahead."""
        if isinstance(value, date):
            return value
        try:
            day = date.fromisoformat(value)
        except ValueError:
            self.fail(f"'{value}' is not a date such as 2026-03-14", param, ctx)
        if day > date.today():
            self.fail(f"{day} lies after today", param, ctx)
        return day


PATHS = click.Path(path_type=Path)
as_of = click.option("--as-of", type=Day(), help="The day that the outlook starts from (2026-03-14).")
calibration = click.option(
    "--calibration",
    metavar="latest|new|NAME",
    default="latest",
    show_default=True,
    help="What it is made under: the latest calibration while it holds, a new one, or a kept one by name.",
)
