"""Each run against what was expected of it: limits that hold, nobody named by chance, what was planted is seen."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant

from pressstats.accounts import compare_periods, named_groups, what_if_cost
from pressstats.accounts.bridge import Span
from pressstats.accounts.record import expected_ratio, past_limits, poisson_limits, run_ink
from pressstats.accounts.whatif_error import makeup_draws
from pressstats.accounts.whatif_paper import dropped_effect, splice_effect
from pressstats.demand import WhatIf
from pressstats.demand.drivers import Expected
from pressstats.reels.failures import FailureCurve
from pressstats.reels.target import SpliceStudy
from pressstats.results import open_results

pytestmark = pytest.mark.usefixtures("few_draws")

RUNS = 13  # a week


def plant(rng: np.random.Generator, weeks: int = 104, titles: int = 4, spread: float = 0.35) -> pd.DataFrame:
    """Runs of a plant whose titles differ, and whose runs of a title differ by chance alone, skewed as waste is."""
    size = weeks * RUNS
    week = np.repeat(np.arange(weeks), RUNS)
    title = rng.integers(0, titles, size)
    usual = rng.uniform(8, 25, titles)
    scale = rng.uniform(0.6, 1.6, size)
    value = usual[title] * scale * np.exp(spread * rng.standard_normal(size) - spread**2 / 2)
    return pd.DataFrame(
        {"week": week, "title": title, "size": scale, "value": value, "usual": usual[title] * scale}
    )


def expected_of(runs: pd.DataFrame) -> np.ndarray:
    value, size, week = (runs[name].to_numpy() for name in ("value", "size", "week"))
    return expected_ratio(value, size, week, runs["title"].to_numpy(), np.zeros(len(runs), dtype=int)) * size


def predicted(runs: pd.DataFrame) -> pd.DataFrame:
    expected, press = expected_of(runs), np.zeros(len(runs), dtype=int)
    title, week = runs["title"].to_numpy(), runs["week"].to_numpy()
    low, high = past_limits(runs["value"].to_numpy(), expected, week, title, press)
    return runs.assign(expected=expected, low=low * expected, high=high * expected)


def test_eighty_of_a_hundred_runs_lie_inside_limits_that_were_set_before_them():
    rng = np.random.default_rng(1)
    held, close = [], []
    for _ in range(20):
        runs = predicted(plant(rng)).dropna()
        held.append(((runs["value"] >= runs["low"]) & (runs["value"] <= runs["high"])).mean())
        close.append((runs["expected"] / runs["usual"]).mean())
    assert 0.76 <= np.mean(held) <= 0.84
    assert all(0.76 <= share <= 0.84 for share in held)
    assert np.mean(close) == pytest.approx(1.0, abs=0.02)


def test_titles_that_scatter_differently_each_keep_their_limits():
    """Counts as plates are: one title takes a second set in one run of six, the other hardly scatters."""
    rng = np.random.default_rng(11)
    runs = plant(rng, titles=2)
    long = rng.random(len(runs)) < 1 / 6
    sets = np.where(runs["title"] == 0, np.where(long, 2.0, 1.0), 1.0)
    runs["value"] = np.round(60 * runs["size"]) * sets + rng.poisson(1.0, len(runs))
    runs = predicted(runs).dropna()
    held = ((runs["value"] >= runs["low"]) & (runs["value"] <= runs["high"])).groupby(runs["title"]).mean()
    assert held.between(0.74, 0.86).all(), held
    # by their press the title that hardly scatters would lie inside nearly always
    press = np.zeros(len(runs), dtype=int)
    columns = [runs[name].to_numpy() for name in ("value", "expected", "week")]
    low, high = past_limits(*columns, press, press)
    inside = pd.Series((columns[0] >= low * columns[1]) & (columns[0] <= high * columns[1]), index=runs.index)
    assert inside[runs["title"] == 1].mean() > 0.9


def test_a_title_with_few_runs_is_held_against_its_press():
    week = np.append(np.repeat(np.arange(20), 5), 20)
    title = np.zeros(101, dtype=int)
    title[::4] = 1  # 25 runs before week 20, and one of it
    ratio = np.linspace(0.5, 1.5, 101)
    low, high = past_limits(ratio, np.ones(101), week, title, np.zeros(101, dtype=int))
    past = np.sort(ratio[:100])
    assert [low[100], high[100]] == pytest.approx(np.interp([9.1, 89.9], np.arange(100), past))


def test_nothing_of_a_week_or_after_it_tells_what_is_expected_of_it():
    runs = plant(np.random.default_rng(2), 60)
    changed = runs.copy()
    changed.loc[changed["week"] >= 40, "value"] *= 10
    one, other = predicted(runs), predicted(changed)
    until = runs["week"] <= 40
    pd.testing.assert_series_equal(one.loc[until, "expected"], other.loc[until, "expected"])
    pd.testing.assert_series_equal(one.loc[until, "high"], other.loc[until, "high"])
    assert (other.loc[runs["week"] > 45, "expected"] > one.loc[runs["week"] > 45, "expected"]).all()
    assert one.loc[runs["week"] < 13, "expected"].isna().all()


def test_a_title_with_few_runs_is_drawn_to_its_press():
    week = np.append(np.repeat(np.arange(20), 5), 20)
    title = np.zeros(101, dtype=int)
    value = np.full(101, 10.0)
    title[[99, 100]], value[99] = 1, 40.0
    ratio = expected_ratio(value, np.ones(101), week, title, np.zeros(101, dtype=int))
    # One run at 40, drawn by five at the mean of all: (40 + 5 x 10.3) / 6.
    assert ratio[100] == pytest.approx((40 + 5 * 10.3) / 6)


def test_counts_are_exceeded_by_chance_in_one_of_ten():
    # Tables of the Poisson law: mean 1.1, P(X <= 2) = 0.9004; mean 2, P(X <= 4) = 0.947 and P(X <= 3) = 0.857.
    assert poisson_limits(np.array([1.1, 2.0, 0.0, np.nan]))[:3].tolist() == [2.0, 4.0, 0.0]
    assert np.isnan(poisson_limits(np.array([np.nan]))[0])


def record_of(rng: np.random.Generator, worse: float = 0.0) -> pd.DataFrame:
    runs = plant(rng)
    runs = runs.assign(expected=expected_of(runs))
    crew = rng.choice(["north", "south", "east", "west"], len(runs))
    value = runs["value"] * np.where(crew == "east", 1 + worse, 1.0)
    return pd.DataFrame(
        {
            "crew": crew,
            "press": rng.choice(["P1", "P2"], len(runs)),
            "wasted_kg": value,
            "wasted_expected_kg": runs["expected"],
            "cost_over_expected": (value - runs["expected"]) * 0.5,
        }
    )


def test_nobody_is_named_where_all_are_alike_and_who_differs_is():
    rng = np.random.default_rng(5)
    named = {"crew": 0, "press": 0}
    for _ in range(100):
        record = record_of(rng)
        for by in named:
            named[by] += bool(named_groups(record, by)["named"].any())
    assert named["crew"] <= 5
    assert named["press"] <= 5
    found = sum(
        named_groups(record_of(rng, 0.15), "crew").set_index("crew").loc["east", "named"] for _ in range(20)
    )
    assert found >= 18


def test_few_runs_name_nobody():
    record = record_of(np.random.default_rng(6), 5.0)
    few = pd.concat([record[record["crew"] != "east"], record[record["crew"] == "east"].dropna().head(10)])
    assert not named_groups(few, "crew").set_index("crew").loc["east", "named"]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory):
    tables = small_tables(140)
    runs = tables["runs"]
    last = runs.index[runs["title"] == "Daily"][-1]
    runs.loc[last, "copies_startup_waste"] += 400.0
    runs.loc[last, "copies_running_waste"] -= 300.0
    runs.loc[last, "finished_at"] += pd.Timedelta(minutes=25)
    runs["deadline"] = pd.NaT
    runs.loc[last, "deadline"] = runs.loc[last, "finished_at"] - pd.Timedelta(minutes=10)
    runs.loc[last, "plates"] += 16.0
    return open_results(write_small_plant(tmp_path_factory.mktemp("record") / "logs", tables))


def test_last_night_is_read_against_what_was_usual(small):
    record = small["run_record"]
    last = record[record["title"] == "Daily"].iloc[-1]
    kg = 0.96 * 0.045  # a copy at nominal grammage
    assert last["startup_kg"] == pytest.approx(1000 * kg)
    assert last["startup_expected_kg"] == pytest.approx(600 * kg, rel=0.01)
    assert last["startup_kg"] > last["startup_high"]
    assert last["running_kg"] == pytest.approx(0.0)
    assert last["running_expected_kg"] == pytest.approx(300 * kg, rel=0.01)
    # 100 copies more than expected, at 0.50 a kilogram.
    assert last["cost_over_expected"] == pytest.approx(100 * kg * 0.5, rel=0.05)
    assert last["minutes_late"] == pytest.approx(25.0)
    assert last["minutes_after_deadline"] == pytest.approx(10.0)
    assert np.isnan(record["minutes_after_deadline"].iloc[0])
    before = record[record["title"] == "Daily"].iloc[-2]
    assert last["plates"] == before["plates"] + 16
    assert last["plates_expected"] == pytest.approx(before["plates"], rel=0.01)
    assert last["plates"] > last["plates_high"]
    # Film of a Daily: 20,000 x 0.12 m2 x 2 g x (1.6 + 0.8 pages) = 11.52 kg; nights that are all alike do not tell the
    # kilogram of idle loss of each ink apart from it.
    assert before["ink_kg"] == pytest.approx(13.52)
    assert before["ink_expected_kg"] == pytest.approx(13.52, rel=0.01)
    assert last["crew"] == "north"


def test_ink_between_two_dips_is_shared_as_it_is_expected():
    ids = pd.Series(["a", "b", "c"])
    ends = pd.to_datetime(["2025-03-01 23:00", "2025-03-02 01:00", "2025-03-03 01:00"])
    exposure = pd.DataFrame(
        {"run_id": ids, "ink": "black", "solid_m2": [1000.0, 3000.0, 2000.0], "starts": 1.0}
    )
    dips = pd.to_datetime(["2025-03-01 06:00", "2025-03-02 06:00", "2025-03-03 06:00"])
    rows = {
        "since": dips[:-1],
        "read_at": dips[1:],
        "used_kg": [13.0, 9.0],
        "days": 1.0,
        "why": ["", "refilled"],
    }
    intervals = pd.DataFrame(rows).assign(ink="black", solid_squared=0.0)
    terms = {"film_g_m2": 2.0, "startup_kg_per_run": 1.0, "standing_kg_per_day": 3.0}
    model = pd.DataFrame({"ink": "black", "term": list(terms), "estimate": list(terms.values())})
    found = run_ink(ids, exposure.assign(finished_at=ends, solid_squared=0.0), intervals, model)
    # Expected: 3 and 7 kg of the runs and 3 of the day; all of it took 13.
    assert found["ink_size"].tolist() == [3.0, 7.0, 5.0]
    assert found["ink_kg"].tolist()[:2] == [3.0, 7.0]
    assert np.isnan(found["ink_kg"][2])


def test_two_periods_are_compared_with_an_interval():
    rng = np.random.default_rng(9)
    held = []
    for _ in range(100):
        days = pd.date_range("2025-01-06", periods=112)
        rows = pd.DataFrame({"date": days.repeat(2), "title": ["A", "B"] * 112})
        rows["size"] = rng.uniform(0.8, 1.2, len(rows)) * np.where(rows["title"] == "A", 100.0, 40.0)
        rate = np.where(rows["date"] < days[56], 0.03, 0.036)
        # Nights of a week have their week in common.
        week = 0.1 * rng.standard_normal(16)[((rows["date"] - days[0]).dt.days // 7).to_numpy()]
        rows["value"] = rows["size"] * rate * (1 + week + 0.3 * rng.standard_normal(len(rows)))
        table = compare_periods(
            rows, Span(days[0], days[55]), Span(days[56], days[111]), ["title"], "value", "size"
        )
        held += ((table["ci_low"] <= 0.006) & (table["ci_high"] >= 0.006)).tolist()
    assert 0.92 <= np.mean(held) <= 0.98


def test_a_period_without_a_group_is_blank_and_a_wrong_column_is_named():
    rows = pd.DataFrame({"date": pd.to_datetime(["2025-01-06", "2025-01-20"]), "title": ["A", "B"]})
    rows = rows.assign(value=1.0, size=10.0)
    spans = (Span(rows["date"][0], rows["date"][0]), Span(rows["date"][1], rows["date"][1]))
    table = compare_periods(rows, *spans, ["title"], "value", "size").set_index("title")
    assert table.loc["A", "before"] == pytest.approx(0.1)
    assert np.isnan(table["difference"]).all()
    with pytest.raises(KeyError, match="'titel': did you mean title"):
        compare_periods(rows, *spans, ["titel"], "value", "size")


def test_what_fewer_copies_save_in_money_with_an_interval(small):
    table = what_if_cost(small.logs, small.outlook, {"fewer": WhatIf(copies={"Daily": 0.9})})
    table = table.set_index("material")
    paper = table.loc["N1200"]
    # The Daily takes 98 % of the paper, and nearly all of a copy's paper goes with it.
    assert -0.1 < paper["change"] / paper["expected"] < -0.09
    assert paper["cost"] == pytest.approx(paper["change"] * paper["unit_price"])
    # Ten weeks of logs hold no three past forecasts that would tell how far off the share of a title may be.
    assert np.isnan([paper["q05"], paper["q95"], paper["need_low"]]).all()
    assert table.loc["plate", "change"] == pytest.approx(0.0, abs=1e-6)
    total = table.loc["all materials"]
    assert total["cost"] == pytest.approx(table["cost"].drop("all materials").sum())
    for name in ("N1200", "all materials"):
        assert "no limits: how well the titles' share is foreseen" in table.loc[name, "why"]


def test_every_material_has_a_row_with_a_number_or_a_reason(small):
    fewer = {"less": WhatIf(coverage={"black": 0.9}), "other": WhatIf(pages={"Daily": 3.0})}
    model = pd.DataFrame(columns=["ink", "term", "estimate", "std_error"])
    table = what_if_cost(small.logs, small.outlook, fewer, model=model).set_index(["what_if", "material"])
    for name in fewer:
        assert list(table.loc[name].index) == [*small.outlook.names, "all materials"]
    limits = table[["q05", "q95"]].notna().all(axis=1)
    assert (limits | (table["why"] != "")).all()
    assert (table["cost"].notna() | (table["why"] != "")).all()
    # The model has no term of black: how sure its film weight is nobody knows, and of paper it does not matter.
    assert "how sure the film weight is" in table.loc[("less", "black"), "why"]
    assert table.loc[("less", "N1200"), "why"] == ""
    # 8 pages a web: no run of the Daily had three pages more.
    assert "Daily: mostly pages never printed" in table.loc[("other", "N1200"), "why"]
    # What no issue explains is not left out.
    recipe = replace(
        small.outlook.recipe, history=small.outlook.recipe.history.assign(cyan=np.nan, black=np.nan)
    )
    lost = replace(small.outlook, recipe=recipe)
    blank = what_if_cost(small.logs, lost, {"less": WhatIf(coverage={"black": 0.9})}).set_index("material")
    assert np.isnan(blank.loc["black", ["change", "cost", "q05"]].astype(float)).all()
    assert "too little is logged of it" in blank.loc["black", "why"]
    assert "black is not in it" in blank.loc["all materials", "why"]


def test_a_width_that_changes_by_nothing_in_the_mean_may_jump():
    # One issue of 100 copies, of 24 or 40 pages at even odds: of the width 32 pages take 2 m2, 48 none, the others 1.
    area = {24.0: 1.0, 32.0: 2.0, 40.0: 1.0, 48.0: 0.0}
    days = pd.date_range("2025-03-03", periods=1, freq="D", unit="us")
    issues = pd.DataFrame({"day": days, "title": "A", "copies": [100.0]})
    expected = Expected(issues, np.array([[24.0, 40.0]]))
    recipe = SimpleNamespace(
        drivers=SimpleNamespace(
            expected=lambda known, since: expected,
            calendar=SimpleNamespace(closed=lambda days: np.zeros(len(days), dtype=bool)),
        ),
        configuration=SimpleNamespace(
            materials=["N1200"], per_copy=lambda title, pages, now: np.vectorize(area.get)(pages)[..., None]
        ),
    )
    jumps = makeup_draws(recipe, days[0], days, days, WhatIf(pages={"A": 8.0}), expected)
    # In the mean the 8 pages more take nothing; each time it is all that the issue takes now, more or less.
    assert sorted(jumps["N1200"].round(1).unique()) in ([-1.0, 1.0], [-0.9, 1.1], [-1.1, 0.9])
    assert jumps["N1200"].mean() == pytest.approx(0.0, abs=1e-9)


QUALITY = pd.DataFrame(
    {
        "supplier": ["Eastmill", "Northmill"],
        "material": "N1200",
        "price": [0.6, 0.5],
        "heavier_pct": [0.0, 2.0],
        "heavier_low": [-0.5, 1.5],
        "heavier_high": [0.5, 2.5],
        "lost_pct": 1.0,
        "lost_error": 0.0,
        "breaks_per_100": [2.0, 4.0],
        "ci_low": [1.0, 3.0],
        "ci_high": [3.0, 5.0],
        "reel_kg": 1000.0,
    }
)


def test_a_supplier_dropped_costs_the_price_weight_and_breaks_of_the_others(small):
    mounts = small.logs["reel_mounts"]
    kg = (mounts["start_kg"] - mounts["returned_kg"])[mounts["material"] == "N1200"]
    kg = kg.groupby(mounts["supplier"]).sum()
    share = kg["Northmill"] / kg.sum()
    found = dropped_effect(small.logs, QUALITY, ("Northmill",), "N1200", np.random.default_rng(1), 500)
    # As much printable paper: 1 / 1.02 of the kilograms; a break costs 400.
    assert found.kg[0] == pytest.approx(share * (1 / 1.02 - 1))
    cost = share * ((0.6 + 0.02 * 0.4) / 1.02 - (0.5 + 0.04 * 0.4))
    assert found.cost[0] == pytest.approx(cost)
    assert found.why == ""
    assert dropped_effect(small.logs, QUALITY, ("Southmill",), "N1200", np.random.default_rng(1), 5) is None
    nobody = dropped_effect(
        small.logs, QUALITY, ("Northmill", "Eastmill"), "N1200", np.random.default_rng(1), 5
    )
    assert np.isnan(nobody.cost).all()
    assert nobody.why == "nobody else has delivered it"
    little = QUALITY.assign(lost_pct=[np.nan, 1.0])
    unknown = dropped_effect(small.logs, little, ("Northmill",), "N1200", np.random.default_rng(1), 5)
    assert unknown.why == "too little is known of the paper of Eastmill"
    table = what_if_cost(
        small.logs, small.outlook, {"without": WhatIf(dropped=("Northmill",))}, quality=QUALITY
    ).set_index("material")
    paper = table.loc["N1200"]
    assert paper["change"] == pytest.approx(found.kg[0] * paper["expected"])
    assert table.loc["all materials", "cost"] == pytest.approx(cost * paper["expected"])
    assert table.loc["plate", "change"] == 0.0


def test_another_length_at_splices_costs_paper_and_failures(small):
    likely = pd.DataFrame({"sure_m": [0.0, 0.1], "falls_m": [10.0, 10.0]})
    curve = FailureCurve(True, "", 100, 10, 0.0, 10.0, likely, 1.0, 0.0)
    row = {"material": "N1200", "splices": 100.0, "current_m": 20.0, "scatter_m": 1e-6}
    study = SpliceStudy(curve, pd.DataFrame([row]), pd.DataFrame(), pd.DataFrame())
    mounts = small.logs["reel_mounts"]
    kg = (mounts["start_kg"] - mounts["returned_kg"])[mounts["material"] == "N1200"].sum()
    found = splice_effect(small.logs, study, 10.0, "N1200", 0.5, np.random.default_rng(1), 200)
    # Ten metres of 1.2 m x 45 g fewer; failures rise from exp(-2) to exp(-1) at 400 each.
    assert found.kg[0] == pytest.approx(-100 / kg * 10 * 1.2 * 0.045)
    more = 100 / kg * (np.exp(-1) - np.exp(-2)) * 400
    assert found.cost[0] == pytest.approx(0.5 * found.kg[0] + more, rel=1e-4)
    untold = SpliceStudy(
        replace(curve, told=False, why="no splice failed"), study.table, study.costs, study.costs
    )
    found = splice_effect(small.logs, untold, 10.0, "N1200", 0.5, np.random.default_rng(1), 200)
    assert np.isnan(found.cost).all()
    assert "no splice failed" in found.why
    with pytest.raises(ValueError, match="a length above 0 m"):
        WhatIf(butt_m=0.0)


@pytest.mark.parametrize(
    ("assumed", "message"),
    [
        (
            WhatIf(dropped=("Norhtmill",)),
            "no supplier of newsprint is called 'Norhtmill': did you mean Northmill",
        ),
        (WhatIf(grammage={"N1020": 42.0}), "no newsprint is called 'N1020': did you mean N1200"),
        (WhatIf(coverage={"blak": 1.1}), "no ink is called 'blak': did you mean black"),
        (WhatIf(closed=("Dayly",)), "no title is called 'Dayly': did you mean Daily"),
        (WhatIf(pages={"xyz": 2.0}), "no title is called 'xyz': there are Daily, Weekly"),
    ],
)
def test_a_misspelt_name_is_an_error_that_suggests(small, assumed: WhatIf, message: str):
    with pytest.raises(KeyError, match=message):
        what_if_cost(small.logs, small.outlook, {"odd": assumed})
