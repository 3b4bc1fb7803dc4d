"""Simulated reels: lengths run, breaks, splices and strips whose truth is known; shared by tests and benchmarks.

Plants come as the frames that the functions take, without files, so that a thousand of them take minutes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from small_plant import PLANT_TOML, small_tables

__all__ = [
    "Breakage",
    "Frames",
    "Splicing",
    "cumulative",
    "simulate_ends",
    "simulate_mounts",
    "simulate_strip",
]

FIRST_DAY = pd.Timestamp("2022-01-03")  # a Monday
DAYS = 728
REEL_KM = 16.0
TARGET_M = 12.0
_SEASONS = np.array(["December to February", "March to May", "June to August", "September to November"])
_AGES = np.array(["up to 1 week", "1 to 2 weeks", "2 to 4 weeks", "more than 4 weeks"])
_MOUNTS = np.array(["first mount", "second mount", "third mount", "fourth or later"])
_KINDS = np.array(["web_break", "run_end", "damaged", "splice"])


class Frames:
    """Stands where logs stand: tables by name, and nothing read."""

    def __init__(self, **tables: pd.DataFrame) -> None:
        self.tables = tables

    def has(self, table: str) -> bool:
        return table in self.tables

    def __getitem__(self, table: str) -> pd.DataFrame:
        return self.tables[table]


@dataclass(frozen=True)
class Breakage:
    """Reels of a plant as they truly break.

    Attributes
    ----------
    suppliers : dict
        Break rate of each supplier over that of an ordinary one.
    reels : int
        Reels of each supplier.
    per_100 : float
        Breaks in 100 whole reels of an ordinary supplier.
    power : float
        Expected breaks grow with the length run to this power: 1 is a constant hazard.
    lot_shape : float
        Shape of the gamma factor of each lot; infinite where lots are alike.
    lot_reels : int
        Reels of a lot.
    part_first : float
        Share of reels whose first part ran before anything was logged.
    """

    suppliers: dict[str, float] = field(default_factory=lambda: {"A": 1.0, "B": 1.0, "C": 1.0})
    reels: int = 5000
    per_100: float = 2.5
    power: float = 1.0
    lot_shape: float = np.inf
    lot_reels: int = 50
    part_first: float = 0.08
    stands: int = 12

    def cumulative(self, km: np.ndarray | float) -> np.ndarray:
        """Return the breaks to expect of an ordinary reel up to a length [km]."""
        return cumulative(km, self.per_100, self.power)


def cumulative(km: np.ndarray | float, per_100: float, power: float) -> np.ndarray:
    """Return the breaks to expect up to a length [km]."""
    return np.asarray(per_100 / 100 * (np.asarray(km) / REEL_KM) ** power)


def simulate_mounts(  # long: a reel's life, step by step
    rng: np.random.Generator, plant: Breakage = Breakage()
) -> pd.DataFrame:
    """Return mounts as ``mount_history`` does, and `expected`: breaks to expect of the metres run."""
    names = list(plant.suppliers)
    size = len(names) * plant.reels
    supplier = np.repeat(np.arange(len(names)), plant.reels)
    lot = supplier * 100_000 + np.tile(np.arange(plant.reels) // plant.lot_reels, len(names))
    lot = np.unique(lot, return_inverse=True)[1]
    lots = int(lot.max()) + 1
    factor = (
        np.ones(lots) if np.isinf(plant.lot_shape) else rng.gamma(plant.lot_shape, 1 / plant.lot_shape, lots)
    )
    ratio = np.array(list(plant.suppliers.values()))[supplier]
    whole = rng.normal(REEL_KM, 0.5, size)
    # Every reel: breaks by their hazard, up to two ends of a run, now and then an end by damage.
    breaks = rng.poisson(plant.cumulative(whole) * ratio * factor[lot])
    ends = rng.choice(3, size, p=[0.4, 0.45, 0.15])
    broke = np.repeat(np.arange(size), breaks)
    ended = np.repeat(np.arange(size), ends)
    damaged = np.flatnonzero(rng.random(size) < 0.01)
    last = whole.copy()
    last[damaged] *= rng.random(len(damaged))
    reel = np.concatenate([broke, ended, np.arange(size)])
    place = np.concatenate(
        [
            whole[broke] * rng.random(len(broke)) ** (1 / plant.power),
            whole[ended] * rng.random(len(ended)),
            last,
        ]
    )
    kind = np.repeat([0, 1, 3], [len(broke), len(ended), size])
    kind[len(broke) + len(ended) + damaged] = 2
    there = place <= last[reel]
    order = np.lexsort((place[there], reel[there]))
    reel, place, kind = reel[there][order], place[there][order], kind[there][order]
    first = np.ones(len(reel), dtype=bool)
    first[1:] = reel[1:] != reel[:-1]
    entered = np.where(first, 0.0, np.roll(place, 1))
    # Nights of a reel: it comes back to a stand after the end of a run, and stays on it after a break.
    after_end = ~first & (np.roll(kind, 1) == 1)
    night = (
        np.cumsum(after_end)
        - np.cumsum(after_end)[np.maximum.accumulate(np.where(first, np.arange(len(reel)), 0))]
    )
    came = rng.integers(0, DAYS - 60, lots)
    waited = rng.integers(2, 40, size)
    day = came[lot[reel]] + waited[reel] + 2 * night
    session = np.cumsum(first | after_end) - 1
    stand = rng.integers(0, plant.stands, int(session[-1]) + 1)[session]
    begins = np.maximum.accumulate(np.where(first, np.arange(len(reel)), 0))
    number = np.arange(len(reel)) - begins
    mounted = FIRST_DAY + pd.to_timedelta(day * 86400 + 3600 * 22 + number * 60, unit="s")
    run = place - entered
    history = pd.DataFrame(
        {
            "reel": reel,
            "supplier": pd.array(np.array(names)[supplier[reel]], dtype="str"),
            "material": "N45",
            "width_mm": np.where(reel % 3 == 0, 1260.0, 630.0),
            "press": np.where(stand < plant.stands // 2, "P1", "P2"),
            "reelstand": np.char.add("R", np.char.zfill(stand.astype(str), 2)),
            "mounted_at": mounted,
            "ended_by": _KINDS[kind],
            "number": number + 1.0,
            "entered_m": 1000 * entered,
            "run_m": 1000 * run,
            "lot": lot[reel],
            "season": _SEASONS[mounted.month.to_numpy() % 12 // 3],
            "age": _AGES[np.searchsorted((7, 14, 28), day - came[lot[reel]], side="left")],
            "mounts": _MOUNTS[np.minimum(number, 3)],
            "expected": ratio[reel] * (plant.cumulative(place) - plant.cumulative(entered)),
        }
    )
    unlogged = (rng.random(size) < plant.part_first)[reel] & (night == 0)
    return history[~unlogged].reset_index(drop=True)


@dataclass(frozen=True)
class Splicing:
    """Splices of a plant as they truly are.

    Attributes
    ----------
    means : sequence of float
        Length that each stand leaves [m].
    splices : sequence of int
        Splices of each stand.
    scatter : float
        Standard deviation of what single splices leave [m].
    sure_m, falls_m : float
        Failure curve [m]: a splice that leaves L fails with chance min(1, exp(-(L - sure_m) / falls_m)).
    drift : float
        Standard deviation of the change of a stand's setting from quarter to quarter [m].
    flat : float
        Chance of failing whatever is left; replaces the curve.
    """

    means: Sequence[float]
    splices: Sequence[int]
    scatter: float = 3.0
    sure_m: float = -12.0
    falls_m: float = 4.0
    drift: float = 0.0
    flat: float = np.nan


METRE_KG = 0.0567  # 1.26 m x 45 g/m2
PRICE = 0.65


def simulate_ends(rng: np.random.Generator, plant: Splicing) -> pd.DataFrame:
    """Return splices as ``butts`` does, over eight quarters."""
    count = np.asarray(plant.splices)
    stand = np.repeat(np.arange(len(count)), count)
    day = rng.integers(0, DAYS, len(stand))
    date = FIRST_DAY + pd.to_timedelta(day, unit="D")
    quarter = ((date.year - 2022) * 4 + date.quarter - 1).to_numpy()
    meant = np.asarray(plant.means, float)[:, None] + plant.drift * rng.standard_normal((len(count), 9))
    metres = np.maximum(rng.normal(meant[stand, quarter], plant.scatter), 0.0)
    chance = np.minimum(np.exp(-(metres - plant.sure_m) / plant.falls_m), 1.0)
    if np.isfinite(plant.flat):
        chance = np.full(len(stand), plant.flat)
    failed = rng.random(len(stand)) < chance
    # A failed splice stops the press with whatever was on the reel by then.
    left = np.where(failed, rng.uniform(0, 60, len(stand)), metres)
    return pd.DataFrame(
        {
            "run_id": day.astype(str),
            "reelstand": np.char.add("R", np.char.zfill(stand.astype(str), 2)),
            "material": "N45-1260",
            "ended_by": np.where(failed, "failed_splice", "splice"),
            "hour": 23.0,
            "butt_kg": METRE_KG * left,
            "butt_m": left,
            "unit_price": PRICE,
            "date": date,
        }
    )


#: Splices of twelve stands, one of which has hardly run.
UNEVEN = (9, 40, 100, 250, 300, 400, 500, 600, 700, 650, 30, 550)


def uneven_stands(
    rng: np.random.Generator, spread: float, *, doubled: int | None = None, flat: float = 0.0
) -> Callable[[], Splicing]:
    """Return what draws plants whose stands leave `spread` [m] more or less than the target.

    Stand number `doubled`, if any, leaves twice the target.
    """

    def draw() -> Splicing:
        means = rng.normal(TARGET_M, spread, len(UNEVEN))
        if doubled is not None:
            means[doubled] = 2 * TARGET_M
        return Splicing(means, UNEVEN, flat=flat)

    return draw


def simulate_strip(
    rng: np.random.Generator,
    reels: dict[str, int],
    damaged: int = 0,
    deep_mm: float = 25.0,
    spread: float = 0.35,
) -> pd.DataFrame:
    """Return whole reels as ``new_reels`` does, and `planted`: reels torn `deep_mm` deep in transport."""
    names = np.repeat(list(reels), list(reels.values()))
    usual = dict(zip(reels, np.linspace(3.0, 4.5, len(reels)), strict=True))
    depth = np.array([usual[name] for name in names]) * rng.lognormal(0, spread, len(names))
    planted = np.zeros(len(names), dtype=bool)
    planted[rng.choice(len(names), damaged, replace=False)] = True
    depth[planted] = deep_mm
    outer, core, whole = 1000.0, 76.0, 900.0
    strip = whole * 4 * depth * (outer - depth) / (outer**2 - core**2)
    received = rng.normal(whole, 15, len(names))
    return pd.DataFrame(
        {
            "supplier": names,
            "reel_id": np.arange(len(names)).astype(str),
            "material": "N45-1260",
            "mounted_at": FIRST_DAY + pd.to_timedelta(np.arange(len(names)), unit="h"),
            "delivery_id": "D1",
            "received_on": FIRST_DAY,
            "ended_by": "splice",
            "start_kg": received + rng.normal(0, 3, len(names)),
            "received_kg": received + rng.normal(0, 3, len(names)),
            "strip_kg": strip,
            "scrapped_kg": 0.0,
            "depth_mm": depth,
            "strip_pct": 100 * strip / whole,
            "unit_price": PRICE,
            "planted": planted,
        }
    )


def write_many_mounts(folder: Path, mounts: int) -> None:
    """Write the logs of a plant with that many mounts: the small plant's nights again and again.

    Reels get other names, and weights and ends some scatter, from night to night; nights follow each other.
    """
    rng = np.random.default_rng(4)
    small = small_tables(28)
    times = -(-mounts // len(small["reel_mounts"]))
    size = pd.Timedelta(days=28)

    def repeated(name: str, words: Sequence[str], dates: Sequence[str]) -> pd.DataFrame:
        table = small[name]
        copy = np.repeat(np.arange(times), len(table))
        # As many nights do not fit into a lifetime: from 200 months on several plants share each of them.
        shift = pd.to_timedelta((copy % 200 - 200) * size)
        again = pd.concat([table] * times, ignore_index=True)
        for word in words:
            again[word] = again[word].astype(str) + "-" + copy.astype(str)
        for date in dates:
            again[date] = again[date] + shift
        return again

    runs = repeated("runs", ["run_id"], ["date", "started_at", "finished_at"])
    tables = {
        "runs": runs,
        "run_webs": repeated("run_webs", ["run_id"], []),
        "reel_mounts": repeated("reel_mounts", ["run_id", "reel_id"], ["mounted_at"]),
        "reels": repeated("reels", ["reel_id", "delivery_id"], ["received_on"]),
        "materials": small["materials"],
    }
    rows = tables["reel_mounts"]
    spliced = rows["ended_by"] == "splice"
    rows.loc[spliced, "butt_kg"] = rng.normal(0.7, 0.15, int(spliced.sum())).round(2)
    rows.loc[spliced & (rng.random(len(rows)) < 0.004), "ended_by"] = "failed_splice"
    rows.loc[~spliced & (rows["returned_kg"] > 0) & (rng.random(len(rows)) < 0.03), "ended_by"] = "web_break"
    rows["strip_kg"] = (rows["strip_kg"] * rng.lognormal(0, 0.3, len(rows))).round(2)
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False)
    (folder / "plant.toml").write_text(PLANT_TOML)
