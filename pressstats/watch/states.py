"""When a figure of the week is in control, to be watched, to be acted on, or unknown: the rules, and nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from ..reels import poisson_interval

__all__ = [
    "ACT",
    "IN_CONTROL",
    "UNKNOWN",
    "WATCH",
    "breaks_state",
    "days_state",
    "ink_state",
    "logs_state",
    "risk_state",
    "standby_state",
    "waste_state",
    "worst",
]

IN_CONTROL, WATCH, ACT, UNKNOWN = "in control", "watch", "act", "unknown"
#: The worst first: what is not known is worse than what is in control, and better than what is known to be wrong.
_ORDER = (ACT, WATCH, UNKNOWN, IN_CONTROL)
#: Waste so many times its target needs action, not watching (ours, no source).
ACT_RATIO = 1.25
#: Of the last 13 weeks, a press over the target in so many is over it in most.
MOST_WEEKS = 7
#: Risk of running out that needs action, in allowed risks: up to here the order plan takes it knowingly, since most of
#: what runs out is seen in time to be brought by other means.
RISK_RATIO = 25.0
#: Share of rows set aside from which on the logs are to be watched [%] (ours, no source).
ASIDE_PCT = 1.0


def worst(states: Iterable[str]) -> str:
    """Return the worst of several states, empty ones left out; unknown if there is none."""
    judged = {state for state in states if state}
    return next((state for state in _ORDER if state in judged), UNKNOWN)


def waste_state(
    week: float, weeks_13: float, presses_13: Sequence[float], weeks_over: Sequence[int], target: float
) -> str:
    """Return the state of waste [%]: what lasts counts as much as the last week; blank where it is not known.

    `weeks_over` tells of each press in how many of the last 13 weeks it was over the target.
    """
    shares = np.array([week, weeks_13, *presses_13], dtype=float)
    if (shares > ACT_RATIO * target).any():
        return ACT
    if (shares > target).any() or any(weeks >= MOST_WEEKS for weeks in weeks_over):
        return WATCH
    return IN_CONTROL if np.isfinite(week) else UNKNOWN


def breaks_state(events: float, reels: float, target: float) -> tuple[str, float, float]:
    """Return the state of web breaks, with the exact 95 % limits of their number per 100 reels."""
    if not reels > 0:
        return UNKNOWN, np.nan, np.nan
    low, high = (100 * float(limit[0]) / reels for limit in poisson_interval(np.array([events])))
    if low > target:
        return ACT, low, high
    return (IN_CONTROL if events <= target * reels / 100 else WATCH), low, high


def ink_state(signals: int, unknown: int) -> str:
    """Return the state of ink use: inks outside their limits, and inks whose use or expectation is not known."""
    return WATCH if signals else UNKNOWN if unknown else IN_CONTROL


def days_state(days: float, least: float, risk: float, allowed: float, unknown: int) -> str:
    """Return the state of the shortest days of stock: never in control over what may run out."""
    if days < least:
        return ACT
    of_risk = risk_state(risk, allowed)
    if of_risk in (ACT, WATCH):
        return of_risk
    return UNKNOWN if unknown or np.isnan(days) else of_risk


def risk_state(risk: float, allowed: float) -> str:
    """Return the state of a risk of running out against the risk that the service level allows."""
    if np.isnan(risk):
        return UNKNOWN
    # A risk is counted on paths: one that is allowed to the last digit is allowed.
    if risk <= allowed + 1e-9:
        return IN_CONTROL
    return WATCH if risk <= RISK_RATIO * allowed + 1e-9 else ACT


def standby_state(untested: int, short: int, supplies: int) -> str:
    """Return the state of the standby supplies by themselves: a test overdue is an exception."""
    if short:
        return WATCH
    return UNKNOWN if untested or not supplies else IN_CONTROL


def logs_state(aside_pct: float) -> str:
    """Return the state of the logs by the share of rows set aside of the table that lost most [%]."""
    return WATCH if aside_pct >= ASIDE_PCT else IN_CONTROL
