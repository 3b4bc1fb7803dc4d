"""The life of each reel: metres run before and now, number of the mount, age and lot, against loops by hand."""

from collections import defaultdict

import numpy as np
import pandas as pd
import pytest
from small_plant import FIRST_DAY, small_tables, write_small_plant

from pressstats.logs import read_logs
from pressstats.paper import weighed_paper
from pressstats.reels import running_length, survival
from pressstats.reels.mount_history import mount_history
from pressstats.reels.strip import new_reels, transport_claims

METRE_KG = 1.2 * 0.046  # small plant: width times effective grammage


def history_of(folder, tables):
    write_small_plant(folder, tables)
    logs = read_logs(folder)
    history = mount_history(logs, weighed_paper(logs))
    return logs, history.assign(reel_id=logs["reel_mounts"]["reel_id"])


def by_reel(logs):
    rows = defaultdict(list)
    for row in logs["reel_mounts"].itertuples():
        rows[row.supplier, row.reel_id].append(row)
    for mine in rows.values():
        mine.sort(key=lambda row: row.mounted_at)
    return rows


def test_lives_equal_a_slow_loop(tmp_path):
    logs, history = history_of(tmp_path, small_tables(28))
    history = history.set_index(["supplier", "reel_id", "mounted_at"])
    remounted = 0
    for (supplier, reel), rows in by_reel(logs).items():
        run = 0.0
        for number, row in enumerate(rows, start=1):
            got = history.loc[(supplier, reel, row.mounted_at)]
            assert got["number"] == number
            assert got["new"] == (number == 1)
            assert got["entered_m"] == pytest.approx(run, rel=1e-3, abs=0.5)
            # What neither went back nor was torn off, left on the core or thrown away has run.
            kg = row.start_kg - row.returned_kg - row.strip_kg - row.butt_kg - row.scrapped_kg
            assert got["run_m"] == pytest.approx(kg / METRE_KG, rel=1e-3)
            run += kg / METRE_KG
            words = ["first mount", "second mount", "third mount", "fourth or later"]
            assert got["mounts"] == words[min(number, 4) - 1]
            days = (row.mounted_at - (FIRST_DAY - pd.Timedelta(days=5))).days
            ages = [(7, "up to 1 week"), (14, "1 to 2 weeks"), (28, "2 to 4 weeks")]
            assert got["age"] == next((word for most, word in ages if days <= most), "more than 4 weeks")
            assert got["hour"] == row.mounted_at.hour
            remounted += number > 1
    assert remounted > 20
    assert history["lot"].nunique() == 1  # one delivery
    # The first night is that of 2 March.
    assert set(history["season"]) == {"March to May"}


def test_after_a_break_the_same_reel_goes_on_where_it_stood(tmp_path):
    _, history = history_of(tmp_path, small_tables(14))
    broke = history[history["ended_by"] == "web_break"].iloc[0]
    mine = history[history["reel"] == broke["reel"]].sort_values("mounted_at")
    after = mine[mine["mounted_at"] > broke["mounted_at"]].iloc[0]
    # 100 kg ran and 4 kg were thrown away, which have not run.
    assert broke["run_m"] == pytest.approx(100 / METRE_KG, rel=1e-3)
    assert after["entered_m"] == pytest.approx(broke["entered_m"] + broke["run_m"], rel=1e-3)
    entered, left, event = running_length(history)
    curve = survival(entered, left, event)
    assert curve["length"].iloc[-1] == pytest.approx((broke["entered_m"] + broke["run_m"]) / 1000)
    at = curve["length"].iloc[-1]
    by_hand = sum(one < at <= two for one, two in zip(entered, left, strict=True))
    assert curve["at_risk"].iloc[-1] == by_hand


def test_paper_of_a_run_without_reel_records_has_run(tmp_path):
    tables = small_tables(14)
    _, before = history_of(tmp_path, tables)
    chosen = before[before["number"] == 3].iloc[0]
    mine = before[before["reel"] == chosen["reel"]].sort_values("mounted_at")
    lost = mine.iloc[1]["run_id"]
    tables["reel_mounts"] = tables["reel_mounts"][tables["reel_mounts"]["run_id"] != lost]
    folder = tmp_path / "less"
    folder.mkdir()
    _, after = history_of(folder, tables)
    same = after[(after["reel_id"] == chosen["reel_id"]) & (after["mounted_at"] == chosen["mounted_at"])]
    assert same["number"].iloc[0] == 2
    assert same["entered_m"].iloc[0] == pytest.approx(chosen["entered_m"], rel=0.01)


def short_tables(came: int) -> dict[str, pd.DataFrame]:
    """Return logs in which a reel of the second week weighs 60 kg less than when it came on day `came`."""
    tables = small_tables(21)
    mounts, reels = tables["reel_mounts"], tables["reels"]
    first = mounts.sort_values("mounted_at").drop_duplicates(["supplier", "reel_id"])
    reel = first[first["mounted_at"] > FIRST_DAY + pd.Timedelta(days=10)].iloc[0]["reel_id"]
    mine = reels["reel_id"] == reel
    reels.loc[mine, "received_kg"] = 1060.0
    reels.loc[mine, "received_on"] = FIRST_DAY + pd.Timedelta(days=came)
    return tables


def test_a_reel_that_came_short_of_weight_is_whole_and_to_be_claimed_for(tmp_path):
    tables = short_tables(3)
    reel = tables["reels"].loc[tables["reels"]["received_kg"] == 1060, "reel_id"].iloc[0]
    logs, history = history_of(tmp_path, tables)
    mine = history[history["reel_id"] == reel].sort_values("mounted_at")
    # Every run since it came is logged: nothing of it can have run.
    assert mine["new"].iloc[0]
    assert mine["entered_m"].iloc[0] == 0
    if len(mine) > 1:
        assert mine["entered_m"].iloc[1] == pytest.approx(mine["run_m"].iloc[0], rel=1e-3)
    claims = transport_claims(new_reels(logs, history), 3.0)
    assert claims["reel_id"].tolist() == [reel]
    assert claims["why"].iloc[0] == "short of weight"
    assert claims["claim_kg"].iloc[0] == pytest.approx(60)
    assert claims["claim_cost"].iloc[0] == pytest.approx(30)


def test_a_reel_that_came_before_the_logs_began_may_have_run(tmp_path):
    tables = short_tables(-20)
    reel = tables["reels"].loc[tables["reels"]["received_kg"] == 1060, "reel_id"].iloc[0]
    logs, history = history_of(tmp_path, tables)
    mine = history[history["reel_id"] == reel].sort_values("mounted_at")
    assert not mine["new"].iloc[0]
    assert mine["entered_m"].iloc[0] == pytest.approx(60 / METRE_KG, rel=1e-3)
    assert transport_claims(new_reels(logs, history), 3.0).empty


def test_a_blank_weight_leaves_the_metres_blank(tmp_path):
    tables = small_tables(14)
    mounts = tables["reel_mounts"]
    row = mounts.index[mounts["ended_by"] == "splice"][0]
    mounts.loc[row, "butt_kg"] = np.nan
    _, history = history_of(tmp_path, tables)
    blank = history["run_m"].isna()
    assert blank.sum() == 1
    assert history.loc[blank, "ended_by"].tolist() == ["splice"]
    entered, _, _ = running_length(history)
    assert len(entered) == len(history) - 1


def test_without_deliveries_a_lot_is_supplier_material_and_week(tmp_path):
    tables = small_tables(28)
    tables["reels"]["delivery_id"] = None
    _, history = history_of(tmp_path, tables)
    # Weeks from Thursday to Wednesday, as whole weeks since 1 January 1970 are.
    week = (history["mounted_at"] - pd.Timestamp("1970-01-01")).dt.days // 7
    by_hand = history.groupby(["supplier", "material", week]).ngroup()
    pairs = set(zip(history["lot"], by_hand, strict=True))
    assert len(pairs) == history["lot"].nunique() == by_hand.nunique() > 6
