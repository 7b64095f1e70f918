"""The command for names: what is proposed, accepted, turned down, and the rows that waited for it."""

from datetime import datetime
from pathlib import Path
from typing import Any

import click

from pipeline import command_options as options
from pipeline.command_load import load_and_say, say_dangers
from pipeline.errors import RequestError, WorkError

_AGAIN = "rows taken again"


@click.command(short_help="Propose what unknown names mean; a person accepts.")
@click.option(
    "--write",
    type=options.PATHS,
    metavar="FOLDER",
    help="Write them as aliases.csv and works.csv, to correct.",
)
@click.option("--accept", metavar="NUMBERS", help="Accept proposals of the last listing: 1,3,5-8.")
@click.option("--reject", metavar="NUMBERS", help="Turn proposals down: they are not made again.")
@click.option("--by", metavar="NAME", help="Who decides; needed with --accept and --reject.")
@click.option("--retake", is_flag=True, help="Load the refused rows again whose names are known by now.")
@click.pass_obj
def names(
    asked: Any, write: Path | None, accept: str | None, reject: str | None, by: str | None, retake: bool
) -> None:
    """Propose what the unknown names of refused rows mean, which sites are one and the same, and which rods
    were replaced under their old number; each with a score (0 to 1) and why.

    Nothing is applied until a person accepts it. What is accepted becomes rows of the tables aliases
    and works, kept below names/ in the fleet folder, and the rows that waited for it are loaded again.
    What is turned down is remembered. A later row of aliases gives an accepted name another meaning.

    \b
    Example: rodfleet names
             rodfleet names --accept 1,3,5-8 --by "A. Person"
             rodfleet names --write to_correct && rodfleet load to_correct && rodfleet names --retake
    """
    fleet, settings = asked.fleet, asked.settings
    if accept or reject:
        if not by:
            raise RequestError("Say who decides, with --by NAME.")
        _decide(fleet, settings, accept, reject, by)
        return
    if retake:
        _retake(fleet, settings, datetime.now())
        return
    _list(settings, write)


def _list(settings: Any, write: Path | None) -> None:
    from pipeline import names as proposals
    from pipeline.store import Store

    with Store.open(settings.store_path, read_only=True) as store:
        found = proposals.propose(store)
        ready = proposals.waiting_for_names(store).height
    proposals.keep_listing(found, settings.output_folder)
    click.echo("\n".join(proposals.lines(found)))
    if ready:
        click.echo(f"{ready} refused rows have names that are known by now: `rodfleet names --retake`.")
    if write is not None:
        for path in proposals.write_decisions(found.rows, write, "same", None, extra=True):
            click.echo(f"Written: {path}. Strike what is wrong, fill in decided_by, then load it.")


def _decide(fleet: Path, settings: Any, accept: str | None, reject: str | None, by: str) -> None:
    from pipeline import names as proposals

    at = datetime.now()
    chosen = [
        (decision, proposals.listed_rows(settings.output_folder, proposals.numbers_in(text)))
        for decision, text in (("same", accept), ("different", reject))
        if text
    ]
    for decision, rows in chosen:
        proposals.write_decisions(rows, proposals.decision_folder(fleet, at, decision), decision, by)
    _load(fleet, settings, proposals.decision_folder(fleet, at, "same").parent)
    if accept:
        _retake(fleet, settings, at)


def _load(fleet: Path, settings: Any, folder: Path) -> None:
    if fault := load_and_say(fleet, settings, [folder]):
        raise WorkError(fault)


def _retake(fleet: Path, settings: Any, at: datetime) -> None:
    """Load the rows again that waited for a name, and say the dangers among them."""
    from pipeline import names as proposals
    from pipeline.store import Store

    folder = proposals.decision_folder(fleet, at, "same").parent / _AGAIN
    with Store.open(settings.store_path, read_only=True) as store:
        count = proposals.write_waiting(store, folder, [fleet / "layouts"])
    if not count:
        click.echo("No refused row waits for a name that is known by now.")
        return
    click.echo(f"{count} refused rows are loaded again:")
    _load(fleet, settings, folder)
    if not say_dangers(fleet, settings):
        raise WorkError(
            "The rows are loaded, but the list of dangers could not be made (see above); load again."
        )
