"""What can be searched for within a publication: its figures and tables by the words in them, and its columns."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Iterator

from ..tables.schema import column_words, schema_parts, table_words

__all__ = ["searchable"]

_PART = re.compile(
    r'<(?:div class="sheet[^"]*"|figure class="exhibit") id="([a-z0-9_-]+)">(.*?)'
    r'(?=<div class="sheet|<figure class="exhibit"|<div class="prose|<section|</article>)',
    re.DOTALL,
)
_CAPTION = re.compile(r"<figcaption>(.*?)</figcaption>|<caption><span>(.*?)</span></caption>", re.DOTALL)
_MARKS = re.compile(r"<script.*?</script>|<[^>]+>|[\u2066-\u2069]", re.DOTALL)
#: A word or a code; numbers alone are found in the tables themselves.
_WORD = re.compile(r"[^\W\d_][\w-]*")


def searchable(pages: Iterable[tuple[str, str, str]]) -> list[tuple[str, str, str, str]]:
    """Return what is found: address, page or folder, caption, and the words in lower case that it is found by.

    `pages` are file, title and markup of each.
    """
    return [*_parts(pages), *_tables()]


def _parts(pages: Iterable[tuple[str, str, str]]) -> Iterator[tuple[str, str, str, str]]:
    for file, title, markup in pages:
        for part in _PART.finditer(markup):
            named = _CAPTION.search(part[2])
            if named:
                caption = _text(named[1] or named[2], "")
                yield f"{file}#{part[1]}", title, caption, _words(_text(part[2], " "))


def _tables() -> Iterator[tuple[str, str, str, str]]:
    for anchor, head, tables in schema_parts():
        for table in tables:
            cells = [" ".join(column_words(column, anchor == "read")) for column in table.columns]
            words = _words(" ".join(["table", table.name, table_words(table), *cells]))
            yield f"tables/index.html#{anchor}-{table.name}", head, f"Table {table.name}", words


def _text(markup: str, between: str) -> str:
    return html.unescape(_MARKS.sub(between, markup))


def _words(text: str) -> str:
    return " ".join(dict.fromkeys(word.lower() for word in _WORD.findall(text)))
