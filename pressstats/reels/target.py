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

from ..tables import as_published
from .failures import FailureCurve, failure_curve, failure_share, least_cost_metres
from .pooling import pooled_means
from .rates import shrunk_rates

__all__ = ["SpliceStudy", "splice_study"]


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

    def cost_of(self, material: str, metres: float, failure_cost: float) -> pd.DataFrame:
        """Return what paper left on cores and failed splices cost a year, as it is now and with other metres left.

        Two rows: setting (now, tried), metres, paper, failures, total, change, and low and high, which hold the change
        on all curves that the splices leave likely [currency / year]. Failures are blank where the splices do not tell
        how they depend on the metres left. Raises KeyError for a material without splices.
        """
        table = self.table.set_index("material")
        if material not in table.index:
            raise KeyError(f"no splice of {material!r} is logged: there are {', '.join(table.index)}")
        row = table.loc[material]
        one = self.costs[(self.costs["material"] == material) & (self.costs["metres"] > 0)].iloc[0]
        a_year = row["metre_cost_per_year"] / (one["paper"] / one["metres"])
        settings = np.array([row["current_m"], metres], dtype=float)
        out = pd.DataFrame({"setting": ["now", "tried"], "metres": settings})
        out["paper"] = row["metre_cost_per_year"] * settings
        if not self.curve.told:
            return out.reindex(columns=[*out, "failures", "total", "change", "low", "high"])

        def fails(sure_m: np.ndarray, falls_m: np.ndarray) -> np.ndarray:
            """Return the cost of failed splices a year on each curve, shape (curves, 2)."""
            share = failure_share(settings, row["scatter_m"], sure_m[:, None], falls_m[:, None])
            return a_year * failure_cost * share

        out["failures"] = fails(np.array([self.curve.sure_m]), np.array([self.curve.falls_m]))[0]
        out["total"] = out["paper"] + out["failures"]
        out["change"] = out["total"] - out["total"].iloc[0]
        likely = fails(self.curve.likely["sure_m"].to_numpy(), self.curve.likely["falls_m"].to_numpy())
        likely = likely - likely[:, :1] + (out["paper"] - out["paper"].iloc[0]).to_numpy()
        return out.assign(low=likely.min(axis=0), high=likely.max(axis=0))


def splice_study(
    ends: pd.DataFrame, failure_cost: float, years: float, butt_error_kg: float = 0.0
) -> SpliceStudy:
    """Weigh paper left on cores against failed splices; where the splices do not tell, best and saving are blank.

    `failure_cost` is the price of a failed splice [currency], `years` the time that the splices cover,
    `butt_error_kg` the standard deviation of weighing a butt: it spreads the readings, not what is left.

    What a failed splice left is not what it was meant to leave, so a splice's intended length is taken from the good
    ones of its stand in its quarter of the year, drawn to all others by a mixed model. One curve serves all
    materials: failing is a matter of the reelstand. The best target is the mean that every stand should leave, with
    its scatter as it is.
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
            [float(splices["failed"].sum()) for _, splices in by_material],
            [float(splices["splices"].sum()) for _, splices in by_material],
        )
        if by_material
        else pd.DataFrame(columns=["rate"])
    )
    for (material, splices), probability in zip(by_material, now["rate"], strict=True):
        row, cost, change = _of_material(str(material), splices, curve, failure_cost, years)
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
_COLUMNS = [
    "material",
    "splices",
    "failed",
    "current_m",
    "scatter_m",
    "best_m",
    "best_low",
    "best_high",
    "saving_per_year",
    "saving_low",
    "saving_high",
    "failure_probability",
    "failure_at_best",
    "metre_cost_per_year",
]


def _groups(ends: pd.DataFrame, butt_error_kg: float) -> pd.DataFrame:
    """Return splices by material, stand and quarter, with the length that is meant there and its scatter."""
    good = ends[(ends["ended_by"] == "splice") & ends["butt_m"].notna()]
    quarter = ends["date"].dt.year * 4 + ends["date"].dt.quarter
    setting = ends["reelstand"].astype("str") + "\n" + quarter.astype("Int64").astype("str")
    here = setting[good.index]
    means = pooled_means(good["butt_m"].to_numpy(), here.to_numpy(), judged=False).table
    # Scatter about the quarter's own mean, so that a setting changed is no scatter.
    settled = good["butt_m"] - good["butt_m"].groupby(here).transform("mean")
    settled *= np.sqrt(_freedom(here, good["reelstand"]))
    stands = pooled_means(settled.to_numpy(), good["reelstand"].to_numpy(), judged=False).table
    stands = stands.set_index("level")
    stands["pooled"] = pooled_means(good["butt_m"], good["reelstand"], judged=False).table.set_index("level")[
        "pooled"
    ]
    reading = (butt_error_kg * good["butt_m"] / good["butt_kg"].where(good["butt_kg"] > 0)) ** 2
    reading = reading.groupby(good["reelstand"]).mean().reindex(stands.index).fillna(0.0)
    # However coarse the scale, stands do scatter: a tenth of what is read is the least.
    scatter = np.sqrt(np.maximum(stands["spread"] ** 2 - reading, 0.01 * stands["spread"] ** 2))
    alone = ends["reelstand"].map(stands["pooled"])
    frame = pd.DataFrame(
        {
            "material": ends["material"],
            "meant": setting.map(means.set_index("level")["pooled"]).astype("float64").fillna(alone),
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


def _freedom(places: pd.Series, stands: pd.Series) -> pd.Series:
    """Return degrees of freedom about the stand's mean over those about its quarters' means, for each splice."""
    count = places.groupby(stands).transform("size")
    return (count - 1) / (count - places.groupby(stands).transform("nunique")).clip(lower=1)


def _of_material(
    material: str, cells: pd.DataFrame, curve: FailureCurve, failure_cost: float, years: float
) -> tuple[dict[str, float | str], pd.DataFrame, list[tuple[str, str, float]]]:
    """Return a row of the table, the costs by metres, and the targets under other assumptions."""
    splices = float(cells["splices"].sum())
    weight = (cells["splices"] / splices).to_numpy()
    price = float((cells["price"] * cells["splices"]).sum() / cells["splices"][cells["price"].notna()].sum())
    current = float(cells["left"].sum() / cells["known"].sum())
    scatter = float(np.sqrt(weight @ cells["scatter"].to_numpy() ** 2))
    a_year = splices / years
    row: dict[str, float | str] = {
        "material": material,
        "splices": splices,
        "failed": float(cells["failed"].sum()),
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
    sure, falls = curve.likely["sure_m"].to_numpy(), curve.likely["falls_m"].to_numpy()
    targets = least_cost_metres(price, failure_cost, scatter, sure, falls)
    groups = (
        cells["weighted"].to_numpy() / cells["splices"].to_numpy(),
        cells["scatter"].to_numpy(),
    )

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
        target = least_cost_metres(
            price * of_price, failure_cost * of_failure, scatter * of_scatter, curve.sure_m, curve.falls_m
        )
        changes.append((material, words, float(target[0])))
    return row, cost[_COSTS], changes


_CHANGES = (
    ("a failed splice costs half", 1.0, 0.5, 1.0),
    ("a failed splice costs twice as much", 1.0, 2.0, 1.0),
    ("paper 20 % cheaper", 0.8, 1.0, 1.0),
    ("paper 25 % dearer", 1.25, 1.0, 1.0),
    ("stands scatter half as much", 1.0, 1.0, 0.5),
)
