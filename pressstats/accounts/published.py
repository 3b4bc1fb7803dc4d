"""The published tables of money, each from those before it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from .book import material_books
from .bridge import bridge
from .cells import valued_use
from .close import month_close, standard_use
from .record import run_ink, run_record
from .titles import title_cost
from .waste import run_waste, waste_cost, waste_sales
from .year import budget_year, year_end

if TYPE_CHECKING:
    import pandas as pd

    from ..demand import Outlook
    from ..ink import InkFit
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["InkAccount", "money_tables"]


@dataclass(frozen=True)
class InkAccount:
    """What is known of inks: exposure of runs, use between dips, published model and findings, fit of each ink."""

    exposure: pd.DataFrame
    intervals: pd.DataFrame
    model: pd.DataFrame
    fits: Mapping[str, InkFit]
    findings: pd.DataFrame


def money_tables(
    logs: Logs, weighed: WeighedPaper, inks: InkAccount, use: pd.DataFrame, outlook: Outlook | None
) -> dict[str, pd.DataFrame]:
    """Return the published tables of money by name.

    Parameters
    ----------
    logs, weighed
        Logs, and the result of :func:`pressstats.paper.weighed_paper`.
    inks : InkAccount
        What is known of inks; misread dips close no book.
    use : DataFrame
        Result of :func:`pressstats.accounts.material_use`.
    outlook : Outlook or None
        The forecast.

    Returns
    -------
    dict of DataFrame
        The published tables of ``tables.money``, and ``budget_year``.
    """
    misread = inks.findings[inks.findings["kind"] == "misread dip"]
    books = material_books(logs, use, misread)
    spent = valued_use(use, books)
    close = month_close(logs, books, standard_use(logs, weighed))
    waste = run_waste(logs, weighed)
    year = year_end(logs, books, outlook)
    of_runs = run_ink(logs["runs"]["run_id"], inks.exposure, inks.intervals, inks.model)
    return {
        "run_record": run_record(logs, weighed, waste["price"], of_runs),
        "waste_cost": waste_cost(logs, waste),
        "waste_sales": waste_sales(logs, waste),
        "title_cost": title_cost(logs, weighed, inks.exposure, inks.fits, spent, waste),
        "bridge": bridge(logs, weighed, inks.exposure, inks.model, spent, close),
        "month_close": close,
        "year_end": year,
        "budget_year": budget_year(logs, close, year),
    }
