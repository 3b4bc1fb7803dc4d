"""What the buying outlook says of contracts and emergency supply, from plans whose odds are written out."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from pressstats.orders import expected_rushes, moved_orders
from pressstats.orders.contract_ends import CONTRACTS
from pressstats.orders.late_trucks import LATE_SCENARIOS
from pressstats.orders.plan_tables import SERVICE
from pressstats.pages import buying_suppliers, late_deliveries
from pressstats.plant import Plant
from pressstats.tables import OUTPUTS

MATERIALS = pd.DataFrame(
    {"material": ["N45-1260"], "unit": ["kg"], "kind": ["newsprint"], "pack_quantity": [917.0]}
)


class StandInLogs(SimpleNamespace):
    """Logs that hold a list of materials."""

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.tables[name]


def results(**of_plan: Any) -> Any:
    logs = StandInLogs(
        plant=Plant(name="P", timezone="Etc/UTC", currency="EUR"),
        as_of=pd.Timestamp("2025-10-24"),
        has=lambda name: name == "materials",
        tables={"materials": MATERIALS},
        of_material=lambda names, column: names.map(MATERIALS.set_index("material")[column]),
    )
    nothing = pd.DataFrame(columns=["subject", "what", "suspect", "refuses"])
    found = StandInLogs(plan=SimpleNamespace(**of_plan), logs=logs, implausible=nothing)
    found.tables = {"supplier_record": RECORD}
    return found


#: What a tonne of each mill costs.
RECORD = pd.DataFrame(
    {
        "supplier": ["Northmill", "Southmill"],
        "material": "N45-1260",
        "paper_cost_per_t": [640.0, 650.0],
        "true_cost_per_t": [690.0, 669.0],
    }
)


def odds(**own: Any) -> pd.DataFrame:
    row = {
        "supplier": "Northmill",
        "material": "N45-1260",
        "contract_from": pd.Timestamp("2025-01-01"),
        "contract_to": pd.Timestamp("2025-12-31"),
        "assumed": False,
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
        "left": 0.0,
        "worth": 3_000.0,
        "first_on": pd.Timestamp("2025-10-29"),
        "first_quantity": 90_000.0,
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
    assert "to mend it, worth 3,000 EUR by its end" in text
    first = "; the order of Wed 29 Oct, 90,000 kg, is the first"
    assert f"{first} that can be placed with Northmill instead" in text
    large = said(buying_suppliers.contracts(results(contracts=odds(shift=-5e4))))
    assert f"{first} of which so much can be placed with Southmill instead" in large
    late = said(buying_suppliers.contracts(results(contracts=odds(first_on=pd.NaT, first_quantity=None))))
    assert (
        "; no order of the plan can be placed with Northmill instead (too late, or no room on its truck): have"
        in late
    )
    assert "Northmill, N45-1260: 83 %, move" in text
    dearer = said(buying_suppliers.contracts(results(contracts=odds(shift=-5e4, worth=-900.0))))
    assert "50,000 kg to" in dearer
    assert "which costs 900 EUR more than it spares by its end" in dearer
    part = said(buying_suppliers.contracts(results(contracts=odds(left=2e4))))
    assert "move 150,000 kg from Southmill, all that it can spare, which leaves 20,000 kg too little" in part
    alone = said(buying_suppliers.contracts(results(contracts=odds(other="", shift=0.0, left=-2e4))))
    assert "no other supplier can take any: 20,000 kg too much" in alone


def test_why_a_mill_is_drawn_beyond_its_contract_is_said_with_what_that_costs() -> None:
    above = odds(q50=1_060_000.0, chance_below=0.0, shift=0.0, other="")
    below = odds(supplier="Southmill", q50=900_000.0, chance_below=0.0, shift=0.0, other="")
    text = said(buying_suppliers.contracts(results(contracts=pd.concat([above, below], ignore_index=True))))
    assert (
        "Of N45-1260, Northmill is expected to end 60,000 kg above what is agreed, and Southmill 100,000 kg below: "
        "its price with waste and breaks is 10 EUR a tonne lower. All in it is 21 EUR a tonne dearer, which on what is "
        "above comes to 1,260 EUR." in text
    )
    # Of one alone, or of two that are both drawn less, there is nothing to say.
    for rows in ([above], [below], [odds(q50=9e5), below]):
        text = said(buying_suppliers.contracts(results(contracts=pd.concat(rows, ignore_index=True))))
        assert "expected to end" not in text


def test_the_order_that_a_contract_advises_to_move_is_known_by_mill_and_day() -> None:
    as_of = pd.Timestamp("2025-10-26")
    # Northmill lacks, so that what Southmill is to be asked for goes to it; what it has too much goes the other way.
    year = {"contract_from": pd.Timestamp("2026-01-01"), "contract_to": pd.Timestamp("2026-12-31")}
    sooner = pd.Timestamp("2025-10-22")
    contracts = pd.concat(
        [
            odds(),
            odds(shift=-5e4, material="N52", first_on=sooner),
            odds(first_on=pd.NaT, material="N60"),
            odds(**year),
        ],
        ignore_index=True,
    )
    moved = moved_orders(contracts, as_of)
    assert moved[["material", "supplier", "instead"]].to_numpy().tolist() == [
        ["N52", "Northmill", "Southmill"],
        ["N45-1260", "Southmill", "Northmill"],
    ]
    assert moved["order_on"].tolist() == [sooner, pd.Timestamp("2025-10-29")]
    assert moved["moved"].tolist() == [50_000.0, 90_000.0]
    assert moved_orders(odds().iloc[:0], as_of).empty


def test_contracts_that_hold_or_do_not_run_are_told_as_such() -> None:
    held = said(buying_suppliers.contracts(results(contracts=odds(chance_below=0.04, shift=0.0, other=""))))
    assert "1 running contract, each likely to end within its tolerance" in held
    none = said(buying_suppliers.contracts(results(contracts=odds().iloc[:0])))
    assert "No contract runs" in none


def test_terms_of_next_year_that_are_not_logged_are_named_as_an_assumption() -> None:
    year = {"contract_from": pd.Timestamp("2026-01-01"), "contract_to": pd.Timestamp("2026-12-31")}
    both = pd.concat([odds(), odds(**year, assumed=True, chance_below=0.0)], ignore_index=True)
    text = said(buying_suppliers.contracts(results(contracts=both)))
    assert "1 of 1 running contract may end outside" in text
    assert "No terms from Thu 1 Jan 2026 on are logged of Northmill, N45-1260" in text
    assert ">assumed to continue<" in buying_suppliers.contracts(results(contracts=both)).markup
    assert "the present contracts and shares are assumed to continue." in text
    known = pd.concat([odds(), odds(**year)], ignore_index=True)
    text = said(buying_suppliers.contracts(results(contracts=known)))
    assert "assumed to continue" not in text
    # Of terms that are all logged nothing is said of each.
    assert ">logged<" not in buying_suppliers.contracts(results(contracts=known)).markup
    assert (
        "Next contracts that may end outside their tolerance, likelier below it: Northmill, N45-1260 (83 %)."
        in text
    )
    assert "likely" not in text


def test_emergency_supply_is_told_with_how_often_from_when_and_at_what_cost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    row = dict.fromkeys(SERVICE, 0.0) | {"material": "N45-1260", "weeks_short": 0.001}
    row |= {"weeks_rushed": 0.025, "weeks_saved": 0.005}
    monkeypatch.setattr(buying_suppliers, "daily_use", lambda results: pd.Series({"N45-1260": 1700.0}))
    plan = results(service=pd.DataFrame([row]))
    block = buying_suppliers.emergencies(plan)
    text = said(block)
    # 52 x 0.025 weeks a year; a night takes two reels of 917 kg: 1.834 t at 150 EUR a tonne, and a truck of 600 EUR.
    assert "called in 1.3 times a year, most often of N45-1260 (1.3), and proves needed 0.3 times" in text
    assert f"costs {1.3 * (1.834 * 150 + 600):,.0f} EUR a year" in text
    # As of a Friday: asked for on Monday, there three days later.
    assert "arrives on Thu 30 Oct" in text
    assert "1\u202f834" in block.markup
    assert (
        'Nobody is named for emergency supply of newsprint: set "emergency newsprint" in [contacts]' in text
    )
    plan.logs.plant = Plant(
        name="P", timezone="Etc/UTC", currency="EUR", contacts={"emergency newsprint": "merchant <5>"}
    )
    named = buying_suppliers.emergencies(plan)
    assert "merchant &lt;5&gt;" in named.markup
    assert "plant.toml" not in said(named)
    assert "Nobody is named" in text
    often = expected_rushes(plan.logs, plan.plan.service, pd.Series({"N45-1260": 1700.0})).iloc[0]
    assert often[["packs", "night", "out"]].tolist() == [2.0, 1834.0, pytest.approx(0.052)]
    quiet = pd.DataFrame([row | {"weeks_rushed": 0.0, "weeks_short": 0.0}])
    assert "expected to need no emergency supply" in str(buying_suppliers.emergencies(results(service=quiet)))


def test_mills_that_are_not_told_apart_are_named_and_each_has_its_contact() -> None:
    rows = [
        ("Northmill", 669.0, 667.0, 671.0),
        ("Westmill", 690.0, 681.0, 702.0),
        ("Eastmill", 693.0, 688.0, 701.0),
    ]
    columns = ["supplier", "true_cost_per_t", "true_ci_low", "true_ci_high"]
    blank = dict.fromkeys(
        ("loads", "on_time_pct", "days_late_mean", "price", "reels", "breaks_per_100", "strip_pct", "heavier_pct",
         "chance_outside_tolerance", "paper_cost_per_t"),
        1.0,
    )  # fmt: skip
    record = pd.DataFrame(rows, columns=columns).assign(material="N45-1260", **blank)
    plant = Plant(name="P", timezone="Etc/UTC", currency="EUR", contacts={"Westmill": "desk <4>"})

    def told(table: pd.DataFrame) -> Any:
        class Known(SimpleNamespace):
            def __getitem__(self, name: str) -> pd.DataFrame:
                return table

        logs = SimpleNamespace(plant=plant, as_of=pd.Timestamp("2025-10-24"), has=lambda _: False)
        return buying_suppliers.side_by_side(Known(logs=logs, implausible=results().implausible))

    block = told(record)
    assert (
        "Eastmill costs 24 EUR more all in than one from Northmill. Between Westmill and Eastmill the difference "
        "may be chance" in said(block)
    )
    assert block.markup.count("desk &lt;4&gt;") == 1
    assert "a price that is not agreed is the one last invoiced, else listed" in said(block)
    two = said(told(record[record["supplier"] != "Northmill"]))
    assert "than one from Westmill, which may be chance" in two
    assert "Between" not in two
    alone = said(told(record[record["supplier"] == "Eastmill"]))
    assert "chance" not in said(told(record[record["supplier"] != "Eastmill"]))
    # Why a mill that is dearer all in may be ordered from is said where there is a choice.
    assert "lateness is not charged, stock is kept for it." in two
    assert "lateness is not charged" not in alone
    assert "contact" not in said(told(record[record["supplier"] == "Eastmill"]))


def truck(day: str, **own: Any) -> dict[str, Any]:
    row = {
        "supplier": "Northmill",
        "promised_on": pd.Timestamp(day),
        "state": "on order",
        "materials": "N45-1260",
        "trucks": 1.0,
        "latest_on": pd.NaT,
        "days_late": float("nan"),
        "runs_out": "",
        "issue": pd.NaT,
        "chance_promised": 0.0,
        "chance_week_late": 0.02,
        "why": "",
    }
    return row | own


def test_the_truck_with_the_fewest_days_to_spare_is_told_first() -> None:
    class Known(SimpleNamespace):
        def __getitem__(self, name: str) -> pd.DataFrame:
            return self.table.astype(OUTPUTS["late_trucks"].empty().dtypes.to_dict())

    def told(*rows: dict[str, Any]) -> str:
        known = results()
        known.logs.has = lambda name: False
        return said(
            late_deliveries.late_trucks(Known(logs=known.logs, plan=object(), table=pd.DataFrame(list(rows))))
        )

    many = truck("2025-11-12", latest_on=pd.Timestamp("2025-11-28"), days_late=16.0, runs_out="N45-630")
    few = truck(
        "2025-11-05", latest_on=pd.Timestamp("2025-11-14"), days_late=9.0, runs_out="N52-1260",
        issue=pd.Timestamp("2025-11-16"),
    )  # fmt: skip
    lasts = truck("2025-10-27")
    text = told(many, few, lasts)
    assert "promised for Wed 5 Nov from Northmill may come 9 days late, until Fri 14 Nov." in text
    assert (
        "Later than that N52-1260 is likeliest to run out, in one scenario of 20 by the issue of Sun 16 Nov"
        in text
    )
    early = told(few | {"latest_on": pd.Timestamp("2025-11-04"), "days_late": -1.0})
    assert "must come by Tue 4 Nov" in early
    assert "1 arrival, of which each may come four weeks late" in told(lasts)
    never = truck("2025-10-27", runs_out="N52-1260", chance_promised=0.4, why="no day is soon enough")
    assert "comes too late already: N52-1260 runs out before it with a chance of 40 %" in told(few, never)
    assert "to be ordered for Wed 5 Nov from Northmill (3 trucks) may" in told(
        few | {"state": "to order", "trucks": 3.0}
    )
    assert f"in {LATE_SCENARIOS:,} scenarios" in text
    assert "unknown" in said(late_deliveries.late_trucks(SimpleNamespace(plan=None)))  # type: ignore[arg-type]
