"""One departure from the model of an ink, with its evidence."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

__all__ = ["Finding"]


@dataclass(frozen=True)
class Finding:
    """One departure from the model.

    Attributes
    ----------
    ink : str
        The ink.
    kind : str
        ``misread dip``, ``step``, ``drift``, ``leak``, ``film weight change`` (it lasts) or ``change`` (the evidence
        separates none of them).
    since, until : Timestamp
        First and last dip concerned.
    size : float
        Kilograms by which a dip read too high or a step took ink away [kg], of a leak a day [kg/day], of a drift
        [g/m2 of solid].
    extra_kg : float
        What left the tank beyond expectation in all [kg]; 0 for a misread dip.
    statistic, rival : float
        Squared statistic, on the scale of a known variance, and that of the best other kind at the same place; a
        window's is taken as 4 less than it is beside a single dip or interval.
    exposure : str
        What a window multiplies in the model: ``solid_m2`` or ``days``; empty for a single dip or interval, and for a
        lasting change of which nothing tells what it multiplies (its size is kg/day then).
    lasting : bool
        It has not ended, or has ended only in another change: `since` is its beginning, `until` the last dip of the
        level that it went to.
    share : float
        Of a lasting change: `extra_kg` as a share of what the level before would have used.
    dated_low, dated_high : Timestamp or NaT
        Of a lasting change: between these dips it began, with 95 % probability.
    """

    ink: str
    kind: str
    since: pd.Timestamp
    until: pd.Timestamp
    size: float
    extra_kg: float
    statistic: float
    rival: float
    exposure: str = ""
    lasting: bool = False
    share: float = float("nan")
    dated_low: pd.Timestamp = pd.NaT
    dated_high: pd.Timestamp = pd.NaT
