"""Standby supplies against the hours wanted and a night of six to eight hours (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_plant import PLANT_TOML, small_tables, write_small_plant

from pressstats.logs import Logs, read_logs
from pressstats.orders import standby_hours

HOURS = [0.9, 6.0, 7.5, 8.0, 95.9, 96.0, np.nan]


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> Logs:
    folder: Path = tmp_path_factory.mktemp("standby")
    return read_logs(write_small_plant(folder / "logs", small_tables()))


def with_supplies(logs: Logs) -> Logs:
    table = pd.DataFrame({"supply": [f"s{hours}" for hours in HOURS], "lasts_hours": HOURS})
    table = table.assign(
        kind="power", tested_on=logs.as_of - pd.Timedelta(days=10), test_every_days=30.0, contact="desk 1"
    )
    table.loc[0, "tested_on"] = logs.as_of - pd.Timedelta(days=45)
    table.loc[1, "tested_on"] = logs.as_of + pd.Timedelta(days=1)
    return replace(logs, tables=logs.tables | {"standby": table})


def test_a_supply_is_held_against_days_and_a_short_one_against_a_night(logs: Logs) -> None:
    found = standby_hours(with_supplies(logs)).set_index("supply")
    assert found["wanted_hours"].eq(96).all()
    assert found["lasts"].to_dict() == {
        "s0.9": "0.9 h of the 96 wanted, not a night (6 to 8 h)",
        "s6.0": "6 h of the 96 wanted, perhaps a night (6 to 8 h)",
        "s7.5": "7.5 h of the 96 wanted, perhaps a night (6 to 8 h)",
        "s8.0": "8 h of the 96 wanted",
        "s95.9": "95.9 h of the 96 wanted",
        "s96.0": "the 96 h wanted",
        "snan": "",
    }
    assert found.loc["s0.9", "days_late"] == 15
    assert found.loc["s8.0", "days_late"] == 0
    # A test made after as-of is not known yet.
    assert pd.isna(found.loc["s6.0", "tested_on"])
    assert np.isnan(found.loc["s6.0", "days_late"])


def test_what_is_wanted_is_the_policys(tmp_path: Path) -> None:
    toml = PLANT_TOML + "\n[policy]\nstandby_hours = 4\n"
    logs = read_logs(write_small_plant(tmp_path / "logs", small_tables(), toml))
    assert standby_hours(logs)["lasts"].tolist() == ["the 4 h wanted, not a night (6 to 8 h)"]
