"""Publish: logs in, the pages of three readers out."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import pandas as pd

from ..beside import cores
from ..pages.buying_files import SPREADSHEET
from .csv_files import write_csv
from .folders import building_in, forget_failed, keep_failed, place, published_weeks, put_shared
from .left_out import let_in
from .manifest import code_digest, manifest
from .pages import (
    PLOTLY,
    PageError,
    ReportPage,
    page_script,
    page_style,
    plotly_source,
    publication_index,
    report_page,
    schema_page,
)
from .reports import REPORTS, Report, select
from .running import Executed, Failure, check_parameters, run_notebooks
from .sheets import about_outlook, outlook_sheets
from .spreadsheet import write_spreadsheet
from .supplier_files import supplier_workbooks, write_supplier_files
from .weeks import read_week, weeks_index
from .year import read_year

if TYPE_CHECKING:
    from ..logs import Logs
    from ..results import Results

let_in()

__all__ = ["NOTEBOOKS", "Publication", "Publishable", "ReportFailed", "publish", "to_stderr"]

_PACKAGE = Path(__file__).resolve().parents[1]
#: Where the notebooks lie: within the package where a wheel was installed, beside it in a checkout.
NOTEBOOKS = next((one for one in [_PACKAGE / "notebooks"] if one.is_dir()), _PACKAGE.parent / "notebooks")


class Publishable(Protocol):
    """What is computed from the logs.

    ``past_digests`` may name past publications it has read; ``results`` may hold all that was computed
    (:class:`pressstats.results.Results`), from which the spreadsheet takes what no published table has; ``sparing`` may
    be an event that is set when computing leaves a core to the notebooks.
    """

    @property
    def logs(self) -> Logs:
        """Logs as read."""

    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Return the published tables by name."""


class ReportFailed(Exception):
    """One or more reports could not be made; what was published before is untouched.

    Parameters
    ----------
    failures : sequence of Failure
        What failed, where and why.
    kept : Path
        Folder that holds the notebooks as far as they ran.
    """

    def __init__(self, failures: Sequence[Failure], kept: Path) -> None:
        self.failures = tuple(failures)
        self.kept = kept
        messages = "\n".join(failure.message for failure in failures)
        super().__init__(
            f"{messages}\nNothing was published. The notebooks as far as they ran are in {kept}."
        )


@dataclass(frozen=True)
class Publication:
    """A publication that stands."""

    folder: Path
    manifest: dict[str, Any]  # what ``manifest.json`` holds


def to_stderr(line: str) -> None:
    """Print a line of progress."""
    print(line, file=sys.stderr, flush=True)


def _open_results(logs_folder: Path, as_of: str, published_folder: Path) -> Publishable:
    from ..results import Pending

    return Pending(logs_folder, as_of, published_folder)


def publish(  # noqa: PLR0913 -- long: each step leaves a whole publication or none
    logs_folder: str | Path,
    out: str | Path = "published",
    as_of: str = "",
    names: Iterable[str] = (),
    *,
    notebooks: str | Path = NOTEBOOKS,
    reports: Sequence[Report] = REPORTS,
    open_results: Callable[[Path, str, Path], Publishable] = _open_results,
    workers: int | None = None,
    tell: Callable[[str], None] = to_stderr,
) -> Publication:
    """Publish the reports as of a day in ``out/<as_of>``.

    Parameters
    ----------
    logs_folder : path
        Folder of the logs.
    out : path
        Folder of all publications.
    as_of : str
        Last day to know of, as an ISO date; empty for the day of the latest run.
    names : iterable of str
        Reports to publish; all of them if none is named.
    notebooks : path
        Folder of the notebooks.
    reports : sequence of Report
        The reports there are.
    open_results : callable
        Takes logs folder, as-of and `out`; returns the logs, and results that may wait to be computed.
    workers : int, optional
        Notebooks that run at a time; by default as many as there are cores to run on.
    tell : callable
        Takes a line of progress.

    Returns
    -------
    Publication
        The new publication. One of the same day is replaced only when the new one is whole.

    Raises
    ------
    LogsError
        If the logs cannot be used.
    ValueError
        If a report is not known, a notebook is missing or does not take the parameters, the day is
        published already with reports that are not among `names`, or the database changed meanwhile.
    ReportFailed
        If a notebook failed or makes no page.
    OSError
        If `out` cannot be written, or another publication is written there for more than half an hour.

    Examples
    --------
    >>> publication = publish("logs", "published", names=["log_check"], tell=lambda line: None)
    >>> sorted(path.name for path in publication.folder.glob("*.html"))
    ['index.html', 'log_check.html']
    """
    clock = _Clock()
    logs_folder, out, notebooks = Path(logs_folder), Path(out).resolve(), Path(notebooks).resolve()
    chosen = select(reports, names)
    if not chosen:
        raise ValueError("there is no report to publish")
    given = ("logs_folder", "as_of", "published_folder")
    check_parameters(notebooks, chosen, dict.fromkeys(given, ""))

    tell(f"reading {logs_folder}")
    results = open_results(logs_folder.resolve(), as_of, out)
    logs = results.logs
    day = str(pd.Timestamp(logs.as_of).date())
    others = sorted(_pages_in(out / day) - {report.page for report in chosen})
    if others:
        raise ValueError(
            f"{out / day} holds {', '.join(others)}, which a publication without them would take away: "
            "publish all reports, or into another folder"
        )
    clock.lap("reading")
    tell(f"computing as of {day}")

    # Kernels take seconds to start: they do so once the results leave them a core, and the notebooks wait for these.
    with building_in(out, day, tell) as building, _another_thread() as beside:
        content = building / "content"
        written = beside.submit(_write_computed, results, content, day, out)
        parameters = dict(zip(given, (str(logs_folder.resolve()), day, str(out)), strict=True))
        workspace = building / "executed"
        if (sparing := getattr(results, "sparing", None)) is not None:
            sparing.wait()
        executed, failures = run_notebooks(
            notebooks, chosen, parameters, workspace, workers=workers or cores(), tell=tell
        )
        clock.lap("notebooks")
        # Each notebook has read the database by itself: they agree where it is at the end what it was at the start.
        moving = logs.plant.source is not None and not failures
        if moving and open_results(logs_folder.resolve(), day, out).logs.digest != logs.digest:
            raise ValueError("the database changed while its rows were published; publish again")
        pages, unsound = _pages(executed, chosen, workspace, plant=logs.plant.name, as_of=day)
        failures += unsound
        if failures:
            kept = keep_failed([failure.path for failure in failures], out, day)
            raise ReportFailed(failures, kept)
        for page in pages:
            if page.unshown:
                cells = ", ".join(map(str, page.unshown))
                tell(f"{page.report.name}: not on the page, being no block: output of cell {cells}")
        rows, spreadsheet = written.result()
        _write_pages(content, pages, rows, spreadsheet, logs.plant.name, day)
        clock.lap("pages")
        document = manifest(
            plant=logs.plant.name,
            currency=getattr(logs.plant, "currency", ""),
            code=code_digest(notebooks, chosen),
            parameters={
                "logs": logs_folder.resolve().name,  # where it stands on this machine is nobody else's business
                "as_of": day,
                "reports": [report.name for report in chosen],
            },
            logs_digest=logs.digest,
            sources=logs.sources,
            past_publications=getattr(results, "past_digests", {}),
            pages=pages,
            headline=_headline(pages),
            rows=rows,
            folder=content,
            seconds=clock.all({one.report.name: round(one.seconds, 3) for one in executed}),
        )
        text = json.dumps(document, ensure_ascii=False, indent=1)
        (content / "manifest.json").write_text(f"{text}\n", encoding="utf-8", newline="")
        # Written before anything is placed: what may fail for want of room fails now.
        index = building / "index.html"
        index.write_text(_index(content, out, day), encoding="utf-8", newline="")
        place(content, out / day)
        index.replace(out / "index.html")
        forget_failed(out, day)
    tell(f"published {out / day} in {clock.total():.1f} s")
    return Publication(out / day, document)


def _index(content: Path, out: Path, day: str) -> str:
    """Return the page of all publications as they are once this one is placed."""
    weeks = {folder.name: read_week(folder) for folder in published_weeks(out)}
    weeks[day] = replace(read_week(content), folder=day)
    newest = max(weeks)
    year = read_year(content if newest == day else out / newest)
    return weeks_index([weeks[one] for one in sorted(weeks, reverse=True)], year)


@contextmanager
def _another_thread() -> Iterator[ThreadPoolExecutor]:
    """Give a thread to compute and write in; where the work beside it is stopped, it is not waited for."""
    pool = ThreadPoolExecutor(max_workers=1)
    try:
        yield pool
    except BaseException as error:
        # What failed fails when results are there: the thread is about to end, and writes in a folder that goes.
        pool.shutdown(wait=isinstance(error, Exception), cancel_futures=True)
        raise
    pool.shutdown()


def _pages_in(folder: Path) -> set[str]:
    """Return the file names of the reports that a publication holds."""
    return {path.name for path in folder.glob("*.html")} - {"index.html"}


class _Clock:
    """Seconds since the start and since the last lap."""

    def __init__(self) -> None:
        self._start = self._last = time.perf_counter()
        self.seconds: dict[str, float] = {}

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.seconds[name] = round(now - self._last, 3)
        self._last = now

    def total(self) -> float:
        return time.perf_counter() - self._start

    def all(self, reports: Mapping[str, float]) -> dict[str, Any]:
        return {**self.seconds, "total": round(self.total(), 3), "reports": dict(reports)}


def _headline(pages: Sequence[ReportPage]) -> str:
    """Return the manager's headline, or else the first there is."""
    first = sorted(pages, key=lambda page: page.report.reader != "manager")
    return next((page.headline for page in first if page.headline), "")


def _pages(
    executed: Sequence[Executed], chosen: Sequence[Report], workspace: Path, *, plant: str, as_of: str
) -> tuple[list[ReportPage], list[Failure]]:
    pages, failures = [], []
    for one in executed:
        try:
            pages.append(report_page(one.notebook, one.report, chosen, plant=plant, as_of=as_of))
        except PageError as error:
            path = workspace / f"{one.report.name}.ipynb"
            failures.append(Failure(one.report, None, "", str(error), path, one.seconds))
    return pages, failures


def _write_computed(results: Publishable, content: Path, day: str, out: Path) -> tuple[dict[str, int], str]:
    """Compute what is published beside the pages, which may take long, and write it.

    Returns the number of rows of each table, and the name of the spreadsheet, empty where there is none.
    """
    tables, logs = dict(results.tables()), results.logs
    whole: Results | None = getattr(results, "results", None)
    for folder in (content, content / "tables", content / "assets"):
        folder.mkdir()
    for name, frame in tables.items():
        write_csv(frame, content / "tables" / f"{name}.csv", name)
    schema = schema_page(tables, plant=logs.plant.name)
    (content / "tables" / "index.html").write_text(schema, encoding="utf-8", newline="")
    (content / "assets" / "page.css").write_text(page_style(), encoding="utf-8", newline="")
    (content / "assets" / "page.js").write_text(page_script(), encoding="utf-8", newline="")
    put_shared(plotly_source(), content / "assets" / PLOTLY, out)
    sheets = outlook_sheets(tables, logs, whole)
    if sheets:
        about, date = about_outlook(logs, whole), pd.Timestamp(day).date()
        write_spreadsheet(content / SPREADSHEET, sheets, title=logs.plant.name, as_of=date, about=about)
    write_supplier_files(content, logs, {} if whole is None else supplier_workbooks(whole))
    return {name: len(frame) for name, frame in tables.items()}, SPREADSHEET if sheets else ""


def _write_pages(
    content: Path,
    pages: Sequence[ReportPage],
    rows: Mapping[str, int],
    spreadsheet: str,
    plant: str,
    day: str,
) -> None:
    """Write the pages, and the one that leads to them and to the tables."""
    for page in pages:
        (content / page.report.page).write_text(page.html, encoding="utf-8", newline="")
    index = publication_index(pages, rows, plant=plant, as_of=day, spreadsheet=spreadsheet)
    (content / "index.html").write_text(index, encoding="utf-8", newline="")
