"""Ways in which logs differ: dips further apart, tables missing, units, formats, a counter that loses copies."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from .logs import Folder
from .scenario import WorldScenario

__all__ = [
    "KG",
    "agreed",
    "counter",
    "day_first",
    "dips",
    "drop",
    "emptied",
    "no_ink_counts",
    "no_open_orders",
    "no_weights",
    "nominal",
    "only",
    "open_until",
    "scaled",
    "toml",
]  # fmt: skip

KG = ("start_kg", "strip_kg", "returned_kg", "butt_kg", "scrapped_kg")
Transform = Callable[[Folder, WorldScenario], None]


def dips(every: int) -> Transform:
    """Keep the dips of one day in `every`, Mondays."""

    def transform(folder: Folder, scenario: WorldScenario) -> None:
        rows = folder.tables["tank_readings"]
        day = pd.to_datetime(rows["read_at"].str[:10])
        since = (day - pd.Timestamp(scenario.first)).dt.days
        folder.tables["tank_readings"] = rows[since % every == 0]

    return transform


def no_ink_counts(folder: Folder, _scenario: WorldScenario) -> None:
    """Leave ink out of the stock counts: its dips are its counts."""
    rows = folder.tables["stock_counts"]
    folder.tables["stock_counts"] = rows[~rows["material"].str.startswith("ink")]


def no_open_orders(folder: Folder, _scenario: WorldScenario) -> None:
    """Leave out what is on order and has not come."""
    rows = folder.tables["deliveries"]
    folder.tables["deliveries"] = rows[rows["delivered_on"] != ""]


def open_until(days: int) -> Transform:
    """Leave out what is on order and promised for later than `days` after the cut."""

    def transform(folder: Folder, scenario: WorldScenario) -> None:
        rows = folder.tables["deliveries"]
        last = (pd.Timestamp(scenario.as_of) + pd.Timedelta(days=days)).strftime("%Y-%m-%d")
        folder.tables["deliveries"] = rows[(rows["delivered_on"] != "") | (rows["promised_on"] <= last)]

    return transform


def nominal(gsm: float) -> Transform:
    """State another nominal grammage for the 45 g newsprints."""

    def transform(folder: Folder, _scenario: WorldScenario) -> None:
        rows = folder.tables["materials"]
        rows.loc[rows["material"].str.startswith("N45"), "grammage_gsm"] = f"{gsm:g}"

    return transform


def agreed(day: str) -> Transform:
    """State since when the coming prices are agreed."""

    def transform(folder: Folder, scenario: WorldScenario) -> None:
        rows = folder.tables["prices"]
        coming = rows["valid_from"] == scenario.price_day.isoformat()
        folder.tables["prices"] = rows.assign(agreed_on=coming.map({True: day, False: ""}))

    return transform


def counter(share: float) -> Transform:
    """Let every press counter miss copies."""

    def transform(folder: Folder, _scenario: WorldScenario) -> None:
        rows = folder.tables["runs"]
        parts = ["copies_good", "copies_startup_waste", "copies_running_waste"]
        numbers = rows[["copies_gross", *parts]].astype(float)
        uncounted = numbers["copies_gross"] - numbers[parts].sum(axis=1)
        scaled = (numbers[parts] * share).round()
        scaled["copies_gross"] = scaled.sum(axis=1) + (uncounted * share).round()
        folder.tables["runs"] = rows.assign(**{str(c): scaled[c].astype(int).astype(str) for c in scaled})

    return transform


def no_weights(folder: Folder, _scenario: WorldScenario) -> None:
    """Leave out the weights of strip and butts reel by reel."""
    rows = folder.tables["reel_mounts"]
    folder.tables["reel_mounts"] = rows.drop(columns=["strip_kg", "butt_kg", "butt_mm"])


def drop(*tables: str) -> Transform:
    """Leave tables out."""

    def transform(folder: Folder, _scenario: WorldScenario) -> None:
        for name in tables:
            folder.tables.pop(name)

    return transform


def only(*tables: str) -> Transform:
    """Leave out all other tables."""

    def transform(folder: Folder, _scenario: WorldScenario) -> None:
        folder.tables = {name: folder.tables[name] for name in tables}

    return transform


def emptied(*tables: str) -> Transform:
    """Leave nothing but the header of tables."""

    def transform(folder: Folder, _scenario: WorldScenario) -> None:
        for name in tables:
            folder.tables[name] = folder.tables[name].iloc[:0]

    return transform


def scaled(table: str, columns: tuple[str, ...], factor: float) -> Transform:
    """Log columns in another unit without saying so."""

    def transform(folder: Folder, _scenario: WorldScenario) -> None:
        rows = folder.tables[table]
        for column in columns:
            value = pd.to_numeric(rows[column]) * factor
            rows[column] = value.map(lambda v: "" if pd.isna(v) else f"{v:.6g}")

    return transform


def toml(old: str, new: str) -> Transform:
    """Change a line of ``plant.toml``."""

    def transform(folder: Folder, _scenario: WorldScenario) -> None:
        if old not in folder.toml:
            raise ValueError(f"plant.toml has no {old!r}")
        folder.toml = folder.toml.replace(old, new, 1)

    return transform


def day_first(folder: Folder, _scenario: WorldScenario) -> None:
    """Write dates day first, decimals with a comma, semicolons between the columns."""
    stamp = r"^(\d{4})-(\d\d)-(\d\d)(.*)$"
    for name, rows in folder.tables.items():
        for column in rows:
            text = rows[column].str.replace(stamp, r"\3.\2.\1\4", regex=True)
            folder.tables[name][column] = text.str.replace(r"^(-?\d+)\.(\d+)$", r"\1,\2", regex=True)
    folder.delimiter = ";"
    folder.toml = folder.toml.replace(
        "[calendar]", '[format]\ndates = "day_first"\ndecimal = ","\n\n[calendar]', 1
    )
