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

        python tests/bench/bench_demand.py promises 5 6 7

``december``
    Plants with humps before Christmas and a trough after it (``december_plants``), one to three years known, cut in
    November, March and June: errors against last year's same week and what 80 % intervals held of the *true* use, by
    cut and kind, and from 1 December to 4 January; published against the better of direct and drivers::

        python tests/bench/bench_demand.py december --plants 40 --processes 2 [--first 0]

``short``
    Plants of few weeks, without bookings, cut from the demo plant at several days: what 90 % intervals held of the use
    that came, by horizon, and whether an interval that is not cut at nothing ever narrows::

        python tests/bench/bench_demand.py short --weeks 8 --cuts 10
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import click
import numpy as np
import pandas as pd
from figures import Figure, figures_of, measures

sys.path.insert(0, str(Path(__file__).parents[1]))
from december_plants import CUTS, december_plant
from demo_plant import write_demo
from plant_exports import weeks_of

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


@click.group()
def main() -> None:
    """Measure the demand forecast."""


@main.command()
@click.option("--logs", "folder", type=click.Path(path_type=Path), default=DEMO, help="Folder with logs.")
@click.option("--repeats", default=5)
@measures
def full(folder: Path, repeats: int) -> Iterator[Figure]:
    """Show the whole forecast of the demo plant beside reading its logs and one naive pass."""
    logs = read_logs(folder)
    recipe, past = recipe_from(logs), past_forecasts(None, logs.as_of)[0]
    times = {
        "reading the logs": seconds(lambda: read_logs(folder), repeats),
        "seasonal naive pass": seconds(lambda: naive_pass(recipe.history), 3 * repeats),
        "recipe of the logs": seconds(lambda: recipe_from(logs), repeats),
        "forecast and backtest": seconds(lambda: demand_outlook(recipe), repeats),
        "the same with paths, record, promises": seconds(lambda: everything(recipe, past), repeats),
    }
    reading, naive = times["reading the logs"], times["seasonal naive pass"]
    for name, taken in times.items():
        if name != "reading the logs":
            yield Figure(f"{name} / reading the logs", taken / reading, "ratio", f"{taken:.3f} s of one core")
            yield Figure(f"{name} / seasonal naive pass", taken / naive, "ratio")


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


@main.command()
@click.option("--logs", "folder", type=click.Path(path_type=Path), default=DEMO, help="Folder with logs.")
@click.option("--repeats", default=5)
@click.option("--origins", "numbers", multiple=True, default=(26, 52, 104), help="Origins tried.")
@click.option(
    "--copies", "times", multiple=True, default=(1, 2, 4), help="How often each material stands there."
)
@measures
def cost(folder: Path, repeats: int, numbers: tuple[int, ...], times: tuple[int, ...]) -> Iterator[Figure]:
    """Show the time of an origin, and of a material, against that of the fewest."""
    recipe = recipe_from(read_logs(folder))
    n = len(recipe.history)
    try_at(recipe, np.arange(n - 4, n + 1))
    first = 0.0
    for count in numbers:
        origins = np.arange(n - count + 1, n + 1)
        taken = seconds(partial(try_at, recipe, origins), repeats)
        first = first or taken / count
        what = f"time an origin, {count} origins / {numbers[0]}"
        yield Figure(what, taken / count / first, "ratio", f"{taken:.3f} s of one core")
    first = 0.0
    origins = np.arange(n - numbers[min(1, len(numbers) - 1)] + 1, n + 1)
    for copies in times:
        wide = widened(recipe, copies)
        count = wide.history.shape[1]
        taken = seconds(partial(try_at, wide, origins), repeats)
        first = first or taken / count
        what = f"time a material, {count} materials / {times[0] * recipe.history.shape[1]}"
        yield Figure(what, taken / count / first, "ratio", f"{taken:.3f} s of one core")


@main.command()
@click.argument("seeds", type=int, nargs=-1)
@click.option("--logs", "folder", type=click.Path(path_type=Path), default=DEMO, help="Folder with logs.")
@measures
def promises(seeds: tuple[int, ...], folder: Path) -> Iterator[Figure]:
    """Show what was promised and kept, of the demo plant and of plants of other seeds."""
    with tempfile.TemporaryDirectory() as scratch:
        folders = {"demo": folder}
        for seed in seeds:
            folders[f"seed {seed}"] = Path(scratch) / str(seed)
            write_demo(folders[f"seed {seed}"], seed=seed)
        for name, logs in folders.items():
            kept = promise_table(demand_outlook(recipe_from(read_logs(logs)))).iloc[-1]
            told = kept.drop(["material", "origins", "made_first", "made_last"])
            yield from figures_of(name, told.astype(float).to_dict())


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


@main.command()
@click.option("--plants", default=40)
@click.option("--processes", default=1)
@click.option("--first", default=0, help="Seed of the first plant.")
@measures
def december(plants: int, processes: int, first: int) -> Iterator[Figure]:
    """Show the errors and intervals of plants with a December, of seeds from the first on."""
    seeds = range(first, first + plants)
    if processes > 1:
        with ProcessPoolExecutor(processes) as pool:
            errors = pd.concat(pool.map(december_errors, seeds), ignore_index=True)
    else:
        errors = pd.concat(map(december_errors, seeds), ignore_index=True)
    groups = {"all": errors} | {
        f"{years} years known": own for years, own in errors.groupby(1 + errors["seed"] % 3)
    }
    for words, own in groups.items():
        for (cut, kind), row in december_summary(own).iterrows():
            yield from figures_of(f"{words}, {cut}, {kind}", row.to_dict())


_LOGGED = ("runs", "run_webs", "reel_mounts", "coverage", "tank_readings", "deliveries", "stock_counts")
_AHEAD = {"1 to 4": (0, 4), "5 to 13": (4, 13), "14 to 26": (13, 26), "27 to 58": (26, HORIZON)}


def short_errors(as_of: pd.Timestamp, weeks: int, use: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, bool]:
    """Return what came, whether the interval held it (weeks ahead, materials), and whether one narrowed."""
    tables = weeks_of(read_logs(DEMO, as_of=f"{as_of:%Y-%m-%d}"), 7 * weeks - 1)
    with tempfile.TemporaryDirectory() as folder:
        for name in (*_LOGGED, "materials", "reels"):
            tables[name].to_csv(Path(folder) / f"{name}.csv", index=False)
        (Path(folder) / "plant.toml").write_text('name = "Short"\ntimezone = "CET"\ncurrency = "EUR"\n')
        outlook = demand_outlook(recipe_from(read_logs(folder)))
    low, high = outlook.forecast.quantiles(np.array([0.05, 0.95]))
    came = use.reindex(outlook.weeks)[outlook.names].to_numpy()
    narrows = (np.diff(high - low, axis=0) < -1e-6 * high[1:]) & (low[1:] > 0) & (low[:-1] > 0)
    return came, (low <= came) & (came <= high), bool(narrows.any())


@main.command()
@click.option("--weeks", default=8, help="Weeks logged.")
@click.option("--cuts", default=10, help="Days of the demo plant at which logs end, 13 weeks apart.")
@measures
def short(weeks: int, cuts: int) -> Iterator[Figure]:
    """Show what intervals held of plants that have few weeks."""
    use = recipe_from(read_logs(DEMO)).history
    days = pd.date_range("2023-03-05", periods=cuts, freq="13W-SUN")
    came, held, narrows = zip(*(short_errors(day, weeks, use) for day in days), strict=True)
    known = [np.isfinite(one) & (one > 0) for one in came]
    for words, (first, last) in _AHEAD.items():
        inside = [one[first:last][there[first:last]] for one, there in zip(held, known, strict=True)]
        yield Figure(f"held by 90 %, weeks ahead {words}", 100 * float(np.concatenate(inside).mean()), "%")
    yield Figure("cuts with an interval that narrows", sum(narrows))


if __name__ == "__main__":
    main()
