"""What the columns of a table say of each other: units that only some of them tell, and sums that agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from .words import lexicon_of

if TYPE_CHECKING:
    from ..tables import Column
    from .mapped import Mapped, Recognised

__all__ = ["confirm_sums", "same_units"]


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
