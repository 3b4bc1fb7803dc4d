"""Rules between what suppliers offer, what they agreed to sell it for, and the materials that there are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .keys import positions_in

if TYPE_CHECKING:
    from .rows import Rows

__all__ = ["check_offers"]


def check_offers(terms: Rows, prices: Rows | None, materials: Rows | None) -> None:
    """Check the rows of ``terms``: materials that there are, least shares that leave room, suppliers of ``prices``."""
    if materials is not None:
        listed = materials.text("material").filter(pa.array(materials.live))
        lost = (positions_in(terms.text("material"), listed) < 0) & terms.live
        terms.reject(lost & ~terms.blank("material"), "material", "no such material")
    _check_shares(terms)
    if prices is not None:
        _check_prices(prices, terms)


def _check_shares(terms: Rows) -> None:
    """Set aside the terms by which the least shares of a material come to more than all of it, from the day they do.

    What held before them goes on: nobody can tell which of the shares that begin together is wrong.
    """
    material, supplier = terms.codes("material"), terms.codes("supplier")
    least = np.nan_to_num(terms["share_minimum_pct"])
    rows = np.flatnonzero(terms.live)
    rows = rows[np.lexsort((terms["valid_from"][rows], material[rows]))]
    for mine in np.split(rows, np.flatnonzero(np.diff(material[rows])) + 1):
        held: dict[int, float] = {}
        days = terms["valid_from"][mine]
        for begun in np.split(mine, np.flatnonzero(days[1:] != days[:-1]) + 1):
            new = held | dict(zip(supplier[begun].tolist(), least[begun].tolist(), strict=True))
            total = sum(new.values())
            if total > 100 + 1e-9:
                rule = f"the least shares of this material come to more than 100 %; {total:.4g} %"
                terms.reject(begun.tolist(), "share_minimum_pct", rule)
            else:
                held = new


def _check_prices(prices: Rows, terms: Rows) -> None:
    """Warn of prices of a supplier that has no terms of a material which others have terms of."""
    live = pa.array(terms.live)
    offered = terms.text("material").filter(live)
    pairs = [
        pc.binary_join_element_wise(table.text("material"), table.text("supplier"), "\x1f")
        for table in (prices, terms)
    ]
    known = positions_in(prices.text("material"), offered) >= 0
    without = positions_in(pairs[0], pairs[1].filter(live)) < 0
    named = ~prices.blank("supplier")
    prices.warn(
        prices.live & known & named & without,
        ("material", "supplier"),
        "terms know no such supplier of this material",
    )
