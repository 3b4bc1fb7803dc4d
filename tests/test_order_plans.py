"""Whole plans on paths made by hand: what must hold, and what happens where no plan can be good."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import LeadTimes, OrderPlan, open_orders, plan_orders, receipt_days
from pressstats.orders.cases import Cases, horizon, planned_materials

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
) -> Cases:
    """Return cases of which no plan was made."""
    days = pd.date_range(logs.as_of + DAY, periods=horizon(logs), freq="D", unit="us")
    times, receives = LeadTimes(logs), receipt_days(logs, days)
    paths, mean = paths_of(use, spread).day_paths(draws, days, seed=99)
    planned = planned_materials(
        logs, paths_of(use, spread), on_hand(stock), on_order(), days, times, receives, mean
    )
    use_of_planned = paths[[list(use).index(one.name) for one in planned]]
    return Cases(planned, on_order(), days, times, receives, use_of_planned, seed=98)


def quantities(cases: Cases, table: pd.DataFrame) -> np.ndarray:
    """Return what a published plan orders of each material at each review, shape (materials, ORDERS)."""
    ordered = table.groupby(["material", "order_on"])["quantity"].sum()
    return np.array(
        [[ordered.get((one.name, cases.days[day]), 0.0) for day in one.reviews[:-1]] for one in cases.planned]
    )


def receipts(table: pd.DataFrame, material: str) -> pd.Series:
    return table[table["material"] == material].groupby("due_on")["quantity"].sum()


# --- what must hold ----------------------------------------------------------------------------


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
        assert row.due_on.day_name() not in ("Saturday", "Sunday")
        assert row.stock_after == pytest.approx(row.stock_before + row.quantity)
        assert row.stock_after <= materials.loc[row.material, "storage_maximum"] + 1e-6
        assert row.loads == pytest.approx(row.quantity / 24_000)
        assert 0 <= row.stockout_probability <= 1
    loads = table.groupby("order")["loads"].sum()
    assert (loads <= 1 + 1e-9).all() and (loads < 0.25).mean() <= 0.2
    assert (table.groupby("order")["due_on"].nunique() == 1).all()  # a load is on the road once
    ordered = table.groupby(["material", "order_on"])["quantity"].sum().reset_index()
    assert (ordered["quantity"] >= ordered["material"].map(materials["order_minimum"]) - 1e-9).all()
    assert table["order_on"].between(logs.as_of, logs.as_of + 91 * DAY).all()
    assert set(plan.reasons["order"]) == set(table["order"])
    assert (plan.service["weeks_short"] <= plan.service["allowed"]).all()
    assert plan.service["expedite"].eq(0).all() and plan.gap <= 0.02
    assert plan.freight == 600 * table["order"].nunique()


def test_stock_by_a_walk_through_the_days(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    # 9,700 kg are on their way for a Saturday, which does not receive: they come on Monday.
    saturday = logs.as_of + 27 * DAY
    assert saturday.day_name() == "Saturday"
    plan = plan_of(logs, spread=0.03, open_rows=on_order(("N600", 9_700.0, saturday)))
    for material, use in USE.items():
        lines = plan.published[plan.published["material"] == material]
        level, first, lowest = STOCK[material], lines["due_on"].min(), np.inf
        for day in pd.date_range(logs.as_of + DAY, lines["due_on"].max()):
            level += 9_700.0 if material == "N600" and day == saturday + 2 * DAY else 0.0
            come = lines[lines["due_on"] == day]
            if len(come):
                assert come["stock_before"].min() == pytest.approx(level)
                assert come["stock_after"].max() == pytest.approx(level + come["quantity"].sum())
            lowest = min(lowest, level) if day >= first else lowest
            level += come["quantity"].sum() - use
        # Nothing much dearer stands against the least cover here, cover_days_minimum, but that reels come whole.
        assert lowest >= 7 * use - 970.0


def test_cost_is_price_times_quantity_and_one_freight_a_load(tmp_path: Path) -> None:
    # Agreed for the wide web: .52, and .519 for 18 t and more on a day; the narrow one is .5 by the list.
    rows = [(FIRST_DAY, 0.0, 0.52), (FIRST_DAY, 18_000.0, 0.519)]
    prices = pd.DataFrame(rows, columns=["valid_from", "from_quantity", "unit_price"])
    logs = plant(tmp_path, tables={"prices": prices.assign(material="N1200")}, without=("deliveries",))
    table = plan_of(logs, spread=0.05).published
    whole = table.groupby(["material", "order_on"])["quantity"].transform("sum")
    wide = table["material"] == "N1200"
    assert (whole[wide] >= 18_000).nunique() == 2
    price = np.where(wide, np.where(whole >= 18_000, 0.519, 0.52), 0.5)
    goods = (table["quantity"] * price).groupby(table["order"]).sum()
    paid = table.groupby("order")["cost"].sum()
    assert paid.to_dict() == pytest.approx((goods + 600.0).to_dict())  # policy.load_cost, full or not


def test_without_a_lead_time_history_orders_come_on_their_day(tmp_path: Path) -> None:
    plan = plan_of(plant(tmp_path), spread=0.0)
    assert (plan.published["stockout_probability"] == 0).all()
    ahead = plan.stock_ahead[plan.stock_ahead["material"] == "N600"].set_index("day")
    assert (ahead["q05"] == ahead["q95"]).all()
    come = receipts(plan.published, "N600").reindex(ahead.index, fill_value=0.0)
    level = STOCK["N600"] + come.cumsum() - USE["N600"] * np.arange(1, len(ahead) + 1)
    np.testing.assert_allclose(ahead["q50"], level)
    # Where loads were late up to twelve days, more is held for it.
    came = small_tables()["deliveries"].query("delivery_id == 'D1'")
    late = [
        came.assign(delivery_id=f"L{n}", load=f"L{n}", promised_on=came["delivered_on"] - n * DAY)
        for n in range(13)
    ]
    with_history = plan_of(
        plant(tmp_path / "late", tables={"deliveries": pd.concat(late)}, without=("prices",)), spread=0.0
    )
    assert with_history.holding > 1.2 * plan.holding


@pytest.mark.parametrize("without", [("deliveries",), ("prices",)])
def test_the_plan_does_without_tables_that_may_be_absent(tmp_path: Path, without: tuple[str, ...]) -> None:
    logs = plant(tmp_path, without=without)
    table = plan_of(logs, spread=0.05).published
    assert len(table) > 20 and table["cost"].notna().all()


def test_review_day_and_receipt_days_are_those_of_the_plant(tmp_path: Path) -> None:
    toml = '\n[calendar]\nno_receipts = ["monday", "tuesday"]\n\n[policy]\nreview_day = "tuesday"\n'
    table = plan_of(plant(tmp_path / "some", toml), spread=0.05).published
    assert set(table["order_on"].dt.day_name()) == {"Tuesday"}
    # Ordered on Tuesday with two weeks' lead it would come on Tuesday: Wednesday is the first day that receives.
    assert (table["due_on"] == table["order_on"] + 15 * DAY).all()
    every = '", "'.join(["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"])
    table = plan_of(
        plant(tmp_path / "all", f'\n[calendar]\nno_receipts = ["{every}"]\n'), spread=0.05
    ).published
    assert len(table) > 20 and (table["due_on"] == table["order_on"] + 14 * DAY).all()
    friday = (
        '\n[calendar]\nno_receipts = ["monday", "tuesday", "wednesday", "thursday", "saturday", "sunday"]\n'
    )
    plan = plan_of(plant(tmp_path / "one", friday), spread=0.03)
    assert set(plan.published["due_on"].dt.day_name()) == {"Friday"}
    # Five hundred paths tell one week in five hundred no better than that.
    assert (plan.service["weeks_short"] <= plan.service["allowed"] + 0.002).all()


@pytest.mark.parametrize(("lead", "together"), [(12.0, True), (11.0, False)])
def test_lead_times_that_differ_by_two_days_share_a_load_and_by_three_none(
    tmp_path: Path, lead: float, together: bool
) -> None:
    # The wide web takes 14 days.
    table = plan_of(plant(tmp_path, only={"N600": {"lead_time_days": lead}}), spread=0.05).published
    same_day = table.groupby("order_on")["material"].nunique()
    assert (same_day == 2).any()
    assert (table.groupby("order")["material"].nunique() == 2).any() == together
    wait = (table["due_on"] - table["order_on"]).dt.days.groupby(table["material"]).unique()
    # Eleven days from a Wednesday is a Sunday: Monday.
    assert wait["N1200"].tolist() == [14] and wait["N600"].tolist() == [14 if together else 12]


def test_dearer_shortage_holds_more(tmp_path: Path) -> None:
    cheap = plan_of(plant(tmp_path / "a", "\n[policy]\nstockout_cost = 0\nservice_level = 0.9\n"))
    dear = plan_of(plant(tmp_path / "b", "\n[policy]\nstockout_cost = 500000\nservice_level = 0.9\n"))
    assert dear.holding > cheap.holding
    assert (dear.service["weeks_short"] <= cheap.service["weeks_short"] + 1e-9).all()


def test_a_pack_larger_than_a_load(tmp_path: Path) -> None:
    logs = plant(tmp_path, load_quantity=400.0, pack_quantity=1_000.0, order_minimum=0.0)
    table = plan_of(logs, use={"N600": 700.0}).published
    assert len(table) and (table["quantity"] == 1_000.0).all() and table["order"].is_unique


# --- service -----------------------------------------------------------------------------------


def test_weeks_short_by_a_loop_through_the_days(tmp_path: Path) -> None:
    logs = plant(tmp_path, only={"N1200": {"stands_in_for": "N600"}})
    cases = cases_of(logs, spread=0.5, draws=60)
    names = [one.name for one in cases.planned]
    assert names == ["N1200", "N600"]
    quantity = quantities(cases, plan_of(logs, spread=0.05).published)
    found = cases.weeks_short(quantity)
    weeks = found.share.shape[1]
    counted = np.zeros((2, weeks))
    for case in range(60):
        levels, out = [STOCK[name] for name in names], np.zeros((2, 7 * weeks), dtype=bool)
        for day in range(7 * weeks):
            used = [cases.use[place][case, day] for place in (0, 1)]
            for place in (1, 0):
                come = quantity[place][cases.arrives[place][case, :-1] == day].sum()
                levels[place] += come - used[place]
                if levels[place] < 0:
                    out[place, day] = True
                    if place == 1:
                        used[0] += 2 * -levels[1]  # twice as wide, as heavy
                    levels[place] = 0.0
        out[1] &= out[0]
        counted += out.reshape(2, weeks, 7).any(axis=2)
    np.testing.assert_allclose(found.share, counted / 60)
    assert 0 < found.share[1].sum() < found.share[0].sum()


#: Nothing but the service level asks for stock: running out, expediting and little cover cost nothing.
SERVICE_ALONE = """
[policy]
service_level = 0.99
stockout_cost = 0
expedite_cost_per_t = 0
cover_days_minimum = 0
"""


def test_lumpy_loads_hold_the_service_level_on_paths_that_no_plan_has_seen(tmp_path: Path) -> None:
    # An order of 19,400 kg lasts six weeks, so that stock is near its end in few of them: those are risked more than
    # the level, and all together are not.
    logs = plant(tmp_path, SERVICE_ALONE, order_minimum=19_400.0)
    use, stock = {"N1200": 450.0, "N600": 300.0}, {"N1200": 15_000.0, "N600": 9_000.0}
    plan = plan_of(logs, use, stock, spread=0.15)
    cases = cases_of(logs, use, stock, spread=0.15)
    held = cases.weeks_short(quantities(cases, plan.published))
    weeks = held.after.sum(axis=1)
    # Shares of weeks of 4,000 paths, to three standard errors; a path that runs out does so in one or two weeks.
    assert (held.mean <= 0.01 + 3 * np.sqrt(2 * 0.01 / weeks / 4000)).all()
    assert held.mean.max() >= 0.003  # and not by holding far too much
    assert (held.share.max(axis=1) > 0.02).all()


def test_a_width_that_another_stands_in_for_runs_out_less_and_is_held_less(tmp_path: Path) -> None:
    alone = plant(tmp_path / "alone", only={"N600": {"grammage_gsm": 48.0}})
    own = {"N600": {"grammage_gsm": 48.0}, "N1200": {"stands_in_for": "N600"}}
    helped = plant(tmp_path / "helped", only=own)
    apart, both = cases_of(alone, spread=0.3), cases_of(helped, spread=0.3)
    # A running metre of the narrow web weighs .6 m x 48 g, of the wide one 1.2 m x 45 g.
    assert [one.stand_in for one in apart.planned] == [None, None]
    assert both.planned[0].stand_in is None
    assert both.planned[1].stand_in == (0, pytest.approx(1.2 * 45 / (0.6 * 48)))
    few = np.zeros((2, 13))
    few[0] = 20_000.0
    assert both.weeks_short(few).share[1].mean() < 0.9 * apart.weeks_short(few).share[1].mean()
    # What the narrow one lacks is needed of the wide one, and without a plan nobody knows what it lacks.
    level, policy = np.full(2, 0.95), helped.plant.policy
    assert (both.needs(level, policy, few)[0] >= apart.needs(level, policy, few)[0]).all()
    assert both.needs(level, policy, few)[0][-1] > apart.needs(level, policy, few)[0][-1] + 10_000
    assert both.needs(level, policy)[0].tolist() == apart.needs(level, policy)[0].tolist()
    # Where running out costs nothing but the level of service, less of it is held.
    alone, helped = (
        plant(tmp_path / name, SERVICE_ALONE, only=only)
        for name, only in (("a", {"N600": {"grammage_gsm": 48.0}}), ("b", own))
    )
    with_, without = (plan_of(logs, spread=0.2) for logs in (helped, alone))
    bought = [receipts(plan.published, "N600").sum() for plan in (with_, without)]
    assert bought[0] < bought[1]
    short = [plan.service.set_index("material").loc["N600", "weeks_short"] for plan in (with_, without)]
    assert short[0] <= short[1]


# --- where no plan can be good -----------------------------------------------------------------


def test_no_use_orders_nothing_and_one_material_is_planned_alone(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, use={"N1200": 0.0, "N600": 0.0})
    assert plan.published.empty and plan.freight == 0 and plan.reasons.empty
    assert plan.published["order_on"].dtype == "datetime64[us]" and plan.published["cost"].dtype == "float64"
    alone = plan_of(logs, use={"N600": 700.0})
    assert set(alone.published["material"]) == {"N600"}


def test_what_is_unknown_is_not_planned(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    for plan in (plan_of(logs, unknown="N600"), plan_of(logs, stock=STOCK | {"N600": np.nan})):
        assert set(plan.published["material"]) == {"N1200"} and plan.service["material"].tolist() == ["N1200"]
    nothing = plan_of(logs, use={"black": 1.0}, stock={"N600": 1.0})
    assert nothing.published.empty and nothing.service.empty and nothing.stock_ahead.empty


def test_out_of_stock_before_any_order_can_come(tmp_path: Path) -> None:
    # Ten days of stock, and an order takes a fortnight and more: from the eleventh day there is nothing.
    logs = plant(tmp_path)
    plan = plan_of(logs, stock={"N1200": 24_000.0, "N600": 18_000.0}, spread=0.0)
    service = plan.service.set_index("material")
    first_due = receipts(plan.published, "N1200").index.min()
    days_short = (first_due - logs.as_of).days - 1 - 10
    assert days_short == 6
    # In whole packs of 970 kg; by the next review, on the tenth day, it is late for the two days until the third
    # from it: expediting takes three days.
    assert service.loc["N1200", "expedite"] == 970 * np.ceil(2400 * 6 / 970)
    assert service.loc["N1200", "at_once"] == 970 * np.ceil(2400 * 2 / 970)
    assert plan.expediting == pytest.approx(0.150 * service.loc["N1200", "expedite"])  # expedite_cost_per_t
    assert service.loc["N1200", "chance"] == 1.0
    week = service.loc["N1200", "short_on"]
    assert week <= logs.as_of + 11 * DAY < week + 7 * DAY
    assert service.loc["N600", ["expedite", "at_once"]].tolist() == [0, 0]
    assert pd.isna(service.loc["N600", "short_on"]) and pd.isna(service.loc["N600", "chance"])
    # With use that varies, not all of them run out in that week.
    varied = plan_of(logs, stock={"N1200": 36_000.0}, use={"N1200": 2400.0}, spread=0.1).service.iloc[0]
    assert 0.05 < varied["chance"] < 1 and 0 <= varied["at_once"] <= varied["expedite"]
    assert varied["expedite"] % 970 == 0 and varied["expedite"] > 0


def test_what_ran_out_before_the_first_order_is_not_owed_later(tmp_path: Path) -> None:
    plan = plan_of(plant(tmp_path), use={"N1200": 2400.0}, stock={"N1200": 24_000.0}, spread=0.0)
    ahead = plan.stock_ahead.set_index("day")["q50"]
    first = plan.published.groupby("due_on")["stock_before"].min()
    # One path and no lateness: what is expected is what happens.
    np.testing.assert_allclose(first, ahead.reindex(first.index - DAY))


def test_an_order_late_already_is_waited_for_as_long_as_those_that_came_later_still(tmp_path: Path) -> None:
    # Half of the loads came nine days late. One is four days overdue, so it is one of those and comes on the fifth day;
    # what is there lasts three, and the fourth takes 700 kg: two packs.
    came = small_tables()["deliveries"].query("delivery_id == 'D1'")
    rows = [
        came.assign(delivery_id=f"L{n}", load=f"L{n}", promised_on=came["delivered_on"] - late * DAY)
        for n, late in enumerate([0, 9] * 6)
    ]
    late = plant(tmp_path / "late", tables={"deliveries": pd.concat(rows)}, without=("prices",))
    never = plant(tmp_path / "never")
    overdue = on_order(("N600", 24_250.0, late.as_of - 4 * DAY))
    told = {"use": {"N600": 700.0}, "stock": {"N600": 2_100.0}, "spread": 0.0, "open_rows": overdue}
    service = plan_of(late, **told).service.iloc[0]
    assert service["expedite"] == service["at_once"] == 2 * 485.0
    assert service["short_on"] == late.as_of + DAY and service["chance"] == 1.0
    # Where nothing was ever late it comes tomorrow.
    assert plan_of(never, **told).service["expedite"].tolist() == [0.0]


def test_an_overdue_order_still_counts_and_spares_a_load(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    overdue = on_order(("N1200", 24_000.0, logs.as_of - 9 * DAY))
    plans = [plan_of(logs, spread=0.02), plan_of(logs, spread=0.02, open_rows=overdue)]
    before, after = (receipts(plan.published, "N1200").sum() for plan in plans)
    assert before - after == pytest.approx(24_000, abs=5_000)


def test_a_full_store_takes_no_more_than_its_room(tmp_path: Path) -> None:
    logs = plant(tmp_path, storage_maximum=30_000.0)
    # 29 t are there: what fits is ordered, no more.
    plan = plan_of(logs, use={"N600": 700.0}, stock={"N600": 29_000.0}, spread=0.05)
    assert len(plan.published) and (plan.published["stock_after"] <= 30_000.0 + 1e-6).all()
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


def test_an_order_that_would_not_fit_waits(tmp_path: Path) -> None:
    # A tank of 2,000 kg, at least 1,500 kg an order in totes of 500: each waits until 1,500 kg fit.
    own = {"black": {"order_minimum": 1_500.0, "pack_quantity": 500.0, "storage_maximum": 2_000.0}}
    plan = plan_of(plant(tmp_path, only=own), use={"black": 60.0}, stock={"black": 1_700.0}, spread=0.0)
    assert len(plan.published) == 4 and (plan.published["quantity"] == 1_500.0).all()
    assert (plan.published["stock_before"] <= 500.0).all() and (plan.published["stock_before"] >= 0.0).all()
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
    assert service["expedite"] >= 500.0 and service["expedite"] % 500 == 0
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
    later = Logs(**{**vars(logs), "as_of": logs.as_of + 7 * DAY})
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
