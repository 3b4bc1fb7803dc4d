"""One run, metre by metre: reels run out and are spliced, webs break, copies are counted."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from .logbook import Logbook, clock, number
from .reels import SMALLEST_PART_KG, Reel, Store
from .scenario import (
    BUTT_LEAST_M,
    BUTT_SCATTER,
    COLLECT_STARTUP,
    COPIES_PCT,
    COPIES_PER_PLATE_CHANGE,
    COPIES_PER_STOP,
    CORE_MM,
    CUTOFF_MM,
    FAILED_SPLICE,
    FAILED_SPLICE_FALL_M,
    FAILED_SPLICE_MORE_M,
    NEWSPRINT,
    PAGE_HEIGHT_MM,
    PAGE_WIDTH_MM,
    PLATE_CHANGE_MINUTES,
    PLATE_IMPRESSIONS,
    PRESSES,
    REEL_KG,
    REMADE_SHARE,
    RUNNING_SHARE,
    SMALL_KG,
    SPLICE_TARGET_M,
    STANDS,
    Scenario,
)
from .suppliers import BREAKS_PER_KM, DAMAGED_SHARE

if TYPE_CHECKING:
    from .programme import RunOrder, Web

__all__ = ["Printed", "Printer", "WebTruth"]

ZONE = ZoneInfo("CET")
MINUTE = dt.timedelta(minutes=1)


@dataclass(slots=True)
class WebTruth:
    """What truly happened to the paper of one web in a run [kg]."""

    web: Web
    mounted_kg: float = 0.0
    strip_kg: float = 0.0
    reel_end_kg: float = 0.0
    scrapped_kg: float = 0.0
    threading_kg: float = 0.0
    printed_kg: float = 0.0  # in gross copies, by what the reels weighed


@dataclass(slots=True)
class Printed:
    """What truly happened in a run."""

    order: RunOrder
    good: int
    startup: int
    running: int
    uncounted: int
    stops: int = 0
    plate_sets: int = 1  # worn plates are changed in a long run
    webs: list[WebTruth] = field(default_factory=list)

    @property
    def gross(self) -> int:
        """Copies that left the folder."""
        return self.good + self.startup + self.running + self.uncounted


@dataclass(slots=True)
class _Running:
    """A reel on a running web."""

    truth: WebTruth
    stand: str
    reel: Reel
    row: list[str]
    start_kg: float
    strip_kg: float
    mounted_at: dt.datetime
    copies_at: float  # copy at which it was mounted
    event_at: float = 0.0  # copy of the next event
    event: str = ""
    used_kg: float = 0.0  # threading paper of this mount
    butt_kg: float = 0.0
    failure: float = 0.0  # probability that its splice fails


class Printer:
    """Prints runs: takes reels from the store, keeps the truth, writes the logs."""

    def __init__(self, scenario: Scenario, store: Store, logbook: Logbook, seed: int) -> None:
        self.scenario, self.store, self.logbook, self.seed = scenario, store, logbook, seed
        self.chance = Random(f"{seed} printing")
        self.free_at: dict[str, dt.datetime] = {}
        self.large_differences: list[str] = []
        self.breaks: dict[str, int] = {}
        self.reels_run: dict[str, set[str]] = {}
        self.failed = self.splices = 0
        self.failed_expected = 0.0
        self._counted = 0

    def print(self, order: RunOrder) -> Printed:
        """Print a run and log it.

        Parameters
        ----------
        order : RunOrder
            The run.

        Returns
        -------
        Printed
            True copies and true kilograms.
        """
        self.chance = self.scenario.numbers(self.chance, f"{self.seed} printing {order.key}")
        chance, press = self.chance, PRESSES[order.press]
        run = Printed(order, round(order.copies * (1 + chance.uniform(0.001, 0.006))), 0, 0, 0)
        startup = (press.startup_base + press.startup_per_page * order.pages) * math.exp(
            chance.gauss(0, 0.14)
        )
        if order.title.production == "collect":
            startup *= COLLECT_STARTUP
        startup *= self.scenario.startup_ratio(press.name, order.date)
        run.startup = round(startup)
        run.running = round(order.copies * RUNNING_SHARE * math.exp(chance.gauss(0, 0.25)))
        run.plate_sets = math.ceil(run.good / order.plates_around / PLATE_IMPRESSIONS)
        run.running += round((run.plate_sets - 1) * COPIES_PER_PLATE_CHANGE * math.exp(chance.gauss(0, 0.2)))
        if chance.random() < 0.12:
            run.uncounted = round(order.copies * chance.uniform(0.0008, 0.0044))
        self._counted += 1
        every = self.scenario.handed_out_every
        if every and self._counted % every == 300:  # copies handed out at the press, entered nowhere
            run.uncounted = round(order.copies * chance.uniform(0.032, 0.04))
            self.large_differences.append(order.run_id)
        started = self._start(order)
        speed = press.copies_per_hour / 60 * (0.5 if order.title.production == "collect" else 1.0)
        speed *= chance.uniform(0.9, 1.03)
        finished = self._run_webs(run, started, speed)
        self.free_at[press.name] = finished
        self._log_run(run, started, finished)
        return run

    def _start(self, order: RunOrder) -> dt.datetime:
        """Return the start of a run as seconds of real time would have it, before any clock change."""
        start = dt.datetime.combine(order.date - dt.timedelta(days=1), order.title.starts)
        if order.date in self.scenario.clock_nights:
            return dt.datetime.combine(order.date, dt.time(1, 50))
        start += round(abs(self.chance.gauss(0, 9))) * MINUTE
        if order.place:
            start = max(start, self.free_at[order.press] + round(self.chance.uniform(38, 55)) * MINUTE)
        return start

    def _wall(self, order: RunOrder, started: dt.datetime, minutes: float) -> dt.datetime:
        """Return the wall time `minutes` after the start of a run."""
        moment = started + round(minutes) * MINUTE
        if order.date not in self.scenario.clock_nights:
            return moment
        real = started.replace(tzinfo=ZONE).astimezone(dt.UTC) + round(minutes) * MINUTE
        return real.astimezone(ZONE).replace(tzinfo=None)

    def _run_webs(self, run: Printed, started: dt.datetime, speed: float) -> dt.datetime:
        """Run all webs in step until the gross copies are printed; return the end of the run."""
        chance, order = self.chance, run.order
        stands = self._stands(order)
        stopped = 6.0  # minutes lost so far: the start-up, then the stops
        running: list[_Running] = []
        for web, stand in zip(order.webs, stands, strict=True):
            truth = WebTruth(web)
            run.webs.append(truth)
            running.append(
                self._mount(run, truth, stand, 0.0, started, started, NEWSPRINT[web.material].start_kg)
            )
        while True:
            place = min(range(len(running)), key=lambda n: running[n].event_at)
            mount = running[place]
            if mount.event_at >= run.gross:
                break
            at, sheet = mount.event_at, NEWSPRINT[mount.truth.web.material]
            threading = 0.0
            if mount.event in ("web_break", "failed_splice"):
                run.stops += 1
                run.running += round(COPIES_PER_STOP * math.exp(chance.gauss(0, 0.3)))
                stopped += chance.uniform(9, 19)
                threading = sheet.break_kg
            now = started + round(at / speed + stopped + _plates_changed(run, at)) * MINUTE
            again = self._close(mount, at)
            running[place] = self._mount(run, mount.truth, mount.stand, at, started, now, threading, again)
        for mount in running:
            mount.event = "run_end"
            self._close(mount, run.gross)
        finished = started + round(run.gross / speed + stopped + _plates_changed(run, run.gross)) * MINUTE
        for mount in running:
            if mount.reel.kg:
                self.store.put_back(mount.reel, mount.stand, max(finished, mount.mounted_at + MINUTE))
        return finished

    def _stands(self, order: RunOrder) -> list[str]:
        """Choose the reelstands: those that hold the right paper first, the others in changing order."""
        free = list(PRESSES[order.press].stands)
        self.chance.shuffle(free)
        chosen: list[str] = []
        for web in order.webs:
            waiting = [
                s
                for s in free
                if s in self.store.on_stand and self.store.on_stand[s].material == web.material
            ]
            stand = (waiting or [s for s in free if s not in self.store.on_stand] or free)[0]
            free.remove(stand)
            chosen.append(stand)
        return chosen

    def _mount(
        self,
        run: Printed,
        truth: WebTruth,
        stand: str,
        at: float,
        started: dt.datetime,
        now: dt.datetime,
        threading: float,
        again: Reel | None = None,
    ) -> _Running:
        """Put a reel on a stand and draw how it will end."""
        chance, web = self.chance, truth.web
        if again is None:
            reel = self.store.take(web.material, stand, now)
        else:
            reel, reel.strip_kg = again, 0.0
        strip, threading = reel.strip_kg, threading * reel.weight_ratio
        logged_strip = max(0.1, strip + chance.gauss(0, SMALL_KG)) if strip else 0.0
        row = self.logbook.add(
            "reel_mounts", run.order.run_id, web.name, reel.supplier.name, reel.reel_id, web.material, stand,
            clock(self._wall(run.order, started, (now - started) / MINUTE)),
            number(reel.reading), number(logged_strip, 1), "0", "0", "", "0", "",
        )  # fmt: skip
        reel.mounts += 1
        key = f"{self.seed} mount {reel.supplier.name} {reel.reel_id} {reel.mounts}"
        chance = self.scenario.numbers(chance, key)
        mount = _Running(truth, stand, reel, row, reel.kg, strip, now, at, used_kg=threading)
        truth.threading_kg += threading
        self.reels_run.setdefault(reel.supplier.name, set()).add(reel.reel_id)
        meant_m = STANDS[stand] * self.scenario.butt_ratio(run.order.date)
        butt_m = max(BUTT_LEAST_M, meant_m * (1 + BUTT_SCATTER * chance.gauss(0, 1)))
        mount.event = "splice"
        mount.failure = FAILED_SPLICE * math.exp(-(butt_m - SPLICE_TARGET_M) / FAILED_SPLICE_FALL_M)
        if chance.random() < mount.failure:
            mount.event, butt_m = "failed_splice", butt_m + chance.uniform(*FAILED_SPLICE_MORE_M)
        mount.butt_kg = butt_m * reel.kg_per_m
        metres = (reel.kg - strip - threading - mount.butt_kg) / reel.kg_per_m
        to_break = 1000 * chance.expovariate(BREAKS_PER_KM * reel.supplier.break_ratio)
        if reel.new and chance.random() < DAMAGED_SHARE:
            mount.event, metres = "damaged", metres * chance.uniform(0.2, 0.8)
        if to_break < metres:
            mount.event, metres = "web_break", to_break
        mount.event_at = at + max(metres, 1.0) / (CUTOFF_MM / 1000 * web.cutoffs)
        reel.new = False
        return mount

    def _close(self, mount: _Running, at: float) -> Reel | None:
        """End a mount: keep the truth, fill its row, return the reel if it is threaded again."""
        chance, reel, truth, row = self.chance, mount.reel, mount.truth, mount.row
        printed = (at - mount.copies_at) * CUTOFF_MM / 1000 * truth.web.cutoffs * reel.kg_per_m
        left = mount.start_kg - mount.strip_kg - mount.used_kg - printed
        scrapped = returned = butt = 0.0
        again: Reel | None = None
        event = mount.event
        if event in ("splice", "failed_splice"):
            butt = left
            self.splices += 1
            self.failed += event == "failed_splice"
            self.failed_expected += mount.failure
        elif event == "damaged":
            scrapped = left
        elif event == "web_break":
            scrapped = min(left, chance.uniform(3, 16))
            returned = left - scrapped
            self.breaks[reel.supplier.name] = self.breaks.get(reel.supplier.name, 0) + 1
            again = reel
        else:
            returned = left
        if event in ("web_break", "run_end") and returned < SMALLEST_PART_KG:
            scrapped, returned, again = scrapped + returned, 0.0, None
        truth.mounted_kg += mount.start_kg - returned
        truth.strip_kg += mount.strip_kg
        truth.printed_kg += printed
        truth.reel_end_kg += butt
        truth.scrapped_kg += scrapped
        reel.kg = returned
        if returned:
            reel.reading = max(1, round(returned + chance.gauss(0, REEL_KG)))
            row[9] = number(reel.reading)
        if butt:
            row[10] = number(max(0.05, butt + chance.gauss(0, SMALL_KG)), 2)
            row[11] = number(_depth_mm(butt / reel.kg_per_m, NEWSPRINT[reel.material].caliper_um))
        if scrapped:
            error = SMALL_KG if scrapped < SMALLEST_PART_KG else REEL_KG
            row[12] = number(max(0.1, scrapped + chance.gauss(0, error)), 1)
        row[13] = event
        return again

    def _log_run(self, run: Printed, started: dt.datetime, finished: dt.datetime) -> None:
        """Write the run, its webs and its coverage; one counter error moves all its copies alike."""
        chance, order = self.chance, run.order
        error = 1 + COPIES_PCT / 100 * chance.gauss(0, 1)
        gross, startup, running = (
            round(run.gross * error),
            round(run.startup * error),
            round(run.running * error),
        )
        uncounted = round(run.uncounted * error)
        breaks = run.stops if chance.random() < 0.985 else run.stops + 1
        exposed = run.plate_sets * order.plates_around * (order.pages + 3 * order.colour_pages)
        remade = sum(chance.random() < REMADE_SHARE for _ in range(exposed))
        plates = exposed + remade
        minutes = (finished - started) / MINUTE
        crew = "ABC"[(order.date - self.scenario.first).days // 7 % 3]
        self.logbook.add(
            "runs", order.run_id, order.date.isoformat(), order.title.name, order.press,
            clock(self._wall(order, started, 0)), clock(self._wall(order, started, minutes)), order.title.production,
            str(PAGE_WIDTH_MM), str(PAGE_HEIGHT_MM), str(order.pages), str(order.copies), str(gross),
            str(gross - startup - running - uncounted), str(startup), str(running), str(breaks), str(plates),
            str(remade), str(order.colour_pages), crew,
        )  # fmt: skip
        for web in order.webs:
            self.logbook.add(
                "run_webs", order.run_id, web.name, web.material, str(web.width_mm), str(CUTOFF_MM),
                str(web.cutoffs), str(web.pages),
            )  # fmt: skip
        for ink, solid in order.solid_pages.items():
            self.logbook.add("coverage", order.run_id, ink, number(solid, 2))


def _plates_changed(run: Printed, at: float) -> float:
    """Return the minutes that changes of worn plates have taken until a copy."""
    return PLATE_CHANGE_MINUTES * min(run.plate_sets - 1, int(at * run.plate_sets / run.gross))


def _depth_mm(metres: float, caliper_um: float) -> float:
    """Return the depth of paper that `metres` make on the core [mm]."""
    core = CORE_MM / 1000
    return (math.sqrt(core**2 + 4 * metres * caliper_um * 1e-6 / math.pi) - core) / 2 * 1000
