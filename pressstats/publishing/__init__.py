"""From logs to the pages of three readers: run the notebooks, convert, put in place, index."""

import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

from .reports import READERS, REPORTS, Report

if TYPE_CHECKING:
    from .group import GroupPublication, publish_group
    from .publication import NOTEBOOKS, Publication, ReportFailed, publish

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

#: Where each name comes from; imported when it is first asked for: who publishes nothing does not wait seconds for it.
_PARTS = {
    "NOTEBOOKS": ".publication",
    "GroupPublication": ".group",
    "Publication": ".publication",
    "ReportFailed": ".publication",
    "publish": ".publication",
    "publish_group": ".group",
}
#: A check of web addresses that comes with the format of notebooks: to build its grammar takes more than a second, and
#: no notebook is held against it.
_UNUSED = "rfc3987_syntax"


def _import_notebook_format() -> None:
    """Import the format of notebooks, before any module here does, as where that check is not installed."""
    if _UNUSED in sys.modules:
        return
    sys.modules[_UNUSED] = None  # type: ignore[assignment]  # so that to import it is an ImportError
    try:
        import_module("nbformat")
    finally:
        del sys.modules[_UNUSED]


_import_notebook_format()


def __getattr__(name: str) -> Any:
    if name not in _PARTS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_PARTS[name], __name__), name)


def __dir__() -> list[str]:
    return sorted(__all__)
