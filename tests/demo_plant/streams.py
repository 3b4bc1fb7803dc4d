"""The true paper balance of the invented plant: every kilogram by week, press and stream."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .calendar_days import DAY
from .scenario import NEWSPRINT

if TYPE_CHECKING:
    from .printing import Printed

__all__ = ["STREAMS", "Streams"]

#: Streams that add up to `mounted_kg`, as in the published table `paper_balance`.
STREAMS = (
    "good_kg", "startup_kg", "running_kg", "uncounted_kg", "grammage_kg", "strip_kg", "reel_end_kg", "scrapped_kg",
    "unexplained_kg",
)  # fmt: skip


@dataclass
class Streams:
    """True kilograms, collected run by run.

    Copies are taken as they truly were and weighed at nominal grammage; `grammage_kg` is the true area
    times the planted difference of the material. What single reels differ from their material, and the
    paper threaded at starts and after stops, is `unexplained_kg`.
    """

    by_week: dict[tuple[dt.date, str], dict[str, float]] = field(default_factory=dict)
    threading_kg: dict[tuple[dt.date, str], float] = field(default_factory=dict)

    def add(self, run: Printed) -> None:
        """Add a run."""
        order = run.order
        week = (order.date - order.date.weekday() * DAY, order.press)
        cell = self.by_week.setdefault(
            week,
            dict.fromkeys(
                ("runs", "area_m2", "mounted_kg", *STREAMS, "good_grammage_kg", "good_true_kg"), 0.0
            ),
        )
        cell["runs"] += 1
        for truth in run.webs:
            sheet, m2 = NEWSPRINT[truth.web.material], truth.web.m2_per_copy
            nominal, more = sheet.grammage_gsm / 1000, (sheet.effective_gsm - sheet.grammage_gsm) / 1000
            streams = {
                "good_kg": run.good * m2 * nominal,
                "startup_kg": run.startup * m2 * nominal,
                "running_kg": run.running * m2 * nominal,
                "uncounted_kg": run.uncounted * m2 * nominal,
                "grammage_kg": run.gross * m2 * more,
                "strip_kg": truth.strip_kg,
                "reel_end_kg": truth.reel_end_kg,
                "scrapped_kg": truth.scrapped_kg,
            }
            streams["unexplained_kg"] = truth.mounted_kg - sum(streams.values())
            for name, kg in streams.items():
                cell[name] += kg
            cell["area_m2"] += run.gross * m2
            cell["mounted_kg"] += truth.mounted_kg
            cell["good_grammage_kg"] += run.good * m2 * more
            cell["good_true_kg"] += truth.printed_kg * run.good / run.gross
            self.threading_kg[week] = self.threading_kg.get(week, 0.0) + truth.threading_kg

    def rows(self) -> list[list[str]]:
        """Return the truth as rows of text, a header first, kilograms to a millionth of a gram."""
        header = ["week", "press", "runs", "area_m2", "mounted_kg", *STREAMS, "waste_pct"]
        rows = [header]
        for (week, press), cell in sorted(self.by_week.items()):
            waste = (
                100 * (cell["mounted_kg"] - cell["good_kg"] - cell["good_grammage_kg"]) / cell["mounted_kg"]
            )
            kg = [f"{cell[name]:.3f}" for name in STREAMS]
            total = sum(round(cell[name], 3) for name in STREAMS)  # the rounded streams add up as well
            rows.append(
                [
                    week.isoformat(),
                    press,
                    f"{cell['runs']:.0f}",
                    f"{cell['area_m2']:.3f}",
                    f"{total:.3f}",
                    *kg,
                    f"{waste:.4f}",
                ]
            )
        return rows

    def unprinted_and_printed(self) -> dict[dt.date, tuple[float, float]]:
        """Return waste paper by week: unprinted and printed [kg]."""
        weekly: dict[dt.date, tuple[float, float]] = {}
        for (week, _), cell in self.by_week.items():
            white, printed = weekly.get(week, (0.0, 0.0))
            white += cell["strip_kg"] + cell["reel_end_kg"] + cell["scrapped_kg"]
            printed += cell["startup_kg"] + cell["running_kg"] + cell["uncounted_kg"]
            weekly[week] = (white, printed)
        return weekly
