"""Web breaks: per 100 reels with exact limits, and what a level does when everything else is alike."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from ..tables import as_published
from .counts import DISPERSED, CountFit, chance_of_dispersion, count_regression
from .rates import (
    chance_of_excess,
    chance_of_more,
    poisson_interval,
    rate_ratio,
    reels_to_tell_apart,
    shrunk_rates,
)

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["break_effects", "breaks", "supplier_pairs", "worst_breakers"]

_PUBLISHED = ("supplier", "material", "reelstand", "press")
#: Factors whose levels change from lot to lot, and those that lots pass through.
_OF_LOTS = ("supplier", "width", "season", "age", "mounts")
_FACTORS = (*_OF_LOTS, "reelstand")
#: A level with fewer expected breaks has an interval of its own rate, and no effect.
_FEWEST = 5.0
#: How often a plant without any bad supplier, or reelstand, may have one named.
CHANCE_OF_NAMING = {"supplier": 0.03, "reelstand": 0.005}
_EFFECTS = ["by", "level", "km", "breaks", "ratio", "ci_low", "ci_high", "p_value", "family"]


def breaks(logs: Logs, history: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``breaks``: distinct reels mounted by level, with exact Poisson intervals."""
    columns = ["by", "level", "reels", "breaks", "per_100_reels", "ci_low", "ci_high", "km"]
    if not logs.has("reel_mounts"):
        return as_published(pd.DataFrame(columns=columns), "breaks")
    table = pd.concat([_rates(history, factor) for factor in _PUBLISHED], ignore_index=True)
    return as_published(table, "breaks")


def _rates(history: pd.DataFrame, factor: str) -> pd.DataFrame:
    level, names = pd.factorize(history[factor], sort=True)
    known = level >= 0
    reel, level = history["reel"].to_numpy()[known], level[known]
    broke = (history["ended_by"] == "web_break").to_numpy()[known]
    km = history["run_m"].to_numpy()[known] / 1000
    size = len(names)
    # A reel counts once at each level that it met: one whole number stands for reel and level.
    pairs = pd.unique(reel * max(size, 1) + level)
    reels = np.bincount(pairs % max(size, 1), minlength=size).astype(float)
    events = np.bincount(level, weights=broke, minlength=size)
    # Without any row the sums come as whole numbers, which hold no blank.
    length = np.bincount(level, weights=np.nan_to_num(km), minlength=size).astype(float)
    length[np.bincount(level, weights=~np.isnan(km), minlength=size) == 0] = np.nan
    low, high = poisson_interval(events)
    return pd.DataFrame(
        {
            "by": factor,
            "level": names,
            "reels": reels,
            "breaks": events,
            "per_100_reels": 100 * events / reels,
            "ci_low": 100 * low / reels,
            "ci_high": 100 * high / reels,
            "km": length,
        }
    )


def break_effects(history: pd.DataFrame) -> pd.DataFrame:
    """Return how each level's break rate compares with the other levels', all else being alike.

    Columns by (supplier, width, season, age, mounts, reelstand), level, km, breaks, ratio (rate over that of the
    other levels together, for the same of every other factor), ci_low, ci_high (95 %), p_value (two-sided), family.
    Blank where a level lets expect fewer than five breaks, where the logs hold no other level, or where it always
    goes together with a level of another factor.

    Log-linear regression of breaks with the kilometres as exposure. Supplier, width, season, age in the store and
    number of the mount are judged by lots (deliveries), reelstands by their weeks: where lots, or weeks of stands,
    spread more than chance allows, the model is negative binomial.
    """
    known = history[history["run_m"] > 0]
    factors = pd.DataFrame(
        {name: known[name] for name in ("supplier", "season", "age", "mounts", "reelstand")}
    )
    factors["width"] = [f"{width:g} mm" if width == width else "not known" for width in known["width_mm"]]
    if known.empty:
        return pd.DataFrame(columns=_EFFECTS)
    weeks = known["mounted_at"].to_numpy().astype("datetime64[W]").astype("int64")
    stand_week = pd.factorize(pd.factorize(known["reelstand"])[0] * 100_000 + weeks)[0]
    km = known["run_m"].to_numpy() / 1000
    events = (known["ended_by"] == "web_break").to_numpy().astype(float)
    levels = {name: _levels(factors[name], km, events) for name in _FACTORS}
    parts = []
    for chosen, cluster in ((_OF_LOTS, known["lot"].to_numpy()), (("reelstand",), stand_week)):
        model = _fit(levels, km, events, cluster)
        parts += [_effects(name, levels[name], km, events, model) for name in chosen]
    return pd.concat(parts, ignore_index=True)


def _levels(values: pd.Series, km: np.ndarray, events: np.ndarray) -> tuple[np.ndarray, pd.Index, np.ndarray]:
    """Return codes, names, and the code of each level in the model: those that tell too little share one."""
    code, names = pd.factorize(values, sort=True)
    expected = np.bincount(code, weights=km, minlength=len(names)) * events.sum() / km.sum()
    seen = np.bincount(code, weights=events, minlength=len(names))
    # A level without any break has a rate of 0, which no logarithm can hold.
    enough = (expected >= _FEWEST) & (seen > 0)
    return code, pd.Index(names), np.where(enough, np.arange(len(names)), -1)


class _Model(NamedTuple):
    """A fit on all factors.

    The column of each level (the commonest of a factor has none: it is what the others are measured
    against), the kilometres' shares by level (those that tell too little last), the columns in the fit,
    and combinations of columns that nobody can tell apart, shape (columns, combinations).
    """

    fit: CountFit | None
    columns: dict[tuple[str, int], int]
    shares: dict[str, np.ndarray]
    kept: np.ndarray
    same: np.ndarray


def _fit(
    levels: dict[str, tuple[np.ndarray, pd.Index, np.ndarray]],
    km: np.ndarray,
    events: np.ndarray,
    cluster: np.ndarray,
) -> _Model:
    """Fit breaks on all factors, mounts of one cluster and the same levels added up to one cell."""
    shares = {name: np.zeros(len(names) + 1) for name, (_, names, _) in levels.items()}
    if events.sum() < _FEWEST:
        return _Model(None, {}, shares, np.zeros(0, int), np.zeros((0, 0)))
    coded, sizes = [cluster], [int(cluster.max()) + 1]
    known = np.ones(len(km), dtype=bool)
    for code, names, model in levels.values():
        coded.append(np.where(model >= 0, model, len(names))[code])
        sizes.append(len(names) + 1)
        few = coded[-1] == len(names)
        # Levels that tell too little share an effect; without a break among them they have none.
        known &= ~few if events[few].sum() == 0 else True
    cell, first = _cells([code[known] for code in coded], sizes)
    exposure = np.bincount(cell, weights=km[known])
    count = np.bincount(cell, weights=events[known])
    columns: dict[tuple[str, int], int] = {}
    regressors = [np.ones(len(exposure))]
    for factor, (name, (_, names, _)) in enumerate(levels.items(), start=1):
        here = coded[factor][known][first]
        length = np.bincount(here, weights=exposure, minlength=len(names) + 1)
        shares[name] = length / length.sum()
        for level in np.flatnonzero(length):
            if level != length.argmax():
                columns[name, int(level)] = len(regressors)
                regressors.append((here == level).astype(float))
    design = np.stack(regressors, axis=1)
    kept, same = _told_apart(design)
    fit = count_regression(count, pd.DataFrame(design[:, kept]), exposure, cluster[known][first])
    return _Model(fit, columns, shares, kept, same)


def _told_apart(design: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return columns that differ from all combinations of those before them, and how each other is combined."""
    gram = design.T @ design
    kept: list[int] = [0]
    same = []
    for column in range(1, len(gram)):
        weights = np.linalg.solve(gram[np.ix_(kept, kept)], gram[kept, column])
        if gram[column, column] - weights @ gram[kept, column] > 1e-8 * gram[column, column]:
            kept.append(column)
            continue
        combination = np.zeros(len(gram))
        combination[kept], combination[column] = -weights, 1.0
        same.append(combination)
    return np.array(kept), np.array(same).reshape(-1, len(gram)).T


def _cells(coded: Sequence[np.ndarray], sizes: Sequence[int]) -> tuple[np.ndarray, np.ndarray]:
    """Return the number of each row's combination of codes, and the first row of each combination."""
    key = np.zeros(len(coded[0]), dtype="int64")
    for code, size in zip(coded, sizes, strict=True):
        key = pd.factorize(key * size + code)[0]
    first = np.zeros(int(key.max()) + 1, dtype="int64")
    first[key[::-1]] = np.arange(len(key))[::-1]
    return key, first


def _effects(
    name: str,
    levels: tuple[np.ndarray, pd.Index, np.ndarray],
    km: np.ndarray,
    events: np.ndarray,
    model: _Model,
) -> pd.DataFrame:
    code, names, modelled = levels
    table = pd.DataFrame({"by": name, "level": names})
    table["km"] = np.bincount(code, weights=km, minlength=len(names))
    table["breaks"] = np.bincount(code, weights=events, minlength=len(names))
    effects = np.full((len(names), 4), np.nan)
    if (model.shares[name] > 0).sum() >= 2:
        for level in np.flatnonzero(modelled >= 0):
            effects[level] = _against_the_others(model, name, int(level))
    table[["ratio", "ci_low", "ci_high", "p_value"]] = effects
    table["family"] = model.fit.family if model.fit is not None else ""
    return table[_EFFECTS]


def _against_the_others(model: _Model, name: str, level: int) -> tuple[float, float, float, float]:
    """Return ratio, limits and p-value of a level against the others, weighted by their kilometres."""
    weights = np.zeros(len(model.columns) + 1)
    others = model.shares[name].copy()
    others[level] = 0.0
    others /= others.sum()
    for other, share in enumerate(others):
        if (name, other) in model.columns:
            weights[model.columns[name, other]] -= share
    if (name, level) in model.columns:
        weights[model.columns[name, level]] += 1.0
    # What always goes together with another factor's level has no effect of its own to show.
    if model.fit is None or np.abs(weights @ model.same).max(initial=0.0) > 1e-6:
        return np.nan, np.nan, np.nan, np.nan
    value, error = model.fit.contrast(weights[model.kept])
    reach = special.ndtri(0.975) * error
    p_value = 2 * special.ndtr(-abs(value) / error)
    return float(np.exp(value)), float(np.exp(value - reach)), float(np.exp(value + reach)), float(p_value)


def worst_breakers(table: pd.DataFrame, effects: pd.DataFrame, by: str) -> pd.DataFrame:
    """Rank the levels of a factor (`by`) by their breaks, drawn together, and name those that stand out.

    Columns level, reels, breaks, per_100_reels, shrunk, shrunk_low, shrunk_high (per 100 reels, drawn to the common
    mean), ratio (against the others, all else alike), p_value, named; the worst first. A level is named where its
    rate is higher than that of the others, both by the exact test on reels (mid-p) and by the regression (by the
    former alone where the others have no break at all), at a level shared out so that a plant in which all are alike
    has one named in at most `CHANCE_OF_NAMING` of cases.
    """
    levels = table[table["by"] == by].reset_index(drop=True)
    ranked = levels[["level", "reels", "breaks", "per_100_reels"]].copy()
    rates = shrunk_rates(levels["breaks"], levels["reels"]) * 100 if len(levels) else levels[["reels"] * 3]
    ranked[["shrunk", "shrunk_low", "shrunk_high"]] = rates.to_numpy()
    known = effects[effects["by"] == by].set_index("level")
    ranked["ratio"] = ranked["level"].map(known["ratio"]).astype("float64")
    limit = CHANCE_OF_NAMING.get(by, min(CHANCE_OF_NAMING.values())) / max(len(ranked), 1)
    reels, events = levels["reels"].sum(), levels["breaks"].sum()
    p_values = []
    for row in levels.itertuples():
        # One-sided: only a high rate is a complaint.
        model, ratio = known["p_value"].get(row.level, np.nan) / 2, known["ratio"].get(row.level, np.nan)
        # Half the chance of exactly so many breaks (mid-p): whole counts make the plain test name too few.
        chances = [
            chance_of_more(row.breaks + more, row.reels, events - row.breaks - more, reels - row.reels)
            for more in (0, 1)
        ]
        exact = sum(chances) / 2
        if len(levels) < 2:
            p_values.append(np.nan)
        elif events == row.breaks:
            # Others without a single break have no rate to regress on: the exact test alone speaks.
            p_values.append(exact)
        elif ratio > 1:
            p_values.append(max(exact, model))
        else:
            p_values.append(np.nan if np.isnan(model) else 1.0)
    ranked["p_value"] = np.array(p_values, dtype=float)
    ranked["named"] = ranked["p_value"] <= limit
    order = ["named", "shrunk"]
    return ranked.sort_values(order, ascending=False, kind="stable", ignore_index=True)


def supplier_pairs(history: pd.DataFrame, table: pd.DataFrame) -> pd.DataFrame:
    """Compare suppliers two by two, and say how many more reels would tell them apart.

    Columns first (the one with the higher rate), second, ratio, ci_low, ci_high (95 %), p_value, told_apart,
    more_reels (of both together, in their present proportion, until a difference of the size seen would be found in
    four of five cases; 0 where it is found, infinite where the rates are equal, blank where one has no break yet).
    Suppliers of whom neither has a break are left out. Test and limits are exact where lots are alike; where they
    spread more than chance allows, the logarithm's distance from equal rates, and the limits' from the ratio, are
    widened by as much.
    """
    suppliers = table[table["by"] == "supplier"].sort_values("per_100_reels", ascending=False)
    rows = []
    inflation = _inflation(history) if len(suppliers) > 1 else 1.0
    one: Any
    two: Any
    for one, two in combinations(suppliers.itertuples(), 2):
        if one.breaks > 0:
            ratio, low, high = _widened(
                rate_ratio(one.breaks, one.reels, two.breaks, two.reels), math.sqrt(inflation)
            )
            chance = chance_of_excess(one.breaks, one.reels, two.breaks, two.reels)
            p_value = float(2 * special.ndtr(special.ndtri(chance / 2) / math.sqrt(inflation)))
            both = one.reels + two.reels
            wanted = reels_to_tell_apart(
                one.breaks / one.reels, two.breaks / two.reels, one.reels / both, inflation=inflation
            )
            apart = p_value < 0.05
            more = 0.0 if apart else np.maximum(wanted - both, 0.0)
            rows.append((one.level, two.level, ratio, low, high, p_value, apart, more))
    columns = ["first", "second", "ratio", "ci_low", "ci_high", "p_value", "told_apart", "more_reels"]
    return pd.DataFrame(rows, columns=columns)


def _widened(limits: tuple[float, float, float], times: float) -> tuple[float, float, float]:
    """Return a ratio and its limits, these so many times as far away by the logarithm."""
    ratio, low, high = limits
    if not 0 < ratio < math.inf:
        return limits
    return ratio, ratio * (low / ratio) ** times, ratio * (high / ratio) ** times


def _inflation(history: pd.DataFrame) -> float:
    """Return the variance of breaks of lots over what chance alone gives: 1 unless they spread clearly more."""
    lot = history["lot"].to_numpy()
    km = np.bincount(lot, weights=np.nan_to_num(history["run_m"]))
    count = np.bincount(lot, weights=(history["ended_by"] == "web_break").astype(float))
    # Within suppliers: what differs between them is the question, not the noise.
    maker = np.zeros(len(km), dtype=int)
    maker[lot] = pd.factorize(history["supplier"])[0]
    rate = np.bincount(maker, weights=count) / np.maximum(np.bincount(maker, weights=km), 1e-9)
    mean = rate[maker] * km
    if chance_of_dispersion(count, mean, np.arange(len(mean))) >= DISPERSED:
        return 1.0
    return max(float(((count - mean) ** 2).sum() / mean.sum()), 1.0)
