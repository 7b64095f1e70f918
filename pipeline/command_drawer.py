"""Commands for a drawer of field sheets: a layout's profile, the refused rows, what became of a line."""

from datetime import date
from pathlib import Path
from typing import Any

import click

from pipeline import command_options as options
from pipeline.command_load import check_paths
from pipeline.errors import RequestError


@click.command(short_help="Propose a source profile for a file in a foreign layout.")
@click.argument("file", type=options.PATHS)
@click.option(
    "--write", type=options.PATHS, metavar="OUT.toml", help="Write the profile here, to be corrected."
)
def profile(file: Path, write: Path | None) -> None:
    """Propose a source profile for FILE: which table, which column, which unit, each with how sure.

    It shows the first rows in the contract's names and units. What is not sure is a question: a line of the
    profile that begins with #?. Correct it, put it into the fleet's folder layouts/, then load the file.

    \b
    Example: rodfleet profile "old/rod log 2019.xlsx" --write fleet/layouts/old_log.toml
    """
    check_paths([file])
    from pipeline.intake.proposal import propose
    from pipeline.intake.proposal_text import report as told
    from pipeline.intake.proposal_text import toml_of

    today = date.today()
    tables = propose(file, today)
    click.echo("\n".join(told(file, tables, today)))
    text = toml_of(file, tables)
    if write is None:
        click.echo(text, nl=False)
        return
    if write.exists():
        raise RequestError(f"{write} is there already; give another name, or delete it first.")
    write.write_text(text, encoding="utf-8")
    click.echo(f"The profile is in {write}: {text.count('#?')} questions in it wait for an answer.")


@click.command(short_help="The rows that were refused and wait for their correction.")
@click.option("--table", help="Only those of one table, such as readings.")
@click.option(
    "--write",
    type=options.PATHS,
    metavar="FOLDER",
    help="Write them below a new folder, each in its own layout, to be corrected and loaded again.",
)
@click.pass_obj
def refused(asked: Any, table: str | None, write: Path | None) -> None:
    """List the refused rows that wait, with file, line and reason; --write puts them into files to correct.

    A corrected row settles the refused one by the mark in its column refused_row: leave that as it is.

    \b
    Example: rodfleet refused --write to_correct
             rodfleet load to_correct
    """
    from pipeline.refused import counted, listed, open_rows, write_refused
    from pipeline.store import Store

    with Store.open(asked.settings.store_path, read_only=True) as store:
        rows = open_rows(store, table)
    click.echo("\n".join(listed(rows)))
    if write is not None and rows["line"].is_not_null().any():
        for path in write_refused(rows, write, [asked.fleet / "layouts"]):
            click.echo(f"Written: {path}")
        click.echo(f"To correct: {counted(rows)}. Load them with `rodfleet load {write}`.")


@click.command("line", short_help="What became of one line of a field sheet.")
@click.argument("file")
@click.argument("number", type=int, metavar="LINE")
@click.pass_obj
def line_of_file(asked: Any, file: str, number: int) -> None:
    """Show LINE of FILE as it came, what it was read as, whether it stands, and who loaded it when.

    FILE is a name as the books give it, or the end of one; the file itself need not be at hand.

    \b
    Example: rodfleet line readings_2024.csv 118
    """
    from pipeline.line_of_sheet import what_became_of
    from pipeline.store import Store

    with Store.open(asked.settings.store_path, read_only=True) as store:
        click.echo("\n".join(what_became_of(store, file, number)))
