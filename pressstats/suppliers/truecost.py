"""What a tonne of printable paper truly costs of each supplier, and how sure that is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

if TYPE_CHECKING:
    from ..plant import Policy

__all__ = ["true_costs"]

#: Draws of each uncertain part: limits of a cost are then sure to a few hundredths of their distance.
_DRAWS = 4000
_SEED = 11
_PARTS = ("heavier", "lost", "breaks", "late")
_NORMAL_95 = float(special.ndtri(0.975))
_NEEDED = ["price", "heavier_pct", "lost_pct", "lost_error", "breaks_per_100", "reel_kg", "late_chance"]


def true_costs(quality: pd.DataFrame, policy: Policy, waste_price: float = 0.0) -> pd.DataFrame:
    """Return what a tonne of printable paper of nominal grammage costs, all told.

    Parameters
    ----------
    quality : DataFrame
        price [currency / kg]; heavier_pct, heavier_low, heavier_high, lost_pct, lost_error, lots, breaks_per_100,
        ci_low, ci_high, reel_kg as of :func:`pressstats.suppliers.paper_quality`; late_chance (that a load comes so
        late that stock does not reach), late_loads and other_loads (how many did, and did not).
    policy : Policy
        What a web break costs, and what an emergency tonne costs more.
    waste_price : float
        What a kilogram torn off or thrown away is sold for [currency / kg].

    Returns
    -------
    DataFrame, index of `quality`
        true_cost_per_t, true_ci_low, true_ci_high (95 %), paper_cost_per_t (lateness left out) [currency / t]; blank
        where a part is.

    Notes
    -----
    Of a delivered tonne at price P, a share s is torn off or thrown away and sold at W; b breaks a reel of r tonnes
    cost C each, and with chance q its load comes so late that express supply must stand in, at X more a tonne. What is
    left covers the area of (1 - s) / g nominal tonnes, where g is effective over nominal grammage:

        cost = g / (1 - s) x (P - s W + b C / r + q X)

    Only what is not wasted is printable, so what a tonne costs rises with 1 / (1 - s). The limits are the quantiles of
    draws of the four uncertain parts, which come from different measurements and are taken as independent; prices
    are known.
    """
    draws = _draws()
    g = _centre(quality["heavier_pct"], quality["heavier_low"], quality["heavier_high"], draws["heavier"])
    lost = quality["lost_pct"].to_numpy(dtype=float)[:, None]
    freedom = np.maximum(quality["lots"].to_numpy(dtype=float) - 1, 1.0)[:, None]
    reach = special.stdtrit(freedom, draws["lost"][None, :])
    lost = np.clip(lost + quality["lost_error"].to_numpy(dtype=float)[:, None] * reach, 0.0, 99.0)
    breaks = _centre(quality["breaks_per_100"], quality["ci_low"], quality["ci_high"], draws["breaks"])
    chance = quality["late_chance"].to_numpy(dtype=float)[:, None]
    seen, others = (quality[name].to_numpy(dtype=float)[:, None] for name in ("late_loads", "other_loads"))
    # Half a load each way beside what was seen (Jeffreys): no late load of few is not never.
    late = special.betaincinv(seen + 0.5, others + 0.5, draws["late"][None, :])
    parts = {"g": 1 + g / 100, "lost": lost / 100, "breaks": np.maximum(breaks, 0.0) / 100, "late": late}
    drawn = _cost(quality, parts, policy, waste_price)
    known = {
        "g": 1 + quality["heavier_pct"].to_numpy(dtype=float)[:, None] / 100,
        "lost": quality["lost_pct"].to_numpy(dtype=float)[:, None] / 100,
        "breaks": quality["breaks_per_100"].to_numpy(dtype=float)[:, None] / 100,
        "late": chance,
    }
    cost = _cost(quality, known, policy, waste_price)[:, 0]
    on_time = _cost(quality, known | {"late": 0.0 * chance}, policy, waste_price)[:, 0]
    blank = quality[_NEEDED].isna().any(axis=1).to_numpy()
    low, high = np.quantile(drawn, [0.025, 0.975], axis=1)
    frame = pd.DataFrame(
        {
            "true_cost_per_t": cost,
            "true_ci_low": np.minimum(low, cost),
            "true_ci_high": np.maximum(high, cost),
            "paper_cost_per_t": on_time,
        },
        index=quality.index,
    )
    frame[blank] = np.nan
    return frame


def _cost(
    quality: pd.DataFrame, parts: dict[str, np.ndarray], policy: Policy, waste_price: float
) -> np.ndarray:
    price = 1000 * quality["price"].to_numpy(dtype=float)[:, None]
    tonnes = quality["reel_kg"].to_numpy(dtype=float)[:, None] / 1000
    delivered = price - parts["lost"] * 1000 * waste_price + parts["breaks"] / tonnes * policy.break_cost
    delivered = delivered + parts["late"] * policy.expedite_cost_per_t
    found: np.ndarray = parts["g"] / (1 - parts["lost"]) * delivered
    return found


def _draws() -> dict[str, np.ndarray]:
    """Return probabilities for each part, each in layers and in an order of its own, the same for every supplier."""
    rng = np.random.default_rng(_SEED)
    layers = (np.arange(_DRAWS) + 0.5) / _DRAWS
    return {part: rng.permutation(layers) for part in _PARTS}


def _centre(value: pd.Series, low: pd.Series, high: pd.Series, probability: np.ndarray) -> np.ndarray:
    """Return draws about `value` that have the 95 % limits `low` and `high`, shape (rows, draws)."""
    score = special.ndtri(probability)[None, :] / _NORMAL_95
    middle = value.to_numpy(dtype=float)[:, None]
    above = high.to_numpy(dtype=float)[:, None] - middle
    below = middle - low.to_numpy(dtype=float)[:, None]
    drawn: np.ndarray = middle + np.where(score > 0, above, below) * score
    return drawn
