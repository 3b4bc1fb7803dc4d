"""Words and sums that several pages share."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..exhibits import Block, day_words, logged, note, provenance, quantity
from ..watch import Period, of_period, weeks_logged

if TYPE_CHECKING:
    from ..results import Results

__all__ = [
    "STREAM_WORDS",
    "by_default",
    "by_reason",
    "counted",
    "daily_use",
    "day_cell",
    "day_cells",
    "day_words",
    "foot",
    "last_days",
    "last_weeks",
    "list_words",
    "needs",
    "not_set",
    "number_words",
    "per_cent",
    "spoken",
    "streams_words",
    "tonnes",
    "unbroken",
    "unless_logged",
    "unseen_season",
    "weeks_words",
    "whole",
]

_ISO_DAY = re.compile(r"\b(?:19|20)\d\d-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])\b")
_NUMBERS = [
    "no",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
]

#: What each stream is called in a sentence or on an axis.
STREAM_WORDS = {
    "good_kg": "good copies",
    "startup_kg": "start-up waste",
    "running_kg": "running waste",
    "uncounted_kg": "count difference",
    "grammage_kg": "paper heavier than nominal",
    "strip_kg": "white waste",
    "reel_end_kg": "butts",
    "scrapped_kg": "scrapped",
    "unexplained_kg": "unexplained",
}


def streams_words(held: str) -> str:
    """Return in words which streams a kind of waste holds, from its names in the tables: ``strip, reel_end``."""
    return ", ".join(STREAM_WORDS.get(f"{name}_kg", name) for name in held.split(", "))


#: Settings that move what pages say: their words and units.
_SETTINGS = {
    "targets": {
        "waste_pct": ("waste", " %"),
        "breaks_per_100_reels": ("web breaks", " per 100 reels"),
    },
    "policy": {
        "service_level": ("service level", " of weeks"),
        "cover_days_minimum": ("least stock", " days"),
        "cover_days_maximum": ("most stock", " days"),
        "freight_per_load": ("freight", " currency a truck"),
        "holding_cost_rate": ("holding", " of stock value a year"),
        "expedite_cost_per_t": ("express", " currency a tonne more"),
        "break_cost": ("a web break", " currency"),
        "failed_splice_cost": ("a failed splice", " currency"),
    },
}
#: Where ``plant.toml`` sets the target of a figure of the week, or a cost.
_SET_IN = {
    "waste": ("targets", "waste_pct"),
    "counter waste": ("targets", "waste_pct"),
    "web breaks": ("targets", "breaks_per_100_reels"),
    "days of stock": ("policy", "cover_days_minimum"),
    "stock-out risk": ("policy", "service_level"),
    "freight": ("policy", "freight_per_load"),
}
#: Weeks from which a title's season is looked for: three quarters of a year.
_SEASON_WEEKS = 39


def per_cent(share: float, digits: int = 1) -> str:
    """Return a percentage as text."""
    return f"{share:.{digits}f} %" if math.isfinite(share) else "not known"


def day_cell(day: pd.Timestamp, as_of: pd.Timestamp) -> str:
    """Return a day as :func:`day_words` does, in one piece for a cell of a table; nothing where it is not known."""
    return "" if pd.isna(day) else day_words(day, as_of).replace(" ", "\u00a0")


def day_cells(days: pd.Series, as_of: pd.Timestamp) -> list[str]:
    """Return days as :func:`day_cell` does: of a table of what is near, without years that are plain."""
    return [day_cell(day, as_of) for day in days]


def spoken(text: str, as_of: pd.Timestamp) -> str:
    """Return a reason from a table as a page says it: a capital first, days by name, numbers as pages write them."""
    text = _ISO_DAY.sub(lambda match: day_words(pd.Timestamp(match[0]), as_of), text)
    text = re.sub(r"(?<=\d),(?=\d{3}\b)", "\u202f", re.sub(r"(?<=\d) %", "\u00a0%", text))
    return text[:1].upper() + text[1:]


def unbroken(contact: str) -> str:
    """Return whom to ring with the number, and the word that it belongs to, in one piece: ``desk 12``."""
    return re.sub(r"(?<![,;]) (?=\d)", "\u00a0", contact)


def counted(count: float, noun: str, more: str = "") -> str:
    """Return a number with its noun, in the plural where it is not one."""
    return f"{quantity(count, '', 0)} {noun if count == 1 else more or noun + 's'}"


def number_words(count: int) -> str:
    """Return a small number as a word, a larger one in digits."""
    return _NUMBERS[count] if count < len(_NUMBERS) else f"{count}"


def tonnes(kg: float, digits: int | None = None) -> str:
    """Return kilograms [kg] as tonnes with their unit."""
    return quantity(kg / 1000, "t", digits)


def list_words(words: list[str], longest: int = 4) -> str:
    """Return names from the logs as a list in a sentence, the rest counted."""
    shown = [logged(word) for word in words[:longest]]
    if len(words) > longest:
        shown.append(f"{len(words) - longest} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else "".join(shown)


def by_reason(named: list[tuple[str, str]]) -> str:
    """Return names from the logs with their reasons, ``a and b (one reason), c (another)``: each reason once."""
    reasons = dict.fromkeys(reason for _, reason in named)
    groups = [([name for name, reason in named if reason == one], one) for one in reasons]
    return ", ".join(f"{list_words(names, 8)} ({reason})" for names, reason in groups)


def whole(values: pd.Series) -> float:
    """Return a sum; blank where a part of it is."""
    return float(values.sum(skipna=False))


def last_days(results: Results, days: int, frame: pd.DataFrame, column: str) -> pd.DataFrame:
    """Return the rows of `frame` whose time lies in the last `days` days, as-of's included."""
    return frame[frame[column] >= results.logs.as_of + pd.Timedelta(days=1 - days)]


def last_weeks(results: Results, weeks: int, frame: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of `frame` that lie in the last `weeks` whole weeks before as-of's end."""
    return of_period(results.logs, frame, Period(weeks))


def weeks_words(results: Results, weeks: int) -> str:
    """Return how many of the last weeks a figure is of: no more than are logged."""
    return counted(weeks_logged(results.logs, weeks), "week")


def by_default(results: Results, figure: str) -> str:
    """Return `` by default`` behind the target of a figure, or a cost, that ``plant.toml`` does not set."""
    return " by default" if figure in _SET_IN and not results.logs.plant.says(*_SET_IN[figure]) else ""


def not_set(results: Results, part: str) -> str:
    """Return what of a part of ``plant.toml`` moves pages and stands by default, in words; empty if nothing."""
    plant = results.logs.plant
    words = [
        f"{words} {getattr(getattr(plant, part), key):g}{unit.replace('currency', plant.currency)}"
        for key, (words, unit) in _SETTINGS[part].items()
        if not plant.says(part, key)
    ]
    return f"{', '.join(words)}: set it in [{part}] of plant.toml" if words else ""


def unseen_season(results: Results) -> str:
    """Say, as a sentence after another, that the logs are too short to know a season; nothing where they are not."""
    if results.outlook is None or (weeks := len(results.outlook.history)) >= _SEASON_WEEKS:
        return ""
    return f" No season is known from {counted(weeks, 'week')} of logs: months differ by their days alone."


def daily_use(results: Results) -> pd.Series:
    """Return the use of a day that the days of cover stand on, by material [unit]; blank where it is not known."""
    cover = results["stock_cover"].set_index("material")
    return (cover["quantity"] / cover["days_cover"]).replace([np.inf, -np.inf, 0.0], np.nan)


def needs(what: str, *tables: str) -> Block:
    """Say that something is left out because tables are missing."""
    return note(
        f"{what} is left out: the logs hold no {' and no '.join(f'table {table}' for table in tables)}."
    )


def unless_logged(results: Results, what: str, words: str, *tables: str) -> Block:
    """Say that something is left out because tables are missing; where none is, why nothing is known of it."""
    missing = [name for name in tables if not results.logs.has(name)]
    return needs(what, *missing) if missing else note(words)


def foot(results: Results) -> Block:
    """Return the foot of a page: its inputs, their digests and the window they cover."""
    return provenance(results.logs)
