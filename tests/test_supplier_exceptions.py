"""Contracts that may end outside their tolerance and claims whose period runs out, from rows written out by hand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from order_plans import DAY, plant
from test_supplier_pages import odds

from pressstats.tables import OUTPUTS
from pressstats.watch import to_do
from pressstats.watch.supplier_exceptions import supplier_exceptions

if TYPE_CHECKING:
    from pressstats.logs import Logs

NOTHING = pd.DataFrame(columns=["supplier"])


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    folder: Path = tmp_path_factory.mktemp("plant")
    return plant(folder, "[policy]\nclaim_days = 30\n")


def claimed(logs: Logs, *ago: int) -> pd.DataFrame:
    rows = [("Northmill", f"D{n}", f"R{n}", "short of weight", 50.0, 30.0, logs.as_of - n * DAY) for n in ago]
    return pd.DataFrame(rows, columns=["supplier", "delivery_id", "reel_id", "why", "kg", "cost", "seen_on"])


@pytest.mark.parametrize(
    ("chance", "state"), [(0.1, ""), (0.11, "watch"), (0.5, "watch"), (0.51, "act"), (0.83, "act")]
)
def test_a_contract_is_raised_by_how_likely_it_is_broken(logs: Logs, chance: float, state: str) -> None:
    contracts = odds(material="N1200", chance_below=chance - 0.01, chance_above=0.01)
    found = list(supplier_exceptions(logs, contracts, OUTPUTS["claims"].empty(), NOTHING))
    assert [row["state"] for row in found] == ([state] if state else [])
    for row in found:
        assert (row["kind"], row["subject"], row["owner"]) == ("contract", "Northmill N1200", "purchasing")
        assert (row["cost"], row["cost_basis"]) == (3_000.0, "by its end")
        assert "moving 150,000 kg from Southmill mends it" in row["why"]
        assert (
            "the order of 2025-10-29, 90,000 kg, is the first that can be placed with Northmill" in row["why"]
        )
        # Told after the first order that can be moved, it would come too late.
        assert row["by"] == contracts["first_on"].item()


def test_a_contract_that_nobody_can_mend_says_so(logs: Logs) -> None:
    contracts = odds(material="N1200", other="", shift=0.0, left=150_000.0)
    (row,) = supplier_exceptions(logs, contracts, OUTPUTS["claims"].empty(), NOTHING)
    assert "no other supplier can spare any: 150,000 kg too little" in row["why"]
    (row,) = supplier_exceptions(
        logs, odds(material="N1200", first_on=pd.NaT), OUTPUTS["claims"].empty(), NOTHING
    )
    assert pd.isna(row["by"])
    # Who reads the beginning alone must not order what cannot be moved.
    words = row["why"]
    assert words.index("no order of the plan can be placed") < words.index("moving 150,000 kg from Southmill")
    part = odds(material="N1200", shift=-9e4, left=-6e4, worth=-20.0)
    (row,) = supplier_exceptions(logs, part, OUTPUTS["claims"].empty(), NOTHING)
    assert "moving 90,000 kg to Southmill, all that it can take, leaves 60,000 kg too much" in row["why"]
    assert row["why"].endswith("it costs more than it spares")


def test_claims_are_raised_until_their_period_is_over(logs: Logs) -> None:
    found = list(supplier_exceptions(logs, NOTHING.iloc[:0], claimed(logs, 5, 30, 31), NOTHING))
    (row,) = found
    # The one seen 31 days ago is over; of the others the first ends today.
    assert (row["subject"], row["size"], row["cost"]) == ("Northmill", 100.0, 60.0)
    assert (row["by"], row["state"]) == (logs.as_of, "act")
    assert "2 claims" in row["why"]
    assert "R30, short of weight" in row["why"]
    (early,) = supplier_exceptions(logs, NOTHING.iloc[:0], claimed(logs, 5), NOTHING)
    assert (early["by"], early["state"]) == (logs.as_of + 25 * DAY, "watch")
    # What is told as transport damage is not told twice.
    damaged = pd.DataFrame({"supplier": "Northmill", "delivery_id": "D5", "mounted_at": [logs.as_of]})
    assert not list(supplier_exceptions(logs, NOTHING.iloc[:0], claimed(logs, 5), damaged))


def test_a_claim_is_to_be_done_by_the_end_of_its_period(logs: Logs) -> None:
    from test_week_to_do import nothing

    (row,) = supplier_exceptions(logs, NOTHING.iloc[:0], claimed(logs, 28), NOTHING)
    table = pd.DataFrame([{"exception": "claim: Northmill", **row}])[OUTPUTS["exceptions"].names]
    (todo,) = to_do(logs, table, nothing()).itertuples()
    assert todo.by == logs.as_of + 2 * DAY
    assert todo.do == "Send Northmill the claim with its evidence"
    assert todo.cost == 30.0
