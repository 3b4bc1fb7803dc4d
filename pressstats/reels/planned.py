"""A planned night's reels: how many splices to expect, what stays on the cores, which part reels to take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import special

if TYPE_CHECKING:
    from ..logs import Logs

__all__ = ["Pick", "expected_splices", "pick_part_reels", "planned_reels", "planned_webs"]

_RECENT = pd.Timedelta(weeks=13)
#: Beyond so many part reels of one material the shortest are left where they are.
_MOST_PARTS = 40
#: Longest time to look for a pick [s].
_SECONDS = 5.0


def expected_splices(
    run_m: float, first_m: Sequence[float], mean_m: float, spread_m: float, error_m: float = 0.0
) -> float:
    """Return the splices to expect in a run of `run_m` [m] of one web; blank where a length is not known.

    `first_m` are the lengths of the reels that come first, in their order, each known to `error_m`; `mean_m` and
    `spread_m` those of the reels after, all less what is left on their cores [m]. A reel runs out if it and all
    before it are shorter than the run: a sum over reels of normal probabilities (the renewal function of the
    lengths). Breaks thread the same reel again, so they change nothing; a damaged reel is a splice less.
    """
    if not np.isfinite(run_m) or not mean_m > 0 or not np.isfinite(spread_m):
        return np.nan
    lengths = np.asarray(first_m, dtype=float)
    reach = np.cumsum(lengths)
    variance = error_m**2 * np.arange(1, len(lengths) + 1)
    start, known = (float(reach[-1]), float(variance[-1])) if len(lengths) else (0.0, 0.0)
    more = np.arange(1, int(max((run_m - start) / mean_m, 0) + 12 * (1 + spread_m / mean_m)) + 3)
    reach = np.append(reach, start + more * mean_m)
    variance = np.append(variance, known + more * spread_m**2)
    with np.errstate(divide="ignore"):
        chance = special.ndtr((run_m - reach) / np.sqrt(variance))
    return float(np.where(variance > 0, chance, reach < run_m).sum())


@dataclass(frozen=True)
class Pick:
    """Part reels chosen for the webs of a night: `part` and `web` are positions in the lengths and needs given.

    Besides each web has `new` reels; `left_m` is left over on its cores at splices and on its last reel [m]. Where it
    is not `proved` that no pick leaves less, it is the best found in the time allowed.
    """

    reels: pd.DataFrame
    new: np.ndarray
    left_m: np.ndarray
    proved: bool


def pick_part_reels(needs_m: Sequence[float], parts_m: Sequence[float], new_m: float, core_m: float) -> Pick:
    """Choose the part reels that leave the least paper over, all webs of one material together; the fewest where equal.

    `needs_m` of each web include a reserve; new reels of `new_m` are there as many as needed, and `core_m` stays on
    the core of each reel [m] (raises ValueError if that is all of it). An assignment with whole numbers, solved
    exactly by HiGHS through SciPy in at most five seconds.
    """
    from scipy import optimize, sparse

    if new_m <= core_m:
        raise ValueError(f"new_m = {new_m:g} m: no longer than the {core_m:g} m that stay on its core")
    needs, parts = np.asarray(needs_m, dtype=float), np.asarray(parts_m, dtype=float)
    webs, count = len(needs), len(parts)
    if webs == 0:
        return Pick(pd.DataFrame({"part": [], "web": []}, dtype=int), np.zeros(0, int), np.zeros(0), True)
    # Variables: part i on web w (i-major), then new reels of each web.
    lengths = np.append(np.repeat(parts, webs), np.full(webs, new_m))
    web = np.append(np.tile(np.arange(webs), count), np.arange(webs))
    size = len(lengths)
    enough = sparse.csr_array((lengths - core_m, (web, np.arange(size))), shape=(webs, size))
    rules = [optimize.LinearConstraint(enough, lb=needs)]
    if count:
        once = sparse.csr_array(
            (np.ones(count * webs), (np.repeat(np.arange(count), webs), np.arange(count * webs))),
            shape=(count, size),
        )
        rules.append(optimize.LinearConstraint(once, ub=1))
    most = np.append(np.ones(count * webs), np.ceil(needs / (new_m - core_m)) + 1)
    # A tenth of a metre for each reel decides between picks that leave the same.
    solution = optimize.milp(
        lengths + 0.1,
        constraints=rules,
        integrality=np.ones(size),
        bounds=optimize.Bounds(0, most),
        options={"time_limit": _SECONDS, "mip_rel_gap": 0.0},
    )
    # New reels alone always do, if nothing better was found in time.
    chosen = (
        np.append(np.zeros(count * webs), np.ceil(needs / (new_m - core_m)))
        if solution.x is None
        else np.round(solution.x)
    )
    used = chosen[: count * webs].reshape(count, webs)
    part, on = np.nonzero(used)
    total = np.bincount(web, weights=chosen * lengths, minlength=webs)
    return Pick(
        pd.DataFrame({"part": part, "web": on}),
        chosen[count * webs :].astype(int),
        total - needs,
        solution.status == 0,
    )


def planned_webs(logs: Logs, history: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Return the webs of the next publication day that is booked: date, title, pages, web, material, run_m [m], like.

    A title makes up its pages as it last did with as many pages, in the run `like`; one whose pages were never
    printed before has one row without web. The metres are the planned copies times the cut-offs, times what the
    title's webs lately took over that: start-ups, waste and threading.
    """
    columns = ["date", "title", "pages", "web", "material", "run_m", "like"]
    if not logs.has("plan"):
        return pd.DataFrame(columns=columns)
    plan = logs["plan"]
    ahead = plan[(plan["date"] > logs.as_of) & (plan["copies_planned"] > 0)]
    if ahead.empty:
        return pd.DataFrame(columns=columns)
    tonight = ahead[ahead["date"] == ahead["date"].min()]
    # What was booked last stands.
    tonight = tonight.sort_values("made_on", na_position="first", kind="stable").drop_duplicates(
        "title", keep="last"
    )
    runs = logs["runs"].sort_values("started_at", kind="stable")
    # The length of a copy on a web is its area over the width.
    webs = used.assign(
        cutoffs=used["copy_m2"] / used["width_mm"] * 1000,
        ordered=used["run_id"].map(runs.set_index("run_id")["copies_ordered"]).astype("float64"),
    )
    # A run that lacks the metres of one mount would make what its title takes look low.
    lacking = pd.concat([history.loc[history["run_m"].isna(), "run_id"], logs.set_aside["run_id"]])
    recent = webs[(webs["date"] > logs.as_of - _RECENT) & ~webs["run_id"].isin(lacking)]
    spent = history[history["run_id"].isin(recent["run_id"])].groupby("title")["run_m"].sum(min_count=1)
    logged = recent[recent["run_id"].isin(history["run_id"])]
    share = spent / (logged["ordered"] * logged["cutoffs"]).groupby(logged["title"]).sum()
    rows = []
    for job in tonight.itertuples():
        like = runs[(runs["title"] == job.title) & (runs["pages"] == job.pages_planned)]
        if like.empty:
            rows.append((job.date, job.title, job.pages_planned, "", "", np.nan, ""))
            continue
        last = like.iloc[-1]["run_id"]
        over = share.get(job.title, np.nan)
        for web in webs[webs["run_id"] == last].itertuples():
            metres = job.copies_planned * web.cutoffs * over
            rows.append((job.date, job.title, job.pages_planned, web.web, web.material, metres, last))
    return pd.DataFrame(rows, columns=columns).astype({"run_m": "float64"})


def planned_reels(
    logs: Logs,
    webs: pd.DataFrame,
    chain: pd.DataFrame,
    whole: pd.DataFrame,
    ends: pd.DataFrame,
    per_metre: pd.Series,
) -> pd.DataFrame:
    """Return which part reels to take for the planned webs, and what their reel ends will take.

    `chain` holds the part reels in the store, `whole` says how long new reels are, `per_metre` is the weight of a
    metre of each material [kg / m]. Columns title, web, material, run_m, part_reels (names), new_reels, splices
    (expected), core_kg (expected to stay on cores) [kg], back_m (to come back on the last reel) [m], proved,
    splices_long_run (with reels as they come), first_m, new_m, new_sd_m and error_m (metres to each splice and their
    errors); blank where lengths are not known. Part reels are taken first, the longest last, so that the last splice
    before the end is not a short reel's.
    """
    table = webs[webs["web"] != ""].reset_index(drop=True)
    table = table[["title", "web", "material", "run_m"]].copy()
    blank = ["new_reels", "splices", "core_kg", "back_m", "splices_long_run"]
    table[blank] = np.nan
    table["part_reels"] = ""
    table["proved"] = True
    # What part reels hold in their order, and what new ones do with their spread, all less what stays on the core
    first_m = [np.zeros(0) for _ in range(len(table))]
    table[["new_m", "new_sd_m", "error_m"]] = np.nan
    good = ends[ends["ended_by"] == "splice"].groupby("material")[["butt_m", "butt_kg"]].mean()
    parts = chain[(chain["mounts"] > 0) & (chain["in_store_kg"] > 0)]
    for material, booked in table[table["run_m"].notna()].groupby("material"):
        metre = per_metre.get(str(material), np.nan)
        lengths = (whole["start_kg"] - whole["strip_kg"].fillna(0.0))[whole["material"] == material] / metre
        core = good["butt_m"].get(material, np.nan)
        if (
            len(lengths.dropna()) < 2 or not 0 <= core < lengths.mean()
        ):  # where nothing was used, neither is true
            continue
        here = parts[parts["material"] == material].nlargest(_MOST_PARTS, "in_store_kg")
        part_m = here["in_store_kg"].to_numpy() / metre
        error = logs.plant.measurement.reel_kg / metre
        # Two weighings' errors in reserve: a reel that falls short costs a splice more.
        pick = pick_part_reels(
            (booked["run_m"] + 2 * error).to_numpy(), part_m, float(lengths.mean()), float(core)
        )
        for number, row in enumerate(booked.index):
            taken = pick.reels.loc[pick.reels["web"] == number, "part"].to_numpy()
            taken = taken[np.argsort(part_m[taken], kind="stable")]
            first, run = part_m[taken] - core, float(booked["run_m"][row])
            new, spread = float(lengths.mean()) - core, float(lengths.std())
            splices = expected_splices(run, first, new, spread, error)
            table.loc[row, "part_reels"] = ", ".join(here["reel_id"].iloc[taken])
            table.loc[row, "new_reels"] = float(pick.new[number])
            table.loc[row, "splices"] = splices
            table.loc[row, "core_kg"] = splices * float(good["butt_kg"][material])
            used = first.sum() + pick.new[number] * new
            table.loc[row, "back_m"] = used + core - run
            table.loc[row, "splices_long_run"] = run / new
            table.loc[row, "proved"] = pick.proved
            first_m[list(table.index).index(row)] = np.asarray(first, dtype=float)
            table.loc[row, ["new_m", "new_sd_m", "error_m"]] = new, spread, error
    table["first_m"] = pd.Series(first_m, table.index, dtype="object")
    return table
