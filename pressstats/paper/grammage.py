"""Effective grammage: what a square metre really weighed on the press, with its interval.

Net kilograms of a web in a run are regressed on the printed area of the gross copies with a term per
start and one per break, because paper that is threaded is counted by no counter: without those
terms the slope is too large and its interval never holds the truth. A reel that runs in two runs
carries its weighing error into both, so errors are clustered by reel. Readings of one run share
several reels and readings of one reel several runs, so the clusters overlap: two rows are taken as
dependent when they share any reel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import as_published
from .regimes import WeighedMaterial, WeighedWebs, supplier_slopes, weigh
from .runs import add_up, is_weighed, lost_runs, reel_numbers, supplier_kg, threading_counts

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = [
    "PaperWeights",
    "effective_grammage",
    "paper_weights",
]

#: Fewer webs than this say nothing of a grammage and its interval.
_ROWS_MINIMUM = 12

#: Counts that agree more than this have one column between them.
_TOGETHER = 0.9
_NUMBERS = ("estimate", "std_error", "ci_low", "ci_high")


@dataclass(frozen=True)
class PaperWeights:
    """What the paper weighed.

    Attributes
    ----------
    threading : DataFrame, shape (material x term, 8)
        material, term (``grammage`` [g/m2]; ``start``, ``break`` and others [kg each]), estimate, std_error, ci_low,
        ci_high (95 %, Student's t), runs, why (empty, or why it is blank). A term per start that the data cannot
        tell from the slope (all runs of one area) blanks the material; without breaks there is no term for them.
    regimes : DataFrame, shape (material x supplier x spell, 14)
        material, supplier (empty: all of them), named (False: one of few reels, who shares the slope of another),
        from, to (the day after the last; blank: present), dated_low, dated_high (95 % limits of from), mixed_from,
        mixed_to (between which paper of both is about), estimate, std_error, ci_low, ci_high [g/m2], present (share
        in the paper of the last weeks).
    by_supplier : DataFrame, shape (material x supplier, 6)
        material, supplier, estimate, std_error, ci_low, ci_high [g/m2]: the present grammage of each supplier with
        paper enough, by itself, whether or not they differ by more than chance.
    """

    threading: pd.DataFrame
    regimes: pd.DataFrame
    by_supplier: pd.DataFrame


def _net_weights(
    logs: Logs, webs: pd.DataFrame, mounts: pd.DataFrame
) -> tuple[pd.DataFrame, np.ndarray, np.ndarray]:
    """Return net paper by run and web, and which of its rows had paper of which reel (two arrays, shape (links,)).

    Rows are the webs whose mounts are all weighed and of one material: run, web_row (in `webs`), date, material,
    area_m2 [m2], net_kg [kg], breaks (re-threadings), new_reels and splices.
    """
    web_row, size = mounts["web_row"].to_numpy(), len(webs)
    counts = threading_counts(mounts)
    reel = reel_numbers(mounts)
    material, names = pd.factorize(mounts["material"])
    inside = web_row >= 0
    first, last = np.full(size, len(names)), np.full(size, -1)
    np.minimum.at(first, web_row[inside], material[inside])
    np.maximum.at(last, web_row[inside], material[inside])
    net = add_up(web_row, mounts["net_kg"], size)
    lost = lost_runs(logs, "reel_mounts", "run_webs")[webs["run"].to_numpy()]
    # One material only: paper of two grammages in one run says nothing of either.
    usable = np.flatnonzero((first == last) & np.isfinite(net) & ~lost)
    table = pd.DataFrame(
        {
            "run": webs["run"].to_numpy()[usable],
            "web_row": usable,
            "date": webs["date"].to_numpy()[usable],
            "material": names.to_numpy()[first[usable]] if len(usable) else webs["material"].iloc[:0],
            "area_m2": webs["area_m2"].to_numpy()[usable],
            "net_kg": net[usable],
            "breaks": add_up(web_row, counts["break"], size)[usable],
            "new_reels": add_up(web_row, counts["new reel"], size)[usable],
            "splices": add_up(web_row, counts["splice"], size)[usable],
        }
    )
    row_of_web = np.full(size, -1)
    row_of_web[usable] = np.arange(len(usable))
    row = np.where(inside, row_of_web[web_row], -1)
    return table, row[row >= 0], reel[row >= 0]


def paper_weights(logs: Logs, webs: pd.DataFrame, mounts: pd.DataFrame | None) -> PaperWeights:
    """Return grammages, present and past, and what starts, breaks, new reels and splices take.

    Parameters
    ----------
    logs : Logs
        The logs.
    webs, mounts : DataFrame
        Results of :func:`pressstats.paper.web_use` and :func:`pressstats.paper.mount_weights`; None without
        ``reel_mounts``.

    Returns
    -------
    PaperWeights
        The tables.
    """
    if mounts is None:
        names = _newsprint(logs, logs["run_webs"])
        blank = [_blank(material, 0.0, "no table reel_mounts") for material in names]
        return PaperWeights(_table(blank), _regimes([]), _by_supplier([]))
    table, row, reel = _net_weights(logs, webs, mounts)
    shares = _supplier_shares(table, mounts)
    extra = [
        term
        for term, stream in (("new reel", "strip_kg"), ("splice", "reel_end_kg"))
        if not is_weighed(mounts, stream)
    ]
    rows: list[tuple] = []
    spells: list[tuple] = []
    slopes: list[tuple] = []
    for material in _newsprint(logs, table):
        of_material = (table["material"] == material).to_numpy()
        linked = of_material[row]
        position = np.cumsum(of_material) - 1
        own = shares[of_material]
        own = own.loc[:, own.sum() > 0]
        terms, fitted, webs_of = _fit_material(
            material, table[of_material], own, position[row[linked]], reel[linked], extra
        )
        rows += terms
        if fitted is not None and webs_of is not None:
            spells += _spells_of(material, fitted)
            slopes += [(material, *slope) for slope in supplier_slopes(webs_of, fitted)]
    return PaperWeights(_table(rows), _regimes(spells), _by_supplier(slopes))


def effective_grammage(threading: pd.DataFrame, logs: Logs) -> pd.DataFrame:
    """Return the published table ``grammage``: nominal of ``materials``, effective blank where it is not told."""
    table = threading[threading["term"] == "grammage"].rename(columns={"estimate": "effective_gsm"})
    table = table.assign(nominal_gsm=logs.of_material(table["material"], "grammage_gsm"))
    return as_published(table, "grammage")


def _newsprint(logs: Logs, webs: pd.DataFrame) -> list[str]:
    return list(logs.listed("newsprint")) if logs.has("materials") else sorted(webs["material"].unique())


def _supplier_shares(table: pd.DataFrame, mounts: pd.DataFrame) -> pd.DataFrame:
    """Return the share of each supplier in the paper mounted for each row."""
    by = supplier_kg(mounts, table["web_row"]).reset_index(drop=True)
    return by.div(by.sum(axis=1).replace(0.0, np.nan), axis=0).fillna(0.0)


def _fit_material(
    material: str,
    webs: pd.DataFrame,
    shares: pd.DataFrame,
    row: np.ndarray,
    reel: np.ndarray,
    extra: list[str],
) -> tuple[list[tuple], WeighedMaterial | None, WeighedWebs | None]:
    """Fit one material; `row` and `reel` say which of its webs had paper of which reel."""
    runs = float(webs["run"].nunique())
    if len(webs) < _ROWS_MINIMUM:
        why = f"{len(webs)} weighed webs; at least {_ROWS_MINIMUM} are needed"
        return [_blank(material, runs, why)], None, None
    area = webs["area_m2"].to_numpy()
    # A slope and a start cannot be told apart when every run has much the same area.
    if area.std() < 0.02 * area.mean():
        return [_blank(material, runs, "all runs have nearly the same area")], None, None
    columns = {"start": np.ones(len(webs)), "break": webs["breaks"].to_numpy()}
    columns |= {"new reel": webs["new_reels"].to_numpy(), "splice": webs["splices"].to_numpy()}
    if len(extra) > 1 and _correlation(columns["new reel"], columns["splice"]) > _TOGETHER:
        columns["reel"] = (columns["new reel"] + columns["splice"]) / 2
        extra = ["reel"]
    terms = ["start", *(name for name in ("break", *extra) if columns[name].any())]
    weighed = WeighedWebs(
        date=webs["date"].to_numpy().astype("datetime64[D]"),
        area=area / 1000,
        net=webs["net_kg"].to_numpy(),
        terms=np.column_stack([columns[name] for name in terms]),
        shares=shares.reset_index(drop=True),
        row=row,
        reel=reel,
        run=webs["run"].to_numpy(),
    )
    fitted = weigh(weighed)
    begun = [spell.begins.day for spell in fitted.spells if spell.begins is not None and spell.ends is None]
    if begun and all(spell.begins is not None for spell in fitted.spells if spell.ends is None):
        runs = float(webs.loc[webs["date"] >= min(begun), "run"].nunique())
    rows = [(material, "grammage", *fitted.present(), runs, "")]
    first = len(fitted.spells)
    both = {"new reel", "splice"} <= set(terms)
    for number, name in enumerate(terms):
        if not (both and name in ("new reel", "splice")):
            rows.append((material, name, *fitted.term(first + number), runs, ""))
    if both:
        # Reels come and go in the same runs: what they lose together is told, not which end of them loses it.
        weights = np.zeros(len(fitted.estimate))
        weights[[first + terms.index("new reel"), first + terms.index("splice")]] = 1.0
        rows.append((material, "reel", *fitted.sum_of(weights), runs, ""))
    return rows, fitted, weighed


def _correlation(one: np.ndarray, other: np.ndarray) -> float:
    """Return the correlation of two counts, 1 where either never changes."""
    if one.std() == 0 or other.std() == 0:
        return 1.0
    return float(np.corrcoef(one, other)[0, 1])


def _spells_of(material: str, fitted: WeighedMaterial) -> list[tuple]:
    """Return a row for each supplier of each spell."""
    rows = []
    for number, spell in enumerate(fitted.spells):
        begins, ends = spell.begins, spell.ends
        when = (pd.NaT,) * 5
        if begins is not None:
            when = (begins.day, begins.low, begins.high, begins.mixed_from, begins.mixed_to)
        until = ends.day if ends is not None else pd.NaT
        numbers = (*fitted.term(number), float(fitted.mix[number]))
        for order, supplier in enumerate(spell.suppliers or ("",)):
            rows.append((material, supplier, order == 0, when[0], until, *when[1:], *numbers))
    return rows


def _regimes(rows: list[tuple]) -> pd.DataFrame:
    columns = ["material", "supplier", "named", "from", "to", "dated_low", "dated_high"]
    columns += ["mixed_from", "mixed_to", *_NUMBERS, "present"]
    types = {"material": "str", "supplier": "str", "named": "bool"}
    types |= dict.fromkeys(columns[3:9], "datetime64[us]") | dict.fromkeys(columns[9:], "float64")
    return pd.DataFrame(rows, columns=columns).astype(types)


def _by_supplier(rows: list[tuple]) -> pd.DataFrame:
    columns = ["material", "supplier", *_NUMBERS]
    return pd.DataFrame(rows, columns=columns).astype(
        dict.fromkeys(columns[:2], "str") | dict.fromkeys(_NUMBERS, "float64")
    )


def _blank(material: str, runs: float, why: str) -> tuple:
    nothing = float("nan")
    return (material, "grammage", nothing, nothing, nothing, nothing, runs, why)


def _table(rows: list[tuple]) -> pd.DataFrame:
    words = dict.fromkeys(("material", "term", "why"), "str")
    numbers = dict.fromkeys(("estimate", "std_error", "ci_low", "ci_high", "runs"), "float64")
    columns = ["material", "term", "estimate", "std_error", "ci_low", "ci_high", "runs", "why"]
    return pd.DataFrame(rows, columns=columns).astype(words | numbers)
