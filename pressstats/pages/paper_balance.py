"""What the paper balance page shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, Tile, declared, exhibit, heads, logged, note, quantity, sheet
from ..exhibits import headline as headline_block
from ..exhibits import tiles as tiles_block
from ..paper import (
    UNWEIGHED_WORDS,
    balance_by,
    counter_waste,
    mount_weights,
    runs_of,
    sold_streams,
    unweighed_streams,
    waste_by,
    waste_totals,
    web_use,
)
from ..watch import waste_state, worst
from .common import (
    STREAM_WORDS,
    by_default,
    counted,
    day_words,
    last_weeks,
    list_words,
    per_cent,
    spoken,
    streams_words,
    tonnes,
    weeks_words,
)

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "by_title",
    "gaps",
    "grammages",
    "headline",
    "key_figures",
    "regimes",
    "streams",
    "tiles",
    "unexplained",
    "unweighed",
    "waste_by_week",
    "week_table",
]


def _year(results: Results) -> pd.DataFrame:
    return last_weeks(results, 52, results.run_balance)


def headline(results: Results) -> Block:
    """Return the finding of the last 52 weeks in a sentence."""
    runs = _year(results)
    year = waste_totals(runs)
    if runs.empty:
        return headline_block("Nothing was printed in the last 52 weeks.", "There is no paper to balance.")
    if np.isnan(year["mounted_kg"]):
        counted = f"{year['runs']:.0f}" if year["runs"] else "Not one"
        return headline_block(
            f"{counted} of {len(runs)} runs in {weeks_words(results, 52)} has complete reel records, so paper "
            f"cannot be balanced; by the press counters {per_cent(counter_waste(runs))} of what was printed was waste.",
            "White waste, butts and scrap are not in that; what was mounted is not known.",
        )
    share = 100 * year / year["mounted_kg"]
    reels = share["reel_end_kg"] + share["strip_kg"]
    weighed = (
        f"white waste and butts {per_cent(reels, 2)}"
        if np.isfinite(reels)
        else "white waste or butts are not weighed and stand in what is unexplained"
    )
    lacking = runs_of(year)
    return headline_block(
        # As they weigh: at nominal weight good copies would seem to lack what the paper is heavier than nominal.
        f"Of {tonnes(year['mounted_kg'], 0)} mounted in {weeks_words(results, 52)}, "
        f"{per_cent(100 - year['waste_pct'], 2)} left as good copies; {per_cent(year['waste_pct'], 2)} was waste.",
        f"Start-up took {per_cent(share['startup_kg'], 2)}, running waste {per_cent(share['running_kg'], 2)}, "
        f"{weighed}; {tonnes(year['unexplained_kg'])} ({per_cent(share['unexplained_kg'], 2)}) is in no stream."
        + (f" This is {lacking}: the others lack complete reel records." if lacking else ""),
    )


def tiles(results: Results) -> Block:
    """Return the year's waste, start-up per start, unexplained and the completeness of reel records."""
    runs = _year(results)
    year = waste_totals(runs)
    target = results.logs.plant.targets.waste_pct
    waste = float(year["waste_pct"])
    of_year = waste_state(waste, waste, [], [], target)
    of_weeks = results["week_figures"].set_index("figure").loc["waste"]
    lately = str(of_weeks["state"])
    # No page is calmer about waste than the manager's.
    state = worst([of_year, lately]) if lately in ("watch", "act") else of_year
    counted = runs[runs["startup_kg"].notna()]
    starts = counted["starts"].sum()
    recorded = int(runs["has_reels"].sum())
    share = 100 * recorded / len(runs) if len(runs) else np.nan
    a_start = counted["startup_kg"].sum() / starts if starts else np.nan
    lacking, period = runs_of(year), weeks_words(results, 52)
    detail = f"of mounted paper, {period}; target {target:g} %{by_default(results, 'waste')}"
    detail += f"; {lacking}" if lacking else ""
    because = "" if state in ("in control", "unknown") else "Over the target"
    if state != of_year:
        because = f"By the last weeks: {logged(spoken(str(of_weeks['why']), results.logs.as_of), 400)}"
    return tiles_block(
        [
            Tile("Waste", waste, "%", detail, state, 2, because=because),
            Tile("Start-up", a_start, "kg", "per web started", digits=1),
            Tile(
                "Unexplained",
                year["unexplained_kg"] / 1000,
                "t",
                f"in {period}, threading included",
                digits=1,
            ),
            Tile("Runs with reel records", share, "%", f"{recorded} of {len(runs)} runs", digits=1),
        ]
    )


def streams(results: Results) -> Block:
    """Return where the paper of the last 52 weeks went that is not in good copies."""
    year = waste_totals(_year(results))
    table = pd.DataFrame(
        {
            "name": list(STREAM_WORDS),
            "stream": [_stream_words(name, float(year[name])) for name in STREAM_WORDS],
            "tonnes": [year[name] / 1000 for name in STREAM_WORDS],
            "share": [100 * year[name] / year["mounted_kg"] for name in STREAM_WORDS],
        }
    )
    rest = table.iloc[1:].dropna().sort_values("tonnes", ascending=False)
    if np.isnan(year["mounted_kg"]):
        return note("What was mounted is not known, so its streams do not add up to anything.")
    lost = rest[rest["name"].isin(_LOST)]
    first = f", {lost['stream'].iloc[0]} is the largest stream of waste" if len(lost) else ""
    return exhibit(
        figures.streams(rest),
        name="streams",
        finding=f"Beside {tonnes(year['good_kg'], 0)} in good copies at nominal weight{first}; all streams add up to "
        f"the {tonnes(year['mounted_kg'], 0)} mounted.",
        table=pd.concat([table.iloc[:1], rest]),
        columns="stream; tonnes: paper [t] .2; share: share of mounted [%] .2",
    )


#: Streams that are waste by themselves.
_LOST = ("startup_kg", "running_kg", "uncounted_kg", "strip_kg", "reel_end_kg", "scrapped_kg")


def _stream_words(name: str, kg: float) -> str:
    if name == "good_kg":
        return f"{STREAM_WORDS[name]}, at nominal weight"
    return "paper lighter than nominal" if name == "grammage_kg" and kg < 0 else STREAM_WORDS[name]


def unweighed(results: Results) -> Block:
    """Return what unweighed strip and butts took by estimate, beside what was sold of them."""
    runs = _year(results)
    if not results.logs.has("reel_mounts"):
        return note("Without reel mounts nothing is known of white waste, butts and scrap.")
    mounts = mount_weights(results.logs, web_use(results.logs))
    estimates = unweighed_streams(runs, results.threading, mounts)
    words = [
        f"{UNWEIGHED_WORDS[row.term].capitalize()}: not weighed; about {tonnes(row.kg)} in {weeks_words(results, 52)} "
        f"({tonnes(row.ci_low)} to {tonnes(row.ci_high)}, 95 %), {quantity(row.kg / row.reels, 'kg', 1)} a reel, "
        "by regression. It stands in what is unexplained."
        for row in estimates.itertuples()
        if row.reels > 0
    ]
    sold = sold_streams(results.logs, runs, results.threading, mounts)
    # What is known by month stands further down; a month that the year cuts is not whole.
    known = results["waste_sales"].dropna(subset="difference_kg")["kind"]
    whole = (sold["month"] >= runs["date"].min()) | (len(runs) == len(results.run_balance))
    for kind, rows in sold[whole & ~sold["kind"].isin(known)].dropna(subset="stream_kg").groupby("kind"):
        words.append(
            f"Sold as {logged(str(kind))}: {tonnes(rows['sold_kg'].sum())} in {counted(len(rows), 'month')}, as the "
            f"buyer weighed it, water in it; what it holds ({streams_words(rows['holds'].iloc[0])}) took "
            f"{tonnes(rows['stream_kg'].sum())} dry in those months."
        )
    none = (
        "what was sold stands against it below" if len(known) else "no kind of waste sold says what it holds"
    )
    return note(" ".join(words) or f"White waste and butts are weighed reel by reel; {none}.")


def waste_by_week(results: Results) -> Block:
    """Return waste of each press by week, with the target."""
    weeks = waste_by(last_weeks(results, 104, results.run_balance), ["week", "press"])
    target = results.logs.plant.targets.waste_pct
    known = weeks.dropna(subset="waste_pct")
    if known.empty:
        return note("Waste of mounted paper is not known in any of the last 104 weeks.")
    above = int((known["waste_pct"] > target).sum())
    some = int((known["runs"] < known["of_runs"]).sum())
    part = (
        f" Of these, {some} {'rests' if some == 1 else 'rest'} on part of the week's runs, at least half the printed "
        "area."
        if some
        else ""
    )
    return exhibit(
        figures.lines_by(
            weeks, x="week", y="waste_pct", by="press", unit="waste [% of mounted paper]", target=target
        ),
        name="waste-by-week",
        finding=f"Waste was above the target of {target:g} %{by_default(results, 'waste')} in {above} of "
        f"{len(known)} press-weeks.{part} A gap is a week in which nothing was printed, or most of it without complete "
        "reel records.",
        table=weeks,
        columns=[
            *heads("week <date>; press; runs: runs counted .0; of_runs: of runs .0"),
            *declared("paper_balance", "mounted_kg", "good_kg", "waste_pct"),
        ],
    )


def unexplained(results: Results) -> Block:
    """Return the unexplained paper beside what weighing, counting and grammage errors can explain."""
    limits = last_weeks(results, 104, results.unexplained)
    if not limits["z"].notna().any():
        return note(
            "What is unexplained is not known in any of the last 104 weeks: no week has complete reel records."
        )
    outside = limits[limits["z"].abs() > 2]
    share = 100 * len(outside) / len(limits) if len(limits) else np.nan
    return exhibit(
        figures.within_errors(
            limits.assign(
                low=limits["threading_kg"] - 2 * limits["error_kg"],
                high=limits["threading_kg"] + 2 * limits["error_kg"],
            ),
            x="week",
            by="press",
            value="unexplained_kg",
            words=("unexplained", "threaded paper ± 2 standard deviations"),
        ),
        name="unexplained",
        finding=f"{len(outside)} of {len(limits)} press-weeks ({per_cent(share, 0)}) lie outside two standard "
        "deviations of what weighing, counting, grammage and the differences among reels can explain; about 5 % would "
        "by chance.",
        table=limits,
        columns=(
            "week <date>; press; unexplained_kg: unexplained [kg] .0; "
            "threading_kg: threaded, expected [kg] .0; error_kg: one standard deviation [kg] .0; "
            "z: left over, in standard deviations .1"
        ),
    )


def grammages(results: Results) -> Block:
    """Return effective against nominal grammage of each material."""
    table = results["grammage"].dropna(subset=["effective_gsm", "nominal_gsm"]).copy()
    if table.empty:
        return note("No material has enough weighed webs for an effective grammage.")
    for name in ("effective_gsm", "ci_low", "ci_high"):
        table[f"{name}_pct"] = 100 * (table[name] / table["nominal_gsm"] - 1)
    heavy = table[table["ci_low"] > table["nominal_gsm"]]
    light = table[table["ci_high"] < table["nominal_gsm"]]
    parts = []
    for rows, word in ((heavy, "heavier"), (light, "lighter")):
        if len(rows):
            most = per_cent(rows["effective_gsm_pct"].abs().max(), 2)
            parts.append(
                f"{list_words(rows['material'].tolist())}: {word} than nominal, beyond its interval, by up to {most}"
            )
    chance = f" ({len(table)} intervals of 95 % looked at together: by chance {0.05 * len(table):.2g} would differ)."
    finding = "; ".join(parts) + chance if parts else "No grammage differs from nominal beyond its interval."
    return exhibit(
        figures.interval_dots(
            table,
            name="material",
            value="effective_gsm_pct",
            low="ci_low_pct",
            high="ci_high_pct",
            unit="effective above nominal grammage [%]",
            reference=0,
            reference_words="nominal",
        ),
        name="grammages",
        finding=finding,
        table=table,
        columns=declared("grammage"),
        file="grammage",
    )


def regimes(results: Results) -> Block:
    """Return what each paper weighed when, the present last: lasting changes with their days, sizes and costs."""
    table = results["regimes"]
    table = table[table["measure"].isin(["grammage", "start-up waste"])]
    changed = table[table["dated_low"].notna()]
    paper = changed[changed["measure"] == "grammage"]
    starts, words = changed[changed["measure"] == "start-up waste"], []
    for rows, what in ((paper, "grammage"), (starts, "start-up waste")):
        if not (table["measure"] == what).any():
            words.append(f"{what} is not known")
            continue
        # A material's paper of one supplier is told with the supplier's name.
        names = list_words([name.replace(", ", " of ") for name in dict.fromkeys(rows["subject"])])
        words.append(
            f"{counted(len(rows), 'lasting change')} of {what} ({names})"
            if len(rows)
            else f"no lasting change of {what}"
        )
    return sheet(
        table.sort_values(["measure", "subject", "from"]),
        name="regimes",
        caption=f"Changes in time: {' and '.join(words)}. Each run is balanced with the grammage of its own days; a "
        "cost below zero is a saving",
        columns=declared(
            "regimes", currency=results.logs.plant.currency, labels={"ci_low": "95 % from", "ci_high": "to"}
        ),
        file="regimes",
    )


def gaps(results: Results) -> Block:
    """Say which weeks and materials are blank, and why."""
    blank = results["paper_balance"][results["paper_balance"]["mounted_kg"].isna()]
    pairs = zip(blank["week"], blank["press"], strict=True)
    weeks = [f"{day_words(week, results.logs.as_of)} ({logged(press)})" for week, press in pairs]
    text = (
        "Every week of every press has complete reel records. "
        if not weeks
        else f"Reel streams are blank in {counted(len(weeks), 'press-week')}, because a run has no or "
        f"incomplete reel records: weeks from {', '.join(weeks[:8])}{' ...' if len(weeks) > 8 else ''}. "
    )
    reasons = [
        f"{logged(row.material)} ({row.why})" for row in results.threading.itertuples() if row.why != ""
    ]
    if reasons:
        weighed = results.run_balance["has_reels"].any()
        above = "; what these weigh above nominal is in unexplained" if weighed else ""
        text += f"No effective grammage for {', '.join(reasons)}{above}. "
    return note(
        text
        + "A counter that loses copies in proportion reads as grammage: the two cannot be told apart from these logs."
    )


def by_title(results: Results) -> Block:
    """Return the balance of the last 52 weeks by title and press."""
    runs = _year(results)
    whole = runs[runs["has_reels"]]
    table = balance_by(whole, ["title", "press"]) if len(whole) else balance_by(runs, ["title", "press"])
    table["startup_per_start"] = table["startup_kg"] / table["starts"]
    printed = table[["good_kg", "startup_kg", "running_kg", "uncounted_kg"]].sum(axis=1)
    table["running_pct"] = 100 * table["running_kg"] / printed
    worst = table.dropna(subset="waste_pct").sort_values("waste_pct")
    caption = f"Copies by title, {weeks_words(results, 52)}"
    if len(worst):
        caption = (
            f"Waste by title, {weeks_words(results, 52)}, complete reel records: "
            f"highest for {logged(worst['title'].iloc[-1])} on {logged(worst['press'].iloc[-1])}"
        )
    return sheet(
        table,
        name="by-title",
        caption=caption,
        columns=(
            "title; press; runs .0; mounted_kg: mounted [kg] .0; good_kg: good [kg] .0; "
            "startup_per_start: start-up per web started [kg] .1; "
            "running_pct: running waste of printed [%] .2; waste_pct: waste [%] .2"
        ),
    )


def week_table(results: Results) -> Block:
    """Return the published balance of the last 13 weeks."""
    table = last_weeks(results, 13, results["paper_balance"]).sort_values(
        ["week", "press"], ascending=[False, True]
    )
    return sheet(
        table,
        name="paper-balance",
        caption=f"The balance by week and press, last {weeks_words(results, 13)}",
        columns=declared("paper_balance", labels=STREAM_WORDS),
        file="paper_balance",
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    year = waste_totals(_year(results))
    print(f"mounted {year['mounted_kg'] / 1000:.0f} t, waste {year['waste_pct']:.2f} %")
    for row in results["grammage"].itertuples():
        print(f"{row.material} {quantity(row.effective_gsm, 'g/m2', 2)}")
