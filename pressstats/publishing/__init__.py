"""From logs to the pages of three readers: run the notebooks, convert, put in place, index."""

from .group import GroupPublication, publish_group
from .publication import NOTEBOOKS, Publication, ReportFailed, publish
from .reports import READERS, REPORTS, Report

__all__ = [
    "NOTEBOOKS",
    "READERS",
    "REPORTS",
    "GroupPublication",
    "Publication",
    "Report",
    "ReportFailed",
    "publish",
    "publish_group",
]
