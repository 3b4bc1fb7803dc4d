"""Which ideas of the trade a name stands for, and how like that is to one of our columns."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

__all__ = ["Lexicon", "Piece", "Pieces", "knowledge", "languages_of", "lexicon_of", "likeness", "plain"]

#: Units as they are written in headers, as the units library spells them, and the idea that each tells.
UNITS = {
    "kg": ("kg", "weight"),
    "kgs": ("kg", "weight"),
    "lb": ("lb", "weight"),
    "lbs": ("lb", "weight"),
    "t": ("t", "weight"),
    "to": ("t", "weight"),
    "mm": ("mm", "length"),
    "cm": ("cm", "length"),
    "m": ("m", "length"),
    "in": ("inch", "length"),
    "inch": ("inch", "length"),
    "inches": ("inch", "length"),
    "ft": ("ft", "length"),
    "feet": ("ft", "length"),
    "um": ("um", "thickness"),
    "gsm": ("g/m2", "grammage"),
    "g/m2": ("g/m2", "grammage"),
    "g/qm": ("g/m2", "grammage"),
    "%": ("%", "share"),
}
_IN_BRACKETS_ONLY = {"in", "t", "to", "m"}
_FAINT, _UNKNOWN, _SMALL = 0.4, 0.6, 0.1
_CAMEL = re.compile(r"(?<=[a-zà-ÿ])(?=[A-ZÀ-Þ])")
_LETTERS = str.maketrans({"ø": "o", "æ": "ae", "ß": "ss", "µ": "u", "μ": "u", "²": "2", "’": "'", "œ": "oe"})

#: What a piece of a name may stand for (none: it is not known), and how well it was read, from 0 to 1.
Piece = tuple[frozenset[str], float]
Pieces = tuple[Piece, ...]


def plain(text: str) -> str:
    """Return a text without capitals and accents."""
    folded = unicodedata.normalize("NFKD", text.casefold().translate(_LETTERS))
    return "".join(c for c in folded if not unicodedata.combining(c)).translate(_LETTERS)


@cache
def lexicon_of(*languages: str) -> Lexicon:
    """Return the words of some languages, of all where none is named, made once."""
    return Lexicon(languages)


@cache
def knowledge() -> dict[str, Any]:
    """Return the data file of words."""
    import tomllib

    return tomllib.loads((Path(__file__).parent / "words.toml").read_text(encoding="utf-8"))


def _tokens(text: str) -> list[str]:
    parted = _CAMEL.sub(" ", text)
    return re.findall(r"[a-z]+|#|n[°º]|\d+", plain(re.sub(r"[nN][°º]", " nr ", parted)).replace("'", ""))


@dataclass(frozen=True)
class Lexicon:
    """The words of some languages."""

    languages: tuple[str, ...]

    @cached_property
    def words(self) -> dict[tuple[str, ...], frozenset[str]]:
        """Ideas of each word, or words that belong together, as plain tokens."""
        out: dict[tuple[str, ...], set[str]] = {}
        for idea, by_language in knowledge()["ideas"].items():
            for language, words in by_language.items():
                if not self.languages or language in self.languages:
                    for word in words.split(","):
                        out.setdefault(tuple(_tokens(word.strip())), set()).add(idea)
        out.pop((), None)
        return {word: frozenset(ideas) for word, ideas in out.items()}

    @cached_property
    def _alone(self) -> dict[str, frozenset[str]]:
        return {word[0]: ideas for word, ideas in self.words.items() if len(word) == 1}

    @cached_property
    def _read(self) -> dict[str, tuple[Pieces, str]]:
        return {}

    def read(self, name: str) -> tuple[Pieces, str]:
        """Return the pieces of a name, and the unit that stands in it, empty if none does."""
        if name not in self._read:
            self._read[name] = self._pieces(name)
        return self._read[name]

    def _pieces(self, name: str) -> tuple[Pieces, str]:
        unit, rest, pieces = _unit_in(_CAMEL.sub(" ", name))
        tokens = _tokens(rest)
        at = 0
        while at < len(tokens):
            for length in range(min(4, len(tokens) - at), 0, -1):
                if ideas := self.words.get(tuple(tokens[at : at + length])):
                    pieces.append((ideas, 1.0))
                    at += length
                    break
            else:
                if not tokens[at].isdigit():
                    pieces += self._parts(tokens[at])
                at += 1
        return tuple(pieces), unit

    def _parts(self, token: str) -> list[Piece]:
        """Return the pieces of one word that is not listed: a compound, or an abbreviation."""
        if len(token) >= 6 and (parts := self._compound(token)):
            return parts
        if len(token) >= 3:
            longer = [ideas for word, ideas in self._alone.items() if word.startswith(token)]
            if longer:
                return [(frozenset().union(*longer), 0.75)]
        # The end of a word may bend: Bahnrisse, geliefert, roturas.
        stems = [ideas for word, ideas in self._alone.items() if len(word) >= 5 and _alike(word, token)]
        return [(frozenset().union(*stems), 0.85)] if stems else [(frozenset(), 1.0)]

    def _compound(self, token: str) -> list[Piece]:
        """Return the pieces of a compound, most letters read; none where less than three of four letters are."""
        best: dict[int, tuple[int, tuple[Piece, ...]]] = {0: (0, ())}
        for end in range(1, len(token) + 1):
            known, parts = best.get(end - 1, (0, ()))
            found = [(known, len(parts), parts)]
            for start in range(max(0, end - 20), end - 2):
                piece = token[start:end]
                ideas = self._alone.get(piece)
                if ideas is None and len(piece) >= 5:
                    ideas = self._alone.get(piece[:-1]) if piece[-1] in "sne" else None
                if ideas and start in best:
                    covered, before = best[start]
                    found.append((covered + end - start, len(before) + 1, (*before, (ideas, 1.0))))
            covered, _, parts = max(found, key=lambda one: (one[0], -one[1]))
            best[end] = covered, parts
        covered, parts = best[len(token)]
        return list(parts) if covered >= 0.75 * len(token) else []


def _alike(word: str, token: str) -> bool:
    """Return whether two words differ in their endings alone, of three letters at most."""
    shared = min(len(word), len(token)) - (2 if min(len(word), len(token)) > 6 else 1)
    return abs(len(word) - len(token)) <= 2 and shared >= 5 and word[:shared] == token[:shared]


def _unit_in(name: str) -> tuple[str, str, list[Piece]]:
    """Return the unit in a name, the name without it, and what the unit tells."""
    for pattern in (
        r"[\[(]\s*([^\])]+?)\s*[\])]",
        r"(?:^|[\s_])([A-Za-zµμ%/²0-9]+)\s*$",
        r"^([A-Za-z]+)(?=[\s_])",
    ):
        for found in re.finditer(pattern, name):
            written = plain(found[1]).replace("²", "2").strip(".")
            clear = pattern[0] == "[" or written not in _IN_BRACKETS_ONLY or name[found.start(1) - 1] == " "
            if written in UNITS and clear:
                unit, idea = UNITS[written]
                rest = name[: found.start()] + " " + name[found.end() :]
                return unit, rest, [(frozenset({idea}), _FAINT)]
    return "", name, []


@cache
def _patterns(pattern: str) -> list[tuple[frozenset[str], frozenset[str]]]:
    """Return the alternatives of a pattern: ideas that make it, and those that may stand beside them."""
    out = []
    for alternative in pattern.split("|"):
        inside = re.findall(r"\(([^)]*)\)", alternative)
        essential = frozenset(re.sub(r"\([^)]*\)", "", alternative).split())
        out.append((essential, essential | frozenset(" ".join(inside).split())))
    return out


@cache
def _weight(idea: str) -> float:
    return _SMALL if idea == "of" else _FAINT if idea in knowledge()["faint"].split() else 1.0


@cache
def likeness(pieces: Pieces, pattern: str) -> float:
    """Return from 0 to 1 how well a name fits a pattern: what it says of it, and what it says besides."""
    best = 0.0
    for essential, allowed in _patterns(pattern):
        said = sum(
            _weight(idea) * max((sure for ideas, sure in pieces if idea in ideas), default=0.0)
            for idea in essential
        ) / sum(map(_weight, essential))
        weights = [max(map(_weight, ideas & allowed or ideas)) if ideas else _UNKNOWN for ideas, _ in pieces]
        fits = sum(weight for weight, (ideas, _) in zip(weights, pieces, strict=True) if ideas & allowed)
        whole = sum(weight for weight in weights if weight > _SMALL)
        precise = min(fits / whole, 1.0) if whole else 0.0
        best = max(best, 2 * said * precise / (said + precise) if said and precise else 0.0)
    return best


def languages_of(names: list[str]) -> dict[str, float]:
    """Return how many of the names' words each language has, words of several languages shared among them."""
    votes: dict[str, float] = {}
    by_language = {one: lexicon_of(one) for one in ("en", "de", "fr", "nl", "es", "sv", "no", "da")}
    for name in names:
        for language, lexicon in by_language.items():
            pieces, _ = lexicon.read(name)
            if pieces:
                votes[language] = votes.get(language, 0.0) + sum(
                    sure for ideas, sure in pieces if ideas
                ) / len(pieces)
    return votes
