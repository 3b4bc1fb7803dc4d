"""What a plant says of itself: ``plant.toml``, read and validated.

Only `name`, `timezone` and `currency` are required. An unknown key is an error that suggests the
nearest known one, because a misspelt key that is silently ignored is a wrong number later on.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import tomllib
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

import numpy as np
import pandas as pd
from pydantic import Field, ValidationError, ValidationInfo, field_validator, model_validator

from .exports import Exported, Part, hint
from .tables import DESKS, MATTERS

__all__ = ["WEEKDAYS", "Plant", "PlantError", "read_plant", "read_toml", "validated"]

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
WasteStream = Literal["strip", "reel_end", "scrapped", "startup", "running", "uncounted", "plates"]
#: Beyond what any plant weighs, holds or pays, and near enough to compute with.
_MOST = 1e12
Positive = Annotated[float, Field(gt=0, le=_MOST)]
NotNegative = Annotated[float, Field(ge=0, le=_MOST)]
#: Bytes of a file that a person may have written.
_LONGEST = 100_000


class PlantError(ValueError):
    """``plant.toml`` is missing, cannot be read or says something that cannot be true."""


class Format(Part):
    """How numbers and dates are written in the exports, and in which units pages speak."""

    dates: Literal["iso", "day_first", "month_first"] = "iso"
    decimal: Literal[".", ","] | None = None
    ink_yield: Literal["si", "inch_pound"] = "si"


class Calendar(Part):
    """Public holidays, days without publication, days without receipts, and days on which nothing is ordered."""

    country: str | None = None
    subdivision: str | None = None
    closed: tuple[str, ...] = ()
    no_receipts: tuple[str, ...] = ("saturday", "sunday")
    ordering_closed: tuple[str, ...] = ()

    @field_validator("closed", "no_receipts", "ordering_closed")
    @classmethod
    def _known_days(cls, value: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
        for day in value:
            if info.field_name == "closed" and not _is_day(day):
                raise ValueError(f"{day!r} is neither month-day (01-01) nor a date")
            if day not in WEEKDAYS and not _is_day(day):
                raise ValueError(
                    f"{day!r} is neither a weekday, a month-day (12-24) nor a date (2025-05-02)"
                    + hint(day, list(WEEKDAYS))
                )
        return value

    def receives(self, days: pd.DatetimeIndex) -> np.ndarray:
        """Return for each day whether something may be received; weekdays count for nothing where all seven stand."""
        return ~_among(days, self.no_receipts)

    def takes_orders(self, days: pd.DatetimeIndex) -> np.ndarray:
        """Return for each day whether an order may be placed; weekdays count for nothing where all seven stand."""
        return ~_among(days, self.ordering_closed)

    @field_validator("country")
    @classmethod
    def _known_country(cls, value: str | None) -> str | None:
        if value is not None and not re.fullmatch(r"[A-Z]{2}", value):
            raise ValueError("a country is two capital letters of ISO 3166")
        return value

    @model_validator(mode="after")
    def _known_holidays(self) -> Calendar:
        if self.subdivision is not None and self.country is None:
            raise ValueError(f"subdivision {self.subdivision!r} is of no country")
        if self.country is not None:
            import holidays  # imported here: not every plant names its country

            try:
                holidays.country_holidays(self.country, self.subdivision)
            except NotImplementedError:
                where = self.country + (f", {self.subdivision}" if self.subdivision else "")
                raise ValueError(
                    f"no public holidays are known of {where}; list such days in closed"
                ) from None
        return self


class Reel(Part):
    """Geometry of the reels and the splice target."""

    core_diameter_mm: Positive = 76
    caliper_um: Positive = 70
    splice_target_m: NotNegative = 12
    rest_days: Annotated[int, Field(ge=0, le=60)] = 0


class Press(Part):
    """One press."""

    web_width_max_mm: Positive | None = None


class Tank(Part):
    """One ink tank."""

    ink: str
    capacity_kg: Positive | None = None


class Targets(Part):
    """What the plant wants to reach."""

    waste_pct: Positive = 6.0
    breaks_per_100_reels: Positive = 2.5


class Policy(Part):
    """What running out costs, what stock costs, and when orders are reviewed."""

    service_level: Annotated[float, Field(gt=0.5, lt=1)] = 0.998
    review_day: Weekday = "wednesday"
    looked_at: Literal["weekly", "daily"] = "weekly"
    cover_days_minimum: NotNegative = 7
    cover_days_maximum: Positive = 21
    newsprint_storage_maximum_kg: Positive | None = None
    holding_cost_rate: NotNegative = 0.12
    failed_splice_cost: NotNegative = 400
    break_cost: NotNegative = 400
    claim_days: NotNegative = 60
    freight_per_load: NotNegative = 600
    price_breaks_by: Literal["row", "material", "order"] = "material"
    expedite_cost_per_t: NotNegative = 150
    stockout_cost: NotNegative = 50000
    standby_hours: NotNegative = 96

    @model_validator(mode="after")
    def _minimum_below_maximum(self) -> Policy:
        if self.cover_days_minimum > self.cover_days_maximum:
            raise ValueError(
                f"cover_days_minimum {self.cover_days_minimum:g} is above cover_days_maximum "
                f"{self.cover_days_maximum:g}"
            )
        return self


class Accounts(Part):
    """How the books value what was used."""

    valuation: Literal["first_in_first_out", "moving_average"] = "first_in_first_out"


class Measurement(Part):
    """Measuring errors, as one standard deviation."""

    reel_kg: NotNegative = 3
    butt_kg: NotNegative = 0.3
    copies_pct: NotNegative = 0.1
    dip_kg: NotNegative = 60


class Waste(Part):
    """What is sold under one name of ``waste_sold.kind``."""

    holds: Annotated[tuple[WasteStream, ...], Field(min_length=1)]
    plate_kg: NotNegative = 0  # what a plate weighs, where it holds plates

    @field_validator("holds")
    @classmethod
    def _each_once(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        twice = sorted({stream for stream in value if value.count(stream) > 1})
        if twice:
            raise ValueError(f"{', '.join(twice)} stands twice")
        if "plates" in value and len(value) > 1:
            raise ValueError("plates are sold apart from paper")
        return value

    @model_validator(mode="after")
    def _plates_are_weighed(self) -> Waste:
        if ("plates" in self.holds) != (self.plate_kg > 0):
            raise ValueError("a kind that holds plates, and no other, needs plate_kg")
        return self


class Plant(Exported):
    """A plant as its ``plant.toml`` describes it."""

    name: str
    timezone: str
    currency: Annotated[str, Field(pattern="^[A-Z]{3}$")]
    week_starts: Weekday = "monday"
    format: Format = Format()
    calendar: Calendar = Calendar()
    reel: Reel = Reel()
    presses: dict[str, Press] = Field(default_factory=dict)
    tanks: dict[str, Tank] = Field(default_factory=dict)
    targets: Targets = Targets()
    policy: Policy = Policy()
    accounts: Accounts = Accounts()
    measurement: Measurement = Measurement()
    waste: dict[str, Waste] = Field(default_factory=dict)
    owners: dict[str, str] = Field(default_factory=dict)
    contacts: dict[str, str] = Field(default_factory=dict)

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            # Listing all zones takes longer than reading a month of logs, so only a wrong name pays for it.
            near = difflib.get_close_matches(value, sorted(available_timezones()), 1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise ValueError(f"no such IANA time zone{hint}") from None
        return value

    @field_validator("owners")
    @classmethod
    def _known_matters(cls, value: dict[str, str]) -> dict[str, str]:
        for matter, owner in value.items():
            if matter not in (*MATTERS, *DESKS):
                raise ValueError(f"no matter or desk is called {matter!r}{hint(matter, [*MATTERS, *DESKS])}")
            if not owner.strip():
                raise ValueError(f"{matter} is asked of nobody")
        return value

    @cached_property
    def zone(self) -> ZoneInfo:
        """Time zone of the plant."""
        return ZoneInfo(self.timezone)

    def says(self, part: str, key: str) -> bool:
        """Return whether ``plant.toml`` itself says a key of a part; where not, it stands by default."""
        return key in getattr(self, part).model_fields_set

    def week_of(self, days: pd.Series) -> pd.Series:
        """Return the first day of the week of each day or time, by `week_starts`."""
        days = days.dt.normalize()
        first = WEEKDAYS.index(self.week_starts)
        return days - pd.to_timedelta((days.dt.day_of_week - first) % 7, unit="D")

    def week_start(self, day: dt.date | pd.Timestamp) -> pd.Timestamp:
        """Return the first day of the week that `day` lies in."""
        day = pd.Timestamp(day).normalize()
        return day - pd.Timedelta(days=(day.day_of_week - WEEKDAYS.index(self.week_starts)) % 7)

    def first_forecast_week(self, as_of: dt.date | pd.Timestamp) -> pd.Timestamp:
        """Return the first day of the first whole week after `as_of`."""
        return self.week_start(pd.Timestamp(as_of)) + pd.Timedelta(days=7)


def _is_day(word: str) -> bool:
    """Return whether a word is a month-day or a date; the 29th of February is a month-day of some years."""
    if not re.fullmatch(
        r"(\d{4}-)?\d\d-\d\d", word, re.ASCII
    ):  # a week or a date without hyphens names no day
        return False
    try:
        dt.date.fromisoformat(word if len(word) == 10 else f"2024-{word}")
    except ValueError:
        return False
    return True


def _among(days: pd.DatetimeIndex, words: tuple[str, ...]) -> np.ndarray:
    """Return which days are named by weekday, month-day or date."""
    weekdays = [WEEKDAYS.index(word) for word in words if word in WEEKDAYS]
    iso = days.strftime("%Y-%m-%d")
    named = iso.isin(words) | iso.str[5:].isin(words)
    if len(set(weekdays)) < len(WEEKDAYS):
        named |= days.day_of_week.isin(weekdays)
    return np.asarray(named, dtype=bool)


def _keys_beside(location: tuple[Any, ...], model: Any) -> list[str]:
    """Return the known keys of the part of ``plant.toml`` that holds `location`."""
    for step in location[:-1]:
        field = model.model_fields.get(step)
        if field is None:  # the free name of a press, tank or unit
            continue
        kind = field.annotation
        # dict[str, Press] holds presses under free names; a plain part is its own class
        model = next((a for a in getattr(kind, "__args__", ()) if a is not str), kind)
    return list(model.model_fields)


def _explain(error: ValidationError, model: type[Part]) -> str:
    lines = []
    for problem in error.errors():
        key = ".".join(str(step) for step in problem["loc"])
        if problem["type"] == "extra_forbidden":
            known = _keys_beside(problem["loc"], model)
            lines.append(f"{key}: unknown key{hint(str(problem['loc'][-1]), known)}")
        elif problem["type"] == "missing":
            lines.append(f"{key}: required, but absent")
        else:
            # What stands in an address may be a secret.
            hidden = isinstance(problem["input"], dict) or problem["loc"][0] == "source"
            said = "" if hidden else f" = {_short(problem['input'])}"
            lines.append(f"{key}{said}: {problem['msg'].removeprefix('Value error, ')}")
    return "\n  ".join(lines)


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 100 else f"{text[:99]}…"


def _content(path: Path) -> bytes:
    """Return the bytes of ``plant.toml``; nothing is waited for that is no file."""
    try:
        if not path.exists():
            raise PlantError(f"{path}: no such file; a logs folder needs a plant.toml")
        if not path.is_file():
            raise PlantError(f"{path}: no file, so it cannot be read")
        if path.stat().st_size > _LONGEST:
            raise PlantError(f"{path}: longer than {_LONGEST:,} bytes, which nobody wrote")
        return path.read_bytes()
    except OSError as error:
        raise PlantError(f"{path}: cannot be read ({error.strerror})") from None


def read_toml(path: Path) -> dict[str, Any]:
    """Return what a ``plant.toml`` holds; raise PlantError where there is none that could be read."""
    data = _content(path)
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise PlantError(f"{path}: TOML is UTF-8, and byte {error.start} is not") from None
    except ValueError as error:  # beside what is no TOML, a number of thousands of digits
        raise PlantError(f"{path}: not TOML: {error}") from None
    except RecursionError:
        raise PlantError(f"{path}: nested deeper than anything that a plant says of itself") from None


_Described = TypeVar("_Described", bound=Part)


def validated(path: Path, content: dict[str, Any], model: type[_Described]) -> _Described:
    """Return what a ``plant.toml`` says of a plant or a group; raise PlantError naming each key that is wrong."""
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise PlantError(f"{path}:\n  {_explain(error, model)}") from None


def read_plant(path: Path) -> Plant:
    """Read and validate a ``plant.toml``.

    Raises
    ------
    PlantError
        If the file is absent, is no TOML or breaks a rule; the message names each key, its value and the rule, and
        for an unknown key the nearest known one.
    """
    return validated(path, read_toml(path), Plant)
