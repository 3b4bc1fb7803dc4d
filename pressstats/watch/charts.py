"""Control charts on standardised residuals.

An exponentially weighted moving average (EWMA) sees a small lasting shift that no single value
shows. Parameters and how often it cries wolf are part of what is printed beside it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import special

__all__ = ["EWMA_LIMIT", "EWMA_WEIGHT", "ewma", "ewma_limits", "ewma_run_length", "ewma_signals"]

#: Weight of the newest value.
EWMA_WEIGHT = 0.2
#: Width of the limits in standard deviations of the average. Four inks dipped daily are 112 intervals in the four weeks
#: in which a signal is news, two presses 16 values of waste: at 3 steady use would raise an alarm in every five months,
#: at 3.5 in 25, and waste one in every 35 months, at 3.5 in 190.
EWMA_LIMIT = 3.5
#: States of the Markov chain that stands for the average (odd).
_STATES = 101


def ewma(values: pd.Series | np.ndarray, weight: float = EWMA_WEIGHT, start: float = 0.0) -> np.ndarray:
    """Return the exponentially weighted moving average of `values`; a blank one leaves the average where it is."""
    averages = np.empty(len(values))
    average = start
    for position, value in enumerate(np.asarray(values, dtype=float)):
        if not np.isnan(value):
            average = weight * value + (1 - weight) * average
        averages[position] = average
    return averages


def ewma_limits(n: int, weight: float = EWMA_WEIGHT, limit: float = EWMA_LIMIT) -> np.ndarray:
    """Return the distance of the limits from the centre for each of the first `n` averages of standardised values.

    L sqrt(w / (2 - w) (1 - (1 - w)^(2 t))): NIST/SEMATECH e-Handbook, section 6.3.2.4 gives its asymptote.
    """
    steps = np.arange(1, n + 1)
    return limit * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * steps)))


def ewma_signals(z: pd.Series) -> pd.Series:
    """Say where the average of standardised residuals is outside its limits: ``high``, ``low`` or empty."""
    average = ewma(z)
    # Limits widen with the values that the average has taken up.
    taken = z.notna().cumsum().to_numpy()
    limits = np.append(0.0, ewma_limits(len(z)))[taken]
    words = np.where(average > limits, "high", np.where(average < -limits, "low", ""))
    return pd.Series(words, index=z.index, dtype="str")


def ewma_run_length(shift: float = 0.0, weight: float = EWMA_WEIGHT, limit: float = EWMA_LIMIT) -> float:
    """Return the mean number of values until the chart signals, for independent normal values and constant limits.

    `shift` is a lasting shift in standard deviations (0: false alarms). Markov chain of Lucas and Saccucci (1990),
    Technometrics 32:1.
    """
    edge = limit * np.sqrt(weight / (2 - weight))
    width = 2 * edge / _STATES
    centres = -edge + width * (np.arange(_STATES) + 0.5)
    upper = (centres[None, :] + width / 2 - (1 - weight) * centres[:, None]) / weight - shift
    lower = (centres[None, :] - width / 2 - (1 - weight) * centres[:, None]) / weight - shift
    stay = special.ndtr(upper) - special.ndtr(lower)
    lengths = np.linalg.solve(np.eye(_STATES) - stay, np.ones(_STATES))
    return float(lengths[_STATES // 2])
