"""Notebooks run by papermill, several at a time, each in a kernel of its own."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import nbformat
import papermill
from papermill.engines import NBClientEngine, papermill_engines
from papermill.exceptions import PapermillExecutionError

from .kernels import WarmKernels
from .reports import EXPLORE

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager

    from .reports import Report

__all__ = ["Executed", "Failure", "NotebookError", "check_parameters", "run_notebooks"]

_KERNEL = "python3"
#: Longest that a cell is waited for [s]: sixty years of a plant take a fraction of it.
CELL_SECONDS = 3600
#: What is raised of a kernel that died before any cell was sent to it.
_NEVER_CAME = "Kernel died before replying"
_COLOURS = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class _SavedAtItsEnd(NBClientEngine):
    """Saves a notebook when it has ended, well or not: to save it before and after each cell takes half of the time."""

    @classmethod
    def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **options: Any) -> None:
        saved, nb_man.save = nb_man.save, _nothing
        try:
            super().execute_managed_notebook(nb_man, kernel_name, **options)
        finally:
            saved()


def _nothing(**_: object) -> None:
    """Leave it as it is."""


papermill_engines.register(_SavedAtItsEnd.__name__, _SavedAtItsEnd)


class NotebookError(ValueError):
    """A notebook is missing or does not take the parameters it will be given."""


@dataclass(frozen=True)
class Executed:
    """A notebook that ran to its end."""

    report: Report
    notebook: nbformat.NotebookNode
    seconds: float


@dataclass(frozen=True)
class Failure:
    """A notebook that did not."""

    report: Report
    # Number of the cell in the notebook, from 1, prose included; None if no cell is to blame
    cell: int | None
    line: str
    why: str  # type and message of the exception
    path: Path  # the notebook as far as it ran
    seconds: float

    @property
    def message(self) -> str:
        """What happened, to be read by whoever runs the publication."""
        where = f", cell {self.cell}" if self.cell is not None else ""
        line = f"\n  at:  {self.line}" if self.line else ""
        return f"{self.report.notebook} failed{where}.{line}\n  why: {self.why}"


def check_parameters(notebooks: Path, reports: Sequence[Report], parameters: Mapping[str, object]) -> None:
    """Refuse notebooks that are missing or do not declare a parameter.

    Papermill would only warn, and the notebook would run with its own default.
    """
    problems = []
    for report in reports:
        path = notebooks / report.notebook
        if not path.is_file():
            problems.append(f"{path} is not there")
            continue
        try:
            declared = papermill.inspect_notebook(str(path))
        except ValueError as error:
            problems.append(f"{report.notebook} cannot be read: {_one_line(str(error))}")
            continue
        unknown = [name for name in parameters if name not in declared]
        if unknown:
            has = ", ".join(declared) or "none"
            problems.append(f"{report.notebook} does not declare {', '.join(unknown)} (it declares {has})")
    if problems:
        raise NotebookError("; ".join(problems))


def run_notebooks(
    notebooks: Path,
    reports: Sequence[Report],
    parameters: Mapping[str, str],
    workspace: Path,
    *,
    workers: int,
    tell: Callable[[str], None],
) -> tuple[list[Executed], list[Failure]]:
    """Run the notebook of each report; return those that ran to their end and the failures, in the order of `reports`.

    Parameters are text only: other types change on their way into a notebook. The work is done in the kernels,
    which are processes, so that threads are enough here. (They also share one register of ports, by which no
    two kernels are given the same one.)
    """
    workspace.mkdir(parents=True, exist_ok=True)
    done: dict[str, Executed | Failure] = {}
    with (
        WarmKernels(len(reports), parameters, workspace) as warm,
        ThreadPoolExecutor(max_workers=max(1, workers)) as pool,
    ):
        # The last reports show most and take longest: they begin, so that no core is left with one at the end.
        waiting = [
            pool.submit(_run, notebooks, report, parameters, workspace, tell, warm.manager)
            for report in reversed(reports)
        ]
        try:
            for future in as_completed(waiting):
                result = future.result()
                done[result.report.name] = result
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            warm.kill()
            raise
    results = [done[report.name] for report in reports]
    return (
        [result for result in results if isinstance(result, Executed)],
        [result for result in results if isinstance(result, Failure)],
    )


def _run(
    notebooks: Path,
    report: Report,
    parameters: Mapping[str, str],
    workspace: Path,
    tell: Callable[[str], None],
    manager: type[AsyncKernelManager],
) -> Executed | Failure:
    target = workspace / f"{report.name}.ipynb"
    tell(f"{report.name}: started")
    start = time.perf_counter()
    try:
        notebook = _executed(notebooks, report, parameters, target, manager)
    except Exception as error:  # noqa: BLE001 -- whatever a notebook raises, the others go on
        seconds = time.perf_counter() - start
        cell, line, why = _blame(error, target)
        tell(f"{report.name}: failed after {seconds:.1f} s")
        return Failure(report, cell, line, why, target, seconds)
    seconds = time.perf_counter() - start
    tell(f"{report.name}: done in {seconds:.1f} s")
    return Executed(report, notebook, seconds)


def _executed(
    notebooks: Path,
    report: Report,
    parameters: Mapping[str, str],
    target: Path,
    manager: type[AsyncKernelManager],
) -> nbformat.NotebookNode:
    """Run a notebook: once more where its kernel did not come, since another process may have taken a port of it."""
    for more in (True, False):
        try:
            return papermill.execute_notebook(
                str(_without_exploring(notebooks / report.notebook, target)),
                str(target),
                parameters=dict(parameters),
                engine_name=_SavedAtItsEnd.__name__,
                kernel_name=_KERNEL,
                language="python",
                progress_bar=False,
                # the kernel's folder, not ours: changing our own would change it for every thread
                resources={"metadata": {"path": str(notebooks)}},
                # its remarks on its own start and end; what goes wrong in a cell comes back by another way
                extra_arguments=["--log-level=50"],
                # nothing is left to be saved in a kernel: to wait for its farewell takes a sixth of the time
                shutdown_kernel="immediate",
                execution_timeout=CELL_SECONDS,
                kernel_manager_class=manager,
            )
        except RuntimeError as error:
            if not (more and str(error).startswith(_NEVER_CAME)):
                raise
    raise AssertionError


def _without_exploring(source: Path, target: Path) -> Path:
    """Return the notebook to run: a copy in `target` where cells are for exploring, which stand in it as mere text.

    So they are not run, and every other cell keeps its number.
    """
    notebook = nbformat.read(source, as_version=4)
    exploring = [cell for cell in notebook.cells if EXPLORE in cell.metadata.get("tags", [])]
    if not exploring:
        return source
    for cell in exploring:
        if cell.cell_type == "code":
            del cell["outputs"], cell["execution_count"]
            cell.cell_type = "raw"
    nbformat.write(notebook, target)
    return target


def _blame(error: Exception, target: Path) -> tuple[int | None, str, str]:
    """Return the cell (from 1, as the author's notebook counts), its first line, and what happened."""
    if isinstance(error, PapermillExecutionError):
        why = _one_line(f"{error.ename}: {error.evalue}" if error.evalue else str(error.ename))
        return _in_source(target, error.cell_index), _first_line(error.source), why
    why = _one_line(f"{type(error).__name__}: {error}")
    try:
        cells = nbformat.read(target, as_version=4).cells
    except (OSError, ValueError):
        return None, "", why
    # a cell whose kernel dies counts as completed: to blame is the last that was begun
    begun = [
        index
        for index, cell in enumerate(cells)
        if cell.cell_type == "code"
        and cell.metadata.get("papermill", {}).get("status", "pending") != "pending"
    ]
    if not begun:
        return None, "", why
    return _in_source(target, begun[-1]), _first_line(cells[begun[-1]].source), why


def _in_source(target: Path, index: int) -> int:
    """Count without the cell that papermill put in; its error marks come only after the index was taken."""
    try:
        cells = nbformat.read(target, as_version=4).cells
    except (OSError, ValueError):
        return index + 1
    marks = {"papermill-error-cell-tag"}
    own = [cell for cell in cells if not marks & set(cell.metadata.get("tags", []))]
    before = own[: index + 1]
    return index + 1 - sum("injected-parameters" in cell.metadata.get("tags", []) for cell in before)


def _first_line(source: str) -> str:
    return next((line.strip() for line in source.splitlines() if line.strip()), "")[:160]


def _one_line(text: str) -> str:
    lines = [line.strip() for line in _COLOURS.sub("", text).splitlines() if line.strip()]
    return " ".join(lines)[:600]
