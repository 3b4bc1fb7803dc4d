"""Nothing is ordered, and nothing said to last, where the logs cannot be true."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import refuse_stock


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    folder: Path = tmp_path_factory.mktemp("refused")
    return read_logs(write_small_plant(folder / "logs", small_tables()))


def doubts(*rows: tuple[str, str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=["subject", "refuses"])
    return table.assign(what="film weight", suspect="deliveries of this ink are missing")


@pytest.mark.parametrize(
    ("rows", "refused"),
    [
        ([], set()),
        ([("reel_mounts", "paper")], {"N1200"}),
        ([("black", "ink")], {"black"}),
        ([("coverage", "ink")], {"black", "cyan"}),
        ([("runs", "everything")], {"N1200", "black", "cyan", "plate"}),
        ([("plan", "demand")], {"N1200", "black", "cyan", "plate"}),
        ([("waste_sold", "")], set()),
    ],
)
def test_what_is_refused_is_unknown_and_says_why(
    logs: Logs, rows: list[tuple[str, str]], refused: set[str]
) -> None:
    names = ["N1200", "black", "cyan", "plate"]
    stock = pd.DataFrame({"material": names, "quantity": 10.0, "counted_on": logs.as_of, "why": ""})
    stock = stock.astype({"material": "str", "why": "str"})
    found = refuse_stock(logs, stock, doubts(*rows)).set_index("material")
    assert set(found.index[found["quantity"].isna()]) == refused
    for name in names:
        assert found.loc[name, "why"].startswith("refused: ") == (name in refused)
    assert stock["quantity"].notna().all()
