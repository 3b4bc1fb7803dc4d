"""Are quantities and prices of newsprint in tonnes? A list of materials may say so, and their size does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..logs.units import OF_MATERIAL
from ..tables import INPUTS
from .cellwords import Word
from .words import lexicon_of, plain

if TYPE_CHECKING:
    from .recognising import Mapped, Recognised

__all__ = ["in_tonnes"]

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
