"""Bytes of a delimited text file into cells, with the line each row stands on.

Line numbers are those of a text editor: the first line of the file is 1, and a blank line or a line
break inside quotation marks counts. Rows with too many or too few fields, and quotation marks that
never close, are set aside by line; the rest of the file is read.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from .limits import BROKEN, TooMuchError, check_lines, check_shape

__all__ = ["DELIMITERS", "TITLE_LINES", "Cells", "decoded", "header_among", "known_in", "read_delimited"]

DELIMITERS = ",;\t|"
_WORTH_THREADS = 1 << 21  # bytes from which starting threads pays
_QUOTED_LINES = 50  # a quoted cell longer than this is a quotation mark that never closes
_REPLACED = "\ufffd".encode()
_MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


_SEEN = 1 << 20  # bytes in which the code page is looked for, and that are decoded at a time
#: Letters beyond ASCII of western European words: capitals only where words begin with them.
_LETTERS = "äöüßéèêàâçîôûëïåøæñáíóúÄÖÜÉÅØÆÑ"
#: Characters beyond ASCII that writing has. A capital before a narrow space or a quotation mark in cp1252 looks like
#: phonetic signs.
_SPELLED = re.compile("[\u00a0-\u017f\u0218-\u021b\u0370-\u07ff\u0900-\U0010ffff]")
_WORD, _ASCII = re.compile(rb"[A-Za-z\x80-\xff]+"), re.compile(rb"[A-Za-z]")
TITLE_LINES = 30  # among the first so many lines the header is looked for
_LIMIT = threading.Lock()  # the longest cell is one limit for all threads, and only ever rises


@dataclass
class Cells:
    """Cells of one file or sheet, all as text: an array for each name as the file spells it, null where empty.

    `lines` holds the line of each row, `broken` the line, text and rule of lines that are no row; `ended` says of a
    text whether its last line has an end.
    """

    names: list[str]
    columns: list[pa.Array]
    lines: np.ndarray
    header_line: int = 1
    broken: list[tuple[int, str, str]] = field(default_factory=list)
    ended: bool | None = None

    def without(self, unusable: dict[int, tuple[str, str]]) -> Cells:
        """Return the cells less rows that cannot be used, which are broken by text and rule for each line."""
        keep = ~np.isin(self.lines, list(unusable))
        if keep.all():
            return self
        broken = [(line, *unusable[line]) for line in self.lines[~keep].tolist()]
        columns = [column.filter(pa.array(keep)) for column in self.columns]
        return replace(self, columns=columns, lines=self.lines[keep], broken=self.broken + broken)


def decoded(data: bytes) -> tuple[bytes, bool]:
    """Return the bytes of a text file as UTF-8 with line feeds, and whether everything could be decoded.

    UTF-8 and UTF-16 are known by their byte-order mark, UTF-8 also by any letter spelled in it; anything else is taken
    for cp1252, the usual code page of western office programs, or for cp850, that of older ones, where it makes more
    letters within words. What cannot be decoded is U+FFFD.
    """
    encoding = next((encoding for mark, encoding in _MARKS if data.startswith(mark)), "")
    encoding = encoding or _encoding_of(data)
    whole = True
    if encoding != "utf-8":
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            text, whole = data.decode(encoding, errors="replace"), False
        data = text.encode("utf-8", errors="replace")
    else:
        try:
            data.decode()
        except UnicodeDecodeError:
            data, whole = data.decode(errors="replace").encode(), False
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return data, whole


def _encoding_of(data: bytes) -> str:
    """Return UTF-8 where a letter is spelled in it anywhere, else cp1252 or cp850.

    Lines that are no UTF-8 in such a file are damaged, however many they are: each costs itself, and what comes later
    never spells the words of other lines anew.
    """
    utf8 = codecs.getincrementaldecoder("utf-8")("ignore")
    parts = (data[at : at + _SEEN] for at in range(0, len(data), _SEEN))
    if data.isascii() or any(_SPELLED.search(utf8.decode(part)) for part in parts):
        return "utf-8"
    words = b" ".join(
        word for word in _WORD.findall(data[:_SEEN]) if _ASCII.search(word) and not word.isascii()
    )
    letters = {code: sum(map(words.decode(code, "replace").count, _LETTERS)) for code in ("cp1252", "cp850")}
    return "cp850" if letters["cp850"] > letters["cp1252"] else "cp1252"


def _fields(record: str, delimiter: str) -> list[str]:
    if record and '"' not in record:
        return record.split(delimiter)
    return next(csv.reader(io.StringIO(record), delimiter=delimiter), [])


def known_in(names: Sequence[str], known: set[str]) -> int:
    """Return how many of the names stand among the `known` ones, which are casefolded."""
    return sum(name.strip().casefold() in known for name in names)


def header_among(counts: Sequence[int]) -> int:
    """Return which of the first lines is the header, by how many known names each holds: titles may stand above it."""
    best = max(range(len(counts)), key=lambda at: (counts[at], -at))
    return best if counts[best] >= min(2, counts[0] + 1) and counts[best] > counts[0] else 0


def _header(lines: list[str], known: Iterable[str]) -> tuple[int, str]:
    """Return which of the first lines is the header, and the delimiter that yields most known names, then columns."""
    wanted = {name.casefold() for name in known}

    def score(line: str) -> tuple[int, int, int]:
        # Delimiters that a line has not leave it whole, all alike: the first of them stands for all.
        absent = [order for order, delimiter in enumerate(DELIMITERS) if delimiter not in line]
        orders = {*range(len(DELIMITERS))} - {*absent[1:]}
        split = {order: _fields(line, DELIMITERS[order]) for order in orders}
        return max((known_in(names, wanted), len(names), -order) for order, names in split.items())

    best = [score(line) for line in lines]
    at = header_among([names for names, _, _ in best])
    return at, DELIMITERS[-best[at][2]]


def _parse(data: bytes, delimiter: str, width: int) -> list[pa.Array]:
    names = [str(number) for number in range(width)]
    table = arrow_csv.read_csv(
        pa.py_buffer(data),
        read_options=arrow_csv.ReadOptions(
            column_names=names, block_size=min(len(data) + 1, 1 << 30), use_threads=len(data) > _WORTH_THREADS
        ),
        parse_options=arrow_csv.ParseOptions(
            delimiter=delimiter, newlines_in_values=b'"' in data, ignore_empty_lines=False
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types={name: pa.string() for name in names},
            strings_can_be_null=True,
            null_values=[""],
            check_utf8=False,  # `decoded` has seen to it
        ),
    )
    return [column.combine_chunks() for column in table.columns]


def _ending(line: bytes, delimiter: str, inside: bool) -> str:
    """Return how a line ends that begins outside of a quoted cell or `inside` of one.

    ``open`` is within quotation marks, which count at the start of a cell only; ``stray`` where some text stands
    after a closing mark; ``closed`` else.
    """
    text = ('"' if inside else "") + line.decode(errors="replace")
    try:
        next(csv.reader(io.StringIO(text), delimiter=delimiter, strict=True), [])
    except csv.Error as error:
        return "open" if "unexpected end" in str(error) else "stray"
    return "closed"


def _sifted(
    lines: list[bytes], first: int, delimiter: str, width: int, spoilt: bool
) -> tuple[list[bytes], list[int], list[tuple[int, str, str]]]:
    """Put physical lines together to records; return those of the right width and the broken ones."""

    @cache
    def ending(at: int, inside: bool = False) -> str:  # each line is looked at twice at most
        return _ending(lines[at], delimiter, inside)

    mark = delimiter.encode()
    records: list[bytes] = []
    numbers: list[int] = []
    broken: list[tuple[int, str, str]] = []
    at = 0
    while at < len(lines):
        if len(broken) > BROKEN:
            raise TooMuchError(
                f"more than {BROKEN:,} lines that are no rows, the first is line {broken[0][0]}"
            )
        line, number, count = lines[at], first + at, 1
        rule, fields = "", width
        at += 1
        if spoilt and _REPLACED in line:
            rule = "bytes that are no text"
        elif b'"' not in line:
            fields = line.count(mark) + 1
        else:
            ends = ending(at - 1)
            while ends == "open" and at < len(lines) and count <= _QUOTED_LINES:
                if b'"' not in lines[at] and lines[at].count(mark) == width - 1 > 0:
                    break  # a row by itself: the mark before it is a stray one, and swallows nothing
                ends = ending(at, inside=True)
                at += 1
                count += 1
            if ends == "open" or (count > 1 and ends == "stray"):
                at = number - first + 1  # read on after the line with the stray mark
                rule = "a quotation mark never closes"
            else:
                line = b"\n".join(lines[at - count : at])
                fields = len(_fields(line.decode(errors="replace"), delimiter))
        if not (rule or line.strip(mark + b" ")):
            continue
        other = f"another number of fields than the header; {fields} instead of {width}"
        if rule := rule or other * (fields != width):
            broken.append((number, line.decode(errors="replace"), rule))
        else:
            records.append(line)
            numbers.append(number)
    return records, numbers, broken


def _parse_slowly(records: list[bytes], delimiter: str, width: int) -> list[pa.Array]:
    """Parse record by record, where the fast parser sees other records than an editor does."""
    rows = []
    for record in records:
        fields = _fields(record.decode(errors="replace"), delimiter)
        rows.append([cell or None for cell in fields[:width]] + [None] * (width - len(fields)))
    return [pa.array([row[column] for row in rows], pa.string()) for column in range(width)]


def read_delimited(data: bytes, known: Iterable[str]) -> Cells:
    """Read a delimited text file; the `known` column names decide on the header and its separator.

    Lines of a text that could not be decoded whole are no rows where a character of theirs was replaced.
    """
    with _LIMIT:
        csv.field_size_limit(max(csv.field_size_limit(), len(data) + 1))
    check_lines(data)
    data, whole = decoded(data)
    ended = data.endswith(b"\n")
    # What stands above the names: blank lines, a spreadsheet's hint to itself, the title of a report.
    found: list[tuple[int, int, str]] = []
    number, start = 0, 0
    while start < len(data) and len(found) < TITLE_LINES:
        end = data.find(b"\n", start)
        end = len(data) if end < 0 else end
        text = data[start:end].decode(errors="replace")
        number, start = number + 1, end + 1
        if text.strip() and not text.lower().startswith("sep="):
            found.append((number, start, text))
    if not found:
        return Cells([], [], np.zeros(0, dtype=np.int64), ended=ended)
    at, delimiter = _header([text for *_, text in found], known)
    header_line, start, header = found[at]
    names = [name.strip() for name in _fields(header, delimiter)]
    body = data[start : len(data.rstrip(b"\n"))]
    del data  # a large text is held once
    breaks = body.count(b"\n")
    check_shape(breaks, len(names))
    if not body:
        empty = pa.array([], pa.string())
        return Cells(names, [empty] * len(names), np.zeros(0, dtype=np.int64), header_line, ended=ended)
    first = header_line + 1
    try:
        columns = _parse(body, delimiter, len(names)) if whole else []
        if columns and len(columns[0]) == breaks + 1:
            lines = np.arange(first, first + len(columns[0]))
            return Cells(names, columns, lines, header_line, ended=ended)
    except pa.ArrowInvalid:
        pass
    records, numbers, broken = _sifted(body.split(b"\n"), first, delimiter, len(names), not whole)
    columns = []
    if records:
        try:
            columns = _parse(b"\n".join(records), delimiter, len(names))
        except pa.ArrowInvalid:
            columns = []
    if not columns or len(columns[0]) != len(records):
        columns = _parse_slowly(records, delimiter, len(names))
    return Cells(names, columns, np.array(numbers, dtype=np.int64), header_line, broken, ended)
