"""The published table ``to_do``: what somebody should do this week, what needs action before what needs a look."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..tables import OUTPUTS, as_published
from .kinds import action_of, kind_of, owner_of
from .plausible import may_be_told, nothing_implausible
from .states import ACT, WATCH, risk_state
from .stock_exceptions import ORDERED_SOON, risky

if TYPE_CHECKING:
    from ..logs import Logs
    from ..plant import Plant

__all__ = ["Supply", "to_do", "working_day"]

#: Days within which an order of what there is much of is told as placed all the same.
_ALL_THE_SAME = 14
#: Days among which the next working day is looked for; where none of them is one, the day itself.
_SEARCHED = 60
#: Subjects and amounts named in one sentence.
_NAMED, _AMOUNTS = 4, 5


@dataclass(frozen=True)
class Supply:
    """What the order plan asks for."""

    order_plan: pd.DataFrame
    stock_cover: pd.DataFrame
    open_orders: pd.DataFrame  # result of :func:`pressstats.orders.open_orders`
    meant_for: dict[str, str]  # material that each order is placed for, by order
    at_once: pd.Series  # what is worth bringing by other means today [unit of the material]
    risk: pd.Series  # probability of running out before the next order can arrive
    # Result of :func:`pressstats.watch.implausible`: what is derived from it is not told
    implausible: pd.DataFrame = field(default_factory=nothing_implausible)

    def believable(self, logs: Logs) -> Supply:
        """Return the same with those materials only of which something may be told."""

        def kept(amounts: pd.Series) -> pd.Series:
            names = amounts.index.to_series().astype("str")
            return amounts[may_be_told(self.implausible, logs, names).to_numpy(dtype=bool)]

        plan = self.order_plan[may_be_told(self.implausible, logs, self.order_plan["material"])]
        return replace(self, order_plan=plan, at_once=kept(self.at_once), risk=kept(self.risk))


def to_do(logs: Logs, exceptions: pd.DataFrame, supply: Supply) -> pd.DataFrame:
    """Return the published table ``to_do``, what needs action before what needs a look.

    Within each by the day it is wanted by, then by how pressing its kind is, then by money.
    """
    supply = supply.believable(logs)
    rows = [
        *_actions(logs, exceptions, supply),
        *_orders(logs, exceptions, supply),
        *_risks(logs, exceptions, supply),
    ]
    if not rows:
        return OUTPUTS["to_do"].empty()
    table = pd.DataFrame(rows).sort_values(
        ["watched", "by", "severity", "cost", "do"],
        ascending=[True, True, True, False, True],
        na_position="last",
    )
    table = table.assign(rank=np.arange(1.0, len(table) + 1))
    return as_published(table.astype({"by": "datetime64[us]", "cost": "float64"}), "to_do")


def working_day(plant: Plant, day: pd.Timestamp) -> pd.Timestamp:
    """Return `day`, or the first day after it on which the plant receives goods: somebody is at the desks then."""
    days = pd.date_range(day, periods=_SEARCHED, freq="D")
    return pd.Timestamp(days[int(np.argmax(plant.calendar.receives(days)))])


def _row(  # noqa: PLR0913 -- a column of the row each
    logs: Logs,
    kind: str,
    subject: str,
    why: str,
    *,
    size: float = np.nan,
    cost: float = np.nan,
    basis: str = "",
    by: pd.Timestamp | None = None,
    who: str = "",
    state: str = "",
    exception: str = "",
    asked: str = "",
) -> dict[str, Any]:
    about = kind_of(kind)
    day = working_day(logs.plant, logs.as_of + pd.Timedelta(days=about.within_days)) if by is None else by
    return {
        "about": f"{about.words}: {subject}",
        "do": action_of(kind, size).format(subject=asked or subject),
        "who": who or owner_of(logs.plant, kind),
        "by": day,
        "why": why,
        "cost": cost,
        "cost_basis": (basis or about.cost_basis) if np.isfinite(cost) else "",
        "state": state or about.state,
        "exception": exception,
        "severity": about.severity,
        "watched": (state or about.state) != ACT,
    }


def _actions(logs: Logs, exceptions: pd.DataFrame, supply: Supply) -> Iterator[dict[str, Any]]:
    """Yield an action for each exception, one for all of a kind, an owner and a state where they are done together."""
    lead = exceptions.assign(one=[_one_action(row) for row in exceptions.itertuples()])
    for (kind, _), rows in lead.groupby(["kind", "one"], sort=False):
        rows = rows.sort_values(["cost", "size"], ascending=False, na_position="last")
        first = rows.iloc[0]
        fixed = rows["by"].min() if "by" in rows else pd.NaT
        why = str(first["why"]) if len(rows) == 1 else f"{first['subject']}: {first['why']}"
        if kind == "days of stock high":
            why += _ordered_all_the_same(logs, supply, rows["subject"].tolist())
        yield _row(
            logs,
            str(kind),
            _listed(rows["subject"].tolist(), _NAMED),
            why,
            size=float(first["size"]),
            cost=float(rows["cost"].sum(min_count=1)),
            basis=str(first["cost_basis"]),
            by=None if pd.isna(fixed) else pd.Timestamp(fixed),
            who=str(first["owner"]),
            state=str(first["state"]),
            exception="; ".join(rows["exception"]),
        )


def _one_action(row: Any) -> str:
    """Return what exceptions share that are one thing to do."""
    return f"{row.owner} {row.state}" if kind_of(row.kind).together else str(row.exception)


def _orders(logs: Logs, exceptions: pd.DataFrame, supply: Supply) -> Iterator[dict[str, Any]]:
    """Yield the orders of each day of the week to come: whose trucks, or of materials without a supplier how much."""
    plan = supply.order_plan
    soon = plan[plan["order_on"] <= logs.as_of + pd.Timedelta(days=ORDERED_SOON)]
    shifts = exceptions[exceptions["kind"] == "contract"]
    for day, rows in soon.groupby("order_on"):
        what, number = _ordered(logs, rows), rows["order"].nunique()
        why = (
            f"{number} {'truck' if number == 1 else 'trucks'} to order; the first is due on "
            f"{rows['due_on'].min():%Y-%m-%d} (reasons on the buying outlook)"
        )
        if not logs.has("deliveries"):
            why += "; what is on order already is unknown, no deliveries are logged: ask the suppliers first"
        if shifted := shifts.loc[shifts["by"] == day, "subject"].tolist():
            why += f"; settle first what is shifted for the contract: {_listed(shifted, _NAMED)}"
        cost = float(rows["cost"].sum(skipna=False))
        materials = rows["material"].nunique()
        named = "1 material" if materials == 1 else f"{materials} materials"
        yield _row(logs, "orders due", named, why, cost=cost, by=pd.Timestamp(day), asked=what)


def _ordered(logs: Logs, rows: pd.DataFrame) -> str:
    """Return whose trucks are ordered, the most of one first; of a plan without suppliers what costs most first."""
    if rows["supplier"].ne("").all():
        trucks = rows.groupby("supplier")["order"].nunique().sort_values(ascending=False, kind="stable")
        number = int(trucks.sum())
        of_each = _listed([f"{name} {count}" for name, count in trucks.items()], _AMOUNTS)
        return f"{number} {'truck' if number == 1 else 'trucks'}: {of_each}"
    ordered = rows.groupby("material")[["quantity", "cost"]].sum()
    ordered = ordered.sort_values("cost", ascending=False, kind="stable")
    amounts = [f"{name} {_amount(logs, str(name), much)}" for name, much in ordered["quantity"].items()]
    return _listed(amounts, _AMOUNTS)


def _risks(logs: Logs, exceptions: pd.DataFrame, supply: Supply) -> Iterator[dict[str, Any]]:
    """Yield what is worth bringing by other means now, and what else may run out before the next order can arrive."""
    at_once = supply.at_once[supply.at_once > 0]
    for material, quantity in at_once.items():
        why = "nights that cannot be printed would cost more than bringing it now"
        if material in supply.risk.dropna().index:
            why = f"{_chance(supply.risk[material])} risk of running out before the next order can arrive: {why}"
        amount = f"{material} {_amount(logs, str(material), quantity)}"
        yield _row(logs, "emergency supply", str(material), why, asked=amount)
    allowed = 1 - logs.plant.policy.service_level
    above = risky(logs, supply.risk).drop(at_once.index, errors="ignore")
    low = exceptions.loc[exceptions["kind"] == "days of stock low", "subject"]
    above = above.drop(low, errors="ignore").sort_values(ascending=False)
    soon = supply.order_plan["order_on"] <= logs.as_of + pd.Timedelta(days=ORDERED_SOON)
    ordered = set(supply.order_plan.loc[soon, "material"])
    open_orders = set(supply.open_orders["material"])
    for kind, names in (
        ("stock-out risk", [str(name) for name in above.index if name in open_orders]),
        ("nothing on order", [str(name) for name in above.index if name not in open_orders | ordered]),
    ):
        if names:
            risks = ", ".join(f"{name} {_above(above[name], allowed)}" for name in names[:_NAMED])
            why = f"risk of running out before the next order can arrive: {risks}; limit {_chance(allowed)}"
            state = ACT if risk_state(float(above[names].max()), allowed) == ACT else WATCH
            yield _row(logs, kind, _listed(names, _NAMED), why, state=state)


def _ordered_all_the_same(logs: Logs, supply: Supply, names: list[str]) -> str:
    """Say when a material of which much is there is ordered, why if that is soon, and what is left when it comes."""
    cover = supply.stock_cover.set_index("material")
    daily = cover["quantity"] / cover["days_cover"]
    plan = supply.order_plan[supply.order_plan["material"].isin(names)]
    words = []
    for name, rows in plan.sort_values(["order_on", "stock_before"]).groupby("material"):
        first = rows.iloc[0]
        meant = supply.meant_for.get(first["order"], str(name))
        why = f" for later weeks, in the load that {meant} needs" if meant != name else ""
        soon = first["order_on"] <= logs.as_of + pd.Timedelta(days=_ALL_THE_SAME)
        when = "ordered all the same" if soon else f"next ordered on {first['order_on']:%Y-%m-%d}"
        words.append(
            f"{name} is {when}{why}: about {first['stock_before'] / daily[name]:.0f} days of it are left when it comes"
        )
    return f"; in the plan {'; '.join(words)}" if words else ""


def _listed(names: list[str], longest: int) -> str:
    more = [f"{len(names) - longest} more"] if len(names) > longest else []
    parts = [*names[:longest], *more]
    return " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else "".join(parts)


def _amount(logs: Logs, material: str, quantity: float) -> str:
    """Return a quantity with its unit; of what is counted by the piece, the number alone."""
    unit = logs.of_material(pd.Series([material]), "unit").fillna("").iloc[0]
    return f"{quantity:,.0f}" + ("" if unit in ("each", "") else f" {unit}")


def _above(risk: float, allowed: float) -> str:
    """Return a risk above what is allowed, so that it reads as above it."""
    return f"{100 * risk:.2f} %" if _chance(risk) == _chance(allowed) else _chance(risk)


def _chance(risk: float) -> str:
    return f"{100 * risk:.1f} %"
