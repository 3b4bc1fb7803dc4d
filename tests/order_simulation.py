"""A plant that is ordered for week by week: true use and lateness, a store, and rules that fill it.

Logs of an invented plant are written, and what each week would have been forecast is taken from the forecasts
remade there. From a week on nothing of its deliveries is used but how late suppliers were: orders are placed by a
rule on each review day, come as late as drawn, and the store is kept day by day. What cannot be printed is not
owed later. All rules meet the same use and the same lateness.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from demo_plant import write_demo

from pressstats import ink, paper
from pressstats.demand import Outlook, demand_outlook, driver_days, recipe_of, weekly_use
from pressstats.forecast import Forecast
from pressstats.logs import Logs, read_logs
from pressstats.offers import offers
from pressstats.orders.contracts import BREACH
from pressstats.orders.leadtimes import LeadTimes, lead_days
from pressstats.orders.rates import expedite_price
from pressstats.orders.rushing import EXPEDITE_DAYS
from pressstats.plant import WEEKDAYS
from pressstats.tables import INPUTS

__all__ = ["DAY", "Loop", "Result", "Review", "SimulatedPlant", "simulated_plant", "with_mills"]

#: Weeks before anything is counted: orders placed earlier are on the road, whatever the rule.
WARM_UP = 6
DAY = pd.Timedelta(days=1)
_START_DAYS = 14
_RUSH = "rush"
_ORDERS = [
    "delivery_id",
    "material",
    "supplier",
    "quantity",
    "ordered_on",
    "promised_on",
    "delivered_on",
    "load",
]


@dataclass(frozen=True)
class SimulatedPlant:
    """An invented plant and what was true of it.

    Attributes
    ----------
    logs : Logs
        Its logs, without agreed prices: purchases are not counted.
    outlook : Outlook
        Forecasts from every past week.
    use : DataFrame, shape (days, materials)
        True use of each day, a year's repeated after the last [unit of the material].
    late : dict of ndarray
        How late loads of each supplier were [day].
    seed : int
        Seed.
    terms : DataFrame or None
        Input table ``terms``, where several deliver a material.
    """

    logs: Logs
    outlook: Outlook
    use: pd.DataFrame
    late: dict[str, np.ndarray]
    seed: int
    terms: pd.DataFrame | None = None

    def outlook_at(self, origin: int) -> Outlook:
        """Return the outlook of one who has seen `origin` weeks."""
        outlook = self.outlook
        history = outlook.history.iloc[:origin]
        first = outlook.history.index[0] + 7 * origin * DAY
        weeks = pd.date_range(first, periods=len(outlook.weeks), freq="7D", unit="us")
        days = pd.date_range(first, periods=7 * len(weeks), freq="D", unit="us")
        daily = driver_days(outlook.recipe, first - DAY, days).to_numpy()
        daily = daily.reshape(len(weeks), 7, -1).transpose(2, 0, 1)
        total = daily.sum(axis=2, keepdims=True)
        shares = np.where(total > 0, daily / np.where(total > 0, total, 1.0), 1 / 7)
        chosen = outlook.backtest.chosen(origin)
        forecast = Forecast(weeks, history.columns, outlook.backtest.judged(origin, chosen), 0.0)
        return replace(
            outlook,
            history=history,
            chosen=chosen,
            weeks=weeks,
            forecast=forecast,
            shares=np.nan_to_num(shares),
        )


def simulated_plant(folder: Path, seed: int, years: int = 4) -> SimulatedPlant:
    """Write an invented plant into `folder` and return it with what was true of it."""
    write_demo(folder, seed=seed, years=years)
    logs = read_logs(folder)
    runs = paper.weighed_paper(logs).runs
    exposure = ink.ink_exposure(logs)
    intervals, fits, _ = ink.judge_inks(ink.ink_intervals(logs, exposure))
    history = weekly_use(logs, runs, exposure, intervals, ink.ink_model(intervals, fits), fits)
    outlook = demand_outlook(recipe_of(logs, history, exposure))
    came = (
        logs["deliveries"].dropna(subset=["delivered_on"]).drop_duplicates(["supplier", "load", "order_id"])
    )
    days = (came["delivered_on"] - came["promised_on"]).dt.days.to_numpy(dtype=float)
    late = {str(name): days[rows] for name, rows in came.groupby("supplier").indices.items()}
    tables = {name: logs[name] for name in ("materials", "deliveries")}
    use = _true_use(logs, history)
    # Every rule orders on the review day of each week: a plan that kept the plant's closed days would miss turns.
    calendar = logs.plant.calendar.model_copy(update={"ordering_closed": ()})
    logs = replace(logs, tables=tables, plant=logs.plant.model_copy(update={"calendar": calendar}))
    return SimulatedPlant(logs, outlook, use, late, seed)


def _true_use(logs: Logs, history: pd.DataFrame) -> pd.DataFrame:
    """Share each week's use among its days as they really were: by reel mounts, plates, else by copies printed."""
    days = pd.date_range(history.index[0], periods=7 * len(history), freq="D", unit="us")
    runs = logs["runs"].set_index("run_id")
    copies = runs.groupby("date")["copies_gross"].sum().reindex(days, fill_value=0.0)
    plates = runs.groupby("date")["plates"].sum().reindex(days, fill_value=0.0)
    mounts = logs["reel_mounts"]
    kg = (mounts["start_kg"] - mounts["returned_kg"].fillna(0.0)).fillna(0.0)
    by_day = (
        kg.groupby([mounts["run_id"].map(runs["date"]), mounts["material"]]).sum().unstack(fill_value=0.0)
    )
    by_day = by_day.reindex(days, fill_value=0.0)
    kinds = logs["materials"].set_index("material")["kind"]
    columns = {}
    for name in history:
        # A week that the logs do not tell was like those around it.
        weekly = history[name].interpolate(limit_direction="both").to_numpy()
        pattern = by_day[name] if name in by_day else plates if kinds[name] == "plate" else copies
        share = pattern.to_numpy(dtype=float).reshape(-1, 7)
        total = share.sum(axis=1, keepdims=True)
        share = np.where(total > 0, share / np.where(total > 0, total, 1.0), 1 / 7)
        columns[name] = (share * weekly[:, None]).reshape(-1)
    year = {name: np.concatenate([values, values[-364:]]) for name, values in columns.items()}
    return pd.DataFrame(year, index=pd.date_range(days[0], periods=len(days) + 364, freq="D", unit="us"))


def with_mills(plant: SimulatedPlant, weeks: int = 52, warm_up: int = WARM_UP) -> SimulatedPlant:
    """Return the plant with two further mills for each newsprint, contracts with two of them, and shares.

    The second mill is a little cheaper and slower, the third dearer and as late again; more than half of the need is
    agreed with the mill of record, a third with the second, for the weeks that are counted.
    """
    rng = np.random.default_rng([plant.seed, 17])
    materials = plant.logs["materials"]
    first = plant.outlook.history.index[0] + 7 * (len(plant.outlook.history) - weeks) * DAY
    rows, late = [], dict(plant.late)
    for row in materials[materials["kind"] == "newsprint"].itertuples():
        need = float(plant.outlook.history[row.material].iloc[-weeks - warm_up - 52 : -weeks - warm_up].sum())
        record = str(row.supplier)
        late["Second mill"] = plant.late[record]
        late["Third mill"] = 2 * plant.late[record]
        for supplier, price, lead, part in (
            (record, 1.0, 0, 0.55),
            ("Second mill", float(rng.uniform(0.96, 0.99)), 7, 0.35),
            ("Third mill", float(rng.uniform(1.01, 1.04)), -5, 0.0),
        ):
            rows.append(
                {
                    "material": row.material,
                    "supplier": supplier,
                    "valid_from": pd.Timestamp("2000-01-01"),
                    "unit_price": price * row.unit_price,
                    "lead_time_days": row.lead_time_days + lead,
                    "pack_quantity": row.pack_quantity,
                    "load_quantity": row.load_quantity,
                    "order_minimum": row.order_minimum,
                    "contract_quantity": part * need * weeks / 52 if part else np.nan,
                    "contract_from": first,
                    "contract_to": first + (7 * weeks - 1) * DAY,
                    "tolerance_pct": 10.0,
                    "share_maximum_pct": 75.0 if supplier != "Third mill" else 25.0,
                }
            )
    terms = pd.DataFrame(rows)
    kinds = INPUTS["terms"].empty().dtypes
    terms = terms.reindex(columns=list(kinds.index)).astype(kinds.to_dict())
    return replace(plant, terms=terms, late=late)


@dataclass
class Result:
    """What a rule cost and how often it ran out.

    Attributes
    ----------
    weeks_short : float
        Share of material-weeks with a stock-out.
    nights : float
        Nights that could not be printed whole.
    stock_kg : float
        Mean newsprint on hand [kg].
    freight, holding, expediting, shortage, purchase, breach : float
        Cost over the counted weeks [currency]; purchase above the lowest price of each material, breach of what is
        drawn outside the tolerance of contracts.
    drawn : Series
        What was drawn of each contract, as a part of it, by (supplier, material).
    rushed : float
        Weeks of a year in which something of a material was brought by other means, added up over materials.
    told : list of (DataFrame, float)
        Of each counted review's plan: how likely contracts end outside their tolerance, and in how many weeks of a year
        something is brought by other means by it.
    loads, near_empty : float
        Loads, and the share of them that are filled to less than a quarter.
    overfull : float
        Share of receipts that came to a tank or store without room for all of them.
    by_material : Series
        Weeks with a stock-out of each material.
    held : Series
        Mean stock of each material [unit of the material].
    gap : float
        Mean proven gap of the programme.
    flutter : list of (float, float)
        From week to week: by how much next review's newsprint was planned differently [kg], and how much of stock
        and forecast was news since [kg].
    """

    weeks_short: float
    nights: float
    stock_kg: float
    freight: float
    holding: float
    expediting: float
    shortage: float
    loads: float
    near_empty: float
    overfull: float
    by_material: pd.Series
    held: pd.Series
    gap: float = np.nan
    flutter: list[tuple[float, float]] = field(default_factory=list)
    purchase: float = 0.0
    breach: float = 0.0
    rushed: float = 0.0
    told: list[tuple[pd.DataFrame, float]] = field(default_factory=list)
    drawn: pd.Series = field(default_factory=lambda: pd.Series(dtype="float64"))

    @property
    def cost(self) -> float:
        """Freight, holding, expediting, shortage, purchase and breach [currency]."""
        return self.freight + self.holding + self.expediting + self.shortage + self.purchase + self.breach


class Loop:
    """The store of a plant over the weeks that are simulated."""

    def __init__(self, plant: SimulatedPlant, weeks: int = 52, warm_up: int = WARM_UP) -> None:
        self.plant, self.weeks, self.warm_up = plant, weeks, warm_up
        logs, outlook = plant.logs, plant.outlook
        materials = logs["materials"].set_index("material")
        self.names = [name for name in outlook.names if name in materials.index]
        self.materials = materials.loc[self.names]
        self.first = len(outlook.history) - weeks - warm_up
        monday = outlook.history.index[0] + 7 * self.first * DAY
        review = WEEKDAYS.index(logs.plant.policy.review_day)
        #: Day before the first review.
        self.start = monday + (review - 1) * DAY
        known = logs["deliveries"]
        known = known[(known["delivered_on"] <= self.start) & known["cancelled_on"].isna()]
        self.past = known
        rng = np.random.default_rng([plant.seed, 5])
        #: Who delivers what: supplier of record alone without terms.
        self.offers = {name: [str(self.materials.loc[name, "supplier"])] for name in self.names}
        if plant.terms is not None:
            mills = plant.terms.groupby("material")["supplier"].apply(list)
            self.offers |= {name: mills[name] for name in self.names if name in mills}
        suppliers = sorted({one for mills in self.offers.values() for one in mills})
        reviews = weeks + warm_up + 60
        self.lateness = {one: rng.choice(plant.late[one], reviews).astype(int) for one in suppliers}
        self._open = rng.integers(0, 1 << 30)
        #: What was ordered in the run before.
        self.orders: list[dict] = []
        #: What was forecast, by the weeks seen: the days of a week share it.
        self.outlooks: dict[int, Outlook] = {}

    # --- one rule ------------------------------------------------------------------------------

    def run(  # long: one day's steps, in their order
        self, rule: Callable[[Loop, Review], dict[str, np.ndarray]]
    ) -> Result:
        """Let a rule order for all weeks."""
        daily = self.plant.use.loc[self.start - 91 * DAY : self.start, self.names].mean()
        stock = (daily * _START_DAYS).to_numpy()
        orders = self._first_orders(daily)
        freight, expediting, loads, near_empty, gaps = 0.0, 0.0, 0.0, 0.0, []
        nothing = np.zeros(len(self.names))
        nights: list[np.ndarray] = []
        held: list[np.ndarray] = []
        overfull: list[bool] = []
        flutter: list[tuple[float, float]] = []
        before: tuple[float, Review] | None = None
        told: list[tuple[pd.DataFrame, float]] = []
        for week in range(self.weeks + self.warm_up):
            review = Review(self, week, self.start + 7 * week * DAY, stock, orders)
            quantity = rule(self, review)
            counted = week >= self.warm_up
            made, full, poor = self._placed(review, self.by_supplier(quantity))
            rushed, extra = self._rushed(review, quantity.get("expedite", nothing))
            orders = [*orders, *made, *rushed]
            if counted:
                expediting += extra
                freight += full * self.plant.logs.plant.policy.freight_per_load
                loads, near_empty = loads + full, near_empty + poor
                gaps.append(float(quantity.get("gap", np.array(np.nan))))
            if "told" in quantity and counted:
                told.append(quantity["told"])
            if "next" in quantity:
                if before is not None and counted:
                    now = float(quantity["quantity"][self.paper].sum())
                    flutter.append((abs(now - before[0]), review.news(before[1])))
                before = float(quantity["next"][self.paper].sum()), review
            for day in range(1, 8):
                today = review.today + day * DAY
                use = self.plant.use.loc[today, self.names].to_numpy()
                # The issue of a day is printed the evening before: trucks of the day come too late for it.
                stock, missing = self._printed(stock, use)
                for order in orders:
                    if order["delivered_on"] == today:
                        stock = stock + np.where(self.index == order["material"], order["quantity"], 0.0)
                if counted:
                    overfull += self._without_room(stock, orders, today)
                    nights.append(missing)
                    held.append(stock)
                if day < 7 and self.looked_at(today + DAY):
                    look = Review(self, week, today, stock, orders, between=True)
                    rushed, extra = self._rushed(look, rule(self, look).get("expedite", nothing))
                    orders = [*orders, *rushed]
                    expediting += extra if counted else 0.0
        policy, price = self.plant.logs.plant.policy, self.materials["unit_price"].to_numpy()
        purchase, breach, drawn = self._bought(orders)
        self.orders = orders
        out, on_hand = np.array(nights), np.array(held)
        short = out.reshape(-1, 7, len(self.names)).any(axis=1)
        return Result(
            weeks_short=float(short.mean()),
            nights=float(out.any(axis=1).sum()),
            stock_kg=float(on_hand[:, self.paper].sum(axis=1).mean()),
            freight=freight,
            holding=float((on_hand * price).sum() * policy.holding_cost_rate / 365.25),
            expediting=expediting,
            shortage=policy.stockout_cost * float(out.any(axis=1).sum()),
            loads=loads,
            near_empty=near_empty / max(loads, 1.0),
            overfull=float(np.mean(overfull)) if overfull else 0.0,
            by_material=pd.Series(short.sum(axis=0), index=self.names),
            held=pd.Series(on_hand.mean(axis=0), index=self.names),
            gap=float(np.nanmean(gaps)) if np.isfinite(gaps).any() else np.nan,
            flutter=flutter,
            purchase=purchase,
            breach=breach,
            rushed=self._rushes() * 52 / self.weeks,
            told=told,
            drawn=drawn,
        )

    def by_supplier(self, quantity: dict[str, Any]) -> dict[str, np.ndarray]:
        """Return what a rule orders of each supplier, shape (materials,) each; of record where it names none."""
        if "of" in quantity:
            return quantity["of"]
        record = self.materials["supplier"].to_numpy()
        return {one: np.where(record == one, quantity["quantity"], 0.0) for one in dict.fromkeys(record)}

    def _bought(self, orders: list[dict]) -> tuple[float, float, pd.Series]:
        """Return what purchases cost above the lowest price, what breaches cost, and the part of contracts drawn."""
        terms = self.plant.terms
        if terms is None:
            return 0.0, 0.0, pd.Series(dtype="float64")
        first = self.start + (7 * self.warm_up + 1) * DAY
        rows = pd.DataFrame([one for one in orders if not str(one["load"]).startswith((_RUSH, "first"))])
        rows = rows.merge(terms[["material", "supplier", "unit_price"]], on=["material", "supplier"])
        lowest = terms.groupby("material")["unit_price"].min()
        counted = rows[rows["ordered_on"] >= first]
        above = counted["unit_price"] - counted["material"].map(lowest)
        purchase = float((counted["quantity"] * above).sum())
        breach, parts = 0.0, {}
        for one in terms[terms["contract_quantity"] > 0].itertuples():
            mine = rows[(rows["material"] == one.material) & (rows["supplier"] == one.supplier)]
            # Until the end of what is simulated, as much of the contract as of its year has passed.
            end = min(one.contract_to, self.start + 7 * (self.weeks + self.warm_up) * DAY)
            part = ((end - one.contract_from).days + 1) / ((one.contract_to - one.contract_from).days + 1)
            drawn = float(mine.loc[mine["delivered_on"].between(one.contract_from, end), "quantity"].sum())
            asked = part * one.contract_quantity
            parts[one.supplier, one.material] = drawn / asked
            outside = max(abs(drawn - asked) - one.tolerance_pct / 100 * asked, 0.0)
            breach += BREACH * one.unit_price * outside
        return purchase, breach, pd.Series(parts)

    def _rushes(self) -> int:
        """Return in how many weeks of materials something was brought by other means, of those counted."""
        first = self.start + (7 * self.warm_up + 1) * DAY
        rushed = [one for one in self.orders if one["load"].startswith(_RUSH) and one["ordered_on"] >= first]
        return len({(one["material"], (one["ordered_on"] - first).days // 7) for one in rushed})

    def _without_room(self, stock: np.ndarray, orders: list[dict], today: pd.Timestamp) -> list[bool]:
        """Say of each receipt of a day whether all of it had room, with what is on hand after it."""
        most = self.materials["storage_maximum"].fillna(np.inf).to_numpy()
        floor = self.plant.logs.plant.policy.newsprint_storage_maximum_kg or np.inf
        full = (stock > most + 1e-6) | (self.paper & (stock[self.paper].sum() > floor))
        return [
            bool(full[self.names.index(one["material"])]) for one in orders if one["delivered_on"] == today
        ]

    @property
    def index(self) -> np.ndarray:
        """Materials."""
        return np.array(self.names, dtype=object)

    @property
    def paper(self) -> np.ndarray:
        """Which materials are newsprint."""
        return (self.materials["kind"] == "newsprint").to_numpy()

    def looked_at(self, day: pd.Timestamp) -> bool:
        """Say whether somebody looks on a day that is no review what must be rushed."""
        return self.plant.logs.plant.policy.looked_at == "daily" and self.receives(day) == day

    def receives(self, day: pd.Timestamp) -> pd.Timestamp:
        """Return the first day from `day` on that receives."""
        calendar = self.plant.logs.plant.calendar
        while not calendar.receives(pd.DatetimeIndex([day])).all():
            day += DAY
        return day

    def _first_orders(self, daily: pd.Series) -> list[dict]:
        """Return what is on the road at the start: a week's use for each week until a first order could come."""
        rng = np.random.default_rng(self._open)
        found = []
        for name in self.names:
            row = self.materials.loc[name]
            supplier = str(row["supplier"])
            for week in range(1, int(np.ceil(float(row["lead_time_days"]) / 7)) + 2):
                promised = self.receives(self.start + (7 * week - 2) * DAY)
                came = promised + int(rng.choice(self.plant.late[supplier])) * DAY
                packs = np.ceil(7 * daily[name] / row["pack_quantity"])
                found.append(
                    {
                        "delivery_id": f"first {name} {week}",
                        "material": name,
                        "supplier": supplier,
                        "quantity": float(packs * row["pack_quantity"]),
                        "ordered_on": self.start - 7 * DAY,
                        "promised_on": promised,
                        "delivered_on": self.receives(max(came, self.start + DAY)),
                        "load": f"first {supplier} {week}",
                    }
                )
        return found

    def _printed(self, stock: np.ndarray, use: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return stock after a night, and what was missing although others stood in for it."""
        left = stock - use
        for name, target in self.materials["stands_in_for"].dropna().items():
            other, own = self.names.index(name), self.names.index(target)
            size = self.materials["width_mm"] * self.materials["grammage_gsm"]
            ratio = float(size[name] / size[target])
            taken = min(max(-left[own], 0.0), max(left[other], 0.0) / ratio)
            left[own] += taken
            left[other] -= ratio * taken
        return np.maximum(left, 0.0), left < -1e-6

    def _rushed(self, review: Review, quantity: np.ndarray) -> tuple[list[dict], float]:
        """Return what is brought by other means and what that costs: by the policy's rate, and a load a supplier."""
        made, cost = [], 0.0
        policy = self.plant.logs.plant.policy
        came = self.receives(review.today + (1 + EXPEDITE_DAYS) * DAY)
        for place in np.flatnonzero(quantity > 0):
            row, name = self.materials.iloc[place], self.names[place]
            amount = float(np.ceil(quantity[place] / row["pack_quantity"] - 1e-9) * row["pack_quantity"])
            cost += expedite_price(row, policy) * amount
            made.append(
                {
                    "delivery_id": f"rush {review.today:%Y-%m-%d} {name}",
                    "material": name,
                    "supplier": str(row["supplier"]),
                    "quantity": amount,
                    "ordered_on": review.today + DAY,
                    "promised_on": came,
                    "delivered_on": came,
                    "load": f"{_RUSH} {review.today:%Y-%m-%d} {row['supplier']}",
                }
            )
        return made, cost + policy.freight_per_load * len({one["supplier"] for one in made})

    def _placed(self, review: Review, quantity: dict[str, np.ndarray]) -> tuple[list[dict], float, float]:
        """Return the orders of a review, their loads, and how many of these are filled to less than a quarter."""
        made, loads, poor = [], 0.0, 0.0
        ordered_on = review.today + DAY
        for supplier, ordered in quantity.items():
            share = 0.0
            for place in np.flatnonzero(ordered > 0):
                row, name = self.materials.iloc[place], self.names[place]
                share += (
                    ordered[place]
                    / row["pack_quantity"]
                    / (row["load_quantity"] // row["pack_quantity"] or 1)
                )
                promised = review.due(name, supplier)
                came = promised + int(self.lateness[supplier][review.week]) * DAY
                made.append(
                    {
                        "delivery_id": f"{review.week} {name} {supplier}",
                        "material": name,
                        "supplier": supplier,
                        "quantity": float(ordered[place]),
                        "ordered_on": ordered_on,
                        "promised_on": promised,
                        "delivered_on": self.receives(max(came, ordered_on + DAY)),
                        "load": f"{review.week} {supplier}",
                    }
                )
            loads += np.ceil(share - 1e-9)
            poor += 0 < share - np.floor(share + 1e-9) < 0.25
        return made, loads, poor


@dataclass
class Review:
    """A review day, or a working day between two on which somebody looks what to rush, and what is known on it.

    Attributes
    ----------
    loop : Loop
        The plant.
    week : int
        Number of the review.
    today : Timestamp
        Day before the review; nothing later is known.
    stock : ndarray, shape (materials,)
        On hand [unit of the material].
    orders : list of dict
        All orders placed, those not yet come among them.
    between : bool
        Whether it is a day between reviews: nothing is ordered but what is brought by other means.
    """

    loop: Loop
    week: int
    today: pd.Timestamp
    stock: np.ndarray
    orders: list[dict]
    between: bool = False

    def __post_init__(self) -> None:
        self.origin = self.loop.first + self.week
        self._logs: Logs | None = None
        self._times: LeadTimes | None = None
        self._leads: dict[tuple[str, str], int] | None = None

    @property
    def logs(self) -> Logs:
        """The logs as they would have been."""
        if self._logs is None:
            placed = pd.DataFrame(self.orders, columns=_ORDERS)
            # What is rushed tells nothing of how long orders take.
            placed = placed[~placed["load"].astype("str").str.startswith(_RUSH)]
            placed["delivered_on"] = placed["delivered_on"].where(placed["delivered_on"] <= self.today)
            rows = pd.concat([self.loop.past, placed], ignore_index=True)
            kinds = {name: self.loop.past[name].dtype for name in rows if name in self.loop.past}
            full = self.loop.plant.logs
            tables = {"materials": full["materials"], "deliveries": rows.astype(kinds)}
            if self.loop.plant.terms is not None:
                tables["terms"] = self.loop.plant.terms
            self._logs = replace(full, tables=tables, as_of=self.today)
        return self._logs

    @property
    def outlook(self) -> Outlook:
        """What was forecast."""
        outlooks = self.loop.outlooks
        if self.origin not in outlooks:
            outlooks[self.origin] = self.loop.plant.outlook_at(self.origin)
        return outlooks[self.origin]

    @property
    def times(self) -> LeadTimes:
        """What was known of lateness."""
        if self._times is None:
            self._times = LeadTimes(self.logs)
        return self._times

    def lead(self, name: str, supplier: str | None = None) -> int:
        """Return the days from order to promise that the plan counts on; by default of the supplier of record."""
        if self._leads is None:
            self._leads = lead_days(offers(self.logs, self.logs.as_of), self.times)
        return self._leads[supplier or str(self.loop.materials.loc[name, "supplier"]), name]

    def due(self, name: str, supplier: str | None = None) -> pd.Timestamp:
        """Return the day for which an order of this review is promised."""
        return self.loop.receives(self.today + (1 + self.lead(name, supplier)) * DAY)

    def again(self) -> int:
        """Return in how many days somebody looks again."""
        return next(
            days
            for days in range(1, 8)
            if (self.today + days * DAY - self.loop.start).days % 7 == 0
            or self.loop.looked_at(self.today + (days + 1) * DAY)
        )

    def open_rows(self) -> pd.DataFrame:
        """Return orders placed and not yet come."""
        rows = [one for one in self.orders if one["delivered_on"] > self.today]
        return pd.DataFrame(rows, columns=_ORDERS)[
            ["delivery_id", "material", "supplier", "quantity", "promised_on"]
        ]

    def position(self) -> np.ndarray:
        """Return what is on hand and on order, shape (materials,)."""
        rows = self.open_rows()
        ordered = rows.groupby("material")["quantity"].sum()
        return np.asarray(self.stock + ordered.reindex(self.loop.names, fill_value=0.0).to_numpy(dtype=float))

    def expected(self, days: int) -> np.ndarray:
        """Return the use expected over the next days, shape (materials, days)."""
        ahead = pd.date_range(self.today + DAY, periods=days, freq="D", unit="us")
        rows = [self.outlook.names.index(name) for name in self.loop.names]
        return np.asarray(self.outlook.day_paths(2, ahead)[1][rows])

    def news(self, before: Review, days: int = 42) -> float:
        """Return by how much newsprint on hand, and that expected to be used, differ from what was thought [kg]."""
        paper = self.loop.paper
        then, now = before.expected(days + 7), self.expected(days)
        came = np.zeros(len(self.loop.names))
        for one in before.open_rows().itertuples():
            if one.promised_on <= self.today:
                came[self.loop.names.index(one.material)] += one.quantity
        stock = self.stock - np.maximum(before.stock + came - then[:, :7].sum(axis=1), 0.0)
        use = now.sum(axis=1) - then[:, 7:].sum(axis=1)
        return float(np.abs(stock[paper]).sum() + np.abs(use[paper]).sum())
