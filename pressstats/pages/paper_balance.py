"""What the paper balance page shows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, Shown, Tile, declared, exhibit, logged, note, quantity, sheet
from ..exhibits import headline as headline_block
from ..exhibits import tiles as tiles_block
from ..paper import balance_by
from ..results import Results
from ..watch import waste_state
from .common import STREAM_WORDS, last_weeks, list_words, per_cent, tonnes, totals

__all__ = [
    "by_title",
    "gaps",
    "grammages",
    "headline",
    "key_figures",
    "streams",
    "tiles",
    "unexplained",
    "waste_by_week",
    "week_table",
]


def _year(results: Results) -> pd.DataFrame:
    return last_weeks(results, 52, results.runs)


def headline(results: Results) -> Block:
    """Return the finding of the last 52 weeks in a sentence."""
    year = totals(_year(results))
    if np.isnan(year["mounted_kg"]):
        return headline_block(
            "No run has complete reel records, so paper can be counted but not balanced.",
            "Copies and areas are shown; what was mounted, stripped and left on cores is not known.",
        )
    share = 100 * year / year["mounted_kg"]
    return headline_block(
        f"Of {tonnes(year['mounted_kg'], 0)} mounted in 52 weeks, {per_cent(share['good_kg'])} left as good copies; "
        f"{per_cent(year['waste_pct'], 2)} was waste.",
        f"Start-up took {per_cent(share['startup_kg'], 2)}, running waste {per_cent(share['running_kg'], 2)}, "
        f"reel ends and strip {per_cent(share['reel_end_kg'] + share['strip_kg'], 2)}; "
        f"{tonnes(year['unexplained_kg'])} ({per_cent(share['unexplained_kg'], 2)}) is in no stream.",
    )


def tiles(results: Results) -> Block:
    """Return the year's waste, start-up per start, unexplained and the completeness of reel records."""
    runs = _year(results)
    year = totals(runs)
    target = results.logs.plant.targets.waste_pct
    waste = float(year["waste_pct"])
    state = waste_state(waste, waste, [], [], target)
    starts = runs["starts"].sum()
    return tiles_block(
        [
            Tile("Waste", waste, "%", f"of mounted paper, 52 weeks; target {target:g} %", state, 2),
            Tile(
                "Start-up",
                runs["startup_kg"].sum() / starts if starts else np.nan,
                "kg",
                "per web started",
                digits=1,
            ),
            Tile(
                "Unexplained", year["unexplained_kg"] / 1000, "t", "in 52 weeks, threading included", digits=1
            ),
            Tile(
                "Runs with reel records",
                100 * runs["has_reels"].mean() if len(runs) else np.nan,
                "%",
                f"{int(runs['has_reels'].sum())} of {len(runs)} runs",
                digits=1,
            ),
        ]
    )


def streams(results: Results) -> Block:
    """Return where the paper of the last 52 weeks went that is not in good copies."""
    year = totals(_year(results))
    table = pd.DataFrame(
        {
            "stream": list(STREAM_WORDS.values()),
            "tonnes": [year[name] / 1000 for name in STREAM_WORDS],
            "share": [100 * year[name] / year["mounted_kg"] for name in STREAM_WORDS],
        }
    )
    rest = table.iloc[1:].dropna().sort_values("tonnes", ascending=False)
    first = rest["stream"].iloc[0] if len(rest) else "nothing"
    return exhibit(
        figures.streams(rest),
        name="streams",
        finding=f"Beside {tonnes(year['good_kg'], 0)} in good copies, {first} is the largest stream; all of them "
        f"add up to the {tonnes(year['mounted_kg'], 0)} mounted.",
        table=pd.concat([table.iloc[:1], rest]),
        columns=[
            Shown("stream"),
            Shown("tonnes", "paper", "t", 2),
            Shown("share", "share of mounted", "%", 2),
        ],
    )


def waste_by_week(results: Results) -> Block:
    """Return waste of each press by week, with the target."""
    weeks = last_weeks(results, 104, results["paper_balance"])
    target = results.logs.plant.targets.waste_pct
    known = weeks.dropna(subset="waste_pct")
    above = int((known["waste_pct"] > target).sum())
    return exhibit(
        figures.lines_by(
            weeks, x="week", y="waste_pct", by="press", unit="waste [% of mounted paper]", target=target
        ),
        name="waste-by-week",
        finding=f"Waste was above the target of {target:g} % in {above} of {len(known)} weeks of a press; "
        "a gap is a week without complete reel records.",
        table=weeks,
        columns=declared("paper_balance", "week", "press", "runs", "mounted_kg", "good_kg", "waste_pct"),
        file="paper_balance",
    )


def unexplained(results: Results) -> Block:
    """Return the unexplained paper beside what weighing, counting and grammage errors can explain."""
    limits = last_weeks(results, 104, results.unexplained)
    outside = limits[limits["z"].abs() > 2]
    share = 100 * len(outside) / len(limits) if len(limits) else np.nan
    return exhibit(
        figures.within_errors(limits),
        name="unexplained",
        finding=f"{len(outside)} of {len(limits)} weeks of a press ({per_cent(share, 0)}) lie outside two standard "
        "deviations of what weighing, counting and grammage can explain; about 5 % would by chance, more where "
        "reels of one grammage differ among themselves.",
        table=limits,
        columns=[
            Shown("week", kind="date"),
            Shown("press"),
            Shown("unexplained_kg", "unexplained", "kg", 0),
            Shown("threading_kg", "threaded, expected", "kg", 0),
            Shown("error_kg", "one standard deviation", "kg", 0),
            Shown("z", "left over, in standard deviations", digits=1),
        ],
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


def gaps(results: Results) -> Block:
    """Say which weeks and materials are blank, and why."""
    balance = results["paper_balance"]
    blank = balance[balance["mounted_kg"].isna()]
    weeks = [
        f"{week:%Y-%m-%d} ({logged(press)})"
        for week, press in zip(blank["week"], blank["press"], strict=True)
    ]
    text = (
        "Every week of every press has complete reel records. "
        if not weeks
        else f"Reel streams are blank in {len(weeks)} weeks of a press, because a run has no or "
        f"incomplete reel records: {', '.join(weeks[:8])}{' ...' if len(weeks) > 8 else ''}. "
    )
    unknown = results.threading[results.threading["why"] != ""]
    reasons = [f"{logged(row.material)} ({row.why})" for row in unknown.itertuples()]
    if reasons:
        text += f"No effective grammage for {', '.join(reasons)}; what these weigh above nominal is in unexplained. "
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
    caption = "Copies by title, 52 weeks"
    if len(worst):
        caption = (
            f"Waste by title, 52 weeks, complete reel records: "
            f"highest for {logged(worst['title'].iloc[-1])} on {logged(worst['press'].iloc[-1])}"
        )
    return sheet(
        table,
        name="by-title",
        caption=caption,
        columns=[
            Shown("title"),
            Shown("press"),
            Shown("runs", digits=0),
            Shown("mounted_kg", "mounted", "kg", 0),
            Shown("good_kg", "good", "kg", 0),
            Shown("startup_per_start", "start-up per web started", "kg", 1),
            Shown("running_pct", "running waste of printed", "%", 2),
            Shown("waste_pct", "waste", "%", 2),
        ],
    )


def week_table(results: Results) -> Block:
    """Return the published balance of the last 13 weeks."""
    table = last_weeks(results, 13, results["paper_balance"]).sort_values(
        ["week", "press"], ascending=[False, True]
    )
    return sheet(
        table,
        name="paper-balance",
        caption="The balance by week and press, last 13 weeks",
        columns=declared("paper_balance"),
        file="paper_balance",
    )


def key_figures(results: Results) -> None:
    """Print rounded figures that tests compare."""
    year = totals(_year(results))
    print(f"mounted {year['mounted_kg'] / 1000:.0f} t, waste {year['waste_pct']:.2f} %")
    for row in results["grammage"].itertuples():
        print(f"{row.material} {quantity(row.effective_gsm, 'g/m2', 2)}")
