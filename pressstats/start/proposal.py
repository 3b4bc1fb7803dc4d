"""What is proposed of a folder: a ``plant.toml``, guesses marked, and what each missing table would unlock."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path

from ..logs import printable
from ..logs.requirements import REQUIREMENTS
from ..plant import Calendar, Policy, Targets
from ..tables import INPUTS
from .customs import Made, made_identifiers, nights_dated_by
from .found import Found, Mapped, Recognised, Style, found_in, style_of
from .meanings import Word, in_tonnes, words_of
from .recognising import recognised
from .words import languages_of, lexicon_of

__all__ = ["Proposal", "describe", "plant_toml", "propose"]

#: Where a plant of a language most likely is: common practice, no source, and always marked as a guess.
_PLACES = {
    "de": ("Europe/Berlin", "EUR"),
    "fr": ("Europe/Paris", "EUR"),
    "nl": ("Europe/Amsterdam", "EUR"),
    "es": ("Europe/Madrid", "EUR"),
    "sv": ("Europe/Stockholm", "SEK"),
    "no": ("Europe/Oslo", "NOK"),
    "da": ("Europe/Copenhagen", "DKK"),
    "en": ("Europe/London", "GBP"),
    "us": ("America/New_York", "USD"),
}
#: Languages of which each reads the others' words.
_NORDIC = ("sv", "no", "da")
#: What a plant decides for itself, by parts and keys of ``plant.toml``.
_MEANING = {
    "country": 'two letters of ISO 3166, such as "DE": public holidays',
    "closed": 'days without publication, such as ["12-25", "2025-05-01"]',
    "no_receipts": "days on which nothing is received",
    "ordering_closed": 'days on which no order is placed, such as ["12-24"]',
    "waste_pct": "waste of mounted paper wanted [%]",
    "breaks_per_100_reels": "web breaks wanted",
    "service_level": "share of weeks without a stock-out wanted, of each material",
    "review_day": "day on which orders are placed",
    "cover_days_minimum": "days of stock wanted at least",
    "cover_days_maximum": "and at most",
    "newsprint_storage_maximum_kg": "what the floor and the fire authority allow, all widths together",
    "holding_cost_rate": "of stock value, a year",
    "freight_per_load": "a truck, in the currency",
    "expedite_cost_per_t": "what an emergency tonne costs more",
    "break_cost": "a web break, beside its waste",
    "failed_splice_cost": "a failed splice",
    "stockout_cost": "a night that cannot be printed whole",
}
_PARTS: dict[str, type[Calendar | Targets | Policy]]
_PARTS = {"calendar": Calendar, "targets": Targets, "policy": Policy}


@dataclass
class Proposal:
    """What was found in a folder, and what ``plant.toml`` would say of it."""

    name: str
    timezone: str
    currency: str
    style: Style
    style_guesses: list[str]
    tables: list[Recognised]
    strangers: list[Found]
    unread: list[str]
    words: dict[tuple[str, str], list[Word]] = field(default_factory=dict)
    made: dict[str, Made] = field(default_factory=dict)
    nights: tuple[str, str] = ("", "")  # what they are dated by, and why that is a guess
    place_is_sure: bool = False

    @property
    def keys(self) -> dict[str, list[str]]:
        """Columns that make an identifier, by table."""
        return {table: list(made.parts) for table, made in self.made.items() if made.parts}

    def guesses(self) -> list[tuple[Recognised, Mapped]]:
        """Return the columns that are not sure."""
        return [(one, mapped) for one in self.tables for mapped in one.columns.values() if not mapped.sure]

    def lacking(self) -> list[str]:
        """Return what must be found before anything can be published: required tables, and required columns of them."""
        absent = [name for name in self.missing() if INPUTS[name].required]
        return absent + self._columns_missing(required=True)

    def left_out(self) -> list[str]:
        """Return the required columns that were not found of tables without which something can be published."""
        return self._columns_missing(required=False)

    def _columns_missing(self, required: bool) -> list[str]:
        return [
            f"{one.table}.{column}"
            for one in self.tables
            if INPUTS[one.table].required == required
            for column in INPUTS[one.table].missing_from(one.columns)
        ]

    def missing(self) -> list[str]:
        """Return the tables of which there is nothing."""
        there = {one.table for one in self.tables}
        return [name for name in INPUTS if name not in there]


def propose(folder: Path) -> Proposal:
    """Look at a plant's exports and propose how they are read.

    Parameters
    ----------
    folder : Path
        Folder of CSV, ``.txt`` and ``.xlsx`` files.

    Returns
    -------
    Proposal
        Tables, columns, units and words that were recognised, each sure or a guess; nothing is written.

    Raises
    ------
    OSError
        If the folder cannot be listed.

    Examples
    --------
    >>> propose(Path("exports")).missing()
    ['terms', 'prices', 'titles', 'budget', 'plan', 'waste_sold', 'standby']
    """
    found, unread = found_in(folder)
    style, guesses = style_of(found)
    votes = languages_of([column.name for one in found for column in one.columns])
    language = max(votes, key=lambda one: votes[one]) if votes else "en"
    near = _NORDIC if language in _NORDIC else (language,)
    lexicon = lexicon_of(*near, "en")
    tables, strangers = recognised(found, lexicon)
    units = {mapped.unit for one in tables for mapped in one.columns.values()}
    place = (
        "us" if language == "en" and (style.dates == "month_first" or units & {"lb", "inch"}) else language
    )
    zone, currency = _PLACES[place]
    name = folder.resolve().name or "Plant"
    words = words_of(tables, lexicon)
    in_tonnes(tables, words)
    made, nights = made_identifiers(tables, style), nights_dated_by(tables, style)
    return Proposal(name, zone, currency, style, guesses, tables, strangers, unread, words, made, nights)


def _text(value: str) -> str:
    """Return a TOML string; JSON spells one the same way, but for one control character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _line(key: str, value: str, why: str = "") -> str:
    """Return a line of TOML, a guess marked with its reason."""
    return f"{key} = {value}" + (f"  # guess: {printable(why)}" if why else "")


def _common(names: list[str]) -> str:
    """Return the letters with which all names begin."""
    first, last = min(names), max(names)
    apart = (at for at, (a, b) in enumerate(zip(first, last, strict=False)) if a != b)
    return first[: next(apart, len(first))]


def _pattern(patterns: list[str], others: list[str]) -> str:
    """Return the files of a table as one pattern, or as a list where a pattern would take in others."""
    start = _common(patterns)
    end = _common([one[::-1] for one in patterns])[::-1]
    if len(patterns) == 1:
        return _text(patterns[0])
    if (
        start
        and "#" not in end + start
        and not any(one.startswith(start) and one.endswith(end) for one in others)
    ):
        return _text(f"{start}*{end}")
    return "[" + ", ".join(map(_text, patterns)) + "]"


def _perhaps(one: Recognised, name: str) -> list[str]:
    """Return what a column that is not used might be, of what the table still lacks."""
    return [ours for ours in one.perhaps.get(name, []) if ours not in one.columns]


def _columns(one: Recognised) -> list[str]:
    """Return the lines of ``[columns.TABLE]``: their names, each once, with what it stands for."""
    ours: dict[str, list[Mapped]] = {}
    for mapped in one.columns.values():
        for name in mapped.names:
            ours.setdefault(name, []).append(mapped)
    lines = []
    for name, all_mapped in ours.items():
        words = [_text(mapped.ours) for mapped in all_mapped]
        if words != [_text(name)]:
            why = "; ".join(f"{mapped.ours}, {mapped.why}" for mapped in all_mapped if not mapped.sure)
            lines.append(_line(_text(name), words[0] if len(words) == 1 else f"[{', '.join(words)}]", why))
    offered = {name: likely for name in one.left if (likely := _perhaps(one, name))}
    if rest := [printable(name) for name in one.left if name not in offered]:
        lines.append("# not used: " + ", ".join(rest))
    if offered:
        lines.append("# not used, and unsure what: take away the # in front of one that is right")
    for name, (first, *others) in offered.items():
        lines.append(
            f"# {_text(name)} = {_text(first)}  # unsure{''.join(f', or {other}' for other in others)}"
        )
    return [f"[columns.{one.table}]", *lines] if lines else []


def _constants(one: Recognised) -> list[str]:
    """Return what must be said of required columns that the export lacks, to be filled in."""
    absent = INPUTS[one.table].missing_from(one.columns)
    lines = [f"# {name} =   # {INPUTS[one.table][name].meaning}" for name in absent]
    if not lines:
        return []
    return [
        "# The export lacks these. What never changes is written here; what changes must be exported.",
        f"# [constants.{one.table}]",
        *lines,
    ]


def _settings() -> list[str]:
    """Return what the plant decides, as the end of the file: each key commented, with what holds until it does."""
    lines = [
        "# What only the plant can say. Until a line is set, its value holds by default, and pages say so. Take away",
        "# the # of a line, and of the [name] above it, to set it; ... has no default.",
    ]
    for part, model in _PARTS.items():
        lines += ["", f"# [{part}]"]
        for key in model.model_fields:
            if key in _MEANING:
                default = model.model_fields[key].default
                value = "..." if default is None else json.dumps(default)
                lines.append(f"# {key} = {value}  # {_MEANING[key]}")
    return lines


def plant_toml(proposal: Proposal) -> str:
    """Return the text of ``plant.toml``: what is sure as it is, a guess with its reason behind it."""
    guessed = not proposal.place_is_sure
    lines = [
        "# Proposed from the files in this folder. A line with `guess` is to be looked at; the others are sure.",
        _line("name", _text(proposal.name), "the folder's name" * guessed),
        _line("timezone", _text(proposal.timezone), "by language" * guessed),
        _line("currency", _text(proposal.currency), "by language" * guessed),
        "",
        "[format]",
        _line(
            "dates",
            _text(proposal.style.dates),
            "both orders were found" * ("dates" in proposal.style_guesses),
        ),
    ]
    if proposal.style.decimal:
        why = "both signs were found" * ("decimal" in proposal.style_guesses)
        lines.append(_line("decimal", _text(proposal.style.decimal), why))
    lines += ["", "[files]"]
    everything = [pattern for one in proposal.tables for pattern in one.found.patterns]
    everything += [pattern for one in proposal.strangers for pattern in one.patterns]
    for one in proposal.tables:
        others = [pattern for pattern in everything if pattern not in one.found.patterns]
        lines.append(
            _line(one.table, _pattern(one.found.patterns, others), "the table is a guess" * (not one.sure))
        )
    lines += [f"# of no table: {printable(', '.join(one.patterns))}" for one in proposal.strangers]
    if proposal.nights[0]:
        lines += ["", "[exports]", _line("nights_dated_by", _text(proposal.nights[0]), proposal.nights[1])]
    if proposal.made:
        lines += ["", "[keys]"]
        for table, made in proposal.made.items():
            names = ", ".join(map(_text, made.parts))
            lines.append(_line(table, f"[{names}]", made.why) if names else f"# {table} = []  # {made.why}")
    for one in proposal.tables:
        units = [
            _line(
                mapped.ours,
                f"{{{mapped.of_kind} = {_text(mapped.unit)}}}" if mapped.of_kind else _text(mapped.unit),
                "" if mapped.unit_sure else "by the size of the numbers",
            )
            for mapped in one.columns.values()
            if mapped.unit
        ]
        parts = [_columns(one), [f"[units.{one.table}]", *units] if units else [], _constants(one)]
        for (table, name), words in proposal.words.items():
            if table == one.table:
                told = [_line(_text(word.own), _text(word.ours), word.why) for word in words if word.ours]
                asked = [
                    f'# {_text(word.own)} = ""  # not known'
                    for word in words
                    if not word.ours and name != "ink"
                ]
                parts.append([f"[values.{table}.{name}]", *told, *asked] if told or asked else [])
        for part in parts:
            lines += ["", *part] if part else []
    return "\n".join([*lines, "", *_settings()]) + "\n"


def describe(proposal: Proposal) -> str:
    """Describe what was found, what is unsure, and what each missing table would unlock."""
    lines = [
        f"Dates {proposal.style.dates.replace('_', ' ')}, decimal sign {proposal.style.decimal or 'none seen'}",
        "",
    ]
    for one in proposal.tables:
        unsure = [mapped for mapped in one.columns.values() if not mapped.sure]
        count = len(one.columns)
        files = printable(", ".join(one.found.patterns))
        lines.append(f"{one.table}: {files}, {one.found.rows:,} rows, {count} columns, {len(unsure)} unsure")
        lines += [
            f"  unsure: {printable(' and '.join(m.names))} = {m.ours} ({printable(m.why)})" for m in unsure
        ]
        absent = INPUTS[one.table].missing_from(one.columns)
        lines += [f"  missing: {name}, {INPUTS[one.table][name].meaning}" for name in absent]
        if one.left:
            left = [
                f"{name} (perhaps {' or '.join(ours)})" if ours else name
                for name, ours in ((name, _perhaps(one, name)) for name in one.left)
            ]
            lines.append(f"  not used: {printable(', '.join(left))}")
        if made := proposal.made.get(one.table):
            lines.append(f"  identifier: {' and '.join(made.parts) or made.why}")
    lines += [f"of no table: {printable(', '.join(one.patterns))}" for one in proposal.strangers]
    lines += [printable(reason) for reason in proposal.unread]
    for table in proposal.missing():
        needed = [
            r.analysis for r in REQUIREMENTS if any(n.table == table and not n.without for n in r.needs)
        ]
        adds = {
            n.without: r.analysis for r in REQUIREMENTS for n in r.needs if n.table == table and n.without
        }
        lines += ["", f"Without {table} ({INPUTS[table].row}):"]
        if needed:
            lines.append(f"  there is no {', '.join(needed)}")
        lines += [f"  {analysis}: {without}" for without, analysis in adds.items()]
    return "\n".join(lines)
