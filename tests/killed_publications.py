"""Publications whose worker is killed: in a module of its own, since each worker that is started imports it."""

from __future__ import annotations

import os
import signal
from typing import TYPE_CHECKING

from pressstats.publishing import publication
from pressstats.publishing.group import PlantTask, publish_plant

if TYPE_CHECKING:
    from pathlib import Path

    from pressstats.group import Outcome

__all__ = ["killed_once"]


def killed_once(marks: Path, task: PlantTask, before: str = "place") -> Outcome:
    """Publish a plant; the first worker of the south dies before a step: when all is made and nothing in its place."""
    mark = marks / task.plant
    if task.plant == "south" and not mark.exists():
        mark.touch()
        setattr(publication, before, lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL))
    return publish_plant(task)
