"""Whole plans on paths made by hand: what must hold, and how often materials run out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from order_plans import (
    DAY,
    STOCK,
    USE,
    cases_of,
    on_order,
    plan_of,
    plant,
    quantities,
    receipts,
)
from small_plant import FIRST_DAY, small_tables

from pressstats.orders.shortages import shortage_rates
from pressstats.plant import Policy

# --- what must hold ----------------------------------------------------------------------------


def test_what_a_plan_must_keep(tmp_path: Path) -> None:
    logs = plant(tmp_path)
    plan = plan_of(logs, spread=0.05)
    table = plan.published
    assert set(table["material"]) == set(USE)
    materials = logs["materials"].set_index("material")
    for row in table.itertuples():
        packs = row.quantity / materials.loc[row.material, "pack_quantity"]
        assert packs == pytest.approx(round(packs))
        assert packs >= 1
        assert row.order_on.day_name() == "Wednesday"
        assert row.due_on >= row.order_on + pd.Timedelta(days=14)
        assert row.due_on.day_name() not in ("Saturday", "Sunday")
        assert row.stock_after == pytest.approx(row.stock_before + row.quantity)
        assert row.stock_after <= materials.loc[row.material, "storage_maximum"] + 1e-6
        assert row.loads == pytest.approx(row.quantity / 24_000)
        assert 0 <= row.stockout_probability <= 1
    loads = table.groupby("order")["loads"].sum()
    assert (loads <= 1 + 1e-9).all()
    assert (loads < 0.25).mean() <= 0.2
    assert (table.groupby("order")["due_on"].nunique() == 1).all()  # a load is on the road once
    ordered = table.groupby(["material", "order_on"])["quantity"].sum().reset_index()
    assert (ordered["quantity"] >= ordered["material"].map(materials["order_minimum"]) - 1e-9).all()
    assert table["order_on"].between(logs.as_of, logs.as_of + 91 * DAY).all()
    assert set(plan.reasons["order"]) == set(table["order"])
    assert (plan.service["weeks_short"] <= plan.service["allowed"]).all()
    assert plan.service["expedite"].eq(0).all()
    assert plan.gap <= 0.03
    assert plan.freight == 600 * table["order"].nunique()


@pytest.mark.parametrize("spread", [0.02, 0.05])
def test_last_digits_do_not_decide(tmp_path: Path, spread: float) -> None:
    # Machines sum up in their own order, so that use differs by parts of 10^13.
    logs = plant(tmp_path)
    said = ["order", "order_on", "material", "quantity"]
    plans = [
        plan_of(logs, use={name: kg * (1 + k * 1e-13) for name, kg in USE.items()}, spread=spread)
        for k in range(3)
    ]
    for other in plans[1:]:
        pd.testing.assert_frame_equal(other.published[said], plans[0].published[said], rtol=1e-9)


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
            # The issue of a day is printed the evening before, what comes on the day is for the next.
            level -= use
            lowest = min(lowest, level) if day > first else lowest
            level += 9_700.0 if material == "N600" and day == saturday + 2 * DAY else 0.0
            come = lines[lines["due_on"] == day]
            if len(come):
                assert come["stock_before"].min() == pytest.approx(level)
                assert come["stock_after"].max() == pytest.approx(level + come["quantity"].sum())
            level += come["quantity"].sum()
        # Nothing much dearer stands against the least cover here, cover_days_minimum on the days of orders, but that
        # reels come whole; the issue of the next day takes another day's use.
        assert material == "N600" or lowest >= 6 * use - 970.0


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
    assert paid.to_dict() == pytest.approx((goods + 600.0).to_dict())  # policy.freight_per_load, full or not


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
    assert len(table) > 20
    assert table["cost"].notna().all()


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
    assert len(table) > 20
    assert (table["due_on"] == table["order_on"] + 14 * DAY).all()
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
    assert wait["N1200"].tolist() == [14]
    assert wait["N600"].tolist() == [14 if together else 12]


def test_dearer_shortage_holds_more(tmp_path: Path) -> None:
    scenarios = cases_of(plant(tmp_path), spread=0.2)
    cheap, dear = (
        scenarios.needs(np.full(2, 0.9), Policy(stockout_cost=cost, expedite_cost_per_t=500))
        for cost in (0, 500_000)
    )
    for less, more in zip(cheap, dear, strict=True):
        assert (more >= less).all()
        assert more[0] > less[0]


def test_what_a_load_lasts_long_of_is_held_less_surely(tmp_path: Path) -> None:
    # What is there beyond need when the next load comes lay there since the load before: ten days, or seventy.
    often, seldom = (
        cases_of(plant(tmp_path / name, load_quantity=kg), {"N600": 700.0}, {"N600": 9_000.0}, spread=0.2)
        for name, kg in (("often", 4_900.0), ("seldom", 49_000.0))
    )
    level, policy = np.full(1, 0.5), Policy()
    sure, less = (scenarios.needs(level, policy)[0] for scenarios in (often, seldom))
    assert (less <= sure).all()
    assert less[0] < sure[0]


def test_a_pack_larger_than_a_load(tmp_path: Path) -> None:
    logs = plant(tmp_path, load_quantity=400.0, pack_quantity=1_000.0, order_minimum=0.0)
    table = plan_of(logs, use={"N600": 700.0}).published
    assert len(table)
    assert (table["quantity"] == 1_000.0).all()
    assert table["order"].is_unique


# --- service -----------------------------------------------------------------------------------


def test_weeks_short_by_a_loop_through_the_days(tmp_path: Path) -> None:
    logs = plant(tmp_path, only={"N1200": {"stands_in_for": "N600"}})
    scenarios = cases_of(logs, spread=0.5, draws=60)
    names = [one.name for one in scenarios.planned]
    assert names == ["N1200", "N600"]
    quantity = quantities(scenarios, plan_of(logs, spread=0.05).published)
    found = shortage_rates(scenarios, quantity)
    weeks = found.share.shape[1]
    counted, early = np.zeros((2, weeks)), np.zeros((2, weeks))
    # What is known when each order is placed: what is left by then if none of the plan had come, beside its mean.
    known = np.zeros((2, 60, 13))
    for place, name in enumerate(names):
        for case in range(60):
            level, helped = STOCK[name], scenarios.arrives[place][case].min()
            for day in range(12 * 7 + 1):
                if day % 7 == 0:
                    known[place, case, day // 7] = level
                level -= scenarios.use[place][case, day]
                level = max(level, 0.0) if day < helped else level
    known -= known.mean(axis=1, keepdims=True)
    for case in range(60):
        levels, out = [STOCK[name] for name in names], np.zeros((2, 7 * weeks), dtype=bool)
        ordered = np.zeros((2, 13))
        for place in (0, 1):
            # By so much more or less is ordered; what is ordered is not taken back, and nothing follows the last.
            for turn in range(np.flatnonzero(quantity[place])[-1] + 1):
                wanted = quantity[place][: turn + 1].sum() - known[place, case, turn]
                ordered[place, turn] = max(wanted - ordered[place].sum(), 0.0)
        for day in range(7 * weeks):
            used = [scenarios.use[place][case, day] for place in (0, 1)]
            for place in (1, 0):
                come = ordered[place][scenarios.arrives[place][case, :-1] == day].sum()
                levels[place] += come - used[place]
                if levels[place] < 0:
                    out[place, day] = True
                    if place == 1:
                        used[0] += 2 * -levels[1]  # twice as wide, as heavy
                    levels[place] = 0.0
        out[1] &= out[0]
        helped = np.array([np.arange(7 * weeks) >= scenarios.arrives[place][case].min() for place in (0, 1)])
        counted += (out & helped).reshape(2, weeks, 7).any(axis=2)
        early += (out & ~helped).reshape(2, weeks, 7).any(axis=2)
    np.testing.assert_allclose(found.share, counted / 60)
    np.testing.assert_allclose(found.early, early / 60)
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
    scenarios = cases_of(logs, use, stock, spread=0.15)
    held = shortage_rates(scenarios, quantities(scenarios, plan.published))
    weeks = held.after.sum(axis=1)
    # Shares of weeks of 4,000 paths, to three standard errors; a path that runs out does so in one or two weeks.
    assert (held.mean <= 0.01 + 3 * np.sqrt(2 * 0.01 / weeks / 4000)).all()
    assert held.mean.max() >= 0.003  # and not by holding far too much
    assert (held.share.max(axis=1) > 0.02).all()


def test_a_shortage_that_another_width_covers_is_told_once(tmp_path: Path) -> None:
    # N1200 stands in for N600, and both run out before anything new can come.
    logs = plant(tmp_path, only={"N1200": {"stands_in_for": "N600"}})
    alone = plan_of(plant(tmp_path / "alone"), stock={"N1200": 24_000.0, "N600": 6_300.0}, spread=0.0)
    both = plan_of(logs, stock={"N1200": 24_000.0, "N600": 6_300.0}, spread=0.0)
    said = [plan.service.set_index("material")["expedite"] for plan in (alone, both)]
    assert said[1]["N1200"] == said[0]["N1200"] > 0
    assert 0 < said[1]["N600"] <= said[0]["N600"]
    # Where it covers all that lacks, the table says so as well as the check does.
    enough = plan_of(logs, stock={"N1200": 90_000.0, "N600": 6_300.0}, spread=0.0)
    assert (enough.published["stockout_probability"] == 0).all()
    assert enough.service["cause"].tolist() == ["", ""]
    # What it gives is gone from it: it runs out earlier than its own use would have it.
    given = plan_of(logs, stock={"N1200": 45_000.0, "N600": 6_300.0}, spread=0.0)
    chance = given.published.groupby("material")["stockout_probability"].max()
    assert chance["N1200"] == 1.0
    assert given.service.set_index("material").loc["N1200", "chance"] == 1.0
    assert given.stock_ahead.loc[given.stock_ahead["material"] == "N1200", "q05"].min() == 0.0


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
    assert shortage_rates(both, few).share[1].mean() < 0.9 * shortage_rates(apart, few).share[1].mean()
    # What the narrow one lacks is needed of the wide one, and without a plan nobody knows what it lacks.
    level, policy = np.full(2, 0.95), helped.plant.policy
    assert (both.needs(level, policy, few)[0] >= apart.needs(level, policy, few)[0]).all()
    assert both.needs(level, policy, few)[0][-1] > apart.needs(level, policy, few)[0][-1] + 10_000
    assert both.needs(level, policy)[0].tolist() == apart.needs(level, policy)[0].tolist()
    # Where running out costs nothing but the level of service, nor the wide one more, less of it is held.
    cheap = {"N600": {"grammage_gsm": 48.0}, "N1200": {"unit_price": 0.1}}
    helping = cheap | {"N1200": {"unit_price": 0.1, "stands_in_for": "N600"}}
    alone, helped = (
        plant(tmp_path / name, SERVICE_ALONE, only=only) for name, only in (("a", cheap), ("b", helping))
    )
    with_, without = (plan_of(logs, spread=0.2) for logs in (helped, alone))
    bought = [receipts(plan.published, "N600").sum() for plan in (with_, without)]
    assert bought[0] < bought[1]
    short = [plan.service.set_index("material").loc["N600", "weeks_short"] for plan in (with_, without)]
    assert short[0] <= short[1] <= 0.01
