"""Values logged in another unit: the factor that brings them to ours, or to that of their material."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

from ..tables import INPUTS
from .keys import positions_in
from .problems import LogsError

if TYPE_CHECKING:
    from ..plant import Plant
    from ..tables import Column
    from .rows import Rows

__all__ = ["OF_MATERIAL", "factor_of", "to_material_units"]

#: A unit that is that of the row's material.
OF_MATERIAL = "material unit"


@cache
def _registry() -> Any:
    import pint  # imported here: it is slow to load, and rarely needed

    units: Any = pint.UnitRegistry()
    # A basis weight in pounds is that of a ream; newsprint's basic sheet is 24 x 36 in.
    units.define("newsprint_ream = 500 * 24 * 36 * inch ** 2")
    units.define("currency = [currency]")
    units.define("each = [pieces]")
    units.define("page = 1")
    return units


#: A power of a power, of what stands in parentheses, in them or of two digits, which may take for ever to compute.
_HIGH_POWER = re.compile(r"\)\s*(\*\*|\^)|(\*\*|\^)[\s+-]*(\(|\d\d|[\d.]+\s*(\*\*|\^))")
_LONGEST = 60  # characters of a unit


def _quantity(text: str) -> Any:
    """Return one of a unit: ``m2`` is m**2, a currency of ISO 4217 the plant's, a number before a unit that many."""
    if len(text) > _LONGEST or _HIGH_POWER.search(text):
        raise ValueError("no unit is as long, or a power as high")
    spelled = re.sub(r"\b(m|cm|mm|ft|in)([23])\b", r"\1**\2", text)
    spelled = re.sub(r"^\s*[A-Z]{3}(?=\s*/)", "currency", spelled)
    return _registry().Quantity(1, "") * _registry().parse_expression(spelled)


def factor_of(table: str, column: Column, logged_in: str, material_unit: str = "") -> float:
    """Return what a value logged in another unit is multiplied by, e.g. 0.45359237 for ``lb`` to ``kg``.

    Units are spelled as the units library does, ``lb``, ``inch``, ``g/m2``, ``currency / t`` or ``100 each``; basis
    weight of newsprint is ``lb/newsprint_ream`` (500 sheets of 24 x 36 in), caliper in mils ``thou``. Raises LogsError
    if the unit is unknown or of another dimension.
    """
    ours = column.unit.replace(OF_MATERIAL, material_unit)
    try:
        return float(_quantity(logged_in).to(_quantity(ours).units).magnitude)
    except Exception as error:  # noqa: BLE001 -- a word it cannot use: errors of a dozen kinds
        raise LogsError(
            f"plant.toml: units.{table}.{column.name} = {logged_in!r} cannot be converted to {ours} ({error})"
        ) from None


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
    return known[positions_in(rows["material"], pa.array(materials["material"]))]
