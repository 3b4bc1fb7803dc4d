"""The manager's page on plants that log little: what is not known is never called good, zero or in control."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from test_pages_agree import with_tables
from test_watch import LAST, results_of, steady_tables

from pressstats import pages
from pressstats.exhibits import Block, logged
from pressstats.logs import read_logs
from pressstats.markup import plain
from pressstats.pages.common import spoken
from pressstats.past import past_forecasts
from pressstats.results import Results, analyse
from pressstats.watch.figure import WeekFigure
from pressstats.watch.week_figures import _with_exceptions

pytestmark = pytest.mark.usefixtures("few_draws")

Tables = dict[str, pd.DataFrame]
#: What no page says of a plant that does not know it.
CALM = (
    "nothing needs you",
    "nothing needs action",
    "stock is covered",
    "No web break",
)


def page(results: Results) -> str:
    week, sheet, actions = pages.weekly_page, pages.weekly_sheet, pages.weekly_actions
    shown: list[Block | None] = [
        part(results)
        for part in (
            week.headline,
            week.tiles,
            actions.actions,
            week.coming,
            sheet.waste_cost,
            sheet.waste,
            sheet.budget,
            sheet.year_words,
            sheet.stock,
            sheet.ink_line,
            sheet.since,
            sheet.not_said,
            actions.other_actions,
            actions.further_actions,
            week.exceptions,
            pages.weekly_more.inks,
            pages.weekly_more.standby,
        )
    ]
    parts = [part for part in shown if part is not None]
    words = re.sub(r"<script.*?</script>", " ", " ".join(part.markup for part in parts), flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]+>", " ", words).split())


def states(results: Results) -> dict[str, str]:
    table = results["week_figures"]
    return dict(zip(table["figure"], table["state"], strict=True))


def reasons(results: Results) -> dict[str, str]:
    table = results["week_figures"]
    return dict(zip(table["figure"], table["why"], strict=True))


def honest(results: Results) -> str:
    """Check what holds on any plant, and return the words of the page."""
    words = page(results)
    for calm in CALM:
        assert calm not in words, calm
    assert not re.search(r"(?<!\d)0 EUR", words)
    for bad in ("nan", "NaT", "None", " inf"):
        assert not re.search(rf"(?<![a-z]){bad}(?![a-z])", words), bad
    # The headline counts what stands below it, and is as bad as the worst tile.
    lead = pages.weekly_page.headline(results).text
    shown = states(results)
    order = ["act", "watch", "unknown", "in control"]
    worst = next(state for state in order if state in {*shown.values(), *results["to_do"]["state"]})
    assert lead.lower().startswith(worst) or lead.startswith("The logs cannot be true")
    # What is not known has no value that reads as good, and says why.
    for row in results["week_figures"].itertuples():
        assert row.state != "unknown" or row.why
        assert row.state in (*order, "")
    return words


def only(*names: str) -> Tables:
    return {name: table for name, table in steady_tables().items() if name in ("runs", "run_webs", *names)}


def without(*names: str) -> Tables:
    return {name: table for name, table in steady_tables().items() if name not in names}


def test_runs_and_webs_alone_know_little_and_say_so(tmp_path: Path) -> None:
    results = results_of(tmp_path / "logs", only())
    words = honest(results)
    found = states(results)
    for name in ("waste", "paper mounted", "wasted paper cost", "web breaks", "butts", "ink use"):
        assert found[name] == "unknown", name
    for name in ("days of stock", "stock-out risk", "standby"):
        assert found[name] == "unknown", name
    assert results["to_do"].empty
    assert "no action follows from what is logged" in words
    # Targets that nobody set are told to be none of the plant's, and there is no last year to hold anything against.
    assert "Targets by default, not set by the plant: waste 6 %, web breaks 2.5 per 100 reels" in words
    assert "last year [" not in words
    assert words.startswith("Unknown: ")
    assert "Unknown: waste" not in words.split(".")[0]
    # Each says what to log.
    for name, table in (("waste", "reel_mounts"), ("ink use", "tank_readings"), ("standby", "standby")):
        assert f"log {table}" in reasons(results)[name]
    # The press counts its breaks: they are told, though not held against a target per 100 reels.
    row = results["week_figures"].set_index("figure").loc["web breaks"]
    counted = results.logs["runs"]["web_breaks"]
    if counted.notna().all():
        assert row["value"] >= 0
        assert "press counter" in row["why"]


def test_the_press_counter_stands_in_for_mounts(tmp_path: Path) -> None:
    tables = only("materials")
    last = tables["runs"]["date"] > LAST - pd.Timedelta(weeks=13)
    tables["runs"] = tables["runs"].assign(web_breaks=np.where(last, 1.0, 0.0))
    results = results_of(tmp_path / "logs", tables)
    words = honest(results)
    row = results["week_figures"].set_index("figure").loc["web breaks"]
    assert row["value"] == last.sum()
    assert row["unit"] == "in 13 weeks"
    assert row["state"] == "unknown"
    assert "press counter" in words
    # Waste by the counters stands in, and below its target says nothing good.
    counter = results["week_figures"].set_index("figure").loc["counter waste"]
    runs = tables["runs"][tables["runs"]["date"] > LAST - pd.Timedelta(weeks=1)]
    assert 0 < counter["value"] < 100
    assert counter["state"] != "in control"
    assert len(runs)
    assert "Waste by the counters" in words


def test_without_deliveries_and_counts_stock_is_unknown(tmp_path: Path) -> None:
    results = results_of(tmp_path / "logs", without("deliveries", "stock_counts"))
    honest(results)
    found = states(results)
    # Dips tell what inks are there; of paper and plates nothing does.
    for name in ("days of stock", "stock-out risk", "ink use"):
        assert found[name] != "in control", name
    assert "not known of 2 of 4 materials" in reasons(results)["days of stock"]


def test_without_reels_waste_is_unknown_and_stock_that_rests_on_it(tmp_path: Path) -> None:
    results = results_of(tmp_path / "logs", without("reel_mounts", "reels"))
    honest(results)
    found = states(results)
    assert found["waste"] == found["butts"] == found["web breaks"] == found["paper mounted"] == "unknown"
    assert found["days of stock"] != "in control"


def test_without_coverage_ink_use_is_unknown(tmp_path: Path) -> None:
    results = results_of(tmp_path / "logs", without("coverage"))
    words = honest(results)
    assert states(results)["ink use"] == "unknown"
    assert "log coverage" in reasons(results)["ink use"]
    assert "used as expected" not in words


def test_a_week_without_printing_is_said_to_be_one(tmp_path: Path) -> None:
    tables = steady_tables()
    # The last run is on a day of the week after the empty one, so that the empty one is the last whole week.
    runs = tables["runs"]
    end = LAST - pd.Timedelta(days=int(LAST.day_of_week)) if LAST.day_of_week != 6 else LAST
    empty = (runs["date"] > end - pd.Timedelta(days=7)) & (runs["date"] <= end)
    gone = runs.loc[empty, "run_id"]
    for name in ("runs", "run_webs", "reel_mounts", "coverage"):
        tables[name] = tables[name][~tables[name]["run_id"].isin(gone)]
    from small_plant import write_small_plant
    from test_watch import TOML

    logs = read_logs(write_small_plant(tmp_path / "logs", tables, TOML), f"{end:%Y-%m-%d}")
    results = analyse(logs, *past_forecasts(None, logs.as_of))
    words = page(results)
    assert "Nothing was printed in the week of" in words
    row = results["week_figures"].set_index("figure").loc["waste"]
    assert np.isnan(row["value"])
    assert row["state"] in ("unknown", "watch", "act")
    assert "nothing was printed" in row["why"]
    assert "reel" not in row["why"].split(";")[0]
    assert np.isfinite(row["weeks_13"])
    assert "price" not in reasons(results)["wasted paper cost"]


def test_butts_that_nobody_weighs_are_not_zero(tmp_path: Path) -> None:
    tables = steady_tables()
    tables["reel_mounts"] = tables["reel_mounts"].drop(columns=["butt_kg", "strip_kg"])
    results = results_of(tmp_path / "logs", tables)
    honest(results)
    row = results["week_figures"].set_index("figure").loc["butts"]
    assert row["state"] == "unknown"
    assert np.isnan(row["value"])
    assert "log butt_kg" in row["why"]


def test_nothing_wrong_is_in_control(steady: Results) -> None:
    found = states(steady)
    for name in ("web breaks", "butts", "ink use", "logs"):
        assert found[name] == "in control", reasons(steady)[name]
    assert "All inks were used as expected in the last four weeks (" in page(steady)
    # Plates that last 13 days may run out before an order of 14 days arrives: no calm state over that.
    assert found["days of stock"] == found["stock-out risk"] == "act"


def test_figures_are_those_of_their_weeks_by_hand(steady: Results) -> None:
    table = steady["week_figures"].set_index("figure")
    end = LAST + pd.Timedelta(days=1) - pd.Timedelta(days=(LAST + pd.Timedelta(days=1)).day_of_week)
    runs = steady.run_balance

    def of(first: int, last: int) -> pd.DataFrame:
        """Runs of the weeks from `first` to before `last`, counted back from the end."""
        days = runs["date"]
        return runs[(days >= end - pd.Timedelta(weeks=first)) & (days < end - pd.Timedelta(weeks=last))]

    for column, weeks in (("value", (1, 0)), ("last_week", (2, 1)), ("weeks_13", (13, 0))):
        mine = of(*weeks)
        good = mine["good_kg"] + mine["good_grammage_kg"]
        share = 100 * (1 - good.sum() / mine["mounted_kg"].sum())
        assert table.loc["waste", column] == pytest.approx(share), column
        assert table.loc["paper mounted", column] == pytest.approx(mine["mounted_kg"].sum() / 1000)
        counted = mine[["good_kg", "startup_kg", "running_kg", "uncounted_kg"]].sum()
        assert table.loc["counter waste", column] == pytest.approx(
            100 * (1 - counted["good_kg"] / counted.sum())
        )
    quarter = of(13, 0)
    butts = 100 * quarter["reel_end_kg"].sum() / quarter["mounted_kg"].sum()
    assert table.loc["butts", "value"] == pytest.approx(butts)
    mounts = steady.logs["reel_mounts"]
    mounts = mounts[mounts["run_id"].isin(quarter["run_id"])]
    reels = len(set(zip(mounts["supplier"], mounts["reel_id"], strict=True)))
    broken = sum(word == "web_break" for word in mounts["ended_by"])
    assert table.loc["web breaks", "value"] == pytest.approx(100 * broken / reels)
    watch = steady["ink_watch"].dropna(subset=["used_kg", "z"])
    watch = watch[(watch["read_at"] >= end - pd.Timedelta(weeks=4)) & (watch["read_at"] < end)]
    share = 100 * watch["used_kg"].sum() / watch["expected_kg"].sum()
    assert table.loc["ink use", "value"] == pytest.approx(share)
    # 196 days lie within a year: nothing is known of the same week of the last.
    assert table["last_year"].isna().all()
    assert table.loc["days of stock", "value"] == steady["stock_cover"]["days_cover"].min()
    policy = steady.logs.plant.policy
    assert table.loc["stock-out risk", "target"] == pytest.approx(100 * (1 - policy.service_level))
    # Each kind of action is ranked from 1 without a gap, and refers to exceptions that are there.
    rows = steady["to_do"]
    assert rows["rank"].tolist() == list(range(1, len(rows) + 1))
    named = {name for names in rows["exception"] for name in names.split("; ") if name}
    assert named == set(steady["exceptions"]["exception"])
    needs = pages.weekly_actions.needs_words(steady)
    act = int((rows["state"] == "act").sum())
    assert needs.startswith(f"{pages.common.number_words(act)} thing")
    assert needs.endswith(f"{pages.common.number_words(len(rows) - act)} a look") or act == len(rows)
    assert needs in pages.weekly_page.headline(steady).text


def test_a_day_of_another_year_bears_its_year():
    as_of = pd.Timestamp("2025-10-26")
    assert spoken("late since 2025-06-24", as_of) == "Late since Tue 24 Jun"
    assert spoken("due on 2026-01-07", as_of) == "Due on Wed 7 Jan"
    assert spoken("breaks since 2022-10-30", as_of) == "Breaks since Sun 30 Oct 2022"


def test_a_number_keeps_its_unit_on_its_line():
    said = spoken("35,285 EUR, 5.2 % together", pd.Timestamp("2025-10-26"))
    assert logged(said, 400)[1:-1] == "35\u202f285 EUR, 5.2\u00a0% together"
    assert logged("two  spaces\nand a line")[1:-1] == "two spaces and a line"


# --- what the page draws its past, its week ahead and its budget from ----------------------------------------------


def test_each_week_shows_what_the_figures_of_that_week_would_have_been(steady: Results) -> None:
    past = steady["week_history"].pivot(index="week", columns="figure", values="value")
    figures = steady["week_figures"].set_index("figure")
    for name in past.columns:
        assert past[name].iloc[-1] == pytest.approx(figures.loc[name, "value"]), name
    # Figures of one week: that of the week before stands in the table of figures, too.
    for name in ("waste", "counter waste", "paper mounted", "wasted paper cost"):
        assert past[name].iloc[-2] == pytest.approx(figures.loc[name, "last_week"]), name
    # The sums of the week by stream are what the waste of the week cost.
    cost = steady["waste_cost"]
    cost = cost[(cost["period"] == "week") & (cost["kind"] != "beside")]
    assert cost["cost"].sum(skipna=False) == pytest.approx(figures.loc["wasted paper cost", "value"])
    assert cost["cost_before"].sum(skipna=False) == pytest.approx(
        figures.loc["wasted paper cost", "last_week"]
    )


def test_a_title_that_moved_to_another_press_is_in_the_sums_before(steady: Results) -> None:
    from pressstats.accounts import run_waste, waste_cost
    from pressstats.paper import weighed_paper

    logs = steady.logs
    waste = run_waste(logs, weighed_paper(logs))
    moved = waste["date"] > LAST - pd.Timedelta(days=7)
    table = waste_cost(logs, waste.assign(press=waste["press"].mask(moved, "P9")))
    rows = table[(table["period"] == "week") & (table["stream"] == "running")]
    before = waste[(waste["date"] > LAST - pd.Timedelta(days=14)) & ~moved]
    assert rows["kg_before"].sum() == pytest.approx(before["running"].sum())
    assert rows.loc[rows["press"] != "P9", "kg"].eq(0).all()


def test_the_coming_week_is_what_is_booked_due_and_closed(steady: Results) -> None:
    from pressstats.nights import coming_days

    logs = steady.logs
    days = pd.date_range(LAST + pd.Timedelta(days=1), periods=7, unit="us")
    orders = pd.DataFrame(
        {
            "delivery_id": ["a", "b", "c"],
            "material": ["N1200", "N1200", "plate"],
            "supplier": "S",
            "quantity": [20_000.0, 5_500.0, 4_000.0],
            "promised_on": days[[2, 2, 3]],
        }
    )
    table = coming_days(logs, None, orders).set_index("date")
    assert list(table.index) == list(days)
    assert table["due"].tolist() == ["", "", "N1200 25.5 t", "plate 4,000", "", "", ""]
    assert table.loc[days.day_of_week >= 5, "closed"].str.contains("no receipts").all()
    booked = logs["plan"] if logs.has("plan") else pd.DataFrame(columns=["date", "copies_planned"])
    for day, rows in booked[booked["date"].isin(days) & (booked["copies_planned"] > 0)].groupby("date"):
        last = rows.sort_values("made_on").drop_duplicates("title", keep="last")
        assert table.loc[day, "booked"] == len(last)
        if table.loc[day, "issues"] == len(last):
            assert table.loc[day, "copies"] == last["copies_planned"].sum()
    # A title that has come out every day goes on as its past does.
    printed = logs["runs"].loc[logs["runs"]["date"] > LAST - pd.Timedelta(days=7), ["date", "title"]]
    by_weekday = printed.groupby(printed["date"].dt.day_of_week)["title"].nunique()
    assert table["issues"].to_numpy().tolist() == [float(by_weekday.get(day.day_of_week, 0)) for day in days]


def test_paper_of_the_coming_days_adds_up_to_the_forecast_of_the_week(steady: Results) -> None:
    paper = steady["coming_paper"]
    assert (paper["q05"] <= paper["q95"]).all()
    ahead = steady["demand_forecast"]
    first = paper["date"].min()
    of_week = ahead[ahead["week"] == first].set_index("material")["mean"]
    if first.day_of_week == 0:
        for material, rows in paper.groupby("material"):
            assert rows["kg"].sum() == pytest.approx(of_week[material])


def test_what_was_raised_before_and_is_not_now_is_resolved(tmp_path: Path) -> None:
    from pressstats.past import past_exceptions
    from pressstats.watch import exception_changes

    rows = pd.DataFrame(
        {"exception": ["butts: R1", "log gap: a"], "kind": ["butts", "log gap"], "subject": ["R1", "'=a"]}
    )
    for day in ("2025-01-26", "2025-02-01", "2024-12-01"):
        folder = tmp_path / day / "tables"
        folder.mkdir(parents=True)
        rows.to_csv(folder / "exceptions.csv", index=False)
    found, digests = past_exceptions(tmp_path, pd.Timestamp("2025-02-02"))
    # A week before, not yesterday; and nothing older than four weeks.
    assert found is not None
    assert found.made_on == pd.Timestamp("2025-01-26")
    assert found.exceptions["subject"].tolist() == ["R1", "=a"]
    assert list(digests) == ["2025-01-26/tables/exceptions.csv"]
    yesterday, _ = past_exceptions(tmp_path, pd.Timestamp("2025-01-27"))
    assert yesterday is not None
    assert yesterday.made_on == pd.Timestamp("2025-01-26")
    assert past_exceptions(tmp_path, pd.Timestamp("2025-06-01")) == (None, {})
    now = rows.replace({"butts: R1": "butts: R2", "R1": "R2"})
    changes = exception_changes(now, found.exceptions, found.made_on).set_index("exception")["change"]
    assert changes.to_dict() == {"butts: R1": "resolved", "butts: R2": "new"}


def test_the_budget_of_the_year_to_date_is_parted_without_a_rest(steady: Results) -> None:
    from pressstats.accounts import budget_year

    as_of = pd.Timestamp("2025-03-10")
    logs = dataclasses.replace(steady.logs, as_of=as_of)
    months = pd.to_datetime(["2025-01-01", "2025-02-01", "2025-03-01"]).as_unit("us")
    close = pd.DataFrame(
        {
            "month": np.repeat(months, 2),
            "through": np.repeat(pd.to_datetime(["2025-01-31", "2025-02-28", "2025-03-10"]).as_unit("us"), 2),
            "kind": ["newsprint", "ink"] * 3,
            "used_value": [110.0, 11.0, 95.0, 9.0, 40.0, 4.0],
            "budget_cost": [100.0, 10.0, 100.0, 10.0, 100.0, 10.0],
            "price_variance": [3.0, 1.0, -2.0, 0.0, np.nan, np.nan],
            "volume_variance": [5.0, 0.5, -4.0, -0.5, np.nan, np.nan],
        }
    )
    year = pd.DataFrame(
        {
            "material": ["N", "K", "all materials"],
            "kind": ["newsprint", "ink", ""],
            "expected_cost": [1250.0, 120.0, 1370.0],
            "cost_q05": [1200.0, 110.0, 1330.0],
            "cost_q95": [1300.0, 130.0, 1410.0],
            "budget_cost": [1200.0, 120.0, 1320.0],
        }
    )
    table = budget_year(logs, close, year).set_index("kind")
    # January and February only: 110 + 95 against 200, of which price 1, volume 1, the rest 3.
    paper = table.loc["newsprint"]
    assert paper[["spent", "budget", "by_price", "by_volume", "by_rest"]].tolist() == [205, 200, 1, 1, 3]
    assert table.loc["all", ["spent", "budget", "year_expected", "year_q95", "year_budget"]].tolist() == [
        225, 220, 1370, 1410, 1320,
    ]  # fmt: skip
    assert (table["through"] == pd.Timestamp("2025-02-28")).all()
    # A month without a budget: spent is known, what it is held against is not.
    bare = budget_year(
        logs, close.assign(budget_cost=close["budget_cost"].where(close["month"] > months[0])), year
    )
    assert bare["budget"].isna().all()
    assert bare["by_rest"].isna().all()
    assert bare.set_index("kind").loc["all", "spent"] == 225


def test_the_reason_for_a_state_is_told_first_and_of_many_other_parts_the_first() -> None:
    known = SimpleNamespace(logs=SimpleNamespace(as_of=LAST))
    over = [f"P{n} was over the target" for n in range(1, 5)]
    acts = "act because of R1: 24 m left a splice (also R2)"

    def told(state: str, *parts: str) -> tuple[str, ...]:
        row = pd.Series({"why": "; ".join(parts), "state": state})
        return tuple(map(plain, pages.weekly_page._reasons(known, row)))  # type: ignore[arg-type]

    assert told("watch", *over) == (over[0], "; ".join(over[1:]))
    assert told("act", *over, acts) == ("R1: 24 m left a splice (also R2)", f"{over[0]}; {over[1]}; 2 more")
    assert told("act", *over[:3], acts) == ("R1: 24 m left a splice (also R2)", "; ".join(over[:3]))
    # What is fine needs no reason; exceptions stand among what is to do.
    assert told("in control", over[0], "see butts: R1, R2") == ("", over[0])
    assert told("unknown", over[0]) == ("", over[0])


def test_the_latest_run_of_the_week_is_told_against_deadlines_where_they_are_logged(steady: Results) -> None:
    record = steady["run_record"].tail(2).assign(minutes_late=[171.0, 5.0], minutes_high=25.0)
    record["minutes_after_deadline"] = np.nan

    def told(**changed: Any) -> str:
        return plain(
            pages.weekly_sheet.latest_words(with_tables(steady, run_record=record.assign(**changed)))
        )

    first = record.iloc[0]
    assert (
        f"1 of 2 runs ended later than nine of ten such runs do: the latest, {first['title']} on {first['press']} ("
        in told()
    )
    assert told().endswith("171\u00a0min after its usual end; no deadlines are logged.")
    assert told(minutes_late=5.0) == "Of 2 runs none ended later than nine of ten such runs do."
    # Where deadlines are logged they count, and not what is usual.
    missed = told(minutes_after_deadline=[-3.0, 12.0])
    assert missed.startswith("1 of 2 runs ended after their deadline: the latest")
    assert missed.endswith("12\u00a0min.")
    assert told(minutes_late=np.nan) == ""


def test_a_figure_names_subject_and_number_of_what_makes_its_state() -> None:
    rows = [
        ("R1", "24.1 m left a splice, target 12 m; 90 splices", 175.0, "watch"),
        ("R2", "20 m; 9", 300.0, "watch"),
    ]
    raised = pd.DataFrame(rows, columns=["subject", "why", "cost", "state"])
    raised = raised.assign(kind="butts", exception="butts: R")
    calm = WeekFigure("butts", 0.1, state="in control", why="of mounted paper")
    # The one that costs most, with its number; the others by their names.
    assert _with_exceptions(calm, raised) == {
        "state": "watch",
        "why": "of mounted paper; watch because of R2: 20 m (also R1)",
    }
    alone = _with_exceptions(calm, raised.head(1))["why"]
    assert alone.endswith("because of R1: 24.1 m left a splice, target 12 m")
    assert _with_exceptions(dataclasses.replace(calm, state="act"), raised)["state"] == "act"
    # What the store lost, and what there is much of, make no other figure's state.
    for kind, figure in (("store losses", "paper mounted"), ("days of stock high", "days of stock")):
        assert _with_exceptions(WeekFigure(figure, 99.0), raised.assign(kind=kind)) == {}


def test_materials_that_are_not_in_control_stand_first(steady: Results) -> None:
    cover = steady["stock_cover"].dropna(subset="days_cover")
    cover = cover.assign(days_cover=40.0 + np.arange(len(cover)))
    last = cover["material"].iloc[-1]
    raised = pd.DataFrame(
        {
            "kind": ["days of stock high"],
            "subject": last,
            "state": "watch",
            "why": "65 days of stock, limit 61; it ties up cash",
        }
    )
    assert steady.plan is not None
    none = dataclasses.replace(steady.plan, risk=pd.Series(0.0, list(cover["material"])))
    calm = dataclasses.replace(with_tables(steady, stock_cover=cover, exceptions=raised), plan=none)
    block = pages.weekly_sheet.stock(calm)
    assert block.frame["material"].iloc[0] == last
    assert block.frame["state"].tolist() == ["watch", *["in control"] * (len(cover) - 1)]
    assert f"{last}: 65 days of stock, limit 61" in plain(block.text)
