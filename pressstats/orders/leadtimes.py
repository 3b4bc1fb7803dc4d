"""How long orders take and how late they come: learned from deliveries, small samples with all the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = [
    "LeadTimes",
    "arrivals",
    "brought",
    "lead_days",
    "receipt_days",
    "rest_days",
    "review_days",
    "serves_from",
    "supplier_of",
    "truck_days",
]

#: Deliveries of all suppliers together that weigh as much in a supplier's lateness.
_SHARED = 8.0
#: Latest deliveries of a supplier from which its promised lead time is taken.
_LATEST = 12
#: Days by which lead times of one supplier's materials may differ and yet they come together.
_ONE_TRUCK = 2
#: Days beyond which it does not matter how much longer something is waited for.
_LONGEST = 1000


class LeadTimes:
    """Lead times and lateness of suppliers.

    Parameters
    ----------
    logs : Logs
        Logs; without ``deliveries`` orders take what ``materials`` says, and come on their day.

    Attributes
    ----------
    forgotten : frozenset of str
        Open rows of ``deliveries`` that are later than anything ever came while what was ordered after them has come:
        nobody counts on them, and they tell nothing of how late a supplier is.
    """

    def __init__(self, logs: Logs) -> None:
        self._late: dict[str, np.ndarray] = {}
        self._promised: dict[tuple[str, str], float] = {}
        self._every = np.zeros(0)
        self.forgotten: frozenset[str] = frozenset()
        if not logs.has("deliveries"):
            return
        rows = logs["deliveries"]
        rows = rows[rows["cancelled_on"].isna()]
        # Rows on one truck are late together: a load counts once. Which truck an open row will be on is seldom known:
        # what a supplier promised for a day comes together.
        there = rows["delivered_on"].notna()
        alone = rows["delivery_id"].where(there, "promised " + rows["promised_on"].astype("str"))
        rows = rows.assign(load=rows["load"].fillna(alone), supplier=supplier_of(logs, rows))
        came = rows[there].drop_duplicates(["supplier", "load"])
        late = (came["delivered_on"] - came["promised_on"]).dt.days.astype("float64")
        # What is overdue and has not come is as late as that at the least: a mill that has stopped is not punctual.
        open_ = rows[~there & (rows["promised_on"] < logs.as_of)]
        overdue = (logs.as_of - open_["promised_on"]).dt.days.astype("float64")
        newest = rows[there].groupby(["supplier", "material"])["ordered_on"].max()
        after = newest.reindex(pd.MultiIndex.from_frame(open_[["supplier", "material"]])).to_numpy()
        lost = (overdue > late.max()).to_numpy() & (after > open_["ordered_on"].to_numpy())
        self.forgotten = frozenset(open_.loc[lost, "delivery_id"].astype("str"))
        open_, overdue = open_[~lost], overdue[~lost]
        one_each = ~open_.duplicated(["supplier", "load"])
        came = pd.concat([came, open_[one_each]])
        late = pd.concat([late, overdue[one_each]])
        self._every = late.dropna().to_numpy()
        self._late = {
            str(name): own_days.dropna().to_numpy() for name, own_days in late.groupby(came["supplier"])
        }
        # The logs are in the order of their keys, which need not be that of time.
        rows = rows.sort_values("ordered_on", kind="stable")
        taken = (rows["promised_on"] - rows["ordered_on"]).dt.days.astype("float64")
        for key, own_days in taken.groupby([rows["supplier"], rows["material"]]):
            if own_days.notna().any():
                self._promised[str(key[0]), str(key[1])] = float(own_days.dropna().tail(_LATEST).median())

    def promised(self, supplier: str | None, material: str, listed: float) -> int:
        """Return the days from order to promised day: what was lately promised, else what is listed [day]."""
        days = self._promised.get((supplier or "", material), listed)
        return max(round(days), 0)

    def deliveries(self, supplier: str | None) -> int:
        """Return how many loads of a supplier its own lateness rests on."""
        return len(self._late.get(supplier or "", ()))

    def draw(
        self,
        supplier: str | None,
        size: int | tuple[int, ...],
        rng: np.random.Generator,
        over: int | None = None,
    ) -> np.ndarray:
        """Draw days between promise and receipt.

        Parameters
        ----------
        supplier : str or None
            The supplier.
        size : int or tuple of int
            Shape of the draws, scenarios first.
        rng : Generator
            Source of randomness.
        over : int, optional
            Days by which the order is late already without having come: only what came later still tells
            how much longer it takes.

        Returns
        -------
        ndarray of int, shape `size`
            Days late (negative: early). Of a supplier with n loads, n / (n + 8) of the draws are its own and the rest
            anybody's; 0 where nothing was ever delivered. Of what is overdue already, while m loads of anybody came
            later still, 1 / (m + 1) of the draws follow none of them, but what is known of a wait of which nothing is
            known: it goes on for as long again in half of the scenarios.
        """
        own, every = self._late.get(supplier or "", np.zeros(0)), self._every
        weight = len(own) / (len(own) + _SHARED)
        shape = size if isinstance(size, tuple) else (size,)
        later = 0
        if over is not None:
            # Each load counts by its weight, and those that had come by then are out.
            own_left, all_ = own[own > over], every[every > over]
            ours = weight * len(own_left) / max(len(own), 1)
            others = (1 - weight) * len(all_) / max(len(every), 1)
            if over >= 0:
                later = len(all_)
            own, every, weight = own_left, all_, ours / (ours + others) if ours + others > 0 else 0.0
        if not len(every):
            drawn = np.full(shape, 0 if over is None else max(over + 1, 0), dtype=int)
            return drawn if over is None or over < 0 else _unheard_of(drawn, over, later, rng)
        if not len(own):
            weight = 0.0
        days = np.concatenate([own, every])
        chance = np.repeat([weight / max(len(own), 1), (1 - weight) / len(every)], [len(own), len(every)])
        rank = np.argsort(days, kind="stable")
        # Drawn layer by layer, so that each order is very late in as many scenarios as any other: which order happens
        # to be, among a thousand scenarios, would else decide on stock.
        layer = rng.permuted(
            np.broadcast_to(np.arange(shape[0])[(..., *[None] * (len(shape) - 1))], shape), axis=0
        )
        at = np.searchsorted(
            np.cumsum(chance[rank]), (layer + rng.random(shape)) / max(shape[0], 1), side="right"
        )
        drawn = np.asarray(days[rank][np.minimum(at, len(days) - 1)], dtype=int)
        return drawn if over is None or over < 0 else _unheard_of(drawn, over, later, rng)

    def summary(self) -> pd.DataFrame:
        """Return how late each supplier is: supplier, loads, and late_mean, late_q50, late_q95 [day] as drawn.

        In the mean an early load is 0 days late, as in ``supplier_record``: early ones do not make up for late ones.
        """
        rows = []
        for supplier, own in self._late.items():
            drawn = self.draw(supplier, 4000, np.random.default_rng(7))
            mean = np.maximum(drawn, 0).mean()
            rows.append((supplier, float(len(own)), mean, np.median(drawn), np.quantile(drawn, 0.95)))
        return pd.DataFrame(rows, columns=["supplier", "loads", "late_mean", "late_q50", "late_q95"])


def _unheard_of(drawn: np.ndarray, over: int, later: int, rng: np.random.Generator) -> np.ndarray:
    """Replace 1 / (later + 1) of the draws of what is `over` days overdue by waits that are as long again as so far.

    The next of m + 1 exchangeable waits is the longest in one case of m + 1 (rule of succession); without a scale of
    its own a wait of w days lasts more than r days longer in w / (w + r) of the scenarios.
    """
    shape = drawn.shape
    ranks = rng.permutation(shape[0]).reshape(-1, *[1] * (len(shape) - 1))
    unheard = (ranks + rng.random(shape)) / max(shape[0], 1) < 1 / (later + 1)
    rest = np.ceil((over + 1) * (1 / (1 - rng.random(shape)) - 1))
    return np.where(unheard, over + np.clip(rest, 1, _LONGEST), drawn).astype(int)


def supplier_of(logs: Logs, rows: pd.DataFrame) -> pd.Series:
    """Return the supplier of rows of ``deliveries``: where none is named that of record, else an empty text."""
    named = rows["supplier"]
    if logs.has("materials"):
        listed = logs["materials"].set_index("material")["supplier"]
        named = named.fillna(rows["material"].map(listed))
    return named.fillna("").astype("str")


def receipt_days(logs: Logs, days: pd.DatetimeIndex) -> np.ndarray:
    """Return for each of consecutive days the place of the first from it on that receives, else the last.

    If none of them receives, every day does.
    """
    opens = logs.plant.calendar.receives(days)
    if not opens.any():
        return np.arange(len(days))
    receiving = np.where(opens, np.arange(len(days)), len(days) - 1)
    return np.asarray(np.minimum.accumulate(receiving[::-1])[::-1])


def review_days(logs: Logs, days: pd.DatetimeIndex) -> np.ndarray:
    """Return the places of the days on which orders are placed, one a week.

    Where nothing can be ordered on its day it is the last day before it on which something can, but never before the
    first of `days`; else the next day after it. Weeks that are left with one day between them have one review.
    """
    usual = np.flatnonzero([name.lower() == logs.plant.policy.review_day for name in days.day_name()])
    can = np.flatnonzero(logs.plant.calendar.takes_orders(days))
    if not len(can):
        return usual
    before = np.searchsorted(can, usual, side="right") - 1
    placed = np.where(before >= 0, can[np.maximum(before, 0)], can[0])
    # A closed week or more leaves no day of its own: the order is then placed when orders are taken again.
    early = (usual - placed >= 7) & (np.searchsorted(can, usual) < len(can))
    after = can[np.minimum(np.searchsorted(can, usual), len(can) - 1)]
    return np.unique(np.where(early, after, placed))


def rest_days(logs: Logs) -> dict[str, int]:
    """Return how many days what is received of each material rests before it is used [day]: reels only do."""
    if not logs.has("materials"):
        return {}
    newsprint = logs["materials"]["kind"] == "newsprint"
    rest = int(logs.plant.reel.rest_days)
    return {str(name): rest for name in logs["materials"].loc[newsprint, "material"]}


def serves_from(received: Any, rest: int = 0) -> Any:
    """Return the day whose issue is the first that is printed, the evening before it, from what is `received`."""
    return received + 1 + rest


def arrivals(
    times: LeadTimes,
    orders: pd.DataFrame,
    days: pd.DatetimeIndex,
    receives: np.ndarray,
    materials: Sequence[str],
    draws: int,
    rng: np.random.Generator,
    rests: Mapping[str, int] | None = None,
) -> list[np.ndarray]:
    """Draw what is received of open orders before the use of each day, by material, shape (draws, days).

    An issue is printed the evening before its day, so what is received on a day serves the issue of the next, or of
    later ones where it rests. What a supplier promised for one day comes together; what is forgotten does not come.
    """
    trucks = truck_days(times, orders, days, receives, draws, rng)
    return brought(trucks, materials, (draws, len(days)), rests)


def truck_days(
    times: LeadTimes,
    orders: pd.DataFrame,
    days: pd.DatetimeIndex,
    receives: np.ndarray,
    draws: int,
    rng: np.random.Generator,
) -> list[tuple[pd.DataFrame, np.ndarray]]:
    """Draw on which day each truck of open orders comes: its rows, and days, shape (draws,), beyond `days` if later.

    What a supplier promised for one day comes together; what is forgotten does not come.
    """
    orders = orders[~orders["delivery_id"].isin(times.forgotten)]
    orders = orders.assign(supplier=orders["supplier"].fillna("").astype("str"))
    opens = set(days.day_of_week[receives == np.arange(len(days))])
    trucks = []
    for (supplier, promised), rows in orders.groupby(["supplier", "promised_on"]):
        due = (promised - days[0]).days
        # As-of has passed without it: what is overdue is as late as what came later than that.
        # Days on which nothing is received make no truck late.
        closed = next((n for n in range(7) if (promised.day_of_week + n) % 7 in opens), 0)
        late = times.draw(supplier, draws, rng, over=-1 - due - closed)
        received = receives[np.clip(due + late, 0, len(days) - 1)]
        trucks.append((rows, np.where(due + late < len(days), received, len(days))))
    return trucks


def brought(
    trucks: Sequence[tuple[pd.DataFrame, np.ndarray]],
    materials: Sequence[str],
    shape: tuple[int, int],
    rests: Mapping[str, int] | None = None,
) -> list[np.ndarray]:
    """Return what trucks bring of each material before the use of each day, each of `shape` (draws, days)."""
    come = {name: np.zeros(shape) for name in materials}
    for rows, received in trucks:
        for order in rows.itertuples():
            if order.material not in come:
                continue
            day = serves_from(received, (rests or {}).get(order.material, 0))
            inside = np.flatnonzero(day < shape[1])
            come[order.material][inside, day[inside]] += order.quantity
    return list(come.values())


def lead_days(offered: pd.DataFrame, times: LeadTimes) -> dict[tuple[str, str], int]:
    """Return the days from order to promise by supplier (empty where none is named) and material [day].

    Materials of one supplier that differ by a few days only come on one truck, with the slowest of them.
    """
    found: dict[tuple[str, str], int] = {}
    for supplier, own_offers in offered.groupby(offered["supplier"].fillna("").astype("str")):
        days = {
            str(name): times.promised(str(supplier), str(name), float(np.nan_to_num(listed)))
            for name, listed in zip(own_offers["material"], own_offers["lead_time_days"], strict=True)
        }
        longest = -1
        for name in sorted(days, key=lambda name: (-days[name], name)):
            if days[name] < longest - _ONE_TRUCK or longest < 0:
                longest = days[name]
            found[str(supplier), name] = longest
    return found
