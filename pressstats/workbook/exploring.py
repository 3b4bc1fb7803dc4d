"""What results offer to whoever explores them: frames, what their columns mean, half years, other assumptions."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..accounts import Span, what_if_cost
from ..demand import WhatIf
from . import frames, ink_runs
from .describing import describe, described

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ..demand import Outlook
    from ..ink import InkFit
    from ..logs import Logs
    from ..orders import OrderPlan
    from ..reels import ReelStudy

__all__ = ["Exploring", "halves"]


class Exploring:
    """Frames of results, joined when they are first asked for."""

    logs: Logs
    run_balance: pd.DataFrame
    reel_study: ReelStudy
    ink_exposure: pd.DataFrame
    ink_intervals: pd.DataFrame
    ink_fits: dict[str, InkFit]
    outlook: Outlook | None
    supplier_quality: pd.DataFrame
    on_hand: pd.DataFrame
    open_orders: pd.DataFrame
    published: dict[str, pd.DataFrame]
    plan: OrderPlan | None

    @property
    def risk(self) -> pd.Series:
        """Stock-out risk of each material before the next order can arrive; a material that is not there is unknown."""
        return pd.Series(dtype="float64", name="risk") if self.plan is None else self.plan.risk

    @cached_property
    def runs(self) -> pd.DataFrame:
        """One row a run, with everything known of it; ``describe("runs")`` says what its columns mean."""
        record, model = self.published["run_record"], self.published["ink_model"]
        return frames.run_frame(self.logs, self.run_balance, record, self.ink_exposure, model)

    @cached_property
    def mounts(self) -> pd.DataFrame:
        """One row a mount of a reel, with what it and its share of the run wasted."""
        study = self.reel_study
        return frames.mount_frame(study.mount_history, study.ends, study.reel_chain, self.runs)

    @cached_property
    def reels(self) -> pd.DataFrame:
        """One row a reel, from its receipt to its core."""
        return frames.reel_frame(self.logs, self.reel_study.reel_chain, self.mounts)

    @cached_property
    def ink(self) -> pd.DataFrame:
        """One row an ink and dip: what was used since the dip before, and printed."""
        return frames.ink_frame(self.logs, self.ink_intervals, self.published["ink_watch"], self.ink_exposure)

    @cached_property
    def stock(self) -> pd.DataFrame:
        """One row a material: on hand, on order, how long it lasts, at which risk."""
        cover = self.published["stock_cover"]
        return frames.stock_frame(self.logs, self.on_hand, cover, self.open_orders, self.risk)

    @cached_property
    def weeks(self) -> pd.DataFrame:
        """One row a week: paper by stream, ink, plates, copies."""
        return frames.week_frame(self.runs, self.run_balance)

    @cached_property
    def forecast(self) -> pd.DataFrame:
        """One row a material and week, past and ahead."""
        return frames.forecast_frame(self.logs, self.outlook, self.published["demand_forecast"])

    @cached_property
    def files(self) -> pd.DataFrame:
        """One row a file that was read: its rows, how many count, and how many were set aside."""
        return frames.file_frame(self.logs)

    def describe(self, name: str = "") -> pd.DataFrame:
        """Return the columns of a frame or table with unit and meaning; without a name, all tables there are."""
        return describe(name) if name else described()

    def what_if(self, assumptions: Mapping[str, WhatIf], **period: Any) -> pd.DataFrame:
        """Return what assumptions change in the weeks ahead (:func:`pressstats.accounts.what_if_cost`)."""
        if self.outlook is None:
            raise ValueError("the logs are too short for a forecast, so nothing is known of the weeks ahead")
        return what_if_cost(
            self.logs,
            self.outlook,
            assumptions,
            model=self.published["ink_model"],
            quality=self.supplier_quality,
            splices=self.reel_study.splices,
            **period,
        )

    def mean_coverage(self, run_ids: pd.Index | None = None) -> pd.Series:
        """Return the covered fraction of the pages of runs, by ink; of all runs whose coverage is known by default."""
        return ink_runs.mean_coverage(self.logs, self.ink_exposure, run_ids)

    def run_ink(self, copies: float = 40_000, pages: float = 48, coverage: float = 1.0) -> pd.DataFrame:
        """Return what one run would take of each ink (:func:`pressstats.workbook.ink_runs.run_ink`)."""
        return ink_runs.run_ink(self.logs, self.ink_fits, self.ink_exposure, copies, pages, coverage)

    def paper_change(
        self, material: str, grammage_change: float = 0.0, width_change: float = 0.0, weeks: int = 52
    ) -> pd.DataFrame:
        """Return what a newsprint of another grammage and width would take and cost in the weeks ahead.

        `grammage_change` [g/m2] and `width_change` [mm] are against what it has now. One row: material, grammage_gsm,
        width_mm, expected_t (as it is), change_t, need_low_t and need_high_t (90 % limits of what is then needed) [t],
        cost with q05 and q95 [currency]. Raises KeyError for what is no newsprint, ValueError without a forecast.
        """
        papers = self.logs["materials"].query("kind == 'newsprint'").set_index("material")
        if material not in papers.index:
            raise KeyError(f"no newsprint is called {material!r}: there are {', '.join(papers.index)}")
        grammage, width = papers.loc[material, ["grammage_gsm", "width_mm"]].to_numpy(dtype=float)
        # A narrower web of the same paper weighs what a lighter one of the same width does.
        lighter = (grammage + grammage_change) * (width + width_change) / width
        found = self.what_if({"": WhatIf(grammage={material: lighter})}, weeks=weeks).set_index("material")
        names = ["expected", "change", "need_low", "need_high"]
        tonnes = found.loc[[material], names].add_suffix("_t") / 1000
        tonnes.insert(0, "grammage_gsm", grammage + grammage_change)
        tonnes.insert(1, "width_mm", width + width_change)
        return tonnes.join(found[["cost", "q05", "q95"]]).reset_index()

    def splice_cost(self, material: str, metres: float) -> pd.DataFrame:
        """Return what another splice setting would cost a year (``SpliceStudy.cost_of``)."""
        return self.reel_study.splices.cost_of(material, metres, self.logs.plant.policy.failed_splice_cost)


_HALF = pd.Timedelta(weeks=26)
_DAY = pd.Timedelta(days=1)


def halves(logs: Logs) -> tuple[Span, Span]:
    """Return the 26 weeks before the last 26 weeks up to as-of, and those.

    Weeks, not months: both have as many Sundays.
    """
    end = logs.as_of
    return Span(end - 2 * _HALF + _DAY, end - _HALF), Span(end - _HALF + _DAY, end)
