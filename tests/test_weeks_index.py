"""The page of all publications: what past tables say reaches it as numbers, whoever wrote them."""

from __future__ import annotations

import html
import json
import re
from pathlib import Path

import pandas as pd
import pytest

from pressstats.publishing.weeks import read_week, weeks_index
from pressstats.publishing.year import read_year

WEEKS = pd.date_range("2024-10-28", periods=52, freq="7D")


def tables() -> dict[str, pd.DataFrame]:
    history = pd.DataFrame(
        {"figure": "waste", "week": WEEKS, "value": [3.0 + (n % 7) / 10 for n in range(52)]}
    )
    history.loc[[5, 20], "value"] = [4.4, 2.2]
    figures = pd.DataFrame(
        [
            ("waste", 3.3, "%", 3.6, "in control"),
            ("wasted paper cost", 2415.4, "EUR", None, ""),
            ("days of stock", 2.4, "days", 3.0, "act"),
        ],
        columns=["figure", "value", "unit", "target", "state"],
    )
    months = pd.DataFrame(
        [
            ("2025-07", "newsprint", "2025-07-31", 400.0, 620.0, 500.0, 450.0),
            ("2025-07", "ink", "2025-07-31", 9.0, 3.0, 70.0, 60.0),
            ("2025-08", "newsprint", "2025-08-31", 300.0, 310.0, 300.0, 450.0),
            ("2025-08", "ink", "2025-08-31", 9.0, 3.0, 30.0, None),
            ("2025-09", "newsprint", "2025-09-12", 1.0, 1.0, 1.0, 1.0),
        ],
        columns=["month", "kind", "through", "closing", "used", "used_value", "budget_cost"],
    )
    return {"week_history": history, "week_figures": figures, "month_close": months}


def published(folder: Path, named: dict[str, pd.DataFrame | str], headline: str = "It fell.") -> Path:
    (folder / "tables").mkdir(parents=True)
    for name, table in named.items():
        text = table if isinstance(table, str) else table.to_csv(index=False)
        (folder / "tables" / f"{name}.csv").write_text(text, encoding="utf-8")
    reports = [{"page": "demand.html", "title": "Demand"}, {"page": "weekly_page.html", "title": "The week"}]
    manifest = {"plant": "Plant", "headline": headline, "reports": reports}
    (folder / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    return folder


def shown(folder: Path) -> str:
    page = weeks_index([read_week(folder)], read_year(folder))
    words = re.sub(r"<(style|script).*?</\1>", " ", page, flags=re.DOTALL)
    return " ".join(
        html.unescape(re.sub(r"<[^>]+>", " ", words)).replace("\u202f", ",").replace("\xa0", " ").split()
    )


def test_the_year_is_drawn_with_its_highest_lowest_and_newest(tmp_path: Path) -> None:
    words = shown(published(tmp_path / "2025-10-26", tables()))
    assert (
        "Waste of mounted paper 3.3 % ● In control 4.4 2.2 28 Oct 2024: 3.0 20 Oct 2025: 3.2 "
        "dashed: target 3.6" in words
    )
    # 400 kg at 20 kg a day of July, 300 at 10 of August; September is not over.
    assert "Newsprint at the month's end 30 days of use 30 20 Jul 2025: 20 Aug 2025: 30" in words
    assert "Spend of the month 330 EUR Jul 2025: 570 Aug 2025: 330 line across a bar: budget" in words
    assert "Days of stock, shortest 2 days ■ Act" in words
    # the week before what an analyst reads
    assert words.index("The week") < words.index("Demand")
    assert "Mon 20 Oct 2025 3.2" in words


def test_an_old_publication_without_such_tables_is_listed_with_its_headline(tmp_path: Path) -> None:
    new, old = (
        published(tmp_path / "2025-10-26", tables()),
        published(tmp_path / "2023-01-01", {}, "Long ago."),
    )
    page = weeks_index([read_week(new), read_week(old)], read_year(new))
    assert "Long ago." in page
    assert page.count("<h3>") == 1
    alone = shown(old)
    assert "Long ago." in alone
    assert "The year" not in alone


HOSTILE = {
    "markup": lambda t: t.replace({"waste": "<img onerror=alert(1)>", "in control": "<b>calm</b>", "EUR": "<i>"}),
    "numbers": lambda t: t.astype("str").replace({"2415.4": "1e308", "3.3": "inf", "2.4": "-Infinity", "4.4": "9e999"}),
    "days": lambda t: t.astype("str").replace({"2025-07": "9999-12", "2024-10-28": "-1", "2025-08-31": "0000-00-00"}),
    "no columns": lambda t: t.rename(columns=lambda name: name.upper()),
    "twice": lambda t: pd.concat([t, t]),
    "no rows": lambda t: t.iloc[:0],
    "text": lambda t: '"a\x00b\n' * 50,
    "latin": lambda t: "figure,value\n" + "\udcff",
}  # fmt: skip


@pytest.mark.parametrize("how", HOSTILE)
def test_hostile_tables_leave_the_page_as_it_is_or_with_less(how: str, tmp_path: Path) -> None:
    changed = {name: HOSTILE[how](table) for name, table in tables().items()}
    folder = published(tmp_path / "2025-10-26", {} if how == "latin" else changed)
    if how == "latin":
        for name, text in changed.items():
            (folder / "tables" / f"{name}.csv").write_bytes(text.encode("utf-8", "surrogateescape"))
    page = weeks_index([read_week(folder)], read_year(folder))
    words = shown(folder)
    assert "It fell." in words
    for bad in ("onerror", "calm", "<i>", "inf", "nan", "NaT", "9999"):
        assert bad not in re.sub(r"<(style|script).*?</\1>", "", page, flags=re.DOTALL), bad
    assert ("Waste of mounted paper 3.3 %" in words) == (how in ("twice", "days"))


def test_folders_and_vast_files_in_the_place_of_tables_are_passed_over(tmp_path: Path, monkeypatch) -> None:
    folder = published(tmp_path / "2025-10-26", {"week_history": tables()["week_history"]})
    (folder / "tables" / "week_figures.csv").mkdir()
    assert "Waste of mounted paper 3.2" in shown(folder)
    monkeypatch.setattr("pressstats.publishing.year._LARGEST", 100)
    assert "Waste" not in shown(folder)
