"""The chain of all analyses, in the order in which material flows."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pandas as pd

from . import accounts, demand, ink, orders, paper, reels, suppliers, watch
from .beside import beside
from .prices import ink_prices, newsprint_price, paper_prices, run_prices
from .tables import OUTPUTS, as_published
from .together import ahead_tables, week_tables

if TYPE_CHECKING:
    from .logs import Logs
    from .past import PastExceptions, PastPlan

__all__ = ["SPARING", "analysed"]

#: The part from which on a core is to spare: orders are searched for on one.
SPARING = "suppliers, orders and accounts"


def analysed(  # noqa: PLR0915 -- long: the chain of all parts, one line after the other
    logs: Logs,
    past: pd.DataFrame,
    past_digests: dict[str, str],
    before: PastPlan | None,
    raised: PastExceptions | None,
    tell: Callable[[str], object],
) -> dict[str, Any]:
    """Run every analysis on `logs`, and return the attributes of :class:`pressstats.results.Results` by name.

    `tell` is told the name of each part before it is computed.
    """
    tell("paper")
    weighed = paper.weighed_paper(logs)
    webs, mounts, weights = weighed.webs, weighed.mounts, weighed.weights
    threading, grammage, runs = weights.threading, weighed.grammage, weighed.runs
    grammages = paper.grammage_regimes(weights.regimes, webs, mounts, paper_prices(logs))
    startup = watch.startup_regimes(runs, newsprint_price(logs))
    published: dict[str, pd.DataFrame] = {
        "grammage": grammage,
        "paper_balance": paper.paper_balance(runs),
        "rejected_rows": as_published(logs.rejected, "rejected_rows"),
        "warning_rows": as_published(logs.warnings, "warning_rows"),
    }
    reels_beside = beside(lambda: reels.study_reels(logs, weighed))
    tell("ink")
    exposure, intervals, fits, found = ink.study_inks(logs)
    model = ink.ink_model(intervals, fits)
    published["ink_model"] = model
    published["ink_watch"] = watch.ink_watch(intervals, fits, found)
    published["ink_findings"] = ink.ink_findings(found)
    published["ink_ledger"] = ink.ink_ledger(logs, exposure)
    levels = ink.ink_regimes(fits, found, ink_prices(logs))
    published["regimes"] = as_published(
        pd.concat([part for part in (grammages, startup, levels) if len(part)] or [levels]), "regimes"
    )
    tell("reels")
    study = reels_beside()
    published |= {
        name: getattr(study, name) for name in ("breaks", "reel_ends", "splice_target", "reel_chain")
    }
    unsound = watch.implausible(logs, runs, grammage, model)
    refused = watch.refused_parts(unsound)
    tell("forecast")
    history = demand.weekly_use(logs, runs, exposure, intervals, model, fits)
    history = history.drop(columns=watch.refused_materials(logs, history.columns, refused))
    outlook = None
    if len(history) and len(history.columns):
        outlook = demand.demand_outlook(demand.recipe_of(logs, history, exposure))
    counted = orders.stock_on_hand(logs, runs, exposure, model, history.tail(13).mean() / 7)
    # What cannot be true is never ordered on, nor said to last.
    stock = orders.refuse_stock(logs, counted, unsound)
    opens = orders.open_orders(logs)
    inks = accounts.InkAccount(exposure, intervals, model, fits, published["ink_findings"])

    def whatever_is_ordered() -> tuple[dict[str, pd.DataFrame], pd.DataFrame, pd.DataFrame]:
        use = accounts.material_use(logs, weighed, exposure, model, history)
        tables = ahead_tables(logs, outlook, past, stock, opens, study)
        tables |= accounts.money_tables(logs, weighed, inks, use, outlook)
        tables["claims"] = suppliers.claims(logs, reels.new_reels(logs, study.mount_history), study.claims)
        return tables, use, ink.adequacy(logs, exposure, fits)

    later = beside(whatever_is_ordered)
    tell(SPARING)
    quality = suppliers.supplier_quality(logs, study.mount_history, weights.by_supplier)
    plan = None
    if outlook is not None and logs.has("materials"):
        said = None if before is None else before.order_plan
        extra = suppliers.premiums(logs, quality)
        plan = orders.plan_orders(logs, outlook, stock, opens, said, premiums=extra)
    odds = None if plan is None else plan.contracts
    published["supplier_record"] = suppliers.supplier_record(logs, quality, odds)
    others, use, adequacy = later()
    published |= others
    published["order_plan"] = OUTPUTS["order_plan"].empty() if plan is None else plan.published
    published["late_trucks"] = OUTPUTS["late_trucks"].empty() if plan is None else plan.late_trucks
    published = watch.refused_tables(published, refused)
    tell("the week")
    waste = watch.waste_chart(runs, startup)
    unexplained = paper.unexplained_limits(logs, webs, runs, weights)
    drawn = watch.ExceptionInputs(
        waste_chart=waste,
        unexplained=unexplained,
        ink_watch=published["ink_watch"],
        ink_findings=found,
        reels=study,
        stock_cover=published["stock_cover"],
        stock=counted,
        open_orders=opens,
        miscounts=orders.miscounts(orders.count_differences(logs, runs)),
        implausible=unsound,
        regimes=published["regimes"],
        announced=paper.announced_changes(logs, grammages, mounts),
        **({} if plan is None else {"contracts": plan.contracts}),
        claims=published["claims"],
        wanted=frozenset() if plan is None else watch.wanted_now(logs, plan.risk, published["order_plan"]),
    )
    priced = runs.assign(price=run_prices(logs, webs, len(runs)))
    drawn = watch.believable(drawn, logs, refused)
    published |= week_tables(logs, priced, drawn, plan, published, raised)
    return {
        "logs": logs,
        "run_balance": runs,
        "threading": threading,
        "unexplained": unexplained,
        "reel_study": study,
        "ink_exposure": exposure,
        "ink_intervals": intervals,
        "ink_fits": fits,
        "ink_findings": found,
        "ink_adequacy": adequacy,
        "waste_chart": waste,
        "use": use,
        "outlook": outlook,
        "supplier_quality": quality,
        "on_hand": stock,
        "open_orders": opens,
        "plan": plan,
        "plan_before": before,
        "raised_before": None if raised is None else raised.made_on,
        "implausible": unsound,
        "published": {
            name: table if len(table) else OUTPUTS[name].empty() for name, table in published.items()
        },
        "past_digests": past_digests,
    }
