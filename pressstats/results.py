"""Everything the pages show, computed once for a set of logs and kept by content.

The chain of analyses stands in ``analysing``. Its result is cached under the digest of the logs, the past publications
and the package's own source, so the second notebook that asks pays nothing and a changed line of code or log never
meets an old result.
"""

from __future__ import annotations

import difflib
import hashlib
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from .analysing import SPARING, analysed
from .cache import cached, source_digest
from .logs import Logs, read_logs
from .past import PastExceptions, PastPlan, past_exceptions, past_forecasts, past_plan
from .tables import OUTPUTS
from .workbook import Exploring

if TYPE_CHECKING:
    from . import demand, ink, orders, reels

__all__ = ["Pending", "Results", "analyse", "hold_results", "open_results"]
#: Results that this process was told to hold, by what was asked for.
_HELD: dict[tuple[str, ...], Results] = {}


@dataclass(frozen=True, repr=False, eq=False)
class Results(Exploring, Mapping[str, pd.DataFrame]):
    """The published tables by name, in the order of their declaration, and all that they were derived from.

    Attributes
    ----------
    logs : Logs
        The logs.
    run_balance : DataFrame
        Paper balance of each run (:func:`pressstats.paper.run_balance`).
    threading : DataFrame
        Grammage and threading terms (:func:`pressstats.paper.threading_paper`).
    unexplained : DataFrame
        Unexplained paper against errors (:func:`pressstats.paper.unexplained_limits`).
    reel_study : ReelStudy
        What is known of reels (:func:`pressstats.reels.study_reels`).
    ink_exposure, ink_intervals : DataFrame
        Ledger of the inks (:mod:`pressstats.ink`); empty where coverage or dips are missing.
    ink_fits : dict of InkFit
        Model of each ink that has one.
    ink_findings : list of Finding
        What departs from the models: steps, misread dips, drifts, leaks.
    ink_adequacy : DataFrame
        Tests of what the models leave out (:func:`pressstats.ink.adequacy`).
    waste_chart : DataFrame
        Control charts of waste (:func:`pressstats.watch.waste_chart`).
    use : DataFrame
        Use of each material by day and run (:func:`pressstats.accounts.material_use`).
    outlook : Outlook or None
        Forecast and its evidence; None where the logs are too short for one.
    supplier_quality : DataFrame
        What is known of each supplier's paper (:func:`pressstats.suppliers.supplier_quality`).
    on_hand, open_orders : DataFrame
        What is on hand, and what is on order.
    plan : OrderPlan or None
        The order plan with its reasons; None without an outlook.
    plan_before : PastPlan or None
        The latest plan published before, with what it was made from.
    raised_before : Timestamp or None
        As-of day of the publication that ``exception_changes`` compares with; None where there is none.
    implausible : DataFrame
        What of the logs cannot be true as a whole, and what is not derived from them
        (:func:`pressstats.watch.implausible`); empty where all is plausible.
    published : dict of DataFrame
        The published tables by name: ``results["exceptions"]`` is ``results.published["exceptions"]``.
    past_digests : dict of str
        Past publications read for the record, with their SHA-256.
    runs, mounts, reels, ink, stock, weeks, forecast : DataFrame
        Frames to start a question from (:mod:`pressstats.workbook`).

    Examples
    --------
    >>> results = open_results("logs")
    >>> results.runs.groupby("title")["copies_good"].sum()
    title
    Daily     532000.0
    Weekly     18400.0
    Name: copies_good, dtype: float64
    >>> list(results)[:3]
    ['paper_balance', 'grammage', 'regimes']
    >>> results["exception"]
    Traceback (most recent call last):
    KeyError: "no published table is called 'exception': did you mean exceptions or exception_changes?"
    """

    logs: Logs
    run_balance: pd.DataFrame
    threading: pd.DataFrame
    unexplained: pd.DataFrame
    reel_study: reels.ReelStudy
    ink_exposure: pd.DataFrame
    ink_intervals: pd.DataFrame
    ink_fits: dict[str, ink.InkFit]
    ink_findings: list[ink.Finding]
    ink_adequacy: pd.DataFrame
    waste_chart: pd.DataFrame
    use: pd.DataFrame
    outlook: demand.Outlook | None
    supplier_quality: pd.DataFrame
    on_hand: pd.DataFrame
    open_orders: pd.DataFrame
    plan: orders.OrderPlan | None
    plan_before: PastPlan | None
    raised_before: pd.Timestamp | None
    implausible: pd.DataFrame
    published: dict[str, pd.DataFrame] = field(repr=False)
    past_digests: dict[str, str] = field(default_factory=dict)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the published tables by name, in the order of their declaration."""
        return dict(self)

    def __getitem__(self, name: str) -> pd.DataFrame:
        """Return the published table called `name`; a KeyError names those that are spelt alike."""
        if name in OUTPUTS:
            return self.published[name]
        near = difflib.get_close_matches(str(name), OUTPUTS, cutoff=0.5)
        there = f"did you mean {' or '.join(near)}?" if near else f"there are {', '.join(OUTPUTS)}"
        raise KeyError(f"no published table is called {name!r}: {there}")

    def __iter__(self) -> Iterator[str]:
        return iter(OUTPUTS)

    def __len__(self) -> int:
        return len(OUTPUTS)

    def __repr__(self) -> str:
        of = f"{self.logs.plant.name} as of {self.logs.as_of:%Y-%m-%d}"
        return f"<Results of {of}: {len(self)} tables; describe() lists them and the frames>"

    def _ipython_key_completions_(self) -> list[str]:
        return list(self)


def open_results(
    logs_folder: str | Path,
    as_of: str | None = None,
    published_folder: str | Path | None = None,
    progress: Callable[[str], object] = len,
) -> Results:
    """Read logs and return all results, from the cache where nothing has changed.

    Parameters
    ----------
    logs_folder : str or Path
        Folder with ``plant.toml`` and the tables.
    as_of : str or None
        ISO date to cut at; empty or None for the latest accepted run.
    published_folder : str or Path or None
        Folder of past publications, for the record of forecasts; empty or None for none.
    progress : callable
        Told what is computed next, where nothing is kept: ``progress=print`` shows it.

    Returns
    -------
    Results
        The results.

    Raises
    ------
    LogsError
        If the logs cannot be used at all.

    Notes
    -----
    The cache lies in the folder named by the environment variable ``PRESSSTATS_CACHE``, else in
    the user's cache folder. Where it cannot be used, everything is computed anew.

    Examples
    --------
    >>> results = open_results("logs", as_of="2025-03-16")
    >>> results
    <Results of Small Plant as of 2025-03-16: 41 tables; describe() lists them and the frames>
    >>> results["stock_cover"][["material", "quantity"]].head(1)
      material  quantity
    0    N1200   36012.6
    """
    asked = (str(logs_folder), as_of or "", str(published_folder or ""))
    return _HELD.get(asked) or Pending(logs_folder, as_of, published_folder, progress).results


def hold_results(logs_folder: str, as_of: str, published_folder: str) -> None:
    """Open results, and hold them for whoever asks for the same in processes that are forked from this one."""
    _HELD[logs_folder, as_of, published_folder] = open_results(logs_folder, as_of, published_folder)


class Pending:
    """Logs that are read, and results that are computed when somebody asks for them.

    Parameters
    ----------
    logs_folder, as_of, published_folder, progress
        As in :func:`open_results`.

    Attributes
    ----------
    logs : Logs
        The logs.
    past_digests : dict of str
        Past publications read for the record, with their SHA-256.
    sparing : Event
        Set from when on what is computed leaves a core to others, and once it is there.

    Raises
    ------
    LogsError
        If the logs cannot be used at all.
    """

    def __init__(
        self,
        logs_folder: str | Path,
        as_of: str | None = None,
        published_folder: str | Path | None = None,
        progress: Callable[[str], object] = len,
    ) -> None:
        progress("logs")
        self._progress = progress
        self.sparing = threading.Event()
        self.logs = read_logs(logs_folder, as_of or None)
        folder = Path(published_folder) if published_folder else None
        self._past, forecasts = past_forecasts(folder, self.logs.as_of)
        self._before, planned = past_plan(folder, self.logs.as_of)
        self._raised, raised = past_exceptions(folder, self.logs.as_of)
        self.past_digests = forecasts | planned | raised

    @cached_property
    def results(self) -> Results:
        """All results, from the cache where nothing has changed."""
        named = [f"{name} {digest}" for name, digest in self.past_digests.items()]
        # Which rows are set aside depends on today too: what lies after it cannot have been recorded.
        problems = [table.to_csv() for table in (self.logs.rejected, self.logs.warnings)]
        parts = "\n".join([self.logs.digest, source_digest(), *named, *problems])
        key = hashlib.sha256(parts.encode()).hexdigest()
        try:
            found: Results = cached(key, self._computed, {"logs": self.logs})
        finally:
            self.sparing.set()
        return found

    def _computed(self) -> Results:
        from threadpoolctl import threadpool_limits

        # Matrices here are small: more threads of linear algebra wait for each other longer than they work.
        with threadpool_limits(1):
            return analyse(self.logs, self._past, self.past_digests, self._before, self._raised, self._tell)

    def _tell(self, part: str) -> None:
        if part == SPARING:
            self.sparing.set()
        self._progress(part)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the published tables by name, in the order of their declaration."""
        return self.results.tables()


def analyse(
    logs: Logs,
    past: pd.DataFrame,
    past_digests: dict[str, str],
    before: PastPlan | None = None,
    raised: PastExceptions | None = None,
    tell: Callable[[str], object] = len,
) -> Results:
    """Run every analysis on `logs`.

    Parameters
    ----------
    logs : Logs
        The logs.
    past, past_digests : DataFrame, dict of str
        Forecasts of past publications, and their digests (:func:`pressstats.past.past_forecasts`).
    before : PastPlan, optional
        The latest plan published (:func:`pressstats.past.past_plan`).
    raised : PastExceptions, optional
        What was raised a week before (:func:`pressstats.past.past_exceptions`).
    tell : callable
        Told the name of each part before it is computed.

    Returns
    -------
    Results
        The results; a table that cannot be computed is there, without rows or blank.
    """
    return Results(**analysed(logs, past, past_digests, before, raised, tell))
