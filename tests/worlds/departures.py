"""Ways in which logs differ: dips further apart, tables missing, units, formats, a counter that loses copies."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from .logs import Folder
from .scenario import WorldScenario

__all__ = [
    "KG",
    "agreed",
    "beside_itself",
    "counter",
    "day_first",
    "dips",
    "drop",
    "emptied",
    "neglected",
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


#: Columns whose words name something of a plant's own: another hall has its own.
_OWN = {
    "run_id",
    "title",
    "press",
    "material",
    "reelstand",
    "reel_id",
    "delivery_id",
    "order_id",
    "load",
    "tank",
    "ink",
}
_OWN |= {"stands_in_for", "supply", "event"}
_MARKS = ("", "-B", "-C", "-D", "-E")


def beside_itself(halls: int) -> Transform:
    """Let the plant stand beside itself: halls, each with narrower paper, inks, presses and titles of its own."""

    def transform(folder: Folder, _scenario: WorldScenario) -> None:
        folder.tables.pop("waste_sold", None)
        lines = folder.toml.split("\n\n")
        for mark in _MARKS[1:halls]:
            for block in lines:
                if block.startswith(("[presses.", "[tanks.")):
                    named = block.replace("]", f"{mark}]", 1).replace('"\n', f'{mark}"\n', 1)
                    folder.toml += "\n\n" + named.strip()
        folder.toml += "\n"
        for name, rows in folder.tables.items():
            folder.tables[name] = pd.concat(
                [rows, *(_hall(rows, mark, 1 - 0.08 * n) for n, mark in enumerate(_MARKS[:halls]) if n)],
                ignore_index=True,
            )

    return transform


def _hall(rows: pd.DataFrame, mark: str, ratio: float) -> pd.DataFrame:
    """Return the rows of a hall beside the first: names of its own, paper as narrow as `ratio` says."""
    named = {c: rows[c].where(rows[c] == "", rows[c] + mark) for c in rows if c in _OWN}
    paper = rows["material"].str.startswith("N") if "material" in rows else pd.Series(True, rows.index)
    narrow = [c for c in rows if c in ("width_mm", "page_width_mm") or c in KG or c == "received_kg"]
    narrow += [c for c in rows if c.endswith("quantity") and c not in ("from_quantity", "load_quantity")]
    for column in narrow:
        if column.endswith("_kg") or paper.any():
            size = pd.to_numeric(rows[column]) * ratio
            digits = 1 if column in KG else 0
            words = size.round(digits).map(lambda v, d=digits: "" if pd.isna(v) else f"{v:.{d}f}")
            named[column] = rows[column].where(~paper, words)
    return rows.assign(**named)


def neglected(folder: Folder, scenario: WorldScenario) -> None:
    """Let what is on order be late, tests of standby supplies be long overdue, and counts find less than the books."""
    rows = folder.tables["deliveries"]
    still = (rows["delivered_on"] == "") & (rows["cancelled_on"] == "")
    late = (pd.Timestamp(scenario.as_of) - pd.Timedelta(days=4)).strftime("%Y-%m-%d")
    folder.tables["deliveries"] = rows.assign(promised_on=rows["promised_on"].mask(still, late))
    standby = folder.tables["standby"]
    folder.tables["standby"] = standby.assign(tested_on="2024-01-08")
    counts = folder.tables["stock_counts"]
    last = counts["counted_on"] == counts["counted_on"].max()
    less = (pd.to_numeric(counts["quantity"]) * 0.4).round().map("{:.0f}".format)
    folder.tables["stock_counts"] = counts.assign(quantity=counts["quantity"].mask(last, less))
