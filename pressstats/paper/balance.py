"""Where every kilogram of paper went: the balance by run, week, title and press.

Each mounted kilogram ends in exactly one stream; what does not is `unexplained_kg`, shown, never
spread. Streams that come from reel records are blank unless every run of the group has complete
records: half a week's reels beside a whole week's copies would be a wrong balance.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..tables import as_published
from .in_time import web_grammage
from .runs import add_up, lost_runs, run_copies

if TYPE_CHECKING:
    import pandas as pd

    from ..logs import Logs

__all__ = ["COUNTED", "STREAMS", "balance_by", "paper_balance", "run_balance"]

#: Streams that the copy counters give.
COUNTED = ("good_kg", "startup_kg", "running_kg", "uncounted_kg")
#: Streams that add up to `mounted_kg`, in the order of the published table.
STREAMS = (*COUNTED, "grammage_kg", "strip_kg", "reel_end_kg", "scrapped_kg", "unexplained_kg")


def run_balance(
    logs: Logs,
    grammage: pd.DataFrame,
    webs: pd.DataFrame,
    mounts: pd.DataFrame | None,
    regimes: pd.DataFrame,
) -> pd.DataFrame:
    """Return the balance of each run.

    Parameters
    ----------
    logs : Logs
        The logs.
    grammage : DataFrame
        Published table ``grammage``.
    webs, mounts : DataFrame
        Results of :func:`web_use` and :func:`mount_weights`; None without ``reel_mounts``.
    regimes : DataFrame
        ``regimes`` of :func:`paper_weights`: each run is balanced with the grammage of its own day and suppliers.

    Returns
    -------
    DataFrame, shape (runs, 21), rows as in ``runs``
        run_id, date, week, title, press, has_reels, copy_m2, area_m2, spoiled_m2 [m2], mounted_kg and every stream
        [kg], good_grammage_kg (share of grammage_kg in the good copies), starts (webs threaded) and breaks (mounts
        ended by web_break). Reel streams are blank where reel records are missing or incomplete; strip, reel ends
        and scrap that are not weighed are blank and stand in unexplained_kg. A material without an effective
        grammage has its excess in unexplained_kg; grammage_kg is blank where no web of the run has one.
    """
    balance = run_copies(logs, webs)
    run, size = webs["run"].to_numpy(), len(balance)
    effective = webs["material"].map(grammage.set_index("material")["effective_gsm"]).astype("float64")
    effective = web_grammage(regimes, webs, mounts).fillna(effective)
    excess = (webs["area_m2"] * (effective - webs["nominal_gsm"]) / 1000).to_numpy()
    estimated = np.isfinite(excess)
    heavier = add_up(run, np.where(estimated, excess, 0.0), size)
    gross = balance[list(COUNTED)].sum(axis=1, skipna=False)
    known = (add_up(run, estimated, size) > 0) & gross.notna()
    heavier = np.where(known, heavier, np.nan)
    balance = balance.assign(
        grammage_kg=heavier,
        good_grammage_kg=heavier * balance["good_kg"] / gross,
        starts=np.bincount(run, minlength=size).astype(float),
        **_reel_streams(logs, webs, mounts),
    )
    # A stream that is not weighed stands in what is unexplained.
    weighed = balance[["strip_kg", "reel_end_kg", "scrapped_kg"]].fillna(0.0).sum(axis=1)
    explained = gross + balance["grammage_kg"].fillna(0.0) + weighed
    balance["unexplained_kg"] = balance["mounted_kg"] - explained
    return balance


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
        `by`, runs, runs_with_reels, area_m2 [m2], mounted_kg and every stream [kg], waste_pct [%], starts, breaks.
        A sum over a run that is blank is blank; grammage_kg alone is summed over what is known.
    """
    summed = ["area_m2", "mounted_kg", *STREAMS, "good_grammage_kg", "starts", "breaks"]
    counted = runs[[*by, *summed]].assign(runs=1.0, runs_with_reels=runs["has_reels"].astype(float))
    groups = counted.groupby(list(by), sort=True)
    total = groups.sum(skipna=False)
    # Grammage alone is summed over what is known: a material without an estimate is no gap in the logs.
    partly = ["grammage_kg", "good_grammage_kg"]
    total[partly] = groups[partly].sum(min_count=1)
    usable = total["mounted_kg"] - total["good_kg"] - total["good_grammage_kg"].fillna(0.0)
    total["waste_pct"] = 100 * usable / total["mounted_kg"]
    return total.drop(columns="good_grammage_kg").reset_index()


def paper_balance(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``paper_balance``: a row per week and press, from the balance of each run."""
    return as_published(balance_by(runs, ["week", "press"]), "paper_balance")


def _reel_streams(logs: Logs, webs: pd.DataFrame, mounts: pd.DataFrame | None) -> dict[str, np.ndarray]:
    """Return mounted, strip, reel-end and scrapped kg, breaks and has_reels of each run."""
    size = len(logs["runs"])
    names = ("mounted_kg", "strip_kg", "reel_end_kg", "scrapped_kg", "breaks")
    if mounts is None:
        return {name: np.full(size, np.nan) for name in names} | {"has_reels": np.zeros(size, dtype=bool)}
    run, web_row = mounts["run"].to_numpy(), mounts["web_row"].to_numpy()
    threaded = np.bincount(webs["run"], minlength=size)
    mounted = np.bincount(web_row[web_row >= 0], minlength=len(webs)) > 0
    complete = add_up(webs["run"].to_numpy(), mounted, size) == threaded
    weighed = np.isfinite(add_up(run, mounts["mounted_kg"], size))
    has_reels = complete & (threaded > 0) & weighed & ~lost_runs(logs, "reel_mounts", "run_webs")
    columns = {name: mounts[name] for name in names[:-1]} | {"breaks": mounts["ended_by"] == "web_break"}
    streams = {
        name: np.where(has_reels, add_up(run, values, size), np.nan) for name, values in columns.items()
    }
    return streams | {"has_reels": has_reels}
