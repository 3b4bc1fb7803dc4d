"""The tables of an ink that others rely on: the ledger of each tank, findings, levels of terms in time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..tables import as_published
from .ledger import tank_deliveries

if TYPE_CHECKING:
    from ..logs import Logs
    from .finding import Finding
    from .model import InkFit

__all__ = ["UNITS", "ink_findings", "ink_ledger", "ink_regimes", "size_unit"]

#: Unit of a finding's size, by what it multiplies.
UNITS = {"": "kg", "solid_m2": "g/m2 of solid", "days": "kg a day"}
_MEASURES = {
    "film_g_m2": ("film weight", "solid_m2", "g/m2 of solid"),
    "standing_kg_per_day": ("idle loss", "days", "kg a day"),
}
_FIRST = "first dip"
_UNKNOWN = "a delivery whose tank, hour or weight is not known"
_REGIMES = [
    "measure", "subject", "from", "to", "dated_low", "dated_high", "estimate", "ci_low", "ci_high", "unit",
    "cost_since", "why",
]  # fmt: skip


def size_unit(one: Finding) -> str:
    """Return the unit of a finding's size."""
    if one.kind == "misread dip":
        return "kg read too high"
    return "kg a day" if one.lasting and not one.exposure else UNITS[one.exposure]


def ink_findings(findings: list[Finding]) -> pd.DataFrame:
    """Return the published table ``ink_findings``: `to` is blank for what lasts to the last dip."""
    ended = {(one.ink, one.since) for one in findings if one.lasting}
    rows = [
        {
            "ink": one.ink,
            "kind": one.kind,
            "from": one.since.normalize(),
            "to": pd.NaT if one.lasting and (one.ink, one.until) not in ended else one.until.normalize(),
            "size": one.size,
            "unit": size_unit(one),
            "evidence": _evidence(one),
        }
        for one in findings
    ]
    names = ["ink", "kind", "from", "to", "size", "unit", "evidence"]
    table = pd.DataFrame(rows, columns=names).sort_values("from", kind="stable")
    # Two of one kind that began on one day: the clearer one stands first, and alone.
    return as_published(
        _dated(table.drop_duplicates(["ink", "kind", "from"]), ["from", "to"]), "ink_findings"
    )


def _evidence(one: Finding) -> str:
    words = [
        f"{np.sqrt(max(one.statistic, 0.0)):.1f} standard errors, next best kind {np.sqrt(max(one.rival, 0.0)):.1f}"
    ]
    if one.extra_kg:
        words.append(f"{one.extra_kg:+.0f} kg against what was expected before")
    if one.lasting:
        words.append(f"began between {one.dated_low:%Y-%m-%d} and {one.dated_high:%Y-%m-%d} (95 %)")
    return "; ".join(words)


def ink_regimes(fits: dict[str, InkFit], findings: list[Finding], prices: pd.Series) -> pd.DataFrame:
    """Return the rows of the published table ``regimes`` that speak of inks.

    Parameters
    ----------
    fits : dict of InkFit
        Models by ink.
    findings : list of Finding
        What departs from them.
    prices : Series, index ink
        Price of each ink [currency / kg].

    Returns
    -------
    DataFrame, shape (regimes, 12)
        Film weight of each ink, a row for each level it has had, the present one last; idle loss where it changed.
    """
    rows: list[dict[str, object]] = []
    for ink, fit in fits.items():
        lasting = [one for one in findings if one.ink == ink and one.lasting]
        for term, (measure, exposure, unit) in _MEASURES.items():
            if term not in fit.terms:
                continue
            ends = {window.until for window in fit.windows if window.lasting and window.exposure == exposure}
            changes = [one for one in lasting if one.since in ends and one.exposure in ("", exposure)]
            if term == "film_g_m2" or changes:
                rows += _levels(fit, term, exposure, changes, float(prices.get(ink, np.nan)), (measure, unit))
    times = ["from", "to", "dated_low", "dated_high"]
    return _dated(pd.DataFrame(rows, columns=_REGIMES), times)


def _levels(
    fit: InkFit, term: str, exposure: str, changes: list[Finding], price: float, words: tuple[str, str]
) -> list[dict[str, object]]:
    """Return one row for each level of a term, between its changes."""
    starts = [fit.rows["since"].iloc[0], *[one.since for one in changes]]
    # The term itself is that of the present; each change adds what was different before it.
    vectors = np.zeros((len(starts), len(fit.fit.estimate)))
    vectors[:, fit.terms.index(term)] = 1.0
    for number, window in enumerate(fit.windows):
        if window.lasting and window.exposure == exposure:
            vectors[:, len(fit.terms) + number] = [start < window.until for start in starts]
    estimate, half = fit.combination(vectors)
    rows: list[dict[str, object]] = []
    for number, start in enumerate(starts):
        change = changes[number - 1] if number else None
        why = (
            "the whole history" if not changes else "before the first change found" if change is None else ""
        )
        if change is not None:
            why = f"{change.extra_kg:+.0f} kg against the level before"
            if not change.exposure:
                why = (
                    f"use changed by {100 * change.share:+.1f} % ({why}); whether film weight or idle loss changed "
                    "cannot be told, and the likelier is taken"
                )
        rows.append(
            {
                "measure": words[0],
                "subject": fit.ink,
                "from": start.normalize(),
                "to": starts[number + 1].normalize() if number + 1 < len(starts) else pd.NaT,
                "dated_low": pd.NaT if change is None else change.dated_low.normalize(),
                "dated_high": pd.NaT if change is None else change.dated_high.normalize(),
                "estimate": estimate[number],
                "ci_low": estimate[number] - half[number],
                "ci_high": estimate[number] + half[number],
                "unit": words[1],
                "cost_since": np.nan if change is None else change.extra_kg * price,
                "why": why,
            }
        )
    return rows


def ink_ledger(logs: Logs, exposure: pd.DataFrame) -> pd.DataFrame:
    """Return the published table ``ink_ledger``: every dip of every tank, what came and went since the one before.

    Parameters
    ----------
    logs : Logs
        The logs.
    exposure : DataFrame
        Result of :func:`pressstats.ink.ink_exposure`.

    Returns
    -------
    DataFrame, shape (dips, 7)
        Published columns. `printed` is the area of solid of the tank's ink since its dip before, whichever of its
        tanks it came from. `used_kg` of a tank is what left it, also into another tank; it is blank where it is not
        known, and `why` says why.
    """
    parts = []
    if logs.has("tank_readings"):
        for _, dips in logs["tank_readings"].groupby("tank", sort=True):
            dips = dips.sort_values("read_at", ignore_index=True)
            parts.append(_of_tank(logs, dips, exposure[exposure["ink"] == dips["ink"].iloc[0]]))
    names = ["tank", "read_at", "level_kg", "received_kg", "used_kg", "printed", "why"]
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names)
    return as_published(_dated(table, ["read_at"]), "ink_ledger")


def _of_tank(logs: Logs, dips: pd.DataFrame, exposure: pd.DataFrame) -> pd.DataFrame:
    ends = dips["read_at"].to_numpy()
    came = tank_deliveries(logs, str(dips["ink"].iloc[0]), str(dips["tank"].iloc[0]))
    received = _since_before(came["at"].to_numpy(), came["quantity_kg"].to_numpy(), ends)
    printed = _since_before(exposure["finished_at"].to_numpy(), exposure["solid_m2"].to_numpy(), ends)
    # Nobody can say on which side of a dip of the same day a delivery without an hour came.
    unclear = dips["read_at"].dt.normalize().isin(came.loc[came["delivered_at"].isna(), "delivered_on"])
    received[unclear | unclear.shift(fill_value=False)] = np.nan
    used = dips["level_kg"].shift() + received - dips["level_kg"]
    why = np.where(used.notna(), "", np.where(dips.index == 0, _FIRST, _UNKNOWN))
    return dips[["tank", "read_at", "level_kg"]].assign(
        received_kg=received, used_kg=used, printed=printed, why=pd.Series(why, dips.index, dtype="str")
    )


def _since_before(times: np.ndarray, values: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return sums of `values` in (ends[i - 1], ends[i]]; blank before the first end and with a blank one."""
    interval = np.searchsorted(ends, times, side="left")
    inside = (interval > 0) & (interval < len(ends))
    sums = np.bincount(interval[inside], weights=values[inside], minlength=len(ends)).astype(float)
    sums[0] = np.nan
    return sums


def _dated(table: pd.DataFrame, times: list[str]) -> pd.DataFrame:
    words = {"ink", "kind", "unit", "evidence", "measure", "subject", "why", "tank"} & set(table)
    return table.astype(dict.fromkeys(times, "datetime64[us]") | dict.fromkeys(words, "str"))
