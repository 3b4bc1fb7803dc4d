"""What the demand forecast costs, and what it keeps of its promises.

``full``
    Forecast and backtest of the demo plant (four methods of every material from all origins, choice, intervals,
    joint paths by day), beside reading the logs and beside one pass of the seasonal naive method over the same
    origins; ratios within one run::

        python tests/bench/bench_demand.py full

``cost``
    Is the time linear in origins and in materials? Time of one origin at 26, 52 and 104 origins of one history,
    and of one material at 12, 24 and 48 materials (those of the demo plant, repeated), against the first::

        python tests/bench/bench_demand.py cost

``promises``
    Mean absolute scaled errors and what intervals held, over 26 origins and 13 weeks, of demo plants written
    with other seeds::

        python tests/bench/bench_demand.py promises --seeds 5 6 7

Seconds are printed for information; figures that stay are ratios.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from pressstats.demand import (
    Outlook,
    Recipe,
    demand_outlook,
    forecast_record,
    promise_table,
    recipe_of,
    weekly_use,
)
from pressstats.demand.tried import HORIZON, _direct, _drivers
from pressstats.demo import write_demo
from pressstats.ink import ink_exposure, ink_intervals, ink_model, judge_inks
from pressstats.logs import Logs, read_logs
from pressstats.paper import effective_grammage, run_balance, threading_paper
from pressstats.past import past_forecasts

DEMO = Path(__file__).parents[2] / "data_demo"
ORIGINS = (26, 52, 104)
COPIES = (1, 2, 4)


def recipe_from(logs: Logs) -> Recipe:
    """Return what turns issues into materials, from logs."""
    runs = run_balance(logs, effective_grammage(threading_paper(logs), logs))
    exposure = ink_exposure(logs)
    intervals, fits, _ = judge_inks(ink_intervals(logs, exposure))
    return recipe_of(
        logs, weekly_use(logs, runs, exposure, intervals, ink_model(intervals, fits), fits), exposure
    )


def naive_pass(history: pd.DataFrame) -> np.ndarray:
    """Forecast every material from every origin of the second half by last year's same week."""
    values = history.to_numpy(dtype=float)
    n = len(values)
    forecasts = np.full((n - n // 2 + 1, HORIZON, values.shape[1]), np.nan)
    for row, origin in enumerate(range(n // 2, n + 1)):
        place = origin - 52 + np.arange(HORIZON) % 52
        forecasts[row, place >= 0] = values[place[place >= 0]]
    return forecasts


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Return the median processor time of some runs [s]."""
    taken = []
    for _ in range(repeats):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return statistics.median(taken)


def everything(recipe: Recipe, past: pd.DataFrame) -> Outlook:
    """Forecast with its backtest, a year of joint paths by day, the record and the promises."""
    outlook = demand_outlook(recipe)
    outlook.day_paths(400, pd.date_range(outlook.weeks[0], periods=365, freq="D", unit="us"))
    forecast_record(outlook, past)
    promise_table(outlook)
    return outlook


def full() -> None:
    """Show the whole forecast of the demo plant beside reading its logs and one naive pass."""
    logs = read_logs(DEMO)
    recipe, past = recipe_from(logs), past_forecasts(None, logs.as_of)[0]
    times = {
        "reading the logs": seconds(lambda: read_logs(DEMO), 5),
        "seasonal naive pass": seconds(lambda: naive_pass(recipe.history), 15),
        "recipe of the logs": seconds(lambda: recipe_from(logs), 3),
        "forecast and backtest": seconds(lambda: demand_outlook(recipe), 5),
        "the same with paths, record, promises": seconds(lambda: everything(recipe, past), 5),
    }
    reading, naive = times["reading the logs"], times["seasonal naive pass"]
    print(f"{'':40s}{'processor s':>12s}{'/ reading':>11s}{'/ naive':>9s}")
    for name, taken in times.items():
        print(f"{name:40s}{taken:12.3f}{taken / reading:11.2f}{taken / naive:9.0f}")


def widened(recipe: Recipe, copies: int) -> Recipe:
    """Return the recipe with each material repeated; plates, of which there is but one, as what is counted."""
    names = list(recipe.history.columns)
    history, kinds, printed = [recipe.history], [recipe.kinds], dict(recipe.printed)
    for number in range(1, copies):
        more = {name: f"{name} {number}" for name in {*names, *recipe.kinds.index}}
        history.append(recipe.history.rename(columns=more))
        kinds.append(recipe.kinds.rename(index=more).replace({"kind": {"plate": "other"}}))
        printed |= {more[name]: values for name, values in recipe.printed.items() if name in more}
    make_up = recipe.make_up
    webs = [
        name if not number else f"{name} {number}" for number in range(copies) for name in make_up.materials
    ]
    return replace(
        recipe,
        history=pd.concat(history, axis=1),
        kinds=pd.concat(kinds),
        printed=printed,
        make_up=replace(make_up, materials=webs, areas=np.tile(make_up.areas, (1, copies))),
    )


def try_at(recipe: Recipe, origins: np.ndarray) -> None:
    """Forecast from some origins by both methods."""
    kinds = recipe.kinds["kind"]
    newsprint = [name for name in recipe.history.columns if kinds.get(name) == "newsprint"]
    _direct(recipe.history, origins, newsprint)
    for origin in origins:
        _drivers(recipe, int(origin))


def cost() -> None:
    """Show the time of an origin, and of a material, against that of the fewest."""
    recipe = recipe_from(read_logs(DEMO))
    n = len(recipe.history)
    try_at(recipe, np.arange(n - 4, n + 1))
    print(f"{'origins':>10s}{'processor s':>13s}{'an origin, against the fewest':>33s}")
    first = 0.0
    for count in ORIGINS:
        origins = np.arange(n - count + 1, n + 1)
        taken = seconds(partial(try_at, recipe, origins), 5)
        first = first or taken / count
        print(f"{count:10d}{taken:13.3f}{taken / count / first:33.2f}")
    print(f"{'materials':>10s}{'processor s':>13s}{'a material, against the fewest':>33s}")
    first = 0.0
    origins = np.arange(n - 51, n + 1)
    for copies in COPIES:
        wide = widened(recipe, copies)
        count = wide.history.shape[1]
        taken = seconds(partial(try_at, wide, origins), 5)
        first = first or taken / count
        print(f"{count:10d}{taken:13.3f}{taken / count / first:33.2f}")


def promises(seeds: list[int]) -> None:
    """Show what was promised and kept, of the demo plant and of plants of other seeds."""
    with tempfile.TemporaryDirectory() as scratch:
        folders = {"demo": DEMO}
        for seed in seeds:
            folders[str(seed)] = Path(scratch) / str(seed)
            write_demo(folders[str(seed)], seed=seed)
        rows = {}
        for name, folder in folders.items():
            rows[name] = promise_table(demand_outlook(recipe_from(read_logs(folder)))).iloc[-1, 2:]
    print(pd.DataFrame(rows).T.astype(float).round(3).to_string())


if __name__ == "__main__":
    command, *rest = sys.argv[1:] or ["full"]
    if command == "promises":
        promises([int(text) for text in rest if text != "--seeds"])
    else:
        {"full": full, "cost": cost}[command]()
