"""What newsprint was said to weigh: by materials, and by the weight and length of the reels received."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["announced_changes"]

#: What is printed agrees with what was said when it is within so much of it: three times what reels of one
#: grammage differ by (half a percent, as for the smallest change).
_AGREES = 0.015
#: Reels with a length that a spell needs before their grammage is told.
_REELS_LEAST = 5


def _delivered_grammage(logs: Logs, mounts: pd.DataFrame) -> pd.DataFrame:
    """Return material, supplier, mounted_at (first) and gsm [g/m2] of the reels received with weight and length."""
    columns = ["material", "supplier", "mounted_at", "gsm"]
    if not logs.has("reels") or not logs.has("materials"):
        return pd.DataFrame(columns=columns)
    first = mounts.groupby(["supplier", "reel_id"])["mounted_at"].min().reset_index()
    reels = logs["reels"].merge(first, on=["supplier", "reel_id"])
    width = logs.of_material(reels["material"], "width_mm")
    gsm = reels["received_kg"] * 1e6 / (reels["length_m"] * width)
    return reels.assign(gsm=gsm).dropna(subset=["gsm"])[columns]


def announced_changes(logs: Logs, regimes: pd.DataFrame, mounts: pd.DataFrame | None) -> frozenset[str]:
    """Return the subjects whose present grammage, other than before, is what the logs said it would be.

    Parameters
    ----------
    logs : Logs
        The logs.
    regimes : DataFrame
        Grammages of the published table ``regimes``.
    mounts : DataFrame or None
        Result of :func:`pressstats.paper.mount_weights`.

    Returns
    -------
    frozenset of str
        Subjects whose nominal grammage is that of now and not that of before, or whose reels were received lighter
        or heavier by about as much.
    """
    reels = _delivered_grammage(logs, mounts) if mounts is not None else None
    announced = set()
    for subject, spells in regimes.groupby("subject"):
        rows = spells.sort_values("from").to_dict("records")
        if len(rows) < 2:
            continue
        material, _, supplier = str(subject).partition(", ")
        now, before = rows[-1]["estimate"], rows[-2]["estimate"]
        said = float(logs.of_material(pd.Series([material]), "grammage_gsm").iloc[0])
        if abs(now / said - 1) < _AGREES <= abs(before / said - 1):
            announced.add(str(subject))
        elif reels is not None:
            own = reels[reels["material"] == material]
            own = own[own["supplier"] == supplier] if supplier else own
            later = own["mounted_at"] >= rows[-1]["from"]
            if min(later.sum(), (~later).sum()) >= _REELS_LEAST:
                moved = own.loc[later, "gsm"].median() / own.loc[~later, "gsm"].median() - 1
                if abs(moved - (now / before - 1)) < _AGREES and moved * (now - before) > 0:
                    announced.add(str(subject))
    return frozenset(announced)
