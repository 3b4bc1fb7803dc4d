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
