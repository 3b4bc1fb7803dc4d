"""What needs a person: exceptions, each with reason, owner and state; and which came or were resolved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from ..tables import OUTPUTS, as_published
from .plausible import is_refused, nothing_implausible
from .process_exceptions import change_exceptions, ink_exceptions, unexplained_exceptions, waste_exceptions
from .reel_exceptions import reel_exceptions
from .routine_exceptions import implausible_exceptions, log_exceptions, standby_exceptions
from .stock_exceptions import stock_exceptions
from .supplier_exceptions import supplier_exceptions

if TYPE_CHECKING:
    from ..ink import Finding
    from ..logs import Logs
    from ..reels import ReelStudy

__all__ = ["ExceptionInputs", "exception_changes", "exceptions"]


@dataclass(frozen=True)
class ExceptionInputs:
    """The tables that exceptions are drawn from, under their published or documented names."""

    waste_chart: pd.DataFrame
    unexplained: pd.DataFrame
    ink_watch: pd.DataFrame
    ink_findings: Sequence[Finding]
    reels: ReelStudy
    stock_cover: pd.DataFrame
    stock: pd.DataFrame
    open_orders: pd.DataFrame
    miscounts: pd.DataFrame
    implausible: pd.DataFrame = field(default_factory=nothing_implausible)
    regimes: pd.DataFrame = field(default_factory=OUTPUTS["regimes"].empty)
    announced: frozenset[str] = frozenset()
    contracts: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["supplier"]))
    claims: pd.DataFrame = field(default_factory=OUTPUTS["claims"].empty)
    wanted: frozenset[str] = frozenset()  # materials that are ordered this week, or may run out


def exceptions(logs: Logs, inputs: ExceptionInputs) -> pd.DataFrame:
    """Return the published table ``exceptions``.

    A cost [currency] is blank where it cannot be told; what is derived from a part of the logs that cannot be
    true is left out.
    """
    rows = [
        *implausible_exceptions(logs, inputs.implausible),
        *change_exceptions(logs, inputs.regimes, inputs.announced),
        *waste_exceptions(logs, inputs.waste_chart),
        *unexplained_exceptions(logs, inputs.unexplained),
        *ink_exceptions(logs, inputs.ink_watch, inputs.ink_findings),
        *reel_exceptions(logs, inputs.reels),
        *stock_exceptions(
            logs, inputs.stock_cover, inputs.stock, inputs.open_orders, inputs.miscounts, inputs.wanted
        ),
        *supplier_exceptions(logs, inputs.contracts, inputs.claims, inputs.reels.claims),
        *standby_exceptions(logs),
        *log_exceptions(logs),
    ]
    rows = [row for row in rows if not is_refused(inputs.implausible, row["part"])]
    if not rows:
        return OUTPUTS["exceptions"].empty()
    # Of several weeks of one matter the last one stands.
    table = pd.DataFrame(rows).drop_duplicates(["kind", "subject"], keep="last")
    table["exception"] = table["kind"] + ": " + table["subject"]
    table = table.astype(
        {"week": "datetime64[us]", "by": "datetime64[us]", "size": "float64", "cost": "float64"}
    )
    return as_published(table, "exceptions")


_NAMES = ["exception", "kind", "subject"]


def exception_changes(now: pd.DataFrame, before: pd.DataFrame, since: pd.Timestamp) -> pd.DataFrame:
    """Return the published table ``exception_changes``.

    Parameters
    ----------
    now, before : DataFrame
        ``exceptions`` as published now and on `since`: exception, kind and subject.
    since : Timestamp
        As-of day of the publication before.

    Returns
    -------
    DataFrame
        The published columns; the resolved first. What cannot be judged any more, since the logs that it rests on are
        gone, is resolved for nobody: whoever reads it says what is not known beside it.
    """
    resolved = before.loc[~before["exception"].isin(now["exception"]), _NAMES].assign(change="resolved")
    new = now.loc[~now["exception"].isin(before["exception"]), _NAMES].assign(change="new")
    parts = [part for part in (resolved, new) if len(part)]
    if not parts:
        return OUTPUTS["exception_changes"].empty()
    return as_published(pd.concat(parts, ignore_index=True).assign(since=since), "exception_changes")
