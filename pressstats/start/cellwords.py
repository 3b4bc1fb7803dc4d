"""What the plant's own words in cells mean, such as ``gesammelt`` for collect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..tables import INKS, INPUTS
from .words import Lexicon, knowledge, likeness

if TYPE_CHECKING:
    from .found import Recognised

__all__ = ["Word", "words_of"]

_SURE, _LEAST, _APART = 0.85, 0.5, 0.2


@dataclass(frozen=True)
class Word:
    """A word of the plant, and ours, empty where nobody can say; `why` where it is a guess."""

    own: str
    ours: str
    why: str = ""


def words_of(tables: list[Recognised], lexicon: Lexicon) -> dict[tuple[str, str], list[Word]]:
    """Return by table and column the words that are not ours."""
    out = {}
    for one in tables:
        for name, mapped in one.columns.items():
            column = INPUTS[one.table].by_name.get(name)
            choices = INKS if name == "ink" else column.choices if column else ()
            own = [word for word in mapped.column.distinct if word.lower() not in choices]
            if choices and own:
                out[one.table, name] = _told(one, tables, name, own, choices, lexicon)
    return out


def _told(
    one: Recognised,
    tables: list[Recognised],
    name: str,
    own: list[str],
    choices: tuple[str, ...],
    lexicon: Lexicon,
) -> list[Word]:
    """Return what words mean: by their ideas, then by other cells of their rows, then by what alone is left."""
    patterns = knowledge()["words"].get(name, {})
    meant: dict[str, Word] = {}
    for word in own:
        scores = {
            ours: likeness(lexicon.read(word)[0], patterns[ours]) for ours in choices if ours in patterns
        }
        ranked = sorted(scores, key=lambda ours: -scores[ours])
        if ranked and scores[ranked[0]] >= _LEAST:
            apart = scores[ranked[0]] - (scores[ranked[1]] if len(ranked) > 1 else 0.0)
            sure = scores[ranked[0]] >= _SURE and apart >= _APART
            if sure or apart > 0:
                meant[word] = Word(word, ranked[0], "" if sure else "the word says little")
    for word, ours in _by_other_cells(one, tables, name).items():
        if word in own and ours in choices and (word not in meant or meant[word].why):
            meant[word] = Word(word, ours, "by the other cells of its rows")
    rest = [word for word in own if word not in meant]
    used = {word.ours for word in meant.values()} | {w.lower() for w in one.columns[name].column.distinct}
    free = [ours for ours in choices if ours not in used]
    if len(rest) == 1 and len(free) == 1 and name != "ink":
        meant[rest[0]] = Word(rest[0], free[0], "the only one left")
    return [meant.get(word, Word(word, "")) for word in own]


def _by_other_cells(one: Recognised, tables: list[Recognised], name: str) -> dict[str, str]:
    """Return what words must mean: runs of two cut-offs a copy are collected, what has a grammage is newsprint."""
    words = one.columns[name].column.cells
    out: dict[str, str] = {}
    if name == "production":
        webs = next((other for other in tables if other.table == "run_webs"), None)
        if (
            webs is None
            or not {"run_id", "cutoffs_per_copy"} <= webs.columns.keys()
            or "run_id" not in one.columns
        ):
            return {}
        cutoffs = webs.columns["cutoffs_per_copy"].column.numbers
        runs = webs.columns["run_id"].column.filled
        if len(runs) != len(cutoffs):
            return {}
        double = {run for run, cutoff in zip(runs, cutoffs, strict=True) if cutoff == 2}
        of_run = one.columns["run_id"].column.cells
        for word in one.columns[name].column.distinct:
            share = np.mean([run in double for run, cell in zip(of_run, words, strict=True) if cell == word])
            if share > 0.9 or share < 0.1:
                out[word] = "collect" if share > 0.5 else "straight"
    elif name == "kind":
        for column, ours in (("grammage_gsm", "newsprint"), ("ink", "ink")):
            if column in one.columns:
                cells = one.columns[column].column.cells
                out |= {word: ours for word, cell in zip(words, cells, strict=True) if word and cell}
    return out
