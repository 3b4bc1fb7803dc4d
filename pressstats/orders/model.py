"""Variables and rules of the programme as HiGHS is given them, and what its answer means."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .offered import Costs, Item, Orders, offer_rows

__all__ = ["Model"]

#: Decimals of costs and bounds. Their last digits depend on the order in which a machine sums up, and within its gap
#: the search may take another plan for them.
_DIGITS = 6


class Model:
    """Variables and rules, numbered as they are made.

    Quantities of a material are counted in its smallest pack. Orders of its offers count from the first of the
    reference's due days (those of the first offer) that they are due by.
    """

    def __init__(
        self,
        items: Sequence[Item],
        costs: Costs,
        shared: bool,
    ) -> None:
        self.items, self.rows = items, offer_rows(items)
        self.offers = [offer for item in items for offer in item.offers]
        self.orders = len(items[0].needs) if items else 0
        # What a full load spares of freights to come; that of what is needed anyhow is taken back in the end, so
        # that the cost is freight as it is paid, but for what is bought ahead.
        self.spared = costs.load if costs.filled else 0.0
        self._cost: list[float] = []
        self.uppers: list[float] = []
        self._whole: list[int] = []
        self._rules: list[tuple[list[int], list[float], float, float]] = []
        shape = (len(self.offers), self.orders)
        self.packs = np.zeros(shape, dtype=int)
        self.made = np.full(shape, -1)
        #: Place of the first of the reference's orders that an order counts for.
        self.counts_from = np.zeros(shape, dtype=int)
        self.shared, self.costs = shared, costs
        #: Variable that is 1 whatever is ordered: what the cost counts from.
        self.fixed = -1
        self.reached: dict[tuple[str, str, int, float], int] = {}
        self.lacking = np.zeros((len(items), self.orders), dtype=int)
        self.loads: dict[tuple[str, tuple[int, ...]], np.ndarray] = {}

    def new(self, cost: float, upper: float = np.inf, whole: int | None = None) -> int:
        """Make a variable of 0 or more and return its place; `whole` is the order that it is a whole number of."""
        self._cost.append(round(cost, _DIGITS))
        self.uppers.append(upper)
        self._whole.append(-1 if whole is None else whole)
        return len(self._cost) - 1

    def rule(self, columns: list[int], values: list[float], low: float, high: float) -> None:
        """Keep a sum of variables within bounds."""
        self._rules.append((columns, values, round(low, _DIGITS), round(high, _DIGITS)))

    def counted_by(self, place: int, order: int) -> tuple[list[int], list[float]]:
        """Return the packs of a material that count by a place of the reference, and what each is in its packs."""
        columns: list[int] = []
        values: list[float] = []
        for row in range(self.rows[place].start, self.rows[place].stop):
            counted = np.flatnonzero(self.counts_from[row] <= order)
            columns += [int(column) for column in self.packs[row, counted]]
            values += [self.offers[row].pack / self.items[place].pack] * len(counted)
        return columns, values

    @property
    def cost(self) -> np.ndarray:
        """Cost of each variable [currency]."""
        return np.array(self._cost)

    @property
    def lower(self) -> np.ndarray:
        """Least value of each variable."""
        lower = np.zeros(len(self._cost))
        if self.fixed >= 0:
            lower[self.fixed] = 1.0
        return lower

    @property
    def upper(self) -> np.ndarray:
        """Most of each variable."""
        return np.array(self.uppers)

    @property
    def whole(self) -> np.ndarray:
        """Place of the order that a variable is a whole number of; -1 where it need not be one."""
        return np.array(self._whole, dtype=int)

    def as_before(self, reviews: int) -> tuple[np.ndarray, np.ndarray] | None:
        """Return bounds that leave the next reviews as planned before; None where nothing was, or it cannot be kept."""
        lower, upper = self.lower, self.upper
        bound = False
        for row, offer in enumerate(self.offers):
            for order in np.flatnonzero(np.isfinite(offer.before[:reviews])):
                said = float(offer.before[order]) / offer.pack
                column = int(self.packs[row, order])
                if abs(said - round(said)) > 1e-6 or round(said) > upper[column]:
                    return None
                lower[column] = upper[column] = round(said)
                bound = True
        return (lower, upper) if bound else None

    def constraints(self) -> object:
        """Return the rules as one sparse constraint."""
        from scipy import optimize, sparse

        rules = np.repeat(np.arange(len(self._rules)), [len(rule[0]) for rule in self._rules])
        columns = np.concatenate([rule[0] for rule in self._rules]).astype(int)
        values = np.concatenate([rule[1] for rule in self._rules])
        matrix = sparse.csr_array((values, (rules, columns)), shape=(len(self._rules), len(self._cost)))
        return optimize.LinearConstraint(
            matrix, [rule[2] for rule in self._rules], [rule[3] for rule in self._rules]
        )

    def read(self, x: np.ndarray, cost: float, gap: float) -> Orders:
        """Return quantities and loads of a solution."""
        pack = np.array([offer.pack for offer in self.offers])[:, None]
        quantity = np.round(x[self.packs]) * pack if len(self.offers) else np.zeros((0, self.orders))
        loads: dict[str, np.ndarray] = {}
        for (supplier, _), columns in self.loads.items():
            loads[supplier] = loads.get(supplier, np.zeros(self.orders)) + np.round(x[columns])
        pack = np.array([item.pack for item in self.items])[:, None]
        lacking = x[self.lacking] * pack if len(self.items) else np.zeros((0, self.orders))
        return Orders(quantity, loads, np.where(lacking > 1e-6 * pack, lacking, 0.0), cost, gap)
