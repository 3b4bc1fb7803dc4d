"""The published tables of money, each from those before it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .book import material_books
from .close import month_close
from .standard import standard_use
from .year import year_end

if TYPE_CHECKING:
    import pandas as pd

    from ..demand import Outlook
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["money_tables"]


def money_tables(
    logs: Logs,
    weighed: WeighedPaper,
    use: pd.DataFrame,
    ink_findings: pd.DataFrame,
    outlook: Outlook | None,
) -> dict[str, pd.DataFrame]:
    """Return the published tables of money by name.

    Parameters
    ----------
    logs : Logs
        The logs.
    weighed : WeighedPaper
        Result of :func:`pressstats.paper.weighed_paper`.
    use : DataFrame
        Result of :func:`pressstats.accounts.material_use`.
    ink_findings : DataFrame
        Published table ``ink_findings``: misread dips close no book.
    outlook : Outlook or None
        The forecast.

    Returns
    -------
    dict of DataFrame
        The published tables ``month_close`` and ``year_end``.
    """
    misread = ink_findings[ink_findings["kind"] == "misread dip"]
    books = material_books(logs, use, misread)
    return {
        "month_close": month_close(logs, books, standard_use(logs, weighed)),
        "year_end": year_end(logs, books, outlook),
    }
