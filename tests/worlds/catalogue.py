"""The worlds by name: each one honest departure from a quiet plant."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from demo_plant.calendar_days import WEEK
from demo_plant.simulation import simulate

from . import departures as depart
from .logs import Folder, known_at, plant_toml, write_folder
from .scenario import Change, WorldScenario, plant_of
from .truth import Truth, truth_of

__all__ = ["WORLDS", "World", "make", "truth_alone"]

LAST = dt.date(2025, 10, 26)
JUNE, NOVEMBER, MARCH = dt.date(2025, 6, 29), dt.date(2024, 11, 24), dt.date(2025, 3, 16)


@dataclass(frozen=True)
class World:
    """A world: how its plant differs, how its logs differ, and what its pages may and must say."""

    name: str
    scenario: dict[str, Any] = field(default_factory=dict)
    materials: dict[str, dict[str, Any]] = field(default_factory=dict)
    logs: tuple[Callable[[Folder, WorldScenario], None], ...] = ()
    never_says: tuple[str, ...] = ()
    must_say: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()


def _weeks_ago(weeks: int, as_of: dt.date = LAST) -> dt.date:
    return as_of - weeks * WEEK + dt.timedelta(days=1)


def _n45(**fields: Any) -> dict[str, dict[str, Any]]:
    return {name: dict(fields) for name in ("N45-1260", "N45-945", "N45-630")}


def _paper(weeks: int, ratio: float, supplier: str = "") -> dict[str, Any]:
    """Paper that is mounted from about `weeks` ago on: it is received some three weeks before."""
    since = _weeks_ago(weeks + 3)
    return {"grammage": tuple(Change(since, ratio, m, supplier) for m in ("N45-1260", "N45-945", "N45-630"))}


def _film(weeks: int, ratio: float, ink: str = "black") -> dict[str, Any]:
    return {"film": (Change(_weeks_ago(weeks), ratio, ink),)}


def _startup(weeks: int, ratio: float, press: str = "P2") -> dict[str, Any]:
    return {"startup": (Change(_weeks_ago(weeks), ratio, press),)}


HEAVY = _n45(grammage_gsm=48.8, effective_gsm=48.97)
NOT_CALM = (r"No web broke", r"[Nn]othing needs you", r"\b0 EUR a year")
NO_INK = ("every ink was used as expected", "used as expected")
NO_STOCK = ("stock is covered",)
#: Figures of the week that nobody can know without weighed reels.
NO_REELS = ("butts", "paper mounted", "waste", "wasted paper cost", "web breaks")

_ALL = (
    World("quiet"),
    World("quiet_no_orders", logs=(depart.no_open_orders,), never_says=("whether open orders come",)),
    World("orders_10_days", logs=(depart.open_until(10),)),
    World("orders_16_days", logs=(depart.open_until(16),)),
    World("weekly_dips", logs=(depart.dips(7), depart.no_ink_counts)),
    World("monthly_dips", logs=(depart.dips(28), depart.no_ink_counts)),
    World(
        "identical_weeks", {"noise": 0.0, "presses_change": False, "same_season": True},
        logs=(depart.dips(7), depart.no_ink_counts),
    ),
    World("cut_june", {"as_of": JUNE}),
    World("cut_november", {"as_of": NOVEMBER}),
    World("cut_march", {"as_of": MARCH}),
    World("cut_wednesday", {"as_of": dt.date(2025, 9, 17)}),
    World("december_humps", {"christmas": 1.0, "as_of": NOVEMBER}),
    World("december_humps_june", {"christmas": 1.0, "as_of": JUNE}),
    World("december_humps_two_years", {"christmas": 1.0, "as_of": NOVEMBER, "before": 104}),
    World("grammage_45_8w", _paper(8, 45.15 / 48.97), HEAVY, (depart.nominal(45.0),)),
    World("grammage_45_8w_nominal_old", _paper(8, 45.15 / 48.97), HEAVY),
    World("grammage_45_40w", _paper(40, 45.15 / 48.97), HEAVY, (depart.nominal(45.0),)),
    World("grammage_minus_2_30w", _paper(30, 0.98)),
    World("grammage_plus_1_50w", _paper(50, 1.01)),
    World("grammage_one_supplier_30w", _paper(30, 0.97, "Vosgard")),
    World("film_8_40w", _film(40, 1.08)),
    World("film_4_30w", _film(30, 1.04, "cyan")),
    World("film_8_8w", _film(8, 1.08, "magenta")),
    World("startup_up_30w", _startup(30, 1.35)),
    World("startup_down_50w", _startup(50, 0.75)),
    World(
        "price_rise_next_month", {"price_day": dt.date(2025, 12, 1), "price_ratio": 1.08},
        logs=(depart.agreed("2025-10-15"),),
    ),
    World("title_closed", {"title_closed": ("Orrin Vale Dispatch", _weeks_ago(12))}),
    World("title_opened", {"title_opened": ("Skerrow Sunday Folio", _weeks_ago(26))}),
    World("week_without_printing", {"closed_weeks": (_weeks_ago(1),)}, never_says=("reel records are missing",)),
    World("counter_loses_1", logs=(depart.counter(0.99),)),
    World("no_weights", logs=(depart.no_weights, depart.drop("waste_sold")), never_says=("No web broke",)),
    World("no_weights_skips", logs=(depart.no_weights,), never_says=("No web broke",)),
    World(
        "widths_cm", logs=(depart.scaled("run_webs", ("width_mm", "cutoff_mm"), 0.1),), must_say=("cm|centimet",),
        unknown=(*NO_REELS, "ink use", "days of stock", "stock-out risk"),
    ),
    World(
        "reels_lb", logs=(depart.scaled("reel_mounts", depart.KG, 1 / 0.45359237),), must_say=("pound|lb",),
        unknown=NO_REELS,
    ),
    World("day_first_comma", logs=(depart.day_first,)),
    World("week_starts_sunday", logs=(depart.toml('week_starts = "monday"', 'week_starts = "sunday"'),)),
    World("other_country", logs=(depart.toml("[calendar]", '[calendar]\ncountry = "NO"'),)),
    World("ten_weeks", {"before": 10}),
    World("one_year", {"before": 52}),
    *(World(f"without_{t}", logs=(depart.drop(t),), unknown=("ink use",)) for t in ("coverage", "tank_readings")),
    *(World(f"without_{t}", logs=(depart.drop(t),)) for t in (
        "stock_counts", "prices", "budget", "plan", "waste_sold", "standby", "reels",
    )),
    World(
        "without_reel_mounts", logs=(depart.drop("reel_mounts"),), never_says=("No web broke", r"need 0 t"),
        unknown=NO_REELS,
    ),
    World(
        "without_deliveries", logs=(depart.drop("deliveries"),), never_says=(r"as expected[^.]{0,60}[-−]\d{2}",),
    ),
    World("without_materials", logs=(depart.drop("materials"),)),
    World(
        "without_deliveries_and_counts", logs=(depart.drop("deliveries", "stock_counts"),),
        # Between refills, which a rising level shows, ink use is known without deliveries.
        never_says=(r"as expected[^.]{0,60}[-−]\d{2}", *NO_STOCK),
    ),
    World(
        "without_coverage_and_dips", logs=(depart.drop("coverage", "tank_readings"),), never_says=NO_INK,
        unknown=("ink use",),
    ),
    World(
        "only_runs_and_webs", logs=(depart.only("runs", "run_webs"),), never_says=NOT_CALM + NO_STOCK + NO_INK,
        unknown=(*NO_REELS, "ink use", "days of stock", "stock-out risk", "standby"),
    ),
    # Pages that are full: as many materials as a store has, and most of what can be wrong at once.
    World("many_materials", {"before": 30}, logs=(depart.beside_itself(4),)),
    World(
        "many_exceptions", _paper(30, 0.97) | _startup(30, 1.35, "") | _film(30, 1.08, ""), logs=(depart.neglected,),
    ),
    *(World(f"empty_{t}", logs=(depart.emptied(t),)) for t in (
        "coverage", "tank_readings", "deliveries", "stock_counts", "reel_mounts", "materials", "plan", "reels",
        "prices", "budget", "waste_sold", "standby",
    )),
)  # fmt: skip

#: Every world by its name.
WORLDS: dict[str, World] = {world.name: world for world in _ALL}


def make(name: str, folder: str | Path, seed: int = 1, **scenario: Any) -> Truth:
    """Run a world and write its logs, which end at its cut, into a folder.

    Parameters
    ----------
    name : str
        A key of `WORLDS`.
    folder : str or Path
        Where the logs go; made if need be.
    seed : int
        Seed of the random numbers.
    **scenario
        Fields of :class:`tests.worlds.scenario.WorldScenario` that differ from the world's own, for example
        ``before=30`` (weeks of logs) or ``as_of``.

    Returns
    -------
    Truth
        What is true of it.
    """
    world = WORLDS[name]
    plant_scenario = WorldScenario(**world.scenario | scenario)
    out = Path(folder)
    with plant_of(plant_scenario, world.materials):
        plant = simulate(plant_scenario, seed)
        truth = truth_of(plant, name, seed)
        held = Folder(known_at(plant, plant_scenario.as_of, seed), plant_toml(plant, out))
    for transform in world.logs:
        transform(held, plant_scenario)
    write_folder(held, out)
    return replace(truth, never_says=world.never_says, must_say=world.must_say, unknown=world.unknown)


def truth_alone(name: str, seed: int = 1, **scenario: Any) -> Truth:
    """Run a world as :func:`make` does, and write nothing."""
    world = WORLDS[name]
    plant_scenario = WorldScenario(**world.scenario | scenario)
    with plant_of(plant_scenario, world.materials):
        return truth_of(simulate(plant_scenario, seed), name, seed)
