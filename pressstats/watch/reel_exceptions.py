"""Reels: stands that leave too much on the core, suppliers and stands whose webs break, damage and store losses."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..prices import paper_prices
from .kinds import is_news, raised

if TYPE_CHECKING:
    from ..logs import Logs
    from ..reels import ReelStudy

__all__ = ["reel_exceptions"]

#: Standard deviations of two weighings beyond which a part reel has lost paper in the store.
_STORE_LOSS_SIGMA = 6.0


def reel_exceptions(logs: Logs, reels: ReelStudy) -> Iterator[dict[str, Any]]:
    """Yield what of the reels needs somebody."""
    yield from _butts(logs, reels)
    yield from _breaks(logs, reels)
    yield from _claims(logs, reels.claims)
    yield from _store_losses(logs, reels.reel_chain)


def _butts(logs: Logs, reels: ReelStudy) -> Iterator[dict[str, Any]]:
    target = logs.plant.reel.splice_target_m
    for row in reels.wasteful_stands.itertuples():
        of_stand = reels.reel_ends[reels.reel_ends["reelstand"] == row.level]
        cost = float(of_stand["lost_cost_per_year"].sum()) * (1 - target / row.mean)
        why = (
            f"{row.mean:.1f} m left a splice, target {target:g} m; {row.count:.0f} splices, more than "
            "at the other stands"
        )
        yield raised(logs, "butts", row.level, why, size=row.mean - target, unit="m per splice", cost=cost)


def _breaks(logs: Logs, reels: ReelStudy) -> Iterator[dict[str, Any]]:
    first, plant = reels.mount_history["mounted_at"].min(), logs.plant
    price = f"{plant.policy.break_cost:g} {plant.currency} a break"
    assumed = "" if plant.says("policy", "break_cost") else f", at an assumed {price}"
    ranks = (("web breaks", reels.suppliers), ("breaking stand", reels.breaking_stands))
    for kind, ranked in ranks:
        row: Any
        for row in ranked[ranked["named"]].itertuples():
            others = ranked[ranked["level"] != row.level]
            extra = row.breaks - row.reels * others["breaks"].sum() / others["reels"].sum()
            times = (
                f"web breaks at {row.ratio:.1f} times the others' rate"
                if np.isfinite(row.ratio)
                else "web breaks, where the others have none"
            )
            why = (
                f"{times}; {row.per_100_reels:.2f} per 100 of its {row.reels:.0f} reels, {row.breaks:.0f} since "
                f"{first:%Y-%m-%d}; with all else alike chance would do that in {_often(row.p_value)} cases; "
                f"those beyond the others' rate are counted at {price}"
            )
            cost = extra * plant.policy.break_cost
            unit = "breaks beyond the others' rate"
            yield raised(logs, kind, row.level, why, size=extra, unit=unit, cost=cost, assumed=assumed)


def _often(p_value: float) -> str:
    return "fewer than 1 of 100,000" if p_value < 1e-5 else f"1 of {1 / p_value:,.0f}"


def _claims(logs: Logs, claims: pd.DataFrame) -> Iterator[dict[str, Any]]:
    for (supplier, delivery), of_delivery in claims[is_news(logs, claims["mounted_at"])].groupby(
        ["supplier", "delivery_id"], dropna=False
    ):
        names = ", ".join(of_delivery["reel_id"].head(6))
        load = f"delivery {delivery}" if pd.notna(delivery) else "a delivery that is not logged"
        why = (
            f"{len(of_delivery)} of its reels ({names}) of {load} were found {of_delivery['why'].iloc[0]}, far beyond "
            "what is usual: claim while wrappers and pictures are at hand"
        )
        yield raised(
            logs,
            "transport damage",
            supplier,
            why,
            size=float(of_delivery["claim_kg"].sum()),
            unit="kg",
            cost=float(of_delivery["claim_cost"].sum()),
            week=logs.plant.week_start(of_delivery["mounted_at"].min()),
        )


def _store_losses(logs: Logs, chain: pd.DataFrame) -> Iterator[dict[str, Any]]:
    error = logs.plant.measurement.reel_kg * np.sqrt(2)
    lost = chain[(chain["store_loss_kg"] > _STORE_LOSS_SIGMA * error) & is_news(logs, chain["last_ended"])]
    if lost.empty:
        return
    kg = float(lost["store_loss_kg"].sum())
    cost = float((lost["store_loss_kg"] * lost["material"].map(paper_prices(logs))).sum(skipna=False))
    first = lost["reel_id"].iloc[0]
    came = "of the last four weeks came back lighter than"
    why = (
        f"1 part reel {came} it was sent to the store ({first})"
        if len(lost) == 1
        else f"{len(lost)} part reels {came} they were sent to the store (first: {first})"
    )
    yield raised(logs, "store losses", "part reels", why, size=kg, unit="kg", cost=cost)
