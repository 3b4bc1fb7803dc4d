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

from ..tables import as_published
from .record_limits import expected_ratio, past_limits, poisson_limits
from .waste import WASTE

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["CREW_NOTE", "named_groups", "run_record"]

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
    logs : Logs
        The logs.
    weighed : WeighedPaper
        Result of :func:`pressstats.paper.weighed_paper`.
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
