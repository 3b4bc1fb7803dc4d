"""What became of every row that the files hold: each is used, set aside, repeated or later than as-of."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from .raw import RawTable
    from .rows import Rows

__all__ = ["row_ledger"]


def row_ledger(
    opened: dict[str, RawTable], tables: dict[str, Rows], listed: dict[str, np.ndarray]
) -> pd.DataFrame:
    """Count the rows of each table by what became of them: table, read, used, set_aside, repeated, later.

    `read` counts the data rows of the files, before anything is done to them; the others count what each row ended
    as, apart from one another, so that they add up to `read` only if no row is lost. Of a table that cannot be used
    every row is set aside.
    """
    records = []
    for name, raw in opened.items():
        if name not in tables:
            records.append((name, raw.read, 0, raw.read, 0, 0))
            continue
        rows = tables[name]
        aside = rows.problems.rejected(len(rows)) & listed[name]
        repeated = rows.duplicate & ~aside & ~rows.live & listed[name]
        later = ~listed[name] & ~rows.live
        used, set_aside, again, after = (
            int(np.count_nonzero(mask)) for mask in (rows.live, aside & ~rows.live, repeated, later)
        )
        records.append((name, raw.read, used, set_aside, again, after))
    frame = pd.DataFrame(records, columns=["table", "read", "used", "set_aside", "repeated", "later"])
    return frame.astype({"table": "str"} | dict.fromkeys(frame.columns[1:], "float64"))
