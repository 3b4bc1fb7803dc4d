"""Forecasts from sums over longer steps, where noise has averaged out and the slow movement shows.

Source: Kourentzes, Petropoulos & Trapero (2014), *International Journal of Forecasting* 30:291.
"""

from __future__ import annotations

import numpy as np

__all__ = ["aggregate", "disaggregate"]


def aggregate(values: np.ndarray, seen: np.ndarray, block: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return means over blocks of steps, counted from the end.

    Parameters
    ----------
    values : ndarray, shape (series, times)
        Values without season, gaps bridged.
    seen : ndarray of bool, shape (series, times)
        Whether a value is known.
    block : int
        Steps in a block.

    Returns
    -------
    means : ndarray, shape (series, blocks)
        Mean of each block; of the first whole block before that.
    known : ndarray of bool, shape (series, blocks)
        Whether half of the block or more is known, and all of it lies within the series.
    start : ndarray of int, shape (series,)
        First known block.
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
    """Return forecasts of steps on straight lines between centres of blocks.

    Parameters
    ----------
    last : ndarray, shape (series,)
        Mean of the last block of the history.
    forecast : ndarray, shape (series, blocks)
        Forecasts of the next blocks; their last centre lies beyond the horizon.
    block : int
        Steps in a block.
    horizon : int
        Steps ahead.

    Returns
    -------
    ndarray, shape (series, horizon)
        Forecasts of single steps.
    """
    points = np.concatenate([last[:, None], forecast], axis=1)
    position = (np.arange(1, horizon + 1) + (block - 1) / 2) / block
    left = np.minimum(position.astype(int), points.shape[1] - 2)
    share = position - left
    return points[:, left] * (1.0 - share) + points[:, left + 1] * share
