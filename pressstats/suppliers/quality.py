"""How sound each supplier's paper is, and how late it comes: few loads are drawn to what all suppliers do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..reels import shrunk_rates

if TYPE_CHECKING:
    from collections.abc import Iterable

    from ..orders import LeadTimes

__all__ = ["FEWEST_LOTS", "paper_quality", "supplier_lateness"]

#: Lots below which nothing is said of what stripping takes: the scatter of fewer is not known itself.
FEWEST_LOTS = 5
_BOTH = ["supplier", "material"]


def paper_quality(history: pd.DataFrame, grammages: pd.DataFrame, nominal: pd.Series) -> pd.DataFrame:
    """Return what is known of each supplier's paper of each material.

    Parameters
    ----------
    history : DataFrame
        Result of :func:`pressstats.reels.mount_history`.
    grammages : DataFrame
        ``by_supplier`` of :class:`pressstats.paper.PaperWeights`.
    nominal : Series
        Nominal grammage by material [g/m2].

    Returns
    -------
    DataFrame, shape (supplier x material, 17)
        supplier, material; reels (mounted), reel_kg (mean of whole reels) [kg], breaks, breaks_per_100 with ci_low and
        ci_high (95 %): few reels are drawn to what all suppliers' paper of that material does; strip_pct, lost_pct
        (strip and what is thrown away) [% of what whole reels weighed], lost_error (standard error of lost_pct), lots
        (deliveries they came with); heavier_pct with heavier_low and heavier_high (95 %) [% over nominal]. Blank
        where fewer than five lots were weighed, or too little of the paper ran by itself.

    Examples
    --------
    >>> paper_quality(study.mount_history, weighed.weights.by_supplier, nominal)[["supplier", "reels"]].head(1)
        supplier  reels
    0   Eastmill   13.0
    """
    table = _breaks(history).merge(_losses(history), on=_BOTH, how="left")
    said = grammages["material"].map(nominal).astype("float64")
    heavier = grammages[_BOTH].assign(
        heavier_pct=100 * (grammages["estimate"] / said - 1),
        heavier_low=100 * (grammages["ci_low"] / said - 1),
        heavier_high=100 * (grammages["ci_high"] / said - 1),
    )
    table = table.merge(heavier, on=_BOTH, how="left")
    return table.sort_values(_BOTH, ignore_index=True)


def _breaks(history: pd.DataFrame) -> pd.DataFrame:
    """Return reels, breaks and the rate of each supplier, drawn together within each material."""
    broke = history["ended_by"] == "web_break"
    counted = history.assign(broke=broke.astype("float64")).groupby(_BOTH)
    table = counted.agg(reels=("reel", "nunique"), breaks=("broke", "sum")).astype("float64").reset_index()
    rates = table.assign(breaks_per_100=np.nan, ci_low=np.nan, ci_high=np.nan)
    for _, of_material in table.groupby("material"):
        rate = 100 * shrunk_rates(of_material["breaks"], of_material["reels"])
        rates.loc[of_material.index, ["breaks_per_100", "ci_low", "ci_high"]] = rate.to_numpy()
    return rates


def _losses(history: pd.DataFrame) -> pd.DataFrame:
    """Return what stripping and throwing away took of whole reels, with errors by lot.

    Reels of one lorry are damaged together: lots, not reels, are what is independent. Of a ratio of sums over lots the
    variance is that of what each lot departs from it (linearised ratio estimator; Cochran, Sampling Techniques, 3rd
    ed., 6.3, from memory).
    """
    whole = history.loc[history["new"], ["reel", *_BOTH, "lot", "start_kg"]]
    gone = history[["reel", "strip_kg", "scrapped_kg"]].groupby("reel").sum(min_count=1)
    unknown = history["strip_kg"].isna() | history["scrapped_kg"].isna()
    whole = whole.join(gone, on="reel")
    whole = whole[~whole["reel"].isin(history.loc[unknown, "reel"]) & whole["start_kg"].notna()]
    whole = whole.assign(lost_kg=whole["strip_kg"] + whole["scrapped_kg"])
    lots = whole.groupby([*_BOTH, "lot"])[["start_kg", "strip_kg", "lost_kg"]].sum().reset_index()
    by = lots.groupby(_BOTH)[["start_kg", "strip_kg", "lost_kg"]].sum()
    table = pd.DataFrame(
        {
            "reel_kg": whole.groupby(_BOTH)["start_kg"].mean(),
            "lots": lots.groupby(_BOTH).size().astype("float64"),
            "strip_pct": 100 * by["strip_kg"] / by["start_kg"],
            "lost_pct": 100 * by["lost_kg"] / by["start_kg"],
        }
    )
    lots = lots.join(table["lost_pct"], on=_BOTH)
    squares = (lots["lost_kg"] - lots["lost_pct"] / 100 * lots["start_kg"]) ** 2
    squares = squares.groupby([lots["supplier"], lots["material"]]).sum()
    count = table["lots"].where(table["lots"] > 1)
    table["lost_error"] = 100 * np.sqrt(squares * count / (count - 1)) / by["start_kg"]
    few = table["lots"] < FEWEST_LOTS
    hidden = ["strip_pct", "lost_pct", "lost_error"]
    table[hidden] = table[hidden].mask(few)
    return table.reset_index()


_DRAWS = 4000
_SEED = 7
#: Loads of all suppliers that weigh as much as all of a supplier's own in what is drawn of it, if it has so many.
_SHARED = 8.0
#: A name that no supplier has: of nobody is known what is known of all.
_NOBODY = "\0"
_COLUMNS = ["on_time_pct", "days_late_mean", "late_chance", "late_loads", "other_loads"]


def supplier_lateness(times: LeadTimes, suppliers: Iterable[str], reaches_days: float) -> pd.DataFrame:
    """Return how late suppliers are: on_time_pct, days_late_mean, late_chance, late_loads, other_loads, by supplier.

    `times` are the lead times that orders are planned with: a load counts once whatever it carries, what is overdue is
    as late as that at the least, and a supplier with n loads is drawn to what all do as n is to eight. `reaches_days`
    is how late a load may be before stock ends, late_chance how often it is later. On time is by the promised day; an
    early load is 0 days late. late_loads and other_loads count the supplier's own, one load of all added: what its own
    chance may be must not be narrower for what others do. Blank where nobody ever delivered anything.
    """
    known = bool((times.summary()["loads"] > 0).any())

    def drawn(name: str) -> np.ndarray:
        return times.draw(name, _DRAWS, np.random.default_rng(_SEED))

    of_all = float((drawn(_NOBODY) > reaches_days).mean())
    rows = []
    for name in suppliers:
        late, loads = drawn(name), float(times.deliveries(name))
        chance = float((late > reaches_days).mean())
        # Of n loads, n / (n + 8) of the draws are its own.
        own = round(chance * (loads + _SHARED) - _SHARED * of_all)
        counts = (own + of_all, loads - own + 1 - of_all)
        record = (100 * float((late <= 0).mean()), float(np.maximum(late, 0).mean()), chance, *counts)
        rows.append((name, *(record if known else [np.nan] * len(_COLUMNS))))
    kinds = dict.fromkeys(_COLUMNS, "float64") | {"supplier": "str"}
    return pd.DataFrame(rows, columns=["supplier", *_COLUMNS]).astype(kinds)
