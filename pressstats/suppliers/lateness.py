"""How late each supplier is, few loads drawn to what all do, and how often so late that stock does not reach."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..orders import LeadTimes

__all__ = ["supplier_lateness"]

_DRAWS = 4000
_SEED = 7
#: Loads of all suppliers that weigh as much as all of a supplier's own in what is drawn of it, if it has so many.
_SHARED = 8.0
#: A name that no supplier has: of nobody is known what is known of all.
_NOBODY = "\0"
_COLUMNS = ["on_time_pct", "days_late_mean", "late_chance", "late_loads", "other_loads"]


def supplier_lateness(times: LeadTimes, suppliers: Iterable[str], reaches_days: float) -> pd.DataFrame:
    """Return how late suppliers are: on_time_pct, days_late_mean, late_chance, late_loads, other_loads, by supplier.

    `times` are the lead times that orders are planned with: a load counts once whatever it carries, what is overdue is
    as late as that at the least, and a supplier with n loads is drawn to what all do as n is to eight. `reaches_days`
    is how late a load may be before stock ends, late_chance how often it is later. On time is by the promised day; an
    early load is 0 days late. late_loads and other_loads count the supplier's own, one load of all added: what its own
    chance may be must not be narrower for what others do. Blank where nobody ever delivered anything.
    """
    known = bool((times.summary()["loads"] > 0).any())

    def drawn(name: str) -> np.ndarray:
        return times.draw(name, _DRAWS, np.random.default_rng(_SEED))

    of_all = float((drawn(_NOBODY) > reaches_days).mean())
    rows = []
    for name in suppliers:
        late, loads = drawn(name), float(times.deliveries(name))
        chance = float((late > reaches_days).mean())
        # Of n loads, n / (n + 8) of the draws are its own.
        own = round(chance * (loads + _SHARED) - _SHARED * of_all)
        counts = (own + of_all, loads - own + 1 - of_all)
        record = (100 * float((late <= 0).mean()), float(np.maximum(late, 0).mean()), chance, *counts)
        rows.append((name, *(record if known else [np.nan] * len(_COLUMNS))))
    kinds = dict.fromkeys(_COLUMNS, "float64") | {"supplier": "str"}
    return pd.DataFrame(rows, columns=["supplier", *_COLUMNS]).astype(kinds)
