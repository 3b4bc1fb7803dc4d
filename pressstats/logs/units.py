"""Values logged in another unit: the factor that brings them to ours, from a units library."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any

from .problems import LogsError

if TYPE_CHECKING:
    from ..tables import Column

__all__ = ["OF_MATERIAL", "factor_of"]

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
