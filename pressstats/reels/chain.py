"""The life of each reel: received, mounted, put back, mounted again, used up or still in the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import as_published
from .mount_history import reel_codes, unlogged_runs

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["mount_ends", "reel_chain"]

_REEL = ["supplier", "reel_id"]


def mount_ends(logs: Logs) -> pd.Series:
    """Return when each mount ended: start of the next on the same web of the run, else the end of the run."""
    mounts, runs = logs["reel_mounts"], logs["runs"]
    run = pd.Index(runs["run_id"]).get_indexer(mounts["run_id"])
    web, names = pd.factorize(mounts["web"])
    web_of_run = run * max(len(names), 1) + web
    at = mounts["mounted_at"].to_numpy()
    # A sort by whole numbers is many times faster than by words.
    order = np.lexsort((at, web_of_run))
    ended = runs["finished_at"].array.take(run, allow_fill=True).to_numpy().copy()
    same = web_of_run[order][1:] == web_of_run[order][:-1]
    ended[order[:-1][same]] = at[order[1:][same]]
    return pd.Series(ended, mounts.index)


def reel_chain(logs: Logs) -> pd.DataFrame:
    """Follow each reel from mount to mount.

    Parameters
    ----------
    logs : Logs
        Logs; without ``reel_mounts`` only reels in the store are known, without ``reels`` only mounted ones.

    Returns
    -------
    DataFrame, shape (reels, 8)
        Published table ``reel_chain``. `store_loss_kg` adds up what was missing between going back and the next mount
        (negative: heavier than before, within weighing error), mounts with a run without reel records between them
        left out, and is blank for a reel that was never put back. `in_store_kg` is the last remainder, the weight
        received where it was never mounted, 0 where it was used up or scrapped, and blank where a run without reel
        records, or a mount of it that was set aside, came later: it may have been used up in that.
    """
    parts = []
    if logs.has("reel_mounts"):
        parts.append(_mounted(logs))
    if logs.has("reels"):
        received = logs["reels"].assign(mounts=0.0, store_loss_kg=np.nan)
        received["first_mounted"] = received["last_ended"] = pd.Series(
            pd.NaT, received.index, "datetime64[us]"
        )
        unlogged = unlogged_runs(logs) if logs.has("reel_mounts") else np.array([], dtype="datetime64[us]")
        after = np.searchsorted(unlogged, received["received_on"].to_numpy(), side="right") < len(unlogged)
        lost = _lost_on(received, logs).notna()
        received["in_store_kg"] = received["received_kg"].where(~(after | lost))
        if parts:
            codes = reel_codes(pd.concat([parts[0][_REEL], received[_REEL]], ignore_index=True))
            mounted = len(parts[0])
            # Reels that were mounted have the first numbers.
            received = received[codes[mounted:] >= mounted]
        parts.append(received)
    columns = [*_REEL, "material", "mounts", "first_mounted", "last_ended", "store_loss_kg", "in_store_kg"]
    if not parts:
        return as_published(pd.DataFrame(columns=columns), "reel_chain")
    return as_published(pd.concat([part[columns] for part in parts], ignore_index=True), "reel_chain")


def _mounted(logs: Logs) -> pd.DataFrame:
    mounts = logs["reel_mounts"]
    reel = reel_codes(mounts)
    at = mounts["mounted_at"].to_numpy()
    order = np.lexsort((at, reel))
    reel, at = reel[order], at[order]
    first, last = np.ones(len(reel), dtype=bool), np.ones(len(reel), dtype=bool)
    first[1:] = last[:-1] = reel[1:] != reel[:-1]
    start, back = mounts["start_kg"].to_numpy()[order], mounts["returned_kg"].to_numpy()[order]
    before, since = np.roll(back, 1), np.roll(at, 1)
    unlogged = unlogged_runs(logs)
    # Between two mounts it may have run in a run whose reels nobody logged: that is no loss of the store.
    hidden = np.searchsorted(unlogged, at, side="left") > np.searchsorted(unlogged, since, side="right")
    lost = np.where(first | hidden, np.nan, before - start)
    aside = _lost_on(mounts.iloc[order], logs).to_numpy()
    # What a mount that was set aside took is no loss of the store either; when it was nobody need know.
    lost = np.where(np.isnat(aside), lost, np.nan)
    known = ~np.isnan(lost)
    size = int(first.sum())
    # Where nothing is known the sums come as whole numbers, which hold no blank.
    losses = np.bincount(reel[known], weights=lost[known], minlength=size).astype(float)
    # A reel that was never put back has no loss, which is not a loss of 0 kg.
    losses[np.bincount(reel[known], minlength=size) == 0] = np.nan
    # Where runs without reel records followed, nobody knows whether it was used up in one of them.
    after = np.searchsorted(unlogged, at[last], side="right") < len(unlogged)
    dates = mounts["run_id"].map(logs["runs"].set_index("run_id")["date"]).to_numpy()[order]
    after |= (aside >= dates)[last]
    chain = mounts.loc[order[first], [*_REEL, "material"]].reset_index(drop=True)
    chain["mounts"] = np.bincount(reel, minlength=size).astype("float64")
    chain["first_mounted"] = at[first]
    chain["last_ended"] = mount_ends(logs).to_numpy()[order][last]
    chain["store_loss_kg"] = losses
    chain["in_store_kg"] = np.where(after & (back[last] != 0), np.nan, back[last])
    return chain.sort_values(_REEL, ignore_index=True)


def _lost_on(reels: pd.DataFrame, logs: Logs) -> pd.Series:
    """Return the publication day of the last mount of each reel that was set aside, a far one where no row tells it."""
    lost = logs.lost_mounts.assign(
        date=logs.lost_mounts["date"].fillna(pd.Timestamp.max.floor("D").as_unit("us"))
    )
    last = lost.groupby(_REEL)["date"].max()
    if last.empty:
        return pd.Series(pd.NaT, reels.index, dtype="datetime64[us]")
    dates = last.reindex(pd.MultiIndex.from_frame(reels[_REEL])).to_numpy()
    return pd.Series(dates, reels.index)
