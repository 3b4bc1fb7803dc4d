"""What will many series do next, and how sure is that? Knows nothing of paper or ink.

:func:`forecast` combines diverse methods, each run over all series at once as arrays; :func:`backtest` makes
the same forecasts again from past origins, at a cost linear in series and origins.
"""

from .calibrating import calibrated, mean_kept
from .engine import Backtest, Forecast, backtest, forecast
from .intervals import Judgement
from .members import MEMBERS

__all__ = ["MEMBERS", "Backtest", "Forecast", "Judgement", "backtest", "calibrated", "forecast", "mean_kept"]
