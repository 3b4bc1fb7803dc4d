"""The splice target that costs least: metres left on the core on purpose, against failed splices.

Every metre left costs its paper at every splice; leaving fewer lets more splices fail. It is a
newsvendor problem in metres. What the paper costs is known, what a failure costs is stated in
``plant.toml``; how failures depend on the metres left must come from stands, and seasons, that left
different lengths, and from few failures. Where they do not tell, nothing is advised.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from ..tables import as_published
from .pooling import pooled_means
from .rates import shrunk_rates

__all__ = [
    "FailureCurve",
    "SpliceStudy",
    "failure_curve",
    "failure_share",
    "least_cost_metres",
    "splice_study",
]

#: Metres over which failures fall by a factor e: from a sheer drop to no matter at all.
_FALLS_M = np.geomspace(0.7, 400, 72)
_HEIGHTS = np.linspace(-4, 8, 241)
#: Half of the 95 % quantile of chi-square with one degree of freedom.
_LIKELY = float(special.chdtri(1, 0.05)) / 2
_STEP_M = 0.1
#: A likelihood ratio is trusted from so many failures on.
_FEWEST_FAILURES = 5


def failure_share(
    metres: np.ndarray | float,
    scatter: np.ndarray | float,
    sure_m: np.ndarray | float,
    falls_m: np.ndarray | float,
) -> np.ndarray:
    """Return the share of splices that fail where `metres` are left on average.

    Parameters
    ----------
    metres : array
        Mean left on the core [m].
    scatter : array
        Standard deviation of what single splices leave [m].
    sure_m : array
        Length below which a splice is sure to fail [m]; negative where even nothing left may do.
    falls_m : array
        Metres above `sure_m` over which the risk falls by a factor e [m].

    Returns
    -------
    ndarray
        Mean of min(1, exp(-(L - sure_m) / falls_m)) over normal lengths L.

    Notes
    -----
    As `falls_m` goes to 0 this is the newsvendor's problem itself: the chance that less is left than needed.
    """
    reach = (np.asarray(sure_m) - metres) / scatter
    steep = np.asarray(scatter) / falls_m
    # exp(s^2/2 + reach s) Phi(-reach - s), in logarithms so that neither factor overflows.
    above = np.exp(reach * steep + steep**2 / 2 + special.log_ndtr(-reach - steep))
    return np.asarray(np.minimum(special.ndtr(reach) + above, 1.0))


def least_cost_metres(
    metre_cost: float,
    failure_cost: float,
    scatter: float,
    sure_m: np.ndarray | float,
    falls_m: np.ndarray | float,
    longest_m: float = 150.0,
) -> np.ndarray:
    """Return the mean length to leave that costs least.

    Parameters
    ----------
    metre_cost : float
        Paper of a metre [currency / m].
    failure_cost : float
        A failed splice [currency].
    scatter : float
        Standard deviation of what single splices leave [m].
    sure_m, falls_m : array, shape (curves,)
        Failure curves (:func:`failure_share`).
    longest_m : float
        Longest length considered [m].

    Returns
    -------
    ndarray, shape (curves,)
        Length [m], to a tenth of a metre.
    """
    metres = np.arange(0, longest_m + _STEP_M / 2, _STEP_M)
    sure, falls = np.atleast_1d(sure_m)[:, None], np.atleast_1d(falls_m)[:, None]
    cost = metre_cost * metres + failure_cost * failure_share(metres, scatter, sure, falls)
    best: np.ndarray = metres[cost.argmin(axis=1)]
    return best


@dataclass(frozen=True)
class FailureCurve:
    """How failures depend on the metres left, as far as the splices tell.

    Attributes
    ----------
    told : bool
        Whether the splices tell that it matters how much is left.
    why : str
        Why not, in words.
    splices, failed : int
        What it rests on.
    sure_m, falls_m : float
        Most likely curve (:func:`failure_share`) [m]; blank where nothing failed.
    likely : DataFrame, shape (curves, 2)
        sure_m and falls_m of every curve within the 95 % likelihood region of one quantity.
    apart_m : float
        Standard deviation, over splices, of the length that their stands leave in their quarter [m].
    failures_needed : float
        Failed splices that would tell, with settings as far apart as now, if the risk halved with every ten metres.
    """

    told: bool
    why: str
    splices: int
    failed: int
    sure_m: float
    falls_m: float
    likely: pd.DataFrame
    apart_m: float
    failures_needed: float


@dataclass(frozen=True)
class SpliceStudy:
    """The least-cost target of each material.

    Attributes
    ----------
    curve : FailureCurve
        How failures depend on the metres left.
    table : DataFrame, shape (materials, 14)
        material, splices, failed, current_m, scatter_m, best_m, best_low, best_high [m], saving_per_year, saving_low,
        saving_high [currency / year], failure_probability (now, drawn to the plant's), failure_at_best,
        metre_cost_per_year (one metre more at every splice) [currency / year].
    costs : DataFrame
        material, metres [m], paper, failures, total [currency / splice]: failures and total blank where not told.
    sensitivity : DataFrame
        material, change (words), best_m [m]; no row where not told.
    """

    curve: FailureCurve
    table: pd.DataFrame
    costs: pd.DataFrame
    sensitivity: pd.DataFrame

    def published(self) -> pd.DataFrame:
        """Return the published table ``splice_target``."""
        return as_published(self.table, "splice_target")


def failure_curve(
    metres: np.ndarray, scatter: np.ndarray, splices: np.ndarray, failed: np.ndarray
) -> FailureCurve:
    """Fit how failures depend on the mean length left.

    Parameters
    ----------
    metres, scatter : ndarray, shape (groups,)
        Mean and standard deviation of what each group of splices leaves [m].
    splices, failed : ndarray, shape (groups,)
        Splices, failed ones among them.

    Returns
    -------
    FailureCurve
        The curve, by likelihood over a grid: a curve is within the region where twice the drop of the
        log-likelihood is at most the 95 % quantile of chi-square with one degree of freedom.
    """
    count, hit = np.asarray(splices, float), np.asarray(failed, float)
    total, failures = count.sum(), hit.sum()
    mean = float((metres * count).sum() / total) if total else np.nan
    apart = float(np.sqrt((count * (metres - mean) ** 2).sum() / total)) if total else np.nan
    falls_of_ten = 10 / np.log(2)
    needed = (2.8 * falls_of_ten / apart) ** 2 if apart > 0 else np.inf
    blank = pd.DataFrame({"sure_m": [], "falls_m": []}, dtype="float64")
    if failures < 1 or failures == total:
        why = "no splice failed" if failures < 1 else "every splice failed"
        return FailureCurve(False, why, int(total), int(failures), np.nan, np.nan, blank, apart, needed)
    falls = _FALLS_M[:, None]
    # Where the exponential alone would put the curve; the grid of heights lies about that.
    log_mean = special.logsumexp(
        np.log(count) - metres / falls + (scatter / falls) ** 2 / 2, axis=1, keepdims=True
    )
    sure = falls * (np.log(failures) - log_mean + _HEIGHTS[None, :])
    share = failure_share(
        metres[:, None, None], scatter[:, None, None], sure[None], np.broadcast_to(falls, sure.shape)[None]
    )
    share = np.clip(share, 1e-300, 1 - 1e-12)
    value = np.tensordot(hit, np.log(share), 1) + np.tensordot(count - hit, np.log1p(-share), 1)
    flat = failures * np.log(failures / total) + (total - failures) * np.log1p(-failures / total)
    best = np.unravel_index(value.argmax(), value.shape)
    region = value >= value.max() - _LIKELY
    likely = pd.DataFrame({"sure_m": sure[region], "falls_m": np.broadcast_to(falls, sure.shape)[region]})
    told = value.max() - flat > _LIKELY and failures >= _FEWEST_FAILURES
    why = "" if told else "not enough failed splices to tell"
    return FailureCurve(
        told,
        why,
        int(total),
        int(failures),
        float(sure[best]),
        float(_FALLS_M[best[0]]),
        likely,
        apart,
        needed,
    )


def splice_study(
    ends: pd.DataFrame, failure_cost: float, years: float, butt_error_kg: float = 0.0
) -> SpliceStudy:
    """Weigh paper left on cores against failed splices.

    Parameters
    ----------
    ends : DataFrame
        Result of :func:`pressstats.reels.butts`.
    failure_cost : float
        Price of a failed splice [currency].
    years : float
        Time that the splices cover [years].
    butt_error_kg : float
        Standard deviation of weighing a butt [kg]: it spreads the readings, not what is left.

    Returns
    -------
    SpliceStudy
        The curve, the targets and what they rest on. Where the splices do not tell, best and saving are blank.

    Notes
    -----
    What a failed splice left is not what it was meant to leave, so a splice's intended length is taken from
    the good ones of its stand in its quarter of the year, drawn to all others by a mixed model. One
    curve serves all materials: failing is a matter of the reelstand. The best target is the mean that every
    stand should leave, with its scatter as it is.
    """
    groups = _groups(ends, butt_error_kg)
    binned = groups.groupby(["bin", "scatter"])[["splices", "failed", "weighted"]].sum().reset_index()
    curve = failure_curve(
        (binned["weighted"] / binned["splices"]).to_numpy(),
        binned["scatter"].to_numpy(),
        binned["splices"].to_numpy(),
        binned["failed"].to_numpy(),
    )
    rows, costs, changes = [], [], []
    by_material = list(groups.groupby("material"))
    now = (
        shrunk_rates(
            [float(mine["failed"].sum()) for _, mine in by_material],
            [float(mine["splices"].sum()) for _, mine in by_material],
        )
        if by_material
        else pd.DataFrame(columns=["rate"])
    )
    for (material, mine), probability in zip(by_material, now["rate"], strict=True):
        row, cost, change = _of_material(str(material), mine, curve, failure_cost, years)
        rows.append(row | {"failure_probability": float(probability)})
        costs.append(cost)
        changes += change
    return SpliceStudy(
        curve,
        pd.DataFrame(rows, columns=_COLUMNS),
        pd.concat(costs, ignore_index=True) if costs else pd.DataFrame(columns=_COSTS),
        pd.DataFrame(changes, columns=["material", "change", "best_m"]),
    )


_COSTS = ["material", "metres", "paper", "failures", "total"]
_COLUMNS = (
    "material splices failed current_m scatter_m best_m best_low best_high saving_per_year saving_low saving_high "
    "failure_probability failure_at_best metre_cost_per_year"
).split()


def _groups(ends: pd.DataFrame, butt_error_kg: float) -> pd.DataFrame:
    """Return splices by material, stand and quarter, with the length that is meant there and its scatter."""
    good = ends[(ends["ended_by"] == "splice") & ends["butt_m"].notna()]
    quarter = ends["date"].dt.year * 4 + ends["date"].dt.quarter
    place = ends["reelstand"].astype(object) + "\n" + quarter.astype("Int64").astype(str)
    means = pooled_means(good["butt_m"].to_numpy(), place[good.index].to_numpy(), judged=False).table
    stands = pooled_means(good["butt_m"].to_numpy(), good["reelstand"].to_numpy(), judged=False).table
    stands = stands.set_index("level")
    reading = (butt_error_kg * good["butt_m"] / good["butt_kg"].where(good["butt_kg"] > 0)) ** 2
    reading = reading.groupby(good["reelstand"]).mean().reindex(stands.index).fillna(0.0)
    # However coarse the scale, stands do scatter: a tenth of what is read is the least.
    scatter = np.sqrt(np.maximum(stands["spread"] ** 2 - reading, 0.01 * stands["spread"] ** 2))
    alone = ends["reelstand"].map(stands["pooled"])
    frame = pd.DataFrame(
        {
            "material": ends["material"],
            "meant": place.map(means.set_index("level")["pooled"]).astype("float64").fillna(alone),
            # Scatter about the stand's own mean, the same for its quarters.
            "scatter": ends["reelstand"].map(scatter).astype("float64"),
            "failed": (ends["ended_by"] == "failed_splice").astype("float64"),
            "splices": 1.0,
            "price": ends["butt_kg"] / ends["butt_m"] * ends["unit_price"],
            "left": ends["butt_m"].where(ends["ended_by"] == "splice"),
        }
    )
    frame = frame[frame["meant"].notna() & (frame["scatter"] > 0)]
    # Half a metre is less than what any setting can be told apart by.
    frame["bin"] = (frame["meant"] * 2).round() / 2
    frame["weighted"] = frame["meant"]
    keys = ["material", "bin", "scatter"]
    table = frame.groupby(keys)[["splices", "failed", "weighted"]].sum()
    table["price"] = frame.groupby(keys)["price"].mean()
    table["left"] = frame.groupby(keys)["left"].sum()
    table["known"] = frame.groupby(keys)["left"].count()
    return table.reset_index()


def _of_material(
    material: str, mine: pd.DataFrame, curve: FailureCurve, failure_cost: float, years: float
) -> tuple[dict[str, float | str], pd.DataFrame, list[tuple[str, str, float]]]:
    """Return a row of the table, the costs by metres, and the targets under other assumptions."""
    splices = float(mine["splices"].sum())
    weight = (mine["splices"] / splices).to_numpy()
    price = float((mine["price"] * mine["splices"]).sum() / mine["splices"][mine["price"].notna()].sum())
    current = float(mine["left"].sum() / mine["known"].sum())
    scatter = float(np.sqrt(weight @ mine["scatter"].to_numpy() ** 2))
    a_year = splices / years
    row: dict[str, float | str] = {name: np.nan for name in _COLUMNS} | {
        "material": material,
        "splices": splices,
        "failed": float(mine["failed"].sum()),
        "current_m": current,
        "scatter_m": scatter,
        "metre_cost_per_year": price * a_year,
    }
    metres = np.arange(0, max(2.5 * current, 30) + 0.25, 0.5)
    cost = pd.DataFrame({"material": material, "metres": metres, "paper": price * metres})
    cost["failures"] = cost["total"] = np.nan
    if not curve.told or not np.isfinite(price):
        return row, cost[_COSTS], []
    best = float(least_cost_metres(price, failure_cost, scatter, curve.sure_m, curve.falls_m)[0])
    region = curve.likely
    # Some hundred curves outline the region as well as some thousand.
    region = region.iloc[:: max(len(region) // 600, 1)]
    sure, falls = region["sure_m"].to_numpy(), region["falls_m"].to_numpy()
    targets = least_cost_metres(price, failure_cost, scatter, sure, falls)
    groups = mine["weighted"].to_numpy() / mine["splices"].to_numpy(), mine["scatter"].to_numpy()

    def saving(sure_m: np.ndarray | float, falls_m: np.ndarray | float) -> np.ndarray:
        """Return what the best target saves in a year on these curves."""
        s, f = np.atleast_1d(sure_m)[:, None], np.atleast_1d(falls_m)[:, None]
        fails = failure_share(groups[0], groups[1], s, f) @ weight
        after = failure_share(best, scatter, s, f)[:, 0]
        return a_year * (price * (current - best) + failure_cost * (fails - after))

    savings = saving(sure, falls)
    row |= {
        "best_m": best,
        "best_low": float(targets.min()),
        "best_high": float(targets.max()),
        "saving_per_year": float(saving(curve.sure_m, curve.falls_m)[0]),
        "saving_low": float(savings.min()),
        "saving_high": float(savings.max()),
        "failure_at_best": float(failure_share(best, scatter, curve.sure_m, curve.falls_m)),
    }
    cost["failures"] = failure_cost * failure_share(metres, scatter, curve.sure_m, curve.falls_m)
    cost["total"] = cost["paper"] + cost["failures"]
    changes = []
    for words, of_price, of_failure, of_scatter in _CHANGES:
        found = least_cost_metres(
            price * of_price, failure_cost * of_failure, scatter * of_scatter, curve.sure_m, curve.falls_m
        )
        changes.append((material, words, float(found[0])))
    return row, cost[_COSTS], changes


_CHANGES = (
    ("a failed splice costs half", 1.0, 0.5, 1.0),
    ("a failed splice costs twice as much", 1.0, 2.0, 1.0),
    ("paper 20 % cheaper", 0.8, 1.0, 1.0),
    ("paper 25 % dearer", 1.25, 1.0, 1.0),
    ("stands scatter half as much", 1.0, 1.0, 0.5),
)
