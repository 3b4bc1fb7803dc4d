"""The book of each material: what came, what was used, what counts corrected and what was left, day by day."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..ink import tank_levels
from ..prices import agreed_price, receipts
from ..tables import INPUTS
from ..valuation import VALUATIONS, Book, Receipts

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["MaterialBook", "material_books"]

_DAY = pd.Timedelta(days=1)


@dataclass(frozen=True)
class MaterialBook:
    """The book of one material [unit of the material, currency].

    Attributes
    ----------
    material, kind, unit : str
        What it is of.
    days : DatetimeIndex
        From the day that the logs begin, or that of the first count before it, to as-of.
    opening : float
        Quantity before the first day; that of the first count, with what was used until then. Blank where nothing was
        ever counted: then the book is valued as if there had been nothing.
    received, used, difference, closing : ndarray, shape (days,)
        Quantities; `difference` is what counts found more (or, negative, less) than the book. Closing is blank where
        nothing was ever counted.
    value : Book
        The same in money, blank where no price is known.
    estimated : ndarray, shape (days,)
        How much of the use was neither weighed, counted nor dipped.
    receipts : DataFrame
        What came (:func:`pressstats.prices.receipts`).
    counted_on : DatetimeIndex
        Days of its counts or dips.
    """

    material: str
    kind: str
    unit: str
    days: pd.DatetimeIndex
    opening: float
    received: np.ndarray
    used: np.ndarray
    difference: np.ndarray
    closing: np.ndarray
    value: Book
    estimated: np.ndarray
    receipts: pd.DataFrame
    counted_on: pd.DatetimeIndex

    @property
    def unit_cost(self) -> pd.Series:
        """What a unit used on each day cost; on a day without use, what it cost on the day before [currency / unit]."""
        mean = np.divide(self.value.used, self.used, out=np.full(len(self.days), np.nan), where=self.used > 0)
        return pd.Series(mean, self.days).ffill().bfill()


def material_books(
    logs: Logs, use: pd.DataFrame, misread: pd.DataFrame, valuation: str | None = None
) -> dict[str, MaterialBook]:
    """Return the book of each material.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``; else there are no books.
    use : DataFrame
        Result of :func:`pressstats.accounts.material_use`.
    misread : DataFrame
        Rows of ``ink_findings`` of misread dips: ink, from, to. Those dips correct no book.
    valuation : str, optional
        ``first_in_first_out`` or ``moving_average``; by default what ``plant.toml`` says.

    Returns
    -------
    dict of MaterialBook
        By material. What came, or was used, before anything was counted stands in the opening of the first day.
    """
    if not logs.has("materials"):
        return {}
    value = VALUATIONS[valuation or logs.plant.accounts.valuation]
    # Idle loss goes on through its day.
    ended = use["run_id"].map(logs["runs"].set_index("run_id")["finished_at"]).fillna(use["day"] + _DAY)
    uses = _by_material(use.assign(ended=ended))
    came = _by_material(_with_hours(logs, receipts(logs)))
    counted_of = _by_material(_stock_counts(logs))
    first_run = logs["runs"]["date"].min()
    books = {}
    for row in logs["materials"].itertuples():
        material = str(row.material)
        own = uses(material)
        dips = _dips(logs, str(row.ink), misread) if row.kind == "ink" else None
        counts = counted_of(material) if dips is None else dips
        begin = min([first_run, *counts["day"].iloc[:1]])
        days = pd.date_range(begin, logs.as_of, freq="D", unit="us")
        rows = came(material)
        earlier, rows = rows[rows["day"] < begin], rows[rows["day"] >= begin]
        counted = _at_days_end(counts, rows, own)
        price = _opening_price(logs, material, earlier, rows)
        listed = (material, str(row.kind), str(row.unit))
        books[material] = _book(listed, days, rows, own, counted, price, value)
    return books


def _by_material(table: pd.DataFrame) -> Callable[[str], pd.DataFrame]:
    """Return what gives the rows of a material, sorted out once for all."""
    rows, none = dict(list(table.groupby("material"))), table.iloc[:0]
    return lambda material: rows.get(material, none)


def _with_hours(logs: Logs, came: pd.DataFrame) -> pd.DataFrame:
    """Add when each receipt was there: at its hour, else at the beginning of its day."""
    if not logs.has("deliveries"):
        return came.assign(hour=came["day"])
    at = logs["deliveries"].set_index("delivery_id")["delivered_at"]
    at = at[~at.index.duplicated()].reindex(came["delivery_id"]).set_axis(came.index)
    return came.assign(hour=at.fillna(came["day"]))


def _stock_counts(logs: Logs) -> pd.DataFrame:
    """Return all counts: material, day, at (blank: the day's end), quantity."""
    table = logs["stock_counts"] if logs.has("stock_counts") else INPUTS["stock_counts"].empty()
    table = table.sort_values(["counted_on", "counted_at"])
    table = table.rename(columns={"counted_on": "day", "counted_at": "at"})
    return table[["material", "day", "at", "quantity"]]


def _dips(logs: Logs, ink: str, misread: pd.DataFrame) -> pd.DataFrame | None:
    """Return the dips of an ink in tanks as counts, without those misread; None where it is in no tank."""
    if not logs.has("tank_readings") or ink not in set(logs["tank_readings"]["ink"]):
        return None
    levels, _ = tank_levels(logs, ink)
    table = levels.rename(columns={"read_at": "at", "level_kg": "quantity"})
    table = table.assign(day=table["at"].dt.normalize())
    for finding in misread[misread["ink"] == ink].to_dict("records"):
        table = table[~table["day"].between(finding["from"] + _DAY, finding["to"])]
    return table[["day", "at", "quantity"]]


def _at_days_end(counts: pd.DataFrame, came: pd.DataFrame, use: pd.DataFrame) -> pd.Series:
    """Return what was there at the end of each day with a count, by the book's days; index day.

    A count with an hour, and a dip, see what had come and what runs had finished by then.
    """
    timed = counts["at"].notna().to_numpy()
    quantity = counts["quantity"].to_numpy(dtype=float, copy=True)
    if timed.any():
        counted = counts[timed]
        day, at = counted["day"].to_numpy(), counted["at"].to_numpy()
        late = _until(use["day"], use["quantity"], day) - _until(use["ended"], use["quantity"], at)
        late_receipts = _until(came["day"], came["quantity"], day)
        late_receipts -= _until(came["hour"], came["quantity"], at)
        quantity[timed] += late_receipts - late
        idle = use[use["run_id"] == ""].groupby("day")["quantity"].sum().reindex(day).fillna(0.0).to_numpy()
        quantity[timed] += idle * ((at - day) / _DAY.to_timedelta64())
    return pd.Series(quantity, pd.DatetimeIndex(counts["day"])).groupby(level=0).last()


def _until(when: pd.Series, quantity: pd.Series, until: np.ndarray) -> np.ndarray:
    """Return the sum of quantities up to each of some times."""
    times = when.to_numpy()
    order = np.argsort(times, kind="stable")
    total = np.append(0.0, np.cumsum(quantity.to_numpy()[order]))
    return total[np.searchsorted(times[order], until, side="right")]


def _by_day(position: np.ndarray, quantity: pd.Series, size: int) -> np.ndarray:
    known = position >= 0
    return np.bincount(position[known], quantity.to_numpy()[known], size).astype(float)


def _opening_price(logs: Logs, material: str, earlier: pd.DataFrame, came: pd.DataFrame) -> float:
    """Return what the opening stock cost: as the last receipt before it, else the first after, else as agreed."""
    priced = pd.concat([earlier["unit_price"].dropna().tail(1), came["unit_price"].dropna().head(1)])
    return float(priced.iloc[0]) if len(priced) else agreed_price(logs, material, logs.as_of, 0.0)


def _book(
    listed: tuple[str, str, str],
    days: pd.DatetimeIndex,
    came: pd.DataFrame,
    use: pd.DataFrame,
    counted: pd.Series,
    price: float,
    value: Callable[..., Book],
) -> MaterialBook:
    """Return the book of one material; each count of a day's end sets it right."""
    size = len(days)
    position = days.get_indexer(pd.DatetimeIndex(use["day"]))
    used = _by_day(position, use["quantity"], size)
    estimated = _by_day(position, use["quantity"] * use["estimated"], size)
    receipt = days.get_indexer(pd.DatetimeIndex(came["day"]))
    received = _by_day(receipt, came["quantity"], size)
    counts = days.get_indexer(counted.index)
    moved = np.cumsum(received - used)
    difference = np.zeros(size)
    opening = 0.0
    if len(counts):
        # Against the first count there is nothing to compare: it says what was there before.
        level = counted.to_numpy() - moved[counts]
        opening = max(float(level[0]), 0.0)
        difference[counts] = np.diff(np.append(opening, level))
    closing = opening + moved + np.cumsum(difference)
    paid = came["unit_price"].fillna(price).to_numpy(dtype=float)
    book = value(opening, Receipts(receipt, came["quantity"].to_numpy(), paid), used, difference, price)
    known = len(counts) > 0
    return MaterialBook(
        *listed,
        days,
        opening if known else np.nan,
        received,
        used if len(use) else np.full(size, np.nan),
        difference,
        closing if known else np.full(size, np.nan),
        book,
        estimated,
        came.drop(columns="hour"),
        pd.DatetimeIndex(counted.index),
    )
