"""Figures that the benches measured: written by their option ``--keep``, shown by this command.

Run it as ``python tests/bench/figures.py [BENCH ...]``. Each row of ``figures.csv`` is one number with the bench and
command that gave it, and day and commit of the tree it was measured on; a run with ``--keep`` replaces the rows of the
same command with the same options. A row that is known not to hold for the present tree begins its note with "stale".
"""

from __future__ import annotations

import csv
import datetime as dt
import functools
import inspect
import itertools
import os
import subprocess
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import click
from click.core import ParameterSource

__all__ = ["Figure", "figures_of", "measures", "tell"]

KEPT = Path(__file__).with_name("figures.csv")
COLUMNS = ("bench", "command", "what", "value", "unit", "date", "commit", "note")


class Figure(NamedTuple):
    """One number that was measured."""

    what: str
    value: float
    unit: str = ""
    note: str = ""

    def __str__(self) -> str:
        note = f"   ({self.note})" if self.note else ""
        return f"{self.what}: {self.value:.4g} {self.unit}".rstrip() + note


def figures_of(title: str, values: Mapping[str, float], unit: str = "", note: str = "") -> Iterator[Figure]:
    """Yield the figures of one row of a table, each named by title and column."""
    for name, value in values.items():
        yield Figure(f"{title}: {name}" if title else str(name), float(value), unit, note)


def measures(work: Callable[..., Iterable[Figure]]) -> Callable[..., list[Figure]]:
    """Make the body of a command of a function that yields figures: print each, and keep them if asked."""

    @click.option("--keep", is_flag=True, help=f"Write the figures to {KEPT.name}.")
    @functools.wraps(work)
    def command(keep: bool, **options: Any) -> list[Figure]:
        return tell(inspect.getfile(work), work(**options), keep)

    return command


def tell(bench: str, figures: Iterable[Figure], keep: bool) -> list[Figure]:
    """Print figures of the command that runs, as they come; with `keep` write them. `bench` is its file."""
    shown = []
    for figure in figures:
        click.echo(str(figure))
        shown.append(figure)
    if keep:
        _keep(Path(bench).stem, _given(click.get_current_context()), shown)
    return shown


def _given(context: click.Context) -> str:
    """Return the command with the options that were given; files stand as what they are."""
    words = [context.info_name or ""] if context.parent else []
    for option in context.command.params:
        name = option.name or ""
        if name == "keep" or context.get_parameter_source(name) != ParameterSource.COMMANDLINE:
            continue
        value = context.params[name]
        for one in value if isinstance(value, tuple) else (value,):
            words += [option.opts[-1]] if isinstance(option, click.Option) else []
            if one is not True:
                words.append(option.human_readable_name.upper() if os.sep in str(one) else str(one))
    return " ".join(words)


def _keep(bench: str, command: str, figures: Iterable[Figure]) -> None:
    with KEPT.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if (row["bench"], row["command"]) != (bench, command)]
    day, commit = dt.date.today().isoformat(), _commit()
    for what, value, unit, note in figures:
        row = (bench, command, what, f"{value:.4g}", unit, day, commit, note)
        rows.append(dict(zip(COLUMNS, row, strict=True)))
    rows.sort(key=lambda row: (row["bench"], row["command"]))
    with KEPT.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _commit() -> str:
    """Return the commit of the tree, with a plus sign where the package was changed since."""
    git = ("git", "-C", str(Path(__file__).parent))
    head = subprocess.run([*git, "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True)
    changed = subprocess.run([*git, "diff", "--quiet", "HEAD", "--", "../../pressstats"], check=False)
    return head.stdout.strip() + "+" * bool(changed.returncode)


@click.command(help=__doc__)
@click.argument("benches", nargs=-1, metavar="[BENCH ...]")
@click.option("--without-stale", is_flag=True, help="Leave out what is known not to hold any more.")
def main(benches: tuple[str, ...], without_stale: bool) -> None:
    with KEPT.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    names = {name.removesuffix(".py").removeprefix("bench_") for name in benches}
    unknown = names - {row["bench"].removeprefix("bench_") for row in rows}
    if unknown:
        raise click.BadParameter(f"no figures of {', '.join(sorted(unknown))}")
    rows = [row for row in rows if not names or row["bench"].removeprefix("bench_") in names]
    rows = [row for row in rows if not (without_stale and "stale" in row["note"])]
    for (bench, command, date, commit), group in itertools.groupby(
        rows, key=lambda row: (row["bench"], row["command"], row["date"], row["commit"])
    ):
        own = [(row, dict.fromkeys(row["note"].split("; ")) if row["note"] else {}) for row in group]
        shared = [words for words in own[0][1] if all(words in notes for _, notes in own)]
        click.echo("\n" + "; ".join([f"{bench}.py {command}".rstrip() + f"  [{date}, {commit}]", *shared]))
        for row, notes in own:
            note = "; ".join(words for words in notes if words not in shared)
            click.echo(f"    {Figure(row['what'], float(row['value']), row['unit'], note)}")


if __name__ == "__main__":
    main()
