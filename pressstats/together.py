"""Published tables that several parts make together: those of the week, and those that look ahead."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import pandas as pd

from . import demand, nights, orders, watch
from .tables import OUTPUTS, as_published

if TYPE_CHECKING:
    from .logs import Logs
    from .past import PastExceptions
    from .reels import ReelStudy

__all__ = ["ahead_tables", "week_tables"]


def week_tables(
    logs: Logs,
    runs: pd.DataFrame,
    found: watch.ExceptionInputs,
    plan: orders.OrderPlan | None,
    published: Mapping[str, pd.DataFrame],
    raised: PastExceptions | None,
) -> dict[str, pd.DataFrame]:
    """Return the published tables of the week: exceptions and their changes, figures and their past, things to do.

    `published` are the tables before them, of which the order plan and the bridge are looked at.
    """
    exceptions = watch.exceptions(logs, found)
    meant: dict[str, str] = {}
    risk = at_once = pd.Series(dtype="float64")
    if plan is not None:
        meant = dict(zip(plan.reasons["order"], plan.reasons["material"], strict=True))
        at_once = plan.service.set_index("material")["at_once"].astype("float64")
        risk = plan.risk
    bridge = published["bridge"]
    paid = bridge.loc[(bridge["of"] == "newsprint") & (bridge["between"] != "budget"), "cost_now"]
    week = watch.WeekInputs(
        logs, runs, found, exceptions, risk, float(paid.iloc[0]) if len(paid) else float("nan")
    )
    supply = watch.Supply(
        published["order_plan"], found.stock_cover, found.open_orders, meant, at_once, risk, found.implausible
    )
    changed = OUTPUTS["exception_changes"].empty()
    if raised is not None:
        changed = watch.exception_changes(exceptions, raised.exceptions, raised.made_on)
    return {
        "exceptions": exceptions,
        "exception_changes": changed,
        "week_figures": watch.week_figures(week),
        "week_history": watch.week_history(week),
        "to_do": watch.to_do(logs, exceptions, supply),
    }


def ahead_tables(
    logs: Logs,
    outlook: demand.Outlook | None,
    past: pd.DataFrame,
    stock: pd.DataFrame,
    open_rows: pd.DataFrame,
    study: ReelStudy,
) -> dict[str, pd.DataFrame]:
    """Return the published tables that look ahead, but for the plan; without an outlook they have no rows."""
    names = ("demand_forecast", "demand_season", "forecast_record")
    tables = {"coming_days": nights.coming_days(logs, outlook, open_rows)}
    if outlook is None:
        tables |= nights.night_tables(logs, study, None)
        tables |= {name: OUTPUTS[name].empty() for name in (*names, "coming_paper")}
        blank = pd.concat([OUTPUTS["stock_cover"].empty(), stock.drop(columns="why")], ignore_index=True)
        return tables | {"stock_cover": as_published(blank, "stock_cover")}
    paths = orders.demand_paths(outlook, logs.as_of)
    tables |= nights.night_tables(logs, study, paths)
    return tables | {
        "coming_paper": nights.coming_paper(logs, paths),
        "demand_forecast": demand.demand_forecast(outlook, logs.plant.first_forecast_week(logs.as_of)),
        "demand_season": demand.demand_season(outlook, logs),
        "forecast_record": demand.forecast_record(outlook, past),
        "stock_cover": orders.stock_cover(logs, stock, open_rows, paths),
    }
