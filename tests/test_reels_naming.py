"""Who is named for web breaks: the limits of naming, from both sides."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from pressstats.reels.breaks import worst_breakers


def _mid_p(events: int, reels: int, others: int, other_reels: int) -> float:
    """One-sided mid-p of the exact conditional test, by the binomial distribution (Lehmann & Romano, 3rd ed.,
    section 4.5, from memory: given their sum, the count of one of two Poisson variables is binomial)."""
    share = stats.binom(events + others, reels / (reels + other_reels))
    return share.sf(events) + share.pmf(events) / 2


def _ranked(by: str, counts: dict[str, tuple[int, int]], suspected: str) -> pd.DataFrame:
    table = pd.DataFrame(
        [(by, level, reels, events, 100 * events / reels) for level, (events, reels) in counts.items()],
        columns=["by", "level", "reels", "breaks", "per_100_reels"],
    )
    effects = pd.DataFrame({"by": by, "level": list(counts)})
    # The regression is surer than the counts, so that the counts decide.
    effects["ratio"] = np.where(effects["level"] == suspected, 2.0, 0.9)
    effects["p_value"] = np.where(effects["level"] == suspected, 1e-9, 0.5)
    return worst_breakers(table, effects, by).set_index("level")


def _events(others: int, reels: int, other_reels: int, wanted: float) -> int:
    """The fewest events whose mid-p is below `wanted`."""
    return next(n for n in range(1, 500) if _mid_p(n, reels, others, other_reels) < wanted)


@pytest.mark.parametrize(
    ("by", "levels", "chance"), [("supplier", 3, 0.03), ("supplier", 5, 0.03), ("reelstand", 12, 0.005)]
)
def test_a_level_is_named_only_below_its_share_of_the_chance_for_the_whole_plant(by, levels, chance):
    # many reels each, so that one break more changes the probability by little
    reels, usual = 20_000, 400
    others, other_reels = usual * (levels - 1), reels * (levels - 1)
    limit = chance / levels
    enough = _events(others, reels, other_reels, limit)
    for events, named in ((enough, True), (enough - 1, False)):
        counts = {f"L{n}": (usual, reels) for n in range(1, levels)} | {"suspect": (events, reels)}
        ranked = _ranked(by, counts, "suspect")
        assert ranked.loc["suspect", "p_value"] == pytest.approx(_mid_p(events, reels, others, other_reels))
        assert ranked.loc["suspect", "named"] == named
        assert not ranked["named"].drop("suspect").any()
    # so near to the limit that a limit a tenth off would name otherwise
    assert limit / 1.15 < ranked.loc["suspect", "p_value"] / 1.0 < limit * 1.15
