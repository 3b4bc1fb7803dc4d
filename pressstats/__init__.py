"""pressstats: where a newspaper plant's paper and ink went, what it will need, and what to order.

>>> import pressstats
>>> results = pressstats.open_results("logs")
>>> results["paper_balance"][["week", "press", "mounted_kg"]].tail(1)
        week press  mounted_kg
7 2025-03-24    P2       225.8

Results hold frames (``results.runs``, ``mounts``, ``reels``, ``ink``, ``stock``, ``weeks``, ``forecast``), the
published tables by name, and the models (``results.ink_fits``, ``results.outlook``). ``results.describe()`` lists the
tables, ``results.describe("runs")`` says what a column means. ``notebooks/begin_here.ipynb`` goes on to figures.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .logs import Logs, LogsError, read_logs
    from .publishing import Publication, ReportFailed, publish
    from .results import Results, open_results

__all__ = [
    "Logs",
    "LogsError",
    "Publication",
    "ReportFailed",
    "Results",
    "__version__",
    "open_results",
    "publish",
    "read_logs",
]

__version__ = "0.1.0"

#: Where each name comes from; imported when it is first asked for, since analyses take seconds to import.
_PARTS = {
    "Logs": ".logs",
    "LogsError": ".logs",
    "Publication": ".publishing",
    "ReportFailed": ".publishing",
    "Results": ".results",
    "open_results": ".results",
    "publish": ".publishing",
    "read_logs": ".logs",
}


def __getattr__(name: str) -> Any:
    if name not in _PARTS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_PARTS[name], __name__), name)


def __dir__() -> list[str]:
    return sorted(__all__)
