"""Ink use against what the model expects, interval by interval, on a control chart."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..ink import TERMS, expected_use
from ..tables import as_published
from .charts import ewma_signals

__all__ = ["ink_watch"]


def ink_watch(judged: pd.DataFrame, model: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``ink_watch``: residuals and the signals of a control chart.

    Parameters
    ----------
    judged : DataFrame
        Result of :func:`judge_intervals`.
    model : DataFrame
        Published table ``ink_model``.

    Returns
    -------
    DataFrame, shape (intervals, 6)
        Published columns. `signal` is ``high`` or ``low`` where an EWMA of z is outside its
        limits, ``jump`` where the interval was set aside, else empty.
    """
    parts = []
    watched = judged.assign(expected_kg=expected_use(judged, model)) if len(judged) else judged
    for _, rows in watched.groupby("ink", sort=True):
        residual = rows["used_kg"] - rows["expected_kg"]
        usable = rows["why"] == ""
        spread = np.sqrt((residual[usable] ** 2).sum() / max(usable.sum() - len(TERMS), 1))
        z = residual / spread if spread > 0 else residual * np.nan
        signal = pd.Series("", rows.index, dtype="str")
        signal[usable] = ewma_signals(z[usable])
        signal[rows["why"] == "jump"] = "jump"
        parts.append(rows.assign(z=z, signal=signal))
    columns = ["ink", "read_at", "used_kg", "expected_kg", "z", "signal"]
    return as_published(pd.concat(parts) if parts else pd.DataFrame(columns=columns), "ink_watch")
