"""What routine should have done: tests of standby supplies, reels that are logged, logs that can be true."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..paper.runs import lost_runs
from .kinds import is_news, raised

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["implausible_exceptions", "log_exceptions", "standby_exceptions"]


def standby_exceptions(logs: Logs) -> Iterator[dict[str, Any]]:
    """Yield standby supplies whose test is overdue or was never made."""
    if not logs.has("standby"):
        return
    row: Any
    for row in logs["standby"].itertuples():
        # Of a supply that was tested after as-of nobody knows when it was tested before.
        if pd.notna(row.tested_on) and row.tested_on > logs.as_of:
            continue
        due = row.tested_on + pd.Timedelta(days=row.test_every_days) if pd.notna(row.tested_on) else pd.NaT
        if pd.notna(due) and due >= logs.as_of:
            continue
        late = float((logs.as_of - due).days) if pd.notna(due) else np.nan
        why = f"its test was due on {due:%Y-%m-%d}" if pd.notna(due) else "no test of it is logged"
        asked = str(row.contact) if pd.notna(row.contact) else ""
        yield raised(logs, "standby test", row.supply, why, size=late, unit="days late", asked=asked)


def log_exceptions(logs: Logs) -> Iterator[dict[str, Any]]:
    """Yield gaps in what is logged every night."""
    runs = logs["runs"]
    if not logs.has("reel_mounts"):
        return
    # A mount that was set aside was logged.
    recent = runs[is_news(logs, runs["date"]) & ~lost_runs(logs, "reel_mounts")]
    bare = recent[~recent["run_id"].isin(logs["reel_mounts"]["run_id"].unique())]
    if len(bare):
        why = "printed without any reel record, so their paper cannot be balanced"
        unit = "runs of four weeks"
        yield raised(logs, "log gap", "runs without reels", why, size=float(len(bare)), unit=unit)


def implausible_exceptions(logs: Logs, implausible: pd.DataFrame) -> Iterator[dict[str, Any]]:
    """Yield what in the logs cannot be true, with the unit or column that it points at."""
    for row in implausible.itertuples():
        unit = f" {row.unit}" if row.unit else ""
        why = f"{row.what} {row.value:.3g}{unit}, limit {row.limit:.3g}{unit}"
        why += f": {row.suspect}" if row.suspect else ""
        state = "" if row.refuses else "watch"
        subject = str(row.subject)
        yield raised(logs, "implausible logs", subject, why, size=row.value, unit=row.unit, state=state)
