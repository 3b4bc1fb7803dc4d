"""Every table read or published: the one place that declares columns, units and limits."""

from .columns import Column, Table, month_of
from .frames import FRAMES
from .inputs import INKS, INPUTS
from .matters import DESKS, MATTERS
from .outputs import GROUP_OUTPUTS, OUTPUTS, PUBLISHED, QUANTILES, as_published

__all__ = [
    "DESKS",
    "FRAMES",
    "GROUP_OUTPUTS",
    "INKS",
    "INPUTS",
    "MATTERS",
    "OUTPUTS",
    "PUBLISHED",
    "QUANTILES",
    "Column",
    "Table",
    "as_published",
    "month_of",
]
