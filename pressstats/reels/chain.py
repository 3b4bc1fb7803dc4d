"""The life of each reel: received, mounted, put back, mounted again, used up or still in the store."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..logs import Logs
from ..tables import as_published

__all__ = ["mount_ends", "reel_chain"]

_REEL = ["supplier", "reel_id"]


def mount_ends(logs: Logs) -> pd.Series:
    """Return when each mount ended.

    Parameters
    ----------
    logs : Logs
        Logs with ``reel_mounts``.

    Returns
    -------
    Series of datetime64, shape (mounts,), index of ``reel_mounts``
        Start of the next mount on the same web of the run, else the end of the run: no log holds
        the end itself.
    """
    mounts = logs["reel_mounts"]
    finished = mounts["run_id"].map(logs["runs"].set_index("run_id")["finished_at"])
    ordered = mounts.sort_values(["run_id", "web", "mounted_at"])
    following = ordered.groupby(["run_id", "web"])["mounted_at"].shift(-1).reindex(mounts.index)
    return following.fillna(finished)


def reel_chain(logs: Logs) -> pd.DataFrame:
    """Follow each reel from mount to mount.

    Parameters
    ----------
    logs : Logs
        Logs; without ``reel_mounts`` only reels in the store are known, without ``reels`` only
        mounted ones.

    Returns
    -------
    DataFrame, shape (reels, 8)
        Published table ``reel_chain``. `store_loss_kg` adds up what was missing between going
        back and the next mount (negative: heavier than before, within weighing error), mounts
        with a run without reel records between them left out, and is blank for a reel that was
        never put back. `in_store_kg` is the last remainder, the weight
        received where it was never mounted, 0 where it was used up or scrapped, and blank where a run
        without reel records came later: it may have been used up in that.
    """
    parts = []
    if logs.has("reel_mounts"):
        parts.append(_mounted(logs))
    if logs.has("reels"):
        received = logs["reels"].assign(mounts=0.0, store_loss_kg=np.nan)
        received["first_mounted"] = received["last_ended"] = pd.Series(
            pd.NaT, received.index, "datetime64[us]"
        )
        unlogged = _unlogged_runs(logs) if logs.has("reel_mounts") else np.array([], dtype="datetime64[us]")
        after = np.searchsorted(unlogged, received["received_on"].to_numpy(), side="right") < len(unlogged)
        received["in_store_kg"] = received["received_kg"].where(~after)
        if parts:
            mounted = pd.MultiIndex.from_frame(parts[0][_REEL])
            received = received[~pd.MultiIndex.from_frame(received[_REEL]).isin(mounted)]
        parts.append(received)
    columns = [*_REEL, "material", "mounts", "first_mounted", "last_ended", "store_loss_kg", "in_store_kg"]
    if not parts:
        return as_published(pd.DataFrame(columns=columns), "reel_chain")
    return as_published(pd.concat([part[columns] for part in parts], ignore_index=True), "reel_chain")


def _mounted(logs: Logs) -> pd.DataFrame:
    mounts = logs["reel_mounts"].assign(ended_at=mount_ends(logs))
    mounts = mounts.sort_values([*_REEL, "mounted_at"], ignore_index=True)
    reel = mounts.groupby(_REEL, sort=False)
    mounts["lost_kg"] = reel["returned_kg"].shift() - mounts["start_kg"]
    # Between two mounts it may have run in a run whose reels nobody logged: that is no loss of the store.
    mounts.loc[_ran_unlogged(logs, reel["mounted_at"].shift(), mounts["mounted_at"]), "lost_kg"] = np.nan
    grouped = mounts.groupby(_REEL, sort=True)
    chain = grouped.agg(
        material=("material", "first"),
        mounts=("mounted_at", "size"),
        first_mounted=("mounted_at", "first"),
        last_ended=("ended_at", "last"),
    )
    # min_count keeps a reel that was never put back blank instead of 0 kg lost.
    chain["store_loss_kg"] = grouped["lost_kg"].sum(min_count=1)
    # tail(1), not last(): an unknown remainder must stay unknown.
    last = mounts[~mounts.duplicated(_REEL, keep="last")].set_index(_REEL)["returned_kg"]
    # Where runs without reel records followed, nobody knows whether it was used up in one of them.
    unlogged = _unlogged_runs(logs)
    after = np.searchsorted(unlogged, grouped["mounted_at"].max().to_numpy(), side="right") < len(unlogged)
    chain["in_store_kg"] = last.where(~pd.Series(after, chain.index) | (last == 0))
    return chain.astype({"mounts": "float64"}).reset_index()


def _unlogged_runs(logs: Logs) -> np.ndarray:
    """Return when the runs started whose reels nobody logged, in order."""
    runs = logs["runs"]
    return np.sort(
        runs.loc[~runs["run_id"].isin(logs["reel_mounts"]["run_id"].unique()), "started_at"].to_numpy()
    )


def _ran_unlogged(logs: Logs, since: pd.Series, until: pd.Series) -> np.ndarray:
    """Say where a run without any logged reel started between two times, shape (rows,)."""
    unlogged = _unlogged_runs(logs)
    before = np.searchsorted(unlogged, since.to_numpy(), side="right")
    return since.notna().to_numpy() & (np.searchsorted(unlogged, until.to_numpy(), side="left") > before)
