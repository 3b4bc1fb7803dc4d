"""Why newsprint, ink, plates and their cost differ from another period: effects that add up to the difference.

Issues of a title on a weekday are taken together. Their use is a product: days of publication x copies x pages x ...,
whose factors are told apart by the additive log-mean Divisia index (LMDI-I); a factor that is a sum, such as good
copies and every stream of waste, is shared among its parts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import OUTPUTS, as_published
from .budget_bridge import budget_bridge
from .cells import CELL, INK_CELL, PAPER_STREAMS, idle_ink, ink_runs, newsprint_runs, plate_runs
from .lmdi import lmdi_effects, part_effects
from .price_effects import mix_changes, supplier_changes

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["Span", "bridge", "bridge_of", "usual_spans"]

TITLES, DAYS = "titles begun or ended", "days of publication"
_WEEK = pd.Timedelta(weeks=1)


@dataclass(frozen=True)
class Span:
    """Some days: the first and the last."""

    first: pd.Timestamp
    last: pd.Timestamp

    def of(self, frame: pd.DataFrame, column: str = "date") -> pd.DataFrame:
        """Return the rows of `frame` whose day, in `column`, lies in the span."""
        return frame[frame[column].between(self.first, self.last)]


@dataclass(frozen=True)
class _Model:
    """How the use of a kind is a product.

    `names` are the factors in their order, `sums` what the numerators and denominators of the cells are summed from,
    `parts` the factors that are sums of parts, by name of the factor: effect by column.
    """

    names: tuple[str, ...]
    cell: tuple[str, ...]
    parts: Mapping[str, Mapping[str, str]]


_STREAM_WORDS = {
    "startup": "start-up waste",
    "running": "running waste",
    "uncounted": "count difference",
    "grammage": "paper heavier than nominal",
    "strip": "white waste",
    "reel_end": "butts",
    "scrapped": "scrapped paper",
    "unexplained": "unexplained paper",
}
_NEWSPRINT = _Model(
    (DAYS, "copies", "pages", "web width", "grammage", "waste"),
    tuple(CELL),
    {"waste": {f"rate_{name}": _STREAM_WORDS[name] for name in PAPER_STREAMS}},
)
_INK = _Model(
    (DAYS, "copies", "pages", "coverage", "spoilt", "film"),
    tuple(INK_CELL),
    {
        "spoilt": {f"rate_{name}": _STREAM_WORDS[name] for name in ("startup", "running", "uncounted")},
        "film": {"rate_film": "film", "rate_start": "ink of starts"},
    },
)
_PLATES = _Model(
    (DAYS, "pages", "plates per page", "remakes"), tuple(CELL), {"remakes": {"rate_remade": "remakes"}}
)


def usual_spans(logs: Logs) -> dict[str, tuple[Span, Span]]:
    """Return the periods that are compared: of ``week`` and ``last_year`` before and now, each one week."""
    end = logs.plant.week_start(logs.as_of + pd.Timedelta(days=1))
    now = Span(end - _WEEK, end - pd.Timedelta(days=1))
    return {
        name: (Span(now.first - back, now.last - back), now)
        for name, back in (("week", _WEEK), ("last_year", 52 * _WEEK))
    }


def bridge(
    logs: Logs,
    weighed: WeighedPaper,
    exposure: pd.DataFrame,
    ink_model: pd.DataFrame,
    spent: pd.DataFrame,
    close: pd.DataFrame,
) -> pd.DataFrame:
    """Return the published table ``bridge``.

    Parameters
    ----------
    logs, weighed
        Logs, and the result of :func:`pressstats.paper.weighed_paper`.
    exposure, ink_model : DataFrame
        Results of :func:`pressstats.ink.ink_exposure` and :func:`pressstats.ink.ink_model`.
    spent : DataFrame
        Result of :func:`pressstats.accounts.valued_use`.
    close : DataFrame
        Published table ``month_close``, whose last whole month with a budget is compared with it.

    Returns
    -------
    DataFrame
        The published columns. The effects of one bridge add up to the difference of its two periods.
    """
    parts = []
    for between, (before, now) in usual_spans(logs).items():
        if before.first >= logs["runs"]["date"].min():
            parts.append(
                bridge_of(logs, weighed, exposure, ink_model, spent, before, now).assign(between=between)
            )
    parts.append(budget_bridge(close))
    parts = [part for part in parts if len(part)]
    if not parts:
        return OUTPUTS["bridge"].empty()
    return as_published(pd.concat(parts, ignore_index=True), "bridge")


def bridge_of(
    logs: Logs,
    weighed: WeighedPaper,
    exposure: pd.DataFrame,
    ink_model: pd.DataFrame,
    spent: pd.DataFrame,
    before: Span,
    now: Span,
) -> pd.DataFrame:
    """Return why use and cost of newsprint, ink and plates differ between two spans of days.

    Parameters
    ----------
    logs, weighed, exposure, ink_model, spent
        As for :func:`bridge`.
    before, now : Span
        The days compared, of any length.

    Returns
    -------
    DataFrame, shape (effects, 12)
        of (newsprint, ink, plates), effect, quantity and its unit, cost [currency], the quantity and cost of both
        spans (the same for all effects of a kind) and their days. What belongs to no run, idle loss of ink, is an
        effect of its own.
    """
    rows = []
    tables = {
        "newsprint": ("newsprint", _NEWSPRINT, newsprint_runs(logs, weighed, spent), "kg", None),
        "ink": ("ink", _INK, ink_runs(logs, exposure, ink_model, spent), "kg", idle_ink(spent)),
        "plates": ("plate", _PLATES, plate_runs(logs, spent), "each", None),
    }
    for name, (kind, model, runs, unit, idle) in tables.items():
        both = [span.of(runs) for span in (before, now)]
        apart = None if idle is None else [span.of(idle) for span in (before, now)]
        whole = [_totals(rows, None if apart is None else apart[side]) for side, rows in enumerate(both)]
        if not all(np.isfinite(whole).ravel()):
            continue
        effects = _effects(
            name, model, both, runs, now, _mix(logs, model, spent[spent["kind"] == kind], before, now)
        )
        if apart is not None:
            effects += _idle_effects(apart)
        table = (
            pd.DataFrame(effects, columns=["effect", "quantity", "cost"]).groupby("effect", sort=False).sum()
        )
        # Runs that cannot be put into a cell, such as those without a grammage, are told by themselves.
        for column, (first, last) in zip(("quantity", "cost"), np.transpose(whole), strict=True):
            left = last - first - table[column].sum()
            if abs(left) > 1e-9 * max(abs(first), abs(last), 1.0):
                table.loc["runs that cannot be weighed", column] = left
        table = table.fillna(0.0).reset_index().assign(of=name, unit=unit)
        for side, when in enumerate(("before", "now")):
            table[f"quantity_{when}"], table[f"cost_{when}"] = whole[side]
        rows.append(table)
    days = {"first_day": now.first, "last_day": now.last, "before_first_day": before.first}
    days["before_last_day"] = before.last
    return pd.concat(rows, ignore_index=True).assign(**days) if rows else pd.DataFrame()


def _totals(runs: pd.DataFrame, idle: pd.DataFrame | None) -> tuple[float, float]:
    sums = runs[["quantity", "cost"]].sum()
    if idle is not None:
        sums = sums + idle[["quantity", "cost"]].sum()
    return float(sums["quantity"]), float(sums["cost"])


def _effects(
    name: str, model: _Model, both: list[pd.DataFrame], every: pd.DataFrame, now: Span, mix: pd.DataFrame
) -> list[tuple[str, float, float]]:
    """Return effect, quantity and cost by cell and factor."""
    make = {"newsprint": _paper_cells, "ink": _ink_cells, "plates": _plate_cells}[name]
    before, later = (make(rows.dropna(subset=["quantity", "cost"])) for rows in both)
    index = before.index.union(later.index)
    before, later = before.reindex(index), later.reindex(index)
    spans = every.groupby("title")["date"].agg(["min", "max"]).reindex(index.get_level_values("title"))
    moved = ((spans["min"] > both[0]["date"].max()) | (spans["max"] < now.first)).to_numpy()
    result: list[tuple[str, float, float]] = []
    quantity = [frame[list(model.names)].to_numpy(dtype=float) for frame in (before, later)]
    price = [frame[["price"]].to_numpy(dtype=float) for frame in (before, later)]
    absent = [np.isnan(one[:, 0]) for one in quantity]
    for frame, gone in zip(quantity, absent, strict=True):
        frame[gone, 0] = 0.0
    of_quantity = lmdi_effects(*quantity)
    of_cost = lmdi_effects(*(np.hstack(pair) for pair in zip(quantity, price, strict=True)))
    products = [np.nan_to_num(one).prod(axis=1) for one in quantity]
    costs = [one * np.nan_to_num(unit[:, 0]) for one, unit in zip(products, price, strict=True)]
    for column, factor in enumerate(model.names):
        if factor in model.parts:
            columns = model.parts[factor]
            parts = [_parts(frame, columns) for frame in (before, later)]
            kg, money = (part_effects(pair[0], pair[1], parts[0], parts[1]) for pair in (products, costs))
            result += [
                (word, float(kg[:, number].sum()), float(money[:, number].sum()))
                for number, word in enumerate(columns.values())
            ]
            continue
        if column == 0:
            result.append((TITLES, float(of_quantity[moved, 0].sum()), float(of_cost[moved, 0].sum())))
            result.append((factor, float(of_quantity[~moved, 0].sum()), float(of_cost[~moved, 0].sum())))
        else:
            result.append((factor, float(of_quantity[:, column].sum()), float(of_cost[:, column].sum())))
    unit = [np.nan_to_num(one) for one in price]
    moved_by = mix.reindex(index).fillna(0.0).to_numpy(dtype=float)
    later_parts = np.hstack([unit[1] - moved_by.sum(axis=1)[:, None], moved_by])
    money = part_effects(costs[0], costs[1], np.hstack([unit[0], np.zeros_like(moved_by)]), later_parts)
    # Of ink and plates nobody logs whose ran, and each is a cell of its own: all of it is price.
    words = ("price", "mix of papers", "mix of suppliers") if name == "newsprint" else ("price",) * 3
    return result + [(word, 0.0, float(part)) for word, part in zip(words, money.sum(axis=0), strict=True)]


def _mix(logs: Logs, model: _Model, spent: pd.DataFrame, before: Span, now: Span) -> pd.DataFrame:
    """Return what other papers and suppliers did to the price of each cell."""
    runs = logs["runs"].assign(weekday=logs["runs"]["date"].dt.day_of_week)
    rows = spent.merge(runs[["run_id", "title", "weekday"]], on="run_id")
    first, last = before.of(rows, "day"), now.of(rows, "day")
    return mix_changes(first, last, list(model.cell), supplier_changes(logs, first, last, now.last))


def _parts(frame: pd.DataFrame, columns: Mapping[str, str]) -> np.ndarray:
    """Return the parts of a factor; what they leave of it, which is one copy or plate itself, changes nothing."""
    parts = frame[list(columns)].fillna(0.0).to_numpy(dtype=float)
    rest = frame["one"].fillna(1.0).to_numpy(dtype=float)[:, None]
    return parts if "rate_film" in columns else np.hstack([parts, rest])


def _cells(rows: pd.DataFrame, cell: tuple[str, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return sums by cell, and the cells with days and copies a day."""
    groups = rows.groupby(list(cell))
    sums = groups.sum(numeric_only=True)
    table = pd.DataFrame({DAYS: groups["date"].nunique().astype(float), "one": 1.0})
    return sums, table.assign(price=sums["cost"] / sums["quantity"])


def _paper_cells(rows: pd.DataFrame) -> pd.DataFrame:
    rows = rows[(rows["good_kg"] > 0) & (rows["quantity"] > 0)]
    sums, table = _cells(rows.assign(printed=rows["copies_good"] * rows["pages"]), _NEWSPRINT.cell)
    table["copies"] = sums["copies_good"] / table[DAYS]
    table["pages"] = sums["printed"] / sums["copies_good"]
    table["web width"] = sums["good_m2"] / sums["printed"]
    table["grammage"] = sums["good_kg"] / sums["good_m2"]
    table["waste"] = sums["quantity"] / sums["good_kg"]
    for name in PAPER_STREAMS:
        table[f"rate_{name}"] = sums[name] / sums["good_kg"]
    return table


def _ink_cells(rows: pd.DataFrame) -> pd.DataFrame:
    rows = rows[(rows["solid_m2"] > 0) & (rows["quantity"] > 0) & (rows["copies_good"] > 0)]
    sums, table = _cells(rows, _INK.cell)
    table["copies"] = sums["copies_good"] / table[DAYS]
    table["pages"] = sums["printed"] / sums["copies_good"]
    table["coverage"] = sums["solid_m2"] / sums["copies_gross"] * sums["copies_good"] / sums["printed"]
    table["spoilt"] = sums["copies_gross"] / sums["copies_good"]
    table["film"] = sums["quantity"] / sums["solid_m2"]
    for name in ("startup", "running", "uncounted"):
        table[f"rate_{name}"] = sums[name] / sums["copies_good"]
    table["rate_start"] = sums["start_kg"] / sums["solid_m2"]
    table["rate_film"] = table["film"] - table["rate_start"]
    return table


def _plate_cells(rows: pd.DataFrame) -> pd.DataFrame:
    rows = rows[rows["quantity"] > rows["remade"]]
    sums, table = _cells(rows, _PLATES.cell)
    once = sums["quantity"] - sums["remade"]
    table["pages"] = sums["pages"] / table[DAYS]
    table["plates per page"] = once / sums["pages"]
    table["remakes"] = sums["quantity"] / once
    table["rate_remade"] = sums["remade"] / once
    return table


def _idle_effects(apart: list[pd.DataFrame]) -> list[tuple[str, float, float]]:
    """Return what idle loss moved, ink by ink: its kilograms, and in money the price beside them."""
    sums = [rows.groupby("material")[["quantity", "cost"]].sum() for rows in apart]
    before, now = (one.reindex(sums[0].index.union(sums[1].index), fill_value=0.0) for one in sums)
    factors = [
        np.column_stack([one["quantity"], (one["cost"] / one["quantity"]).where(one["quantity"] > 0)])
        for one in (before, now)
    ]
    money = lmdi_effects(*factors).sum(axis=0)
    kg = float(now["quantity"].sum() - before["quantity"].sum())
    return [("idle loss", kg, float(money[0])), ("price", 0.0, float(money[1]))]
