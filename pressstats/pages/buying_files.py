"""Which files of the buying outlook there are, and which of them may leave the house."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from ..exhibits import Block, files, logged
from ..offers import offered_soon

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["FOLDER", "SPREADSHEET", "supplier_files", "supplier_materials", "workbooks"]

#: File name of the working document, and the folder of the suppliers' own.
SPREADSHEET, FOLDER = "buying_outlook.xlsx", "suppliers"


def supplier_materials(results: Results) -> dict[str, list[str]]:
    """Return the materials that each supplier can deliver at as-of or soon, by supplier."""
    if not results.logs.has("materials"):
        return {}
    offered = offered_soon(results.logs).dropna(subset="supplier")
    return {str(name): rows["material"].tolist() for name, rows in offered.groupby("supplier")}


def supplier_files(results: Results) -> dict[str, str]:
    """Return the path of each supplier's workbook within the publication, by supplier; no two share one."""
    taken: dict[str, str] = {}
    for supplier in supplier_materials(results):
        stem = re.sub(r"[^a-z0-9]+", "-", supplier.lower()).strip("-")[:40] or "supplier"
        name, number = stem, 2
        while name in taken.values():
            name, number = f"{stem}-{number}", number + 1
        taken[supplier] = name
    return {supplier: f"{FOLDER}/{name}.xlsx" for supplier, name in taken.items()}


def workbooks(results: Results) -> Block:
    """Return links to the workbooks, and say which of them may leave the house."""
    own = [(path, logged(supplier)) for supplier, path in supplier_files(results).items()]
    items = [
        ([(SPREADSHEET, SPREADSHEET)], "stays in the house: it holds stock, policy and everybody's prices.")
    ]
    if own:
        one = "each may leave the house, to that supplier and nobody else: order form and twelve months of need."
        items.append((own, one))
    return files(items)
