"""Where a newspaper plant's paper and ink went, what it will need, and what to order.

Three names do nearly everything; ``help(pressstats.open_results)`` says more of each:

    open_results("logs")    all results of a folder of logs: what the notebooks and pages show
    read_logs("logs")       the logs alone, read and checked
    publish("logs")         pages, tables and workbooks, into ``published``

Of ``results = pressstats.open_results("logs")``:

    frames     results.runs, .mounts, .reels, .ink, .stock, .weeks, .forecast
    tables     results["paper_balance"]; list(results) names them all
    models     results.ink_fits, .reel_study, .outlook, .plan
    questions  results.what_if(...), .run_ink(...), .paper_change(...), .splice_cost(...)
    meaning    results.describe() lists frames and tables, results.describe("runs") their columns with units

>>> import pressstats
>>> results = pressstats.open_results("logs")
>>> results["paper_balance"][["week", "press", "mounted_kg"]].tail(1)
        week press  mounted_kg
7 2025-03-24    P2       225.8

``notebooks/begin_here.ipynb`` goes on from a question to a figure; ``python -m pressstats --help`` is the command line.
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
