"""Loading as the command line does it: the books printed, then what must be attended to first."""

import sys
from collections.abc import Callable, Sequence
from datetime import date, datetime
from pathlib import Path

import click

from pipeline.errors import RequestError
from pipeline.settings import Settings


def check_paths(paths: Sequence[Path]) -> None:
    """Raise RequestError for the first path that is not there."""
    for path in paths:
        if not path.exists():
            raise RequestError(f"There is no file or folder {path}; check the path.")


def load_and_say(fleet: Path, settings: Settings, paths: Sequence[Path]) -> str | None:
    """Load and print the books; give the sentence to fail with where a file had to be refused as a whole."""
    check_paths(paths)
    from pipeline.intake.load import load as load_files
    from pipeline.store import Store

    with Store.open(settings.store_path) as store:
        books = load_files(store, paths, date.today(), _progress(), layouts=[fleet / "layouts"])
    click.echo("\n".join(books.lines()))
    if books.failures:
        return "Not every file could be loaded (see above); correct those, then load them again."
    if not books.books:
        return "There was no table among the files; give files such as readings.csv, or a folder of them."
    return None


def _progress() -> Callable[[str], None]:
    """Tell a person at a terminal which file is done; the books come at the end in any case."""

    def say(line: str) -> None:
        if sys.stderr.isatty():
            click.echo(f"{datetime.now():%H:%M:%S} {line}", err=True)

    return say


def say_dangers(fleet: Path, settings: Settings) -> bool:
    """Print dangers to people straight after loading; say whether that could be done."""
    try:
        from pipeline.stages import attend_first

        result = attend_first(fleet, settings, click.echo)
    except Exception as fault:
        first = (str(fault).splitlines() or [""])[0]
        click.echo(f"The list of what to attend to first could not be made ({first}); the load is done.")
        return False
    for line in result.lines:
        click.echo(line)
    return True
