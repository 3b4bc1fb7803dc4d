"""What the office has signed: contracts with mills by year, and whose titles are printed."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from .calendar_days import DAY
from .logbook import Logbook, number
from .scenario import NEWSPRINT
from .suppliers import SHARES, SUPPLIERS
from .supply import PACK_KG, TRUCK_KG
from .titles import CUSTOMERS, TITLES

if TYPE_CHECKING:
    from .scenario import Scenario

__all__ = ["TOLERANCE_PCT", "contract_quantity", "is_contracted", "write_terms", "write_titles"]

# All invented, of the trade's order of magnitude: common practice, no source.
TOLERANCE_PCT = 10
NARROW_MM = 700  # what is printed on narrow webs changes most: they are ordered as needed, under no contract
SHARE_ROOM_PCT = 15
ROUND_KG = 1000.0
AGREED_ON = "10-15"  # of the year before
#: Declared carbon dioxide [kg/kg], recovered fibre [%] and certificate of each mill.
DECLARED = {
    "Brantelow": ("0.48", "62", "chain of custody 1"), "Okkerin": ("0.61", "35", ""),
    "Vosgard": ("0.41", "100", "chain of custody 2"),
}  # fmt: skip


def contract_quantity(
    scenario: Scenario, need: dict[str, dict[dt.date, float]], material: str, supplier: str, year: int
) -> float:
    """Return what a mill is to deliver of a material in a calendar year [kg]: its share of the year before."""
    first = max(dt.date(year - 1, 1, 1), scenario.first)
    days = min(364, (scenario.last - first).days + 1)
    kg = sum(need[material].get(first + n * DAY, 0.0) for n in range(days)) * 364 / days
    kg *= SHARES[material][supplier] * scenario.contract_ratio(material, supplier, year)
    return ROUND_KG * max(1, round(kg / ROUND_KG))


def is_contracted(material: str) -> bool:
    """Return whether a material is bought under contract."""
    return NEWSPRINT[material].width_mm > NARROW_MM


def write_terms(scenario: Scenario, need: dict[str, dict[dt.date, float]], logbook: Logbook) -> None:
    """Write the terms of every mill: a contract for each calendar year, the coming one included."""
    sheet = logbook["terms"]
    for year in range(scenario.first.year, scenario.last.year + 2):
        for material, shares in SHARES.items():
            for supplier, share in shares.items():
                co2, recycled, certified = DECLARED[supplier]
                agreed = {}
                if is_contracted(material):
                    agreed = {
                        "contract_quantity": number(contract_quantity(scenario, need, material, supplier, year)),
                        "contract_from": f"{year}-01-01", "contract_to": f"{year}-12-31",
                        "tolerance_pct": str(TOLERANCE_PCT),
                    }  # fmt: skip
                row = sheet.row(
                    material=material, supplier=supplier, valid_from=f"{year}-01-01",
                    lead_time_days=str(SUPPLIERS[supplier].lead_days), pack_quantity=number(PACK_KG[material]),
                    load_quantity=number(TRUCK_KG), order_minimum=number(2 * PACK_KG[material]),
                    share_minimum_pct=number(100 * share - SHARE_ROOM_PCT),
                    share_maximum_pct=number(100 * share + SHARE_ROOM_PCT), co2_kg_per_unit=co2,
                    recycled_pct=recycled, certified=certified, agreed_on=f"{year - 1}-{AGREED_ON}", **agreed,
                )  # fmt: skip
                sheet.rows.append(row)


def write_titles(logbook: Logbook) -> None:
    """Write the titles with their customers."""
    for name in TITLES:
        customer = CUSTOMERS.get(name, "")
        logbook.add("titles", name, customer, "contract" if customer else "own", "3.2" if customer else "4.2")
