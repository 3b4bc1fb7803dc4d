"""The truths of an invented plant in a form that a test can read."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

from .calendar_days import DAY
from .contracts import TOLERANCE_PCT, contract_quantity, is_contracted
from .scenario import (
    BAD_STAND,
    BUTT_LEAST_M,
    BUTT_SCATTER,
    COPIES_PCT,
    DIP_KG,
    FAILED_SPLICE,
    FAILED_SPLICE_FALL_M,
    FAILED_SPLICE_MORE_M,
    INK_SCATTER,
    INKS,
    NEWSPRINT,
    REEL_KG,
    REEL_SCATTER,
    SMALL_KG,
    SPLICE_TARGET_M,
    STANDS,
)
from .suppliers import BREAKS_PER_KM, NO_EFFECT_ON_BREAKS, SHARES, SUPPLIERS
from .titles import CUSTOMERS

if TYPE_CHECKING:
    from .faults import Faults
    from .folder import Written
    from .simulation import Plant

__all__ = ["truths"]


def truths(plant: Plant, faults: Faults, written: Written, seed: int) -> dict[str, Any]:
    """Return everything that was planted, as plain numbers and texts.

    Parameters
    ----------
    plant : Plant
        The plant that was run.
    faults : Faults
        What was done to its logs.
    written : Written
        Where each row stands.
    seed : int
        Seed of the random numbers.

    Returns
    -------
    dict
        By subject; dates are ISO texts, units are in the names.
    """
    scenario = plant.scenario
    return {
        "seed": seed,
        "years": scenario.years,
        "first_date": scenario.first.isoformat(),
        "last_date": scenario.last.isoformat(),
        **_paper(plant),
        **_inks(plant),
        **_supply(plant),
        **_records(plant, faults, written),
        "measurement": {"reel_kg": REEL_KG, "butt_kg": SMALL_KG, "copies_pct": COPIES_PCT, "dip_kg": DIP_KG},
    }


def _paper(plant: Plant) -> dict[str, Any]:
    scenario, printer = plant.scenario, plant.printer
    suppliers = {}
    for name, maker in SUPPLIERS.items():
        reels, breaks = len(printer.reels_run.get(name, ())), printer.breaks.get(name, 0)
        suppliers[name] = {
            "rate_ratio": maker.break_ratio,
            "breaks_per_1000_km": round(1000 * BREAKS_PER_KM * maker.break_ratio, 4),
            "reels_mounted": reels,
            "breaks": breaks,
            "per_100_reels": round(100 * breaks / reels, 4),
            "strip_layers": maker.strip_layers,
        }
    return {
        "grammage": {
            m: {"nominal_gsm": s.grammage_gsm, "effective_gsm": s.effective_gsm} for m, s in NEWSPRINT.items()
        },
        "reel_scatter_pct": 100 * REEL_SCATTER,
        "threading": {
            m: {"m_per_start": s.start_m, "m_per_stop": s.break_m, "kg_per_start": s.start_kg,
                "kg_per_stop": s.break_kg}
            for m, s in NEWSPRINT.items()
        },
        "breaks": {
            "by_supplier": suppliers,
            "worst": max(SUPPLIERS, key=lambda name: SUPPLIERS[name].break_ratio),
            "no_effect_of": list(NO_EFFECT_ON_BREAKS),
        },
        "transport_damage": [
            {**vars(reel), "received_on": reel.received_on.isoformat()} for reel in plant.newsprint.damaged
        ],
        "reel_ends": {
            "splice_target_m": SPLICE_TARGET_M,
            "mean_m": STANDS,
            "bad_stand": BAD_STAND,
            "scatter_share": BUTT_SCATTER,
            "least_m": BUTT_LEAST_M,
            "failure_at_target": FAILED_SPLICE,
            "falls_by_e_every_m": FAILED_SPLICE_FALL_M,
            "failure_follows": "the metres that the splice itself would leave, not the mean of its reelstand",
            "failed_leaves_more_m": list(FAILED_SPLICE_MORE_M),
            "splices": printer.splices - printer.failed,
            "failed_splices": printer.failed,
            "failed_splices_expected": round(printer.failed_expected, 1),
        },
        "startup_step": {
            "press": scenario.startup_press, "from": scenario.startup_from.isoformat(),
            "factor": scenario.startup_factor,
        },
        "store_losses": [
            {"supplier": x.supplier, "reel_id": x.reel_id, "found_on": x.found_on.isoformat(), "kg": x.kg}
            for x in plant.store.losses
        ],
    }  # fmt: skip


def _inks(plant: Plant) -> dict[str, Any]:
    scenario = plant.scenario
    leak, magenta = scenario.leak, scenario.magenta
    return {
        "ink": {
            ink.name: {
                "film_g_m2": ink.film_g_m2,
                "startup_kg_per_run": ink.startup_kg,
                "standing_kg_per_day": ink.standing_kg,
            }
            for ink in INKS.values()
        },
        "ink_scatter_pct": 100 * INK_SCATTER,
        "magenta_film": {
            "ink": "magenta", "from": magenta[0].isoformat(), "until": magenta[1].isoformat(),
            "factor": scenario.magenta_factor,
        },
        "black_gauge": {
            "tank": scenario.gauge_tank, "from": scenario.gauge_from.isoformat(" ", "minutes"),
            "shift_kg": scenario.gauge_kg,
        },
        "leak": {
            "ink": scenario.leak_ink, "tank": INKS[scenario.leak_ink].tanks[0],
            "from": leak[0].isoformat(" ", "minutes"),
            "until": leak[1].isoformat(" ", "minutes"), "kg_per_day": scenario.leak_kg_per_day,
        },
        "missed_dips": [{"tank": tank, "date": day.isoformat()} for tank, day in plant.inks.missed],
    }  # fmt: skip


def _supply(plant: Plant) -> dict[str, Any]:
    scenario, found = plant.scenario, {}
    late, cancelled = plant.newsprint.late, plant.newsprint.cancelled
    if late is not None and late.received_on is not None:
        found["late_load"] = {
            "load": late.load, "promised_on": late.promised_on.isoformat(),
            "delivered_on": late.received_on.isoformat(),
            "days_late": (late.received_on - late.promised_on).days,
        }  # fmt: skip
    if cancelled is not None and cancelled.cancelled_on is not None:
        found["cancelled_load"] = {"load": cancelled.load, "cancelled_on": cancelled.cancelled_on.isoformat()}
    if plant.newsprint.misbilled is not None:
        truck = plant.newsprint.misbilled
        found["wrong_invoice"] = {"load": truck.load, "ordered_on": truck.ordered_on.isoformat()}
    if plant.counted_short:
        found["count_difference"] = {
            "counted_on": scenario.count_difference_on.isoformat(),
            "material": plant.counted_short,
            "kg": scenario.count_difference_kg,
        }
    return {
        **found,
        "price_change": {"from": scenario.price_from.isoformat(), "factor": scenario.price_factor, "kind": "newsprint"},
        "price_path": [{"from": day.isoformat(), "ratio": ratio} for day, ratio in scenario.price_path],
        "price_ratio_by_supplier": {name: maker.price_ratio for name, maker in SUPPLIERS.items()},
        "contracts": _contracts(plant),
        "customers": CUSTOMERS,
        "christmas_share": scenario.christmas,
        "express_loads": plant.newsprint.express,
        "events": [
            {
                "event": event.name, "first": event.days[0].isoformat(), "last": event.days[-1].isoformat(),
                "titles": list(event.titles), "copies_factor": event.copies, "pages_more": event.pages,
            }
            for event in scenario.events
        ],
        "days_without_publication": [
            day.isoformat()
            for day in (scenario.first + n * DAY for n in range(scenario.weeks * 7))
            if scenario.closed(day)
        ],
    }  # fmt: skip


def _contracts(plant: Plant) -> list[dict[str, Any]]:
    """Return the contracts of the last year: what they say and what their share of the year's need would be [kg]."""
    year, need = plant.scenario.last.year, plant.newsprint.need
    days = [dt.date(year, 1, 1) + n * DAY for n in range(365)]
    found = []
    for material, shares in SHARES.items():
        if not is_contracted(material):
            continue
        kg = sum(need[material].get(day, 0.0) for day in days)
        for supplier, share in shares.items():
            agreed = contract_quantity(plant.scenario, need, material, supplier, year)
            found.append(
                {"material": material, "supplier": supplier, "year": year, "contract_kg": agreed, "share": share,
                 "tolerance_pct": TOLERANCE_PCT, "need_kg": round(share * kg)}
            )  # fmt: skip
    return found


def _records(plant: Plant, faults: Faults, written: Written) -> dict[str, Any]:
    impossible = []
    for slip in faults.impossible:
        file, line = written.place[id(slip.row)]
        impossible.append(
            {"table": slip.table, "file": file, "line": line, "column": slip.column, "value": slip.value,
             "rule": slip.rule, "loses": slip.loses}
        )  # fmt: skip
    doubtful = []
    clocks = {day.isoformat() for day in plant.scenario.clock_nights}
    for row in plant.logbook["runs"].rows:
        if row[0] in plant.printer.large_differences:
            what = "gross copies are over 3 % more than good, start-up and running together: truly so"
        elif row[1] in clocks:
            what = "the clocks change while it runs"
        else:
            continue
        file, line = written.place[id(row)]
        doubtful.append({"table": "runs", "file": file, "line": line, "run_id": row[0], "what": what})
    return {
        "week_without_reels": {
            "week": plant.scenario.week_without_reels.isoformat(),
            "rows_lost": faults.rows_without_reels,
            "runs": faults.runs_without_reels,
        },
        "impossible_rows": impossible,
        "suspicious_rows": doubtful,
        "overlapping_exports": [vars(overlap) for overlap in written.overlaps],
    }
