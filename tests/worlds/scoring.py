"""Forecasts of a world held against what was truly used after its cut."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pressstats.demand import METHODS, Outlook, demand_forecast

if TYPE_CHECKING:
    from .truth import Truth

__all__ = ["WEEKS", "score", "told"]

WEEKS = 13
KINDS = {"N": "paper", "i": "ink"}


def score(outlook: Outlook, first_week: pd.Timestamp, truth: Truth) -> pd.DataFrame:
    """Return errors by material and week, of what is published and of each method.

    Parameters
    ----------
    outlook : Outlook
        Forecast made at `truth.as_of`.
    first_week : Timestamp
        First whole week ahead, a Monday.
    truth : Truth
        The truth; use after the cut included.

    Returns
    -------
    DataFrame
        Columns kind (paper, ink), material, week, naive (error of last year's same week), published, one for
        each method, bias (signed error of what is published), came (what was used), all in units of the
        material's mean seasonal naive error over its past; held (of 80 %).
    """
    table = demand_forecast(outlook, first_week, WEEKS)
    rows = []
    for material, said in table.groupby("material"):
        if str(material)[:1] not in KINDS or material not in truth.use:
            continue
        use = truth.use[str(material)]
        past = use[use.index < first_week]
        change = past.diff(52).abs().dropna() if len(past) > 60 else past.diff().abs().dropna()
        scale = float(change.mean())
        place = outlook.names.index(str(material))
        ahead = int(np.searchsorted(outlook.weeks, first_week))
        for number, row in enumerate(said.sort_values("week").itertuples()):
            came, before = use.get(row.week), use.get(row.week - pd.Timedelta(weeks=52))
            if came is None or before is None:
                continue
            methods = {
                name: abs(outlook.backtest.forecasts[n, -1, place, ahead + number] - came) / scale
                for n, name in enumerate(METHODS)
            }
            rows.append(
                {
                    "kind": KINDS[str(material)[0]], "material": material, "week": row.week,
                    "naive": abs(before - came) / scale, "published": abs(row.mean - came) / scale,
                    "bias": (row.mean - came) / scale, "came": came / scale,
                    "held": bool(row.q10 <= came <= row.q90),
                }
                | methods
            )  # fmt: skip
    return pd.DataFrame(rows)


def told(scores: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return errors against seasonal naive and what 80 % intervals held, by group.

    Parameters
    ----------
    scores : DataFrame
        Results of :func:`score`.
    by : list of str
        Columns to group by.

    Returns
    -------
    DataFrame
        By group: weeks, ratio of mean absolute errors to seasonal naive of what is published and of each method,
        `held_80` [%], `bias_pct`; and the last two from 1 December to 4 January.
    """
    scores = scores.assign(christmas=_christmas(scores["week"]))

    def of(rows: pd.DataFrame) -> pd.Series:
        naive = rows["naive"].mean()
        xmas = rows[rows["christmas"]]
        ratios = {name: rows[name].mean() / naive for name in ("published", *METHODS[1:])}
        late = {
            "xmas": xmas["published"].mean() / xmas["naive"].mean() if len(xmas) else np.nan,
            "xmas_held_80": 100 * xmas["held"].mean() if len(xmas) else np.nan,
        }
        return pd.Series(
            {"weeks": len(rows)}
            | ratios
            | {
                "held_80": 100 * rows["held"].mean(),
                "bias_pct": 100 * rows["bias"].sum() / rows["came"].sum(),
            }
            | late
        )

    return scores.groupby(by).apply(of, include_groups=False)


def _christmas(week: pd.Series) -> pd.Series:
    """Say which weeks lie from 1 December to 4 January: those most of whose days do."""
    middle = week + pd.Timedelta(days=3)
    return ((middle.dt.month == 12) | ((middle.dt.month == 1) & (middle.dt.day <= 4))).astype(bool)
