"""What the office of a plant knew at a cut, as tables of text, and how it is written to a folder."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pandas as pd
from demo_plant.folder import write_plant_toml
from demo_plant.paperwork import write_budget

if TYPE_CHECKING:
    from demo_plant.simulation import Plant

__all__ = ["Folder", "Transform", "known_at", "write_folder"]

BY_DAY = {"stock_counts": "counted_on", "reels": "received_on", "waste_sold": "sold_on", "plan": "made_on"}
BY_RUN = ("run_webs", "reel_mounts", "coverage")


class Folder:
    """Tables of text by name, the lines of ``plant.toml``, and how the tables are written."""

    def __init__(self, tables: dict[str, pd.DataFrame], toml: str) -> None:
        self.tables, self.toml, self.delimiter = tables, toml, ","


Transform = Callable[[Folder, Any], None]


def known_at(plant: Plant, as_of: dt.date, seed: int) -> dict[str, pd.DataFrame]:
    """Return the tables as they were at the end of a day: nothing later is in them.

    Parameters
    ----------
    plant : Plant
        A plant that was run past the day.
    as_of : date
        The day.
    seed : int
        Seed of the budget's errors.

    Returns
    -------
    dict of DataFrame
        By table, all cells text.
    """
    day = as_of.isoformat()
    plant.logbook["budget"].rows.clear()
    office: Any = SimpleNamespace(last=as_of)
    write_budget(office, plant.use, plant.prices, plant.logbook, seed)
    tables = {
        name: pd.DataFrame(sheet.rows, columns=list(sheet.columns), dtype="str")
        for name, sheet in plant.logbook.sheets.items()
        if sheet.rows
    }
    tables["runs"] = tables["runs"][tables["runs"]["date"] <= day]
    known = set(tables["runs"]["run_id"])
    for name in BY_RUN:
        tables[name] = tables[name][tables[name]["run_id"].isin(known)]
    for name, column in BY_DAY.items():
        tables[name] = tables[name][tables[name][column] <= day]
    read = tables["tank_readings"]
    tables["tank_readings"] = read[read["read_at"].str[:10] <= day]
    tables["deliveries"] = _deliveries(tables["deliveries"], as_of)
    tables["prices"] = tables["prices"].drop_duplicates(
        ["material", "supplier", "from_quantity", "unit_price"]
    )
    tested = (as_of - 20 * dt.timedelta(days=1)).isoformat()
    tables["standby"] = tables["standby"].assign(tested_on=tested)
    return {name: table.reset_index(drop=True) for name, table in tables.items()}


def _deliveries(rows: pd.DataFrame, as_of: dt.date) -> pd.DataFrame:
    day = as_of.isoformat()
    rows = rows[rows["ordered_on"] <= day].copy()
    later = rows["delivered_on"] > day
    rows.loc[later, ["delivered_on", "delivered_at"]] = ""
    rows.loc[rows["cancelled_on"] > day, "cancelled_on"] = ""
    still = (rows["delivered_on"] == "") & (rows["cancelled_on"] == "")
    rows.loc[still, "quantity"] = rows.loc[still, "quantity_ordered"]
    soon = still & (rows["promised_on"] <= (as_of + dt.timedelta(days=7)).isoformat())
    rows["frozen"] = soon.map({True: "yes", False: ""})
    return rows


def write_folder(folder: Folder, out: Path) -> None:
    """Write tables and ``plant.toml`` into a folder, made if need be."""
    out.mkdir(parents=True, exist_ok=True)
    for name, table in folder.tables.items():
        table.to_csv(out / f"{name}.csv", index=False, sep=folder.delimiter)
    (out / "plant.toml").write_text(folder.toml, encoding="utf-8")


def plant_toml(plant: Plant, out: Path) -> str:
    """Return the text of ``plant.toml``."""
    out.mkdir(parents=True, exist_ok=True)
    write_plant_toml(plant.scenario, out / "plant.toml")
    return (out / "plant.toml").read_text(encoding="utf-8")
