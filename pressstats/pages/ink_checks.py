"""What the ink page shows of departures from the model, of its adequacy, and of runs to come."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..exhibits import Block, logged, note, quantity, sheet
from ..ink import EXTENSIONS, influence, robust_estimate, size_unit
from .common import counted, day_words, needs

if TYPE_CHECKING:
    from ..results import Results

__all__ = ["adequacy", "findings", "influence_words", "what_if"]


def findings(results: Results) -> Block:
    """Return what departs from the models, with its evidence."""
    if not results.logs.has("tank_readings"):
        return needs("Ink", "tank_readings")
    table = pd.DataFrame(
        [
            {
                "ink": one.ink,
                "kind": one.kind,
                "since": one.since,
                "until": one.until,
                "size": one.size,
                "unit": size_unit(one),
                "extra_kg": one.extra_kg,
                "clear": float(np.sqrt(one.statistic)),
                "rival": float(np.sqrt(one.rival)),
            }
            for one in results.ink_findings
        ],
        columns=["ink", "kind", "since", "until", "size", "unit", "extra_kg", "clear", "rival"],
    )
    if table.empty and not any(fit.by_area for fit in results.ink_fits.values()):
        return note("No ink has a model of what is printed to depart from, so departures are unknown.")
    return sheet(
        table.sort_values("since", ascending=False),
        name="findings",
        caption=f"{counted(len(table), 'departure')} found; what several kinds explain about as well is called a "
        "change",
        columns=(
            "ink; kind; since: from the dip <date>; until: to the dip <date>; size .2; unit; "
            "extra_kg: used more than expected [kg] .0; clear: standard errors .1; "
            "rival: those of the next best kind .1"
        ),
        file="ink_findings",
    )


def adequacy(results: Results) -> Block:
    """Return what the model leaves out, each doubt with its test."""
    table = results.ink_adequacy
    if table.empty:
        return note("No ink has enough intervals to test what its model leaves out.")
    shown = table.assign(words=table["extension"].map(EXTENSIONS), chance=100 * table["p_adjusted"])
    true = shown[shown["p_adjusted"] < 0.05]
    verdict = (
        "nothing is found beyond chance"
        if true.empty
        else "found: " + "; ".join(f"{row.words} ({logged(row.ink)})" for row in true.itertuples())
    )
    # Of few weeks, what the season does is not known: that is no evidence that it does nothing.
    seasons = (
        "" if (table["extension"] == "season").any() else "; a season is not tested, the logs are too short"
    )
    return sheet(
        shown.sort_values("p_adjusted"),
        name="adequacy",
        caption=f"What the model leaves out, tested: {verdict}{seasons}",
        columns=(
            "ink; words: doubt; terms .0; statistic: F .2; chance: chance alone, adjusted [%] .0; "
            "change_pct: largest change of film weight [%] .1"
        ),
        limit=30,
    )


def influence_words(results: Results) -> Block:
    """Say whether a few readings carry the answer."""
    parts = []
    for ink, fit in results.ink_fits.items():
        if not fit.by_area:
            continue
        moved = influence(fit)
        row = moved.loc[moved["film_shift"].abs().idxmax()]
        robust = (robust_estimate(fit)[0] - fit.fit.estimate[0]) / fit.std_error[0]
        parts.append(
            f"{logged(ink)}: leaving out the interval to {day_words(row['read_at'], results.logs.as_of)} moves film "
            "weight by "
            f"{abs(row['film_shift']):.1f} standard errors, a robust fit by {abs(robust):.1f}"
        )
    return note("; ".join(parts) + "." if parts else "No model, so no reading carries it.")


def what_if(results: Results, *, copies: float, pages: float, coverage: float = 1.0) -> Block:
    """Return the ink one run would take; `coverage` is against the mean of the last 52 weeks: 1.1 is a tenth more."""
    table = results.run_ink(copies, pages, coverage)
    if table.empty:
        return note("No run can be foretold: no ink's use is known by what was printed.")
    return sheet(
        table,
        name="what-if",
        caption=f"A run of {quantity(copies, '', 0)} gross copies of {pages:g} pages, at {coverage:g} times the usual "
        f"coverage, takes {quantity(table['mean'].sum(), 'kg', 0)} of ink (idle loss left out)",
        columns=(
            "ink; coverage: coverage [%] .1; mean: expected [kg] .1; low: 95 % from [kg] .1; "
            "high: to [kg] .1; parameter_sd: not knowing the terms [kg] .1; "
            "scatter_sd: scatter of runs [kg] .1; dip_sd: two dips would add [kg] .1"
        ),
    )
