"""A workbook to log into where a plant has no export: a sheet a table, from the declarations."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from ..tables import INPUTS
from ..tables.schema import column_words, table_words

if TYPE_CHECKING:
    from ..tables import Column

__all__ = ["write_templates"]

#: Rows of a sheet in which choices are offered.
_ROWS = 5000
_DAY, _NIGHT = dt.date(2025, 3, 3), dt.datetime(2025, 3, 2, 22, 30)
#: Example cells by table and column, else by column; an invented night. What is not here is left blank.
_EXAMPLES: dict[str, object] = {
    "run_id": "0001",
    "title": "Daily",
    "press": "P1",
    "crew": "north",
    "web": "A",
    "material": "N45-1200",
    "supplier": "Northmill",
    "reel_id": "B1001",
    "reelstand": "R1",
    "delivery_id": "D1",
    "order_id": "O1",
    "load": "L1",
    "runs.finished_at": _NIGHT + dt.timedelta(minutes=90),
    "page_width_mm": 300,
    "page_height_mm": 400,
    "pages": 16,
    "colour_pages": 8,
    "copies_ordered": 19000,
    "copies_gross": 20000,
    "copies_good": 19000,
    "copies_startup_waste": 600,
    "copies_running_waste": 300,
    "web_breaks": 0,
    "plates": 64,
    "plates_remade": 2,
    "run_webs.pages": 16,
    "width_mm": 1200,
    "cutoff_mm": 400,
    "cutoffs_per_copy": 2,
    "runs.production": "collect",
    "start_kg": 950,
    "strip_kg": 6,
    "returned_kg": 0,
    "butt_kg": 5,
    "scrapped_kg": 0,
    "reel_mounts.ended_by": "splice",
    "received_kg": 955,
    "length_m": 17500,
    "reels.received_on": _DAY - dt.timedelta(days=10),
    "coverage.ink": "black",
    "solid_pages": 2.4,
    "tank": "K1",
    "tank_readings.ink": "black",
    "level_kg": 5200,
    "tank_readings.read_at": dt.datetime(2025, 3, 3, 6, 0),
    "deliveries.tank": None,
    "quantity": 24000,
    "quantity_ordered": 24000,
    "ordered_on": _DAY - dt.timedelta(days=28),
    "promised_on": _DAY - dt.timedelta(days=10),
    "delivered_on": _DAY - dt.timedelta(days=10),
    "counted_on": _DAY,
    "kind": "newsprint",
    "titles.kind": "own",
    "waste_sold.kind": "white bales",
    "standby.kind": "power",
    "grammage_gsm": 45,
    "caliper_um": 75,
    "unit": "kg",
    "unit_price": 0.6,
    "waste_sold.unit_price": 0.12,
    "lead_time_days": 18,
    "pack_quantity": 950,
    "load_quantity": 24000,
    "order_minimum": 950,
    "storage_maximum": 300000,
    "valid_from": dt.date(2025, 1, 1),
    "from_quantity": 0,
    "standard_waste_pct": 4.5,
    "month": dt.date(2025, 3, 1),
    "cost": 14400,
    "plan.date": _DAY + dt.timedelta(days=7),
    "made_on": _DAY - dt.timedelta(days=14),
    "copies_planned": 19500,
    "pages_planned": 16,
    "event": "spring fair",
    "sold_on": _DAY,
    "kg": 780,
    "supply": "emergency generator",
    "lasts_hours": 110,
    "tested_on": _DAY - dt.timedelta(days=40),
    "test_every_days": 90,
    "contact": "control room",
}


def _example(table: str, column: Column) -> object:
    """Return the example of a column: its own, that of its name, or the night's day or time where it must be there."""
    for key in (f"{table}.{column.name}", column.name):
        if key in _EXAMPLES:
            return _EXAMPLES[key]
    if column.may_be_blank:
        return None
    return _NIGHT if column.kind == "time" else _DAY if column.is_time else None


def write_templates(folder: Path) -> Path:
    """Write ``logs_template.xlsx``: units above the names, meanings as notes, an example row, choices to pick from.

    Parameters
    ----------
    folder : Path
        Where to; made if it is not there.

    Returns
    -------
    Path
        The workbook. Filled in, it is read as it is.

    Raises
    ------
    FileExistsError
        If the workbook is there already.
    """
    import xlsxwriter  # imported here: only templates need it

    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "logs_template.xlsx"
    if path.exists():
        raise FileExistsError(f"{path} is there already, and is never changed")
    with xlsxwriter.Workbook(path) as book:
        required, name = book.add_format({"bold": True, "bottom": 1}), book.add_format({"bottom": 1})
        unit = book.add_format({"italic": True, "font_color": "#666666"})
        forms = {"date": "yyyy-mm-dd", "month": "yyyy-mm", "time": "yyyy-mm-dd hh:mm"}
        cells = {kind: book.add_format({"num_format": form}) for kind, form in forms.items()}
        for table in INPUTS.values():
            sheet = book.add_worksheet(table.name)
            sheet.freeze_panes(2, 0)
            for at, column in enumerate(table.columns):
                _, holds, _, meaning = column_words(column, read=True)
                sheet.write(0, at, column.unit, unit)
                sheet.write(1, at, column.name, name if column.optional else required)
                note = f"{meaning}\n{holds}" + (f"\n\n{table_words(table)}" if not at else "")
                sheet.write_comment(1, at, note, {"x_scale": 2})
                sheet.set_column(at, at, max(11, len(column.name) + 2), cells.get(column.kind))
                example = _example(table.name, column)
                if isinstance(example, dt.date):
                    sheet.write_datetime(2, at, example, cells[column.kind])
                elif example is not None:
                    sheet.write(2, at, example)
                if column.choices:
                    sheet.data_validation(
                        2, at, _ROWS, at, {"validate": "list", "source": list(column.choices)}
                    )
    return path
