"""Nights: what the coming week and tonight will take, and what is to be laid out for it."""

from .coming import USUAL_RUNS, coming_days, coming_paper, due_words, unusual_pages
from .jobs import night_jobs
from .pulling import night_reels, night_splices, night_webs
from .tonight import night_tables, night_tanks

__all__ = [
    "USUAL_RUNS",
    "coming_days",
    "coming_paper",
    "due_words",
    "night_jobs",
    "night_reels",
    "night_splices",
    "night_tables",
    "night_tanks",
    "night_webs",
    "unusual_pages",
]
