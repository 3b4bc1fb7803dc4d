"""What the manager's page tells to do this week."""

from __future__ import annotations

import pandas as pd

from ..exhibits import Block, logged, note, points, quantity
from ..results import Results
from .common import daily_use
from .demand import unit_of

__all__ = ["actions"]


def actions(results: Results) -> Block:
    """Return what to do this week: orders due, and a deed for each kind of exception."""
    as_of = results.logs.as_of
    plan = results["order_plan"]
    deeds = []
    ends = results["stock_cover"].set_index("material")["runs_out_q05"]
    for day, rows in plan[plan["order_on"] <= as_of + pd.Timedelta(days=7)].groupby("order_on"):
        ordered = rows.groupby("material")["quantity"].sum()
        # What may end first comes first.
        amounts = [
            f"{quantity(ordered[name], unit_of(results, name), 0)} {logged(name)}"
            for name in ends.reindex(ordered.index).sort_values(kind="stable").index
        ]
        more = f" and {len(amounts) - 12} more" if len(amounts) > 12 else ""
        deeds.append(
            f"**{day:%A %Y-%m-%d}: order** {', '.join(amounts[:12])}{more} (see the buying outlook)."
        )
    deeds += _at_once(results) + _not_held(results)
    found = results["exceptions"].sort_values("cost", ascending=False, na_position="last")
    for kind, rows in found.groupby("kind", sort=False):
        subjects = ", ".join(logged(subject) for subject in rows["subject"][:4])
        more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
        deed = _DEEDS.get(str(kind), "See the reason below.")
        if kind == "cover high":
            deed += _ordered_all_the_same(results, plan[plan["material"].isin(rows["subject"])])
        deeds.append(f"**{str(kind).capitalize()}**: {subjects}{more}. {deed}")
    return points(deeds) if deeds else note("Nothing to do beyond the routine.")


def _at_once(results: Results) -> list[str]:
    """Return what is worth bringing by other means now: the next look would come too late for it."""
    if results.plan is None:
        return []
    service = results.plan.service
    return [
        f"**Bring by other means now**: "
        f"{quantity(row.at_once, unit_of(results, row.material) or 'pieces', 0)} {logged(row.material)}, which would "
        f"run out in {100 * row.chance:.1f} % of cases in the week of {row.short_on:%Y-%m-%d}: nights that cannot be "
        "printed would cost more than that rush. Ask first whether its open order is on the road."
        for row in service[service["at_once"] > 0].itertuples()
    ]


def _not_held(results: Results) -> list[str]:
    """Return of which materials the service level cannot be held, and what would hold it."""
    if results.plan is None:
        return []
    service = results.plan.service
    rows = service[service["short_on"].notna() & ~(service["at_once"] > 0)]
    told = [
        f"{logged(row.material)} ({100 * row.chance:.1f} % of cases in the week of {row.short_on:%Y-%m-%d}"
        + (
            f"; {quantity(row.expedite, unit_of(results, row.material) or 'pieces', 0)} by other means would hold it)"
            if row.expedite > 0
            else ")"
        )
        for row in rows.sort_values("short_on").itertuples()
    ]
    if not told:
        return []
    policy = results.logs.plant.policy
    again = "on the next working day" if policy.looked_at == "daily" else f"on {policy.review_day.title()}"
    return [
        f"**May run out more often than the service level allows**: {', '.join(told)}. Nothing of that is worth "
        f"paying for today: ask whether their open orders come on their day, or earlier, and look again {again} (see "
        "the buying outlook)."
    ]


def _ordered_all_the_same(results: Results, plan: pd.DataFrame) -> str:
    """Say when a material of which much is there is ordered, why if that is soon, and what is left when it comes."""
    daily = daily_use(results)
    needed = {} if results.plan is None else results.plan.reasons.set_index("order")["material"].to_dict()
    words = []
    soon = results.logs.as_of + pd.Timedelta(days=14)
    for name, rows in plan.sort_values(["order_on", "stock_before"]).groupby("material"):
        first = rows.iloc[0]
        meant = needed.get(first["order"], name)
        why = f" for later weeks, in the load that {logged(meant)} needs" if meant != name else ""
        left = f"about {first['stock_before'] / daily[name]:.0f} days of it are left when it comes"
        if first["order_on"] <= soon:
            words.append(f"{logged(name)} is ordered all the same{why}: {left}")
        else:
            words.append(f"{logged(name)} is next ordered on {first['order_on']:%Y-%m-%d}{why}: {left}")
    return f" In the plan {'; '.join(words)}." if words else ""


_DEEDS = {
    "start-up waste": "Go through the start-up routine of that press with its crews: plates, register, ink presets.",
    "running waste": "Look at restarts and folder settings of that press.",
    "unexplained paper": "Look for a mount or a weight that was not logged.",
    "ink use": "Check dips, gauge and deliveries before the ducts; see the ink page.",
    "reel ends": "Have the crew check the splice setting against the maker's manual.",
    "web breaks": "Take it to the supplier with its counts (reels page); have a stand's tension and rollers looked at.",
    "transport damage": "Send the supplier the reel numbers and the kilograms.",
    "store losses": "Check stripping in the store and the scale.",
    "cover low": "See that the open order comes in time; else bring one forward, or use what may stand in for it.",
    "cover high": "Let it run down before the next call-off.",
    "stock unknown": "Count it.",
    "count in doubt": "Count it again before the next call-off.",
    "delivery late": "Ring the supplier and ask for a new day.",
    "standby test": "Have the test done by qualified people.",
    "log gap": "Ask the shift to log reels again.",
}
