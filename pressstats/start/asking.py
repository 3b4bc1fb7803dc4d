"""What is not sure, asked in a terminal: what is said is sure, what is denied is left out."""

from __future__ import annotations

from typing import TYPE_CHECKING
from zoneinfo import available_timezones

import click

from ..logs import printable
from ..tables import INPUTS
from .meanings import Word
from .recognising import take

if TYPE_CHECKING:
    from collections.abc import Callable

    from .found import Mapped, Recognised
    from .proposal import Proposal

__all__ = ["ask"]

_CODE = 3  # letters of a currency


def ask(proposal: Proposal) -> None:
    """Ask for all that is a guess, tables first; an empty answer takes what is proposed."""
    click.echo("\nReturn takes what stands in brackets.")
    proposal.name = click.prompt("Name of the plant", default=proposal.name)
    zones = available_timezones()
    proposal.timezone = _prompt("Time zone", proposal.timezone, lambda text: text in zones, "Europe/Vienna")
    proposal.currency = _prompt(
        "Currency", proposal.currency, lambda text: len(text) == _CODE and text.isupper(), "EUR"
    )
    proposal.place_is_sure = True
    for table, guess in proposal.guesses():
        names = printable(" and ".join(guess.names))
        meaning = INPUTS[table.table][guess.ours].meaning
        if click.confirm(f"{table.table}: is {names} {guess.ours}, {meaning} ({guess.why})?", default=True):
            guess.sure, guess.why = True, ""
        else:
            del table.columns[guess.ours]
    for table in proposal.tables:
        for name in INPUTS[table.table].missing_from(table.columns):
            _ask_missing(table, name)
        for mapped in table.columns.values():
            if mapped.unit and not mapped.unit_sure:
                _ask_unit(table.table, mapped)
    for (name, column), words in proposal.words.items():
        choices = INPUTS[name][column].choices
        for at, word in enumerate(words):
            if choices and (word.why or not word.ours):
                words[at] = _ask_word(f"{name}.{column}", word, choices)


def _prompt(question: str, default: str, right: Callable[[str], bool], example: str) -> str:
    while not right(answer := click.prompt(question, default=default)):
        click.echo(f"{printable(answer)} is none; one is {example}")
    return str(answer)


def _ask_missing(table: Recognised, ours: str) -> None:
    """Ask which of the columns that are not used is one that is required and was not found."""
    if not (left := table.left):
        return
    names = {printable(name): name for name in left}
    answer = click.prompt(
        f"{table.table}.{ours}, {INPUTS[table.table][ours].meaning}, was not found: which column is it?",
        default="none",
        type=click.Choice([*names, "none"]),
    )
    if answer in names:
        take(table, names[answer], ours)


def _ask_unit(table: str, mapped: Mapped) -> None:
    of_kind = f" of {mapped.of_kind}" * bool(mapped.of_kind)
    names = printable(" and ".join(mapped.names))
    if click.confirm(f"{table}: is {names}{of_kind} in {mapped.unit}?", default=True):
        mapped.unit_sure = True
    else:
        mapped.unit = mapped.of_kind = ""


def _ask_word(place: str, word: Word, choices: tuple[str, ...]) -> Word:
    answer = click.prompt(
        f"{place}: what is {printable(word.own)}?",
        default=word.ours or "unknown",
        type=click.Choice([*choices, "unknown"]),
    )
    return Word(word.own, "" if answer == "unknown" else answer)
