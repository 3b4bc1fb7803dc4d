"""What waste and titles cost: sums that must agree, the waste buyer's weights, intervals that hold simulated truths."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, every_table, small_tables, write_small_plant

from pressstats.accounts import (
    WASTE,
    material_books,
    material_use,
    recharge_statement,
    run_waste,
    title_cost,
    valued_use,
    waste_price,
    waste_sales,
    waste_sales_findings,
)
from pressstats.demand import weekly_use
from pressstats.ink import ink_model, study_inks
from pressstats.logs import read_logs
from pressstats.paper import weighed_paper
from pressstats.results import Results, open_results
from pressstats.tables import OUTPUTS

TOML = PLANT_TOML + '\n[waste."white"]\nholds = ["strip", "reel_end", "scrapped"]\n'
TOML += '\n[waste."printed"]\nholds = ["startup", "running", "uncounted"]\n'


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Results:
    tables = every_table(60)
    tables["waste_sold"] = pd.DataFrame(
        {
            "sold_on": [FIRST_DAY + pd.Timedelta(days=day) for day in (20, 50)] * 2,
            "kind": ["white", "white", "printed", "printed"],
            "kg": [400.0, 500.0, 4000.0, 5000.0],
            "unit_price": [0.15, 0.15, 0.08, 0.08],
            "moisture_pct": [10.0, 10.0, 0.0, 0.0],
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


def sales(difference: np.ndarray, half: float = 500.0) -> pd.DataFrame:
    months = pd.date_range("2024-01-01", periods=len(difference) + 1, freq="MS")
    table = pd.DataFrame({"month": months, "kind": "white", "difference_kg": np.append(difference, 9e9)})
    return table.assign(ci_low=-half, ci_high=half)


@pytest.mark.parametrize(
    ("difference", "finding"),
    [
        ([100, -200, 50, -100, 300, -150, 20, -30, 80, -120, 90, -40], "agrees"),
        ([0, 0, 900, -900, 0, 0, 0, 0, 0, 0, 0, 0], "miscount"),
        ([200] * 12, "moisture"),
        ([-200] * 12, "loss"),
        ([0, 0, 3000, 0, -10, 0, -5, 0, 0, 0, 0, 0], "uneven"),
        ([0, np.nan, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0], "unknown"),
    ],
)
def test_miscount_moisture_and_loss_are_told_apart(difference: list[float], finding: str):
    assert waste_sales_findings(sales(np.array(difference, dtype=float)))["finding"].tolist() == [finding]


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


def with_errors(tables: dict[str, pd.DataFrame], rng: np.random.Generator) -> pd.DataFrame:
    """Put errors into exact logs; return the true ink of each run [kg]: its scatter is real, and the tanks feel it."""
    mounts, runs = tables["reel_mounts"], tables["runs"]
    mounts = mounts.sort_values("mounted_at", kind="stable")
    error: dict[tuple[str, str], float] = {}
    starts, returns = [], []
    for row in mounts.itertuples():
        reel = (row.supplier, row.reel_id)
        begin = error.get(reel, 3.0 * rng.standard_normal())
        starts.append(row.start_kg + begin)
        end = 3.0 * rng.standard_normal() if row.returned_kg > 0 else 0.0
        error[reel] = end
        returns.append(row.returned_kg + end)
    tables["reel_mounts"] = mounts.assign(start_kg=starts, returned_kg=returns)
    counted = 1 + 0.001 * rng.standard_normal(len(runs))
    for name in ("copies_good", "copies_gross", "copies_startup_waste", "copies_running_waste"):
        runs[name] = np.round(runs[name] * counted)
    dips, truth = tables["tank_readings"], []
    for ink, pages, tank in (("black", 1.6, "K1"), ("cyan", 0.8, "C1")):
        solid = np.where(runs["title"] == "Daily", 20_000.0, 5_000.0) * pages * 0.12
        kg = solid * 2.0 / 1000
        extra = kg * 0.06 * rng.standard_normal(len(kg))
        truth.append(pd.DataFrame({"run_id": runs["run_id"], "ink": ink, "kg": kg + extra}))
        own = dips["tank"] == tank
        until = dips.loc[own, "read_at"].to_numpy()
        after = [extra[(runs["finished_at"] <= when).to_numpy()].sum() for when in until]
        dips.loc[own, "level_kg"] += 3.0 * rng.standard_normal(own.sum()) - np.array(after)
    return pd.concat(truth)


def test_intervals_hold_the_true_cost_of_title_months(tmp_path: Path):
    """Plants of 75 days, three months, two titles each: 95 % limits hold the truth of 92 to 98 in 100."""
    rng, held = np.random.default_rng(11), []
    for number in range(20):
        tables = small_tables(75)
        exact = {name: table.copy() for name, table in tables.items()}
        truth = with_errors(tables, rng)
        logs = read_logs(write_small_plant(tmp_path / str(number), tables))
        weighed = weighed_paper(logs)
        exposure, intervals, fits, _ = study_inks(logs)
        model = ink_model(intervals, fits)
        history = weekly_use(logs, weighed.runs, exposure, intervals, model, fits)
        use = material_use(logs, weighed, exposure, model, history)
        spent = valued_use(use, material_books(logs, use, OUTPUTS["ink_findings"].empty()))
        table = title_cost(logs, weighed, exposure, fits, spent, run_waste(logs, weighed))
        table = table.set_index(["month", "title"])
        about = exact["runs"].assign(month=exact["runs"]["date"].dt.to_period("M").dt.to_timestamp())
        true = _true_cost(exact, about, truth)
        both = table.join(true.rename("true"), how="inner")
        held += ((both["ci_low"] <= both["true"]) & (both["true"] <= both["ci_high"])).tolist()
    assert len(held) == 20 * 6
    assert 0.92 <= np.mean(held) <= 0.98


def _true_cost(exact: dict[str, pd.DataFrame], about: pd.DataFrame, truth: pd.DataFrame) -> pd.Series:
    """Return the cost per 1,000 good copies of each month and title: paper and black 0.5, cyan 4, plates 3 each."""
    mounts = exact["reel_mounts"].merge(about[["run_id", "month", "title"]], on="run_id")
    key = ["month", "title"]
    paper = (mounts["start_kg"] - mounts["returned_kg"]).groupby([mounts[name] for name in key]).sum() * 0.5
    rows = truth.merge(about[["run_id", "month", "title"]], on="run_id")
    rows["cost"] = rows["kg"] * rows["ink"].map({"black": 0.5, "cyan": 4.0})
    ink = rows.groupby(key)["cost"].sum()
    # A kilogram of idle loss a day and ink, shared as the month's ink of its runs.
    for name, price in (("black", 0.5), ("cyan", 4.0)):
        own = rows[rows["ink"] == name].groupby(key)["kg"].sum()
        months = own.index.get_level_values("month")
        days = about.groupby("month")["date"].nunique().reindex(months).to_numpy()
        ink = ink + own / own.groupby(months).transform("sum") * days * price
    plates = about.groupby(key)["plates"].sum() * 3.0
    return (paper + ink + plates) / about.groupby(key)["copies_good"].sum() * 1000
