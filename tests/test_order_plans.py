"""Whole plans on paths made by hand: what must hold, and what happens where no plan can be good."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from small_plant import PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import OrderPlan, plan_orders

USE = {"N1200": 2400.0, "N600": 700.0}
STOCK = {"N1200": 60_000.0, "N600": 18_000.0}


def paths_of(use: dict[str, float], spread: float) -> Any:
    """Return an outlook in which each material is used evenly, more or less by a factor of the path."""

    def day_paths(draws: int, days: pd.DatetimeIndex, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        factor = np.maximum(rng.normal(1, spread, (len(use), draws, 1)), 0.0)
        mean = np.stack([np.full(len(days), value) for value in use.values()])
        return mean[:, None, :] * factor, mean

    judgement = SimpleNamespace(size=np.ones((len(use), 58)))
    return SimpleNamespace(
        names=list(use), day_paths=day_paths, forecast=SimpleNamespace(judgement=judgement)
    )


def plant(folder: Path, toml: str = "", deliveries: bool = False, **columns: float) -> Logs:
    """Return logs of a plant with two widths of one mill; `columns` of ``materials`` are set for both."""
    tables = small_tables()
    materials = tables["materials"].set_index("material")
    materials.loc["N1200", ["pack_quantity", "load_quantity", "order_minimum"]] = [970.0, 24_000.0, 1_940.0]
    narrow = materials.loc[["N1200"]].rename(index={"N1200": "N600"})
    narrow = narrow.assign(width_mm=600.0, pack_quantity=485.0)
    materials = pd.concat([materials, narrow])
    for name, value in columns.items():
        materials.loc[["N1200", "N600"], name] = value
    tables["materials"] = materials.reset_index()
    del tables["prices"]
    if not deliveries:
        del tables["deliveries"]
    return read_logs(write_small_plant(folder / "logs", tables, PLANT_TOML + toml))


def plan_of(
    logs: Logs,
    use: dict[str, float] = USE,
    stock: dict[str, float] = STOCK,
    spread: float = 0.1,
    open_rows: list[tuple[str, float, pd.Timestamp]] = [],  # noqa: B006
) -> OrderPlan:
    on_hand = pd.DataFrame({"material": list(stock), "quantity": list(stock.values())})
    rows = [
        {"delivery_id": f"O{n}", "material": m, "supplier": "Northmill", "quantity": q, "promised_on": day}
        for n, (m, q, day) in enumerate(open_rows)
    ]
    columns = ["delivery_id", "material", "supplier", "quantity", "promised_on"]
    return plan_orders(
        logs, paths_of(use, spread), on_hand, pd.DataFrame(rows, columns=columns), draws=500, fresh_draws=1000
    )


def test_what_a_plan_must_keep(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, spread=0.05)
    table = plan.published
    assert set(table["material"]) == set(USE)
    materials = logs["materials"].set_index("material")
    for row in table.itertuples():
        packs = row.quantity / materials.loc[row.material, "pack_quantity"]
        assert packs == pytest.approx(round(packs)) and packs >= 1
        assert row.order_on.day_name() == "Wednesday"
        assert row.due_on >= row.order_on + pd.Timedelta(days=14)
        assert row.stock_after <= materials.loc[row.material, "storage_maximum"] + 1e-6
    loads = table.groupby("order")["loads"].sum()
    assert (loads <= 1 + 1e-9).all() and (loads < 0.25).mean() <= 0.2
    assert set(plan.reasons["order"]) == set(table["order"])
    assert (plan.service["weeks_short"] <= plan.service["allowed"]).all()
    assert plan.service["expedite"].eq(0).all() and plan.gap <= 0.02
    assert plan.freight == 600 * table["order"].nunique()


def test_already_short_before_any_order_can_come(tmp_path: Path) -> None:
    # Ten days of stock, and an order takes a fortnight and more: from the eleventh day there is nothing.
    logs = plant(tmp_path)
    plan = plan_of(logs, stock={"N1200": 24_000.0, "N600": 18_000.0}, spread=0.0)
    service = plan.service.set_index("material")
    first_due = plan.published.query("material == 'N1200'")["due_on"].min()
    days_short = (first_due - logs.as_of).days - 1 - 10
    assert days_short > 0
    assert service.loc["N1200", "expedite"] == pytest.approx(2400.0 * days_short)
    assert service.loc["N1200", "chance"] == 1.0
    week = service.loc["N1200", "short_on"]
    assert week <= logs.as_of + pd.Timedelta(days=11) < week + pd.Timedelta(days=7)
    assert service.loc["N600", "expedite"] == 0 and pd.isna(service.loc["N600", "short_on"])


def test_no_use_orders_nothing_and_one_material_is_planned_alone(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, use={"N1200": 0.0, "N600": 0.0})
    assert plan.published.empty and plan.freight == 0 and plan.reasons.empty
    alone = plan_of(logs, use={"N600": 700.0})
    assert set(alone.published["material"]) == {"N600"}
    assert plan_of(logs, use={"black": 1.0}, stock={"N600": 1.0}).published.empty


def test_a_full_store_takes_no_more_than_its_room(tmp_path: Path) -> None:
    logs = plant(tmp_path, storage_maximum=30_000.0)
    # 29 t are there of each; both are used, and what fits is ordered, no more.
    plan = plan_of(logs, use={"N600": 700.0}, stock={"N600": 29_000.0}, spread=0.05)
    assert len(plan.published) and (plan.published["stock_after"] <= 30_000.0 + 1e-6).all()
    # All newsprint together has 70 t of room.
    tight = plant(tmp_path / "all", "\n[policy]\nnewsprint_storage_maximum_kg = 85000\n")
    table = plan_of(tight, spread=0.02).published
    level = sum(STOCK.values())
    by_day = table.groupby("due_on")["quantity"].sum()
    for day in pd.date_range(tight.as_of + pd.Timedelta(days=1), table["due_on"].max()):
        level += by_day.get(day, 0.0)
        assert level <= 85_000.0 + 1e-6
        level = max(level - sum(USE.values()), 0.0)


def test_days_without_receipts_are_kept_free(tmp_path: Path) -> None:
    toml = (
        '\n[calendar]\nno_receipts = ["monday", "tuesday", "wednesday", "thursday", "saturday", "sunday"]\n'
    )
    plan = plan_of(plant(tmp_path, toml), spread=0.03)
    assert set(plan.published["due_on"].dt.day_name()) == {"Friday"}
    # Five hundred paths tell one week in five hundred no better than that.
    assert (plan.service["weeks_short"] <= plan.service["allowed"] + 0.002).all()


def test_an_overdue_order_still_counts_and_spares_a_load(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    without = plan_of(logs, spread=0.02)
    overdue = plan_of(logs, spread=0.02, open_rows=[("N1200", 24_000.0, logs.as_of - pd.Timedelta(days=9))])
    before, after = (
        one.published.query("material == 'N1200'")["quantity"].sum() for one in (without, overdue)
    )
    assert before - after == pytest.approx(24_000, abs=5_000)


def test_a_pack_larger_than_a_load(tmp_path: Path) -> None:
    logs = plant(tmp_path, load_quantity=400.0, pack_quantity=1_000.0, order_minimum=0.0)
    table = plan_of(logs, use={"N600": 700.0}, stock={"N600": 18_000.0}).published
    assert len(table) and (table["quantity"] == 1_000.0).all() and table["order"].is_unique


def test_dearer_shortage_holds_more(tmp_path: Path) -> None:
    cheap = plan_of(plant(tmp_path / "a", "\n[policy]\nstockout_cost = 0\nservice_level = 0.9\n"))
    dear = plan_of(plant(tmp_path / "b", "\n[policy]\nstockout_cost = 500000\nservice_level = 0.9\n"))
    assert dear.holding > cheap.holding
    assert (dear.service["weeks_short"] <= cheap.service["weeks_short"] + 1e-9).all()
