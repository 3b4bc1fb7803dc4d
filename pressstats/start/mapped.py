"""A file as a table of ours: which of its columns is which of ours, in which unit, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass, field

from .found import Found, FoundColumn

__all__ = ["Mapped", "Recognised"]


@dataclass
class Mapped:
    """One of our columns as a file has it: its own names (a day and a clock time are two), unit, and what is unsure.

    A part of another table's identifier, which a table only carries for it, is one too.
    """

    ours: str
    names: tuple[str, ...]
    score: float
    sure: bool
    why: str = ""
    unit: str = ""
    unit_sure: bool = True
    column: FoundColumn = field(default_factory=lambda: FoundColumn("", []))
    of_kind: str = ""  # the kind of material that alone has this unit


@dataclass
class Recognised:
    """A table as it was found."""

    table: str
    found: Found
    score: float
    sure: bool
    columns: dict[str, Mapped] = field(default_factory=dict)
    #: What a column that is not used might be, by its name, the likeliest first: too little says so for a guess.
    perhaps: dict[str, list[str]] = field(default_factory=dict)

    @property
    def left(self) -> list[str]:
        """Names of the columns that are no part of the table as far as can be told."""
        used = {name for one in self.columns.values() for name in one.names}
        return [column.name for column in self.found.columns if column.name not in used]
