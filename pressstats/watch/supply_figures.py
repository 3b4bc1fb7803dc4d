"""Figures of the week beside waste: web breaks, butts, ink use, days of stock, stock-out risk, standby and the logs."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from .charts import ewma_run_length
from .figure import LAST_YEAR, Period, WeekFigure, WeekInputs, of_period, weeks_logged
from .plausible import may_be_told
from .states import (
    ACT,
    IN_CONTROL,
    UNKNOWN,
    WATCH,
    breaks_state,
    days_state,
    ink_state,
    logs_state,
    risk_state,
    standby_state,
)

__all__ = ["breaks_per_100", "butts_share", "counted_breaks", "ink_used", "reel_figures", "supply_figures"]

_WEEKS = 13


def reel_figures(week: WeekInputs) -> Iterator[WeekFigure]:
    """Yield web breaks and butts."""
    yield _breaks(week)
    yield _butts(week)


def _breaks(week: WeekInputs) -> WeekFigure:
    target = week.logs.plant.targets.breaks_per_100_reels
    unit, weeks = "per 100 reels", weeks_logged(week.logs, _WEEKS)
    if week.refused("paper"):
        return week.unknown("web breaks", unit, week.no_paper(_WEEKS), target)
    counted = counted_breaks(week, Period(_WEEKS))
    if not week.logs.has("reel_mounts"):
        if np.isnan(counted):
            return week.unknown(
                "web breaks", unit, week.no_paper(_WEEKS) or "no web break is counted", target
            )
        return WeekFigure(
            "web breaks", counted, f"in {weeks} weeks", last_week=counted_breaks(week, Period()),
            last_year=counted_breaks(week, Period(_WEEKS, LAST_YEAR)), weeks_13=counted, state=UNKNOWN,
            why="by the press counter; how many reels that is of is not known: log reel_mounts",
        )  # fmt: skip
    events, reels = _mounted(week, Period(_WEEKS))
    if reels == 0:
        why = week.no_paper(_WEEKS) or "no reel was mounted"
        return week.unknown("web breaks", unit, why, target)
    state, low, high = breaks_state(events, reels, target)
    why = f"{events} in {reels} reels, {weeks} weeks"
    if state == ACT:
        why = f"over the target, and more than chance would bring; {why}"
    elif state == WATCH:
        why = f"over the target, though chance may bring that; {why}"
    if np.isfinite(counted) and counted != events:
        failed = _failed_splices_counted(week, Period(_WEEKS))
        why += f"; the press counter says {counted:.0f}" + (
            f", {failed} of them failed splices" if failed else ""
        )
    return WeekFigure(
        "web breaks", 100 * events / reels, unit, low, high, breaks_per_100(week, Period()),
        breaks_per_100(week, Period(_WEEKS, LAST_YEAR)), 100 * events / reels, target, state, why,
    )  # fmt: skip


def _mounted(week: WeekInputs, period: Period) -> tuple[int, int]:
    """Return mounts that a web break ended, and distinct reels mounted."""
    mounts = of_period(week.logs, week.mounts, period)
    return int(mounts["broke"].sum()), mounts["reel"].nunique()


def _failed_splices_counted(week: WeekInputs, period: Period) -> int:
    """Return failed splices of the runs whose press counter tells as many breaks more than their mounts."""
    mounts = week.logs["reel_mounts"]
    ended = {
        how: mounts.loc[mounts["ended_by"] == how, "run_id"].value_counts()
        for how in ("web_break", "failed_splice")
    }
    runs = week.logs["runs"].set_index("run_id").loc[week.runs_of(period)["run_id"], "web_breaks"]
    breaks, failed = (ended[how].reindex(runs.index, fill_value=0) for how in ("web_break", "failed_splice"))
    return int(failed[runs == breaks + failed].sum())


def breaks_per_100(week: WeekInputs, period: Period) -> float:
    """Return web breaks per 100 distinct reels mounted in a period; blank where none was."""
    events, reels = _mounted(week, period)
    return 100 * events / reels if reels else np.nan


def counted_breaks(week: WeekInputs, period: Period) -> float:
    """Return the web breaks that the press counter tells; blank where a run has none logged, not even 0."""
    counted = of_period(week.logs, week.counted, period)["web_breaks"]
    return float(counted.sum(skipna=False)) if len(counted) else np.nan


def _butts(week: WeekInputs) -> WeekFigure:
    why = week.no_paper(_WEEKS)
    if why:
        return week.unknown("butts", "%", why)
    shares = [butts_share(week.runs_of(one)) for one in (Period(_WEEKS), Period(), Period(_WEEKS, LAST_YEAR))]
    if np.isnan(shares[0]) or week.found.reels.reel_ends["butt_kg_mean"].isna().all():
        return week.unknown("butts", "%", "no butt is weighed: log butt_kg")
    year = week.found.reels.reel_ends["lost_cost_per_year"].sum(min_count=1)
    why = f"of mounted paper, {weeks_logged(week.logs, _WEEKS)} weeks"
    why += f"; {year:,.0f} {week.logs.plant.currency} a year" if year > 0 else ""
    return WeekFigure(
        "butts", shares[0], "%", last_week=shares[1], last_year=shares[2], weeks_13=shares[0],
        state=IN_CONTROL, why=why,
    )  # fmt: skip


def butts_share(runs: pd.DataFrame) -> float:
    """Return what butts are of the mounted paper [%], over the runs whose butts are known; blank where none is."""
    whole = runs[runs["has_reels"] & runs["reel_end_kg"].notna()]
    mounted = float(whole["mounted_kg"].sum())
    return 100 * float(whole["reel_end_kg"].sum()) / mounted if mounted > 0 else np.nan


_INK_WEEKS = 4


def supply_figures(week: WeekInputs) -> Iterator[WeekFigure]:
    """Yield ink use, days of stock, stock-out risk, standby and logs."""
    yield _ink(week)
    yield _days_of_stock(week)
    yield _risk(week)
    yield _standby(week)
    yield _logs(week)


# --- ink ---------------------------------------------------------------------------------------


def _ink(week: WeekInputs) -> WeekFigure:
    unit, logs = "% of expected", week.logs
    if week.refused("ink"):
        return week.unknown("ink use", unit, "what the logs say of ink cannot be true", 100.0)
    for table in ("tank_readings", "coverage"):
        if not logs.has(table):
            return week.unknown("ink use", unit, f"not known without dips and coverage: log {table}", 100.0)
    recent = of_period(logs, week.found.ink_watch, Period(_INK_WEEKS), "read_at")
    known = recent.dropna(subset=["used_kg", "expected_kg", "z"])
    dipped = set(logs["tank_readings"]["ink"])
    missing = sorted(dipped - set(known["ink"]))
    if known.empty:
        why = f"no dip of the last {_INK_WEEKS} weeks has both use and expectation"
        return week.unknown("ink use", unit, why, 100.0)
    off = sorted(set(recent.loc[recent["signal"].isin(["high", "low"]), "ink"]))
    state = ink_state(len(off), len(missing))
    chance = len(known) / ewma_run_length()
    words = [
        f"outside the limits: {', '.join(off)} (by chance {chance:.1f} alarms in {len(known)} dips)"
        if off
        else "",
        f"not known: {', '.join(missing)}" if missing else "",
    ]
    shares = [ink_used(week, period) for period in _INK_PERIODS]
    return WeekFigure(
        "ink use", shares[0], unit, last_week=shares[1], last_year=shares[2], weeks_13=shares[3], target=100.0,
        state=state, why="; ".join(word for word in words if word),
    )  # fmt: skip


_INK_PERIODS = (Period(_INK_WEEKS), Period(), Period(_INK_WEEKS, LAST_YEAR), Period(13))


def ink_used(week: WeekInputs, period: Period) -> float:
    """Return use of all inks in a period [% of expected]."""
    rows = of_period(week.logs, week.found.ink_watch, period, "read_at")
    rows = rows.dropna(subset=["used_kg", "expected_kg", "z"])
    expected = float(rows["expected_kg"].sum())
    return 100 * float(rows["used_kg"].sum()) / expected if expected > 0 else np.nan


# --- stock -------------------------------------------------------------------------------------


def _days_of_stock(week: WeekInputs) -> WeekFigure:
    least, unit = week.logs.plant.policy.cover_days_minimum, "days"
    table = _believable(week, week.found.stock_cover)
    known = table.dropna(subset="days_cover").sort_values(["days_cover", "material"])
    unknown = len(table) - len(known)
    if known.empty:
        why = _no_stock(week) or "no material has both a stock and a forecast"
        return week.unknown("days of stock", unit, why, least)
    row = known.iloc[0]
    risk, allowed = _largest_risk(week), 1 - week.logs.plant.policy.service_level
    days = float(row["days_cover"])
    words = [f"fewer than the {least:g} days wanted"] if days < least else []
    if np.isfinite(risk) and risk > allowed:
        words.append(f"{_riskiest(week)} may run out before the next order can arrive")
    words.append(f"{row['material']} is the shortest")
    if unknown:
        words.append(f"not known of {unknown} of {len(table)} materials")
    state = days_state(days, least, risk, allowed, unknown)
    return WeekFigure("days of stock", days, unit, target=least, state=state, why="; ".join(words))


def _believable(week: WeekInputs, table: pd.DataFrame) -> pd.DataFrame:
    """Return the materials whose stock may be told."""
    return table[may_be_told(week.found.implausible, week.logs, table["material"])]


def _no_stock(week: WeekInputs) -> str:
    if week.refused("demand"):
        return "what the logs say cannot be true"
    lacking = [name for name in ("materials", "stock_counts", "deliveries") if not week.logs.has(name)]
    return f"no {' and no '.join(lacking)}: log {'it' if len(lacking) == 1 else 'them'}" if lacking else ""


def _largest_risk(week: WeekInputs) -> float:
    risk = _risks(week)
    return float(risk.max()) if len(risk) else np.nan


def _riskiest(week: WeekInputs) -> str:
    return str(_risks(week).idxmax())


def _risks(week: WeekInputs) -> pd.Series:
    materials = _believable(week, pd.DataFrame({"material": week.risk.index.astype("str")}))["material"]
    return week.risk.reindex(materials).dropna()


def _risk(week: WeekInputs) -> WeekFigure:
    allowed = 1 - week.logs.plant.policy.service_level
    risk = _largest_risk(week)
    if np.isnan(risk):
        why = _no_stock(week) or "no order can be planned, since stock or use is not known"
        return week.unknown("stock-out risk", "%", why, 100 * allowed)
    state = risk_state(risk, allowed)
    stock = _believable(week, week.found.stock)
    unknown = int(stock["quantity"].isna().sum())
    limit = "" if state == IN_CONTROL else ", above its limit"
    words = [f"{_riskiest(week)}, before the next order can arrive{limit}"]
    if not week.logs.has("deliveries"):
        words.append("what is on order is not known: log deliveries")
    if unknown:
        words.append(f"not known of {unknown} of {len(stock)} materials")
        state = UNKNOWN if state == IN_CONTROL else state
    return WeekFigure(
        "stock-out risk", 100 * risk, "%", target=100 * allowed, state=state, why="; ".join(words)
    )


# --- routine -----------------------------------------------------------------------------------


def _standby(week: WeekInputs) -> WeekFigure:
    logs, unit = week.logs, "tests overdue"
    if not logs.has("standby") or logs["standby"].empty:
        return week.unknown("standby", unit, "no standby supplies are listed: log standby", 0.0)
    table = logs["standby"]
    later = int((table["tested_on"] > logs.as_of).sum())
    wanted = logs.plant.policy.standby_hours
    short = table[table["lasts_hours"] < wanted]
    words = [
        f"no test known of {later}" if later else "",
        f"{len(short)} of {len(table)} last less than the {wanted:g} h wanted" if len(short) else "",
    ]
    state = standby_state(later, len(short), len(table))
    why = "; ".join(word for word in words if word)
    overdue = float(len(week.raised("standby test")))
    return WeekFigure("standby", overdue, unit, target=0.0, state=state, why=why)


def _logs(week: WeekInputs) -> WeekFigure:
    """Return the rows set aside of the table that lost most; what cannot be true is an exception."""
    ledger = week.logs.ledger.set_index("table")
    share = (100 * ledger["set_aside"] / (ledger["used"] + ledger["set_aside"])).dropna()
    worst = float(share.max()) if len(share) else 0.0
    why = (
        f"set aside in {share.idxmax()}, more than in any other table"
        if worst > 0
        else "no row was set aside"
    )
    return WeekFigure("logs", worst, "% of rows", target=0.0, state=logs_state(worst), why=why)
