"""The ledger of the inks against plain loops and published figures."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from ink_simulation import Habits, simulate_ink
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.ink import (
    NO_COVERAGE,
    ink_exposure,
    ink_intervals,
    ink_model,
    judge_inks,
    mean_use,
    tank_levels,
)
from pressstats.ink.model import fit_ink
from pressstats.ink.yields import kg_per_million_pages, m2_per_kg, mileage_in2_per_lb
from pressstats.logs import Logs, read_logs

IN2_M2 = 0.0254**2  # by definition of the inch
LB_KG = 0.45359237  # by definition of the pound
TWO_BLACK_TANKS = PLANT_TOML + '\n[tanks.K2]\nink = "black"\ncapacity_kg = 2000\n'


def logs_of(folder: Path, tables: dict[str, pd.DataFrame], plant_toml: str = PLANT_TOML) -> Logs:
    return read_logs(write_small_plant(folder / "logs", tables, plant_toml))


def ledger(logs: Logs) -> pd.DataFrame:
    return ink_intervals(logs, ink_exposure(logs))


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


def dipped_at(hours: dict[str, int], days: int = 28) -> dict[str, pd.DataFrame]:
    """The varied plant, each tank dipped at an hour of its own."""
    tables = varied(days)
    dips = tables["tank_readings"]
    at = dips["read_at"].dt.normalize() + pd.to_timedelta(dips["tank"].map(hours), unit="h")
    tables["tank_readings"] = dips.assign(read_at=at.astype("datetime64[us]"))
    return tables


# --- units -------------------------------------------------------------------------------------


def test_a_mileage_of_350_000_square_inches_a_pound_is_two_grams_a_square_metre() -> None:
    # 350,000 in2/lb = 2.0088 g/m2 of solid: references.md, "mileage to film weight", derived (units).
    assert mileage_in2_per_lb(2.0088) == pytest.approx(350_000, rel=3e-5)
    # Use at that mileage, without error: the model finds it again.
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=120))
    square_inches = rows["solid_m2"] / IN2_M2
    rows["used_kg"] = square_inches / 350_000 * LB_KG + 4.0 * rows["starts"] + 1.5 * rows["days"]
    rows["used_kg"] += np.random.default_rng(2).normal(0, 1e-6, len(rows))
    fit = fit_ink("black", rows)
    assert fit is not None
    np.testing.assert_allclose(fit.estimate, [2.0088, 4.0, 1.5], atol=5e-5)


def test_units_of_the_trade_by_hand() -> None:
    # 2 g/m2: a kilogram covers 500 m2; a million pages of 0.1 m2 at 15 % take 0.1 x 0.15 x 2 x 1000 = 30 kg.
    assert m2_per_kg(2.0) == pytest.approx(500.0)
    assert kg_per_million_pages(2.0, 0.1, 0.15) == pytest.approx(30.0)
    assert np.isnan([m2_per_kg(0.0), mileage_in2_per_lb(-1.0), m2_per_kg(np.nan)]).all()


@pytest.mark.parametrize(
    ("patch", "limit_pct"), [((100, 44, 38, 38), 220), ((100, 52, 44, 44), 240)], ids=["220", "240"]
)
def test_the_inks_of_a_patch_add_up_to_the_ink_limit(
    tmp_path: Path, patch: tuple[int, ...], limit_pct: int
) -> None:
    # Ink limit on newsprint 220 % (before: 240 %), patches C44+M38+Y38+K100 and C52+M44+Y44+K100:
    # ISO 12647-3:2013 as reported by WAN-IFRA, Self check updated, 2014, seen (references.md).
    tables = small_tables(7)
    runs = tables["runs"]
    tables["coverage"] = pd.DataFrame(
        [
            {"run_id": run_id, "ink": ink, "solid_pages": pages * tone / 100}
            for run_id, pages in zip(runs["run_id"], runs["pages"], strict=True)
            for ink, tone in zip(("black", "cyan", "magenta", "yellow"), patch, strict=True)
        ]
    )
    exposure = ink_exposure(logs_of(tmp_path, tables)).groupby("run_id")["solid_m2"].sum()
    paper = runs.set_index("run_id").eval("copies_gross * pages * page_width_mm * page_height_mm / 1e6")
    np.testing.assert_allclose(100 * exposure / paper, limit_pct, rtol=1e-12)


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


# --- the ledger --------------------------------------------------------------------------------


def brute_occasions(tables: dict[str, pd.DataFrame], ink: str, tanks: list[str]) -> list[tuple]:
    """Gather dips, one after the other, as long as nothing was printed or filled since the first of them."""
    printing = {
        row.run_id for row in tables["coverage"].itertuples() if row.ink == ink and row.solid_pages > 0
    } | (set(tables["runs"]["run_id"]) - set(tables["coverage"]["run_id"]))
    dips = sorted(
        ((row.read_at, row.tank, row.level_kg) for row in tables["tank_readings"].itertuples()),
    )
    gathered: list[dict[str, tuple]] = []
    for read_at, tank, level in dips:
        if tank not in tanks:
            continue
        belongs = bool(gathered)
        if gathered:
            opened = min(first for first, _, _ in gathered[-1].values())
            belongs = read_at - opened <= pd.Timedelta(hours=18)
            for run in tables["runs"].itertuples():
                if run.run_id in printing and opened < run.finished_at <= read_at:
                    belongs = False
            for row in tables["deliveries"].itertuples():
                if row.tank in tanks and opened < row.delivered_at <= read_at:
                    belongs = False
            if tank in gathered[-1] and read_at - gathered[-1][tank][0] > pd.Timedelta(hours=3):
                belongs = False
        if not belongs:
            gathered.append({})
        first = gathered[-1][tank][0] if tank in gathered[-1] else read_at
        gathered[-1][tank] = (first, read_at, level)
    return [
        (max(last for _, last, _ in one.values()), sum(level for _, _, level in one.values()))
        for one in gathered
        if set(one) == set(tanks)
    ]


def brute_ledger(tables: dict[str, pd.DataFrame], ink: str, tanks: list[str]) -> list[tuple]:
    """Walk from occasion to occasion with plain loops."""
    pages = {
        (row.run_id, row.ink): row.solid_pages
        for row in tables["coverage"].itertuples()
        if row.solid_pages > 0
    }
    out = []
    for (since, before), (read_at, level) in pairwise(brute_occasions(tables, ink, tanks)):
        used = before - level
        for row in tables["deliveries"].itertuples():
            if row.tank in tanks and since < row.delivered_at <= read_at:
                used += row.quantity
        solid, squared, starts = 0.0, 0.0, 0
        for run in tables["runs"].itertuples():
            if since < run.finished_at <= read_at and (run.run_id, ink) in pages:
                area = run.page_width_mm / 1000 * run.page_height_mm / 1000
                solid += run.copies_gross * pages[run.run_id, ink] * area
                squared += (run.copies_gross * pages[run.run_id, ink] * area) ** 2
                starts += 1
        out.append((read_at, used, solid, squared, starts, (read_at - since).total_seconds() / 86400))
    return out


def same_ledger(mine: pd.DataFrame, expected: list[tuple]) -> None:
    assert len(mine) == len(expected)
    for row, (read_at, used, solid, squared, starts, days) in zip(mine.itertuples(), expected, strict=True):
        assert row.read_at == read_at
        assert row.used_kg == pytest.approx(used, abs=1e-9)
        assert row.solid_m2 == pytest.approx(solid, rel=1e-12)
        assert row.solid_squared == pytest.approx(squared, rel=1e-12)
        assert row.starts == starts
        assert row.days == pytest.approx(days, rel=1e-12)


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
    assert len(mine) == (26 if ink == "black" else 27)
    assert (mine["why"] == "").all()
    same_ledger(mine, brute_ledger(tables, ink, tanks))


@pytest.mark.parametrize("hours", [(6, 14), (14, 6), (2, 19), (6, 7)])
def test_tanks_dipped_at_different_hours_are_one_ink(tmp_path: Path, hours: tuple[int, int]) -> None:
    # Runs finish at 23:30: nothing is printed between the first dip of a day and the last.
    tables = dipped_at({"K1": hours[0], "K2": hours[1], "C1": 6})
    black = ledger(logs_of(tmp_path, tables, TWO_BLACK_TANKS)).query("ink == 'black'")
    # The delivery of the sixth day comes at ten: between the dips of that day unless both come before it.
    between = min(hours) < 10 < max(hours)
    assert len(black) == 28 - between
    assert (black["read_at"].dt.hour == max(hours)).all()
    same_ledger(black, brute_ledger(tables, "black", ["K1", "K2"]))
    assert black["starts"].sum() == 32  # 28 nights of the Daily and four of the Weekly


def test_a_run_between_the_dips_of_two_tanks_parts_them(tmp_path: Path) -> None:
    tables = dipped_at({"K1": 20, "K2": 23, "C1": 6})
    runs = tables["runs"]
    # Nights end at half past nine in the evening, between the two dips: no level is known of both.
    early = runs["finished_at"] - pd.Timedelta(hours=2)
    tables["runs"] = runs.assign(finished_at=early, started_at=runs["started_at"] - pd.Timedelta(hours=2))
    logs = logs_of(tmp_path / "parted", tables, TWO_BLACK_TANKS)
    expected = brute_occasions(tables, "black", ["K1", "K2"])
    levels = tank_levels(logs, "black")[0]
    assert list(levels["read_at"]) == [at for at, _ in expected]
    assert len(levels) <= 2
    # A run that does not print the ink parts nothing; one of which nobody can say does.
    coverage = tables["coverage"]
    tables["coverage"] = coverage[coverage["ink"] == "cyan"]
    logs = logs_of(tmp_path / "cyan", tables, TWO_BLACK_TANKS)
    assert len(tank_levels(logs, "black")[0]) == 29
    tables["coverage"] = coverage[(coverage["ink"] == "cyan") & (coverage["run_id"] != "0101")]
    logs = logs_of(tmp_path / "unknown", tables, TWO_BLACK_TANKS)
    assert len(tank_levels(logs, "black")[0]) == 28


@pytest.mark.parametrize("seed", range(6))
def test_the_ledger_of_dips_at_any_hour_is_what_a_loop_finds(tmp_path: Path, seed: int) -> None:
    tables = varied(seed=seed)
    rng = np.random.default_rng(seed)
    dips = pd.concat([tables["tank_readings"]] * 2).sample(frac=0.7, random_state=seed)
    shifted = dips["read_at"] + pd.to_timedelta(rng.integers(0, 24 * 60, len(dips)), unit="min")
    dips = dips.assign(read_at=shifted.astype("datetime64[us]")).drop_duplicates(["tank", "read_at"])
    dips = dips[dips["read_at"] < FIRST_DAY + pd.Timedelta(days=28)]  # later ones are cut off with the runs
    tables["tank_readings"] = dips.sort_values(["tank", "read_at"], ignore_index=True)
    intervals = ledger(logs_of(tmp_path, tables, TWO_BLACK_TANKS))
    for ink, tanks in (("black", ["K1", "K2"]), ("cyan", ["C1"])):
        expected = brute_ledger(tables, ink, tanks)
        assert len(expected) > 8
        same_ledger(intervals[intervals["ink"] == ink], expected)


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
    # An occasion holds what is dipped within three hours of its first dip, and ends with a night's printing.
    assert intervals["days"].max() * 24 == pytest.approx(4.0)
    assert (intervals["days"] > 0).all()
    np.testing.assert_allclose(intervals["used_kg"], 24 * intervals["days"])
    same_ledger(intervals, brute_ledger(tables, "black", ["K1"]))


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
    readings = ink_model(*judge_inks(intervals)[:2]).groupby("ink")["readings"].first()
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
    assert with_delivery.sum() == 2
    assert intervals.loc[with_delivery, "used_kg"].isna().all()
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
    assert intervals.empty
    assert intervals["used_kg"].dtype == "float64"
    assert ink_model(*judge_inks(intervals)[:2]).empty


# --- dips alone --------------------------------------------------------------------------------


def test_dips_alone_tell_the_mean_use(tmp_path: Path) -> None:
    tables = small_tables(140)
    del tables["coverage"]
    write_small_plant(tmp_path, tables)
    logs = read_logs(tmp_path)
    judged, fits, findings = judge_inks(ink_intervals(logs, ink_exposure(logs)))
    # Without coverage use by the week is all there is, and the ledger stands.
    assert {fit.terms for fit in fits.values()} == {("use_kg_per_week",)}
    assert findings == []
    assert (judged["why"] == NO_COVERAGE).all()
    plain = mean_use(logs, judged).set_index("ink")
    # A Daily takes 20,000 x 1.6 x 0.12 m2 x 2 g = 7.68 kg of black, a day 1 kg, and every seventh night a Weekly
    # of 5,000 copies 1.92 kg: (7 x 8.68 + 1.92) / 7 = 8.954 kg a day.
    assert plain.loc["black", "days"] == 140
    assert plain.loc["black", "kg_per_day"] == pytest.approx((7 * 8.68 + 1.92) / 7, rel=1e-6)
    assert plain.loc["black", "ci_low"] <= plain.loc["black", "kg_per_day"] <= plain.loc["black", "ci_high"]
    # 20 weeks of 7 x 20,000 + 5,000 copies of 16 pages are 46.4 million pages.
    assert plain.loc["black", "kg_per_million_pages"] == pytest.approx(plain.loc["black", "used_kg"] / 46.4)


def test_few_dips_have_no_interval_of_their_mean(tmp_path: Path) -> None:
    write_small_plant(tmp_path, small_tables(40))
    logs = read_logs(tmp_path)
    judged, _, _ = judge_inks(ink_intervals(logs, ink_exposure(logs)))
    plain = mean_use(logs, judged)
    assert plain["kg_per_day"].notna().all()
    assert plain[["ci_low", "ci_high"]].isna().all(axis=None)
