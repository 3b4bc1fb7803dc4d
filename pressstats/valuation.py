"""What a stock is worth, day by day, and what it cost to use it or to lose it.

A book of one material: what came, what was used and what counts corrected, in the order of the day. Both ways of
valuation keep value and quantity together: opening + received - used + difference = closing, to the last digit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["VALUATIONS", "Book", "Receipts", "first_in_first_out", "moving_average"]


@dataclass(frozen=True)
class Receipts:
    """What came of one material: place of its day in the book, quantity and price of each, in the order of time."""

    day: np.ndarray
    quantity: np.ndarray
    price: np.ndarray


@dataclass(frozen=True)
class Book:
    """Value of what was used, of what counts corrected, and of what was left, by day [currency]."""

    opening: float
    received: np.ndarray
    used: np.ndarray
    difference: np.ndarray
    closing: np.ndarray


def first_in_first_out(
    opening: float, came: Receipts, used: np.ndarray, difference: np.ndarray, price: float
) -> Book:
    """Value a book by first in, first out: what has left is the oldest.

    Parameters
    ----------
    opening : float
        Quantity before the first day, valued at `price`.
    came : Receipts
        What came; it is there before anything is used that day.
    used, difference : ndarray, shape (days,)
        Quantity used, and what a count of the day's end adds to the book. What a count finds is what was thought gone
        last and was not, so a miscount that the next count takes back costs nothing.
    price : float
        Price of the opening stock [currency / unit].

    Returns
    -------
    Book
        Use beyond all that ever came costs as much as the last of it.
    """
    ends = np.cumsum([0.0, opening, *came.quantity])
    prices = np.array([price, *came.price])
    value = np.cumsum(np.concatenate([[0.0], np.diff(ends) * prices]))

    def worth(left: np.ndarray) -> np.ndarray:
        """Return the value of the first `left` of all that came."""
        inside = np.interp(left, ends, value)
        return inside + np.minimum(left, 0.0) * prices[0] + np.maximum(left - ends[-1], 0.0) * prices[-1]

    out = np.cumsum(used - difference)
    before = np.append(0.0, out)[:-1]
    at_use = worth(before + used)
    of_use, of_count = at_use - worth(before), at_use - worth(out)
    received = np.bincount(came.day, came.quantity * came.price, len(used)).astype(float)
    return Book(
        opening * price, received, of_use, of_count, opening * price + np.cumsum(received) - worth(out)
    )


def moving_average(
    opening: float, came: Receipts, used: np.ndarray, difference: np.ndarray, price: float
) -> Book:
    """Value a book at the moving average: each receipt changes the price of all that is there.

    Parameters are those of :func:`first_in_first_out`. What was used before it came is valued again at the price of
    the receipt, and that stands with the differences of counts.
    """
    size = len(used)
    received = np.bincount(came.day, came.quantity * came.price, size).astype(float)
    quantity = np.bincount(came.day, came.quantity, size).astype(float)
    of_use, of_count, left = np.zeros(size), np.zeros(size), np.zeros(size)
    stock, value, unit = opening, opening * price, price
    moved = (quantity != 0) | (used != 0) | (difference != 0)
    for day in np.flatnonzero(moved).tolist():
        if quantity[day] != 0:
            again = 0.0
            if stock < 0:
                again = stock * (received[day] / quantity[day] - unit)
            stock, value = stock + quantity[day], value + received[day] + again
            unit = value / stock if stock > 0 else received[day] / quantity[day]
            of_count[day] += again
        of_use[day] = used[day] * unit
        of_count[day] += difference[day] * unit
        stock += difference[day] - used[day]
        value += difference[day] * unit - of_use[day]
        left[day] = value
    # A day on which nothing moved ends as the day before.
    last = np.maximum.accumulate(np.where(moved, np.arange(size), -1))
    closing = np.where(last >= 0, left[np.maximum(last, 0)], opening * price)
    return Book(opening * price, received, of_use, of_count, closing)


#: How a book is valued, by the word of ``[accounts] valuation`` in ``plant.toml``.
VALUATIONS = {"first_in_first_out": first_in_first_out, "moving_average": moving_average}
