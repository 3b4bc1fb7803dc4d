"""Quantities and prices logged in another unit than that of their material, once materials are known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from ..tables import INPUTS
from .keys import positions_in
from .problems import LogsError
from .units import OF_MATERIAL, factor_of

if TYPE_CHECKING:
    from ..plant import Plant
    from ..tables import Column
    from .rows import Rows

__all__ = ["to_material_units"]


def to_material_units(tables: dict[str, Rows], plant: Plant) -> None:
    """Convert what is logged in another unit than that of its material, by kind of material where that is declared.

    A unit declared for all kinds leaves alone what it cannot be of: plates in a column of tonnes stay plates. Raises
    LogsError where it converts nothing, or without `materials`.
    """
    for name, units in plant.units.items():
        for column in INPUTS[name].columns if name in tables else ():
            if column.name in units and OF_MATERIAL in column.unit:
                if "materials" not in tables:
                    raise LogsError(f"plant.toml: units.{name}.{column.name} needs the table materials")
                rows = tables[name]
                rows.values[column.name] = rows[column.name] * _factors(
                    rows, column, units[column.name], tables["materials"]
                )


def _factors(rows: Rows, column: Column, units: dict[str, str], materials: Rows) -> np.ndarray:
    """Return the factor of each row of a table."""
    name, kinds, own = rows.raw.table.name, materials["kind"].to_pylist(), materials["unit"].to_pylist()
    known, converted, trouble = np.ones(len(materials) + 1), False, None
    for at, (kind, unit) in enumerate(zip(kinds, own, strict=True)):
        logged_in = units.get(kind, units.get(""))
        if logged_in and unit:
            try:
                known[at] = factor_of(name, column, logged_in, unit)
                converted = True
            except LogsError as error:
                trouble = error
                if kind in units:
                    raise
    if trouble and not converted:
        raise trouble
    # A material that is not listed is found at -1, the last: its row is set aside elsewhere.
    return known[positions_in(rows.text("material"), pa.array(materials["material"]))]
