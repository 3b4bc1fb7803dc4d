"""How likely each contract ends outside its tolerance, and what shift mends it without breaking another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .contracts import BREACH, contracts_ahead, load_price, receipts_of

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs
    from .milp import Orders
    from .planned import Planned

__all__ = ["CONTRACTS", "MOVED", "contract_odds", "drawn_beyond", "moved_orders"]

#: Chance of ending outside the tolerance from which call-offs are to be shifted.
_LIKELY = 0.1
_DRAWS, _SEED = 1000, 67
#: Columns of :func:`contract_odds`.
CONTRACTS = {
    "supplier": "str",
    "material": "str",
    "contract_from": "datetime64[us]",
    "contract_to": "datetime64[us]",
    "contract_quantity": "float64",
    "tolerance_pct": "float64",
    "assumed": "bool",
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
    "first_on": "datetime64[us]",
    "first_quantity": "float64",
}
#: Columns of :func:`moved_orders`.
MOVED = ["order_on", "supplier", "material", "instead", "quantity", "moved", "contract_to"]


def contract_odds(
    logs: Logs,
    outlook: Outlook,
    planned: Sequence[Planned],
    orders: Orders,
    called: pd.DataFrame,
    days: pd.DatetimeIndex,
    ahead: pd.DataFrame,
) -> pd.DataFrame:
    """Return how likely each contract of the plan's days ends outside its tolerance, and what shift mends it.

    What is bought after the plan is shared as in it; in a contract that has not begun as the contracts of its days say,
    so that its chances tell whether there is need enough for all of them. `assumed`: its terms are not logged, the
    present ones are taken to go on; drawn: so far, open orders that come within it among it; q05 to q95: what will be
    by its end. Where both chances are above a tenth: shift (what more, or where negative less, must be called off so
    that they are a tenth), from or to which other supplier (the cheapest of those who can do all, else who can do most;
    empty where nobody can), left (what is then missing, or where negative too much) and worth (a tenth of the price of
    what would be outside, less what the shift costs) [unit of the material, currency]. Who gives or takes stays within
    its own contract all but once in twenty, and gives no more than will come of it; nothing is given twice, the
    likelier breach comes first. first_on, first_quantity: the first order of the plan that can be placed with the other
    instead, both within the contract's days, and has room on the truck that it would come on; where that comes later
    the stock of ``stock_ahead``, `ahead`, lasts without it in 19 of 20 scenarios. Blank where there is none.
    """
    agreed = contracts_ahead(logs, planned, days)
    by_name = {one.name: one for one in planned}
    if agreed.empty:
        return pd.DataFrame(columns=list(CONTRACTS)).astype(CONTRACTS)
    dates = pd.date_range(days[0], agreed["contract_to"].max(), freq="D", unit="us")
    paths, _ = outlook.day_paths(_DRAWS, dates, seed=_SEED)
    courses: dict[tuple[str, bool], dict[str, _Course]] = {}
    running = []
    contract: Any
    for contract in agreed.itertuples():
        one = by_name[contract.material]
        use = paths[outlook.names.index(one.name)]
        course = _course(logs, one, contract, agreed, orders, called, use, days)
        if course is not None:
            # Those that run mend each other, and so do those of the next year.
            key = (one.name, bool(contract.contract_from <= days[0]))
            courses.setdefault(key, {})[contract.supplier] = course
            running.append((contract, course, key))
    shifts = {key: _shifts(of_material) for key, of_material in courses.items()}
    stocks = ahead.set_index(["material", "day"])["q05"]
    free = _free_parts(planned, orders)
    rows = [
        (
            *(contract.supplier, contract.material, contract.contract_from, contract.contract_to),
            *(contract.contract_quantity, float(np.nan_to_num(contract.tolerance_pct)), contract.assumed),
            course.drawn,
            *np.quantile(course.total, [0.05, 0.5, 0.95]),
            *(float((course.total < course.low).mean()), float((course.total > course.high).mean())),
            *shifts[key][contract.supplier],
            *_first_moved(
                by_name[key[0]], contract, shifts[key][contract.supplier], orders, stocks, free, days
            ),
        )
        for contract, course, key in running
    ]
    return pd.DataFrame(rows, columns=list(CONTRACTS)).astype(CONTRACTS)


def moved_orders(contracts: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return the first order of the plan that each running contract advises to place with another, the soonest first.

    Of `contracts`, a result of :func:`contract_odds`: order_on, supplier and material of the order, instead (with whom
    it can be placed), quantity (what the plan orders then) and moved (what of it the contract asks to move, at most
    all) [unit of the material], contract_to (last day of that contract). No rows where nothing can be moved in time.
    """
    rows = contracts[contracts["first_on"].notna() & (contracts["contract_from"] <= as_of)]
    gives = rows["shift"] < 0
    found = pd.DataFrame(
        {
            "order_on": rows["first_on"],
            "supplier": rows["supplier"].where(gives, rows["other"]),
            "material": rows["material"],
            "instead": rows["other"].where(gives, rows["supplier"]),
            "quantity": rows["first_quantity"],
            "moved": rows["first_quantity"].clip(upper=rows["shift"].abs()),
            "contract_to": rows["contract_to"],
        },
        columns=MOVED,
    )
    return found.sort_values(["order_on", "supplier", "material"], kind="stable", ignore_index=True)


def drawn_beyond(odds: pd.DataFrame, record: pd.DataFrame, as_of: pd.Timestamp) -> Any:
    """Return what running contract is drawn most beyond what is agreed while another of its material is drawn less.

    Parameters
    ----------
    odds : DataFrame
        Result of :func:`contract_odds`.
    record : DataFrame
        The published table ``supplier_record``.
    as_of : Timestamp
        Day on which contracts run.

    Returns
    -------
    namedtuple or None
        material, supplier, over (its expected end above what is agreed), other (who ends furthest below), under [unit
        of the material], paper_less, all_in_more (what a tonne of `supplier` costs less with waste and breaks, and more
        all in, than of `other`; negative or blank where it does not) [currency / t]. None where nobody is.
    """
    pair = ["supplier", "material"]
    runs = odds[(odds["contract_from"] <= as_of) & (odds["contract_to"] >= as_of)]
    runs = runs.assign(over=runs["q50"] - runs["contract_quantity"]).merge(
        record[[*pair, "paper_cost_per_t", "true_cost_per_t"]], on=pair, how="left"
    )
    pairs = runs[runs["over"] > 0].merge(runs[runs["over"] < 0], on="material", suffixes=("", "_of_other"))
    pairs = pairs.sort_values(["over", "over_of_other"], ascending=[False, True], kind="stable")
    beyond = pd.DataFrame(
        {
            "material": pairs["material"],
            "supplier": pairs["supplier"],
            "over": pairs["over"],
            "other": pairs["supplier_of_other"],
            "under": -pairs["over_of_other"],
            "paper_less": pairs["paper_cost_per_t_of_other"] - pairs["paper_cost_per_t"],
            "all_in_more": pairs["true_cost_per_t"] - pairs["true_cost_per_t_of_other"],
        }
    )
    return next(beyond.itertuples(index=False), None)


def _free_parts(planned: Sequence[Planned], orders: Orders) -> dict[str, np.ndarray]:
    """Return by supplier which part of a truck is empty at each order, 0 where none of its trucks comes."""
    loads: dict[str, np.ndarray] = {}
    for one in planned:
        for source, quantity in zip(one.sources, orders.quantity[one.rows], strict=True):
            # Of what load a material comes on is not always told: of that no truck is known to have room.
            more = np.where(quantity > 0, quantity / source.load, 0.0)
            loads[source.supplier] = loads.get(source.supplier, 0.0) + more
    return {name: np.nan_to_num(np.ceil(count - 1e-9) - count) for name, count in loads.items()}


def _first_moved(
    one: Planned,
    contract: Any,
    shifted: tuple[float, str, float, float],
    orders: Orders,
    stocks: pd.Series,
    free: dict[str, np.ndarray],
    days: pd.DatetimeIndex,
) -> tuple[Any, float]:
    """Return the day and the quantity of the first order that can be placed with who is to deliver instead."""
    shift, other = shifted[:2]
    if not other:
        return pd.NaT, np.nan
    gives, takes = (other, contract.supplier) if shift > 0 else (contract.supplier, other)
    sources = list(zip(one.sources, orders.quantity[one.rows], strict=True))
    ordered = sum(quantity for source, quantity in sources if source.supplier == gives)
    can = sum(source.orders[: len(ordered)] for source, _ in sources if source.supplier == takes)
    given, taken = (receipts_of(one, name, days) for name in (gives, takes))
    first, last = np.minimum(given, taken), np.maximum(given, taken)
    can = (ordered > 0) & (can > 0) & (first >= contract.contract_from) & (last <= contract.contract_to)
    # A truck more costs more than most shifts are worth.
    load = next(source.load for source, _ in sources if source.supplier == takes)
    can &= np.minimum(ordered, abs(shift)) <= free[takes] * load + 1e-6
    for turn in np.flatnonzero(can).tolist():
        waits = pd.date_range(given[turn], taken[turn], freq="D", unit="us", inclusive="left")
        left = stocks.reindex(pd.MultiIndex.from_product([[one.name], waits]))
        if (left >= min(ordered[turn], abs(shift))).all():
            return days[one.reviews[turn]], float(ordered[turn])
    return pd.NaT, np.nan


def _course(
    logs: Logs,
    one: Planned,
    contract: Any,
    agreed: pd.DataFrame,
    orders: Orders,
    called: pd.DataFrame,
    use: np.ndarray,
    days: pd.DatetimeIndex,
) -> _Course | None:
    """Return what is drawn of a contract and what is to come; None where nothing tells that."""
    first = {source.supplier: source for source in reversed(one.sources)}
    suppliers = list(dict.fromkeys(source.supplier for source in one.sources))
    if contract.supplier not in first:
        return None
    called_then = called[called["material"] == one.name]
    called_then = called_then[called_then["day"].between(contract.contract_from, contract.contract_to)]
    called_off = called_then.groupby("supplier")["quantity"].sum().reindex(suppliers, fill_value=0.0)
    drawn = called_off.to_numpy(dtype=float)
    if contract.contract_from <= days[0]:
        coming = _coming(one, suppliers, orders, drawn, use, days, contract.contract_to)
    else:
        parts = _agreed_parts(agreed, suppliers, contract)
        if parts is None:
            return None
        begins, ends = ((day - days[0]).days for day in (contract.contract_from, contract.contract_to))
        whole = use[:, begins : ends + 1].sum(axis=1)
        coming = np.maximum(parts[:, None] * whole - drawn[:, None], 0.0)
    place = suppliers.index(contract.supplier)
    tolerance = float(np.nan_to_num(contract.tolerance_pct)) / 100
    return _Course(
        float(drawn[place]),
        coming,
        place,
        (1 - tolerance) * contract.contract_quantity,
        (1 + tolerance) * contract.contract_quantity,
        {name: load_price(logs, one, first[name]) for name in suppliers},
        {name: first[name].pack for name in suppliers},
    )


def _coming(
    one: Planned,
    suppliers: Sequence[str],
    orders: Orders,
    drawn: np.ndarray,
    use: np.ndarray,
    days: pd.DatetimeIndex,
    last: pd.Timestamp,
) -> np.ndarray:
    """Return what is still to be called off of each supplier until a contract that runs ends, shape (suppliers, paths).

    What the plan reckons with is bought by it; later orders follow what is used until then, shared as in the plan, or
    where it orders nothing within the contract's days as what was `drawn` in them.
    """
    comes = [receipts_of(one, name, days) for name in suppliers]
    planned = [
        sum(
            float(quantity[came <= last].sum())
            for source, quantity in zip(one.sources, orders.quantity[one.rows], strict=True)
            if source.supplier == name
        )
        for name, came in zip(suppliers, comes, strict=True)
    ]
    parts = np.array(planned) if sum(planned) > 0 else drawn
    parts = parts / max(float(parts.sum()), 1e-9)
    use = use[:, : (last - days[0]).days + 1]
    found = []
    for own, part, came in zip(planned, parts, comes, strict=True):
        inside = min(int((min(came[-1], last) - days[0]).days) + 1, use.shape[1])
        after = use[:, inside:].sum(axis=1)
        news = use[:, :inside].sum(axis=1) - use[:, :inside].sum(axis=1).mean()
        found.append(own + part * (after + news))
    return np.array(found)


def _agreed_parts(agreed: pd.DataFrame, suppliers: Sequence[str], contract: Any) -> np.ndarray | None:
    """Return the parts of suppliers by the contracts of a contract's first day; None where one of them has none."""
    held = agreed[
        (agreed["material"] == contract.material) & (agreed["contract_from"] <= contract.contract_from)
    ]
    held = held[held["contract_to"] >= contract.contract_from].set_index("supplier")
    daily = held["contract_quantity"] / ((held["contract_to"] - held["contract_from"]).dt.days + 1)
    parts = daily.reindex(suppliers).to_numpy(dtype=float)
    return None if np.isnan(parts).any() else parts / parts.sum()


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
