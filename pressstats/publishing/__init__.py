"""From logs to the pages of three readers: run the notebooks, convert, put in place, index."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from .left_out import leave_out

if TYPE_CHECKING:
    from .group import GroupPublication, publish_group
    from .publication import NOTEBOOKS, Publication, ReportFailed, publish
    from .reports import READERS, REPORTS, Report

__all__ = [
    "NOTEBOOKS",
    "READERS",
    "REPORTS",
    "GroupPublication",
    "Publication",
    "Report",
    "ReportFailed",
    "publish",
    "publish_group",
]

#: Where each name comes from, imported when it is first asked for: who names the reports need not import Jupyter.
_PARTS = {
    **dict.fromkeys(("READERS", "REPORTS", "Report"), ".reports"),
    **dict.fromkeys(("NOTEBOOKS", "Publication", "ReportFailed", "publish"), ".publication"),
    **dict.fromkeys(("GroupPublication", "publish_group"), ".group"),
}

# Here, since workers import what they are to do by the name of its module.
leave_out()


def __getattr__(name: str) -> Any:
    if name not in _PARTS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_PARTS[name], __name__), name)
