"""What suppliers are worth: lateness, soundness, true cost with its interval, contracts; by hand and by simulation."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from small_plant import FIRST_DAY, PLANT_TOML, every_table, small_tables, write_small_plant
from supplier_simulation import costs_held

from pressstats.logs import Logs, read_logs
from pressstats.orders import LeadTimes
from pressstats.paper import weighed_paper
from pressstats.plant import Policy
from pressstats.reels import study_reels
from pressstats.suppliers import paper_quality, premiums, supplier_quality, supplier_record, true_costs
from pressstats.suppliers.quality import supplier_lateness
from pressstats.tables import OUTPUTS

DAY = pd.Timedelta(days=1)


def logs_of(folder: Path, tables: dict[str, pd.DataFrame] | None = None, toml: str = "") -> Logs:
    tables = every_table() if tables is None else tables
    return read_logs(write_small_plant(folder / "logs", tables, PLANT_TOML + toml))


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    return logs_of(tmp_path_factory.mktemp("suppliers"))


def quality_of(logs: Logs) -> pd.DataFrame:
    weighed = weighed_paper(logs)
    history = study_reels(logs, weighed).mount_history
    return supplier_quality(logs, history, weighed.weights.by_supplier)


# --- true cost ------------------------------------------------------------------------------------


def part(**changed: float) -> pd.DataFrame:
    """A mill: 2 % heavier, 1 % lost, 3 breaks in 100 reels of 900 kg, one load of 20 too late."""
    row = {
        "price": 0.7,
        "heavier_pct": 2.0,
        "heavier_low": 1.5,
        "heavier_high": 2.5,
        "lost_pct": 1.0,
        "lost_error": 0.05,
        "lots": 50.0,
        "breaks_per_100": 3.0,
        "ci_low": 2.0,
        "ci_high": 4.5,
        "reel_kg": 900.0,
        "late_chance": 0.05,
        "late_loads": 4.0,
        "other_loads": 76.0,
    }
    return pd.DataFrame([row | changed])


def test_true_cost_by_hand() -> None:
    # A delivered tonne: 700 - 10 kg x 0.15 + 0.03 x 400 / 0.9 + 0.05 x 150 = 719.33; it covers 0.99 / 1.02 t.
    found = true_costs(part(), Policy(), 0.15)
    by_hand = (700 - 1.5 + 0.03 * 400 / 0.9 + 7.5) * 1.02 / 0.99
    assert found["true_cost_per_t"].iloc[0] == pytest.approx(by_hand)
    # The price with waste and breaks is that of a mill that is never late.
    never = true_costs(part(late_chance=0.0), Policy(), 0.15)["true_cost_per_t"].iloc[0]
    assert found["paper_cost_per_t"].iloc[0] == pytest.approx(never)
    assert never < by_hand
    assert found["true_ci_low"].iloc[0] < by_hand < found["true_ci_high"].iloc[0]
    dearer = Policy(break_cost=800, expedite_cost_per_t=300)
    assert true_costs(part(), dearer, 0.15)["true_cost_per_t"].iloc[0] - by_hand == pytest.approx(
        (0.03 * 400 / 0.9 + 7.5) * 1.02 / 0.99
    )


@pytest.mark.parametrize(
    "name", ["price", "heavier_pct", "lost_pct", "lost_error", "breaks_per_100", "reel_kg", "late_chance"]
)
def test_a_part_that_is_not_known_leaves_the_cost_blank(name: str) -> None:
    both = pd.concat([part(**{name: np.nan}), part()], ignore_index=True)
    found = true_costs(both, Policy())
    assert found.iloc[0].isna().all()
    # Another supplier beside it changes nothing.
    pd.testing.assert_series_equal(found.iloc[1], true_costs(part(), Policy()).iloc[0], check_names=False)


def test_limits_of_the_cost_are_those_of_its_parts() -> None:
    """Each part alone uncertain: limits against those of the distribution that it has, by a general library."""
    sure = {"heavier_low": 2.0, "heavier_high": 2.0, "lost_error": 0.0, "ci_low": 3.0, "ci_high": 3.0}
    sure |= {"late_loads": 0.05e9, "other_loads": 0.95e9}
    policy = Policy()
    scale = 1.02 / 0.99

    def limits(**changed: float) -> np.ndarray:
        names = ["true_cost_per_t", "true_ci_low", "true_ci_high"]
        return true_costs(part(**sure | changed), policy).loc[:, names].iloc[0].to_numpy()

    cost, low, high = limits()
    assert high - low < 0.01
    delivered = cost / scale
    cost, low, high = limits(heavier_low=1.5, heavier_high=2.6)
    assert [low, high] == pytest.approx([cost * 1.015 / 1.02, cost * 1.026 / 1.02], rel=1e-4)
    cost, low, high = limits(lost_error=0.05, lots=6.0)
    reach = stats.t.ppf(0.975, 5) * 0.05 / 100
    ends = [delivered * 1.02 / (0.99 + sign * reach) for sign in (1, -1)]
    assert [low, high] == pytest.approx(ends, rel=1e-4)
    cost, low, high = limits(ci_low=2.0, ci_high=4.5)
    ends = [cost + scale * (rate - 0.03) * 400 / 0.9 for rate in (0.02, 0.045)]
    assert [low, high] == pytest.approx(ends, rel=1e-4)
    cost, low, high = limits(late_loads=4.0, other_loads=76.0)
    chance = stats.beta(4.5, 76.5).ppf([0.025, 0.975])
    assert [low, high] == pytest.approx(list(cost + scale * (chance - 0.05) * 150), rel=1e-3)


def test_limits_hold_the_truth_of_simulated_mills(logs: Logs) -> None:
    held = costs_held(np.random.default_rng(5), logs, 24)
    for name, one in held.items():
        # 72 mills at 95 %: fewer than 87 % has a chance of three in a thousand (binomial).
        assert np.mean(one) > 0.87, name


def test_premiums_count_as_far_as_they_are_sure(logs: Logs) -> None:
    sure = part(heavier_low=1.999, heavier_high=2.001, lost_error=1e-6, ci_low=3.0, ci_high=3.0)
    names = pd.DataFrame({"supplier": ["Northmill", "Eastmill"], "material": "N1200", "kind": "newsprint"})

    def told(*rows: pd.DataFrame) -> dict[str, float]:
        quality = names.iloc[: len(rows)].join(pd.concat(rows, ignore_index=True))
        found = premiums(logs, quality)
        assert min(found.values()) == 0.0
        return {supplier: extra for (supplier, _), extra in found.items()}

    light = sure.assign(heavier_pct=0.0, heavier_low=-0.001, heavier_high=0.001, late_chance=0.9)
    # 2 % of what a kilogram costs with its breaks, and nothing of its lateness.
    found = told(sure, light)
    assert found["Northmill"] == pytest.approx(0.02 / 0.99 * (0.7 + 0.03 * 400 / 900), rel=1e-3)
    assert found["Eastmill"] == 0.0
    # With an error as large as the difference from the mean, half of it counts on each side.
    step = 0.01 * 1.96
    broad = [
        one.assign(heavier_low=one["heavier_pct"] - step * 100, heavier_high=one["heavier_pct"] + step * 100)
        for one in (sure, light)
    ]
    assert told(*broad)["Northmill"] == pytest.approx(found["Northmill"] / 2, rel=0.02)
    # Of whom nothing is known costs the mean; where but one is known, nobody costs more.
    assert told(sure) == {"Northmill": 0.0, "Eastmill": 0.0}
    assert told(sure, light.assign(heavier_pct=np.nan)) == {"Northmill": 0.0, "Eastmill": 0.0}


def test_premiums_are_of_materials_with_a_choice(tmp_path: Path) -> None:
    logs = logs_of(tmp_path, small_tables())
    assert premiums(logs, quality_of(logs)) == {}


# --- quality --------------------------------------------------------------------------------------


def history_of(lots: list[list[tuple[float, float]]], supplier: str = "A", first: int = 0) -> pd.DataFrame:
    """Mounts of reels by lot: (start, strip)."""
    rows = [(start, strip, first + n) for n, reels in enumerate(lots) for start, strip in reels]
    frame = pd.DataFrame(rows, columns=["start_kg", "strip_kg", "lot"])
    return frame.assign(
        reel=np.arange(len(frame)) + 1000 * first,
        supplier=supplier,
        material="N45",
        ended_by="splice",
        new=True,
        scrapped_kg=1.0,
    )


NO_GRAMMAGE = pd.DataFrame(
    {name: pd.Series(dtype=kind) for name, kind in (("material", "str"), ("supplier", "str"))}
    | {name: pd.Series(dtype="float64") for name in ("estimate", "ci_low", "ci_high")}
)
GSM = pd.Series({"N45": 45.0})


def test_strip_is_a_ratio_of_sums_with_errors_by_lot() -> None:
    lots = [
        [(900.0, 9.0), (910.0, 8.0)],
        [(905.0, 10.0)],
        [(880.0, 20.0)] * 3,
        [(900.0, 7.0)],
        [(950.0, 9.0)],
    ]
    history = history_of(lots)
    found = paper_quality(history, NO_GRAMMAGE, GSM).iloc[0]
    kilograms = np.array([sum(start for start, _ in reels) for reels in lots])
    strip = np.array([sum(strip for _, strip in reels) for reels in lots])
    lost = strip + np.array([len(reels) for reels in lots])
    assert found["strip_pct"] == pytest.approx(100 * strip.sum() / kilograms.sum())
    ratio = lost.sum() / kilograms.sum()
    assert found["lost_pct"] == pytest.approx(100 * ratio)
    error = np.sqrt(5 / 4 * ((lost - ratio * kilograms) ** 2).sum()) / kilograms.sum()
    assert found["lost_error"] == pytest.approx(100 * error)
    assert found["lots"] == 5
    assert found["reel_kg"] == pytest.approx(history["start_kg"].mean())
    # Four deliveries say nothing of what a fifth will be.
    few = paper_quality(history[history["lot"] < 4], NO_GRAMMAGE, GSM).iloc[0]
    assert few[["strip_pct", "lost_pct", "lost_error"]].isna().all()
    assert few["reels"] == 7


def test_a_reel_whose_strip_is_not_known_is_left_out_whole() -> None:
    history = history_of([[(900.0, 9.0)]] * 6)
    again = history.iloc[[0]].assign(new=False, start_kg=400.0, strip_kg=np.nan)
    found = paper_quality(pd.concat([history, again]), NO_GRAMMAGE, GSM).iloc[0]
    assert found["lots"] == 5
    again["strip_kg"] = 3.0
    found = paper_quality(pd.concat([history, again]), NO_GRAMMAGE, GSM).iloc[0]
    assert found["strip_pct"] == pytest.approx(100 * 57 / 5400)
    blank = paper_quality(history.assign(scrapped_kg=np.nan), NO_GRAMMAGE, GSM).iloc[0]
    assert blank[["strip_pct", "lost_pct", "reel_kg"]].isna().all()


def test_breaks_of_few_reels_are_drawn_to_those_of_the_material() -> None:
    many = history_of([[(900.0, 9.0)] * 100] * 10)
    few = history_of([[(900.0, 9.0)] * 2] * 2, "B", first=50)
    both = pd.concat([many, few], ignore_index=True)
    both.loc[both.index[:20], "ended_by"] = "web_break"
    both.loc[both.index[-1], "ended_by"] = "web_break"
    found = paper_quality(both, NO_GRAMMAGE, GSM).set_index("supplier")
    assert found.loc["A", "breaks_per_100"] == pytest.approx(2.0, rel=0.15)
    # One break in four reels is 25 in 100, which little speaks for; a material's suppliers are drawn by themselves.
    assert 2.0 < found.loc["B", "breaks_per_100"] < 20.0
    assert found.loc["B", "ci_low"] < 3.0 < found.loc["B", "ci_high"]
    other = paper_quality(both.assign(material=both["supplier"]), NO_GRAMMAGE, GSM).set_index("supplier")
    assert other.loc["B", "breaks_per_100"] == pytest.approx(25.0)
    assert other.loc["B", "ci_low"] == pytest.approx(100 * stats.chi2.ppf(0.025, 2) / 2 / 4)


def test_heavier_is_over_nominal_with_its_limits() -> None:
    gsm = pd.DataFrame(
        {"material": "N45", "supplier": "A", "estimate": [45.9], "ci_low": [45.45], "ci_high": [46.35]}
    )
    found = paper_quality(history_of([[(900.0, 9.0)]] * 6), gsm, GSM).iloc[0]
    assert found[["heavier_pct", "heavier_low", "heavier_high"]].to_numpy(dtype=float) == pytest.approx(
        [2.0, 1.0, 3.0]
    )


# --- lateness -------------------------------------------------------------------------------------


def late_logs(logs: Logs, days: dict[str, list[int]]) -> Logs:
    rows = [
        {"delivery_id": f"{name}{n}", "supplier": name, "late": late}
        for name, own in days.items()
        for n, late in enumerate(own)
    ]
    frame = pd.DataFrame(rows)
    promised = pd.Timestamp("2025-01-06")
    like = logs["deliveries"]
    frame = frame.assign(
        material="N1200",
        load=frame["delivery_id"],
        ordered_on=promised - 14 * DAY,
        promised_on=promised,
        delivered_on=promised + pd.to_timedelta(frame["late"], unit="D"),
    )
    frame = frame.reindex(columns=like.columns).astype(like.dtypes.to_dict())
    return replace(logs, tables=logs.tables | {"deliveries": frame})


def test_few_loads_are_drawn_to_what_all_do(logs: Logs) -> None:
    late = {"A": [0, 0, 1, 4] * 10, "B": [-2, 6]}
    found = supplier_lateness(LeadTimes(late_logs(logs, late)), ["A", "B", "new"], 3.0).set_index("supplier")
    every = np.array(late["A"] + late["B"], dtype=float)
    for name, own in (*late.items(), ("new", [])):
        weight = len(own) / (len(own) + 8)  # as orders are planned: eight loads of all weigh as much

        def mixed(value: Any, own: Any = own, weight: float = weight) -> float:
            mine = value(np.array(own, dtype=float)).mean() if own else 0.0
            return weight * mine + (1 - weight) * value(every).mean()

        row = found.loc[name]
        assert row["on_time_pct"] == pytest.approx(100 * mixed(lambda days: days <= 0), abs=0.1)
        assert row["days_late_mean"] == pytest.approx(mixed(lambda days: np.maximum(days, 0)), abs=0.01)
        assert row["late_chance"] == pytest.approx(mixed(lambda days: days > 3), abs=0.001)
        beyond = float((every > 3).mean())
        assert row["late_loads"] == pytest.approx(sum(days > 3 for days in own) + beyond, abs=0.001)
        assert row["late_loads"] + row["other_loads"] == len(own) + 1


def test_without_a_delivery_lateness_is_not_known(logs: Logs) -> None:
    bare = replace(logs, tables={k: v for k, v in logs.tables.items() if k != "deliveries"})
    found = supplier_lateness(LeadTimes(bare), ["A"], 3.0)
    assert found[["on_time_pct", "days_late_mean", "late_chance"]].isna().all(axis=None)


# --- the record -----------------------------------------------------------------------------------


def test_record_of_the_small_plant(logs: Logs) -> None:
    table = supplier_record(logs, quality_of(logs))
    assert list(table.columns) == OUTPUTS["supplier_record"].names
    rows = table.set_index(["supplier", "material"])
    assert list(rows.index) == [
        ("Eastmill", "N1200"),
        ("Inkworks", "black"),
        ("Inkworks", "cyan"),
        ("Northmill", "N1200"),
        ("Plateworks", "plate"),
    ]
    mounts = logs["reel_mounts"]
    for mill in ("Eastmill", "Northmill"):
        assert rows.loc[(mill, "N1200"), "reels"] == mounts[mounts["supplier"] == mill]["reel_id"].nunique()
    assert rows["loads"].tolist() == [0.0, 1.0, 0.0, 2.0, 0.0]
    # 0.52 is agreed without a supplier, so it holds for both mills before their terms.
    assert rows.loc[("Eastmill", "N1200"), "price"] == 0.52
    assert rows.loc[("Northmill", "N1200"), "contract_quantity"] == 400_000.0
    assert rows.loc[("Northmill", "N1200"), "contract_drawn"] == 40_000.0 + 9_900.0 + 10_000.0
    assert "no order plan tells" in rows.loc[("Northmill", "N1200"), "why"]
    assert rows.loc[("Plateworks", "plate"), "why"] == ""
    assert "fewer than 5" in rows.loc[("Eastmill", "N1200"), "why"]
    assert np.isnan(rows.loc[("Eastmill", "N1200"), "true_cost_per_t"])


def test_the_chance_of_the_plan_is_taken(logs: Logs) -> None:
    odds = pd.DataFrame(
        {
            "supplier": "Northmill",
            "material": "N1200",
            # One that begins after as-of is not meant.
            "contract_from": pd.DatetimeIndex(["2025-01-01", "2026-01-01"]),
            "chance_below": [0.25, 0.5],
            "chance_above": [0.05, 0.0],
        }
    )
    table = supplier_record(logs, quality_of(logs), odds).set_index(["supplier", "material"])
    assert table["chance_outside_tolerance"].dropna().to_dict() == {
        ("Northmill", "N1200"): pytest.approx(0.3)
    }
    assert "order plan" not in table.loc[("Northmill", "N1200"), "why"]


@pytest.mark.parametrize(
    ("first", "last", "drawn"),
    [
        # D1 came on 26 February, D2 on 12 March; D4 is promised for 21 March, and D5 was cancelled.
        ("2025-01-01", "2025-12-31", 59_900.0),
        ("2025-02-26", "2025-03-21", 59_900.0),
        ("2025-02-27", "2025-03-20", 9_900.0),
        # Over, and yet to come.
        ("2024-03-01", "2025-03-15", None),
        ("2025-03-17", "2026-03-16", None),
    ],
)
def test_what_is_drawn_is_of_the_contract_that_runs(
    tmp_path: Path, first: str, last: str, drawn: float | None
) -> None:
    tables = every_table()
    tables["terms"].loc[0, ["contract_from", "contract_to"]] = [pd.Timestamp(first), pd.Timestamp(last)]
    found = logs_of(tmp_path, tables)
    table = supplier_record(found, quality_of(found)).set_index(["supplier", "material"])
    row = table.loc[("Northmill", "N1200")]
    assert (None if np.isnan(row["contract_drawn"]) else row["contract_drawn"]) == drawn
    assert np.isnan(row["contract_quantity"]) == (drawn is None)


def test_a_supplier_without_terms_any_more_has_no_price(tmp_path: Path) -> None:
    tables = every_table()
    tables["deliveries"].loc[0, "supplier"] = "Westmill"
    found = logs_of(tmp_path, tables)
    rows = supplier_record(found, quality_of(found)).set_index(["supplier", "material"])
    assert np.isnan(rows.loc[("Westmill", "N1200"), "price"])
    assert "no terms" in rows.loc[("Westmill", "N1200"), "why"]


def test_without_an_agreement_a_supplier_costs_what_it_last_invoiced(tmp_path: Path) -> None:
    tables = small_tables()
    del tables["prices"]
    came = tables["deliveries"]
    rows = came.index[(came["material"] == "N1200") & came["delivered_on"].notna()][:1]
    tables["deliveries"].loc[rows, ["supplier", "unit_price"]] = ["Westmill", 0.41]
    tables["deliveries"] = pd.concat(
        [came, came.loc[rows].assign(delivery_id="W2", supplier="Southmill", unit_price=np.nan, load=pd.NA)],
        ignore_index=True,
    )
    found = logs_of(tmp_path, tables)
    table = supplier_record(found, quality_of(found)).set_index(["supplier", "material"])
    listed = found.of_material(pd.Series(["N1200"]), "supplier").iloc[0]
    assert table.loc[("Westmill", "N1200"), "price"] == 0.41
    # Who is listed has the list's price, and whose invoices name none has none: the list is of another mill.
    assert (
        table.loc[(listed, "N1200"), "price"] == found.of_material(pd.Series(["N1200"]), "unit_price").iloc[0]
    )
    assert np.isnan(table.loc[("Southmill", "N1200"), "price"])
    assert "none is agreed, none was invoiced" in table.loc[("Southmill", "N1200"), "why"]


def test_strip_is_worth_what_its_kind_sold_for_in_the_last_year(tmp_path: Path) -> None:
    from pressstats.suppliers.record import _sold_at

    tables = every_table()
    tables["waste_sold"] = pd.DataFrame(
        {
            "sold_on": [FIRST_DAY, FIRST_DAY + DAY, FIRST_DAY, FIRST_DAY - 380 * DAY],
            "kind": ["white", "white", "printed", "white"],
            "kg": [100.0, 300.0, 100.0, 100.0],
            "unit_price": [0.2, 0.1, 0.05, 0.9],
        }
    )
    toml = '\n[waste.white]\nholds = ["strip", "reel_end"]\n[waste.printed]\nholds = ["startup"]\n'
    assert _sold_at(logs_of(tmp_path / "named", tables, toml)) == pytest.approx(0.125)
    assert _sold_at(logs_of(tmp_path / "unnamed", tables)) == 0.0


def test_plants_without_terms_reels_or_deliveries_have_their_record(tmp_path: Path) -> None:
    tables = small_tables(28)
    for gone in ([], ["reel_mounts"], ["deliveries"], ["materials"], ["reel_mounts", "reels", "deliveries"]):
        folder = tmp_path / ("-".join(gone) or "all")
        found = logs_of(folder, {name: table for name, table in tables.items() if name not in gone})
        table = supplier_record(found, quality_of(found))
        assert len(table) == (0 if "materials" in gone else 5 if "reel_mounts" not in gone else 4)
        if "deliveries" in gone:
            assert table["loads"].isna().all()
            assert table["why"].str.contains("no deliveries are logged").all()
