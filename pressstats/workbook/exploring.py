"""What results offer to whoever explores them: frames, what their columns mean, and what other assumptions change."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..accounts import what_if_cost
from . import frames
from .describing import describe, described

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ..demand import Outlook, WhatIf
    from ..logs import Logs
    from ..orders import OrderPlan
    from ..reels import ReelStudy

__all__ = ["Exploring"]


class Exploring:
    """Frames of results, joined when they are first asked for."""

    logs: Logs
    run_balance: pd.DataFrame
    reel_study: ReelStudy
    ink_exposure: pd.DataFrame
    ink_intervals: pd.DataFrame
    outlook: Outlook | None
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

    def describe(self, name: str = "") -> pd.DataFrame:
        """Return the columns of a frame or table with unit and meaning; without a name, all tables there are."""
        return describe(name) if name else described()

    def what_if(self, assumptions: Mapping[str, WhatIf], **period: Any) -> pd.DataFrame:
        """Return what assumptions change in the weeks ahead (:func:`pressstats.accounts.what_if_cost`)."""
        if self.outlook is None:
            raise ValueError("the logs are too short for a forecast, so nothing is known of the weeks ahead")
        return what_if_cost(self.logs, self.outlook, assumptions, model=self.published["ink_model"], **period)
