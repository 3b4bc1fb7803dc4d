"""What waste and titles cost: sums that must agree, the waste buyer's weights, intervals that hold simulated truths."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, every_table, write_small_plant
from title_simulation import cost_and_truth

from pressstats.accounts import (
    WASTE,
    recharge_statement,
    run_waste,
    waste_price,
    waste_sales,
    waste_sales_findings,
)
from pressstats.paper import weighed_paper
from pressstats.results import Results, open_results

TOML = PLANT_TOML + '\n[waste."white"]\nholds = ["strip", "reel_end", "scrapped"]\n'
TOML += '\n[waste."printed"]\nholds = ["startup", "running", "uncounted"]\n'
TOML += '\n[waste."metal"]\nholds = ["plates"]\nplate_kg = 0.1\n'


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Results:
    tables = every_table(60)
    tables["waste_sold"] = pd.DataFrame(
        {
            "sold_on": [FIRST_DAY + pd.Timedelta(days=day) for day in (20, 50, 20, 50, 20)],
            "kind": ["white", "white", "printed", "printed", "metal"],
            "kg": [400.0, 500.0, 4000.0, 5000.0, 100.0],
            "unit_price": [0.15, 0.15, 0.08, 0.08, 1.2],
            "moisture_pct": [10.0, 10.0, 0.0, 0.0, np.nan],
        }
    )
    return open_results(write_small_plant(tmp_path_factory.mktemp("waste") / "logs", tables, TOML))


# --- waste -------------------------------------------------------------------------------------


def test_streams_add_up_to_what_was_mounted_less_good_copies(small: Results):
    table, week = small["waste_cost"], small.run_balance["week"].max()
    runs = small.run_balance[small.run_balance["week"] == week - pd.Timedelta(weeks=1)]
    last = table[(table["period"] == "week")]
    assert last["first_day"].iloc[0] == runs["week"].iloc[0]
    kg = last.groupby("stream")["kg"].sum()
    wasted = (runs["mounted_kg"] - runs["good_kg"] - runs["good_grammage_kg"]).sum()
    assert kg[list(WASTE)].sum() == pytest.approx(wasted)
    assert kg["heavy paper"] == pytest.approx(runs["good_grammage_kg"].sum())
    assert kg["mounted less net good"] == pytest.approx(wasted + kg["heavy paper"])
    assert kg["strip"] == pytest.approx(runs["strip_kg"].sum())
    # Wasted copies weigh what the paper weighs, not what it should.
    heavier = (
        1
        + runs["grammage_kg"].sum()
        / runs[["good_kg", "startup_kg", "running_kg", "uncounted_kg"]].sum().sum()
    )
    assert kg["startup"] == pytest.approx(runs["startup_kg"].sum() * heavier, rel=1e-3)


def test_waste_is_valued_at_the_last_receipts_net_of_what_it_sells_for(small: Results):
    last = small["waste_cost"]
    last = last[(last["period"] == "week") & (last["press"] == "P1")].set_index("stream")
    # The last receipt cost 0.50. White waste: 135 for 810 kg without moisture; printed: 0.08.
    assert last.loc["strip", "cost"] == pytest.approx(0.5 * last.loc["strip", "kg"])
    assert last.loc["strip", "income"] == pytest.approx(last.loc["strip", "kg"] * 900 * 0.15 / (900 * 0.9))
    assert last.loc["startup", "income"] == pytest.approx(0.08 * last.loc["startup", "kg"])
    assert last.loc["startup", "net_cost"] == pytest.approx(
        last.loc["startup", "cost"] - last.loc["startup", "income"]
    )
    # Nobody sells unexplained paper.
    assert np.isnan(last.loc["unexplained", "income"])
    assert last.loc["unexplained", "net_cost"] == last.loc["unexplained", "cost"]
    assert (last.loc[["startup", "strip"], "kind"] == ["printed", "white"]).all()


def test_periods_stand_beside_those_before_and_those_that_the_logs_do_not_reach_are_blank(small: Results):
    table = small["waste_cost"].set_index(["period", "press", "title", "stream"])
    week = table.loc[("week", "P1", "Daily", "startup")]
    # Every night of the Daily wastes the same at its start.
    assert week["kg_before"] == pytest.approx(week["kg"])
    assert np.isnan(week["kg_last_year"])
    assert np.isnan(table.loc[("weeks_13", "P1", "Daily", "startup"), "kg"])
    year = table.loc[("year_to_date", "P1", "Daily", "startup")]
    assert np.isnan(year["kg"])  # the logs begin in March


def test_a_stream_that_nothing_is_sold_of_has_no_price(small: Results):
    first = FIRST_DAY
    price = waste_price(small.logs, first, first + pd.Timedelta(days=30))
    assert price["strip"] == pytest.approx(0.15 / 0.9)
    assert "unexplained" not in price
    assert waste_price(small.logs, first - pd.Timedelta(days=30), first).empty


# --- the waste buyer ---------------------------------------------------------------------------


def sales(difference: np.ndarray, kind: str = "white", holds: str = "strip") -> pd.DataFrame:
    months = pd.date_range("2024-01-01", periods=len(difference) + 1, freq="MS")
    table = pd.DataFrame({"month": months, "kind": kind, "difference_kg": np.append(difference, 9e9)})
    return table.assign(ci_low=-500.0, ci_high=500.0, stream_kg=10_000.0, holds=holds)


@pytest.mark.parametrize(
    ("difference", "finding"),
    [
        ([100, -200, 50, -100, 300, -150, 20, -30, 80, -120, 90, -40], "agrees"),
        ([0, 0, 900, -900, 0, 0, 0, 0, 0, 0, 0, 0], "miscount"),
        ([200] * 12, "moisture"),
        ([-200] * 12, "loss"),
        ([0, 0, 3000, 0, -10, 0, -5, 0, 0, 0, 0, 0], "uneven"),
        ([0, np.nan, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], "agrees"),
        ([0, np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, 0, 0, 0, 0], "unknown"),
    ],
)
def test_miscount_moisture_and_loss_are_told_apart(difference: list[float], finding: str):
    assert waste_sales_findings(sales(np.array(difference, dtype=float)))["finding"].tolist() == [finding]


def test_water_is_in_all_paper_alike_and_in_no_metal():
    wet = np.full(12, 200.0)
    for other, holds, finding in (
        (wet, "startup", "moisture"),
        (np.zeros(12), "startup", "miscount"),
        (np.full(12, np.nan), "startup", "moisture"),
    ):
        both = pd.concat([sales(wet), sales(other, "printed", holds)])
        assert waste_sales_findings(both).set_index("kind").loc["white", "finding"] == finding
    assert waste_sales_findings(sales(wet, "aluminium", "plates"))["finding"].tolist() == ["miscount"]


def test_sales_stand_beside_their_streams_without_their_water(small: Results):
    waste = run_waste(small.logs, weighed_paper(small.logs))
    table = waste_sales(small.logs, waste).set_index(["kind", "month"])
    march = table.loc[("white", pd.Timestamp("2025-03-01"))]
    assert march["dry_kg"] == pytest.approx(360.0)
    assert march["moisture_kg"] == pytest.approx(40.0)
    inside = waste["date"].dt.month == 3
    held = waste.loc[inside, ["strip", "reel_end", "scrapped"]].sum().sum()
    assert march["stream_kg"] == pytest.approx(held)
    assert march["difference_kg"] == pytest.approx(360.0 - held)
    assert march["ci_low"] < 0 < march["ci_high"]
    # Plates are counted, and weigh what plant.toml says.
    metal = small["waste_sales"].set_index(["kind", "month"]).loc[("metal", pd.Timestamp("2025-03-01"))]
    runs = small.logs["runs"]
    assert metal["stream_kg"] == pytest.approx(0.1 * runs.loc[runs["date"].dt.month == 3, "plates"].sum())
    assert metal["income"] == pytest.approx(120.0)
    pd.testing.assert_frame_equal(small["waste_sales"], waste_sales(small.logs, waste))


def test_honest_weights_lie_within_their_limits():
    """A bay that is emptied by whole loads, a buyer's scale of 0.5 %: 95 of 100 months within the limits, or more."""
    rng = np.random.default_rng(2)
    inside = []
    for _ in range(300):
        made = rng.uniform(1500, 2500, 12)
        left, differences = rng.uniform(0, 1000), []
        for kg in made:
            loads = int((left + kg) // 1000)
            sold = 1000.0 * loads * (1 + 0.005 * rng.standard_normal())
            left += kg - 1000.0 * loads
            differences.append(sold - kg)
        half = 1.959964 * np.sqrt(1000.0**2 / 12 * 2 + (0.005 * 1000) ** 2 * 2)
        inside.append(np.abs(differences) <= half)
    assert 0.92 <= np.mean(inside) <= 0.99


# --- titles ------------------------------------------------------------------------------------


def test_titles_add_up_to_what_the_month_used(small: Results):
    close, titles = small["month_close"], small["title_cost"]
    sums = titles.groupby("month")[
        ["paper_kg", "ink_kg", "plates", "paper_cost", "ink_cost", "plate_cost"]
    ].sum()
    for kind, quantity, cost in (
        ("newsprint", "paper_kg", "paper_cost"),
        ("ink", "ink_kg", "ink_cost"),
        ("plate", "plates", "plate_cost"),
    ):
        used = close[close["kind"] == kind].groupby("month")[["used", "used_value"]].sum()
        for ours, theirs in ((quantity, "used"), (cost, "used_value")):
            np.testing.assert_allclose(sums[ours], used[theirs].reindex(sums.index), rtol=1e-9)
    sold = small.logs["waste_sold"]
    income = (sold["kg"] * sold["unit_price"]).groupby(sold["sold_on"].dt.to_period("M")).sum()
    np.testing.assert_allclose(titles.groupby("month")["waste_income"].sum().iloc[:2], income, rtol=1e-9)


def test_copies_over_what_was_ordered_and_what_to_recharge(small: Results):
    titles = small["title_cost"]
    weekly = titles[titles["title"] == "Weekly"]
    assert (weekly["customer"] == "Harbour Parish").all()
    statement = recharge_statement(titles, "Harbour Parish")
    assert statement["title"].unique().tolist() == ["Weekly"]
    np.testing.assert_allclose(
        statement["net_cost"] + statement["waste_income"],
        statement[["paper_cost", "ink_cost", "plate_cost"]].sum(axis=1),
    )
    with pytest.raises(KeyError, match=r"no title is printed for 'Harbor'.*Harbour Parish"):
        recharge_statement(titles, "Harbor")
    # terms has a factor for paper alone: nothing is said of all.
    assert titles["co2_kg"].isna().all()


def test_intervals_hold_the_true_cost_of_title_months(tmp_path: Path):
    """Four plants of three months and two titles: errors are as large as the limits say, neither more nor less."""
    rng = np.random.default_rng(11)
    both = pd.concat([cost_and_truth(tmp_path / str(number), rng) for number in range(4)])
    assert len(both) == 4 * 6
    error = (both["true"] - both["cost_per_1000"]) / (both["ci_high"] - both["ci_low"]) * 2 * 1.959964
    # Chi-square with 24 degrees of freedom over 24: 0.43 to 1.85 in 99.5 of 100 (tables, from memory).
    assert 0.5 < (error**2).mean() < 1.6
