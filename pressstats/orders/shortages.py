"""How often materials run out with a plan, week by week, in the scenarios of what may happen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .planned import ORDERS
from .rushing import foreseen

if TYPE_CHECKING:
    from ..plant import Policy
    from .planned import Planned
    from .scenarios import Scenarios

__all__ = ["ShortageRates", "shortage_rates"]


@dataclass(frozen=True)
class ShortageRates:
    """How often materials run out.

    Attributes
    ----------
    share, early : ndarray, shape (materials, weeks)
        Share of scenarios in which a material runs out in a week, and nothing can stand in for it: once something of
        the plan has come, and before.
    missed : ndarray, shape (materials, weeks)
        What is left of `share` where that is brought by other means which is seen coming.
    rushed : ndarray, shape (materials, weeks)
        Share of scenarios in which something is brought by other means in a week, needed in the end or not.
    after : ndarray of bool, shape (materials, weeks)
        Weeks that the plan's orders decide.
    """

    share: np.ndarray
    early: np.ndarray
    missed: np.ndarray
    rushed: np.ndarray
    after: np.ndarray

    @property
    def mean(self) -> np.ndarray:
        """Share of weeks short of each material, of those that the plan decides; NaN where there are none."""
        return self._mean(self.share)

    @property
    def mean_missed(self) -> np.ndarray:
        """The same where what is seen coming is brought by other means."""
        return self._mean(self.missed)

    @property
    def mean_rushed(self) -> np.ndarray:
        """Share of those weeks in which something of each material is brought by other means."""
        return self._mean(self.rushed)

    def _mean(self, share: np.ndarray) -> np.ndarray:
        share = np.where(self.after, share, np.nan)
        known = self.after.any(axis=1)
        means = np.full(len(share), np.nan)
        means[known] = np.nanmean(share[known], axis=1)
        return means


def shortage_rates(scenarios: Scenarios, quantity: np.ndarray, policy: Policy | None = None) -> ShortageRates:
    """Return how often each material runs out in each week with orders of those quantities.

    `quantity` has shape (sources of all materials, ORDERS) [unit of the material]. With a policy, what a review sees
    coming is brought by other means where its costs say that they are worth it.
    """
    weeks = min(max(int(one.due[-1]) for one in scenarios.planned) // 7 + 1, len(scenarios.days) // 7)
    shape = (len(scenarios.planned), weeks)
    share, early, missed, brought = np.zeros((4, *shape))
    after = np.zeros(shape, dtype=bool)
    stocks = scenarios.stocks(quantity, 7 * weeks)
    rushes: dict[int, np.ndarray] = {}
    for place, (one, short) in enumerate(zip(scenarios.planned, scenarios.run_out(stocks), strict=True)):
        # Nothing of the plan helps before it has come.
        helped = np.arange(7 * weeks) >= scenarios.helped[place][:, None]
        unseen = short & helped
        if policy is not None and unseen.any():
            seen, rush = foreseen(scenarios, place, quantity[one.rows], stocks[place], policy)
            unseen &= ~seen
            rushes[place] = rush & helped
        for counted, days in ((share, short & helped), (early, short & ~helped), (missed, unseen)):
            counted[place] = _by_week(days)
        # The weeks that the plan decides: from the first that half of the first orders have come in, to that of
        # the order that comes after the plan's last.
        first = int(np.median(scenarios.helped[place])) // 7
        after[place, first : min(int(one.due[ORDERS]) // 7, weeks)] = True
    for place, rush in rushes.items():
        brought[place] = _by_week(_of_its_own(scenarios.planned, rushes, place, rush))
    return ShortageRates(share, early, missed, brought, after)


def _by_week(days: np.ndarray) -> np.ndarray:
    """Return in which share of scenarios a day of each week is marked, shape (weeks,)."""
    return np.asarray(days.reshape(len(days), -1, 7).any(axis=2).mean(axis=0))


def _of_its_own(
    planned: Sequence[Planned], rushes: Mapping[int, np.ndarray], place: int, rush: np.ndarray
) -> np.ndarray:
    """Return the rushes of a material that are not another's: of two that stand in for each other one is brought."""
    nothing = np.zeros_like(rush)
    stand_in = planned[place].stand_in
    if stand_in is not None:
        return rush & rushes.get(stand_in[0], nothing)
    for other, one in enumerate(planned):
        if one.stand_in is not None and one.stand_in[0] == place:
            rush = rush & ~rushes.get(other, nothing)
    return rush
