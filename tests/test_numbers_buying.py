"""Numbers of the buying outlook found again from the invented plant's files, by sums that know nothing of it."""

from __future__ import annotations

import csv
import datetime as dt
import re
import statistics
from collections import defaultdict
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING

import openpyxl
import pytest
from conftest import ROOT

if TYPE_CHECKING:
    from pressstats.publishing import Publication

DEMO = ROOT / "data_demo"
AS_OF = dt.date(2025, 10, 26)
YEARS = ("2025", "2026")
#: Freight of a truck, and the days that a claim may wait: as ``plant.toml`` and the README have them.
FREIGHT, CLAIM_DAYS = 600.0, 60
NEWSPRINT = ("N45-1260", "N45-630", "N45-945", "N52-1260", "N52-630")
Row = dict[str, str]


def rows_of(name: str) -> list[Row]:
    rows: list[Row] = []
    for path in sorted(DEMO.glob(f"{name}*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            rows += csv.DictReader(file)
    return rows


def day(text: str) -> dt.date:
    return dt.date.fromisoformat(text[:10])


def shown_day(text: str) -> dt.date:
    """Return a day as a page writes it: without a year it is the nearest to as-of."""
    words = text.replace("\u00a0", " ")
    if re.search(r"\d{4}$", words):
        return dt.datetime.strptime(words, "%a %d %b %Y").date()
    years = [AS_OF.year + more for more in (-1, 0, 1)]
    days = [dt.datetime.strptime(f"{words} {year}", "%a %d %b %Y").date() for year in years]
    return min(days, key=lambda one: abs(one - AS_OF))


class _Tables(HTMLParser):
    """Cells of each table of a page, by the identifier of the block that it stands in."""

    def __init__(self) -> None:
        super().__init__()
        self.tables: dict[str, list[list[str]]] = defaultdict(list)
        self.cards: list[str] = []
        #: Rows of the table of each card.
        self.card_rows: list[list[list[str]]] = []
        self._name, self._cell, self._card = "", False, False
        self.words = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        own = dict(attrs)
        if tag == "div" and str(own.get("id")).startswith("table-"):
            self._name = str(own["id"]).removeprefix("table-")
        if own.get("class") == "card":
            self.cards.append("")
            self.card_rows.append([])
            self._card = True
        if tag == "tr":
            self._rows().append([])
        self._cell = tag in ("td", "th") or (self._cell and tag in ("bdi", "span", "abbr"))
        if tag in ("td", "th"):
            self._rows()[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._cell = False
        if tag == "section":
            self._card = False

    def handle_data(self, data: str) -> None:
        self.words += data
        if self._card:
            self.cards[-1] += f" {data}"
        if self._cell:
            self._rows()[-1][-1] += data

    def _rows(self) -> list[list[str]]:
        return self.card_rows[-1] if self._card else self.tables[self._name]

    def by_truck(self) -> Iterator[tuple[str, str, dict[str, str]]]:
        """Yield supplier, truck and cells of each truck's column, by what heads their rows."""
        for card, (head, *rows) in zip(self.cards, self.card_rows, strict=True):
            supplier = re.sub(r"[\u2068\u2069]", "", card).split(",")[0].strip()
            for place, truck in enumerate(head[2:], start=2):
                yield supplier, truck.removeprefix("truck "), {row[0]: row[place] for row in rows}


def spaced(value: float) -> str:
    """Return a whole number as pages write it."""
    return f"{value:,.0f}".replace(",", "\u202f")


def number(text: str) -> float:
    text = re.sub(r"[\u202f\u00a0\u2009\s]", "", text).replace("\u2212", "-")
    return float("nan") if text in ("", "–") else float(text)


@pytest.fixture(scope="module")
def page(demo_publication: Publication) -> _Tables:
    found = _Tables()
    found.feed((demo_publication.folder / "buying_outlook.html").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def read(demo_publication: Publication) -> Callable[[str], list[Row]]:
    """Return a function that reads a published table."""

    def read(name: str) -> list[Row]:
        with (demo_publication.folder / "tables" / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    return read


@pytest.fixture(scope="module")
def deliveries() -> list[Row]:
    return [
        row for row in rows_of("deliveries") if day(row["ordered_on"]) <= AS_OF and not row["cancelled_on"]
    ]


@pytest.fixture(scope="module")
def opens(deliveries: list[Row]) -> list[Row]:
    return [row for row in deliveries if not row["delivered_on"]]


def test_open_orders(page: _Tables, opens: list[Row], demo_publication: Publication) -> None:
    late = sum(day(row["promised_on"]) < AS_OF for row in opens)
    assert f"{len(opens)} open order lines, {late} of them past their promised day" in page.words
    week = [row for row in opens if day(row["promised_on"]) <= AS_OF + dt.timedelta(days=7)]
    assert f"Due this week or late: {len(week)} order lines" in page.words
    sums: dict[tuple[str, str], float] = defaultdict(float)
    for row in week:
        sums[row["supplier"], row["material"]] += float(row["quantity"])
    _, *shown = page.tables["due"]
    told = {(row[1], row[2].split()[-1]): number(row[3]) for row in shown}
    assert told == pytest.approx(dict(sums))
    assert len(told) == 8
    book = openpyxl.load_workbook(demo_publication.folder / "buying_outlook.xlsx", data_only=True)
    head, *lines = book["Stock"].iter_rows(values_only=True)
    on_order = list(head).index("on order [material unit]")
    for line in lines:
        own = sum(float(row["quantity"]) for row in opens if row["material"] == line[0])
        assert line[on_order] == pytest.approx(own), line[0]
    assert len(lines) == 12


def test_stock_is_the_last_count_with_what_came_and_without_what_was_mounted(
    read: Callable[[str], list[Row]], deliveries: list[Row]
) -> None:
    published = {row["material"]: row for row in read("stock_cover")}
    mounts = {(row["supplier"], row["reel_id"], row["mounted_at"]): row for row in rows_of("reel_mounts")}
    for material in NEWSPRINT:
        counts = [row for row in rows_of("stock_counts") if row["material"] == material]
        last = max(counts, key=lambda row: row["counted_on"])
        assert published[material]["counted_on"] == last["counted_on"]
        came = sum(
            float(row["quantity"])
            for row in deliveries
            if row["material"] == material and row["delivered_on"] > last["counted_on"]
        )
        # A run's name begins with the day of its issue; what is dated the day of the count was used before it.
        since = last["counted_on"][2:].replace("-", "")
        used = sum(
            float(row["start_kg"]) - float(row["returned_kg"] or 0)
            for row in mounts.values()
            if row["material"] == material and row["run_id"][:6] > since
        )
        stock = float(last["quantity"]) + came - used
        assert float(published[material]["quantity"]) == pytest.approx(stock), material


def test_orders_are_priced_by_what_was_agreed_for_their_size(
    page: _Tables, read: Callable[[str], list[Row]]
) -> None:
    plan = read("order_plan")
    first = min(row["order_on"] for row in plan)
    now = [row for row in plan if row["order_on"] == first]
    size: dict[str, float] = defaultdict(float)
    for row in now:
        size[row["supplier"]] += float(row["quantity"])
    value: dict[str, float] = defaultdict(float)
    for row in now:
        agreed = [
            one
            for one in rows_of("prices")
            if one["material"] == row["material"]
            and one["supplier"] in (row["supplier"], "")
            and one["valid_from"] <= first
            and float(one["from_quantity"]) <= size[row["supplier"]]
        ]
        begun = max(one["valid_from"] for one in agreed)
        price = max(
            (one for one in agreed if one["valid_from"] == begun), key=lambda one: float(one["from_quantity"])
        )["unit_price"]
        assert float(row["unit_price"]) == pytest.approx(float(price)), row["order"]
        value[row["order"]] += float(price) * float(row["quantity"])
    total = sum(value.values()) + FREIGHT * len(value)
    words = {6: "six", 7: "seven", 8: "eight", 9: "nine"}[len(value)]
    mills = {2: "two", 3: "three", 4: "four"}[len(size)]
    assert (
        f"Wednesday 29 Oct: {words} trucks to order from {mills} suppliers, {spaced(total)}\u00a0EUR."
        in page.words
    )
    # A truck of an order has a column of its supplier's card.
    trucks = [number(cells["EUR in all"]) for _, _, cells in page.by_truck()]
    assert sorted(trucks) == pytest.approx(sorted(one + FREIGHT for one in value.values()), abs=0.005)
    # What stands on the cards adds up to the headline.
    suppliers = [number(re.findall(r"trucks? +([\d\u202f.]+)\u00a0EUR", card)[0]) for card in page.cards]
    assert spaced(sum(trucks)) == spaced(sum(suppliers)) == spaced(total)


def in_one_piece(card: str) -> str:
    """Return the words of a card as they are read: its marks and kinds of space taken out."""
    words = re.sub(r"[\u2068\u2069]", "", card).split()
    return " ".join(words).replace(" ,", ",")


def test_a_truck_has_one_number_on_its_card_and_in_every_file(
    page: _Tables, read: Callable[[str], list[Row]], demo_publication: Publication
) -> None:
    plan = read("order_plan")
    first = min(row["order_on"] for row in plan)
    lines = {
        (row["order"], row["material"], round(float(row["quantity"])))
        for row in plan
        if row["order_on"] == first
    }
    files = [
        demo_publication.folder / "buying_outlook.xlsx",
        *(demo_publication.folder / "suppliers").glob("*.xlsx"),
    ]
    held = []
    for path in files:
        book = openpyxl.load_workbook(path, data_only=True)
        head, *rows = book["Order now" if path.stem == "buying_outlook" else "Orders"].iter_rows(
            values_only=True
        )
        at = [
            next(n for n, name in enumerate(head) if name.startswith(one))
            for one in ("order", "material", "quantity")
        ]
        held.append(
            {(row[at[0]], row[at[1]], round(row[at[2]])) for row in rows if row[at[0]] and row[at[2]]}
        )
    assert held[0] == lines
    assert set().union(*held[1:]) == lines
    # A truck's column of its supplier's card has the packs of each material, and all of its kilograms.
    shown = set()
    for supplier, truck, cells in page.by_truck():
        order = f"{first} {supplier} {truck}"
        brought = [row for row in plan if row["order"] == order]
        assert number(cells["kg"]) == round(sum(float(row["quantity"]) for row in brought)), order
        packs = [cell for cell in cells.values() if re.search("(reel|IBC)s?$", cell)]
        told = [int(cell.replace("\u00a0", " ").split()[0]) for cell in packs]
        assert sorted(told) == sorted(round(float(row["packs"])) for row in brought), order
        shown.add(order)
    assert shown == {order for order, _, _ in lines}


def test_no_order_is_to_be_moved_to_a_truck_that_is_full(
    page: _Tables, read: Callable[[str], list[Row]], demo_publication: Publication
) -> None:
    words = page.words.replace("\u00a0", " ")
    found = re.search(r"Vosgard, N45-945: \d+ %, move .*; (no order of the plan can be placed[^:]*)", words)
    assert found
    assert (
        found[1]
        == "no order of the plan can be placed with Vosgard instead (too late, or no room on its truck)"
    )
    plan = [row for row in read("order_plan") if row["order_on"] == "2025-10-29"]
    free = -sum(float(row["loads"]) for row in plan if row["supplier"] == "Vosgard") % 1
    others = [row for row in plan if row["material"] == "N45-945" and row["supplier"] != "Vosgard"]
    assert others
    # Loads of the two are alike, as the materials of the plant say.
    assert all(free < float(row["loads"]) for row in others)
    assert not any("consider" in card for card in page.cards)
    book = openpyxl.load_workbook(demo_publication.folder / "buying_outlook.xlsx", data_only=True)
    assert not any(
        "consider" in str(cell) for row in book["Order now"].iter_rows(values_only=True) for cell in row
    )


def of_month(rows: Iterator[Row]) -> dict[tuple[str, str], float]:
    sums: dict[tuple[str, str], float] = defaultdict(float)
    for row in rows:
        issue = row["run_id"]
        month = f"20{issue[:2]}-{issue[2:4]}"
        sums[row["material"], month] += float(row["start_kg"] or "nan") - float(row["returned_kg"] or "nan")
    return sums


def test_last_years_months_are_what_was_mounted_for_their_issues(read: Callable[[str], list[Row]]) -> None:
    unique = {(row["supplier"], row["reel_id"], row["mounted_at"]): row for row in rows_of("reel_mounts")}
    used = of_month(iter(unique.values()))
    told, other = 0, set()
    for row in read("demand_season"):
        if row["material"] in NEWSPRINT and row["last_year"]:
            year, month = row["month"].split("-")[:2]
            told += 1
            if abs(float(row["last_year"]) - used[row["material"], f"{int(year) - 1}-{month}"]) > 0.5:
                other.add(row["month"][:7])
    # Of December 2024 rows were set aside: what those runs took is made up for, and no sum of the file's rows.
    assert told == 55
    assert other == {"2025-12"}


def test_budget_of_the_twelve_months(page: _Tables, read: Callable[[str], list[Row]]) -> None:
    months = {row["month"][:7] for row in read("demand_season")}
    budget: dict[str, float] = defaultdict(float)
    for row in rows_of("budget"):
        if row["month"][:7] in months:
            budget[row["material"]] += float(row["cost"])
    _, *shown = page.tables["contract"]
    told = {row[0]: number(row[-2]) for row in shown}
    assert told == pytest.approx(dict(budget), abs=0.5)
    # What is spent in the months less their budget is what is over it.
    for row in shown:
        assert number(row[-3]) - number(row[-2]) == pytest.approx(number(row[-1]), abs=1.5)
    assert len(told) == 12


def test_contracts_and_loads(page: _Tables, deliveries: list[Row]) -> None:
    terms = [row for row in rows_of("terms") if row["valid_from"][:4] in YEARS and row["contract_quantity"]]
    agreed = {
        (row["valid_from"][:4], row["supplier"], row["material"]): float(row["contract_quantity"])
        for row in terms
    }
    drawn: dict[tuple[str, str, str], float] = defaultdict(float)
    loads: dict[tuple[str, str], set[str]] = defaultdict(set)
    for row in deliveries:
        key = row["supplier"], row["material"]
        drawn[(row["delivered_on"] or row["promised_on"])[:4], *key] += float(row["quantity"])
        if row["delivered_on"]:
            loads[key].add(row["load"] or row["delivery_id"])
    _, *shown = page.tables["contracts"]
    # Those that run stand first, those of the next year after them.
    told = [((YEARS[place // 7], row[0], row[1]), row) for place, row in enumerate(shown)]
    assert {row[2] for _, row in told} == {"kg"}
    assert {key: number(row[3]) for key, row in told} == agreed
    assert {key: number(row[5]) for key, row in told} == pytest.approx({key: drawn[key] for key in agreed})
    # The note on the next year's contracts says their chances as the table does.
    noted = re.search(r"likelier below it: (.*?)\.", in_one_piece(page.words))
    assert noted
    chances = {(row[0], row[1]): row[9] for (year, _, _), row in told if year == YEARS[1]}
    named = re.findall(r"([^;,]+), (\S+) \((\d+) %\)", noted[1])
    assert {(supplier.strip(), material): chance for supplier, material, chance in named} == {
        name: chance for name, chance in chances.items() if number(chance) > 10
    }
    # What is expected by the end is at least what is drawn, and lies between its limits.
    for _, row in told:
        expected, low, high = (number(cell) for cell in row[6:9])
        assert number(row[5]) <= low <= expected <= high
    # Nothing is called likely that is below even odds.
    assert not re.search(r"likely to be needed", page.words)
    assert len(agreed) == 14
    _, *record = page.tables["suppliers-side-by-side"]
    assert {(row[1], row[0]): number(row[2]) for row in record} == {
        (row[1], row[0]): float(len(loads[row[1], row[0]])) for row in record
    }


def test_a_mills_year_is_what_came_and_is_to_come_as_its_contract_expects(
    page: _Tables, deliveries: list[Row], demo_publication: Publication
) -> None:
    _, *shown = page.tables["contracts"]
    expected = {(row[0], row[1]): number(row[6]) for row in shown[:7]}
    found = {}
    for path in (demo_publication.folder / "suppliers").glob("*.xlsx"):
        book = openpyxl.load_workbook(path, data_only=True)
        rows = list(book["By year"].iter_rows(values_only=True))
        place = next(place for place, row in enumerate(rows) if row[0] == "material")
        for row in rows[place + 1 :]:
            told = dict(zip(rows[place], row, strict=True))
            if told["contract expected"] is not None:
                (supplier,) = {
                    line[1] for line in book["About"].iter_rows(values_only=True) if line[0] == "For"
                }
                key = supplier, told["material"]
                found[key] = told["contract expected"]
                came = sum(
                    float(one["quantity"])
                    for one in deliveries
                    if (one["supplier"], one["material"]) == key and one["delivered_on"][:4] == YEARS[0]
                )
                assert told["received"] == pytest.approx(came, abs=1), key
                # The plan reaches over the end of the year: nothing else tells what comes in it.
                assert told["in all"] == pytest.approx(expected[key], rel=0.001), key
    assert found == expected


def test_claims_end_so_many_days_after_they_were_seen(page: _Tables) -> None:
    _, *shown = page.tables["claims"]
    for row in shown:
        assert shown_day(row[-1]) == shown_day(row[-2]) + dt.timedelta(days=CLAIM_DAYS)
        assert shown_day(row[-1]) >= AS_OF
    _, *over = page.tables["claims-over"]
    assert all(shown_day(row[-1]) < AS_OF for row in over)


def test_the_year_of_a_material_is_the_sum_of_its_months(
    page: _Tables, read: Callable[[str], list[Row]]
) -> None:
    means: dict[str, float] = defaultdict(float)
    for row in read("demand_season"):
        means[row["material"]] += float(row["mean"])
    _, *shown = page.tables["season-by-month"]
    for row in shown:
        material = row[0].split(" [")[0]
        assert number(row[-1]) == pytest.approx(means[material], abs=0.5)
    paper = sum(means[name] for name in NEWSPRINT) / 1000
    assert f"The next twelve months need {paper:,.0f} t".replace(",", "\u202f") in page.words.replace(
        "\u00a0", " "
    )


def test_forecasts_that_held_are_counted_from_their_record(
    page: _Tables, read: Callable[[str], list[Row]]
) -> None:
    record = [row for row in read("forecast_record") if row["actual"] and row["q05"] and row["q95"]]
    held = sum(float(row["q05"]) <= float(row["actual"]) <= float(row["q95"]) for row in record)
    share, count = f"{100 * held / len(record):.0f}\u00a0%", f"{len(record):,}".replace(",", "\u202f")
    assert f"{share} of {count} past forecasts" in page.words.replace(" %", "\u00a0%")
    assert ("each made again from what was known then, none published" in page.words) == all(
        row["source"] == "reconstructed" for row in record
    )
    used = [row for row in record if float(row["actual"]) > 0]
    off = {
        name: statistics.median(
            100 * abs(float(row["mean"]) / float(row["actual"]) - 1)
            for row in used
            if row["material"] == name
        )
        for name in {row["material"] for row in used}
    }
    shown = [row for row in page.tables["kept"] if row[0] in off]
    assert {row[0]: number(row[4]) for row in shown} == pytest.approx(off, abs=0.5)
    # Whose forecasts did worse than last year's week is said above the table, both numbers as it has them.
    worse = {row[0]: (row[4], row[5]) for row in shown if number(row[4]) > number(row[5])}
    (told,) = set(re.findall(r"Worse than last year's week: (.*?)\. 90", in_one_piece(page.words)))
    found = re.findall(r"([^;,]+), (\d+) % against (\d+) %", told)
    assert {name.strip(): (own, last_year) for name, own, last_year in found} == worse
    assert len(worse) == 1
    idle = {(row["material"], row["week"]) for row in record if float(row["actual"]) == 0}
    weeks = {(row["material"], row["week"]) for row in record}
    for row in shown:
        none, of = (sum(name == row[0] for name, _ in one) for one in (idle, weeks))
        assert (f"nothing used in {none} of {of} weeks" in row[-1]) == (none > 0), row


def test_the_demo_is_where_it_is_thought_to_be() -> None:
    assert Path(DEMO / "plant.toml").is_file()
    toml = (DEMO / "plant.toml").read_text()
    assert f"freight_per_load = {FREIGHT:.0f}" in toml
    assert "claim_days" not in toml
