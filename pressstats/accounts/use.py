"""What was used of each material, by day and by the run that used it: what every account adds up.

Newsprint is what reels lost for good, plates those exposed, ink what left the tanks, everything else what counts and
receipts tell. What no run used, idle loss of ink and what has no counter, stands by day alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..geometry import paper_kg
from ..ink import expected_use

if TYPE_CHECKING:
    from ..logs import Logs
    from ..paper import WeighedPaper

__all__ = ["ink_materials", "material_use"]

_COLUMNS = {"material": "str", "kind": "str", "day": "datetime64[us]", "run_id": "str", "supplier": "str"}
_COLUMNS |= {"quantity": "float64", "estimated": "bool"}
#: Days whose mean use stands for what no count has told yet.
_LATELY_DAYS = 91


def material_use(
    logs: Logs, weighed: WeighedPaper, exposure: pd.DataFrame, model: pd.DataFrame, history: pd.DataFrame
) -> pd.DataFrame:
    """Return the use of each material.

    Parameters
    ----------
    logs : Logs
        The logs; without ``materials`` there are no rows.
    weighed : WeighedPaper
        Result of :func:`pressstats.paper.weighed_paper`.
    exposure, model : DataFrame
        Results of :func:`pressstats.ink.ink_exposure` and :func:`pressstats.ink.ink_model`.
    history : DataFrame, shape (weeks, materials)
        Result of :func:`pressstats.demand.weekly_use`: use of ink free of the error of dips.

    Returns
    -------
    DataFrame, shape (rows, 7)
        material, kind, day (publication date of the run), run_id and supplier (empty where no run or no reel tells
        it), quantity [unit of the material], estimated (it was not weighed, counted or dipped: a run without whole
        reel records, days that neither dips nor counts reach). A material whose use nothing tells has no rows.
    """
    parts = []
    if logs.has("materials"):
        parts = [_newsprint(logs, weighed), _plates(logs), *_inks(logs, exposure, model, history)]
        parts += [_counted(logs, name) for name in _without_counter(logs)]
    parts = [part for part in parts if len(part)]
    blank = pd.DataFrame(columns=list(_COLUMNS)).astype(_COLUMNS)
    if not parts:
        return blank
    table = pd.concat([part[list(_COLUMNS)].astype(_COLUMNS) for part in parts], ignore_index=True)
    return table.sort_values(["material", "day", "run_id"], kind="stable", ignore_index=True)


def ink_materials(logs: Logs) -> pd.Series:
    """Return the ink of each material that alone holds it and is bought in kg; index material."""
    inks = logs["materials"]
    inks = inks[(inks["kind"] == "ink") & inks["ink"].notna()]
    alone = inks[~inks["ink"].duplicated(keep=False) & (inks["unit"] == "kg")]
    return alone.set_index("material")["ink"]


def _newsprint(logs: Logs, weighed: WeighedPaper) -> pd.DataFrame:
    """Return paper by run, material and supplier: as weighed, else gross copies with the waste that was usual."""
    runs, webs, mounts = weighed.runs, weighed.webs, weighed.mounts
    whole = runs["has_reels"].to_numpy(dtype=bool)
    printed = paper_kg(webs["area_m2"], webs["nominal_gsm"])
    parts, usual = [], 1.0
    if mounts is not None and whole.any():
        run = mounts["run"].to_numpy()
        own = mounts[(run >= 0) & whole[np.maximum(run, 0)]]
        kg = own.groupby(["run", "material", "supplier"], sort=False)["mounted_kg"].sum().reset_index()
        parts.append(kg.rename(columns={"mounted_kg": "quantity"}).assign(estimated=False))
        usual = kg["mounted_kg"].sum() / printed[whole[webs["run"].to_numpy()]].sum()
    lacking = webs.assign(quantity=printed * usual)[~whole[webs["run"].to_numpy()]].dropna(subset="quantity")
    if len(lacking):
        kg = lacking.groupby(["run", "material"], sort=False)["quantity"].sum().reset_index()
        parts.append(kg.assign(supplier="", estimated=True))
    if not parts:
        return pd.DataFrame(columns=list(_COLUMNS))
    table = pd.concat(parts, ignore_index=True)
    table = table[table["material"].isin(logs.listed("newsprint", "kg"))]
    run = table["run"].to_numpy()
    return table.assign(
        kind="newsprint", day=runs["date"].to_numpy()[run], run_id=runs["run_id"].to_numpy()[run]
    )


def _plates(logs: Logs) -> pd.DataFrame:
    """Return plates by run; a run that does not tell them used as many a page as the others of its title."""
    names, runs = logs.listed("plate"), logs["runs"]
    if len(names) != 1 or runs["plates"].isna().all():
        return pd.DataFrame(columns=list(_COLUMNS))
    a_page = runs["plates"] / runs["pages"]
    usual = a_page.groupby(runs["title"]).transform("mean").fillna(a_page.mean()) * runs["pages"]
    return pd.DataFrame(
        {
            "material": names.iloc[0],
            "kind": "plate",
            "day": runs["date"],
            "run_id": runs["run_id"],
            "supplier": "",
            "quantity": runs["plates"].fillna(usual),
            "estimated": runs["plates"].isna(),
        }
    )


def _inks(
    logs: Logs, exposure: pd.DataFrame, model: pd.DataFrame, history: pd.DataFrame
) -> list[pd.DataFrame]:
    """Return ink by run and idle loss by day, each week's true use shared as the model expects it."""
    runs = logs["runs"]
    run = pd.Index(runs["run_id"]).get_indexer(exposure["run_id"])
    days = pd.date_range(runs["date"].min(), logs.as_of, freq="D", unit="us")
    idle = pd.DataFrame({"day": days, "run_id": ""})
    parts = []
    for material, ink in ink_materials(logs).astype("str").to_dict().items():
        own = exposure["ink"] == ink
        if not own.any() or (ink not in set(model["ink"]) and material not in history):
            continue
        copies = runs["copies_gross"].to_numpy()[run[own]] * runs["pages"].to_numpy()[run[own]]
        printed = exposure[own].assign(days=0.0)
        # A run of unknown coverage prints as much a page as the others.
        solid = printed["solid_m2"]
        printed["solid_m2"] = solid.fillna(pd.Series(copies, solid.index) * (solid / copies).mean())
        still = idle.assign(ink=ink, solid_m2=0.0, starts=0.0, days=1.0)
        rows = pd.DataFrame(
            {
                "day": np.concatenate([runs["date"].to_numpy()[run[own]], days.to_numpy()]),
                "run_id": np.concatenate([printed["run_id"].to_numpy(), still["run_id"].to_numpy()]),
                "expected": np.concatenate(
                    [expected_use(part, model).to_numpy() for part in (printed, still)]
                ),
            }
        )
        if rows["expected"].isna().all():
            rows["expected"] = np.concatenate([printed["solid_m2"].to_numpy(), np.zeros(len(still))])
        rows["expected"] = rows["expected"].fillna(0.0).clip(lower=0.0)
        true = history[material] if material in history else pd.Series(dtype="float64")
        parts.append(_as_dipped(logs, rows, true).assign(material=str(material), kind="ink", supplier=""))
    return parts


def _as_dipped(logs: Logs, rows: pd.DataFrame, true: pd.Series) -> pd.DataFrame:
    """Scale the expected use of each week to what the dips tell; what they do not tell stays as expected."""
    week = logs.plant.week_of(rows["day"])
    dipped = week.map(true).astype("float64").clip(lower=0.0)
    expected = rows["expected"].groupby(week).transform("sum")
    even = dipped / week.groupby(week).transform("size")
    scaled = np.where(expected > 0, rows["expected"] * dipped / expected.where(expected > 0), even)
    known = dipped.notna()
    return rows.assign(quantity=np.where(known, scaled, rows["expected"]), estimated=~known)


def _without_counter(logs: Logs) -> list[str]:
    """Return materials of which only counts and receipts tell the use."""
    listed = logs["materials"]
    dipped = set(logs["tank_readings"]["ink"]) if logs.has("tank_readings") else set[str]()
    other = (listed["kind"] == "other") | ((listed["kind"] == "ink") & ~listed["ink"].isin(dipped))
    return listed.loc[other, "material"].tolist()


def _counted(logs: Logs, material: str) -> pd.DataFrame:
    """Return use by day of a material between its counts, even; after the last one as lately."""
    blank = pd.DataFrame(columns=list(_COLUMNS))
    if not logs.has("stock_counts") or not logs.has("deliveries"):
        return blank
    counts = logs["stock_counts"]
    counts = (
        counts[counts["material"] == material]
        .sort_values("counted_on")
        .drop_duplicates("counted_on", keep="last")
    )
    if len(counts) < 2:
        return blank
    came = logs["deliveries"]
    came = came[(came["material"] == material) & came["delivered_on"].notna()]
    days = pd.date_range(counts["counted_on"].iloc[0], logs.as_of, freq="D", unit="us")
    counted_at = days.get_indexer(pd.DatetimeIndex(counts["counted_on"]))
    receipt = days.get_indexer(pd.DatetimeIndex(came["delivered_on"]))
    received = np.cumsum(
        np.bincount(receipt[receipt >= 0], came["quantity"].to_numpy()[receipt >= 0], len(days))
    )
    level = counts["quantity"].to_numpy()
    # More than there could be: nothing was used, and the count differs from the book.
    gone = np.maximum(level[:-1] - level[1:] + np.diff(received[counted_at]), 0.0)
    per_day = np.zeros(len(days))
    per_day[1 : counted_at[-1] + 1] = np.repeat(gone / np.diff(counted_at), np.diff(counted_at))
    lately = per_day[max(1, counted_at[-1] + 1 - _LATELY_DAYS) : counted_at[-1] + 1]
    per_day[counted_at[-1] + 1 :] = lately.mean() if len(lately) else 0.0
    kind = logs["materials"].set_index("material")["kind"][material]
    table = pd.DataFrame({"material": material, "kind": kind, "day": days, "run_id": "", "supplier": ""})
    return table.assign(quantity=per_day, estimated=np.arange(len(days)) > counted_at[-1])
