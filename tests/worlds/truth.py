"""What is true of a world: what its estimates, stocks and forecasts are held against."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd
from demo_plant.calendar_days import DAY
from demo_plant.scenario import INKS, NEWSPRINT

from .scenario import Change, WorldScenario

if TYPE_CHECKING:
    from demo_plant.simulation import Plant

__all__ = ["Truth", "truth_of"]


@dataclass(frozen=True)
class Truth:
    """The truth of a world.

    Attributes
    ----------
    world, seed, as_of
        Which world; its logs end at the end of `as_of`.
    grammage : DataFrame
        By month and material, of the paper that was mounted in it: `gsm` [g/m2]; from the first month to `as_of`.
    grammage_now : dict of str to float
        Effective grammage of the paper mounted in the last four weeks [g/m2].
    film_now : dict of str to float
        Film weight of each ink at `as_of` [g/m2].
    startup_now : dict of str to float
        Start-up waste of each press at `as_of` as a multiple of its first level.
    startup_ink, standing_ink : dict of str to float
        Start-up [kg a run] and idle loss [kg a day] of each ink.
    changes : list of tuple
        Measure (grammage, film weight, start-up waste), subject (material, or material and supplier of one
        supplier's paper; ink, press), first day on which most of it is changed, ratio to before.
    use : DataFrame
        What was used by week (its Monday) and material, true [kg, each]: before and after `as_of`. Ink: all that left
        the tanks.
    copies : DataFrame
        By run dated up to `as_of`: good, startup, running, uncounted copies, truly.
    streams : DataFrame
        True kilograms by week and press, as in `paper_balance`; waste_pct by what the reels truly weighed.
    stock : dict of str to float
        True stock at the end of `as_of` [kg, each].
    arrivals : DataFrame
        Orders open at `as_of`: material, quantity, promised_on, delivered_on as it came to be.
    store_losses : DataFrame
        Part reels that lost paper in the store, up to `as_of`: found_on, kg.
    mounted : DataFrame
        Every mount before and after `as_of`: date (of its issue), supplier, material, ended_by, kg, butt_kg [kg] and
        unit_price (as invoiced) [currency / kg].
    never_says, must_say : tuple of str
        Texts that no page may show, and that one must (regular expressions).
    unknown : tuple of str
        Figures of the week that are unknown in this world.
    """

    world: str
    seed: int
    as_of: dt.date
    grammage: pd.DataFrame
    grammage_now: dict[str, float]
    film_now: dict[str, float]
    startup_now: dict[str, float]
    startup_ink: dict[str, float]
    standing_ink: dict[str, float]
    changes: list[tuple[str, str, dt.date, float]]
    use: pd.DataFrame
    streams: pd.DataFrame
    stock: dict[str, float]
    arrivals: pd.DataFrame
    store_losses: pd.DataFrame
    mounted: pd.DataFrame
    never_says: tuple[str, ...] = ()
    must_say: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    scenario: WorldScenario = field(default_factory=WorldScenario, repr=False)


def _use(plant: Plant) -> pd.DataFrame:
    inks = {INKS[ink].material: daily for ink, daily in plant.inks.used.items()}
    daily = pd.DataFrame(plant.use | inks).fillna(0.0)
    daily.index = pd.to_datetime(daily.index)
    daily = daily.sort_index()
    daily = daily[daily.index >= pd.Timestamp(plant.scenario.first)]
    weekly = daily.groupby(daily.index - pd.to_timedelta(daily.index.day_of_week, unit="D")).sum()
    return weekly.iloc[:-1].rename_axis("week")


def _mounted_grammage(plant: Plant, as_of: dt.date) -> pd.DataFrame:
    """Return the true grammage of what was mounted, by month and material."""
    sheet = plant.logbook["reel_mounts"]
    names = ("supplier", "reel_id", "material", "mounted_at", "start_kg", "returned_kg")
    mounts = pd.DataFrame({name: sheet.values(name) for name in names})
    reels = plant.logbook["reels"]
    received = dict(zip(zip(reels.values("supplier"), reels.values("reel_id"), strict=True),
                        reels.values("received_on"), strict=True))  # fmt: skip
    scenario: WorldScenario = plant.scenario  # type: ignore[assignment]
    kg = mounts["start_kg"].astype(float) - mounts["returned_kg"].astype(float)
    ratio = [
        scenario.grammage_ratio(m, s, dt.date.fromisoformat(received[s, r]))
        for s, r, m in zip(mounts["supplier"], mounts["reel_id"], mounts["material"], strict=True)
    ]
    gsm = mounts["material"].map({m: sheet.effective_gsm for m, sheet in NEWSPRINT.items()}) * ratio
    day = pd.to_datetime(mounts["mounted_at"])
    found = mounts[["supplier", "material"]].assign(day=day, gsm=gsm, kg=kg, ratio=ratio)
    return found[found["day"] <= pd.Timestamp(as_of + DAY)]


def _mounted(plant: Plant) -> pd.DataFrame:
    """Return every mount with what its paper was invoiced at."""
    sheets = [plant.logbook[name] for name in ("reel_mounts", "reels", "deliveries")]
    wanted = (
        ("run_id", "supplier", "reel_id", "material", "start_kg", "returned_kg", "butt_kg", "ended_by"),
        ("supplier", "reel_id", "delivery_id"),
        ("delivery_id", "unit_price"),
    )
    mounts, reels, deliveries = (
        pd.DataFrame({name: sheet.values(name) for name in names})
        for sheet, names in zip(sheets, wanted, strict=True)
    )
    table = mounts.merge(reels, on=["supplier", "reel_id"], how="left").merge(
        deliveries, on="delivery_id", how="left"
    )
    start, back, butt, price = (
        pd.to_numeric(table[name]) for name in ("start_kg", "returned_kg", "butt_kg", "unit_price")
    )
    date = pd.to_datetime(table["run_id"].str[:6], format="%y%m%d")
    numbers = {"date": date, "kg": start - back, "butt_kg": butt.fillna(0.0), "unit_price": price}
    return table[["supplier", "material", "ended_by"]].assign(**numbers)


def _mean(rows: pd.DataFrame) -> float:
    return float(rows["kg"].sum() / (rows["kg"] / rows["gsm"]).sum())


def _changes(scenario: WorldScenario, mounted: pd.DataFrame) -> list[tuple[str, str, dt.date, float]]:
    """Return every change up to the cut; of paper, dated where half of what is mounted is the new."""
    found: list[tuple[str, str, dt.date, float]] = []
    for change in scenario.grammage:
        for material, rows in mounted.groupby("material"):
            rows = rows[rows["supplier"] == change.supplier] if change.supplier else rows
            if change.of not in ("", material) or not (rows["ratio"] != 1).any():
                continue
            daily = rows.groupby(rows["day"].dt.date).apply(
                lambda r: (r["ratio"] != 1).mean(), include_groups=False
            )
            smooth = daily.rolling(6, min_periods=1, center=True).mean()
            half = smooth.index[smooth >= smooth.max() / 2][0]
            after = rows[rows["day"].dt.date >= half]
            before = rows[rows["day"].dt.date < half]
            subject = f"{material}, {change.supplier}" if change.supplier else str(material)
            found.append(("grammage", subject, half, _mean(after) / _mean(before)))
    parts: tuple[tuple[str, tuple[Change, ...], tuple[str, ...]], ...] = (
        ("film weight", scenario.film, tuple(INKS)), ("start-up waste", scenario.startup, ("P1", "P2")),
    )  # fmt: skip
    for measure, changes, subjects in parts:
        for change in changes:
            if change.since <= scenario.as_of:
                found += [(measure, s, change.since, change.ratio) for s in subjects if change.of in ("", s)]
    return found


def truth_of(plant: Plant, world: str, seed: int) -> Truth:
    """Return the truth of a plant that was run past its cut (within :func:`plant_of`)."""
    scenario: WorldScenario = plant.scenario  # type: ignore[assignment]
    as_of = scenario.as_of
    mounted = _mounted_grammage(plant, as_of)
    month = mounted["day"].dt.to_period("M").dt.start_time.rename("month")
    by_month = mounted.groupby([month, "material"])[["gsm", "kg"]].apply(_mean).rename("gsm").reset_index()
    late = mounted[mounted["day"] > pd.Timestamp(as_of) - pd.Timedelta(weeks=4)]
    header, *rows = plant.streams.rows()
    streams = pd.DataFrame(rows, columns=header)
    streams = streams.apply(lambda c: c if c.name in ("week", "press") else c.astype(float))
    # By what the reels of each run weighed: a material of changed paper has no one grammage.
    cells = [cell for _, cell in sorted(plant.streams.by_week.items())]
    streams["waste_pct"] = [100 * (1 - c["good_true_kg"] / c["mounted_kg"]) for c in cells]
    streams["week"] = pd.to_datetime(streams["week"])
    deliveries = plant.logbook["deliveries"]
    names = (
        "delivery_id",
        "material",
        "quantity",
        "ordered_on",
        "promised_on",
        "delivered_on",
        "cancelled_on",
    )
    orders = pd.DataFrame({name: deliveries.values(name) for name in names})
    day = as_of.isoformat()
    orders = orders[
        (orders["ordered_on"] <= day) & ((orders["delivered_on"] > day) | (orders["delivered_on"] == ""))
    ]
    lost = pd.DataFrame([(x.found_on, x.kg) for x in plant.store.losses], columns=["found_on", "kg"])
    return Truth(
        world=world, seed=seed, as_of=as_of, grammage=by_month,
        grammage_now={str(m): _mean(r) for m, r in late.groupby("material")},
        film_now={n: i.film_g_m2 * scenario.film_ratio(n, as_of) for n, i in INKS.items()},
        startup_now={p: scenario.startup_ratio(p, as_of) for p in ("P1", "P2")},
        startup_ink={n: i.startup_kg for n, i in INKS.items()},
        standing_ink={n: i.standing_kg for n, i in INKS.items()},
        changes=_changes(scenario, mounted), use=_use(plant),
        streams=streams[streams["week"] <= pd.Timestamp(as_of)],
        stock=plant.stock[as_of], arrivals=orders.drop(columns="cancelled_on"),
        store_losses=lost[lost["found_on"] <= as_of], mounted=_mounted(plant), scenario=scenario,
    )  # fmt: skip
