"""Changes since the plan before, by hand, and how the plan before is read."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import plan_changes
from pressstats.past import PastError, past_plan

MADE_ON = pd.Timestamp("2025-03-09")


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return read_logs(write_small_plant(tmp_path_factory.mktemp("plant") / "logs", small_tables()))


def orders(*rows: tuple[str, str, float]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["material", "order_on", "quantity"])
    return table.astype({"order_on": "datetime64[us]"})


def test_changes_and_news_by_hand(logs: Logs) -> None:
    # As-of is Sunday the sixteenth; the plan before was made a week earlier.
    assert logs.as_of == pd.Timestamp("2025-03-16")
    weeks = pd.date_range("2025-03-17", periods=8, freq="7D", unit="us")
    outlook = SimpleNamespace(names=["N1200"], weeks=weeks, mean=np.full((1, 8), 7_500.0))
    said_weeks = pd.date_range("2025-03-10", periods=13, freq="7D", unit="us")
    said = {
        "order_plan": orders(
            ("N1200", "2025-03-12", 9_000.0),  # placed or not, its day is over
            ("N1200", "2025-03-19", 9_700.0),
            ("N1200", "2025-03-26", 9_700.0),
            ("N600", "2025-03-19", 1_000.0),
            ("N600", "2025-06-04", 1_000.0),
        ),
        "stock_cover": pd.DataFrame({"material": ["N1200"], "quantity": [40_000.0]}),
        "demand_forecast": pd.DataFrame({"material": "N1200", "week": said_weeks, "mean": 7_000.0}),
    }
    plan = orders(
        ("N1200", "2025-03-19", 9_700.0), ("N600", "2025-03-26", 1_000.0), ("black", "2025-03-19", 500.0)
    )
    stock = pd.DataFrame({"material": ["N1200", "black"], "quantity": [41_000.0, 300.0]})
    table = plan_changes(logs, outlook, stock, plan, MADE_ON, said).set_index("material")
    # N600 moved by a week within the six reviews: the same in all, and yet another plan.
    assert list(table.index) == ["N1200", "N600", "black"]
    assert table.loc["N600", ["then", "now", "moved"]].tolist() == [1_000.0, 1_000.0, 1_000.0]
    assert table.loc["N1200", "moved"] == 0
    assert table.loc["N1200", ["then", "now"]].tolist() == [19_400.0, 9_700.0]
    # 40,000 were there, 9,900 came on the twelfth and 7,000 were to be used.
    assert table.loc["N1200", "stock_news"] == pytest.approx(41_000 - (40_000 + 9_900 - 7_000))
    assert table.loc["N1200", "forecast_news"] == pytest.approx(6 * 500)
    assert np.isnan(table.loc["black", ["stock_news", "forecast_news"]].astype(float)).all()
    assert plan_changes(logs, outlook, stock, said["order_plan"], MADE_ON, said).empty


def publication(folder: Path, day: str, quantity: str = "9700") -> None:
    tables = folder / day / "tables"
    tables.mkdir(parents=True)
    (tables / "order_plan.csv").write_text(
        f"order,material,order_on,quantity\n1,N1200,2025-03-19,{quantity}\n2,'=N,2025-03-19,5\n"
    )
    (tables / "stock_cover.csv").write_text("material,quantity\nN1200,\n")
    (tables / "demand_forecast.csv").write_text("material,week,mean\nN1200,2025-03-17,7000\n")


def test_the_latest_plan_before_the_day_is_read(tmp_path: Path) -> None:
    for day, quantity in (("2025-02-23", "1"), ("2025-03-02", "2"), ("2025-03-09", "3"), ("2025-03-16", "4")):
        publication(tmp_path, day, quantity)
    found, digests = past_plan(tmp_path, pd.Timestamp("2025-03-16"))
    assert found is not None
    assert found.made_on == MADE_ON
    assert found.order_plan["quantity"].tolist() == [3.0, 5.0]
    assert found.order_plan["material"].tolist() == ["N1200", "=N"]
    assert found.stock_cover["quantity"].isna().all()
    assert sorted(digests) == [
        f"2025-03-09/tables/{name}.csv" for name in ("demand_forecast", "order_plan", "stock_cover")
    ]
    # A plan older than four weeks tells nothing, and neither does none.
    assert past_plan(tmp_path, pd.Timestamp("2025-04-30"))[0] is None
    assert past_plan(tmp_path, pd.Timestamp("2025-02-23")) == (None, {})
    assert past_plan(None, MADE_ON) == (None, {})


def test_a_plan_that_cannot_be_read_names_its_file(tmp_path: Path) -> None:
    publication(tmp_path, "2025-03-09", "much")
    with pytest.raises(PastError, match=r"2025-03-09.tables.order_plan\.csv"):
        past_plan(tmp_path, pd.Timestamp("2025-03-16"))
