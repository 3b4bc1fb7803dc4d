"""Writes logs as an invented plant would export them (tests/bench/plant_exports.toml), and knows the answers."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from pressstats import publish
from pressstats.logs import Logs, read_logs
from pressstats.tables import INPUTS

if TYPE_CHECKING:
    from pressstats.start import Proposal

__all__ = [
    "Answers",
    "Score",
    "differing",
    "exporting_plants",
    "judged",
    "publications_apart",
    "tables_apart",
    "told",
    "weeks_of",
    "write_clean",
    "write_exports",
]

#: What one of their units is in ours, exact by definition.
FACTORS = {"lb": 0.45359237, "t": 1000.0, "inch": 25.4, "cm": 10.0, "ft": 0.3048}
WINDOW_DAYS = 55
EPOCH = pd.Timestamp(
    "1899-12-30"
)  # day 0 of the 1900 date system of ECMA-376, part 1, 18.17.4.1, from March 1900 on
_IN_TONNES = (
    "quantity",
    "quantity_ordered",
    "pack_quantity",
    "load_quantity",
    "order_minimum",
    "storage_maximum",
)


@dataclass
class Answers:
    """What `start` should find: by table its files, ours by their column, units, constants and words."""

    files: dict[str, set[str]] = field(default_factory=dict)
    columns: dict[str, dict[str, set[str]]] = field(default_factory=dict)
    units: dict[str, dict[str, Any]] = field(default_factory=dict)
    keys: dict[str, list[str]] = field(default_factory=dict)
    nights_dated_by: str = "calendar"
    constants: dict[str, dict[str, Any]] = field(default_factory=dict)
    values: dict[str, dict[str, dict[str, str]]] = field(default_factory=dict)
    words: dict[str, dict[str, set[str]]] = field(default_factory=dict)
    clean: dict[str, pd.DataFrame] = field(default_factory=dict)


def exporting_plants() -> list[dict[str, Any]]:
    """Return the plants, the first twenty and those that came later."""
    text = (Path(__file__).parent / "bench" / "plant_exports.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)["plant"]


def weeks_of(logs: Logs, days: int = WINDOW_DAYS) -> dict[str, pd.DataFrame]:
    """Return the last days of a plant's logs."""
    tables = dict(logs.tables)
    first = logs.as_of - pd.Timedelta(days=days)
    tables["runs"] = tables["runs"][tables["runs"]["date"] >= first]
    for name in ("run_webs", "reel_mounts", "coverage"):
        tables[name] = tables[name][tables[name]["run_id"].isin(tables["runs"]["run_id"])]
    for name, column in (
        ("tank_readings", "read_at"),
        ("stock_counts", "counted_on"),
        ("waste_sold", "sold_on"),
    ):
        tables[name] = tables[name][tables[name][column] >= first]
    tables["plan"] = tables["plan"][tables["plan"]["date"] >= first]
    tables["deliveries"] = tables["deliveries"][
        tables["deliveries"]["ordered_on"] >= first - pd.Timedelta(days=90)
    ]
    mounted = tables["reel_mounts"][["supplier", "reel_id"]].drop_duplicates()
    tables["reels"] = tables["reels"].merge(mounted, on=["supplier", "reel_id"])
    known = tables["reels"]["delivery_id"].isin(tables["deliveries"]["delivery_id"])
    tables["reels"]["delivery_id"] = tables["reels"]["delivery_id"].where(known)
    return {name: table.reset_index(drop=True) for name, table in tables.items()}


def _localised(number: float, style: dict[str, Any], whole: bool) -> str:
    if number != number:
        return ""
    text = f"{number:,.0f}" if whole else f"{number:,.4f}".rstrip("0").rstrip(".")
    return text.translate(str.maketrans({",": style["thousands"], ".": style["decimal"]}))


def _cells(table: str, ours: str, frame: pd.DataFrame, plant: dict[str, Any]) -> pd.Series:
    """Return a column as the plant writes it; typed for a workbook."""
    name, _, part = ours.partition(".")
    style = plant["format"]
    if name == "runs":  # a part of the run's identifier, which this table only carries for it
        column, values = INPUTS["runs"][part], frame[f"run {part}"]
        part = ""
    else:
        column, values = INPUTS[table][name], frame[name]
    typed = style.get("suffix") in ("xlsx", "parquet")
    paper = frame["newsprint"] if table in plant.get("tonnes", ()) else None
    if column.is_number:
        unit = plant.get("units", {}).get(table, {}).get(name)
        values = values / FACTORS.get(unit, 1.0) if unit else values
        if paper is not None and (name in _IN_TONNES or name == "unit_price"):
            values = values.where(~paper, values * FACTORS["t"] ** (1 if name == "unit_price" else -1))
        whole = column.kind == "count" or bool((values.dropna() == values.dropna().round()).all())
        return values.round(4) if typed else values.map(lambda number: _localised(number, style, whole))
    if column.is_time:
        if part == "night":
            values = values - pd.to_timedelta((values.dt.hour < 12).astype(float), unit="D")
            part = "day"
        if style["dates"] == "serial":
            days = (values - EPOCH) / pd.Timedelta(days=1)
            shown = "{:.0f}" if column.kind == "date" else "{:.10f}"
            return days.map(
                lambda day: "" if day != day else shown.format(day).replace(".", style["decimal"])
            )
        form = {"day": style["dates"], "clock": "%H:%M"}.get(part)
        form = form or (style["times"] if column.kind == "time" else style["dates"])
        return values if typed and not part else values.dt.strftime(form).fillna("")
    words = plant["values"].get(name)
    values = values.map(lambda word: words.get(word, word) if words else word)
    return values.where(~paper, "t") if paper is not None and name == "unit" else values


def _as_the_plant_has_them(
    plant: dict[str, Any], tables: dict[str, pd.DataFrame]
) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Return the tables with the plant's own identifiers, and with those that they make together with other columns.

    A run's number begins anew each night, a delivery's is that of its load, which has a row a material.
    """
    own = {name: table.copy() for name, table in tables.items()}
    for name in plant.get("tonnes", ()):
        papers = own["materials"].loc[own["materials"]["kind"] == "newsprint", "material"]
        own[name]["newsprint"] = own[name]["material"].isin(papers)
    clean = {name: table.copy() for name, table in tables.items()}
    for owner, parts in plant.get("keys", {}).items():
        identifier = parts[0]
        rows = tables[owner]
        if owner == "runs":
            other = (rows.groupby("date").cumcount() + 1).astype(str)
        else:
            other = rows["load"].mask(rows.duplicated(["load", "material"], keep=False), rows[identifier])
        number = pd.Series(other.to_numpy(), rows[identifier])
        for name, table in own.items():
            if identifier in table:
                carried = tables[name][identifier]
                table[identifier] = said = carried.map(number)
                for part in parts[1:]:
                    cells = carried.map(pd.Series(rows[part].to_numpy(), rows[identifier]))
                    if owner == "runs":
                        table[f"run {part}"] = cells
                    said = said.str.cat(cells.dt.strftime("%Y-%m-%d") if part == "date" else cells, sep=" ")
                clean[name][identifier] = said
    return own, clean


def write_exports(plant: dict[str, Any], tables: dict[str, pd.DataFrame], folder: Path) -> Answers:
    """Write the tables as a plant exports them; return what is right."""
    folder.mkdir(parents=True, exist_ok=True)
    answers, style = Answers(), plant["format"]
    answers.keys, answers.nights_dated_by = plant.get("keys", {}), plant.get("nights_dated_by", "calendar")
    own, clean = _as_the_plant_has_them(plant, tables)
    books: dict[str, dict[str, pd.DataFrame]] = {}
    texts: dict[str, tuple[str, pd.DataFrame]] = {}
    for table, text in plant["tables"].items():
        file, *pairs = (part.strip() for part in text.split(";"))
        frame, out = own[table], pd.DataFrame(index=tables[table].index)
        columns: dict[str, set[str]] = {}
        for pair in pairs:
            theirs, ours = (side.strip() for side in pair.rsplit(" = ", 1))
            shown = "started_at.night" if ours == "night+" else ours
            out[theirs] = f"x{len(theirs)}" if ours == "+" else _cells(table, shown, frame, plant)
            name, _, part = ours.partition(".")
            meant = {"night+": {"started_at", "finished_at"}, "+": set()}
            columns[theirs] = meant.get(ours, {part if name == "runs" else name})
        _keep_answers(answers, plant, table, columns, {"own": frame, "clean": clean[table], "out": out})
        if "#" in file:
            book, sheet = file.split("#")
            books.setdefault(book, {})[sheet] = out
            answers.files[table] = {file}
        elif file in texts:  # two tables in one file, a row each of the second
            first, above = texts[file]
            shared = out.columns.intersection(above.columns).tolist()
            both = above.merge(out, on=shared, how="left")
            answers.columns[table] |= {name: set() for name in above.columns.difference(shared)}
            answers.columns[first] |= {name: set() for name in out.columns.difference(shared)}
            answers.files[table] = _write_texts(folder, file, both, both, style)
        else:
            texts[file] = table, out
            answers.files[table] = _write_texts(folder, file, out, frame, style)
    for book, sheets in books.items():
        with pd.ExcelWriter(folder / book, datetime_format="dd.mm.yyyy hh:mm") as writer:
            for sheet, out in sheets.items():
                titles = style.get("titles", 0)
                out.to_excel(writer, sheet_name=sheet, index=False, startrow=titles)
                for row in range(titles):
                    writer.sheets[sheet].write(row, 0, f"{sheet}, {row + 1}")
    return answers


def _keep_answers(
    answers: Answers,
    plant: dict[str, Any],
    table: str,
    columns: dict[str, set[str]],
    frames: dict[str, pd.DataFrame],
) -> None:
    """Keep what is right of one table."""
    used = set().union(*columns.values())
    answers.columns[table] = columns
    for column in INPUTS[table].columns:
        if column.name not in used and not column.optional and frames["own"][column.name].notna().any():
            assert frames["own"][column.name].nunique() == 1, (table, column.name)
            answers.constants.setdefault(table, {})[column.name] = frames["own"][column.name].iloc[0]
            used.add(column.name)
    answers.clean[table] = frames["clean"][[name for name in INPUTS[table].names if name in used]]
    answers.units[table] = dict(plant.get("units", {}).get(table, {}))
    answers.values[table] = {
        name: {str(own): ours for ours, own in plant["values"][name].items()}
        for name in used & plant["values"].keys()
        if not (name == "kind" and table in ("waste_sold", "standby", "titles"))
    }
    if table in plant.get("tonnes", ()):
        units = dict.fromkeys(_IN_TONNES, "t") | {"unit_price": "currency / t"}
        answers.units[table] |= {name: {"newsprint": unit} for name, unit in units.items() if name in used}
        if table == "materials":
            answers.values[table]["unit"]["t"] = "kg"
    answers.words[table] = {
        name: set(frames["out"][next(t for t, o in columns.items() if name in o)])
        for name in answers.values[table]
    }


def _write_texts(
    folder: Path, file: str, out: pd.DataFrame, frame: pd.DataFrame, style: dict[str, Any]
) -> set[str]:
    """Write a table as text, a file a month where its name asks for it."""
    times = frame.get("date", frame.get("mounted_at"))
    months = times.dt.strftime("%Y-%m") if "{month}" in file else pd.Series("", out.index)
    names = set()
    for month, rows in out.groupby(months):
        if file.endswith(".parquet"):
            rows.to_parquet(folder / file.replace("{month}", str(month)), index=False)
            names.add(file.replace("{month}", str(month)))
            continue
        text = rows.to_csv(sep=style["sep"], index=False, lineterminator="\r\n")
        titles = "".join(
            f"{file} {n}\r\n" if n else f"{file}{style['sep'] * (out.shape[1] - 1)}\r\n"
            for n in range(style.get("titles", 0))
        )
        name = file.replace("{month}", str(month))
        (folder / name).write_bytes((titles + text).encode(style["encoding"], "replace"))
        names.add(name)
    return names


@dataclass
class Score:
    """How `start` did on one plant: columns, of which mapped rightly, said to be sure, and sure but wrong."""

    columns: int = 0
    right: int = 0
    sure: int = 0
    sure_wrong: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    told: int = 0
    same: bool = False
    tables: int = 0
    apart: int = 0


def judged(proposal: Proposal, answers: Answers) -> Score:
    """Return how a proposal compares with the answers: columns, units, words and files."""
    score, tables = Score(), {one.table: one for one in proposal.tables}
    for table, columns in answers.columns.items():
        one = tables.get(table)
        if one is not None and set(one.found.patterns) != answers.files[table]:
            score.sure_wrong += [f"file of {table}"] * one.sure
            one = None
        for theirs, ours in columns.items():
            mapped = [] if one is None else [m for m in one.columns.values() if theirs in m.names]
            right = {m.ours for m in mapped} == ours
            score.columns += 1
            score.right += right
            score.sure += bool(mapped) and all(m.sure for m in mapped)
            score.wrong += [] if right else [f"{table}: {theirs} = {[m.ours for m in mapped]}, not {ours}"]
            for m in mapped:
                unit = answers.units[table].get(m.ours, "")
                found = {m.of_kind: m.unit} if m.of_kind else m.unit
                wrong_unit = right and m.unit_sure and found != unit
                score.sure_wrong += [f"{table}: {theirs} = {m.ours} {m.unit}"] * (
                    m.sure and (not right or wrong_unit)
                )
    for owner, made in proposal.keys.items():
        score.sure_wrong += [f"keys of {owner}: {made}"] * (made != answers.keys.get(owner))
    for (table, name), words in proposal.words.items():
        known = answers.values.get(table, {}).get(name, {})
        score.sure_wrong += [
            f"{table}.{name}: {word.own} = {word.ours}"
            for word in words
            if word.ours and not word.why and known.get(word.own, word.own) != word.ours
        ]
    return score


def told(text: str, answers: Answers) -> tuple[str, int]:
    """Return ``plant.toml`` as a person completes it who knows the plant, and how much had to be said."""
    plant = tomllib.loads(text)
    said = 0

    def say(part: dict[str, Any], key: str, value: Any) -> None:
        nonlocal said
        if part.get(key) != value:
            part[key], said = value, said + 1

    for owner, parts in answers.keys.items():
        say(plant.setdefault("keys", {}), owner, parts)
    if answers.nights_dated_by != plant.get("exports", {}).get("nights_dated_by", "calendar"):
        say(plant.setdefault("exports", {}), "nights_dated_by", answers.nights_dated_by)
    say(plant, "timezone", "CET")
    say(plant, "currency", "EUR")
    for table, columns in answers.columns.items():
        if table not in plant["files"]:
            say(plant["files"], table, sorted(answers.files[table]))
        mine = plant.setdefault("columns", {}).setdefault(table, {})
        for theirs, ours in columns.items():
            if not ours and theirs in mine:
                said += bool(mine.pop(theirs))
            elif ours and {theirs} != ours:
                say(mine, theirs, sorted(ours) if len(ours) > 1 else next(iter(ours)))
        units = plant.setdefault("units", {}).setdefault(table, {})
        for name in {*units, *answers.units[table]}:
            say(units, name, answers.units[table].get(name, INPUTS[table][name].unit))
        for name, words in answers.values[table].items():
            mine = plant.setdefault("values", {}).setdefault(table, {}).setdefault(name, {})
            for word in answers.words[table][name] & {
                own for own, ours in words.items() if own.lower() != ours
            }:
                say(mine, word, words[word])
        for name, value in answers.constants.get(table, {}).items():
            say(plant.setdefault("constants", {}).setdefault(table, {}), name, value)
    return _toml(plant), said


def _toml(part: dict[str, Any], path: str = "") -> str:
    lines = [
        f"{json.dumps(key, ensure_ascii=False)} = {json.dumps(value, ensure_ascii=False)}"
        for key, value in part.items()
        if not isinstance(value, dict)
    ]
    out = (f"[{path}]\n" if path else "") + "\n".join(lines) + "\n"
    for key, value in part.items():
        if isinstance(value, dict) and value:
            out += _toml(value, f"{path}.{key}".lstrip("."))
    return out


def write_clean(folder: Path, answers: Answers) -> Path:
    """Write the logs that the exports stand for as the tables are declared."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plant.toml").write_text('name = "Clean"\ntimezone = "CET"\ncurrency = "EUR"\n')
    for table, frame in answers.clean.items():
        frame.to_csv(folder / f"{table}.csv", index=False)
    return folder


def tables_apart(
    found: dict[str, pd.DataFrame], expected: dict[str, pd.DataFrame]
) -> tuple[list[str], list[str]]:
    """Return the published tables with rows, and those that differ by more than rounding.

    Cells of the exports are rounded to four decimals: 1 % of what is derived from them is allowed, and where a column
    has numbers far below its largest, a thousandth of that. What names files and lines differs by nature. Of an
    order plan the orders of the first review are compared: the search ends within a gap of the least cost, so rounding
    may take later ones, which every review decides anew, to others as good.
    """
    found, expected = _first_orders(found), _first_orders(expected)
    both = [
        pd.concat(
            {name: table.astype(str).fillna("").stack() for name, table in tables.items() if len(table)}
        )
        for tables in (found, expected)
    ]
    names = [{key[0] for key in one.index} - {"rejected_rows", "warning_rows"} for one in both]
    apart = sorted(names[0] ^ names[1])
    for name in sorted(names[0] & names[1]):
        left, right = (one[name] for one in both)
        if not left.index.equals(right.index):
            apart.append(name)
            continue
        here, there = (pd.to_numeric(one, errors="coerce") for one in (left, right))
        largest = there.abs().groupby(level=1).transform("max")
        near = (here - there).abs() <= 0.01 * there.abs() + 0.001 * largest
        if not ((left == right) | near).all():
            apart.append(name)
    return sorted(names[0] | names[1]), apart


def _first_orders(tables: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Return tables with the orders of the first review alone."""
    plan = tables.get("order_plan")
    if plan is None or plan.empty:
        return tables
    return tables | {"order_plan": plan[plan["order_on"] == plan["order_on"].min()]}


def publications_apart(folder: Path, clean: Path, out: Path) -> tuple[list[str], list[str]]:
    """Publish the exports and the clean logs, and compare their tables."""
    found, expected = (
        {
            path.stem: pd.read_csv(path, dtype=str)
            for path in (publish(logs, out / logs.name, "", ["log_check"]).folder / "tables").glob("*.csv")
        }
        for logs in (folder, clean)
    )
    return tables_apart(found, expected)


def differing(folder: Path, clean: Path, answers: Answers) -> list[str]:
    """Return the tables of the exports that are not those of the clean logs, to rounding."""
    write_clean(clean, answers)
    expected, found = read_logs(clean), read_logs(folder)
    out = [] if found.rejected.empty == expected.rejected.empty else ["rejected"]
    for table in answers.clean:
        try:
            key = list(INPUTS[table].key)
            rows = [logs[table].sort_values(key, ignore_index=True) for logs in (found, expected)]
            pd.testing.assert_frame_equal(*rows, rtol=2e-3, atol=6e-3)
        except (AssertionError, KeyError) as error:
            out.append(f"{table}: {str(error)[:300]}")
    return out
