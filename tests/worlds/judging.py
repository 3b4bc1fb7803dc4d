"""What is published of a world, held against its truth: estimates, dates, stocks, sentences."""

from __future__ import annotations

import html.parser
import json
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from demo_plant.scenario import INKS

from pressstats import pages
from pressstats.exhibits import PAGE_TYPE

if TYPE_CHECKING:
    from pressstats.results import Results

    from .truth import Truth

__all__ = ["Judgement", "changes_found", "estimates", "judge", "page_texts", "read"]

NOTEBOOKS = Path(__file__).resolve().parents[2] / "notebooks"
#: Days within which a change must be dated.
DATED_DAYS = 14
#: What no page of any world may say.
NEVER = (
    r"waste [-−][\d.,]+\s?%",
    r"\bnan\b",
    r"\bNaT\b",
    r"need 0 t of newsprint",
    r"without reason",
    r"not available",
    r"\d{13}|\d\.\d{7}",
    r"(?<![\d.,] )(?<![\w.,])1 (?:breaks|tests|warnings|rows|weeks|days|nights|reels|part reels|lasting changes"
    r"|departures)\b(?!\.csv)",
)
#: What two calls tell of the same thing: its name, and each call with the pattern of its number.
SAME = (
    (
        "butts a year",
        ("pages.weekly_page.tiles(results)", r"([\d ]*\d) EUR a year"),
        ("pages.reels.headline(results)", r"worth ([\d ]*\d) EUR a year"),
    ),
    (
        "newsprint of a year",
        ("pages.buying_outlook.headline(results)", r"months need ([\d ]*\d) t of"),
        ("pages.buying_year.season(results)", r"All newsprint: ([\d ]*\d) t in twelve"),
    ),
    (
        "shortest days of stock",
        ("pages.weekly_page.tiles(results)", r"Shortest days of stock ([\d ]*\d)"),
        ("pages.weekly_sheet.stock(results)", r"the shortest is \S+ with ([\d ]*\d)"),
    ),
    (
        "late open orders",
        ("pages.buying_outlook.on_order(results)", r"order lines, (\d+) of them past"),
        ("pages.weekly_page.exceptions(results)", None),
    ),
)


class _Words(html.parser.HTMLParser):
    """What a reader sees of a block."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self._inside = ""
        self.feed(markup)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = tag

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside not in ("script", "style"):
            self.words.append(data)


def read(block: Any) -> str:
    """Return what a reader sees of a block; nothing of a call that shows none."""
    if block is None:
        return ""
    markup = block._repr_mimebundle_()[PAGE_TYPE]
    return re.sub(r"\s+", " ", " ".join(_Words(markup).words))


def page_texts(results: Results, only: tuple[str, ...] = ()) -> dict[str, str]:
    """Return the text of every call of a plant's notebooks, by call; a call that fails says so.

    Parameters
    ----------
    results : Results
        The results.
    only : tuple of str
        Notebooks; without any, all.

    Returns
    -------
    dict of str to str
        Text by call; one that begins with ``FAILED`` where the call raised an error.
    """
    found = {}
    for path in sorted(NOTEBOOKS.glob("*.ipynb")):
        if only and path.stem not in only:
            continue
        for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
            source = "".join(cell["source"])
            # A group's page is of several plants.
            shown = cell["cell_type"] == "code" and re.match(r"pages\.\w+(\.\w+)?\(results", source)
            if not shown or ".key_figures(" in source:
                continue
            try:
                found[source] = read(eval(source, {"pages": pages, "results": results}))
            except Exception as error:  # noqa: BLE001 -- told in the table of worlds; a test fails by it
                found[source] = f"FAILED {type(error).__name__}: {error}"
    return found


@dataclass
class Judgement:
    """What a world showed.

    Attributes
    ----------
    held : dict of str to bool
        By estimate: whether its 95 % interval holds the truth.
    figures : dict of str to tuple of float
        By figure: published and true.
    changes : dict of str to str
        By planted change: how it was found.
    false : list of str
        Sentences, states and figures that are false, and calls that failed.
    """

    held: dict[str, bool] = field(default_factory=dict)
    figures: dict[str, tuple[float, float]] = field(default_factory=dict)
    changes: dict[str, str] = field(default_factory=dict)
    false: list[str] = field(default_factory=list)


def estimates(results: Results, truth: Truth) -> dict[str, tuple[float, float, float, float]]:
    """Return estimate, interval and truth of each published term: grammage by material and terms of each ink."""
    found = {}
    for row in results["grammage"].itertuples():
        if row.material in truth.grammage_now:
            found[f"grammage {row.material}"] = (
                row.effective_gsm, row.ci_low, row.ci_high, truth.grammage_now[row.material],
            )  # fmt: skip
    terms = {
        "film_g_m2": truth.film_now,
        "startup_kg_per_run": truth.startup_ink,
        "standing_kg_per_day": truth.standing_ink,
    }
    for row in results["ink_model"].itertuples():
        # A world may copy an ink under another name, to have many.
        if row.ink in terms.get(row.term, {}):
            found[f"{row.ink} {row.term}"] = (row.estimate, row.ci_low, row.ci_high, terms[row.term][row.ink])
    return {name: values for name, values in found.items() if pd.notna(values[0])}


def changes_found(results: Results, truth: Truth) -> dict[str, str]:
    """Return, by planted change, the days by which its date is missed, or that it is not found.

    A change of a material's paper may be told of one supplier alone where nearly all of it is that supplier's; that
    is said.
    """
    table = results["regimes"]
    found = {}
    planted = set()
    for measure, subject, day, ratio in truth.changes:
        of_measure = table[table["measure"] == measure]
        told = {
            s: r
            for s, r in of_measure.groupby("subject")
            if len(r) > 1 and f"{s}, ".startswith(f"{subject}, ")
        }
        planted |= {(measure, s) for s in (subject, *told)}
        told_of = subject if subject in told or not told else min(told)
        rows = of_measure[of_measure["subject"] == told_of].sort_values("from")
        name = f"{measure} {subject} {100 * (ratio - 1):+.1f} % {(truth.as_of - day).days // 7} w ago"
        starts = rows["from"].iloc[1:]
        if starts.empty:
            found[name] = "not found"
            continue
        off = (starts - pd.Timestamp(day)).dt.days
        near = off[off.abs().idxmin()]
        place = rows.index.get_loc(off.abs().idxmin())
        size = rows["estimate"].iloc[place] / rows["estimate"].iloc[place - 1]
        found[name] = (
            f"{near:+d} d, {100 * (size - 1):+.1f} %"
            + (f", {len(starts)} changes" if len(starts) > 1 else "")
            + (f", told of {told_of}" if told_of != subject else "")
        )
    for (measure, subject), rows in table.groupby(["measure", "subject"]):
        if (measure, subject) not in planted and len(rows) > 1:
            found[f"FALSE {measure} {subject}"] = ", ".join(
                f"{day:%Y-%m-%d}" for day in rows["from"].iloc[1:]
            )
    return found


def _waste(results: Results, truth: Truth, weeks: int = 13) -> tuple[float, float]:
    """Return published and true waste of the last whole weeks, presses together [%]."""
    last = pd.Timestamp(truth.as_of) - pd.Timedelta(days=6)
    first = last - pd.Timedelta(weeks=weeks)
    said, true = results["paper_balance"], truth.streams
    said = said[(said["week"] > first) & (said["week"] <= last)]
    true = true[true["week"].isin(set(said["week"]))]

    def share(rows: pd.DataFrame) -> float:
        rows = rows[rows["mounted_kg"].gt(0) & rows["waste_pct"].notna()]
        total = rows["mounted_kg"].sum()
        return float((rows["waste_pct"] * rows["mounted_kg"]).sum() / total) if total else float("nan")

    return share(said), share(true)


def _figures(results: Results, truth: Truth) -> dict[str, tuple[float, float]]:
    found = {"waste_pct": _waste(results, truth)}
    for row in results["stock_cover"].itertuples():
        if row.material in truth.stock:
            found[f"stock {row.material}"] = (float(row.quantity), truth.stock[row.material])
    ahead = results["demand_forecast"]
    weeks = truth.use.index
    for material, rows in ahead[ahead["week"].isin(weeks)].groupby("material"):
        if material in truth.use:
            found[f"use {material}"] = (
                float(rows["mean"].sum()), float(truth.use.loc[rows["week"], material].sum()),
            )  # fmt: skip
    return found


def _states(results: Results, unknown: tuple[str, ...]) -> list[str]:
    """Return states that say more than is known; `unknown` are figures that nobody can know."""
    found = []
    try:
        figures = results["week_figures"]
    except KeyError:
        return found
    blank = figures["value"].isna()
    # What lasts, or an exception, may ask for somebody though the figure of the week is not known: that is not calm.
    for row in figures[blank & ~figures["state"].isin(["unknown", "watch", "act"])].itertuples():
        found.append(f"week_figures: {row.figure} is blank and {row.state!r}")
    # A late delivery may ask for somebody where the stock is not known.
    asks = blank & figures["state"].isin(["watch", "act"])
    said = figures["figure"].isin(unknown) & (figures["state"] != "unknown") & ~asks
    for row in figures[said].itertuples():
        found.append(f"week_figures: {row.figure} is {row.state!r}, and cannot be known")
    return found


def _impossible(results: Results) -> list[str]:
    """Return numbers and days of published tables that cannot be: reversed, negative, past, or against each other."""
    as_of = results.logs.as_of
    found = []
    for name, low, high in (
        ("grammage", "ci_low", "ci_high"),
        ("week_figures", "low", "high"),
        ("regimes", "ci_low", "ci_high"),
        ("regimes", "dated_low", "dated_high"),
        ("regimes", "from", "to"),
        ("ink_model", "ci_low", "ci_high"),
        ("demand_forecast", "q05", "q95"),
        ("demand_season", "q05", "q95"),
        ("stock_cover", "runs_out_q05", "runs_out_q50"),
        ("order_plan", "order_on", "due_on"),
        ("order_plan", "stock_before", "stock_after"),
    ):
        table = results[name]
        if (table[low] > table[high]).any():
            found.append(f"{name}: {low} above {high}")
    for name, column in (
        ("demand_forecast", "mean"), ("demand_forecast", "q05"), ("stock_cover", "quantity"),
        ("stock_cover", "days_cover"), ("order_plan", "quantity"), ("order_plan", "cost"),
        ("reel_ends", "lost_kg_per_year"), ("order_plan", "stock_before"), ("breaks", "km"),
    ):  # fmt: skip
        if (results[name][column] < 0).any():
            found.append(f"{name}: {column} below 0")
    for name, column in (("order_plan", "order_on"), ("to_do", "by")):
        if (results[name][column] < as_of).any():
            found.append(f"{name}: {column} in the past")
    plan, risen = results["order_plan"], results["exceptions"]
    soon = set(plan.loc[plan["order_on"] <= as_of + pd.Timedelta(days=7), "material"])
    much = set(risen.loc[risen["kind"] == "days of stock high", "subject"])
    found += [f"{name} is ordered this week, and is too much" for name in sorted(soon & much)]
    gains = risen[(risen["size"] < 0) & risen["kind"].isin(["start-up waste", "running waste"])]
    found += [f"{name} fell, and asks to act" for name in gains.loc[gains["state"] == "act", "exception"]]
    figures = results["week_figures"].set_index("figure")
    shares = figures.loc[figures["unit"].isin(["%", "% of rows"]), "value"].dropna()
    found += [
        f"week_figures: {name} {value:.1f} %" for name, value in shares.items() if not -5 <= value <= 100
    ]
    days = results["stock_cover"]["days_cover"].min()
    if pd.notna(figures.loc["days of stock", "value"]) and figures.loc["days of stock", "value"] != days:
        found.append("days of stock of the week are not the shortest of stock_cover")
    if results["to_do"].empty and (risen["state"] == "act").any():
        found.append("an exception asks to act, and nothing is to do")
    return found


def _disagreeing(results: Results, texts: dict[str, str]) -> list[str]:
    """Return what two calls tell otherwise of the same thing, and intervals that are told the wrong way round."""
    found = []
    for name, (call, pattern), (other, counterpart) in SAME:
        told = re.search(pattern, texts.get(call, ""))
        if told is None:
            continue
        if counterpart is None:
            late = int((results["exceptions"]["kind"] == "delivery late").sum())
            if int(told[1]) != late:
                found.append(f"{name}: {told[1]} in {call}, {late} exceptions")
            continue
        again = re.search(counterpart, texts.get(other, ""))
        if again is not None and abs(_number(told[1]) - _number(again[1])) > 1:
            found.append(f"{name}: {told[1]} in {call}, {again[1]} in {other}")
    for call, text in texts.items():
        for low, high in re.findall(r"\((\d[\d .]*) to (\d[\d .]*)", text):
            if _number(low) > _number(high):
                found.append(f"{call}: interval {low} to {high}")
    head = texts.get("pages.weekly_page.headline(results)", "")
    if head.startswith("In control") and results["to_do"]["state"].isin(["act", "watch"]).any():
        found.append(f"in control, and things to do: {head}")
    return found


def _number(text: str) -> float:
    return float(text.replace(" ", "").rstrip("."))


def _refused(results: Results) -> list[str]:
    """Return orders and figures that rest on what is refused."""
    table = getattr(results, "implausible", None)
    if table is None:
        return []
    refused = set(table["refuses"])
    kinds = {"newsprint"} if "paper" in refused else set()
    kinds |= {"ink"} if "ink" in refused else set()
    kinds = {"newsprint", "ink"} if "everything" in refused else kinds
    inks = {ink.material for ink in INKS.values()}
    ordered = {"ink" if m in inks else "newsprint" for m in results["order_plan"]["material"] if m[0] in "Ni"}
    return [f"orders of {kind} on figures that are refused" for kind in sorted(kinds & ordered)]


def judge(results: Results, truth: Truth, only: tuple[str, ...] = ()) -> Judgement:
    """Hold everything published of a world against its truth.

    Parameters
    ----------
    results : Results
        Results at `truth.as_of`.
    truth : Truth
        The truth.
    only : tuple of str
        Notebooks whose sentences are read; without any, all.

    Returns
    -------
    Judgement
        What held and what did not.
    """
    found = Judgement(figures=_figures(results, truth), changes=changes_found(results, truth))
    for name, (_, low, high, true) in estimates(results, truth).items():
        found.held[name] = bool(low <= true <= high)
    model = results["ink_model"]
    films = model[(model["term"] == "film_g_m2") & (model["estimate"] <= 0)]
    found.false += [f"film weight of {row.ink} {row.estimate:.2f}" for row in films.itertuples()]
    found.false += _states(results, truth.unknown) + _refused(results) + _impossible(results)
    texts = page_texts(results, only)
    found.false += _disagreeing(results, texts)
    for call, text in texts.items():
        if text.startswith("FAILED"):
            found.false.append(f"{call}: {text}")
        for pattern in (*NEVER, *truth.never_says):
            match = re.search(pattern, text)
            if match:
                start = max(0, match.start() - 50)
                found.false.append(f"{call}: ...{text[start : match.end() + 50]}...")
    whole = " ".join(texts.values())
    found.false += [f"nothing says {p!r}" for p in truth.must_say if not re.search(p, whole)]
    return found
