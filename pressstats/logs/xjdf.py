"""Runs, reels and ink of a job file of the open standard XJDF (CIP4): what its audit pool says was printed and used.

A file is one job part. Of elements in the namespace of the standard, by their published names:

- `runs`, one row: run_id is ``XJDF/@JobID`` and ``@JobPartID`` joined by ``/``, title ``@DescriptiveName``, press
  ``AuditProcessRun/Header/@DeviceID``; started_at and finished_at are the first ``ProcessRun/@Start`` and the last
  ``@End``, since a stop begins no other run. Of the ``Component`` that ``AuditResource`` names as output: copies_good
  is the sum of ``PartAmount/@Amount``, copies_gross that and ``@Waste``, copies_startup_waste ``PartWaste/@Waste``
  whose ``@WasteDetails`` is one of `SETUP` (blank where none has details), copies_running_waste the rest;
  copies_ordered is ``@Amount`` of that ``Component`` outside the audit pool.
- `reel_mounts`, a row for each ``PartAmount`` of the ``Media`` that is input: reel_id is ``Part/@LotID``, mounted_at
  ``@Start`` of the ``ProcessRun`` whose ``Part`` is that lot, or the run's where there is one lot. Used is ``@Amount``
  and ``@Waste``: used_m where ``ResourceSet/@Unit`` is ``m``; where it is ``g`` or ``kg``, start_kg is ``@Amount`` of
  the lot outside the audit pool, and returned_kg that less what was used.
- `coverage`, a row for each ``Part/@Separation`` of the ``Ink`` that is input: its grams divided by
  ``Ink/@SpecificYield`` [g / m2 of solid] are an area, and solid_pages that area in pages of the gross copies.

What the standard has no place for (date, pages, web ...) stands in ``GeneralID/@IDValue`` of the job or the resource,
``@IDUsage`` being our column or the plant's own name for it, or in ``[constants]``. What is missing is blank, so that
the row is set aside by the rules of its column, at the line of its element. From memory of the standard, not seen:
``GeneralID``, ``Header/@DeviceID``, ``ResourceSet/@Unit``.
"""

from __future__ import annotations

import datetime as dt
import io
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from xml.sax import SAXParseException, handler

import numpy as np
import pyarrow as pa

from ..tables import INPUTS
from .delimited import Cells
from .limits import TooMuchError
from .typed import spelled

if TYPE_CHECKING:
    from ..plant import Plant

__all__ = ["NAMESPACE", "SETUP", "read_xjdf"]

NAMESPACE = "http://www.CIP4.org/JDFSchema_2_0"
#: Details of waste that is start-up waste, in small letters. Common practice, no source.
SETUP = ("makeready", "setup", "startup")
_BYTES, _ELEMENTS, _DEEPEST = 20_000_000, 200_000, 50
_GRAMS = {"g": 1.0, "kg": 1000.0}

Row = dict[str, str | float | None]


@dataclass
class _Element:
    """An element: its name without prefix, attributes, line, and what it holds."""

    name: str
    line: int
    attributes: dict[str, str]
    inside: list[_Element] = field(default_factory=list)
    around: tuple[_Element, ...] = ()  # the set and the resource of an amount

    def get(self, attribute: str) -> str | None:
        return self.attributes.get(attribute) or None

    def below(self, *names: str) -> Iterator[_Element]:
        """Return the elements at a path below this one."""
        for one in self.inside:
            if one.name == names[0]:
                if len(names) == 1:
                    yield one
                else:
                    yield from one.below(*names[1:])


class _Reader(handler.ContentHandler):
    """Keeps the elements of a file, with their lines."""

    _locator: Any  # set by the parser

    def __init__(self) -> None:
        super().__init__()
        self.root: _Element | None = None
        self._open: list[_Element] = []
        self._count = 0

    def startElementNS(self, name: Any, qname: str | None, attrs: Any) -> None:  # noqa: ARG002 -- of SAX
        self._count += 1
        if self._count > _ELEMENTS or len(self._open) > _DEEPEST:
            raise TooMuchError("more elements, or deeper ones, than a job has")
        own = {key[1]: value for key, value in attrs.items() if key[0] is None}
        place = name[1] if name[0] == NAMESPACE else ""
        element = _Element(place, self._locator.getLineNumber(), own)
        if self._open:
            self._open[-1].inside.append(element)
        else:
            self.root = element
        self._open.append(element)

    def endElementNS(self, name: Any, qname: str | None) -> None:  # noqa: ARG002 -- of SAX
        self._open.pop()


class _RowError(ValueError):
    """A row that cannot be; the message says why."""


def read_xjdf(data: bytes, plant: Plant) -> dict[str, Cells]:
    """Return the cells of each table that a file has rows of; one that cannot be read is a broken line of `runs`."""
    job, line, trouble = _parsed(data)
    if job is None:
        return {"runs": _cells("runs", [], [(line, "", trouble)], plant)}
    out = {}
    for table, places in (
        ("runs", [job]),
        ("reel_mounts", _used(job, "Media")),
        ("coverage", _used(job, "Ink")),
    ):
        kept: list[tuple[int, Row]] = []
        broken: list[tuple[int, str, str]] = []
        for place in places:
            try:
                run = _run(job, plant)
                kept.append((place.line, run if place is job else _MADE[table](place, job, run, plant)))
            except _RowError as error:
                words = " ".join(f'{name}="{value}"' for name, value in place.attributes.items())
                broken.append((place.line, f"<{place.name} {words}>", str(error)))
        if kept or broken:
            out[table] = _cells(table, kept, broken, plant)
    return out


def _parsed(data: bytes) -> tuple[_Element | None, int, str]:
    """Return the job; None with line and trouble where there is none."""
    from defusedxml.common import DefusedXmlException
    from defusedxml.sax import make_parser

    if len(data) > _BYTES:
        return None, 1, f"more than {_BYTES:,} bytes"
    reader, parser = _Reader(), make_parser()
    parser.setFeature(handler.feature_namespaces, True)
    parser.setContentHandler(reader)
    try:
        parser.parse(io.BytesIO(data))
    except DefusedXmlException:
        return None, 1, "it defines XML entities, which no job does"
    except SAXParseException as error:
        return None, error.getLineNumber() or 1, f"no XML: {error.getMessage()}"
    except TooMuchError as error:
        return None, 1, str(error)
    if reader.root is None or reader.root.name != "XJDF":
        return None, 1, f"no XJDF of {NAMESPACE}"
    return reader.root, 1, ""


def _number(element: _Element, attribute: str) -> float:
    """Return a number of an element, nothing where it is absent."""
    text = element.get(attribute) or "0"
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 <= value < math.inf:
        raise _RowError(f"{attribute} is no amount: {text}")
    return value


def _sets(of: _Element, name: str, usage: str, *path: str) -> Iterator[_Element]:
    """Return the parts of amounts of a resource, each knowing its set and resource."""
    for one in of.below(*path, "ResourceSet"):
        if (one.get("Name"), one.get("Usage")) == (name, usage):
            for resource in one.below("Resource"):
                for amount in resource.below("AmountPool", "PartAmount"):
                    amount.around = (one, resource)
                    yield amount


_AUDITED = ("AuditPool", "AuditResource", "ResourceInfo")


def _used(job: _Element, name: str) -> list[_Element]:
    return list(_sets(job, name, "Input", *_AUDITED))


def _wasted(amount: _Element) -> float:
    parts = sum(_number(part, "Waste") for part in amount.below("PartWaste"))
    return max(_number(amount, "Waste"), parts)


def _named(of: _Element, table: str, plant: Plant) -> Row:
    """Return what stands in identifiers that are called as columns."""
    own, found = plant.columns.get(table, {}), {}
    for one in of.below("GeneralID"):
        usage = one.get("IDUsage") or ""
        for column in own.get(usage, (usage,)):
            if column in INPUTS[table].by_name:
                found[column] = one.get("IDValue")
    return dict(found)


def _part(amount: _Element, attribute: str) -> str | None:
    return next((part.get(attribute) for part in amount.below("Part")), None)


def _run(job: _Element, plant: Plant) -> Row:
    """Return the row of the run, or raise why there is none."""
    process = list(job.below("AuditPool", "AuditProcessRun", "ProcessRun"))
    if not process:
        raise _RowError("its audit pool tells of no process run")
    parts = list(_sets(job, "Component", "Output", *_AUDITED))
    good = sum(_number(part, "Amount") for part in parts) if parts else None
    waste = sum(map(_wasted, parts))
    details = [one for part in parts for one in part.below("PartWaste") if one.get("WasteDetails")]
    setup: float | None = None if waste else 0.0
    if details:
        is_setup = [(one.get("WasteDetails") or "").casefold() in SETUP for one in details]
        setup = sum(_number(one, "Waste") for one, yes in zip(details, is_setup, strict=True) if yes)
    ordered = [_number(part, "Amount") for part in _sets(job, "Component", "Output")]
    names = [job.get("JobID"), job.get("JobPartID")]
    press = [one.get("DeviceID") for one in job.below("AuditPool", "AuditProcessRun", "Header")]
    return {
        "run_id": "/".join(name for name in names if name) or None,
        "title": job.get("DescriptiveName"),
        "press": next((name for name in press if name), None),
        "started_at": _first([one.get("Start") for one in process]),
        "finished_at": _first([one.get("End") for one in process], last=True),
        "copies_ordered": sum(ordered) if ordered else None,
        "copies_gross": None if good is None else good + waste,
        "copies_good": good,
        "copies_startup_waste": setup,
        "copies_running_waste": None if setup is None else waste - setup,
    } | _named(job, "runs", plant)


def _first(times: list[str | None], last: bool = False) -> str | None:
    """Return the first time, or the last; where one cannot be read that one, which is set aside."""
    known = [time for time in times if time]

    def moment(time: str) -> float:
        return dt.datetime.fromisoformat(time).replace(microsecond=0).timestamp()

    for time in known:
        try:
            moment(time)
        except (ValueError, OverflowError):
            return time
    return sorted(known, key=moment)[-1 if last else 0] if known else None


def _mount(amount: _Element, job: _Element, run: Row, plant: Plant) -> Row:
    lot, (of, resource) = _part(amount, "LotID"), amount.around
    used, unit = _number(amount, "Amount") + _wasted(amount), of.get("Unit") or ""
    own = [
        one.get("Start")
        for one in job.below("AuditPool", "AuditProcessRun", "ProcessRun")
        if lot and lot in [part.get("LotID") for part in one.below("Part")]
    ]
    alone = len(_used(job, "Media")) == 1
    row: Row = {"run_id": run["run_id"], "reel_id": lot}
    row["mounted_at"] = _first(own) or (run["started_at"] if alone else None)
    if unit == "m":
        row["used_m"] = used
    elif unit in _GRAMS:
        before = [
            _number(one, "Amount") for one in _sets(job, "Media", "Input") if _part(one, "LotID") == lot
        ]
        if not before:
            raise _RowError("what the lot weighed as mounted is not said, so nobody knows what went back")
        row["start_kg"] = before[0] * _GRAMS[unit] / 1000
        row["returned_kg"] = (before[0] - used) * _GRAMS[unit] / 1000
    else:
        raise _RowError(f"an amount in {unit or 'no unit'}, where m, g or kg is wanted")
    return row | _named(resource, "reel_mounts", plant)


def _inked(amount: _Element, _job: _Element, run: Row, plant: Plant) -> Row:
    of, resource = amount.around
    grams = (_number(amount, "Amount") + _wasted(amount)) * _GRAMS.get(of.get("Unit") or "", math.nan)
    film = next((_number(ink, "SpecificYield") for ink in resource.below("Ink")), 0.0)
    given = plant.constants.get("runs", {}) | {
        name: value for name, value in run.items() if value is not None
    }
    try:
        area = (
            math.prod(float(given[name]) for name in ("page_width_mm", "page_height_mm", "copies_gross"))
            / 1e6
        )
    except (KeyError, ValueError):
        area = 0.0
    if not (grams >= 0 and film > 0 and area > 0):
        raise _RowError(
            "an amount in g or kg, SpecificYield, page size and copies are needed to know what it covered"
        )
    row: Row = {
        "run_id": run["run_id"],
        "ink": _part(amount, "Separation"),
        "solid_pages": grams / film / area,
    }
    return row | _named(resource, "coverage", plant)


_MADE = {"reel_mounts": _mount, "coverage": _inked}


def _cells(
    table: str, rows: list[tuple[int, Row]], broken: list[tuple[int, str, str]], plant: Plant
) -> Cells:
    """Return rows as cells of text; every column is there, unless the plant has a constant for it."""
    decimal, constants = plant.format.decimal or ".", plant.constants.get(table, {})
    names = [
        name
        for name in INPUTS[table].names
        if name not in constants or any(row.get(name) is not None for _, row in rows)
    ]

    def text(name: str, value: str | float | None) -> str | None:
        if isinstance(value, str) and INPUTS[table][name].is_number:
            try:
                value = float(value)  # XML has points
            except ValueError:
                return str(value)
        return spelled(float(value) if isinstance(value, int) else value, decimal)

    columns = [pa.array([text(name, row.get(name)) for _, row in rows], pa.string()) for name in names]
    return Cells(names, columns, np.array([line for line, _ in rows], dtype=np.int64), broken=broken)
