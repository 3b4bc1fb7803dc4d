"""Effective grammage: what a square metre really weighed on the press, with its interval.

Net kilograms of a web in a run are regressed on the printed area of the gross copies with a term per
start and one per break, because paper that is threaded is counted by no counter: without those
terms the slope is too large and its interval never holds the truth. A reel that runs in two runs
carries its weighing error into both, so errors are clustered by reel. Readings of one run share
several reels and readings of one reel several runs, so the clusters overlap: two rows are taken as
dependent when they share any reel.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import sparse, special

from ..logs import Logs
from ..tables import as_published
from .runs import add_up, lost_runs, mount_weights, web_use

__all__ = ["effective_grammage", "linked_least_squares", "threading_paper", "web_net_weights"]

#: Fewer webs than this say nothing of a grammage and its interval.
_ROWS_MINIMUM = 12

_TERMS = ("grammage", "start", "break")


def web_net_weights(
    logs: Logs, webs: pd.DataFrame, mounts: pd.DataFrame
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Return net paper by run and web, and which reels it came from.

    Parameters
    ----------
    logs : Logs
        The logs.
    webs, mounts : DataFrame
        Results of :func:`pressstats.paper.web_use` and :func:`pressstats.paper.mount_weights`.

    Returns
    -------
    table : DataFrame, shape (rows, 5)
        run, material, area_m2 [m2], net_kg [kg] and breaks (re-threadings), of the webs whose
        mounts are all weighed and of one material.
    row : ndarray of int, shape (links,)
        Row of `table` that had paper of the reel.
    reel : ndarray of int, shape (links,)
        Number of the reel.
    """
    place, size = mounts["place"].to_numpy(), len(webs)
    rethreaded = mounts["ended_by"].isin(["web_break", "failed_splice"])
    reel = mounts.groupby(["supplier", "reel_id"], sort=False).ngroup().to_numpy()
    material, names = pd.factorize(mounts["material"])
    inside = place >= 0
    first, last = np.full(size, len(names)), np.full(size, -1)
    np.minimum.at(first, place[inside], material[inside])
    np.maximum.at(last, place[inside], material[inside])
    net = add_up(place, mounts["net_kg"], size)
    lost = lost_runs(logs, "reel_mounts", "run_webs")[webs["run"].to_numpy()]
    # One material only: paper of two grammages in one run says nothing of either.
    usable = np.flatnonzero((first == last) & np.isfinite(net) & ~lost)
    table = pd.DataFrame(
        {
            "run": webs["run"].to_numpy()[usable],
            "material": names.to_numpy()[first[usable]] if len(usable) else webs["material"].iloc[:0],
            "area_m2": webs["area_m2"].to_numpy()[usable],
            "net_kg": net[usable],
            "breaks": add_up(place, rethreaded, size)[usable],
        }
    )
    row_of_place = np.full(size, -1)
    row_of_place[usable] = np.arange(len(usable))
    row = np.where(inside, row_of_place[place], -1)
    return table, row[row >= 0], reel[row >= 0]


def linked_least_squares(
    design: np.ndarray, response: np.ndarray, row: np.ndarray, reel: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Fit least squares whose errors are dependent between rows that share a reel.

    Parameters
    ----------
    design : ndarray, shape (rows, terms)
        Regressors, of full column rank.
    response : ndarray, shape (rows,)
        Response.
    row, reel : ndarray of int, shape (links,)
        Which row had paper of which reel.

    Returns
    -------
    estimate : ndarray, shape (terms,)
        Least-squares estimates.
    covariance : ndarray, shape (terms, terms)
        Sandwich covariance: products of scores are summed over all pairs of rows that share a
        reel, times rows / (rows - terms). Where each row has one reel this is the ordinary
        cluster-robust covariance. Where the sum is not positive, as overlapping clusters allow,
        each row is taken as its own cluster.
    """
    rows, terms = design.shape
    estimate, *_ = np.linalg.lstsq(design, response, rcond=None)
    scores = design * (response - design @ estimate)[:, None]
    bread = np.linalg.inv(design.T @ design)
    _, number = np.unique(reel, return_inverse=True)
    has = sparse.csr_matrix((np.ones(len(row)), (row, number)), shape=(rows, number.max() + 1))
    shares = (has @ has.T) > 0
    factor = rows / (rows - terms)
    covariance = factor * bread @ (scores.T @ (shares @ scores)) @ bread
    if np.linalg.eigvalsh(covariance).min() <= 0:
        covariance = factor * bread @ (scores.T @ scores) @ bread
    return estimate, covariance


def threading_paper(
    logs: Logs, webs: pd.DataFrame | None = None, mounts: pd.DataFrame | None = None
) -> pd.DataFrame:
    """Return grammage, threading per start and threading per break of each material.

    Parameters
    ----------
    logs : Logs
        The logs.
    webs, mounts : DataFrame, optional
        Results of :func:`pressstats.paper.web_use` and :func:`pressstats.paper.mount_weights`, where
        they are at hand.

    Returns
    -------
    DataFrame, shape (material x term, 8)
        material, term (``grammage`` [g/m2], ``start`` and ``break`` [kg each]), estimate,
        std_error, ci_low, ci_high (95 %, Student's t), runs, why (empty, or why it is blank).
        A term per start that the data cannot tell from the slope (all runs of one area) blanks
        the material; without breaks there is no term for them.
    """
    if not logs.has("reel_mounts"):
        names = _newsprint(logs, logs["run_webs"])
        return _table([_blank(material, 0.0, "no table reel_mounts") for material in names])
    webs = web_use(logs) if webs is None else webs
    mounts = mount_weights(logs, webs) if mounts is None else mounts
    table, row, reel = web_net_weights(logs, webs, mounts)
    materials = table["material"].to_numpy()
    rows = []
    for material in _newsprint(logs, table):
        mine = materials == material
        linked = mine[row]
        position = np.cumsum(mine) - 1
        rows += _fit_material(material, table[mine], position[row[linked]], reel[linked])
    return _table(rows)


def effective_grammage(threading: pd.DataFrame, logs: Logs) -> pd.DataFrame:
    """Return the published table ``grammage``.

    Parameters
    ----------
    threading : DataFrame
        Result of :func:`threading_paper`.
    logs : Logs
        Logs; the nominal grammage is that of ``materials``.

    Returns
    -------
    DataFrame, shape (materials, 7)
        The published columns; blank where `threading` says why.
    """
    table = threading[threading["term"] == "grammage"].rename(columns={"estimate": "effective_gsm"})
    nominal = pd.Series(dtype="float64")
    if logs.has("materials"):
        nominal = logs["materials"].set_index("material")["grammage_gsm"]
    table = table.assign(nominal_gsm=table["material"].map(nominal).astype("float64"))
    return as_published(table, "grammage")


def _newsprint(logs: Logs, webs: pd.DataFrame) -> list[str]:
    if not logs.has("materials"):
        return sorted(webs["material"].unique())
    materials = logs["materials"]
    return list(materials.loc[materials["kind"] == "newsprint", "material"])


def _fit_material(material: str, webs: pd.DataFrame, row: np.ndarray, reel: np.ndarray) -> list[tuple]:
    """Fit one material; `row` and `reel` say which of its webs had paper of which reel."""
    runs = float(webs["run"].nunique())
    if len(webs) < _ROWS_MINIMUM:
        return [_blank(material, runs, f"{len(webs)} weighed webs; at least {_ROWS_MINIMUM} are needed")]
    area = webs["area_m2"].to_numpy()
    design = np.column_stack([area / 1000, np.ones(len(webs)), webs["breaks"].to_numpy()])
    if not webs["breaks"].any():
        design = design[:, :2]
    # A slope and a start cannot be told apart when every run has much the same area.
    if area.std() < 0.02 * area.mean():
        return [_blank(material, runs, "all runs have nearly the same area")]
    estimate, covariance = linked_least_squares(design, webs["net_kg"].to_numpy(), row, reel)
    error = np.sqrt(np.diag(covariance))
    half = special.stdtrit(len(webs) - design.shape[1], 0.975) * error
    return [
        (material, term, estimate[n], error[n], estimate[n] - half[n], estimate[n] + half[n], runs, "")
        for n, term in enumerate(_TERMS[: design.shape[1]])
    ]


def _blank(material: str, runs: float, why: str) -> tuple:
    nothing = float("nan")
    return (material, "grammage", nothing, nothing, nothing, nothing, runs, why)


def _table(rows: list[tuple]) -> pd.DataFrame:
    words = dict.fromkeys(("material", "term", "why"), "str")
    numbers = dict.fromkeys(("estimate", "std_error", "ci_low", "ci_high", "runs"), "float64")
    columns = ["material", "term", "estimate", "std_error", "ci_low", "ci_high", "runs", "why"]
    return pd.DataFrame(rows, columns=columns).astype(words | numbers)
