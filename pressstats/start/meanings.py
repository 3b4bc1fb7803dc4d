"""What cells mean: the plant's own words, such as ``gesammelt`` for collect, and the units of numbers.

Whether quantities and prices of newsprint are in tonnes a list of materials may say, and their size does; what only
some columns of a table tell, and sums that agree, tell of the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ..logs.units import OF_MATERIAL
from ..tables import INKS, INPUTS
from .words import Lexicon, knowledge, lexicon_of, likeness, plain

if TYPE_CHECKING:
    from ..tables import Column
    from .found import Mapped, Recognised

__all__ = ["Word", "confirm_sums", "in_tonnes", "same_units", "words_of"]

_SURE, _LEAST, _APART = 0.85, 0.5, 0.2
_TONNE = {"t", "to", "ton", "tons", "tonne", "tonnes", "tonnen", "tonelada", "toneladas", "tm"}
#: Newsprint's quantities whose middle lies below are in tonnes: a reel is about a tonne, a truck 24, and of no width
#: are less than two reels held, or a hundred trucks. Prices from the last on are a tonne's. Common practice, no source.
_MOST_TONNES = {
    "pack_quantity": 20.0,
    "load_quantity": 100.0,
    "order_minimum": 100.0,
    "storage_maximum": 2500.0,
}
_DELIVERED, _HELD, _LEAST_PER_TONNE = 100.0, 2000.0, 50.0
_KIND = "newsprint"


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


def in_tonnes(tables: list[Recognised], words: dict[tuple[str, str], list[Word]]) -> None:
    """Set the unit of what is in tonnes, sure where the list of materials or the column's name says so too.

    The word for a tonne stands for kilograms in ``materials.unit``, since quantities are converted.
    """
    listed = next((one for one in tables if one.table == "materials"), None)
    if listed is None or not {"material", "kind"} <= listed.columns.keys():
        return
    meant = {word.own: word.ours for word in words.get(("materials", "kind"), [])}
    kinds = [meant.get(kind or "", kind) for kind in listed.columns["kind"].column.cells]
    papers = {
        material
        for material, kind in zip(listed.columns["material"].column.cells, kinds, strict=True)
        if kind == _KIND
    }
    units = listed.columns["unit"].column.cells if "unit" in listed.columns else []
    said = bool(units) and all(
        _is_tonne(unit) for unit, kind in zip(units, kinds, strict=False) if kind == _KIND
    )
    told = words.get(("materials", "unit"), [])
    words[("materials", "unit")] = [Word(word.own, "kg") if _is_tonne(word.own) else word for word in told]
    for one in tables:
        if "material" in one.columns:
            cells = one.columns["material"].column.cells
            rows = np.array([cell in papers for cell in cells], dtype=bool)
            for mapped in one.columns.values():
                _look(one.table, mapped, rows, said)
    if not words[("materials", "unit")]:
        del words[("materials", "unit")]


def _is_tonne(unit: str | None) -> bool:
    return unit is not None and plain(unit).strip(" .") in _TONNE


def _look(table: str, mapped: Mapped, papers: np.ndarray, said: bool) -> None:
    """Set the unit of a column if the newsprint of it is in tonnes."""
    column = INPUTS[table].by_name.get(mapped.ours)
    numbers = mapped.column.numbers
    if column is None or OF_MATERIAL not in column.unit or len(mapped.column.cells) != len(papers):
        return
    filled = np.array([bool(cell and cell.strip()) for cell in mapped.column.cells], dtype=bool)
    if len(numbers) != filled.sum():
        return
    mine = numbers[papers[filled]]
    mine = mine[~np.isnan(mine) & (mine > 0)]
    if not len(mine):
        return
    middle = float(np.median(mine))
    if column.unit.startswith("currency"):
        tonnes, unit = middle >= _LEAST_PER_TONNE, "currency / t"
    else:
        most = _MOST_TONNES.get(mapped.ours, _HELD if table == "stock_counts" else _DELIVERED)
        tonnes, unit = middle < most, "t"
    if tonnes:
        named = any(lexicon_of().read(name)[1] == "t" for name in mapped.names)
        mapped.unit, mapped.of_kind, mapped.unit_sure = unit, _KIND, said or named


def same_units(columns: dict[str, Mapped], declared: tuple[Column, ...]) -> None:
    """Take the unit of the other weights or lengths of a table for those that do not tell theirs."""
    for dimension in ("kg", "mm"):
        mine = [columns[c.name] for c in declared if c.unit == dimension and c.name in columns]
        told = {one.unit for one in mine if one.unit}
        silent = [one for one in mine if not one.unit and not _has_unit(one)]
        if len(told) == 1:
            for one in silent:
                one.unit, one.unit_sure = next(iter(told)), False


def _has_unit(one: Mapped) -> bool:
    return any(lexicon_of().read(name)[1] for name in one.names)


def confirm_sums(tables: list[Recognised]) -> None:
    """Make sure of, or doubt, what sums say: gross copies are good ones and wasted ones, but for a few uncounted."""
    for one in tables:
        names = ("copies_gross", "copies_good", "copies_startup_waste", "copies_running_waste")
        if one.table == "runs" and all(name in one.columns for name in names):
            gross, *parts = (one.columns[name].column.numbers for name in names)
            if len({len(part) for part in (gross, *parts)}) != 1 or not len(gross):
                continue
            left = gross - sum(parts)
            agrees = np.mean(np.abs(left) <= 0.03 * gross) > 0.9 and np.mean(parts[0] > 0.5 * gross) > 0.9
            for name in names:
                mapped = one.columns[name]
                if not agrees:
                    mapped.sure, mapped.why = False, "gross is not good, start-up and running waste together"
                elif name in names[:2] and mapped.why.startswith(("the name", "or")):
                    mapped.sure, mapped.why = True, ""
