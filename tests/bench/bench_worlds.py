"""What is published of plants that differ from the demo in one honest way each, held against what is true.

``tables``
    By world: whether 95 % intervals of grammage, film weight, start-up and idle loss of the present hold the
    truth, changes found and how they are dated, waste, stock and use ahead against truth, sentences and
    states that are false::

        python tests/bench/bench_worlds.py tables [--worlds NAME ...] [--seeds N] [--weeks N]

``forecast``
    Forecasts from plants cut in June, November and March: mean absolute error against last year's same week, over
    13 weeks and from 1 December to 4 January, of what is published and of each method; what 80 % intervals held::

        python tests/bench/bench_worlds.py forecast [--seeds N]

``false-alarms``
    Exceptions on quiet plants, by kind and plant-month::

        python tests/bench/bench_worlds.py false-alarms [--seeds N]

``risk``
    Risk of running out before the next order can arrive, as told, against futures drawn as the plant draws them::

        python tests/bench/bench_worlds.py risk [--worlds NAME ...] [--seeds N] [--futures N]

``what-if``
    Change that an assumption makes to 13 weeks' use or cost, as told, against the same plant run again with that
    change from the cut on: film weight, grammage, start-up waste, copies, pages, a title closed, butts, a supplier
    dropped::

        python tests/bench/bench_worlds.py what-if [--seeds N] [--levers NAME ...]

Seeds count from 1, or from ``--first``. Each world prints as it is done.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import datetime as dt
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from statistics import median
from typing import Any

import click
import numpy as np
import pandas as pd
from figures import Figure, figures_of, measures

sys.path.insert(0, str(Path(__file__).parents[1]))

from bench_demand import recipe_from
from demo_plant.scenario import STANDS
from worlds import WORLDS, Truth, make
from worlds.catalogue import JUNE, MARCH, NOVEMBER, truth_alone
from worlds.futures import shortage_rates
from worlds.judging import Judgement, judge
from worlds.scenario import Change
from worlds.scoring import score, told

from pressstats import ink
from pressstats.accounts import what_if_cost
from pressstats.demand import WhatIf, demand_outlook
from pressstats.logs import read_logs
from pressstats.paper import weighed_paper
from pressstats.past import past_forecasts
from pressstats.reels import study_reels
from pressstats.results import Results, analyse
from pressstats.suppliers import supplier_quality

CUTS = {"June": JUNE, "November": NOVEMBER, "March": MARCH}
#: Worlds whose forecasts are scored: what moves use, and how ink is dipped.
FORECAST_WORLDS = ("quiet", "december_humps", "weekly_dips")
#: Exceptions that tell what is so on a quiet plant too: its trucks are late, its buyer holds little of one material
#: and much of another, and what is drawn of its contracts is not what they say. Charts and tests raise the others.
FACTS = ("delivery late", "standby test", "days of stock low", "days of stock high", "contract")
#: Days in which a loss is found whose reel is mounted for the last time in the four weeks that an exception is of.
_LOSS_DAYS = 56


def _results(folder: Path, as_of: dt.date) -> Results:
    logs = read_logs(folder, as_of.isoformat())
    return analyse(logs, *past_forecasts(None, logs.as_of))


def _made(name: str, seed: int, **scenario: Any) -> tuple[Truth, Results]:
    with tempfile.TemporaryDirectory() as scratch:
        truth = make(name, scratch, seed, **scenario)
        return truth, _results(Path(scratch), truth.as_of)


def _each(work: Any, tasks: list[tuple[Any, ...]], workers: int) -> Iterator[Any]:
    """Yield what each task gives, as it is done."""
    if workers == 1:
        yield from (work(*task) for task in tasks)
        return
    with ProcessPoolExecutor(workers) as pool:
        yield from pool.map(work, *zip(*tasks, strict=True))


@click.group()
def bench() -> None:
    """Choose what is measured."""


def _judged(name: str, seed: int, weeks: int) -> tuple[str, int, Judgement | str, float]:
    begun = time.process_time()
    given = {} if "before" in WORLDS[name].scenario else {"before": weeks}
    try:
        truth, results = _made(name, seed, **given)
        found: Judgement | str = judge(results, truth)
    except Exception:  # noqa: BLE001 -- told in the table; the other worlds go on
        found = traceback.format_exc(limit=-3)
    return name, seed, found, time.process_time() - begun


def _told(found: Judgement) -> Iterable[str]:
    missed = [name for name, held in found.held.items() if not held]
    if missed:
        yield f"interval misses: {', '.join(missed)}"
    yield from (f"change {name}: {how}" for name, how in found.changes.items())
    said, true = found.figures["waste_pct"]
    if not abs(said - true) < 0.3:
        yield f"waste {said:.2f} %, truth {true:.2f} %"
    for name, (said, true) in found.figures.items():
        far = {"stock": 0.1, "use": 0.12}.get(name.split()[0])
        if far and not abs(said - true) <= far * true + 100 * (name[:5] == "stock"):
            yield f"{name}: {said:,.0f}, truth {true:,.0f}"
    yield from (f"FALSE {text}" for text in found.false)


@bench.command()
@click.option("--worlds", "-w", multiple=True, help="names; all without any")
@click.option("--seeds", default=1)
@click.option("--first", default=1)
@click.option("--weeks", default=104, help="weeks of logs")
@click.option("--workers", default=1)
@click.option("--apart", is_flag=True, help="seeds of each world are its own, so that misses are independent")
@measures
def tables(
    worlds: tuple[str, ...], seeds: int, first: int, weeks: int, workers: int, apart: bool
) -> Iterator[Figure]:
    """Hold published tables and pages of each world against its truth."""
    tasks = [
        (name, seed + apart * seeds * place, weeks)
        for place, name in enumerate(worlds or WORLDS)
        for seed in range(first, first + seeds)
    ]
    held: Counter[str] = Counter()
    asked: Counter[str] = Counter()
    false = failed = 0
    for name, seed, found, seconds in _each(_judged, tasks, workers):
        print(f"{name} seed {seed} ({seconds:.0f} s)", flush=True)
        if isinstance(found, str):
            failed += 1
            print("    FAILED " + found.replace("\n", "\n    "))
            continue
        for line in _told(found):
            print("    " + line)
        for term, good in found.held.items():
            kind = term.split()[0] if term.startswith("grammage") else term.split()[1]
            held[kind] += good
            asked[kind] += 1
        false += len(found.false)
    for kind, number in asked.items():
        yield Figure(f"{kind}: 95 % intervals hold the truth", 100 * held[kind] / number, "%", f"of {number}")
    yield Figure("false sentences and states", false, "count", f"{len(tasks)} worlds")
    yield Figure("worlds that failed", failed, "count")


def _scored(name: str, cut: str, seed: int, weeks: int) -> pd.DataFrame | str:
    try:
        with tempfile.TemporaryDirectory() as scratch:
            truth = make(name, scratch, seed, as_of=CUTS[cut], before=weeks)
            logs = read_logs(scratch, truth.as_of.isoformat())
        outlook = demand_outlook(recipe_from(logs))
        scores = score(outlook, logs.plant.first_forecast_week(logs.as_of), truth)
    except Exception:  # noqa: BLE001 -- told in the table; the other worlds go on
        return f"{name} {cut} seed {seed}: " + traceback.format_exc(limit=-3)
    return scores.assign(world=name, cut=cut, seed=seed)


@bench.command()
@click.option("--worlds", "-w", multiple=True, default=FORECAST_WORLDS)
@click.option("--cuts", "-c", multiple=True, default=tuple(CUTS))
@click.option("--seeds", default=5)
@click.option("--first", default=1)
@click.option("--weeks", default=156, help="weeks of logs")
@click.option("--workers", default=1)
@measures
def forecast(
    worlds: tuple[str, ...], cuts: tuple[str, ...], seeds: int, first: int, weeks: int, workers: int
) -> Iterator[Figure]:
    """Score forecasts against what was used after the cut."""
    tasks = [(w, c, s, weeks) for s in range(first, first + seeds) for w in worlds for c in cuts]
    found = []
    for task, scores in zip(tasks, _each(_scored, tasks, workers), strict=True):
        if isinstance(scores, str):
            print(scores, flush=True)
            continue
        found.append(scores)
        kinds = told(scores, ["kind"])[["published", "held_80", "bias_pct", "xmas"]]
        print(*task[:3], kinds.round(2).to_dict("index"), flush=True)
    whole = pd.concat(found)
    for by in (["cut", "kind"], ["world", "cut", "kind"]):
        for keys, row in told(whole, by).iterrows():
            yield from figures_of(", ".join(keys), row.to_dict())


def _counted(seed: int, weeks: int, month: int) -> pd.DataFrame | str:
    try:
        as_of = dt.date(2025, 10, 26) - dt.timedelta(weeks=4 * month)
        truth, results = _made("quiet", seed, as_of=as_of, before=weeks)
    except Exception:  # noqa: BLE001 -- told in the table; the other worlds go on
        return f"seed {seed} month {month}: " + traceback.format_exc(limit=-3)
    found = results["exceptions"][["kind", "subject", "size"]].assign(seed=seed, month=month)
    lost = truth.store_losses["found_on"] > as_of - dt.timedelta(days=_LOSS_DAYS)
    return found.assign(fact=found["kind"].isin(FACTS) | ((found["kind"] == "store losses") & lost.any()))


@bench.command("false-alarms")
@click.option("--seeds", default=20)
@click.option("--first", default=1)
@click.option("--months", default=1, help="cuts of each plant, four weeks apart")
@click.option("--weeks", default=80, help="weeks of logs")
@click.option("--workers", default=1)
@measures
def false_alarms(seeds: int, first: int, months: int, weeks: int, workers: int) -> Iterator[Figure]:
    """Count exceptions on quiet plants: facts, such as late deliveries, apart from what is false there."""
    tasks = [(seed, weeks, month) for seed in range(first, first + seeds) for month in range(months)]
    kinds: Counter[tuple[str, bool]] = Counter()
    cuts = with_any = alarms = 0
    for task, found in zip(tasks, _each(_counted, tasks, workers), strict=True):
        if isinstance(found, str):
            print(found, flush=True)
            continue
        cuts += 1
        false = found[~found["fact"]]
        with_any += len(false) > 0
        alarms += len(false)
        kinds.update(zip(found["kind"], found["fact"], strict=True))
        print(*task, [f"{row.kind}: {row.subject} {row.size:.3g}" for row in false.itertuples()], flush=True)
    yield Figure("false exceptions", alarms, "count", f"in {with_any} of {cuts} plant-months")
    for (kind, fact), number in kinds.most_common():
        yield Figure(f"{kind}{' (a fact)' * fact}", number, "count", f"in {cuts} plant-months")


def _risked(name: str, seed: int, weeks: int, futures: int) -> pd.DataFrame | str:
    try:
        with tempfile.TemporaryDirectory() as scratch:
            given = {} if "before" in WORLDS[name].scenario else {"before": weeks}
            truth = make(name, scratch, seed, **given)
            results = _results(Path(scratch), truth.as_of)
            if not results.logs.has("deliveries") or results.risk.empty:
                # What is on order or on hand is unknown: no risk is told that could be held against anything.
                return pd.DataFrame({"material": [""], "told": [np.nan], "true": [np.nan]})
            rows = results.logs["deliveries"]
            # Open orders are those of the logs: a world may have left them out.
            truth = replace(
                truth, arrivals=truth.arrivals[truth.arrivals["delivery_id"].isin(rows["delivery_id"])]
            )
        suppliers = dict(zip(rows["delivery_id"], rows["supplier"], strict=True))
        true = shortage_rates(truth, suppliers, futures)
    except Exception:  # noqa: BLE001 -- told in the table; the other worlds go on
        return f"{name} seed {seed}: " + traceback.format_exc(limit=-3)
    return (
        pd.DataFrame({"told": results.risk.reindex(true.index), "true": true})
        .rename_axis("material")
        .reset_index()
    )


@bench.command()
@click.option("--worlds", "-w", multiple=True, help="all by default")
@click.option("--seeds", default=1)
@click.option("--first", default=1)
@click.option("--weeks", default=80, help="weeks of logs")
@click.option("--futures", default=400)
@click.option("--workers", default=1)
@measures
def risk(
    worlds: tuple[str, ...], seeds: int, first: int, weeks: int, futures: int, workers: int
) -> Iterator[Figure]:
    """Hold the risk of running out before the next order can arrive against how often it happens."""
    names = worlds or tuple(WORLDS)
    tasks = [(name, seed, weeks, futures) for seed in range(first, first + seeds) for name in names]
    found = []
    for task, rows in zip(tasks, _each(_risked, tasks, workers), strict=True):
        if isinstance(rows, str):
            print(rows, flush=True)
            continue
        rows = rows.assign(world=task[0], seed=task[1])
        found.append(rows)
        print(*task[:2], flush=True)
        print((rows.set_index("material")[["told", "true"]].T * 100).round(1).to_string(), flush=True)
    every = pd.concat(found)
    # What is said to be unknown is not wrong, and not right either.
    whole = every.dropna(subset="told")
    off = (whole["told"] - whole["true"]).abs()
    near = off <= 0.05
    moved = whole["true"].between(0.005, 0.995)
    yield Figure("materials within 5 points", near.sum(), "count", f"of {len(near)}")
    yield Figure("materials at risk within 5 points", near[moved].sum(), "count", f"of {moved.sum()}")
    worst = off.groupby([whole["world"], whole["seed"]]).max()
    words = "worlds with every material within 5 points"
    said_in = f"of {len(worst)}; unknown in {len(every.groupby(['world', 'seed'])) - len(worst)} more"
    yield Figure(words, (worst <= 0.05).sum(), "count", said_in)


#: Paper that is ordered after the cut is mounted some weeks later; by then what was in the store is used.
_UNTIL_MOUNTED = pd.Timedelta(weeks=9)
_QUARTER = pd.Timedelta(days=90)
_PAPER, _TITLE = "N45-1260", "Tollenby Lantern"
#: Splices of the quiet plant leave 12 m.
_BUTT_M = 8.0


def _assumed(after: dt.date, listed: dict[str, float]) -> dict[str, tuple[dict[str, Any], WhatIf, str]]:
    """Return what is assumed, by name: fields of the scenario, the assumption, and what is looked at."""
    closed = "Orrin Vale Dispatch"
    # The worst stand of the demo is as the others here.
    mean_m = median(STANDS.values())
    return {
        "film + 10 %": (
            {"film": (Change(after, 1.1, "black"),)},
            WhatIf(coverage={"black": 1.1}),
            "ink-black",
        ),
        "paper - 5 %": (
            {"grammage": (Change(after, 0.95, _PAPER),)},
            WhatIf(grammage={_PAPER: 0.95 * listed[_PAPER]}),
            _PAPER,
        ),
        "start-up + 60 %": ({"startup": (Change(after, 1.6),)}, WhatIf(startup=1.6), _PAPER),
        "copies - 10 %": ({"copies": (Change(after, 0.9, _TITLE),)}, WhatIf(copies={_TITLE: 0.9}), _PAPER),
        "pages + 4": ({"pages": (Change(after, 4.0, _TITLE),)}, WhatIf(pages={_TITLE: 4.0}), _PAPER),
        "title closed": ({"title_closed": (closed, after)}, WhatIf(closed=(closed,)), _PAPER),
        "butts of 8 m": (
            {"butts": (Change(after, _BUTT_M / mean_m),)},
            WhatIf(butt_m=_BUTT_M),
            "butts",
        ),
        "Vosgard dropped": (
            {"supplier_dropped": ("Vosgard", after)},
            WhatIf(dropped=("Vosgard",)),
            "invoiced",
        ),
    }


def _came(one: Truth, first: pd.Timestamp, what: str, prices: pd.Series) -> float:
    """Return what was used from `first` on: of a material, in butts, newsprint as invoiced, all at today's prices."""
    last = first + _QUARTER
    used = one.use.loc[first:last].sum()
    if what == "money":
        return float((used * prices).sum())
    if what not in ("butts", "invoiced"):
        return float(used[what])
    rows = one.mounted[one.mounted["date"].between(first, last)]
    if what == "butts":
        return float(rows.loc[(rows["material"] == _PAPER) & (rows["ended_by"] == "splice"), "butt_kg"].sum())
    return float((rows["kg"] * rows["unit_price"]).sum())


def _moved(name: str, seed: int, weeks: int, levers: tuple[str, ...]) -> pd.DataFrame:
    """Return by assumption the change that is told, its limits, and the one that comes.

    Each run draws numbers of its own, so that a plant and the same with a change differ by that change alone.
    """
    every_run = {"before": weeks, "after": 24, "alike": True}
    with tempfile.TemporaryDirectory() as scratch:
        truth = make(name, scratch, seed, **every_run)
        logs = read_logs(Path(scratch), truth.as_of.isoformat())
    exposure = ink.ink_exposure(logs)
    intervals, fits, _ = ink.judge_inks(ink.ink_intervals(logs, exposure))
    weighed = weighed_paper(logs)
    study = study_reels(logs, weighed)
    outlook = demand_outlook(recipe_from(logs))
    first = logs.as_of + _UNTIL_MOUNTED + pd.Timedelta(days=1)
    first -= pd.Timedelta(days=first.weekday())
    listed = logs["materials"].set_index("material")["grammage_gsm"].to_dict()
    every = _assumed(truth.as_of + dt.timedelta(days=1), listed)
    every = {key: one for key, one in every.items() if key in levers or not levers}
    told_of = what_if_cost(
        logs,
        outlook,
        {key: one for key, (_, one, _) in every.items()},
        first=first,
        last=first + _QUARTER,
        model=ink.ink_model(intervals, fits),
        quality=supplier_quality(logs, study.mount_history, weighed.weights.by_supplier),
        splices=study.splices,
    ).set_index(["what_if", "material"])
    rows = []
    # The same with a hair's breadth of a change: what chance alone moves, once one reel ends elsewhere.
    nearly = {"butts": (Change(truth.as_of + dt.timedelta(days=1), 1.01),)}
    same = truth_alone(name, seed, **every_run, **nearly)
    prices = told_of.reset_index().groupby("material")["unit_price"].first()
    for key, (scenario, _, what) in every.items():
        other = truth_alone(name, seed, **every_run, **scenario)
        for looked_at in (what, "money") if what in prices else (what,):
            came = [_came(one, first, looked_at, prices) for one in (truth, other, same)]
            in_money = looked_at in ("money", "invoiced")
            columns = ["cost", "q05", "q95"] if in_money else ["change", "change_low", "change_high"]
            material = "all materials" if in_money else {"butts": _PAPER}.get(looked_at, looked_at)
            row = told_of.loc[(key, material), columns]
            rows.append((f"{key}, {looked_at}", *row, came[1] - came[0], came[0], came[2] - came[0]))
    columns = ["what_if", "told", "low", "high", "came", "use", "chance"]
    return pd.DataFrame(rows, columns=columns).assign(seed=seed)


@bench.command("what-if")
@click.option("--seeds", default=5)
@click.option("--first", default=1)
@click.option("--weeks", default=84)
@click.option("--levers", "-l", multiple=True, help="names; all without any")
@click.option("--workers", default=1)
@measures
def what_if(seeds: int, first: int, weeks: int, levers: tuple[str, ...], workers: int) -> Iterator[Figure]:
    """Hold changes that assumptions make against the same plants run with that change."""
    tasks = [("quiet", seed, weeks, levers) for seed in range(first, first + seeds)]
    found = []
    for rows in _each(_moved, tasks, workers):
        print(rows.round(0).to_string(), flush=True)
        found.append(rows)
    whole = pd.concat(found, ignore_index=True)
    by = whole["what_if"]
    # What a simulation run twice differs by (90 %), beside the limits that are told.
    chance = 1.645 * np.sqrt((whole["chance"] ** 2).groupby(by).transform("mean"))
    side = np.where(
        whole["came"] > whole["told"], whole["high"] - whole["told"], whole["told"] - whole["low"]
    )
    off = (whole["came"] - whole["told"]).abs()
    whole = whole.assign(inside=off <= side, near=off <= np.hypot(side, chance))
    for name, rows in whole.groupby("what_if"):
        words = f"told / came {rows['told'].sum() / rows['came'].sum():.3f}, inside as told {rows['inside'].sum()}"
        yield Figure(f"{name}: inside with chance, of {len(rows)}", rows["near"].sum(), "count", words)
    yield Figure("changes inside their 90 % limits", whole["inside"].sum(), "count", f"of {len(whole)}")
    yield Figure("changes inside with chance", whole["near"].sum(), "count", f"of {len(whole)}")


if __name__ == "__main__":
    bench()
