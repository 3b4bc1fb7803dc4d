"""Each run against what its title and press did before: waste, breaks, ink, plates, remakes, when it ended.

What is expected of a run is known before its week: the 52 weeks before it, its title on its press drawn to the press by
few runs. Intervals are those that past runs of the title there, or of the press where they are few, predicted in the
same way, kept: 80 of 100 runs lie inside.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from ..ink import expected_use
from ..tables import as_published
from .waste import WASTE

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = [
    "CREW_NOTE",
    "LEVEL",
    "expected_ratio",
    "named_groups",
    "past_limits",
    "poisson_limits",
    "run_ink",
    "run_record",
]

#: Share of runs that lie inside the limits.
LEVEL = 0.8
_WEEKS, _LEAST_WEEKS = 52, 13
#: Runs of the press that a title's own are drawn to it by; predictions that limits are taken from.
_DRAWN, _LEAST = 5.0, 40


def _window(values: np.ndarray, weeks: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return the sum of values over the 52 weeks before each run's, of its group; blank values count as nothing."""
    sums = np.zeros((int(weeks.max()) + 1, int(group.max()) + 1))
    np.add.at(sums, (weeks, group), np.nan_to_num(values))
    total = np.vstack([np.zeros(sums.shape[1]), np.cumsum(sums, axis=0)])
    return np.asarray(total[weeks, group] - total[np.maximum(weeks - _WEEKS, 0), group])


def expected_ratio(
    value: np.ndarray, size: np.ndarray, weeks: np.ndarray, group: np.ndarray, whole: np.ndarray
) -> np.ndarray:
    """Return the ratio of value to size that is expected of each run, by its group, drawn to the whole by few runs.

    Parameters
    ----------
    value, size : ndarray, shape (runs,)
        What is expected, and what it is in proportion to.
    weeks : ndarray of int, shape (runs,)
        Number of the week of each run.
    group, whole : ndarray of int, shape (runs,)
        Group of each run, and the larger one that it belongs to.

    Returns
    -------
    ndarray, shape (runs,)
        Blank in the first thirteen weeks, and where nothing of the larger group is known.
    """
    known = np.isfinite(value) & np.isfinite(size)
    value, size = np.where(known, value, 0.0), np.where(known, size, 0.0)
    own_sums, all_of_it = ((_window(value, weeks, key), _window(size, weeks, key)) for key in (group, whole))
    runs = _window(known.astype(float), weeks, whole)
    with np.errstate(divide="ignore", invalid="ignore"):
        usual = all_of_it[0] / all_of_it[1]
        drawn = _DRAWN * all_of_it[1] / runs
        ratio = (own_sums[0] + drawn * usual) / (own_sums[1] + drawn)
    return np.where((weeks >= _LEAST_WEEKS) & np.isfinite(ratio), ratio, np.nan)


def past_limits(
    value: np.ndarray, expected: np.ndarray, weeks: np.ndarray, group: np.ndarray, whole: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the limits of value over expected between which 80 of 100 runs of the year before lay.

    A run is held against those of its own group, since titles scatter differently (a long run takes a second set of
    plates, a short one never), and against its whole press where its group has fewer than forty.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(expected > 0, value / expected, np.nan)
    own, others = _ranks(ratio, weeks, group), _ranks(ratio, weeks, whole)
    low, high = np.where(np.isfinite(own), own, others)
    return low, high


def _ranks(ratio: np.ndarray, weeks: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Return the limits by the 52 weeks before each run's, of its group, shape (2, runs); blank by fewer than forty."""
    limits = np.full((2, len(ratio)), np.nan)
    for one in np.unique(group):
        own = np.flatnonzero((group == one) & np.isfinite(ratio))
        order = own[np.argsort(weeks[own], kind="stable")]
        when = weeks[order]
        for week in np.unique(weeks[group == one]):
            first, last = np.searchsorted(when, [week - _WEEKS, week])
            count = last - first
            if count < _LEAST:
                continue
            past = np.sort(ratio[order[first:last]])
            # Of n past runs and a new one the new one is as likely to be of any rank.
            ends = np.clip((count + 1) * np.array([(1 - LEVEL) / 2, (1 + LEVEL) / 2]) - 1, 0, count - 1)
            limits[:, (group == one) & (weeks == week)] = np.interp(ends, np.arange(count), past)[:, None]
    return limits


def poisson_limits(expected: np.ndarray) -> np.ndarray:
    """Return the count that is exceeded in one of ten runs at most, by chance (Poisson)."""
    known = np.isfinite(expected)
    return np.where(
        known, stats.poisson.ppf((1 + LEVEL) / 2, np.where(known, np.maximum(expected, 0.0), 0.0)), np.nan
    )


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


#: What stands beside every table by crew.
CREW_NOTE = (
    "Tables by crew are shown only where the plant logs crews. Local law may ask for the agreement of those who work "
    "there before anybody is compared: agree it first. Differences that chance explains name nobody."
)
_STREAMS = [f"{name}_kg" for name in WASTE]
#: Of all groups that are compared together, none is named by chance in so many of 100 plants.
_NAMED_BY_CHANCE = 0.05
_LEAST_RUNS = 20


def run_record(logs: Logs, weighed: WeighedPaper, price: pd.Series, inks: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``run_record``.

    Parameters
    ----------
    logs, weighed
        Logs, and the result of :func:`pressstats.paper.weighed_paper`.
    price : Series, index that of ``runs``
        Price of the paper of each run (:func:`pressstats.accounts.run_waste`) [currency / kg].
    inks : DataFrame, index that of ``runs``
        ink_kg and ink_size [kg]: what the dips tell of each run's ink, and what it is in proportion to.

    Returns
    -------
    DataFrame, shape (runs, 45)
        The published columns. Expected values and limits are blank until thirteen weeks of logs have been seen.
    """
    runs, table = weighed.runs, logs["runs"]
    weeks = ((runs["week"] - runs["week"].min()).dt.days // 7).to_numpy()
    group = pd.Series(runs["press"] + "\0" + runs["title"]).factorize()[0]
    press = runs["press"].factorize()[0]
    record = table[["run_id", "date", "title", "press", "crew", "copies_good", "pages"]].assign(
        **runs[_STREAMS]
    )
    record["webs"], record["good_kg"] = runs["starts"], runs["good_kg"]
    record["crew"] = record["crew"].fillna("")
    gross = runs[["good_kg", "startup_kg", "running_kg", "uncounted_kg"]].sum(axis=1, min_count=4)
    measures = {
        "startup": (runs["startup_kg"], runs["starts"].where(runs["starts"] > 0)),
        "running": (runs["running_kg"], gross),
        "wasted": (runs["startup_kg"] + runs["running_kg"], gross),
        "ink": (inks["ink_kg"], inks["ink_size"]),
        # A colour page has a plate of each of four inks.
        "plates": (table["plates"], table["pages"] + 3 * table["colour_pages"].fillna(0.0)),
    }
    units = {"plates": ""}
    for name, (value, size) in measures.items():
        expected = expected_ratio(value.to_numpy(), size.to_numpy(), weeks, group, press) * size.to_numpy()
        low, high = past_limits(value.to_numpy(), expected, weeks, group, press)
        record[f"{name}_expected{units.get(name, '_kg')}"] = expected
        record[f"{name}_low"], record[f"{name}_high"] = low * expected, high * expected
    record["wasted_kg"], record["ink_kg"] = measures["wasted"][0], inks["ink_kg"]
    record["plates"] = table["plates"]
    record["cost_over_expected"] = (record["wasted_kg"] - record["wasted_expected_kg"]) * price
    counts = {
        "breaks": (runs["breaks"].fillna(table["web_breaks"]), runs["area_m2"]),
        "remade": (table["plates_remade"], table["plates"] - table["plates_remade"]),
    }
    for name, (value, size) in counts.items():
        expected = expected_ratio(
            value.to_numpy(dtype=float), size.to_numpy(dtype=float), weeks, group, press
        )
        expected = expected * size.to_numpy(dtype=float)
        record[name], record[f"{name}_expected"] = value, expected
        record[f"{name}_high"] = poisson_limits(expected)
    # Minutes after noon of the day before: what ends after midnight is later, not earlier.
    noon = table["date"] - pd.Timedelta(hours=12)
    minutes = ((table["finished_at"] - noon) / pd.Timedelta(minutes=1)).to_numpy()
    one = np.ones(len(minutes))
    day = pd.Series(runs["press"] + "\0" + runs["title"] + "\0" + runs["date"].dt.day_name()).factorize()[0]
    usual = expected_ratio(minutes, one, weeks, day, group)
    low, high = past_limits(minutes, usual, weeks, group, press)
    record["minutes_late"] = minutes - usual
    record["minutes_low"], record["minutes_high"] = (low - 1) * usual, (high - 1) * usual
    record["minutes_after_deadline"] = (table["finished_at"] - table["deadline"]).dt.total_seconds() / 60
    return as_published(record, "run_record")


def named_groups(record: pd.DataFrame, by: str, measure: str = "wasted") -> pd.DataFrame:
    """Return how groups of runs differ from what is expected of them, and whether chance explains it.

    Parameters
    ----------
    record : DataFrame
        Published table ``run_record``.
    by : str
        Column of it: ``crew``, ``press`` or ``title``. Runs without one are left out.
    measure : str
        ``startup``, ``running`` or ``wasted``.

    Returns
    -------
    DataFrame, shape (groups, 7)
        `by`, runs, over_pct (waste over what was expected) [%], ci_low, ci_high (95 % of all groups together) [%],
        cost (over what was expected of them) [currency; of ``wasted`` alone] and named: the limits, which are wider
        the more groups there are, leave out 0. Groups of fewer than 20 runs are never named.
    """
    expected = record[f"{measure}_expected_kg"]
    rows = record.assign(ratio=record[f"{measure}_kg"] / expected - 1)[(record[by] != "") & (expected > 0)]
    rows = rows.dropna(subset=["ratio"])
    whole = float(rows["ratio"].mean()) if len(rows) else 0.0
    groups = rows.groupby(by)
    table = groups.agg(runs=("ratio", "size"), mean=("ratio", "mean"), spread=("ratio", "std"))
    table["cost"] = groups["cost_over_expected"].sum() if measure == "wasted" else np.nan
    table = table.reset_index()
    count = max(len(table), 1)
    freedom = (table["runs"] - 1).clip(lower=1)
    half = stats.t.ppf(1 - _NAMED_BY_CHANCE / 2 / count, freedom) * table["spread"] / np.sqrt(table["runs"])
    # All groups may be over what was expected, since a plant as a whole does worse: that names none of them.
    apart = table["mean"] - whole
    table["over_pct"] = 100 * apart
    table["ci_low"], table["ci_high"] = 100 * (apart - half), 100 * (apart + half)
    table["named"] = (table["runs"] >= _LEAST_RUNS) & (apart.abs() > half)
    return table[[by, "runs", "over_pct", "ci_low", "ci_high", "cost", "named"]]
