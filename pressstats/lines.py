"""Small drawings that need no script, of how a number has gone: lines and bars."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from .markup import quantity

__all__ = ["bars_svg", "extremes", "sparkline_svg"]

#: A drawing is 100 wide and 24 high, and is stretched to the room it has: a margin about it keeps dots whole.
_WIDE, _HIGH, _EDGE = 100, 24, 2


def sparkline_svg(past: Sequence[float], target: float = math.nan, of: str = "weeks") -> Markup:
    """Return a small line of values, the newest with a dot, over the target as a dashed line; empty below two values.

    It stands beside the number that it ends with, and its range is said for whoever does not see it.
    """
    values = np.array(past, dtype=float)
    if np.isfinite(values).sum() < 2:
        return Markup("")
    frame = _frame(values, target)
    across, down = _places(values, frame)
    parts, pen = [], "M"
    for x, y in zip(across, down, strict=True):
        parts += [f"{pen}{x:.1f} {y:.1f}"] if math.isfinite(y) else []
        pen = "L" if math.isfinite(y) else "M"
    drawn = f'<path class="aim" d="M0 {_level(target, frame):.1f}H{_WIDE}"/>' if frame[2] else ""
    drawn += f'<path d="{"".join(parts)}"/>'
    # A line without a length has round ends only: a dot that no stretching makes an ellipse.
    drawn += f'<path class="dot" d="M{across[-1]:.1f} {down[-1]:.1f}h0"/>' if math.isfinite(down[-1]) else ""
    return _drawing(drawn, values, of)


def bars_svg(values: Sequence[float], aims: Sequence[float], of: str) -> Markup:
    """Return bars from zero, each with its aim as a line across it; empty below two values."""
    heights, levels = np.array(values, dtype=float), np.array(aims, dtype=float)
    if np.isfinite(heights).sum() < 2:
        return Markup("")
    top = float(np.nanmax([*heights, *levels])) or 1.0
    step = _WIDE / len(heights)
    drawn = ""
    for place, (height, level) in enumerate(zip(heights, levels, strict=True)):
        left = place * step
        if math.isfinite(height):
            up = _up(max(height, 0.0), top)
            drawn += f'<path class="bar" d="M{left + 0.15 * step:.2f} {_HIGH}V{up:.2f}h{0.7 * step:.2f}V{_HIGH}z"/>'
        if math.isfinite(level):
            drawn += f'<path class="level" d="M{left:.2f} {_up(level, top):.2f}h{step:.2f}"/>'
    return _drawing(drawn, heights, of)


def _up(height: float, top: float) -> float:
    return _HIGH - height / top * (_HIGH - _EDGE)


def extremes(values: Sequence[float], target: float = math.nan) -> list[tuple[float, float, float]]:
    """Return the highest and the lowest of a line: its value, and where it stands [% from the left, % from above]."""
    known = np.array(values, dtype=float)
    if np.isfinite(known).sum() < 2:
        return []
    across, down = _places(known, _frame(known, target))
    return [
        (float(known[at]), float(across[at]), 100 * float(down[at]) / _HIGH)
        for at in (int(np.nanargmax(known)), int(np.nanargmin(known)))
    ]


def _frame(values: np.ndarray, target: float) -> tuple[float, float, bool]:
    """Return the least and greatest number drawn, and whether the target is: one far off would press the line flat."""
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    near = math.isfinite(target) and low - 2 * (high - low) <= target <= high + 2 * (high - low)
    return (min(low, target), max(high, target), True) if near else (low, high, False)


def _places(values: np.ndarray, frame: tuple[float, float, bool]) -> tuple[np.ndarray, np.ndarray]:
    """Return where each value stands, from the left and from above."""
    return np.linspace(_EDGE, _WIDE - _EDGE, len(values)), _level(values, frame)


def _level(values: Any, frame: tuple[float, float, bool]) -> Any:
    bottom, top, _ = frame
    return _HIGH - _EDGE - (_HIGH - 2 * _EDGE) * (values - bottom) / ((top - bottom) or 1.0)


def _drawing(drawn: str, values: np.ndarray, of: str) -> Markup:
    words = f"{len(values)} {of}, from {quantity(float(np.nanmin(values)))} to {quantity(float(np.nanmax(values)))}"
    return Markup(
        f'<svg class="sparkline" viewBox="0 0 {_WIDE} {_HIGH}" preserveAspectRatio="none" role="img" '
        f'aria-label="{html.escape(words)}">{drawn}</svg>'
    )
