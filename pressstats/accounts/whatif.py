"""What other assumptions would cost or save: quantity and money of the weeks ahead, with an interval."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..demand import WhatIf, driver_days
from ..prices import agreed_price
from .names import nearest
from .whatif_error import TitleErrors, film_error, ink_terms, makeup_draws, unprinted, waste_error
from .whatif_paper import PaperEffect, dropped_effect, splice_effect
from .year import ALL_MATERIALS

if TYPE_CHECKING:
    from ..demand import Outlook
    from ..logs import Logs
    from ..reels.target import SpliceStudy

__all__ = ["what_if_cost"]

_PATHS = 1000
_SEED = 20240301
_LOW, _HIGH = 0.05, 0.95
_COLUMNS = ["what_if", "material", "expected", "change", "change_low", "change_high", "need_low", "need_high"]
_COLUMNS += ["cost", "q05", "q95", "unit_price", "why"]


def what_if_cost(  # noqa: PLR0913, PLR0915 -- what is known of ink, suppliers and splices stands apart
    logs: Logs,
    outlook: Outlook,
    assumptions: Mapping[str, WhatIf],
    weeks: int = 13,
    first: str | pd.Timestamp | None = None,
    last: str | pd.Timestamp | None = None,
    *,
    model: pd.DataFrame | None = None,
    quality: pd.DataFrame | None = None,
    splices: SpliceStudy | None = None,
) -> pd.DataFrame:
    """Return what assumptions change in the weeks ahead.

    Parameters
    ----------
    logs : Logs
        Logs with ``materials``, for prices agreed for orders of as-of.
    outlook : Outlook
        The forecast.
    assumptions : mapping of str to WhatIf
        What is assumed, by the name under which it is shown.
    weeks : int
        Weeks from the first one after the history on.
    first, last : str or Timestamp, optional
        Days of publication that are looked at, instead of those weeks.
    model : DataFrame, optional
        The published ``ink_model``: film, start-up and idle loss of the present part the use of an ink better than
        its weeks do.
    quality : DataFrame, optional
        Result of :func:`pressstats.suppliers.supplier_quality`, for suppliers that are dropped.
    splices : SpliceStudy, optional
        What is known of splices (:class:`pressstats.reels.ReelStudy`), for the length they leave.

    Returns
    -------
    DataFrame, shape (assumptions x materials and all of them, 14)
        what_if, material (``all materials`` for the sum in money), expected and change, change_low and change_high (5
        and 95 % of the change), need_low and need_high (of what is then needed) [unit of the material], cost (of the
        change, at today's prices), q05 and q95 (of that cost) [currency], unit, unit_price and why (what is not told).
        The drivers tell the change in proportion. Limits hold the error of the forecast that it is a share of,
        materials erring together, and that of the share: of the titles concerned as in past forecasts, of a film
        weight by its standard error, of suppliers and splices as they are known. Blank where nothing tells it: `why`
        says so; the sum in money is of the materials of which it is told.

    Raises
    ------
    KeyError
        If a title, material, ink or supplier is not known; the message suggests the nearest.
    ValueError
        If a day looked at lies outside the weeks of the forecast.

    Examples
    --------
    >>> what_if_cost(logs, outlook, {"one page less": WhatIf(pages={"Daily": -1})})  # doctest: +SKIP
    """
    days = _days(outlook, weeks, first, last)
    known = max(outlook.weeks[0] - pd.Timedelta(days=1), pd.Timestamp(outlook.recipe.drivers.last))
    since = pd.date_range(outlook.weeks[0], days[-1], freq="D", unit="us")
    terms = None if model is None else ink_terms(model)
    recipe, past = outlook.recipe, TitleErrors(outlook.recipe)
    expected = recipe.drivers.expected(known, since)
    base = driver_days(recipe, known, since, terms=terms, expected=expected).loc[days].sum(skipna=False)
    paths, mean = outlook.day_paths(_PATHS, days)
    needs = np.column_stack([mean.sum(axis=1), paths.sum(axis=2)])
    unit = logs["materials"].set_index("material")["unit"]
    rows = []
    for name, assumed in assumptions.items():
        _check(logs, assumed)
        changed = driver_days(recipe, known, since, assumed, terms, expected)
        other = changed.loc[days].sum(skipna=False)
        errors, unsure = _share_errors(outlook, assumed, len(days), model, past)
        draws = np.random.default_rng(_SEED)
        apart = np.append(0.0, draws.standard_normal(_PATHS))
        share = (other / base - 1).where(base > 0)
        makeup, jumps = pd.DataFrame(), ""
        if {*assumed.copies, *assumed.pages, *assumed.closed} or assumed.added is not None:
            makeup = makeup_draws(recipe, known, since, days, assumed, expected)
            makeup = makeup.iloc[draws.integers(0, len(makeup), _PATHS)]
            jumps = unprinted(recipe, known, days, assumed, expected)
        total = np.zeros(_PATHS + 1)
        untold: list[str] = []
        for position, material in enumerate(outlook.names):
            moved = float(share.get(material, np.nan))
            need = needs[position]
            price = agreed_price(logs, material, logs.as_of, 7 * float(need[0]) / len(days))
            if not np.isfinite(moved):
                # A row that is not there would look like no change.
                lacks = _untold(base.get(material, np.nan))
                rows.append({"what_if": name, "material": material, "expected": need[0], "why": lacks})
                untold.append(f"{material} is not in it")
                continue
            drawn = np.append(1.0, 1 + (errors[material] * apart[1:] if moved else np.zeros(_PATHS)))
            change = moved * drawn * need
            why = [unsure[material] if moved else ""]
            if material in makeup:
                change[1:] += makeup[material].to_numpy() * need[1:]
                why.append(jumps)
            cost = price * change
            of_days = float(assumed.holds_on(days).mean())
            for effect in _paper_effects(logs, assumed, material, price, quality, splices, draws):
                more = of_days * (need + change)
                change, cost = change + effect.kg * more, cost + effect.cost * more
                why.append(effect.why)
            total, untold = total + cost, [*untold, *why]
            row = {"expected": need[0], "change": change[0], "unit_price": price}
            row |= _limits("change_low", "change_high", change) | _limits(
                "need_low", "need_high", need + change
            )
            rows.append({"what_if": name, "material": material, **row, **_money(cost, why)})
        rows.append({"what_if": name, "material": ALL_MATERIALS, **_money(total, untold)})
    table = pd.DataFrame(rows, columns=_COLUMNS)
    return table.assign(unit=[unit.get(material, "") for material in table["material"]])


def _paper_effects(
    logs: Logs,
    assumed: WhatIf,
    material: str,
    price: float,
    quality: pd.DataFrame | None,
    splices: SpliceStudy | None,
    draws: np.random.Generator,
) -> list[PaperEffect]:
    """Return what suppliers dropped and the length left at splices change of a newsprint."""
    if not logs.has("reel_mounts") or material not in logs.listed("newsprint").tolist():
        return []
    effects = []
    if assumed.dropped:
        if quality is None:
            raise ValueError("what a supplier dropped changes is told from quality, which is not given")
        effects.append(dropped_effect(logs, quality, assumed.dropped, material, draws, _PATHS))
    if assumed.butt_m is not None:
        if splices is None:
            raise ValueError("what splices leave is told from splices, which are not given")
        effects.append(splice_effect(logs, splices, assumed.butt_m, material, price, draws, _PATHS))
    return [effect for effect in effects if effect is not None]


def _untold(base: float) -> str:
    """Say why nothing is told of a material."""
    if base == 0:
        return "no issue of these days is expected to take any"
    return "what an issue takes of it is not known: too little is logged of it"


def _share_errors(
    outlook: Outlook, assumed: WhatIf, days: int, model: pd.DataFrame | None, past: TitleErrors
) -> tuple[dict[str, float], dict[str, str]]:
    """Return the relative error of each material's share that an assumption changes, and why one is blank."""
    titles = {*assumed.copies, *assumed.pages, *assumed.closed}
    known = set(outlook.recipe.runs.titles)
    # All titles together have no share to be wrong about.
    of_titles = past.of(titles, days) if titles and titles < known else 0.0
    of_waste = waste_error(outlook.recipe, days) if (assumed.waste, assumed.startup) != (1.0, 1.0) else 0.0
    errors, why = {}, {}
    for material in outlook.names:
        ink = outlook.recipe.inks.get(material)
        of_film = film_error(model, ink) if model is not None and ink in assumed.coverage else 0.0
        errors[material] = float(np.sqrt(of_titles**2 + of_film**2 + of_waste**2))
        parts = {
            "how well the titles' share is foreseen": of_titles,
            "how well waste is foreseen": of_waste,
            "how sure the film weight is": of_film,
        }
        blank = [words for words, error in parts.items() if np.isnan(error)]
        why[material] = f"no limits: {' and '.join(blank)} is not known from so few weeks" if blank else ""
    return errors, why


def _days(
    outlook: Outlook, weeks: int, first: str | pd.Timestamp | None, last: str | pd.Timestamp | None
) -> pd.DatetimeIndex:
    """Return the days that are looked at."""
    begin, end = outlook.weeks[0], outlook.weeks[-1] + pd.Timedelta(days=6)
    since = begin if first is None else pd.Timestamp(first)
    until = since + pd.Timedelta(days=7 * weeks - 1) if last is None else pd.Timestamp(last)
    if not begin <= since <= until <= end:
        raise ValueError(
            f"{since:%Y-%m-%d} to {until:%Y-%m-%d} is not within the forecast, {begin:%Y-%m-%d} to {end:%Y-%m-%d}"
        )
    return pd.date_range(since, until, freq="D", unit="us")


def _money(cost: np.ndarray, why: list[str]) -> dict[str, object]:
    """Return what a change costs, its limits, and what of it is not told."""
    return {
        "cost": cost[0],
        **_limits("q05", "q95", cost),
        "why": "; ".join(dict.fromkeys(one for one in why if one)),
    }


def _limits(low: str, high: str, drawn: np.ndarray) -> dict[str, float]:
    """Return the 5 and 95 % quantiles of draws, which stand after their mean."""
    return dict(zip((low, high), np.quantile(drawn[1:], [_LOW, _HIGH]).tolist(), strict=True))


def _check(logs: Logs, assumed: WhatIf) -> None:
    """Raise a KeyError that suggests the nearest name for one that the logs do not know."""
    listed = logs["materials"]
    papers = listed.loc[listed["kind"] == "newsprint", "material"]
    # A title that is booked may not have been printed yet.
    titles = {*logs["runs"]["title"], *(logs["plan"]["title"] if logs.has("plan") else ())}
    like = set(assumed.like.values())
    suppliers = set(logs["reel_mounts"]["supplier"]) if logs.has("reel_mounts") else set[str]()
    for what, named, there in (
        ("newsprint", assumed.grammage, papers),
        ("ink", assumed.coverage, listed["ink"].dropna()),
        ("supplier of newsprint", assumed.dropped, suppliers),
        ("title", {*assumed.copies, *assumed.pages, *assumed.closed, *like}, titles),
    ):
        for name in sorted(set(named) - set(there)):
            raise KeyError(f"no {what} is called {name!r}{nearest(name, there)}")
