"""What the dips alone say of an ink: use by day and by million pages, without coverage and without a model."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

from .findings import STEP

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["mean_use"]

#: Days of the blocks whose scatter says how sure the mean is: longer than what dip errors and weekdays do.
_BLOCK_DAYS = 28
_BLOCKS_MINIMUM = 4


def mean_use(logs: Logs, intervals: pd.DataFrame) -> pd.DataFrame:
    """Return the mean use of each ink by day and by million pages.

    Parameters
    ----------
    logs : Logs
        The logs.
    intervals : DataFrame
        Intervals as :func:`pressstats.ink.judge_inks` returns them; those with a step are left out.

    Returns
    -------
    DataFrame, shape (inks, 7)
        ink, days [day], used_kg [kg], kg_per_day with ci_low and ci_high [kg/day] (95 %, Student's t over blocks of
        four weeks; blank with fewer than four of them), and kg_per_million_pages [kg] over all pages printed, whether
        the ink was on them or not.
    """
    runs = logs["runs"].sort_values("finished_at")
    pages = np.append(0.0, np.cumsum(runs["copies_gross"] * runs["pages"]))
    finished = runs["finished_at"].to_numpy()
    rows = []
    for ink, own in intervals[(intervals["why"] != STEP) & intervals["used_kg"].notna()].groupby("ink"):
        ends, since = own["read_at"].to_numpy(), own["since"].to_numpy()
        printed = (
            pages[np.searchsorted(finished, ends, "right")] - pages[np.searchsorted(finished, since, "right")]
        )
        used, days = float(own["used_kg"].sum()), float(own["days"].sum())
        low, high = _interval(own)
        million = float(printed.sum()) / 1e6
        rows.append((ink, days, used, used / days, low, high, used / million if million > 0 else np.nan))
    names = ["days", "used_kg", "kg_per_day", "ci_low", "ci_high", "kg_per_million_pages"]
    kinds = {"ink": "str"} | dict.fromkeys(names, "float64")
    return pd.DataFrame(rows, columns=["ink", *names]).astype(kinds)


def _interval(rows: pd.DataFrame) -> tuple[float, float]:
    """Return the 95 % interval of the mean use a day [kg/day], from blocks of four weeks."""
    day = (rows["read_at"] - rows["since"].min()) / pd.Timedelta(days=1)
    blocks = rows.groupby((day // _BLOCK_DAYS).astype(int).to_numpy())[["used_kg", "days"]].sum()
    # A block of a few days at the end would weigh as much as a whole one.
    blocks = blocks[blocks["days"] > _BLOCK_DAYS / 2]
    if len(blocks) < _BLOCKS_MINIMUM:
        return float("nan"), float("nan")
    rate = blocks["used_kg"] / blocks["days"]
    half = special.stdtrit(len(rate) - 1, 0.975) * float(rate.std()) / np.sqrt(len(rate))
    return float(rate.mean() - half), float(rate.mean() + half)
