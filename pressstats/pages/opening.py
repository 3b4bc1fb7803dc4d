"""What every page opens with where the logs cannot be right, and what is then left out of it."""

from __future__ import annotations

import functools
from collections.abc import Callable, Collection
from types import ModuleType
from typing import TYPE_CHECKING, Any

from ..exhibits import Block, headline, logged, note, points
from ..watch import doubt_words, refused_parts

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["leave_out_refused", "opening"]

_SHOWN = 6
_WORDS = {"paper": ["paper"], "ink": ["ink"], "demand": ["forecasts", "orders"]}


def opening(results: Results) -> Block | None:
    """Return what is wrong with the logs as a whole, nothing where they are plausible.

    A headline, which the index pages quote too, with each doubt below it.
    """
    table = results.implausible
    if table.empty:
        return None
    refused = _words(refused_parts(table))
    suspect = str(table["suspect"].iloc[0])
    lead = "The logs cannot be right as a whole" if refused else "Look at the logs first"
    lead += f": {suspect}" if suspect else "."
    left = f"Nothing is derived for {refused} until it is settled." if refused else ""
    lines = [f"{logged(subject)}: {words}" for subject, words in doubt_words(table)]
    if len(lines) > _SHOWN:
        lines[_SHOWN:] = [f"{len(lines) - _SHOWN} more, see the log check"]
    first, rest = headline(lead, left), points(lines)
    return Block(first.markup + rest.markup, f"{first.text}\n{rest.text}", extra=first.extra)


def _words(parts: Collection[str]) -> str:
    words = [word for part, names in _WORDS.items() if part in parts for word in names]
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def leave_out_refused(module: ModuleType, parts: dict[str, tuple[str, ...]]) -> None:
    """Wrap functions of a page: they say that they are left out where one of the `parts` they rest on is refused.

    ``*`` is every other public function that takes results and returns a block.
    """
    for name in module.__all__:
        function = getattr(module, name)
        rests_on = parts.get(name, parts.get("*", ()))
        given = getattr(function, "__annotations__", {})
        if rests_on and "results" in given and str(given.get("return", "")).startswith("Block"):
            setattr(module, name, _unless_refused(function, rests_on))


def _unless_refused(function: Callable[..., Block], rests_on: tuple[str, ...]) -> Callable[..., Block]:
    @functools.wraps(function)
    def shown(results: Results, *arguments: Any, **named: Any) -> Block:
        refused = refused_parts(results.implausible)
        if refused & set(rests_on):
            gone = _words(refused & set(rests_on))
            return note(f"Left out: it rests on {gone}, and nothing is derived of that from these logs.")
        return function(results, *arguments, **named)

    return shown
