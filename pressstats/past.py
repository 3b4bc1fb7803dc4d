"""Forecasts of past publications: inputs to the record, with their digests."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import pandas as pd

__all__ = ["past_forecasts"]

_COLUMNS = ["material", "made_on", "week", "mean", "q05", "q95"]


def past_forecasts(folder: Path | None, as_of: pd.Timestamp) -> tuple[pd.DataFrame, dict[str, str]]:
    """Read what earlier publications forecast.

    Parameters
    ----------
    folder : Path or None
        Folder of the publications, one folder a day inside; None or absent gives nothing.
    as_of : Timestamp
        Only publications made before this day count.

    Returns
    -------
    forecasts : DataFrame, shape (rows, 6)
        material, made_on, week, mean, q05, q95.
    digests : dict of str
        SHA-256 of each file read, by its path below `folder`.
    """
    parts, digests = [], {}
    for path in sorted(folder.glob("*/tables/demand_forecast.csv")) if folder else []:
        day = path.parent.parent.name
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", day) or pd.Timestamp(day) >= as_of:
            continue
        rows = pd.read_csv(path, dtype={"material": "str"}, parse_dates=["week"])
        # Spreadsheets are told by an apostrophe that a text is no formula: it is not part of the name.
        rows["material"] = rows["material"].str.replace(r"^'(?=[=+\-@\t\r])", "", regex=True)
        parts.append(rows.assign(made_on=pd.Timestamp(day))[_COLUMNS])
        digests[str(path.relative_to(folder))] = hashlib.sha256(path.read_bytes()).hexdigest()  # type: ignore[arg-type]
    if not parts:
        return pd.DataFrame(columns=_COLUMNS), digests
    past = pd.concat(parts, ignore_index=True)
    return past.astype({"made_on": "datetime64[us]", "week": "datetime64[us]"}), digests
