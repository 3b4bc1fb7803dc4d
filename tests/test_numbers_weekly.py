"""Numbers of the weekly page, found again from the files of the invented plant by sums and counts alone.

Nothing of the package computes here: pandas reads the files, and what follows is written as a person with a spreadsheet
would do it. Only numbers that rest on a model (effective grammage, forecasts) are not among them.
"""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

if TYPE_CHECKING:
    from pressstats.publishing import Publication

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
AS_OF = pd.Timestamp("2025-10-26")
MONDAY = pd.Timestamp("2025-10-20")
WEEK, DAY = pd.Timedelta(weeks=1), pd.Timedelta(days=1)


def table(name: str) -> pd.DataFrame:
    """Read every file of a table; overlapping exports repeat rows."""
    parts = [pd.read_csv(path, dtype={"reel_id": str}) for path in sorted(DEMO.glob(f"{name}*.csv"))]
    parts += [pd.read_parquet(path) for path in sorted(DEMO.glob(f"{name}*.parquet"))]
    return pd.concat(parts, ignore_index=True).drop_duplicates()


@pytest.fixture(scope="module")
def page(demo_publication: Publication) -> str:
    """Return the words of the page, each number in one piece."""
    source = (demo_publication.folder / "weekly_page.html").read_text(encoding="utf-8")
    words = re.sub(r"<script.*?</script>", " ", source, flags=re.DOTALL)
    # Cells stand apart, and what is thin inside a number goes.
    words = html.unescape(re.sub(r"<[^>]+>", " ", words)).replace("\u202f", "").replace("\u00a0", " ")
    return " ".join(words.split())


@pytest.fixture(scope="module")
def runs() -> pd.DataFrame:
    rows = table("runs").drop_duplicates("run_id")
    return rows.assign(date=pd.to_datetime(rows["date"]))


@pytest.fixture(scope="module")
def mounts(runs: pd.DataFrame) -> pd.DataFrame:
    rows = table("reel_mounts").drop_duplicates(["supplier", "reel_id", "mounted_at"])
    rows = rows.merge(runs[["run_id", "date", "press"]], on="run_id")
    return rows.assign(mounted=rows["start_kg"] - rows["returned_kg"])


def of(rows: pd.DataFrame, weeks: int = 1, back: int = 0) -> pd.DataFrame:
    """Return the rows of so many weeks that end so many weeks before the last."""
    end = MONDAY + WEEK - back * WEEK
    return rows[(rows["date"] >= end - weeks * WEEK) & (rows["date"] < end)]


def number(value: float, digits: int = 0) -> str:
    return f"{value:.{digits}f}"


def test_copies_and_runs_of_the_week(page: str, runs: pd.DataFrame) -> None:
    week = of(runs)
    assert f"{len(week)} runs printed {number(week['copies_good'].sum())} net good copies" in page


def test_paper_mounted_against_last_week_and_last_year(page: str, mounts: pd.DataFrame) -> None:
    tonnes = {back: of(mounts, 1, back)["mounted"].sum() / 1000 for back in (0, 1, 52)}
    mean = of(mounts, 13)["mounted"].sum() / 13000
    told = f"Paper mounted {number(tonnes[0], 1)} t"
    assert told in page
    tile = page.split(told)[1][:200]
    assert f"week before {number(tonnes[1], 1)}" in tile
    assert f"last year {number(tonnes[52], 1)}" in tile
    assert f"13-week mean {number(mean, 1)}" in tile


def test_web_breaks_per_100_reels(page: str, runs: pd.DataFrame, mounts: pd.DataFrame) -> None:
    def rate(weeks: int, back: int) -> tuple[int, int]:
        rows = of(mounts, weeks, back)
        return int((rows["ended_by"] == "web_break").sum()), len(
            rows[["supplier", "reel_id"]].drop_duplicates()
        )

    events, reels = rate(13, 0)
    assert f"Web breaks {number(100 * events / reels, 1)} per 100 reels" in page
    assert f"{events} in {reels} reels, 13 weeks" in page
    assert f"the press counter says {number(of(runs, 13)['web_breaks'].sum())}" in page
    tile = page.split("Web breaks ")[1][:400]
    # Below its target, and to be acted on all the same: the tile says of whose reels, and how far they are off.
    shown = re.search(r"Act (\w+): web breaks at ([\d.]+) times the others' rate", tile)
    assert shown is not None
    sides = {
        mine: rows["ended_by"].eq("web_break").sum() / len(rows[["supplier", "reel_id"]].drop_duplicates())
        for mine, rows in mounts.groupby(mounts["supplier"] == shown[1])
    }
    # A rate with all else alike is not far from the bare one.
    assert float(shown[2]) == pytest.approx(sides[True] / sides[False], rel=0.15)
    assert "to date, at an assumed 400 EUR a break" in page
    for words, weeks, back in (("this week alone", 1, 0), ("last year", 13, 52)):
        events, reels = rate(weeks, back)
        assert f"{words} {number(100 * events / reels, 1)}" in tile


def test_ink_by_the_dips_says_from_which_day(page: str) -> None:
    dips = table("tank_readings").assign(day=lambda rows: pd.to_datetime(rows["read_at"]).dt.normalize())
    dips = dips[dips["level_kg"].notna()]
    for ink, rows in dips.groupby("ink"):
        day = rows.loc[rows["day"] < MONDAY, "day"].max()
        # No dip was logged on the Sunday: the first use is of two nights.
        assert day < MONDAY - DAY
        assert f"{ink} {day:%a} {day.day} {day:%b} " in page.split("since the dip of")[1], ink


def test_what_is_weighed_of_waste(page: str, mounts: pd.DataFrame) -> None:
    week = of(mounts)
    rows = page.split("What waste cost")[1]
    for cause, column in (("white waste", "strip_kg"), ("butts", "butt_kg"), ("scrapped", "scrapped_kg")):
        weight = re.search(rf"{cause} (\d+) ", rows)
        assert weight is not None
        # Half kilograms are rounded to the even one.
        assert abs(float(weight[1]) - week[column].sum()) <= 0.51, cause
    for weeks, back, words in ((13, 0, "Butts "), (13, 52, "last year ")):
        part = of(mounts, weeks, back)
        share = number(100 * part["butt_kg"].sum() / part["mounted"].sum(), 2)
        assert f"{words}{share}" in page.split("Standby supplies")[1], words


def test_waste_of_the_counters_within_what_the_paper_weighs(page: str, runs: pd.DataFrame) -> None:
    """Copies by nominal grammage: the page takes what paper really weighs, a per cent or so more or less."""
    webs = table("run_webs").merge(table("materials")[["material", "grammage_gsm"]], on="material")
    copy_kg = webs["width_mm"] * webs["cutoff_mm"] * webs["cutoffs_per_copy"] * webs["grammage_gsm"] / 1e9
    kg = copy_kg.groupby(webs["run_id"]).sum()
    week = of(runs).set_index("run_id")
    rows = page.split("What waste cost")[1]
    for cause, column in (
        ("start-up waste", "copies_startup_waste"),
        ("running waste", "copies_running_waste"),
    ):
        weight = re.search(rf"{cause} (\d+) ", rows)
        assert weight is not None
        assert float(weight[1]) == pytest.approx((week[column] * kg.reindex(week.index)).sum(), rel=0.015)


def test_the_week_ahead_is_the_last_booking_of_each_day(page: str) -> None:
    plan = table("plan")
    plan = plan.assign(date=pd.to_datetime(plan["date"]), made_on=pd.to_datetime(plan["made_on"]))
    plan = plan[(plan["date"] > AS_OF) & (plan["date"] <= AS_OF + WEEK)]
    last = plan.sort_values("made_on").drop_duplicates(["date", "title"], keep="last")
    ahead = page.split("The week ahead")[1]
    assert f"{len(last)} issues, {number(last['copies_planned'].sum())} copies" in ahead
    for day, rows in last.groupby("date"):
        told = f"{day:%a} {day.day} {day:%b} {len(rows)} {number(rows['pages_planned'].sum())}"
        assert f"{told} {number(rows['copies_planned'].sum())}" in ahead


def test_what_is_due_on_monday(page: str) -> None:
    rows = table("deliveries").drop_duplicates("delivery_id")
    rows = rows[rows["delivered_on"].isna() & (pd.to_datetime(rows["promised_on"]) == AS_OF + DAY)]
    assert len(rows) > 10
    for material, kg in rows.groupby("material")["quantity"].sum().items():
        assert f"{material} {number(kg / 1000, 1)} t" in page.split("The week ahead")[1]


def test_standby_tests(page: str) -> None:
    rows = table("standby")
    due = pd.to_datetime(rows["tested_on"]) + pd.to_timedelta(rows["test_every_days"], unit="D")
    late = due[due < AS_OF]
    assert f"Standby supplies {len(late)} test" in page
    assert f"{(rows['lasts_hours'] < 96).sum()} of {len(rows)} last less than the 96 h wanted" in page
    for day in late:
        assert f"Its test was due on {day:%a} {day.day} {day:%b}" in page


def test_the_budget_to_date_and_of_the_year(page: str) -> None:
    rows = table("budget").merge(table("materials")[["material", "kind"]], on="material")
    rows = rows[pd.to_datetime(rows["month"]).dt.year == 2025]
    over = rows[pd.to_datetime(rows["month"]).dt.month <= 9]
    shown = page.split("Budget")[1]
    for kind, part in over.groupby("kind"):
        line = re.search(rf"{kind} \d+ (\d+) ", shown)
        assert line is not None, kind
        assert float(line[1]) == part["cost"].sum(), kind
    assert f" {number(over['cost'].sum())} EUR:" in shown
    assert number(rows["cost"].sum()) in shown
