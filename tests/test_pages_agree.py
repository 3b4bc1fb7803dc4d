"""Sentences held against each other and against what is logged: no page says more, less or otherwise than another."""

from __future__ import annotations

import dataclasses
import re
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from test_watch import results_of, steady_tables
from worlds import judging
from worlds.judging import read

from pressstats import pages
from pressstats.orders import SOON
from pressstats.orders.plan_tables import NO_ROOM, NOT_QUITE
from pressstats.pages import ring_first
from pressstats.pages.common import by_reason, counted
from pressstats.paper import weighed_paper
from pressstats.tables import OUTPUTS
from pressstats.watch import KINDS, weeks_logged
from pressstats.watch.process_exceptions import waste_exceptions
from pressstats.watch.stock_exceptions import ORDERED_SOON, stock_exceptions, wanted_now
from pressstats.watch.to_do import to_do

if TYPE_CHECKING:
    from pressstats.results import Results

pytestmark = pytest.mark.usefixtures("few_draws")

DAY = pd.Timedelta(days=1)


@pytest.fixture(scope="module")
def without(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Results]:
    """Return the steady plant without one of its tables, by the table."""
    found = {}
    for name in ("deliveries", "reel_mounts"):
        tables = {key: table for key, table in steady_tables().items() if key != name}
        counts = tables["stock_counts"]
        # Counted some days ago: what was used or came since is not known without the table.
        tables["stock_counts"] = counts[counts["counted_on"] < counts["counted_on"].max()]
        found[name] = results_of(tmp_path_factory.mktemp(name) / "logs", tables)
    return found


def with_tables(results: Results, **tables: pd.DataFrame) -> Results:
    return dataclasses.replace(results, published={**results.published, **tables})


def high(results: Results, days: float, wanted: frozenset[str] = frozenset()) -> list[dict[str, Any]]:
    cover = pd.DataFrame({"material": ["N1200"], "days_cover": [days], "quantity": [1e6 * days]})
    cover["runs_out_q05"] = pd.NaT
    nothing = results.on_hand.iloc[:0]
    misses = pd.DataFrame({"counted_on": pd.Series(dtype="datetime64[us]"), "state": pd.Series(dtype="str")})
    return list(stock_exceptions(results.logs, cover, nothing, results.open_orders.iloc[:0], misses, wanted))


# --- stock -------------------------------------------------------------------------------------


def test_nobody_is_told_to_run_down_what_is_ordered_this_week_or_may_run_out(steady: Results) -> None:
    plan = pd.DataFrame({"material": ["plate", "N1200"], "quantity": 1.0, "stockout_probability": 0.0})
    plan["due_on"] = steady.logs.as_of + 2 * (ORDERED_SOON + 1) * DAY
    soon, later = (steady.logs.as_of + days * DAY for days in (ORDERED_SOON, ORDERED_SOON + 1))
    allowed = 1 - steady.logs.plant.policy.service_level
    risk = pd.Series({"N1200": allowed, "ink-black": allowed + 0.01})
    assert wanted_now(steady.logs, risk, plan.assign(order_on=[soon, later])) == {"plate", "ink-black"}
    assert wanted_now(steady.logs, risk.iloc[:0], plan.assign(order_on=later)) == frozenset()
    # Ordered within its lead time, and it may run out even so before that comes: use is uneven, and that is not much.
    uneven = plan.assign(order_on=later, stockout_probability=[0.0, allowed + 0.01])
    assert wanted_now(steady.logs, risk.iloc[:0], uneven) == {"N1200"}
    assert wanted_now(steady.logs, risk.iloc[:0], uneven.assign(due_on=later + DAY)) == frozenset()
    assert len(high(steady, 500.0)) == 1
    assert not high(steady, 500.0, frozenset({"N1200"}))


def test_days_of_stock_above_a_limit_are_told_so_that_it_shows(steady: Results) -> None:
    limit = 2 * steady.logs.plant.policy.cover_days_maximum
    (one,) = high(steady, limit + 0.2)
    days, more_than = re.findall(r"\d+(?:\.\d+)?", one["why"])
    assert float(days) > float(more_than)


def test_orders_without_a_list_of_open_ones_say_to_ask_first(
    steady: Results, without: dict[str, Results]
) -> None:
    results = without["deliveries"]
    plan = OUTPUTS["order_plan"].empty()
    rows = pd.DataFrame(
        {
            "order": "1", "material": "ink-black", "order_on": results.logs.as_of + DAY, "due_on": results.logs.as_of
            + 9 * DAY, "quantity": 1000.0, "cost": 10.0,
        },
        index=[0],
    )  # fmt: skip
    plan = pd.concat([plan, rows])
    from test_week_to_do import nothing

    for one, asks in ((results, True), (steady, False)):
        table = to_do(one.logs, OUTPUTS["exceptions"].empty(), nothing(order_plan=plan))
        assert ("ask the suppliers first" in table["why"].iloc[0]) is asks
    told = read(pages.buying_outlook.headline(results))
    if "order" in told:
        assert "What is on order already is unknown" in told
    assert "Ask the suppliers" in " ".join(ring_first.ring_first(results))


def test_what_can_be_printed_stands_on_known_stocks_only(without: dict[str, Results]) -> None:
    results = without["reel_mounts"]
    unknown = int(results.on_hand["quantity"].isna().sum())
    assert unknown
    words = read(pages.buying_outlook.without_deliveries(results))
    assert "is unknown" in words
    assert "at most" in words or "whose stock is known" in words


def test_reasons_are_told_once() -> None:
    assert re.sub(r"[`\\]", "", by_reason([("a", "x"), ("b", "y"), ("c", "x")])).count("(x)") == 1
    assert [counted(n, "reel") for n in (0, 1, 2)] == ["0 reels", "1 reel", "2 reels"]
    assert counted(2, "match", "matches") == "2 matches"


def test_newsprint_without_reels_is_called_printed_weight_on_both_pages(without: dict[str, Results]) -> None:
    for block in (pages.demand.headline, pages.buying_outlook.headline):
        assert "what gross copies weigh" in read(block(without["reel_mounts"]))


def test_stock_without_reels_names_the_table_to_log(without: dict[str, Results]) -> None:
    stock = without["reel_mounts"].on_hand.set_index("material")
    assert "log reel_mounts" in stock.loc["N1200", "why"]
    assert "no table" not in stock.loc["N1200", "why"]


# --- money -------------------------------------------------------------------------------------


def test_without_receipts_no_page_speaks_of_them(without: dict[str, Results], steady: Results) -> None:
    calls = (
        pages.reels.headline,
        pages.reel_ends.ends,
        pages.reel_ends.strip,
        pages.reel_store.claims,
        pages.weekly_page.tiles,
    )
    for results, receipts in ((without["deliveries"], False), (steady, True)):
        words = " ".join(read(call(results)) for call in calls).lower()
        assert ("last receipts" in words) is receipts
        assert ("was paid for it" in words) is receipts
        assert ("no receipt is logged" in words) is not receipts


# --- reels and paper ---------------------------------------------------------------------------


def test_reels_that_are_not_logged_lost_nothing_that_is_known(without: dict[str, Results]) -> None:
    results = without["reel_mounts"]
    for call in (
        pages.reel_store.store_losses,
        pages.reel_store.part_reels,
        pages.reel_ends.stands,
        pages.reel_ends.ends_by,
    ):
        words = read(call(results))
        assert "no table reel_mounts" in words, words
        assert "materials" not in words, words
        assert " 0 " not in words, words


def test_good_copies_and_waste_are_all_that_was_mounted(steady: Results) -> None:
    words = read(pages.paper_balance.headline(steady))
    good, waste = (float(number) for number in re.findall(r"(\d+\.\d+)\s%", words)[:2])
    assert good + waste == pytest.approx(100, abs=0.02)


def test_paper_off_its_nominal_weight_is_no_stream_of_waste(steady: Results) -> None:
    # 45 g/m2 agreed since, and a year printed on 49: by far the largest share beside good copies.
    runs = steady.run_balance.assign(grammage_kg=0.08 * steady.run_balance["mounted_kg"])
    words = read(pages.paper_balance.streams(dataclasses.replace(steady, run_balance=runs)))
    assert "paper heavier than nominal" in words
    assert "paper heavier than nominal is the largest" not in words
    light = dataclasses.replace(steady, run_balance=runs.assign(grammage_kg=-runs["grammage_kg"]))
    assert "paper lighter than nominal" in read(pages.paper_balance.streams(light))


def test_the_waste_tile_of_the_year_is_not_calmer_than_the_week(steady: Results) -> None:
    plant = steady.logs.plant
    wide = plant.targets.model_copy(update={"waste_pct": 20.0})
    logs = dataclasses.replace(steady.logs, plant=plant.model_copy(update={"targets": wide}))
    steady = dataclasses.replace(steady, logs=logs)
    figures = steady["week_figures"]
    of_waste = figures["figure"] == "waste"
    for state, shown in (("act", "Act"), ("in control", "In control"), ("unknown", "In control")):
        table = figures.assign(state=figures["state"].mask(of_waste, state))
        words = read(pages.paper_balance.tiles(with_tables(steady, week_figures=table)))
        assert shown in words.split("of mounted paper")[0], state
        # Of the year it is in control: where that is not what is judged, the tile says what is.
        assert ("By the last weeks" in words) == (state == "act")


def test_rows_set_aside_have_one_state_on_both_pages(steady: Results) -> None:
    figures = steady["week_figures"]
    for state, shown in (("watch", "Watch"), ("in control", "In control")):
        table = figures.assign(state=figures["state"].mask(figures["figure"] == "logs", state))
        words = read(pages.log_check.tiles(with_tables(steady, week_figures=table)))
        assert shown in words.split("Set aside")[1].split("Warnings")[0]


def test_butts_are_measured_with_the_paper_of_their_days(steady: Results) -> None:
    """Metres by weight of paper that weighed a tenth more: those of its own spell, not of today's paper."""
    from pressstats.reels.ends import butts
    from pressstats.reels.mount_history import mount_history
    from pressstats.reels.strip import new_reels

    mounts = steady.logs["reel_mounts"]
    history = mount_history(steady.logs, weighed_paper(steady.logs))
    heavy = history.assign(kg_per_m=1.1 * history["kg_per_m"])
    one, other = butts(steady.logs, history), butts(steady.logs, heavy)
    np.testing.assert_allclose(one["butt_m"], 1.1 * other["butt_m"])
    depth, deep = new_reels(steady.logs, history), new_reels(steady.logs, heavy)
    assert len(mounts)
    assert (depth["strip_pct"] == deep["strip_pct"]).all()
    # Heavier paper of the same weight is shorter: reel and strip are both thinner.
    torn = depth["strip_kg"] > 0
    assert torn.any()
    assert (deep.loc[torn, "depth_mm"] < depth.loc[torn, "depth_mm"]).all()


# --- the week ----------------------------------------------------------------------------------


def test_a_figure_with_a_number_is_not_called_unknown(without: dict[str, Results]) -> None:
    results = without["reel_mounts"]
    figures = results["week_figures"].set_index("figure")
    assert figures.loc["counter waste", "state"] == "unknown"
    assert np.isfinite(figures.loc["counter waste", "value"])
    words = read(pages.weekly_page.headline(results))
    assert "Waste by the counters" in words
    assert "counter waste" not in words.split("Unknown:")[-1]
    calm = with_tables(results, to_do=OUTPUTS["to_do"].empty(), exceptions=OUTPUTS["exceptions"].empty())
    for call in (pages.weekly_actions.actions, pages.weekly_page.exceptions):
        told = read(call(calm))
        assert "Not judged: " in told
        assert "counter waste" in told.split("Not judged:")[1]


def test_one_test_is_overdue_in_the_singular_and_counts_are_whole(steady: Results) -> None:
    figures = steady["week_figures"]
    table = figures.assign(value=figures["value"].mask(figures["figure"] == "standby", 1.0))
    breaks = table["figure"] == "web breaks"
    table = table.assign(
        value=table["value"].mask(breaks, 29.0), unit=table["unit"].mask(breaks, "in 13 weeks")
    )
    words = read(pages.weekly_page.tiles(with_tables(steady, week_figures=table)))
    assert "test overdue" in words
    assert "tests overdue" not in words
    assert re.search(r"29\s+in 13 weeks", words)


def test_the_ink_chart_tells_how_many_alarms_chance_makes(steady: Results) -> None:
    words = read(pages.ink_use.chart(steady))
    assert re.search(r"by chance about [\d.]+ alarms in \d", words)
    assert "no ink" not in words


# --- short, thin and refused logs --------------------------------------------------------------


@pytest.fixture(scope="module")
def thin(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Return a plant of five weeks that weighs neither strip nor butts."""
    tables = steady_tables(35)
    mounts = tables["reel_mounts"]
    gone = [name for name in ("strip_kg", "butt_kg", "butt_mm") if name in mounts]
    tables["reel_mounts"] = mounts.drop(columns=gone)
    return results_of(tmp_path_factory.mktemp("thin") / "logs", tables)


def test_figures_of_a_short_history_say_of_how_many_weeks_they_are(thin: Results) -> None:
    assert weeks_logged(thin.logs, 13) == weeks_logged(thin.logs, 52) == 5
    assert weeks_logged(thin.logs, 3) == 3
    for call in (
        pages.paper_balance.headline,
        pages.paper_balance.tiles,
        pages.weekly_page.headline,
        pages.weekly_page.tiles,
    ):
        words = read(call(thin))
        assert "5 weeks" in words, words
        assert "13 weeks" not in words, words
        assert "52 weeks" not in words, words


def test_what_is_not_weighed_is_said_and_not_told_as_a_number(thin: Results) -> None:
    shown = (
        pages.reels.headline,
        pages.reel_ends.strip,
        pages.reel_ends.lengths,
        pages.reel_ends.splice_target,
    )
    words = {function.__name__: read(function(thin)) for function in shown}
    assert "butts are not weighed; " not in words["headline"]
    assert "butts are not weighed" in words["headline"]
    assert "what is stripped is not weighed" in words["headline"]
    # No table of noughts beside it.
    assert words["strip"].strip() == "What is stripped is not weighed: log strip_kg."
    assert "metres left are unknown" in words["lengths"]
    # Splices there are: what is missing is what they left.
    assert "No butt is weighed" in words["splice_target"]
    assert not any("not available" in told for told in words.values())


def test_refused_stock_is_left_out_of_the_week(steady: Results) -> None:
    doubt = {"subject": "run_webs", "what": "rows", "value": 100.0, "unit": "%", "limit": 5.0}
    table = pd.DataFrame([{**doubt, "suspect": "", "refuses": "demand"}])
    refused = dataclasses.replace(steady, implausible=table)
    assert "Left out" in read(pages.weekly_sheet.stock(refused))
    assert "Left out" not in read(pages.weekly_sheet.stock(steady))


def test_less_waste_is_looked_at_and_not_acted_on(steady: Results) -> None:
    weeks = pd.date_range(steady.logs.plant.week_start(steady.logs.as_of), periods=60, freq="-7D")[::-1]
    low = np.where(np.arange(60) < 50, 0.0, -40.0)
    for sign, state in ((1.0, "watch"), (-1.0, "act")):
        chart = pd.DataFrame({"week": weeks, "press": "P1", "measure": "startup", "signal": ""})
        chart = chart.assign(excess_kg=sign * low, level=sign * low, expected=0.0)
        chart.loc[chart.index[-1], "signal"] = "low" if sign > 0 else "high"
        (one,) = waste_exceptions(steady.logs, chart)
        assert one["state"] == state
        assert one["size"] * sign < 0


def test_part_reels_lost_in_the_store_are_no_waste_of_a_press() -> None:
    assert KINDS["store losses"].figure == ""
    assert KINDS["store losses"].state == "watch"


def test_a_later_week_can_still_be_helped(steady: Results) -> None:
    told = {cause: ring_first._without_rush(steady, "N1200", cause) for cause in (*SOON, NO_ROOM, NOT_QUITE)}
    assert all(("in time" in words) == (cause in SOON) for cause, words in told.items())


def test_a_price_agreed_for_later_is_named_where_it_is_left_out(steady: Results) -> None:
    assert "Later prices" not in read(pages.buying_year.contract(steady))
    rises = pd.DataFrame(
        {
            "material": ["N1200", "N1200"],
            "supplier": pd.array([pd.NA, pd.NA], dtype="str"),
            "valid_from": [pd.Timestamp("2024-01-01"), steady.logs.as_of + 40 * DAY],
            "from_quantity": 0.0,
            "unit_price": [0.6, 0.66],
            "agreed_on": pd.NaT,
        }
    )
    tables = {**steady.logs.tables, "prices": rises}
    later = dataclasses.replace(steady, logs=dataclasses.replace(steady.logs, tables=tables))
    assert "Later prices agreed for" in read(pages.buying_year.contract(later))


def test_inks_that_nothing_is_known_of_have_no_departures_said(steady: Results) -> None:
    # By the calendar alone something is expected, and nothing of what was printed.
    fits: Any = {ink: SimpleNamespace(by_area=False) for ink in steady.ink_fits}
    nothing = dataclasses.replace(steady, ink_fits=fits, ink_findings=[])
    blank = steady["ink_watch"].assign(expected_kg=np.nan, z=np.nan, signal="")
    nothing = with_tables(nothing, ink_watch=blank)
    for call in (pages.ink_use.headline, pages.ink_checks.findings, pages.ink_use.chart):
        words = read(call(nothing))
        assert "0 departures" not in words, words
        assert "never left" not in words, words


# --- the rules that hold pages of differing plants against each other -----------------------------


def test_the_judge_finds_what_cannot_be(steady: Results) -> None:
    assert judging._impossible(steady) == []
    plan = pd.DataFrame(
        {
            "order": ["1"], "material": ["N1200"], "order_on": steady.logs.as_of - DAY, "due_on": steady.logs.as_of -
            2 * DAY, "quantity": -1.0, "loads": 1.0, "cost": -1.0, "stock_before": 2.0, "stock_after": 1.0,
            "stockout_probability": 0.0,
        }
    )  # fmt: skip
    high = pd.DataFrame(high_rows(steady))
    figures = steady["week_figures"]
    figures = figures.assign(value=figures["value"].mask(figures["figure"] == "waste", 140.0))
    found = judging._impossible(with_tables(steady, order_plan=plan, exceptions=high, week_figures=figures))
    for words in (
        "due_on",
        "stock_before above",
        "quantity below 0",
        "cost below 0",
        "in the past",
        "too much",
    ):
        assert any(words in one for one in found), words
    assert any("waste 140" in one for one in found)
    fell = pd.DataFrame([{**high_rows(steady)[0], "kind": "start-up waste", "size": -1.0, "state": "act"}])
    assert any("fell" in one for one in judging._impossible(with_tables(steady, exceptions=fell)))


def high_rows(results: Results) -> list[dict[str, Any]]:
    row = {
        "exception": "days of stock high: N1200",
        "kind": "days of stock high",
        "subject": "N1200",
        "size": 90.0,
    }
    return [{**row, "state": "watch", "cost": np.nan, "week": results.logs.as_of}]


def test_the_judge_holds_calls_against_each_other(steady: Results) -> None:
    texts = judging.page_texts(steady)
    assert judging._disagreeing(steady, texts) == []
    other = {**texts, "pages.buying_year.season(results)": "All newsprint: 1 t in twelve months"}
    assert any("newsprint of a year" in one for one in judging._disagreeing(steady, other))
    turned = {"pages.reels.pairs(results)": "(3.10 to 2.05)"}
    assert any("interval" in one for one in judging._disagreeing(steady, turned))
    # Each pattern still finds its number, or the rule checks nothing.
    for name, (call, pattern), (again, counterpart) in judging.SAME:
        assert re.search(pattern, texts[call]), name
        assert counterpart is None or re.search(counterpart, texts[again]), name


def test_streams_are_called_alike_in_table_and_figure(steady: Results) -> None:
    words = read(pages.paper_balance.week_table(steady))
    assert "count difference" in words
    assert "butts" in words
    assert "uncounted" not in words
    assert "reel end" not in words


def test_the_judge_lets_an_exception_ask_over_what_is_not_known(steady: Results) -> None:
    figures = steady["week_figures"]
    stock = figures["figure"] == "days of stock"
    blank = figures.assign(value=figures["value"].mask(stock))
    for state, value, false in (
        ("act", False, 0),
        ("in control", False, 2),
        ("act", True, 1),
        ("unknown", False, 0),
    ):
        table = (figures if value else blank).assign(state=figures["state"].mask(stock, state))
        found = judging._states(with_tables(steady, week_figures=table), ("days of stock",))
        assert len(found) == false, (state, value, found)


def test_a_risk_just_above_what_is_allowed_reads_as_above(steady: Results) -> None:
    from test_week_to_do import nothing

    allowed = 1 - steady.logs.plant.policy.service_level
    orders = pd.DataFrame({"material": ["N1200"]})
    supply = nothing(risk=pd.Series({"N1200": allowed + 2e-4}), open_orders=orders)
    why = to_do(steady.logs, OUTPUTS["exceptions"].empty(), supply)["why"].iloc[0]
    told, limit = (float(number) for number in re.findall(r"([\d.]+) %", why))
    assert told > limit
