"""Every table that is read or published: the only place where a column, its unit and its limits are declared."""

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
