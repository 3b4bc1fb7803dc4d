"""How suppliers compare over the plants of a group: each against the others in the same plants.

Plants differ in stands, settings and prices for reasons that are no supplier's. So a supplier is held against the other
suppliers of the same plant, and what was found there is put together over plants. Who delivers to one plant alone is
shown and never named: whether that is the paper or the plant, no other plant can say.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy import sparse, special, stats

from ..reels import shrunk_rates
from .shrinking import shrunk_effects

__all__ = ["compared_breaks", "compared_costs"]

ALIKE = "not told apart"
MORE, LESS = "more than the others", "less than the others"
#: Of all suppliers that are compared together, one is named by chance in so many of 100 groups.
NAMED_BY_CHANCE = 0.05
#: Plants in which a supplier must be on the same side to be named.
LEAST_PLANTS = 2
#: Largest standard deviation between suppliers' true costs that is thought of.
_LARGEST = 0.2
#: Degrees of freedom from which on differences from plant to plant are told from chance.
_LEAST_FREEDOM = 3
_NORMAL_95 = float(special.ndtri(0.975))
_ROUNDS = 500
_COLUMNS = [
    "supplier",
    "measure",
    "plants",
    "size",
    "actual",
    "expected",
    "ratio",
    "adjusted",
    "ci_low",
    "ci_high",
]
_COLUMNS += ["p_value", "state"]


def compared_breaks(plants: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Compare web breaks of suppliers over plants.

    Parameters
    ----------
    plants : mapping of str to DataFrame
        Published table ``breaks`` of each plant.

    Returns
    -------
    DataFrame
        Rows of ``group_suppliers`` of the measure ``web breaks``.

    Notes
    -----
    Log-linear model: a rate of the plant times a factor of the supplier, fitted by turns (for two factors that is the
    Poisson regression). Counts that differ from it by more than chance widen everything by as much. Rates are then
    drawn together as :func:`pressstats.reels.shrunk_rates` says, and named by the exact test of two Poisson rates at a
    level shared out over all suppliers.
    """
    rows = pd.concat(
        [
            table[(table["by"] == "supplier") & (table["reels"] > 0)].assign(plant=name)
            for name, table in plants.items()
        ]
    )
    cells = _comparable(rows.rename(columns={"level": "supplier"}))
    if cells.empty:
        return pd.DataFrame(columns=_COLUMNS)
    who, suppliers = pd.factorize(cells["supplier"], sort=True)
    events, even, spread = _alike(cells)
    actual, expected = np.bincount(who, events), np.bincount(who, even)
    rates = shrunk_rates(actual / spread, expected / spread)
    chance = np.array(
        [
            _chance(count, of, actual.sum(), expected.sum(), spread)
            for count, of in zip(actual, expected, strict=True)
        ]
    )
    agree = [
        np.bincount(who, (events > even) if more else (events < even)) >= LEAST_PLANTS
        for more in (True, False)
    ]
    return pd.DataFrame(
        {
            "supplier": suppliers,
            "measure": "web breaks",
            "plants": np.bincount(who).astype(float),
            "size": np.bincount(who, cells["reels"]),
            "actual": actual,
            "expected": expected,
            "ratio": np.divide(actual, expected, out=np.full(len(actual), np.nan), where=expected > 0),
            "adjusted": rates["rate"],
            "ci_low": rates["low"],
            "ci_high": rates["high"],
            "p_value": chance,
            "state": _states(chance, rates["low"] > 1, rates["high"] < 1, agree),
        }
    )[_COLUMNS]


def _alike(cells: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, float]:
    """Return breaks of each plant and supplier, those expected if all suppliers were alike, and the spread of cells."""
    plant, names = pd.factorize(cells["plant"])
    who, suppliers = pd.factorize(cells["supplier"], sort=True)
    reels, events = cells["reels"].to_numpy(dtype=float), cells["breaks"].to_numpy(dtype=float)
    rate, factor = np.ones(len(names)), np.ones(len(suppliers))
    for _ in range(_ROUNDS):
        rate = np.bincount(plant, events) / np.maximum(np.bincount(plant, reels * factor[who]), 1e-300)
        before = factor
        factor = np.bincount(who, events) / np.maximum(np.bincount(who, reels * rate[plant]), 1e-300)
        if np.abs(factor - before).max() < 1e-10:
            break
    # Only suppliers that share plants, directly or by way of others, are on one scale.
    size = len(suppliers) + len(names)
    linked = sparse.coo_matrix((np.ones(len(who)), (who, len(suppliers) + plant)), shape=(size, size))
    groups, group = sparse.csgraph.connected_components(linked, directed=False)
    of_cell = group[who]
    even = reels * rate[plant]
    level = np.bincount(of_cell, events, groups) / np.maximum(np.bincount(of_cell, even, groups), 1e-300)
    mean = reels * rate[plant] * factor[who]
    square = ((events - mean) ** 2 / np.maximum(mean, 1e-9))[mean > 0].sum()
    return events, even * level[of_cell], _spread(square, len(cells) - size + groups)


def compared_costs(plants: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Compare what a tonne of printable paper truly costs of suppliers over plants.

    Parameters
    ----------
    plants : mapping of str to DataFrame
        Published table ``supplier_record`` of each plant; currencies may differ: costs are compared within plants.

    Returns
    -------
    DataFrame
        Rows of ``group_suppliers`` of the measure ``true cost``.

    Notes
    -----
    The logarithm of a cost less the mean of all suppliers of the same material in the same plant, averaged over
    materials (whose errors are taken as one and the same: breaks and lateness are of all that a supplier delivers), is
    regressed on plant and supplier by weighted least squares.
    """
    parts = []
    for name, table in plants.items():
        known = table.dropna(subset=["true_cost_per_t", "true_ci_low", "true_ci_high"])
        known = known[(known["true_ci_low"] > 0) & (known["true_ci_high"] > known["true_ci_low"])]
        known = known[known.duplicated("material", keep=False)]
        cost = np.log(known["true_cost_per_t"])
        error = np.log(known["true_ci_high"] / known["true_ci_low"]) / (2 * _NORMAL_95)
        apart = cost - cost.groupby(known["material"]).transform("mean")
        rows = known[["supplier"]].assign(apart=apart, error=error).groupby("supplier")
        parts.append(rows.mean().assign(plant=name, materials=rows.size()).reset_index())
    cells = _comparable(pd.concat(parts)) if parts else pd.DataFrame()
    if cells.empty:
        return pd.DataFrame(columns=_COLUMNS)
    plant, names = pd.factorize(cells["plant"])
    who, suppliers = pd.factorize(cells["supplier"], sort=True)
    apart, error = cells["apart"].to_numpy(dtype=float), cells["error"].to_numpy(dtype=float)
    design = np.column_stack(
        [plant[:, None] == np.arange(len(names)), who[:, None] == np.arange(len(suppliers))]
    ).astype(float)
    weighed = design / error[:, None] ** 2
    covariance = np.linalg.pinv(design.T @ weighed, hermitian=True)
    found = covariance @ weighed.T @ apart
    freedom = len(cells) - np.linalg.matrix_rank(design)
    spread = _spread((((apart - design @ found) / error) ** 2).sum(), int(freedom))
    even = np.eye(len(suppliers)) - 1 / len(suppliers)
    effect = even @ found[len(names) :]
    own = spread * even @ covariance[len(names) :, len(names) :] @ even.T
    deviation = np.sqrt(np.maximum(np.diag(own), 1e-12))
    shrunk = shrunk_effects(effect, deviation, _LARGEST)
    chance = 2 * special.ndtr(-np.abs(effect) / deviation)
    side = apart - found[: len(names)][plant]
    side = side - found[len(names) :].mean()
    agree = [np.bincount(who, (side > 0) if more else (side < 0)) >= LEAST_PLANTS for more in (True, False)]
    return pd.DataFrame(
        {
            "supplier": suppliers,
            "measure": "true cost",
            "plants": np.bincount(who).astype(float),
            "size": np.bincount(who, cells["materials"]),
            "actual": np.nan,
            "expected": np.nan,
            "ratio": np.exp(effect),
            "adjusted": np.exp(shrunk["mean"]),
            "ci_low": np.exp(shrunk["low"]),
            "ci_high": np.exp(shrunk["high"]),
            "p_value": chance,
            "state": _states(chance, shrunk["low"] > 0, shrunk["high"] < 0, agree),
        }
    )[_COLUMNS]


def _comparable(cells: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of plants in which a supplier can be held against another."""
    return cells[cells.groupby("plant")["supplier"].transform("nunique") > 1].reset_index(drop=True)


def _spread(square: float, freedom: int) -> float:
    """Return the variance of cells over what chance alone gives, 1 at least."""
    return max(float(square) / freedom, 1.0) if freedom >= _LEAST_FREEDOM else 1.0


def _chance(count: float, expected: float, all_count: float, all_expected: float, spread: float) -> float:
    """Return how often chance alone shows as many or as few of all events, two-sided."""
    if all_count == 0 or all_expected <= 0:
        return 1.0
    share = min(expected / all_expected, 1.0)
    exact = stats.binomtest(round(count), round(all_count), share).pvalue
    return float(2 * special.ndtr(special.ndtri(exact / 2) / np.sqrt(spread)))


def _states(chance: np.ndarray, more: pd.Series, less: pd.Series, agree: list[np.ndarray]) -> np.ndarray:
    sure = chance <= NAMED_BY_CHANCE / len(chance)
    return np.select([sure & more & agree[0], sure & less & agree[1]], [MORE, LESS], ALIKE)
