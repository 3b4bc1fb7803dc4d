"""Forecasts from sums over longer steps, where noise has averaged out and the slow movement shows.

Source: Kourentzes, Petropoulos & Trapero (2014), *International Journal of Forecasting* 30:291.
"""

from __future__ import annotations

import numpy as np

__all__ = ["aggregate", "disaggregate"]


def aggregate(values: np.ndarray, seen: np.ndarray, block: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return means over blocks of steps counted from the end, which blocks are half known, and the first known one.

    A block of which half is unknown, or that the series does not fill, is not known; its mean bridges.
    """
    count, times = values.shape
    blocks = times // block
    inside = np.arange(times)[None, :] >= seen.argmax(axis=1)[:, None]
    folded = values[:, times - blocks * block :].reshape(count, blocks, block)
    share = seen[:, times - blocks * block :].reshape(count, blocks, block).mean(axis=2)
    whole = inside[:, times - blocks * block :].reshape(count, blocks, block).all(axis=2)
    known = whole & (share >= 0.5)
    known[~known.any(axis=1), -1] = True
    means = folded.mean(axis=2)
    start = known.argmax(axis=1)
    first = means[np.arange(count), start]
    return np.where(np.arange(blocks) >= start[:, None], means, first[:, None]), known, start


def disaggregate(last: np.ndarray, forecast: np.ndarray, block: int, horizon: int) -> np.ndarray:
    """Return forecasts of steps on straight lines between centres of blocks, the first being the `last` block seen."""
    points = np.concatenate([last[:, None], forecast], axis=1)
    position = (np.arange(1, horizon + 1) + (block - 1) / 2) / block
    left = np.minimum(position.astype(int), points.shape[1] - 2)
    share = position - left
    return points[:, left] * (1.0 - share) + points[:, left + 1] * share
