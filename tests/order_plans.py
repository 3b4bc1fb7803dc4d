"""Order plans on paths made by hand: a plant with two widths of one mill, and how to plan for it."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from small_plant import PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import LeadTimes, OrderPlan, plan_orders
from pressstats.orders.leadtimes import receipt_days
from pressstats.orders.planned import horizon, planned_materials
from pressstats.orders.scenarios import Scenarios

USE = {"N1200": 2400.0, "N600": 700.0}
STOCK = {"N1200": 60_000.0, "N600": 18_000.0}
DAY = pd.Timedelta(days=1)


def paths_of(use: dict[str, float], spread: float, unknown: str = "") -> Any:
    """Return an outlook in which each material is used evenly, more or less by a factor of the path."""

    def day_paths(draws: int, days: pd.DatetimeIndex, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        factor = np.maximum(rng.normal(1, spread, (len(use), draws, 1)), 0.0)
        mean = np.stack([np.full(len(days), value) for value in use.values()])
        return mean[:, None, :] * factor, mean

    size = np.array([np.full(58, np.nan if name == unknown else 1.0) for name in use])
    return SimpleNamespace(
        names=list(use),
        day_paths=day_paths,
        forecast=SimpleNamespace(judgement=SimpleNamespace(size=size)),
    )


def plant(
    folder: Path,
    toml: str = "",
    without: tuple[str, ...] = ("deliveries", "prices"),
    tables: dict[str, pd.DataFrame] | None = None,
    only: dict[str, dict[str, object]] | None = None,
    as_of: str | None = None,
    **columns: float,
) -> Logs:
    """Return logs of a plant with two widths of one mill.

    `columns` of ``materials`` are set for both widths, `only` for a material, `tables` are exchanged.
    """
    all_tables = small_tables() | (tables or {})
    materials = all_tables["materials"].set_index("material")
    materials.loc["N1200", ["pack_quantity", "load_quantity", "order_minimum"]] = [970.0, 24_000.0, 1_940.0]
    narrow = materials.loc[["N1200"]].rename(index={"N1200": "N600"})
    narrow = narrow.assign(width_mm=600.0, pack_quantity=485.0)
    materials = pd.concat([materials, narrow])
    for name, value in columns.items():
        materials.loc[["N1200", "N600"], name] = value
    for material, own in (only or {}).items():
        for name, value in own.items():
            materials.loc[material, name] = value
    all_tables["materials"] = materials.reset_index()
    for name in without:
        del all_tables[name]
    return read_logs(write_small_plant(folder / "logs", all_tables, PLANT_TOML + toml), as_of)


def on_order(*rows: tuple[str, float, pd.Timestamp]) -> pd.DataFrame:
    columns = ["delivery_id", "material", "supplier", "quantity", "promised_on"]
    told = [
        (f"O{n}", material, "Northmill", quantity, day) for n, (material, quantity, day) in enumerate(rows)
    ]
    return pd.DataFrame(told, columns=columns)


def on_hand(stock: dict[str, float]) -> pd.DataFrame:
    return pd.DataFrame({"material": list(stock), "quantity": list(stock.values())})


def plan_of(
    logs: Logs,
    use: dict[str, float] = USE,
    stock: dict[str, float] = STOCK,
    spread: float = 0.1,
    open_rows: pd.DataFrame | None = None,
    before: pd.DataFrame | None = None,
    unknown: str = "",
) -> OrderPlan:
    return plan_orders(
        logs,
        paths_of(use, spread, unknown),
        on_hand(stock),
        on_order() if open_rows is None else open_rows,
        before,
        draws=500,
        fresh_draws=1000,
    )


def cases_of(
    logs: Logs,
    use: dict[str, float] = USE,
    stock: dict[str, float] = STOCK,
    spread: float = 0.1,
    draws: int = 4000,
    open_rows: pd.DataFrame | None = None,
) -> Scenarios:
    """Return scenarios of which no plan was made."""
    rows = on_order() if open_rows is None else open_rows
    return cases_with(logs, paths_of(use, spread), on_hand(stock), rows, draws)


def cases_with(logs: Logs, outlook: Any, stock: pd.DataFrame, rows: pd.DataFrame, draws: int) -> Scenarios:
    """Return scenarios of an outlook of which no plan was made."""
    times = LeadTimes(logs)
    days = pd.date_range(logs.as_of + DAY, periods=horizon(logs, times), freq="D", unit="us")
    receives = receipt_days(logs, days)
    paths, mean = outlook.day_paths(draws, days, seed=99)
    planned = planned_materials(logs, outlook, stock, rows, days, times, receives, mean)
    use_of_planned = paths[[outlook.names.index(one.name) for one in planned]]
    return Scenarios(planned, rows, days, times, receives, use_of_planned, seed=98)


def quantities(scenarios: Scenarios, table: pd.DataFrame) -> np.ndarray:
    """Return what a published plan orders of each material at each review, shape (materials, ORDERS)."""
    ordered = table.groupby(["material", "order_on"])["quantity"].sum()
    return np.array(
        [
            [ordered.get((one.name, scenarios.days[day]), 0.0) for day in one.reviews[:-1]]
            for one in scenarios.planned
        ]
    )


def receipts(table: pd.DataFrame, material: str) -> pd.Series:
    return table[table["material"] == material].groupby("due_on")["quantity"].sum()
