"""What `start` makes of the exports of invented plants in eight languages (plant_exports.toml).

Run it as ``python tests/bench/bench_start.py``. Headers were written before the words that `start` knows; plants with
odd numbers may be looked at when it is worked on, those with even numbers are held out. A column counts as right where
all of our columns that it stands for are named, and an extra column where none is. After what a person must still say,
the logs of every plant must be those of its clean files, to rounding; with ``--publish`` the published tables, too
(20 s of a processor a plant).
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import click
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from plant_exports import (
    Score,
    differing,
    exporting_plants,
    judged,
    publications_apart,
    told,
    weeks_of,
    write_exports,
)

from pressstats.logs import read_logs
from pressstats.start import plant_toml, propose

DEMO = Path(__file__).parents[2] / "data_demo"


@click.command()
@click.option("--plant", "numbers", type=click.IntRange(1, 24), multiple=True, help="Only these plants.")
@click.option("--publish", is_flag=True, help="Publish the exports and the clean logs as well.")
@measures
def main(numbers: tuple[int, ...], publish: bool) -> Iterator[Figure]:
    """Columns mapped rightly, said to be sure, and sure but wrong; and what is left to say."""
    weeks = weeks_of(read_logs(DEMO))
    scores: dict[int, Score] = {}
    for number in numbers or range(1, 25):
        with tempfile.TemporaryDirectory() as folder:
            exports = Path(folder) / "exports"
            answers = write_exports(exporting_plants()[number - 1], weeks, exports)
            proposal = propose(exports)
            scores[number] = judged(proposal, answers)
            toml, scores[number].told = told(plant_toml(proposal), answers)
            (exports / "plant.toml").write_text(toml, encoding="utf-8")
            wrong = differing(exports, Path(folder) / "clean", answers)
            scores[number].same = not wrong
            if publish:
                tables, apart = publications_apart(exports, Path(folder) / "clean", Path(folder) / "out")
                scores[number].tables, scores[number].apart = len(tables), len(apart)
                click.echo(
                    f"plant {number}: {len(tables)} tables published, apart: {', '.join(apart)}", err=True
                )
            for line in (*wrong, *scores[number].sure_wrong, *(scores[number].wrong if number % 2 else ())):
                click.echo(f"plant {number}: {line}", err=True)
    halves = {"all": list(scores), "held out": [number for number in scores if number % 2 == 0]}
    for half, members in halves.items():
        part = [scores[number] for number in members]
        if part:
            columns = sum(score.columns for score in part)
            yield Figure(f"columns right, {half}", 100 * sum(s.right for s in part) / columns, "%")
            yield Figure(f"columns sure, {half}", 100 * sum(s.sure for s in part) / columns, "%")
            yield Figure(f"sure but wrong, {half}", sum(len(s.sure_wrong) for s in part))
            yield Figure(
                f"least columns right of a plant, {half}", min(100 * s.right / s.columns for s in part), "%"
            )
            yield Figure(
                f"to be said by a person, mean of a plant, {half}", sum(s.told for s in part) / len(part)
            )
            yield Figure(f"plants read as their clean logs, {half}", sum(s.same for s in part))
            if publish:
                yield Figure(f"tables published, {half}", sum(s.tables for s in part))
                yield Figure(
                    f"tables that differ from those of the clean logs, {half}", sum(s.apart for s in part)
                )


if __name__ == "__main__":
    main()
