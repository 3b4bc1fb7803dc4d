"""Forecast histories with statsforecast, in an environment of its own; run by ``bench_forecast.py``.

Usage: python forecast_competitor.py HISTORIES RESULTS PERIOD HORIZON

HISTORIES is a NumPy archive with one array a series; RESULTS gets, for each model, an array of shape
(series, horizon, 5): point forecast, limits of 80 % (low, high) and of 95 %; and its milliseconds a series.
Nothing of the package is imported here.
"""

from __future__ import annotations

import sys
import time
import warnings

import numpy as np
import pandas as pd
from statsforecast import StatsForecast
from statsforecast.models import MSTL, AutoCES, AutoETS, DynamicOptimizedTheta, SeasonalNaive


def main(histories: str, results: str, period: int, horizon: int) -> None:
    with np.load(histories) as archive:
        series = [archive[name] for name in archive.files]
    frame = pd.concat(
        pd.DataFrame({"unique_id": number, "ds": np.arange(len(one)), "y": one})
        for number, one in enumerate(series)
    )
    models = {
        "AutoETS": AutoETS(season_length=period),
        "CES": AutoCES(season_length=period),
        "dynamic Theta": DynamicOptimizedTheta(season_length=period),
        "STL-ETS": MSTL(season_length=period, trend_forecaster=AutoETS(model="ZZN")),
    }
    told: dict[str, np.ndarray] = {}
    for name, model in models.items():
        started = time.perf_counter()
        said = StatsForecast(
            models=[model], freq=1, n_jobs=1, fallback_model=SeasonalNaive(season_length=period)
        ).forecast(df=frame, h=horizon, level=[80, 95])
        spent = 1000 * (time.perf_counter() - started) / len(series)
        point = next(column for column in said if column not in ("unique_id", "ds") and "-lo-" not in column)
        columns = [point, *(f"{point}-{side}-{level}" for level in (80, 95) for side in ("lo", "hi"))]
        told[name] = said[columns].to_numpy(dtype=float).reshape(-1, horizon, 5)
        told[f"ms {name}"] = np.array(spent)
        print(f"{name}: {spent:.1f} ms a series", file=sys.stderr, flush=True)
    np.savez(results, **told)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
