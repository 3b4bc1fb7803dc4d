"""How a row of ``exceptions`` is made: its kind is registered, its state and owner come with the kind."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from .kinds import kind_of, owner_of

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["NEWS_DAYS", "is_news", "raised"]

#: A signal is news while it is not older than this.
NEWS_DAYS = 28


def is_news(logs: Logs, days: pd.Series) -> pd.Series:
    """Say of each day or time whether it is at most four weeks old at as-of."""
    return days > logs.as_of - pd.Timedelta(days=NEWS_DAYS)


def raised(  # noqa: PLR0913 -- a column of the row each
    logs: Logs,
    kind: str,
    subject: str,
    why: str,
    *,
    size: float = np.nan,
    unit: str = "",
    cost: float = np.nan,
    week: pd.Timestamp | None = None,
    state: str = "",
    asked: str = "",
    part: str = "",
    by: pd.Timestamp | None = None,
    assumed: str = "",
) -> dict[str, Any]:
    """Return one row of ``exceptions``, without its number and with ``part``.

    `cost` is to date, a year's or an order's, as the kind says [currency], `assumed` the price in it that the plant has
    not set; `week` is the first day of the week since which it is so, `by` the day by which it must be done where that
    is fixed; `state`, `asked` and so on stand where it is not what its kind says. The first part of `why`, to its first
    semicolon, stands by itself: with the subject before it, it is what a figure of the week says.
    """
    about = kind_of(kind)
    return {
        "kind": kind,
        "subject": subject,
        "week": pd.NaT if week is None else week,
        "size": size,
        "unit": unit,
        "cost": cost,
        "cost_basis": f"{about.cost_basis}{assumed}" if np.isfinite(cost) else "",
        "state": state or about.state,
        "owner": owner_of(logs.plant, kind, asked),
        "by": pd.NaT if by is None else by,
        "why": why,
        "part": part or about.part,
    }
