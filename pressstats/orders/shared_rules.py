"""Rules of the programme that hold for several materials or orders at once: loads, whole orders, the store, spells."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from .offered import packs_a_load, packs_needed, whole_packs

if TYPE_CHECKING:
    from .model import Model

__all__ = ["cover_spells", "fill_loads", "fit_store", "hold_whole_orders"]


def hold_whole_orders(build: Model) -> None:
    """Hold price breaks against all that is ordered of a supplier on a day in one unit."""
    units = [item.unit for item in build.items for _ in item.offers]
    for (supplier, unit, order, least), reached in build.reached.items():
        rows = [
            row for row, offer in enumerate(build.offers) if offer.supplier == supplier and units[row] == unit
        ]
        columns = [int(build.packs[row, order]) for row in rows]
        values = [build.offers[row].pack / least for row in rows]
        build.rule([*columns, reached], [*values, -1.0], 0.0, np.inf)


def fill_loads(build: Model, supplier: str, due: tuple[int, ...]) -> None:
    """Put all that one supplier brings on a day on loads."""
    own_rows = [
        row
        for row, offer in enumerate(build.offers)
        if offer.supplier == supplier and tuple(offer.due) == due
    ]
    numbers = []
    for order in range(build.orders):
        loads = build.new(build.costs.load, whole=order)
        numbers.append(loads)
        columns = [loads, *(int(build.packs[row, order]) for row in own_rows)]
        shares = [1 / packs_a_load(build.offers[row]) for row in own_rows]
        build.rule(columns, [-1.0, *shares], -np.inf, 0.0)
        # However little is ordered, it takes a load.
        for row in own_rows:
            packs, made = int(build.packs[row, order]), int(build.made[row, order])
            if made >= 0:
                build.rule([made, loads], [1.0, -1.0], -np.inf, 0.0)
            else:
                build.rule([packs, loads], [1.0, -build.uppers[packs]], -np.inf, 0.0)
    build.loads[supplier, due] = np.array(numbers)
    # What nobody else delivers.
    alone = [
        (place, rows.start)
        for place, rows in enumerate(build.rows)
        if rows.stop - rows.start == 1 and rows.start in own_rows
    ]
    for order in range(build.orders if alone else 0):
        # Whole loads: what is needed by then takes so many at the least. Expediting apart, this follows from the
        # other rules, and tells the search at once what it would find out slowly.
        need = sum(
            whole_packs(build.items[place].needs[order], build.offers[row].pack)
            / packs_a_load(build.offers[row])
            for place, row in alone
        )
        columns, values = [int(c) for c in numbers[: order + 1]], [1.0] * (order + 1)
        for place, row in alone:
            columns.append(int(build.lacking[place, order]))
            values.append(1.0 / packs_a_load(build.offers[row]) + 1.0)
        build.rule(columns, values, float(np.ceil(need - 1e-6)), np.inf)


def cover_spells(build: Model, place: int) -> None:
    """Say of every spell without an order that what came before must last through it.

    This follows from the other rules where orders are placed or not; half placed, as the search first takes them,
    it does not, and the bound it starts from is far closer with it ((l, S) inequalities of Barany, Van Roy and
    Wolsey for lot sizes, in the shorter form of Pochet and Wolsey for stock that costs; from memory).
    """
    item, rows = build.items[place], range(build.rows[place].start, build.rows[place].stop)
    # The last is what is needed before the first order.
    wanted = np.append(packs_needed(item), 0.0)
    made = {
        row: build.made[row]
        if (build.made[row] >= 0).all()
        else build.loads[build.offers[row].supplier, tuple(build.offers[row].due)]
        for row in rows
    }
    for last in np.flatnonzero(np.diff(wanted[:-1], prepend=0.0) > 0):
        for first in range(last + 1):
            if wanted[last] <= wanted[first - 1]:
                continue
            before = range(max(first - 1, 0), last + 1)
            columns, values = build.counted_by(place, first - 1)
            # An order within the spell brings what is needed from then on; what lacks for any of its needs lacks.
            for row in rows:
                counts = build.counts_from[row]
                for order in np.flatnonzero((counts >= first) & (counts <= last)):
                    columns.append(int(made[row][order]))
                    values.append(float(wanted[last] - wanted[int(counts[order]) - 1]))
            columns += [int(build.lacking[place, order]) for order in before]
            values += [1.0] * len(before)
            build.rule(columns, values, float(wanted[last]), np.inf)


def fit_store(build: Model, store: Sequence[tuple[int, float]]) -> None:
    """Keep the newsprint that is added by each day within its room."""
    room = [item.room for item in build.items for _ in item.offers]
    for day, free in store:
        columns, values = [], []
        for row, offer in enumerate(build.offers):
            if room[row] > 0:
                come = [int(c) for c in build.packs[row, np.asarray(offer.due) <= day]]
                columns += come
                values += [offer.pack * room[row] / 1000] * len(come)
        if columns:
            build.rule(columns, values, -np.inf, max(free, 0.0) / 1000)
