"""The command line: publish, start, check, demo."""
# ruff: noqa: D301  (click takes the character itself, not a backslash, for a paragraph that keeps its lines)

from __future__ import annotations

import datetime as dt
import importlib
import sys
from pathlib import Path
from typing import Any, NoReturn

import click

from . import __version__
from .publishing.reports import REPORTS
from .stopping import leave

__all__ = ["main"]

_UNUSABLE, _UNWRITABLE = 2, 3
_LONGEST = 4000  # characters of a line of a message
_SIMULATION = "demo_plant"
_LOGS = click.option(
    "--logs",
    "logs_folder",
    type=click.Path(path_type=Path),
    default=Path("data_demo"),
    show_default=True,
    metavar="DIR",
    help="Folder with plant.toml and the logs.",
)


def _stop(message: str, code: int) -> NoReturn:
    from .logs import printable

    for line in message.splitlines():  # names of files and columns stand in it
        click.echo(printable(line, _LONGEST), err=True)
    sys.exit(code)


def _iso_date(_context: click.Context, _option: click.Parameter, value: str | None) -> str:
    if not value:
        return ""
    try:
        return dt.date.fromisoformat(value).isoformat()
    except ValueError:
        raise click.BadParameter(f"{value!r} is not a date written as 2025-03-02") from None


class _Commands(click.Group):
    """Commands that end, once stopped, as a shell expects it: click itself would exit 1."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt as stopped:
            leave(stopped)
        except click.Abort as aborted:  # what a question makes of it
            if isinstance(aborted.__context__, KeyboardInterrupt):
                leave(aborted.__context__)
            raise


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, prog_name="pressstats")
def main() -> None:
    """Paper and ink of a newspaper web-offset plant, from its run logs.

    Logs in; out come a page for the manager, an outlook for the buyer and the workbook of the analyst.

    \b
    Try it on the invented plant:
      python -m pressstats publish
    and open published/index.html.
    """


@main.command()
@_LOGS
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("published"),
    show_default=True,
    metavar="DIR",
    help="Folder of all publications; this one goes to DIR/<as-of>.",
)
@click.option(
    "--as-of",
    callback=_iso_date,
    metavar="DATE",
    help="Last day to know of, as 2025-03-02; nothing later enters any result. [default: the latest run's]",
)
@click.option(
    "--report",
    "names",
    multiple=True,
    metavar="NAME",
    type=click.Choice([report.name for report in REPORTS]),
    help="Publish only this report; may be given more than once, not where that day has others already. "
    "[default: all of them]",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 1000),
    metavar="N",
    help="Of a group: plants at a time. [default: cores]",
)
@click.option(
    "--scheduler",
    default="",
    metavar="ADDRESS",
    help="Of a group: Dask scheduler whose workers publish the plants.",
)
def publish(
    logs_folder: Path, out: Path, as_of: str, names: tuple[str, ...], workers: int | None, scheduler: str
) -> None:
    """Publish the reports: pages, tables, a spreadsheet for suppliers.

    Every report is a notebook that is run afresh. The publication appears whole in DIR/<as-of>, or not
    at all: if a report fails, what was published before stays as it was. DIR/index.html lists every
    publication. Pages open from disk and fetch nothing from anywhere.

    Where the plant.toml of the folder names the plants of a group, each is published in DIR/plants/<plant>, several at
    a time, and a page for all in DIR/<as-of>. A plant that fails stops no other; one that stands already from the same
    logs is not made again, so a group that was stopped goes on where it was.

    \b
    Examples:
      python -m pressstats publish --logs /srv/press/logs --out /srv/press/published
      python -m pressstats publish --as-of 2025-03-02 --report weekly_page --out draft
      python -m pressstats publish --logs /srv/group --scheduler tcp://dask.example:8786

    \b
    Exit codes:
      0  published
      1  a report failed, or a plant of a group; the message names notebook, cell and reason
      2  the logs or the arguments cannot be used, or their database is away or silent
      3  DIR cannot be written: it is full, closed to writing, or another publication did not end
      129, 130, 143  stopped by SIGHUP, SIGINT or SIGTERM; what was published before is as it was
    """
    from .group import read_group
    from .logs import LogsError
    from .publishing import ReportFailed, publish_group
    from .publishing import publish as run
    from .spreading import SpreadError

    try:
        group = read_group(logs_folder / "plant.toml")
        if group is None and (workers or scheduler):
            raise click.UsageError("--workers and --scheduler are of a group of plants")
        if group is not None:
            several = publish_group(
                group, logs_folder, out, as_of, names, scheduler=scheduler, workers=workers
            )
            if several.publication is not None:
                click.echo(several.publication.folder / "index.html")
            sys.exit(1 if several.failed else 0)
        done = run(logs_folder, out, as_of, names)
    except (LogsError, SpreadError, ValueError) as error:
        _stop(str(error), _UNUSABLE)
    except ReportFailed as error:
        _stop(str(error), 1)
    except OSError as error:
        _stop(f"{out} cannot be written: {error.strerror or error}. What stands there is whole.", _UNWRITABLE)
    except KeyboardInterrupt as stopped:
        leave(stopped, f"What stands in {out} is whole.")
    click.echo(done.folder / "index.html")


@main.command()
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False), required=False)
@click.option(
    "--templates",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Write a workbook to log into instead: a sheet a table, with units, meanings and an example.",
)
def start(folder: Path | None, templates: Path | None) -> None:
    """Look at a plant's own exports in FOLDER and propose the plant.toml that reads them.

    Tables, columns, units and words are recognised by name, in English, German, French, Dutch, Spanish and the Nordic
    languages, by what the cells hold and by what tables share. Guesses are marked in the file, and asked in a
    terminal. A plant.toml that is there is never changed.

    \b
    What plant.toml can say of exports, each line only where it is needed (README has all keys):
      [files]                          tables in files, several files or sheets by other names
      runs = "Production_*.csv"
      run_webs = "Production_*.csv"    two tables may stand in one file
      deliveries = "Store.xlsx#Received"
      [columns.runs]                   their name = ours; one used twice, or a day and a clock time apart
      "Good copies" = "copies_good"
      "Night of" = ["started_at", "finished_at"]
      "Begin" = "started_at"
      [values.runs.production]         their words = ours
      "double" = "collect"
      [constants.runs]                 what the export lacks because it never changes
      press = "P1"
      [units.deliveries]               other units, of one kind of material where only that differs
      quantity = {newsprint = "t"}
      [keys]                           columns that make an identifier together, in all tables that have it
      runs = ["run_id", "date"]
      [exports]
      nights_dated_by = "evening"      or "issue", "calendar": the day beside a clock time
      corrections = "newest_file"      of rows that differ; otherwise they are set aside

    \b
    Example:
      python -m pressstats start exports
      python -m pressstats start --templates templates

    \b
    Exit codes:
      0  plant.toml, or the workbook, is written
      1  nobody answered a question
      2  nothing could be read, or what would be written is there already
      129, 130, 143  stopped by SIGHUP, SIGINT or SIGTERM
    """
    from .logs import printable
    from .start import ask, describe, plant_toml, propose, write_templates

    if templates is not None:
        try:
            click.echo(f"{write_templates(templates)} is written; the third row of each sheet is an example.")
        except FileExistsError as error:
            _stop(str(error), _UNUSABLE)
        if folder is None:
            return
    if folder is None:
        raise click.UsageError("name the folder of the exports, or --templates DIR")
    target = folder / "plant.toml"
    if target.exists():
        _stop(
            f"{target} is there already, and is never changed. Move it away to have one proposed.", _UNUSABLE
        )
    proposal = propose(folder)
    if not proposal.tables:
        _stop("\n".join([f"{folder}: no table was recognised", *map(printable, proposal.unread)]), _UNUSABLE)
    click.echo(describe(proposal))
    if _is_terminal():
        ask(proposal)
    with target.open("x", encoding="utf-8") as file:
        file.write(plant_toml(proposal))
    lacking = proposal.lacking()
    if lacking:
        click.echo(
            f"\nNothing can be published yet: {', '.join(lacking)} not found. "
            "Where a column that is not used is it, name it under [columns]; where it never changes, under [constants]."
        )
    if left_out := proposal.left_out():
        click.echo(f"\nTheir tables are not read until these are found or written: {', '.join(left_out)}.")
    click.echo(
        f"\n{target} is written. Look at its guesses, then: python -m pressstats check --logs {folder}"
    )


def _is_terminal() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


@main.command()
def tables() -> None:
    """Print every table that is read or published, as Markdown: columns, units, limits and meaning.

    \b
    Example:
      python -m pressstats tables > tables.md

    \b
    Exit codes:
      0  printed
    """
    from .tables.schema import schema_markdown

    click.echo(schema_markdown())


@main.command()
@_LOGS
def check(logs_folder: Path) -> None:
    """List what is wrong in the logs, and what each analysis loses by it.

    Good rows are used and bad rows set aside, never dropped in silence and never guessed at. Each
    problem is shown with table, file, line, column, value and the rule it breaks.

    \b
    Example:
      python -m pressstats check --logs /srv/press/logs

    \b
    Exit codes:
      0  clean
      1  rows were set aside or used with a warning, or the logs cannot be right as a whole
      2  the logs cannot be used at all, or their database is away or silent
      129, 130, 143  stopped by SIGHUP, SIGINT or SIGTERM
    """
    from .logs import LogsError, describe_check, printable, read_logs
    from .watch import doubt_words, implausible_logs

    try:
        logs = read_logs(logs_folder)
    except LogsError as error:
        _stop(str(error), _UNUSABLE)
    doubts = implausible_logs(logs)
    if len(doubts):
        click.echo(
            "These logs cannot be right as a whole; nothing is derived from them until that is settled"
        )
        for subject, words in doubt_words(doubts):
            click.echo(f"  {printable(subject)}: {words}")
        click.echo()
    click.echo(describe_check(logs))
    sys.exit(1 if len(doubts) or len(logs.rejected) or len(logs.warnings) else 0)


@main.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    metavar="DIR",
    help="Folder to write to; made if it is not there.",
)
@click.option(
    "--seed", type=int, metavar="N", help="Start of the random numbers. [default: that of data_demo]"
)
@click.option("--years", type=click.IntRange(1, 30), metavar="N", help="Years of nights. [default: 3]")
def demo(out: Path, seed: int | None, years: int | None) -> None:
    """Write the logs of an invented plant, and the truths planted in them.

    The same seed and years give the same bytes. The simulation stands beside the package, in tests of a
    checkout; an installed package has none.

    \b
    Example:
      python -m pressstats demo --out /tmp/plant --seed 7 --years 2

    \b
    Exit codes:
      0  written
      2  the arguments cannot be used, or there is no simulation
      129, 130, 143  stopped by SIGHUP, SIGINT or SIGTERM; what stands in DIR is a part of a plant
    """
    tests = Path(__file__).resolve().parents[1] / "tests"
    if not (tests / _SIMULATION).is_dir():
        _stop("The simulation of the invented plant comes with a checkout, not with the package.", _UNUSABLE)
    sys.path.insert(0, str(tests))
    simulation = importlib.import_module(_SIMULATION)
    given: dict[str, Any] = {"seed": seed, "years": years}
    try:
        simulation.write_demo(out, **{name: value for name, value in given.items() if value is not None})
    except FileExistsError as error:
        _stop(str(error), _UNUSABLE)
    click.echo(f"The logs of an invented plant are in {out}.")
