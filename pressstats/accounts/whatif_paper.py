"""What a supplier dropped, or another length left at splices, changes of a kilogram of newsprint that is needed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..reels.failures import failure_share

if TYPE_CHECKING:
    from ..logs import Logs
    from ..reels.target import SpliceStudy

__all__ = ["PaperEffect", "dropped_effect", "splice_effect"]

#: Suppliers share a material as they did in so many days before as-of.
_SHARE_DAYS, _QUARTERS = 364, 4
_NORMAL_95 = 1.959964


@dataclass(frozen=True)
class PaperEffect:
    """What is used more, and what it costs more, a kilogram that was needed: the mean, then draws about it."""

    kg: np.ndarray  # [kg / kg]
    cost: np.ndarray  # [currency / kg]
    why: str = ""  # what is not told; empty where all is


def dropped_effect(
    logs: Logs,
    quality: pd.DataFrame,
    dropped: Iterable[str],
    material: str,
    draws: np.random.Generator,
    many: int,
) -> PaperEffect | None:
    """Return what it changes that others deliver a material instead; None where the dropped ones did not.

    The others share it as they do now. Paper costs its price and its web breaks; heavier paper, and what is torn off
    and thrown away of it, must be bought on top. Late deliveries are no part: orders allow for them.
    """
    mounts = logs["reel_mounts"]
    mounts = mounts[
        (mounts["material"] == material)
        & (mounts["mounted_at"] > logs.as_of - pd.Timedelta(days=_SHARE_DAYS))
    ]
    run_kg = mounts["start_kg"] - mounts["returned_kg"]
    kg = run_kg.groupby(mounts["supplier"]).sum()
    gone = kg.index.isin(list(dropped))
    if not kg[gone].sum() > 0:
        return None
    blank = np.full(1 + many, np.nan)
    if gone.all():
        return PaperEffect(blank, blank, "nobody else has delivered it")
    table = quality[quality["material"] == material].set_index("supplier").reindex(kg.index)
    why, weight_error = "", (table["heavier_high"] - table["heavier_low"]) / 2 / _NORMAL_95
    apart = quality["heavier_pct"] - quality.groupby("material")["heavier_pct"].transform("mean")
    if table["heavier_pct"].isna().any() and (apart.abs() > 0).any():
        # As heavy as the others, within what suppliers of a paper differ by.
        usual = float(np.nan_to_num(table["heavier_pct"].mean()))
        weight_error = weight_error.fillna(float(np.sqrt((apart[apart.abs() > 0] ** 2).mean())))
        table = table.fillna({"heavier_pct": usual})
        why = f"{material} of all suppliers is taken as equally heavy, within what they differ by"
    needed = ["price", "heavier_pct", "lost_pct", "breaks_per_100", "reel_kg"]
    unknown = table.index[table[needed].isna().any(axis=1)].tolist()
    if unknown:
        return PaperEffect(blank, blank, f"too little is known of the paper of {', '.join(unknown)}")

    def drawn(name: str, error: pd.Series) -> np.ndarray:
        apart = np.column_stack([np.zeros(len(table)), draws.standard_normal((len(table), many))])
        return table[name].to_numpy()[:, None] + error.fillna(0.0).to_numpy()[:, None] * apart

    heavier = drawn("heavier_pct", weight_error)
    lost = drawn("lost_pct", table["lost_error"])
    breaks = drawn("breaks_per_100", (table["ci_high"] - table["ci_low"]) / 2 / _NORMAL_95)
    # Kilograms bought for a kilogram of nominal paper that can be printed on.
    bought = (1 + heavier / 100) / (1 - lost / 100)
    breaking = breaks / 100 / table["reel_kg"].to_numpy()[:, None] * logs.plant.policy.break_cost
    price = table["price"].to_numpy()[:, None] + breaking
    printable = kg.to_numpy()[:, None] / bought
    left = printable * ~gone[:, None]
    after = bought * left * printable.sum(axis=0) / left.sum(axis=0)
    # A quarter takes more or less of it than the year, as the year's quarters did.
    quarter = (logs.as_of - mounts["mounted_at"]).dt.days.clip(lower=0) // (_SHARE_DAYS // _QUARTERS)
    shares = run_kg.groupby([quarter, mounts["supplier"].isin(list(dropped))]).sum().unstack(fill_value=0)
    share = shares[True] / shares.sum(axis=1)
    uneven = float(share.std() / share.mean()) if len(share) == _QUARTERS else float("nan")
    taken = 1 + uneven * np.append(0.0, draws.standard_normal(many))
    more = (after - kg.to_numpy()[:, None]) * np.maximum(np.append(1.0, taken[1:]), 0.0)
    return PaperEffect(more.sum(axis=0) / kg.sum(), (price * more).sum(axis=0) / kg.sum(), why)


def splice_effect(
    logs: Logs,
    splices: SpliceStudy,
    metres: float,
    material: str,
    price: float,
    draws: np.random.Generator,
    many: int,
) -> PaperEffect | None:
    """Return what it changes that splices leave so many metres; None where the material was not spliced.

    Butts cost their price, a failed splice what ``[policy] failed_splice_cost`` says.
    """
    row = splices.table[splices.table["material"] == material]
    mounts = logs["reel_mounts"]
    kg = (mounts["start_kg"] - mounts["returned_kg"])[mounts["material"] == material].sum()
    if row.empty or not kg > 0:
        return None
    about, named = row.iloc[0], pd.Series([material])
    a_metre = (
        float((logs.of_material(named, "width_mm") * logs.of_material(named, "grammage_gsm")).iloc[0]) / 1e6
    )
    a_kg = float(about["splices"]) / kg
    # The present mean is known as well as its splices tell.
    error = float(about["scatter_m"] / np.sqrt(about["splices"]))
    change = metres - float(about["current_m"]) + error * np.append(0.0, draws.standard_normal(many))
    paper = a_kg * a_metre * change
    curve = splices.curve
    if not curve.told:
        why = f"how failed splices depend on the metres left is not told: {curve.why}"
        return PaperEffect(paper, np.full(1 + many, np.nan), why)
    likely = curve.likely.iloc[draws.integers(0, len(curve.likely), many)]
    sure = np.append(curve.sure_m, likely["sure_m"])
    falls = np.append(curve.falls_m, likely["falls_m"])
    scatter = float(about["scatter_m"])
    now, then = (failure_share(m, scatter, sure, falls) for m in (metres - change, metres))
    failures = a_kg * (then - now) * logs.plant.policy.failed_splice_cost
    return PaperEffect(paper, price * paper + failures)
