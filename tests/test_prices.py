"""One price rule: what was paid, what is agreed, the last receipts. Worked examples, and figures by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.prices import (
    agreed_price,
    agreed_words,
    is_agreed,
    newsprint_price,
    paid_cost,
    paper_prices,
    price_breaks,
    receipt_prices,
)


def logs_of(folder: Path, **tables: pd.DataFrame) -> Logs:
    return read_logs(write_small_plant(folder / "logs", small_tables() | tables))


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return logs_of(tmp_path_factory.mktemp("prices"))


def with_receipts(logs: Logs, rows: list[tuple[int, float, float]], material: str = "N1200") -> Logs:
    """Logs whose deliveries are (day, quantity, price) of one material."""
    frame = pd.DataFrame(rows, columns=["day", "quantity", "unit_price"])
    frame = pd.DataFrame(
        {
            "delivery_id": [f"R{number}" for number in range(len(frame))],
            "material": material,
            "delivered_on": FIRST_DAY + pd.to_timedelta(frame["day"], unit="D"),
            "ordered_on": FIRST_DAY,
            "quantity": frame["quantity"],
            "quantity_ordered": np.nan,
            "unit_price": frame["unit_price"],
            "supplier": pd.Series(pd.NA, frame.index, dtype="str"),
        }
    )
    return replace(logs, tables=logs.tables | {"deliveries": frame})


def valued_by(logs: Logs, valuation: str) -> Logs:
    accounts = logs.plant.accounts.model_copy(update={"valuation": valuation})
    return replace(logs, plant=logs.plant.model_copy(update={"accounts": accounts}))


def used(*rows: tuple[int, float]) -> pd.DataFrame:
    days, amounts = zip(*rows, strict=True)
    return pd.DataFrame(
        {
            "material": "N1200",
            "day": FIRST_DAY + pd.to_timedelta(pd.Series(days), unit="D"),
            "quantity": list(amounts),
        }
    )


# --- what was paid -----------------------------------------------------------------------------

#: 2,000 at 10, +500 at 11, -800, +1,000 at 12.50, -2,000: a course text on stock valuation, recomputed here.
COURSE = [(0, 2000.0, 10.0), (1, 500.0, 11.0), (3, 1000.0, 12.5)]


def test_moving_average_of_the_course_text(logs: Logs) -> None:
    book = valued_by(with_receipts(logs, COURSE), "moving_average")
    cost = paid_cost(book, used((2, 800.0), (4, 2000.0)))
    # 25,500 / 2,500 = 10.20; (1,700 x 10.20 + 12,500) / 2,700 = 11.0519.
    assert cost.tolist() == pytest.approx([8_160.0, 2000 * (1700 * 10.2 + 12_500) / 2700])
    assert round(cost[1]) == 22_104
    assert 25_500 + 12_500 - cost.sum() == pytest.approx(7_736, abs=0.5)


def test_first_in_first_out_of_the_same_entries(logs: Logs) -> None:
    cost = paid_cost(with_receipts(logs, COURSE), used((2, 800.0), (4, 2000.0)))
    # 20,000 + 5,500 + 300 x 12.50 = 29,250 in all; 700 at 12.50 are left.
    assert cost.tolist() == pytest.approx([8_000.0, 21_250.0])
    assert cost.sum() == pytest.approx(29_250)


def test_what_was_there_before_is_what_makes_the_book_end_with_the_stock(logs: Logs) -> None:
    book = with_receipts(logs, COURSE)
    # 1,200 on hand at the end: 500 were there before the first receipt, at its price.
    cost = paid_cost(book, used((2, 800.0), (4, 2000.0)), {"N1200": 1200.0})
    assert cost.sum() == pytest.approx(500 * 10 + 20_000 + 300 * 11)
    # 200 on hand: 500 of the first were lost, and nobody used them.
    cost = paid_cost(book, used((2, 800.0), (4, 2000.0)), {"N1200": 200.0})
    assert cost.sum() == pytest.approx(1500 * 10 + 5_500 + 800 * 12.5)


def test_use_of_one_day_is_shared_and_unknown_use_costs_nobody_knows_what(logs: Logs) -> None:
    cost = paid_cost(with_receipts(logs, COURSE), used((2, 1900.0), (2, 600.0), (3, np.nan), (4, 1.0)))
    # 2,000 at 10 and 500 at 11 in one day: the mean for both rows.
    assert cost[0] == pytest.approx(1900 * 10.2)
    assert cost[1] == pytest.approx(600 * 10.2)
    assert np.isnan(cost[2])
    assert cost[3] == 12.5


def test_what_never_came_costs_what_is_agreed(logs: Logs) -> None:
    bare = replace(logs, tables={name: logs[name] for name in logs.tables if name != "deliveries"})
    assert paid_cost(bare, used((2, 10.0))).tolist() == [pytest.approx(5.2)]
    unlisted = used((2, 10.0)).assign(material="unlisted")
    assert paid_cost(bare, unlisted).isna().all()


@pytest.mark.parametrize("valuation", ["first_in_first_out", "moving_average"])
def test_all_that_came_is_either_used_or_left(logs: Logs, valuation: str) -> None:
    rng = np.random.default_rng(5)
    rows = [(int(day), float(rng.integers(50, 90)), float(rng.uniform(8, 12))) for day in range(0, 400, 7)]
    book = valued_by(with_receipts(logs, rows), valuation)
    taken = used(*[(day + 1, float(rng.integers(1, 8))) for day in range(0, 400)])
    total = sum(amount for _, amount, _ in rows) - taken["quantity"].sum()
    cost = paid_cost(book, taken)
    left = sum(amount * price for _, amount, price in rows) - cost.sum()
    assert total > 0
    assert 8 < left / total < 12
    if valuation == "first_in_first_out":
        # By hand: layers from the end.
        stack, value = total, 0.0
        for _, amount, price in reversed(rows):
            value += min(amount, stack) * price
            stack -= min(amount, stack)
        assert left == pytest.approx(value)


# --- what will be bought -----------------------------------------------------------------------


def test_price_by_day_and_quantity(tmp_path: Path) -> None:
    rows = [("2025-01-01", 0, 0.60), ("2025-01-01", 20_000, 0.55), ("2025-03-05", 0, 0.58)]
    rows += [("2025-03-10", 40_000, 0.50)]
    prices = pd.DataFrame(rows, columns=["valid_from", "from_quantity", "unit_price"]).assign(
        material="N1200"
    )
    logs = logs_of(tmp_path, prices=prices)
    # By hand: the newest agreement of that day that has a price for so little.
    for day, quantity, price in [
        *[("2025-01-01", 19_999, 0.60), ("2025-01-01", 20_000, 0.55), ("2025-03-04", 90_000, 0.55)],
        *[("2025-03-05", 90_000, 0.58), ("2025-03-10", 39_999, 0.58), ("2025-03-10", 40_000, 0.50)],
        *[("2024-12-31", 90_000, 0.50)],  # before any agreement: the list of materials
    ]:
        assert agreed_price(logs, "N1200", pd.Timestamp(day), quantity) == price
    assert agreed_price(logs, "plate", pd.Timestamp("2025-03-05"), 1) == 3.0
    assert np.isnan(agreed_price(logs, "unlisted", pd.Timestamp("2025-03-05"), 1))
    assert agreed_price(logs, "plate", pd.Timestamp("2025-03-05"), np.nan) == 3.0
    assert price_breaks(logs, "N1200", pd.Timestamp("2025-03-10")) == [(0.0, 0.58), (40_000.0, 0.50)]
    with pytest.raises(KeyError):
        price_breaks(logs, "unlisted", pd.Timestamp("2025-03-10"))


def test_a_suppliers_own_price_holds_for_it_alone(tmp_path: Path) -> None:
    rows = [(pd.NA, FIRST_DAY, 0, 0.60), ("Other", FIRST_DAY, 0, 0.50)]
    prices = pd.DataFrame(rows, columns=["supplier", "valid_from", "from_quantity", "unit_price"])
    logs = logs_of(tmp_path, prices=prices.assign(material="N1200"))
    assert agreed_price(logs, "N1200", FIRST_DAY, 1.0) == 0.60
    assert agreed_price(logs, "N1200", FIRST_DAY, 1.0, "Other") == 0.50
    assert agreed_price(logs, "N1200", FIRST_DAY, 1.0, "A third") == 0.60


def test_a_list_price_is_not_called_agreed(tmp_path: Path) -> None:
    rows = pd.DataFrame({"material": ["N1200", "N600"], "supplier": ["Northmill", "Northmill"]})
    prices = pd.DataFrame({"supplier": ["Northmill"], "from_quantity": [0], "unit_price": [0.60]})
    prices = prices.assign(material="N1200", valid_from=FIRST_DAY)
    logs = logs_of(tmp_path, prices=prices)
    assert is_agreed(logs, "N1200", "Northmill")
    assert not is_agreed(logs, "N1200", "Eastmill")
    assert is_agreed(logs, "N1200") == (logs.of_material(rows["material"], "supplier").iloc[0] == "Northmill")
    assert agreed_words(logs, rows[:1]) == "at the prices agreed"
    assert (
        agreed_words(logs, rows) == "at the prices agreed, else as listed"
    )  # of N600 there is the list alone
    assert agreed_words(logs, rows[1:]) == "at list prices (no agreed price is logged)"
    later = prices.assign(valid_from=logs.as_of + pd.Timedelta(days=1))
    assert not is_agreed(logs_of(tmp_path / "later", prices=later), "N1200", "Northmill")


# --- the last receipts -------------------------------------------------------------------------


def test_the_last_receipts_are_those_of_the_last_day_by_weight(logs: Logs) -> None:
    book = with_receipts(logs, [(0, 100.0, 0.40), (5, 100.0, 0.50), (5, 300.0, 0.60)])
    price = receipt_prices(book)
    assert price["N1200"] == pytest.approx(0.575)
    # Nothing else came: what is agreed for an order of as-of.
    assert price["black"] == 2.0
    assert price["plate"] == 3.0
    assert newsprint_price(book) == pytest.approx(0.575)
    # An invoice without a price: as agreed on the day of the order.
    assert receipt_prices(with_receipts(logs, [(3, 5.0, np.nan)]))["N1200"] == 0.52


def test_a_plants_newsprint_costs_the_mean_by_what_was_mounted(tmp_path: Path) -> None:
    tables = small_tables()
    listed = tables["materials"]
    more = listed[listed["material"] == "N1200"].assign(material="N800", unit_price=0.9)
    mounts, webs = tables["reel_mounts"].copy(), tables["run_webs"].copy()
    for table in (mounts, webs):
        table.loc[table["web"] == "B", "material"] = "N800"
    logs = logs_of(
        tmp_path, materials=pd.concat([listed, more], ignore_index=True), reel_mounts=mounts, run_webs=webs
    )
    kept = logs["reel_mounts"]
    kg = (kept["start_kg"] - kept["returned_kg"]).groupby(kept["material"]).sum()
    assert len(kg) == 2
    price = receipt_prices(logs)
    assert price["N800"] == 0.9
    assert price["N1200"] != 0.9
    mean = (kg * price.reindex(kg.index)).sum() / kg.sum()
    assert newsprint_price(logs) == pytest.approx(mean)
    on_a = logs["run_webs"].groupby("run_id")["web"].nunique()
    alone = pd.Series(on_a.index[on_a == 1])
    assert newsprint_price(logs, alone) == price["N1200"]


def test_what_is_bought_by_the_reel_has_no_price_of_a_kilogram(logs: Logs) -> None:
    listed = logs["materials"].assign(unit="each")
    each = replace(logs, tables=logs.tables | {"materials": listed})
    assert paper_prices(each).isna().all()
    assert np.isnan(newsprint_price(each))
    bare = replace(logs, tables={name: logs[name] for name in ("runs", "run_webs", "reel_mounts")})
    assert paper_prices(bare).empty
    assert np.isnan(newsprint_price(bare))
