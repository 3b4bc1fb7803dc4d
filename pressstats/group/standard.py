"""What a run wastes at the level of the group, by its copies, webs and pages; how far each plant is from that.

Waste of a run is expected in proportion to three things that its plant does not choose: its start (so many copies),
each further web that is threaded (so many copies more), and the paper of its good copies. All plants share what these
are worth, and each plant is a constant factor off. So a plant that prints thick papers in short runs is held against
what thick papers in short runs waste, not against the others' percentage.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, stats

from .shrinking import shrunk_effects

__all__ = ["MEASURES", "TERMS", "Compared", "compared_waste", "wasted_kg"]

#: What is compared, and the streams of ``run_record`` that make it up.
MEASURES: dict[str, tuple[str, ...]] = {
    "all waste": (
        "startup_kg",
        "running_kg",
        "uncounted_kg",
        "strip_kg",
        "reel_end_kg",
        "scrapped_kg",
        "unexplained_kg",
    ),
    "start-up waste": ("startup_kg",),
    "running waste": ("running_kg",),
    "white waste and butts": ("strip_kg", "reel_end_kg", "scrapped_kg"),
}
#: What waste is expected in proportion to, with the unit of what is estimated.
TERMS: dict[str, str] = {
    "start": "copies / run",
    "each further web": "copies / (run web)",
    "good copies": "kg / t",
}
#: Waste of weeks that follow on each other is alike: errors are those of spells of so many weeks.
_SPELL = pd.Timedelta(days=28)
#: A plant with fewer spells is not compared: of five deviations no standard error is known well enough.
LEAST_SPELLS = 6
#: Less of the paper than this with a known weight is not the plant's (that of implausible logs, too).
_LEAST_SHARE = 0.5
#: Largest standard deviation between plants that is thought of: a half is far beyond what any pressroom is off.
LARGEST = 0.5
#: Of all plants that are compared together, one is named by chance in so many of 100 groups.
NAMED_BY_CHANCE = 0.05
_ROUNDS = 100
MORE, LESS, ALIKE = "more than the group", "less than the group", "not told apart"


@dataclass(frozen=True)
class Compared:
    """How plants compare in one measure: rows of ``group_waste`` without money, and of ``group_standard``."""

    waste: pd.DataFrame
    standard: pd.DataFrame
    left_out: dict[str, str]  # why a plant is not compared


def wasted_kg(runs: pd.DataFrame, measure: str) -> pd.Series:
    """Return what each run wasted [kg]; blank where a stream is not known, but scrap, which not every plant weighs."""
    streams = runs[list(MEASURES[measure])]
    return streams.fillna({"scrapped_kg": 0.0}).sum(axis=1, skipna=False)


def compared_waste(plants: Mapping[str, pd.DataFrame], measure: str) -> Compared:
    """Compare the plants of a group in one measure.

    Parameters
    ----------
    plants : mapping of str to DataFrame
        Of each plant the runs that are compared: date, copies_good, webs, good_kg and the streams of waste [kg], as in
        ``run_record``.
    measure : str
        One of `MEASURES`.

    Returns
    -------
    Compared
        The plants in the order given; those with too little to go by are left out, and said why.

    Notes
    -----
    Quasi-Poisson regression of the waste of runs: the variance is taken as in proportion to the mean, so that each
    plant's expected waste times its factor adds up to what it wasted (indirect standardisation). Standard errors are
    robust, clustered by spells of four weeks (Liang and Zeger 1986, Biometrika 73:13). Factors are drawn together as
    :func:`pressstats.group.shrunk_effects` says; a plant is said to waste more or less only where a t test does, at a
    level shared out over all plants, and the adjusted interval agrees.
    """
    parts: dict[str, _Runs] = {}
    left_out: dict[str, str] = {}
    for name, runs in plants.items():
        part = _known(runs, measure)
        if isinstance(part, str):
            left_out[name] = part
        else:
            parts[name] = part
    if not parts:
        return Compared(pd.DataFrame(), pd.DataFrame(), left_out)
    fit = _fitted(list(parts.values()))
    count, actual = len(parts), fit.actual
    # The level of the group is that at which all plants together waste what they did.
    level = np.log(actual.sum() / fit.expected.sum())
    effect = np.log(actual / fit.expected) - level
    away = np.eye(count) - actual / actual.sum()
    error = np.sqrt(np.maximum(np.diag(away @ fit.covariance[3:, 3:] @ away.T), 0.0))
    freedom = np.array([part.spell.nunique() for part in parts.values()]) - 1
    # Distances from the common level move together; what is drawn together must not, so it has the larger error. One
    # that is estimated from few spells counts as the normal one that reaches as far.
    own = np.maximum(error, fit.errors) * stats.t.ppf(0.975, freedom) / stats.norm.ppf(0.975)
    shrunk = shrunk_effects(effect, own, LARGEST)
    reach = stats.t.ppf(1 - NAMED_BY_CHANCE / 2 / count, freedom) * error
    more = (effect > reach) & (shrunk["low"] > 0) & (count > 1)
    less = (effect < -reach) & (shrunk["high"] < 0) & (count > 1)
    waste = pd.DataFrame(
        {
            "plant": list(parts),
            "measure": measure,
            "actual_kg": actual,
            "expected_kg": fit.expected * np.exp(level),
            "ratio": np.exp(effect),
            "std_error": error,
            "adjusted": np.exp(shrunk["mean"]),
            "ci_low": np.exp(shrunk["low"]),
            "ci_high": np.exp(shrunk["high"]),
            "state": np.select([more, less], [MORE, LESS], ALIKE),
        }
    )
    # Terms at the level of the group: what lifts all factors and lowers all terms moves neither.
    turned = np.hstack([np.eye(3), np.outer(fit.terms, actual / actual.sum())])
    errors = np.sqrt(np.maximum(np.diag(turned @ fit.covariance @ turned.T), 0.0))
    scale = np.exp(level) * np.array([1.0, 1.0, 1000.0])
    standard = pd.DataFrame(
        {
            "measure": measure,
            "term": list(TERMS),
            "estimate": fit.terms * scale,
            "std_error": np.where(fit.terms > 0, errors * scale, np.nan),
            "unit": list(TERMS.values()),
        }
    )
    return Compared(waste, standard, left_out)


@dataclass(frozen=True)
class _Runs:
    """Runs of a plant: waste [kg], terms, shape (runs, 3), and the number of each run's spell."""

    waste: np.ndarray
    terms: np.ndarray
    spell: pd.Series


def _known(runs: pd.DataFrame, measure: str) -> _Runs | str:
    """Return the runs whose waste is known, or why a plant has too few of them."""
    waste = wasted_kg(runs, measure)
    known = waste.notna() & (runs["copies_good"] > 0) & runs["good_kg"].notna() & (runs["webs"] > 0)
    if not runs["good_kg"][known].sum() >= _LEAST_SHARE * runs["good_kg"].sum() or not known.any():
        return f"{measure} is known of less than half of its paper"
    rows = runs[known]
    spell = (rows["date"].max() - rows["date"]) // _SPELL
    if spell.nunique() < LEAST_SPELLS:
        return f"{measure} is known of fewer than {4 * LEAST_SPELLS} weeks"
    if waste[known].sum() <= 0:
        return f"its {measure} adds up to nothing"
    copy = rows["good_kg"] / rows["copies_good"]
    terms = np.column_stack([copy, copy * (rows["webs"] - 1), rows["good_kg"]])
    return _Runs(waste[known].to_numpy(dtype=float), terms, spell)


@dataclass(frozen=True)
class _Fit:
    """Terms that all plants share; waste, expected waste and its own relative error by plant.

    Of the covariance of terms and logarithms of factors only what is free of the common level means something.
    """

    terms: np.ndarray
    actual: np.ndarray
    expected: np.ndarray
    errors: np.ndarray
    covariance: np.ndarray


def _fitted(parts: list[_Runs]) -> _Fit:
    """Fit shared terms and a factor for each plant."""
    plant = np.repeat(np.arange(len(parts)), [len(part.waste) for part in parts])
    waste = np.concatenate([part.waste for part in parts])
    terms = np.concatenate([part.terms for part in parts])
    actual = np.bincount(plant, waste)
    size = terms.mean(axis=0)
    size[size == 0] = 1.0
    scaled = terms / size
    factor, shared = np.ones(len(parts)), np.ones(3) * waste.sum() / scaled.sum()
    for _ in range(_ROUNDS):
        mean = scaled @ shared * factor[plant]
        root = 1 / np.sqrt(np.maximum(mean, 1e-9 * waste.sum() / len(waste)))
        found, _ = optimize.nnls(scaled * (factor[plant] * root)[:, None], waste * root)
        if not found.any():
            break
        moved = np.abs(found - shared).max() > 1e-9 * np.abs(found).max()
        shared = found
        factor = actual / np.bincount(plant, scaled @ shared)
        if not moved:
            break
    mean = scaled @ shared * factor[plant]
    slopes = np.zeros((len(waste), 3 + len(parts)))
    slopes[:, :3] = scaled * factor[plant][:, None] * (shared > 0)  # a term at nothing stays there
    slopes[np.arange(len(waste)), 3 + plant] = mean
    weighed = slopes / np.maximum(mean, 1e-9 * mean.mean())[:, None]
    spells = [part.spell.to_numpy() for part in parts]
    meat, own = _robust(spells, plant, weighed, waste - mean)
    bread = np.linalg.pinv(slopes.T @ weighed, hermitian=True)
    sized = np.diag(np.append(1 / size, np.ones(len(parts))))
    return _Fit(
        shared / size,
        actual,
        np.bincount(plant, scaled @ shared),
        own / actual,
        sized @ bread @ meat @ bread @ sized,
    )


def _robust(
    spells: list[np.ndarray], plant: np.ndarray, weighed: np.ndarray, left: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the sum of squared scores by spell, and the standard error of what each plant wasted in all."""
    meat, own = np.zeros((weighed.shape[1],) * 2), np.zeros(len(spells))
    for number, spell in enumerate(spells):
        here = plant == number
        scores = np.column_stack([weighed[here], np.ones(here.sum())]) * left[here][:, None]
        sums = pd.DataFrame(scores).groupby(spell).sum().to_numpy()
        sums = sums * np.sqrt(len(sums) / (len(sums) - 1))
        meat += sums[:, :-1].T @ sums[:, :-1]
        own[number] = np.sqrt((sums[:, -1] ** 2).sum())
    return meat, own
