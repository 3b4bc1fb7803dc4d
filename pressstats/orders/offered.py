"""What the programme is told of materials and who delivers them, and what it answers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

__all__ = [
    "Costs",
    "Item",
    "Limit",
    "Offer",
    "Orders",
    "Share",
    "offer_rows",
    "packs_a_load",
    "whole_packs",
]


@dataclass(frozen=True)
class Offer:
    """What one supplier delivers of a material, as the programme sees it.

    Attributes
    ----------
    supplier : str
        Materials of one supplier that are due on the same days share loads.
    pack, load : float
        Quantity of a pack and of a full load [unit of the material].
    minimum : float
        Least quantity of an order.
    due : ndarray of int, shape (orders,)
        Day on which each order is promised.
    prices : list of list of (float, float)
        For each order the price breaks, as (from quantity, price of every unit) in rising order.
    premium : float
        What a unit costs beyond its price: heavier paper, strip, breaks, lateness [currency / unit].
    before : ndarray, shape (orders,)
        What the plan before ordered, NaN where it said nothing; empty without one. A unit more or less costs
        `change_cost` [currency / unit].
    change_cost : float
        See `before`.
    limits : tuple of Limit
        What the supplier's contracts ask for within the plan, of all its offers of the material.
    shares : tuple of Share
        The supplier's least and greatest parts of what is bought of the material.
    closed : ndarray of bool, shape (orders,)
        Orders that cannot be placed with it; empty where all can.
    """

    supplier: str
    pack: float
    load: float
    minimum: float
    due: np.ndarray
    prices: list[list[tuple[float, float]]]
    premium: float = 0.0
    before: np.ndarray = field(default_factory=lambda: np.zeros(0))
    change_cost: float = 0.0
    limits: tuple[Limit, ...] = ()
    shares: tuple[Share, ...] = ()
    closed: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=bool))

    def takes(self, order: int) -> bool:
        """Say whether an order can be placed with it."""
        return not (len(self.closed) and self.closed[order])


@dataclass(frozen=True)
class Limit:
    """Least and most that some orders of a supplier may add up to [unit of the material].

    Attributes
    ----------
    orders : ndarray of bool, shape (orders,)
        Which orders count.
    least, most : float
        Limits of their sum.
    cost : float
        Cost of a unit less or more [currency / unit].
    """

    orders: np.ndarray
    least: float
    most: float
    cost: float


@dataclass(frozen=True)
class Share:
    """Least and greatest part of a supplier in what is bought of a material, with what was bought before.

    Attributes
    ----------
    least, most : float
        Parts of the whole.
    bought, bought_of_all : float
        What was bought of this supplier and of all so far in the period that the parts are of [unit of the material].
    cost : float
        Cost of a unit less or more [currency / unit].
    since, until : float
        First and last day on which an order of the period is due.
    """

    least: float
    most: float
    bought: float
    bought_of_all: float
    cost: float
    since: float = -np.inf
    until: float = np.inf


@dataclass(frozen=True)
class Item:
    """A material as the programme sees it.

    Attributes
    ----------
    name : str
        The material.
    offers : tuple of Offer
        Who delivers it. The first tells the days by which needs are counted.
    needs : ndarray, shape (orders,)
        Quantity that the orders due by the first offer's n-th order must add up to.
    free : ndarray, shape (orders,)
        Most that they may add up to when the n-th comes, by the material's storage.
    capacity : float
        Most that is ever in the store [unit of the material].
    expedite : float
        Cost of a unit that lacks until the next order has come [currency / unit].
    low, high : ndarray, shape (orders,)
        Quantities that they should add up to at least, and at most, for the cover that is wanted; empty where nothing
        is.
    low_cost, high_cost : float
        Cost of a unit less than `low` or more than `high`, each time [currency / unit].
    room : float
        What a unit takes of the newsprint store [kg]; 0 for anything else.
    unit : str
        Its unit: price breaks of a whole order add up what is ordered in one.
    """

    name: str
    offers: tuple[Offer, ...]
    needs: np.ndarray
    free: np.ndarray
    expedite: float
    low: np.ndarray = field(default_factory=lambda: np.zeros(0))
    high: np.ndarray = field(default_factory=lambda: np.zeros(0))
    low_cost: float = 0.0
    high_cost: float = 0.0
    capacity: float = np.inf
    room: float = 0.0
    unit: str = ""

    @property
    def due(self) -> np.ndarray:
        """Day on which each order of the first offer is promised."""
        return self.offers[0].due

    @property
    def pack(self) -> float:
        """Smallest pack [unit of the material]."""
        return min(offer.pack for offer in self.offers)


@dataclass(frozen=True)
class Costs:
    """What all orders cost alike.

    Attributes
    ----------
    load : float
        Freight of one load [currency].
    holding_rate : float
        Holding cost, as a share of the value a year.
    end : int
        Day up to which holding is counted.
    filled : bool
        Whether plans follow on this one, so that a fuller load spares freight to come.
    whole_order : bool
        Whether price breaks are held against all that is ordered of a supplier on a day, in one unit.
    """

    load: float
    holding_rate: float
    end: int
    filled: bool = False
    whole_order: bool = False


@dataclass(frozen=True)
class Orders:
    """What the programme says.

    Attributes
    ----------
    quantity : ndarray, shape (offers, orders)
        Quantities of the materials' offers, one below the other [unit of the material].
    loads : dict of ndarray, shape (orders,)
        Loads of each supplier.
    lacking : ndarray, shape (items, orders)
        Quantity by which the first n orders fall short of what is needed until the next one has come.
    cost : float
        Freight, holding and purchase at the prices given [currency], expediting included.
    gap : float
        Proven distance to the least cost, as a share of it.
    """

    quantity: np.ndarray
    loads: dict[str, np.ndarray]
    lacking: np.ndarray
    cost: float
    gap: float


def offer_rows(items: Sequence[Item]) -> list[slice]:
    """Return the rows of each material's offers where all offers stand below each other."""
    ends = np.cumsum([0, *(len(item.offers) for item in items)])
    return [slice(int(first), int(last)) for first, last in pairwise(ends)]


def packs_a_load(offer: Offer) -> float:
    """Return how many whole packs a load holds; a pack larger than a load has one of its own."""
    return float(max(np.floor(offer.load / offer.pack + 1e-9), 1.0))


def whole_packs(quantity: np.ndarray, pack: float) -> np.ndarray:
    """Return how many whole packs quantities take."""
    return np.asarray(np.ceil(np.maximum(quantity, 0.0) / pack - 1e-6))


def packs_needed(item: Item) -> np.ndarray:
    """Return the needs of a material in its smallest packs.

    Where all packs are alike only whole ones come: the need in whole packs is the same rule, and a closer bound.
    """
    alike = len({offer.pack for offer in item.offers}) == 1
    return whole_packs(item.needs, item.pack) if alike else item.needs / item.pack
