"""Which reels to pull for the next booked night, and when their splices are to be expected."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..reels import new_in_store
from ..tables import OUTPUTS, as_published

if TYPE_CHECKING:
    from ..logs import Logs
    from ..reels import ReelStudy

__all__ = ["night_reels", "night_splices", "night_webs"]

_ROW = ["title", "web"]
#: Splices of two webs of a press nearer than this are one man's two hands (common practice, no source).
_TOGETHER = pd.Timedelta(minutes=2)
#: Standard deviations of the 10 and 90 % quantiles of a normal time.
_TEN_PERCENT = 1.2816


def night_reels(logs: Logs, study: ReelStudy, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``night_reels``.

    Parameters
    ----------
    logs : Logs
        The logs; without ``reels`` no new reel has a name.
    study : ReelStudy
        Its `planned` says how many reels each web takes, and which part reels.
    jobs : DataFrame
        The published table ``night_jobs``; webs that start first take the oldest reels.

    Returns
    -------
    DataFrame
        The published columns. New reels are those that lie in the store and have rested, the oldest first; fewer than
        a web takes where no more are known.
    """
    planned = _in_order(study.planned, jobs)
    if planned.empty:
        return OUTPUTS["night_reels"].empty()
    reel = ["supplier", "reel_id"]
    columns = [*reel, "received_on", "received_kg"]
    received = logs["reels"][columns] if logs.has("reels") else pd.DataFrame(columns=columns)
    parts = study.reel_chain.loc[study.reel_chain["in_store_kg"] > 0, [*reel, "material", "in_store_kg"]]
    parts = parts.merge(received, on=reel, how="left")
    day = jobs["date"].min()
    rested = new_in_store(logs, study.reel_chain)
    # Received on a day, it may be mounted for the issue of the day after and its rest.
    rested = rested[rested["received_on"] + pd.Timedelta(days=1 + logs.plant.reel.rest_days) <= day]
    rested = rested.merge(received.drop(columns="received_on"), on=reel, how="left")
    queues = {str(name): deque(rows.to_dict("records")) for name, rows in rested.groupby("material")}
    rows: list[dict[str, Any]] = []
    for web in planned.to_dict("records"):
        place = 0
        names = [name for name in str(web["part_reels"]).split(", ") if name]
        for name in names:
            place += 1
            one = parts[(parts["reel_id"] == name) & (parts["material"] == web["material"])].iloc[0]
            rows.append(_reel(web, place, "part reel", one, float(one["in_store_kg"])))
        queue = queues.get(str(web["material"]), deque())
        for _ in range(int(web["new_reels"]) if np.isfinite(web["new_reels"]) else 0):
            if queue:
                place += 1
                one = queue.popleft()
                rows.append(_reel(web, place, "new reel", one, float(one["received_kg"])))
    if not rows:
        return OUTPUTS["night_reels"].empty()
    return as_published(pd.DataFrame(rows).astype({"received_on": "datetime64[us]"}), "night_reels")


def _reel(web: Any, place: int, kind: str, reel: Any, kg: float) -> dict[str, Any]:
    about = {column: web[column] for column in (*_ROW, "material")}
    named = {name: reel[name] for name in ("supplier", "reel_id", "received_on")}
    return about | named | {"place": float(place), "kind": kind, "kg": kg}


def night_webs(logs: Logs, study: ReelStudy, jobs: pd.DataFrame, reels: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``night_webs``: parameters as of :func:`night_reels`, and its result."""
    planned = _in_order(study.planned, jobs)
    if planned.empty:
        return OUTPUTS["night_webs"].empty()
    like = jobs.set_index("title")["like"]
    # Without mounts the stands are not known, nor how many reels a web takes.
    columns = ["run_id", "web", "reelstand"]
    mounts = (
        logs["reel_mounts"][columns]
        if logs.has("reel_mounts")
        else pd.DataFrame(columns=columns, dtype="str")
    )
    mounts = mounts.assign(reelstand=mounts["reelstand"].fillna(""))
    stands = mounts.groupby(["run_id", "web"])["reelstand"].agg(
        lambda names: ", ".join(sorted({*names} - {""}))
    )
    widths = logs["run_webs"].set_index(["run_id", "web"])["width_mm"]
    at = pd.MultiIndex.from_arrays([planned["title"].map(like), planned["web"]])
    named = reels[reels["kind"] == "new reel"].groupby(_ROW).size()
    table = planned.assign(
        reelstand=stands.reindex(at).fillna("").to_numpy(),
        width_mm=widths[~widths.index.duplicated()].reindex(at).to_numpy(dtype=float),
        named=named.reindex(pd.MultiIndex.from_frame(planned[_ROW])).fillna(0.0).to_numpy(dtype=float),
    )
    return as_published(table, "night_webs")


def night_splices(planned: pd.DataFrame, jobs: pd.DataFrame, webs: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``night_splices``.

    Parameters
    ----------
    planned : DataFrame
        `planned` of the reel study: metres to each splice of a web.
    jobs, webs : DataFrame
        The published tables ``night_jobs`` and ``night_webs``.

    Returns
    -------
    DataFrame
        The published columns. The web is taken to run evenly from start to end of the title; errors of weighing and
        the spread of new reels add up from splice to splice.
    """
    stands = webs.set_index(_ROW)["reelstand"]
    rows = []
    for web in _in_order(planned, jobs).to_dict("records"):
        if pd.isna(web["starts_at"]) or not web["run_m"] > 0 or not web["new_m"] > 0:
            continue
        length = web["ends_at"] - web["starts_at"]
        for number, (metres, spread) in enumerate(_reaches(web), start=1):
            at, off = web["starts_at"] + length * (metres / web["run_m"]), length * (spread / web["run_m"])
            rows.append(
                {
                    **{name: web[name] for name in (*_ROW, "press")},
                    "splice": float(number),
                    "reelstand": stands.get((web["title"], web["web"]), ""),
                    "at": at.round("min"), "early": (at - _TEN_PERCENT * off).round("min"),
                    "late": (at + _TEN_PERCENT * off).round("min"),
                }
            )  # fmt: skip
    if not rows:
        return OUTPUTS["night_splices"].empty()
    table = pd.DataFrame(rows)
    return as_published(table.assign(together=_together(table)), "night_splices")


def _reaches(web: Any) -> list[tuple[float, float]]:
    """Return the metres at which a web is spliced, each with its standard deviation [m]."""
    run, new, spread, error = (float(web[name]) for name in ("run_m", "new_m", "new_sd_m", "error_m"))
    reach, variance = 0.0, 0.0
    found: list[tuple[float, float]] = []
    first = list(web["first_m"])
    while True:
        known = bool(first)
        reach += first.pop(0) if known else new
        variance += (error if known else spread) ** 2
        if reach >= run:
            return found
        found.append((reach, float(np.sqrt(variance))))


def _together(splices: pd.DataFrame) -> list[str]:
    """Name the other webs of the press that splice within two minutes of each splice."""
    words = []
    for number, (press, web, title, at) in enumerate(
        zip(splices["press"], splices["web"], splices["title"], splices["at"], strict=True)
    ):
        near = splices[(splices["press"] == press) & ((splices["at"] - at).abs() <= _TOGETHER)].drop(
            index=number
        )
        near = near[(near["web"] != web) | (near["title"] != title)]
        words.append(", ".join(f"web {name}" for name in near["web"]))
    return words


def _in_order(planned: pd.DataFrame, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return the planned webs with press and times of their titles, in the order in which they start."""
    about = jobs[["title", "press", "starts_at", "ends_at"]]
    return planned.merge(about, on="title").sort_values(
        ["starts_at", *_ROW], kind="stable", ignore_index=True
    )
