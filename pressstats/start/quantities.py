"""What numbers say: quantities in tonnes, units that only some columns of a table tell, and sums that agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..logs.units import OF_MATERIAL
from ..tables import INPUTS
from .cellwords import Word
from .words import lexicon_of, plain

if TYPE_CHECKING:
    from ..tables import Column
    from .found import Mapped, Recognised

__all__ = ["confirm_sums", "in_tonnes", "same_units"]

_TONNE = {"t", "to", "ton", "tons", "tonne", "tonnes", "tonnen", "tonelada", "toneladas", "tm"}
#: Newsprint's quantities whose middle lies below are in tonnes: a reel is about a tonne, a truck 24, and of no width$
#: are less than two reels held, or a hundred trucks. Prices from the last on are a tonne's. Common practice, no source.
_MOST_TONNES = {
    "pack_quantity": 20.0,
    "load_quantity": 100.0,
    "order_minimum": 100.0,
    "storage_maximum": 2500.0,
}
_DELIVERED, _HELD, _LEAST_PER_TONNE = 100.0, 2000.0, 50.0
_KIND = "newsprint"


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
