"""What was said and what came: forecasts of past publications, made again where none was published."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..forecast import Forecast
from ..tables import as_published
from .backtest import CHOICE
from .outlook import JUDGED, Outlook

__all__ = ["forecast_record"]


def forecast_record(outlook: Outlook, published: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``forecast_record``: what was said and what came.

    Where no publication was made in a week, its forecast is made again from what was known then, with the
    choice and the errors known then, and labelled so.
    """
    n = len(outlook.history)
    first_days = outlook.history.index
    said = set(published["made_on"] + pd.Timedelta(days=7)) if len(published) else set()
    parts = []
    for origin in (int(o) for o in outlook.backtest.origins if n - JUDGED <= o < n):
        if not any(first_days[origin] <= day < first_days[origin] + pd.Timedelta(days=7) for day in said):
            parts.append(_reconstructed(outlook, origin))
    parts.append(published.assign(source="published").astype({"source": "str"}))
    record = pd.concat(parts, ignore_index=True)
    came = outlook.history.stack().rename("actual").rename_axis(["week", "material"]).reset_index()
    record = record.merge(came, on=["material", "week"], how="left")
    return as_published(record, "forecast_record")


def _reconstructed(outlook: Outlook, origin: int) -> pd.DataFrame:
    backtest = outlook.backtest
    said = Forecast(outlook.weeks, outlook.history.columns, backtest.judged(origin), 0.0)
    low, high = said.quantiles(np.array([0.05, 0.95]))[:, :CHOICE]
    week = outlook.history.index[0] + pd.to_timedelta(7 * (origin + np.arange(CHOICE)), unit="D")
    table = pd.DataFrame(
        {
            "material": np.repeat(backtest.names, CHOICE),
            "made_on": outlook.history.index[origin] - pd.Timedelta(days=1),
            "week": np.tile(week.to_numpy(), len(backtest.names)),
            "source": "reconstructed",
            "mean": said.mean.to_numpy()[:CHOICE].T.reshape(-1),
            "q05": low.T.reshape(-1),
            "q95": high.T.reshape(-1),
        }
    )
    return table.dropna(subset="mean", ignore_index=True)
