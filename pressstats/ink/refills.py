"""Levels that rise though no delivery is logged: which intervals then still tell what was used.

Without deliveries an interval in which a tank was filled shows too little use, and mostly less than none. Where
every refill is so large that none could hide behind a night's use, those intervals are left out and the rest
are sound: which interval holds a refill has nothing to do with what a square metre takes. Where refills are about as
large as what is used between two dips, intervals without a visible one would be a choice of those with little use or a
small refill, so the ink is refused.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["MAY_HIDE", "UNLOGGED", "leave_out_refills"]

#: Why an interval tells nothing.
UNLOGGED = "the level rose, and no delivery is logged"
MAY_HIDE = "no delivery is logged, and refills are too small to be seen in the levels"
#: Standard deviations of a difference of two dips from which on a rise is one.
_SURE = 5.0
#: Use in an interval that hardly any goes beyond, as a quantile of those whose level fell.
_MOST = 0.99


def leave_out_refills(rows: pd.DataFrame, dip_kg: float) -> pd.DataFrame:
    """Blank the use of intervals of an ink without logged deliveries that a refill makes unknown, and say why.

    It is blank where the level rose; everywhere where refills may be hidden in intervals whose level fell. The
    smallest rise must be larger than what nearly every interval uses, with the error of dips (`dip_kg`, one standard
    deviation of all tanks together [kg]): then sizes of refills begin far above what could hide.
    """
    error = _SURE * np.sqrt(2) * dip_kg
    used = rows["used_kg"]
    rose = used < -error
    if not rose.any():
        return rows
    fell = used[~rose & used.notna()]
    clear = len(fell) and float(-used[rose].max()) >= float(fell.quantile(_MOST)) + error
    aside = rose if clear else pd.Series(True, rows.index)
    why = rows["why"].mask(aside, UNLOGGED if clear else MAY_HIDE)
    return rows.assign(used_kg=used.mask(aside), why=why)
