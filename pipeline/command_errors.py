"""How the command line ends: every error is one sentence and an exit status."""

import sys
import traceback
from typing import Any

import click

from pipeline.errors import FleetError


class Commands(click.Group):
    """Turn every error into one sentence and an exit status; a traceback only with --debug."""

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run the command line and leave with its exit status."""
        try:
            status = super().main(*args, **{**extra, "standalone_mode": False})
        except click.UsageError as fault:
            said = fault.format_message().replace("\n", " ").rstrip(". ")
            shows = fault.ctx.command_path if fault.ctx else "rodfleet"
            click.echo(f"Error: {said}; `{shows} --help` shows what can be asked.", err=True)
            sys.exit(2)
        except click.Abort:
            click.echo("Stopped; what was finished before is kept.", err=True)
            sys.exit(1)
        sys.exit(status if isinstance(status, int) else 0)

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except FleetError as fault:
            _show_traceback(ctx)
            click.echo(f"Error: {fault}", err=True)
            ctx.exit(fault.exit_status)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as fault:
            _show_traceback(ctx)
            first = (str(fault).splitlines() or [""])[0]
            click.echo(
                f"Error: something went wrong that was not foreseen ({type(fault).__name__}: {first}); "
                "try again with --debug before the command's name and report what it shows.",
                err=True,
            )
            ctx.exit(1)


def _show_traceback(ctx: click.Context) -> None:
    if ctx.params.get("debug"):
        traceback.print_exc()
