"""Rules between tables, and about reels: weight against size, and one reel followed from mount to mount.

Only rows within the cut are looked at, so nothing after as-of can show in a problem. A row *rejects*
where what it refers to is missing or contradicts it in the very figure the analysis would take;
it *warns* where that figure is usable and the doubt is about a name or another table. Doubts about the identity
of a reel only warn: its kilograms were mounted whatever its number was, so the paper balance takes them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ..geometry import length_m, reel_diameter_mm
from .keys import as_mask, cells_at, combined_codes, differ, found_at, positions_in
from .repeated import sorted_rows
from .rowchecks import tanks_of

if TYPE_CHECKING:
    from ..plant import Plant
    from .rows import Rows

__all__ = ["check_between_tables", "diameter_m"]

#: Relative difference between the pages of a web and those its size allows.
_PAGES_APART = 0.06
#: Sum of the inks over the pages of a copy: a mean total area coverage above it is doubtful.
_TOTAL_COVERAGE = 1.2
#: Difference between the width of a web and that of its material [mm].
_WIDTH_APART_MM = 10
#: Diameter above which a weight is doubtful, and above which it is impossible [m]. Common practice,
#: no source: newsprint reels are 1.0 to 1.27 m thick, and reelstands are built for that.
_DOUBTFUL_M, _IMPOSSIBLE_M = 1.35, 1.7
_NAT = np.datetime64("NaT", "us")
_DAY = np.timedelta64(1, "D")


def _find(child: Rows, column: str, parent: Rows, key: str = "") -> np.ndarray:
    """Return the live row of `parent` that each row of `child` names, -1 where there is none."""
    live = np.flatnonzero(parent.live)
    if key:
        return positions_in(child[column], parent[key].take(pa.array(live)), live)
    return found_at(child.codes(column), parent.codes(column)[live], live)


def _require(child: Rows, column: str, parent: Rows) -> np.ndarray:
    """Reject live rows that name no live row of `parent`; return the row each names."""
    at = _find(child, column, parent)
    lost = (at < 0) & child.live & ~child.blank(column)
    if lost.any():
        gone = positions_in(child[column], parent[column])[lost]
        rule = f"no such {column.removesuffix('_id')}"
        child.reject(lost, column, [rule + _was_set_aside(parent, row) for row in gone.tolist()])
    return at


def _was_set_aside(parent: Rows, row: int) -> str:
    if row < 0:
        return ""
    file, line = parent.raw.place(row)
    return f"; its row {file}:{line} was set aside"


def _require_material(child: Rows, materials: Rows | None, newsprint: bool = False) -> np.ndarray:
    """Reject rows of an unknown material, or of one that is no newsprint where it must be; return the row of each."""
    if materials is None:
        return np.full(len(child), -1)
    at = _require(child, "material", materials)
    if newsprint:
        paper = materials.is_in("kind", "newsprint")
        child.reject((at >= 0) & child.live & ~paper[at], "material", "no newsprint")
    return at


def _check_webs(webs: Rows, runs: Rows, materials: Rows | None, plant: Plant) -> np.ndarray:
    """Check the webs; return the run of each, -1 where there is none."""
    run = _require(webs, "run_id", runs)
    known = run >= 0
    material = _require_material(webs, materials, newsprint=True)
    widest = {name: press.web_width_max_mm for name, press in plant.presses.items() if press.web_width_max_mm}
    if widest and len(runs):
        press = positions_in(runs["press"], pa.array(list(widest)))[run]
        limit = np.array(list(widest.values()))[press]
        wide = webs.live & known & (press >= 0) & (webs["width_mm"] > limit)
        webs.reject(wide, "width_mm", "wider than the press; at most {:g} mm", limit)
    if materials is not None:
        width = materials["width_mm"][material]
        differs = webs.live & (material >= 0) & (np.abs(webs["width_mm"] - width) > _WIDTH_APART_MM)
        webs.warn(differs, "width_mm", "another width than its material; {:g} mm", width)
    page_area = runs["page_width_mm"] * runs["page_height_mm"]
    web_area = webs["width_mm"] * webs["cutoff_mm"] * webs["cutoffs_per_copy"]
    pages = 2 * web_area / page_area[run]
    differs = webs.live & known & (np.abs(webs["pages"] / pages - 1) > _PAGES_APART)
    webs.warn(differs, "pages", "its width and cut-off hold another number of pages; {:.4g}", pages)
    return run


def _check_pages(webs: Rows, runs: Rows, run_of_web: np.ndarray) -> None:
    """Check that the webs of a run carry its pages, where no web was set aside."""
    known = run_of_web >= 0
    used = known & webs.live
    total = np.bincount(run_of_web[used], webs["pages"][used], minlength=len(runs))
    count = np.bincount(run_of_web[used], minlength=len(runs))
    lost = np.bincount(run_of_web[known & ~webs.live & ~webs.duplicate], minlength=len(runs)) > 0
    rule = "no usable web in run_webs, so its paper cannot be computed"
    runs.warn(runs.live & (count == 0), "run_id", rule)
    differs = runs.live & (count > 0) & ~lost & (total != runs["pages"])
    runs.warn(differs, "pages", "its webs carry another number of pages; {:g}", total)


def _check_coverage(coverage: Rows, runs: Rows) -> None:
    run = _require(coverage, "run_id", runs)
    known = run >= 0
    pages = runs["pages"][run]
    solid = coverage["solid_pages"]
    above = coverage.live & known & (solid > pages)
    coverage.reject(above, "solid_pages", "more than the pages of its run; {:g}", pages)
    used = np.flatnonzero(coverage.live & known)
    total = np.bincount(run[used], solid[used], minlength=len(runs))
    over = np.flatnonzero(runs.live & (total > _TOTAL_COVERAGE * runs["pages"]))
    if len(over):
        # Shown once for a run, at the ink that covers most.
        order = used[np.lexsort((coverage.codes("ink")[used], -solid[used], run[used]))]
        first = order[np.unique(run[order], return_index=True)[1]]
        first = first[np.isin(run[first], over)]
        rule = "the inks of its run cover more than 120 % of the pages; {:.0f} %"
        coverage.warn(first, "solid_pages", rule, 100 * total[run] / pages)


def _check_mounts(
    mounts: Rows, webs: Rows, runs: Rows, run_of_web: np.ndarray, materials: Rows | None
) -> np.ndarray:
    """Check that mounts belong to a run and a web; return the run of each, -1 where there is none."""
    run = _require(mounts, "run_id", runs)
    known = run >= 0
    web_codes = webs.codes("web"), mounts.codes("web")
    size = max(int(codes.max(initial=0)) for codes in web_codes) + 1
    web_at = np.full(len(runs) * size + 1, -1, dtype=np.int64)
    gone_at = web_at.copy()
    code_of_web = run_of_web * size + web_codes[0]
    usable = webs.live & (run_of_web >= 0)
    web_at[code_of_web[usable]] = np.flatnonzero(usable)
    gone = ~webs.live & ~webs.duplicate & (run_of_web >= 0)
    gone_at[code_of_web[gone]] = np.flatnonzero(gone)
    code = np.where(known, run * size + web_codes[1], len(web_at) - 1)
    web = web_at[code]
    lost = mounts.live & known & (web < 0)
    rules = ["no such web of the run" + _was_set_aside(webs, row) for row in gone_at[code[lost]].tolist()]
    mounts.reject(lost, ("run_id", "web"), rules)
    material = _require_material(mounts, materials, newsprint=True)
    other = np.flatnonzero(mounts.live & (web >= 0))
    other = other[differ(mounts.codes("material")[other], webs.codes("material")[web[other]])]
    wanted = webs["material"].take(pa.array(web[other]))
    if materials is not None:
        allowed = as_mask(pc.equal(cells_at(materials["stands_in_for"], material[other]), wanted))
        other, wanted = other[~allowed], wanted.filter(pa.array(~allowed))
    rules = [f"another material than its web; {name}" for name in wanted.to_pylist()]
    mounts.warn(other, "material", rules)
    at, begin, end = mounts["mounted_at"], runs["started_at"][run], runs["finished_at"][run]
    away = (at < begin - _DAY) | (at > end + _DAY)
    mounts.warn(mounts.live & known & away, "mounted_at", "more than a day away from its run")
    return run


def _check_deliveries(deliveries: Rows, materials: Rows | None, plant: Plant) -> None:
    material = _require_material(deliveries, materials)
    if materials is None or not plant.tanks:
        return
    _, in_tank = tanks_of(deliveries, plant)
    other = deliveries.live & as_mask(pc.not_equal(in_tank, cells_at(materials["ink"], material)))
    deliveries.warn(other, ("tank", "material"), "another ink than the tank holds")


def _check_terms(terms: Rows, prices: Rows | None, materials: Rows | None) -> None:
    """Check that materials are there, least shares leave room, and suppliers of ``prices`` have terms."""
    if materials is not None:
        lost = terms.live & (_find(terms, "material", materials) < 0)
        terms.reject(lost & ~terms.blank("material"), "material", "no such material")
    _check_shares(terms)
    if prices is not None:
        _check_prices(prices, terms)


def _check_shares(terms: Rows) -> None:
    """Set aside the terms by which the least shares of a material come to more than all of it, from the day they do.

    What held before them goes on: nobody can tell which of the shares that begin together is wrong.
    """
    material, supplier = terms.codes("material"), terms.codes("supplier")
    least = np.nan_to_num(terms["share_minimum_pct"])
    rows = np.flatnonzero(terms.live)
    rows = rows[np.lexsort((terms["valid_from"][rows], material[rows]))]
    for mine in np.split(rows, np.flatnonzero(np.diff(material[rows])) + 1):
        held: dict[int, float] = {}
        days = terms["valid_from"][mine]
        for begun in np.split(mine, np.flatnonzero(days[1:] != days[:-1]) + 1):
            new = held | dict(zip(supplier[begun].tolist(), least[begun].tolist(), strict=True))
            total = sum(new.values())
            if total > 100 + 1e-9:
                rule = f"the least shares of this material come to more than 100 %; {total:.4g} %"
                terms.reject(begun.tolist(), "share_minimum_pct", rule)
            else:
                held = new


def _check_prices(prices: Rows, terms: Rows) -> None:
    """Warn of prices of a supplier that has no terms of a material which others have terms of."""
    live = pa.array(terms.live)
    pairs = [
        pc.binary_join_element_wise(table["material"], table["supplier"], "\x1f") for table in (prices, terms)
    ]
    known = _find(prices, "material", terms) >= 0
    without = positions_in(pairs[0], pairs[1].filter(live)) < 0
    unknown = prices.live & known & ~prices.blank("supplier") & without
    prices.warn(unknown, ("material", "supplier"), "terms know no such supplier of this material")


def diameter_m(
    kg: np.ndarray,
    width_mm: np.ndarray,
    grammage_gsm: np.ndarray,
    caliper_um: np.ndarray,
    core_diameter_mm: float,
) -> np.ndarray:
    """Return the diameter of a reel of given weight [m], from the length of its paper."""
    return reel_diameter_mm(length_m(kg, width_mm, grammage_gsm), core_diameter_mm, caliper_um) / 1000


def _check_weight(rows: Rows, column: str, materials: Rows, plant: Plant) -> None:
    live = np.flatnonzero(materials.live)
    at = found_at(rows.codes("material"), materials.codes("material")[live], live)
    caliper = materials["caliper_um"][at]
    across = diameter_m(
        rows[column],
        materials["width_mm"][at],
        materials["grammage_gsm"][at],
        np.where(np.isnan(caliper), plant.reel.caliper_um, caliper),
        plant.reel.core_diameter_mm,
    )
    known = rows.live & (at >= 0)
    doubtful = known & (across > _DOUBTFUL_M) & (across <= _IMPOSSIBLE_M)
    rows.warn(doubtful, column, "thick for a reel of its width and grammage; {:.2f} m", across)
    rule = "thicker than any reel of its width and grammage; {:.2f} m"
    rows.reject(known & (across > _IMPOSSIBLE_M), column, rule, across)


def _ends(mounts: Rows, live: np.ndarray, runs: Rows, run: np.ndarray, web: np.ndarray) -> np.ndarray:
    """Return by when each live mount certainly still ran: NaT where a break leaves it open.

    The next mount on the same web begins where this one ended; the last one ran to the end of the
    run. After a break or damage a reel may be off the stand long before the next one is threaded.
    """
    times = mounts["mounted_at"][live]
    order = np.argsort(combined_codes([run, web, mounts.codes("mounted_at")[live]]), kind="stable")
    follows = (np.diff(run[order]) == 0) & (np.diff(web[order]) == 0)
    ends = np.full(len(live), _NAT)
    ends[order[:-1][follows]] = times[order[1:]][follows]
    last = mounts.is_in("ended_by", "run_end")[live]
    ends = np.where(last & np.isnat(ends), runs["finished_at"][run], ends)
    return np.where(mounts.is_in("ended_by", "run_end", "splice", "failed_splice")[live], ends, _NAT)


def _follow_reels(mounts: Rows, runs: Rows, run_of_mount: np.ndarray, plant: Plant) -> None:
    """Compare each mount of a reel with the one before."""
    live = np.flatnonzero(mounts.live & (run_of_mount >= 0))
    if len(live) < 2:
        return
    web, times, ends = mounts.codes("web"), mounts["mounted_at"], np.full(len(mounts), _NAT)
    ends[live] = _ends(mounts, live, runs, run_of_mount[live], web[live])
    # The key is the reel and when it was mounted.
    order = sorted_rows(mounts)
    order = order[run_of_mount[order] >= 0]
    reel = combined_codes([mounts.codes("supplier"), mounts.codes("reel_id")])[order]
    pairs = np.flatnonzero(np.diff(reel) == 0)
    before, after = order[pairs], order[pairs + 1]
    elsewhere = (run_of_mount[before] != run_of_mount[after]) | (web[before] != web[after])
    at_once = elsewhere & (times[after] < ends[before])

    spliced = mounts.is_in("ended_by", "splice", "failed_splice")[before]
    returned = mounts["returned_kg"][before]
    used_up = (returned == 0) | (spliced & ~(returned > 0))
    sigma = np.sqrt(2) * plant.measurement.reel_kg
    heavier = mounts["start_kg"][after] > returned + 5 * sigma

    for mask, columns, words in (
        (at_once, ("supplier", "reel_id"), "the same reel still ran on another web"),
        (used_up & ~at_once, ("supplier", "reel_id"), "the same reel was used up or thrown away before"),
        (heavier & ~used_up & ~at_once, ("start_kg",), "heavier than when the same reel went back"),
    ):
        places = [mounts.raw.place(row) for row in before[mask].tolist()]
        mounts.warn(after[mask], columns, [f"{words}; {file}:{line}" for file, line in places])


def _check_received(reels: Rows, mounts: Rows) -> None:
    """Check that a reel is of the material it was mounted as."""
    live = np.flatnonzero(mounts.live)
    at = found_at(reels.codes("reel_id"), mounts.codes("reel_id")[live], live)
    other = np.flatnonzero(reels.live & (at >= 0))
    other = other[differ(reels.codes("material")[other], mounts.codes("material")[at[other]])]
    supplier = reels.codes("supplier")[other]
    other = other[(supplier == mounts.codes("supplier")[at[other]]) & (supplier > 0)]
    names = mounts["material"].take(pa.array(at[other])).to_pylist()
    reels.warn(other, "material", [f"mounted as another material; {name}" for name in names])


def _check_reels(tables: dict[str, Rows], run_of_mount: np.ndarray | None, plant: Plant) -> None:
    """Check weights and identities of reels; `run_of_mount` is -1 where there is none, None without mounts."""
    mounts, reels, materials = tables.get("reel_mounts"), tables.get("reels"), tables.get("materials")
    if materials is not None:
        if mounts is not None:
            _check_weight(mounts, "start_kg", materials, plant)
        if reels is not None:
            _check_weight(reels, "received_kg", materials, plant)
    if mounts is not None and run_of_mount is not None:
        _follow_reels(mounts, tables["runs"], run_of_mount, plant)
    if reels is not None and mounts is not None:
        _check_received(reels, mounts)


def check_between_tables(tables: dict[str, Rows], plant: Plant) -> None:
    """Check the tables, cut and without repetitions, against each other, parents before children."""
    if "materials" in tables and not len(tables["materials"]):
        # With nothing but its header it counts as absent: it makes no material unknown.
        tables = {name: rows for name, rows in tables.items() if name != "materials"}
    runs, webs = tables["runs"], tables["run_webs"]
    materials = tables.get("materials")
    if materials is not None:
        stands_in = _find(materials, "stands_in_for", materials, "material")
        unknown = materials.live & (stands_in < 0) & ~materials.blank("stands_in_for")
        materials.warn(unknown, "stands_in_for", "no such material")
    run_of_web = _check_webs(webs, runs, materials, plant)
    _check_pages(webs, runs, run_of_web)
    if "coverage" in tables:
        _check_coverage(tables["coverage"], runs)
    if "deliveries" in tables:
        _check_deliveries(tables["deliveries"], materials, plant)
    if "stock_counts" in tables:
        _require_material(tables["stock_counts"], materials)
    run_of_mount = None
    if "reel_mounts" in tables:
        run_of_mount = _check_mounts(tables["reel_mounts"], webs, runs, run_of_web, materials)
    if "reels" in tables:
        _require_material(tables["reels"], materials, newsprint=True)
    _check_reels(tables, run_of_mount, plant)
    if "terms" in tables:
        _check_terms(tables["terms"], tables.get("prices"), materials)
    for names, column, parent, rule in (
        (("prices", "budget"), "material", materials, "no such material"),
        (("plan", "titles"), "title", runs, "no run has printed this title"),
    ):
        for name in names:
            if name in tables and parent is not None:
                rows = tables[name]
                unknown = rows.live & (_find(rows, column, parent) < 0)
                rows.warn(unknown, column, rule)
