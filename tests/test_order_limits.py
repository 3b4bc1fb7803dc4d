"""Where no plan can be good, what the plan before changes, and what is not known yet."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from order_plans import (
    DAY,
    STOCK,
    USE,
    on_order,
    plan_of,
    plant,
    receipts,
)
from small_plant import FIRST_DAY, small_tables

from pressstats.orders import open_orders

# --- where no plan can be good -----------------------------------------------------------------


def test_no_use_orders_nothing_and_one_material_is_planned_alone(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, use={"N1200": 0.0, "N600": 0.0})
    assert plan.published.empty
    assert plan.freight == 0
    assert plan.reasons.empty
    assert plan.published["order_on"].dtype == "datetime64[us]"
    assert plan.published["cost"].dtype == "float64"
    alone = plan_of(logs, use={"N600": 700.0})
    assert set(alone.published["material"]) == {"N600"}


def test_free_holding_is_planned_as_if_it_cost_a_hundredth_a_year(tmp_path: Path) -> None:
    free, cheap = (
        plan_of(plant(tmp_path / rate, f"\n[policy]\nholding_cost_rate = {rate}\n"))
        for rate in ("0.0", "0.01")
    )
    pd.testing.assert_frame_equal(free.published, cheap.published)
    assert free.holding == 0 < cheap.holding


def test_what_is_unknown_is_not_planned(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    for plan in (plan_of(logs, unknown="N600"), plan_of(logs, stock=STOCK | {"N600": np.nan})):
        assert set(plan.published["material"]) == {"N1200"}
        assert plan.service["material"].tolist() == ["N1200"]
    nothing = plan_of(logs, use={"black": 1.0}, stock={"N600": 1.0})
    assert nothing.published.empty
    assert nothing.service.empty
    assert nothing.stock_ahead.empty


def test_out_of_stock_before_any_order_can_come(tmp_path: Path) -> None:
    # Ten days of stock, and an order takes a fortnight and more: from the eleventh day there is nothing.
    logs = plant(tmp_path)
    plan = plan_of(logs, stock={"N1200": 24_000.0, "N600": 18_000.0}, spread=0.0)
    service = plan.service.set_index("material")
    first_due = receipts(plan.published, "N1200").index.min()
    # The issue of the day it comes was printed the evening before.
    days_short = (first_due - logs.as_of).days - 10
    assert days_short == 7
    # In whole packs of 970 kg. The next review is on the third day: what is rushed then is there in time.
    assert service.loc["N1200", "expedite"] == 970 * np.ceil(2400 * 7 / 970)
    assert service.loc["N1200", "at_once"] == 0
    assert service.loc["N1200", "cause"] == "before any order"
    assert plan.expediting == pytest.approx(0.150 * service.loc["N1200", "expedite"])  # expedite_cost_per_t
    assert service.loc["N1200", "chance"] == 1.0
    week = service.loc["N1200", "short_on"]
    assert week <= logs.as_of + 11 * DAY < week + 7 * DAY
    assert service.loc["N600", ["expedite", "at_once"]].tolist() == [0, 0]
    assert pd.isna(service.loc["N600", "short_on"])
    assert pd.isna(service.loc["N600", "chance"])
    # With use that varies, not all of them run out in that week.
    varied = plan_of(logs, stock={"N1200": 36_000.0}, use={"N1200": 2400.0}, spread=0.1).service.iloc[0]
    assert 0.05 < varied["chance"] < 1
    assert 0 <= varied["at_once"] <= varied["expedite"]
    assert varied["expedite"] % 970 == 0
    assert varied["expedite"] > 0


def test_what_ran_out_before_the_first_order_is_not_owed_later(tmp_path: Path) -> None:
    plan = plan_of(plant(tmp_path), use={"N1200": 2400.0}, stock={"N1200": 24_000.0}, spread=0.0)
    ahead = plan.stock_ahead.set_index("day")["q50"]
    first = plan.published.groupby("due_on")["stock_before"].min()
    # One path and no lateness: what is expected is what happens.
    used = np.maximum(ahead.reindex(first.index - DAY).to_numpy() - 2400.0, 0.0)
    np.testing.assert_allclose(first, used)


def half_late(loads: int) -> pd.DataFrame:
    """Return deliveries of which half came nine days late."""
    came = small_tables()["deliveries"].query("delivery_id == 'D1'")
    rows = [
        came.assign(delivery_id=f"L{n}", load=f"L{n}", promised_on=came["delivered_on"] - late * DAY)
        for n, late in enumerate([0, 9] * (loads // 2))
    ]
    return pd.concat(rows)


def test_an_order_late_already_is_waited_for_as_long_as_those_that_came_later_still(tmp_path: Path) -> None:
    # Half of the loads came nine days late. One is four days overdue, so it is one of those and comes on the fifth day;
    # what is there lasts three, and the fourth takes 700 kg: two packs.
    late = plant(tmp_path / "late", tables={"deliveries": half_late(12)}, without=("prices",))
    never = plant(tmp_path / "never")
    overdue = on_order(("N600", 24_250.0, late.as_of - 4 * DAY))
    told = {"use": {"N600": 700.0}, "stock": {"N600": 2_100.0}, "spread": 0.0, "open_rows": overdue}
    service = plan_of(late, **told).service.iloc[0]
    # In one case of seven it is not one of those, so that a rush of more than the day lacks is worth its money.
    assert 2 * 485.0 < service["at_once"] < service["expedite"]
    assert service["short_on"] == late.as_of + DAY
    assert service["chance"] > 0.9
    # Where nothing was ever late nobody knows when it will come.
    unheard = plan_of(never, **told).service.iloc[0]
    assert 2 * 485.0 < unheard["at_once"] <= unheard["expedite"]
    assert unheard["chance"] == pytest.approx(
        5 / 8, abs=0.05
    )  # what will have been five days lasts three more


def test_an_overdue_order_still_counts_and_spares_a_load(tmp_path: Path) -> None:
    # A hundred came later still: it will come as they did.
    logs = plant(tmp_path, tables={"deliveries": half_late(200)}, without=("prices",))
    overdue = on_order(("N1200", 24_000.0, logs.as_of - 4 * DAY))
    plans = [plan_of(logs, spread=0.02), plan_of(logs, spread=0.02, open_rows=overdue)]
    before, after = (plan.published for plan in plans)
    # How far the last load is filled, and whether it waits for the week after, is all that may differ besides.
    assert before["quantity"].sum() - after["quantity"].sum() == pytest.approx(24_000, abs=24_000)
    assert before["order"].nunique() > after["order"].nunique()


def test_a_full_store_takes_no_more_than_its_room(tmp_path: Path) -> None:
    logs = plant(tmp_path, storage_maximum=30_000.0)
    # 29 t are there: what fits is ordered, no more.
    plan = plan_of(logs, use={"N600": 700.0}, stock={"N600": 29_000.0}, spread=0.05)
    assert len(plan.published)
    assert (plan.published["stock_after"] <= 30_000.0 + 1e-6).all()
    # An open order on its way needs its room too.
    on_its_way = on_order(("N600", 20_000.0, logs.as_of + 22 * DAY))
    table = plan_of(logs, use={"N600": 700.0}, spread=0.0, open_rows=on_its_way).published
    level, come = STOCK["N600"], receipts(table, "N600")
    for day in pd.date_range(logs.as_of + DAY, table["due_on"].max()):
        level += come.get(day, 0.0) + (20_000.0 if day == logs.as_of + 22 * DAY else 0.0)
        assert 700.0 <= level <= 30_000.0 + 1e-6
        level -= 700.0
    # All newsprint together has 85 t of room.
    tight = plant(tmp_path / "all", "\n[policy]\nnewsprint_storage_maximum_kg = 85000\n")
    table = plan_of(tight, spread=0.02).published
    level = sum(STOCK.values())
    by_day = table.groupby("due_on")["quantity"].sum()
    for day in pd.date_range(tight.as_of + DAY, table["due_on"].max()):
        level += by_day.get(day, 0.0)
        assert level <= 85_000.0 + 1e-6
        level = max(level - sum(USE.values()), 0.0)


def test_what_is_on_order_may_overfill_a_store_and_stops_no_plan(tmp_path: Path) -> None:
    # 2,600 kg are on their way to a tank of 2,000 that would be empty long before: all else is planned all the same.
    own = {"black": {"order_minimum": 1_500.0, "pack_quantity": 500.0, "storage_maximum": 2_000.0}}
    logs = plant(tmp_path, only=own)
    on_its_way = on_order(("black", 2_600.0, logs.as_of + 80 * DAY))
    use = {"black": 60.0, "N600": 700.0}
    plan = plan_of(
        logs, use=use, stock={"black": 1_700.0, "N600": 18_000.0}, spread=0.0, open_rows=on_its_way
    )
    assert set(plan.published["material"]) == {"black", "N600"}
    ahead = plan.stock_ahead[plan.stock_ahead["material"] == "black"].set_index("day")["q50"]
    assert (ahead[: logs.as_of + 79 * DAY] <= 2_000.0 + 1e-6).all()
    before = receipts(plan.published, "black")
    assert (before.index < logs.as_of + 60 * DAY).all()


def test_what_costs_nothing_is_ordered_as_needed(tmp_path: Path) -> None:
    for freight in (0, 600):
        logs = plant(tmp_path / str(freight), f"\n[policy]\nfreight_per_load = {freight}\n", unit_price=0.0)
        plan = plan_of(logs, spread=0.05)
        assert (plan.service["weeks_short"] <= plan.service["allowed"]).all()
        assert (receipts(plan.published, "N600") > 0).any()
        # 13 weeks use 63.7 t; a part of a load beyond is no stock for a year.
        assert plan.published.loc[plan.published["material"] == "N600", "quantity"].sum() < 63_700 + 24_000


def test_nothing_comes_on_the_day_that_it_is_ordered(tmp_path: Path) -> None:
    plan = plan_of(plant(tmp_path, lead_time_days=0.0), spread=0.05)
    assert (plan.published["due_on"] > plan.published["order_on"]).all()


def test_an_order_that_would_not_fit_waits(tmp_path: Path) -> None:
    # A tank of 2,000 kg, at least 1,500 kg an order in totes of 500: each waits until 1,500 kg fit.
    own = {"black": {"order_minimum": 1_500.0, "pack_quantity": 500.0, "storage_maximum": 2_000.0}}
    plan = plan_of(plant(tmp_path, only=own), use={"black": 60.0}, stock={"black": 1_700.0}, spread=0.0)
    assert len(plan.published) == 4
    assert (plan.published["quantity"] == 1_500.0).all()
    assert (plan.published["stock_before"] <= 500.0).all()
    assert (plan.published["stock_before"] >= 0.0).all()
    assert plan.service["expedite"].tolist() == [0.0]


INFEASIBLE = {
    # At least 2,500 kg an order, of which the tank never takes more than 2,000.
    "minimum": ({"order_minimum": 2_500.0, "pack_quantity": 500.0}, 60.0),
    # A week takes 2,100 kg, and the tank holds 2,000.
    "tank": ({"order_minimum": 500.0, "pack_quantity": 500.0}, 300.0),
}


@pytest.mark.parametrize("case", list(INFEASIBLE))
def test_what_cannot_be_held_is_told_with_its_week_and_what_must_be_expedited(
    tmp_path: Path, case: str
) -> None:
    columns, use = INFEASIBLE[case]
    logs = plant(tmp_path, only={"black": columns | {"storage_maximum": 2_000.0}})
    service = plan_of(logs, use={"black": use}, stock={"black": 1_700.0}, spread=0.0).service.iloc[0]
    # 1,700 kg last 28 days at 60 a day, 5 at 300: then it is short, and all that lacks must come otherwise.
    empty = logs.as_of + DAY * int(1_700 // use + 1)
    assert service["short_on"] <= empty < service["short_on"] + 7 * DAY
    assert service["chance"] == 1.0
    assert service["expedite"] >= 500.0
    assert service["expedite"] % 500 == 0
    assert 0 <= service["at_once"] <= service["expedite"]


@pytest.mark.parametrize("case", list(INFEASIBLE))
def test_no_order_is_larger_than_the_tank(tmp_path: Path, case: str) -> None:
    columns, use = INFEASIBLE[case]
    logs = plant(tmp_path, only={"black": columns | {"storage_maximum": 2_000.0}})
    table = plan_of(logs, use={"black": use}, stock={"black": 1_700.0}, spread=0.0).published
    assert (table.groupby("due_on")["quantity"].sum() <= 2_000.0).all()


# --- the plan before, and what is not known yet ------------------------------------------------


def ordered(table: pd.DataFrame) -> pd.Series:
    return table.groupby(["material", "order_on"])["quantity"].sum()


def test_a_week_later_the_plan_before_is_left_nearly_as_it_was(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    first = plan_of(logs, spread=0.03).published
    # A week on, as expected: the first review's orders are on their way.
    later = replace(logs, as_of=logs.as_of + 7 * DAY)
    placed = first[first["order_on"] <= later.as_of]
    rows = [(row.material, row.quantity, row.due_on) for row in placed.itertuples()]
    stock = {name: STOCK[name] - 7 * USE[name] for name in STOCK}
    said = ordered(first[first["order_on"] > later.as_of])
    changed = []
    for before in (first, None):
        now = plan_of(later, stock=stock, spread=0.03, open_rows=on_order(*rows), before=before).published
        now = ordered(now[now["order_on"] <= first["order_on"].max()])
        changed.append(said.sub(now, fill_value=0.0).abs().sum())
    assert changed[0] < 0.75 * changed[1]


def test_the_plan_before_stands_where_nothing_changed(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    first = plan_of(logs, spread=0.03).published
    again = plan_of(logs, spread=0.03, before=first).published
    pd.testing.assert_series_equal(ordered(again), ordered(first))


def test_nothing_after_as_of_leaks_into_the_plan(tmp_path: Path) -> None:
    # On the sixth day D2, promised for the ninth, was open; it came on the tenth, or on the fourteenth and half as
    # much.
    tables = small_tables()["deliveries"]
    two = tables["delivery_id"] == "D2"
    late = tables.copy()
    late.loc[two, ["delivered_on", "delivered_at"]] = FIRST_DAY + 13 * DAY
    late.loc[two, "quantity"] = 5_000.0
    told = tables.copy()
    told.loc[two, "promised_on"] = FIRST_DAY + 12 * DAY
    plans = []
    for name, deliveries in (("as it was", tables), ("came late", late), ("promised late", told)):
        logs = plant(
            tmp_path / name, tables={"deliveries": deliveries}, without=("prices",), as_of="2025-03-07"
        )
        assert "D2" in set(open_orders(logs)["delivery_id"])
        plans.append(plan_of(logs, spread=0.05, stock={"N1200": 10_000.0}, open_rows=open_orders(logs)))
    pd.testing.assert_frame_equal(plans[0].published, plans[1].published)
    pd.testing.assert_frame_equal(plans[0].service, plans[1].service)
    pd.testing.assert_frame_equal(plans[0].stock_ahead, plans[1].stock_ahead)
    # What was told by then counts: promised later, more must be expedited.
    assert plans[2].service["expedite"].sum() > plans[0].service["expedite"].sum()
