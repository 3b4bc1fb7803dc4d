"""What the ink page shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, Shown, declared, exhibit, logged, note, sheet
from ..exhibits import caution as caution_block
from ..exhibits import headline as headline_block
from ..results import Results
from ..tables import INKS
from ..watch import EWMA_LIMIT, EWMA_WEIGHT, ewma, ewma_limits, ewma_run_length
from .common import list_words, needs, per_cent

__all__ = ["caution", "chart", "headline", "jumps", "key_figures", "model", "use_by_week"]

_TERM_WORDS = {
    "film_g_m2": ("film weight", "g/m2 of solid"),
    "startup_kg_per_run": ("start-up", "kg per run"),
    "standing_kg_per_day": ("standing", "kg per day"),
}


def _missing(results: Results) -> Block | None:
    lacking = [table for table in ("coverage", "tank_readings") if not results.logs.has(table)]
    return needs("Ink", *lacking) if lacking else None


def _recent(results: Results) -> pd.DataFrame:
    watch = results["ink_watch"]
    return watch[watch["read_at"] > results.logs.as_of - pd.Timedelta(days=28)]


def headline(results: Results) -> Block:
    """Return whether ink use is what the pages explain."""
    if (missing := _missing(results)) is not None:
        return missing
    recent = _recent(results)
    flagged = recent[recent["signal"].isin(["high", "low"])].groupby("ink")["signal"].last()
    used, expected = recent["used_kg"].sum(), recent["expected_kg"].sum()
    against = per_cent(100 * (used / expected - 1)) if expected > 0 else "not known"
    if flagged.empty:
        words = "Over the last four weeks every ink was used as pages, starts and idle days explain."
    else:
        inks = [f"{logged(ink)} ({signal})" for ink, signal in flagged.items()]
        words = f"Over the last four weeks use departed from expectation in {', '.join(inks)}."
    return headline_block(words, f"All inks together: {against} against expectation.")


def model(results: Results) -> Block:
    """Return film weight, start-up and standing use of each ink."""
    if (missing := _missing(results)) is not None:
        return missing
    table = results["ink_model"].copy()
    film = table[table["term"] == "film_g_m2"].dropna(subset="estimate")
    if film.empty:
        return note("No ink has enough usable intervals between dips for a film weight.")
    lightest, heaviest = film.loc[film["estimate"].idxmin()], film.loc[film["estimate"].idxmax()]
    return exhibit(
        figures.interval_dots(
            film,
            name="ink",
            value="estimate",
            low="ci_low",
            high="ci_high",
            unit="film weight [g/m2 of solid]",
        ),
        name="film-weight",
        finding=f"A square metre of solid takes {lightest['estimate']:.2f} g ({logged(lightest['ink'])}) to "
        f"{heaviest['estimate']:.2f} g ({logged(heaviest['ink'])}) of ink.",
        table=table.assign(
            words=table["term"].map(lambda term: _TERM_WORDS[term][0]),
            unit=table["term"].map(lambda term: _TERM_WORDS[term][1]),
        ),
        columns=[
            Shown("ink"),
            Shown("words", "term"),
            Shown("unit"),
            Shown("estimate", digits=2),
            Shown("std_error", "standard error", digits=2),
            Shown("ci_low", "95 % from", digits=2),
            Shown("ci_high", "to", digits=2),
            Shown("readings", "intervals", digits=0),
        ],
        file="ink_model",
    )


def use_by_week(results: Results) -> Block:
    """Return used against expected ink by week, as a ratio per ink."""
    if (missing := _missing(results)) is not None:
        return missing
    watch = results["ink_watch"]
    watch = watch[(watch["signal"] != "jump") & watch["expected_kg"].notna()]
    week = results.logs.plant.week_of(watch["read_at"])
    table = watch.groupby([week.rename("week"), "ink"])[["used_kg", "expected_kg"]].sum().reset_index()
    # Four weeks together: dip errors of single weeks would hide what lasts.
    grouped = table.groupby("ink")
    used = grouped["used_kg"].transform(lambda kg: kg.rolling(4, min_periods=2).sum())
    expected = grouped["expected_kg"].transform(lambda kg: kg.rolling(4, min_periods=2).sum())
    table["ratio"] = 100 * used / expected
    last = table.dropna(subset="ratio").groupby("ink").tail(1)
    far = last.loc[(last["ratio"] - 100).abs().idxmax()] if len(last) else None
    finding = (
        f"Use of four weeks against expectation: furthest off now is {logged(far['ink'])} at {far['ratio']:.0f} %."
        if far is not None
        else "No ink has four weeks of use to compare."
    )
    return exhibit(
        figures.lines_by(
            table, x="week", y="ratio", by="ink", unit="used of expected [%]", colours=_roles(table["ink"])
        ),
        name="ink-by-week",
        finding=finding,
        table=table.sort_values(["week", "ink"], ascending=[False, True]),
        columns=[
            Shown("week", kind="date"),
            Shown("ink"),
            Shown("used_kg", "used", "kg", 0),
            Shown("expected_kg", "expected", "kg", 0),
            Shown("ratio", "four weeks, used of expected", "%", 0),
        ],
        limit=60,
        file="ink_watch",
    )


def chart(results: Results) -> Block:
    """Return the control chart of each ink."""
    if (missing := _missing(results)) is not None:
        return missing
    watch = results["ink_watch"]
    parts = []
    for _, rows in watch.groupby("ink"):
        usable = rows["signal"] != "jump"
        parts.append(
            rows[usable].assign(
                average=ewma(rows.loc[usable, "z"]),
                limit=ewma_limits(int(usable.sum())),
            )
        )
    table = pd.concat(parts) if parts else watch.assign(average=np.nan, limit=np.nan)
    # A point a week shows as much as one a day, in a seventh of the page.
    week = results.logs.plant.week_of(table["read_at"])
    drawn = table.groupby(["ink", week.rename("week")]).agg(
        average=("average", "last"), limit=("limit", "last"), signal=("signal", "last")
    )
    drawn = drawn.reset_index()
    out = sorted(table.loc[table["signal"].isin(["high", "low"]), "ink"].unique())
    names = list_words(out) if out else "no ink"
    return exhibit(
        figures.control_chart(drawn, x="week", by="ink", roles={ink: ink for ink in INKS}),
        name="ink-chart",
        finding=f"The moving average of standardised residuals left its limits at some time for {names}.",
        table=drawn[drawn["signal"] != ""].sort_values("week", ascending=False),
        columns=[
            Shown("week", kind="date"),
            Shown("ink"),
            Shown("average", digits=2),
            Shown("limit", digits=2),
            Shown("signal"),
        ],
        file="ink_watch",
    )


def chart_words() -> Block:
    """Say what the chart's parameters are and how often it cries wolf."""
    return note(
        f"Exponentially weighted moving average with weight {EWMA_WEIGHT:g} and limits at {EWMA_LIMIT:g} standard "
        f"deviations: on steady use it gives a false alarm once in about {ewma_run_length():.0f} intervals, and it "
        f"finds a lasting shift of one standard deviation after about {ewma_run_length(1.0):.0f}. Residuals of "
        "successive dips lean against each other (a dip's error enters both), which makes false alarms rarer."
    )


def jumps(results: Results) -> Block:
    """Return the intervals that were set aside, with what was used and expected."""
    if (missing := _missing(results)) is not None:
        return missing
    watch = results["ink_watch"]
    table = watch[watch["signal"] == "jump"].sort_values("read_at", ascending=False)
    table = table.assign(extra_kg=table["used_kg"] - table["expected_kg"])
    return sheet(
        table,
        name="jumps",
        caption=f"{len(table)} intervals set aside: their use jumps by more than scatter explains "
        "(an unlogged delivery, a gauge set anew, a slipped digit)",
        columns=[
            Shown("ink"),
            Shown("read_at", "dip at the end", kind="time"),
            Shown("used_kg", "used", "kg", 0),
            Shown("expected_kg", "expected", "kg", 0),
            Shown("extra_kg", "used more than expected", "kg", 0),
        ],
        file="ink_watch",
    )


def caution() -> Block:
    """Return the caution for whoever is sent to the tanks."""
    return caution_block(
        "Checking tanks means slippery floors, solvents and heavy lids; never enter a tank or lean into one. "
        "Confined spaces, solvents and lifting are ruled by local regulations and the maker's manual."
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    for row in results["ink_model"].dropna(subset="estimate").itertuples():
        if row.term == "film_g_m2":
            print(f"{row.ink} {row.estimate:.2f} g/m2")
    print(declared("ink_watch")[0].column, len(results["ink_watch"]))


def _roles(inks: pd.Series) -> dict[str, str]:
    return {ink: ink for ink in inks.unique() if ink in INKS}
