"""Cover of a constant use, run-outs with open orders counted in, and paths of use by day."""

from __future__ import annotations

from pathlib import Path

import issue_simulation
import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.demand import demand_outlook
from pressstats.logs import Logs, read_logs
from pressstats.orders import Paths, demand_paths, open_orders, stock_cover

DAYS = 182


def logs_of(folder: Path, tables: dict[str, pd.DataFrame], toml: str = "") -> Logs:
    return read_logs(write_small_plant(folder / "logs", tables, PLANT_TOML + toml))


def constant_paths(logs: Logs, use: dict[str, float], spread: float = 0.0, count: int = 400) -> Paths:
    days = pd.date_range(logs.as_of + pd.Timedelta(days=1), periods=DAYS, freq="D", unit="us")
    mean = np.stack([np.full(DAYS, value) for value in use.values()])
    rng = np.random.default_rng(1)
    factor = (
        np.maximum(rng.normal(1, spread, (len(use), count, 1)), 0)
        if spread
        else np.ones((len(use), count, 1))
    )
    return Paths(days, list(use), np.repeat(mean[:, None, :], count, axis=1) * factor, mean)


def stock_table(**quantities: float) -> pd.DataFrame:
    frame = pd.DataFrame({"material": list(quantities), "quantity": list(quantities.values())})
    return frame.assign(counted_on=FIRST_DAY, why="").astype({"counted_on": "datetime64[us]"})


def test_cover_of_a_constant_use_is_stock_over_use(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, small_tables())
    none = open_orders(logs).iloc[:0]
    for quantity, use in ((3_500.0, 100.0), (3_550.0, 100.0), (1.0, 100.0), (0.0, 100.0), (91_000.0, 100.0)):
        cover = stock_cover(logs, stock_table(N1200=quantity), none, constant_paths(logs, {"N1200": use}))
        assert cover.loc[0, "days_cover"] == pytest.approx(quantity / use)
        # The day on which it does not suffice: 3,500 kg at 100 last 35 days, so the 36th runs short.
        short = int(np.floor(quantity / use)) + 1
        expected = logs.as_of + pd.Timedelta(days=short) if short <= DAYS else pd.NaT
        for column in ("runs_out_q05", "runs_out_q50"):
            assert cover.loc[0, column] == expected or (pd.isna(expected) and pd.isna(cover.loc[0, column]))


def test_an_open_order_moves_the_run_out_by_what_it_brings_and_not_the_cover(tmp_path: Path) -> None:
    tables = small_tables()
    deliveries = tables["deliveries"].copy()
    deliveries["promised_on"] = deliveries["promised_on"].where(
        deliveries["delivered_on"].isna(), deliveries["delivered_on"]
    )  # a supplier that was never late
    logs = logs_of(tmp_path, tables | {"deliveries": deliveries})
    paths = constant_paths(logs, {"N1200": 1000.0})
    cover = stock_cover(logs, stock_table(N1200=5500.0), open_orders(logs), paths)
    # D4 brings 10,000 kg on the fourth day, so 15,500 kg last 15 days and the 16th runs short.
    assert cover.loc[0, "days_cover"] == pytest.approx(5.5)
    assert cover.loc[0, "runs_out_q50"] == logs.as_of + pd.Timedelta(days=16)
    # Promised too late to help: it runs out first.
    late = open_orders(logs).assign(promised_on=logs.as_of + pd.Timedelta(days=10))
    cover = stock_cover(logs, stock_table(N1200=5500.0), late, paths)
    assert cover.loc[0, "runs_out_q50"] == logs.as_of + pd.Timedelta(days=6)
    # Nine days overdue, where nothing was ever late: half of such waits last ten days more, so that in half of the
    # scenarios 15,500 kg last until it has come and 5,500 kg do not.
    overdue = open_orders(logs).assign(promised_on=logs.as_of - pd.Timedelta(days=9))
    for quantity, lasts in ((15500.0, 25), (5500.0, 5)):
        cover = stock_cover(logs, stock_table(N1200=quantity), overdue, paths)
        assert cover.loc[0, "runs_out_q50"] == logs.as_of + pd.Timedelta(days=lasts + 1)


def test_paths_keep_the_mean_and_move_together(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    swing = dict(enumerate(rng.normal(1, 0.1, 7 * 70)))
    plant = issue_simulation.Plant(
        [
            issue_simulation.Title("Daily", copies=lambda day: round(20_000 * swing[day // 7])),
            issue_simulation.Title("Weekly", (3,), copies=lambda day: round(60_000 * swing[day // 7])),
        ],
        days=7 * 70,
    )
    logs = issue_simulation.logs_of(tmp_path, plant)
    outlook = demand_outlook(issue_simulation.recipe_from(logs))
    paths = demand_paths(outlook, logs.as_of)
    assert paths.days[0] == logs.as_of + pd.Timedelta(days=1)
    assert paths.use.shape == (len(outlook.names), 400, DAYS)
    weekly = paths.use[:, :, :91].reshape(len(outlook.names), 400, 13, 7).sum(axis=3)
    np.testing.assert_allclose(paths.mean[:, :91].reshape(-1, 13, 7).sum(axis=2), outlook.mean[:, :13])
    paper = outlook.names.index("N1200")
    np.testing.assert_allclose(weekly[paper].mean(axis=0), outlook.mean[paper, :13], rtol=0.05)
    # Paper and black ink are of the same copies: what is more of one is more of the other.
    ink = outlook.names.index("black")
    assert np.corrcoef(weekly[paper].sum(axis=1), weekly[ink].sum(axis=1))[0, 1] > 0.3
    again = demand_paths(outlook, logs.as_of)
    np.testing.assert_array_equal(paths.use, again.use)


def test_a_use_that_varies_to_an_unknown_extent_has_cover_but_no_run_out(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, small_tables())
    paths = constant_paths(logs, {"N1200": 250.0})
    paths.use[:] = np.nan
    cover = stock_cover(logs, stock_table(N1200=5000.0), open_orders(logs), paths)
    assert cover.loc[0, "days_cover"] == pytest.approx(20)
    assert cover[["runs_out_q05", "runs_out_q50"]].isna().all(axis=None)


def test_unknown_stock_and_no_use_leave_the_cover_blank(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, small_tables())
    stock = stock_table(N1200=np.nan, black=500.0, cyan=500.0)
    paths = constant_paths(logs, {"N1200": 10.0, "black": 0.0})
    cover = stock_cover(logs, stock, open_orders(logs), paths).set_index("material")
    assert cover[["days_cover", "runs_out_q05", "runs_out_q50"]].isna().all(axis=None)
    assert cover["quantity"].tolist() == [pytest.approx(np.nan, nan_ok=True), 500.0, 500.0]


@pytest.mark.parametrize(("closed", "lasts"), [("saturday", 15), ("friday", 5)])
def test_what_is_promised_for_a_day_that_does_not_receive_may_come_too_late(
    tmp_path: Path, closed: str, lasts: int
) -> None:
    # D4 is promised for Friday, the fifth day, and 5,500 kg last for Friday's issue: 10,000 kg that come on Friday are
    # in time for Saturday's, and on Saturday it has run out.
    tables = small_tables()
    tables["deliveries"] = tables["deliveries"].query("delivery_id == 'D4'")
    logs = logs_of(tmp_path, tables, f'\n[calendar]\nno_receipts = ["{closed}"]\n')
    orders = open_orders(logs)
    assert orders["promised_on"].dt.day_name().tolist() == ["Friday"]
    paths = constant_paths(logs, {"N1200": 1000.0})
    cover = stock_cover(logs, stock_table(N1200=5500.0), orders, paths)
    assert cover.loc[0, "runs_out_q50"] == logs.as_of + pd.Timedelta(days=lasts + 1)


def test_an_overdue_order_is_waited_for_as_long_as_those_that_came_later_still(tmp_path: Path) -> None:
    # One load in three was 12 days late, the others punctual; this one, nine days overdue, is none of the punctual.
    tables = small_tables()
    came = tables["deliveries"].query("delivery_id == 'D1'")
    rows = [
        came.assign(delivery_id=f"L{n}", load=f"L{n}", delivered_on=FIRST_DAY, promised_on=FIRST_DAY - late)
        for n, late in enumerate([pd.Timedelta(days=0), pd.Timedelta(days=0), pd.Timedelta(days=12)] * 4)
    ]
    overdue = tables["deliveries"].query("delivery_id == 'D4'")
    nine = FIRST_DAY + pd.Timedelta(days=13 - 9)
    tables["deliveries"] = pd.concat([*rows, overdue.assign(ordered_on=FIRST_DAY, promised_on=nine)])
    logs = logs_of(tmp_path, tables, "\n[calendar]\nno_receipts = []\n")
    assert logs.as_of == nine + pd.Timedelta(days=9)
    # It comes on the third day from as-of, for the fourth issue, as the four did that came later: 3,500 kg last until
    # then, and 2,500 kg do not. In one case of five it does as none ever did.
    paths = constant_paths(logs, {"N1200": 1000.0})
    for quantity, lasts, least in ((3500.0, 13, 3), (2500.0, 2, 2)):
        cover = stock_cover(logs, stock_table(N1200=quantity), open_orders(logs), paths)
        assert cover.loc[0, "runs_out_q50"] == logs.as_of + pd.Timedelta(days=lasts + 1)
        assert cover.loc[0, "runs_out_q05"] == logs.as_of + pd.Timedelta(days=least + 1)
