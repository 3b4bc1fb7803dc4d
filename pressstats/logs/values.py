"""Text of one column into typed values: numbers, dates, months, times, words.

Every cell arrives as text, whatever the file was. A whole column is cast at once; only when that
fails is it halved until the cells that cannot be cast stand alone, and those are read one by one in
all the spellings the plant declared. A cell that cannot be read is returned with the rule it broke.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .keys import as_mask

__all__ = [
    "Bad",
    "blank_cells",
    "choices_of",
    "numbers_of",
    "parse_number",
    "parse_time",
    "texts_of",
    "times_of",
    "translated",
]

#: Row of each cell that cannot be read, and the rule it broke.
Bad = dict[int, str]

_SPACES = " \u00a0\u2009\u202f'’"
_ALONE = 16  # cells that are read one by one rather than halved again

NOT_A_NUMBER = "not a number"
DECLARE_DECIMAL = "a decimal or a thousands separator; declare decimal in [format] of plant.toml"
WRONG_GROUPS = "thousands separators stand between groups of three digits"
NOT_A_DATE = "not a date"
NOT_A_TIME = "not a date and time"
NO_SUCH_DATE = "no such date or time of day"
DECLARE_DATES = "not an ISO date like 2025-03-31; declare dates in [format] of plant.toml"
NO_TIME_OF_DAY = "the time of day is missing"
WITH_TIME_OF_DAY = "a day without time of day is wanted"


def texts_of(cells: pa.Array) -> pa.Array:
    """Strip a column of text of the white space around it; an empty cell becomes null."""
    cells = pc.utf8_trim_whitespace(cells)
    empty = pc.equal(cells, "")
    return pc.if_else(empty, pa.scalar(None, cells.type), cells) if pc.any(empty).as_py() else cells


def blank_cells(cells: pa.Array) -> np.ndarray:
    """Return a mask of the cells of a column, of any type, that are blank."""
    return as_mask(pc.is_null(texts_of(cells) if pa.types.is_string(cells.type) else cells))


def _cast(cells: pa.Array, kind: pa.DataType, one: Callable[[str], Any]) -> tuple[pa.Array, Bad]:
    """Cast `cells` to `kind`, reading those that refuse with `one`, which raises ``ValueError(rule)``."""
    try:
        return pc.cast(cells, kind), {}
    except pa.ArrowInvalid:
        pass
    if len(cells) > _ALONE:
        half = len(cells) // 2
        first, bad = _cast(cells.slice(0, half), kind, one)
        second, more = _cast(cells.slice(half), kind, one)
        return pa.concat_arrays([first, second]), bad | {row + half: rule for row, rule in more.items()}
    values: list[Any] = []
    bad = {}
    for row, cell in enumerate(cells.to_pylist()):
        try:
            values.append(None if cell is None else one(cell))
        except ValueError as error:
            values.append(None)
            bad[row] = str(error)
    return pa.array(values, kind), bad


# -- numbers ------------------------------------------------------------------------------------


def _separators(decimal: str | None) -> str:
    """Return the characters that may separate thousands, for use within a regex class."""
    return _SPACES + {".": ",", ",": "."}.get(decimal or "", "")


@cache
def _well_spelled(decimal: str | None) -> str:
    """Return the regex of a number, with one and the same separator between groups of three digits."""
    point = re.escape(decimal or ".")
    groups = "|".join(rf"(?:{re.escape(separator)}[0-9]{{3}})+" for separator in _separators(decimal))
    whole = rf"(?:[0-9]{{1,3}}(?:{groups})|[0-9]+)"
    return rf"^[+-]?(?:{whole}(?:{point}[0-9]*)?|{point}[0-9]+)(?:[eE][+-]?[0-9]{{1,3}})?$"


def parse_number(text: str, decimal: str | None = None) -> float:
    """Read one number, always finite; raise ValueError with the rule that `text` breaks.

    Beside the declared `decimal` sign the other one of ``.`` and ``,`` separates thousands. Without a declaration a
    point is a decimal sign and a comma is not read, since it could be either.
    """
    text = text.strip().replace("−", "-")
    if re.fullmatch(_well_spelled(decimal), text):
        plain = re.sub(f"[{_separators(decimal)}]", "", text)
        value = float(plain.replace(",", ".") if decimal == "," else plain)
        if np.isfinite(value):
            return value
        raise ValueError(NOT_A_NUMBER)
    if not re.fullmatch(rf"[+-]?[0-9.,{_SPACES}]*[0-9]", text):
        raise ValueError(NOT_A_NUMBER)
    raise ValueError(DECLARE_DECIMAL if decimal is None and re.search("[.,]", text) else WRONG_GROUPS)


def _read_singly(cells: pa.Array, decimal: str | None) -> tuple[pa.Array, list[str]]:
    """Read cells by `parse_number`; return their numbers, null where none can be read, and the rules they break."""

    @cache
    def read(text: str) -> tuple[float | None, str]:
        try:
            return parse_number(text, decimal), ""
        except ValueError as error:
            return None, str(error)

    found = [read(text) for text in cells.to_pylist()]
    return pa.array([value for value, _ in found], pa.float64()), [rule for _, rule in found]


def numbers_of(cells: pa.Array, decimal: str | None = None) -> tuple[np.ndarray, Bad]:
    """Read a column of numbers: NaN where a cell is blank or cannot be read, and the rule of each that cannot."""
    try:
        if pa.types.is_integer(cells.type):
            numbers_read = pc.cast(cells, pa.float64(), safe=False)  # beyond 2**53 to the nearest
        elif decimal != "," or not pa.types.is_string(cells.type):
            numbers_read = pc.cast(cells, pa.float64())
        elif pc.any(pc.match_substring(cells, ".")).as_py():
            raise pa.ArrowInvalid  # a point separates thousands here, a cast would read it as a decimal
        else:
            numbers_read = pc.cast(pc.replace_substring(cells, ",", "."), pa.float64())
        bad: Bad = {}
    except pa.ArrowInvalid:
        # Well-spelled cells become plain ones; the others are read one by one, each spelling once.
        cells = texts_of(cells)
        plain = pc.replace_substring_regex(cells, f"[{_separators(decimal)}]", "")
        plain = pc.replace_substring(plain, ",", ".") if decimal == "," else plain
        good = pc.match_substring_regex(cells, _well_spelled(decimal))
        numbers_read, bad = _cast(pc.if_else(good, plain, pa.scalar(None, cells.type)), pa.float64(), float)
        odd = pc.invert(good).fill_null(False)
        words, rules = _read_singly(cells.filter(odd), decimal)
        numbers_read = pc.replace_with_mask(numbers_read, odd, words)
        rows = np.flatnonzero(odd.to_numpy(zero_copy_only=False)).tolist()
        bad |= {row: rule for row, rule in zip(rows, rules, strict=True) if rule}
    numbers = numbers_read.to_numpy(zero_copy_only=False)
    if np.isinf(numbers).any() or np.count_nonzero(np.isnan(numbers)) != numbers_read.null_count:
        for row in np.flatnonzero(
            ~np.isfinite(numbers) & numbers_read.is_valid().to_numpy(zero_copy_only=False)
        ):
            bad[int(row)] = NOT_A_NUMBER
        numbers = np.where(np.isfinite(numbers), numbers, np.nan)
    return numbers, bad


# -- dates and times ----------------------------------------------------------------------------

_CLOCK = r"(?:[ T,]+(\d{1,2}):(\d{2})(?::(\d{2})(?:\.\d+)?)?)?"
_ISO_LIKE = re.compile(r"\d{4}-\d{1,2}(-\d{1,2})?([ T].*)?")
#: 22h10, 22.10 and 10:10 pm behind a day; 20250331; a spreadsheet's days since 30 December 1899; years 1950 to 2099.
_HOURS = re.compile(
    r"(?<=\d)([ T,]+)(\d{1,2})(?: ?[hH](\d\d)?\b|([:.])(\d\d)(?:\4(\d\d))?)(?:\s*([AaPp])[Mm])?$", re.ASCII
)
_COMPACT = re.compile(r"((?:19[5-9]|20\d)\d)(\d\d)(\d\d)(.*)", re.ASCII)
_SERIAL = re.compile(r"(?:18[3-9]|19\d|[2-6]\d\d|7[0-2]\d)\d\d(?:[.,]\d+)?", re.ASCII)
_LOCAL = re.compile(rf"(\d{{1,2}})([./-])(\d{{1,2}})\2(\d{{4}}|\d{{2}}){_CLOCK}", re.ASCII)
_MONTH = re.compile(r"(\d{4})-(\d{1,2})", re.ASCII)
_LOCAL_RE2 = r"^(\d{2})[./-](\d{2})[./-](\d{4})"
_TO_ISO = {"day_first": r"\3-\2-\1", "month_first": r"\3-\1-\2"}


def _clock(found: re.Match[str]) -> str:
    """Spell the clock time behind a day with colons, in 24 hours."""
    gap, hour, minute, _, minutes, seconds, half = found.groups()
    if half:
        if not 1 <= int(hour) <= 12:
            raise ValueError(NO_SUCH_DATE)
        hour = str(int(hour) % 12 + (12 if half in "pP" else 0))
    return f"{gap}{int(hour):02}:{minute or minutes or '00'}" + (f":{seconds}" if seconds else "")


def parse_time(
    text: str, order: str = "iso", zone: ZoneInfo | None = None, serials: bool = False
) -> dt.datetime:
    """Read one date or time as wall time, midnight where it has none; raise ValueError with the rule it breaks.

    ISO 8601 or 20250331, where `serials` a spreadsheet's count of days (45747.5), or in the declared order with ``.``,
    ``/`` or ``-`` and a year of two (20xx) or four digits; hours as 22:10, 22.10 or 22h10. A time with an offset is
    converted into the wall time of `zone`.
    """
    text = text.strip()
    if serials and _SERIAL.fullmatch(text):
        seconds = round(float(text.replace(",", ".")) * 86400)
        return dt.datetime(1899, 12, 30) + dt.timedelta(seconds=seconds)
    text = _HOURS.sub(_clock, text)
    if compact := _COMPACT.fullmatch(text):
        text = "-".join(compact.groups()[:3]) + compact[4]
    if _ISO_LIKE.fullmatch(text):
        try:
            moment = dt.datetime.fromisoformat(text)
        except ValueError:
            raise ValueError(NO_SUCH_DATE) from None
        if moment.tzinfo is not None:
            try:
                moment = moment.astimezone(zone or dt.UTC).replace(tzinfo=None)
            except OverflowError:
                raise ValueError(NO_SUCH_DATE) from None
        return moment.replace(fold=0)
    match = _LOCAL.fullmatch(text)
    if not match:
        raise ValueError(NOT_A_DATE)
    if order == "iso":
        raise ValueError(DECLARE_DATES)
    first, second, year = int(match[1]), int(match[3]), int(match[4])
    day, month = (first, second) if order == "day_first" else (second, first)
    hour = int(match[5] or 0)
    try:
        return dt.datetime(
            year + 2000 if year < 100 else year, month, day, hour, int(match[6] or 0), int(match[7] or 0)
        )
    except ValueError:
        raise ValueError(NO_SUCH_DATE) from None


def _has_clock(cell: str | None) -> bool:
    return cell is not None and re.search(r"[:TtHh]|\d \d", cell.strip()) is not None


def times_of(
    cells: pa.Array, kind: str, order: str = "iso", zone: ZoneInfo | None = None
) -> tuple[np.ndarray, Bad]:
    """Read a column of dates, months or times: NaT where a cell is blank or cannot be read, and the rule of each.

    A ``date`` has no time of day, a ``month`` is 2025-03 or any of its days and held as its first, a ``time`` must
    have its time of day.
    """

    def one(text: str) -> dt.datetime:
        if kind == "month" and (match := _MONTH.fullmatch(text.strip())):
            if not 1 <= int(match[2]) <= 12:
                raise ValueError(NO_SUCH_DATE)
            return dt.datetime(int(match[1]), int(match[2]), 1)
        try:
            return parse_time(text, order, zone, serials)
        except ValueError as error:
            raise ValueError(
                NOT_A_TIME if str(error) == NOT_A_DATE and kind == "time" else str(error)
            ) from None

    stamp, serials = pa.timestamp("us"), False
    typed = not pa.types.is_string(cells.type)
    spelled = (
        cells if order == "iso" or typed else pc.replace_substring_regex(cells, _LOCAL_RE2, _TO_ISO[order])
    )
    if kind == "month" and not typed:
        spelled = pc.replace_substring_regex(spelled, r"^(\d{4}-\d{2})$", r"\1-01")
    bad: Bad
    try:
        times_read, bad = pc.cast(spelled, stamp), {}
    except pa.ArrowInvalid:
        spelled = texts_of(spelled)
        counted = pc.match_substring_regex(spelled, f"^(?:{_SERIAL.pattern})$").drop_null()
        # One bare number among dates is a slip; where most are numbers, a spreadsheet counted days.
        serials = bool(len(counted)) and pc.mean(counted.cast(pa.int8())).as_py() > 0.5
        times_read, bad = _cast(spelled, stamp, one)
    values = times_read.to_numpy(zero_copy_only=False).astype("datetime64[us]", copy=False)
    if kind == "time":
        # Within a day a time is longer than any date, so the shortest cell tells at once.
        if not typed and (pc.min(pc.binary_length(cells)).as_py() or 99) <= 10:
            texts = cells.to_pylist()
            for row, cell in enumerate(texts):
                if cell and cell.strip() and row not in bad and not serials and not _has_clock(cell):
                    bad[row] = NO_TIME_OF_DAY
    else:
        days = values.astype("datetime64[M]" if kind == "month" else "datetime64[D]").astype("datetime64[us]")
        if kind == "date":
            for at in np.flatnonzero((days != values) & ~np.isnat(values)):
                bad[int(at)] = WITH_TIME_OF_DAY
        values = days
    if bad:
        values = values.copy()
        values[list(bad)] = np.datetime64("NaT")
    return values, bad


# -- words --------------------------------------------------------------------------------------


def translated(cells: pa.Array, words: dict[str, str]) -> pa.Array:
    """Put our words in the place of the plant's own, in capitals or not; an empty word is a blank."""
    lower = pc.utf8_lower(texts_of(cells))
    found = pc.index_in(lower, value_set=pa.array([word.strip().lower() for word in words], lower.type))
    ours = pa.array([word or None for word in words.values()], cells.type)
    return pc.if_else(pc.is_valid(found), ours.take(found), cells)


def choices_of(cells: pa.Array, choices: tuple[str, ...]) -> tuple[pa.Array, Bad]:
    """Read a column of words that are one of `choices`, in capitals or not: the words, and rules broken by row."""
    allowed = pa.array(choices, cells.type)
    if pc.all(pc.or_(pc.is_in(cells, allowed), pc.is_null(cells))).as_py() is not False:
        return cells, {}
    words = pc.utf8_lower(texts_of(cells))
    good = pc.is_in(words, allowed)
    bad = np.flatnonzero(as_mask(pc.and_(pc.invert(good), pc.is_valid(words)))).tolist()
    rule = "none of the allowed words; " + ", ".join(choices)
    return pc.if_else(good, words, pa.scalar(None, words.type)), dict.fromkeys(bad, rule)
