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
from dataclasses import replace
from pathlib import Path

import click
import numpy as np
import pandas as pd

from pressstats.ink import Finding, findings, ink_model, judge_inks, predict_use
from pressstats.ink.model import TERMS, fit_ink, ink_design
from pressstats.ink.use import _by_group

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
        best = findings.suspicions(fit)
        single = max((finding.statistic for finding, places in best if places), default=0.0)
        ended = max(
            (one.statistic for one, _ in best if isinstance(one, Finding) and one.exposure), default=0.0
        )
        lasting = max((one.statistic for one, _ in best if not isinstance(one, Finding)), default=0.0)
        found = single >= findings.SINGLE or ended >= findings.WINDOW or lasting >= findings.LASTING
        rows.append({"single": single, "window": ended, "lasting": lasting, "finding": float(found)})
    return pd.DataFrame(rows)


@click.group()
def main() -> None:
    """Measure the ink model on simulated inks."""


def _show(rows: list[dict[str, object]]) -> None:
    click.echo(
        pd.DataFrame(rows).to_string(index=False, float_format=lambda x: f"{x:.3g}" if x < 10 else f"{x:.1f}")
    )


@main.command()
@click.option("--plants", default=2000)
@click.option("--seed", default=1)
def coverage(plants: int, seed: int) -> None:
    """Tell how often intervals hold the truth: 93 to 97 per cent is meant."""
    table = []
    for daily_kg in (130.0, 260.0, 520.0):
        habits = Habits(daily_kg=daily_kg)
        table.append({"dips": "daily", "kg a day": daily_kg} | judge_coverage(habits, plants, seed))
        _show(table[-1:])
    for daily_kg in (130.0, 520.0):
        monthly = Habits(daily_kg=daily_kg, days=1092, every=28, missed=0.0)
        table.append({"dips": "monthly", "kg a day": daily_kg} | judge_coverage(monthly, plants, seed))
    for daily_kg in (130.0, 520.0):
        alike = Habits(daily_kg=daily_kg, days=1092, every=7, missed=0.0, weekly_runs=WEEKLY)
        table.append({"dips": "weekly", "kg a day": daily_kg} | judge_coverage(alike, plants, seed))
    _show(table)


@main.command()
@click.option("--plants", default=100)
@click.option("--seed", default=5)
@click.option("--every", "dips", multiple=True, type=int, default=(1, 7), help="Days from dip to dip.")
def changes(plants: int, seed: int, dips: tuple[int, ...]) -> None:
    """Tell how often lasting changes are found, dated and sized, and the present is held [per cent]."""
    table = []
    for every, dip_kg in ((1, 20.0), (1, 60.0), (7, 60.0)):
        if every not in dips:
            continue
        for weeks, ratio in ((40, 1.08), (8, 1.08), (40, 1.04)):
            habits = Habits(dip_kg=dip_kg, days=1092, every=every, missed=0.0)
            told = judge_change(weeks, ratio, habits, plants, seed)
            of = {"every": every, "dip kg": dip_kg, "weeks": weeks, "ratio": ratio}
            table.append(of | told)
            _show(table[-1:])
    _show(table)


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
def unfound(plants: int, seed: int, years: float, every: int) -> None:
    """Tell how often the present is held and a change found, by its size and age, dips of 20 kg [per cent]."""
    table = []
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
            of = {"areas": "falling" if falling else "alike", "weeks": weeks, "ratio": ratio}
            shares = dict(zip(("film", "start-up", "standing"), 100 * np.mean(held, axis=0), strict=True))
            table.append(
                of | shares | {"found": 100 * np.mean(found), "film half width, %": 100 * np.mean(half)}
            )
    _show(table)


@main.command()
@click.option("--plants", default=15)
@click.option("--seed", default=8)
def use(plants: int, seed: int) -> None:
    """Tell how often 95 % intervals of the use of an interval, and of a week, hold the truth [per cent]."""
    table = []
    for weeks, ratio in ((30, 1.0), (30, 1.03), (8, 1.08)):
        rng = np.random.default_rng(seed)
        habits = Habits(dip_kg=20.0, days=420, missed=0.0)
        held, wide = [], []
        for _ in range(plants):
            rows = _ever_less(simulate_ink(rng, habits)[0], habits.film)
            judged, fits, _ = judge_inks(lasting_change(rows, weeks, ratio, habits)[0])
            week = (judged["read_at"] - judged["since"].iloc[0]).dt.days // 7
            cells = judged.assign(group=week, interval=np.arange(len(judged)))
            told = _by_group(fits["black"], cells, judged, int(week.max()) + 1)
            true = judged.groupby(week)["true_kg"].sum().to_numpy()
            held.append(np.abs(told[:, 0] - true) <= 1.96 * told[:, 1])
            wide.append(told[:, 1])
        of = {"weeks": weeks, "ratio": ratio}
        table.append(
            of | {"week held": 100 * np.concatenate(held).mean(), "std error": np.concatenate(wide).mean()}
        )
    _show(table)


@main.command()
@click.option("--plants", default=100)
@click.option("--seed", default=2)
@click.option("--daily-kg", default=130.0)
def kinds(plants: int, seed: int, daily_kg: float) -> None:
    """Tell how often disturbances are found, dated within two weeks, named and named rightly [per cent]."""
    table = []
    for dip_kg in (10.0, 20.0, 40.0, 60.0):
        for kind in (*DISTURBANCES, None):
            habits = Habits(dip_kg=dip_kg, days=1092, daily_kg=daily_kg)
            told = judge_kind(kind, habits, plants, seed)
            table.append({"dip kg": dip_kg, "planted": kind or "nothing"} | told)
            _show(table[-1:])
    _show(table)


@main.command("false-alarms")
@click.option("--plants", default=1000)
@click.option("--seed", default=3)
def false_alarms(plants: int, seed: int) -> None:
    """Tell how large statistics grow without a disturbance: in three years, and in few readings."""
    table = []
    daily = [(130.0, 10.0), (130.0, 60.0), (520.0, 20.0), (520.0, 60.0)]
    cases = [Habits(daily_kg=kg, dip_kg=dip_kg, days=1092) for kg, dip_kg in daily]
    cases += [Habits(days=91), Habits(days=1092, every=28, missed=0.0)]
    cases += [Habits(days=1092, every=7, missed=0.0, weekly_runs=WEEKLY)]
    for habits in cases:
        told = largest_statistics(habits, plants, seed)
        told_of = {"kg a day": habits.daily_kg, "dip kg": habits.dip_kg, "days": habits.days}
        table.append(told_of | {"every": habits.every} | _tails(told))
        _show(table[-1:])
    _show(table)


def _tails(told: pd.DataFrame) -> dict[str, float]:
    tails = {
        f"{kind} {100 * at:g} %": told[kind].quantile(at)
        for kind in ("single", "window", "lasting")
        for at in (0.95, 0.995)
    }
    return tails | {"with a finding, per cent": 100 * told["finding"].mean()}


@main.command()
@click.option("--rounds", default=3)
def speed(rounds: int) -> None:
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
        for years in (1, 2, 5, 10):
            part = whole[whole["read_at"] <= end + pd.Timedelta(days=365 * years)]
            readings[years] = len(part)
            start = time.perf_counter()
            judged, fits[years], _ = judge_inks(part)
            ink_model(judged, fits[years])
            best[years] = min(best.get(years, np.inf), time.perf_counter() - start)
    unit = best[1] / readings[1]
    _show(
        [
            {
                "years": years,
                "readings": readings[years],
                "fits": len(fits[years]),
                "seconds": best[years],
                "time per reading to that of one year": best[years] / readings[years] / unit,
            }
            for years in best
        ]
    )


if __name__ == "__main__":
    assert len(TERMS) == 3
    main()
