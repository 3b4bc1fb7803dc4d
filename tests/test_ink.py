"""The ledger of the inks and the model of their use, against loops, another library and published figures."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.ink import (
    NO_COVERAGE,
    TERMS,
    expected_use,
    ink_exposure,
    ink_intervals,
    ink_model,
    judge_intervals,
)
from pressstats.logs import Logs, read_logs
from pressstats.watch import ink_watch

IN2_M2 = 0.0254**2  # by definition of the inch
LB_KG = 0.45359237  # by definition of the pound
TWO_BLACK_TANKS = PLANT_TOML + '\n[tanks.K2]\nink = "black"\ncapacity_kg = 2000\n'


def logs_of(folder: Path, tables: dict[str, pd.DataFrame], plant_toml: str = PLANT_TOML) -> Logs:
    return read_logs(write_small_plant(folder / "logs", tables, plant_toml))


def ledger(logs: Logs) -> pd.DataFrame:
    return ink_intervals(logs, ink_exposure(logs))


def simulated(rng: np.random.Generator, inks: int, rows: int, noise_kg: float = 3.0) -> pd.DataFrame:
    """Intervals whose use is 2 g/m2, 4 kg a start and 1.5 kg a day, with independent normal errors."""
    n = inks * rows
    frame = pd.DataFrame(
        {
            "ink": np.repeat([f"ink {number:03d}" for number in range(inks)], rows),
            "read_at": np.tile(pd.date_range("2025-01-01 06:00", periods=rows, unit="us").to_numpy(), inks),
            "solid_m2": rng.uniform(2000, 9000, n),
            "starts": rng.integers(1, 5, n).astype(float),
            "days": rng.choice([1.0, 2.0, 3.0], n, p=[0.8, 0.15, 0.05]),
            "why": "",
        }
    )
    exact = 2.0 * frame["solid_m2"] / 1000 + 4.0 * frame["starts"] + 1.5 * frame["days"]
    return frame.assign(used_kg=exact + rng.normal(0, noise_kg, n))


def varied(days: int = 28, seed: int = 5) -> dict[str, pd.DataFrame]:
    """The small plant with another coverage each night, a second black tank, and dips to match."""
    rng = np.random.default_rng(seed)
    tables = small_tables(days)
    coverage = tables["coverage"]
    tables["coverage"] = coverage.assign(solid_pages=np.round(rng.uniform(0.5, 4.0, len(coverage)), 2))
    rows = []
    level = {"K1": 1500.0, "K2": 900.0, "C1": 800.0}
    for number in range(days + 1):
        level["K1"] += 300.0 if number == 7 else 0.0  # the delivery of the sixth day, ten o'clock
        for tank, ink in (("K1", "black"), ("K2", "black"), ("C1", "cyan")):
            level[tank] -= rng.uniform(2, 9)
            at = FIRST_DAY + pd.Timedelta(days=number - 1, hours=6, minutes=int(rng.integers(0, 60)))
            rows.append(
                {
                    "tank": tank,
                    "read_at": at,
                    "ink": ink,
                    "level_kg": round(level[tank] + rng.normal(0, 1), 1),
                }
            )
    tables["tank_readings"] = pd.DataFrame(rows)
    return tables


# --- units -------------------------------------------------------------------------------------


def test_a_mileage_of_350_000_square_inches_a_pound_is_two_grams_a_square_metre() -> None:
    # 350,000 in2/lb = 2.0088 g/m2 of solid: references.md, "mileage to film weight", derived (units).
    intervals = simulated(np.random.default_rng(1), 1, 40)
    square_inches = intervals["solid_m2"] / IN2_M2
    intervals["used_kg"] = (
        square_inches / 350_000 * LB_KG + 4.0 * intervals["starts"] + 1.5 * intervals["days"]
    )
    model = ink_model(intervals).set_index("term")["estimate"]
    assert model["film_g_m2"] == pytest.approx(2.0088, abs=5e-5)
    assert model["startup_kg_per_run"] == pytest.approx(4.0, rel=1e-9)
    assert model["standing_kg_per_day"] == pytest.approx(1.5, rel=1e-9)


def test_the_covered_area_of_sixteen_pages_at_thirty_per_cent(tmp_path: Path) -> None:
    # 16 pages of 9 x 12 in at 30 % cover 1,728 in2 x 0.30 = 518.4 in2: American Printer, Nov 1996,
    # seen (references.md; the page itself prints 519).
    tables = small_tables(7)
    tables["runs"] = tables["runs"].assign(page_width_mm=9 * 25.4, page_height_mm=12 * 25.4)
    tables["coverage"] = tables["coverage"].assign(solid_pages=16 * 0.30)
    logs = logs_of(tmp_path, tables)
    exposure = ink_exposure(logs).merge(logs["runs"][["run_id", "copies_gross"]], on="run_id")
    per_copy = exposure["solid_m2"] / exposure["copies_gross"] / IN2_M2
    np.testing.assert_allclose(per_copy, 518.4, rtol=1e-12)


# --- the model ---------------------------------------------------------------------------------


def test_the_model_is_ordinary_least_squares() -> None:
    # statsmodels.api.OLS(used, [solid / 1000, starts, days]).fit(): estimates, bse and conf_int().
    intervals = simulated(np.random.default_rng(2), 1, 60)
    design = np.column_stack([intervals["solid_m2"] / 1000, intervals["starts"], intervals["days"]])
    other = sm.OLS(intervals["used_kg"].to_numpy(), design).fit()
    model = ink_model(intervals).set_index("term").loc[list(TERMS)]
    np.testing.assert_allclose(model["estimate"], other.params, rtol=1e-10)
    np.testing.assert_allclose(model["std_error"], other.bse, rtol=1e-10)
    np.testing.assert_allclose(model[["ci_low", "ci_high"]], other.conf_int(0.05), rtol=1e-9)
    assert (model["readings"] == 60).all()
    np.testing.assert_allclose(expected_use(intervals, ink_model(intervals)), other.fittedvalues, rtol=1e-10)


def test_intervals_hold_the_truth_nineteen_times_in_twenty() -> None:
    # 400 ledgers with independent errors; four standard errors of a share of 0.95 are 0.044.
    ledgers = 400
    judged = judge_intervals(simulated(np.random.default_rng(3), ledgers, 40))
    model = ink_model(judged)
    truth = model["term"].map({"film_g_m2": 2.0, "startup_kg_per_run": 4.0, "standing_kg_per_day": 1.5})
    held = truth.between(model["ci_low"], model["ci_high"]).groupby(model["term"]).mean()
    assert (abs(held - 0.95) < 4 * np.sqrt(0.95 * 0.05 / ledgers)).all(), held


def test_terms_that_cannot_be_told_apart_are_blank(tmp_path: Path) -> None:
    # Every night of the small plant prints the same: film, start and standing are one number.
    model = ink_model(judge_intervals(ledger(logs_of(tmp_path, small_tables()))))
    assert len(model) == 6 and model[["estimate", "std_error", "ci_low", "ci_high"]].isna().all(axis=None)
    few = ink_model(simulated(np.random.default_rng(4), 1, 11))
    assert few["estimate"].isna().all() and (few["readings"] == 11).all()
    assert np.isnan(expected_use(simulated(np.random.default_rng(4), 1, 3), few)).all()


def test_figures_that_agree_to_the_last_digit_hold_no_jump(tmp_path: Path) -> None:
    # The dips of the small plant follow its use exactly, so rounding is all the scatter there is.
    judged = judge_intervals(ledger(logs_of(tmp_path, small_tables(28))))
    assert (judged["why"] == "").all()


def test_a_slipped_digit_is_set_aside_and_listed() -> None:
    intervals = simulated(np.random.default_rng(6), 1, 60)
    slipped = intervals.copy()
    slipped.loc[30, "used_kg"] += 900.0  # a level of 1180 written as 280, and right again the next day
    slipped.loc[31, "used_kg"] -= 900.0
    judged = judge_intervals(slipped)
    assert list(judged.index[judged["why"] == "jump"]) == [30, 31]
    model = ink_model(judged)
    without = ink_model(intervals.drop([30, 31]))
    np.testing.assert_allclose(model["estimate"], without["estimate"], rtol=1e-10)
    watch = ink_watch(judged, model)
    assert list(watch.index[watch["signal"] == "jump"]) == [30, 31]
    assert watch.loc[30, "used_kg"] == slipped.loc[30, "used_kg"]  # shown as logged, never smoothed


# --- the ledger --------------------------------------------------------------------------------


def brute_ledger(tables: dict[str, pd.DataFrame], ink: str, tanks: list[str]) -> list[tuple]:
    """Walk from occasion to occasion, a day being one, with plain loops."""
    dips = tables["tank_readings"]
    occasions = []
    for day in sorted({at.normalize() for at in dips["read_at"]}):
        today = [row for row in dips.itertuples() if row.tank in tanks and row.read_at.normalize() == day]
        if {row.tank for row in today} == set(tanks):
            occasions.append((max(row.read_at for row in today), sum(row.level_kg for row in today)))
    pages = {
        (row.run_id, row.ink): row.solid_pages
        for row in tables["coverage"].itertuples()
        if row.solid_pages > 0
    }
    out = []
    for (since, before), (read_at, level) in pairwise(occasions):
        used = before - level
        for row in tables["deliveries"].itertuples():
            if row.tank in tanks and since < row.delivered_at <= read_at:
                used += row.quantity
        solid, starts = 0.0, 0
        for run in tables["runs"].itertuples():
            if since < run.finished_at <= read_at and (run.run_id, ink) in pages:
                area = run.page_width_mm / 1000 * run.page_height_mm / 1000
                solid += run.copies_gross * pages[run.run_id, ink] * area
                starts += 1
        out.append((read_at, used, solid, starts, (read_at - since).total_seconds() / 86400))
    return out


@pytest.mark.parametrize(("ink", "tanks"), [("black", ["K1", "K2"]), ("cyan", ["C1"])])
def test_the_ledger_is_what_a_loop_finds(tmp_path: Path, ink: str, tanks: list[str]) -> None:
    tables = varied()
    # Missed dips: a night without any, and a night with one black tank only.
    dips = tables["tank_readings"]
    day = dips["read_at"].dt.normalize()
    missed = (day == FIRST_DAY + pd.Timedelta(days=3)) | (
        (day == FIRST_DAY + pd.Timedelta(days=9)) & (dips["tank"] == "K2")
    )
    tables["tank_readings"] = dips[~missed]
    mine = ledger(logs_of(tmp_path, tables, TWO_BLACK_TANKS))
    mine = mine[mine["ink"] == ink].reset_index(drop=True)
    expected = brute_ledger(tables, ink, tanks)
    assert len(mine) == len(expected) == (26 if ink == "black" else 27)
    assert (mine["why"] == "").all()
    for row, (read_at, used, solid, starts, days) in zip(mine.itertuples(), expected, strict=True):
        assert row.read_at == read_at
        assert row.used_kg == pytest.approx(used, abs=1e-9)
        assert row.solid_m2 == pytest.approx(solid, rel=1e-12)
        assert row.starts == starts
        assert row.days == pytest.approx(days, rel=1e-12)


def test_a_missed_dip_makes_a_longer_interval_of_the_same_use(tmp_path: Path) -> None:
    tables = small_tables(7)
    whole = ledger(logs_of(tmp_path / "whole", tables))
    gone = tables["tank_readings"]["read_at"] == FIRST_DAY + pd.Timedelta(days=2, hours=6)
    tables["tank_readings"] = tables["tank_readings"][~gone]
    longer = ledger(logs_of(tmp_path / "longer", tables))
    assert len(whole) - len(longer) == 2  # one of each ink
    assert sorted(longer["days"])[-2:] == [2.0, 2.0]
    columns = ["used_kg", "solid_m2", "starts", "days"]
    pd.testing.assert_frame_equal(whole.groupby("ink")[columns].sum(), longer.groupby("ink")[columns].sum())


@pytest.mark.parametrize(("hour", "used_before"), [(5, True), (7, False)])
def test_a_delivery_on_the_day_of_a_dip_counts_by_its_hour(
    tmp_path: Path, hour: int, used_before: bool
) -> None:
    tables = small_tables(7)
    deliveries = tables["deliveries"].copy()
    black = deliveries["delivery_id"] == "D3"  # 300 kg into K1 on the sixth day, dipped at six
    deliveries.loc[black, "delivered_at"] = deliveries.loc[black, "delivered_on"] + pd.Timedelta(hours=hour)
    intervals = ledger(logs_of(tmp_path, tables | {"deliveries": deliveries}))
    intervals = intervals[intervals["ink"] == "black"].set_index("read_at")["used_kg"]
    usual = (
        ledger(logs_of(tmp_path / "usual", tables)).query("ink == 'black'").set_index("read_at")["used_kg"]
    )
    dip = deliveries.loc[black, "delivered_on"].iloc[0] + pd.Timedelta(hours=6)
    moved = intervals - usual
    assert moved[dip] == pytest.approx(300.0 if used_before else 0.0)
    assert moved[dip + pd.Timedelta(days=1)] == pytest.approx(-300.0 if used_before else 0.0)


def test_a_delivery_without_an_hour_leaves_the_dip_of_its_day_out(tmp_path: Path) -> None:
    tables = small_tables(7)
    whole = ledger(logs_of(tmp_path / "whole", tables)).query("ink == 'black'")
    blank = tables["deliveries"].assign(delivered_at=pd.NaT)
    mine = ledger(logs_of(tmp_path / "mine", tables | {"deliveries": blank})).query("ink == 'black'")
    day = FIRST_DAY + pd.Timedelta(days=5)
    assert day not in set(mine["read_at"].dt.normalize())
    assert len(mine) == len(whole) - 1
    assert mine["used_kg"].sum() == pytest.approx(whole["used_kg"].sum())


def test_a_delivery_between_the_dips_of_two_tanks_leaves_them_out(tmp_path: Path) -> None:
    tables = varied(7)
    dips = tables["tank_readings"].assign(read_at=tables["tank_readings"]["read_at"].dt.normalize())
    minutes = dips["tank"].map({"K1": 360, "K2": 420, "C1": 380})  # six, seven and twenty past six
    tables["tank_readings"] = dips.assign(read_at=dips["read_at"] + pd.to_timedelta(minutes, unit="min"))
    deliveries = tables["deliveries"].copy()
    day = deliveries.loc[deliveries["delivery_id"] == "D3", "delivered_on"].iloc[0]
    deliveries.loc[deliveries["delivery_id"] == "D3", "delivered_at"] = day + pd.Timedelta(
        hours=6, minutes=30
    )
    intervals = ledger(logs_of(tmp_path, tables | {"deliveries": deliveries}, TWO_BLACK_TANKS))
    black = intervals[intervals["ink"] == "black"]
    assert day not in set(black["read_at"].dt.normalize())
    assert black["days"].max() == pytest.approx(2.0)


def test_dips_every_hour_do_not_melt_into_one_occasion(tmp_path: Path) -> None:
    tables = small_tables(7)
    times = pd.date_range(FIRST_DAY, periods=100, freq="h")
    tables["tank_readings"] = pd.DataFrame(
        {"tank": "K1", "read_at": times, "ink": "black", "level_kg": 1500.0 - np.arange(100.0)}
    )
    tables["deliveries"] = tables["deliveries"].iloc[:0]
    intervals = ledger(logs_of(tmp_path, tables))
    # An occasion holds the dips of three hours after its first one: every fourth ends one, and uses 4 kg.
    assert len(intervals) == 24
    np.testing.assert_allclose(intervals["used_kg"], 4.0)


@pytest.mark.parametrize("how", ["no row at all", "a row set aside"])
def test_a_run_without_coverage_blanks_its_interval(tmp_path: Path, how: str) -> None:
    tables = varied()
    coverage = tables["coverage"]
    mine = coverage["run_id"] == "0101"
    if how == "no row at all":
        tables["coverage"] = coverage[~mine]
    else:  # more solid pages than the run has pages
        tables["coverage"] = coverage.assign(
            solid_pages=coverage["solid_pages"].where(~(mine & (coverage["ink"] == "black")), 99.0)
        )
    logs = logs_of(tmp_path, tables, TWO_BLACK_TANKS)
    finished = logs["runs"].set_index("run_id")["finished_at"]["0101"]
    intervals = ledger(logs)
    hit = (intervals["since"] < finished) & (intervals["read_at"] >= finished)
    assert hit.sum() == 2
    assert (intervals.loc[hit, "why"] == NO_COVERAGE).all()
    assert intervals.loc[hit, ["solid_m2", "starts"]].isna().all(axis=None)
    assert intervals.loc[~hit, ["solid_m2", "starts", "used_kg"]].notna().all(axis=None)
    # An interval that says nothing of the model does not enter it.
    readings = ink_model(judge_intervals(intervals)).groupby("ink")["readings"].first()
    assert (readings == intervals.groupby("ink").size() - 1).all()


def test_a_run_with_coverage_of_other_inks_prints_none_of_this_one(tmp_path: Path) -> None:
    tables = small_tables(7)
    coverage = tables["coverage"]
    tables["coverage"] = coverage[~((coverage["run_id"] == "0021") & (coverage["ink"] == "cyan"))]
    exposure = ink_exposure(logs_of(tmp_path, tables)).set_index(["run_id", "ink"])
    assert exposure.loc[("0021", "cyan"), ["solid_m2", "starts"]].tolist() == [0.0, 0.0]
    assert exposure.loc[("0021", "black"), "starts"] == 1.0


def test_a_delivery_that_nobody_can_put_to_an_ink_blanks_the_use(tmp_path: Path) -> None:
    # No materials and no tanks in the deliveries: any of them may be ink.
    tables = small_tables()
    tables["deliveries"] = tables["deliveries"].drop(columns="tank")
    del tables["materials"]
    intervals = ledger(logs_of(tmp_path / "unknown", tables))
    with_delivery = (intervals["since"] < FIRST_DAY + pd.Timedelta(days=5, hours=10)) & (
        intervals["read_at"] > FIRST_DAY + pd.Timedelta(days=5, hours=10)
    )
    assert with_delivery.sum() == 2 and intervals.loc[with_delivery, "used_kg"].isna().all()
    # Ink bought by the litre cannot be added to a level in kg.
    tables = small_tables()
    materials = tables["materials"]
    tables["materials"] = materials.assign(unit=materials["unit"].where(materials["kind"] != "ink", "l"))
    intervals = ledger(logs_of(tmp_path / "litres", tables)).query("ink == 'black'")
    assert intervals["used_kg"].isna().sum() == 1
    assert intervals.loc[intervals["used_kg"].isna(), "why"].str.contains("delivery").all()


def test_a_tank_dipped_once_has_no_interval(tmp_path: Path) -> None:
    tables = small_tables(7)
    tables["tank_readings"] = tables["tank_readings"].head(1)
    intervals = ledger(logs_of(tmp_path, tables))
    assert intervals.empty and intervals["used_kg"].dtype == "float64"
    assert ink_model(judge_intervals(intervals)).empty
