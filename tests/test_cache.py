"""The cache: what comes back is what was kept, damage and full disks cost time alone, and a hit waits for nobody."""

from __future__ import annotations

import errno
import json
import logging
import os
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path
from threading import Event
from typing import Any

import numpy as np
import pandas as pd
import pytest
from filelock import FileLock
from small_plant import small_tables, write_small_plant

from pressstats import results
from pressstats.analysing import SPARING
from pressstats.cache import cached, entries
from pressstats.cache.archive import read_archive, write_archive
from pressstats.ink.windows import Window
from pressstats.logs import read_logs
from pressstats.past import PastPlan, past_forecasts
from pressstats.results import Pending, Results, analyse
from pressstats.tables import OUTPUTS

DIGEST = "ab" * 32


def assert_same(one: Any, two: Any, where: str = "") -> None:
    """Compare objects down to their types, dtypes, names and frequencies."""
    assert type(one) is type(two), where
    if one is two:
        return
    if isinstance(one, pd.DataFrame):
        pd.testing.assert_frame_equal(one, two, check_exact=True, obj=where)
        assert one.index.names == two.index.names, where
    elif isinstance(one, pd.Series):
        pd.testing.assert_series_equal(one, two, check_exact=True, obj=where)
    elif isinstance(one, pd.Index):
        pd.testing.assert_index_equal(one, two, exact=True, obj=where)
        assert getattr(one, "freq", None) == getattr(two, "freq", None), where
    elif isinstance(one, np.ndarray):
        assert one.dtype == two.dtype, where
        np.testing.assert_array_equal(one, two, err_msg=where)
    elif isinstance(one, dict):
        assert list(one) == list(two), where
        for key in one:
            assert_same(one[key], two[key], f"{where}[{key!r}]")
    elif isinstance(one, list | tuple):
        assert len(one) == len(two), where
        for place, (first, second) in enumerate(zip(one, two, strict=True)):
            assert_same(first, second, f"{where}[{place}]")
    elif type(one).__module__.startswith("pressstats."):
        assert_same(vars(one), vars(two), f"{where}.{type(one).__name__}")
    else:
        assert one == two or pd.isna([one, two]).all(), where
        assert getattr(one, "unit", None) == getattr(two, "unit", None), where


def kept(folder: Path, whole: Any, **given: object) -> Any:
    write_archive(folder / "one.zip", whole, given)
    return read_archive(folder / "one.zip", given)


def results_of(folder: Path, days: int) -> Results:
    logs = read_logs(write_small_plant(folder, small_tables(days)))
    tables = {name: OUTPUTS[name].empty() for name in ("order_plan", "stock_cover", "demand_forecast")}
    before = PastPlan(logs.as_of - pd.Timedelta(days=7), **tables)
    return analyse(logs, *past_forecasts(None, logs.as_of), before)


@pytest.fixture(scope="module")
def three_days(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Results of which most parts are not there; not to be changed."""
    return results_of(tmp_path_factory.mktemp("logs"), 3)


def test_results_of_few_days_come_back_as_they_were_kept(tmp_path: Path, three_days: Results) -> None:
    assert three_days.outlook is None
    back = kept(tmp_path, three_days, logs=three_days.logs)
    assert_same(three_days, back)
    assert back.logs is three_days.logs


def test_results_come_back_as_they_were_kept(tmp_path: Path) -> None:
    whole = results_of(tmp_path / "logs", 70)
    assert whole.outlook is not None
    back = kept(tmp_path, whole, logs=whole.logs)
    assert_same(whole, back)
    assert back.logs is whole.logs


def test_every_kind_of_part_comes_back(tmp_path: Path) -> None:
    weeks = pd.date_range("2025-01-06", periods=3, freq="7D", unit="us", name="week")
    whole = [
        pd.DataFrame({"kg": [1.0, np.nan, 3.0], "text": pd.array(["a", None, ""], dtype="str")}, index=weeks),
        pd.DataFrame({"nothing": pd.Series(dtype="object"), "day": pd.Series(dtype="datetime64[s]")}),
        pd.DataFrame({"since": weeks.as_unit("s"), "kind": pd.Categorical(["a", "b", "a"])}),
        pd.Series([True, False, True], name=("of", "two")),
        weeks,
        pd.Index(["x", "y"]),
        np.array([["a", None], ["b", 1.5]], dtype=object),
        np.array(["2025-01-06", "NaT"], dtype="datetime64[D]"),
        np.float64(np.inf),
        {1: ("one", {"two"}, frozenset({3})), "none": None, ("a", 2): [True, 0.1, float("nan")]},
        pd.NaT,
        pd.Timestamp("2025-03-02T10:00:00.000001").as_unit("us"),
        pd.Timestamp("2025-03-02").as_unit("ns"),
        Window("days", pd.Timestamp("2025-03-02"), pd.Timestamp("2025-03-09")),
    ]
    assert_same(whole, kept(tmp_path, whole))


def test_a_table_that_stands_twice_is_kept_once(tmp_path: Path) -> None:
    table = pd.DataFrame({"kg": [1.0]})
    one, two = kept(tmp_path, [table, table])
    assert one is two


def test_an_archive_holds_data_alone(tmp_path: Path, three_days: Results) -> None:
    write_archive(tmp_path / "one.zip", three_days, {"logs": three_days.logs})
    with zipfile.ZipFile(tmp_path / "one.zip") as archive:
        names = archive.namelist()
        assert {Path(name).suffix for name in names} == {".json", ".npy", ".parquet"}
        for name in names:
            if name.endswith(".npy"):
                with archive.open(name) as file:
                    np.load(file, allow_pickle=False)
        content = json.loads(archive.read("content.json"))
    module, kind, state = content["object"]
    assert (module, kind) == ("pressstats.results", "Results")
    assert state["logs"] == {"given": ["logs"]}


@pytest.mark.parametrize(
    "named",
    [["pathlib", "Path"], ["os", "system"], ["pressstats.results", "pd"], ["pressstats.results", "hashlib"]],
)
def test_no_class_of_others_is_made(tmp_path: Path, named: list[str]) -> None:
    with zipfile.ZipFile(tmp_path / "one.zip", "w") as archive:
        archive.writestr("content.json", json.dumps({"object": [*named, {}]}))
    with pytest.raises(ValueError, match="of this package"):
        read_archive(tmp_path / "one.zip", {})


# --- entries -----------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder of the cache, not made yet."""
    monkeypatch.setenv("PRESSSTATS_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


def fails() -> None:
    raise AssertionError("computed, though it is kept")


def lines(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]


def test_what_was_computed_is_not_computed_again(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    assert cached(DIGEST, lambda: {"kg": 1.5}, {}) == {"kg": 1.5}
    assert cached(DIGEST, fails, {}) == {"kg": 1.5}
    assert cached("ab" + "cd" * 31, lambda: "another", {}) == "another"
    assert lines(caplog) == []
    assert {path.name for path in folder.iterdir()} == {
        f"{DIGEST}.zip", f"ab{'cd' * 31}.zip", "ab.lock",
    }  # fmt: skip
    # Logs are a plant's own affair.
    assert (folder / f"{DIGEST}.zip").stat().st_mode & 0o077 == 0


def test_a_hit_waits_for_nobody(folder: Path) -> None:
    cached(DIGEST, lambda: 1, {})
    with FileLock(folder / "ab.lock"), ThreadPoolExecutor(max_workers=1) as beside:
        assert beside.submit(cached, DIGEST, fails, {}).result(timeout=60) == 1


@pytest.mark.usefixtures("folder")
def test_who_asks_for_what_is_computed_waits_for_it() -> None:
    calls: list[int] = []

    def compute() -> int:
        calls.append(1)
        asked.wait(timeout=60)
        return 1

    asked = Event()
    with ThreadPoolExecutor(max_workers=2) as askers:
        answers = [askers.submit(cached, DIGEST, compute, {}) for _ in range(2)]
        asked.set()
        assert [answer.result(timeout=60) for answer in answers] == [1, 1]
    assert len(calls) == 1


def test_damage_is_computed_again_and_said(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    table = pd.DataFrame({"kg": np.arange(1000.0)})
    entry = folder / f"{DIGEST}.zip"
    cached(DIGEST, lambda: table, {})
    whole = entry.read_bytes()
    flipped = bytearray(whole)
    flipped[200] ^= 255
    for damaged in (b"", whole[: len(whole) // 2], bytes(flipped)):
        caplog.clear()
        entry.write_bytes(damaged)
        calls: list[int] = []
        pd.testing.assert_frame_equal(cached(DIGEST, lambda: calls.append(1) or table, {}), table)  # noqa: B023
        assert calls == [1]
        assert len(lines(caplog)) == 1
        assert str(entry) in lines(caplog)[0]
        pd.testing.assert_frame_equal(cached(DIGEST, fails, {}), table)


def test_a_folder_that_cannot_be_made_costs_time_alone(
    folder: Path, caplog: pytest.LogCaptureFixture
) -> None:
    folder.write_text("a file of that name")
    assert [cached(DIGEST, lambda: 1, {}) for _ in range(2)] == [1, 1]
    assert len(lines(caplog)) == 2
    assert str(folder) in lines(caplog)[0]


def test_a_full_disk_leaves_nothing_behind(
    folder: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, *_: object) -> None:
        path.write_bytes(b"half of it")
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(entries, "write_archive", full)
    assert cached(DIGEST, lambda: 1, {}) == 1
    assert len(lines(caplog)) == 1
    assert "No space left on device" in lines(caplog)[0]
    assert {path.name for path in folder.iterdir()} == {"ab.lock"}


def test_what_cannot_be_kept_is_said(folder: Path, caplog: pytest.LogCaptureFixture) -> None:
    assert cached(DIGEST, lambda: [1, range(3)], {}) == [1, range(3)]
    assert len(lines(caplog)) == 1
    assert "range cannot be kept" in lines(caplog)[0]
    assert {path.name for path in folder.iterdir()} == {"ab.lock"}


def test_the_entry_unused_for_longest_makes_room(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second, third = (name * 32 for name in ("aa", "bb", "cc"))
    for age, digest in ((3000, first), (2000, second)):
        cached(digest, lambda: "x" * 1000, {})
        then = time.time() - age
        os.utime(folder / f"{digest}.zip", (then, then))
    cached(first, fails, {})
    monkeypatch.setattr(entries, "_BYTES_MOST", 3000)
    cached(third, lambda: "x" * 1000, {})
    assert {path.stem for path in folder.glob("*.zip")} == {first, third}


@pytest.mark.parametrize("fails", [False, True])
def test_a_core_is_spared_from_the_search_for_orders_on_and_whatever_becomes_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails: bool
) -> None:
    told: list[str] = []
    pending = Pending(write_small_plant(tmp_path / "logs"), progress=told.append)
    told.clear()
    spared: dict[str, bool] = {}

    def computed(*given: Any) -> Any:
        for part in ("forecast", SPARING, "the week"):
            given[-1](part)
            spared[part] = pending.sparing.is_set()
            if fails:
                raise ArithmeticError("no forecast")

    monkeypatch.setattr(results, "analyse", computed)
    monkeypatch.setattr(results, "cached", lambda key, compute, parts: compute())
    with pytest.raises(ArithmeticError) if fails else nullcontext():
        _ = pending.results
    assert spared == {"forecast": False} | ({} if fails else {SPARING: True, "the week": True})
    assert told == list(spared)
    assert pending.sparing.is_set()
