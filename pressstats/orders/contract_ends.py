"""How likely each contract ends outside its tolerance, and what shift mends it without breaking another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .contracts import BREACH, load_price, runs
from .leadtimes import serves_from
from .planned import ORDERS

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs
    from .milp import Orders
    from .planned import Planned

__all__ = ["CONTRACTS", "contract_odds"]

#: Chance of ending outside the tolerance from which call-offs are to be shifted.
_LIKELY = 0.1
_DRAWS, _SEED = 1000, 67
#: Columns of :func:`contract_odds`.
CONTRACTS = {
    "supplier": "str",
    "material": "str",
    "contract_to": "datetime64[us]",
    "contract_quantity": "float64",
    "tolerance_pct": "float64",
    "drawn": "float64",
    "q05": "float64",
    "q50": "float64",
    "q95": "float64",
    "chance_below": "float64",
    "chance_above": "float64",
    "shift": "float64",
    "other": "str",
    "left": "float64",
    "worth": "float64",
}


def contract_odds(
    logs: Logs,
    outlook: Outlook,
    planned: Sequence[Planned],
    orders: Orders,
    called: pd.DataFrame,
    days: pd.DatetimeIndex,
) -> pd.DataFrame:
    """Return how likely each running contract ends outside its tolerance, and what shift of call-offs mends it.

    Parameters
    ----------
    logs : Logs
        The logs.
    outlook : Outlook
        Result of :func:`pressstats.demand.demand_outlook`, whose joint paths tell the need until each contract ends.
    planned : sequence of Planned
        The materials.
    orders : Orders
        Their orders in the plan.
    called : DataFrame
        Result of :func:`call_offs`.
    days : DatetimeIndex, shape (days,)
        Days of the plan, from the one after as-of.

    Returns
    -------
    DataFrame, shape (running contracts, 15)
        supplier, material, contract_to, contract_quantity [unit of the material], tolerance_pct; drawn so far, open
        orders that come within it among it; q05, q50, q95 of what will be drawn by its end [unit of the material],
        if what is bought after the plan is shared as in it; chance_below, chance_above of ending outside the tolerance;
        where the two are above a tenth: shift (what more, or where negative less, is to be called off by the end so
        that they are a tenth at the most, as far as another supplier can give or take it) [unit of the material], from
        or to which other supplier (the one that costs least of those who can do all of it, else who can do most; empty
        where nobody can) and left (what is then missing still, or where negative too much) [unit of the material];
        worth (what it is expected to spare by the end to be rid of both: a tenth of the price of what would be outside,
        less what the shift costs; negative where it costs more) [currency].

    Notes
    -----
    Who gives or takes stays within the tolerance of its own contract all but once in twenty, and gives no more than
    will come of it. What two contracts ask of one supplier is given once, the likelier breach first.
    """
    running = [
        (one, source, row)
        for one in planned
        for row, source in enumerate(one.sources, one.first_row)
        if runs(source, days[0])
    ]
    if not running:
        return pd.DataFrame(columns=list(CONTRACTS)).astype(CONTRACTS)
    ahead = pd.date_range(
        days[0], max(source.terms["contract_to"] for _, source, _ in running), freq="D", unit="us"
    )
    paths, _ = outlook.day_paths(_DRAWS, ahead, seed=_SEED)
    courses: dict[str, dict[str, _Course]] = {}
    for one, source, row in running:
        first, last = source.terms["contract_from"], source.terms["contract_to"]
        mine = called[(called["material"] == one.name) & called["day"].between(first, last)]
        drawn = float(mine.loc[mine["supplier"] == source.supplier, "quantity"].sum())
        coming = _coming(one, orders, mine, paths[outlook.names.index(one.name)], days, last)
        quantity = float(source.terms["contract_quantity"])
        tolerance = float(np.nan_to_num(source.terms["tolerance_pct"])) / 100
        courses.setdefault(one.name, {})[source.supplier] = _Course(
            drawn,
            coming,
            row - one.first_row,
            (1 - tolerance) * quantity,
            (1 + tolerance) * quantity,
            {each.supplier: load_price(logs, one, each) for each in one.sources},
            {each.supplier: each.pack for each in one.sources},
        )
    shifts = {name: _shifts(of_material) for name, of_material in courses.items()}
    rows = []
    for one, source, _ in running:
        course = courses[one.name][source.supplier]
        terms = source.terms
        rows.append(
            (
                *(source.supplier, one.name, terms["contract_to"], terms["contract_quantity"]),
                float(np.nan_to_num(terms["tolerance_pct"])),
                course.drawn,
                *np.quantile(course.total, [0.05, 0.5, 0.95]),
                *(float((course.total < course.low).mean()), float((course.total > course.high).mean())),
                *shifts[one.name][source.supplier],
            )
        )
    return pd.DataFrame(rows, columns=list(CONTRACTS)).astype(CONTRACTS)


def _coming(
    one: Planned,
    orders: Orders,
    mine: pd.DataFrame,
    paths: np.ndarray,
    days: pd.DatetimeIndex,
    last: pd.Timestamp,
) -> np.ndarray:
    """Return what is still to be called off of each source of a material by a day, shape (sources, paths)."""
    whole = float(orders.quantity[one.rows].sum())
    use = paths[:, : (last - days[0]).days + 1]
    found = []
    for row, source in enumerate(one.sources, one.first_row):
        comes = days[np.minimum(source.due[:ORDERS] - serves_from(0, source.rest), len(days) - 1)]
        own = float(orders.quantity[row][comes <= last].sum())
        # Without any order in the plan what was bought so far tells the parts.
        drawn = float(mine.loc[mine["supplier"] == source.supplier, "quantity"].sum())
        part = (
            float(orders.quantity[row].sum()) / whole
            if whole > 0
            else drawn / max(float(mine["quantity"].sum()), 1e-9)
        )
        # What the plan reckons with is bought by it; later orders follow what is used until then.
        inside = min(int((min(comes[-1], last) - days[0]).days) + 1, use.shape[1])
        after = use[:, inside:].sum(axis=1)
        news = use[:, :inside].sum(axis=1) - use[:, :inside].sum(axis=1).mean()
        found.append(own + part * (after + news))
    return np.array(found)


@dataclass(frozen=True)
class _Course:
    """A contract's course: what is drawn, what is to come by its end of each source, its limits, prices and packs."""

    drawn: float
    coming: np.ndarray  # of each source of the material, shape (sources, paths)
    place: int  # of its own supplier among the sources
    low: float
    high: float
    prices: dict[str, float]
    packs: dict[str, float]

    @property
    def total(self) -> np.ndarray:
        return self.drawn + self.coming[self.place]

    @property
    def outside(self) -> float:
        return float(((self.total < self.low) | (self.total > self.high)).mean())

    def wanted(self) -> float:
        """Return how much more (negative: less) must be called off to end within limits."""
        if self.outside <= _LIKELY:
            return 0.0
        least, most = np.quantile(self.total, [_LIKELY / 2, 1 - _LIKELY / 2])
        # Where both ends cannot be held the middle is.
        shift = self.low - least if self.low - least > 0 else min(self.high - most, 0.0)
        if (most + shift > self.high and least + shift < self.low) or (
            shift > 0 and most + shift > self.high
        ):
            shift = (self.low + self.high) / 2 - float(np.median(self.total))
        return float(shift)

    def room(self, sign: float) -> float:
        """Return how much less (for 1) or more (for -1) can be called off within its limits."""
        end = np.quantile(self.total, _LIKELY / 2 if sign > 0 else 1 - _LIKELY / 2)
        return float(end - self.low if sign > 0 else self.high - end)

    def beyond(self, shift: float) -> np.ndarray:
        """Return what is outside its limits in each path once `shift` is called off besides."""
        total = self.total + shift
        return np.maximum(self.low - total, 0.0) + np.maximum(total - self.high, 0.0)


def _shifts(courses: dict[str, _Course]) -> dict[str, tuple[float, str, float, float]]:
    """Return of each contract of a material what is shifted, from or to whom, what is left and what that is worth."""
    found = {}
    used = dict.fromkeys(
        ((name, sign) for one in courses.values() for name in one.prices for sign in (-1.0, 1.0)), 0.0
    )
    for supplier, course in sorted(courses.items(), key=lambda pair: -pair[1].outside):
        wanted = course.wanted()
        sign = float(np.sign(wanted))
        offered = []
        for place, (other, price) in enumerate(course.prices.items()):
            if not wanted or other == supplier:
                continue
            gives = place if sign > 0 else course.place
            # No more can be taken away than is still to come, and hardly less than a pack.
            room = float(np.quantile(course.coming[gives], _LIKELY / 2))
            if other in courses:
                room = min(room, courses[other].room(sign))
            amount = min(max(room - used[other, sign], 0.0), abs(wanted))
            if amount >= min(course.packs[other], abs(wanted)):
                cost = sign * amount * (course.prices[supplier] - price)
                offered.append((-amount, cost, other))
        less, cost, other = min(offered, default=(0.0, 0.0, ""))
        if other:
            used[other, sign] -= less
        spared = float((course.beyond(0.0) - course.beyond(wanted)).mean())
        worth = BREACH * course.prices[supplier] * spared - cost
        found[supplier] = (-sign * less, other, wanted + sign * less, worth)
    return found
