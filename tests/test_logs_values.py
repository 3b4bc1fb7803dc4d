"""Spelling of numbers, dates and words in exports."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest

from pressstats.logs import values

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("text", "decimal", "number"),
    [
        ("12.5", None, 12.5),
        ("-3", None, -3.0),
        ("+.5", None, 0.5),
        ("1e3", None, 1000.0),
        (" 7 ", None, 7.0),
        ("−7", None, -7.0),
        ("1 234.5", None, 1234.5),
        ("1\u00a0234\u00a0567", None, 1234567.0),
        ("1\u202f234,5", ",", 1234.5),
        ("1\u2009234", ",", 1234.0),
        ("1'234.5", ".", 1234.5),
        ("1,234.5", ".", 1234.5),
        ("1,234", ".", 1234.0),
        ("1.234,5", ",", 1234.5),
        ("1.234", ",", 1234.0),
        ("12,5", ",", 12.5),
    ],
)
def test_number_is_read(text: str, decimal: str | None, number: float) -> None:
    assert values.parse_number(text, decimal) == number
    column, bad = values.numbers_of(pa.array(["1", text, None]), decimal)
    assert not bad
    np.testing.assert_array_equal(column, [1.0, number, np.nan])


@pytest.mark.parametrize(
    ("text", "decimal", "rule"),
    [
        ("12,5", None, values.DECLARE_DECIMAL),
        ("1,234", None, values.DECLARE_DECIMAL),
        ("1.234.567", None, values.DECLARE_DECIMAL),
        ("1,23", ".", values.WRONG_GROUPS),
        ("1.23", ",", values.WRONG_GROUPS),
        ("12 34", None, values.WRONG_GROUPS),
        ("1 234'567", None, values.WRONG_GROUPS),
        ("21O4", None, values.NOT_A_NUMBER),
        ("nan", None, values.NOT_A_NUMBER),
        ("-inf", ".", values.NOT_A_NUMBER),
        ("1e999", None, values.NOT_A_NUMBER),
        ("5 kg", None, values.NOT_A_NUMBER),
        ("٣", None, values.NOT_A_NUMBER),
        ("=1+1", None, values.NOT_A_NUMBER),
    ],
)
def test_number_is_refused_with_its_rule(text: str, decimal: str | None, rule: str) -> None:
    with pytest.raises(ValueError, match="^" + rule.replace("[", r"\[")):
        values.parse_number(text, decimal)
    column, bad = values.numbers_of(pa.array(["1"] * 40 + [text, None]), decimal)
    assert bad == {40: rule}
    assert np.isnan(column[40:]).all()
    assert (column[:40] == 1).all()


def test_column_and_single_cells_agree_on_every_spelling() -> None:
    generator = np.random.default_rng(5)
    for decimal in (None, ".", ","):
        cells = [
            "".join(generator.choice(list("0123456789.,' -e"), generator.integers(1, 8))) for _ in range(3000)
        ]
        column, bad = values.numbers_of(pa.array(cells), decimal)
        for row, cell in enumerate(cells):
            try:
                expected = values.parse_number(cell, decimal)
            except ValueError as error:
                assert not cell.strip() or bad[row] == str(error), cell  # noqa: PT017 -- some cells are numbers
            else:
                assert column[row] == expected, cell


@pytest.mark.parametrize(
    ("text", "order", "moment"),
    [
        ("2025-03-31", "iso", (2025, 3, 31)),
        ("2025-03-31 22:15", "iso", (2025, 3, 31, 22, 15)),
        ("2025-03-31T22:15:09", "day_first", (2025, 3, 31, 22, 15, 9)),
        ("31.03.2025", "day_first", (2025, 3, 31)),
        ("1/4/25", "day_first", (2025, 4, 1)),
        ("1/4/25", "month_first", (2025, 1, 4)),
        ("31-03-2025 22:15", "day_first", (2025, 3, 31, 22, 15)),
        ("3/31/2025 10:15 PM", "month_first", (2025, 3, 31, 22, 15)),
        ("3/31/2025 12:05 AM", "month_first", (2025, 3, 31, 0, 5)),
        # 21:15 UTC is 23:15 in Vienna's summer and 22:15 in its winter (common knowledge: UTC+2, UTC+1)
        ("2025-03-31T21:15:00Z", "iso", (2025, 3, 31, 23, 15)),
        ("2025-01-31T21:15:00+00:00", "iso", (2025, 1, 31, 22, 15)),
    ],
)
def test_time_is_read(text: str, order: str, moment: tuple[int, ...]) -> None:
    assert values.parse_time(text, order, VIENNA) == dt.datetime(*moment)
    kind = "time" if len(moment) > 3 else "date"
    column, bad = values.times_of(pa.array([text, None]), kind, order, VIENNA)
    assert not bad
    assert column[0] == np.datetime64(dt.datetime(*moment))
    assert np.isnat(column[1])


@pytest.mark.parametrize(
    ("text", "kind", "order", "rule"),
    [
        ("2025-02-30", "date", "iso", values.NO_SUCH_DATE),
        ("31.02.2025", "date", "day_first", values.NO_SUCH_DATE),
        ("12/31/2025", "date", "day_first", values.NO_SUCH_DATE),
        ("01.02.2025", "date", "iso", values.DECLARE_DATES),
        ("2025-03-31 22:15", "date", "iso", values.WITH_TIME_OF_DAY),
        ("2025-03-31", "time", "iso", values.NO_TIME_OF_DAY),
        ("31.03.2025", "time", "day_first", values.NO_TIME_OF_DAY),
        ("25:99", "time", "iso", values.NOT_A_TIME),
        ("45658", "date", "iso", values.NOT_A_DATE),
        ("2025-13", "month", "iso", values.NO_SUCH_DATE),
    ],
)
def test_time_is_refused_with_its_rule(text: str, kind: str, order: str, rule: str) -> None:
    good = {"date": "2025-03-01", "time": "2025-03-01 10:00", "month": "2025-03"}[kind]
    column, bad = values.times_of(pa.array([good] * 40 + [text]), kind, order, VIENNA)
    assert bad == {40: rule}
    assert np.isnat(column[40])
    assert not np.isnat(column[:40]).any()


def test_month_is_held_as_its_first_day() -> None:
    column, bad = values.times_of(pa.array(["2025-03", "2025-04-15", "2025-5"]), "month")
    assert not bad
    assert [str(day)[:10] for day in column] == ["2025-03-01", "2025-04-01", "2025-05-01"]


def test_words_are_stripped_and_allowed_in_capitals() -> None:
    column, bad = values.choices_of(pa.array(["Splice", " splice", None, "", "glued"]), ("splice", "run_end"))
    assert column.to_pylist() == ["splice", "splice", None, None, None]
    assert bad == {4: "none of the allowed words; splice, run_end"}
    assert values.texts_of(pa.array([" 007 ", "\u00a0x", "  "])).to_pylist() == ["007", "x", None]
