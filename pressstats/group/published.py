"""The published tables of a group, from what is known of its plants."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import GROUP_OUTPUTS, as_published
from .standard import MEASURES, compared_waste, wasted_kg
from .suppliers import compared_breaks, compared_costs

if TYPE_CHECKING:
    from .described import Outcome

__all__ = ["COMPARED_DAYS", "PlantOf", "group_tables"]

#: Days before as-of whose runs are compared: a whole year, so that seasons weigh alike.
COMPARED_DAYS = 364


@dataclass(frozen=True)
class PlantOf:
    """A plant of a group: what became of it, what it calls itself, and what is read of its tables."""

    outcome: Outcome
    name: str = ""
    currency: str = ""
    headline: str = ""
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)

    @property
    def known(self) -> bool:
        """Whether anything is known of it."""
        return self.outcome.state != "failed"

    @property
    def runs(self) -> pd.DataFrame:
        """Runs of the year to its as-of day."""
        record = self.tables["run_record"]
        return record[record["date"] > pd.Timestamp(self.outcome.as_of) - pd.Timedelta(days=COMPARED_DAYS)]

    @property
    def cost_per_kg(self) -> float:
        """Price of the last receipts of the paper that is wasted [currency / kg]; blank where it is not known."""
        rows = self.tables["waste_cost"]
        rows = rows[(rows["period"] == "weeks_13") & (rows["kind"] != "beside")].dropna(subset=["kg", "cost"])
        kg = rows["kg"].abs().sum()
        return float(rows["cost"].abs().sum() / kg) if kg > 0 else np.nan


def group_tables(plants: Sequence[PlantOf]) -> dict[str, pd.DataFrame]:
    """Return the published tables of a group by name, in the order of their declaration.

    Parameters
    ----------
    plants : sequence of PlantOf
        The plants.

    Returns
    -------
    dict of DataFrame
        ``group_plants``, ``group_waste``, ``group_standard`` and ``group_suppliers``.
    """
    known = {plant.outcome.plant: plant for plant in plants if plant.known}
    runs = {name: plant.runs for name, plant in known.items()}
    compared = {measure: compared_waste(runs, measure) for measure in MEASURES}
    listed = pd.DataFrame([_listed(plant, compared["all waste"].left_out) for plant in plants])
    prices = pd.Series({name: plant.cost_per_kg for name, plant in known.items()}, dtype="float64")
    spellings = _spellings(known)
    tables = {
        "group_plants": listed,
        "group_waste": _priced(pd.concat([one.waste for one in compared.values()]), prices),
        "group_standard": pd.concat([one.standard for one in compared.values()]),
        "group_suppliers": pd.concat(
            [
                compared_breaks(
                    {name: _spelt(plant.tables["breaks"], spellings) for name, plant in known.items()}
                ),
                compared_costs(
                    {
                        name: _spelt(plant.tables["supplier_record"], spellings)
                        for name, plant in known.items()
                    }
                ),
            ]
        ),
    }
    return {
        name: as_published(table, name) if len(table) else GROUP_OUTPUTS[name].empty()
        for name, table in tables.items()
    }


def _listed(plant: PlantOf, left_out: dict[str, str]) -> dict[str, object]:
    outcome = plant.outcome
    row: dict[str, object] = {
        "plant": outcome.plant,
        "name": plant.name,
        "state": outcome.state,
        "as_of": pd.Timestamp(outcome.as_of) if plant.known else pd.NaT,
        "currency": plant.currency,
        "headline": plant.headline,
        "why": outcome.why or left_out.get(outcome.plant, ""),
        "first_day": pd.NaT,
        **dict.fromkeys(["runs", "copies_good", "good_kg", "waste_pct"], np.nan),
    }
    if not plant.known:
        return row
    runs = plant.runs
    wasted = wasted_kg(runs, "all waste")
    whole = runs["good_kg"][wasted.notna()].sum() + wasted.sum()
    row |= {
        "first_day": runs["date"].min(),
        "runs": float(len(runs)),
        "copies_good": runs["copies_good"].sum(min_count=1),
        "good_kg": runs["good_kg"].sum(min_count=1),
        "waste_pct": 100 * wasted.sum() / whole if whole > 0 else np.nan,
    }
    return row


def _priced(waste: pd.DataFrame, prices: pd.Series) -> pd.DataFrame:
    """Add what each plant wasted beyond the level of the group, and what that cost."""
    if waste.empty:
        return waste
    price = waste["plant"].map(prices)

    def beyond(ratio: str) -> pd.Series:
        return waste["actual_kg"] * (1 - 1 / waste[ratio])

    return waste.assign(
        beyond_kg=beyond("adjusted"),
        beyond_cost=beyond("adjusted") * price,
        beyond_low=beyond("ci_low") * price,
        beyond_high=beyond("ci_high") * price,
    )


def _spellings(plants: dict[str, PlantOf]) -> dict[str, str]:
    """Return by its plain form how a supplier is spelt first: capitals and blanks tell nobody apart."""
    found: dict[str, str] = {}
    for plant in plants.values():
        breaks = plant.tables["breaks"]
        for name in (
            *breaks.loc[breaks["by"] == "supplier", "level"],
            *plant.tables["supplier_record"]["supplier"],
        ):
            found.setdefault(_plain(name), str(name))
    return found


def _plain(name: str) -> str:
    return " ".join(str(name).casefold().split())


def _spelt(table: pd.DataFrame, spellings: dict[str, str]) -> pd.DataFrame:
    column = "level" if "level" in table.columns else "supplier"
    return table.assign(**{column: [spellings.get(_plain(name), name) for name in table[column]]})
