"""What the need ahead costs: agreed prices and quantity breaks, worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import season_spend, total_spend
from pressstats.orders.yearly import _order_sizes

YEAR = pd.DataFrame(
    {"material": ["N1200", "black", "unlisted", "cyan"], "order_size": [6_000.0, 50.0, 10.0, np.nan]}
)
MONTHS = pd.to_datetime(["2025-04-01", "2025-05-01"])


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return read_logs(write_small_plant(tmp_path_factory.mktemp("spend") / "logs", small_tables(7)))


def with_prices(logs: Logs, *rows: tuple[str, str, float, float]) -> Logs:
    prices = pd.DataFrame(rows, columns=["material", "valid_from", "from_quantity", "unit_price"])
    prices = prices.assign(valid_from=pd.to_datetime(prices["valid_from"]), supplier=pd.NA)
    return replace(logs, tables=logs.tables | {"prices": prices})


def season() -> pd.DataFrame:
    names = np.repeat(YEAR["material"].to_numpy(), 2)
    rows = pd.DataFrame({"material": names, "month": np.tile(MONTHS, len(YEAR))})
    return rows.assign(q05=[90.0, 80.0] * len(YEAR), mean=100.0, q95=[np.nan, 130.0] * len(YEAR))


def test_a_month_costs_what_is_agreed_for_its_first_day(logs: Logs) -> None:
    agreed = with_prices(
        logs,
        ("N1200", "2025-01-01", 0, 0.52),
        ("N1200", "2025-01-01", 5_000, 0.50),
        ("N1200", "2025-01-01", 7_000, 0.48),
        ("N1200", "2025-04-02", 0, 0.60),
    )
    found = season_spend(agreed, season(), YEAR)
    assert list(found.columns[:5]) == list(season().columns)
    paper = found[found["material"] == "N1200"]
    # Orders of 6 t: the break at 5 t holds, that at 7 t does not; from 2 April another price, so from May on.
    assert paper["price"].tolist() == [0.50, 0.60]
    assert paper["spend_low"].tolist() == pytest.approx([45.0, 48.0])
    assert paper["spend_expected"].tolist() == pytest.approx([50.0, 60.0])
    assert paper["spend_high"].tolist() == pytest.approx([np.nan, 78.0], nan_ok=True)


def test_prices_are_the_lists_where_nothing_is_agreed_and_blank_where_nothing_is_listed(logs: Logs) -> None:
    agreed = with_prices(logs, ("cyan", str(FIRST_DAY.date()), 10, 3.5))
    price = season_spend(agreed, season(), YEAR).drop_duplicates("material").set_index("material")["price"]
    assert price["N1200"] == 0.5
    assert price["black"] == 2.0
    # An order of unknown size cannot claim a quantity break.
    assert price["cyan"] == 4.0
    assert np.isnan(price["unlisted"])
    bare = replace(logs, tables={name: logs[name] for name in ("runs", "run_webs")})
    blank = season_spend(bare, season(), YEAR)
    assert blank[["price", "spend_low", "spend_expected", "spend_high"]].isna().all(axis=None)


def test_prices_are_of_orders_as_large_as_the_plans(logs: Logs) -> None:
    listed = logs["materials"].assign(order_minimum=[4_000.0, *[np.nan] * (len(logs["materials"]) - 1)])
    known = replace(logs, tables=logs.tables | {"materials": listed})
    first = str(listed["material"].iloc[0])
    weekly = pd.Series({"black": 50.0, first: 900.0, "unlisted": 7.0})
    days = pd.to_datetime(["2025-04-02", "2025-04-02", "2025-04-09"])
    plan = pd.DataFrame({"material": "black", "order_on": days, "quantity": [500.0, 500.0, 3_000.0]})
    # 1,000 and 3,000 kg: three quarters of all is bought at 3,000 a time.
    assert _order_sizes(known, weekly, plan).tolist() == [0.25 * 1_000 + 0.75 * 3_000, 4_000.0, 7.0]
    assert _order_sizes(known, weekly, None).tolist() == [50.0, 4_000.0, 7.0]


def test_a_total_that_lacks_materials_says_so() -> None:
    def total(*spend: float) -> tuple[float, str]:
        return total_spend(pd.DataFrame({"spend_expected": list(spend)}))

    assert total(10.0, 5.5) == (15.5, "")
    assert total(10.0, np.nan, 5.0) == (15.0, "2 of 3 materials, the others unknown")
    nothing, words = total(np.nan)
    assert np.isnan(nothing)
    assert words.startswith("0 of 1")


def test_a_price_agreed_to_begin_later_is_known_at_once_or_from_the_day_it_was_agreed(tmp_path: Path) -> None:
    tables = small_tables(7)
    later = tables["prices"].assign(valid_from=pd.Timestamp("2025-04-15"), unit_price=9.0)
    for agreed, price in ((pd.NaT, 9.0), (FIRST_DAY, 9.0), (FIRST_DAY + pd.Timedelta(days=20), 0.52)):
        prices = pd.concat([tables["prices"], later.assign(agreed_on=agreed)], ignore_index=True)
        logs = read_logs(write_small_plant(tmp_path / str(agreed), tables | {"prices": prices}))
        found = season_spend(logs, season(), YEAR)
        assert found.loc[found["material"] == "N1200", "price"].tolist() == [0.52, price]
