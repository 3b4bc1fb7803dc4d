"""How a row of ``exceptions`` is made: its kind is registered, its state and owner come with the kind."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from ..logs import Logs
from .kinds import kind_of, owner_of

__all__ = ["NEWS_DAYS", "is_news", "raised"]

#: A signal is news while it is not older than this.
NEWS_DAYS = 28


def is_news(logs: Logs, days: pd.Series) -> pd.Series:
    """Say of each day or time whether it is at most four weeks old at as-of."""
    return days > logs.as_of - pd.Timedelta(days=NEWS_DAYS)


def raised(
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
) -> dict[str, Any]:
    """Return one row of ``exceptions``.

    Parameters
    ----------
    logs : Logs
        The logs, for who is asked.
    kind : str
        A name in :data:`pressstats.watch.kinds.KINDS`.
    subject : str
        What it concerns: a press, a material, a supply.
    why : str
        The evidence, in a sentence.
    size : float
        How much [`unit`].
    unit : str
        Unit of the size.
    cost : float
        What it has cost, or costs a year, as the kind says [currency].
    week : Timestamp, optional
        First day of the week since which it is so.
    state : str
        ``act`` or ``watch`` where it is not what its kind says.
    asked : str
        Who is asked where ``[owners]`` names nobody and the logs do.
    part : str
        Part of the logs that it is derived from, where it is not what its kind says.

    Returns
    -------
    dict
        By the columns of ``exceptions``, without ``exception`` and with ``part``.

    Raises
    ------
    KeyError
        If the kind is not registered.
    """
    about = kind_of(kind)
    return {
        "kind": kind,
        "subject": subject,
        "week": pd.NaT if week is None else week,
        "size": size,
        "unit": unit,
        "cost": cost,
        "cost_basis": about.cost_basis if np.isfinite(cost) else "",
        "state": state or about.state,
        "owner": owner_of(logs.plant, kind, asked),
        "why": why,
        "part": part or about.part,
    }
