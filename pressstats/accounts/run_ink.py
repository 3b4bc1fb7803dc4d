"""What the dips about each run tell of its ink, beside what its film, starts and coverage take."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..ink import expected_use

__all__ = ["run_ink"]


def run_ink(
    run_ids: pd.Series, exposure: pd.DataFrame, intervals: pd.DataFrame, model: pd.DataFrame
) -> pd.DataFrame:
    """Return ink_kg and ink_size [kg] of each run, index of `run_ids`: all inks together.

    What the dips before and after say was used is shared among the runs between them, and idle loss, as the model
    expects them. `ink_size` is that expectation. Blank where an ink of the run is between no two dips, or has no model.
    """
    parts = []
    for ink, printed in exposure.groupby("ink"):
        own = intervals[intervals["ink"] == ink].sort_values("read_at")
        size = expected_use(printed.assign(days=0.0), model)
        # A dip comes after every run that had finished by then.
        interval = np.searchsorted(own["read_at"].to_numpy(), printed["finished_at"].to_numpy())
        inside = interval < len(own)
        interval = np.minimum(interval, max(len(own) - 1, 0))
        part = pd.DataFrame({"run_id": printed["run_id"], "size": size, "kg": np.nan})
        if len(own):
            inside &= own["since"].to_numpy()[interval] < printed["finished_at"].to_numpy()
            still = expected_use(own.assign(solid_m2=0.0, starts=0.0), model).to_numpy()
            between = size.groupby(interval).transform(lambda kg: kg.sum(skipna=False))
            used = own["used_kg"].where(own["why"] == "").clip(lower=0.0).to_numpy()[interval]
            part["kg"] = np.where(inside, size * used / (between + still[interval]), np.nan)
        part.loc[part["size"] == 0, "kg"] = 0.0
        parts.append(part)
    names = {"kg": "ink_kg", "size": "ink_size"}
    if not parts:
        return pd.DataFrame(np.nan, run_ids.index, list(names.values()))
    sums = pd.concat(parts).groupby("run_id")[["kg", "size"]].sum(skipna=False)
    return sums.rename(columns=names).reindex(run_ids).set_index(run_ids.index)
