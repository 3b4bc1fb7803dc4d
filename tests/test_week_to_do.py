"""What is to be done: a row for each thing, ranked by severity, then day, then money."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from small_plant import PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.pages.common import unbroken
from pressstats.pages.weekly_actions import _shortened
from pressstats.tables import OUTPUTS
from pressstats.watch import KINDS, PLANNED, Supply, to_do
from pressstats.watch.kinds import raised
from pressstats.watch.stock_exceptions import days_high_limit
from pressstats.watch.to_do import working_day


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return read_logs(write_small_plant(tmp_path_factory.mktemp("plant") / "logs"))


def exceptions_of(*rows: dict[str, Any]) -> pd.DataFrame:
    if not rows:
        return OUTPUTS["exceptions"].empty()
    table = pd.DataFrame(rows)
    return table.assign(exception=table["kind"] + ": " + table["subject"])


def nothing(**changes: Any) -> Supply:
    supply = Supply(
        order_plan=OUTPUTS["order_plan"].empty(),
        stock_cover=OUTPUTS["stock_cover"].empty(),
        open_orders=pd.DataFrame({"material": pd.Series(dtype="str")}),
        meant_for={},
        at_once=pd.Series(dtype="float64"),
        risk=pd.Series(dtype="float64"),
    )
    return dataclasses.replace(supply, **changes)


def test_what_is_too_long_is_cut_where_a_clause_ends() -> None:
    told = "33 % risk (from 1, to 2); moving 3 kg, all that it can spare, leaves 2 kg too little"
    assert _shortened(told, 200) == told
    assert _shortened(told, 60) == "33 % risk (from 1, to 2); …"
    # Not within brackets, at a comma where nothing ends before, and at a word where there is no comma either.
    assert (
        _shortened(told.replace(";", " and then"), 60) == "33 % risk (from 1, to 2) and then moving 3 kg, …"
    )
    assert _shortened(told, 20) == "33 % risk (from 1…"
    assert unbroken("paper desk, 0100 555 21") == "paper desk, 0100\u00a0555\u00a021"


def test_nothing_to_do_is_a_table_without_rows(logs: Logs) -> None:
    assert to_do(logs, exceptions_of(), nothing()).empty


def test_owners_of_plant_toml_are_asked_and_days_without_receipts_are_no_working_days(tmp_path: Path) -> None:
    toml = (
        '\n[owners]\nbutts = "reelroom lead"\nstandby_test = "shift electrician"\norders_due = "paper desk"\n'
        '[calendar]\nno_receipts = ["sunday", "2025-03-19"]\n'
    )
    logs = read_logs(write_small_plant(tmp_path / "logs", plant_toml=PLANT_TOML + toml))
    rows = [
        raised(logs, "butts", "S1", "-", size=9.0),
        raised(logs, "standby test", "press water", "-", size=100.0, asked="desk 12"),
        raised(logs, "log gap", "P1", "-", size=1.0),
    ]
    assert [row["owner"] for row in rows] == ["reelroom lead", "shift electrician", KINDS["log gap"].desk]
    ordered = {
        "order": "O1",
        "material": "N1200",
        "order_on": logs.as_of,
        "due_on": logs.as_of,
        "quantity": 2e3,
    }
    plan = pd.DataFrame([ordered], columns=OUTPUTS["order_plan"].names)
    plan = plan.astype(OUTPUTS["order_plan"].empty().dtypes.to_dict())
    table = to_do(logs, exceptions_of(*rows), nothing(order_plan=plan))
    who = dict(zip(table["exception"].str.split(":").str[0], table["who"], strict=True))
    assert who == {
        "butts": "reelroom lead",
        "standby test": "shift electrician",
        "log gap": KINDS["log gap"].desk,
        "": "paper desk",
    }
    # Three days from Sunday the 16th is Wednesday the 19th, on which nothing is received.
    assert table.set_index("who")["by"]["shift electrician"] == pd.Timestamp("2025-03-20")


def test_ranked_by_day_then_by_how_pressing_then_by_money(logs: Logs) -> None:
    table = to_do(
        logs,
        exceptions_of(
            raised(logs, "butts", "S1", "-", size=9.0, cost=90_000.0),
            raised(logs, "start-up waste", "P1", "-", size=1.0, cost=10.0),
            raised(logs, "start-up waste", "P2", "-", size=1.0, cost=500.0),
            raised(logs, "web breaks", "Eastmill", "-", size=1.0),
            raised(logs, "standby test", "press water", "-", size=100.0, asked="desk 12"),
            raised(logs, "delivery late", "D4 N1200", "-", size=4.0),
        ),
        nothing(),
    )
    assert table["rank"].tolist() == [1, 2, 3, 4, 5, 6]
    kinds = table["exception"].str.split(": ").str[0].tolist()
    # The dearest of one severity first, what has no price after it; the dear but patient butts last.
    assert kinds == [
        "delivery late", "standby test", "start-up waste", "start-up waste", "web breaks", "butts",
    ]  # fmt: skip
    assert table["cost"].tolist()[2:4] == [500.0, 10.0]
    assert table["who"].tolist()[1] == "desk 12"
    assert table.loc[table["exception"].str.startswith("butts"), "cost_basis"].item() == "a year"
    assert table.loc[table["exception"] == "start-up waste: P2", "cost_basis"].item() == "to date"
    assert (table["by"] > logs.as_of).all()
    assert table["by"].is_monotonic_increasing


def test_what_is_due_first_is_told_first_however_pressing_the_rest(logs: Logs) -> None:
    soon, day = logs.as_of + pd.Timedelta(days=1), logs.as_of + pd.Timedelta(days=2)
    rows = [
        raised(logs, "claim", "Northmill", "-", cost=5.0, state="act", by=soon),
        raised(logs, "contract", "Northmill N1200", "-", by=day),
        raised(logs, "standby test", "press water", "-", size=100.0),
    ]
    table = to_do(logs, exceptions_of(*rows), nothing(order_plan=order_plan(logs, 2, "N1200", 9.0)))
    assert [str(words).split(":")[0] for words in table["about"]] == [
        "Claim that runs out", "Orders due", "Standby test overdue", "Contract outside its tolerance",
    ]  # fmt: skip
    # The order that the contract changes says so, and both are of its day.
    assert table["by"].tolist()[1] == table["by"].tolist()[3] == day
    assert "settle first what is shifted for the contract: Northmill N1200" in table["why"].iloc[1]


def test_an_assumed_price_stands_with_the_sum(logs: Logs) -> None:
    row = raised(logs, "web breaks", "Eastmill", "-", cost=800.0, assumed=", at an assumed 400 EUR a break")
    table = to_do(logs, exceptions_of(row), nothing())
    assert table["cost_basis"].item() == "to date, at an assumed 400 EUR a break"
    assert raised(logs, "web breaks", "Eastmill", "-", assumed=", at")["cost_basis"] == ""


def test_an_earlier_day_goes_before_money(logs: Logs) -> None:
    plan = order_plan(logs, 1, "N1200", 2_000_000.0)
    later = order_plan(logs, 2, "black", 900.0)
    supply = nothing(order_plan=pd.concat([later, plan], ignore_index=True))
    table = to_do(logs, exceptions_of(raised(logs, "stock unknown", "plate", "never counted")), supply)
    assert table["by"].is_monotonic_increasing
    assert table["do"].str.contains("N1200").tolist().index(True) == 0


def order_plan(logs: Logs, days: int, material: str, cost: float, **changes: Any) -> pd.DataFrame:
    on = logs.as_of + pd.Timedelta(days=days)
    row = {"order": f"{days} {material}", "material": material, "order_on": on}
    row |= {"due_on": on + pd.Timedelta(days=14), "quantity": 5_000.0, "cost": cost, "stock_before": 4_000.0}
    return pd.DataFrame([row | {"supplier": ""} | changes])


def test_orders_of_the_next_seven_days_are_told_and_no_later_ones(logs: Logs) -> None:
    days = to_do(logs, exceptions_of(), nothing(order_plan=order_plan(logs, 7, "N1200", 9.0)))
    assert days["do"].tolist() == ["Order N1200 5,000 kg"]
    assert days["by"].item() == logs.as_of + pd.Timedelta(days=7)
    assert days["cost_basis"].item() == "order value"
    assert to_do(logs, exceptions_of(), nothing(order_plan=order_plan(logs, 8, "N1200", 9.0))).empty
    plates = to_do(logs, exceptions_of(), nothing(order_plan=order_plan(logs, 3, "plate", 9.0)))
    assert plates["do"].item() == "Order plate 5,000"
    # What costs most is named, whatever ends first.
    costs = {"a": 5.0, "b": 40.0, "c": 7.0, "N1200": 900.0, "d": 6.0, "e": 8.0, "f": 50.0}
    many = pd.concat([order_plan(logs, 3, name, cost) for name, cost in costs.items()])
    words = to_do(logs, exceptions_of(), nothing(order_plan=many))["do"].item()
    assert words == "Order N1200 5,000 kg, f 5,000, b 5,000, e 5,000, c 5,000 and 2 more"
    # Where everybody's supplier is known, whose trucks are ordered, the most of one first.
    mills = many.assign(supplier=["Southmill"] * 2 + ["Northmill"] * 5)
    assert to_do(logs, exceptions_of(), nothing(order_plan=mills))["do"].item() == (
        "Order 7 trucks: Northmill 5 and Southmill 2"
    )


def test_a_risk_above_what_is_allowed_asks_for_the_open_order_only_where_there_is_one(logs: Logs) -> None:
    allowed = 1 - logs.plant.policy.service_level
    risk = pd.Series({"N1200": 0.3, "black": 0.02, "plate": allowed, "cyan": np.nan})
    waiting = pd.DataFrame({"material": ["N1200"]})
    table = to_do(logs, exceptions_of(), nothing(risk=risk, open_orders=waiting))
    ask, look = table["do"]
    assert ask == "Ask whether the open orders of N1200 come on their day or earlier"
    assert look == "Look again at black: nothing of it is on order"
    # As pressing as the figure of the risk: what the plan takes knowingly is watched.
    assert table["state"].tolist() == ["act", "watch"]
    assert "30.0 %" in table["why"].iloc[0]
    assert "plate" not in " ".join(table["do"])
    # What is ordered this week anyway, or is an exception by itself, is not told twice.
    ordered = nothing(risk=risk, open_orders=waiting, order_plan=order_plan(logs, 1, "black", 9.0))
    assert not to_do(logs, exceptions_of(), ordered)["do"].str.startswith("Look").any()
    low = exceptions_of(raised(logs, "days of stock low", "N1200", "-", size=2.0))
    assert not to_do(logs, low, nothing(risk=risk, open_orders=waiting))["do"].str.startswith("Ask").any()


def test_what_is_watched_is_less_pressing_than_what_needs_action(logs: Logs) -> None:
    risk, waiting = pd.Series({"N1200": 0.01}), pd.DataFrame({"material": ["N1200"]})
    late = exceptions_of(raised(logs, "standby test", "press water", "-", size=100.0))
    table = to_do(logs, late, nothing(risk=risk, open_orders=waiting))
    assert table["state"].tolist() == ["act", "watch"]
    assert "press water" in table["do"].iloc[0]
    # However much hangs on it: no row to be acted on stands below one to be looked at.
    gap = [raised(logs, "contract", "Eastmill", "-", cost=9e5), raised(logs, "log gap", "P1", "-", size=1.0)]
    assert to_do(logs, exceptions_of(*gap), nothing())["state"].tolist() == ["act", "watch"]
    table = to_do(logs, late, nothing(risk=10 * risk, open_orders=waiting))
    assert table["do"].iloc[0].startswith("Ask")


def test_what_is_worth_it_is_brought_by_other_means(logs: Logs) -> None:
    supply = nothing(at_once=pd.Series({"plate": 100.0, "N1200": 0.0}), risk=pd.Series({"plate": 0.031}))
    table = to_do(logs, exceptions_of(), supply)
    assert table["do"].tolist() == ["Place an emergency order: plate 100"]
    assert "3.1 %" in table["why"].item()
    assert table["state"].item() == "act"


def test_what_is_done_together_is_one_row_with_all_its_exceptions(logs: Logs) -> None:
    names = [f"M{number}" for number in range(7)]
    rows = [raised(logs, "stock unknown", name, "never counted") for name in names]
    table = to_do(
        logs, exceptions_of(*rows, raised(logs, "unexplained paper", "P1", "-", size=-9.0)), nothing()
    )
    assert len(table) == 2
    assert table["do"].iloc[0] == "Count M0, M1, M2, M3 and 3 more, or dip the tanks, and log it"
    assert table["exception"].iloc[0].split("; ") == [f"stock unknown: {name}" for name in names]
    # A negative size has an action of its own.
    assert "logged twice" in table["do"].iloc[1]


def test_much_that_is_ordered_all_the_same_has_its_reason(logs: Logs) -> None:
    cover = pd.DataFrame(
        {"material": ["N1200", "black"], "quantity": [600.0, 100.0], "days_cover": [60.0, 10.0]}
    )
    cover["runs_out_q05"] = pd.NaT
    high = exceptions_of(raised(logs, "days of stock high", "N1200", "60 days", size=60.0))
    plan = order_plan(logs, 14, "N1200", 9.0, stock_before=300.0)
    known = {"stock_cover": cover, "meant_for": {"14 N1200": "black"}}
    why = to_do(logs, high, nothing(order_plan=plan, **known))["why"].iloc[-1]
    assert why.startswith(
        "60 days; in the plan N1200 is ordered all the same for later weeks, in the load that black"
    )
    assert "about 30 days of it are left when it comes" in why
    late = order_plan(logs, 15, "N1200", 9.0, stock_before=300.0)
    why = to_do(logs, high, nothing(order_plan=late, **known))["why"].iloc[-1]
    assert f"next ordered on {logs.as_of + pd.Timedelta(days=15):%Y-%m-%d}" in why


def test_days_of_stock_are_not_high_where_no_smaller_order_would_do(tmp_path: Path) -> None:
    logs = read_logs(write_small_plant(tmp_path / "logs", small_tables()))
    policy = logs.plant.policy
    smallest = logs["materials"].set_index("material").loc["black", ["order_minimum", "pack_quantity"]].max()
    # Used fast, the smallest order is gone within the limit; used slowly, it alone lasts longer.
    assert days_high_limit(logs, "black", smallest / 10) == 2 * policy.cover_days_maximum
    assert days_high_limit(logs, "black", smallest / 60) == pytest.approx(policy.cover_days_minimum + 60)
    assert days_high_limit(logs, "black", np.nan) == 2 * policy.cover_days_maximum


def test_what_rests_on_logs_that_cannot_be_true_is_not_ordered(logs: Logs) -> None:
    plan = pd.concat(
        [order_plan(logs, 1, name, 9.0) for name in ("N1200", "black", "plate")], ignore_index=True
    )
    plan["order_on"] = logs.as_of + pd.Timedelta(days=1)
    risk = pd.Series({"N1200": 0.5, "black": 0.5, "plate": 0.5})

    def told(refuses: str) -> str:
        untrue = pd.DataFrame({"subject": ["-"], "refuses": [refuses]})
        return " ".join(
            to_do(
                logs, exceptions_of(), nothing(order_plan=plan, risk=risk, at_once=risk, implausible=untrue)
            )["do"]
        )

    assert all(name in told("") for name in ("N1200", "black", "plate"))
    assert "N1200" not in told("paper")
    assert "black" in told("paper")
    assert "plate" in told("paper")
    assert "black" not in told("ink")
    assert "N1200" in told("ink")
    assert told("everything") == told("demand") == ""


def test_work_is_wanted_on_days_on_which_somebody_is_there(logs: Logs) -> None:
    saturday = pd.Timestamp("2025-03-15")
    assert working_day(logs.plant, saturday) == pd.Timestamp("2025-03-17")
    assert working_day(logs.plant, saturday - pd.Timedelta(days=1)) == pd.Timestamp("2025-03-14")


def test_what_the_plan_asks_for_has_an_action_an_owner_and_a_severity() -> None:
    for kind in PLANNED.values():
        assert "{subject}" in kind.action
        assert kind.desk
        assert kind.severity in range(1, 6)
    assert not set(PLANNED) & set(KINDS)
