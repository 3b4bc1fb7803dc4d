"""Publish a group: each plant by itself, spread over cores or machines, then a page for all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from ..beside import cores
from ..group import PLANTS, Outcome, open_group, write_outcomes
from ..spreading import TRIES, spread
from ..stopping import ends_with_parent
from .folders import alone_in, write_whole
from .publication import NOTEBOOKS, Publication, ReportFailed, publish, to_stderr
from .reports import GROUP_REPORTS, REPORTS, Report, select
from .unchanged import is_unchanged

if TYPE_CHECKING:
    from ..group import Group, PlantGroup

__all__ = ["GroupPublication", "PlantTask", "publish_group", "publish_plant"]

_LONGEST = 400  # characters of why a plant failed


@dataclass(frozen=True)
class PlantTask:
    """A plant to publish; everything a worker needs to know, wherever it runs."""

    plant: str
    logs_folder: str
    out: str
    as_of: str
    names: tuple[str, ...]
    notebooks: str
    reports: tuple[Report, ...]
    kernels: int  # notebooks that run at a time
    here: bool  # on this machine, where a worker ends with who started it


@dataclass(frozen=True)
class GroupPublication:
    """What became of each plant, and the publication of the group: none where every plant failed."""

    outcomes: tuple[Outcome, ...]
    publication: Publication | None

    @property
    def failed(self) -> tuple[Outcome, ...]:
        """The plants that could not be published."""
        return tuple(outcome for outcome in self.outcomes if outcome.state == "failed")


def publish_group(  # noqa: PLR0913 -- as publish, and who does the work
    described: PlantGroup,
    folder: str | Path,
    out: str | Path = "published",
    as_of: str = "",
    names: Iterable[str] = (),
    *,
    scheduler: str = "",
    workers: int | None = None,
    notebooks: str | Path = NOTEBOOKS,
    reports: Sequence[Report] = REPORTS,
    tell: Callable[[str], None] = to_stderr,
) -> GroupPublication:
    """Publish each plant of a group in ``out/plants/<plant>/<as_of>``, and a page for all in ``out/<as_of>``.

    Parameters
    ----------
    described : PlantGroup
        The group (:func:`pressstats.group.read_group`).
    folder : path
        Folder of its ``plant.toml``, from which the folders of the plants are named.
    out, as_of, names, notebooks, reports, tell
        As in :func:`pressstats.publish`; `names` are reports of the plants.
    scheduler : str
        Address of a Dask scheduler whose workers see the same folders; empty for the cores of this machine.
    workers : int, optional
        Plants at a time on this machine; by default as many as there are cores to run on.

    Returns
    -------
    GroupPublication
        What became of each plant. One that failed stops no other; one that stands already from the same logs, code
        and libraries is not made again, so that a group that was stopped goes on where it was.

    Raises
    ------
    ValueError
        If a report is not known.
    SpreadError
        If the scheduler cannot be reached, or has no workers.
    ReportFailed
        If the page of the group could not be made; the plants are published.
    OSError
        If `out` cannot be written, or another group is published there for more than half an hour.

    Examples
    --------
    >>> group = read_group(Path("group/plant.toml"))
    >>> done = publish_group(group, "group", "published", names=["log_check"], tell=lambda line: None)
    >>> [(outcome.plant, outcome.state) for outcome in done.outcomes]
    [('north', 'published'), ('south', 'published')]
    """
    folder, out = Path(folder).resolve(), Path(out).resolve()
    chosen = tuple(report.name for report in select(reports, names))
    at_once = min(workers or cores(), len(described.group))
    tasks = [
        PlantTask(
            plant,
            str(folder / logs),
            str(out / PLANTS / plant),
            as_of,
            chosen,
            str(Path(notebooks).resolve()),
            tuple(reports),
            max(1, cores() // at_once),
            not scheduler,
        )
        for plant, logs in described.group.items()
    ]
    with alone_in(out / PLANTS, tell):
        done: dict[str, Outcome] = {}
        for outcome in spread(
            publish_plant, tasks, scheduler=scheduler, workers=at_once, lost=_lost, tell=tell
        ):
            done[outcome.plant] = outcome
            why = f": {outcome.why}" if outcome.why else f" as of {outcome.as_of}"
            tell(f"{outcome.plant} {outcome.state}{why} ({len(done)} of {len(tasks)})")
        outcomes = {task.plant: done[task.plant] for task in tasks}
        write_outcomes(out / PLANTS, outcomes, write_whole)
        days = [outcome.as_of for outcome in outcomes.values() if outcome.as_of]
        publication = None
        if days:
            publication = publish(
                folder,
                out,
                max(days),
                notebooks=NOTEBOOKS,
                reports=GROUP_REPORTS,
                open_results=_opened,
                tell=tell,
            )
    return GroupPublication(tuple(outcomes.values()), publication)


def _opened(folder: Path, as_of: str, out: Path) -> Group:
    return open_group(folder, as_of, out)


def _lost(task: PlantTask) -> Outcome:
    return Outcome(task.plant, "failed", "", f"its worker ended {TRIES} times before the work was done")


def publish_plant(task: PlantTask) -> Outcome:
    """Publish one plant, unless it stands already; whatever goes wrong is told and nobody else's trouble."""
    from ..logs import LogsError
    from ..results import Pending

    if task.here:
        ends_with_parent(os.getppid())
    out, notebooks = Path(task.out), Path(task.notebooks)

    def tell(line: str) -> None:
        to_stderr(f"{task.plant}: {line}")

    try:
        pending = Pending(Path(task.logs_folder), task.as_of, out)
        read = [pending]  # once; who opens the logs again wants to know what they are by then
        day = f"{pending.logs.as_of:%Y-%m-%d}"
        chosen = select(task.reports, task.names)
        if is_unchanged(out, day, pending, notebooks, chosen):
            return Outcome(task.plant, "unchanged", day)
        publish(
            task.logs_folder,
            out,
            day,
            task.names,
            notebooks=notebooks,
            reports=task.reports,
            open_results=lambda *where: read.pop() if read else Pending(*where),
            workers=task.kernels,
            tell=tell,
        )
    except ReportFailed as error:
        return _failed(task, "; ".join(failure.message for failure in error.failures))
    except (LogsError, OSError, ValueError) as error:
        return _failed(task, str(error))
    except Exception as error:  # noqa: BLE001 -- one plant stops nobody
        return _failed(task, f"{type(error).__name__}: {error}")
    return Outcome(task.plant, "published", day)


def _failed(task: PlantTask, why: str) -> Outcome:
    """Return why a plant failed in one line, without where its folders stand on this machine."""
    for folder in (task.logs_folder, task.out):
        why = why.replace(folder, Path(folder).name)
    words = " ".join(why.split())
    return Outcome(task.plant, "failed", "", words if len(words) <= _LONGEST else f"{words[: _LONGEST - 1]}…")
