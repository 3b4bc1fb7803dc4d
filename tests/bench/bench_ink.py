"""What the ink model is worth, over simulated inks whose truth is known.

``coverage``
    Do 95 % intervals of the terms and of predicted use hold the truth, and how much less does film weight
    scatter than by ordinary least squares?
``kinds``
    How often is a drift, a leak, a gauge set anew or a misread dip found, dated and named rightly?
``changes``
    Is a film weight that changed for good found, dated and sized, and does the interval of the present hold it?
``unfound``
    Do intervals of the present hold the truth where film weight changed by too little to be found, with printed areas
    that are about the same all the time or ever less?
``use``
    Do 95 % intervals of the use of a week hold the truth, with and without a lasting change?
``false-alarms``
    How large do the statistics grow in inks that nothing happened to? The limits in
    ``pressstats.ink.findings`` come from here.
``speed``
    Is the time linear in the readings? Told as a ratio within one run.

Run it as ``python tests/bench/bench_ink.py coverage [--plants N]``.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pandas as pd
from figures import Figure, figures_of, measures

from pressstats.ink import Finding, findings, ink_model, judge_inks, predict_use
from pressstats.ink.model import TERMS, fit_ink, ink_design
from pressstats.ink.use import use_of_groups

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from ink_simulation import DISTURBANCES, Habits, lasting_change, simulate_ink

FOUND_DAYS = 14


def judge_coverage(habits: Habits, plants: int, seed: int) -> dict[str, float]:
    """Return shares of intervals that hold the truth, and how film weight scatters."""
    rng = np.random.default_rng(seed)
    held, predicted, measured, ours, ordinary = [], [], [], [], []
    for _ in range(plants):
        rows, _ = simulate_ink(rng, habits)
        fit = fit_ink("black", rows)
        if fit is None:
            continue
        if fit.separate:
            held.append(np.abs(fit.estimate - habits.terms) <= fit.interval())
        else:
            told = fit.estimate - combined_truth(habits)
            held.append(np.append(np.abs(told) <= fit.interval(), np.nan))
        new, _ = simulate_ink(rng, habits)
        new = new.head(8)
        told = predict_use(fit, new)
        predicted.append(new["true_kg"].between(told["low"], told["high"]).mean())
        measured.append(((new["used_kg"] - told["mean"]).abs() <= told["measured_half"]).mean())
        ours.append(fit.estimate[0])
        ordinary.append(np.linalg.lstsq(ink_design(rows), rows["used_kg"].to_numpy(), rcond=None)[0][0])
    names = ("film", "start-up", "standing")
    if np.isnan(held).any():
        names = ("film", "beyond film", "-")
    shares = dict(zip(names, 100 * np.mean(held, axis=0), strict=True))
    return shares | {
        "predicted": 100 * float(np.mean(predicted)),
        "as dipped": 100 * float(np.mean(measured)),
        "film sd": float(np.std(ours)),
        "ratio to OLS": float(np.std(ours) / np.std(ordinary)),
        "fits": float(len(ours)),
    }


WEEKLY = (1, 2, 2, 2, 2, 2, 1)


def combined_truth(habits: Habits) -> np.ndarray:
    """Return film weight, and start-up and standing of a week with the same runs as any other."""
    runs = sum(habits.weekly_runs or ())
    return np.array([habits.film, runs * habits.start + 7 * habits.standing])


def judge_change(weeks: int, ratio: float, habits: Habits, plants: int, seed: int) -> dict[str, float]:
    """Return how often a lasting change of film weight is found, dated and sized, and the present held, in per cent."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(plants):
        drawn, begin, kg = lasting_change(simulate_ink(rng, habits)[0], weeks, ratio, habits)
        judged, fits, found = judge_inks(drawn)
        model = ink_model(judged, fits).set_index("term").loc["film_g_m2"]
        near = [one for one in found if one.lasting]
        first = min(near, key=lambda one: abs(one.since - begin)) if near else None
        rows.append(
            {
                "found": first is not None,
                "once": len(found) == 1,
                "within two weeks": first is not None and abs((first.since - begin).days) <= FOUND_DAYS,
                "date held": first.dated_low <= begin <= first.dated_high if first is not None else np.nan,
                "named": first is not None and first.kind != "change",
                "kg": first.extra_kg / kg if first is not None else np.nan,
                "present film held": model["ci_low"] <= ratio * habits.film <= model["ci_high"],
            }
        )
    table = pd.DataFrame(rows).astype(float)
    return (100 * table.mean()).to_dict()


def judge_kind(kind: str | None, habits: Habits, plants: int, seed: int) -> dict[str, float]:
    """Return how often a disturbance is found, dated, named and named rightly, in per cent."""
    rng = np.random.default_rng(seed)
    disturbance = DISTURBANCES[kind] if kind else None
    found, dated, named, right, others = 0, 0, 0, 0, 0
    for _ in range(plants):
        rows, since = simulate_ink(rng, habits, disturbance)
        _, _, list_ = judge_inks(rows)
        near = []
        if since is not None and disturbance is not None:
            until = since + pd.Timedelta(days=disturbance.days)
            margin = pd.Timedelta(days=FOUND_DAYS)
            near = [f for f in list_ if f.since <= until + margin and f.until >= since - margin]
        others += len(list_) - bool(near)
        if near:
            first = near[0]
            found += 1
            dated += abs(first.since - since) <= pd.Timedelta(days=FOUND_DAYS)
            named += first.kind != "change"
            right += first.kind == kind
    share = 100 / plants
    return {
        "found": found * share,
        "dated": dated * share,
        "named": named * share,
        "right of named": 100 * right / named if named else np.nan,
        "other findings": others * share,
    }


def largest_statistics(habits: Habits, plants: int, seed: int) -> pd.DataFrame:
    """Return the largest statistics of undisturbed inks, and whether anything was found, a row each."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(plants):
        intervals, _ = simulate_ink(rng, habits)
        fit = fit_ink("black", intervals)
        if fit is None:
            continue
        best = findings.candidates(fit)
        single = max((finding.statistic for finding, places in best if places), default=0.0)
        ended = max(
            (one.statistic for one, _ in best if isinstance(one, Finding) and one.exposure), default=0.0
        )
        lasting = max((one.statistic for one, _ in best if not isinstance(one, Finding)), default=0.0)
        found = single >= findings.SINGLE or ended >= findings.WINDOW or lasting >= findings.LASTING
        rows.append({"single": single, "window": ended, "lasting": lasting, "finding": float(found)})
    return pd.DataFrame(rows)


#: Units of columns that are no shares.
UNITS = {"film sd": "g/m2", "ratio to OLS": "ratio", "fits": "count", "std error": "kg"}


def _figures(title: str, values: dict[str, float]) -> Iterator[Figure]:
    for name, value in values.items():
        yield from figures_of(title, {name: value}, UNITS.get(name, "%"))


@click.group()
def main() -> None:
    """Measure the ink model on simulated inks."""


@main.command()
@click.option("--plants", default=2000)
@click.option("--seed", default=1)
@measures
def coverage(plants: int, seed: int) -> Iterator[Figure]:
    """Tell how often intervals hold the truth: 93 to 97 per cent is meant."""
    every = [("daily", Habits(daily_kg=kg)) for kg in (130.0, 260.0, 520.0)]
    long = {"days": 1092, "missed": 0.0}
    every += [("monthly", Habits(daily_kg=kg, every=28, **long)) for kg in (130.0, 520.0)]
    every += [("weekly", Habits(daily_kg=kg, every=7, weekly_runs=WEEKLY, **long)) for kg in (130.0, 520.0)]
    for dips, habits in every:
        yield from _figures(
            f"{dips} dips, {habits.daily_kg:.0f} kg a day", judge_coverage(habits, plants, seed)
        )


@main.command()
@click.option("--plants", default=100)
@click.option("--seed", default=5)
@click.option("--every", "dips", multiple=True, type=int, default=(1, 7), help="Days from dip to dip.")
@measures
def changes(plants: int, seed: int, dips: tuple[int, ...]) -> Iterator[Figure]:
    """Tell how often lasting changes are found, dated and sized, and the present is held [per cent]."""
    for every, dip_kg in ((1, 20.0), (1, 60.0), (7, 60.0)):
        if every not in dips:
            continue
        for weeks, ratio in ((40, 1.08), (8, 1.08), (40, 1.04)):
            habits = Habits(dip_kg=dip_kg, days=1092, every=every, missed=0.0)
            title = f"dips of {dip_kg:.0f} kg every {every} days, film {100 * ratio - 100:+.0f} % {weeks} weeks ago"
            yield from _figures(title, judge_change(weeks, ratio, habits, plants, seed))


def _ever_less(rows: pd.DataFrame, film: float) -> pd.DataFrame:
    """Return the same ink with printed areas that fall by half."""
    share = np.linspace(1.3, 0.7, len(rows))
    extra = film * (share - 1) * rows["solid_m2"] / 1000
    return rows.assign(
        used_kg=rows["used_kg"] + extra,
        true_kg=rows["true_kg"] + extra,
        solid_m2=rows["solid_m2"] * share,
        solid_squared=rows["solid_squared"] * share**2,
    )


@main.command()
@click.option("--plants", default=50)
@click.option("--seed", default=7)
@click.option("--years", default=1.15)
@click.option("--every", default=1)
@measures
def unfound(plants: int, seed: int, years: float, every: int) -> Iterator[Figure]:
    """Tell how often the present is held and a change found, by its size and age, dips of 20 kg [per cent]."""
    for falling in (False, True):
        for weeks, ratio in ((8, 1.0), (8, 1.02), (8, 1.04), (8, 1.06), (30, 1.02), (30, 1.03), (30, 1.04)):
            rng = np.random.default_rng(seed)
            habits = Habits(dip_kg=20.0, days=7 * round(365.25 * years / 7), every=every, missed=0.0)
            held, found, half = [], [], []
            for _ in range(plants):
                rows = simulate_ink(rng, habits)[0]
                rows = lasting_change(
                    _ever_less(rows, habits.film) if falling else rows, weeks, ratio, habits
                )[0]
                _, fits, told = judge_inks(rows)
                truth = habits.terms * np.array([ratio, 1.0, 1.0])
                held.append(np.abs(fits["black"].estimate - truth) <= fits["black"].interval())
                found.append(any(one.lasting for one in told))
                half.append(fits["black"].interval()[0] / truth[0])
            shares = dict(zip(("film", "start-up", "standing"), 100 * np.mean(held, axis=0), strict=True))
            shares |= {"found": 100 * np.mean(found), "film half width": 100 * np.mean(half)}
            areas = "falling" if falling else "alike"
            yield from _figures(f"areas {areas}, film {100 * ratio - 100:+.0f} % {weeks} weeks ago", shares)


@main.command()
@click.option("--plants", default=15)
@click.option("--seed", default=8)
@measures
def use(plants: int, seed: int) -> Iterator[Figure]:
    """Tell how often 95 % intervals of the use of an interval, and of a week, hold the truth [per cent]."""
    for weeks, ratio in ((30, 1.0), (30, 1.03), (8, 1.08)):
        rng = np.random.default_rng(seed)
        habits = Habits(dip_kg=20.0, days=420, missed=0.0)
        held, wide = [], []
        for _ in range(plants):
            rows = _ever_less(simulate_ink(rng, habits)[0], habits.film)
            judged, fits, _ = judge_inks(lasting_change(rows, weeks, ratio, habits)[0])
            week = (judged["read_at"] - judged["since"].iloc[0]).dt.days // 7
            cells = judged.assign(group=week, interval=np.arange(len(judged)))
            told = use_of_groups(fits["black"], cells, judged, int(week.max()) + 1)
            true = judged.groupby(week)["true_kg"].sum().to_numpy()
            held.append(np.abs(told[:, 0] - true) <= 1.96 * told[:, 1])
            wide.append(told[:, 1])
        shares = {"week held": 100 * np.concatenate(held).mean(), "std error": np.concatenate(wide).mean()}
        yield from _figures(f"film {100 * ratio - 100:+.0f} % {weeks} weeks ago", shares)


@main.command()
@click.option("--plants", default=100)
@click.option("--seed", default=2)
@click.option("--daily-kg", default=130.0)
@click.option(
    "--dip-kg", "dips", multiple=True, default=(10.0, 20.0, 40.0, 60.0), help="Errors of a dip [kg]."
)
@measures
def kinds(plants: int, seed: int, daily_kg: float, dips: tuple[float, ...]) -> Iterator[Figure]:
    """Tell how often disturbances are found, dated within two weeks, named and named rightly [per cent]."""
    for dip_kg in dips:
        for kind in (*DISTURBANCES, None):
            habits = Habits(dip_kg=dip_kg, days=1092, daily_kg=daily_kg)
            judged = judge_kind(kind, habits, plants, seed)
            yield from _figures(f"dips of {dip_kg:.0f} kg, planted {kind or 'nothing'}", judged)


@main.command("false-alarms")
@click.option("--plants", default=1000)
@click.option("--seed", default=3)
@measures
def false_alarms(plants: int, seed: int) -> Iterator[Figure]:
    """Tell how large statistics grow without a disturbance: in three years, and in few readings."""
    daily = [(130.0, 10.0), (130.0, 60.0), (520.0, 20.0), (520.0, 60.0)]
    cases = [Habits(daily_kg=kg, dip_kg=dip_kg, days=1092) for kg, dip_kg in daily]
    cases += [Habits(days=91), Habits(days=1092, every=28, missed=0.0)]
    cases += [Habits(days=1092, every=7, missed=0.0, weekly_runs=WEEKLY)]
    for habits in cases:
        largest = largest_statistics(habits, plants, seed)
        dips = f"dips of {habits.dip_kg:.0f} kg every {habits.every} of {habits.days} days"
        title = f"{habits.daily_kg:.0f} kg a day, {dips}"
        yield from figures_of(title, _tails(largest))
        yield Figure(f"{title}: with a finding", 100 * largest["finding"].mean(), "%")


def _tails(largest: pd.DataFrame) -> dict[str, float]:
    return {
        f"largest {kind}, {100 * at:g} % quantile": largest[kind].quantile(at)
        for kind in ("single", "window", "lasting")
        for at in (0.95, 0.995)
    }


@main.command()
@click.option("--rounds", default=3)
@click.option("--years", "spans", multiple=True, default=(1, 2, 5, 10), help="Years of dips, the first one.")
@measures
def speed(rounds: int, spans: tuple[int, ...]) -> Iterator[Figure]:
    """Tell the time of six inks with daily dips, over 1, 2, 5 and 10 years, as a ratio per reading."""
    rng = np.random.default_rng(4)
    planted = [None, "drift", "leak", "step", "misread dip", None]
    inks = []
    for number, kind in enumerate(planted):
        habits = replace(Habits(), days=3650, dip_kg=60.0)
        inks.append(simulate_ink(rng, habits, DISTURBANCES.get(kind or ""), f"ink {number}")[0])
    whole = pd.concat(inks, ignore_index=True)
    end = whole["since"].min()
    best: dict[int, float] = {}
    readings = {}
    fits = {}
    for _ in range(rounds):
        for years in spans:
            part = whole[whole["read_at"] <= end + pd.Timedelta(days=365 * years)]
            readings[years] = len(part)
            start = time.perf_counter()
            judged, fits[years], _ = judge_inks(part)
            ink_model(judged, fits[years])
            best[years] = min(best.get(years, np.inf), time.perf_counter() - start)
    unit = best[1] / readings[1]
    for years in spans:
        note = f"{readings[years]} readings, {len(fits[years])} fits, {best[years]:.2f} s"
        yield Figure(
            f"time a reading, {years} years / one", best[years] / readings[years] / unit, "ratio", note
        )


if __name__ == "__main__":
    assert len(TERMS) == 3
    main()
