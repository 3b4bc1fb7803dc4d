"""Whether a publication stands already that a new one of the same logs would repeat."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from .manifest import code_digest, digest_of, input_entries, package_versions

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..results import Pending
    from .reports import Report

__all__ = ["is_unchanged"]


def is_unchanged(out: Path, day: str, pending: Pending, notebooks: Path, chosen: Sequence[Report]) -> bool:
    """Say whether the publication of `day` in `out` is of these logs, reports, past publications, code and libraries.

    It counts only where every file in it is as its manifest says, and the index names it: one that was stopped between
    these two steps is made again.
    """
    folder = out / day
    try:
        manifest: dict[str, Any] = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
        index = (out / "index.html").read_text(encoding="utf-8")
        wanted = {
            "packages": package_versions(),
            "code": code_digest(notebooks, chosen),
            "logs_digest": pending.logs.digest,
            "inputs": input_entries(pending.logs.sources),
            "past_publications": [
                {"file": file, "sha256": digest} for file, digest in pending.past_digests.items()
            ],
        }
        same = all(manifest[name] == value for name, value in wanted.items())
        same &= manifest["parameters"]["reports"] == [report.name for report in chosen]
        same &= f'href="{day}/index.html"' in index
        return same and all(digest_of(folder / name) == digest for name, digest in manifest["files"].items())
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return False
