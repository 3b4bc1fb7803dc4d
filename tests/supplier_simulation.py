"""Mills whose paper, lorries and punctuality are known: what the record and the claims say of them is held against it.

Plants come as the frames that the functions take, without files, so that a hundred of them take minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pressstats.orders import LeadTimes
from pressstats.paper.regimes import WeighedWebs, supplier_slopes, weigh
from pressstats.reels.strip import transport_claims
from pressstats.suppliers import claims, paper_quality, true_costs
from pressstats.suppliers.quality import supplier_lateness

if TYPE_CHECKING:
    from pressstats.logs import Logs

__all__ = ["Mill", "costs_held", "quiet_claims", "quiet_deliveries"]

NOMINAL = 45.0
REEL_KG = 900.0
PRICE = 0.7
WASTE_PRICE = 0.15
FIRST_DAY = pd.Timestamp("2023-01-02")


@dataclass(frozen=True)
class Mill:
    """One mill as it truly is.

    Attributes
    ----------
    gsm : float
        What its paper weighs [g/m2].
    strip_kg : float
        Mean strip of a reel [kg].
    lot_spread : float
        Standard deviation of the logarithm of the strip from delivery to delivery.
    breaks : float
        Web breaks a reel.
    late : tuple of float
        Chance of each number of days late, from 0 on.
    deliveries, reels : int
        Deliveries, and reels in each.
    """

    gsm: float = 45.4
    strip_kg: float = 9.0
    lot_spread: float = 0.2
    breaks: float = 0.022
    late: tuple[float, ...] = (0.6, 0.15, 0.1, 0.08, 0.04, 0.03)
    deliveries: int = 40
    reels: int = 20


@dataclass(frozen=True)
class Trial:
    """Mills drawn about the usual one, and how they are judged."""

    mills: int = 3
    reaches_days: float = 3.0
    usual: Mill = field(default_factory=Mill)

    def draw(self, rng: np.random.Generator) -> dict[str, Mill]:
        """Return mills that differ by as much as mills do (common practice, no source)."""
        chance = np.array(self.usual.late)
        found = {}
        for name in "ABCDEFGH"[: self.mills]:
            late = rng.dirichlet(8 * chance)
            found[name] = replace(
                self.usual,
                gsm=float(rng.normal(self.usual.gsm, 0.3)),
                strip_kg=float(self.usual.strip_kg * rng.lognormal(0, 0.3)),
                breaks=float(self.usual.breaks * rng.lognormal(0, 0.4)),
                late=tuple(late / late.sum()),
                deliveries=int(rng.integers(15, 60)),
            )
        return found


def _history(rng: np.random.Generator, mills: dict[str, Mill]) -> pd.DataFrame:
    """Return mounts, a row a reel and one more for each break."""
    rows = []
    reel = lot = 0
    for name, mill in mills.items():
        for _ in range(mill.deliveries):
            usual = mill.strip_kg * rng.lognormal(-(mill.lot_spread**2) / 2, mill.lot_spread)
            for _ in range(mill.reels):
                breaks = rng.poisson(mill.breaks)
                start = rng.normal(REEL_KG, 15)
                for turn in range(breaks + 1):
                    strip = usual * rng.lognormal(-0.06, 0.35) if turn == 0 else 0.0
                    end = "web_break" if turn < breaks else "splice"
                    rows.append((reel, name, end, turn == 0, start, strip, lot))
                reel += 1
            lot += 1
    columns = ["reel", "supplier", "ended_by", "new", "start_kg", "strip_kg", "lot"]
    return pd.DataFrame(rows, columns=columns).assign(material="N45", scrapped_kg=0.0)


def _grammages(rng: np.random.Generator, mills: dict[str, Mill], webs: int = 240) -> pd.DataFrame:
    """Return grammages as weighed on the press: webs of one mill each, reels that run in two of them."""
    names = list(mills)
    owner = np.repeat(np.arange(len(names)), webs // len(names))
    rng.shuffle(owner)
    size = len(owner)
    area = rng.uniform(8, 30, size)
    reel = np.arange(size)
    # A reel that runs in two webs of its mill carries its error from one into the other.
    error = np.zeros(size)
    row, used = [np.arange(size)], [reel]
    for one in range(len(names)):
        mine = np.flatnonzero(owner == one)
        weighing = rng.normal(0, 3.0, len(mine) + 1)
        error[mine] = weighing[1:] - weighing[:-1]
        row.append(mine[1:])
        used.append(reel[mine[:-1]])
    true = np.array([mills[names[one]].gsm for one in owner])
    starts = rng.normal(5.0, 1.0, size)
    fitted = WeighedWebs(
        date=np.datetime64("2024-01-01", "D") + np.sort(rng.integers(0, 360, size)),
        area=area,
        net=true * area + starts + error,
        terms=np.ones((size, 1)),
        shares=pd.DataFrame(np.eye(len(names))[owner], columns=names),
        row=np.concatenate(row),
        reel=np.concatenate(used),
    )
    rows = [("N45", *slope) for slope in supplier_slopes(fitted, weigh(fitted))]
    return pd.DataFrame(rows, columns=["material", "supplier", "estimate", "std_error", "ci_low", "ci_high"])


def _with_loads(rng: np.random.Generator, logs: Logs, mills: dict[str, Mill]) -> Logs:
    """Return logs whose deliveries are the loads of the mills, each as late as its mill is."""
    parts = []
    for name, mill in mills.items():
        count = mill.deliveries
        promised = FIRST_DAY + pd.to_timedelta(rng.integers(0, 700, count), unit="D")
        late = pd.to_timedelta(rng.choice(len(mill.late), count, p=mill.late), unit="D")
        parts.append(
            pd.DataFrame(
                {
                    "delivery_id": [f"{name}{n}" for n in range(count)],
                    "load": [f"{name}{n}" for n in range(count)],
                    "supplier": name,
                    "material": "N45",
                    "ordered_on": promised - pd.Timedelta(days=14),
                    "promised_on": promised,
                    "delivered_on": promised + late,
                    "cancelled_on": pd.NaT,
                }
            )
        )
    rows = pd.concat(parts, ignore_index=True)
    return replace(logs, tables=logs.tables | {"deliveries": rows}, as_of=pd.Timestamp("2025-02-01"))


def true_cost(mill: Mill, logs: Logs, reaches_days: float) -> float:
    """Return what a tonne of printable paper of a mill truly costs [currency / t]."""
    policy = logs.plant.policy
    lost = mill.strip_kg / REEL_KG
    late = sum(mill.late[int(reaches_days) + 1 :])
    delivered = 1000 * PRICE - 1000 * lost * WASTE_PRICE + late * policy.expedite_cost_per_t
    delivered += mill.breaks * policy.break_cost * 1000 / REEL_KG
    return mill.gsm / NOMINAL * delivered / (1 - lost)


def costs_held(
    rng: np.random.Generator, logs: Logs, plants: int, trial: Trial = Trial()
) -> dict[str, list[bool]]:
    """Return whether limits held the truth of each mill of each plant: of costs, grammage and breaks."""
    held: dict[str, list[bool]] = {"true cost": [], "grammage": [], "breaks": []}
    for _ in range(plants):
        mills = trial.draw(rng)
        quality = paper_quality(_history(rng, mills), _grammages(rng, mills), pd.Series({"N45": NOMINAL}))
        times = LeadTimes(_with_loads(rng, logs, mills))
        late = supplier_lateness(times, mills, trial.reaches_days)
        quality = quality.merge(late, on="supplier").assign(price=PRICE)
        quality = quality.join(true_costs(quality, logs.plant.policy, WASTE_PRICE))
        for row in quality.itertuples():
            mill = mills[row.supplier]
            cost = true_cost(mill, logs, trial.reaches_days)
            heavier = 100 * (mill.gsm / NOMINAL - 1)
            held["true cost"].append(row.true_ci_low <= cost <= row.true_ci_high)
            held["grammage"].append(row.heavier_low <= heavier <= row.heavier_high)
            held["breaks"].append(row.ci_low <= 100 * mill.breaks <= row.ci_high)
    return held


def quiet_deliveries(
    rng: np.random.Generator, mills: dict[str, int], reels: int = 15, lot_spread: float = 0.2
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return sound deliveries (by mill), their reels, and those as ``new_reels`` does once all are mounted.

    Packs differ in weight, labels in length, scales err, and the strip of a delivery is its lorry's and its reels'.
    """
    deliveries, received, whole = [], [], []
    for place, (name, count) in enumerate(mills.items()):
        for number in range(count):
            key, day = f"{name}{number}", FIRST_DAY + pd.Timedelta(days=10 * number + place)
            size = int(rng.integers(2, 2 * reels))
            true = rng.normal(REEL_KG, 20, size)
            weighed = np.round(true + rng.normal(0, 3, size))
            lorry = rng.normal(0, lot_spread)
            depth = 3.0 * np.exp(lorry + rng.normal(0, 0.35, size))
            outer = 1000.0
            strip = REEL_KG * 4 * depth * (outer - depth) / (outer**2 - 76**2)
            names = [f"{key}-{n}" for n in range(size)]
            deliveries.append(
                {
                    "delivery_id": key,
                    "material": "N1200",
                    "quantity": weighed.sum(),
                    "ordered_on": day - pd.Timedelta(days=14),
                    "promised_on": day,
                    "delivered_on": day,
                    "unit_price": 0.5,
                    "order_id": f"O{key}",
                    "supplier": name,
                    "quantity_ordered": size * REEL_KG,
                }
            )
            common = {"supplier": name, "reel_id": names, "material": "N1200", "delivery_id": key}
            length = true / (1.2 * 0.0455) * rng.normal(1, 0.006, size)
            received.append(
                pd.DataFrame(common | {"received_on": day, "received_kg": weighed, "length_m": length})
            )
            mounted = day + pd.to_timedelta(rng.integers(1, 20, size), unit="D")
            start = true + rng.normal(0, 3, size)
            whole.append(
                pd.DataFrame(
                    common
                    | {"received_on": day, "mounted_at": mounted, "ended_by": "splice", "start_kg": start}
                    | {"received_kg": weighed, "strip_kg": strip, "scrapped_kg": 0.0, "depth_mm": depth}
                    | {"strip_pct": 100 * strip / start, "unit_price": 0.5}
                )
            )
    return (
        pd.DataFrame(deliveries),
        pd.concat(received, ignore_index=True),
        pd.concat(whole, ignore_index=True),
    )


def with_deliveries(logs: Logs, deliveries: pd.DataFrame, reels: pd.DataFrame) -> Logs:
    """Return logs with other deliveries and reels; columns that are not given are blank."""
    tables = dict(logs.tables)
    for name, rows in (("deliveries", deliveries), ("reels", reels)):
        like = logs[name]
        tables[name] = rows.reindex(columns=like.columns).astype(like.dtypes.to_dict()).reset_index(drop=True)
    return replace(logs, tables=tables)


def quiet_claims(rng: np.random.Generator, logs: Logs, mills: dict[str, int]) -> pd.DataFrame:
    """Return what is claimed of a plant whose deliveries are all sound."""
    deliveries, reels, whole = quiet_deliveries(rng, mills)
    return claims(with_deliveries(logs, deliveries, reels), whole, transport_claims(whole, 3.0))
