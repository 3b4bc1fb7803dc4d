"""What can be claimed: each kind planted and found with its kilograms and money, and quiet plants that have none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, PLANT_TOML, every_table, small_tables, write_small_plant
from supplier_simulation import quiet_claims, quiet_deliveries, with_deliveries

from pressstats.logs import Logs, read_logs
from pressstats.reels.strip import transport_claims
from pressstats.suppliers import claims
from pressstats.tables import OUTPUTS

DAY = pd.Timedelta(days=1)
MILLS = {"A": 60, "B": 40, "C": 25}


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    folder = tmp_path_factory.mktemp("claims") / "logs"
    return read_logs(write_small_plant(folder, every_table(), PLANT_TOML))


def claimed(logs: Logs, deliveries: pd.DataFrame, reels: pd.DataFrame, whole: pd.DataFrame) -> pd.DataFrame:
    return claims(with_deliveries(logs, deliveries, reels), whole, transport_claims(whole, 3.0))


@pytest.fixture
def quiet() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Deliveries of three mills, all sound."""
    return quiet_deliveries(np.random.default_rng(20), MILLS)


def test_a_quiet_plant_has_nothing_to_claim(logs: Logs, quiet: Any) -> None:
    table = claimed(logs, *quiet)
    assert table.empty
    assert list(table.columns) == OUTPUTS["claims"].names


def test_of_quiet_plants_few_have_a_claim(logs: Logs) -> None:
    rng = np.random.default_rng(7)
    false = sum(len(quiet_claims(rng, logs, MILLS)) > 0 for _ in range(6))
    # At most 10 in 100 are meant (5 by reels, 2.5 by strip, 2.5 by quantity): of 6, more than 3 come in 0.1 %
    # (binomial).
    assert false <= 3


def test_a_delivery_torn_deeper_than_all_others_is_claimed_for_once(logs: Logs, quiet: Any) -> None:
    deliveries, reels, whole = quiet
    size = whole.groupby("delivery_id").size()
    key = next(name for name in size.index if name.startswith("A") and size[name] >= 20)
    mine = whole["delivery_id"] == key
    whole.loc[mine, ["depth_mm", "strip_kg"]] *= 3.5
    plain = claimed(logs, deliveries, reels, whole[~mine])
    assert plain.empty
    table = claimed(logs, deliveries, reels, whole)
    assert set(table["delivery_id"]) == {key}
    (row,) = table[table["reel_id"].isna()].to_dict("records")
    assert "to stripping" in row["why"]
    alone = set(table["reel_id"].dropna())
    rest = whole[mine & ~whole["reel_id"].isin(alone)]
    assert f"its {len(rest)} other reels" in row["why"]
    # Beyond what is usual: more than half of what was torn off these reels.
    assert row["kg"] == pytest.approx(rest["strip_kg"].sum() * (1 - 1 / 3.5), rel=0.2)
    assert row["cost"] == pytest.approx(0.5 * row["kg"])
    assert row["seen_on"] == rest["mounted_at"].max().normalize()
    # Three reels say nothing of their delivery.
    few = claimed(logs, deliveries, reels, whole[~mine | whole["reel_id"].isin(list(rest["reel_id"])[:3])])
    assert few[few["reel_id"].isna()].empty


def test_a_delivery_that_lacks_a_reel_is_short(logs: Logs, quiet: Any) -> None:
    deliveries, reels, whole = quiet
    at = int(np.flatnonzero((deliveries["quantity_ordered"] > 8000) & (deliveries["supplier"] == "A"))[0])
    deliveries.loc[at, "quantity"] -= 900.0
    table = claimed(logs, deliveries, reels, whole)
    (row,) = table.to_dict("records")
    assert row["delivery_id"] == deliveries.loc[at, "delivery_id"]
    assert row["kg"] == pytest.approx(deliveries.loc[at, "quantity_ordered"] - deliveries.loc[at, "quantity"])
    assert np.isnan(row["cost"])
    assert "ask for the rest" in row["why"]
    # The rest came with another row of that order, or is still to come.
    for came in (FIRST_DAY, pd.NaT):
        rest = deliveries.iloc[[at]].assign(delivery_id="rest", quantity=900.0, delivered_on=came)
        more = pd.concat([deliveries, rest], ignore_index=True)
        assert claimed(logs, more, reels, whole).empty


def test_a_mill_whose_reels_are_all_lighter_than_listed_is_short_of_nothing(logs: Logs, quiet: Any) -> None:
    deliveries, reels, whole = quiet
    light = deliveries["supplier"] == "A"
    deliveries.loc[light, "quantity"] *= 0.93
    assert claimed(logs, deliveries, reels, whole).empty


def test_of_few_deliveries_one_that_lacks_most_of_a_pack_is_short(tmp_path: Path) -> None:
    for missing, found in ((700.0, []), (760.0, ["D2"])):
        tables = small_tables()
        tables["deliveries"].loc[1, ["quantity", "unit_price"]] = [10_000.0 - missing, 0.52]
        tables["deliveries"].loc[1, "quantity_ordered"] = 10_000.0
        logs = read_logs(write_small_plant(tmp_path / str(missing), tables))
        whole = quiet_deliveries(np.random.default_rng(1), {"A": 1})[2]
        table = claims(logs, whole, transport_claims(whole, 3.0))
        short = table[table["why"].str.contains("ask for the rest")]
        assert short["delivery_id"].tolist() == found


@pytest.mark.parametrize(("off", "listed"), [(0.035, False), (-0.035, False), (0.06, True), (-0.06, True)])
def test_labels_off_nominal_by_more_than_the_tolerance(
    logs: Logs, quiet: Any, off: float, listed: bool
) -> None:
    deliveries, reels, whole = quiet
    mine = reels["delivery_id"] == "A3"
    kilograms, count = reels.loc[mine, "received_kg"].sum(), int(mine.sum())
    # N1200 is 1.2 m wide and nominally 45 g/m2.
    reels.loc[mine, "length_m"] = reels.loc[mine, "received_kg"] / (1.2 * 0.045 * (1 + off))
    table = claimed(logs, deliveries, reels, whole)
    assert len(table) == listed
    if listed:
        (row,) = table.to_dict("records")
        assert (row["supplier"], row["delivery_id"]) == ("A", "A3")
        assert f"{45 * (1 + off):.1f} g/m2" in row["why"]
        if off > 0:
            assert row["kg"] == pytest.approx(kilograms * (1 - 1.04 / 1.06))
            assert row["cost"] == pytest.approx(0.5 * row["kg"])
        else:
            assert np.isnan(row["kg"])
    assert count >= 3
    # Two labels are no evidence.
    reels.loc[np.flatnonzero(mine)[2:], "length_m"] = np.nan
    two = reels[~mine | (np.arange(len(reels)) < np.flatnonzero(mine)[2])]
    assert claimed(logs, deliveries, two, whole).empty


def test_reels_short_of_weight_are_those_of_the_reel_study(logs: Logs, quiet: Any) -> None:
    deliveries, reels, whole = quiet
    whole.loc[10, "start_kg"] = whole.loc[10, "received_kg"] - 40.0
    (row,) = claimed(logs, deliveries, reels, whole).to_dict("records")
    assert row["reel_id"] == whole.loc[10, "reel_id"]
    assert row["why"] == "short of weight"
    assert (row["kg"], row["cost"]) == pytest.approx((40.0, 20.0))


# --- prices ---------------------------------------------------------------------------------------


def invoiced(
    logs: Logs, rows: list[dict[str, Any]], prices: list[dict[str, Any]] | None = None
) -> pd.DataFrame:
    """Claims of deliveries with these prices; nothing else is odd about them."""
    common = {
        "material": "N1200",
        "supplier": "Northmill",
        "promised_on": FIRST_DAY,
        "delivered_on": FIRST_DAY,
    }
    deliveries = pd.DataFrame(
        [
            common | {"delivery_id": f"P{n}", "order_id": f"O{n}", "ordered_on": FIRST_DAY} | row
            for n, row in enumerate(rows)
        ]
    )
    like = logs["prices"]
    agreed = pd.DataFrame(
        [
            {"material": "N1200", "valid_from": FIRST_DAY - 30 * DAY, "from_quantity": 0.0} | one
            for one in prices or []
        ],
        columns=like.columns,
    ).astype(like.dtypes.to_dict())
    tables = {name: table for name, table in logs.tables.items() if name != "prices" or prices}
    if prices:
        tables["prices"] = agreed
    mine = with_deliveries(replace(logs, tables=tables), deliveries, logs["reels"].iloc[:0])
    whole = quiet_deliveries(np.random.default_rng(1), {"A": 1})[2].iloc[:0]
    return claims(mine, whole, transport_claims(whole, 3.0))


def test_an_invoice_over_the_agreed_price_is_claimed(logs: Logs) -> None:
    rows = [
        {"quantity": 10_000.0, "unit_price": 0.55},
        {"quantity": 10_000.0, "unit_price": 0.5205},  # rounded
        {"quantity": 10_000.0, "unit_price": 0.51},
        {"quantity": 10_000.0, "unit_price": 0.9, "ordered_on": FIRST_DAY - 31 * DAY, "supplier": "Westmill"},
    ]
    table = invoiced(logs, rows, [{"unit_price": 0.52}])
    (row,) = table.to_dict("records")
    assert row["delivery_id"] == "P0"
    assert row["cost"] == pytest.approx(300.0)
    assert np.isnan(row["kg"])
    assert row["why"] == "invoiced at 0.5500, agreed 0.5200"
    assert row["seen_on"] == FIRST_DAY


def test_terms_are_agreed_and_the_list_is_not(logs: Logs) -> None:
    rows = [
        {"quantity": 1000.0, "unit_price": 0.6, "quantity_ordered": 1000.0},
        {"quantity": 300.0, "unit_price": 3.0, "material": "black", "supplier": "Inkworks"},
    ]
    table = invoiced(logs, rows)
    assert table["delivery_id"].tolist() == ["P0"]
    assert table["cost"].tolist() == pytest.approx([100.0])


def test_an_agreement_made_after_the_order_does_not_judge_it(logs: Logs) -> None:
    rows = [{"quantity": 1000.0, "unit_price": 0.55}]
    price = {"unit_price": 0.5, "supplier": "Northmill"}
    assert invoiced(logs, rows, [price | {"agreed_on": FIRST_DAY + DAY}]).empty
    assert len(invoiced(logs, rows, [price | {"agreed_on": FIRST_DAY}])) == 1


@pytest.mark.parametrize(
    ("by", "claims_of"), [("row", []), ("material", ["P0", "P1"]), ("order", ["P0", "P1", "P2"])]
)
def test_breaks_are_reached_by_what_the_policy_names(logs: Logs, by: str, claims_of: list[str]) -> None:
    policy = logs.plant.policy.model_copy(update={"price_breaks_by": by})
    plant = logs.plant.model_copy(update={"policy": policy})
    order = {"order_id": "O", "unit_price": 0.52}
    rows = [
        order | {"quantity": 6000.0},
        order | {"quantity": 5000.0},
        {"order_id": "P", "quantity": 6000.0, "unit_price": 0.52},
        {"order_id": "P", "quantity": 5000.0, "unit_price": 2.0, "material": "black"},
    ]
    prices = [{"unit_price": 0.52}, {"unit_price": 0.5, "from_quantity": 10_000.0}]
    table = invoiced(replace(logs, plant=plant), rows, prices)
    assert table["delivery_id"].tolist() == claims_of
