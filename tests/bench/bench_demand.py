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

``december``
    Plants with humps before Christmas and a trough after it (``december_plants``), one to three years known, cut in
    November, March and June: errors against last year's same week and what 80 % intervals held of the *true* use, by
    cut and kind, and from 1 December to 4 January; published against the better of direct and drivers::

        python tests/bench/bench_demand.py december --plants 40 --processes 2 [--first 0]

Seconds are printed for information; figures that stay are ratios.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))
from december_plants import CUTS, december_plant
from demo_plant import write_demo

from pressstats.demand import (
    CHOICE,
    METHODS,
    Outlook,
    Recipe,
    backtest_methods,
    demand_outlook,
    forecast_record,
    promise_table,
    recipe_of,
    weekly_use,
)
from pressstats.demand.backtest import HORIZON, _direct, _drivers
from pressstats.forecast import Forecast
from pressstats.ink import ink_exposure, ink_intervals, ink_model, judge_inks
from pressstats.logs import Logs, read_logs
from pressstats.paper import weighed_paper
from pressstats.past import past_forecasts

DEMO = Path(__file__).parents[2] / "data_demo"
ORIGINS = (26, 52, 104)
COPIES = (1, 2, 4)


def recipe_from(logs: Logs) -> Recipe:
    """Return what turns issues into materials, from logs."""
    runs = weighed_paper(logs).runs
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
    configuration = recipe.configuration
    webs = [
        name if not number else f"{name} {number}"
        for number in range(copies)
        for name in configuration.materials
    ]
    return replace(
        recipe,
        history=pd.concat(history, axis=1),
        kinds=pd.concat(kinds),
        printed=printed,
        configuration=replace(
            configuration,
            materials=webs,
            areas=np.tile(configuration.areas, (1, copies)),
            full_areas=np.tile(configuration.full_areas, (1, copies)),
        ),
    )


def try_at(recipe: Recipe, origins: np.ndarray) -> None:
    """Forecast from some origins by both methods."""
    kinds = recipe.kinds["kind"]
    newsprint = [name for name in recipe.history.columns if kinds.get(name) == "newsprint"]
    _direct(recipe.history, origins, newsprint, np.zeros((0, 2), dtype=int))
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


def december_errors(seed: int) -> pd.DataFrame:
    """Return forecasts of one plant at its cuts, and what was truly used: up to 13 weeks ahead, by material."""
    with tempfile.TemporaryDirectory() as scratch:
        plant = december_plant(Path(scratch) / "plant", seed)
        recipe = recipe_from(read_logs(plant.folder))
    weeks = pd.DatetimeIndex(recipe.history.index)
    cuts = {name: int(weeks.searchsorted(day + pd.Timedelta(days=1))) for name, day in CUTS.items()}
    # Every second origin of the weeks before each cut: nothing that an origin says hangs on later weeks.
    origins = [
        origin
        for origin in range(max(26, cuts["November"] // 2), max(cuts.values()) + 1)
        if any(cut - 60 <= origin <= cut and (cut - origin) % 2 == 0 for cut in cuts.values())
    ]
    newsprint = [name for name in recipe.history if recipe.kinds["kind"].get(name) == "newsprint"]
    backtest = backtest_methods(recipe, newsprint, np.array(origins))
    parts = []
    for cut, origin in cuts.items():
        row = int(np.searchsorted(backtest.origins, origin))
        said = Forecast(pd.RangeIndex(HORIZON), recipe.history.columns, backtest.judged(origin), 0.0)
        low, high = said.quantiles(np.array([0.1, 0.9]))[:, :CHOICE]
        for place, material in enumerate(backtest.names):
            came = plant.use[material].reindex(weeks[origin : origin + CHOICE]).to_numpy()
            by_method = dict(zip(METHODS, backtest.forecasts[:, row, place, : len(came)], strict=True))
            kind = "paper" if material.startswith("N") else "plates" if material == "plate" else "ink"
            table = pd.DataFrame({"week": weeks[origin : origin + len(came)], "came": came, **by_method})
            table["published"] = said.median.to_numpy()[: len(came), place]
            table["held"] = (came >= low[: len(came), place]) & (came <= high[: len(came), place])
            table["unit"] = plant.use[material].mean()
            parts.append(table.assign(seed=seed, cut=cut, kind=kind))
    return pd.concat(parts, ignore_index=True)


def december_summary(errors: pd.DataFrame) -> pd.DataFrame:
    """Return errors over those of last year's same week, the share held and the bias, by cut and kind."""
    missed = {
        name: (errors["came"] - errors[name]).abs() / errors["unit"] for name in ("published", *METHODS)
    }
    about = errors["week"].between("2025-12-01", "2026-01-04")
    more = (100 * (errors["came"] - errors["published"]) / errors["unit"]).rename("bias")
    table = pd.concat([errors[["cut", "kind", "held"]], pd.DataFrame(missed), more], axis=1)
    table = pd.concat([table, table[about].assign(cut="1 Dec to 4 Jan")])
    table["held"] = 100.0 * table["held"]
    means = table.groupby(["cut", "kind"]).mean()
    ratios = means[["published", *METHODS[1:]]].div(means[METHODS[0]], axis=0)
    best = means[["direct", "drivers"]].min(axis=1)
    return ratios.assign(
        against_best=means["published"] / best, held_80=means["held"], bias_pct=means["bias"]
    )


def december(plants: int, processes: int, first: int) -> None:
    """Show the errors and intervals of plants with a December, of seeds from the first on."""
    with ProcessPoolExecutor(processes) as pool:
        errors = pd.concat(pool.map(december_errors, range(first, first + plants)), ignore_index=True)
    print(f"{plants} plants from {first} on")
    print(december_summary(errors).round(3).to_string())
    print(errors.assign(years=1 + errors["seed"] % 3).pipe(_by_years).round(3).to_string())


def _by_years(errors: pd.DataFrame) -> pd.DataFrame:
    return pd.concat(
        {years: december_summary(mine) for years, mine in errors.groupby("years")}, names=["years"]
    )


if __name__ == "__main__":
    command, *rest = sys.argv[1:] or ["full"]
    if command == "december":
        given = dict(zip(rest[::2], map(int, rest[1::2]), strict=True))
        december(given.get("--plants", 40), given.get("--processes", 1), given.get("--first", 0))
    elif command == "promises":
        promises([int(text) for text in rest if text != "--seeds"])
    else:
        {"full": full, "cost": cost}[command]()
