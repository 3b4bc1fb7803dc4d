"""What the ink page shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from .. import figures
from ..exhibits import Block, exhibit, logged, note, quantity, sheet
from ..exhibits import caution as caution_block
from ..exhibits import headline as headline_block
from ..ink import COMBINED, TERMS, kg_per_million_pages, m2_per_kg, mean_use, mileage_in2_per_lb
from ..tables import INKS
from ..watch import EWMA_LIMIT, EWMA_WEIGHT, ewma, ewma_limits, ewma_run_length
from .common import counted, day_words, last_days, list_words, needs, per_cent

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "caution",
    "chart",
    "chart_words",
    "headline",
    "key_figures",
    "ledger",
    "model",
    "model_words",
    "plain",
    "use_by_week",
    "yields",
]

_TERM_WORDS = {
    "film_g_m2": ("film weight", "g/m2 of solid"),
    "startup_kg_per_run": ("start-up", "kg per run"),
    "standing_kg_per_day": ("idle loss", "kg per day"),
    "beyond_film_kg_per_week": ("start-up and idle loss together", "kg per week"),
    "use_g_m2": ("film weight with every term left blank", "g/m2 of solid"),
    "use_kg_per_week": ("all use", "kg per week"),
}
#: Why terms are blank, and what serves in their place.
_TOGETHER = {
    "beyond_film_kg_per_week": "start-up and idle loss go up and down together: their sum is {value} kg a week",
    "use_g_m2": "film weight cannot be told from the terms left blank: together they take {value} g/m2 of solid",
    "use_kg_per_week": "it is not known what was printed, so use is told by the calendar: {value} kg a week",
}


def _missing(results: Results) -> Block | None:
    return None if results.logs.has("tank_readings") else needs("Ink", "tank_readings")


def _recent(results: Results) -> pd.DataFrame:
    return last_days(results, 28, results["ink_watch"], "read_at")


def headline(results: Results) -> Block:
    """Return whether ink use is what pages, starts and idle days explain."""
    if (missing := _missing(results)) is not None:
        return missing
    recent = _recent(results)
    flagged = recent[recent["signal"].isin(["high", "low"])].groupby("ink")["signal"].last()
    # What the calendar alone expects is no expectation to be held against what was printed.
    by_area = [ink for ink, fit in results.ink_fits.items() if fit.by_area]
    known = recent[recent["ink"].isin(by_area)].dropna(subset=["used_kg", "expected_kg"])
    used, expected = known["used_kg"].sum(), known["expected_kg"].sum()
    against = f"{100 * (used / expected - 1):+.1f} %" if expected > 0 else "not known"
    if not expected > 0:
        words = "Ink use is unknown: coverage, dips and deliveries do not tell what any ink should have used."
    elif flagged.empty:
        words = f"All inks were used as expected in the last four weeks ({against})."
    else:
        inks = [f"{logged(ink)} ({signal})" for ink, signal in flagged.items()]
        words = f"Over the last four weeks use departed from expectation in {', '.join(inks)}."
    if not expected > 0 and not results.ink_findings:
        return headline_block(words, "Nothing could be looked at for departures.")
    lasting = [
        one for one in results.ink_findings if one.until.normalize() >= recent["read_at"].max().normalize()
    ]
    still = "".join(
        f" {logged(one.ink)}: a {one.kind} since {day_words(one.since, results.logs.as_of)} lasts, and is part of "
        "what is expected."
        for one in lasting
    )
    departures = counted(len(results.ink_findings), "departure was", "departures were")
    return headline_block(
        words,
        f"All inks together: {against} against expectation. In the whole history {departures} found.{still}",
    )


def ledger(results: Results) -> Block:
    """Return level changes of the last four weeks, dip by dip."""
    if (missing := _missing(results)) is not None:
        return missing
    intervals = results.ink_intervals
    rows = last_days(results, 28, intervals, "read_at")
    table = rows.merge(
        results["ink_watch"][["ink", "read_at", "expected_kg"]], on=["ink", "read_at"], how="left"
    )
    aside = int((intervals["why"] != "").sum())
    return sheet(
        table.sort_values(["read_at", "ink"], ascending=[False, True]),
        name="ledger",
        caption=f"The ledger of four weeks; {aside} of {len(intervals)} intervals in all cannot serve the model",
        columns=(
            "ink; since: from the dip <time>; read_at: to the dip <time>; "
            "level_before_kg: level before [kg] .0; delivered_kg: delivered [kg] .0; "
            "level_after_kg: level after [kg] .0; used_kg: used [kg] .0; "
            "expected_kg: expected [kg] .0; solid_m2: solid printed [m2] .0; "
            "starts: runs with this ink .0; why: left out because"
        ),
        limit=20,
        file="ink_watch",
    )


def model(results: Results) -> Block:
    """Return film weight, start-up and idle loss of each ink."""
    if (missing := _missing(results)) is not None:
        return missing
    table = results["ink_model"].copy()
    film = table[table["term"] == "film_g_m2"].dropna(subset="estimate")
    if film.empty:
        return note("No ink has enough usable intervals between dips for a film weight.")
    lightest, heaviest = film.loc[film["estimate"].idxmin()], film.loc[film["estimate"].idxmax()]
    words = pd.DataFrame(_TERM_WORDS, index=["words", "unit"]).T
    return exhibit(
        figures.interval_dots(
            film,
            name="ink",
            value="estimate",
            low="ci_low",
            high="ci_high",
            unit="film weight [g/m² of solid]",
        ),
        name="film-weight",
        finding=f"A square metre of solid takes {lightest['estimate']:.2f} g ({logged(lightest['ink'])}) to "
        f"{heaviest['estimate']:.2f} g ({logged(heaviest['ink'])}) of ink.",
        table=table.join(words, on="term").assign(inflation=_inflation(results, table)),
        columns=(
            "ink; words: term; unit; estimate .2; std_error: standard error .2; ci_low: 95 % from .2; "
            "ci_high: to .2; readings: intervals .0; inflation: variance inflation .0"
        ),
        file="ink_model",
    )


def _inflation(results: Results, table: pd.DataFrame) -> list[float]:
    """Return how much the other terms inflate the variance of each: above ten they lean on each other."""
    terms = list(TERMS)
    return [
        float(results.ink_fits[row.ink].inflation[terms.index(row.term)])
        if row.ink in results.ink_fits and row.term in terms and np.isfinite(row.estimate)
        else np.nan
        for row in table.itertuples()
    ]


def model_words(results: Results) -> Block:
    """Say how well the terms can be told apart, what serves where they cannot, and what dips and runs scatter by."""
    stated = results.logs.plant.measurement.dip_kg
    parts = [
        f"{logged(ink)}: a dip of all its tanks {quantity(fit.dip_kg, 'kg', 0)}, a run {per_cent(fit.scatter_pct)}, "
        f"inflation {fit.inflation[0]:.0f} / {fit.inflation[1]:.0f} / {fit.inflation[2]:.0f}"
        for ink, fit in results.ink_fits.items()
        if fit.separate
    ]
    sentences = []
    if parts:
        sentences.append(
            f"Scatter as estimated (a dip of one tank is stated as {stated:g} kg), and by how much each variance of "
            "film, start-up and idle loss is inflated because they go together: "
            f"{'; '.join(parts)}. Above ten, terms are hard to tell apart: their sum for a usual day is surer than "
            "each of them."
        )
    model = results["ink_model"]
    for row in model[model["term"].isin(COMBINED)].itertuples():
        digits = 2 if row.term == "use_g_m2" else 0
        value = f"{row.estimate:.{digits}f} ({row.ci_low:.{digits}f} to {row.ci_high:.{digits}f})"
        sentences.append(
            f"{logged(row.ink)}: {_TOGETHER[row.term].format(value=value)}. Expected use, stock and orders stand on it."
        )
    sentences += _levels(results)
    without = sorted(set(results.ink_intervals["ink"]) - set(results.ink_fits))
    if without:
        sentences.append(
            f"No model for {list_words(without)}: at least three intervals are needed in which use is known and "
            f"above zero. {_refused(results, without)}"
        )
    return note(" ".join(sentences) if sentences else "No ink has two dips, so nothing is known of its use.")


def _levels(results: Results) -> list[str]:
    """Say which film weights and idle losses went to another level and stayed there."""
    rows, as_of = results["regimes"], results.logs.as_of
    rows = rows[rows["measure"].isin(["film weight", "idle loss"]) & rows["dated_low"].notna()]
    lasting = [one for one in results.ink_findings if one.lasting]
    unknown = {(one.ink, one.since.normalize()) for one in lasting if not one.exposure}
    return [
        f"{logged(row['subject'])}: {row['measure']} is {row['estimate']:.2f} {row['unit']} "
        f"({row['ci_low']:.2f} to {row['ci_high']:.2f}) since {day_words(row['from'], as_of)} (between "
        f"{day_words(row['dated_low'], as_of)} and {day_words(row['dated_high'], as_of)}): {row['why']}."
        for row in rows.to_dict("records")
        if (row["subject"], row["from"]) not in unknown
    ] + [
        f"{logged(one.ink)}: use changed by {100 * one.share:+.1f} % ({one.extra_kg:+.0f} kg) since "
        f"{day_words(one.since, as_of)} (between {day_words(one.dated_low, as_of)} and "
        f"{day_words(one.dated_high, as_of)}). "
        "Whether film weight or idle loss changed cannot be told; intervals of both allow for either."
        for one in lasting
        if not one.exposure
    ]


def _refused(results: Results, inks: list[str]) -> str:
    """Say why most intervals of some inks are left out."""
    rows = results.ink_intervals
    why = rows.loc[rows["ink"].isin(inks) & (rows["why"] != ""), "why"]
    return f"Most of its intervals are left out: {why.mode().iloc[0]}." if len(why) else ""


def plain(results: Results) -> Block:
    """Return the mean use of each ink by day and by million pages, from the dips alone."""
    if (missing := _missing(results)) is not None:
        return missing
    table = mean_use(results.logs, results.ink_intervals)
    return sheet(
        table,
        name="plain-use",
        caption=f"What the dips alone say: {quantity(table['kg_per_day'].sum(), 'kg', 0)} of ink a day in the mean",
        columns=(
            "ink; days .0; used_kg: used [kg] .0; kg_per_day: a day [kg] .1; "
            "ci_low: 95 % from [kg] .1; ci_high: to [kg] .1; "
            "kg_per_million_pages: a million pages printed [kg] .1"
        ),
    )


def yields(results: Results) -> Block:
    """Return film weight in the units of the trade."""
    film = results["ink_model"]
    film = film[film["term"] == "film_g_m2"].dropna(subset="estimate").set_index("ink")["estimate"]
    if film.empty:
        return note("Without a film weight there is no yield.")
    runs = results.logs["runs"]
    page_m2 = float((runs["page_width_mm"] * runs["page_height_mm"]).median() / 1e6)
    covered = results.mean_coverage()
    table = pd.DataFrame({"ink": film.index, "film": film.to_numpy()})
    table["coverage"] = [float(covered.get(ink, np.nan)) for ink in film.index]
    table["area"] = [m2_per_kg(value) for value in film]
    table["million"] = [kg_per_million_pages(row.film, page_m2, row.coverage) for row in table.itertuples()]
    columns = (
        "ink; film: film weight [g/m2] .2; area: a kilogram covers [m2] .0; "
        "million: a million pages take [kg] .1"
    )
    if results.logs.plant.format.ink_yield == "inch_pound":
        table["mileage"] = [mileage_in2_per_lb(value) / 1000 for value in film]
        columns += "; mileage: mileage [1000 in2/lb] .0"
    table["covered"] = 100 * table["coverage"]
    columns += "; covered: at a mean coverage of [%] .1"
    return sheet(table, name="yields", caption="What a kilogram of ink does", columns=columns)


def use_by_week(results: Results) -> Block:
    """Return used against expected ink by week, as a ratio per ink."""
    if (missing := _missing(results)) is not None:
        return missing
    watch = results["ink_watch"]
    watch = watch[watch["z"].notna()]
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
        columns=(
            "week <date>; ink; used_kg: used [kg] .0; expected_kg: expected [kg] .0; "
            "ratio: four weeks, used of expected [%] .0"
        ),
        limit=60,
        file="ink_watch",
    )


def chart(results: Results) -> Block:
    """Return the control chart of each ink."""
    if (missing := _missing(results)) is not None:
        return missing
    watch = results["ink_watch"].dropna(subset="z")
    parts = [
        rows.assign(average=ewma(rows["z"]), limit=ewma_limits(len(rows))) for _, rows in watch.groupby("ink")
    ]
    table = pd.concat(parts) if parts else watch.assign(average=np.nan, limit=np.nan)
    # A point a week shows as much as one a day, in a seventh of the page.
    week = results.logs.plant.week_of(table["read_at"])
    drawn = table.groupby(["ink", week.rename("week")]).agg(
        average=("average", "last"), limit=("limit", "last"), signal=("signal", "last")
    )
    drawn = drawn.reset_index()
    out = sorted(table.loc[table["signal"].isin(["high", "low"]), "ink"].unique())
    if table.empty:
        return note("No interval between dips can be charted: nothing tells what an ink should have used.")
    chance = len(table) / ewma_run_length()
    by_chance = f"by chance about {chance:.2g} alarms in {quantity(len(table), '', 0)} intervals"
    return exhibit(
        figures.control_chart(drawn, x="week", by="ink", roles={ink: ink for ink in INKS}),
        name="ink-chart",
        finding=f"The moving average of surprises left its limits at some time for {list_words(out)} ({by_chance})."
        if out
        else f"The moving average of surprises never left its limits ({by_chance}).",
        table=drawn[drawn["signal"] != ""].sort_values("week", ascending=False),
        columns="week <date>; ink; average .2; limit .2; signal",
        file="ink_watch",
    )


def chart_words() -> Block:
    """Say what the chart's parameters are and how often it cries wolf."""
    alone, shifted = ewma_run_length(), ewma_run_length(1.0)
    return note(
        f"Exponentially weighted moving average with weight {EWMA_WEIGHT:g} and limits at {EWMA_LIMIT:g} standard "
        f"deviations: on steady use it gives a false alarm once in about {alone:.0f} intervals, and it "
        f"finds a lasting shift of one standard deviation after about {shifted:.0f}. What is charted is "
        "each interval's surprise given all dips before it, so a dip's own error is not counted twice."
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
    for one in results.ink_findings:
        print(f"{one.ink} {one.kind} since {one.since:%Y-%m-%d}")


def _roles(inks: pd.Series) -> dict[str, str]:
    return {ink: ink for ink in inks.unique() if ink in INKS}
