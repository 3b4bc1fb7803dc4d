"""Every table read and published, in words: for a page, or as Markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .inputs import INPUTS
from .outputs import GROUP_OUTPUTS, OUTPUTS

if TYPE_CHECKING:
    from .columns import Column, Table

__all__ = ["COLUMN_HEADS", "column_words", "schema_markdown", "schema_parts", "table_words"]

COLUMN_HEADS = ("column", "holds", "unit", "meaning")


def schema_parts() -> list[tuple[str, str, list[Table]]]:
    """Return the parts of the schema: an anchor, a head and the tables of each."""
    return [
        ("read", "Tables that are read", list(INPUTS.values())),
        ("published", "Tables that are published", list(OUTPUTS.values())),
        ("group", "Tables that are published of a group of plants", list(GROUP_OUTPUTS.values())),
    ]


def table_words(table: Table) -> str:
    """Return what a row of a table is, what tells rows apart, and whether it must be there."""
    key = f"; its key is {', '.join(table.key)}" if table.key else ""
    return f"One row per {table.row}{key}." + (" Nothing can be done without it." if table.required else "")


def column_words(column: Column, read: bool) -> tuple[str, str, str, str]:
    """Return name, what a column holds and whether it must be there, its unit, and its meaning with its limits."""
    kind = {"choice": "one of " + ", ".join(column.choices), "count": "whole number"}.get(
        column.kind, column.kind
    )
    if read and column.instead:
        kind += f"; or {' or '.join(column.instead)}"
    if read and column.may_be_blank:
        kind += "; may be absent" if column.optional else "; may be blank"
    limits = f" ({column.low:,.10g} to {column.high:,.10g})" if read and column.is_number else ""
    return column.name, kind, column.unit, column.meaning + limits


def schema_markdown() -> str:
    """Return all tables as Markdown, a table each, without a final line break."""
    lines = ["# Tables"]
    for anchor, head, tables in schema_parts():
        lines += ["", f"## {head}"]
        for table in tables:
            lines += [
                "",
                f"### {table.name}",
                "",
                table_words(table),
                "",
                f"| {' | '.join(COLUMN_HEADS)} |",
                "|---|---|---|---|",
            ]
            for column in table.columns:
                cells = column_words(column, anchor == "read")
                lines.append(f"| {' | '.join(cell.replace('|', chr(92) + '|') for cell in cells)} |")
    return "\n".join(lines)
