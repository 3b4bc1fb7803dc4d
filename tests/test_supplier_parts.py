"""What part of a material each supplier is likely to deliver, by sums written out by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import supplier_parts

MONTHS = pd.DatetimeIndex(["2025-05-01", "2025-08-01"])


def logs_with(folder: Path, **columns: object) -> Logs:
    """Return the small plant with two mills of its newsprint, whose terms have these columns."""
    tables = dict(small_tables(28))
    rows = pd.DataFrame(
        {"material": "N1200", "supplier": ["Northmill", "Southmill"], "valid_from": FIRST_DAY}
    )
    how = {"lead_time_days": 14, "pack_quantity": 1000, "load_quantity": 24_000, "order_minimum": 1000}
    tables["terms"] = rows.assign(**how, unit_price=0.7, **columns)
    return read_logs(write_small_plant(folder, tables))


def plan_of(*quantities: float) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "material": "N1200",
            "supplier": ["Northmill", "Southmill"][: len(quantities)],
            "quantity": quantities,
        }
    )


def told(parts: pd.DataFrame) -> dict[str, list[float]]:
    """Return the parts of the two mills by what they are told by."""
    rows = parts[parts["material"] == "N1200"]
    assert np.allclose(rows.groupby("month")["part"].sum(), 1.0)
    return {str(by): group["part"].round(6).tolist() for by, group in rows.groupby("by")}


def test_contracts_tell_while_they_run_by_what_they_are_of_a_year(tmp_path: Path) -> None:
    """300 t of a whole year and 100 t of half of it are nearly 3 to 2; from July on they are taken to go on."""
    logs = logs_with(
        tmp_path,
        contract_quantity=[300_000.0, 100_000.0],
        contract_from=["2024-07-01", "2025-01-01"],
        contract_to=["2025-06-30", "2025-06-30"],
    )
    found = told(supplier_parts(logs, plan_of(9_000.0, 1_000.0), MONTHS))
    year, half = 300 / 365, 100 / 181
    assert found["contracts"] == pytest.approx([year / (year + half), half / (year + half)], abs=1e-6)
    assert found["continued"] == found["contracts"]
    # Terms that are known to follow without a contract: the plan tells.
    rows = logs["terms"].assign(valid_from=pd.Timestamp("2025-07-01"), contract_quantity=np.nan)
    followed = replace(logs, tables=logs.tables | {"terms": pd.concat([logs["terms"], rows])})
    parts = told(supplier_parts(followed, plan_of(9_000.0, 1_000.0), MONTHS))
    assert parts == {"contracts": found["contracts"], "plan": [0.9, 0.1]}


def test_the_plan_tells_within_the_shares_agreed(tmp_path: Path) -> None:
    """90 and 10 of 100, where one may have 60 at the most: 60 and 40."""
    logs = logs_with(tmp_path, share_minimum_pct=[20.0, 10.0], share_maximum_pct=[60.0, 70.0])
    assert told(supplier_parts(logs, plan_of(9_000.0, 1_000.0), MONTHS[:1])) == {"plan": [0.6, 0.4]}
    # Without an order the middle of what is agreed: 40 and 40 of 80.
    assert told(supplier_parts(logs, plan_of(), MONTHS[:1])) == {"agreed": [0.5, 0.5]}


def test_who_is_alone_has_all_and_of_whom_nothing_is_known_as_much_as_the_other(tmp_path: Path) -> None:
    logs = logs_with(tmp_path)
    parts = supplier_parts(logs, plan_of(), MONTHS)
    assert told(parts) == {"alike": [0.5, 0.5, 0.5, 0.5]}
    alone = parts[parts["material"] == "plate"]
    assert alone["by"].tolist() == ["alone", "alone"]
    assert alone["part"].tolist() == [1.0, 1.0]
