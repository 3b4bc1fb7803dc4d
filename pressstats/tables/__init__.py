"""Every table read or published: the one place that declares columns, units and limits."""

from .columns import Column, Kind, Table
from .inputs import ENDINGS, INKS, INPUTS, MATERIAL_KINDS
from .outputs import OUTPUTS, QUANTILES, as_published

__all__ = [
    "ENDINGS",
    "INKS",
    "INPUTS",
    "MATERIAL_KINDS",
    "OUTPUTS",
    "QUANTILES",
    "Column",
    "Kind",
    "Table",
    "as_published",
]
