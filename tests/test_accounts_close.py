"""Month-end close: value by loops written out and published examples; identity and continuity to the cent."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, small_tables, write_small_plant

from pressstats.accounts import close_totals, material_books, month_close, year_end
from pressstats.logs import Logs, read_logs
from pressstats.results import Results, open_results
from pressstats.tables import OUTPUTS
from pressstats.valuation import Receipts, first_in_first_out, moving_average

ROOT = Path(__file__).resolve().parents[1]
QUANTITIES = ["opening", "received", "used", "difference", "closing"]
VALUES = [f"{name}_value" for name in QUANTITIES]
NO_FINDINGS = OUTPUTS["ink_findings"].empty()
NO_STANDARD = pd.DataFrame({"month": pd.Series(dtype="datetime64[us]"), "material": [], "standard": []})


def book_of(way, opening, price, moves):
    """Value a book of moves by day: ("came", quantity, price), ("used", quantity) or ("found", quantity)."""
    came = [(day, move[1], move[2]) for day, move in enumerate(moves) if move[0] == "came"]
    day, quantity, prices = (np.array(column) for column in zip(*came, strict=True))
    used, found = (
        np.array([move[1] if move[0] == word else 0.0 for move in moves]) for word in ("used", "found")
    )
    receipts = Receipts(day.astype(int), quantity.astype(float), prices.astype(float))
    return way(opening, receipts, used, found, price)


# --- published examples ------------------------------------------------------------------------

#: A course problem on perpetual inventories, solved: 7 at 150, -4, +8 at 170, -5, +6 at 185, -3, -4.
#: https://www.transtutors.com/questions/help-anyone-125203.htm
COURSE = [("used", 4), ("came", 8, 170.0), ("used", 5), ("came", 6, 185.0), ("used", 3), ("used", 4)]


def test_first_in_first_out_of_a_published_solution():
    book = book_of(first_in_first_out, 7.0, 150.0, COURSE)
    assert book.closing[-1] == pytest.approx(925.0)  # 5 left at 185
    # Used: 4 x 150; 3 x 150 + 2 x 170; 3 x 170; 3 x 170 + 1 x 185.
    assert book.used[book.used > 0].tolist() == pytest.approx([600.0, 790.0, 510.0, 695.0])


def test_moving_average_of_a_published_solution():
    book = book_of(moving_average, 7.0, 150.0, COURSE)
    # The solution rounds its unit costs: 164.55 after the first receipt, 174.775 after the second; 5 left at 874.
    assert book.used[2] / 5 == pytest.approx(164.55, abs=0.01)
    assert book.used[4] / 3 == pytest.approx(174.775, abs=0.01)
    assert book.closing[-1] == pytest.approx(874.0, abs=0.5)


def test_first_in_first_out_of_a_published_worksheet():
    # 100 at 50, +400 at 55, -420, +120 at 60, +200 at 62, -160: 31,800 used, 14,800 left.
    # https://www.coursehero.com/file/31006839/Module-8-Part-cxlsx/
    moves = [("came", 400, 55.0), ("used", 420), ("came", 120, 60.0), ("came", 200, 62.0), ("used", 160)]
    book = book_of(first_in_first_out, 100.0, 50.0, moves)
    assert book.used.sum() == pytest.approx(31_800.0)
    assert book.closing[-1] == pytest.approx(14_800.0)


# --- loops written out -------------------------------------------------------------------------


def layers(opening, price, moves):
    """First in, first out with a list of layers; what a count finds goes back as what left last."""
    stack, gone, used, found = [[opening, price]], [], [], []

    def take(amount):
        worth = 0.0
        while amount > 1e-12:
            layer = stack[0]
            part = min(layer[0], amount)
            layer[0] -= part
            amount -= part
            worth += part * layer[1]
            gone.append([part, layer[1]])
            if layer[0] <= 1e-12:
                stack.pop(0)
        return worth

    for move in moves:
        out = back = 0.0
        if move[0] == "came":
            stack.append([move[1], move[2]])
        elif move[0] == "used":
            out = take(move[1])
        elif move[1] < 0:
            back = -take(-move[1])
        else:
            amount = move[1]
            while amount > 1e-12 and gone:
                part = min(gone[-1][0], amount)
                stack.insert(0, [part, gone[-1][1]])
                gone[-1][0] -= part
                amount -= part
                back += part * gone[-1][1]
                if gone[-1][0] <= 1e-12:
                    gone.pop()
            stack.insert(0, [amount, price])
            back += amount * price
        used.append(out)
        found.append(back)
    return used, found, sum(amount * cost for amount, cost in stack)


def averages(opening, price, moves):
    stock, unit, used, found = opening, price, [], []
    for move in moves:
        out = back = 0.0
        if move[0] == "came":
            unit = (stock * unit + move[1] * move[2]) / (stock + move[1])
            stock += move[1]
        elif move[0] == "used":
            out, stock = move[1] * unit, stock - move[1]
        else:
            back, stock = move[1] * unit, stock + move[1]
        used.append(out)
        found.append(back)
    return used, found, stock * unit


def random_moves(rng, opening):
    """Moves of a plant that never runs out: receipts, uses, and counts that find more or less."""
    stock, moves = opening, []
    for _ in range(60):
        kind = rng.choice(["came", "used", "found"], p=[0.25, 0.6, 0.15])
        if kind == "came" or stock < 10:
            moves.append(("came", float(rng.integers(20, 90)), float(rng.uniform(5, 15))))
        elif kind == "used":
            moves.append(("used", float(rng.uniform(0, stock / 2))))
        else:
            moves.append(("found", float(rng.uniform(-stock / 5, stock / 5))))
        stock += (-1 if moves[-1][0] == "used" else 1) * moves[-1][1]
    return moves


@pytest.mark.parametrize(("way", "by_hand"), [(first_in_first_out, layers), (moving_average, averages)])
def test_books_are_those_of_a_loop_written_out(way, by_hand):
    rng = np.random.default_rng(12)
    for _ in range(200):
        opening, price = float(rng.uniform(20, 200)), float(rng.uniform(5, 15))
        moves = random_moves(rng, opening)
        book = book_of(way, opening, price, moves)
        used, found, left = by_hand(opening, price, moves)
        np.testing.assert_allclose(book.used, used, atol=1e-6)
        np.testing.assert_allclose(book.difference, found, atol=1e-6)
        assert book.closing[-1] == pytest.approx(left, abs=1e-6)


@pytest.mark.parametrize("way", [first_in_first_out, moving_average])
def test_a_miscount_that_is_taken_back_costs_nothing(way):
    moves = [("came", 100.0, 8.0), ("used", 130.0), ("found", -40.0), ("found", 40.0)]
    book = book_of(way, 100.0, 5.0, moves)
    assert book.difference[2] < 0
    assert book.difference.sum() == pytest.approx(0.0)


@pytest.mark.parametrize("way", [first_in_first_out, moving_average])
def test_what_was_used_before_it_came_costs_what_it_cost(way):
    moves = [("used", 30.0), ("came", 50.0, 9.0), ("used", 10.0)]
    book = book_of(way, 20.0, 5.0, moves)
    # 20 at 5, then 20 at 9; 30 are left at 9.
    assert (book.used - book.difference).sum() == pytest.approx(20 * 5 + 20 * 9)
    assert book.closing[-1] == pytest.approx(30 * 9)


# --- a thousand ledgers ------------------------------------------------------------------------


def with_ledgers(logs: Logs, materials: int) -> tuple[Logs, pd.DataFrame]:
    """Return logs of many materials, each with a random ledger of four months, and their use."""
    rng = np.random.default_rng(7)
    names = [f"M{number:04d}" for number in range(materials)]
    listed = logs["materials"].iloc[[0] * materials].assign(material=names, kind="other", unit="l")
    rows, counts, used = [], [], []
    for name in names:
        for day in rng.integers(-5, 110, rng.integers(0, 9)):
            rows.append(
                (
                    name,
                    int(day),
                    float(rng.uniform(10, 900)),
                    float(rng.choice([np.nan, *rng.uniform(1, 4, 3)])),
                )
            )
        for day in np.unique(rng.integers(-3, 110, rng.integers(1, 7))):
            counts.append((name, int(day), float(rng.uniform(0, 2000))))
        days = np.unique(rng.integers(0, 110, 40))
        used.append(pd.DataFrame({"material": name, "day": days, "quantity": rng.uniform(0, 60, len(days))}))
    begin = pd.Timestamp("2025-03-03")

    def frame(rows, columns):
        table = pd.DataFrame(rows, columns=columns)
        return table.assign(day=(begin + pd.to_timedelta(table["day"], unit="D")).astype("datetime64[us]"))

    came = frame(rows, ["material", "day", "quantity", "unit_price"])
    came = came.assign(delivery_id=[f"R{number:06d}" for number in range(len(came))], supplier="Northmill")
    came = came.assign(ordered_on=came["day"], quantity_ordered=came["quantity"], delivered_at=pd.NaT)
    counted = frame(counts, ["material", "day", "quantity"]).assign(
        counted_at=pd.Series(pd.NaT, dtype="datetime64[us]")
    )
    use = frame(pd.concat(used), ["material", "day", "quantity"]).assign(
        run_id="", supplier="", estimated=False
    )
    tables = {"runs": logs["runs"], "run_webs": logs["run_webs"], "materials": listed}
    tables["deliveries"] = came.rename(columns={"day": "delivered_on"}).astype(
        {"delivered_at": "datetime64[us]"}
    )
    tables["stock_counts"] = counted.rename(columns={"day": "counted_on"})
    text = dict.fromkeys(["delivery_id", "supplier"], "str")
    tables["deliveries"] = tables["deliveries"].astype(text)
    return replace(logs, tables=tables, as_of=begin + pd.Timedelta(days=112)), use.assign(kind="other")


@pytest.fixture(scope="module")
def small_logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return read_logs(write_small_plant(tmp_path_factory.mktemp("close") / "logs"))


def assert_closes(close: pd.DataFrame) -> None:
    """Identity and continuity, to the cent and to the thousandth of a unit."""
    for opening, received, used, difference, closing in (QUANTITIES, VALUES):
        gap = close[opening] + close[received] - close[used] + close[difference] - close[closing]
        assert gap.dropna().abs().max() < 0.001
        before = close.groupby("material")[closing].shift()
        assert (close[opening] - before).dropna().abs().max() < 0.001
    months = close.groupby("material")["month"].agg(["min", "max", "size"])
    between = (
        12 * (months["max"].dt.year - months["min"].dt.year) + months["max"].dt.month - months["min"].dt.month
    )
    assert (months["size"] == between + 1).all()


@pytest.mark.parametrize(("valuation", "number"), [("first_in_first_out", 700), ("moving_average", 300)])
def test_a_thousand_ledgers_close_without_a_gap(small_logs: Logs, valuation: str, number: int):
    logs, use = with_ledgers(small_logs, number)
    books = material_books(logs, use, NO_FINDINGS, valuation)
    close = month_close(logs, books, NO_STANDARD, valuation)
    assert close["material"].nunique() == number
    assert_closes(close)
    # Each month's closing is what the last count before its end said, and what moved since.
    counts = logs["stock_counts"].rename(columns={"counted_on": "through"})
    at_end = close.merge(counts[["material", "through", "quantity"]], on=["material", "through"])
    assert len(at_end) > number / 50
    np.testing.assert_allclose(at_end["closing"], at_end["quantity"])
    totals = close_totals(close)
    assert totals.loc[totals["kind"] == "all", "closing_value"].iloc[-1] == pytest.approx(
        close.loc[close["month"] == close["month"].max(), "closing_value"].sum()
    )
    bare = close["received_uninvoiced"] > 0
    assert bare.any()
    assert (close["without_invoice"].ne("") == bare).all()


# --- by hand, on the small plant ---------------------------------------------------------------


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Results:
    return open_results(write_small_plant(tmp_path_factory.mktemp("close") / "logs"))


def row_of(results: Results, material: str, table: str = "month_close") -> pd.Series:
    return results[table].set_index("material").loc[material]


def test_paper_of_the_small_plant_by_hand(small: Results):
    row = row_of(small, "N1200")
    mounts = small.logs["reel_mounts"].merge(small.logs["runs"][["run_id", "date"]], on="run_id")
    kg = mounts["start_kg"] - mounts["returned_kg"]
    # 40,000 counted the evening before the first run, 9,900 came on the twelfth, 33,000 counted on the ninth.
    assert row["opening"] == 40_000.0
    assert row["received"] == 9_900.0
    assert row["used"] == pytest.approx(kg.sum())
    to_count = kg[mounts["date"] <= FIRST_DAY + pd.Timedelta(days=6)].sum()
    assert row["difference"] == pytest.approx(33_000 - (40_000 - to_count))
    assert row["closing"] == pytest.approx(33_000 + 9_900 - (kg.sum() - to_count))
    # All receipts at 0.50, opening included.
    assert row["closing_value"] == pytest.approx(row["closing"] * 0.5)
    assert row["used_value"] == pytest.approx(row["used"] * 0.5)
    assert row["through"] == small.logs.as_of
    assert np.isnan(row["price_variance"])  # the month is not over


def test_ink_closes_on_the_last_dip_and_what_was_used_since(small: Results):
    row = row_of(small, "black")
    dips = small.logs["tank_readings"].query("tank == 'K1'")["level_kg"]
    # The last dip is at six in the morning of as-of, after its runs: 18 hours of idle loss, 1 kg a day, follow at most.
    assert 0 <= dips.iloc[-1] - row["closing"] <= 18 / 24
    assert row["received"] == 300.0
    assert row["opening"] + row["received"] - row["used"] + row["difference"] == pytest.approx(row["closing"])
    assert abs(row["difference"]) < 1.0


def test_what_was_never_counted_has_no_stock_but_a_cost(small: Results):
    row = row_of(small, "plate")
    assert np.isnan(row[["opening", "difference", "closing", "closing_value"]].astype(float)).all()
    assert row["used"] == small.logs["runs"]["plates"].sum()
    assert row["used_value"] == pytest.approx(3.0 * row["used"])


def variances_of(folder: Path, toml: str = PLANT_TOML) -> tuple[Results, pd.Series]:
    """Seven weeks of the small plant from 3 March: April is whole; 60,000 kg budgeted at 0.60."""
    tables = small_tables(60)
    tables["budget"] = pd.DataFrame(
        {
            "month": [pd.Timestamp("2025-04-01")],
            "material": "N1200",
            "quantity": [60_000.0],
            "cost": [36_000.0],
        }
    )
    tables["deliveries"] = tables["deliveries"].iloc[:3]
    results = open_results(write_small_plant(folder / "logs", tables, toml))
    close = results["month_close"]
    return results, close[(close["material"] == "N1200") & (close["month"] == "2025-04-01")].iloc[0]


def test_variances_add_up_to_what_was_spent_beyond_the_budget(tmp_path: Path):
    results, row = variances_of(tmp_path)
    assert row["price_variance"] == pytest.approx(row["used"] * (0.5 - 0.6))
    april = results.run_balance[results.run_balance["date"].dt.month == 4]
    good = (april["good_kg"] + april["good_grammage_kg"]).sum()
    # The default target, 6 % of mounted paper.
    assert row["waste_variance"] == pytest.approx((row["used"] - good / 0.94) * 0.6)
    assert row["volume_variance"] == pytest.approx((good / 0.94 - 60_000) * 0.6)
    parts = row[["price_variance", "volume_variance", "waste_variance"]].sum()
    assert parts == pytest.approx(row["used_value"] - row["budget_cost"], abs=0.005)


def test_a_titles_own_standard_waste_comes_before_the_target(tmp_path: Path):
    _, plain = variances_of(tmp_path / "plain")
    _, strict = variances_of(tmp_path / "strict", PLANT_TOML + "\n[targets]\nwaste_pct = 3.0\n")
    assert strict["waste_variance"] > plain["waste_variance"]
    assert strict["waste_variance"] + strict["volume_variance"] == pytest.approx(
        plain["waste_variance"] + plain["volume_variance"]
    )


# --- the invented plant ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo() -> Results:
    return open_results(ROOT / "data_demo")


@pytest.mark.parametrize("valuation", ["first_in_first_out", "moving_average"])
def test_the_demo_closes_every_month_to_the_cent(demo: Results, valuation: str):
    close = demo["month_close"]
    if valuation != demo.logs.plant.accounts.valuation:
        use = demo.use
        close = month_close(
            demo.logs, material_books(demo.logs, use, NO_FINDINGS, valuation), NO_STANDARD, valuation
        )
    assert close["month"].nunique() >= 36
    assert close[QUANTITIES + VALUES].notna().all().all()
    assert_closes(close)


def test_the_demos_year_is_the_sum_of_its_months(demo: Results):
    close, year = demo["month_close"], demo["year_end"].set_index("material")
    this = close[close["month"].dt.year == demo.logs.as_of.year].groupby("material")
    spent = this["used_value"].sum()
    np.testing.assert_allclose(year["spent"].reindex(spent.index), spent, atol=0.005)
    assert year.loc["all materials", "spent"] == pytest.approx(spent.sum())
    assert (year["cost_q05"] < year["expected_cost"]).all()
    assert (year["expected_cost"] < year["cost_q95"]).all()
    # Materials err together, but not all the same way: the sum is surer than the sum of the limits.
    alone = year.drop("all materials")
    assert year.loc["all materials", "cost_q95"] < alone["cost_q95"].sum()


def test_nothing_is_expected_of_a_year_without_a_forecast(small: Results):
    year = year_end(small.logs, material_books(small.logs, small.use, NO_FINDINGS), None).set_index(
        "material"
    )
    assert year["expected_cost"].isna().all()
    assert year.loc["plate", "spent"] == pytest.approx(3.0 * small.logs["runs"]["plates"].sum())


def test_a_dip_sees_what_had_finished_by_then():
    """Four runs of 10 kg, two finished by the dip; 8 kg of idle loss a day; 100 kg came at noon, after the dip."""
    from pressstats.accounts.book import _at_days_end

    day = pd.Timestamp("2025-03-03")
    use = pd.DataFrame({"run_id": ["1", "2", "3", "4", ""], "quantity": [10.0, 10.0, 10.0, 10.0, 8.0]})
    use["day"] = [day, day, day, day + pd.Timedelta(days=1), day]
    hours = pd.to_timedelta([60, 300, 480, 330, 1440], unit="min")
    use["ended"] = (day + hours).to_numpy()
    noon = day + pd.Timedelta(hours=12)
    came = pd.DataFrame({"delivery_id": ["D"], "day": [day], "hour": [noon], "quantity": [100.0]})
    counts = pd.DataFrame({"day": [day], "at": [day + pd.Timedelta(hours=6)], "quantity": [500.0]})
    ends = _at_days_end(counts, came, use)
    # Run 4 is of the next day and was finished: it is still in the book's stock. Run 3 was still to come.
    assert ends[day] == pytest.approx(500 - 10 + 10 + 100 - 8 * 18 / 24)
