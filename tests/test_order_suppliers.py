"""A width that two mills deliver: whom the plan asks, what contracts and shares ask of it, and rest and closed days."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from order_plans import DAY, cases_of, on_hand, on_order, paths_of, plan_of, plant
from scipy import stats
from small_plant import small_tables

from pressstats.orders import OrderPlan, plan_orders
from pressstats.orders.contract_ends import _Course, _first_moved, _free_parts, _shifts
from pressstats.orders.contracts import call_offs, contract_limit, receipts_of
from pressstats.orders.planned import ORDERS, Source

if TYPE_CHECKING:
    from pressstats.logs import Logs

USE, STOCK = {"N1200": 2400.0}, {"N1200": 60_000.0}
YEAR = 365 * USE["N1200"]


def terms(**of_mill: dict[str, object]) -> pd.DataFrame:
    """Return terms of N1200 by mill; what is not said is as of the other."""
    rows = []
    for mill, own in of_mill.items():
        usual = {
            "material": "N1200",
            "supplier": mill,
            "valid_from": "2020-01-01",
            "unit_price": 0.6,
            "lead_time_days": 14,
            "pack_quantity": 970.0,
            "load_quantity": 24_000.0,
            "order_minimum": 1_940.0,
        }
        rows.append(usual | own)
    return pd.DataFrame(rows)


def contract(quantity: float, tolerance: float = 10.0) -> dict[str, object]:
    return {
        "contract_quantity": quantity,
        "contract_from": "2025-01-01",
        "contract_to": "2025-12-31",
        "tolerance_pct": tolerance,
    }


def mills(
    folder: Path,
    toml: str = "",
    **of_mill: dict[str, object],
) -> Logs:
    return plant(folder, toml, tables={"terms": terms(**of_mill)})


def bought(plan: OrderPlan) -> pd.Series:
    return (
        plan.published.groupby("supplier")["quantity"]
        .sum()
        .reindex(["Northmill", "Southmill"], fill_value=0.0)
    )


def one_width(logs: Logs, **known: object) -> OrderPlan:
    return plan_of(logs, USE, STOCK, **known)


def test_the_cheaper_mill_delivers_and_what_it_costs_beyond_its_price_counts(tmp_path: Path) -> None:
    logs = mills(tmp_path, Northmill={"unit_price": 0.60}, Southmill={"unit_price": 0.58})
    found = bought(one_width(logs))
    assert found["Southmill"] > 0 == found["Northmill"]
    # Strip and breaks of the cheap mill are worth more than its price spares.
    poor = plan_orders(
        logs,
        paths_of(USE, 0.1),
        on_hand(STOCK),
        on_order(),
        draws=300,
        fresh_draws=300,
        premiums={("Southmill", "N1200"): 0.04},
    )
    assert bought(poor)["Northmill"] > 0 == bought(poor)["Southmill"]
    prices = one_width(logs).published
    assert (prices["unit_price"] == 0.58).all()
    assert (prices["packs"] * 970.0 == prices["quantity"]).all()


def test_a_folder_without_terms_is_planned_as_it_was_before_there_were_any(tmp_path: Path) -> None:
    found = plan_of(plant(tmp_path)).published
    ordered = found.groupby(["material", "order_on"])["quantity"].sum()
    # What was ordered of it when a material had one supplier only.
    assert ordered["N1200"].tolist()[:6] == [19_400.0, 17_460.0, 14_550.0, 18_430.0, 18_430.0, 21_340.0]
    assert ordered["N600"].tolist()[:6] == [3_880.0, 5_820.0, 8_730.0, 4_850.0, 4_365.0, 1_940.0]
    # Terms that say what is said there change nothing.
    one = terms(Northmill={"unit_price": np.nan})
    both = pd.concat([one, one.assign(material="N600", pack_quantity=485.0)])
    same = plant(tmp_path / "same", tables={"terms": both})
    pd.testing.assert_frame_equal(plan_of(same).published, found)


def test_an_agreed_share_is_held(tmp_path: Path) -> None:
    logs = mills(
        tmp_path, Northmill={"unit_price": 0.60}, Southmill={"unit_price": 0.58, "share_maximum_pct": 60.0}
    )
    found = bought(one_width(logs))
    # Within half a load of it.
    assert found["Southmill"] <= 0.6 * found.sum() + 12_000
    assert found["Southmill"] >= 0.6 * found.sum() - 24_000
    least = mills(
        tmp_path / "least",
        Northmill={"unit_price": 0.60, "share_minimum_pct": 40.0},
        Southmill={"unit_price": 0.58},
    )
    plan = one_width(least)
    found = bought(plan)
    assert found["Northmill"] >= 0.4 * found.sum() - 12_000
    chosen = plan.reasons.groupby("supplier")["chosen"].unique()
    # The cheap mill is asked since it is cheap, the dear one as far as its share asks for it.
    assert chosen["Southmill"].tolist() == ["cost"]
    assert "contract" in chosen["Northmill"]
    assert "cost" not in chosen["Northmill"]
    assert set(plan.reasons["costs"]) == {0.58, 0.60}


def test_a_contract_is_drawn_as_the_year_goes_on(tmp_path: Path) -> None:
    # A fifth of the year's need is agreed with the dearer mill, and nothing of it has been drawn by spring.
    logs = mills(
        tmp_path, Northmill={"unit_price": 0.60} | contract(0.4 * YEAR, 5.0), Southmill={"unit_price": 0.58}
    )
    plan = one_width(logs)
    odds = plan.contracts.set_index("supplier").loc["Northmill"]
    last = plan.published["due_on"].max()
    passed = (last - pd.Timestamp("2025-01-01")).days / 365
    drawn = bought(plan)["Northmill"]
    # Nothing came before as-of, so that only the need from as-of on tells how much of it has passed.
    assert drawn > 0.5 * passed * 0.38 * YEAR
    assert odds["drawn"] == 0
    assert odds["contract_quantity"] == 0.4 * YEAR


#: Last day of the contracts in what follows, in the middle of the plan, and the first of the next.
ENDS, BEGINS = pd.Timestamp("2025-04-30"), pd.Timestamp("2025-05-01")


def of_year(first: str, last: pd.Timestamp, **other: object) -> dict[str, object]:
    return contract(0.5 * YEAR, 20.0) | {"contract_from": first, "contract_to": last} | other


def by_year(plan: OrderPlan) -> list[pd.Series]:
    """Return what is bought of the two mills by receipt up to the end of the contracts, and after it."""
    late = plan.published["due_on"] > ENDS
    return [bought(replace(plan, published=plan.published[rows])) for rows in (~late, late)]


def test_each_year_holds_its_own_shares_and_contracts(tmp_path: Path) -> None:
    now = terms(
        Northmill=of_year("2024-05-01", ENDS, share_minimum_pct=60.0),
        Southmill=of_year("2024-05-01", ENDS, unit_price=0.58, share_maximum_pct=40.0),
    )
    then = terms(
        Northmill=of_year("2025-05-01", ENDS.replace(year=2026), valid_from=BEGINS, share_maximum_pct=20.0),
        Southmill=of_year("2025-05-01", ENDS.replace(year=2026), valid_from=BEGINS, unit_price=0.58),
    )
    # The dear mill has three fifths of the first year, and of the next a fifth at the most; within half a load.
    known = one_width(plant(tmp_path / "known", tables={"terms": pd.concat([now, then])}))
    first, second = by_year(known)
    assert first["Northmill"] >= 0.6 * first.sum() - 12_000
    assert second["Northmill"] <= 0.2 * second.sum() + 12_000
    assert not known.contracts["assumed"].any()
    assert known.contracts["contract_from"].tolist() == [pd.Timestamp("2024-05-01"), BEGINS] * 2
    # Where the next terms are not known the present ones are taken to go on, and it is said of which.
    logs = plant(tmp_path / "unknown", tables={"terms": now})
    assumed = one_width(logs)
    first, second = by_year(assumed)
    for bought_then in (first, second):
        assert bought_then["Northmill"] >= 0.6 * bought_then.sum() - 12_000
    assert assumed.contracts["assumed"].tolist() == [False, True] * 2
    assert assumed.contracts["contract_from"].tolist() == [pd.Timestamp("2024-05-01"), BEGINS] * 2
    # So it is where they are logged, but were agreed after as-of: nothing of them is known.
    later = then.assign(agreed_on=logs.as_of + DAY)
    unknown = one_width(
        plant(tmp_path / "later", tables={"terms": pd.concat([now, later])}, as_of=str(logs.as_of.date()))
    )
    pd.testing.assert_frame_equal(unknown.published, assumed.published)


def test_contracts_of_the_next_year_that_ask_for_too_much_are_told_with_what_can_be_drawn(
    tmp_path: Path,
) -> None:
    now = terms(Northmill=of_year("2024-05-01", ENDS), Southmill=of_year("2024-05-01", ENDS))
    then = [
        of_year("2025-05-01", ENDS.replace(year=2026), valid_from=BEGINS, contract_quantity=0.8 * YEAR)
    ] * 2
    known = plant(tmp_path, tables={"terms": pd.concat([now, terms(Northmill=then[0], Southmill=then[1])])})
    odds = one_width(known).contracts
    odds = odds[odds["contract_from"] == BEGINS].set_index("supplier")
    # 160 % of the need within a fifth: 64 % at least of each, and half can be drawn; nobody can spare what is missing.
    assert (odds["chance_below"] > 0.95).all()
    assert odds["q50"].tolist() == pytest.approx([0.5 * YEAR] * 2, rel=0.05)
    assert (odds["other"] == "").all()
    # So that no more than one in twenty ends below: use varies by a tenth.
    least = 0.5 * (1 - 1.645 * 0.1)
    assert odds["left"].tolist() == pytest.approx([(0.64 - least) * YEAR] * 2, rel=0.05)


def test_a_mill_that_begins_within_the_plan_is_asked_from_its_first_day_on(tmp_path: Path) -> None:
    later = terms(
        Southmill={"valid_from": BEGINS, "unit_price": 0.5, "pack_quantity": 800.0, "lead_time_days": 7},
        Northmill={
            "valid_from": BEGINS,
            "pack_quantity": 1000.0,
            "unit_price": 0.5,
            "share_maximum_pct": 50.0,
        },
    )
    logs = plant(tmp_path, tables={"terms": pd.concat([terms(Northmill={}), later])})
    plan = one_width(logs).published
    early, late = plan[plan["order_on"] < BEGINS], plan[plan["order_on"] >= BEGINS]
    assert set(early["supplier"]) == {"Northmill"}
    assert (early["quantity"] == 970.0 * early["packs"]).all()
    assert "Southmill" in set(late["supplier"])
    packs = late["supplier"].map({"Northmill": 1000.0, "Southmill": 800.0})
    assert (late["quantity"] == packs * late["packs"]).all()
    assert (late["unit_price"] == 0.5).all()
    days = (late["due_on"] - late["order_on"]).dt.days
    assert (days[late["supplier"] == "Southmill"] < 14).all()


def test_a_contract_that_is_too_large_is_told_with_what_mends_it(tmp_path: Path) -> None:
    # Twice the need of all: no call-off can draw it, and the plan does what it can.
    logs = mills(
        tmp_path, Northmill={"unit_price": 0.60} | contract(2 * YEAR), Southmill={"unit_price": 0.59}
    )
    plan = one_width(logs)
    odds = plan.contracts.set_index("supplier").loc["Northmill"]
    assert odds["chance_below"] == 1.0
    assert odds["chance_above"] == 0.0
    # The search leaves off within three hundredths of the least cost: a load is within it.
    assert bought(plan)["Southmill"] <= 24_000 < bought(plan)["Northmill"] / 5
    # Southmill can give no more than is still to come of it: next to nothing of what is missing.
    assert odds["shift"] < 0.05 * YEAR < YEAR / 2 < odds["left"]
    assert odds["other"] == ("Southmill" if odds["shift"] else "")
    # A tenth of the price of what is missing, less a cent a kilogram of what is shifted.
    missing = 0.9 * 2 * YEAR - odds["q50"]
    assert odds["worth"] == pytest.approx(0.1 * 0.60 * missing - odds["shift"] * 0.01, rel=0.05)
    assert odds["q05"] <= odds["q50"] <= odds["q95"] < 1.8 * YEAR


def ends(*of_mill: tuple[str, float, float, float, float]) -> dict[str, tuple[float, str, float, float]]:
    """Return what is shifted between mills: of each its name, contract (+- 10 %), what is drawn, to come, its price."""
    coming = np.array([[to_come, to_come] for *_, to_come, _ in of_mill])
    prices = {name: price for name, *_, price in of_mill}
    packs = dict.fromkeys(prices, 10.0)
    return _shifts(
        {
            name: _Course(drawn, coming, place, 0.9 * agreed, 1.1 * agreed, prices, packs)
            for place, (name, agreed, drawn, _, _) in enumerate(of_mill)
            if agreed
        }
    )


def test_a_shift_leaves_the_giver_within_its_own_contract() -> None:
    # A ends at 850 and lacks 50 of 900; B ends at 930 and can spare 30 of its 900. 50 t at a tenth of 2.0: 10; what is
    # shifted costs nothing.
    low, giver = ("A", 1000.0, 450.0, 400.0, 2.0), ("B", 1000.0, 430.0, 500.0, 2.0)
    shift, other, left, worth = ends(low, giver)["A"]
    assert (other, ends(low, giver)["B"]) == ("B", (0.0, "", 0.0, 0.0))
    assert (shift, left, worth) == pytest.approx((30.0, 20.0, 10.0))
    # C can give all of it: it is asked, though dearer to leave: 50 x (2.0 - 1.9) is what that costs.
    shift, other, left, worth = ends(low, giver, ("C", 1000.0, 500.0, 500.0, 1.9))["A"]
    assert other == "C"
    assert (shift, left, worth) == pytest.approx((50.0, 0.0, 10.0 - 5.0))
    # Of two that can, the one that costs less; one without a contract gives what is to come of it, 40 and no more.
    assert ends(low, ("B", 1000.0, 500.0, 500.0, 1.9), ("C", 0.0, 0.0, 60.0, 2.1))["A"][1] == "C"
    shift, other, left, _ = ends(low, ("C", 0.0, 0.0, 40.0, 2.1))["A"]
    assert other == "C"
    assert (shift, left) == pytest.approx((40.0, 10.0))
    # Nobody can spare a pack: all is left.
    shift, other, left, worth = ends(low, ("B", 1000.0, 430.0, 475.0, 2.0))["A"]
    assert (shift, other) == (0.0, "")
    assert (left, worth) == pytest.approx((50.0, 10.0))


def test_the_first_order_that_can_be_moved_leaves_enough_until_the_other_comes() -> None:
    days = pd.date_range("2025-10-01", periods=60, freq="D", unit="us")
    weekly = 7 * np.arange(ORDERS + 1)
    opened = np.ones(ORDERS + 1, dtype=bool)
    sources = [
        SimpleNamespace(supplier=name, due=weekly + lead, rest=0, orders=opened, load=80.0)
        for name, lead in (("A", 21), ("B", 7))
    ]
    ordered = np.zeros((2, ORDERS))
    ordered[1, :3] = 40.0, 0.0, 30.0
    one: Any = SimpleNamespace(name="N1200", sources=sources, reviews=weekly, rows=slice(0, 2))
    contract = SimpleNamespace(supplier="A", contract_from=days[0], contract_to=days[-1])
    received = receipts_of(one, "B", days)

    def first(
        stock: float, shift: float = 50.0, to: pd.Timestamp = days[-1], other: str = "B", room: float = 0.5
    ) -> object:
        stocks = pd.Series(100.0, pd.MultiIndex.from_product([["N1200"], days]))
        # Little is left on a day between the receipt of the first order by B and that by A.
        stocks["N1200", received[0] + 3 * DAY] = stock
        contract.contract_to = to
        orders: Any = SimpleNamespace(quantity=ordered)
        free = {name: np.full(ORDERS, room) for name in "AB"}
        return _first_moved(one, contract, (shift, other, 0.0, 0.0), orders, stocks, free, days)

    assert first(40.0) == (days[0], 40.0)
    # With less the next order is the first; of a smaller shift only that is taken from it.
    assert first(39.0) == (days[14], 30.0)
    assert first(39.0, shift=39.0) == (days[0], 40.0)
    # 40 t is half a truck of A: with less room the next order is the first, with none nothing can be moved.
    assert first(40.0, room=0.49) == (days[14], 30.0)
    assert first(40.0, shift=39.0, room=0.49) == (days[0], 40.0)
    assert pd.isna(first(40.0, room=0.0)[0])  # type: ignore[index]
    # A would come after its contract's last day.
    assert pd.isna(first(40.0, to=received[0] + 13 * DAY)[0])  # type: ignore[index]
    assert first(40.0, to=received[0] + 14 * DAY) == (days[0], 40.0)
    # What is too much of A goes to B: A has no order.
    assert pd.isna(first(40.0, shift=-50.0)[0])  # type: ignore[index]
    assert pd.isna(first(40.0, other="")[0])  # type: ignore[index]


def test_room_on_trucks_is_what_their_loads_leave() -> None:
    sources = [
        SimpleNamespace(supplier=name, load=load) for name, load in (("A", 80.0), ("B", 40.0), ("C", np.nan))
    ]
    first = SimpleNamespace(sources=sources, rows=slice(0, 3))
    other = SimpleNamespace(sources=sources[:1], rows=slice(3, 4))
    quantity = np.array([[20.0, 0.0, 80.0], [50.0, 40.0, 0.0], [10.0, 0.0, 0.0], [40.0, 0.0, 8.0]])
    planned: Any = [first, other]
    orders: Any = SimpleNamespace(quantity=quantity)
    free = _free_parts(planned, orders)
    # A brings a quarter and a half; nothing, which is no truck with room; one whole and a tenth.
    assert free["A"] == pytest.approx([0.25, 0.0, 0.9])
    assert free["B"] == pytest.approx([0.75, 0.0, 0.0])
    # What a truck of C holds is not told.
    assert free["C"] == pytest.approx([0.0, 0.0, 0.0])


def test_what_is_too_much_goes_where_there_is_room_and_nothing_is_given_twice() -> None:
    # A ends at 1,150, 50 above its most; B has room for 40 up to 1,100; less is negative.
    high = ("A", 1000.0, 450.0, 700.0, 2.0)
    shift, other, left, worth = ends(high, ("B", 1000.0, 560.0, 500.0, 2.1))["A"]
    assert other == "B"
    # 50 at a tenth of 2.0, less 40 x (2.1 - 2.0).
    assert (shift, left, worth) == pytest.approx((-40.0, -10.0, 10.0 - 4.0))
    # Two lack 50 each and C can spare 70: 50 for the first and 20 for the other.
    lacking = [(name, 1000.0, 450.0, 400.0, 2.0) for name in "AB"]
    found = ends(*lacking, ("C", 1000.0, 470.0, 500.0, 2.0))
    assert found["A"][:2] == (pytest.approx(50.0), "C")
    assert found["B"][:2] == (pytest.approx(20.0), "C")
    assert found["B"][2] == pytest.approx(30.0)


def test_odds_are_those_of_the_use_that_is_drawn(tmp_path: Path) -> None:
    # One mill, so that all that is used until the year's end is drawn of its contract: use varies by a factor whose
    # standard deviation is a tenth.
    logs = mills(tmp_path, Northmill=contract(0.8 * YEAR, 5.0))
    odds = one_width(logs).contracts.iloc[0]
    deviation = 0.1 * (pd.Timestamp("2025-12-31") - logs.as_of).days * USE["N1200"]
    low, high = 0.95 * 0.8 * YEAR, 1.05 * 0.8 * YEAR
    assert odds["chance_below"] == pytest.approx(stats.norm.cdf((low - odds["q50"]) / deviation), abs=0.04)
    assert odds["chance_above"] == pytest.approx(stats.norm.sf((high - odds["q50"]) / deviation), abs=0.04)
    assert odds["q95"] - odds["q05"] == pytest.approx(2 * 1.645 * deviation, rel=0.1)
    assert 0.05 < odds["chance_below"] + odds["chance_above"] < 0.95


def test_what_was_called_off_counts_by_its_receipt_and_what_is_cancelled_not_at_all(tmp_path: Path) -> None:
    rows = small_tables()["deliveries"]
    logs = plant(tmp_path, without=("prices",))
    found = call_offs(logs)
    listed = logs["deliveries"]
    assert found["quantity"].sum() == listed.loc[listed["cancelled_on"].isna(), "quantity"].sum()
    assert len(rows) >= len(found)
    came = listed["delivered_on"].notna() & listed["cancelled_on"].isna()
    assert set(listed.loc[came, "delivered_on"]) <= set(found["day"])


def test_a_reel_that_rests_serves_later_and_is_ordered_sooner(tmp_path: Path) -> None:
    plain = mills(tmp_path / "plain", Northmill={})
    rests = mills(tmp_path / "rests", "\n[reel]\nrest_days = 4\n", Northmill={})
    first, later = cases_of(plain, USE, STOCK), cases_of(rests, USE, STOCK)
    assert (later.planned[0].due[:5] - first.planned[0].due[:5] == 4).all()
    assert later.arrives[0].mean() == pytest.approx(first.arrives[0].mean() + 4, abs=0.3)
    stock = {"N1200": 45_000.0}
    plan, sooner = plan_of(plain, USE, stock), plan_of(rests, USE, stock)
    # Promised are the same days: what is due rests in the store.
    assert set(sooner.published["due_on"]) <= {plain.as_of + DAY * int(day) for day in first.planned[0].due}
    # Four days' use more is there on any day: so much more has been bought by the same day, or the same sooner.
    end = plain.as_of + 150 * DAY
    tonne_days = [
        float((one.published["quantity"] * (end - one.published["due_on"]).dt.days).sum())
        for one in (plan, sooner)
    ]
    assert tonne_days[1] > tonne_days[0]
    assert sooner.risk["N1200"] > plan.risk["N1200"]


def test_nothing_is_ordered_on_a_closed_day(tmp_path: Path) -> None:
    plain = mills(tmp_path / "plain", Northmill={})
    usual = one_width(plain).published["order_on"]
    closed = usual.unique()[1]
    logs = mills(
        tmp_path / "closed", f'\n[calendar]\nordering_closed = ["{closed:%Y-%m-%d}"]\n', Northmill={}
    )
    days = cases_of(logs, USE, STOCK).planned[0].reviews
    reviews = [logs.as_of + DAY * (int(day) + 1) for day in days]
    assert closed not in reviews
    assert closed - DAY in reviews
    assert closed not in set(one_width(logs).published["order_on"])


@pytest.mark.parametrize("weeks", [0, 1, 2])
def test_a_closure_over_several_review_days_leaves_one_order(tmp_path: Path, weeks: int) -> None:
    plain = mills(tmp_path / "plain", Northmill={})
    usual = cases_of(plain, USE, STOCK).planned[0].reviews
    # From the first day after as-of, so that no day before the first review takes orders.
    closed = pd.date_range(plain.as_of + DAY, periods=int(usual[weeks]) + 1)
    days = ", ".join(f'"{day:%Y-%m-%d}"' for day in closed)
    logs = mills(tmp_path / "closed", f"\n[calendar]\nordering_closed = [{days}]\n", Northmill={})
    reviews = cases_of(logs, USE, STOCK).planned[0].reviews
    assert len(reviews) == ORDERS + 1
    assert reviews[0] == len(closed)
    assert (np.diff(reviews) > 0).all()
    table = one_width(logs).published
    assert not table.duplicated(["order", "material"]).any()
    assert table["order_on"].min() >= closed[-1] + DAY


def test_stock_of_two_mills_is_that_of_a_loop_over_days(tmp_path: Path) -> None:
    logs = mills(
        tmp_path,
        "\n[reel]\nrest_days = 2\n",
        Northmill={"lead_time_days": 9},
        Southmill={"lead_time_days": 25},
    )
    scenarios = cases_of(logs, USE, STOCK, spread=0.3, draws=6)
    one = scenarios.planned[0]
    assert [source.supplier for source in one.sources] == ["Northmill", "Southmill"]
    rng = np.random.default_rng(5)
    quantity = rng.integers(0, 3, (2, ORDERS)) * 9_700.0
    until = 90
    found = scenarios.stock(0, quantity, until)
    each = scenarios.ordered_of_each(0, quantity)
    for case in range(6):
        stock = STOCK["N1200"]
        for day in range(until):
            for mill in range(2):
                stock += sum(
                    each[mill][case, order]
                    for order in range(ORDERS)
                    if scenarios.arrives[mill][case, order] == day
                )
            left = stock - scenarios.use[0][case, day]
            assert found[case, day] == pytest.approx(left, abs=1e-6)
            stock = max(left, 0.0)
    # In all, what both bring is what the plan and the news of use ask for.
    assert sum(part.sum() for part in each) == pytest.approx(scenarios.ordered(0, quantity.sum(axis=0)).sum())


def test_the_plan_aims_within_the_tolerance_and_not_at_its_edge() -> None:
    days = pd.date_range("2025-10-01", periods=200, freq="D")
    due = 15 + 7 * np.arange(ORDERS + 1)
    row = pd.Series(terms(Northmill=contract(1e6, 10.0)).iloc[0])
    row["contract_from"], row["contract_to"] = pd.Timestamp("2025-01-01"), pd.Timestamp("2025-12-31")
    called = pd.DataFrame(
        {
            "supplier": ["Northmill", "Southmill"],
            "day": [pd.Timestamp("2025-06-01")] * 2,
            "quantity": [4e5, 6e5],
        }
    )
    need = pd.Series(np.arange(1, 201) * 2400.0, days)
    source, comes = Source("Northmill", row, due), days[due[:-1] - 1]
    limit = contract_limit(row, source, comes, called, need, price=0.6)
    # 92 % and 108 % of it less what was drawn, for the orders that come by its last day.
    assert limit.least == pytest.approx(0.92e6 - 4e5)
    assert limit.most == pytest.approx(1.08e6 - 4e5)
    assert limit.orders.sum() == (days[due[:-1] - 1] <= "2025-12-31").sum()
    assert limit.cost == pytest.approx(0.1 * 0.6)
    # Of one that runs on, as much as of the need has passed by the plan's end, a load more or less.
    row["contract_to"] = pd.Timestamp("2026-04-10")
    limit = contract_limit(row, source, comes, called, need, price=0.6)
    passed = (1e6 + need[days[due[ORDERS - 1] - 1]]) / (1e6 + need[pd.Timestamp("2026-04-10")])
    assert limit.least == pytest.approx(0.92e6 * passed - 4e5 - 24_000)
    assert limit.cost == pytest.approx(0.1 * 0.6 * passed)
