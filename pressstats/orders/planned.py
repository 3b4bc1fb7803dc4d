"""Which materials can be planned, and what is known of each: stock, open orders, who delivers it and when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from ..offers import PLANNED_DAYS, offers
from ..prices import agreed_price
from .leadtimes import LeadTimes, lead_days, rest_days, review_days, serves_from
from .needs import unhelped_stock

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs
    from .offered import Limit, Share

__all__ = ["ORDERS", "Planned", "Source", "horizon", "planned_materials"]

#: Review days planned: one a week, the last of the days left out.
ORDERS = PLANNED_DAYS // 7 - 1


@dataclass(frozen=True)
class Source:
    """A supplier of a planned material, on terms that differ from others of its own by packs, loads and minimum.

    Attributes
    ----------
    supplier : str
        The supplier.
    terms : Series
        Its row of :func:`pressstats.offers.offers`: that of its first order.
    due : ndarray of int, shape (ORDERS + 1,)
        Days, from the one after as-of, whose issues its orders are the first to serve: an issue is printed the evening
        before.
    rest : int
        Days that what it delivers rests before it is used.
    premium : float
        What a unit costs beyond its price [currency / unit of the material].
    limits : tuple of Limit
        What the supplier's contracts ask for within the plan; on the first of its sources.
    shares : tuple of Share
        The supplier's least and greatest parts in what is bought of the material; on the first of its sources.
    open : ndarray of bool, shape (ORDERS + 1,)
        Which orders can be placed on its terms; empty where all can.
    """

    supplier: str
    terms: pd.Series
    due: np.ndarray
    rest: int = 0
    premium: float = 0.0
    limits: tuple[Limit, ...] = ()
    shares: tuple[Share, ...] = ()
    open: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))

    @property
    def orders(self) -> np.ndarray:
        """Which orders can be placed on its terms, shape (ORDERS + 1,)."""
        return self.open if len(self.open) else np.ones(len(self.due), dtype=bool)

    @property
    def pack(self) -> float:
        """Quantity of a pack [unit of the material]; 1 where none is told."""
        return float(self.terms["pack_quantity"]) if self.terms["pack_quantity"] > 0 else 1.0

    @property
    def load(self) -> float:
        """Quantity of a full load, a pack at least [unit of the material]; NaN where none is told."""
        load = float(self.terms["load_quantity"])
        return max(load, self.pack) if load > 0 else float("nan")

    @property
    def minimum(self) -> float:
        """Least quantity of an order [unit of the material]."""
        return float(np.nan_to_num(self.terms["order_minimum"]))


@dataclass(frozen=True)
class Planned:
    """A material that can be planned.

    Attributes
    ----------
    name : str
        The material.
    row : Series
        Its row of ``materials``, with the terms of its first source; unit_price is what that one asks for a load on
        as-of.
    stock : float
        On hand [unit of the material].
    reviews : ndarray of int, shape (ORDERS + 1,)
        Days, from the one after as-of, on which orders are placed. One more than is planned.
    sources : tuple of Source
        Who delivers it: first who does on orders of the first review, and of these the soonest, by whose due days needs
        are counted.
    first_row : int
        Row of its first source where all sources of all materials stand below each other.
    mean : ndarray, shape (days,)
        Expected stock before the printing of each day's issue without the plan's orders [unit of the material].
    daily : float
        Mean use of a day [unit of the material].
    expected : ndarray, shape (days,)
        Open orders on the days that they are promised for, as `mean` counts them [unit of the material].
    stand_in : (int, float) or None
        Place of the material that can stand in for it among those planned, and how much of that one a unit takes.
    """

    name: str
    row: pd.Series
    stock: float
    reviews: np.ndarray
    sources: tuple[Source, ...]
    first_row: int
    mean: np.ndarray
    daily: float
    expected: np.ndarray
    stand_in: tuple[int, float] | None = None

    @property
    def due(self) -> np.ndarray:
        """Due days of the first source."""
        return self.sources[0].due

    @property
    def pack(self) -> float:
        """Quantity of a pack of the first source [unit of the material]."""
        return self.sources[0].pack

    @property
    def rows(self) -> slice:
        """Rows of its sources where all sources stand below each other."""
        return slice(self.first_row, self.first_row + len(self.sources))


def horizon(logs: Logs, times: LeadTimes) -> int:
    """Return how many days are looked ahead: the plan, and what its last order must last."""
    leads = [max(terms.leads.values(), default=0) for terms in _terms_ahead(logs, times)]
    return PLANNED_DAYS + 2 * min(max(leads, default=0), 180) + 42


class _Terms(NamedTuple):
    """Who delivers what on orders from a day on, and how long that takes."""

    begins: pd.Timestamp
    offered: pd.DataFrame
    leads: dict[tuple[str, str], int]


def _terms_ahead(logs: Logs, times: LeadTimes) -> list[_Terms]:
    """Return the terms that hold from as-of on, and those that follow within the plan."""
    if not logs.has("materials"):
        return []
    begins = [logs.as_of]
    if logs.has("terms"):
        later = np.sort(logs["terms"]["valid_from"].unique())
        last = logs.as_of + pd.Timedelta(days=PLANNED_DAYS)
        begins += [day for day in pd.DatetimeIndex(later) if logs.as_of < day <= last]
    found = []
    for day in begins:
        offered = offers(logs, day)
        offered = offered.assign(supplier=offered["supplier"].fillna("").astype("str"))
        found.append(_Terms(day, offered, lead_days(offered, times)))
    return found


def planned_materials(  # noqa: PLR0913, PLR0917 -- what is known of the plant, and of the days ahead
    logs: Logs,
    outlook: Outlook,
    stock: pd.DataFrame,
    open_rows: pd.DataFrame,
    days: pd.DatetimeIndex,
    times: LeadTimes,
    receives: np.ndarray,
    mean: np.ndarray,
    premiums: Mapping[tuple[str, str], float] | None = None,
) -> list[Planned]:
    """Return the materials of which stock, use and its spread are known.

    `premiums` says by (supplier, material) what a unit costs beyond its price [currency / unit of the material].
    """
    if not logs.has("materials"):
        return []
    levels = dict(zip(stock["material"], stock["quantity"], strict=True))
    reviews = review_days(logs, days)[: ORDERS + 1]
    found: list[Planned] = []
    ahead, rests = _terms_ahead(logs, times), rest_days(logs)
    holds = pd.DatetimeIndex([one.begins for one in ahead]).searchsorted(days[reviews], side="right") - 1
    for _, row in logs["materials"].iterrows():
        name, quantity = str(row["material"]), levels.get(row["material"], np.nan)
        if name not in outlook.names or np.isnan(quantity):
            continue
        use = mean[outlook.names.index(name)]
        if (
            not np.isfinite(use).all()
            or not np.isfinite(outlook.forecast.judgement.size[outlook.names.index(name)]).all()
        ):
            continue
        rest = rests.get(name, 0)
        sources = []
        for terms, lead, can in _by_terms(name, ahead, holds):
            supplier = str(terms["supplier"])
            # Nothing comes on the day that it is ordered.
            comes = np.minimum(reviews + np.maximum(lead, 1), len(days) - 1)
            due = np.minimum(serves_from(receives[comes], rest), len(days) - 1)
            extra = (premiums or {}).get((supplier, name), 0.0)
            sources.append(Source(supplier, terms, due, rest, extra, open=can))
        sources.sort(key=lambda one: (not one.open[0], int(one.due[0]), str(row["supplier"]) != one.supplier))
        row = row.copy()
        for key in ("supplier", "pack_quantity", "load_quantity", "order_minimum"):
            row[key] = sources[0].terms[key]
        # What is held, and what an emergency order costs, is reckoned at the price that an order of as-of pays for a
        # load.
        size = float(np.nan_to_num(max(row["load_quantity"], row["order_minimum"])))
        row["unit_price"] = agreed_price(logs, name, logs.as_of, size, sources[0].supplier or None)
        come = np.zeros(len(days))
        for order in open_rows[open_rows["material"] == name].itertuples():
            if order.delivery_id in times.forgotten:
                continue
            day = max((order.promised_on - days[0]).days, 0)
            if day < len(days) and serves_from(receives[day], rest) < len(days):
                come[serves_from(receives[day], rest)] += order.quantity
        level = unhelped_stock(quantity, use, come, min(int(source.due[0]) for source in sources))
        first_row = found[-1].rows.stop if found else 0
        found.append(
            Planned(name, row, quantity, reviews, tuple(sources), first_row, level, float(use.mean()), come)
        )
    return _with_stand_ins(found)


def _by_terms(
    name: str, ahead: Sequence[_Terms], holds: np.ndarray
) -> list[tuple[pd.Series, np.ndarray, np.ndarray]]:
    """Return who delivers a material on what packs, loads and minimum, with lead days and whether it does by review.

    `holds` says by review which of the terms `ahead` hold.
    """
    found: dict[tuple, tuple[pd.Series, np.ndarray, np.ndarray]] = {}
    for place in np.unique(holds):
        offered, leads = ahead[place].offered, ahead[place].leads
        for _, terms in offered[offered["material"] == name].iterrows():
            supplier = str(terms["supplier"])
            key = (supplier, *terms[["pack_quantity", "load_quantity", "order_minimum"]].fillna(0.0))
            lead = np.full(len(holds), leads[supplier, name])
            _, known, can = found.setdefault(key, (terms, lead, np.zeros(len(holds), dtype=bool)))
            known[holds == place] = lead[0]
            can |= holds == place
    return list(found.values())


def _with_stand_ins(planned: list[Planned]) -> list[Planned]:
    """Say of each newsprint which other can stand in for it: a wider or heavier web takes more of it."""
    places = {one.name: place for place, one in enumerate(planned)}
    found = dict.fromkeys(places)
    for place, one in enumerate(planned):
        target = one.row["stands_in_for"]
        if not isinstance(target, str) or target not in places or one.row["kind"] != "newsprint":
            continue
        row = planned[places[target]].row
        size = [float(r["width_mm"]) * float(r["grammage_gsm"]) for r in (one.row, row)]
        if all(np.isfinite(size)) and size[1] > 0:
            found[target] = (place, size[0] / size[1])
    return [replace(one, stand_in=found[one.name]) for one in planned]
