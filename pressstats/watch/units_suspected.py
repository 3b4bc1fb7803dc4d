"""Which unit a column may have been logged in: factors of common units, and what bears them out."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..logs.values import parse_number

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["LENGTHS", "WEIGHTS", "fitting_unit", "nearest_unit", "problem_values"]

#: Units that lengths are logged in by mistake, in ours [mm], and weights [kg] (exact, ISO 80000).
LENGTHS: dict[str, float] = {"centimetres": 10.0, "inches": 25.4, "metres": 1000.0}
WEIGHTS: dict[str, float] = {"pounds": 0.45359237, "tonnes": 1000.0}
#: How near a factor has to be to that of a unit.
_NEAR = 1.2
#: Share of the values that have to fit in a unit.
_MOST = 0.6


def nearest_unit(times: float, units: Mapping[str, float]) -> str:
    """Return the unit in which a value, logged as `times` what it should be, fits; empty if there is none."""
    if not times > 0:
        return ""
    away = {name: abs(np.log(times * factor)) for name, factor in units.items()}
    best = min(away, key=lambda name: away[name])
    return best if away[best] < np.log(_NEAR) else ""


def fitting_unit(
    values: np.ndarray, units: Mapping[str, float], fits: Callable[[np.ndarray], np.ndarray]
) -> str:
    """Return the unit in which most values fit, empty if there is none or they fit as they are."""
    shares = {name: float(np.mean(fits(values * factor))) for name, factor in units.items()}
    best = max(shares, key=lambda name: shares[name])
    return best if shares[best] >= _MOST and shares[best] > float(np.mean(fits(values))) else ""


def problem_values(logs: Logs, table: str) -> pd.DataFrame:
    """Return column and value (NaN where no number) of each problem of a table; of several columns the first."""
    records = []
    for frame in (logs.rejected, logs.warnings):
        problems = frame[frame["table"] == table]
        for columns, values in zip(problems["column"], problems["value"], strict=True):
            names, cells = columns.split(" | "), values.split(" | ")
            if len(names) != len(cells):
                cells = [""] * len(names)
            for name, cell in zip(names, cells, strict=True):
                several = ", " in name
                first = name.split(", ")[0]
                records.append((first, _number(re.split(", ", cell)[0] if several else cell, logs)))
    return pd.DataFrame(records, columns=["column", "value"])


def _number(text: str, logs: Logs) -> float:
    try:
        return parse_number(text, logs.plant.format.decimal)
    except ValueError:
        return float("nan")
