"""Ink use against what the model expects, interval by interval, on a control chart.

Residuals of successive dips lean against each other, because a dip's error enters both. Their covariance is
known from the model, so what is charted is each interval's surprise given all before it: independent, of
variance 1, and what the run length of the chart is stated for.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..ink import InkFit, expected_use, surprises
from ..tables import as_published
from .charts import ewma_signals

__all__ = ["ink_watch"]


def ink_watch(judged: pd.DataFrame, model: pd.DataFrame, fits: dict[str, InkFit]) -> pd.DataFrame:
    """Return the published table ``ink_watch``: residuals and the signals of a control chart.

    Parameters
    ----------
    judged : DataFrame
        Intervals as :func:`pressstats.ink.judge_inks` returns them.
    model : DataFrame
        Published table ``ink_model``.
    fits : dict of InkFit
        Models by ink.

    Returns
    -------
    DataFrame, shape (intervals, 6)
        Published columns. `z` is the whitened residual; `signal` is ``high`` or ``low`` where an
        EWMA of z is outside its limits, what was found where the interval was set aside
        (``step``, ``misread dip``), else empty.
    """
    parts = []
    watched = judged.assign(expected_kg=expected_use(judged, model)) if len(judged) else judged
    for ink, rows in watched.groupby("ink", sort=True):
        rows = rows.sort_values(["read_at", "since"])
        # A bridge over a misread dip ends where its second interval does: the bridge stands.
        rows = rows[~rows.duplicated("read_at", keep=False) | (rows["why"] == "")]
        usable = rows["why"] == ""
        z = pd.Series(np.nan, rows.index)
        signal = rows["why"].where(rows["why"].isin(["step", "misread dip"]), "").astype("str")
        fit = fits.get(str(ink))
        if fit is not None and usable.sum() == len(fit.rows):
            z[usable] = surprises(fit)
            signal[usable] = ewma_signals(z[usable])
        parts.append(rows.assign(z=z, signal=signal))
    columns = ["ink", "read_at", "used_kg", "expected_kg", "z", "signal"]
    return as_published(pd.concat(parts) if parts else pd.DataFrame(columns=columns), "ink_watch")
