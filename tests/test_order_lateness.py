"""Lateness learned from deliveries, lines put on loads, and price breaks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.offers import offers
from pressstats.orders import LeadTimes, open_orders
from pressstats.orders.leadtimes import arrivals, lead_days, receipt_days
from pressstats.orders.loading import into_loads


def with_deliveries(folder: Path, rows: list[dict[str, object]], toml: str = "") -> Logs:
    logs = read_logs(write_small_plant(folder / "logs", small_tables(), PLANT_TOML + toml))
    table = pd.DataFrame(rows, columns=logs["deliveries"].columns)
    table = table.astype(logs["deliveries"].dtypes.to_dict())
    return replace(logs, tables=logs.tables | {"deliveries": table})


def delivery(
    number: int, supplier: str, late: int | None, promised: int = 14, **more: object
) -> dict[str, object]:
    ordered = FIRST_DAY - pd.Timedelta(days=200 - number)
    due = ordered + pd.Timedelta(days=promised)
    came = pd.NaT if late is None else due + pd.Timedelta(days=late)
    return {
        "delivery_id": f"D{number:04d}",
        "material": "N1200",
        "quantity": 1000.0,
        "ordered_on": ordered,
        "promised_on": due,
        "delivered_on": came,
        "supplier": supplier,
    } | more


def test_few_loads_are_mixed_with_those_of_all(tmp_path: Path) -> None:
    rows = [delivery(n, "Always late", 5) for n in range(8)]
    rows += [delivery(100 + n, "Punctual", 0) for n in range(92)]
    times = LeadTimes(with_deliveries(tmp_path, rows))
    rng = np.random.default_rng(0)
    late = times.draw("Always late", 20_000, rng)
    # Half of the draws its own (8 of 8 + 8 loads), the others anybody's: 8 of 100 are late.
    assert (late == 5).mean() == pytest.approx(0.5 + 0.5 * 0.08, abs=0.015)
    assert (times.draw("Punctual", 20_000, rng) == 5).mean() == pytest.approx(8 / 100 * 0.08, abs=0.004)
    # A supplier never seen is anybody.
    assert (times.draw("New", 20_000, rng) == 5).mean() == pytest.approx(0.08, abs=0.01)
    assert times.deliveries("Always late") == 8
    assert times.deliveries("New") == 0


def test_what_is_overdue_is_as_late_as_what_came_later_still(tmp_path: Path) -> None:
    lateness = [0] * 80 + [2] * 10 + [6] * 6 + [9] * 4
    times = LeadTimes(with_deliveries(tmp_path, [delivery(n, "Mill", one) for n, one in enumerate(lateness)]))
    rng = np.random.default_rng(1)
    late = times.draw("Mill", 100_000, rng, over=3)
    # Ten loads came later still: in 1 of 11 scenarios it is none of those, and lasts more than ten days longer, after
    # what will have been four days tomorrow, in 4 of 14 of them.
    assert late.min() == 4
    assert (late > 13).mean() == pytest.approx(4 / 14 / 11, abs=0.002)
    heard = np.isin(late, [6, 9]).mean()
    unheard = sum(4 / (4 + r - 1) - 4 / (4 + r) for r in (3, 6)) / 11
    assert heard == pytest.approx(10 / 11 + unheard, abs=0.004)
    assert (late == 9).mean() / heard == pytest.approx(0.4, abs=0.02)
    # Nothing was ever that late: nobody knows, half of the waits last as long again and more.
    unknown = times.draw("Mill", 20_000, rng, over=20)
    assert unknown.min() == 21
    assert (unknown > 41).mean() == pytest.approx(0.5, abs=0.01)
    # Not due yet: nothing is ruled out but what would have come by now.
    assert (times.draw("Mill", 20_000, rng, over=-5) == 0).mean() == pytest.approx(0.8, abs=0.02)


def test_without_a_history_orders_come_on_their_day(tmp_path: Path) -> None:
    logs = read_logs(write_small_plant(tmp_path / "logs", small_tables()))
    tables = {name: table for name, table in logs.tables.items() if name != "deliveries"}
    times = LeadTimes(replace(logs, tables=tables))
    rng = np.random.default_rng(2)
    assert (times.draw("Mill", (3, 4), rng) == 0).all()
    assert times.draw("Mill", (3, 4), rng).shape == (3, 4)
    overdue = times.draw("Mill", 20_000, rng, over=2)
    assert overdue.min() == 3
    assert (overdue > 5).mean() == pytest.approx(0.5, abs=0.01)
    assert times.promised("Mill", "N1200", 14.4) == 14
    assert times.promised(None, "N1200", -3.0) == 0
    assert times.summary().empty


def test_promises_are_those_of_late_whatever_the_order_of_the_rows(tmp_path: Path) -> None:
    # The first twenty took 14 days and the last twelve 21; their numbers run backwards.
    rows = [delivery(n, "Mill", 0, 14 if n < 20 else 21, delivery_id=f"D{99 - n:04d}") for n in range(32)]
    rows.sort(key=lambda row: str(row["delivery_id"]))
    assert LeadTimes(with_deliveries(tmp_path, rows)).promised("Mill", "N1200", 7.0) == 21


def test_a_truck_counts_once_and_a_cancelled_one_never(tmp_path: Path) -> None:
    rows = [delivery(n, "Mill", 4, load="one truck") for n in range(9)] + [delivery(20, "Mill", 0)]
    rows.append(delivery(21, "Mill", 30, cancelled_on=FIRST_DAY))
    times = LeadTimes(with_deliveries(tmp_path, rows))
    assert times.deliveries("Mill") == 2
    assert set(times.draw("Mill", 500, np.random.default_rng(3))) == {0, 4}


def test_an_overdue_truck_of_many_rows_counts_once(tmp_path: Path) -> None:
    rows = [delivery(150 + n, "Mill", 0, promised=10) for n in range(5)]
    truck = [delivery(140, "Mill", None, delivery_id=f"O{n}", material=f"M{n}") for n in range(5)]
    times = LeadTimes(with_deliveries(tmp_path, rows + truck))
    assert times.deliveries("Mill") == 6


def test_an_order_that_was_forgotten_is_not_waited_for(tmp_path: Path) -> None:
    came = [delivery(n, "Mill", late) for n, late in enumerate([0, 0, 3, 0, 0])]
    old = delivery(0, "Mill", None, delivery_id="old", quantity=5.0)
    logs = with_deliveries(tmp_path / "a", [*came, old])
    assert LeadTimes(logs).forgotten == {"old"}
    assert LeadTimes(logs).deliveries("Mill") == 5
    rows = open_orders(logs)
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=60)
    come = arrivals(
        LeadTimes(logs), rows, days, receipt_days(logs, days), ["N1200"], 10, np.random.default_rng(0)
    )
    assert rows["delivery_id"].tolist() == ["old"]
    assert not come[0].any()
    # The newest order is late, not forgotten; and so is one that others have been as late as.
    newest = delivery(150, "Mill", None, delivery_id="new")
    assert not LeadTimes(with_deliveries(tmp_path / "b", [*came, newest])).forgotten
    overdue = (logs.as_of - old["promised_on"]).days
    late = delivery(1, "Mill", overdue, delivery_id="late")
    assert not LeadTimes(with_deliveries(tmp_path / "c", [*came, late, old])).forgotten


def test_a_supplier_that_is_not_named_is_that_of_record(tmp_path: Path) -> None:
    rows = [delivery(n, "Northmill", 4, promised=28) for n in range(10)]
    named = with_deliveries(tmp_path / "named", rows)
    record = str(named["materials"].set_index("material").loc["N1200", "supplier"])
    rows = [row | {"supplier": record} for row in rows]
    named = with_deliveries(tmp_path / "again", rows)
    blank = with_deliveries(tmp_path / "blank", [row | {"supplier": None} for row in rows])
    for logs in (named, blank):
        times = LeadTimes(logs)
        assert times.deliveries(record) == 10
        assert lead_days(offers(logs, logs.as_of), times)[record, "N1200"] == 28
    waiting = with_deliveries(tmp_path / "open", [delivery(150, record, None) | {"supplier": None}])
    assert open_orders(waiting)["supplier"].tolist() == [record]


def test_few_loads_of_a_supplier_by_hand(tmp_path: Path) -> None:
    # Two mills with twelve and two loads: of the second's draws 2 / (2 + 8) are its own, the rest any of the fourteen.
    rows = [delivery(n, "Eastmill", 5) for n in range(12)] + [
        delivery(20 + n, "Northmill", n) for n in (0, 1)
    ]
    times = LeadTimes(with_deliveries(tmp_path, rows))
    late = times.draw("Northmill", 40_000, np.random.default_rng(4))
    assert (late == 0).mean() == pytest.approx(0.2 / 2 + 0.8 / 14, abs=0.01)
    assert (late == 5).mean() == pytest.approx(0.8 * 12 / 14, abs=0.01)
    table = times.summary().set_index("supplier")
    assert table["loads"].to_dict() == {"Eastmill": 12.0, "Northmill": 2.0}
    assert table.loc["Eastmill", "late_q50"] == 5.0
    # Early ones do not make up for late ones.
    early = LeadTimes(
        with_deliveries(tmp_path / "early", [delivery(n, "Eastmill", 5 - 10 * (n % 2)) for n in range(12)])
    )
    assert early.summary()["late_mean"].tolist() == pytest.approx([2.5], abs=0.1)


# --- receipts ----------------------------------------------------------------------------------


def on_order(*rows: tuple[float, pd.Timestamp]) -> pd.DataFrame:
    columns = ["delivery_id", "material", "supplier", "quantity", "promised_on"]
    told = [(f"O{n}", "N1200", "Mill", quantity, day) for n, (quantity, day) in enumerate(rows)]
    return pd.DataFrame(told, columns=columns)


def received(logs: Logs, orders: pd.DataFrame, draws: int = 4000) -> tuple[pd.DatetimeIndex, np.ndarray]:
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=42, freq="D", unit="us")
    rng = np.random.default_rng(5)
    come = arrivals(LeadTimes(logs), orders, days, receipt_days(logs, days), ["N1200", "N600"], draws, rng)
    assert len(come) == 2
    assert not come[1].any()
    return days, come[0]


def test_open_orders_come_on_days_that_receive(tmp_path: Path) -> None:
    toml = '\n[calendar]\nno_receipts = ["tuesday", "saturday", "sunday"]\n'
    rows = [delivery(n, "Mill", late) for n, late in enumerate([-1, 0, 1, 2, 3] * 8)]
    logs = with_deliveries(tmp_path, rows, toml)
    monday = logs.as_of + pd.Timedelta(days=8)
    assert monday.day_name() == "Monday"
    days, come = received(logs, on_order((1000.0, monday), (500.0, monday + pd.Timedelta(days=300))))
    assert (come.sum(axis=1) == 1000.0).all()  # the other comes past the look-ahead
    # Sunday and Monday: Monday; Tuesday and Wednesday: Wednesday; Thursday: Thursday. A fifth of the loads each. They
    # serve the issue of the day after.
    share = pd.Series((come > 0).mean(axis=0), index=days)
    share = share[share > 0]
    assert list(share.index.day_name()) == ["Tuesday", "Thursday", "Friday"]
    assert share.to_numpy() == pytest.approx([0.4, 0.4, 0.2], abs=0.03)
    # The first day from each on that receives, by a loop.
    open_days = [day for day in days if day.day_name() not in ("Tuesday", "Saturday", "Sunday")]
    for place, found in enumerate(receipt_days(logs, days)):
        assert days[found] == min((day for day in open_days if day >= days[place]), default=days[-1])


def test_one_truck_is_as_late_for_all_that_it_brings(tmp_path: Path) -> None:
    logs = with_deliveries(tmp_path, [delivery(n, "Mill", late) for n, late in enumerate([0, 0, 7] * 20)])
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=42, freq="D", unit="us")
    orders = on_order((1000.0, days[7]), (200.0, days[7]), (50.0, days[14]))
    orders["material"] = ["N1200", "N600", "N600"]
    rng = np.random.default_rng(5)
    wide, narrow = arrivals(
        LeadTimes(logs), orders, days, receipt_days(logs, days), ["N1200", "N600"], 500, rng
    )
    assert 0 < wide[:, 8].mean() < 1000.0
    # A truck of another day is late or not by itself.
    together = np.where(wide > 0, 200.0, 0.0)
    rest = narrow - together
    assert set(np.unique(rest)) == {0.0, 50.0}
    assert 0 < ((rest[:, 15] > 0) & (together[:, 8] > 0)).sum() < (together[:, 8] > 0).sum()


def test_an_overdue_order_comes_as_late_as_what_came_later_still(tmp_path: Path) -> None:
    # Of a hundred loads ten were late by 6 days and five by 9. An order promised four days before as-of did not come
    # by then: it is one of the fifteen, and comes on the second day from as-of, or on the fifth, for the next issue.
    rows = [delivery(n, "Mill", late) for n, late in enumerate([0] * 85 + [6] * 10 + [9] * 5)]
    logs = with_deliveries(tmp_path, rows, "\n[calendar]\nno_receipts = []\n")
    days, come = received(logs, on_order((1000.0, logs.as_of - pd.Timedelta(days=4))))
    share = pd.Series((come > 0).mean(axis=0), index=days)
    # In one case of sixteen it is late as none of the fifteen was.
    for days_on, part in ((3, 2 / 3), (6, 1 / 3)):
        assert share[logs.as_of + pd.Timedelta(days=days_on)] == pytest.approx(part * 15 / 16, abs=0.03)
    # Promised for as-of itself it did not come either: those that were punctual are out.
    days, come = received(logs, on_order((1000.0, logs.as_of)))
    assert (come[:, :6] > 0).any(axis=1).mean() < 1 / 16
    # Overdue by more than any ever was: it lasts as long again in half of the scenarios.
    _, come = received(logs, on_order((1000.0, logs.as_of - pd.Timedelta(days=30))))
    assert (come[:, :32] > 0).any(axis=1).mean() == pytest.approx(0.5, abs=0.05)


def test_lead_times_that_differ_little_come_on_one_truck(tmp_path: Path) -> None:
    tables = small_tables()
    del tables["deliveries"]
    materials = tables["materials"].set_index("material")
    leads = {"a": 14, "b": 12, "c": 11, "d": 10, "e": 9, "f": 14}
    rows = [materials.loc["N1200"].to_dict() | {"material": n, "lead_time_days": d} for n, d in leads.items()]
    more = pd.DataFrame(rows).assign(supplier=["Mill"] * 5 + ["Other mill"])
    tables["materials"] = pd.concat([materials.reset_index(), more], ignore_index=True)
    logs = read_logs(write_small_plant(tmp_path / "logs", tables))
    days = lead_days(offers(logs, logs.as_of), LeadTimes(logs))
    found = {name: lead for (_, name), lead in days.items()}
    # 14 takes 13 and 12 along, the next truck 11, 10 and 9; not in a chain of small steps.
    assert {name: found[name] for name in leads} == {"a": 14, "b": 14, "c": 11, "d": 11, "e": 11, "f": 14}


# --- loads -------------------------------------------------------------------------------------


def line(material: str, quantity: float, pack: float, load: float, due: int = 14) -> dict[str, object]:
    return {
        "supplier": "Mill",
        "material": material,
        "order_on": FIRST_DAY,
        "due_on": FIRST_DAY + pd.Timedelta(days=due),
        "quantity": quantity,
        "pack": pack,
        "load": load,
        "stock_before": 100.0,
        "stockout_probability": 0.0,
    }


def test_small_packs_fill_what_large_ones_leave() -> None:
    # Two wide packs of 10 and a narrow one of 4 fill a load of 24; seven wide ones leave one load half full.
    plan = into_loads(pd.DataFrame([line("wide", 70.0, 10.0, 24.0), line("narrow", 16.0, 4.0, 24.0)]))
    assert plan.groupby("order")["loads"].sum().max() <= 1 + 1e-9
    assert plan["order"].nunique() == 4
    assert plan.groupby("material")["quantity"].sum().to_dict() == {"wide": 70.0, "narrow": 16.0}
    wide = plan[plan["material"] == "wide"]
    assert (wide["quantity"] % 10 == 0).all()
    assert wide["stock_after"].tolist() == [120.0, 140.0, 160.0, 170.0]


def test_a_pack_larger_than_a_load_goes_alone() -> None:
    plan = into_loads(pd.DataFrame([line("drum", 30.0, 10.0, 7.0)]))
    assert plan["quantity"].tolist() == [10.0, 10.0, 10.0]
    assert plan["order"].nunique() == 3
    assert (plan["loads"] == 1.0).all()


def test_lines_due_on_other_days_share_no_load_and_nothing_makes_no_load() -> None:
    plan = into_loads(pd.DataFrame([line("a", 10.0, 10.0, 100.0), line("b", 10.0, 10.0, 100.0, due=15)]))
    assert plan["order"].nunique() == 2
    empty = into_loads(pd.DataFrame([line("a", 10.0, 10.0, 100.0)]).iloc[:0])
    assert empty.empty
    assert empty["due_on"].dtype == "datetime64[us]"
