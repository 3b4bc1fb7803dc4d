"""Use of past months, by day of publication, against sums over the issues of the plant."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from issue_simulation import (
    FIRST,
    GRAMMAGE,
    OVERHEAD,
    Plant,
    Title,
    area_of,
    gross_of,
    logs_of,
    plant_tables,
    use_of,
)

from pressstats.demand import printed_ahead
from pressstats.demand.months import LACKING_MOST, used_by_month

if TYPE_CHECKING:
    from pressstats.logs import Logs

PLANT = Plant(
    (
        Title("Daily", range(7), lambda day: 20_000.0 + 40 * day, lambda day: 24.0 + 4 * (day % 2)),
        Title("Sunday", (6,), lambda _: 60_000.0, lambda _: 48.0),
    ),
    days=210,
)
MONTHS = pd.date_range(FIRST, periods=7, freq="MS", unit="us")


def by_month(logs: Logs) -> pd.DataFrame:
    history, _ = use_of(logs)
    return used_by_month(logs, history, MONTHS, logs["materials"].set_index("material")["ink"])


def truth(material: str) -> np.ndarray:
    """Return paper mounted by month [kg], the last month not over; issue by issue."""
    kg = np.zeros(len(MONTHS))
    for day, title in PLANT.issues():
        date = FIRST + pd.Timedelta(days=day)
        area = area_of(title.pages(day))[material] * gross_of(title.copies(day))
        kg[(date.year - FIRST.year) * 12 + date.month - 1] += area * GRAMMAGE[material] / 1000 * OVERHEAD
    return kg


@pytest.fixture(scope="module")
def tables() -> dict[str, pd.DataFrame]:
    return plant_tables(PLANT)


def test_months_are_sums_over_their_issues(tmp_path: Path, tables: dict[str, pd.DataFrame]) -> None:
    used = by_month(logs_of(tmp_path, PLANT, tables))
    for material in GRAMMAGE:
        np.testing.assert_allclose(used[material].to_numpy()[:6], truth(material)[:6], rtol=1e-4)
    assert used.iloc[6].isna().all()
    assert used.iloc[:6].notna().all(axis=None)
    runs = tables["runs"]
    plates = runs["plates"].groupby(runs["date"].dt.month).sum().to_numpy()
    np.testing.assert_allclose(used["plate"].to_numpy()[:6], plates[:6])
    # What is known by weeks is shared among days, so that months add up to what their weeks do, but for the ends.
    solid = runs["copies_gross"] * runs["pages"] * 0.1 * 0.12 * 0.002
    black = (solid + 0.5).groupby(runs["date"].dt.month).sum().to_numpy() + MONTHS.days_in_month.to_numpy()
    np.testing.assert_allclose(used["black"].to_numpy()[:6], black[:6], rtol=0.01)


def test_one_junk_row_costs_no_more_than_its_run(tmp_path: Path, tables: dict[str, pd.DataFrame]) -> None:
    whole = by_month(logs_of(tmp_path / "whole", PLANT, tables))
    for name, column, value in (("reel_mounts", "start_kg", -5.0), ("runs", "copies_gross", -1.0)):
        rows = tables[name].copy()
        rows[column] = rows[column].astype(object)
        rows.loc[rows.index[len(rows) // 2], column] = value
        found = by_month(logs_of(tmp_path / name, PLANT, tables | {name: rows}))
        assert found.iloc[:6].notna().all(axis=None)
        # A month has about 35 runs; the lost one may be a Sunday's.
        np.testing.assert_allclose(found.iloc[:6], whole.iloc[:6], rtol=0.05)
        assert (((found / whole - 1).abs() > 1e-3).iloc[:6].sum() <= 2).all()


def test_a_month_that_lacks_much_is_blank(tmp_path: Path, tables: dict[str, pd.DataFrame]) -> None:
    mounts, runs = tables["reel_mounts"], tables["runs"].set_index("run_id")["date"]
    date = mounts["run_id"].map(runs)
    march = date.dt.month == 3
    for share, blank in ((LACKING_MOST - 0.1, False), (LACKING_MOST + 0.1, True)):
        lacking = march & (date.dt.day <= round(31 * share))
        used = by_month(logs_of(tmp_path / str(blank), PLANT, tables | {"reel_mounts": mounts[~lacking]}))
        assert used[list(GRAMMAGE)].isna().iloc[2].all() == blank
        assert used[list(GRAMMAGE)].drop(index=MONTHS[[2, 6]]).notna().all(axis=None)
        if not blank:
            np.testing.assert_allclose(used["N1200"].iloc[2], truth("N1200")[2], rtol=0.06)


def test_no_forecast_moves_the_past(tmp_path: Path, tables: dict[str, pd.DataFrame]) -> None:
    """A plan of what is ahead changes the year ahead, and nothing of last year's months."""
    plan = pd.DataFrame(
        {
            "date": pd.date_range(FIRST + pd.Timedelta(days=210), periods=60, freq="D"),
            "title": "Sunday", "made_on": FIRST + pd.Timedelta(days=200), "copies_planned": 90_000.0,
            "pages_planned": 96.0, "colour_pages": 8.0, "event": "",
        }
    )  # fmt: skip
    plain = by_month(logs_of(tmp_path / "plain", PLANT, tables))
    booked = by_month(logs_of(tmp_path / "booked", replace(PLANT), tables | {"plan": plan}))
    pd.testing.assert_frame_equal(plain, booked)


# --- without reel records ------------------------------------------------------------------------


def test_without_reels_paper_is_what_gross_copies_weigh(
    tmp_path: Path, tables: dict[str, pd.DataFrame]
) -> None:
    bare = {name: table for name, table in tables.items() if name != "reel_mounts"}
    logs = logs_of(tmp_path, PLANT, bare)
    history, _ = use_of(logs)
    full, _ = use_of(logs_of(tmp_path / "full", PLANT, tables))
    for material in GRAMMAGE:
        np.testing.assert_allclose(history[material] * OVERHEAD, full[material], rtol=1e-4)


def test_reels_that_are_no_longer_logged_leave_their_usual_waste(
    tmp_path: Path, tables: dict[str, pd.DataFrame]
) -> None:
    runs = tables["runs"].set_index("run_id")["date"]
    early = tables["reel_mounts"]["run_id"].map(runs) < FIRST + pd.Timedelta(days=98)
    history, _ = use_of(logs_of(tmp_path, PLANT, tables | {"reel_mounts": tables["reel_mounts"][early]}))
    full, _ = use_of(logs_of(tmp_path / "full", PLANT, tables))
    np.testing.assert_allclose(history["N1200"], full["N1200"], rtol=2e-3)


def test_runs_and_webs_alone_tell_copies_and_area(tmp_path: Path) -> None:
    daily = Plant((Title("Daily"),), days=98)
    found = plant_tables(daily)
    copies, area = printed_ahead(
        logs_of(tmp_path, daily, {name: found[name] for name in ("runs", "run_webs")})
    )
    # 91 issues of 20,000 copies and 24 pages: three full webs of 0.48 m2.
    assert copies == pytest.approx(91 * gross_of(20_000.0), rel=1e-3)
    assert area["N1200"] == pytest.approx(copies * 3 * 0.48, rel=1e-3)
    assert area.sum() == area["N1200"]
