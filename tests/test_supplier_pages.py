"""What the buying outlook says of contracts and emergency supply, from plans whose odds are written out."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from pressstats.orders.contracts import CONTRACTS
from pressstats.orders.plan_tables import SERVICE
from pressstats.pages import buying_suppliers

MATERIALS = pd.DataFrame({"material": ["N45-1260"], "unit": ["kg"]})


def results(**of_plan: Any) -> Any:
    logs = SimpleNamespace(
        plant=SimpleNamespace(currency="EUR"),
        has=lambda name: name == "materials",
        tables={"materials": MATERIALS},
        of_material=lambda names, column: names.map(MATERIALS.set_index("material")[column]),
    )
    nothing = pd.DataFrame(columns=["subject", "what", "suspect", "refuses"])
    return SimpleNamespace(plan=SimpleNamespace(**of_plan), logs=logs, implausible=nothing)


def odds(**own: Any) -> pd.DataFrame:
    row = {
        "supplier": "Northmill",
        "material": "N45-1260",
        "contract_to": pd.Timestamp("2025-12-31"),
        "contract_quantity": 1e6,
        "tolerance_pct": 10.0,
        "drawn": 4e5,
        "q05": 7e5,
        "q50": 8e5,
        "q95": 9.2e5,
        "chance_below": 0.83,
        "chance_above": 0.0,
        "shift": 150_000.0,
        "other": "Southmill",
        "shift_cost": -3_000.0,
    }
    return pd.DataFrame([row | own]).astype(CONTRACTS)


@pytest.fixture(autouse=True)
def _unit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(buying_suppliers, "unit_of", lambda results, name: "kg")


def said(block: Any) -> str:
    """Return a block's words with plain spaces, and commas between thousands."""
    text = str(block.text).replace("\u202f", ",").replace("\xa0", " ")
    return text.replace("\u2068", "").replace("\u2069", "")


def test_a_contract_that_may_be_broken_is_told_with_what_mends_it() -> None:
    text = said(buying_suppliers.contracts(results(contracts=odds())))
    assert "83 %" in text
    assert "150,000 kg from" in text
    assert "sparing 3,000 EUR" in text
    dearer = said(buying_suppliers.contracts(results(contracts=odds(shift=-5e4, shift_cost=900.0))))
    assert "50,000 kg to" in dearer
    assert "for 900 EUR" in dearer
    alone = said(buying_suppliers.contracts(results(contracts=odds(other="", shift_cost=float("nan")))))
    assert "nobody else delivers it" in alone


def test_contracts_that_hold_or_do_not_run_are_told_as_such() -> None:
    held = said(buying_suppliers.contracts(results(contracts=odds(chance_below=0.04, shift=0.0, other=""))))
    assert "1 contract, each likely to end within its tolerance" in held
    none = said(buying_suppliers.contracts(results(contracts=odds().iloc[:0])))
    assert "No contract runs" in none


def test_emergency_supply_is_told_by_the_year() -> None:
    row = dict.fromkeys(SERVICE, 0.0) | {"material": "N45-1260", "weeks_short": 0.001, "weeks_saved": 0.025}
    text = said(buying_suppliers.emergencies(results(service=pd.DataFrame([row]))))
    # 52 x 0.025 weeks a year.
    assert "1.3 times a year" in text
    quiet = pd.DataFrame([row | {"weeks_saved": 0.0}])
    assert "no emergency supply is to be expected" in str(
        buying_suppliers.emergencies(results(service=quiet))
    )
