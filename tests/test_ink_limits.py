"""From how many intervals and blocks on an ink's terms and its mean use are told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from ink_simulation import Habits, simulate_ink
from scipy import stats

from pressstats.ink import fit_ink
from pressstats.ink.plain import _interval


@pytest.mark.parametrize(("intervals", "terms"), [(12, 3), (11, 1), (3, 1)])
def test_two_terms_and_more_need_twelve_intervals_and_one_needs_three(intervals: int, terms: int) -> None:
    rows, _ = simulate_ink(np.random.default_rng(1), Habits(days=120, dip_kg=1.0, missed=0.0))
    fit = fit_ink("black", rows.head(intervals))
    assert fit is not None and len(fit.terms) == terms
    assert fit_ink("black", rows.head(2)) is None


@pytest.mark.parametrize("blocks", [4, 3])
def test_mean_use_has_an_interval_from_four_blocks_of_four_weeks(blocks: int) -> None:
    # Weekly intervals; use of a day rises from block to block and is the same within one.
    weeks = np.arange(4 * blocks)
    since = pd.Timestamp("2025-01-01") + pd.to_timedelta(7 * weeks, unit="D")
    a_day = 10.0 + 2.0 * (weeks // 4)
    rows = pd.DataFrame({"since": since, "read_at": since + pd.Timedelta(days=7) - pd.Timedelta(hours=1)})
    rows = rows.assign(used_kg=7 * a_day, days=7.0)
    low, high = _interval(rows)
    if blocks == 3:
        assert np.isnan([low, high]).all()
        return
    # 10, 12, 14, 16: mean 13, standard deviation 2.582, t with 3 degrees of freedom 3.182 (any table).
    half = stats.t.ppf(0.975, 3) * 2.582 / 2
    assert (low, high) == (pytest.approx(13 - half, abs=1e-3), pytest.approx(13 + half, abs=1e-3))
