"""What needs a person: exceptions from charts, reels, store and logs, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from ..ink import Finding
from ..logs import Logs
from ..prices import newsprint_price, paper_prices, receipt_prices
from ..reels import ReelStudy
from ..tables import as_published
from .waste import MEASURES, step_of

__all__ = ["Findings", "exceptions"]

#: A signal is news while it is not older than this.
_NEWS_DAYS = 28
_STORE_LOSS_SIGMA = 6.0
_COLUMNS = ["kind", "subject", "week", "size", "unit", "cost", "why"]


@dataclass(frozen=True)
class Findings:
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


def exceptions(logs: Logs, found: Findings) -> pd.DataFrame:
    """Return the published table ``exceptions``.

    Parameters
    ----------
    logs : Logs
        The logs.
    found : Findings
        Tables of the analyses.

    Returns
    -------
    DataFrame, shape (exceptions, 8)
        Published columns; size is in `unit`, cost [currency] is blank where it cannot be told.
    """
    rows = [
        *_waste(logs, found.waste_chart),
        *_unexplained(logs, found.unexplained),
        *_inks(logs, found.ink_watch, found.ink_findings),
        *_stands(logs, found.reels),
        *_breaking(logs, found.reels),
        *_claims(logs, found.reels.claims),
        *_store_losses(logs, found.reels.reel_chain),
        *_cover(logs, found.stock_cover, found.open_orders),
        *_unknown_stock(logs, found.stock),
        *_counts(logs, found.miscounts),
        *_late_orders(logs, found.open_orders),
        *_standby(logs),
        *_logs(logs),
    ]
    # Of several weeks of one matter the last one stands.
    table = pd.DataFrame(rows, columns=_COLUMNS).drop_duplicates(["kind", "subject", "unit"], keep="last")
    table["exception"] = table["kind"] + ": " + table["subject"]
    # A supplier and a reelstand may bear one name.
    again = table.duplicated("exception", keep=False)
    table.loc[again, "exception"] += " (" + table["unit"] + ")"
    table = table.astype({"week": "datetime64[us]", "size": "float64", "cost": "float64"})
    return as_published(table, "exceptions")


def _recent(logs: Logs, days: pd.Series) -> pd.Series:
    return days > logs.as_of - pd.Timedelta(days=_NEWS_DAYS)


def _press_price(logs: Logs, press: str, since: pd.Timestamp) -> float:
    """Return the price of the last receipts of what a press has mounted since a day [currency / kg]."""
    runs = logs["runs"]
    return newsprint_price(logs, runs.loc[(runs["press"] == press) & (runs["date"] >= since), "run_id"])


def _waste(logs: Logs, chart: pd.DataFrame) -> list[tuple]:
    rows = []
    for (press, measure), mine in chart.groupby(["press", "measure"]):
        last = mine.iloc[-1]
        if last["signal"] == "" or not _recent(logs, mine["week"]).iloc[-1]:
            continue
        unit, words = MEASURES[str(measure)]
        judged = mine.tail(2 * 52)
        since, size = step_of(judged)
        excess, later = judged["excess_kg"], judged["week"] >= since
        # The baseline may hold part of the change: what it costs is told against the level before it.
        usual = float(excess[~later].mean()) if (~later).any() else 0.0
        kg = float((excess[later] - usual).sum())
        price = _press_price(logs, str(press), since)
        why = (
            f"{words} is {last['signal']}: outside the EWMA limits of the same titles in a year's baseline; the level "
            f"changed most clearly in the week of {since:%Y-%m-%d}, by {size:+.2g} {unit}"
        )
        rows.append((words, press, since, size, unit, kg * price, why))
    return rows


def _unexplained(logs: Logs, limits: pd.DataFrame) -> list[tuple]:
    rows = []
    for row in limits[_recent(logs, limits["week"]) & (limits["z"].abs() > 3)].itertuples():
        extra = row.unexplained_kg - row.threading_kg
        why = (
            f"{extra:+.0f} kg beyond the paper threaded, {abs(row.z):.1f} times the standard deviation of "
            "weighing, counting and grammage errors: look for a mount or a weight that was not logged"
        )
        rows.append(
            (
                "unexplained paper",
                row.press,
                row.week,
                extra,
                "kg",
                extra * _press_price(logs, row.press, row.week),
                why,
            )
        )
    return rows


def _inks(logs: Logs, watch: pd.DataFrame, found: Sequence[Finding]) -> list[tuple]:
    price = pd.Series(dtype=float)
    if logs.has("materials"):
        inks = logs["materials"]
        inks = inks[(inks["kind"] == "ink") & (inks["unit"] == "kg")]
        inks = inks.drop_duplicates("ink", keep=False).set_index("ink")["material"]
        price = inks.map(receipt_prices(logs))
    rows = []
    for ink, mine in watch.groupby("ink"):
        worth = float(price.get(ink, np.nan))
        news = [one for one in found if one.ink == ink and _recent(logs, pd.Series([one.until])).iloc[0]]
        for finding in news:
            week = logs.plant.week_start(finding.since)
            misread = finding.kind == "misread dip"
            value, unit = (finding.size, "kg read too high") if misread else (finding.extra_kg, "kg")
            words = _INK_STEPS[finding.extra_kg > 0] if finding.kind == "step" else _INK_WORDS[finding.kind]
            why = f"{words} ({finding.since:%Y-%m-%d} to {finding.until:%Y-%m-%d}); {_TANKS}"
            rows.append((f"ink {finding.kind}", ink, week, value, unit, finding.extra_kg * worth, why))
        recent = mine[_recent(logs, mine["read_at"]) & mine["signal"].isin(["high", "low"])]
        if recent.empty or news:
            continue
        signal = recent["signal"].iloc[-1]
        same = recent[recent["signal"] == signal]
        extra = float((same["used_kg"] - same["expected_kg"]).sum())
        # A surprise looks back further than its own interval: where the two disagree no size is told.
        extra = extra if (extra > 0) == (signal == "high") else np.nan
        why = (
            f"use is {'above' if signal == 'high' else 'below'} what film weight, starts and standing explain, at "
            f"{len(same)} of the dips of the last four weeks; {_TANKS}"
        )
        week = logs.plant.week_start(same["read_at"].iloc[0])
        rows.append(("ink use", ink, week, extra, "kg", extra * worth, why))
    return rows


_TANKS = "check dips, gauge, deliveries and the tank for a leak before blaming the ducts"
#: A step by what it did: took ink away (true) or brought some (false).
_INK_STEPS = {
    True: "the level fell at once: a spill, a gauge set anew, or a delivery logged that did not go into the tank",
    False: "the level rose at once: a delivery nobody logged, or a gauge set anew",
}
_INK_WORDS = {
    "misread dip": "one dip does not fit those before and after it",
    "drift": "film weight has changed",
    "leak": "ink goes without printing: a leak, or a supply left open",
    "change": "more or less ink went than the model explains, and the dips do not tell which kind of cause",
}


def _stands(logs: Logs, reels: ReelStudy) -> list[tuple]:
    target = logs.plant.reel.splice_target_m
    rows = []
    for row in reels.wasteful_stands.itertuples():
        mine = reels.reel_ends[reels.reel_ends["reelstand"] == row.level]
        cost = float(mine["lost_cost_per_year"].sum()) * (1 - target / row.mean)
        why = (
            f"{row.mean:.1f} m stay on the core at a splice (target {target:g} m, {row.count:.0f} splices), more than "
            "the other stands lead one to expect; the cost is a year's. A changed setting is a matter for the press "
            "crew and the maker's manual"
        )
        rows.append(("reel ends", row.level, pd.NaT, row.mean - target, "m per splice", cost, why))
    return rows


def _breaking(logs: Logs, reels: ReelStudy) -> list[tuple]:
    rows = []
    for by, ranked in (("supplier", reels.suppliers), ("reelstand", reels.breaking_stands)):
        for row in ranked[ranked["named"]].itertuples():
            others = ranked[ranked["level"] != row.level]
            extra = row.breaks - row.reels * others["breaks"].sum() / others["reels"].sum()
            unit = f"breaks beyond the others' rate, by {by}"
            times = (
                f"{row.ratio:.1f} times the rate of the others"
                if np.isfinite(row.ratio)
                else "the others have none"
            )
            why = (
                f"{row.per_100_reels:.2f} breaks per 100 of its {row.reels:.0f} reels ({row.breaks:.0f} breaks), "
                f"{times} with all else alike; chance alone would do that in {_often(row.p_value)} cases"
            )
            rows.append(("web breaks", row.level, pd.NaT, extra, unit, np.nan, why))
    return rows


def _often(p_value: float) -> str:
    return "fewer than 1 of 100,000" if p_value < 1e-5 else f"1 of {1 / p_value:,.0f}"


def _claims(logs: Logs, claims: pd.DataFrame) -> list[tuple]:
    rows = []
    for (supplier, delivery), mine in claims[_recent(logs, claims["mounted_at"])].groupby(
        ["supplier", "delivery_id"], dropna=False
    ):
        names = ", ".join(mine["reel_id"].head(6))
        load = f"delivery {delivery}" if pd.notna(delivery) else "a delivery that is not logged"
        kg, cost = float(mine["claim_kg"].sum()), float(mine["claim_cost"].sum())
        why = (
            f"{len(mine)} of its reels ({names}) of {load} were found {mine['why'].iloc[0]}, far beyond what is usual: "
            "claim for them while wrappers and pictures are at hand"
        )
        week = logs.plant.week_start(mine["mounted_at"].min())
        rows.append(("transport damage", supplier, week, kg, "kg", cost, why))
    return rows


def _store_losses(logs: Logs, chain: pd.DataFrame) -> list[tuple]:
    error = logs.plant.measurement.reel_kg * np.sqrt(2)
    lost = chain[(chain["store_loss_kg"] > _STORE_LOSS_SIGMA * error) & _recent(logs, chain["last_ended"])]
    if lost.empty:
        return []
    kg = float(lost["store_loss_kg"].sum())
    cost = float((lost["store_loss_kg"] * lost["material"].map(paper_prices(logs))).sum(skipna=False))
    why = (
        f"{len(lost)} part reels of the last four weeks came back lighter than they went to the store "
        f"(first: {lost['reel_id'].iloc[0]}): check stripping in the store and the weighing"
    )
    return [("store losses", "part reels", pd.NaT, kg, "kg", cost, why)]


def _cover(logs: Logs, cover: pd.DataFrame, orders: pd.DataFrame) -> list[tuple]:
    policy = logs.plant.policy
    rows = []
    for row in cover.dropna(subset="days_cover").itertuples():
        if row.days_cover < policy.cover_days_minimum:
            out = f"; may run out on {row.runs_out_q05:%Y-%m-%d}" if pd.notna(row.runs_out_q05) else ""
            due = orders[orders["material"] == row.material].sort_values("promised_on").head(1)
            come = "".join(
                f"; {o.quantity:.0f} promised for {o.promised_on:%Y-%m-%d}" for o in due.itertuples()
            )
            why = f"{row.days_cover:.1f} days of cover, {policy.cover_days_minimum:g} wanted{come}{out}"
            rows.append(("cover low", row.material, pd.NaT, row.days_cover, "days", np.nan, why))
        elif row.days_cover > 2 * policy.cover_days_maximum:
            why = (
                f"{row.days_cover:.0f} days of cover, more than twice the {policy.cover_days_maximum:g} allowed: "
                "it ties up cash and floor, and stacked paper is fire load (local fire code and insurer decide)"
            )
            rows.append(("cover high", row.material, pd.NaT, row.days_cover, "days", np.nan, why))
    return rows


def _unknown_stock(logs: Logs, stock: pd.DataFrame) -> list[tuple]:
    return [
        ("stock unknown", row.material, pd.NaT, np.nan, "", np.nan, row.why)
        for row in stock[stock["quantity"].isna()].itertuples()
    ]


def _counts(logs: Logs, miscounts: pd.DataFrame) -> list[tuple]:
    """Return the last counts that the book contradicts; one that a later count took back needs nobody."""
    words = {
        "last count": "counted otherwise than receipts and use since the count before say, and the stock stands on it",
        "stays": "something came or went that is not in the logs: the count after agrees with this one",
    }
    units = (
        logs["materials"].set_index("material")["unit"] if logs.has("materials") else pd.Series(dtype="str")
    )
    recent = miscounts[_recent(logs, miscounts["counted_on"]) & miscounts["state"].isin(list(words))]
    return [
        (
            "count in doubt",
            row.material,
            logs.plant.week_start(row.counted_on),
            row.difference,
            str(units.get(row.material, "")),
            np.nan,
            f"on {row.counted_on:%Y-%m-%d} {words[row.state]}",
        )
        for row in recent.sort_values("counted_on").itertuples()
    ]


def _late_orders(logs: Logs, orders: pd.DataFrame) -> list[tuple]:
    rows = []
    for row in orders[orders["promised_on"] < logs.as_of].itertuples():
        days = (logs.as_of - row.promised_on).days
        why = f"promised for {row.promised_on:%Y-%m-%d}, {days} days ago, and not received: ring the supplier"
        rows.append(("delivery late", f"{row.delivery_id} {row.material}", pd.NaT, days, "days", np.nan, why))
    return rows


def _standby(logs: Logs) -> list[tuple]:
    if not logs.has("standby"):
        return []
    rows = []
    for row in logs["standby"].itertuples():
        if pd.notna(row.tested_on) and row.tested_on > logs.as_of:
            continue
        due = row.tested_on + pd.Timedelta(days=row.test_every_days) if pd.notna(row.tested_on) else pd.NaT
        if pd.notna(due) and due >= logs.as_of:
            continue
        late = (logs.as_of - due).days if pd.notna(due) else np.nan
        since = f"was due on {due:%Y-%m-%d}" if pd.notna(due) else "has no date"
        why = (
            f"the test of this standby supply {since}; it holds {row.holds_hours:g} h. Tests, isolation and "
            "generators belong to qualified people"
        )
        rows.append(("standby test", row.supply, pd.NaT, late, "days late", np.nan, why))
    return rows


def _logs(logs: Logs) -> list[tuple]:
    rows = []
    runs = logs["runs"]
    if logs.has("reel_mounts"):
        recent = runs[_recent(logs, runs["date"])]
        bare = recent[~recent["run_id"].isin(logs["reel_mounts"]["run_id"].unique())]
        if len(bare):
            why = "printed without any reel record, so their paper cannot be balanced"
            rows.append(
                ("log gap", "runs without reels", pd.NaT, float(len(bare)), "runs of four weeks", np.nan, why)
            )
    return rows
