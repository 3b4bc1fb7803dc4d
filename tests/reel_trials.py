"""What estimates make of simulated reels: how far off, how often the truth is held, what is named."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np
import pandas as pd
from reel_simulation import (
    METRE_KG,
    PRICE,
    TARGET_M,
    Breakage,
    Frames,
    Splicing,
    simulate_ends,
    simulate_mounts,
)

from pressstats.reels import (
    CHANCE_OF_NAMING,
    breaks_per_1000_km,
    ends_cost,
    reel_ends,
    running_length,
    survival,
)
from pressstats.reels.breaks import break_effects, breaks, worst_breakers
from pressstats.reels.ends import stand_means
from pressstats.reels.failures import failure_share, least_cost_metres
from pressstats.reels.rates import shrunk_rates
from pressstats.reels.target import splice_study

__all__ = [
    "effects_held",
    "ends_held",
    "length_errors",
    "named_stands",
    "named_suppliers",
    "share",
    "shrunk_held",
    "survival_held",
    "targets",
]

AT_KM = 15.0
#: What a stand must leave over the target to be named (``pressstats.reels.study``).
WORTH = 1.25


def share(held: list[bool] | np.ndarray) -> tuple[float, float]:
    """Return the percentage that is true and its simulation error [%]."""
    part = float(np.mean(held))
    return 100 * part, 100 * float(np.sqrt(max(part * (1 - part), 1e-9) / len(held)))


def length_errors(rng: np.random.Generator, plant: Breakage, plants: int) -> pd.DataFrame:
    """Return, for each estimate, its mean error over plants and the simulation error, both in % of the truth."""
    found: dict[str, list[float]] = {}
    truth = float(plant.cumulative(AT_KM))

    def note(name: str, estimate: float, true: float) -> None:
        found.setdefault(name, []).append(100 * (estimate / true - 1))

    for _ in range(plants):
        history = simulate_mounts(rng, plant)
        broke = history["ended_by"] == "web_break"
        km = history["run_m"].sum() / 1000
        true_rate = history["expected"].sum() / km
        entered, left, event = running_length(history)
        ours = survival(entered, left, event)
        here = ours[ours["length"] <= AT_KM].iloc[-1]
        note("rate per 1000 km", breaks_per_1000_km(float(broke.sum()), km)[0], 1000 * true_rate)
        note("Kaplan-Meier at 15 km", 1 - here["survival"], 1 - np.exp(-truth))
        note("Nelson-Aalen at 15 km", here["hazard"], truth)
        whole = survival(np.zeros(len(left)), left, event)
        note("late entry ignored", whole[whole["length"] <= AT_KM].iloc[-1]["hazard"], truth)
        only = survival(entered[event], left[event], event[event])
        note("censored left out", 1 - only[only["length"] <= AT_KM].iloc[-1]["survival"], 1 - np.exp(-truth))
        note("mean length of those that broke", float(left[event].mean()), 1 / true_rate)
    table = pd.DataFrame(found)
    return pd.DataFrame({"error": table.mean(), "simulation_error": table.std() / np.sqrt(plants)})


def effects_held(rng: np.random.Generator, plant: Breakage, plants: int) -> dict[str, list[bool]]:
    """Return whether intervals held the truth: of ratios by factor, and of breaks per 100 reels."""
    held: dict[str, list[bool]] = {}
    for _ in range(plants):
        history = simulate_mounts(rng, plant)
        effects = break_effects(history)
        for row in effects[effects["ratio"].notna()].itertuples():
            truth = 0.0
            if row.by == "supplier":
                others = effects[(effects["by"] == "supplier") & (effects["level"] != row.level)]
                logs = np.log(others["level"].map(plant.suppliers).astype(float))
                truth = np.log(plant.suppliers[row.level]) - np.average(logs, weights=others["km"])
            held.setdefault(row.by, []).append(row.ci_low <= np.exp(truth) <= row.ci_high)
        table = breaks(Frames(reel_mounts=history), history).set_index(["by", "level"])
        truth_of = history.groupby("supplier")["expected"].sum()
        for supplier, expected in truth_of.items():
            row = table.loc[("supplier", supplier)]
            rate = 100 * expected / row["reels"]
            held.setdefault("per 100 reels (exact)", []).append(row["ci_low"] <= rate <= row["ci_high"])
    return held


def survival_held(rng: np.random.Generator, plant: Breakage, plants: int) -> list[bool]:
    """Return whether Kaplan-Meier limits at 15 km held the truth."""
    truth, held = float(np.exp(-plant.cumulative(AT_KM))), []
    for _ in range(plants):
        table = survival(*running_length(simulate_mounts(rng, plant)))
        here = table[table["length"] <= AT_KM].iloc[-1]
        held.append(here["ci_low"] <= truth <= here["ci_high"])
    return held


def shrunk_held(
    rng: np.random.Generator, reels: list[int], rate: float, plants: int
) -> dict[str, list[bool]]:
    """Return whether limits of shrunk rates held the truth, over plants drawn from the model's own prior."""
    held: dict[str, list[bool]] = {"all": [], "fewest reels": []}
    size = np.array(reels)
    for _ in range(plants):
        spread = rng.uniform(0, 1.5)
        rates = rate * rng.gamma(1 / spread**2, spread**2, len(size))
        table = shrunk_rates(rng.poisson(rates * size), size)
        inside = (table["low"] <= rates) & (rates <= table["high"])
        held["all"] += inside.tolist()
        held["fewest reels"].append(bool(inside[size.argmin()]))
    return held


def ends_held(rng: np.random.Generator, plant: Callable[[], Splicing], plants: int) -> dict[str, list[bool]]:
    """Return whether limits of metres left, alone and pooled, and of what reel ends take, held the truth."""
    held: dict[str, list[bool]] = {"t, of a stand": [], "pooled": [], "pooled, fewest splices": []}
    held |= {"kg a year": [], "cost a year": []}
    for _ in range(plants):
        truth = plant()
        ends = simulate_ends(rng, truth)
        days = pd.DataFrame({"date": [ends["date"].min(), ends["date"].max()], "run_id": ["0", "1"]})
        logs = Frames(runs=days)
        true_m = dict(zip(sorted(ends["reelstand"].unique()), np.asarray(truth.means), strict=True))
        for row in reel_ends(logs, ends).itertuples():
            held["t, of a stand"].append(row.butt_m_ci_low <= true_m[row.reelstand] <= row.butt_m_ci_high)
        table = stand_means(ends).table
        for row in table.itertuples():
            held["pooled"].append(row.pooled_low <= true_m[row.level] <= row.pooled_high)
        least = table.loc[table["count"].idxmin()]
        held["pooled, fewest splices"].append(
            least["pooled_low"] <= true_m[least["level"]] <= least["pooled_high"]
        )
        years = ((ends["date"].max() - ends["date"].min()).days + 1) / 365.25
        failed = len(ends) * truth.flat * 30.0 if np.isfinite(truth.flat) else 0.0
        good = (ends["reelstand"].map(true_m) * (1 - (truth.flat if np.isfinite(truth.flat) else 0.0))).sum()
        kg = METRE_KG * (good + failed) / years
        cost = ends_cost(logs, ends)
        held["kg a year"].append(cost["kg_low"] <= kg <= cost["kg_high"])
        held["cost a year"].append(cost["cost_low"] <= PRICE * kg <= cost["cost_high"])
    return held


def named_suppliers(rng: np.random.Generator, plant: Breakage, plants: int) -> Counter[str]:
    """Count plants by the names of the suppliers named for their breaks."""
    found: Counter[str] = Counter()
    for _ in range(plants):
        history = simulate_mounts(rng, plant)
        table = breaks(Frames(reel_mounts=history), history)
        effects = break_effects(history)
        ranked = worst_breakers(table, effects, "supplier")
        found[" ".join(sorted(ranked.loc[ranked["named"], "level"]))] += 1
        stands = worst_breakers(table, effects, "reelstand")
        found["a reelstand"] += int(stands["named"].any())
        found["a supplier or a reelstand"] += int(stands["named"].any() or ranked["named"].any())
    return found


def named_stands(rng: np.random.Generator, plant: Callable[[], Splicing], plants: int) -> Counter[str]:
    """Count plants by the names of the reelstands named for what they leave."""
    found: Counter[str] = Counter()
    for _ in range(plants):
        stands = stand_means(simulate_ends(rng, plant()))
        named = stands.named(CHANCE_OF_NAMING["reelstand"], WORTH * TARGET_M)
        found[" ".join(sorted(named["level"]))] += 1
    return found


def targets(
    rng: np.random.Generator, plant: Callable[[], Splicing], plants: int, failure_cost: float
) -> pd.DataFrame:
    """Return for each plant whether a target was told, whether its interval held the best, and the regret."""
    rows = []
    for _ in range(plants):
        truth = plant()
        ends = simulate_ends(rng, truth)
        study = splice_study(ends, failure_cost, 2.0)
        row = study.table.iloc[0]
        told = {"told": study.curve.told, "failed": float(study.curve.failed), "best": row["best_m"]}
        price, curve = METRE_KG * PRICE, (truth.sure_m, truth.falls_m)
        best = float(least_cost_metres(price, failure_cost, truth.scatter, *curve)[0])

        def cost(metres: float, s: float = truth.scatter, p: float = price, c: tuple = curve) -> float:
            return p * metres + failure_cost * float(failure_share(metres, s, *c))

        now = float(np.average(truth.means, weights=truth.splices))
        spent = np.average([cost(one) for one in truth.means], weights=truth.splices)
        told |= {"truth": best, "held": row["best_low"] <= best <= row["best_high"], "now": now}
        told["regret"] = 100 * (cost(row["best_m"]) / cost(best) - 1) if study.curve.told else np.nan
        told["possible"] = 100 * (spent / cost(best) - 1)
        a_year = len(ends) / 2.0
        # With settings that drift nobody's mean is what the stand left on the whole.
        known = study.curve.told and truth.drift == 0
        saving = a_year * (spent - cost(row["best_m"])) if known else np.nan
        told["saving held"] = float(row["saving_low"] <= saving <= row["saving_high"]) if known else np.nan
        rows.append(told)
    return pd.DataFrame(rows)
