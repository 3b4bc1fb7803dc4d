"""How often changes of grammage are found where none is, and how well where one is.

python tests/bench/bench_paper.py alarms --plants 200     undisturbed paper: false changes a hundred material-years
python tests/bench/bench_paper.py found --plants 60       planted changes, by size and age
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np
from figures import Figure, measures

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from test_regimes import FIRST, TRUE_GSM, nights

from pressstats.paper.regimes import weigh

#: Undisturbed paper: scatter among reels, and swing of moisture with the season, as shares of grammage.
QUIET = {
    "reels differ by .5 %": (0.005, 0.0),
    "and a season of .5 %": (0.005, 0.005),
    "reels differ by 1 %": (0.01, 0.0),
}


@click.group()
def main() -> None:
    """Measure changes of grammage on simulated plants."""


@main.command()
@click.option("--plants", default=60)
@click.option("--weeks", default=104)
@measures
def alarms(plants: int, weeks: int) -> Iterator[Figure]:
    """Count false changes a hundred material-years, by kind of undisturbed paper and suppliers."""
    for number, (words, (spread, season)) in enumerate(QUIET.items()):
        for suppliers in (1, 3):
            rng = np.random.default_rng([7, number, suppliers])
            gsm = {f"s{n}": [(0, TRUE_GSM)] for n in range(suppliers)}
            found = 0
            for _ in range(plants):
                fitted = weigh(nights(rng, weeks, gsm=gsm, spread=spread, season=season))
                found += sum(spell.begins is not None for spell in fitted.spells)
            years = plants * weeks / 52
            what = f"{words}, suppliers {suppliers}: false changes in 100 material-years"
            yield Figure(what, 100 * found / years, "count", f"{found} in {years:.0f}")


@main.command()
@click.option("--plants", default=60)
@click.option("--weeks", default=104)
@measures
def found(plants: int, weeks: int) -> Iterator[Figure]:
    """Tell what is found of one change, by its size and age."""
    for size in (-8.0, -3.0, 1.5, 1.0):
        for ago in (3, 8, 40):
            rng = np.random.default_rng([8, round(10 * abs(size)), ago])
            began = 7 * (weeks - ago)
            after = TRUE_GSM * (1 + size / 100)
            there = near = dated = held = further = 0
            for _ in range(plants):
                fitted = weigh(nights(rng, weeks, gsm={"one": [(0, TRUE_GSM), (began, after)]}))
                _, _, low, high = fitted.present()
                held += low <= after <= high
                begun = [spell.begins for spell in fitted.spells if spell.begins is not None]
                true = FIRST + began
                there += bool(begun)
                near += any(abs(one.day - true) <= np.timedelta64(14, "D") for one in begun)
                # A reel mounted before runs on for a night or two.
                dated += any(one.low <= true + 2 and true <= one.high for one in begun)
                further += max(len(begun) - 1, 0)
            shares = {"found": there, "found within two weeks": near, "day in its interval": dated}
            for what, count in (shares | {"present grammage held": held}).items():
                yield Figure(f"{size:+g} % {ago} weeks ago: {what}", 100 * count / plants, "%")
            yield Figure(f"{size:+g} % {ago} weeks ago: further changes", further, "count")


if __name__ == "__main__":
    main()
