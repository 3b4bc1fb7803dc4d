"""Each table missing, or with nothing but its header, alone: everything is analysed and shown, nothing raises."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from small_plant import small_tables, write_small_plant
from worlds.judging import page_texts

from pressstats.logs import LogsError, read_logs
from pressstats.past import past_forecasts
from pressstats.results import Results, analyse
from pressstats.tables import INPUTS, OUTPUTS

pytestmark = pytest.mark.usefixtures("few_draws")

PAGES = ("weekly_page", "last_night", "buying_outlook", "log_check")


def results_of(folder: Path, tables: dict[str, pd.DataFrame]) -> Results:
    logs = read_logs(write_small_plant(folder, tables))
    return analyse(logs, *past_forecasts(None, logs.as_of))


def left_out(name: str, how: str) -> dict[str, pd.DataFrame]:
    tables = dict(small_tables(28))
    if how == "missing":
        tables.pop(name, None)
    else:
        tables[name] = tables.get(name, pd.DataFrame(columns=INPUTS[name].names)).iloc[:0]
    return tables


#: What nothing but itself is derived from: left out by twos that have nothing to do with each other, and missing all at
#: once. The others are left out one by one in ``test_page_contents.py``.
MINOR = (("reels", "budget"), ("prices", "standby"), ("plan", "waste_sold"))


@pytest.mark.parametrize("names", [*MINOR, sum(MINOR, ())], ids="-".join)
def test_nothing_raises_and_nothing_blank_is_said(names, tmp_path):
    tables = dict(small_tables(28))
    for name in names:
        tables[name] = tables[name].head(0)
    if len(names) > 2:
        tables = {name: rows for name, rows in tables.items() if name not in names}
    results = results_of(tmp_path, tables)
    for table, rows in results.tables().items():
        assert list(rows.columns) == list(OUTPUTS[table].names), table
    texts = page_texts(results, PAGES)
    assert len(texts) > 20
    for call, text in texts.items():
        assert not text.startswith("FAILED"), (call, text)
        for bad in ("nan ", "NaT", "None", "inf "):
            assert bad not in text, (call, text[:300])


@pytest.mark.parametrize(
    ("name", "how"), [("runs", "missing"), ("runs", "header only"), ("run_webs", "missing")]
)
def test_logs_without_runs_or_their_webs_are_refused_by_name(name, how, tmp_path):
    write_small_plant(tmp_path, left_out(name, how))
    with pytest.raises(LogsError, match=name):
        read_logs(tmp_path)
