"""What the order plan is worth, and what it takes.

``closed-loop``
    An invented plant of each seed is simulated for 52 weeks, ordering each review day by the plan, by the habit of
    three weeks of cover, by a textbook (R, S) rule, and knowing everything; on the working days between, every rule but
    the last may bring something by other means. How often does it run out, what lies on the floor, what does it cost?
    Cost is freight, holding, expediting and shortage, without purchases. Least cover and looks are those of the demo
    plant's policy, or as told.
``risk``
    Stock-out risk before the next order can arrive, of made-up worlds, beside a day-by-day simulation of each.
``programme``
    Time of the programme alone for 10 materials of three suppliers with contracts and shares, and for 50.
``speed``
    Time of one weekly plan for 10 materials, 13 weeks and 500 paths, and for 50, against one reading of the logs.

Run it as ``python tests/bench/bench_orders.py closed-loop [--seeds N] [--weeks N]``.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pandas as pd
from figures import Figure, figures_of, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from typing import TYPE_CHECKING

from order_risk import risk_world, simulated_risk, told_risk
from order_rules import RULES, by_plan, by_textbook, in_shares
from order_simulation import Loop, Result, simulated_plant, with_mills
from small_plant import small_tables, write_small_plant

from pressstats.logs import read_logs
from pressstats.orders import plan_orders, solve
from pressstats.orders.milp import Item, Limit, Offer, Share

if TYPE_CHECKING:
    from collections.abc import Callable

    from pressstats.demand import Outlook

#: A change of next review's newsprint larger than a load [kg] is flutter, where less than that was news.
LOAD_KG = 24000.0


def simulate_seed(
    seed: int, weeks: int, draws: int, policy: dict[str, object], mills: bool = False
) -> dict[str, Result]:
    """Return what each rule does with the plant of a seed, under the demo's policy but for what `policy` says.

    With `mills` each newsprint has two further mills, contracts and shares.
    """
    with tempfile.TemporaryDirectory() as folder:
        plant = simulated_plant(Path(folder) / "logs", seed)
    toml = plant.logs.plant
    toml = toml.model_copy(update={"policy": toml.policy.model_copy(update=policy)})
    plant = replace(plant, logs=replace(plant.logs, plant=toml))
    rules = RULES | {"plan": by_plan(draws)}
    if mills:
        plant = with_mills(plant, weeks)
        rules = {name: rules[name] for name in ("plan", "perfect foresight", "textbook (R, S)")}
        rules["textbook in fixed shares"] = in_shares(by_textbook)
    return {name: Loop(plant, weeks).run(rule) for name, rule in rules.items()}


@click.group()
def bench() -> None:
    """Measure the order plan."""


@bench.command("closed-loop")
@click.option("--seeds", default=20, help="Plants.")
@click.option("--first-seed", default=1, help="Seed of the first plant.")
@click.option("--weeks", default=52, help="Weeks counted.")
@click.option("--draws", default=1000, help="Paths of a plan.")
@click.option("--least-cover", type=float, help="Least cover wanted [day], else the demo's.")
@click.option(
    "--looked-at", type=click.Choice(["weekly", "daily"]), help="How often it is asked what to rush."
)
@click.option("--mills", is_flag=True, help="Several mills a width, with contracts and shares.")
@click.option("--jobs", default=2, help="Processes.")
@measures
def closed_loop(
    seeds: int,
    first_seed: int,
    weeks: int,
    draws: int,
    least_cover: float | None,
    looked_at: str | None,
    mills: bool,
    jobs: int,
) -> Iterator[Figure]:
    """Simulate plants that are ordered for by each rule."""
    from joblib import Parallel, delayed

    started = time.perf_counter()
    policy = {"cover_days_minimum": least_cover, "looked_at": looked_at}
    policy = {key: value for key, value in policy.items() if value is not None}
    tasks = (delayed(simulate_seed)(first_seed + n, weeks, draws, policy, mills) for n in range(seeds))
    found: list[dict[str, Result]] = []
    for number, one in enumerate(Parallel(n_jobs=jobs, return_as="generator")(tasks)):
        found.append(one)
        told = ", ".join(
            f"{name} {result.cost:,.0f} ({result.nights:.0f} nights, {result.stock_kg / 1000:.0f} t)"
            for name, result in one.items()
        )
        click.echo(f"seed {first_seed + number}: {told} ({time.perf_counter() - started:.0f} s)")
    rows: dict[str, tuple[str, Callable[[Result], float]]] = {
        "material-weeks short": ("%", lambda one: 100 * one.weeks_short),
        "nights not printed": ("a year", lambda one: one.nights * 52 / weeks),
        "newsprint": ("t", lambda one: one.stock_kg / 1000),
        "loads": ("count", lambda one: one.loads),
        "near-empty loads": ("%", lambda one: 100 * one.near_empty),
        "receipts without room": ("%", lambda one: 100 * one.overfull),
        "freight": ("EUR", lambda one: one.freight),
        "holding": ("EUR", lambda one: one.holding),
        "expediting": ("EUR", lambda one: one.expediting),
        "shortage": ("EUR", lambda one: one.shortage),
        "purchase above the lowest price": ("EUR", lambda one: one.purchase),
        "breach of contracts": ("EUR", lambda one: one.breach),
        "cost": ("EUR", lambda one: one.cost),
        "proven within": ("%", lambda one: 100 * one.gap),
    }
    for what, (unit, value) in rows.items():
        means = {f"{name}, {what}": np.mean([value(one[name]) for one in found]) for name in found[0]}
        yield from figures_of(f"mean of {seeds} plants", means, unit)
    yield from _conclude_mills(found) if mills else _conclude(found)


def _conclude(found: list[dict[str, Result]]) -> Iterator[Figure]:
    plan, habit, textbook, known, fuller = ([one[name] for one in found] for name in RULES)
    ratio = np.array([a.cost / b.cost for a, b in zip(plan, known, strict=True)])
    total = sum(one.cost for one in plan) / sum(one.cost for one in known)
    yield Figure("plan / perfect foresight, all cost", total, "ratio", _range(ratio))
    for words, others in (("up to three weeks", habit), ("never below three weeks", fuller)):
        stock = np.array([a.stock_kg / b.stock_kg for a, b in zip(plan, others, strict=True)])
        yield Figure(f"newsprint, plan / {words}", float(stock.mean()), "ratio", _range(stock))
    cheaper = sum(a.cost < b.cost for a, b in zip(plan, textbook, strict=True))
    yield Figure(f"plan cheaper than (R, S), of {len(found)}", cheaper, "count")
    short = sum(one.by_material for one in plan)
    yield from figures_of("plan short", short[short > 0].to_dict(), "weeks")
    changes = [pair for one in plan for pair in one.flutter]
    quiet = [change for change, news in changes if news < LOAD_KG]
    # Quiet weeks: stock and six weeks' forecast together changed by less than a load.
    for words, weeks in (("quiet weeks", quiet), ("weeks", [change for change, _ in changes])):
        share = 100 * np.mean([change > LOAD_KG for change in weeks]) if weeks else np.nan
        yield Figure(
            f"next review changed by more than a load, of all {words}", share, "%", f"{len(weeks)} weeks"
        )


def _conclude_mills(found: list[dict[str, Result]]) -> Iterator[Figure]:
    names = ("plan", "perfect foresight", "textbook (R, S)", "textbook in fixed shares")
    plan, known, one_mill, shares = ([one[name] for one in found] for name in names)
    ratio = np.array([a.cost / b.cost for a, b in zip(plan, known, strict=True)])
    total = sum(one.cost for one in plan) / sum(one.cost for one in known)
    yield Figure("plan / perfect foresight, all cost", total, "ratio", _range(ratio))
    for words, others in (("one mill", one_mill), ("fixed shares", shares)):
        cheaper = sum(a.cost < b.cost for a, b in zip(plan, others, strict=True))
        yield Figure(f"plan cheaper than (R, S) with {words}, of {len(found)}", cheaper, "count")
    drawn = pd.concat([one.drawn for one in plan])
    kept = (drawn - 1).abs().le(0.1 + 1e-9)
    note = f"of {len(drawn)}; drawn {_range(drawn.to_numpy())}"
    yield Figure("contracts drawn within their tolerance", 100 * float(kept.mean()), "%", note)
    # Eight weeks before its last day, of a contract of the weeks counted; of fewer, from the first of them on.
    chances = pd.concat([_chances(one.told[-8:][0][0]).reindex(one.drawn.index) for one in plan])
    broken = ~kept.to_numpy()
    foreseen = 100 * float((chances[broken] > 0.1).mean()) if broken.any() else np.nan
    yield Figure("breaches foreseen eight weeks before", foreseen, "%", f"of {broken.sum()}")
    yield Figure(
        "mean chance told eight weeks before", 100 * float(chances.mean()), "%", f"{broken.mean():.0%} came"
    )
    told = float(np.mean([expected for one in plan for _, expected in one.told]))
    came = float(np.mean([one.rushed for one in plan]))
    yield Figure("weeks with emergency supply, told", told, "a year", f"came {came:.2g}")


def _chances(odds: pd.DataFrame) -> pd.Series:
    """Return the chance of ending outside its tolerance of each contract that runs, by supplier and material."""
    first = odds.drop_duplicates(["supplier", "material"]).set_index(["supplier", "material"])
    return first["chance_below"] + first["chance_above"]


def _range(ratios: np.ndarray) -> str:
    return f"by plant {ratios.min():.2f} to {ratios.max():.2f}"


@bench.command()
@click.option("--worlds", default=100, help="Worlds.")
@click.option("--futures", default=4000, help="Futures simulated of each.")
@measures
def risk(worlds: int, futures: int) -> Iterator[Figure]:
    """Compare the stock-out risk that is told with a simulation."""
    with tempfile.TemporaryDirectory() as scratch:
        logs = read_logs(write_small_plant(Path(scratch) / "logs", small_tables()))
    drawn = [risk_world(logs, seed) for seed in range(worlds)]
    told = np.array([told_risk(world) for world in drawn])
    true = np.array([simulated_risk(world, futures) for world in drawn])
    off = 100 * (told - true)
    title, note = "told less simulated", f"risk {100 * true.min():.0f} to {100 * true.max():.0f} %"
    yield Figure(f"{title}, mean", off.mean(), "points", note)
    yield Figure(f"{title}, root mean square", np.sqrt((off**2).mean()), "points")
    yield Figure(f"{title}, largest", np.abs(off).max(), "points")
    yield Figure("within 5 points", 100 * (np.abs(off) <= 5).mean(), "%")


@bench.command()
@click.option("--logs", "folder", default="data_demo", help="Folder with the demo logs.")
@click.option("--repeats", default=3, help="Plans of which the fastest counts.")
@click.option("--materials", "counts", multiple=True, default=(10, 20, 50), help="Materials of a plan.")
@click.option("--draws", default=500, help="Paths of a plan.")
@click.option("--nodes", default=400, help="Nodes of a search.")
@click.option("--years", default=4, help="Years that the plant has logged.")
@measures
def speed(
    folder: str, repeats: int, counts: tuple[int, ...], draws: int, nodes: int, years: int
) -> Iterator[Figure]:
    """Time one weekly plan."""
    started = time.perf_counter()
    logs = read_logs(folder)
    reading = time.perf_counter() - started
    with tempfile.TemporaryDirectory() as scratch:
        plant = simulated_plant(Path(scratch) / "logs", 1, years)
    loop = Loop(plant, 4)
    del logs
    for count in counts:
        outlook, full, stock = _copied(loop, count)
        times, gap = [], 0.0
        for _ in range(repeats):
            started = time.perf_counter()
            plan = plan_orders(full, outlook, stock, _no_orders(), draws=draws, nodes=nodes)
            times.append(time.perf_counter() - started)
            gap = plan.gap
        best = min(times)
        note = f"{best:.2f} s, reading {reading:.2f} s, {plan.published['order'].nunique()} loads"
        yield Figure(f"{count} materials: plan / reading the logs", best / reading, "ratio", note)
        yield Figure(f"{count} materials: proven within", 100 * gap, "%")


@bench.command()
@click.option("--materials", "counts", multiple=True, default=(10, 50), help="Materials of a plan.")
@click.option("--suppliers", default=3, help="Suppliers of each material.")
@measures
def programme(counts: tuple[int, ...], suppliers: int) -> Iterator[Figure]:
    """Time the programme where several suppliers deliver each material under contracts and shares."""
    for count in counts:
        items = _contracted(count, suppliers)
        clock, processor = time.perf_counter(), time.process_time()
        found = solve(items, load_cost=600.0, holding_rate=0.12, end=121, filled=True)
        of = f"{count} materials of {suppliers} suppliers"
        yield Figure(
            of, time.perf_counter() - clock, "s", f"{time.process_time() - processor:.1f} s of processor"
        )
        yield Figure(f"{of}: proven within", 100 * found.gap, "%")


def _contracted(count: int, suppliers: int, orders: int = 13) -> list[Item]:
    """Return invented widths of mills with lead times, prices, contracts and shares of their own."""
    rng = np.random.default_rng(0)
    items = []
    for number in range(count):
        weekly, pack = rng.uniform(8_000, 40_000), float(rng.uniform(450, 1100))
        needs = np.cumsum(weekly * rng.uniform(0.8, 1.2, orders))
        part = weekly * orders / suppliers
        offers = []
        for mill in rng.permutation(suppliers):
            price = 0.6 * rng.uniform(0.95, 1.05)
            offers.append(
                Offer(
                    supplier=f"mill {mill}",
                    pack=pack,
                    load=24_000.0,
                    minimum=2 * pack,
                    due=np.arange(orders) * 7 + 14 + 7 * int(mill),
                    prices=[[(0.0, price), (24_000.0, 0.99 * price)]] * orders,
                    limits=(Limit(np.ones(orders, bool), 0.9 * part - 24_000, 1.1 * part + 24_000, 0.03),),
                    shares=(Share(0.1, 0.7, part, part * suppliers, 0.06),),
                )
            )
        offers.sort(key=lambda one: int(one.due[0]))
        free = np.full(orders, 1e12)
        items.append(
            Item(
                f"width {number}",
                tuple(offers),
                needs,
                free,
                expedite=0.5,
                low=needs + weekly,
                low_cost=0.03,
                high=needs + 3 * weekly,
                high_cost=0.005,
                room=1.0,
                unit="kg",
            )
        )
    return items


def _no_orders() -> pd.DataFrame:
    return pd.DataFrame(columns=["delivery_id", "material", "supplier", "quantity", "promised_on"])


def _copied(loop: Loop, count: int) -> tuple[Outlook, object, pd.DataFrame]:
    """Return outlook, logs and stock of a plant whose first ten materials are repeated, at suppliers of their own."""
    names = loop.names[:10]
    outlook = loop.plant.outlook_at(loop.first + 3)
    rows = [outlook.names.index(names[number % 10]) for number in range(count)]
    label = [f"{names[number % 10]} {number // 10}" for number in range(count)]
    said = outlook.forecast.judgement
    parts = {name: getattr(said, name) for name in ("point", "size")}
    judgement = replace(
        said,
        **{name: value[rows] for name, value in parts.items()},
        weights=said.weights[:, rows],
        scores=said.scores[:, rows],
    )
    forecast = replace(outlook.forecast, judgement=judgement, names=pd.Index(label))
    new = replace(
        outlook,
        forecast=forecast,
        shares=outlook.shares[rows],
        backtest=replace(outlook.backtest, names=label),
    )
    table = loop.materials.loc[[names[number % 10] for number in range(count)]].reset_index()
    number = np.arange(count) // 10
    table["supplier"] = [f"{one} {copy}" for one, copy in zip(table["supplier"], number, strict=True)]
    table["material"] = label
    logs = loop.plant.logs
    policy = logs.plant.policy.model_copy(
        update={"newsprint_storage_maximum_kg": 260000 * float(count // 10)}
    )
    plant = logs.plant.model_copy(update={"policy": policy})
    full = replace(logs, tables={"materials": table}, as_of=loop.start + pd.Timedelta(days=21), plant=plant)
    daily = loop.plant.use.loc[: full.as_of].tail(91).mean()
    stock = pd.DataFrame({"material": label, "quantity": [35 * daily[names[n % 10]] for n in range(count)]})
    return new, full, stock


if __name__ == "__main__":
    bench()
