"""Waste of each press on a control chart: start-up kg per web started, and running waste in per cent.

Raw percentages move with the mix of titles, the length of runs and the size of copies, so each run is first compared
with what its own title and press used to do at its size; what is charted is the week's mean of those residuals.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from .charts import EWMA_LIMIT, EWMA_WEIGHT, ewma, ewma_limits, ewma_signals
from .startup import startup_shift

__all__ = ["MEASURES", "step_of", "waste_chart"]

#: What is watched: unit and what it is called in a sentence.
MEASURES = {
    "startup": ("kg per web started", "start-up waste"),
    "running": ("% of printed paper", "running waste"),
}
#: The weeks that the charts are judged against, and the newest weeks that are left out of them.
_BASELINE_WEEKS = 52
_NEWEST_WEEKS = 8
_WEEKS_MINIMUM = 13
#: What the start-up of a title depends on: size of a copy [m2] and webs started.
_OF_COPIES = ["copy_m2", "starts"]
#: Weeks that a level must have on either side of a step.
_STEP_WEEKS = 4


def waste_chart(runs: pd.DataFrame, regimes: pd.DataFrame | None = None) -> pd.DataFrame:
    """Return the control chart of start-up and running waste by press and week.

    Columns press, measure (``startup`` or ``running``), week, level (the week's mean), expected (of the same
    mix of titles in the baseline), z (standardised residual), average (EWMA of z), limit, signal, excess_kg
    (paper above expectation). The baseline is the 52 weeks before the newest 8; a press with fewer than 13
    weeks of it has no chart. With `regimes` start-up waste is judged by the level of its own spell, so that a
    change that is known raises no further signal.
    """
    printed = runs[["good_kg", "startup_kg", "running_kg", "uncounted_kg"]].sum(axis=1, min_count=4)
    values = {
        "startup": (runs["startup_kg"] / runs["starts"], runs["starts"]),
        "running": (100 * runs["running_kg"] / printed, printed / 100),
    }
    parts = []
    for measure, (value, weight) in values.items():
        rows = (
            runs[["press", "title", "week", *_OF_COPIES]]
            .assign(value=value, weight=weight, shift=0.0)
            .dropna()
        )
        for press, of_press in rows.groupby("press", sort=True):
            if measure == "startup" and regimes is not None:
                days = runs.loc[of_press.index, "date"]
                of_press = of_press.assign(shift=startup_shift(regimes, str(press), days))
            parts.append(_chart(of_press).assign(press=press, measure=measure))
    columns = [
        "press",
        "measure",
        "week",
        "level",
        "expected",
        "z",
        "average",
        "limit",
        "signal",
        "excess_kg",
    ]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _chart(rows: pd.DataFrame) -> pd.DataFrame:
    columns = ["week", "level", "expected", "z", "average", "limit", "signal", "excess_kg"]
    weeks = pd.Index(sorted(rows["week"].unique()))
    newest = weeks[-_NEWEST_WEEKS] if len(weeks) > _NEWEST_WEEKS else weeks[-1]
    oldest = newest - pd.Timedelta(weeks=_BASELINE_WEEKS)
    base = rows[(rows["week"] < newest) & (rows["week"] >= oldest)]
    if base["week"].nunique() < _WEEKS_MINIMUM:
        return pd.DataFrame(columns=columns)
    expected = _expected(rows, base) + rows["shift"]
    kg = (rows["value"] - expected) * rows["weight"]
    by_week = rows.assign(expected=expected, excess_kg=kg, residual=rows["value"] - expected).groupby("week")
    chart = by_week.agg(
        level=("value", "mean"),
        expected=("expected", "mean"),
        residual=("residual", "mean"),
        excess_kg=("excess_kg", "sum"),
        runs=("value", "size"),
    ).reset_index()
    in_base = (chart["week"] < newest) & (chart["week"] >= oldest)
    # A week's mean scatters with the root of its number of runs.
    weighted = chart["residual"] * np.sqrt(chart["runs"])
    spread = weighted[in_base].std()
    chart["z"] = weighted / spread if spread > 0 else np.nan
    chart["average"] = ewma(chart["z"], EWMA_WEIGHT)
    chart["limit"] = ewma_limits(len(chart), EWMA_WEIGHT, EWMA_LIMIT)
    chart["signal"] = ewma_signals(chart["z"])
    return chart[columns]


def _expected(rows: pd.DataFrame, base: pd.DataFrame) -> pd.Series:
    """Return what the titles of `rows` took in the baseline with such copies, before any change of level.

    Copies have more pages in autumn than in summer, on more and wider webs, and take more paper to start. The slopes
    by size of copy and by webs are those of all titles of a press, by least squares within titles. A title that the
    baseline has not seen is compared with the press as a whole.
    """
    now = base[_OF_COPIES].assign(value=base["value"] - base["shift"])
    usual = now.groupby(base["title"]).mean()
    within = now - usual.reindex(base["title"]).set_axis(now.index)
    slopes, *_ = np.linalg.lstsq(within[_OF_COPIES].to_numpy(), within["value"].to_numpy(), rcond=1e-6)
    of_title = usual.reindex(rows["title"]).set_axis(rows.index).fillna(now.mean())
    return of_title["value"] + (rows[_OF_COPIES] - of_title[_OF_COPIES]) @ slopes


def step_of(chart: pd.DataFrame) -> tuple[pd.Timestamp, float]:
    """Return the first week of the later level and the change of one chart that parts its history best (least squares).

    The chart says that something differs from its baseline, which may itself hold part of a lasting change.
    """
    residual = (chart["level"] - chart["expected"]).to_numpy()
    n = len(residual)
    places = np.arange(_STEP_WEEKS, n - _STEP_WEEKS + 1)
    if len(places) == 0:
        return pd.Timestamp(chart["week"].iloc[0]), float(residual.mean())
    sums = np.cumsum(residual)
    before, after = sums[places - 1] / places, (sums[-1] - sums[places - 1]) / (n - places)
    best = int(np.argmax((after - before) ** 2 * places * (n - places)))
    return pd.Timestamp(chart["week"].iloc[places[best]]), float(after[best] - before[best])
