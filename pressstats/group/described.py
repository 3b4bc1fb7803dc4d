"""What a group of plants says of itself: ``plant.toml`` of a folder without logs, which names their folders."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

from pydantic import Field, field_validator

from ..exports import Part
from ..plant import read_toml, validated

__all__ = ["PlantGroup", "read_group"]


class PlantGroup(Part):
    """A group of plants, as the ``plant.toml`` of a folder without logs describes it."""

    name: str
    #: By the short name of a plant, which is that of the folder of its publications: the folder of its logs.
    group: Annotated[dict[str, str], Field(min_length=1)]

    @field_validator("group")
    @classmethod
    def _known_apart(cls, value: dict[str, str]) -> dict[str, str]:
        for plant, folder in value.items():
            if not re.fullmatch(r"[a-z0-9][a-z0-9_-]{0,39}", plant):
                raise ValueError(f"{plant!r} is no short name: small letters, digits, - and _, 40 at most")
            if not folder.strip():
                raise ValueError(f"{plant} has no folder")
        folders = [Path(folder) for folder in value.values()]
        twice = sorted({str(folder) for folder in folders if folders.count(folder) > 1})
        if twice:
            raise ValueError(f"{', '.join(twice)} is the folder of two plants")
        return value


def read_group(path: Path) -> PlantGroup | None:
    """Read and validate the ``plant.toml`` of a group; return None where it names no plants.

    One that is not there names none: reading the logs says what is wrong.

    Raises
    ------
    PlantError
        As :func:`read_plant`.
    """
    if not path.is_file():
        return None
    content = read_toml(path)
    return validated(path, content, PlantGroup) if "group" in content else None
