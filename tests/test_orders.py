"""Stock by hand arithmetic, cover of a constant use, and what an order plan must never do."""

from __future__ import annotations

from pathlib import Path

import issue_simulation
import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.demand import demand_outlook
from pressstats.ink import ink_exposure, ink_intervals, ink_model, judge_inks
from pressstats.logs import Logs, read_logs
from pressstats.orders import (
    Paths,
    demand_paths,
    lateness,
    open_orders,
    order_plan,
    price_of,
    stock_cover,
    stock_on_hand,
)
from pressstats.paper import effective_grammage, run_balance, threading_paper

DAYS = 182
NOTHING = pd.Series(dtype="float64")


def logs_of(
    folder: Path, tables: dict[str, pd.DataFrame], as_of: str | None = None, plant_toml: str = PLANT_TOML
) -> Logs:
    return read_logs(write_small_plant(folder / "logs", tables, plant_toml), as_of)


def stock_of(logs: Logs, daily: pd.Series = NOTHING, model: pd.DataFrame | None = None) -> pd.DataFrame:
    runs = run_balance(logs, effective_grammage(threading_paper(logs), logs))
    exposure = ink_exposure(logs)
    if model is None:
        intervals, fits, _ = judge_inks(ink_intervals(logs, exposure))
        model = ink_model(intervals, fits)
    return stock_on_hand(logs, runs, exposure, model, daily).set_index("material")


def planted_model() -> pd.DataFrame:
    """The ink model that the small plant was made with: 2 g/m2 of solid and 1 kg a day standing."""
    terms = {"film_g_m2": 2.0, "startup_kg_per_run": 0.0, "standing_kg_per_day": 1.0}
    rows = [(ink, term, value) for ink in ("black", "cyan") for term, value in terms.items()]
    return pd.DataFrame(rows, columns=["ink", "term", "estimate"])


# --- what is on hand ---------------------------------------------------------------------------


def test_newsprint_is_the_count_plus_receipts_less_what_was_mounted_since(tmp_path: Path) -> None:
    tables = small_tables()
    logs = logs_of(tmp_path, tables)
    # Counted 33,000 kg on the seventh day's end; 9,900 kg came on the tenth; runs dated the eighth and later
    # took their mounts.
    counted = FIRST_DAY + pd.Timedelta(days=6)
    later = set(tables["runs"].loc[tables["runs"]["date"] > counted, "run_id"])
    used = sum(
        row.start_kg - row.returned_kg for row in tables["reel_mounts"].itertuples() if row.run_id in later
    )
    stock = stock_of(logs)
    assert stock.loc["N1200", "quantity"] == pytest.approx(33_000 + 9_900 - used)
    assert stock.loc["N1200", "counted_on"] == counted and stock.loc["N1200", "why"] == ""
    # By hand, nearly: each Daily 2 x 446.6 kg and the Weekly 225.8 kg, strip and butts and breaks on top.
    assert used == pytest.approx(7 * 2 * 446.6 + 225.8, rel=0.16)


def test_a_count_with_its_hour_takes_the_runs_finished_and_the_deliveries_come_by_then(
    tmp_path: Path,
) -> None:
    tables = small_tables()
    day = FIRST_DAY + pd.Timedelta(days=9)  # the day of the delivery at ten o'clock
    mounts, runs = tables["reel_mounts"], tables["runs"].set_index("run_id")
    kg = (mounts["start_kg"] - mounts["returned_kg"]).groupby(mounts["run_id"]).sum()
    for hour, came in ((9, 9_900.0), (11, 0.0), (23.75, 0.0)):
        at = day + pd.Timedelta(hours=hour)
        count = pd.DataFrame(
            {"counted_on": [day], "material": "N1200", "quantity": 30_000.0, "counted_at": at}
        )
        stock = stock_of(logs_of(tmp_path / str(hour), tables | {"stock_counts": count}))
        used = kg[runs.index[runs["finished_at"] > at]].sum()
        assert stock.loc["N1200", "quantity"] == pytest.approx(30_000 + came - used)
    # By the day's end it is before the night's printing: the run that starts that evening is dated the next day.
    count = pd.DataFrame({"counted_on": [day], "material": "N1200", "quantity": 30_000.0})
    stock = stock_of(logs_of(tmp_path / "day", tables | {"stock_counts": count}))
    used = kg[runs.index[runs["date"] > day]].sum()
    assert stock.loc["N1200", "quantity"] == pytest.approx(30_000 - used)


def test_plates_and_uncounted_materials(tmp_path: Path) -> None:
    tables = small_tables()
    counts = tables["stock_counts"]
    more = pd.DataFrame(
        {"counted_on": FIRST_DAY + pd.Timedelta(days=10), "material": ["plate"], "quantity": 900.0}
    )
    stock = stock_of(logs_of(tmp_path / "counted", tables | {"stock_counts": pd.concat([counts, more])}))
    # Runs dated the 12th, 13th and 14th day: three Dailies and the second Weekly, 64 plates each.
    assert stock.loc["plate", "quantity"] == 900 - 4 * 64
    assert stock_of(logs_of(tmp_path / "never", tables)).loc["plate", "why"] == "never counted"
    runs = tables["runs"].assign(plates=tables["runs"]["plates"].mask(tables["runs"]["run_id"] == "0121"))
    logs = logs_of(tmp_path / "blank", tables | {"runs": runs, "stock_counts": pd.concat([counts, more])})
    assert np.isnan(stock_of(logs).loc["plate", "quantity"])
    materials = tables["materials"]
    wash = materials[materials["material"] == "plate"].assign(material="wash", kind="other", unit="l")
    counted = more.assign(material="wash", quantity=40.0)
    tables |= {"materials": pd.concat([materials, wash]), "stock_counts": pd.concat([counts, counted])}
    logs = logs_of(tmp_path / "wash", tables)
    # Three days since the count at 2.5 l a day; unknown use leaves the stock unknown.
    assert stock_of(logs, pd.Series({"wash": 2.5})).loc["wash", "quantity"] == pytest.approx(40 - 3 * 2.5)
    assert stock_of(logs).loc["wash", ["quantity", "why"]].tolist() == [
        pytest.approx(np.nan, nan_ok=True),
        "use unknown",
    ]


def test_runs_without_reel_records_or_more_use_than_stock_leave_it_unknown(tmp_path: Path) -> None:
    tables = small_tables()
    mounts = tables["reel_mounts"]
    gone = logs_of(tmp_path / "gone", tables | {"reel_mounts": mounts[mounts["run_id"] != "0101"]})
    assert np.isnan(stock_of(gone).loc["N1200", "quantity"])
    assert "reel records" in stock_of(gone).loc["N1200", "why"]
    del tables["reel_mounts"], tables["reels"]
    none = stock_of(logs_of(tmp_path / "none", tables))
    assert np.isnan(none.loc["N1200", "quantity"]) and none.loc["N1200", "why"] == "no table reel_mounts"
    tables = small_tables()
    counts = tables["stock_counts"].assign(quantity=100.0)
    short = stock_of(
        logs_of(
            tmp_path / "short",
            tables | {"stock_counts": counts.tail(1), "deliveries": tables["deliveries"].iloc[:0]},
        )
    )
    assert np.isnan(short.loc["N1200", "quantity"]) and "count again" in short.loc["N1200", "why"]


def test_ink_is_the_last_dip_plus_fillings_less_use_since(tmp_path: Path) -> None:
    tables = small_tables()
    dips = tables["tank_readings"]
    last = FIRST_DAY + pd.Timedelta(days=11, hours=6)
    tables["tank_readings"] = dips[dips["read_at"] <= last]
    deliveries = tables["deliveries"].copy()
    black = deliveries["delivery_id"] == "D3"
    for column in ("promised_on", "delivered_on", "delivered_at"):
        deliveries.loc[black, column] = last + (
            pd.Timedelta(hours=4) if column == "delivered_at" else -pd.Timedelta(hours=6)
        )
    stock = stock_of(logs_of(tmp_path / "a", tables | {"deliveries": deliveries}), model=planted_model())
    level = tables["tank_readings"].set_index(["tank", "read_at"])["level_kg"]
    # Since the dip of the twelfth day: the Dailies of the 13th and 14th (7.68 kg of black each), the Weekly
    # (1.92 kg), and standing from six in the morning to the end of the 14th, 2.75 days of 1 kg.
    expected = level["K1", last] + 300 - 2 * 7.68 - 1.92 - 2.75
    assert stock.loc["black", "quantity"] == pytest.approx(expected)
    assert stock.loc["cyan", "quantity"] == pytest.approx(level["C1", last] - 3.84 * 2 - 0.96 - 2.75)
    assert stock.loc["black", "counted_on"] == last.normalize()
    # The tank may be blank: the material says which ink it is.
    blank = deliveries.assign(tank=None)
    again = stock_of(logs_of(tmp_path / "b", tables | {"deliveries": blank}), model=planted_model())
    assert again.loc["black", "quantity"] == pytest.approx(expected)
    # Without its hour nobody can say what that day's dip saw of it: the dip before stands.
    unknown = deliveries.assign(delivered_at=pd.NaT)
    before = stock_of(logs_of(tmp_path / "c", tables | {"deliveries": unknown}), model=planted_model())
    day_before = last - pd.Timedelta(days=1)
    assert before.loc["black", "quantity"] == pytest.approx(
        level["K1", day_before] + 300 - 3 * 7.68 - 1.92 - 3.75
    )


def test_two_tanks_are_one_ink(tmp_path: Path) -> None:
    tables = small_tables()
    dips = tables["tank_readings"]
    second = dips[dips["tank"] == "K1"].assign(tank="K2", level_kg=500.0)
    tables["tank_readings"] = pd.concat([dips, second])
    toml = PLANT_TOML + '\n[tanks.K2]\nink = "black"\n'
    stock = stock_of(logs_of(tmp_path, tables, plant_toml=toml), model=planted_model())
    last = dips[dips["tank"] == "K1"]["level_kg"].iloc[-1]
    # The last dip is of the fourteenth morning, after its runs: 18 hours of standing are left.
    assert stock.loc["black", "quantity"] == pytest.approx(last + 500 - 0.75)


def test_ink_that_cannot_be_told_is_blank_and_says_why(tmp_path: Path) -> None:
    tables = small_tables()
    dips = tables["tank_readings"]
    tables["tank_readings"] = dips[dips["read_at"] < FIRST_DAY + pd.Timedelta(days=12)]
    # All nights alike: the model is blank, and runs since the dip have used nobody knows what.
    stock = stock_of(logs_of(tmp_path / "model", tables))
    assert np.isnan(stock.loc["black", "quantity"]) and "use since" in stock.loc["black", "why"]
    coverage = tables["coverage"]
    logs = logs_of(tmp_path / "run", tables | {"coverage": coverage[coverage["run_id"] != "0131"]})
    assert np.isnan(stock_of(logs, model=planted_model()).loc["black", "quantity"])
    materials = tables["materials"]
    twin = materials[materials["material"] == "black"].assign(material="black two")
    litres = materials["unit"].mask(materials["material"] == "cyan", "l")
    changed = pd.concat([materials.assign(unit=litres), twin])
    stock = stock_of(logs_of(tmp_path / "bought", tables | {"materials": changed}), model=planted_model())
    assert stock.loc[["black", "black two", "cyan"], "quantity"].isna().all()
    assert (stock.loc[["black", "black two", "cyan"], "why"] != "").all()


def test_a_spot_colour_without_a_tank_is_counted(tmp_path: Path) -> None:
    tables = small_tables()
    materials = tables["materials"]
    spot = materials[materials["material"] == "cyan"].assign(material="reflex", ink="reflex")
    count = pd.DataFrame(
        {"counted_on": [FIRST_DAY + pd.Timedelta(days=13)], "material": "reflex", "quantity": 33.0}
    )
    tables |= {
        "materials": pd.concat([materials, spot]),
        "stock_counts": pd.concat([tables["stock_counts"], count]),
    }
    assert stock_of(logs_of(tmp_path, tables)).loc["reflex", "quantity"] == 33.0


def test_open_orders_are_neither_delivered_nor_cancelled(tmp_path: Path) -> None:
    assert list(open_orders(logs_of(tmp_path / "now", small_tables()))["delivery_id"]) == ["D4"]
    # On the sixth day nothing but D1 had come, black was still on its way (it came that morning), and D5 stood.
    earlier = open_orders(logs_of(tmp_path / "then", small_tables(), "2025-03-07"))
    assert list(earlier["delivery_id"]) == ["D2", "D3", "D5"]
    assert earlier.set_index("delivery_id").loc["D2", "quantity"] == 10_000.0  # as ordered, not as it came


# --- paths and cover ---------------------------------------------------------------------------


def constant_paths(logs: Logs, use: dict[str, float], spread: float = 0.0, count: int = 400) -> Paths:
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=DAYS, freq="D", unit="us")
    mean = np.stack([np.full(DAYS, value) for value in use.values()])
    rng = np.random.default_rng(1)
    factor = (
        np.maximum(rng.normal(1, spread, (len(use), count, 1)), 0)
        if spread
        else np.ones((len(use), count, 1))
    )
    return Paths(days, list(use), np.repeat(mean[:, None, :], count, axis=1) * factor, mean)


def stock_table(**quantities: float) -> pd.DataFrame:
    frame = pd.DataFrame({"material": list(quantities), "quantity": list(quantities.values())})
    return frame.assign(counted_on=FIRST_DAY, why="").astype({"counted_on": "datetime64[us]"})


def test_cover_of_a_constant_use_is_stock_over_use(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, small_tables())
    none = open_orders(logs).iloc[:0]
    for quantity, use in ((3_500.0, 100.0), (3_550.0, 100.0), (1.0, 100.0), (0.0, 100.0), (91_000.0, 100.0)):
        cover = stock_cover(logs, stock_table(N1200=quantity), none, constant_paths(logs, {"N1200": use}))
        assert cover.loc[0, "days_cover"] == pytest.approx(quantity / use)
        # The day on which it does not suffice: 3,500 kg at 100 last 35 days, so the 36th runs short.
        short = int(np.floor(quantity / use)) + 1
        expected = logs.as_of + pd.Timedelta(days=short) if short <= DAYS else pd.NaT
        for column in ("runs_out_q05", "runs_out_q50"):
            assert cover.loc[0, column] == expected or (pd.isna(expected) and pd.isna(cover.loc[0, column]))


def test_an_open_order_moves_the_run_out_by_what_it_brings_and_not_the_cover(tmp_path: Path) -> None:
    tables = small_tables()
    deliveries = tables["deliveries"].copy()
    deliveries["promised_on"] = deliveries["promised_on"].where(
        deliveries["delivered_on"].isna(), deliveries["delivered_on"]
    )  # a supplier that was never late
    logs = logs_of(tmp_path, tables | {"deliveries": deliveries})
    paths = constant_paths(logs, {"N1200": 1000.0})
    cover = stock_cover(logs, stock_table(N1200=5500.0), open_orders(logs), paths)
    # D4 brings 10,000 kg on the fourth day, so 15,500 kg last 15 days and the 16th runs short.
    assert cover.loc[0, "days_cover"] == pytest.approx(5.5)
    assert cover.loc[0, "runs_out_q50"] == logs.as_of + pd.Timedelta(days=16)
    # Promised too late to help: it runs out first.
    late = open_orders(logs).assign(promised_on=logs.as_of + pd.Timedelta(days=10))
    cover = stock_cover(logs, stock_table(N1200=5500.0), late, paths)
    assert cover.loc[0, "runs_out_q50"] == logs.as_of + pd.Timedelta(days=6)
    # Overdue already: tomorrow at the earliest, since the rest is lateness of the past.
    overdue = open_orders(logs).assign(promised_on=logs.as_of - pd.Timedelta(days=9))
    cover = stock_cover(logs, stock_table(N1200=500.0), overdue, paths)
    assert cover.loc[0, "runs_out_q50"] == logs.as_of + pd.Timedelta(days=11)


def test_lateness_is_that_of_the_supplier_once_it_has_a_dozen_rows(tmp_path: Path) -> None:
    tables = small_tables()
    day = FIRST_DAY + pd.Timedelta(days=5)
    one = tables["deliveries"].iloc[[0]].assign(ordered_on=FIRST_DAY, promised_on=FIRST_DAY, delivered_on=day)
    many = pd.concat(
        [one.assign(delivery_id=f"M{n}", supplier="Eastmill", delivered_at=pd.NaT) for n in range(12)]
    )
    logs = logs_of(tmp_path / "many", tables | {"deliveries": pd.concat([tables["deliveries"], many])})
    assert list(lateness(logs, "Eastmill")) == [5.0] * 12
    # Northmill has two rows (0 and 1 day late), so all 15 are taken: black came a day early.
    assert sorted(lateness(logs, "Northmill")) == [-1.0, 0.0, 1.0, *[5.0] * 12]
    assert sorted(lateness(logs, None)) == sorted(lateness(logs, "nobody"))
    del tables["deliveries"]
    assert list(lateness(logs_of(tmp_path / "none", tables), "Eastmill")) == [0.0]


def history_of(weeks: int) -> pd.DataFrame:
    rng = np.random.default_rng(2)
    index = pd.date_range(end=FIRST_DAY + pd.Timedelta(days=7), periods=weeks, freq="7D", unit="us")
    common = rng.normal(0, 300, weeks)
    one, two = 7000 + common, 3500 + common / 2
    return pd.DataFrame({"N1200": one, "N600": two, "fixed": 70.0}, index=index)


def test_paths_keep_the_mean_and_move_together(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    swing = dict(enumerate(rng.normal(1, 0.1, 7 * 70)))
    plant = issue_simulation.Plant(
        [
            issue_simulation.Title("Daily", copies=lambda day: round(20_000 * swing[day // 7])),
            issue_simulation.Title("Weekly", (3,), copies=lambda day: round(60_000 * swing[day // 7])),
        ],
        days=7 * 70,
    )
    logs = issue_simulation.logs_of(tmp_path, plant)
    outlook = demand_outlook(issue_simulation.recipe_from(logs))
    paths = demand_paths(outlook, logs.as_of)
    assert paths.days[0] == logs.as_of + pd.Timedelta(days=1)
    assert paths.use.shape == (len(outlook.names), 400, DAYS)
    weekly = paths.use[:, :, :91].reshape(len(outlook.names), 400, 13, 7).sum(axis=3)
    np.testing.assert_allclose(paths.mean[:, :91].reshape(-1, 13, 7).sum(axis=2), outlook.mean[:, :13])
    paper = outlook.names.index("N1200")
    np.testing.assert_allclose(weekly[paper].mean(axis=0), outlook.mean[paper, :13], rtol=0.05)
    # Paper and black ink are of the same copies: what is more of one is more of the other.
    ink = outlook.names.index("black")
    assert np.corrcoef(weekly[paper].sum(axis=1), weekly[ink].sum(axis=1))[0, 1] > 0.3
    again = demand_paths(outlook, logs.as_of)
    np.testing.assert_array_equal(paths.use, again.use)


def test_a_use_that_varies_to_an_unknown_extent_has_cover_but_no_run_out(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, small_tables())
    paths = constant_paths(logs, {"N1200": 250.0})
    paths.use[:] = np.nan
    cover = stock_cover(logs, stock_table(N1200=5000.0), open_orders(logs), paths)
    assert cover.loc[0, "days_cover"] == pytest.approx(20)
    assert cover[["runs_out_q05", "runs_out_q50"]].isna().all(axis=None)
    assert order_plan(logs, stock_table(N1200=5000.0), open_orders(logs), paths).empty


def test_unknown_stock_and_no_use_leave_the_cover_blank(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, small_tables())
    stock = stock_table(N1200=np.nan, black=500.0, cyan=500.0)
    paths = constant_paths(logs, {"N1200": 10.0, "black": 0.0})
    cover = stock_cover(logs, stock, open_orders(logs), paths).set_index("material")
    assert cover[["days_cover", "runs_out_q05", "runs_out_q50"]].isna().all(axis=None)
    assert cover["quantity"].tolist() == [pytest.approx(np.nan, nan_ok=True), 500.0, 500.0]


# --- the order plan ----------------------------------------------------------------------------


def mixed_tables() -> dict[str, pd.DataFrame]:
    """Two widths of one supplier with packs that do not divide a load, and an ink of another."""
    tables = small_tables()
    materials = tables["materials"].set_index("material")
    materials.loc["N1200", ["pack_quantity", "load_quantity", "order_minimum"]] = [970.0, 24_000.0, 1_940.0]
    narrow = materials.loc[["N1200"]].rename(index={"N1200": "N600"})
    narrow = narrow.assign(width_mm=600.0, pack_quantity=485.0, storage_maximum=30_000.0, lead_time_days=11.0)
    materials = pd.concat([materials, narrow]).reset_index()
    return tables | {"materials": materials}


USE = {"N1200": 2400.0, "N600": 700.0, "black": 60.0, "plate": 70.0}
STOCK = {"N1200": 30_000.0, "N600": 9_000.0, "black": 900.0, "plate": 1_500.0}


def plan_of(logs: Logs, spread: float = 0.1, stock: dict[str, float] = STOCK) -> pd.DataFrame:
    return order_plan(logs, stock_table(**stock), open_orders(logs), constant_paths(logs, USE, spread))


def test_what_an_order_plan_must_keep(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, mixed_tables())
    plan = plan_of(logs)
    assert set(plan["material"]) == {"N1200", "N600", "black", "plate"} and len(plan) > 20
    materials = logs["materials"].set_index("material")
    for row in plan.itertuples():
        own = materials.loc[row.material]
        assert row.order_on.day_name() == "Wednesday"
        assert row.due_on.day_name() not in ("Saturday", "Sunday")
        assert row.due_on >= row.order_on + pd.Timedelta(days=own["lead_time_days"])
        packs = row.quantity / own["pack_quantity"]
        assert packs == pytest.approx(round(packs)) and packs >= 1
        assert 0 < row.loads <= 1 + 1e-9 and row.loads == pytest.approx(row.quantity / own["load_quantity"])
        assert row.stock_after == pytest.approx(row.stock_before + row.quantity)
        assert row.stock_after <= own["storage_maximum"] + 1e-6
        assert 0 <= row.stockout_probability <= 1
    assert (plan.groupby("order")["loads"].sum() <= 1 + 1e-9).all()
    assert (plan.groupby("order")["due_on"].nunique() == 1).all()  # a load is on the road once
    ordered = plan.groupby(["material", "order_on"])["quantity"].sum().reset_index()
    assert (ordered["quantity"] >= ordered["material"].map(materials["order_minimum"]) - 1e-9).all()
    assert plan["order_on"].between(logs.as_of, logs.as_of + pd.Timedelta(days=91)).all()


def test_the_plan_keeps_stock_by_a_walk_through_its_days(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, mixed_tables())
    none = open_orders(logs).iloc[:0]
    plan = order_plan(logs, stock_table(**STOCK), none, constant_paths(logs, USE))
    for material, use in USE.items():
        mine = plan[plan["material"] == material]
        own = logs["materials"].set_index("material").loc[material]
        first_due = logs.as_of + pd.Timedelta(
            days=3 + own["lead_time_days"]
        )  # ordered on Wednesday, the third day
        level, lowest = STOCK[material], np.inf
        for day in pd.date_range(logs.as_of + pd.Timedelta(days=1), mine["due_on"].max()):
            level -= use
            came = mine[mine["due_on"] == day]
            if len(came):
                level = max(level, 0.0)
                assert came["stock_before"].min() == pytest.approx(level)
                level += came["quantity"].sum()
                assert came["stock_after"].max() == pytest.approx(level)
            if day > first_due + pd.Timedelta(days=5):
                lowest = min(lowest, level)
        if own["storage_maximum"] > 40 * use:  # black has room for 33 days
            assert lowest >= 7 * use - 1e-6, material  # cover_days_minimum


def test_cost_is_price_times_quantity_and_one_freight_a_load(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, mixed_tables())
    plan = plan_of(logs)
    price = {"N1200": 0.52, "N600": 0.5, "black": 2.0, "plate": 3.0}  # agreed from the first day; list prices
    for _, rows in plan.groupby("order"):
        goods = sum(price[row.material] * row.quantity for row in rows.itertuples())
        assert rows["cost"].sum() == pytest.approx(goods + 600.0)  # policy.load_cost, full or not


def test_price_by_day_and_quantity(tmp_path: Path) -> None:
    tables = small_tables()
    rows = [("2025-01-01", 0, 0.60), ("2025-01-01", 20_000, 0.55), ("2025-03-05", 0, 0.58)]
    rows += [("2025-03-10", 40_000, 0.50)]
    prices = pd.DataFrame(rows, columns=["valid_from", "from_quantity", "unit_price"]).assign(
        material="N1200"
    )
    logs = logs_of(tmp_path, tables | {"prices": prices})
    # By hand: the newest agreement of that day that has a price for so little.
    for day, quantity, price in [
        *[("2025-01-01", 19_999, 0.60), ("2025-01-01", 20_000, 0.55), ("2025-03-04", 90_000, 0.55)],
        *[("2025-03-05", 90_000, 0.58), ("2025-03-10", 39_999, 0.58), ("2025-03-10", 40_000, 0.50)],
        *[("2024-12-31", 90_000, 0.50)],  # before any agreement: the list of materials
    ]:
        assert price_of(logs, "N1200", pd.Timestamp(day), quantity) == price
    assert price_of(logs, "plate", pd.Timestamp("2025-03-05"), 1) == 3.0


def test_no_use_and_no_stock_order_nothing(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, mixed_tables())
    paths = constant_paths(logs, {"N1200": 0.0, "black": 5.0})
    plan = order_plan(logs, stock_table(N1200=0.0, black=np.nan), open_orders(logs).iloc[:0], paths)
    assert plan.empty and plan["order_on"].dtype == "datetime64[us]" and plan["cost"].dtype == "float64"


def test_an_order_that_would_not_fit_waits(tmp_path: Path) -> None:
    tables = mixed_tables()
    materials = tables["materials"]
    black = materials["material"] == "black"
    # Room for 2,000 kg, at least 1,500 kg an order of 500 kg each: it waits until 1,500 kg fit.
    tables["materials"] = materials.assign(
        order_minimum=materials["order_minimum"].mask(black, 1500.0),
        pack_quantity=materials["pack_quantity"].mask(black, 500.0),
    )
    plan = plan_of(logs_of(tmp_path, tables), spread=0.0).query("material == 'black'")
    assert len(plan) and (plan["quantity"] == 1500.0).all() and (plan["stock_after"] <= 2000.0).all()
    tables["materials"] = tables["materials"].assign(
        order_minimum=tables["materials"]["order_minimum"].mask(black, 2500.0)
    )
    assert plan_of(logs_of(tmp_path / "never", tables)).query("material == 'black'").empty


def test_an_open_order_on_its_way_needs_its_room(tmp_path: Path) -> None:
    tables = mixed_tables()
    deliveries = tables["deliveries"].copy()
    open_row = deliveries["delivery_id"] == "D4"
    # 20,000 kg of the narrow width, promised for the week after the first planned order would come.
    due = FIRST_DAY + pd.Timedelta(days=13 + 20)
    deliveries.loc[open_row, ["material", "quantity"]] = ["N600", 20_000.0]
    deliveries.loc[open_row, "promised_on"] = due
    logs = logs_of(tmp_path, tables | {"deliveries": deliveries})
    plan = plan_of(logs, spread=0.0).query("material == 'N600'")
    level = STOCK["N600"]
    receipts = plan.groupby("due_on")["quantity"].sum()
    for day in pd.date_range(logs.as_of + pd.Timedelta(days=1), plan["due_on"].max()):
        level += (
            receipts.get(day, 0.0) + (20_000.0 if day == due + pd.Timedelta(days=1) else 0.0) - USE["N600"]
        )
        assert level <= 30_000.0


@pytest.mark.parametrize("without", ["deliveries", "prices"])
def test_the_plan_does_without_a_history(tmp_path: Path, without: str) -> None:
    tables = mixed_tables()
    del tables[without]
    logs = logs_of(tmp_path, tables)
    plan = plan_of(logs)
    assert len(plan) > 20 and plan["cost"].notna().all()


def test_review_day_and_receipt_days_are_those_of_the_plant(tmp_path: Path) -> None:
    toml = (
        PLANT_TOML + '\n[calendar]\nno_receipts = ["monday", "tuesday"]\n\n[policy]\nreview_day = "tuesday"\n'
    )
    plan = plan_of(logs_of(tmp_path / "some", mixed_tables(), plant_toml=toml))
    assert set(plan["order_on"].dt.day_name()) == {"Tuesday"}
    # Ordered on Tuesday with two weeks' lead it would come on Tuesday: Wednesday is the first day that receives.
    assert set(plan.query("material == 'N1200'")["due_on"].dt.day_name()) == {"Wednesday"}
    assert not {"Monday", "Tuesday"} & set(plan["due_on"].dt.day_name())
    every = '", "'.join(["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"])
    toml = PLANT_TOML + f'\n[calendar]\nno_receipts = ["{every}"]\n'
    assert len(plan_of(logs_of(tmp_path / "all", mixed_tables(), plant_toml=toml))) > 20


def test_lines_with_different_lead_times_never_share_a_load(tmp_path: Path) -> None:
    # N1200 takes 14 days, N600 11: both are ordered of one supplier on one day, and come on two.
    plan = plan_of(logs_of(tmp_path, mixed_tables()))
    both = plan[plan["material"].isin(["N1200", "N600"])]
    same_day = both.groupby("order_on")["material"].nunique()
    assert (same_day == 2).any()
    assert (both.groupby("order")["material"].nunique() == 1).all()
    # With one lead time they do share.
    tables = mixed_tables()
    tables["materials"] = tables["materials"].assign(lead_time_days=14.0)
    plan = plan_of(logs_of(tmp_path / "one", tables))
    assert (plan.groupby("order")["material"].nunique() == 2).any()
