"""Ink use against what the model expects, interval by interval, on a control chart.

Residuals of successive dips lean against each other, because a dip's error enters both. Their covariance is
known from the model, so what is charted is each interval's surprise given all before it: independent, of
variance 1, and what the run length of the chart is stated for.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..ink import Finding, InkFit, surprises
from ..tables import as_published
from .charts import ewma_signals

__all__ = ["LASTING_NEWS_DAYS", "ink_watch"]

#: A lasting change that began longer ago is no news: expected use has long been reckoned with it.
LASTING_NEWS_DAYS = 91


def ink_watch(judged: pd.DataFrame, fits: dict[str, InkFit], findings: Sequence[Finding]) -> pd.DataFrame:
    """Return the published table ``ink_watch``: residuals and the signals of a control chart.

    `expected_kg` is by the terms of the interval's own time; `z` is the surprise, blank where the interval is
    not in the model; `signal` is ``high`` or ``low`` where an EWMA of z is outside its limits and since a
    lasting change of the last 13 weeks, else the kind of a single interval or dip that was found to be one, or
    empty.
    """
    parts = []
    for ink, rows in judged.groupby("ink", sort=True):
        z = pd.Series(np.nan, rows.index)
        signal = pd.Series("", rows.index, dtype="str")
        fit = fits.get(str(ink))
        expected = np.full(len(rows), np.nan)
        if fit is not None:
            expected = fit.expected(rows)
        # Thick papers are no surprise, and without what was printed nobody can tell them from a leak.
        if fit is not None and fit.by_area:
            usable = rows["read_at"].isin(fit.rows["read_at"])
            z[usable] = surprises(fit)
            signal[usable] = ewma_signals(z[usable])
        for finding in findings:
            if finding.ink == ink and finding.exposure == "" and not finding.lasting:
                signal[rows["since"] == finding.since] = finding.kind
            if finding.ink == ink and finding.lasting and finding.until == rows["read_at"].iloc[-1]:
                # Expected use goes with the change at once; the chart stays out of control while it is news.
                new = finding.until - finding.since <= pd.Timedelta(days=LASTING_NEWS_DAYS)
                signal[(rows["since"] >= finding.since) & new] = "high" if finding.extra_kg > 0 else "low"
        parts.append(rows.assign(expected_kg=expected, z=z, signal=signal))
    columns = ["ink", "read_at", "used_kg", "expected_kg", "z", "signal"]
    return as_published(pd.concat(parts) if parts else pd.DataFrame(columns=columns), "ink_watch")
