"""Values logged in another unit: the factor that brings them to ours, from a units library."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Any

from .problems import LogsError

if TYPE_CHECKING:
    from ..tables import Column

__all__ = ["factor_of"]


@cache
def _registry() -> Any:
    import pint

    units: Any = pint.UnitRegistry()
    # A basis weight in pounds is that of a ream; newsprint's basic sheet is 24 x 36 in.
    units.define("newsprint_ream = 500 * 24 * 36 * inch ** 2")
    return units


#: A power of a power, of what stands in parentheses, in them or of two digits, which may take for ever to compute.
_HIGH_POWER = re.compile(r"\)\s*(\*\*|\^)|(\*\*|\^)[\s+-]*(\(|\d\d|[\d.]+\s*(\*\*|\^))")
_LONGEST = 60  # characters of a unit


def _unit(text: str) -> Any:
    if len(text) > _LONGEST or _HIGH_POWER.search(text):
        raise ValueError("no unit is as long, or a power as high")
    return _registry().parse_units(re.sub(r"\b(m|cm|mm|ft|in)([23])\b", r"\1**\2", text))


def factor_of(column: Column, logged_in: str) -> float:
    """Return what a value logged in another unit is multiplied by, e.g. 0.45359237 for ``lb`` to ``kg``.

    Units are spelled as the units library does, ``lb``, ``inch`` or ``g/m2``; basis weight of newsprint is
    ``lb/newsprint_ream`` (500 sheets of 24 x 36 in), caliper in mils ``thou``. Raises LogsError if the unit is
    unknown, of another dimension, or has another zero (a temperature scale).
    """
    try:
        ours, theirs = _unit(column.unit), _unit(logged_in)
        zero, one = (_registry().Quantity(number, theirs).to(ours).magnitude for number in (0.0, 1.0))
    except Exception as error:  # noqa: BLE001 -- a word it cannot use: errors of a dozen kinds
        raise LogsError(
            f"plant.toml: units.{column.name}.logged_in = {logged_in!r} cannot be converted to "
            f"{column.unit} ({error})"
        ) from None
    if zero:
        raise LogsError(f"plant.toml: units.{column.name}.logged_in = {logged_in!r} has another zero")
    return float(one)
