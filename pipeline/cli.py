"""The command line: what it asks, what it prints, what it returns."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import click

from pipeline import command_options as options
from pipeline.command_drawer import line_of_file, profile, refused
from pipeline.command_errors import Commands
from pipeline.command_load import check_paths, load_and_say, say_dangers
from pipeline.command_names import names
from pipeline.demo import make_demo_folder
from pipeline.errors import RequestError, WorkError
from pipeline.result import RunResult
from pipeline.settings import Settings

_HELP = """Rank the sites of a fleet by what their earthing rods' readings say.

A fleet folder holds the store (store.duckdb), the published runs (out/) and, if you like, your settings
(fleet.toml). Every command works in the current folder, or in the one that --fleet names.

\b
To see it with invented data:
  rodfleet demo demo              a fleet of 300 sites, from field files to the page

\b
With your own field files (CSV, TSV, XLSX, Parquet, JSON Lines), in this order:
  rodfleet settings               what can be set in fleet.toml, and what it is now
  rodfleet profile old_log.xlsx   propose how a file in a layout of its own is to be read
  rodfleet line readings.csv 118  what became of one line of a field sheet
  rodfleet load field/            take the files into the store; the books tell what became of each row
  rodfleet status                 what the store holds
  rodfleet run                    vet, calibrate, forecast, rank, publish; prints the page to open
  rodfleet explain ELECTRODE_ID   what stands behind one electrode's numbers, to the field sheet's line

\b
Later:
  rodfleet run --calibration new  calibrate the fleet anew, before recalibrate_days are over
  rodfleet outlook                a fleet too large for one piece: the outlook of its electrodes alone
  rodfleet nightly inbox/         load what came in and publish again, unattended
  rodfleet backtest --cut 2022-01-01
  rodfleet hypothesis --compare soil_class --between clay --and sand

Exit status: 0 done, 1 the work failed, 2 the request was wrong. The readings are no licence to open an
earthing conductor in service: local codes and licensed practice come first.
"""


@dataclass(frozen=True)
class _Asked:
    """Hold what was asked for before the command's name."""

    folder: Path

    @property
    def fleet(self) -> Path:
        """Give the fleet folder; raise RequestError where there is none."""
        if not self.folder.is_dir():
            raise RequestError(
                f"There is no fleet folder {self.folder}; make it, or give another with --fleet."
            )
        return self.folder

    @property
    def settings(self) -> Settings:
        """Read the settings of the fleet folder."""
        return Settings.load(self.fleet)


@click.group(cls=Commands, help=_HELP, invoke_without_command=True)
@click.option(
    "--fleet", type=options.PATHS, default=Path("."), help="The fleet folder; the current one if not given."
)
@click.option("--debug", is_flag=True, help="Show the traceback of an error.")
@click.version_option(package_name="rodfleet")
@click.pass_context
def main(ctx: click.Context, fleet: Path, debug: bool) -> None:  # noqa: ARG001
    """Hold the options that stand before the command's name."""
    ctx.obj = _Asked(fleet)
    if ctx.invoked_subcommand is None:
        click.echo(ctx.get_help())


@main.command(short_help="Make an invented fleet, load it, run it, print the page.")
@click.argument("folder", type=options.PATHS)
@click.option("--sites", type=click.IntRange(1), default=300, show_default=True, help="How many sites.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another number is another fleet.")
def demo(folder: Path, sites: int, seed: int) -> None:
    """Make an invented fleet in FOLDER, load it, run it, and print the page to open.

    \b
    Example: rodfleet demo demo
    """
    make_demo_folder(folder)
    _synthesize(folder / "field", sites, seed, "field", "crews")
    settings = Settings.load(folder)
    if fault := load_and_say(folder, settings, [folder / "field"]):
        click.echo(fault)
    say_dangers(folder, settings)
    _finish(_run(folder, settings, settings.as_of))


@main.command(short_help="Write the field files of an invented fleet.")
@click.argument("folder", type=options.PATHS)
@click.option("--sites", type=click.IntRange(1), default=300, show_default=True, help="How many sites.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another number is another fleet.")
@click.option("--mechanism", default="field", show_default=True, help="The process that ages the rods.")
@click.option(
    "--layouts",
    type=click.Choice(["crews", "contract"]),
    default="crews",
    show_default=True,
    help="As three crews write them, or as plain tables.",
)
def synthesize(folder: Path, sites: int, seed: int, mechanism: str, layouts: str) -> None:
    """Write the field files of an invented fleet into FOLDER, with the known truth under FOLDER/truth.

    \b
    Example: rodfleet synthesize field --sites 50 --seed 7
    """
    _synthesize(folder, sites, seed, mechanism, layouts)


@main.command(short_help="Take field files into the store, with books of every row.")
@click.argument("paths", type=options.PATHS, nargs=-1, required=True)
@click.pass_obj
def load(asked: _Asked, paths: tuple[Path, ...]) -> None:
    """Take field files, or whole folders of them, into the store.

    A file is known by its name (readings_2024.csv, sites.xlsx) or by a source profile (layouts/*.toml in the
    fleet folder, beside those that come with the program). The books show for each file: rows read = taken +
    already held + refused. Loading the same files again changes nothing. Exit status 1 where a whole file or
    sheet had to be refused, or the list of dangers could not be made; refused rows alone are no failure, they
    wait in the books for their correction.

    \b
    Example: rodfleet load field/ late/readings_north.xlsx
    """
    fleet, settings = asked.fleet, asked.settings
    fault = load_and_say(fleet, settings, paths)
    listed = say_dangers(fleet, settings)
    if fault:
        raise WorkError(fault)
    if not listed:
        raise WorkError(
            "The load is done, but the list of dangers could not be made (see above); load again."
        )


@main.command(short_help="From what is loaded to the published page.")
@options.as_of
@options.calibration
@options.known_on
@click.pass_obj
def run(asked: _Asked, as_of: date | None, calibration: str, known_on: date | None) -> None:
    """Work out everything from what is loaded to the published page; says each stage as it ends.

    The first run calibrates the fleet; later ones use that calibration while it holds (recalibrate_days in
    fleet.toml). `rodfleet status` lists those that are kept. With --known-on the run is made from what was
    known at the end of that day, corrections that came later left out, beside the run that is shown.

    \b
    Example: rodfleet run --as-of 2026-03-31 --calibration c2
             rodfleet run --known-on 2026-01-31
    """
    settings = asked.settings
    if known_on:
        from pipeline.known_on import run_known_on

        looked = as_of or settings.as_of
        _finish(
            run_known_on(
                asked.fleet, settings, known_on, as_of=looked, say=click.echo, calibration=calibration
            )
        )
        return
    _finish(_run(asked.fleet, settings, as_of or settings.as_of, calibration))


@main.command(short_help="The electrodes' outlook of a very large fleet, by shards.")
@options.as_of
@options.calibration
@click.pass_obj
def outlook(asked: _Asked, as_of: date | None, calibration: str) -> None:
    """Forecast the electrodes of a fleet too large for one piece: their outlook and nothing else.

    Readings are worked through shard by shard, so that memory does not grow with the fleet; see
    readings_parquet, dask_scheduler and calibration_sites in fleet.toml. It leaves one Parquet file, below
    large/ in the output folder: no ranking and no pages (`rodfleet run` makes those).

    \b
    Example: rodfleet outlook --as-of 2026-03-31
    """
    from pipeline.large_fleet import large_outlook

    settings = asked.settings
    day = as_of or settings.as_of
    _finish(large_outlook(asked.fleet, settings, as_of=day, say=click.echo, calibration=calibration))


@main.command(short_help="Write the pages of the current run again.")
@click.pass_obj
def report(asked: _Asked) -> None:
    """Write the pages and workbooks of the current run again, from its tables."""
    from pipeline.stages import report_again

    _finish(report_again(asked.fleet, asked.settings, click.echo))


@main.command(short_help="Load an inbox and publish a new run, unattended.")
@click.argument("inbox", type=options.PATHS, nargs=-1)
@click.pass_obj
def nightly(asked: _Asked, inbox: tuple[Path, ...]) -> None:
    """Load what lies in the INBOX folders or files, then publish a new run; made for an unattended job.

    \b
    Example: rodfleet --fleet /srv/fleet nightly /srv/inbox
    """
    check_paths(inbox)
    from pipeline.flow import nightly as run_nightly

    _finish(run_nightly(asked.fleet, asked.settings, list(inbox), click.echo))


@main.command(short_help="Forecast from a past day, judged by what came after.")
@click.option(
    "--cut", type=options.Day(), required=True, help="Forget everything after this day, then forecast it."
)
@click.pass_obj
def backtest(asked: _Asked, cut: date) -> None:
    """Forecast from what was known on a past day and compare with what came after.

    \b
    Example: rodfleet backtest --cut 2022-01-01
    """
    from pipeline.backtest import backtest as run_backtest

    _finish(run_backtest(asked.fleet, asked.settings, cut, click.echo))


@main.command(short_help="What stands behind one electrode's numbers.")
@click.argument("electrode_id")
@click.option("--visits", is_flag=True, help="Leave out each whole visit as well, not only each reading.")
@click.option("--json", "machine", is_flag=True, help="Print one JSON object instead of words.")
@click.pass_obj
def explain(asked: _Asked, electrode_id: str, visits: bool, machine: bool) -> None:
    """Follow an electrode's numbers back to the field sheet: readings, verdicts, corrections, what the fleet
    and what the electrode itself say, and how the answer would change without each reading.

    It looks from the day of the published run, under the run's calibration; nothing is changed.

    \b
    Example: rodfleet explain WEN-001-W03-A
    """
    from pipeline.explain import as_json
    from pipeline.explain import explain as explain_one
    from pipeline.explain_words import text

    told = explain_one(asked.settings, electrode_id, date.today(), visits)
    click.echo(as_json(told) if machine else text(told))


@main.command(short_help="Put a question to the fleet: do these rods differ?")
@click.argument("file", type=options.PATHS, required=False)
@options.question
@click.option("--example", is_flag=True, help="Print a question's TOML file to start from.")
@click.pass_obj
def hypothesis(asked: _Asked, file: Path | None, example: bool, **words: Any) -> None:
    """Ask whether rods differ: in time to threshold, onset, growth or sudden breaks.

    The question comes from a TOML FILE (--example prints one) or from the options. It is asked of the last
    published run and entered in the register, which every later run asks again; so are the files in the
    fleet's folder questions/. The answer has effect, interval, p values over all questions on file, power, a
    test of equivalence, what else lies in the comparison, and a verdict: supported, not supported or can't
    tell.

    \b
    Examples:
      rodfleet hypothesis --compare soil_class --between clay --and sand
      rodfleet hypothesis --compare region --between Saltmere --and Wendrick --hold soil_class
      rodfleet hypothesis --outcome onset --compare chloride_ppm --slope doubling --hold material
      rodfleet hypothesis --compare ph --split-at 5.5 --where "soil_class=clay,loam"
      rodfleet hypothesis questions/chloride.toml
    """
    from pipeline.question_files import EXAMPLE, options_as_keys, question_from, read_question
    from pipeline.questions import ask

    if example:
        click.echo(EXAMPLE, nl=False)
        return
    given = options_as_keys(words.pop("pairs"), words.pop("first"), words.pop("second"), **words)
    if file is not None and given:
        raise RequestError("Give a file or options, not both: the file says the whole question.")
    question = read_question(file) if file is not None else question_from(given)
    _finish(ask(asked.fleet, asked.settings, question=question, say=click.echo))


@main.command(short_help="Print every key of fleet.toml, its value and meaning.")
@click.pass_obj
def settings(asked: _Asked) -> None:
    """Print every key of fleet.toml with its value now, its default, its unit and its meaning."""
    click.echo(asked.settings.describe())


@main.command(short_help="What the store holds, the run shown, how the night went.")
@click.pass_obj
def status(asked: _Asked) -> None:
    """Print what the store holds, the calibrations kept, which run is published, how the last night went."""
    from pipeline.inspection import status_lines

    click.echo("\n".join(status_lines(asked.settings)))


@main.command(short_help="Check the environment and the store.")
@click.pass_obj
def check(asked: _Asked) -> None:
    """Check the environment and run every check of the store; exit status 1 where one fails."""
    from pipeline.inspection import check_environment, check_store

    results = [*check_environment(asked.fleet), *check_store(asked.settings)]
    for result in results:
        click.echo(f"{'ok  ' if result.passed else 'FAIL'}  {result.what}")
        for line in result.details:
            click.echo(f"      {line}")
    if failed := sum(not r.passed for r in results):
        raise WorkError(f"{failed} of {len(results)} checks failed; DEVELOPERS.md tells how to find out why.")


main.add_command(profile)
main.add_command(refused)
main.add_command(line_of_file)
main.add_command(names)


def _synthesize(folder: Path, sites: int, seed: int, mechanism: str, layouts: str) -> None:
    from synthetic_fleet.fleet import synthesize as write_fleet

    try:
        write_fleet(folder, sites, seed, mechanism, layouts)
    except ValueError as fault:
        raise RequestError(str(fault)) from fault
    click.echo(f"An invented fleet of {sites} sites (seed {seed}) is in {folder}.")


def _run(fleet: Path, settings: Settings, as_of: date | None, calibration: str = "latest") -> RunResult:
    from pipeline.stages import run_fleet

    return run_fleet(fleet, settings, as_of=as_of, say=click.echo, calibration=calibration)


def _finish(result: RunResult) -> None:
    """Print what a stage found and the page to open; raise WorkError where it did not go well."""
    for line in result.lines:
        click.echo(line)
    if result.page is not None:
        click.echo(f"Page: {result.page}")
    if not result.ok and result.page is not None:
        raise WorkError(f"Run {result.run_id} is published, but not every step went well (see above).")
    if not result.ok:
        raise WorkError("Not every step went well (see above); the run shown before stays in place.")


if __name__ == "__main__":
    main()
