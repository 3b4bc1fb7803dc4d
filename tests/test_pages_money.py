"""Blocks of money: the sentence says what the table behind it holds, and what is not known is said."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from small_plant import every_table, small_tables, write_small_plant

from pressstats import pages
from pressstats.accounts import recharge_statement
from pressstats.results import Results, open_results


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Results:
    tables = every_table(140)
    # One night of the last week was not printed, so that it cost less.
    lost = tables["runs"].loc[
        tables["runs"]["date"] == tables["runs"]["date"].max() - pd.Timedelta(days=2), "run_id"
    ]
    for name in ("runs", "run_webs", "reel_mounts", "coverage"):
        tables[name] = tables[name][~tables[name]["run_id"].isin(lost)].reset_index(drop=True)
    return open_results(write_small_plant(tmp_path_factory.mktemp("money") / "logs", tables))


def number_in(text: str, before: str) -> float:
    found = re.search(before + r"\D*([\d\s\u202f\u00a0,]+)", text)
    assert found, text
    return float(re.sub(r"[^\d]", "", found[1]))


def test_the_bridge_says_what_the_week_cost(small: Results) -> None:
    rows = small["bridge"].query("of == 'newsprint' and between == 'week'")
    text = pages.money.bridge(small).text
    assert number_in(text, "cost") == pytest.approx(rows["cost_now"].iloc[0], abs=5)
    assert "less than the week before, mainly by days of publication" in text
    words = pages.money.bridge_words(small)
    assert number_in(words, "cost") == pytest.approx(rows["cost_now"].iloc[0], abs=5)
    assert "less than the week before, mainly by days of publication (paper balance)." in words
    assert "figure-bridge-newsprint-week" in str(pages.money.bridge(small).markup)


def test_waste_and_titles_say_their_sums(small: Results) -> None:
    waste = small["waste_cost"]
    rows = waste[(waste["period"] == "weeks_13") & (waste["kind"] != "beside")]
    assert number_in(pages.money.waste_in_money(small).text, "Waste cost") == pytest.approx(
        rows["cost"].sum(), abs=5
    )
    assert "Harbour Parish" in str(pages.money.titles(small).markup)
    assert "Close of June 2025" in pages.money.month_end(small).text
    statement = recharge_statement(small["title_cost"], "Harbour Parish")
    june = statement.loc[statement["month"] == pd.Timestamp("2025-06-01"), "net_cost"].sum()
    assert number_in(pages.money.recharge(small).text, "June 2025:") == pytest.approx(june, abs=5)
    whole = small["year_end"].set_index("material").loc["all materials"]
    assert number_in(pages.money.year(small).text, "") == pytest.approx(whole["spent"], abs=5)
    assert "waste_sold, [waste.KIND]" in pages.money.waste_buyer(small).text
    assert "wasted more in all than nine of ten" in pages.last_night.runs(small).text


def test_what_is_not_known_is_said(tmp_path_factory: pytest.TempPathFactory) -> None:
    tables = small_tables(5)
    bare = {name: tables[name] for name in ("runs", "run_webs")}
    results = open_results(write_small_plant(tmp_path_factory.mktemp("bare") / "logs", bare))
    for block in (pages.money.bridge, pages.money.waste_in_money, pages.money.titles, pages.last_night.runs):
        assert " not " in block(results).text
    assert pages.money.bridge_words(results) == ""
    assert pages.money.month_end(results).text == "No month is over and can be closed."
    assert isinstance(results["bridge"], pd.DataFrame)
