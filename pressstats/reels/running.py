"""How far a reel runs before the web breaks: product-limit curve, cumulative hazard, rate per 1000 km.

A splice, the end of a run and a damaged reel end the watch before any break (censoring), and a part
reel comes under watch only at the metres it has already run (late entry). Leaving either out makes
breaks look far more, or less, frequent than they are.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from .rates import poisson_interval

__all__ = ["RateTest", "breaks_per_1000_km", "log_rank", "running_length", "survival"]


class RateTest(NamedTuple):
    """Result of a test that groups run alike: statistic, degrees of freedom and p-value."""

    statistic: float
    degrees: int
    p_value: float


def survival(
    entered: np.ndarray, left: np.ndarray, event: np.ndarray, *, origin: bool = True
) -> pd.DataFrame:
    """Return the product-limit curve of the length run before an event.

    Parameters
    ----------
    entered, left : ndarray, shape (rows,)
        Lengths at which each row comes under watch (0 for a whole reel) and is last watched, in one unit.
    event : ndarray of bool, shape (rows,)
        Whether it ended by the event; else it is censored.
    origin : bool
        Whether a first row tells that at length 0 nothing has happened.

    Returns
    -------
    DataFrame, shape (lengths with an event, 8)
        length, at_risk, events, survival (Kaplan-Meier), ci_low, ci_high (95 %, pointwise, complementary log-log with
        Greenwood's variance), hazard (Nelson-Aalen: expected events of one unit watched throughout), hazard_error.

    Notes
    -----
    Kaplan and Meier (1958), Journal of the American Statistical Association 53:457, with late entry: at risk at a
    length are those that entered before it and have not left before it.
    """
    begin, end = np.asarray(entered, dtype=float), np.asarray(left, dtype=float)
    hit = np.asarray(event, dtype=bool)
    lengths, events = np.unique(end[hit], return_counts=True)
    # Who enters at exactly a length where an event happens was not yet under watch.
    at_risk = np.searchsorted(np.sort(begin), lengths, side="left") - np.searchsorted(
        np.sort(end), lengths, side="left"
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        curve = np.cumprod(1 - events / at_risk)
        greenwood = np.cumsum(events / (at_risk * (at_risk - events)))
        spread = special.ndtri(0.975) * np.sqrt(greenwood) / np.abs(np.log(curve))
        low, high = curve ** np.exp(spread), curve ** np.exp(-spread)
    table = pd.DataFrame(
        {
            "length": lengths,
            "at_risk": at_risk.astype(float),
            "events": events.astype(float),
            "survival": curve,
            "ci_low": low,
            "ci_high": high,
            "hazard": np.cumsum(events / at_risk),
            "hazard_error": np.sqrt(np.cumsum(events / at_risk.astype(float) ** 2)),
        }
    )
    # When the last one at risk has its event there are no limits.
    table.loc[~np.isfinite(spread), ["ci_low", "ci_high"]] = np.nan
    if origin:
        start = pd.DataFrame([[0.0, float((begin <= 0).sum()), 0.0, 1.0, 1.0, 1.0, 0.0, 0.0]])
        table = pd.concat([start.set_axis(table.columns, axis=1), table], ignore_index=True)
    return table


def log_rank(entered: np.ndarray, left: np.ndarray, event: np.ndarray, group: np.ndarray) -> RateTest:
    """Return the chi-square of the log-rank test that groups run alike; blank with fewer than two or no event.

    `entered`, `left` and `event` are those of :func:`survival`, `group` is that of each row.
    """
    code, names = pd.factorize(np.asarray(group))
    begin, end, hit = np.asarray(entered, float), np.asarray(left, float), np.asarray(event, bool)
    lengths = np.unique(end[hit])
    size = len(names)
    if size < 2 or not len(lengths):
        return RateTest(np.nan, max(size - 1, 0), np.nan)
    risk = np.empty((size, len(lengths)))
    seen = np.empty((size, len(lengths)))
    for one in range(size):
        members = code == one
        risk[one] = np.searchsorted(np.sort(begin[members]), lengths, side="left") - np.searchsorted(
            np.sort(end[members]), lengths, side="left"
        )
        seen[one] = np.bincount(np.searchsorted(lengths, end[members & hit]), minlength=len(lengths))
    total, events = risk.sum(axis=0), seen.sum(axis=0)
    excess = (seen - events * risk / total).sum(axis=1)[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(total > 1, events * (total - events) / (total - 1), 0.0)
    share = risk / total
    covariance = np.diag((scale * share).sum(axis=1)) - (scale * share) @ share.T
    statistic = float(excess @ np.linalg.pinv(covariance[:-1, :-1]) @ excess)
    return RateTest(statistic, size - 1, float(special.chdtrc(size - 1, statistic)))


def running_length(history: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return from where to where each mount was watched [km], and whether the web broke, each of shape (rows,).

    A mount without a place in the reel's life, or without a length run, is left out.
    """
    known = history[history["entered_m"].notna() & (history["run_m"] > 0)]
    entered = known["entered_m"].to_numpy() / 1000
    left = entered + known["run_m"].to_numpy() / 1000
    return entered, left, (known["ended_by"] == "web_break").to_numpy()


def breaks_per_1000_km(breaks: float, km: float) -> tuple[float, float, float]:
    """Return breaks per 1000 km of web with exact 95 % limits; blank where nothing ran.

    The count is what ended the watch, the kilometres all that were watched, so that neither censoring nor late entry
    biases it.
    """
    if not km > 0:
        return np.nan, np.nan, np.nan
    low, high = poisson_interval([breaks])
    return 1000 * breaks / km, 1000 * float(low[0]) / km, 1000 * float(high[0]) / km
