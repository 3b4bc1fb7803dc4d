"""Stock-out risk before the next order can arrive, beside a plain simulation of plants made up for it.

Use, lateness and calendars of each world are drawn; the package learns lateness from two hundred loads that came, and
is given scenarios of use. The simulation walks day by day through futures drawn from what is true of the world.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from order_plans import cases_with, on_hand

from pressstats.orders.planned import ORDERS
from pressstats.orders.risk import risk_before_arrival
from pressstats.plant import WEEKDAYS

if TYPE_CHECKING:
    from pressstats.logs import Logs

__all__ = ["RiskWorld", "risk_world", "simulated_risk", "told_risk"]

_LOADS = 200
_DAYS_LATE = (0, 1, 2, 3, 5, 9)


@dataclass(frozen=True)
class RiskWorld:
    """What is true of a world, and its logs."""

    logs: Logs
    name: str
    stock: float
    daily: float
    by_path: float
    by_day: float
    lead: int
    review: str
    late: tuple[float, ...]
    open_: tuple[tuple[dt.date, float], ...]

    def open_rows(self) -> pd.DataFrame:
        rows = [
            (f"O{n}", self.name, "Northmill", amount, pd.Timestamp(day))
            for n, (day, amount) in enumerate(self.open_)
        ]
        return pd.DataFrame(rows, columns=["delivery_id", "material", "supplier", "quantity", "promised_on"])


def risk_world(logs: Logs, seed: int) -> RiskWorld:
    """Return a world whose next order may well come too late; `logs` gives the plant around it."""
    rng = np.random.default_rng([seed, 77])
    name, as_of = "N1200", logs.as_of
    lead = int(rng.integers(5, 29))
    late = rng.dirichlet([6.0, 3.0, 2.0, 1.0, 0.7, 0.4])
    review = str(rng.choice(WEEKDAYS[:5]))
    daily = float(rng.uniform(800, 4000))
    by_path, by_day = float(rng.uniform(0.02, 0.12)), float(rng.uniform(0.05, 0.3))
    reach = lead + 6
    open_ = tuple(
        ((as_of + pd.Timedelta(days=int(rng.integers(1, reach)))).date(), float(rng.uniform(1, 5)) * daily)
        for _ in range(int(rng.integers(0, 3)))
    )
    # Enough to make it a question: what is used until about then, a little more or less.
    stock = daily * max(reach - sum(amount for _, amount in open_) / daily + rng.normal(0, 2.5), 1.0)
    ordered = as_of - pd.to_timedelta(np.arange(_LOADS, 0, -1) * 3 + lead + 20, unit="D")
    promised = ordered + pd.Timedelta(days=lead)
    came = promised + pd.to_timedelta(rng.choice(_DAYS_LATE, _LOADS, p=late), unit="D")
    history = pd.DataFrame(
        {
            "delivery_id": [f"P{n}" for n in range(_LOADS)],
            "material": name,
            "supplier": "Northmill",
            "quantity": 20_000.0,
            "ordered_on": ordered,
            "promised_on": promised,
            "delivered_on": came,
            "cancelled_on": pd.NaT,
            "load": [f"P{n}" for n in range(_LOADS)],
        }
    )
    listed = logs["materials"]
    listed = listed[listed["material"] == name].assign(lead_time_days=float(lead), stands_in_for=pd.NA)
    policy = logs.plant.policy.model_copy(update={"review_day": review})
    calendar = logs.plant.calendar.model_copy(update={"no_receipts": ("saturday", "sunday")})
    plant = logs.plant.model_copy(update={"policy": policy, "calendar": calendar})
    tables = {"materials": listed, "deliveries": history}
    world = replace(logs, tables=tables, plant=plant)
    return RiskWorld(world, name, stock, daily, by_path, by_day, lead, review, tuple(late), open_)


def told_risk(world: RiskWorld, draws: int = 4000) -> float:
    """Return the risk that the package tells."""

    def day_paths(count: int, days: pd.DatetimeIndex, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        path = np.maximum(rng.normal(1, world.by_path, (1, count, 1)), 0.0)
        day = np.maximum(rng.normal(1, world.by_day, (1, count, len(days))), 0.0)
        mean = np.full((1, len(days)), world.daily)
        return mean[:, None, :] * path * day, mean

    outlook: Any = SimpleNamespace(
        names=[world.name],
        day_paths=day_paths,
        forecast=SimpleNamespace(judgement=SimpleNamespace(size=np.ones((1, 58)))),
    )
    cases = cases_with(world.logs, outlook, on_hand({world.name: world.stock}), world.open_rows(), draws)
    return float(risk_before_arrival(cases, np.zeros((1, ORDERS)))[world.name])


def simulated_risk(world: RiskWorld, futures: int = 4000, seed: int = 3) -> float:
    """Return in what share of futures it runs out before an order of the next review is on the floor."""
    rng = np.random.default_rng([seed, 11])
    day = dt.timedelta(days=1)
    as_of = world.logs.as_of.date()

    def received(at: dt.date) -> dt.date:
        while at.weekday() >= 5:
            at += day
        return at

    placed = as_of + day
    while WEEKDAYS[placed.weekday()] != world.review:
        placed += day
    promised = received(placed + world.lead * day)
    count = 0
    for _ in range(futures):
        trucks = {
            promise: int(rng.choice(_DAYS_LATE, p=world.late))
            for promise in sorted({d for d, _ in world.open_})
        }
        come: dict[dt.date, float] = {}
        for promise, amount in world.open_:
            at = received(promise + trucks[promise] * day)
            come[at] = come.get(at, 0.0) + amount
        next_comes = received(promised + int(rng.choice(_DAYS_LATE, p=world.late)) * day)
        level = max(rng.normal(1, world.by_path), 0.0)
        stock, issue = world.stock, as_of + day
        # An issue is printed the evening before its date: what comes on a day serves the next day's issue.
        while issue <= next_comes:
            stock += come.get(issue - day, 0.0)
            stock -= world.daily * level * max(rng.normal(1, world.by_day), 0.0)
            if stock < 0:
                count += 1
                break
            issue += day
    return count / futures
