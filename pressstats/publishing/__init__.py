"""From logs to the pages of three readers: run the notebooks, convert, put in place, index."""

import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

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


def __getattr__(name: str) -> Any:
    if name not in _PARTS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    if _PARTS[name] != ".reports":
        _import_jsonschema()
    return getattr(import_module(_PARTS[name], __name__), name)


def _import_jsonschema() -> None:
    """Import what Jupyter checks notebooks by, but for a grammar of web addresses: to compile it takes a second."""
    grammar = "rfc3987_syntax"
    if "jsonschema" not in sys.modules and grammar not in sys.modules:
        sys.modules[grammar] = None  # type: ignore[assignment]
        import_module("jsonschema")
        del sys.modules[grammar]
