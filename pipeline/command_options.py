"""What is asked in the same words by several commands, and the many words of a question."""

from collections.abc import Callable
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
known_on = click.option(
    "--known-on",
    type=Day(),
    help="Make the run that would have been made at the end of that day, in out/known_on/DATE.",
)
calibration = click.option(
    "--calibration",
    metavar="latest|new|NAME",
    default="latest",
    show_default=True,
    help="What it is made under: the latest calibration while it holds, a new one, or a kept one by name.",
)


_QUESTION = (
    click.option("--outcome", help="time_to_threshold (as it stands), onset, growth or sudden_breaks."),
    click.option(
        "--compare", help="What is compared: soil_class (as it stands), material, chloride_ppm, ..."
    ),
    click.option("--between", "first", help="One value of it."),
    click.option("--and", "second", help="The other value."),
    click.option("--split-at", type=float, help="Of a number: below this against from there on."),
    click.option(
        "--slope", type=click.Choice(["doubling", "unit"]), help="Of a number: per doubling, or unit."
    ),
    click.option("--hold", multiple=True, help="What is held fixed; may be given again."),
    click.option("--where", "pairs", multiple=True, help="Which rods: column=value,value; again for more."),
    click.option("--margin", type=float, help="The ratio that would matter, for equivalence; 1.25."),
    click.option("--power-ratio", type=float, help="The ratio to state the power for; 1.5."),
    click.option("--asked-by", help="Who asks, for the register."),
    click.option("--note", help="Why, for the register."),
)


def question(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of a question."""
    for option in reversed(_QUESTION):
        command = option(command)
    return command
