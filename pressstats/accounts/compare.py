"""Two periods beside each other, by any grouping, with an interval for the difference."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from .names import nearest

if TYPE_CHECKING:
    from .bridge import Span

__all__ = ["compare_periods", "rate_by"]

_WEEK = pd.Timedelta(days=7)


def compare_periods(
    rows: pd.DataFrame, before: Span, now: Span, by: Sequence[str], value: str, size: str
) -> pd.DataFrame:
    """Return value per size of two periods, by group, with an interval for their difference.

    Parameters
    ----------
    rows : DataFrame
        Runs, or anything with a date: balance of runs with a stream and `good_kg`, ink of runs with `quantity` and
        `printed` pages, mounts with breaks.
    before, now : Span
        The two periods.
    by : sequence of str
        Columns to group by: title, weekday, press, reelstand, supplier, month ...
    value, size : str
        Columns: what is compared, and what it is in proportion to.

    Returns
    -------
    DataFrame, shape (groups, len(by) + 7)
        `by`, before and now (sum of value over sum of size), difference, ci_low and ci_high (95 %), weeks_before and
        weeks_now. The scatter is that of weeks, since nights of a week have much in common; limits use Student's t with
        its degrees of freedom by Welch and Satterthwaite. Blank where a period has fewer than two weeks of the group.

    Raises
    ------
    KeyError
        If a column is not there; the message suggests the nearest.
    """
    known = _known(rows, by, value, size)
    sides = []
    for span in (before, now):
        own = span.of(known)
        sides.append(_of_weeks(own.assign(week=(own["date"] - span.first) // _WEEK), list(by), value, size))
    both = sides[0].add_suffix("_before").join(sides[1].add_suffix("_now"), how="outer")
    table = pd.DataFrame({"before": both["mean_before"], "now": both["mean_now"]}, both.index)
    table["difference"] = table["now"] - table["before"]
    parts = [both["variance_before"], both["variance_now"]]
    whole = parts[0] + parts[1]
    scatter = [
        part**2 / (both[f"weeks_{one}"] - 1) for part, one in zip(parts, ("before", "now"), strict=True)
    ]
    freedom = whole**2 / (scatter[0] + scatter[1])
    half = stats.t.ppf(0.975, freedom.where(freedom > 0, np.nan)) * np.sqrt(whole)
    table["ci_low"], table["ci_high"] = table["difference"] - half, table["difference"] + half
    table[["weeks_before", "weeks_now"]] = both[["weeks_before", "weeks_now"]].fillna(0.0)
    return table.reset_index()


def rate_by(rows: pd.DataFrame, by: Sequence[str], value: str, size: str) -> pd.DataFrame:
    """Return value per size of each group, with an interval.

    Parameters
    ----------
    rows : DataFrame
        Runs, mounts, ink intervals, or anything with a date.
    by : sequence of str
        Columns to group by.
    value, size : str
        Columns: what is looked at, and what it is in proportion to.

    Returns
    -------
    DataFrame, shape (groups, len(by) + 6)
        `by`, sums of value and size, rate (one over the other), ci_low and ci_high (95 %, Student's t on the scatter of
        weeks; blank with fewer than two), weeks. Each interval stands for its own group: of many groups some lie
        outside theirs, and the first of a ranking is seldom as extreme as it looks.

    Raises
    ------
    KeyError
        If a column is not there; the message suggests the nearest.

    Examples
    --------
    >>> rate_by(results.runs, ["title"], "wasted_kg", "mounted_kg")  # doctest: +SKIP
    """
    known = _known(rows, by, value, size)
    weeks = _of_weeks(
        known.assign(week=known["date"] - pd.to_timedelta(known["date"].dt.day_of_week, "D")),
        [*by],
        value,
        size,
    )
    sums = known.groupby([*by])[[value, size]].sum()
    half = stats.t.ppf(0.975, (weeks["weeks"] - 1).where(weeks["weeks"] > 1)) * np.sqrt(weeks["variance"])
    rate = weeks["mean"]
    table = sums.assign(rate=rate, ci_low=rate - half, ci_high=rate + half, weeks=weeks["weeks"])
    return table.reset_index()


def _known(rows: pd.DataFrame, by: Sequence[str], value: str, size: str) -> pd.DataFrame:
    """Return the rows whose value and size are known."""
    for name in (*by, value, size, "date"):
        if name not in rows:
            raise KeyError(f"no column {name!r}{nearest(name, [str(column) for column in rows.columns])}")
    return rows.dropna(subset=[value, size])


def _of_weeks(rows: pd.DataFrame, by: list[str], value: str, size: str) -> pd.DataFrame:
    """Return ratio of sums, its variance by the scatter of weeks (linearised), and weeks, by group."""
    weeks = rows.groupby([*by, "week"])[[value, size]].sum()
    levels = list(range(len(by)))
    sums = weeks.groupby(level=levels).sum()
    count = weeks.groupby(level=levels).size().astype(float)
    mean = sums[value] / sums[size]
    wide = weeks.groupby(level=levels)
    left = weeks[value] - weeks[size] * (wide[value].transform("sum") / wide[size].transform("sum"))
    variance = (left**2).groupby(level=levels).sum() * count / (count - 1) / sums[size] ** 2
    return pd.DataFrame({"mean": mean, "variance": variance.where(count > 1), "weeks": count})
