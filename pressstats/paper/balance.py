"""Where every kilogram of paper went: the balance by run, week, title and press.

Each mounted kilogram ends in exactly one stream; what does not is `unexplained_kg`, shown, never
spread. Streams that come from reel records are blank unless every run of the group has complete
records: half a week's reels beside a whole week's copies would be a wrong balance.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from ..logs import Logs
from ..tables import as_published
from .grammage import effective_grammage, threading_paper
from .runs import mount_weights, run_copies, web_use

__all__ = ["COUNTED", "REEL_STREAMS", "STREAMS", "balance_by", "paper_balance", "run_balance"]

#: Streams that the copy counters give.
COUNTED = ("good_kg", "startup_kg", "running_kg", "uncounted_kg")
#: Streams that need complete reel records.
REEL_STREAMS = ("mounted_kg", "strip_kg", "reel_end_kg", "scrapped_kg", "unexplained_kg")
#: Streams that add up to `mounted_kg`, in the order of the published table.
STREAMS = (*COUNTED, "grammage_kg", "strip_kg", "reel_end_kg", "scrapped_kg", "unexplained_kg")


def run_balance(logs: Logs, grammage: pd.DataFrame) -> pd.DataFrame:
    """Return the balance of each run.

    Parameters
    ----------
    logs : Logs
        The logs.
    grammage : DataFrame
        Published table ``grammage`` (result of :func:`effective_grammage`).

    Returns
    -------
    DataFrame, shape (runs, 18)
        run_id, date, week, title, press, has_reels, area_m2 [m2], mounted_kg and every stream
        [kg], good_grammage_kg (share of grammage_kg in the good copies), starts (webs threaded)
        and breaks (mounts ended by web_break). Reel streams are blank where reel records are
        missing or incomplete. A material without an effective grammage has its excess in
        unexplained_kg; grammage_kg is blank where no web of the run has one.
    """
    webs = web_use(logs)
    balance = run_copies(logs, webs)
    effective = webs["material"].map(grammage.set_index("material")["effective_gsm"])
    excess = webs["area_m2"] * (effective.astype("float64") - webs["nominal_gsm"]) / 1000
    balance["grammage_kg"] = excess.groupby(webs["run_id"]).sum(min_count=1).reindex(balance.index)
    gross = balance[list(COUNTED)].sum(axis=1, skipna=False)
    balance.loc[gross.isna(), "grammage_kg"] = np.nan
    balance["good_grammage_kg"] = balance["grammage_kg"] * balance["good_kg"] / gross
    balance["starts"] = webs.groupby("run_id").size().reindex(balance.index).astype("float64")
    balance = balance.join(_reel_streams(logs, webs, balance.index))
    explained = gross + balance["grammage_kg"].fillna(0.0) + balance["strip_kg"] + balance["reel_end_kg"]
    scrapped = balance["scrapped_kg"]
    if scrapped.notna().any():
        explained = explained + scrapped
    balance["unexplained_kg"] = balance["mounted_kg"] - explained
    return balance.reset_index()


def balance_by(runs: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Add up the balance of runs by week, press, title or any columns of it.

    Parameters
    ----------
    runs : DataFrame
        Result of :func:`run_balance`.
    by : sequence of str
        Columns to group by.

    Returns
    -------
    DataFrame, shape (groups, len(by) + 15)
        `by`, runs, runs_with_reels, area_m2 [m2], mounted_kg and every stream [kg], waste_pct [%],
        starts, breaks. A sum over a run that is blank is blank; grammage_kg alone is summed over
        what is known.
    """
    groups = runs.groupby(list(by), sort=True)
    total = groups.agg(runs=("run_id", "size"), runs_with_reels=("has_reels", "sum")).astype("float64")
    summed = ["area_m2", "mounted_kg", *STREAMS, "good_grammage_kg", "starts", "breaks"]
    sums = groups[summed].sum(min_count=1)
    known = groups[summed].count()
    for column in summed:
        if column not in ("grammage_kg", "good_grammage_kg"):
            sums.loc[known[column] < total["runs"], column] = np.nan
    total = total.join(sums)
    usable = total["mounted_kg"] - total["good_kg"] - total["good_grammage_kg"].fillna(0.0)
    total["waste_pct"] = 100 * usable / total["mounted_kg"]
    return total.drop(columns="good_grammage_kg").reset_index()


def paper_balance(logs: Logs) -> pd.DataFrame:
    """Return the published table ``paper_balance``: a row per week and press.

    Parameters
    ----------
    logs : Logs
        The logs.

    Returns
    -------
    DataFrame, shape (weeks x presses, 16)
        The published columns.
    """
    grammage = effective_grammage(threading_paper(logs), logs)
    return as_published(balance_by(run_balance(logs, grammage), ["week", "press"]), "paper_balance")


def _reel_streams(logs: Logs, webs: pd.DataFrame, runs: pd.Index) -> pd.DataFrame:
    """Return mounted, strip, reel-end and scrapped kg, breaks and has_reels of each run."""
    streams = ["mounted_kg", "strip_kg", "reel_end_kg", "scrapped_kg"]
    if not logs.has("reel_mounts"):
        empty = pd.DataFrame(np.nan, index=runs, columns=[*streams, "breaks"])
        return empty.assign(has_reels=False)
    mounts = mount_weights(logs)
    mounts["breaks"] = (mounts["ended_by"] == "web_break").astype("float64")
    grouped = mounts.groupby("run_id")
    sums = grouped[[*streams, "breaks"]].sum(min_count=1).reindex(runs)
    weighed = mounts["net_kg"].notna().groupby(mounts["run_id"]).all().reindex(runs, fill_value=False)
    threaded = webs.groupby("run_id")["web"].nunique()
    mounted = webs.merge(mounts[["run_id", "web"]].drop_duplicates(), on=["run_id", "web"])
    complete = mounted.groupby("run_id")["web"].nunique().reindex(runs, fill_value=0)
    whole = complete == threaded.reindex(runs, fill_value=0)
    aside = logs.set_aside
    lost = aside.loc[aside["table"].isin(["reel_mounts", "run_webs"]), "run_id"]
    has_reels = weighed.astype(bool) & whole & (complete > 0) & ~runs.isin(lost)
    sums[~has_reels] = np.nan
    sums["has_reels"] = has_reels
    return sums
