"""Everything that is found out about reels, from one pass over the mounts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .breaks import CHANCE_OF_NAMING, break_effects, breaks, supplier_pairs, worst_breakers
from .chain import reel_chain
from .ends import both_lengths, butts, logged_years, reel_ends, stand_means
from .mount_history import metre_kg, mount_history, no_mounts
from .planned import planned_reels, planned_webs
from .strip import new_reels, strip_by_supplier, transport_claims
from .target import SpliceStudy, splice_study

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs
    from ..paper import WeighedPaper
    from .pooling import PooledMeans

__all__ = ["ReelStudy", "study_reels"]

#: A reelstand is named only if it surely leaves so much more than the target: less is not worth a visit.
_WORTH_NAMING = 1.25


@dataclass(frozen=True)
class ReelStudy:
    """What is known of reels.

    Attributes
    ----------
    mount_history : DataFrame
        Each mount in the life of its reel (:func:`pressstats.reels.mount_history`).
    ends : DataFrame
        Each splice with what it left (:func:`pressstats.reels.butts`).
    breaks, reel_ends, splice_target, reel_chain : DataFrame
        The published tables.
    effects : DataFrame
        What each level does to breaks, all else alike (:func:`pressstats.reels.break_effects`).
    suppliers, breaking_stands : DataFrame
        Levels ranked by breaks (:func:`pressstats.reels.worst_breakers`).
    pairs : DataFrame
        Suppliers two by two (:func:`pressstats.reels.supplier_pairs`).
    stands : PooledMeans
        What reelstands leave on cores, drawn together.
    wasteful_stands : DataFrame
        Rows of `stands.table` that stand out above the target.
    lengths : DataFrame
        Metres left by weight and by depth (:func:`pressstats.reels.both_lengths`).
    splices : SpliceStudy
        Least-cost targets.
    strip : DataFrame
        Strip by supplier (:func:`pressstats.reels.strip_by_supplier`).
    claims : DataFrame
        Reels to claim for (:func:`pressstats.reels.transport_claims`).
    webs, planned : DataFrame
        The next booked day's webs, and the reels for them (:func:`pressstats.reels.planned_reels`).
    """

    mount_history: pd.DataFrame
    ends: pd.DataFrame
    breaks: pd.DataFrame
    reel_ends: pd.DataFrame
    splice_target: pd.DataFrame
    reel_chain: pd.DataFrame
    effects: pd.DataFrame
    suppliers: pd.DataFrame
    breaking_stands: pd.DataFrame
    pairs: pd.DataFrame
    stands: PooledMeans
    wasteful_stands: pd.DataFrame
    lengths: pd.DataFrame
    splices: SpliceStudy
    strip: pd.DataFrame
    claims: pd.DataFrame
    webs: pd.DataFrame
    planned: pd.DataFrame


def study_reels(logs: Logs, weighed: WeighedPaper) -> ReelStudy:
    """Study the reels; without ``reel_mounts`` everything but the reels in the store is empty."""
    history = mount_history(logs, weighed) if logs.has("reel_mounts") else no_mounts()
    ends = butts(logs, history)
    table, effects = breaks(logs, history), break_effects(history)
    chain = reel_chain(logs)
    stands = stand_means(ends)
    plant = logs.plant
    splices = splice_study(
        ends, plant.policy.failed_splice_cost, logged_years(logs), plant.measurement.butt_kg
    )
    whole = new_reels(logs, history)
    webs = planned_webs(logs, history, weighed.webs)
    return ReelStudy(
        mount_history=history,
        ends=ends,
        breaks=table,
        reel_ends=reel_ends(logs, ends),
        splice_target=splices.published(),
        reel_chain=chain,
        effects=effects,
        suppliers=worst_breakers(table, effects, "supplier"),
        breaking_stands=worst_breakers(table, effects, "reelstand"),
        pairs=supplier_pairs(history, table),
        stands=stands,
        wasteful_stands=stands.named(
            CHANCE_OF_NAMING["reelstand"], _WORTH_NAMING * plant.reel.splice_target_m
        ),
        lengths=both_lengths(logs, ends),
        splices=splices,
        strip=strip_by_supplier(logs, history, whole),
        claims=transport_claims(whole, plant.measurement.reel_kg),
        webs=webs,
        planned=planned_reels(logs, webs, chain, whole, ends, metre_kg(logs, weighed.grammage)),
    )
